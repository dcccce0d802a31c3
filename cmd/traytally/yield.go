package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading/mill"
)

// yieldOptions are the flags of the yield command, as typed.
type yieldOptions struct {
	sampleFlags
	in      mill.YieldInput
	weighed []weighedFraction
	sample  string
	prices  []string // FRACTION=MONEY
	against string   // an earlier yield.json
}

// A weighedFraction is one that is weighed with a moisture.
type weighedFraction struct {
	name, what     string
	mass, moisture *mill.Figure
	to             **mill.Weighing
}

func newYieldCommand(u *ui) *cobra.Command {
	o := &yieldOptions{}
	cmd := newCommand("yield", noArgs, func(ctx context.Context, _ []string) error { return runYield(ctx, o, u) })
	f := cmd.Flags()
	f.SortFlags = false
	in := &o.in
	o.weighed = []weighedFraction{
		{name: "paddy", what: "the cleaned paddy", to: &in.Paddy},
		{name: "husked", what: "the husked rice", to: &in.Husked},
		{name: "milled", what: "all milled rice, head rice and brokens", to: &in.Milled},
		{name: "husk", what: "the husk", to: &in.Husk},
		{name: "bran", what: "the bran", to: &in.Bran},
	}
	for i := range o.weighed {
		x := &o.weighed[i]
		figureVar(f, &x.mass, mill.ParseMass, x.name, "`MASS` of "+x.what)
		figureVar(f, &x.moisture, mill.ParseMoisture, x.name+"-moisture", "its moisture in `PERCENT` of the mass as weighed")
	}
	figureVar(f, &in.HeadMass, mill.ParsePart, "head", "`MASS` of the head rice separated from the milled rice")
	figureVar(f, &in.BrokenMass, mill.ParsePart, "brokens", "`MASS` of the brokens separated from the milled rice")
	f.StringVar(&o.sample, "sample", "", "graded sample of the milled rice: the JSON of grade or a picture in `FILE`, or a code of the register")
	figureVar(f, &in.BrokenShare, mill.ParseShare, "broken", "its broken `SHARE` typed instead: 24.5±1.8")
	f.Float64Var(&in.BasisPct, "basis", mill.DefaultBasisPct, "moisture in `PERCENT` that masses are shown at")
	f.StringVar(&in.Mill, "mill", "laboratory", "`KIND` of mill whose usual yields stand beside: "+strings.Join(mill.MillTypeCodes(), ", "))
	f.StringArrayVar(&o.prices, "price", nil, "`FRACTION=MONEY` per kg, of: "+strings.Join(mill.PricedFractions, ", ")+"; may be repeated")
	f.StringVar(&o.against, "against", "", "compare with an earlier run, the JSON in `FILE`: shift against shift")
	o.addSampleFlags(cmd)
	o.addJSON(f)
	return cmd
}

func runYield(ctx context.Context, o *yieldOptions, u *ui) error {
	in := &o.in
	if o.sample != "" && in.BrokenShare != nil {
		return usageError("--sample and --broken exclude each other", "give one of them")
	}
	for _, x := range o.weighed {
		if x.mass == nil && x.moisture != nil {
			return usageError(fmt.Sprintf("--%s-moisture without --%[1]s", x.name), "give the mass too")
		}
		if x.mass != nil {
			*x.to = &mill.Weighing{Mass: *x.mass, Moisture: x.moisture}
		}
	}
	var cut *float64
	if o.sample != "" {
		sample, err := o.read(ctx, u, o.sample)
		if err != nil {
			return err
		}
		in.BrokenShare, cut = &sample.Broken, &sample.Cut
	}
	y, err := mill.ComputeYield(*in)
	if err != nil {
		return err
	}
	doc := yieldDocument{head: headOf("yield"), Graded: in.BrokenShare, Sample: o.sample, Cut: cut, Yield: y}
	if len(o.prices) > 0 {
		prices := map[string]float64{}
		for _, p := range o.prices {
			name, value, err := oneName("--price", p, "head=0.55")
			if err != nil {
				return err
			}
			f, err := mill.ParseFigure(value)
			if err != nil {
				return inFlag(err, "price")
			}
			prices[name] = f.Value
		}
		if doc.Worth, err = y.WorthOf(prices); err != nil {
			return inFlag(err, "price")
		}
	}
	var now []runFigure
	for _, code := range []string{"head_rice_yield", "milling_recovery", "hulling_yield", "bran_removed", "head_rice_content"} {
		if i := slices.IndexFunc(y.Ratios, func(r mill.YieldRatio) bool { return r.Code == code }); i >= 0 {
			now = append(now, runFigure{Code: code, Name: y.Ratios[i].Name, Value: &y.Ratios[i].Value})
		}
	}
	if doc.Against, err = against(o.against, doc.Schema, now); err != nil {
		return err
	}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) {
		showAgainst(w, o.against, doc.Against)
		showYield(w, &doc)
	}); err != nil {
		return err
	}
	if !y.DryMatter {
		u.warn("no moistures given: masses are compared as weighed, and a point of moisture lost in the mill reads as yield lost", "add --paddy-moisture and the others")
	}
	for _, d := range y.Doubts {
		u.warn(d, "a mass needs its own unit, g, kg or t")
	}
	if in.BrokenShare != nil && in.BrokenShare.Bare {
		u.warn("the broken share has no interval, so what rests on it has none", "give it as 24.5±1.8, or give the graded sample: --sample FILE")
	}
	return nil
}

