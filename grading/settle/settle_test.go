package settle

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading/mill"
	"traytally/grading/standards"
)

const round2 = "rounding: {mass_digits: 3, amount_digits: 2, mode: half_up}\n"

func base(price, per string) string {
	return "schema: 1\ntitle: invented\nbase: {grade: demo, price: " + price + ", per: " + per + ", currency: USD}\n"
}

func contract(t testing.TB, text string) *Contract {
	t.Helper()
	c, err := Parse("contract.yaml", []byte(text))
	require.NoError(t, err)
	return c
}

func delivery(t testing.TB, mass string, figures map[string]mill.Figure) Delivery {
	t.Helper()
	m, err := ParseDecimal(mass)
	require.NoError(t, err)
	d := Delivery{Mass: m, MassFigure: mill.Figure{Bare: true}, Figures: map[string]Found{}}
	for code, f := range figures {
		d.Figures[code] = Found{f, "typed"}
	}
	return d
}

func bare(v float64) mill.Figure { return mill.Figure{Value: v, Low: v, High: v, Bare: true} }

// TestByHand holds settlements to contracts worked by hand; the arithmetic
// stands beside each. All terms are invented.
func TestByHand(t *testing.T) {
	for _, tt := range []struct {
		name, contract, mass string
		figures              map[string]float64
		adjusted, gross      string
		lines                []string
		amount               string
	}{
		{
			// 25·468 = 11700; 1.2 points · 1 % · 468 = 5.616 a tonne, · 25 = 140.40
			"points in proportion", base("468.00", "t") + round2 + `terms:
  - {factor: broken, clause: "4.1", digits: 2, base: 5.0, fractions: proportional, discount: [{percent_per_point: 1.0}]}`,
			"25", map[string]float64{"broken": 6.2}, "25.000", "11700.00", []string{"-140.40"}, "11559.60",
		},
		{
			// 24.98·(100-14.62)/(100-14) = 2132.7924/86 = 24.79991, so 24.800; · 512.50
			"dry matter", base("512.50", "t") + round2 + "mass: {basis: 14.0, when: above, digits: 2}",
			"24.98", map[string]float64{"moisture": 14.62}, "24.800", "12710.00", nil, "12710.00",
		},
		{
			// (1-2.2·1.3 %)·(1-0.5 %) = 0.9714·0.995 = 0.966543; · 30 = 28.99629, so
			// 28.996; · 410 = 11888.36. 2.2/0.5 = 4.4, five started, 1.25 % of 410 =
			// 5.125; · 28.996 = 148.6045
			"shrink, handling and started half points", base("410", "t") + round2 +
				`mass: {basis: 14.0, when: above, digits: 1, shrink_percent_per_point: 1.3, handling_percent: 0.5}
terms:
  - {factor: moisture, digits: 1, base: 14.0, point: 0.5, fractions: started, discount: [{percent_per_point: 0.25}]}`,
			"30", map[string]float64{"moisture": 16.2}, "28.996", "11888.36", []string{"-148.60"}, "11739.76",
		},
		{
			// from 6.5: 1.5·0.5 % + 1.3·1 % = 2.05 % of 600 = 12.30; · 10
			"bands counted from the end of the tolerance", base("600", "t") + round2 + `terms:
  - {factor: chalky, digits: 1, base: 6, free: 0.5, beyond_free: from_free, fractions: proportional, discount: [{to: 8, percent_per_point: 0.5}, {percent_per_point: 1}]}`,
			"10", map[string]float64{"chalky": 9.3}, "10.000", "6000.00", []string{"-123.00"}, "5877.00",
		},
		{
			// from 6: 2·0.5 % + 1.3·1 % = 2.3 % of 600 = 13.80; · 10. Yellow lies on
			// the edge of its tolerance: nothing.
			"bands counted from the base", base("600", "t") + round2 + `terms:
  - {factor: chalky, digits: 1, base: 6, free: 0.5, beyond_free: from_base, fractions: proportional, discount: [{to: 8, percent_per_point: 0.5}, {percent_per_point: 1}]}
  - {factor: yellow, digits: 1, base: 0.5, free: 0.5, beyond_free: from_base, fractions: proportional, discount: [{percent_per_point: 3}]}`,
			"10", map[string]float64{"chalky": 9.3, "yellow": 1}, "10.000", "6000.00", []string{"-138.00", "0.00"}, "5862.00",
		},
		{
			// the step's end is in it: 1.50 · 18.43 = 27.645, a half, to the even
			// 27.64; 18.43 · 455 = 8385.65
			"steps in money, halves to even", base("455.00", "t") + "rounding: {mass_digits: 3, amount_digits: 2, mode: half_even}\n" + `terms:
  - {factor: yellow, digits: 2, base: 0.5, steps: [{to: 1.0, money: 1.50}, {to: 2.0, money: 4.00}], reject: 2.0}`,
			"18.43", map[string]float64{"yellow": 1.0}, "18.430", "8385.65", []string{"-27.64"}, "8358.01",
		},
		{
			// premium ends at 5: 5 points · 0.4 % = 2 %, capped at 1.5 % of 3900 =
			// 58.50; · 250
			"a premium with an end and a cap, by the quintal", base("3900", "quintal") + "rounding: {mass_digits: 2, amount_digits: 2, mode: half_up}\n" + `terms:
  - {factor: broken, digits: 1, base: 10, fractions: complete, discount: [{percent_per_point: 1}], premium: [{to: 5, percent_per_point: 0.4}], cap_percent: 1.5}`,
			"250", map[string]float64{"broken": 3.2}, "250.00", "975000.00", []string{"14625.00"}, "989625.00",
		},
		{
			// 46.35 is taken as 46.4: 3.6 points below · 1 % of 300 = 10.80; · 12.5
			"more is better", base("300", "t") + round2 + `terms:
  - {factor: head, digits: 1, base: 50, more_is_better: true, fractions: proportional, discount: [{percent_per_point: 1}], premium: [{percent_per_point: 0.5}]}`,
			"12.5", map[string]float64{"head": 46.35}, "12.500", "3750.00", []string{"-135.00"}, "3615.00",
		},
		{
			// broken 4·1 % of 500 = 20, paddy 7·0.20 = 1.40, together 21.40; no more
			// than 3 % = 15 comes off, so 6.40 go back; · 40
			"a cap over all", base("500", "t") + round2 + `terms:
  - {factor: broken, digits: 1, base: 5, fractions: proportional, discount: [{percent_per_point: 1}]}
  - {factor: paddy_per_kg, unit: per kg, digits: 0, base: 10, fractions: proportional, discount: [{money_per_point: 0.20}]}
cap_percent: 3`,
			"40", map[string]float64{"broken": 9, "paddy_per_kg": 17}, "40.000", "20000.00", []string{"-800.00", "-56.00", "256.00"}, "19400.00",
		},
		{
			// 25480·86.85/86 = 25731.837, so 25732; · 1.085 = 27919.22. Broken
			// 2.45·0.8 % = 1.96 % of 1.085 = 0.021266; · 25732 = 547.2167. Foreign
			// 0.12 = one whole tenth, 0.15 % = 0.0016275; · 25732 = 41.8788. Chalky
			// 3.5·0.1 % = 0.0037975; · 25732 = 97.7173
			"all together, by the kilogram", base("1.085", "kg") + "rounding: {mass_digits: 0, amount_digits: 2, mode: half_up}\n" + `mass: {basis: 14.0, when: always, digits: 2}
terms:
  - {factor: broken, digits: 2, base: 5, fractions: proportional, discount: [{percent_per_point: 0.8}]}
  - {factor: foreign_matter, digits: 2, base: 0.20, point: 0.1, fractions: complete, discount: [{percent_per_point: 0.15}]}
  - {factor: chalky, digits: 1, base: 6, fractions: proportional, discount: [{percent_per_point: 0.5}], premium: [{percent_per_point: 0.1}]}`,
			"25480", map[string]float64{"moisture": 13.15, "broken": 7.45, "foreign_matter": 0.32, "chalky": 2.5},
			"25732", "27919.22", []string{"-547.22", "-41.88", "97.72"}, "27427.84",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			figures := map[string]mill.Figure{}
			for code, v := range tt.figures {
				figures[code] = bare(v)
			}
			s, err := contract(t, tt.contract).Settle(delivery(t, tt.mass, figures))
			require.NoError(t, err)
			assert.Equal(t, tt.adjusted, s.Adjusted.String())
			assert.Equal(t, tt.gross, s.Gross.String())
			var lines []string
			for _, l := range s.Lines {
				lines = append(lines, l.Amount.String())
			}
			assert.Equal(t, tt.lines, lines)
			assert.Equal(t, tt.amount, s.Amount.String())
			assert.Empty(t, s.Open)
			assert.Empty(t, s.Rejected)
			assert.Nil(t, s.Low, "no figure has an interval")
		})
	}
}

