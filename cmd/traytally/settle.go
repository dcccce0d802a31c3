package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading/mill"
	"traytally/grading/settle"
	"traytally/grading/standards"
)

// exitRejected ends a settlement of a lot that the buyer need not take.
const exitRejected = 15

// settleOptions are the flags of the settle command, as typed.
type settleOptions struct {
	sampleFlags
	standardFlags // the sample sheet, and the contract's file
	sample        string
	mass          string
	figures       []string // CODE=FIGURE
}

func newSettleCommand(u *ui) *cobra.Command {
	o := settleOptions{}
	cmd := &cobra.Command{
		Use:   "settle [SAMPLE] --contract FILE --mass MASS",
		Short: "Work out what a lot is paid by the terms of a contract",
		Long: `Works out the mass that is paid for, the price, every deduction and premium with
its clause, and the amount, from a contract's terms and the figures of a sample;
and the interval in money that the measurements leave. Figures, masses and money
are exact decimals, rounded only where the contract says so, and the lines add
up to the amount.

A SAMPLE is the JSON that grade wrote, a picture, or a code of the register.
What no picture shows comes from the sample sheet (--sheet, --moisture, --found)
or is typed with --figure CODE=FIGURE, which goes before all else:
broken=6.2±0.8. What has no figure is left open and named, and nothing is taken
off for it yet. A moisture without ± is taken to half a point.

'traytally settle template' prints a contract to fill in.`,
		Example: `  traytally settle result.json --contract terms.yaml --mass 24.98t --moisture 14.2
  traytally settle N-101 --contract terms.yaml --mass 24.98t
  traytally settle --contract terms.yaml --mass 24.98t --figure broken=6.2±0.8 --figure moisture=14.2±0.2`,
		Args: atMostOne("sample", "pool the pictures of one sample first: traytally grade A.png B.png --json FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				o.sample = args[0]
			}
			return runSettle(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.contract, "contract", "", "terms of the contract in `FILE`; see 'traytally settle template'")
	f.StringVar(&o.mass, "mass", "", "`MASS` delivered: 24.98t, 24980kg; with ± where the weight is in doubt")
	f.StringArrayVar(&o.figures, "figure", nil, "a figure typed as `CODE=FIGURE`: chalky=3.1±0.5; may be repeated")
	o.addSheet(f)
	o.addSampleFlags(cmd)
	o.addJSON(f)
	cmd.AddCommand(newSettleTemplateCommand(u))
	return cmd
}

func newSettleTemplateCommand(u *ui) *cobra.Command {
	o := templateOptions{}
	cmd := &cobra.Command{
		Use:     "template",
		Short:   "Print a contract's terms to fill in",
		Long:    "Prints terms with comments, to fill in with a contract's own. All figures in it\nare invented.",
		Example: "  traytally settle template --out terms.yaml",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.write(cmd.Context(), u, settle.Template, "Put the contract's figures in, then: traytally settle SAMPLE --contract %s --mass 24.98t")
		},
	}
	o.add(cmd.Flags())
	return cmd
}

// A settleDocument is the JSON that the settle command writes.
type settleDocument struct {
	Schema   string            `json:"schema"`
	Versions map[string]string `json:"versions"`
	Contract string            `json:"contract"`
	Title    string            `json:"title"`
	Edition  string            `json:"edition"`
	Sample   string            `json:"sample"`
	*settle.Settlement
}

func runSettle(ctx context.Context, o settleOptions, u *ui) error {
	if err := o.output.check(); err != nil {
		return err
	}
	if o.contract == "" {
		return usageError("no contract given", "name its terms: --contract FILE; 'traytally settle template --out FILE' writes one to fill in")
	}
	if o.mass == "" {
		return usageError("no mass given", "the mass delivered: --mass 24.98t")
	}
	data, err := readFile(o.contract, 1<<20)
	if err != nil {
		return err
	}
	c, err := settle.Parse(o.contract, data)
	if err != nil {
		if p, ok := errors.AsType[standards.Problems](err); ok {
			return notUsable(o.contract, p, "", "see 'traytally settle template'")
		}
		return err
	}
	d := settle.Delivery{Figures: map[string]settle.Found{}}
	if d.Mass, d.MassFigure, err = c.ParseMass(o.mass); err != nil {
		return inFlag(err, "mass")
	}
	if err := o.findFigures(ctx, u, c, d.Figures); err != nil {
		return err
	}
	s, err := c.Settle(d)
	if err != nil {
		return err
	}
	doc := settleDocument{"traytally.settle/1", map[string]string{"traytally": version}, o.contract, c.Title, c.Edition, o.sample, s}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { showSettlement(w, c, &doc) }); err != nil {
		return err
	}
	if len(s.Rejected) > 0 {
		return &answer{exitRejected}
	}
	return nil
}

