package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/standards"
)

// verifyOptions are the flags of the verify command.
type verifyOptions struct {
	sampleFlags
	declared string
	weighed  []string // CODE=GRAMS/GRAMS
	balance  string   // grams
	rule     grading.Decision
}

// guardBandVar adds the flag of a guard band, which excludes risks.
func guardBandVar(f *pflag.FlagSet, rule *grading.Decision) {
	f.Func("guard-band", "decide by a band of `POINTS` on either side of a limit on a percentage, instead of by the risks; 0 for none", func(s string) error {
		points, err := strconv.ParseFloat(s, 64)
		rule.GuardBand = &points
		return err
	})
}

var bandOrRisks = excluding("guard-band", "consumer-risk", "guard-band", "producer-risk")

func newVerifyCommand(u *ui) *cobra.Command {
	o := verifyOptions{rule: grading.DefaultDecision()}
	pictures := func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 && (len(o.weighed)+len(o.found) > 0 || o.sheet != "") {
			return nil
		}
		return needsPicture(cmd, args)
	}
	cmd := newCommand("verify", cobra.MatchAll(pictures, bandOrRisks), func(ctx context.Context, args []string) error {
		o.pictures = args
		for _, w := range o.weighed {
			o.found = append(o.found, "weighed."+w)
		}
		if o.balance != "" {
			o.found = append(o.found, "balance_u_g="+o.balance)
		}
		return runVerify(ctx, o, u)
	})
	o.addSampleFlags(cmd)
	o.standardFlags.add(cmd.Flags())
	f := cmd.Flags()
	f.StringVar(&o.declared, "declared", "", "the `GRADE` the delivery was sold as; the end of its name will do: 2 for U.S. No. 2")
	f.Float64Var(&o.rule.Risks.Consumer, "consumer-risk", o.rule.Risks.Consumer, "greatest `RISK` of supporting a lot that is beyond a limit")
	f.Float64Var(&o.rule.Risks.Producer, "producer-risk", o.rule.Risks.Producer, "greatest `RISK` of contradicting a lot that is within every limit")
	guardBandVar(f, &o.rule)
	f.StringArrayVar(&o.weighed, "weighed", nil, "a share sorted and weighed by hand, `CODE=GRAMS/GRAMS`: the part and all the rice; may be repeated")
	f.StringVar(&o.balance, "balance-u", "", "standard uncertainty of one weighing in `GRAMS`, about what the balance shows last")
	o.addJSON(f)
	return cmd
}

// An answer ends a command whose result is a verdict with an exit code of its
// own; nothing went wrong.
type answer struct{ code int }

func (a *answer) Error() string { return fmt.Sprintf("exit code %d", a.code) }

func runVerify(ctx context.Context, o verifyOptions, u *ui) error {
	if !o.given() {
		return usageError("no standard given", "name the limits: --standard CODE or --contract FILE; see 'traytally standards list'")
	}
	if err := o.rule.Validate(); err != nil {
		return err
	}
	r, err := o.request(true)
	if err != nil {
		return err
	}
	std := r.Standard
	sheet, err := o.sampleSheet()
	if err != nil {
		return err
	}
	declared, err := gradeOf(std, o.declared, usageError("no declared grade given", "--declared with one of: "+strings.Join(std.Grades, ", ")))
	if err != nil {
		return err
	}
	if err := o.checkOutputs(); err != nil {
		return err
	}
	var result *grading.Result // nil where all was weighed
	doc := verifyDocument{Schema: "traytally.verify/1", Pictures: []documentPicture{}}
	sample := grading.NoSample()
	if len(o.pictures) > 0 {
		graded, unsure, err := o.result(ctx, u, r, o.pictures)
		if err != nil {
			return inStandardWords(err, o.sheet)
		}
		result, doc.Pictures = graded.Result, graded.Pictures
		result.CheckMass(sheet)
		if unsure {
			u.warn("how well single lengths near a limit are known is not in a result file: the intervals leave that out", "give the pictures, or the code of the register")
		}
		sample, doc.Versions, doc.Broken, doc.Reference = result.Sample, result.Versions, &result.Broken, &result.Reference
	}
	v, err := grading.Verify(sample, std, std.Grades[declared], sheet, o.rule)
	if err != nil {
		return inStandardWords(err, o.sheet)
	}
	doc.Verification = v
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { showVerification(w, result, v) }); err != nil {
		return err
	}
	if result != nil {
		tellWarnings(u, result)
	}
	switch v.Outcome {
	case grading.Contradicts:
		return &answer{exitContradicts}
	case grading.NotProven:
		return &answer{exitNotProven}
	}
	return nil
}

// A verifyDocument is the JSON that the verify command writes.
type verifyDocument struct {
	Schema string `json:"schema"`
	*grading.Verification
	Versions  map[string]string     `json:"versions"`
	Pictures  []documentPicture     `json:"pictures"`
	Broken    *grading.BrokenResult `json:"broken"` // null where no picture was given
	Reference *grading.Reference    `json:"reference"`
}

