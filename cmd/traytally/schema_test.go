package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// heldToSchema says what keeps a document from its schema: a key too few or too
// many, a wrong type, a word that is not listed. It returns the document's name.
// The published schema lets keys be added; here an object has those that are
// described and no others.
func heldToSchema(doc []byte) (name string, err error) {
	whole, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaFile))
	if err != nil {
		return "", err
	}
	closeObjects(whole)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource("traytally.json", whole); err != nil {
		return "", err
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(doc))
	if err != nil {
		return "", err
	}
	said, _ := v.(map[string]any)
	for _, name := range schemaDocuments {
		def := whole.(map[string]any)["$defs"].(map[string]any)[name].(map[string]any)
		form := def["properties"].(map[string]any)["schema"].(map[string]any)
		forms, _ := form["enum"].([]any)
		if !slices.Contains(append(forms, form["const"]), said["schema"]) {
			continue
		}
		s, err := c.Compile("traytally.json#/$defs/" + name)
		if err != nil {
			return name, err
		}
		return name, s.Validate(v)
	}
	return "", fmt.Errorf("no document has the form %v", said["schema"])
}

// closeObjects refuses keys that are not described.
func closeObjects(v any) {
	switch v := v.(type) {
	case map[string]any:
		if _, open := v["additionalProperties"]; v["properties"] != nil && v["type"] == "object" && !open {
			v["additionalProperties"] = false
		}
		for _, w := range v {
			closeObjects(w)
		}
	case []any:
		for _, w := range v {
			closeObjects(w)
		}
	}
}

// scripted is the program as scripts run it: whatever it writes as JSON is held
// to the schema, and SCHEMAS_SEEN notes the document and the command.
func scripted() {
	u := newUI(os.Stdin, os.Stdout, os.Stderr)
	var printed bytes.Buffer
	at := slices.Index(os.Args, "--json")
	toStdout := at > 0 && at+1 < len(os.Args) && os.Args[at+1] == "-"
	if toStdout {
		u.out = io.MultiWriter(os.Stdout, &printed)
	}
	code := start(u)
	var docs [][]byte
	if printed.Len() > 0 {
		docs = append(docs, printed.Bytes())
	}
	if code == exitDone || code >= exitContradicts && code != exitInterrupted {
		if at > 0 && at+1 < len(os.Args) && !toStdout {
			if b, err := os.ReadFile(os.Args[at+1]); err == nil {
				docs = append(docs, b)
			}
		}
		if at := slices.Index(os.Args, "--out"); at > 0 {
			if b, err := os.ReadFile(filepath.Join(os.Args[at+1], "result.json")); err == nil {
				docs = append(docs, b)
			}
		}
	}
	for _, doc := range docs {
		name, err := heldToSchema(doc)
		if err == nil {
			err = noteSeen(name)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(99)
		}
	}
	os.Exit(code)
}

