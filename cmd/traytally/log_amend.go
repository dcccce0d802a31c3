package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/samples"
)

// amendOptions are the flags of log amend.
type amendOptions struct {
	registerFlags
	code, reason                     string
	lot, party, line, variety, stage string
	drawn, received, note, sheet     string
	moisture, grams                  float64
}

func newLogAmendCommand(u *ui) *cobra.Command {
	o := amendOptions{}
	var cmd *cobra.Command
	cmd = &cobra.Command{
		Use:   "amend CODE --reason TEXT",
		Short: "Correct what people said of a sample; the earlier record stays",
		Long: `Makes a new revision of a sample with other facts, and enters who did it, when
and why into the audit trail. The earlier revision stays. An empty text takes a
fact away. Where moisture or the sample sheet changed, the grade is worked out
anew from the stored kernels.

What was measured cannot be amended: grade the picture anew.`,
		Example: "  traytally log amend S2026-0001 --reason \"slip in the lot\" --lot L-18\n  traytally log amend S2026-0001 --reason \"measured later\" --moisture 13.2",
		Args:    oneCode,
		RunE: func(_ *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogAmend(cmd.Context(), o, cmd.Flags().Changed, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addBy(f)
	f.StringVar(&o.reason, "reason", "", "why, as a `TEXT` for the audit trail")
	for _, t := range []struct {
		to          *string
		name, usage string
	}{
		{&o.lot, "lot", "lot"}, {&o.party, "party", "party"}, {&o.line, "line", "production line"}, {&o.variety, "variety", "variety"},
		{&o.stage, "stage", "stage of the mill"}, {&o.note, "note", "note"},
	} {
		f.StringVar(t.to, t.name, "", "`TEXT` of the "+t.usage)
	}
	f.StringVar(&o.drawn, "drawn", "", "`DATE` on which the sample was drawn, like 2026-11-25T14:30")
	f.StringVar(&o.received, "received", "", "`DATE` on which it was received")
	f.Var(&ranged{v: &o.moisture, min: 4, max: 35}, "moisture", "moisture in `PERCENT` by mass")
	f.Var(&ranged{v: &o.grams, min: 0.01, max: 100000}, "mass", "`GRAMS` of rice on the trays")
	f.StringVar(&o.sheet, "sheet", "", "whole sample sheet from `FILE`, in place of the one before")
	return cmd
}

func runLogAmend(ctx context.Context, o amendOptions, given func(string) bool, u *ui) error {
	if strings.TrimSpace(o.reason) == "" {
		return &usageError{what: "an amendment needs a reason", hint: "give it with --reason"}
	}
	var sheet *grading.Sheet
	var err error
	if o.sheet != "" {
		if sheet, err = grading.LoadSheet(o.sheet); err != nil {
			return inStandardWords(err, o.sheet)
		}
	}
	times := map[string]time.Time{}
	for name, text := range map[string]string{"drawn": o.drawn, "received": o.received} {
		if text == "" {
			continue
		}
		at, err := samples.ParseTime(text)
		if err != nil {
			return &usageError{what: "--" + name + ": " + err.Error(), hint: hintOf(err)}
		}
		times[name] = at
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Amend(ctx, o.code, o.reason, func(f *samples.Facts) error {
		for _, t := range []struct {
			name string
			from string
			to   *string
		}{{"lot", o.lot, &f.Lot}, {"party", o.party, &f.Party}, {"line", o.line, &f.Line}, {"variety", o.variety, &f.Variety}, {"stage", o.stage, &f.Stage}, {"note", o.note, &f.Note}} {
			if given(t.name) {
				*t.to = t.from
			}
		}
		if given("drawn") {
			f.Drawn = times["drawn"]
		}
		if given("received") {
			f.Received = times["received"]
		}
		if given("sheet") {
			f.Sheet = sheet
		}
		if given("moisture") || given("mass") {
			var s grading.Sheet
			if f.Sheet != nil {
				s = *f.Sheet
			}
			if given("moisture") {
				s.MoisturePct = &o.moisture
			}
			if given("mass") {
				s.SampleMassG = &o.grams
			}
			f.Sheet = &s
		}
		return nil
	})
	if err != nil {
		return inStandardWords(err, o.sheet)
	}
	row, err := rec.Row()
	if err != nil {
		return err
	}
	return u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s is now revision %d: %s\n", plain(row.Code), rec.Revision, brokenText(row))
	})
}
