package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
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
	maximise        string
	guard, dosing   float64
}

func newBlendCommand(u *ui) *cobra.Command {
	o := blendOptions{}
	cmd := &cobra.Command{
		Use:   "blend --stream NAME=SAMPLE --stream NAME=SAMPLE... [limits]",
		Short: "Plan how much of each stream to mix for a target grade",
		Long: `Finds the shares of two or more graded streams (head rice, large brokens, small
brokens ...) whose blend gains most, or holds most broken, and keeps every limit
at once. The gain is the price of the blend less what its streams would bring
by themselves: the cheapest mix that is still the grade.

The limits are those of a grade (--standard or --contract, with --grade), or
typed (--at-most, --at-least), or both. If no blend keeps them, it says which
limit forbids it and ends with exit code 12.

From every limit the plan keeps away by --guard times the blend's standard
uncertainty; at 1.645, 95 of 100 such blends keep a limit that the plan goes up
to. The doubt comes from the graded samples and from the dosing (--dosing).

A stream is NAME=SAMPLE, with the JSON that grade wrote, a picture or a
code of the register; or NAME:CODE=SHARE,CODE=SHARE with its figures typed by
the code of the limit.
Codes of a graded sample are broken, head, large_broken, medium_broken,
small_broken, chip and its flags; those of a standard: traytally standards show.

Streams must be judged by one whole-kernel length, or their broken shares are
not the same thing. --whole-length judges all graded ones by the length given;
a stream without whole kernels cannot tell it itself.

` + shareHelp,
		Example: `  traytally blend --stream head=head.json --stream brokens=brokens.json --at-most broken=5 --batch 5t
  traytally blend --stream head:broken=1.5±0.4 --stream brokens:broken=96±1 --at-most broken=10 --batch 2000kg
  traytally blend --stream a=a.json --stream b=b.json --standard trade --grade 5 --have b=800kg --value a=0.62 --value b=0.31 --price 0.60`,
		RunE: func(cmd *cobra.Command, _ []string) error { return runBlend(cmd.Context(), o, u) },
	}
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
	f.StringVar(&o.maximise, "maximise", "", "have most of this: `gain`, or the code of a share; gain where every stream has a --value, else broken")
	f.Float64Var(&o.guard, "guard", 1.645, "standard uncertainties to keep from every limit, a `NUMBER`; 0 for none")
	f.Float64Var(&o.dosing, "dosing", mill.DefaultDosingPct, "how well a mass put in is known, half width of its 95 % interval in `PERCENT`")
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
	Schema   string             `json:"schema"`
	Versions map[string]string  `json:"versions"`
	Standard string             `json:"standard"` // code, empty without one
	Edition  string             `json:"edition"`
	Grade    string             `json:"grade"`
	Inputs   []blendStreamInput `json:"inputs"`
	*mill.Blend
	NotPlanned []mill.NotPlanned `json:"not_planned"`
}

func runBlend(ctx context.Context, o blendOptions, u *ui) error {
	if err := o.output.check(); err != nil {
		return err
	}
	b := blendBuilder{o: &o, u: u, doc: blendDocument{
		Schema: "traytally.blend/1", Versions: map[string]string{"traytally": version}, NotPlanned: []mill.NotPlanned{},
	}}
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
	plan, err := mill.PlanBlend(b.options)
	if err != nil {
		return err
	}
	b.doc.Blend = plan
	for _, s := range b.options.Streams {
		b.doc.Inputs = append(b.doc.Inputs, blendStreamInput{s.Name, b.files[s.Name], s.Shares, s.ValuePerKg})
	}
	if err := u.answer(ctx, o.output, b.doc, func(w io.Writer) { showBlend(w, &b.doc) }); err != nil {
		return err
	}
	if len(plan.Bare) > 0 {
		u.warn("given without an interval, so no guard is kept for it: "+strings.Join(plan.Bare, "; "), "type it as 4.6±0.8, or give the graded sample")
	}
	if !plan.Feasible {
		return &answer{exitInfeasible}
	}
	if m := plan.Maximise; m != mill.ByGain && !b.limited(m) {
		u.warn(fmt.Sprintf("the blend has most %s, and no limit is on it", className(m)), "set one, --at-most "+m+"=5, or give each stream its --value")
	}
	return nil
}

// limited reports whether a limit is on the code.
func (b *blendBuilder) limited(code string) bool {
	return slices.ContainsFunc(b.options.Limits, func(l mill.Limit) bool { return l.Code == code })
}

