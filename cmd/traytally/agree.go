package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/agree"
	"traytally/grading/mill"
	"traytally/samples/report"
)

// exitDisagree ends a comparison of results that do not agree.
const exitDisagree = 16

// agreeOptions are the flags of the agree command.
type agreeOptions struct {
	sampleFlags
	factor string
	limits agree.Limits
	study  string
	chart  string
}

func newAgreeCommand(u *ui) *cobra.Command {
	o := agreeOptions{factor: "broken"}
	cmd := newCommand("agree", cobra.ArbitraryArgs, func(ctx context.Context, args []string) error {
		switch {
		case o.study != "" && len(args) > 0:
			return usageError("both a study and results to compare", "a study's results stand in its file")
		case o.study == "" && o.chart != "":
			return usageError("--chart without --study", "the chart is of a method study: --study FILE")
		case o.study != "":
			return runStudy(ctx, o, u)
		}
		return runAgree(ctx, o, args, u)
	})
	f := cmd.Flags()
	f.StringVar(&o.factor, "factor", o.factor, "compare this `SHARE`: broken, or a class or flag, such as chalky")
	f.Var(&ranged{v: &o.limits.Repeatability, min: 0.001, max: 100}, "repeatability", "stated limit in `POINTS` for two results of one laboratory")
	f.Var(&ranged{v: &o.limits.Reproducibility, min: 0.001, max: 100}, "reproducibility", "stated limit in `POINTS` for results of two laboratories")
	f.StringVar(&o.study, "study", "", "make a method study of the samples in `FILE` (CSV: sample,hand,picture)")
	f.StringVar(&o.chart, "chart", "", "draw the study's differences into `FILE` (SVG)")
	o.addSampleFlags(cmd)
	o.addJSON(f)
	return cmd
}

// oneLab is what results without a laboratory's name are of.
const oneLab = "one laboratory"

// figure reads the share that one result has.
func (o *agreeOptions) figure(ctx context.Context, u *ui, s string) (mill.Figure, error) {
	model := grading.DefaultPieceModel()
	if o.factor != "broken" { // kernels with a defect weigh what others do
		model.BrokenMean, model.BrokenSD = 1, model.WholeCV
	}
	if f, ok, err := mill.ParseWeighed(s, model); ok {
		return f, err
	}
	f, g, err := o.share(ctx, u, s)
	if g == nil {
		return f, err
	}
	f, ok := g.Figure(o.factor)
	if !ok || g.Unseen(o.factor) {
		return f, inputError(s, "has no share of "+className(o.factor), "it has: "+strings.Join(g.Codes(), ", "))
	}
	return f, nil
}

func runAgree(ctx context.Context, o agreeOptions, args []string, u *ui) error {
	var results []agree.Result
	for _, arg := range args {
		r := agree.Result{Lab: oneLab, Sample: arg}
		var err error
		if strings.Contains(arg, "=") {
			r.Lab, r.Sample, err = oneName("result", arg, "seller=4.6±0.8")
		}
		if err == nil {
			r.Value, err = o.figure(ctx, u, r.Sample)
		}
		if err != nil {
			return err
		}
		results = append(results, r)
	}
	if err := mill.Independent(o.graded); err != nil {
		return err
	}
	c, err := agree.Compare(results, o.limits)
	if err != nil {
		return err
	}
	doc := struct {
		head
		Factor string `json:"factor"`
		*agree.Comparison
	}{headOf("agree"), o.factor, c}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { showComparisonOf(w, o.factor, c, len(o.graded) > 0) }); err != nil {
		return err
	}
	o.warnAlike(u)
	return endWith(nil, exitDisagree, c.Verdict == agree.Disagree)
}

