package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"traytally/grading/correct"
	"traytally/samples"
)

func newLogCorrectionsCommand(u *ui) *cobra.Command {
	o := showOptions{}
	cmd := &cobra.Command{
		Use:   "corrections CODE",
		Short: "Print a sample's corrections as a file to amend it with",
		Long: `Prints the corrections of single kernels that hold for a sample, with its
present revision, as log amend --corrections reads them: to be kept, or to be
changed and handed back. For a sample without any it is the file to begin with.`,
		Example: "  traytally log corrections S2026-0001 > fixed.yaml\n  traytally log amend S2026-0001 --corrections fixed.yaml --why misjudged",
		Args:    oneCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogCorrections(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.Var(&wholeNumber{&o.revision}, "revision", "`NUMBER` of the revision whose corrections to print (default the last)")
	return cmd
}

func runLogCorrections(ctx context.Context, o showOptions, u *ui) error {
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Get(ctx, o.code, o.revision)
	if err != nil {
		return err
	}
	f := correct.File{Sample: rec.Code, Revision: rec.Revision, Corrections: rec.Corrections}
	return u.print(func(w io.Writer) { w.Write(f.Encode()) })
}

// withdrawOptions are the flags of log withdraw.
type withdrawOptions struct {
	registerFlags
	code, why string
	undo      bool
}

func newLogWithdrawCommand(u *ui) *cobra.Command {
	o := withdrawOptions{}
	cmd := &cobra.Command{
		Use:   "withdraw CODE --why TEXT",
		Short: "Let a sample no longer count; it stays in the trail",
		Long: `Takes a sample out of lists, trends, control limits and exports, with who did it
and why. It stays in the register and in the audit trail: log show shows it, and
--withdrawn lists it with the others. --undo lets it count again.`,
		Example: "  traytally log withdraw S2026-0001 --why \"wrong tray\"\n  traytally log withdraw S2026-0001 --undo --why \"it was the right one\"",
		Args:    oneCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.code = args[0]
			return changed(cmd.Context(), o.registerFlags, o.why, u, func(g *samples.Register) (*samples.Record, error) {
				return g.Withdraw(cmd.Context(), o.code, o.why, !o.undo)
			})
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addTrail(f, &o.why, []string{"test scan", "wrong tray", "spoiled"})
	f.BoolVar(&o.undo, "undo", false, "let it count again")
	return cmd
}

func newLogRenameCommand(u *ui) *cobra.Command {
	o := withdrawOptions{}
	cmd := &cobra.Command{
		Use:   "rename CODE NEW --why TEXT",
		Short: "Give a sample another code, such as one that came after the scan",
		Long: `Gives a sample another code, with who did it and why. The code that it had still
leads to it, and no other sample gets it.`,
		Example: "  traytally log rename S2026-0001 N-101 --why \"code came late\"",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 2 {
				return usageError(fmt.Sprintf("rename takes the code of a sample and its new code, got %d", len(args)), "for example: traytally log rename S2026-0001 N-101 --why \"code came late\"")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return changed(cmd.Context(), o.registerFlags, o.why, u, func(g *samples.Register) (*samples.Record, error) {
				return g.Rename(cmd.Context(), args[0], args[1], o.why)
			})
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addTrail(f, &o.why, []string{"code came late", "slip of the pen"})
	return cmd
}

// changed makes a change of a sample that needs a reason, and tells of it.
func changed(ctx context.Context, o registerFlags, why string, u *ui, change func(*samples.Register) (*samples.Record, error)) error {
	if err := needsWhy(why); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := change(g)
	if err != nil {
		return err
	}
	return tellRevision(rec, u)
}

func newLogAgreementCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:   "agreement",
		Short: "Show how often people who looked at kernels judged them otherwise",
		Long: `Counts, over the samples with corrections, how many kernels were looked at and
how many calls were changed: of each class as measured, of each flag that a
kernel carried, and of each that it did not carry. Each share has its 95 %
interval.

It tells of the kernels that people chose to look at, which are the doubtful
ones: of all kernels fewer are misjudged. For a fair count look at kernels drawn
at random and enter the rightly judged ones too, with {do: right}.`,
		Example: "  traytally log agreement --from 2026-11-01",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogAgreement(cmd.Context(), o, u)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

func runLogAgreement(ctx context.Context, o readFlags, u *ui) error {
	q, err := o.query()
	if err != nil {
		return err
	}
	if err := o.output.check(); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	a, err := g.Agreement(ctx, q)
	if err != nil {
		return err
	}
	doc := struct {
		Schema string `json:"schema"`
		*samples.Agreement
	}{"traytally.agreement/1", a}
	return u.answer(ctx, o.output, doc, func(w io.Writer) {
		if a.Looked == 0 {
			paragraph(w, "Nobody looked at kernels of these samples: there are no corrections. traytally log amend CODE --corrections FILE makes some.")
			return
		}
		t := newTable(w)
		t.AppendHeader([]any{"Measured as", "Looked at", "Changed", "Changed %", "95 % interval"})
		alignRight(t, 2, 3, 4, 5)
		for i, c := range a.Calls {
			if i > 0 && a.Calls[i-1].Kind != c.Kind {
				t.AppendSeparator()
			}
			name := className(c.Name)
			switch c.Kind {
			case samples.CallAll:
				name = "all kernels"
			case samples.CallNoFlag:
				name = "not " + name
			}
			e := c.ChangedPct
			t.AppendRow([]any{name, c.Looked, c.Changed, number(e.Value, 1), number(e.Low, 1) + " to " + number(e.High, 1)})
		}
		t.Render()
		fmt.Fprintln(w)
		paragraph(w, fmt.Sprintf("%s with kernels that people looked at; %s outlined by hand. These are the kernels that they chose to look at: of all kernels fewer are misjudged.",
			count(a.Samples, "sample", "samples"), count(a.Missed, "missed kernel", "missed kernels")))
	})
}
