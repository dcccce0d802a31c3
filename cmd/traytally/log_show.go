package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples"
)

// showOptions are the flags of log show.
type showOptions struct {
	registerFlags
	code     string
	revision int
	output
}

func newLogShowCommand(u *ui) *cobra.Command {
	o := showOptions{}
	cmd := &cobra.Command{
		Use:     "show CODE",
		Short:   "Show one sample with its history",
		Long:    "Shows what is registered of one sample, its pictures and its audit trail. With\n--json the whole record comes, kernels' table included.",
		Example: "  traytally log show S2026-0001\n  traytally log show S2026-0001 --revision 1 --json -",
		Args:    oneCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogShow(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.Var(&wholeNumber{&o.revision}, "revision", "`NUMBER` of the revision to show (default the last)")
	o.addJSON(f)
	return cmd
}

// oneCode refuses a command line without exactly one sample.
var oneCode = takesOne("sample", "S2026-0001; traytally log list shows all codes")

func runLogShow(ctx context.Context, o showOptions, u *ui) error {
	if err := o.check(); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Get(ctx, o.code, o.revision)
	if err != nil {
		return err
	}
	history, err := g.History(ctx, o.code)
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
	changed := standing(row)
	doc := struct {
		*samples.Record
		History []samples.Entry `json:"history"`
	}{rec, history}
	return u.answer(ctx, o.output, doc, func(w io.Writer) {
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
		if m, ok := f.Moisture(); ok {
			line("Moisture", number(m, -1)+" % by mass")
		}
		if m, ok := f.MassG(); ok {
			line("Mass", number(m, -1)+" g")
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
		t := newTable(w)
		t.AppendHeader([]any{"Entry", "When", "What", "By", "Reason", "Hash"})
		for _, e := range history {
			t.AppendRow([]any{e.Seq, moment(e.At), e.Action, plain(e.Actor), plain(e.Reason), e.Hash[:min(12, len(e.Hash))]})
		}
		t.Render()
	})
}
