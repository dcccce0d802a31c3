package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"traytally/grading/mill"
	"traytally/grading/standards"
)

// exitInfeasible ends a blend that no shares of the streams can make.
const exitInfeasible = 12

// blendOptions are the flags of the blend command, as typed.
type blendOptions struct {
	sampleFlags
	streams         []string
	atMost, atLeast []string
	leaveOut        []string
	grade           string
	values, have    []string
	price           string
	batch           string
	plan            mill.BlendOptions
}

func newBlendCommand(u *ui) *cobra.Command {
	o := blendOptions{}
	cmd := newCommand("blend", noArgs, func(ctx context.Context, _ []string) error { return runBlend(ctx, o, u) })
	f := cmd.Flags()
	f.StringArrayVar(&o.streams, "stream", nil, "`NAME=SAMPLE` or NAME:CODE=SHARE,...; once for each stream")
	f.StringArrayVar(&o.atMost, "at-most", nil, "upper limit `CODE=PERCENT`; may be repeated")
	f.StringArrayVar(&o.atLeast, "at-least", nil, "lower limit `CODE=PERCENT`; may be repeated")
	f.StringVar(&o.standard, "standard", "", "keep the limits of the standard with this `CODE`")
	f.StringVar(&o.contract, "contract", "", "keep the limits of the contract in `FILE`")
	f.StringVar(&o.grade, "grade", "", "the target `GRADE` of that standard or contract")
	f.StringSliceVar(&o.leaveOut, "leave-out", nil, "do not plan for these limits of the grade, by their `CODES`")
	f.StringArrayVar(&o.values, "value", nil, "what a kilogram of a stream brings sold by itself, `NAME=MONEY`")
	f.StringVar(&o.price, "price", "", "what a kilogram of the blend sells for, in the same `MONEY`")
	f.StringArrayVar(&o.have, "have", nil, "how much of a stream there is, `NAME=MASS`")
	f.StringVar(&o.batch, "batch", "1000kg", "`MASS` of the whole blend")
	f.StringVar(&o.plan.Maximise, "maximise", "", "have most of this: `gain`, or the code of a share; gain where every stream has a --value, else broken")
	f.Float64Var(&o.plan.Guard, "guard", 1.645, "standard uncertainties to keep from every limit, a `NUMBER`; 0 for none")
	f.Float64Var(&o.plan.DosingPct, "dosing", mill.DefaultDosingPct, "how well a mass put in is known, half width of its 95 % interval in `PERCENT`")
	o.addSampleFlags(cmd)
	o.addJSON(f)
	return cmd
}

// A blendStreamInput is one stream as it was given.
type blendStreamInput struct {
	Stream     string                 `json:"stream"`
	Sample     string                 `json:"sample"` // file, empty where typed
	Figures    map[string]mill.Figure `json:"figures"`
	ValuePerKg *float64               `json:"value_per_kg"`
}

// A blendDocument is the JSON that the blend command writes.
type blendDocument struct {
	head
	Standard string             `json:"standard"` // code, empty without one
	Edition  string             `json:"edition"`
	Grade    string             `json:"grade"`
	Inputs   []blendStreamInput `json:"inputs"`
	*mill.Blend
	NotPlanned []mill.NotPlanned `json:"not_planned"`
}

func runBlend(ctx context.Context, o blendOptions, u *ui) error {
	b := blendBuilder{blendOptions: o, u: u, files: map[string]string{}, doc: blendDocument{head: headOf("blend"), NotPlanned: []mill.NotPlanned{}}}
	if err := b.build(ctx); err != nil {
		return err
	}
	if err := mill.Independent(b.graded); err != nil {
		return err
	}
	if doubt := mill.Alike(b.graded); doubt != "" {
		hint := "judge them all by one length: --whole-length MM"
		if o.wholeLength > 0 {
			hint = "grade them all under the same standard"
		}
		return usageError(doubt, hint)
	}
	plan, err := mill.PlanBlend(b.plan)
	if err != nil {
		return err
	}
	b.doc.Blend = plan
	for _, s := range b.plan.Streams {
		b.doc.Inputs = append(b.doc.Inputs, blendStreamInput{s.Name, b.files[s.Name], s.Shares, s.ValuePerKg})
	}
	if err := u.answer(ctx, o.output, b.doc, func(w io.Writer) { showBlend(w, &b.doc) }); err != nil {
		return err
	}
	if len(plan.Bare) > 0 {
		u.warn("given without an interval, so no guard is kept for it: "+strings.Join(plan.Bare, "; "), "type it as 4.6±0.8, or give the graded sample")
	}
	limited := func(l mill.Limit) bool { return l.Code == plan.Maximise }
	if m := plan.Maximise; plan.Feasible && m != mill.ByGain && !slices.ContainsFunc(b.plan.Limits, limited) {
		u.warn(fmt.Sprintf("the blend has most %s, and no limit is on it", className(m)), "set one, --at-most "+m+"=5, or give each stream its --value")
	}
	return endWith(nil, exitInfeasible, !plan.Feasible)
}

