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
	"traytally/grading/standards"
)

// planOptions are the flags of the plan command.
type planOptions struct {
	grading.PlanOptions
	standardFlags
	code   string // of the standard
	grade  string
	factor string  // code, empty: the broken share
	limit  float64 // percent, 0: not given
	// portions are the limits of the grade on numbers per portion.
	portions []standards.Limit
	// expected: the user said what is expected of the lot.
	expected bool
	from     string // a result.json
	lot      string // bags or tonnes to draw from
	chart    string
	output
}

func newPlanCommand(u *ui) *cobra.Command {
	o := planOptions{PlanOptions: grading.DefaultPlanOptions()}
	decides := cobra.MatchAll(noArgs, excluding("within", "limit", "limit", "standard", "limit", "contract", "limit", "factor"), bandOrRisks)
	cmd := newCommand("plan", func(cmd *cobra.Command, args []string) error {
		if o.expected = cmd.Flags().Changed("expect"); o.lot != "" {
			return nil // samples of the lot's bags
		}
		return decides(cmd, args)
	}, func(ctx context.Context, args []string) error {
		if o.lot != "" {
			return runPlanLot(ctx, o, args, u)
		}
		return runPlan(ctx, o, u)
	})
	f := cmd.Flags()
	f.Float64Var(&o.ExpectPct, "expect", o.ExpectPct, "`FIGURE` expected of the lot: broken percent by mass, or what --factor is in (default with it: half of the limit)")
	f.Float64Var(&o.HalfWidthPct, "within", 0, "wanted half width of the 95 % interval in `POINTS`")
	f.Float64Var(&o.limit, "limit", 0, "upper limit in `PERCENT` to decide about")
	f.StringVar(&o.standard, "standard", "", "take the broken limit of the standard with this `CODE`")
	f.StringVar(&o.contract, "contract", "", "take the broken limit of the contract in `FILE`")
	f.StringVar(&o.grade, "grade", "", "the `GRADE` of that standard or contract")
	f.StringVar(&o.factor, "factor", "", "decide about this `FACTOR` of the standard instead of the broken share; see 'traytally standards show'")
	f.StringVar(&o.lot, "lot", "", "plan the sampling of a lot of `SIZE`: 400bags, or 25t in bulk; arguments are samples of its bags")
	f.IntVar(&o.Kernels, "kernels", 0, "a given `NUMBER` of kernels, to see what it can show")
	f.Float64Var(&o.Risks.Consumer, "consumer-risk", o.Risks.Consumer, "greatest `RISK` of supporting a lot that is beyond the limit")
	f.Float64Var(&o.Risks.Producer, "producer-risk", o.Risks.Producer, "greatest `RISK` of contradicting a lot that is within the limit")
	guardBandVar(f, &o.Decision)
	f.Float64Var(&o.Power, "power", o.Power, "wanted `PROBABILITY` of a decision when the lot is as expected")
	f.Float64Var(&o.MethodU, "method-u", 0, "standard uncertainty in `POINTS` that more kernels do not lessen")
	f.StringVar(&o.from, "from", "", "take the masses of whole kernels and pieces from `RESULT.json` of a graded sample")
	f.Float64Var(&o.WholeKernelMG, "kernel-mg", o.WholeKernelMG, "mass of a whole kernel in `MG`")
	f.IntVar(&o.KernelsPerTray, "tray-kernels", o.KernelsPerTray, "`NUMBER` of kernels on a tray")
	o.addJSON(f)
	placeVar(f, &o.chart, "chart", "draw the operating characteristic into `FILE` (SVG)")
	return cmd
}