var outcomeText = map[string]string{
	grading.Supports: "SUPPORTED", grading.Contradicts: "CONTRADICTED", grading.NotProven: "NOT PROVEN EITHER WAY",
}

func showVerification(w io.Writer, r *grading.Result, v *grading.Verification) {
	fmt.Fprintf(w, "%s: declared %s, %s (%s)\n", outcomeText[v.Outcome], plain(v.Declared), plain(v.Title), v.Standard)
	paragraph(w, plain(upperFirst(v.Statement))+".")
	fmt.Fprintln(w)
	if r == nil {
		fmt.Fprintf(w, "Sorted and weighed by hand, no picture\n\n")
	} else {
		fmt.Fprintf(w, "%s: %s\n\n", sampleName(r), count(len(r.Sample.Pieces), "kernel", "kernels"))
	}

	t := newTable(w, table.Row{"Limit", "Found", "Interval used", "Allowed", "Verdict", "Within"}, 2, 3, 6)
	var marks markSet
	for i := range v.Checks {
		c := &v.Checks[i]
		if c.Conforms == nil {
			continue
		}
		marks.add(c.Mark)
		row := lineRow(&c.Line)
		within := ""
		if c.UsedLow != nil {
			row[2] = fmt.Sprintf("%s to %s", percent(*c.UsedLow), percent(*c.UsedHigh))
			within = chance(*c.Conforms) + " %"
		}
		t.AppendRow(append(row, within))
	}
	render(w, t)
	risk := func(p float64) string { return standards.FormatNumber(round4(100*p)) + " %" }
	if v.GuardBand != nil {
		paragraph(w, fmt.Sprintf("Guard band: %g points on either side of a limit on a percentage, as asked. With as many kernels as here that leaves risks of up to %s of supporting a lot that is beyond a limit, %s of contradicting one that is within all.",
			*v.GuardBand, risk(v.Risks.Consumer), risk(v.Risks.Producer)))
	} else {
		shared := ""
		if v.Sharing > 1 {
			shared = fmt.Sprintf(", shared by the %d limits that an interval could contradict: %s each", v.Sharing, risk(v.ProducerPerLine))
		}
		paragraph(w, fmt.Sprintf("Risks: at most %s of supporting a lot that is beyond a limit, %s of contradicting one that is within all%s. They set the two ends of the intervals used. \"Within\" is the chance that the lot is within the limit.",
			risk(v.Risks.Consumer), risk(v.Risks.Producer), shared))
	}
	if m := v.More; m != nil {
		if m.Possible {
			paragraph(w, fmt.Sprintf("About %d more kernels (%s like %s) would decide in 9 of 10 cases, if the lot is as measured.",
				niceCount(m.Kernels), count(m.Trays, "tray", "trays"), map[bool]string{true: "this one", false: "these"}[r != nil && len(r.Pictures) == 1]))
		} else {
			paragraph(w, "More kernels would not decide: "+plain(m.Why)+".")
		}
	}
	fmt.Fprintln(w)
	showRest(w, v.NotAssessed, v.Notes, v.Caution, marks)
	paragraph(w, caution)
	fmt.Fprintln(w)
	paragraph(w, "To write: "+plain(v.Words))
	fmt.Fprintln(w)
	fmt.Fprintln(w, "Next, where the contract says nothing else")
	for i, step := range v.Next {
		bullet(w, fmt.Sprint(i+1), step)
	}
}

// A markSet gathers the marks that stand beside the limits of a table.
type markSet map[standards.Mark]bool

func (s *markSet) add(m standards.Mark) {
	if limitMarks[m] == "" {
		return
	}
	if *s == nil {
		*s = markSet{}
	}
	(*s)[m] = true
}

// limitMarks stand beside a limit whose text was not read.
var limitMarks = map[standards.Mark]string{standards.FromMemory: "*", standards.Restated: "†"}

// explain says what the marks mean that were used.
func (s markSet) explain(w io.Writer) {
	if s[standards.FromMemory] {
		paragraph(w, limitMarks[standards.FromMemory]+" from memory: the text was not read. Check the printed standard.")
	}
	if s[standards.Restated] {
		paragraph(w, limitMarks[standards.Restated]+" restated: read in a page that restates the text, not in the text.")
	}
}

// chance writes a probability in percent without claiming certainty.
func chance(p float64) string {
	switch {
	case p > 0.999:
		return ">99.9"
	case p < 0.001:
		return "<0.1"
	}
	return fmt.Sprintf("%.1f", 100*p)
}

func round4(x float64) float64 { return float64(int(x*1e4+0.5)) / 1e4 }

