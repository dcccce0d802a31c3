package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading/mill"
	"traytally/vision/kernel"
)

// sorterOptions are the flags of the sorter command, as typed.
type sorterOptions struct {
	sampleFlags
	in                       mill.SorterInput
	feed, accept, reject     string
	bad                      []string
	lengthGrader             bool
	priceAccept, priceReject float64
	against                  string // an earlier sorter.json
}

// badFlags are the flags that bad rice can be counted by.
var badFlags = []kernel.Flag{kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Damaged, kernel.Chalky, kernel.Paddy, kernel.Foreign}

func newSorterCommand(u *ui) *cobra.Command {
	o := sorterOptions{bad: []string{string(kernel.Yellow), string(kernel.Red), string(kernel.RedStreaked), string(kernel.Damaged)}}
	bothPrices := func(cmd *cobra.Command, _ []string) error {
		if f := cmd.Flags(); f.Changed("price-accept") != f.Changed("price-reject") {
			return usageError("one price of two", "give --price-accept and --price-reject, money per kg")
		}
		return nil
	}
	cmd := newCommand("sorter", cobra.MatchAll(noArgs, excluding("length-grader", "bad"), bothPrices), func(ctx context.Context, _ []string) error { return runSorter(ctx, o, u) })
	f := cmd.Flags()
	f.StringVar(&o.feed, "feed", "", "`SAMPLE` of the feed")
	f.StringVar(&o.accept, "accept", "", "`SAMPLE` of what is accepted")
	f.StringVar(&o.reject, "reject", "", "`SAMPLE` of what is rejected")
	figureVar(f, &o.in.FeedMass, mill.ParseMass, "feed-mass", "`MASS` fed")
	figureVar(f, &o.in.AcceptMass, mill.ParseMass, "accept-mass", "`MASS` accepted over the same time")
	figureVar(f, &o.in.RejectMass, mill.ParseMass, "reject-mass", "`MASS` rejected over the same time")
	f.StringSliceVar(&o.bad, "bad", o.bad, "`FLAGS` that make rice bad, of: "+flagList())
	f.BoolVar(&o.lengthGrader, "length-grader", false, "the machine parts brokens from head rice: bad is what is broken")
	f.Var(&ranged{v: &o.priceAccept, min: 0.0001, max: 1e6}, "price-accept", "what the accepted rice sells for, `MONEY` per kg")
	f.Var(&ranged{v: &o.priceReject, min: 0, max: 1e6}, "price-reject", "what the rejected rice sells for, `MONEY` per kg")
	f.StringVar(&o.against, "against", "", "compare with an earlier run, the JSON in `FILE`: shift against shift")
	f.Uint64Var(&o.in.Seed, "seed", 1, "`NUMBER` that the random draws start from")
	o.addSampleFlags(cmd)
	o.addJSON(f)
	return cmd
}

func flagList() string {
	var out []string
	for _, f := range badFlags {
		out = append(out, string(f))
	}
	return strings.Join(out, ", ")
}

// A sorterSample is one sample as it was given.
type sorterSample struct {
	Stream string       `json:"stream"`
	Sample string       `json:"sample"` // file, or what was typed; empty where none
	BadPct *mill.Figure `json:"bad_pct"`
	MassG  *mill.Figure `json:"mass_g"`
}

// A sorterDocument is the JSON that the sorter command writes.
type sorterDocument struct {
	head
	Machine string         `json:"machine"`
	Bad     []string       `json:"bad"` // flags; empty where all shares were typed
	Inputs  []sorterSample `json:"inputs"`
	*mill.Sorter
	Against []runDifference `json:"against"` // null without an earlier run
}

// Kinds of machine that part a feed into two.
const (
	colourSorter = "colour sorter"
	lengthGrader = "length grader"
)