// A yieldDocument is the JSON that the yield command writes.
type yieldDocument struct {
	head
	Sample string       `json:"sample"`            // file, empty where typed
	Graded *mill.Figure `json:"graded_broken_pct"` // of the milled rice
	Cut    *float64     `json:"cut"`               // fraction of the whole length from which the sample's pieces are head rice
	*mill.Yield
	Worth   *mill.Worth     `json:"worth"`   // null without prices
	Against []runDifference `json:"against"` // null without an earlier run
}

func showYield(w io.Writer, d *yieldDocument) {
	y := d.Yield
	if i := slices.IndexFunc(y.Ratios, func(r mill.YieldRatio) bool { return r.Code == "head_rice_yield" }); i >= 0 {
		f := y.Ratios[i].Value
		s := fmt.Sprintf("Head rice yield: %s %% of the paddy", number(f.Value, 2))
		if !f.Bare {
			s += fmt.Sprintf(", 95 %% interval %s %%", ends(f, 2))
		}
		fmt.Fprintln(w, s)
	}
	if y.DryMatter {
		paragraph(w, fmt.Sprintf("Dry matter compared; masses shown at %s %% moisture.", number(*y.BasisPct, 1)))
	} else {
		paragraph(w, "Masses compared as weighed, no moisture known.")
	}
	if x := d.Worth; x != nil && x.Margin != nil {
		paragraph(w, fmt.Sprintf("Left after the paddy: %s, 95 %% interval %s.", number(x.Margin.Value, 2), ends(*x.Margin, 2)))
	}
	fmt.Fprintln(w)

	most := 0.0
	for _, m := range y.Masses {
		most = max(most, m.Weighed.Value)
	}
	unit := mill.UnitFor(most)
	grams := func(v float64) string { return massText(v / unit.Grams) }
	header := table.Row{"Fraction", "Weighed " + unit.Name, "±"}
	if y.DryMatter {
		header = append(header, "Moisture %", "±", fmt.Sprintf("At %s %% %s", number(*y.BasisPct, 1), unit.Name), "±")
	}
	t := newTable(w, header, 2, 3, 4, 5, 6, 7)
	for _, m := range y.Masses {
		name := m.Fraction
		if m.From != "" {
			name += " (" + m.From + ")"
		}
		row := table.Row{name, grams(m.Weighed.Value), half(m.Weighed, grams)}
		if y.DryMatter && m.Moisture != nil {
			row = append(row, number(m.Moisture.Value, 1), half(*m.Moisture, func(v float64) string { return number(v, 1) }),
				grams(m.OnBasis.Value), half(*m.OnBasis, grams))
		}
		t.AppendRow(row)
	}
	render(w, t)

	header = table.Row{"Result", "Of", "%", "95 % interval", "Usual"}
	if y.DryMatter {
		header = append(header, "Weighed")
	}
	t = newTable(w, header, 3, 4, 6)
	for _, r := range y.Ratios {
		row := table.Row{r.Name, strings.TrimSuffix(r.Of, " rice"), number(r.Value.Value, 2), ends(r.Value, 2), usualText(r)}
		if y.DryMatter {
			row = append(row, number(r.AsWeighed.Value, 2))
		}
		t.AppendRow(row)
	}
	render(w, t)

	for _, b := range y.Balances {
		paragraph(w, balanceText(b, y.DryMatter, unit))
	}
	if y.GradedAgrees != nil {
		told := "does NOT agree with the weighing: it may not be of this rice, or the separation left pieces in."
		if *y.GradedAgrees {
			told = "agrees with the weighing."
		}
		paragraph(w, fmt.Sprintf("The graded sample (%s %% broken, %s) %s", number(d.Graded.Value, 2), ends(*d.Graded, 2), told))
	}
	for _, m := range y.Missing {
		paragraph(w, "Not assessed: "+m.What+": "+m.Why+".")
	}
	if len(y.Balances) > 0 || y.GradedAgrees != nil || len(y.Missing) > 0 {
		fmt.Fprintln(w)
	}
	if d.Worth != nil {
		showWorth(w, d.Worth)
	}
	fmt.Fprintln(w, "Formulas")
	for _, r := range y.Ratios {
		item(w, r.Name, r.Formula)
	}
	fmt.Fprintln(w, "Usual ranges")
	for _, s := range usualSources(y) {
		item(w, s[0], s[1])
	}
	fmt.Fprintln(w)
	note := fmt.Sprintf("The intervals hold the doubt of weighing, moisture and the graded sample. Drawing the paddy and setting the mill come on top: for husked yield, two results of one laboratory may differ by %g point, of two laboratories by %g points (ISO 6646 study).", mill.HuskedRepeatability, mill.HuskedReproducibility)
	if d.Cut != nil && *d.Cut != 0.75 {
		note += fmt.Sprintf(" Head rice is from %s of the whole length here.", number(*d.Cut, 2))
	}
	paragraph(w, note)
	if d.Sample != "" {
		paragraph(w, caution)
	}
}