// TestHalves holds rounding to the examples of ISO 80000-1, annex B (from
// memory): 12.25 and 12.35 to tenths.
func TestHalves(t *testing.T) {
	for _, tt := range []struct{ in, up, even string }{
		{"12.25", "12.3", "12.2"}, {"12.35", "12.4", "12.4"}, {"-12.25", "-12.3", "-12.2"}, {"12.2501", "12.3", "12.3"}, {"0.04", "0.0", "0.0"},
	} {
		d, err := ParseDecimal(tt.in)
		require.NoError(t, err)
		assert.Equal(t, tt.up, HalfUp.round(exact(d), 1).String(), tt.in)
		assert.Equal(t, tt.even, HalfEven.round(exact(d), 1).String(), tt.in)
	}
}

// TestIntervalAgainstDraws compares the interval in money with settlements of
// drawn figures: half the width within 2 %, the ends within 3 % of it. 20000
// draws know an end to 1 % of the half width (one standard error of a normal
// distribution's 2.5 % point).
func TestIntervalAgainstDraws(t *testing.T) {
	const draws = 20000
	for _, tt := range []struct {
		name    string
		text    string
		mass    mill.Figure
		figures map[string]mill.Figure
	}{
		{"the template", Template, mill.Figure{Bare: true}, map[string]mill.Figure{
			"moisture": {Value: 14.4, Low: 13.9, High: 14.9}, "broken": {Value: 6.2, Low: 5.1, High: 7.6},
			"chalky": {Value: 5.2, Low: 3.5, High: 7.4}, "foreign_matter": bare(0.12), "paddy_per_kg": {Value: 11, Low: 5.5, High: 19.7},
		}},
		{"dry matter and a weight in doubt", base("500", "t") + round2 + `mass: {basis: 14.0, when: always, digits: 2}
terms:
  - {factor: broken, digits: 2, base: 5, fractions: proportional, discount: [{percent_per_point: 1}]}
  - {factor: moisture, digits: 1, base: 14, fractions: started, point: 0.5, discount: [{percent_per_point: 0.5}]}`,
			mill.Figure{Value: 25, Low: 24.9, High: 25.1}, map[string]mill.Figure{
				"moisture": {Value: 14.1, Low: 13.4, High: 14.8}, "broken": {Value: 8, Low: 6.5, High: 9.8},
			}},
		{"a cap that often holds", base("500", "t") + round2 + `cap_percent: 4
terms:
  - {factor: broken, digits: 2, base: 5, fractions: proportional, discount: [{percent_per_point: 1}], premium: [{percent_per_point: 1}]}
  - {factor: yellow, digits: 2, base: 0.5, fractions: proportional, discount: [{percent_per_point: 2}]}`,
			mill.Figure{Bare: true}, map[string]mill.Figure{
				"broken": {Value: 6.5, Low: 2.5, High: 9}, "yellow": {Value: 0.8, Low: 0.3, High: 2},
			}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := contract(t, tt.text)
			d := delivery(t, "25", tt.figures)
			d.MassFigure = tt.mass
			s, err := c.Settle(d)
			require.NoError(t, err)
			r := rand.New(rand.NewPCG(7, 11))
			amounts := make([]float64, draws)
			for i := range amounts {
				drawn := Delivery{Mass: d.Mass, Figures: map[string]Found{}}
				if !tt.mass.Bare {
					drawn.Mass = c.taken(tt.mass.At(r.NormFloat64()), 6)
				}
				for code, f := range tt.figures {
					v := f.Value
					if !f.Bare {
						v = max(0, f.At(r.NormFloat64()))
					}
					drawn.Figures[code] = Found{bare(v), ""}
				}
				x, err := c.Settle(drawn)
				require.NoError(t, err)
				amounts[i] = x.Amount.Float()
			}
			slices.Sort(amounts)
			low, high := amounts[draws/40], amounts[draws-draws/40-1]
			half := (high - low) / 2
			t.Logf("%.2f: %s to %s; drawn %.2f to %.2f", s.Amount.Float(), s.Low, s.High, low, high)
			assert.InDelta(t, half, (s.High.Float()-s.Low.Float())/2, 0.02*half)
			assert.InDelta(t, low, s.Low.Float(), 0.03*half)
			assert.InDelta(t, high, s.High.Float(), 0.03*half)
		})
	}
}