func runSorter(ctx context.Context, o sorterOptions, u *ui) error {
	var bad []kernel.Flag
	for _, b := range o.bad {
		f := kernel.Flag(strings.ReplaceAll(strings.TrimSpace(b), "-", "_"))
		if !slices.Contains(badFlags, f) {
			return usageError(fmt.Sprintf("--bad: there is no flag %q", b), "flags: "+flagList())
		}
		bad = append(bad, f)
	}
	if len(bad) == 0 {
		return usageError("--bad names no flag", "flags: "+flagList())
	}
	doc := sorterDocument{head: headOf("sorter"), Machine: colourSorter, Bad: []string{}}
	in := &o.in
	in.Draws = mill.DefaultDraws
	if o.priceAccept > 0 {
		if o.priceAccept < o.priceReject {
			return usageError("the reject sells for more than the accept", "are the two prices swapped?")
		}
		in.Prices = &mill.SorterPrices{Accept: o.priceAccept, Reject: o.priceReject}
	}
	for _, s := range []struct {
		name, sample string
		share        **mill.Figure
		mass         *mill.Figure
	}{
		{"feed", o.feed, &in.Feed, in.FeedMass},
		{"accept", o.accept, &in.Accept, in.AcceptMass},
		{"reject", o.reject, &in.Reject, in.RejectMass},
	} {
		if s.sample != "" {
			f, err := o.share(ctx, u, s.name, s.sample, bad)
			if err != nil {
				return err
			}
			*s.share = &f
		}
		doc.Inputs = append(doc.Inputs, sorterSample{s.name, s.sample, *s.share, s.mass})
	}
	switch {
	case o.lengthGrader:
		doc.Machine, doc.Bad = lengthGrader, []string{"broken"}
		o.warnAlike(u)
	case len(o.graded) > 0:
		for _, f := range bad {
			doc.Bad = append(doc.Bad, string(f))
		}
	}
	if err := mill.Independent(o.graded); err != nil {
		return err
	}
	res, err := mill.JudgeSorter(*in)
	if err != nil {
		return err
	}
	doc.Sorter = res
	var now []runFigure
	for i := range res.Figures {
		if f := &res.Figures[i]; f.Unit == "%" && f.Told {
			now = append(now, runFigure{Code: f.Code, Name: f.Name, Value: &f.Value})
		}
	}
	if doc.Against, err = against(o.against, doc.Schema, now); err != nil {
		return err
	}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) {
		showAgainst(w, o.against, doc.Against)
		showSorter(w, &doc)
	}); err != nil {
		return err
	}
	for _, d := range res.Doubts {
		u.warn(d, "a mass needs its own unit, g, kg or t")
	}
	for _, b := range res.Balances {
		f, unit := readableMissing(b)
		what, hint := strings.TrimPrefix(b.What, "all "), "check that all samples were drawn over the same time"
		switch b.Verdict {
		case mill.Excess:
			u.warn(fmt.Sprintf("more %s out than in, just beyond the 95 %% interval: %s %s (%s)", what, number(-f.Value, 2), unit, ends(f.Negated(), 2)), hint)
		case mill.Loss:
			u.warn(fmt.Sprintf("%s is missing from what came out: %s %s (%s)", what, number(f.Value, 2), unit, ends(f, 2)), hint)
		}
	}
	return nil
}

// share returns the share of bad rice in a sample, or one typed in its place.
func (o *sorterOptions) share(ctx context.Context, u *ui, flag, sample string, bad []kernel.Flag) (mill.Figure, error) {
	if isTyped(sample) {
		f, err := mill.ParseShare(sample)
		return f, inFlag(err, flag)
	}
	g, err := o.read(ctx, u, sample)
	if err != nil {
		return mill.Figure{}, err
	}
	if o.lengthGrader {
		return g.Broken, nil
	}
	f, err := g.Share(bad...)
	return f, asInput(err, sample)
}

// readableMissing returns what is missing from a balance, in kg where it is a
// kilogram or more.
func readableMissing(b mill.SorterBalance) (mill.Figure, string) {
	f, unit := b.Missing, b.Unit
	if unit == "g" && max(math.Abs(f.Low), math.Abs(f.High)) >= 1000 {
		f, unit = f.Times(1./1000), "kg"
	}
	return f, unit
}

// ratioText writes a percentage with two decimals, and a ratio, which may be
// small or great, with two digits below 1 and one decimal from 100 on.
func ratioText(v float64, unit string) string {
	switch a := math.Abs(v); {
	case unit == "" && a >= 5e-5 && a < 1:
		return number(v, 1-int(math.Floor(math.Log10(a))))
	case unit == "" && a >= 100:
		return number(v, 1)
	}
	return number(v, 2)
}

