package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples"
)

func newLogExportCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:   "export FILE",
		Short: "Write samples as CSV, XLSX or JSON",
		Long: `Writes the samples picked to FILE, in the form that its ending tells: .csv and
.xlsx hold one row for each sample, .json the whole records. Texts that a
spreadsheet would read as a formula get an apostrophe in front.`,
		Example: "  traytally log export november.xlsx --from 2026-11-01 --to 2026-11-30\n  traytally log export all.json",
		Args:    takesOne("file", "samples.xlsx"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runLogExport(cmd.Context(), o, args[0])
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.queryFlags.add(f)
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

func runLogExport(ctx context.Context, o readFlags, path string) error {
	ending := strings.ToLower(filepath.Ext(path))
	if ending != ".csv" && ending != ".xlsx" && ending != ".json" {
		return usageError(fmt.Sprintf("%s does not end in .csv, .xlsx or .json", path), "the ending tells the form")
	}
	if err := checkPlace(path); err != nil {
		return err
	}
	q, err := o.query()
	if err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	return writeWhole(path, o.force, func(w io.Writer) error {
		if ending == ".json" {
			return samples.WriteJSON(w, g.Records(ctx, q))
		}
		rows, err := g.List(ctx, q)
		if err != nil {
			return err
		}
		if ending == ".csv" {
			return samples.WriteCSV(w, rows)
		}
		return samples.WriteXLSX(w, rows)
	})
}