// showWorth prints what the fractions are worth.
func showWorth(w io.Writer, x *mill.Worth) {
	t := newTable(w, table.Row{"Worth", "kg", "Per kg", "Money", "95 % interval"}, 2, 3, 4, 5)
	for _, l := range x.Lines {
		t.AppendRow(table.Row{l.Fraction, number(l.Mass.Value/1000, 1), number(l.PerKg, 3), number(l.Worth.Value, 2), ends(l.Worth, 2)})
	}
	t.AppendSeparator()
	t.AppendRow(table.Row{"sold", "", "", number(x.Sold.Value, 2), ends(x.Sold, 2)})
	if x.Margin != nil {
		t.AppendRow(table.Row{"left after the paddy", "", "", number(x.Margin.Value, 2), ends(*x.Margin, 2)})
	}
	render(w, t)
	if x.BrokenPoint > 0 {
		paragraph(w, fmt.Sprintf("One point less broken in the milled rice would bring %s more.", number(x.BrokenPoint, 2)))
	}
	if len(x.NotPriced) > 0 {
		paragraph(w, "Without a price, and so left out: "+strings.Join(x.NotPriced, ", ")+".")
	}
	fmt.Fprintln(w)
}

// massText writes a mass with decimals to its size.
func massText(v float64) string {
	switch {
	case v >= 10000:
		return number(v, 0)
	case v >= 0.995:
		return number(v, 1)
	}
	return number(v, 2)
}

// half writes the half width of f, nothing where it has none.
func half(f mill.Figure, form func(float64) string) string {
	if f.Bare {
		return ""
	}
	return form(f.HalfWidth())
}

func usualText(r mill.YieldRatio) string {
	var parts []string
	for _, u := range r.Usual {
		if u.High == 0 {
			parts = append(parts, fmt.Sprintf("from %g", u.Low))
			continue
		}
		parts = append(parts, fmt.Sprintf("%g to %g", u.Low, u.High))
	}
	return join(": ", mill.Outside(r.Usual, r.Value), strings.Join(parts, ", "))
}

// usualSources lists where the usual figures come from, each source once.
func usualSources(y *mill.Yield) [][2]string {
	var out [][2]string
	for _, r := range y.Ratios {
		for _, u := range r.Usual {
			if i := slices.IndexFunc(out, func(s [2]string) bool { return s[1] == u.Source }); i >= 0 {
				out[i][0] += ", " + strings.ToLower(r.Name)
				continue
			}
			out = append(out, [2]string{r.Name, u.Source})
		}
	}
	return out
}

func balanceText(b mill.YieldBalance, dryMatter bool, unit mill.MassUnit) string {
	what := fmt.Sprintf("Balance of %s: %s = %s", b.Step, b.In, strings.Join(b.Out, " + "))
	if dryMatter && !b.Dry {
		what += " (as weighed: a moisture is missing)"
	}
	f := b.Missing.Times(1 / unit.Grams)
	switch b.Verdict {
	case mill.Closes:
		return what + fmt.Sprintf(" closes: %s %s missing (%s), which the weighings' doubt explains.", number(f.Value, 2), unit.Name, ends(f, 2))
	case mill.Loss:
		return what + fmt.Sprintf(" leaves %s %s missing (%s), %s %% of what went in: dust, spillage or a fraction not weighed.", number(f.Value, 2), unit.Name, ends(f, 2), number(b.OfIn.Value, 1))
	}
	return what + fmt.Sprintf(" has %s %s more out than in (%s): just beyond the 95 %% interval; weigh again.", number(-f.Value, 2), unit.Name, ends(f.Negated(), 2))
}