// niceCount rounds a number up to two figures.
func niceCount(n int) int {
	step := 1
	for n/step >= 100 {
		step *= 10
	}
	return (n + step - 1) / step * step
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// lineRow is a limit with what was found, for a table.
func lineRow(l *grading.Line) table.Row {
	found, between := l.ValueText, ""
	if l.Low != nil && *l.Low != *l.High {
		between = fmt.Sprintf("%s to %s", percent(*l.Low), percent(*l.High))
	}
	if l.From == grading.FromSheet && between == "" {
		between = "sheet"
	}
	allowed := l.LimitText
	allowed += limitMarks[l.Mark]
	return table.Row{text.WrapSoft(plain(l.Limit), 15), text.WrapSoft(plain(found), 9), between, text.WrapSoft(plain(allowed), 14), verdictText(l.Verdict)}
}

func verdictText(v string) string {
	return map[string]string{grading.Meets: "meets", grading.Fails: "fails", grading.NotProven: "not proven", grading.ByHand: "by hand", grading.Unassessed: "not assessed"}[v]
}

// showRest prints what was not assessed, notes, and the standard's own caution.
func showRest(w io.Writer, missing []grading.NotAssessed, notes []string, standardsCaution string, marks markSet) {
	marks.explain(w)
	for _, n := range notes {
		paragraph(w, "Note: "+plain(n)+".")
	}
	if len(missing) > 0 {
		if len(marks) > 0 || len(notes) > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintln(w, "Not assessed")
		var reasons []string
		names := map[string][]string{}
		for _, m := range missing {
			if _, ok := names[m.Why]; !ok {
				reasons = append(reasons, m.Why)
			}
			names[m.Why] = append(names[m.Why], m.What)
		}
		for _, why := range reasons {
			s := why + ": " + strings.Join(names[why], "; ")
			if len(names[why]) == 1 {
				s = names[why][0] + ": " + why
			}
			bullet(w, "-", s)
		}
		fmt.Fprintln(w)
	}
	if standardsCaution != "" {
		paragraph(w, plain(standardsCaution))
	}
}

// showGrade prints what a standard makes of a sample.
func showGrade(w io.Writer, g *grading.Grade) {
	fmt.Fprintf(w, "%s (%s)\n", plain(g.Title), g.Standard)
	item(w, "Result", upperFirst(g.Headline()))
	if d := g.NextGradeDistance; d != nil {
		for i := range g.Limiting {
			l := &g.Limiting[i]
			item(w, map[bool]string{true: "Limited by"}[i == 0], fmt.Sprintf("%s: %s found, %s allows %s%s [%s]",
				l.Limit, l.ValueText, d.Grade, l.LimitText, limitMarks[l.Mark], l.Clause))
		}
		item(w, "Next grade", fmt.Sprintf("%s takes %s", d.Grade, stepsText(d.Factors)))
	}
	if c := g.ClosestLimit; c != nil && g.Grade != "" {
		item(w, "Closest limit", fmt.Sprintf("%s: %s points of room in %s", c.Name, percent(max(c.By, -c.By)), g.Grade))
	}
	item(w, "Proven (95 %)", provenText(g))
	fmt.Fprintln(w)

	shown := g.Grade
	if shown == "" && len(g.Lines) > 0 {
		shown = g.Lines[len(g.Lines)-1].Grade
	}
	t := newTable(w, table.Row{"Limits of " + plain(shown), "Found", "95 % interval", "Allowed", "Verdict"}, 2, 3, 6)
	var marks markSet
	rows := 0
	for i := range g.Lines {
		l := &g.Lines[i]
		if l.Grade != shown || l.Verdict == grading.Unassessed {
			continue
		}
		marks.add(l.Mark)
		t.AppendRow(lineRow(l))
		rows++
	}
	for i := range g.Limiting {
		marks.add(g.Limiting[i].Mark)
	}
	if rows > 0 {
		render(w, t)
	}
	showRest(w, g.NotAssessed, g.Notes, g.Caution, marks)
}

func stepsText(steps []grading.Step) string {
	var parts []string
	for _, s := range steps {
		by := fmt.Sprintf("%.2f", max(s.By, -s.By))
		if s.Unit == "%" {
			by += " points"
		} else if s.Unit != "" {
			by += " " + s.Unit
		}
		way := "more"
		if s.By < 0 {
			way = "less"
		}
		parts = append(parts, fmt.Sprintf("%s %s of %s", by, way, s.Name))
	}
	return strings.Join(parts, " and ")
}

// provenText says which grades the intervals leave.
func provenText(g *grading.Grade) string {
	switch {
	case g.NotExcluded == "" && g.Proven == "":
		return "no grade is left"
	case g.NotExcluded == g.Proven:
		return g.Proven + ", in what was assessed"
	case g.Proven == "":
		return "no grade; " + g.NotExcluded + " or a lower one is possible"
	}
	return fmt.Sprintf("%s, in what was assessed; %s is not excluded", g.Proven, g.NotExcluded)
}