func noteSeen(document string) error {
	cmd, _, err := newRoot(newUI(os.Stdin, os.Stdout, os.Stderr)).Find(os.Args[1:])
	if err != nil {
		return err
	}
	f, err := os.OpenFile(os.Getenv("SCHEMAS_SEEN"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f, "%s\n%s\n", document, cmd.CommandPath())
	return errors.Join(err, f.Close())
}

// seenAll fails where scripts left out a document, or a command with --json.
func seenAll(t *testing.T, list string) {
	data, err := os.ReadFile(list)
	require.NoError(t, err)
	seen := strings.Split(string(data), "\n")
	for _, name := range schemaDocuments {
		assert.True(t, slices.Contains(seen, name), "no script writes the document %s", name)
	}
	u, _, _ := testUI()
	each(newRoot(u), func(cmd *cobra.Command) {
		if cmd.Flags().Lookup("json") != nil {
			assert.True(t, slices.Contains(seen, cmd.CommandPath()), "no script has the JSON of %s", cmd.CommandPath())
		}
	})
}

// TestSchema: the schema is one by the rules of draft 2020-12, every key is
// described, what is printed for one document stands alone, and the checks of
// the scripts can fail.
func TestSchema(t *testing.T) {
	var whole struct {
		AnyOf []map[string]string `json:"anyOf"`
		Defs  map[string]any      `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(schemaFile, &whole))
	var names []string
	for _, d := range whole.AnyOf {
		names = append(names, strings.TrimPrefix(d["$ref"], "#/$defs/"))
	}
	assert.Equal(t, schemaDocuments, names)
	described(t, "", whole.Defs)
	used := map[string]bool{}
	for _, name := range schemaDocuments {
		u, stdout, stderr := testUI()
		require.Equal(t, exitDone, run(t.Context(), []string{"schema", name}, u), stderr)
		doc, err := jsonschema.UnmarshalJSON(stdout)
		require.NoError(t, err)
		for def := range doc.(map[string]any)["$defs"].(map[string]any) {
			used[def] = true
		}
		c := jsonschema.NewCompiler()
		require.NoError(t, c.AddResource("one.json", doc))
		_, err = c.Compile("one.json")
		require.NoError(t, err, name)
	}
	for name := range whole.Defs {
		assert.True(t, used[name], "%s is in no document", name)
	}
	good := `{"schema":"traytally.trail/1","entries":1,"samples":1,"head":"0","problems":[]}`
	name, err := heldToSchema([]byte(good))
	require.NoError(t, err)
	assert.Equal(t, "trail", name)
	for _, bad := range []string{
		strings.Replace(good, `"entries":1,`, "", 1), strings.Replace(good, `"head"`, `"tail":1,"head"`, 1),
		strings.Replace(good, `:1`, `:"1"`, 1), strings.Replace(good, "trail", "tray", 1),
	} {
		_, err := heldToSchema([]byte(bad))
		assert.Error(t, err, bad)
	}
}

func described(t *testing.T, at string, v any) {
	switch v := v.(type) {
	case map[string]any:
		if props, ok := v["properties"].(map[string]any); ok && v["type"] == "object" {
			for key, p := range props {
				assert.NotEmpty(t, p.(map[string]any)["description"], "%s.%s", at, key)
			}
		}
		for key, w := range v {
			described(t, at+"."+key, w)
		}
	case []any:
		for _, w := range v {
			described(t, at, w)
		}
	}
}

// TestSchemaOfTheRegister holds to the schema what the commands on a register
// write of a sample with everything stated, amended, and tampered with.
func TestSchemaOfTheRegister(t *testing.T) {
	scans := tinyScans(t, 5)
	list := "picture,code,lot,party,line,variety,stage,drawn,received,moisture_pct,sample_mass_g,note\n"
	for i := range 4 {
		list += fmt.Sprintf("scan-%02d.png,K-%d,L,P,A,long,s,2026-11-2%d,2026-11-24,%d,20,n\n", i, i, i, 11+i)
	}
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte(list), 0o666))
	require.NoError(t, os.WriteFile(filepath.Join(scans, "scan-04.png"), []byte("text"), 0o666))
	where := filepath.Join(t.TempDir(), "r.db")
	command := func(want int, args ...string) []byte {
		u, stdout, stderr := testUI()
		require.Equal(t, want, run(t.Context(), append(args, "--register", where), u), stderr)
		return stdout.Bytes()
	}
	docs := [][]byte{command(exitInput, "batch", scans, "--reports", "none", "--json", "-", "--whole-from", tray(t, "picked.png"))}
	command(exitDone, "log", "amend", "K-1", "--reason", "slip", "--lot", "M")
	docs = append(docs,
		command(exitDone, "log", "list", "--json", "-"), command(exitDone, "log", "show", "K-1", "--json", "-"),
		command(exitDone, "log", "trend", "--by", "line", "--json", "-"), command(exitDone, "log", "recheck", "K-1", "--json", "-"))
	raw := rawRegister(t, where)
	_, err := raw.Exec("INSERT INTO samples VALUES (9, 'NEW', 'k', 'x')")
	require.NoError(t, err)
	docs = append(docs, command(exitDiffers, "log", "verify", "--json", "-"))
	for _, doc := range docs {
		_, err := heldToSchema(doc)
		assert.NoError(t, err)
	}
}