func runPlan(ctx context.Context, o planOptions, u *ui) error {
	limits, about, err := o.chooseLimit()
	if err != nil {
		return err
	}
	if o.chart != "" && limits == nil {
		return usageError("a chart without a limit", "name the limit: --limit PERCENT, or --standard CODE --grade GRADE")
	}
	if limits != nil && limits.Basis.SamplePortionG() > 0 {
		return o.planCount(ctx, u, *limits, about)
	}
	o.Limit = limits
	if o.from != "" {
		if o.factor != "" {
			return usageError("--from with --factor", "a graded sample tells the masses of brokens; leave one of them out")
		}
		if o.Model, err = modelFrom(o.from); err != nil {
			return err
		}
	}
	plan, err := grading.MakePlan(o.PlanOptions)
	if err != nil {
		return err
	}
	counts, err := o.counts()
	if err != nil {
		return err
	}
	doc := struct {
		Schema string `json:"schema"`
		About  string `json:"about"`
		*grading.Plan
		// Counts is the least rice for the grade's numbers per portion.
		Counts []*grading.CountPlan `json:"counts"`
	}{planSchema, about, plan, counts}
	return o.write(ctx, u, doc,
		func(w io.Writer) error { return plan.WriteChart(w, upperFirst(about)) },
		func(w io.Writer) { showPlan(w, &o, plan, counts, about) })
}

// planSchema names the form of the plan's JSON.
const planSchema = "traytally.plan/2"

// write puts out the chart, the JSON and what people read, as asked for.
func (o *planOptions) write(ctx context.Context, u *ui, doc any, chart func(io.Writer) error, show func(io.Writer)) error {
	var files []outFile
	if o.chart != "" {
		files = []outFile{{o.chart, chart}}
	}
	return u.answer(ctx, o.output, doc, show, files...)
}

// planCount plans for a limit on a number per portion.
func (o *planOptions) planCount(ctx context.Context, u *ui, l standards.Limit, about string) error {
	switch {
	case o.MethodU != 0 || o.from != "" || o.GuardBand != nil:
		return usageError("--method-u, --from and --guard-band are for percentages", "leave them out: "+l.Factor.Name+" is a number "+l.Unit)
	case o.Kernels < 0:
		return usageError(fmt.Sprintf("%d kernels", o.Kernels), "give 1 or more")
	}
	plan, err := o.count(l, o.ExpectPct, float64(o.Kernels)*o.WholeKernelMG/1000)
	if err != nil {
		return err
	}
	doc := struct {
		Schema string `json:"schema"`
		About  string `json:"about"`
		*grading.CountPlan
	}{planSchema, about, plan}
	return o.write(ctx, u, doc,
		func(w io.Writer) error { return plan.WriteChart(w, upperFirst(about)) },
		func(w io.Writer) { showCountPlan(w, o, plan, l, about) })
}

// count plans for one limit on a number per portion, of those that share the
// producer's risk.
func (o *planOptions) count(l standards.Limit, expect, grams float64) (*grading.CountPlan, error) {
	risks := grading.Risks{Consumer: o.Risks.Consumer, Producer: o.Risks.Producer / float64(max(o.Sharing, 1))}
	return grading.MakeCountPlan(grading.CountPlanOptions{Limit: l, Expect: expect, Grams: grams, Risks: risks, Power: o.Power, WholeKernelMG: o.WholeKernelMG})
}

