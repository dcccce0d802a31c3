package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/standards"
)

func newStandardsCompareCommand(u *ui) *cobra.Command {
	o := gradeOptions{}
	var contract string
	cmd := newCommand("standards compare", needsPicture, func(ctx context.Context, args []string) error {
		o.pictures = args
		return runCompare(ctx, o, contract, u)
	})
	o.addSampleFlags(cmd)
	f := cmd.Flags()
	f.StringVar(&contract, "contract", "", "compare with the contract in `FILE` too")
	o.addJSON(f)
	return cmd
}

func runCompare(ctx context.Context, o gradeOptions, contract string, u *ui) error {
	stds, err := standards.All()
	if err != nil {
		return err
	}
	stds = slices.Clone(stds)
	if contract != "" {
		ed, err := loadContract(contract)
		if err != nil {
			return err
		}
		stds = append(stds, ed.Variants...)
	}
	if err := o.checkOutputs(); err != nil {
		return err
	}
	sample, err := o.measured(ctx, u, o.pictures...)
	if err != nil {
		return err
	}
	result := sample.Result
	rows, err := grading.Compare(result.Sample, stds)
	if err != nil {
		return err
	}
	doc := struct {
		Schema   string               `json:"schema"`
		Pictures []string             `json:"pictures"`
		Rows     []grading.Comparison `json:"broken"`
	}{"traytally.compare/1", o.pictures, rows}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { showComparison(w, result, rows) }); err != nil {
		return err
	}
	tellWarnings(u, result)
	return nil
}

func showComparison(w io.Writer, r *grading.Result, rows []grading.Comparison) {
	fmt.Fprintf(w, "%s: broken by mass under each definition\n\n", sampleName(r))
	t := newTable(w, table.Row{"Broken is", "Found", "Mass %", "95 % interval", "Used by"}, 2, 3, 4)
	marked := false
	for _, c := range rows {
		definition := c.Definition
		if c.FromMemory {
			definition += limitMarks[standards.FromMemory]
			marked = true
		}
		used := text.WrapSoft(strings.Join(c.Standards, ", "), 27)
		definition = text.WrapSoft(definition, 18)
		if c.MassPct == nil {
			t.AppendRow(table.Row{definition, "", "", text.WrapSoft(c.Why, 14), used})
			continue
		}
		t.AppendRow(table.Row{definition, c.Found, percent(c.MassPct.Value), percent(c.MassPct.Low) + " to " + percent(c.MassPct.High), used})
	}
	render(w, t)
	if marked {
		markSet{standards.FromMemory: true}.explain(w)
	}
	paragraph(w, caution)
}