// TestIntervalByHand: one figure, in proportion: the ends of the figure's
// interval are the ends in money. 25·468·1 % = 117 a point.
func TestIntervalByHand(t *testing.T) {
	c := contract(t, base("468.00", "t")+round2+`terms:
  - {factor: broken, digits: 2, base: 5.0, fractions: proportional, discount: [{percent_per_point: 1.0}], reject: 8}`)
	s, err := c.Settle(delivery(t, "25", map[string]mill.Figure{"broken": {Value: 7, Low: 6, High: 9}}))
	require.NoError(t, err)
	assert.InDelta(t, 11700-4*117, s.Low.Float(), 1.2) // 0.01 points
	assert.InDelta(t, 11700-1*117, s.High.Float(), 1.2)
	assert.InDelta(t, -4*117, s.Lines[0].Low.Float(), 1.2)
	// beyond 8.005, 1.005 points above at 2 points for 1.96 deviations
	assert.InDelta(t, 16.2, *s.Lines[0].BeyondPct, 0.2)
	assert.Empty(t, s.Rejected)
}

func TestOpenAndRejected(t *testing.T) {
	s, err := contract(t, Template).Settle(delivery(t, "24.98", map[string]mill.Figure{"broken": bare(15.01), "chalky": bare(7)}))
	require.NoError(t, err)
	assert.True(t, s.MassOpen)
	assert.Equal(t, "24.980", s.Adjusted.String())
	assert.Equal(t, []string{"moisture", "foreign matter", "paddy"}, s.Open)
	assert.Equal(t, []string{"broken kernels"}, s.Rejected)
	assert.Equal(t, Open, s.Lines[2].Effect)
	assert.Equal(t, "233.81", s.Lines[2].Most.String()) // 2 % of 24.98·468 = 11690.64
	s, err = contract(t, Template).Settle(delivery(t, "24.98", map[string]mill.Figure{"broken": bare(15.004)}))
	require.NoError(t, err)
	assert.Empty(t, s.Rejected, "15.00 after the contract's rounding")
}