// A blendBuilder gathers what the command line says of a blend.
type blendBuilder struct {
	blendOptions
	u     *ui
	std   *standards.Standard
	index int // of the grade
	doc   blendDocument
	files map[string]string
}

func (b *blendBuilder) build(ctx context.Context) error {
	if len(b.streams) < 2 {
		return usageError("a blend takes two streams or more", "--stream NAME=SAMPLE, once for each")
	}
	if err := b.limits(); err != nil {
		return err
	}
	for _, s := range b.streams {
		if err := b.stream(ctx, s); err != nil {
			return err
		}
	}
	if err := b.plannable(); err != nil {
		return err
	}
	if err := b.perStream("--have", b.have, func(s *mill.Stream, text string) error {
		m, err := mill.ParseMass(text)
		kg := m.Value / 1000
		s.HaveKg = &kg
		return inFlag(err, "have")
	}); err != nil {
		return err
	}
	if err := b.perStream("--value", b.values, func(s *mill.Stream, text string) error {
		v, err := money("value", text, "--value head=0.62")
		s.ValuePerKg = v
		return err
	}); err != nil {
		return err
	}
	if b.price != "" {
		var err error
		if b.plan.PricePerKg, err = money("price", b.price, "--price 0.60"); err != nil {
			return err
		}
	}
	batch, err := mill.ParseMass(b.batch)
	if err != nil {
		return inFlag(err, "batch")
	}
	b.plan.BatchKg = batch.Value / 1000
	if b.plan.Maximise == "" {
		b.plan.Maximise = b.objective()
	}
	return nil
}

// limits gathers the limits of the grade, then the typed ones.
func (b *blendBuilder) limits() error {
	if b.grade != "" && !b.given() {
		return usageError("a grade without a standard", "name it: --standard CODE or --contract FILE")
	}
	if b.given() {
		std, _, err := b.standardFlags.limits()
		if err != nil {
			return err
		}
		g, err := gradeOf(std, b.grade, usageError("no target grade given", "--grade with one of: "+strings.Join(std.Grades, ", ")))
		if err != nil {
			return err
		}
		b.std, b.index = std, g
		b.doc.Standard, b.doc.Edition, b.doc.Grade = std.Code, std.Edition, std.Grades[g]
		b.plan.Limits, b.doc.NotPlanned = mill.StandardLimits(std, g)
	}
	if err := b.without(); err != nil {
		return err
	}
	for _, side := range []struct {
		flag    string
		typed   []string
		atLeast bool
	}{{"at-most", b.atMost, false}, {"at-least", b.atLeast, true}} {
		for _, s := range side.typed {
			code, text, err := oneName("--"+side.flag, s, "--"+side.flag+" broken=5")
			if err != nil {
				return err
			}
			f, err := mill.ParseShare(text)
			if err != nil {
				return inFlag(err, side.flag)
			}
			if !f.Bare {
				return usageError(fmt.Sprintf("--%s %q: a limit has no ±", side.flag, s), "the guard keeps away from it: --guard")
			}
			b.plan.Limits = append(b.plan.Limits, mill.Limit{Code: code, Label: className(code), AtLeast: side.atLeast, Value: f.Value, Unit: "%"})
		}
	}
	if len(b.plan.Limits) == 0 {
		return usageError("no limit to keep", "--at-most broken=5, or --standard CODE --grade GRADE")
	}
	return nil
}

// without takes limits of the grade out of the plan.
func (b *blendBuilder) without() error {
	for _, code := range b.leaveOut {
		n := len(b.plan.Limits)
		b.plan.Limits = slices.DeleteFunc(b.plan.Limits, func(l mill.Limit) bool {
			if l.Code == code {
				b.doc.NotPlanned = append(b.doc.NotPlanned, mill.NotPlanned{What: l.Label, Why: "left out (--leave-out)"})
			}
			return l.Code == code
		})
		if len(b.plan.Limits) == n {
			return usageError(fmt.Sprintf("--leave-out: the grade has no limit on %q to plan for", code), join(": ", "its limits", strings.Join(b.codes(), ", ")))
		}
	}
	return nil
}