func showSorter(w io.Writer, d *sorterDocument) {
	s := d.Sorter
	removal, lost := s.Figures[0], s.Figures[1]
	switch {
	case s.Works == mill.SorterUnjudged:
		paragraph(w, "No verdict: a share was given without its interval.")
	case s.Works == mill.SorterReversed:
		paragraph(w, "The accept holds MORE bad rice than the reject: "+s.RicherOf+" is "+number(s.Richer.Value, 2)+" points ("+ends(s.Richer, 2)+"). Are the two samples swapped?")
	case s.Works == mill.SorterNoProof:
		paragraph(w, "NOT PROVEN that the sorter sorts: "+s.RicherOf+" is "+number(s.Richer.Value, 2)+" points of bad rice, and chance alone can make that ("+ends(s.Richer, 2)+").")
	case len(s.TooSmall) > 0:
		paragraph(w, "The sorter sorts, but the samples are too small to tell: "+strings.Join(s.TooSmall, ", ")+".")
	case d.Machine == lengthGrader:
		kept := mill.Figure{Value: 100 - lost.Value.Value, Low: 100 - lost.Value.High, High: 100 - lost.Value.Low}
		paragraph(w, fmt.Sprintf("The length grader takes out %s %% of the brokens (%s) and keeps %s %% of the head rice (%s).",
			number(removal.Value.Value, 1), ends(removal.Value, 1), number(kept.Value, 1), ends(kept, 1)))
	default:
		paragraph(w, fmt.Sprintf("The sorter removes %s %% of the bad rice (%s) and loses %s %% of the good rice (%s).",
			number(removal.Value.Value, 1), ends(removal.Value, 1), number(lost.Value.Value, 2), ends(lost.Value, 2)))
	}
	fmt.Fprintln(w)

	t := newTable(w, table.Row{"Stream", "Bad rice %", "95 % interval", "Mass kg", "From"}, 2, 3, 4)
	for _, x := range d.Inputs {
		row := table.Row{x.Stream, "", "", "", plain(x.Sample)}
		if x.BadPct != nil {
			row[1], row[2] = number(x.BadPct.Value, 2), ends(*x.BadPct, 2)
			if isTyped(x.Sample) {
				row[4] = "typed"
			}
		}
		if x.MassG != nil {
			row[3] = number(x.MassG.Value/1000, 2)
		}
		t.AppendRow(row)
	}
	render(w, t)

	t = newTable(w, table.Row{"Figure", "Value", "95 % interval", "Formula"}, 2, 3)
	for _, f := range s.Figures {
		value, interval := "none", ""
		if v := f.Value.Value; !math.IsNaN(v) && !math.IsInf(v, 0) {
			value = strings.TrimSpace(ratioText(v, f.Unit) + " " + f.Unit)
		}
		switch {
		case f.Value.Bare:
			interval = "no interval"
		case math.IsInf(f.Value.Low, 0):
			// Nothing to divide by, and no doubt of it.
		case !f.Told && f.Unit == "":
			interval = "from " + ratioText(f.Value.Low, f.Unit)
		case !f.Told:
			// A number that may be anything is not shown as one.
			value, interval = "not told", "too small"
		default:
			interval = ratioText(f.Value.Low, f.Unit) + " to " + ratioText(f.Value.High, f.Unit)
		}
		t.AppendRow(table.Row{f.Name, value, interval, f.Formula})
	}
	render(w, t)

	legend := "f, a, j: share of bad rice in feed, accept and reject."
	if s.Method == mill.ByMasses {
		legend = "a, j: share of bad rice in accept and reject; A, J: their masses. What the feed held is what came out of it; a sample of the feed serves the balance."
	}
	if d.Machine == lengthGrader {
		legend += " Bad is what is broken, accepted the head rice."
	} else if len(d.Bad) > 0 {
		legend += " Bad is rice seen as " + className(strings.Join(d.Bad, ", ")) + "."
	}
	if slices.ContainsFunc(s.Figures, func(f mill.SorterFigure) bool { return f.Code == "good_rice_money" }) {
		legend += " Money is for each tonne fed; r: rice rejected, of all; gap: the prices' difference."
	}
	paragraph(w, legend+" Carry-over is used for both ratios in the trade: name the formula with the number.")
	for _, b := range s.Balances {
		verdict := "closes"
		switch {
		case b.Missing.Bare:
			paragraph(w, fmt.Sprintf("Balance of %s, %s: not judged, an interval is missing.", b.What, b.Formula))
			continue
		case b.Unit == "points" && b.Missing.Value == 0:
			paragraph(w, "Balance of "+b.What+" closes: the feed lies between accept and reject.")
			continue
		case b.Verdict != mill.Closes:
			verdict = "does NOT close"
		}
		f, unit := readableMissing(b)
		paragraph(w, fmt.Sprintf("Balance of %s %s: %s = %s %s (%s).", b.What, verdict, b.Formula, number(f.Value, 2), unit, ends(f, 2)))
	}
	if s.Works != mill.SorterUnjudged {
		if s.TimesMore != nil {
			paragraph(w, fmt.Sprintf("About %s times as much rice in the samples would bring the share removed to ± 10 points; the %s matters most.", number(math.Ceil(*s.TimesMore*10)/10, 1), s.Weakest))
		} else if len(s.TooSmall) > 0 && s.Works != mill.SorterReversed {
			paragraph(w, fmt.Sprintf("Too small: the interval is wider than half of all that could be, or the feed lies outside accept and reject. Look at more rice; the %s matters most.", s.Weakest))
		}
		paragraph(w, fmt.Sprintf("Intervals: %d random draws, seed %d. They hold the doubt of the samples, not how the stream swings in time.", s.Draws, s.Seed))
	}
	if len(d.Bad) > 0 {
		paragraph(w, caution)
	}
	if x, ok := mill.LookFirst(d.Machine); ok && s.Works == mill.SorterWorks {
		paragraph(w, fmt.Sprintf("To change it look first at %s (%s).", x.Look, x.Source))
	}
}
