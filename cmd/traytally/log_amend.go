package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel/fault"
)

// amendOptions are the flags of log amend.
type amendOptions struct {
	registerFlags
	code, why, corrections           string
	lot, party, line, variety, stage string
	drawn, received, note, sheet     string
	moisture, grams                  float64
}

func newLogAmendCommand(u *ui) *cobra.Command {
	o := amendOptions{}
	var cmd *cobra.Command
	cmd = &cobra.Command{
		Use:   "amend CODE --why TEXT",
		Short: "Put right facts or kernels of a sample; the earlier record stays",
		Long: `Makes a new revision of a sample with other facts, and enters who did it, when
and why into the audit trail. The earlier revision stays. An empty text takes a
fact away. Where moisture or the sample sheet changed, the grade is worked out
anew from the stored kernels.

With --corrections single kernels are put right, each by a place in it, x and y
in pixels of the picture, as kernels.csv and the reports have them:

  revision: 1
  corrections:
    - {do: broken, at: [412, 880]}
    - {do: cut, at: [900, 310], line: [[880, 300], [925, 322]]}

do is right (looked at, rightly judged), whole, broken, not_rice, gone (dust),
flag or unflag with flag: chalky, cut with a line right across, join with: a
place in the other piece, or add with an outline: [[x, y], ...]. Of several
pictures picture: 2 names one. The file holds all corrections that are to stand;
log corrections prints those that do, and an empty list takes all back. revision
is the one that was looked at: where somebody else was quicker, nothing is saved
and you are told. Shares, intervals and grade are computed anew; those as
measured stand beside them.`,
		Example: "  traytally log amend S2026-0001 --why \"slip in the lot\" --lot L-18\n  traytally log amend S2026-0001 --why \"measured later\" --moisture 13.2\n  traytally log amend S2026-0001 --why misjudged --corrections fixed.yaml",
		Args:    oneCode,
		RunE: func(_ *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogAmend(cmd.Context(), o, cmd.Flags().Changed, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addTrail(f, &o.why, correct.Reasons)
	f.StringVar(&o.why, "reason", "", "`TEXT` of --why, as it was called before")
	f.Lookup("reason").Hidden = true
	f.StringVar(&o.corrections, "corrections", "", "corrections of single kernels from `FILE`, in place of those before")
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
	if err := needsWhy(o.why); err != nil {
		return err
	}
	if o.corrections != "" {
		for _, fact := range []string{"lot", "party", "line", "variety", "stage", "drawn", "received", "note", "moisture", "mass", "sheet"} {
			if given(fact) {
				return usageError("--corrections and --"+fact+" are two amendments", "make one after the other, each with its reason")
			}
		}
		return correctKernels(ctx, o, u)
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
			return usageError("--"+name+": "+err.Error(), hintOf(err))
		}
		times[name] = at
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Amend(ctx, o.code, o.why, func(f *samples.Facts) error {
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
	return tellRevision(rec, u)
}

// needsWhy refuses a change of the register without a reason.
func needsWhy(why string) error {
	if strings.TrimSpace(why) == "" {
		return usageError("a change of the register needs a reason", "give it with --why")
	}
	return nil
}

// tellRevision says what became of a sample.
func tellRevision(rec *samples.Record, u *ui) error {
	row, err := rec.Row()
	if err != nil {
		return err
	}
	return u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s is now revision %d: %s\n", plain(row.Code), rec.Revision, brokenText(row))
		for _, text := range standing(row) {
			fmt.Fprintf(w, "%s\n", plain(text))
		}
	})
}

// correctKernels lays a file of corrections on a sample.
func correctKernels(ctx context.Context, o amendOptions, u *ui) error {
	file, err := readCorrections(o.corrections)
	if err != nil {
		return err
	}
	if file.Sample != "" && file.Sample != o.code {
		return inputError(o.corrections, fmt.Sprintf("holds corrections of sample %s, not of %s", file.Sample, o.code), "name the sample that they are of")
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Correct(ctx, o.code, o.why, file.Revision, file.Corrections, vision.PieceOf)
	if err != nil {
		return ofFile(err, o.corrections)
	}
	res, err := rec.Decode()
	if err != nil {
		return err
	}
	for _, w := range res.Warnings {
		if w.Code == correct.ColourByHand {
			u.warn(w.Text, w.Hint)
		}
	}
	return tellRevision(rec, u)
}

func readCorrections(path string) (*correct.File, error) {
	data, err := readFile(path, 1<<20)
	if err != nil {
		return nil, err
	}
	file, err := correct.Decode(path, data)
	if err != nil {
		return nil, ofFile(err, path)
	}
	return file, nil
}

// ofFile makes a fault of corrections one of the file that they came from.
func ofFile(err error, path string) error {
	e := fault.Of(err)
	if e == nil || e.Kind != fault.Sample {
		return err
	}
	what := e.What
	if rest, ok := strings.CutPrefix(what, path); ok { // it names the file, and perhaps a line
		at, text, _ := strings.Cut(rest, ": ")
		path, what = path+at, text
	}
	return inputError(path, what, e.Hint)
}
