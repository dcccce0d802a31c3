package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel/fault"
)

// changeFlags say which register is changed, by whom and why.
type changeFlags struct {
	registerFlags
	why string
}

// command returns a command that makes a new revision of a sample and tells of
// it. usual are reasons that are often given.
func (c *changeFlags) command(name string, args cobra.PositionalArgs, usual []string, u *ui, change func(ctx context.Context, g *samples.Register, args []string) (*samples.Record, error)) *cobra.Command {
	needsWhy := func(*cobra.Command, []string) error {
		if strings.TrimSpace(c.why) == "" {
			return usageError("a change of the register needs a reason", "give it with --why")
		}
		return nil
	}
	cmd := c.registerFlags.command(name, cobra.MatchAll(args, needsWhy), func(ctx context.Context, g *samples.Register, args []string) error {
		rec, err := change(ctx, g, args)
		if err != nil {
			return err
		}
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
	})
	c.addBy(cmd.Flags())
	cmd.Flags().StringVar(&c.why, "why", "", "reason for the audit trail, as a `TEXT` like: "+strings.Join(usual, ", "))
	return cmd
}

// An amendment changes facts of a sample.
type amendment struct {
	flags []string                     // of facts
	given []func(*samples.Facts) error // the changes
	sheet string                       // file of a whole sample sheet
}

// add adds the flags of the facts.
func (a *amendment) add(f *pflag.FlagSet) {
	fact := func(name, usage string, set func(f *samples.Facts, text string) error) {
		a.flags = append(a.flags, name)
		f.Func(name, usage, func(text string) error {
			a.given = append(a.given, func(f *samples.Facts) error { return set(f, text) })
			return set(&samples.Facts{}, text) // tells what cannot be before any work
		})
	}
	text := func(name, what string, at func(*samples.Facts) *string) {
		fact(name, "`TEXT` of the "+what, func(f *samples.Facts, text string) error {
			*at(f) = text
			return nil
		})
	}
	text("lot", "lot", func(f *samples.Facts) *string { return &f.Lot })
	text("party", "party", func(f *samples.Facts) *string { return &f.Party })
	text("line", "production line", func(f *samples.Facts) *string { return &f.Line })
	text("variety", "variety", func(f *samples.Facts) *string { return &f.Variety })
	text("stage", "stage of the mill", func(f *samples.Facts) *string { return &f.Stage })
	fact("drawn", "`DATE` on which the sample was drawn, like 2026-11-25T14:30", func(f *samples.Facts, text string) (err error) {
		f.Drawn, err = dateOf("drawn", text)
		return err
	})
	fact("received", "`DATE` on which it was received", func(f *samples.Facts, text string) (err error) {
		f.Received, err = dateOf("received", text)
		return err
	})
	text("note", "note", func(f *samples.Facts) *string { return &f.Note })
	entry := func(name, usage string, least, most float64, at func(*grading.Sheet) **float64) {
		fact(name, usage, func(f *samples.Facts, text string) error {
			sheet, v := grading.Sheet{}, new(float64)
			if f.Sheet != nil {
				sheet = *f.Sheet
			}
			*at(&sheet), f.Sheet = v, &sheet
			return (&ranged{v: v, min: least, max: most}).Set(text)
		})
	}
	entry("moisture", "moisture in `PERCENT` by mass", 4, 35, func(s *grading.Sheet) **float64 { return &s.MoisturePct })
	entry("mass", "`GRAMS` of rice on the trays", 0.01, 100000, func(s *grading.Sheet) **float64 { return &s.SampleMassG })
	a.flags = append(a.flags, "sheet")
	f.Func("sheet", "whole sample sheet from `FILE`, in place of the one before", func(path string) (err error) {
		var sheet *grading.Sheet
		if a.sheet = path; path != "" {
			sheet, err = grading.LoadSheet(path)
		}
		a.given = slices.Insert(a.given, 0, func(f *samples.Facts) error { // single entries go on top of it
			f.Sheet = sheet
			return nil
		})
		return inStandardWords(err, path)
	})
}

// amend changes the facts of a sample.
func (a *amendment) amend(f *samples.Facts) error {
	for _, set := range a.given {
		if err := set(f); err != nil {
			return err
		}
	}
	return nil
}