// TestNothingPaidFor: a mass that rounds to nothing has no price a tonne.
func TestNothingPaidFor(t *testing.T) {
	_, err := contract(t, base("468", "t")+round2+"mass: {basis: 14.0, when: above, digits: 1}").Settle(delivery(t, "0.0004", nil))
	require.ErrorContains(t, err, "a mass of 0.0004 t is nothing at the contract's 3 decimals")
}

// TestLinesAddUp holds every settlement to its own lines, and worse rice to no
// more money.
func TestLinesAddUp(t *testing.T) {
	c := contract(t, Template)
	rapid.Check(t, func(t *rapid.T) {
		figures := map[string]mill.Figure{}
		for _, code := range c.Codes() {
			if code != Moisture && rapid.Bool().Draw(t, "has "+code) {
				figures[code] = bare(rapid.Float64Range(0, 30).Draw(t, code))
			}
		}
		settle := func() *Settlement {
			d := Delivery{Figures: map[string]Found{}}
			d.Mass, _ = ParseDecimal("24.98")
			for code, f := range figures {
				d.Figures[code] = Found{f, ""}
			}
			s, err := c.Settle(d)
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		s := settle()
		sum := exact(s.Gross)
		for _, l := range s.Lines {
			sum = add(sum, exact(l.Amount))
		}
		if sum.Cmp(exact(s.Amount)) != 0 {
			t.Fatalf("lines make %s, amount %s", sum.FloatString(4), s.Amount)
		}
		if f, ok := figures["broken"]; ok {
			figures["broken"] = bare(f.Value + rapid.Float64Range(0, 3).Draw(t, "more"))
			if worse := settle(); worse.Amount.Cmp(exact(s.Amount)) > 0 {
				t.Fatalf("more broken, more money: %s after %s", worse.Amount, s.Amount)
			}
		}
	})
}

func TestParseRefuses(t *testing.T) {
	_, err := Parse("t.yaml", []byte(Template))
	require.NoError(t, err)
	for _, tt := range []struct{ old, new, want string }{
		{"price: 468.00", "price: 4.68e2", "no decimal number"},
		{"price: 468.00", "price: -1", "a price above nothing is wanted"},
		{"per: t ", "per: lb ", "no mass that a price is for"},
		{"mode: half_up", "mode: up", `"up" is none of its words`},
		{"when: above", "when: sometimes", "is none of its words"},
		{"beyond_free: from_base", "", "beyond_free"},
		{"{percent_per_point: 2.0}", "{to: 6.0, percent_per_point: 2.0}", "does not lead farther away"},
		{"{percent_per_point: 2.0}", "{to: 9.0, percent_per_point: 2.0}", "nothing is said beyond 9.0"},
		{"{percent_per_point: 2.0}", "{percent_per_point: 2.0, money_per_point: 1.0}", "discount 2: one rate"},
		{"reject: 15.0", "reject: 1.0", "better side of base"},
		{"to: 7.0, ", "", "ends nowhere, and another follows"},
		{"factor: chalky", "factor: broken", "given twice"},
		{"schema: 1", "schema: 2", "2 is not known here"},
		{"point: 0.1", "point: 0", "a point of no size"},
		{"fractions: started", "fractons: started", "fractons"},
		{"basis: 14.0", "basis: 0.14", "a moisture in percent"},
		{"mass_digits: 3", "mass_digits: 30", "30 decimals"},
	} {
		require.Contains(t, Template, tt.old)
		_, err := Parse("t.yaml", []byte(strings.Replace(Template, tt.old, tt.new, 1)))
		p, ok := err.(standards.Problems)
		require.True(t, ok, "%s: %v", tt.new, err)
		assert.Contains(t, p.Error(), tt.want)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(Template))
	f.Add([]byte("schema: 1\nterms: [{factor: x, base: 1}]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("x", data)
		if err != nil {
			return
		}
		d := Delivery{Mass: &Decimal{}, Figures: map[string]Found{}}
		d.Mass.SetInt64(10)
		for i, code := range c.Codes() {
			d.Figures[code] = Found{bare(float64(i)), strconv.Itoa(i)}
		}
		s, err := c.Settle(d)
		if err == nil && math.IsNaN(s.Amount.Float()) {
			t.Fatal("no amount")
		}
	})
}