// A blendBuilder gathers what the command line says of a blend.
type blendBuilder struct {
	o       *blendOptions
	u       *ui
	std     *standards.Standard
	index   int // of the grade
	options mill.BlendOptions
	doc     blendDocument
	files   map[string]string
	graded  []*mill.Graded
}

func (b *blendBuilder) build(ctx context.Context) error {
	if len(b.o.streams) < 2 {
		return usageError("a blend takes two streams or more", "--stream NAME=SAMPLE, once for each")
	}
	if err := b.limits(); err != nil {
		return err
	}
	b.files = map[string]string{}
	for _, s := range b.o.streams {
		if err := b.stream(ctx, s); err != nil {
			return err
		}
	}
	if err := b.plannable(); err != nil {
		return err
	}
	if err := b.perStream("--have", b.o.have, func(s *mill.Stream, text string) error {
		m, err := mill.ParseMass(text)
		kg := m.Value / 1000
		s.HaveKg = &kg
		return inFlag(err, "have")
	}); err != nil {
		return err
	}
	if err := b.perStream("--value", b.o.values, func(s *mill.Stream, text string) error {
		v, err := money("value", text, "--value head=0.62")
		s.ValuePerKg = v
		return err
	}); err != nil {
		return err
	}
	if b.o.price != "" {
		var err error
		if b.options.PricePerKg, err = money("price", b.o.price, "--price 0.60"); err != nil {
			return err
		}
	}
	batch, err := mill.ParseMass(b.o.batch)
	if err != nil {
		return inFlag(err, "batch")
	}
	b.options.BatchKg, b.options.Guard, b.options.DosingPct = batch.Value/1000, b.o.guard, b.o.dosing
	b.options.Maximise = b.o.maximise
	if b.options.Maximise == "" {
		b.options.Maximise = b.objective()
	}
	return nil
}

// limits gathers the limits of the grade, then the typed ones.
func (b *blendBuilder) limits() error {
	if b.o.grade != "" && !b.o.given() {
		return usageError("a grade without a standard", "name it: --standard CODE or --contract FILE")
	}
	if b.o.given() {
		std, _, err := b.o.standardFlags.limits()
		if err != nil {
			return err
		}
		if b.o.grade == "" && len(std.Grades) == 1 {
			b.o.grade = std.Grades[0]
		}
		if b.o.grade == "" {
			return usageError("no target grade given", "--grade with one of: "+strings.Join(std.Grades, ", "))
		}
		g, err := std.Grade(b.o.grade)
		if err != nil {
			return inStandardWords(err, "")
		}
		b.std, b.index = std, g
		b.doc.Standard, b.doc.Edition, b.doc.Grade = std.Code, std.Edition, std.Grades[g]
		b.options.Limits, b.doc.NotPlanned = mill.StandardLimits(std, g)
	}
	if err := b.leaveOut(); err != nil {
		return err
	}
	for _, side := range []struct {
		flag    string
		typed   []string
		atLeast bool
	}{{"at-most", b.o.atMost, false}, {"at-least", b.o.atLeast, true}} {
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
			b.options.Limits = append(b.options.Limits, mill.Limit{Code: code, Label: className(code), AtLeast: side.atLeast, Value: f.Value, Unit: "%"})
		}
	}
	if len(b.options.Limits) == 0 {
		return usageError("no limit to keep", "--at-most broken=5, or --standard CODE --grade GRADE")
	}
	return nil
}