func newLogAmendCommand(u *ui) *cobra.Command {
	var o struct {
		changeFlags
		amendment
		corrections string
	}
	oneKind := func(cmd *cobra.Command, _ []string) error {
		for _, fact := range o.flags {
			if o.corrections != "" && cmd.Flags().Changed(fact) {
				return usageError("--corrections and --"+fact+" are two amendments", "make one after the other, each with its reason")
			}
		}
		return nil
	}
	cmd := o.command("log amend", cobra.MatchAll(oneCode, oneKind), correct.Reasons, u, func(ctx context.Context, g *samples.Register, args []string) (*samples.Record, error) {
		if o.corrections != "" {
			return correctKernels(ctx, g, args[0], o.why, o.corrections, u)
		}
		rec, err := g.Amend(ctx, args[0], o.why, o.amend)
		return rec, inStandardWords(err, o.sheet)
	})
	f := cmd.Flags()
	o.amendment.add(f)
	f.StringVar(&o.why, "reason", "", "`TEXT` of --why, as it was called before")
	f.Lookup("reason").Hidden = true
	f.StringVar(&o.corrections, "corrections", "", "corrections of single kernels from `FILE`, in place of those before")
	return cmd
}

func newLogWithdrawCommand(u *ui) *cobra.Command {
	var o changeFlags
	undo := false
	cmd := o.command("log withdraw", oneCode, []string{"test scan", "wrong tray", "spoiled"}, u, func(ctx context.Context, g *samples.Register, args []string) (*samples.Record, error) {
		return g.Withdraw(ctx, args[0], o.why, !undo)
	})
	cmd.Flags().BoolVar(&undo, "undo", false, "let it count again")
	return cmd
}

func newLogRenameCommand(u *ui) *cobra.Command {
	var o changeFlags
	twoCodes := func(cmd *cobra.Command, args []string) error {
		if len(args) != 2 {
			return usageError(fmt.Sprintf("rename takes the code of a sample and its new code, got %d", len(args)), "for example: "+strings.TrimSpace(cmd.Example))
		}
		return nil
	}
	return o.command("log rename", twoCodes, []string{"code came late", "slip of the pen"}, u, func(ctx context.Context, g *samples.Register, args []string) (*samples.Record, error) {
		return g.Rename(ctx, args[0], args[1], o.why)
	})
}

// newLogCorrectionsCommand prints the corrections of a sample, as amend reads them.
func newLogCorrectionsCommand(u *ui) *cobra.Command {
	var o registerFlags
	revision := 0
	cmd := o.command("log corrections", oneCode, func(ctx context.Context, g *samples.Register, args []string) error {
		rec, err := g.Get(ctx, args[0], revision)
		if err != nil {
			return err
		}
		f := correct.File{Sample: rec.Code, Revision: rec.Revision, Corrections: rec.Corrections}
		return u.print(func(w io.Writer) { w.Write(f.Encode()) })
	})
	countVar(cmd.Flags(), &revision, "revision", "`NUMBER` of the revision whose corrections to print (default the last)")
	return cmd
}

// correctKernels lays a file of corrections on a sample.
func correctKernels(ctx context.Context, g *samples.Register, code, why, path string, u *ui) (*samples.Record, error) {
	file, err := readCorrections(path)
	if err != nil {
		return nil, err
	}
	if file.Sample != "" && file.Sample != code {
		return nil, inputError(path, fmt.Sprintf("holds corrections of sample %s, not of %s", file.Sample, code), "name the sample that they are of")
	}
	rec, err := g.Correct(ctx, code, why, file.Revision, file.Corrections, vision.PieceOf)
	if err != nil {
		return nil, ofFile(err, path)
	}
	res, err := rec.Decode()
	if err != nil {
		return nil, err
	}
	for _, w := range res.Warnings {
		if w.Code == correct.ColourByHand {
			u.warn(w.Text, w.Hint)
		}
	}
	return rec, nil
}

func readCorrections(path string) (*correct.File, error) {
	data, err := readFile(path, 1<<20)
	if err != nil {
		return nil, err
	}
	file, err := correct.Decode(path, data)
	return file, ofFile(err, path)
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
