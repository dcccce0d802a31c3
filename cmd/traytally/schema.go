package main

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
)

// schemaFile is the JSON Schema of all documents that commands write. Its
// $defs hold each document, under its name in schemaDocuments, and what
// documents share.
//
//go:embed schema.json
var schemaFile []byte

// schemaDocuments are the documents that schemaFile describes.
var schemaDocuments = []string{
	"grade", "verify", "plan", "lot", "compare", "standard", "settle", "agree", "study", "batch", "log", "record",
	"trend", "recheck", "agreement", "trail", "yield", "stages", "blend", "sorter", "tune", "calibration",
}

// documentList lists the documents for the help of the command.
func documentList() string { return text.WrapSoft(strings.Join(schemaDocuments, ", "), 78) }

// schemaOf narrows schemaFile to one document and what it refers to.
func schemaOf(document string) (any, error) {
	var s struct {
		Dialect string                     `json:"$schema"`
		Title   string                     `json:"title"`
		About   string                     `json:"description"`
		Ref     string                     `json:"$ref"`
		Defs    map[string]json.RawMessage `json:"$defs"`
	}
	if err := json.Unmarshal(schemaFile, &s); err != nil {
		return nil, err
	}
	s.Ref = "#/$defs/" + document
	ref := regexp.MustCompile(`"#/\$defs/([^"]+)"`)
	needed := map[string]bool{}
	var need func(name string)
	need = func(name string) {
		if !needed[name] {
			needed[name] = true
			for _, m := range ref.FindAllSubmatch(s.Defs[name], -1) {
				need(string(m[1]))
			}
		}
	}
	need(document)
	maps.DeleteFunc(s.Defs, func(name string, _ json.RawMessage) bool { return !needed[name] })
	return s, nil
}

func newSchemaCommand(u *ui) *cobra.Command {
	cmd := newCommand("schema", cobra.MaximumNArgs(1), func(_ context.Context, args []string) error {
		if len(args) == 0 {
			_, err := u.out.Write(schemaFile)
			return err
		}
		if !slices.Contains(schemaDocuments, args[0]) {
			return usageError(fmt.Sprintf("there is no document %q", args[0]),
				didYouMean("", args[0], schemaDocuments, "take one of "+strings.Join(schemaDocuments, ", ")))
		}
		s, err := schemaOf(args[0])
		if err != nil {
			return err
		}
		return indented(u.out, s)
	})
	cmd.ValidArgs = schemaDocuments
	return cmd
}