func showComparisonOf(w io.Writer, factor string, c *agree.Comparison, pictures bool) {
	what := className(factor)
	final := fmt.Sprintf("%s %% %s", number(c.Final.Value, 2), what)
	if !c.Final.Bare {
		final += fmt.Sprintf(" (95 %% interval %s)", ends(c.Final, 2))
	}
	var against, unlike []string
	for _, j := range c.Judgements {
		s := fmt.Sprintf("by %s %s points, allowed %s", j.By, number(j.Difference, 2), number(j.Allowed, 2))
		if j.Verdict == agree.Disagree {
			unlike = append(unlike, s)
		} else {
			against = append(against, s)
		}
	}
	switch c.Verdict {
	case agree.Agree:
		paragraph(w, plain("The results AGREE: "+strings.Join(against, "; ")+"."))
		paragraph(w, "What stands for the lot is their mean, "+final+".")
	case agree.Disagree:
		paragraph(w, plain("The results DO NOT AGREE: "+strings.Join(unlike, "; ")+"."))
		paragraph(w, "Neither stands for the lot, and their mean does not either.")
	default:
		paragraph(w, "No verdict: there is nothing to judge the difference by.")
		paragraph(w, "Give the shares as 4.6±0.8 or as graded samples, or state --repeatability and --reproducibility.")
	}
	fmt.Fprintln(w)

	t := newTable(w, table.Row{"Laboratory", "Result", upperFirst(what) + " %", "95 % interval"}, 3, 4)
	for _, r := range c.Results {
		t.AppendRow(table.Row{shorten(r.Lab, 24), shorten(r.Sample, 24), number(r.Value.Value, 2), ends(r.Value, 2)})
	}
	render(w, t)

	if len(c.Judgements) > 0 {
		t = newTable(w, table.Row{"Judged by", "Between", "Points", "Allowed", "Verdict"}, 3, 4)
		for _, j := range c.Judgements {
			verdict := "agree"
			if j.Verdict == agree.Disagree {
				verdict = "DISAGREE"
			}
			t.AppendRow(table.Row{j.By, shorten(j.Between, 26), number(j.Difference, 2), number(j.Allowed, 2), verdict})
		}
		render(w, t)
		said := map[string]bool{}
		for _, j := range c.Judgements {
			if !said[j.By+j.Formula] {
				item(w, upperFirst(j.By), j.Formula+"; "+j.Clause)
				said[j.By+j.Formula] = true
			}
		}
		fmt.Fprintln(w)
	}
	if c.Verdict == agree.Agree {
		paragraph(w, "Agreeing is no proof that both are right: two may share one fault, and small samples agree easily.")
	}
	if pictures {
		paragraph(w, caution)
	}
	paragraph(w, "The contract says which result is final; its words come before this arithmetic.")
	fmt.Fprintln(w)
	paragraph(w, "Next: "+afterComparison(c))
}

// afterComparison is what settles it, as ISO 5725-6, 5.2 and 5.3 go on (from
// memory).
func afterComparison(c *agree.Comparison) string {
	switch {
	case c.Verdict == agree.Agree:
		return "write down the mean with both results, and keep the retained sample until the lot is paid."
	case c.Verdict == agree.Unjudged:
		return "give each result its interval."
	}
	for _, j := range c.Judgements {
		if j.Verdict == agree.Disagree && j.By == "repeatability" {
			return fmt.Sprintf("%s measures again, twice, on the same sample; the mean of all stands if their range is within %s points, else their median, and the cause is looked for.",
				plain(j.Between), number(c.Limits.Repeatability/agree.LimitFactor*agree.RangeFactor(4), 2))
		}
	}
	if len(c.Labs) == 1 {
		return "spread and grade the retained sample again, two trays or more, and compare all; if they still differ, the portions were not divided alike."
	}
	return "hold the lot; first check that all call the same pieces broken and tested the same sealed sample; then each laboratory tests the retained sample once more, and if they still differ a third laboratory that both sides name settles it."
}

func runStudy(ctx context.Context, o agreeOptions, u *ui) error {
	if o.chart != "" {
		if err := checkPlace(o.chart); err != nil {
			return err
		}
	}
	data, err := readFile(o.study, 16<<20)
	if err != nil {
		return err
	}
	pairs, err := agree.ReadPairs(data, func(column, cell string) (float64, error) {
		if column == "hand" || isTyped(cell) {
			f, err := mill.ParseFigure(cell)
			if err == nil && f.Value > 100 {
				err = usageError(cell+" % is more than all of it", "percent by mass")
			}
			return f.Value, err
		}
		f, err := o.figure(ctx, u, cell)
		return f.Value, err
	})
	if err != nil {
		return asInput(err, o.study)
	}
	if err := mill.Independent(o.graded); err != nil {
		return err
	}
	s, err := agree.NewStudy(pairs)
	if err != nil {
		return inputError(o.study, err.Error(), "three samples or more with both a hand and a picture figure, or repeats of one sample")
	}
	if o.chart != "" && s.Agreement == nil {
		return inputError(o.study, "too few samples measured by both methods for a chart", "three or more; leave out --chart for the repeatability alone")
	}
	doc := struct {
		head
		Factor string `json:"factor"`
		*agree.Study
	}{headOf("study"), o.factor, s}
	var files []outFile
	if o.chart != "" {
		files = append(files, outFile{o.chart, func(w io.Writer) error { return report.StudySVG(w, s, className(o.factor), "%") }})
	}
	return u.answer(ctx, o.output, doc, func(w io.Writer) { showStudy(w, &o, s) }, files...)
}

// fewSamples is how many samples a method study usually has at least; with
// fewer its limits are rough. Common practice (CLSI EP09 has 40, from memory).
const fewSamples = 40

