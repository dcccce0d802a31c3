package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/standards"
)

// planOptions are the flags of the plan command.
type planOptions struct {
	grading.PlanOptions
	standardFlags
	grade string
	limit float64 // percent, 0: not given
	from  string  // a result.json
	json  string
	chart string
	force bool
}

func newPlanCommand(u *ui) *cobra.Command {
	o := planOptions{PlanOptions: grading.DefaultPlanOptions()}
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Tell how many kernels and trays a precision or a decision takes",
		Long: `Tells how much rice to look at before anything is scanned: for a wanted half
width of the broken percentage (--within), or to decide about a limit (--limit,
or --standard with --grade). With a limit it also tells how often a lot of each
true share would be supported, contradicted or left open: the operating
characteristic.

The scatter is that of which kernels happen to be drawn. Differences between
trays, and the uncertainty of the method (--method-u), come on top.`,
		Example: `  traytally plan --expect 5 --within 0.5
  traytally plan --expect 3 --standard us-long --grade 1
  traytally plan --expect 3 --limit 5 --kernels 2000 --chart oc.svg`,
		GroupID: groupWork,
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			err := errors.Join(oneOf(cmd, "within", "limit"), oneOf(cmd, "limit", "standard"), oneOf(cmd, "limit", "contract"))
			if err != nil {
				return err
			}
			return runPlan(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	f.Float64Var(&o.ExpectPct, "expect", o.ExpectPct, "broken `PERCENT` by mass that the lot is expected to have")
	f.Float64Var(&o.HalfWidthPct, "within", 0, "wanted half width of the 95 % interval in `POINTS`")
	f.Float64Var(&o.limit, "limit", 0, "upper limit in `PERCENT` to decide about")
	f.StringVar(&o.standard, "standard", "", "take the broken limit of the standard with this `CODE`")
	f.StringVar(&o.contract, "contract", "", "take the broken limit of the contract in `FILE`")
	f.StringVar(&o.grade, "grade", "", "the `GRADE` of that standard or contract")
	f.IntVar(&o.Kernels, "kernels", 0, "a given `NUMBER` of kernels, to see what it can show")
	f.Float64Var(&o.Risks.Consumer, "consumer-risk", o.Risks.Consumer, "greatest `RISK` of supporting a lot that is beyond the limit")
	f.Float64Var(&o.Risks.Producer, "producer-risk", o.Risks.Producer, "greatest `RISK` of contradicting a lot that is within the limit")
	f.Float64Var(&o.Power, "power", o.Power, "wanted `PROBABILITY` of a decision when the lot is as expected")
	f.Float64Var(&o.MethodU, "method-u", 0, "standard uncertainty in `POINTS` that more kernels do not lessen")
	f.StringVar(&o.from, "from", "", "take the masses of whole kernels and pieces from `RESULT.json` of a graded sample")
	f.Float64Var(&o.WholeKernelMG, "kernel-mg", o.WholeKernelMG, "mass of a whole kernel in `MG`")
	f.IntVar(&o.KernelsPerTray, "tray-kernels", o.KernelsPerTray, "`NUMBER` of kernels on a tray")
	f.StringVar(&o.json, "json", "", "write the plan as JSON to `FILE`, or to the standard output with -")
	f.StringVar(&o.chart, "chart", "", "draw the operating characteristic into `FILE` (SVG)")
	f.BoolVar(&o.force, "force", false, "replace files that hold something else")
	return cmd
}

func runPlan(ctx context.Context, o planOptions, u *ui) error {
	about, err := o.chooseLimit(u)
	if err != nil {
		return err
	}
	if o.chart != "" && o.Limit == nil {
		return &usageError{what: "a chart without a limit", hint: "name the limit: --limit PERCENT, or --standard CODE --grade GRADE"}
	}
	if o.from != "" {
		if o.Model, err = modelFrom(o.from); err != nil {
			return err
		}
	}
	plan, err := grading.MakePlan(o.PlanOptions)
	if err != nil {
		return asUsage(err)
	}
	doc := struct {
		Schema string `json:"schema"`
		About  string `json:"about"`
		*grading.Plan
	}{"traytally.plan/1", about, plan}
	var files []outFile
	if o.chart != "" {
		if err := checkPlace(o.chart); err != nil {
			return err
		}
		files = append(files, outFile{o.chart, func(w io.Writer) error { return plan.WriteChart(w, upperFirst(about)) }})
	}
	if o.json != "" && o.json != "-" {
		if err := checkPlace(o.json); err != nil {
			return err
		}
		files = append(files, outFile{o.json, func(w io.Writer) error {
			e := json.NewEncoder(w)
			e.SetEscapeHTML(false)
			e.SetIndent("", " ")
			return e.Encode(doc)
		}})
	}
	if err := writeSet(ctx, files, o.force); err != nil {
		return err
	}
	if o.json == "-" {
		return writeJSON(ctx, u, "-", false, doc)
	}
	return u.print(func(w io.Writer) { showPlan(w, &o, plan, about) })
}

// asUsage turns what grading says of its parameters into words about the
// command line.
func asUsage(err error) error {
	if e, ok := errors.AsType[*grading.InputError](err); ok && errors.Is(err, grading.ErrParams) {
		return &usageError{what: e.What, hint: e.Hint}
	}
	return err
}

// chooseLimit sets the limit that the command line names and says what the
// plan is about.
func (o *planOptions) chooseLimit(u *ui) (about string, err error) {
	switch {
	case o.limit != 0:
		o.Limit = &standards.Limit{Bound: standards.AtMost, Value: o.limit, Unit: "%"}
		return fmt.Sprintf("deciding about at most %g %% broken", o.limit), nil
	case !o.given() && o.grade != "":
		return "", &usageError{what: "a grade without a standard", hint: "name it: --standard CODE or --contract FILE"}
	case !o.given():
		return fmt.Sprintf("%g %% broken, within %g points", o.ExpectPct, o.HalfWidthPct), nil
	case o.HalfWidthPct != 0:
		return "", &usageError{what: "both a half width and a limit", hint: "give --within, or the standard and grade to decide about"}
	}
	std, err := o.limits(u)
	if err != nil {
		return "", err
	}
	if o.grade == "" && len(std.Grades) == 1 {
		o.grade = std.Grades[0]
	}
	if o.grade == "" {
		return "", &usageError{what: "no grade given", hint: (&standards.UnknownGradeError{Grades: std.Grades}).Hint() + "; for example --grade '" + std.Grades[0] + "'"}
	}
	g, err := std.Grade(o.grade)
	if err != nil {
		return "", inStandardWords(err, "")
	}
	for _, l := range std.Limits(g) {
		if l.Factor == std.Broken() && l.Bound.Upper() {
			o.Limit = &l
			mark := ""
			if l.FromMemory {
				mark = " (from memory)"
			}
			return fmt.Sprintf("deciding about %s, %s: %s %s %g %%%s", std.Code, std.Grades[g], l.Factor.Name, l.Bound, l.Value, mark), nil
		}
	}
	return "", &usageError{what: fmt.Sprintf("%s sets no limit on broken kernels", std.Code), hint: "give the contract's limit: --limit PERCENT"}
}

// modelFrom takes the masses of kernels and pieces from a result of the grade
// command.
func modelFrom(path string) (grading.PieceModel, error) {
	fail := func(what, hint string) (grading.PieceModel, error) {
		return grading.PieceModel{}, &inputError{path: path, what: what, hint: hint}
	}
	data, err := readFile(path, 512<<20)
	if err != nil {
		return grading.PieceModel{}, inStandardWords(err, path)
	}
	var head struct {
		Schema string `json:"schema"`
	}
	const hint = "give the file that 'traytally grade ... --json FILE' wrote"
	if json.Unmarshal(data, &head) != nil || head.Schema != grading.Schema {
		return fail("is no result of a graded sample", hint)
	}
	var r grading.Result
	if json.Unmarshal(data, &r) != nil {
		return fail("is a damaged result of a graded sample", hint)
	}
	m, err := grading.PieceModelOf(&r)
	if err != nil {
		return fail(err.Error(), "plan from a larger sample, or leave out --from")
	}
	return m, nil
}

func showPlan(w io.Writer, o *planOptions, p *grading.Plan, about string) {
	fmt.Fprintln(w, plain(upperFirst(about)))
	fmt.Fprintln(w)
	item(w, "Look at", fmt.Sprintf("%d kernels: about %.0f g, %s of %d", p.Kernels, p.Grams, count(p.Trays, "tray", "trays"), o.KernelsPerTray))
	item(w, "Interval", fmt.Sprintf("± %.2g points (95 %%) at %g %% broken", p.HalfWidthPct, p.ExpectPct))
	masses := "a model: pieces spread evenly from 0.15 to 0.75 of a whole kernel"
	if p.Model.From == "sample" {
		masses = fmt.Sprintf("of the graded sample: a piece weighs %.2f of a whole kernel on average", p.Model.BrokenMean)
	}
	item(w, "Masses", fmt.Sprintf("%s; k = %.2f in u² = k·R·(1-R)/n", masses, p.K))
	if p.MethodU > 0 {
		item(w, "Method", fmt.Sprintf("%g points of standard uncertainty, however many kernels", p.MethodU))
	}
	if o.Limit == nil {
		fmt.Fprintln(w)
		paragraph(w, samplingNote)
		return
	}
	if p.LimitPct != o.Limit.Value {
		item(w, "Limit", fmt.Sprintf("turns at %g %%: the standard rounds figures first", p.LimitPct))
	}
	switch {
	case p.AcceptUpToPct != nil && p.RejectFromPct != nil:
		item(w, "Decision", fmt.Sprintf("found up to %s %%: supported; from %s %% on: contradicted; between: not proven", percent(*p.AcceptUpToPct), percent(*p.RejectFromPct)))
	case p.RejectFromPct != nil:
		item(w, "Decision", fmt.Sprintf("so few kernels never prove the limit kept, not even with none broken; from %s %% on: contradicted", percent(*p.RejectFromPct)))
	default:
		item(w, "Decision", "so few kernels prove nothing")
	}
	item(w, "If as expected", fmt.Sprintf("%.0f of 100 samples decide, rightly", 100*p.Power))
	item(w, "Risks", fmt.Sprintf("at most %g %% of supporting a lot beyond the limit, %g %% of contradicting one within it", round4(100*p.Risks.Consumer), round4(100*p.Risks.Producer)))
	fmt.Fprintln(w)
	t := newTable(w)
	t.AppendHeader(table.Row{"True broken %", "Supported %", "Not proven %", "Contradicted %"})
	for i, x := range p.OC {
		if (i+1)%grading.OCPerStep == 0 {
			t.AppendRow(table.Row{percent(x.TruePct), fmt.Sprintf("%.1f", 100*x.Supports), fmt.Sprintf("%.1f", 100*x.NotProven), fmt.Sprintf("%.1f", 100*x.Contradicts)})
		}
	}
	var right []table.ColumnConfig
	for n := 1; n <= 4; n++ {
		right = append(right, table.ColumnConfig{Number: n, Align: text.AlignRight, AlignHeader: text.AlignRight})
	}
	t.SetColumnConfigs(right)
	t.Render()
	fmt.Fprintln(w)
	if o.chart != "" {
		paragraph(w, "Chart: "+plain(o.chart))
	}
	paragraph(w, samplingNote)
}

const samplingNote = "This is the chance of which kernels are drawn. Poor mixing and dividing of the lot come on top: take increments from all over it, and spread several trays."
