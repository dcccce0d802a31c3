package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/samples"
)

func newLogShowCommand(u *ui) *cobra.Command {
	var o struct {
		registerFlags
		output
		revision int
	}
	cmd := o.command("log show", oneCode, func(ctx context.Context, g *samples.Register, args []string) error {
		rec, err := g.Get(ctx, args[0], o.revision)
		if err != nil {
			return err
		}
		history, err := g.History(ctx, args[0])
		if err != nil {
			return err
		}
		res, err := rec.Decode()
		if err != nil {
			return err
		}
		row, err := rec.Row()
		if err != nil {
			return err
		}
		doc := struct {
			*samples.Record
			History []samples.Entry `json:"history"`
		}{rec, history}
		return u.answer(ctx, o.output, doc, func(w io.Writer) { showSample(w, rec, res, standing(row), history) })
	})
	countVar(cmd.Flags(), &o.revision, "revision", "`NUMBER` of the revision to show (default the last)")
	o.addJSON(cmd.Flags())
	return cmd
}

func showSample(w io.Writer, rec *samples.Record, res *grading.Result, changed []string, history []samples.Entry) {
	fmt.Fprintf(w, "Sample %s, revision %d, registered %s\n", plain(rec.Code), rec.Revision, moment(rec.Registered))
	f := &rec.Facts
	line := func(label, text string) {
		if text != "" {
			fmt.Fprintf(w, "%-13s %s\n", label, plain(text))
		}
	}
	line("Once", strings.Join(rec.FormerCodes, ", "))
	line("Lot", f.Lot)
	line("Party", f.Party)
	line("Line", f.Line)
	line("Variety", f.Variety)
	line("Stage", f.Stage)
	line("Drawn", moment(f.Drawn))
	line("Received", moment(f.Received))
	if m := f.OnSheet().MoisturePct; m != nil {
		line("Moisture", number(*m, -1)+" % by mass")
	}
	if m := f.OnSheet().SampleMassG; m != nil {
		line("Mass", number(*m, -1)+" g")
	}
	line("Note", f.Note)
	for i, p := range rec.Pictures {
		line(fmt.Sprintf("Picture %d", i+1), p.Path)
		line("SHA-256", p.SHA256)
	}
	if rec.Settings.Standard != "" {
		line("Standard", rec.Settings.Standard+", "+rec.Settings.Edition)
	}
	fmt.Fprintln(w)
	summary(w, res, "")
	fmt.Fprintln(w)
	for _, text := range changed {
		paragraph(w, plain(upperFirst(text))+".")
		fmt.Fprintln(w)
	}
	t := newTable(w, table.Row{"Entry", "When", "What", "By", "Reason", "Hash"})
	for _, e := range history {
		t.AppendRow([]any{e.Seq, moment(e.At), e.Action, plain(e.Actor), plain(e.Reason), e.Hash[:min(12, len(e.Hash))]})
	}
	t.Render()
}