// leaveOut takes limits of the grade out of the plan.
func (b *blendBuilder) leaveOut() error {
	for _, code := range b.o.leaveOut {
		n := len(b.options.Limits)
		b.options.Limits = slices.DeleteFunc(b.options.Limits, func(l mill.Limit) bool {
			if l.Code == code {
				b.doc.NotPlanned = append(b.doc.NotPlanned, mill.NotPlanned{What: l.Label, Why: "left out (--leave-out)"})
			}
			return l.Code == code
		})
		if len(b.options.Limits) == n {
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
			if !b.known(code) {
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
		b.options.Streams = append(b.options.Streams, out)
		return nil
	}
	g, err := b.o.read(ctx, b.u, rest)
	if err != nil {
		return err
	}
	if b.o.wholeLength > 0 {
		if err := g.AtLength(b.o.wholeLength); err != nil {
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
	b.graded = append(b.graded, g)
	b.options.Streams = append(b.options.Streams, out)
	return nil
}

// codes lists what limits, or the objective, are on.
func (b *blendBuilder) codes() []string {
	var out []string
	for _, l := range b.options.Limits {
		if !slices.Contains(out, l.Code) {
			out = append(out, l.Code)
		}
	}
	if m := b.o.maximise; m != "" && m != mill.ByGain && !slices.Contains(out, m) {
		out = append(out, m)
	}
	return out
}

func (b *blendBuilder) known(code string) bool { return slices.Contains(b.codes(), code) }

// plannable leaves limits of the standard out that not every stream has a
// figure for, all but the one on broken kernels.
func (b *blendBuilder) plannable() error {
	b.options.Limits = slices.DeleteFunc(b.options.Limits, func(l mill.Limit) bool {
		if b.std == nil || b.std.Factor(l.Code) == nil || b.std.Factor(l.Code) == b.std.Broken() {
			return false
		}
		var without []string
		for _, s := range b.options.Streams {
			if _, ok := s.Shares[l.Code]; !ok {
				without = append(without, s.Name)
			}
		}
		if len(without) > 0 {
			b.doc.NotPlanned = append(b.doc.NotPlanned, mill.NotPlanned{What: l.Label, Why: "no figure for " + strings.Join(without, ", ")})
		}
		return len(without) > 0
	})
	if len(b.options.Limits) == 0 {
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
		i := slices.IndexFunc(b.options.Streams, func(s mill.Stream) bool { return s.Name == name })
		switch {
		case i < 0:
			var names []string
			for _, s := range b.options.Streams {
				names = append(names, s.Name)
			}
			return usageError(fmt.Sprintf("%s: there is no stream %q", flag, name), "streams: "+strings.Join(names, ", "))
		case seen[name]:
			return usageError(fmt.Sprintf("%s is given twice for %s", flag, name), "give it once")
		}
		seen[name] = true
		if err := set(&b.options.Streams[i], text); err != nil {
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
	for _, s := range b.options.Streams {
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
		if !slices.ContainsFunc(b.options.Streams, without) {
			return code
		}
	}
	return b.options.Limits[0].Code
}

func showBlend(w io.Writer, d *blendDocument) {
	b := d.Blend
	target := "the limits typed"
	if d.Grade != "" {
		target = fmt.Sprintf("%s, %s", d.Standard, d.Grade)
	}
	if !b.Feasible {
		fmt.Fprintf(w, "NO BLEND of these streams keeps %s.\n", plain(target))
		showConflicts(w, b)
		showNotPlanned(w, d.NotPlanned)
		return
	}
	fmt.Fprintf(w, "Blend for %s: %s kg\n\n", plain(target), strconv.FormatFloat(b.BatchKg, 'f', -1, 64))
	stock := slices.ContainsFunc(b.Streams, func(s mill.BlendStream) bool { return s.HaveKg != nil })
	header := table.Row{"Stream", "Share %", "kg", "Bears more kg", "Bears less kg"}
	if stock {
		header = append(header, "In stock kg")
	}
	t := newTable(w, header, 2, 3, 4, 5, 6)
	for _, s := range b.Streams {
		row := table.Row{shorten(s.Name, 24), number(s.SharePct, 2), number(s.MassKg, decimalsOf(b.StepKg)), "any", "any"}
		if s.MoreKg != nil {
			row[3] = kilograms(*s.MoreKg)
		}
		if s.LessKg != nil {
			row[4] = kilograms(*s.LessKg)
		}
		if s.MassKg == 0 {
			row[4] = ""
		}
		if s.HaveKg != nil {
			row = append(row, kilograms(*s.HaveKg))
		}
		t.AppendRow(row)
	}
	render(w, t)

	t = newTable(w, table.Row{"Limit", "Allowed", "Blend %", "95 % interval", "Guarded", "Risk"}, 3, 4, 5, 6)
	var binding, notes []string
	for i := range b.Lines {
		l := &b.Lines[i]
		risk := "-"
		if l.BeyondPct != nil {
			risk = beyondText(*l.BeyondPct)
		}
		t.AppendRow(table.Row{shorten(l.Label, 24), allowed(&l.Limit), number(l.Blend.Value, 2), ends(l.Blend, 2), number(l.Guarded, 2), risk})
		if l.Binding {
			binding = append(binding, l.Limit.String())
		}
		if l.Note != "" {
			notes = append(notes, l.Label+": "+l.Note)
		}
	}
	render(w, t)

	most := fmt.Sprintf("The blend with most %s", className(b.Maximise))
	if b.Maximise == mill.ByGain {
		most = "The blend that gains most"
	}
	for _, s := range b.Streams {
		if s.HaveKg != nil && s.MassKg > *s.HaveKg-1e-3 {
			binding = append(binding, "the stock of "+s.Name)
		}
	}
	if len(binding) > 0 {
		most += "; it goes as far as these limits let it: " + strings.Join(binding, "; ")
	} else {
		most += "; no limit stops it"
	}
	paragraph(w, plain(most)+".")
	if b.WorthPerKg != nil {
		s := fmt.Sprintf("Its streams would bring %s per kg by themselves", number(*b.WorthPerKg, 4))
		if b.GainPerKg != nil {
			what, gain := "gains", *b.GainPerKg
			if gain < 0 {
				what, gain = "LOSES", -gain
			}
			s += fmt.Sprintf("; at the price given the blend %s %s per kg, %s on the batch", what, number(gain, 4), number(gain*b.BatchKg, 2))
		}
		paragraph(w, s+".")
	}
	if b.Guard > 0 {
		paragraph(w, fmt.Sprintf("Guard: every limit is kept with %s standard uncertainties to spare, the samples' doubt and dosing to ± %g %% counted (Guarded). Risk is the chance that the blend is beyond the limit all the same.", number(b.Guard, 3), b.DosingPct))
	} else {
		paragraph(w, "No guard: a blend at its limit is beyond it in half of all cases. Risk is the chance of that.")
	}
	paragraph(w, "\"Bears more\" and \"bears less\" tell by how much one stream alone may run over or short until the blend's own figures, without guard, reach a limit.")
	for _, n := range notes {
		paragraph(w, plain(n)+".")
	}
	showNotPlanned(w, d.NotPlanned)
	fmt.Fprintln(w)
	paragraph(w, "Grade a sample of the finished blend before it is sold: streams are never mixed as evenly as figures are. "+caution)
}

func showConflicts(w io.Writer, b *mill.Blend) {
	if !b.Single {
		fmt.Fprintln(w, "These cannot hold together, though any one fewer could:")
	}
	fmt.Fprintln(w)
	header := table.Row{"Forbidden by", "Best reached", "With guard"}
	if !b.Single {
		header[1] = "With the others kept"
	}
	t := newTable(w, header, 2, 3)
	guardOnly, byFigures := false, false
	for _, c := range b.Conflicts {
		row := table.Row{text.WrapSoft(plain(c.What), 44), "", ""}
		if c.Best != nil {
			row[1], row[2] = number(*c.Best, 2)+" "+c.Unit, number(*c.BestGuarded, 2)+" "+c.Unit
			// The guard moves a figure towards its limit, and here over it.
			if (*c.Best-*c.Limit)*(*c.BestGuarded-*c.Limit) < 0 {
				guardOnly = true
			} else {
				byFigures = true
			}
		}
		t.AppendRow(row)
	}
	render(w, t)
	if b.Single && guardOnly {
		what := "The figures alone would keep it, only the guard would not: "
		if byFigures || len(b.Conflicts) > 1 {
			what = "Where the best figure is within the limit, only the guard forbids it: "
		}
		paragraph(w, what+"more rice in the samples narrows it; --guard takes a greater risk; --leave-out leaves a limit to the finished blend.")
	}
	if byFigures || !b.Single {
		paragraph(w, "Add a better stream, or ask for another grade.")
	}
	fmt.Fprintln(w)
}

func showNotPlanned(w io.Writer, not []mill.NotPlanned) {
	if len(not) == 0 {
		return
	}
	fmt.Fprintln(w, "Not planned for; judge the blend itself:")
	for _, n := range not {
		item(w, n.What, n.Why)
	}
}

// allowed writes a limit for a narrow column.
func allowed(l *mill.Limit) string {
	word := "max"
	switch {
	case l.AtLeast && l.Strict:
		word = "over"
	case l.AtLeast:
		word = "min"
	case l.Strict:
		word = "under"
	}
	return fmt.Sprintf("%s %g", word, l.Value)
}

// decimalsOf returns how many decimals multiples of a power of ten have.
func decimalsOf(step float64) int { return max(0, -int(math.Round(math.Log10(step)))) }

// kilograms writes a mass in kg with decimals to its size.
func kilograms(v float64) string {
	if v >= 999.95 {
		return number(v, 0)
	}
	return number(v, 1)
}

// shorten cuts s to at most n characters.
func shorten(s string, n int) string {
	r := []rune(plain(s))
	if len(r) <= n {
		return string(r)
	}
	return strings.TrimRight(string(r[:n-1]), " ,") + "…"
}

// beyondText writes a chance in percent.
func beyondText(p float64) string {
	switch {
	case p < 0.05:
		return "<0.1 %"
	case p > 99.95:
		return ">99.9 %"
	}
	return number(p, 1) + " %"
}