func showStudy(w io.Writer, o *agreeOptions, s *agree.Study) {
	what := className(o.factor)
	a := s.Agreement
	biased := a != nil && (a.Bias.Low > 0 || a.Bias.High < 0)
	if a != nil {
		side := "more"
		b := a.Bias
		if b.Value < 0 {
			side, b = "less", b.Negated()
		}
		told := "which may be chance"
		if biased {
			told = "more than chance explains"
		}
		paragraph(w, fmt.Sprintf("Pictures read %s points %s %s than the hand (95 %% interval %s), %s.", number(b.Value, 2), side, what, ends(b, 2), told))
		paragraph(w, fmt.Sprintf("One picture lies %s to %s points off one hand result in 95 of 100 samples; %s.", signed(a.Lower.Value, 2), signed(a.Upper.Value, 2), count(a.N, "sample", "samples")))
	} else {
		for name, r := range map[string]*agree.Repeatability{"picture": s.Picture, "hand": s.Hand} {
			if r != nil && (name == "picture" || s.Picture == nil) {
				paragraph(w, fmt.Sprintf("Two %s results of one sample differ by no more than %s points in 95 of 100 cases.", name, number(r.Limit, 2)))
			}
		}
		paragraph(w, "No sample enough was measured by both methods: nothing is said of how they agree.")
	}
	fmt.Fprintln(w)

	t := newTable(w, table.Row{"Figure", "Points", "95 % interval", "Formula"}, 2, 3)
	row := func(name string, f mill.Figure, formula string) {
		t.AppendRow(table.Row{name, number(f.Value, 3), number(f.Low, 3) + " to " + number(f.High, 3), formula})
	}
	if a != nil {
		row("Bias", a.Bias, "mean of picture - hand")
		row("Lower limit", a.Lower, fmt.Sprintf("bias - %.2f·s", a.Factor))
		row("Upper limit", a.Upper, fmt.Sprintf("bias + %.2f·s, s = %.3f", a.Factor, a.SD))
		row("Bias by size", a.Trend, "slope of differences over means")
	}
	if d := s.Deming; d != nil {
		row("Slope", d.Slope, fmt.Sprintf("Deming, error variances %.2f : 1", d.Lambda))
		row("Intercept", d.Intercept, "jackknife intervals")
	}
	for _, x := range []struct {
		name string
		r    *agree.Repeatability
	}{{"hand", s.Hand}, {"picture", s.Picture}} {
		if x.r != nil {
			row("sr, "+x.name, mill.Figure{Value: x.r.Sr, Low: x.r.SrLow, High: x.r.SrHigh}, fmt.Sprintf("within samples; limit 2.8·sr = %.2f", x.r.Limit))
		}
	}
	render(w, t)

	if a != nil && (a.Trend.Low > 0 || a.Trend.High < 0) {
		paragraph(w, "The difference depends on the figure (bias by size leaves 0 out): one bias does not hold for all samples; go by the slope.")
	}
	if a != nil && a.Corrected {
		paragraph(w, "s is that of single results: means of repeats scatter less, and that was put back.")
	}
	if d := s.Deming; d != nil && d.From == "assumed" {
		paragraph(w, "Both methods were taken to err alike (1 : 1): repeat some samples by each, and the data tell it.")
	}
	for _, x := range outliersOf(s) {
		paragraph(w, plain(x))
	}
	if a != nil && a.N < fewSamples {
		paragraph(w, fmt.Sprintf("%d samples are few: limits of agreement are known to ± %s points only. %d or more are common practice (CLSI EP09, from memory).", a.N, number(a.Upper.HalfWidth(), 2), fewSamples))
	}
	if o.chart != "" {
		paragraph(w, "Chart: "+plain(o.chart))
	}
	paragraph(w, "Sources: Bland and Altman, Lancet i (1986) 307; Linnet, Clin. Chem. 39 (1993) 424; ISO 5725-2, 7.3 and 7.4 (from memory). A study says how two methods agree on its own samples, not which is right. "+caution)
	fmt.Fprintln(w)
	switch {
	case a == nil:
		paragraph(w, "Next: measure three samples or more by both methods.")
	case biased:
		paragraph(w, "Next: find out why before either is paid by: do both call the same pieces broken, weigh the same portion, and keep chips alike?")
	case math.Max(-a.Lower.Value, a.Upper.Value) > 1:
		paragraph(w, "Next: if single results lie too far apart to trade on, pool two trays or more of each sample, and repeat the study.")
	default:
		paragraph(w, "Next: keep the study with its samples' names, and repeat it when rice, scanner or people change.")
	}
}

// outliersOf says which samples stand out by the tests of ISO 5725-2.
func outliersOf(s *agree.Study) []string {
	var out []string
	verdict := map[string]string{agree.Straggler: "a straggler (beyond the 5 % value)", agree.Outlier: "an outlier (beyond the 1 % value)"}
	say := func(o *agree.OutlierTest, names []string, what string) {
		if o != nil && o.Verdict != agree.Consistent {
			out = append(out, fmt.Sprintf("%s: %s of sample %s is %s: %.3f against %.3f and %.3f. Look what happened there; it stays in the figures.",
				o.Test, what, names[o.Cell], verdict[o.Verdict], o.Statistic, o.Critical5, o.Critical1))
		}
	}
	var all []string
	for _, p := range s.Pairs {
		all = append(all, p.Sample)
	}
	if s.Agreement != nil {
		for _, o := range s.Agreement.Outliers {
			say(o, s.Agreement.Samples, "the difference")
		}
	}
	if s.Hand != nil {
		say(s.Hand.Cochran, all, "the scatter by hand")
	}
	if s.Picture != nil {
		say(s.Picture.Cochran, all, "the scatter by picture")
	}
	return out
}