// stream adds one stream.
func (b *blendBuilder) stream(ctx context.Context, s string) error {
	i := strings.IndexAny(s, "=:")
	if i <= 0 || i == len(s)-1 {
		return usageError(fmt.Sprintf("--stream %q is neither NAME=SAMPLE nor NAME:CODE=SHARE", s), "for example --stream head=head.json or --stream head:broken=1.5±0.4")
	}
	name, rest := strings.TrimSpace(s[:i]), s[i+1:]
	out := mill.Stream{Name: name, Shares: map[string]mill.Figure{}}
	if s[i] == ':' {
		for part := range strings.SplitSeq(rest, ",") {
			code, text, err := oneName("figure of --stream "+name+":", part, "--stream head:broken=1.5±0.4,chip=0.1% (decimal point, comma between)")
			if err != nil {
				return err
			}
			if out.Shares[code], err = mill.ParseShare(text); err != nil {
				return inFlag(err, "stream "+name+":"+code)
			}
			if !slices.Contains(b.codes(), code) {
				return usageError(fmt.Sprintf("--stream %s: there is no limit on %q", name, code), "limits are on: "+strings.Join(b.codes(), ", "))
			}
		}
		// A code of the standard is what the standard says it is, not ours.
		ours := map[string]mill.Figure{}
		for code, f := range out.Shares {
			if b.std == nil || b.std.Factor(code) == nil {
				ours[code] = f
			}
		}
		if err := mill.CheckSums(name, ours); err != nil {
			return err
		}
		b.plan.Streams = append(b.plan.Streams, out)
		return nil
	}
	g, err := b.read(ctx, b.u, rest)
	if err != nil {
		return err
	}
	if b.wholeLength > 0 {
		if err := g.AtLength(b.wholeLength); err != nil {
			return asInput(err, rest)
		}
	}
	if b.std != nil {
		figures, err := g.Standard(b.std, b.index)
		if err != nil {
			return asInput(err, rest)
		}
		out.Shares = figures
	}
	for _, code := range b.codes() {
		if _, ok := out.Shares[code]; ok || b.std != nil && b.std.Factor(code) != nil {
			continue
		}
		f, ok := g.Figure(code)
		if !ok {
			return usageError(fmt.Sprintf("stream %s has no share %q", name, code), "its shares: "+strings.Join(g.Codes(), ", "))
		}
		out.Shares[code] = f
	}
	if _, ok := out.Shares["broken"]; !ok {
		out.Shares["broken"] = g.Broken // to have most of, where no limit is on it
	}
	b.files[name] = rest
	b.plan.Streams = append(b.plan.Streams, out)
	return nil
}

// codes lists what limits, or the objective, are on.
func (b *blendBuilder) codes() []string {
	var out []string
	for _, l := range b.plan.Limits {
		if !slices.Contains(out, l.Code) {
			out = append(out, l.Code)
		}
	}
	if m := b.plan.Maximise; m != "" && m != mill.ByGain && !slices.Contains(out, m) {
		out = append(out, m)
	}
	return out
}

// plannable leaves limits of the standard out that not every stream has a
// figure for, all but the one on broken kernels.
func (b *blendBuilder) plannable() error {
	b.plan.Limits = slices.DeleteFunc(b.plan.Limits, func(l mill.Limit) bool {
		if b.std == nil || b.std.Factor(l.Code) == nil || b.std.Factor(l.Code) == b.std.Broken() {
			return false
		}
		var without []string
		for _, s := range b.plan.Streams {
			if _, ok := s.Shares[l.Code]; !ok {
				without = append(without, s.Name)
			}
		}
		if len(without) > 0 {
			b.doc.NotPlanned = append(b.doc.NotPlanned, mill.NotPlanned{What: l.Label, Why: "no figure for " + strings.Join(without, ", ")})
		}
		return len(without) > 0
	})
	if len(b.plan.Limits) == 0 {
		return usageError("the grade sets no limit that a blend can be planned for", "add one: --at-most broken=5")
	}
	return nil
}

// perStream gives each NAME=TEXT to its stream.
func (b *blendBuilder) perStream(flag string, typed []string, set func(*mill.Stream, string) error) error {
	seen := map[string]bool{}
	for _, s := range typed {
		name, text, err := oneName(flag, s, flag+" head=...")
		if err != nil {
			return err
		}
		i := slices.IndexFunc(b.plan.Streams, func(s mill.Stream) bool { return s.Name == name })
		switch {
		case i < 0:
			var names []string
			for _, s := range b.plan.Streams {
				names = append(names, s.Name)
			}
			return usageError(fmt.Sprintf("%s: there is no stream %q", flag, name), "streams: "+strings.Join(names, ", "))
		case seen[name]:
			return usageError(fmt.Sprintf("%s is given twice for %s", flag, name), "give it once")
		}
		seen[name] = true
		if err := set(&b.plan.Streams[i], text); err != nil {
			return err
		}
	}
	return nil
}

// money reads a sum per kg.
func money(flag, text, example string) (*float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, usageError(fmt.Sprintf("--%s: %q is no sum of money", flag, text), "a number with a decimal point, for example "+example)
	}
	return &v, nil
}

// objective is what to have most of where nothing was said.
func (b *blendBuilder) objective() string {
	valued := true
	for _, s := range b.plan.Streams {
		valued = valued && s.ValuePerKg != nil
	}
	if valued {
		return mill.ByGain
	}
	var codes []string
	if b.std != nil && b.std.Broken() != nil {
		codes = append(codes, b.std.Broken().Code)
	}
	for _, code := range append(codes, "broken") {
		without := func(s mill.Stream) bool { _, ok := s.Shares[code]; return !ok }
		if !slices.ContainsFunc(b.plan.Streams, without) {
			return code
		}
	}
	return b.plan.Limits[0].Code
}