// findFigures looks up what the contract asks for: as typed, else on the sample
// sheet, else in the graded sample.
func (o *settleOptions) findFigures(ctx context.Context, u *ui, c *settle.Contract, to map[string]settle.Found) error {
	sheet, err := o.sampleSheet()
	if err != nil {
		return err
	}
	codes := c.Codes()
	seen := map[string]mill.Figure{}
	if o.sample != "" {
		g, err := o.read(ctx, u, o.sample)
		if err != nil {
			return err
		}
		if sheet == nil {
			sheet = g.Sheet
		}
		if c.Base.Standard == "" {
			for _, code := range codes {
				if f, ok := g.Figure(code); ok && !g.Unseen(code) {
					seen[code] = f
				}
			}
		} else {
			std, err := standards.Lookup(c.Base.Standard)
			if err != nil {
				return inStandardWords(err, o.contract)
			}
			grade, err := std.Grade(c.Base.StandardGrade)
			if err != nil {
				return inStandardWords(err, o.contract)
			}
			if seen, err = g.Standard(std, grade); err != nil {
				return asInput(err, o.sample)
			}
		}
	}
	for _, code := range codes {
		if f, ok := seen[code]; ok {
			to[code] = settle.Found{Figure: f, From: "picture"}
		}
		if e, known, ok := sheet.Figure(code); ok {
			f := mill.Figure{Value: e.Value, Low: e.Low, High: e.High, Bare: !known}
			if code == settle.Moisture {
				f = mill.Figure{Value: e.Value, Low: e.Value - mill.MoistureDoubt, High: e.Value + mill.MoistureDoubt}
			}
			to[code] = settle.Found{Figure: f, From: "sheet"}
		}
	}
	for _, s := range o.figures {
		code, value, err := oneName("--figure", s, "broken=6.2±0.8")
		if err != nil {
			return err
		}
		if !slices.Contains(codes, code) {
			hint := "it asks for: " + strings.Join(codes, ", ")
			return usageError(fmt.Sprintf("--figure: the contract asks for no %q", code), hint)
		}
		parse := mill.ParseShare
		switch unit := c.Unit(code); {
		case code == settle.Moisture:
			parse = mill.ParseMoisture
		case unit != "%":
			parse = mill.ParseFigure
		}
		f, err := parse(value)
		if err != nil {
			return inFlag(err, "figure "+code)
		}
		to[code] = settle.Found{Figure: f, From: "typed"}
	}
	return nil
}

func showSettlement(w io.Writer, c *settle.Contract, d *settleDocument) {
	s := d.Settlement
	money := func(x *settle.Decimal) string { return x.String() + " " + plain(s.Currency) }
	pay := fmt.Sprintf("%s for %s %s delivered", money(s.Amount), s.Delivered, s.Per)
	if width(s) > 0 {
		pay += fmt.Sprintf(", 95 %% interval %s to %s", s.Low, s.High)
	}
	switch {
	case len(s.Rejected) > 0:
		head := "BEYOND WHAT THE CONTRACT TAKES: "
		if !proven(s) {
			head = "BEYOND WHAT THE CONTRACT TAKES, but NOT PROVEN by the measurement: "
		}
		paragraph(w, plain(head+strings.Join(s.Rejected, ", ")+"."))
		paragraph(w, plain("If the lot is taken all the same and the terms of price hold: "+pay+"."))
	case len(s.Open) > 0:
		paragraph(w, plain("Provisional: "+pay+"."))
	default:
		paragraph(w, plain("To pay: "+pay+"."))
	}
	if len(s.Open) > 0 {
		paragraph(w, plain("OPEN, with nothing taken off for it yet: "+strings.Join(s.Open, ", ")+"."))
	}
	fmt.Fprintln(w)

	item(w, "Contract", join(", ", c.Title, c.Edition))
	item(w, "Base", join(", ", fmt.Sprintf("%s a %s", money(s.Price), s.Per), c.Base.Grade, clause(c.Base.Clause)))
	if m := s.Moisture; m != nil && !m.Bare {
		item(w, "Moisture", fmt.Sprintf("%s %%, taken to lie from %s", s.MoistureTaken, ends(*m, 2)))
	}
	item(w, "Mass paid for", massWords(c, s))
	item(w, "At the base price", money(s.Gross))
	fmt.Fprintln(w)

	t := newTable(w, table.Row{"Line", "Found", "Base", s.Currency, "95 % interval", "Clause"}, 2, 3, 4, 5)
	for i := range s.Lines {
		l := &s.Lines[i]
		row := table.Row{shorten(l.Name, 20), "open", "", "", "", shorten(l.Clause, 8)}
		if l.Base != nil {
			row[2] = l.Base.String()
		}
		if l.Amount != nil {
			row[1], row[3] = "", plus(l.Amount)
		}
		if l.Taken != nil {
			row[1] = l.Taken.String() + " " + shorten(l.Unit, 8)
		}
		if l.Low != nil {
			row[4] = plus(l.Low) + " to " + plus(l.High)
		}
		if l.Most != nil {
			row[4] = "at most -" + l.Most.String()
		}
		t.AppendRow(row)
	}
	t.AppendSeparator()
	t.AppendRow(table.Row{"amount", "", "", s.Amount.String(), "", ""})
	render(w, t)

	paragraph(w, fmt.Sprintf("That is %s a %s paid for. Each line is rounded, and they add up.", money(s.FinalPrice), s.Per))
	for i := range s.Lines {
		if l := &s.Lines[i]; l.BeyondPct != nil && *l.BeyondPct >= 2.5 && *l.BeyondPct <= 97.5 {
			paragraph(w, plain(fmt.Sprintf("By the measurement the lot is beyond %s %s of %s with a chance of %s %%: not proven either way.", l.Reject, l.Unit, l.Name, number(*l.BeyondPct, 1))))
		}
	}
	if len(s.Bare) > 0 {
		paragraph(w, plain("Without an interval, and so counted as exact: "+strings.Join(s.Bare, ", ")+"."))
	}
	paragraph(w, "The interval is what the measurements leave of this amount; it says nothing of how the sample was drawn. "+caution+" The contract and the certificate that it names come first.")
	fmt.Fprintln(w)
	paragraph(w, "Next: "+nextStep(s))
}

