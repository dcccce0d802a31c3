package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/samples"
)

func newLogCommand(u *ui) *cobra.Command {
	return group("log",
		newLogListCommand("log list", noArgs, u),
		newLogListCommand("log find", takesOne("text", "L-17; put several words between quotation marks"), u),
		newLogShowCommand(u),
		newLogTrendCommand(u),
		newLogExportCommand(),
		newLogRecheckCommand(u),
		newLogAmendCommand(u),
		newLogCorrectionsCommand(u),
		newLogWithdrawCommand(u),
		newLogRenameCommand(u),
		newLogAgreementCommand(u),
		newLogVerifyCommand(u),
	)
}

// oneCode refuses a command line without exactly one sample.
var oneCode = takesOne("sample", "S2026-0001; traytally log list shows all codes")

// queryFlags pick samples.
type queryFlags struct{ samples.Query }

func (q *queryFlags) add(f *pflag.FlagSet) {
	f.StringVar(&q.Lot, "lot", "", "only samples with this `TEXT` in the lot")
	f.StringVar(&q.Party, "party", "", "the same in the party")
	f.StringVar(&q.Line, "line", "", "the same in the line")
	f.StringVar(&q.Variety, "variety", "", "the same in the variety")
	f.StringVar(&q.Stage, "stage", "", "the same in the stage")
	f.StringVar(&q.Grade, "grade", "", "the same in the grade or the trade class")
	f.Func("from", "only samples from this `DATE` on, like 2026-11-25", func(s string) (err error) {
		q.From, err = dateOf("from", s)
		return err
	})
	f.Func("to", "only samples up to this `DATE`, all of that day included", func(s string) (err error) {
		if q.To, err = dateOf("to", s); q.To.IsZero() {
			return err
		}
		if len(s) == len(time.DateOnly) { // List's end is exclusive
			q.To = q.To.AddDate(0, 0, 1)
		} else {
			q.To = q.To.Add(time.Millisecond)
		}
		return nil
	})
	share := func(to **float64, name, usage string) {
		f.Func(name, usage, func(s string) error {
			*to = new(float64)
			return (&ranged{v: *to, min: 0, max: 100}).Set(s)
		})
	}
	share(&q.BrokenFrom, "broken-from", "only samples with at least this `PERCENT` broken by mass")
	share(&q.BrokenTo, "broken-to", "only samples with at most this `PERCENT`")
	countVar(f, &q.Last, "last", "only the newest `N`")
	f.BoolVar(&q.Withdrawn, "withdrawn", false, "withdrawn samples too")
}

// countVar adds a flag that takes a whole number from 1 on.
func countVar(f *pflag.FlagSet, to *int, name, usage string) {
	f.Func(name, usage, func(s string) (err error) {
		if *to, err = strconv.Atoi(s); err != nil || *to < 1 {
			return errors.New("want a whole number from 1 on")
		}
		return nil
	})
}

// dateOf reads the value of a flag that takes a date; empty text is none.
func dateOf(flag, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	at, err := samples.ParseTime(s)
	if err != nil {
		return at, usageError("--"+flag+": "+err.Error(), hintOf(err))
	}
	return at, nil
}

// readFlags are what all have that read the samples picked.
type readFlags struct {
	registerFlags
	queryFlags
	output
}

func (r *readFlags) command(name string, args cobra.PositionalArgs, read func(ctx context.Context, g *samples.Register, args []string) error) *cobra.Command {
	cmd := r.registerFlags.command(name, args, read)
	r.queryFlags.add(cmd.Flags())
	r.addJSON(cmd.Flags())
	return cmd
}

// newLogListCommand lists samples; with an argument those that hold it.
func newLogListCommand(name string, args cobra.PositionalArgs, u *ui) *cobra.Command {
	o := &readFlags{}
	return o.command(name, args, func(ctx context.Context, g *samples.Register, args []string) error {
		o.Text = strings.Join(args, "")
		rows, err := g.List(ctx, o.Query)
		if err != nil {
			return err
		}
		doc := struct {
			Schema  string        `json:"schema"`
			Samples []samples.Row `json:"samples"`
		}{"traytally.log/1", rows}
		return u.answer(ctx, o.output, doc, func(w io.Writer) {
			if len(rows) > 0 {
				listTable(w, rows)
			}
			fmt.Fprintf(w, "%s in %s\n", count(len(rows), "sample", "samples"), plain(g.Where()))
		})
	})
}

func listTable(w io.Writer, rows []samples.Row) {
	t := newSampleTable(w)
	for i := range rows {
		r := &rows[i]
		facts := []string{moment(r.At)}
		for _, f := range []struct{ name, value string }{{"lot ", r.Lot}, {"", r.Variety}, {"line ", r.Line}} {
			if f.value != "" {
				facts = append(facts, f.name+plain(f.value))
			}
		}
		t.add(r, plain(strings.Join(r.Pictures, ", ")), strings.Join(facts, ", "))
	}
	render(w, t)
	for i := range rows {
		tellStanding(w, &rows[i], "")
	}
}

func newLogExportCommand() *cobra.Command {
	o := &readFlags{}
	cmd := o.registerFlags.command("log export", takesOne("file", "samples.xlsx"), func(ctx context.Context, g *samples.Register, args []string) error {
		path := args[0]
		ending := strings.ToLower(filepath.Ext(path))
		if ending != ".csv" && ending != ".xlsx" && ending != ".json" {
			return usageError(fmt.Sprintf("%s does not end in .csv, .xlsx or .json", path), "the ending tells the form")
		}
		if err := checkPlace(path); err != nil {
			return err
		}
		write := func(w io.Writer) error {
			if ending == ".json" {
				return samples.WriteJSON(w, g.Records(ctx, o.Query))
			}
			rows, err := g.List(ctx, o.Query)
			if err != nil {
				return err
			}
			if ending == ".csv" {
				return samples.WriteCSV(w, rows)
			}
			return samples.WriteXLSX(w, rows)
		}
		return writeSet(ctx, []outFile{{path, write}}, o.force)
	})
	o.queryFlags.add(cmd.Flags())
	cmd.Flags().BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

// moment writes a time for a table.
func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if h, m, s := t.Clock(); h == 0 && m == 0 && s == 0 {
		return t.Format(time.DateOnly)
	}
	return t.Format("2006-01-02 15:04")
}
