package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/samples"
)

// queryFlags pick samples.
type queryFlags struct {
	samples.Query
	from, to             string
	brokenFrom, brokenTo float64 // broken share, percent; NaN: not given
}

func (q *queryFlags) add(f *pflag.FlagSet) {
	q.brokenFrom, q.brokenTo = math.NaN(), math.NaN()
	f.StringVar(&q.Lot, "lot", "", "only samples with this `TEXT` in the lot")
	f.StringVar(&q.Party, "party", "", "the same in the party")
	f.StringVar(&q.Line, "line", "", "the same in the line")
	f.StringVar(&q.Variety, "variety", "", "the same in the variety")
	f.StringVar(&q.Stage, "stage", "", "the same in the stage")
	f.StringVar(&q.Grade, "grade", "", "the same in the grade or the trade class")
	f.StringVar(&q.from, "from", "", "only samples from this `DATE` on, like 2026-11-25")
	f.StringVar(&q.to, "to", "", "only samples up to this `DATE`, all of that day included")
	f.Var(&sharePercent{&q.brokenFrom}, "broken-from", "only samples with at least this `PERCENT` broken by mass")
	f.Var(&sharePercent{&q.brokenTo}, "broken-to", "only samples with at most this `PERCENT`")
	f.Var(&wholeNumber{&q.Last}, "last", "only the newest `N`")
	f.BoolVar(&q.Withdrawn, "withdrawn", false, "withdrawn samples too")
}

// A sharePercent is the value of a flag that takes a percentage; NaN is not given.
type sharePercent struct{ v *float64 }

func (p *sharePercent) String() string {
	if p.v == nil || math.IsNaN(*p.v) {
		return ""
	}
	return number(*p.v, -1)
}
func (p *sharePercent) Type() string { return "percent" }
func (p *sharePercent) Set(s string) error {
	return (&ranged{v: p.v, min: 0, max: 100}).Set(s)
}

// A wholeNumber is the value of a flag that takes a whole number from 1 on.
type wholeNumber struct{ v *int }

func (n *wholeNumber) String() string {
	if n.v == nil || *n.v == 0 {
		return ""
	}
	return fmt.Sprint(*n.v)
}
func (n *wholeNumber) Type() string { return "number" }
func (n *wholeNumber) Set(s string) error {
	var v int
	if _, err := fmt.Sscanf(s+"\n", "%d\n", &v); err != nil || v < 1 {
		return errors.New("want a whole number from 1 on")
	}
	*n.v = v
	return nil
}

// query returns what the flags say.
func (q *queryFlags) query() (samples.Query, error) {
	out := q.Query
	for _, t := range []struct {
		flag, text string
		to         *time.Time
	}{{"from", q.from, &out.From}, {"to", q.to, &out.To}} {
		if t.text == "" {
			continue
		}
		at, err := samples.ParseTime(t.text)
		if err != nil {
			return out, usageError("--"+t.flag+": "+err.Error(), hintOf(err))
		}
		if t.flag == "to" { // List's end is exclusive
			if len(t.text) == len(time.DateOnly) {
				at = at.AddDate(0, 0, 1)
			} else {
				at = at.Add(time.Millisecond)
			}
		}
		*t.to = at
	}
	if !math.IsNaN(q.brokenFrom) {
		out.BrokenFrom = &q.brokenFrom
	}
	if !math.IsNaN(q.brokenTo) {
		out.BrokenTo = &q.brokenTo
	}
	return out, nil
}

// readFlags are what all reading commands have.
type readFlags struct {
	registerFlags
	queryFlags
	output
}

func (r *readFlags) add(f *pflag.FlagSet) {
	r.registerFlags.add(f)
	r.queryFlags.add(f)
	r.addJSON(f)
}

// rows opens the register and returns the samples picked.
func (r *readFlags) rows(ctx context.Context) (*samples.Register, []samples.Row, error) {
	q, err := r.query()
	if err != nil {
		return nil, nil, err
	}
	if err := r.output.check(); err != nil {
		return nil, nil, err
	}
	g, err := r.open(ctx, false)
	if err != nil {
		return nil, nil, err
	}
	rows, err := g.List(ctx, q)
	if err != nil {
		g.Close()
		return nil, nil, err
	}
	return g, rows, nil
}

func newLogListCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List registered samples",
		Long:    "Lists the registered samples in the order of their sampling: drawn, else\nreceived, else registered. Letters' case makes no difference.",
		Example: "  traytally log list --last 20\n  traytally log list --variety long --from 2026-11-01 --broken-from 5",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogList(cmd.Context(), o, u)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

func newLogFindCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:     "find TEXT",
		Short:   "Find samples by a text in their code, facts or picture's name",
		Long:    "Finds the registered samples with the text in their code, lot, party, line,\nvariety, stage, note or the name of a picture, or with a picture whose SHA-256\nbegins with it, 12 digits or more. Letters' case makes no difference.",
		Example: "  traytally log find L-17\n  traytally log find scan-004.png\n  traytally log find heron --from 2026-11-01",
		Args:    takesOne("text", "L-17; put several words between quotation marks"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Text = args[0]
			return runLogList(cmd.Context(), o, u)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

func runLogList(ctx context.Context, o readFlags, u *ui) error {
	g, rows, err := o.rows(ctx)
	if err != nil {
		return err
	}
	defer g.Close()
	doc := struct {
		Schema  string        `json:"schema"`
		Samples []samples.Row `json:"samples"`
	}{"traytally.log/1", rows}
	return u.answer(ctx, o.output, doc, func(w io.Writer) {
		if len(rows) > 0 {
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
		fmt.Fprintf(w, "%s in %s\n", count(len(rows), "sample", "samples"), plain(g.Where()))
	})
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