// proven reports whether what is beyond the contract is so by its whole 95 %
// interval.
func proven(s *settle.Settlement) bool {
	return !slices.ContainsFunc(s.Lines, func(l settle.Line) bool {
		return l.Effect == settle.Rejected && (l.BeyondPct == nil || *l.BeyondPct < 97.5)
	})
}

// nextStep is what the buyer does now.
func nextStep(s *settle.Settlement) string {
	switch {
	case len(s.Rejected) > 0:
		return "hold the lot, have the retained sample tested by the laboratory that the contract names, and only then accept, bargain or refuse in writing."
	case len(s.Open) > 0:
		return "measure what is open (" + plain(strings.Join(s.Open, ", ")) + ") and give it with --moisture, --sheet or --figure CODE=FIGURE."
	}
	worst, most := "", 0.0
	for i := range s.Lines {
		if l := &s.Lines[i]; l.Low != nil {
			if wide := l.High.Float() - l.Low.Float(); wide > most {
				worst, most = l.Name, wide
			}
		}
	}
	if whole := width(s); most < whole/3 && s.Moisture != nil && !s.Moisture.Bare {
		worst, most = settle.Moisture, whole
	}
	if worst == "" || most == 0 {
		return "compare the lines with the seller's before the invoice is paid."
	}
	return fmt.Sprintf("compare the lines with the seller's; if the interval is too wide to pay on, measure %s again first, on more rice: it leaves most of the doubt.", plain(worst))
}

// width is how wide the interval of the amount is.
func width(s *settle.Settlement) float64 {
	if s.Low == nil {
		return 0
	}
	return math.Abs(s.High.Float() - s.Low.Float())
}

// massWords says how the mass that is paid for came about.
func massWords(c *settle.Contract, s *settle.Settlement) string {
	at := fmt.Sprintf("%s %s", s.Adjusted, s.Per)
	m := c.Mass
	switch {
	case m == nil:
		return at + ", as weighed"
	case s.MassOpen:
		return join(", ", at+" as weighed: no moisture known, so not yet brought to "+m.Basis.String()+" %", clause(m.Clause))
	case s.MoistureTaken.Cmp(&m.Basis.Rat) == 0 || m.When == "above" && s.MoistureTaken.Cmp(&m.Basis.Rat) < 0:
		return join(", ", fmt.Sprintf("%s, as weighed: moisture %s %% is not above %s %%", at, s.MoistureTaken, m.Basis), clause(m.Clause))
	}
	how := fmt.Sprintf("%s · (100 - %s) / (100 - %s)", s.Delivered, s.MoistureTaken, m.Basis)
	if m.ShrinkPercentPerPoint != nil {
		how = fmt.Sprintf("%s · (1 - %s %% · (%s - %s))", s.Delivered, m.ShrinkPercentPerPoint, s.MoistureTaken, m.Basis)
	}
	if m.HandlingPercent != nil && s.MoistureTaken.Cmp(&m.Basis.Rat) > 0 {
		how += fmt.Sprintf(" · (1 - %s %%)", m.HandlingPercent)
	}
	return join(", ", at+" = "+how, clause(m.Clause))
}

func clause(s string) string {
	if s == "" {
		return ""
	}
	return "clause " + s
}

// plus writes money with its sign.
func plus(d *settle.Decimal) string {
	if d.Sign() > 0 {
		return "+" + d.String()
	}
	return d.String()
}