// counts plans, where a standard was named, for the grade's limits on numbers
// per portion in a lot without any such kernel: the least rice to look at.
func (o *planOptions) counts() ([]*grading.CountPlan, error) {
	out := []*grading.CountPlan{}
	for _, l := range o.portions {
		p, err := o.count(l, 0, 0)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// chooseLimit returns the limit that the command line names, nil for none, and
// says what the plan is about. It fills in the model and the expectation that
// go with it.
func (o *planOptions) chooseLimit() (limit *standards.Limit, about string, err error) {
	switch {
	case o.limit != 0:
		return &standards.Limit{Bound: standards.AtMost, Value: o.limit, Unit: "%"}, fmt.Sprintf("deciding about at most %g %% broken", o.limit), nil
	case !o.given() && (o.grade != "" || o.factor != ""):
		return nil, "", usageError("a grade or a factor without a standard", "name it: --standard CODE or --contract FILE")
	case !o.given() && o.HalfWidthPct == 0:
		return nil, fmt.Sprintf("%g %% broken", o.ExpectPct), nil
	case !o.given():
		return nil, fmt.Sprintf("%g %% broken, within %g points", o.ExpectPct, o.HalfWidthPct), nil
	case o.HalfWidthPct != 0:
		return nil, "", usageError("both a half width and a limit", "give --within, or the standard and grade to decide about")
	}
	std, _, err := o.limits()
	if err != nil {
		return nil, "", err
	}
	g, err := gradeOf(std, o.grade, usageError("no grade given", "its grades, best first: "+strings.Join(std.Grades, ", ")+"; for example --grade '"+std.Grades[0]+"'"))
	if err != nil {
		return nil, "", err
	}
	factor := std.Broken()
	if o.factor != "" {
		if factor = std.Factor(o.factor); factor == nil {
			return nil, "", o.noSuchFactor(std, g)
		}
	}
	for _, l := range std.Limits(g) {
		if l.Basis.SamplePortionG() > 0 && l.Bound.Upper() && l.Value > 0 {
			o.portions = append(o.portions, l)
		}
		if l.Factor == factor && limit == nil {
			limit = &l
		}
	}
	if limit == nil {
		what := fmt.Sprintf("%s sets no limit on %s in %s", std.Code, factor.Name, std.Grades[g])
		return nil, "", usageError(what, "plan for another factor with --factor, or give the contract's limit: --limit PERCENT")
	}
	var sharing int
	o.code, o.grade = std.Code, std.Grades[g]
	if o.Beside, sharing = grading.GradeLimits(std, g); o.factor != "" {
		o.Beside = nil
	}
	o.Sharing = sharing
	if limit.Basis.SamplePortionG() == 0 && o.from == "" {
		if o.Model, err = grading.FactorModel(std, factor, g); err != nil {
			return nil, "", err
		}
	}
	if o.factor != "" && !o.expected {
		o.ExpectPct = grading.HalfOf(*limit)
	}
	return limit, fmt.Sprintf("deciding about %s, %s: %s %s %g %s%s", std.Code, std.Grades[g], factor.Name, limit.Bound, limit.Value, limit.Unit, limit.Mark.Note()), nil
}

func (o *planOptions) noSuchFactor(std *standards.Standard, g int) error {
	var codes []string
	for _, l := range std.Limits(g) {
		if l.Unit != "" {
			codes = append(codes, l.Factor.Code)
		}
	}
	hint := standards.DidYouMean(o.factor, codes, "it limits: "+strings.Join(codes, ", "))
	return usageError(fmt.Sprintf("%s has no factor %q", std.Code, o.factor), hint)
}

// modelFrom takes the masses of kernels and pieces from a result of the grade
// command.
func modelFrom(path string) (grading.PieceModel, error) {
	d, err := readResult(path)
	if err != nil {
		return grading.PieceModel{}, err
	}
	m, err := d.Sample.PieceModel()
	if err != nil {
		return grading.PieceModel{}, inputError(path, err.Error(), "plan from a larger sample, or leave out --from")
	}
	return m, nil
}

func showPlan(w io.Writer, o *planOptions, p *grading.Plan, counts []*grading.CountPlan, about string) {
	fmt.Fprintf(w, "Look at %d kernels: about %.0f g, %s of %d\n", p.Kernels, p.Grams, count(p.Trays, "tray", "trays"), o.KernelsPerTray)
	paragraph(w, plain(upperFirst(about)))
	fmt.Fprintln(w)
	what := "broken"
	if o.factor != "" {
		what = "expected"
	}
	item(w, "Interval", fmt.Sprintf("± %.2g points (95 %%) at %.4g %% %s", p.HalfWidthPct, p.ExpectPct, what))
	item(w, "Masses", fmt.Sprintf("%s; k = %.2f in u² = k·R·(1-R)/n", massesText(p.Model), p.K))
	if p.MethodU > 0 {
		item(w, "Method", fmt.Sprintf("%g points of standard uncertainty, however many kernels", p.MethodU))
	}
	if o.Limit == nil {
		fmt.Fprintln(w)
		o.showNext(w)
		return
	}
	if p.LimitPct != o.Limit.Value {
		item(w, "Limit", fmt.Sprintf("turns at %g %%: the standard rounds figures first", p.LimitPct))
	}
	near, far := "up to", "from"
	if !o.Limit.Bound.Upper() {
		near, far = far, near
	}
	switch {
	case p.AcceptPct != nil && p.RejectPct != nil:
		item(w, "Decision", fmt.Sprintf("found %s %s %%: supported; %s %s %% on: contradicted; between: not proven", near, percent(*p.AcceptPct), far, percent(*p.RejectPct)))
	case p.RejectPct != nil:
		item(w, "Decision", fmt.Sprintf("so few kernels never prove the limit kept, not even with the best figure; %s %s %% on: contradicted", far, percent(*p.RejectPct)))
	case p.AcceptPct != nil && (o.Limit.Mark == standards.FromMemory || o.Limit.Sieved):
		item(w, "Decision", fmt.Sprintf("found %s %s %%: supported; beyond the limit: by hand, by such a limit a picture contradicts nobody", near, percent(*p.AcceptPct)))
	case p.AcceptPct != nil:
		item(w, "Decision", fmt.Sprintf("found %s %s %%: supported; so few kernels never prove the limit passed", near, percent(*p.AcceptPct)))
	default:
		item(w, "Decision", "so few kernels prove nothing")
	}
	if p.GuardBand != nil {
		item(w, "Guard band", fmt.Sprintf("%g points on either side of the limit, as asked", *p.GuardBand))
	}
	showRisks(w, p.Power, p.Risks, p.GuardBand != nil)
	if o.Sharing > 1 && p.GuardBand == nil {
		item(w, "", fmt.Sprintf("the latter shared by %d limits: %g %% each", o.Sharing, round4(100*p.ProducerPerLimit)))
	}
	o.showBeside(w, p)
	fmt.Fprintln(w)
	showOC(w, "True %", "%.2f", p.OC)
	if o.chart != "" {
		paragraph(w, "Chart: "+plain(o.chart))
	}
	if len(counts) > 0 {
		fmt.Fprintln(w, "Also limited in this grade, as a number of kernels")
		for i, c := range counts {
			l := o.portions[i]
			item(w, "  "+c.Factor, fmt.Sprintf("%s %s: look at %s (about %d kernels) or more; %s found there would support it",
				l.Bound, plain(fmt.Sprintf("%g %s", c.Limit, l.Unit)), gramsText(c.Grams), niceCount(c.Kernels), upTo(*c.AcceptUpTo)))
		}
		fmt.Fprintln(w)
	}
	o.showNext(w)
}

// showBeside tells what the other limits of the grade take.
func (o *planOptions) showBeside(w io.Writer, p *grading.Plan) {
	var kept, byHand []string
	most := grading.BesidePlan{}
	for _, b := range p.Beside {
		if b.Kernels == 0 {
			byHand = append(byHand, b.Name)
			continue
		}
		kept = append(kept, b.Name)
		if b.Kernels > most.Kernels {
			most = b
		}
	}
	if len(kept) > 0 {
		item(w, "Other limits", fmt.Sprintf("%s; the lot taken to have half of what they allow. Most kernels are for %s, taken for %.4g %%; --factor %s plans for this limit alone",
			strings.Join(kept, "; "), most.Name, most.ExpectPct, o.Limit.Factor.Code))
	}
	if len(byHand) > 0 {
		item(w, "By hand", strings.Join(byHand, "; ")+": no number of kernels decides it, and verify leaves it open until it is on the sheet (--found by_hand.CODE=...)")
	}
}

// showNext prints the note and, last, what to do now.
func (o *planOptions) showNext(w io.Writer) {
	paragraph(w, samplingNote)
	fmt.Fprintln(w)
	next := "traytally grade PICTURE..."
	switch {
	case o.contract != "":
		next = fmt.Sprintf("traytally verify PICTURE... --contract %s --declared %s", shellWord(o.contract), shellWord(o.grade))
	case o.standard != "":
		next = fmt.Sprintf("traytally verify PICTURE... --standard %s --declared %s", o.code, shellWord(o.grade))
	}
	paragraph(w, "Next, when the trays are scanned: "+plain(next))
}

func showCountPlan(w io.Writer, o *planOptions, p *grading.CountPlan, l standards.Limit, about string) {
	fmt.Fprintf(w, "Look at %s of rice: about %d kernels, %s of %d\n", gramsText(p.Grams), niceCount(p.Kernels),
		count((p.Kernels+o.KernelsPerTray-1)/o.KernelsPerTray, "tray", "trays"), o.KernelsPerTray)
	paragraph(w, plain(upperFirst(about)))
	fmt.Fprintln(w)
	item(w, "Expected", fmt.Sprintf("%.4g %s, %.3g in that much rice", p.Expect, l.Unit, p.Expect*p.Grams/p.PortionG))
	accept := "so little rice never proves the limit kept"
	if p.AcceptUpTo != nil {
		accept = upTo(*p.AcceptUpTo) + " found: supported"
	}
	item(w, "Decision", fmt.Sprintf("%s; from %d on: contradicted; between: not proven", accept, *p.RejectFrom))
	showRisks(w, p.Power, p.Risks, false)
	fmt.Fprintln(w)
	showOC(w, "True "+l.Unit, "%.4g", p.OC)
	if o.chart != "" {
		paragraph(w, "Chart: "+plain(o.chart))
	}
	paragraph(w, "The number found in so much rice is taken as a Poisson count. Less rice than the limit refers to is never taken as proof that it is kept.")
	o.showNext(w)
}

func massesText(m grading.PieceModel) string {
	switch {
	case m.From == "sample":
		return fmt.Sprintf("of the graded sample: a piece weighs %.2f of a whole kernel on average", m.BrokenMean)
	case m.BrokenMean == 1:
		return "a model: such kernels weigh as much as others"
	}
	half := m.BrokenSD * math.Sqrt(12) / 2
	return fmt.Sprintf("a model: pieces spread evenly from %.2f to %.2f of a whole kernel", m.BrokenMean-half, m.BrokenMean+half)
}

// upTo says how many may be found.
func upTo(n int) string {
	if n == 0 {
		return "none"
	}
	return fmt.Sprintf("up to %d", n)
}

// gramsText writes a mass of rice, grams up to a kilogram.
func gramsText(g float64) string {
	if g <= 1000 {
		return fmt.Sprintf("%.0f g", g)
	}
	return fmt.Sprintf("%.3g kg", g/1000)
}

func showRisks(w io.Writer, power float64, r grading.Risks, left bool) {
	item(w, "If as expected", fmt.Sprintf("%.0f of 100 samples decide, rightly", 100*power))
	most := map[bool]string{false: "at most ", true: "up to "}[left]
	item(w, "Risks", fmt.Sprintf("%s%g %% of supporting a lot beyond the limit, %g %% of contradicting one within it", most, round4(100*r.Consumer), round4(100*r.Producer)))
}

// showOC prints an operating characteristic; format is for the true value.
func showOC(w io.Writer, heading, format string, points []grading.OCPoint) {
	t := newTable(w, table.Row{heading, "Supported %", "Not proven %", "Contradicted %"}, 1, 2, 3, 4)
	for i, x := range points {
		if (i+1)%grading.OCPerStep == 0 {
			t.AppendRow(table.Row{fmt.Sprintf(format, x.True), fmt.Sprintf("%.1f", 100*x.Supports), fmt.Sprintf("%.1f", 100*x.NotProven), fmt.Sprintf("%.1f", 100*x.Contradicts)})
		}
	}
	render(w, t)
}

const samplingNote = "This is the chance of which kernels are drawn. Poor mixing and dividing of the lot come on top: take increments from all over it, and spread several trays."
