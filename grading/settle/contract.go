package settle

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"

	"traytally/grading/standards"
)

// A Contract holds the terms that turn figures into money. Percent are of the
// base price unless said otherwise; a point is one unit of a term's figure: a
// percentage point, or one kernel per kg.
type Contract struct {
	Schema  standards.Whole `yaml:"schema"` // 1
	Title   string          `yaml:"title"`
	Edition string          `yaml:"edition"` // date and number, as the contract has them

	Base     Base      `yaml:"base"`
	Rounding Rounding  `yaml:"rounding"`
	Mass     *MassRule `yaml:"mass"`
	Terms    []Term    `yaml:"terms"`
	// CapPercent is the most that all terms together, premiums counted in, may
	// take off the base price.
	CapPercent *Decimal `yaml:"cap_percent"`
	CapClause  string   `yaml:"cap_clause"`
}

// Base is what the price is for.
type Base struct {
	Grade string `yaml:"grade"` // in words
	// Standard and StandardGrade, where given, say what counts as broken,
	// chalky and so on: a code of the standards in hand and one of its grades.
	Standard      string   `yaml:"standard"`
	StandardGrade string   `yaml:"standard_grade"`
	Price         *Decimal `yaml:"price"`
	Per           string   `yaml:"per"`      // kg, quintal (100 kg) or t
	Currency      string   `yaml:"currency"` // as written behind amounts
	Clause        string   `yaml:"clause"`
}

// kilograms holds the masses that a price may be for.
var kilograms = map[string]int64{"kg": 1, "quintal": 100, "t": 1000}

// Rounding says to how many decimals results go, and how.
type Rounding struct {
	MassDigits   standards.Whole `yaml:"mass_digits"`   // of the adjusted mass in the unit of Base.Per
	AmountDigits standards.Whole `yaml:"amount_digits"` // of money
	Mode         Mode            `yaml:"mode"`
}

// A MassRule turns the delivered mass into the mass that is paid for.
type MassRule struct {
	Clause string   `yaml:"clause"`
	Basis  *Decimal `yaml:"basis"` // moisture, percent
	// When is "above" where only rice wetter than the basis is adjusted, or
	// "always".
	When string `yaml:"when"`
	// ShrinkPercentPerPoint takes that much of the mass for each point beyond
	// the basis in place of the dry matter, mass·(100-M)/(100-Basis).
	ShrinkPercentPerPoint *Decimal `yaml:"shrink_percent_per_point"`
	// HandlingPercent comes off what is left, wherever the mass is adjusted
	// for too much moisture.
	HandlingPercent *Decimal        `yaml:"handling_percent"`
	Digits          standards.Whole `yaml:"digits"` // decimals to which moisture is rounded first
}

// A Term prices one figure.
type Term struct {
	Factor string          `yaml:"factor"` // code: broken, chalky, moisture, paddy_per_kg ...
	Name   string          `yaml:"name"`
	Unit   string          `yaml:"unit"` // empty: percent
	Clause string          `yaml:"clause"`
	Digits standards.Whole `yaml:"digits"` // decimals to which the figure is rounded first

	Base         *Decimal `yaml:"base"` // the figure at which the base price holds
	MoreIsBetter bool     `yaml:"more_is_better"`
	// Free is the tolerance on either side of Base that changes nothing.
	// BeyondFree says from where on what lies beyond it counts: "from_base" or
	// "from_free".
	Free       *Decimal `yaml:"free"`
	BeyondFree string   `yaml:"beyond_free"`
	// Point is the size of a point, 1 where absent. Fractions says what a part
	// of one counts: "proportional", "started" (as a whole one) or "complete"
	// (nothing).
	Point     *Decimal `yaml:"point"`
	Fractions string   `yaml:"fractions"`
	// Discount and Premium are bands that follow one another away from Base,
	// each at its own rate: the parts of the figure add up. Steps are discounts
	// of which the one in which the figure lies holds for all of it.
	Discount []Band `yaml:"discount"`
	Premium  []Band `yaml:"premium"`
	Steps    []Step `yaml:"steps"`
	// CapPercent is the most that the term takes off, or adds.
	CapPercent *Decimal `yaml:"cap_percent"`
	// Reject is the figure beyond which the buyer need not take the lot.
	Reject *Decimal `yaml:"reject"`
}

// A Band has one rate for each point up to a figure; the last of a list may go
// on without end.
type Band struct {
	To      *Decimal `yaml:"to"`
	Percent *Decimal `yaml:"percent_per_point"`
	Money   *Decimal `yaml:"money_per_point"` // currency per Base.Per
}

// A Step has one rate for figures up to To, To itself in.
type Step struct {
	To      *Decimal `yaml:"to"`
	Percent *Decimal `yaml:"percent"`
	Money   *Decimal `yaml:"money"` // currency per Base.Per
}

// label is what a term is called.
func (t *Term) label() string { return cmp.Or(t.Name, t.Factor) }

// away returns how far v lies from Base on the worse side.
func (t *Term) away(v *big.Rat) *big.Rat {
	if t.MoreIsBetter {
		return sub(exact(t.Base), v)
	}
	return sub(v, exact(t.Base))
}

// Parse reads a contract. name is used in messages. Errors are
// standards.Problems, one for everything that is wrong.
func Parse(name string, data []byte) (*Contract, error) {
	var c Contract
	if p := standards.Decode(name, data, &c); len(p) > 0 {
		return nil, p
	}
	var out standards.Problems
	c.check(func(where, what, hint string) {
		out = append(out, standards.Problem{File: name, Message: where + ": " + what, Hint: hint})
	})
	if len(out) > 0 {
		return nil, out
	}
	return &c, nil
}

// mostDigits bounds decimals: a millionth of a unit is beyond any trade.
const mostDigits = 6

// A problem is said with its place in the contract and a way out.
type problem func(where, what, hint string)

func (bad problem) digits(where string, n standards.Whole) {
	if n < 0 || n > mostDigits {
		bad(where, fmt.Sprintf("%d decimals", n), fmt.Sprintf("0 to %d", mostDigits))
	}
}

func (bad problem) oneOf(where, is string, of ...string) {
	if !slices.Contains(of, is) {
		bad(where, fmt.Sprintf("%q is none of its words", is), fmt.Sprintf("one of %q", of))
	}
}

func (bad problem) within(where string, d *Decimal, most int64) {
	if d != nil && (d.Sign() < 0 || d.Cmp(big.NewRat(most, 1)) > 0) {
		bad(where, d.String()+" cannot be", fmt.Sprintf("0 to %d", most))
	}
}

func (c *Contract) check(bad problem) {
	if c.Schema != 1 {
		bad("schema", fmt.Sprintf("%d is not known here", c.Schema), "write schema: 1; see 'traytally settle template'")
	}
	if c.Base.Price == nil || c.Base.Price.Sign() <= 0 {
		bad("base.price", "a price above nothing is wanted", "price: 468.00")
	}
	if kilograms[c.Base.Per] == 0 {
		bad("base.per", fmt.Sprintf("%q is no mass that a price is for", c.Base.Per), "kg, quintal or t")
	}
	if c.Base.Currency == "" {
		bad("base.currency", "missing", "currency: USD")
	}
	if (c.Base.Standard == "") != (c.Base.StandardGrade == "") {
		bad("base.standard", "standard and standard_grade go together", "give both, or neither")
	}
	bad.digits("rounding.mass_digits", c.Rounding.MassDigits)
	bad.digits("rounding.amount_digits", c.Rounding.AmountDigits)
	bad.oneOf("rounding.mode", string(c.Rounding.Mode), string(HalfUp), string(HalfEven))
	if m := c.Mass; m != nil {
		bad.oneOf("mass.when", m.When, "above", "always")
		bad.digits("mass.digits", m.Digits)
		if m.Basis == nil || m.Basis.Cmp(big.NewRat(5, 1)) < 0 || m.Basis.Cmp(big.NewRat(30, 1)) > 0 {
			bad("mass.basis", "a moisture in percent is wanted", "5 to 30, for example basis: 14.0")
		}
		bad.within("mass.shrink_percent_per_point", m.ShrinkPercentPerPoint, 5)
		bad.within("mass.handling_percent", m.HandlingPercent, 20)
		if m.ShrinkPercentPerPoint != nil && m.When == "always" {
			bad("mass.when", "a shrink per point is for rice above the basis", "when: above")
		}
	}
	bad.within("cap_percent", c.CapPercent, 100)
	if len(c.Terms) == 0 && c.Mass == nil {
		bad("terms", "nothing in the contract depends on a figure", "see 'traytally settle template'")
	}
	seen := map[string]bool{}
	for i := range c.Terms {
		t := &c.Terms[i]
		t.check(bad, fmt.Sprintf("terms: %s", cmp.Or(t.label(), fmt.Sprintf("number %d", i+1))), seen[t.Factor])
		seen[t.Factor] = true
	}
}

func (t *Term) check(bad problem, at string, twice bool) {
	say := func(what, hint string) { bad(at, what, hint) }
	if t.Factor == "" {
		say("no factor", "factor: broken")
	}
	if twice {
		say("given twice", "put all of one factor's terms together")
	}
	bad.digits(at+": digits", t.Digits)
	bad.within(at+": free", t.Free, 1000)
	bad.within(at+": cap_percent", t.CapPercent, 100)
	if t.Base == nil {
		say("no base", "the figure at which the base price holds: base: 5.0")
		return
	}
	bands := len(t.Discount)+len(t.Premium) > 0
	if bands && t.Free != nil && t.Free.Sign() > 0 {
		bad.oneOf(at+": beyond_free", t.BeyondFree, "from_base", "from_free")
	}
	if bands {
		bad.oneOf(at+": fractions", t.Fractions, "proportional", "started", "complete")
	}
	if t.Point != nil && t.Point.Sign() <= 0 {
		say("a point of no size", "point: 0.5")
	}
	if len(t.Discount) > 0 && len(t.Steps) > 0 {
		say("both discount and steps", "one of them tells what is taken off")
	}
	if !bands && len(t.Steps) == 0 && t.Reject == nil {
		say("changes nothing", "give discount, premium, steps or reject")
	}
	if t.Reject != nil && t.away(exact(t.Reject)).Sign() < 0 {
		say("reject lies on the better side of base", "if more is better, say more_is_better: true")
	}
	checkSide(t, say, "discount", t.Discount, 1)
	checkSide(t, say, "premium", t.Premium, -1)
	checkSide(t, say, "step", t.Steps, 1)
}

// checkSide checks the rates on the worse side of base, sign 1, or on the better.
func checkSide[R Band | Step](t *Term, say func(what, hint string), what string, rates []R, sign int64) {
	last := new(big.Rat)
	var end *Decimal
	for i := range rates {
		r, n := Band(rates[i]), i+1
		if (r.Percent == nil) == (r.Money == nil) || exact(r.Percent).Sign() < 0 || exact(r.Money).Sign() < 0 {
			say(fmt.Sprintf("%s %d: one rate, not below nothing, is wanted", what, n), "in percent of the price, or in money")
		}
		if end = r.To; end == nil {
			if n < len(rates) {
				say(fmt.Sprintf("%s %d ends nowhere, and another follows", what, n), "give it to:")
			}
			continue
		}
		edge := mul(t.away(exact(end)), big.NewRat(sign, 1))
		if edge.Cmp(last) <= 0 {
			say(fmt.Sprintf("%s %d: to: %s does not lead farther away from base", what, n, end), "each begins where the one before ends, the first at base")
		}
		last = edge
	}
	if sign > 0 && end != nil && (t.Reject == nil || t.away(exact(t.Reject)).Cmp(last) > 0) {
		say(fmt.Sprintf("nothing is said beyond %s", end), "leave out the last to:, or reject what lies beyond it")
	}
}

// rate returns a rate in money per Base.Per.
func (c *Contract) rate(r Band) *big.Rat {
	if r.Percent != nil {
		return c.percent(r.Percent)
	}
	return exact(r.Money)
}

// percent returns a percentage of the base price.
func (c *Contract) percent(d *Decimal) *big.Rat {
	return quo(mul(exact(d), exact(c.Base.Price)), hundred)
}

// change returns what a term adds to the price per Base.Per, below zero where
// it takes off, for a figure that was rounded.
func (c *Contract) change(t *Term, v *big.Rat) *big.Rat {
	x := t.away(v)
	bands, sign := t.Discount, int64(-1)
	if x.Sign() < 0 {
		x.Neg(x)
		bands, sign = t.Premium, 1
	}
	sum := new(big.Rat)
	if x.Cmp(exact(t.Free)) > 0 {
		if sign < 0 && len(t.Steps) > 0 {
			sum = c.step(t, x)
		} else {
			sum = c.bands(t, bands, x)
		}
	}
	if t.CapPercent != nil {
		if most := c.percent(t.CapPercent); sum.Cmp(most) > 0 {
			sum = most
		}
	}
	return mul(sum, big.NewRat(sign, 1))
}

// step returns the discount of the step in which a figure x away from base
// lies; beyond the last step, where the lot is rejected, that of the last.
func (c *Contract) step(t *Term, x *big.Rat) *big.Rat {
	for _, s := range t.Steps {
		if s.To == nil || x.Cmp(t.away(exact(s.To))) <= 0 {
			return c.rate(Band(s))
		}
	}
	return c.rate(Band(t.Steps[len(t.Steps)-1]))
}

// bands adds up what the bands take, or add, for a figure x away from base.
func (c *Contract) bands(t *Term, bands []Band, x *big.Rat) *big.Rat {
	sum, from := new(big.Rat), new(big.Rat)
	if t.BeyondFree == "from_free" {
		from = exact(t.Free)
	}
	point := big.NewRat(1, 1)
	if t.Point != nil {
		point = exact(t.Point)
	}
	for _, b := range bands {
		to := x
		if b.To != nil {
			if edge := t.away(exact(b.To)); edge.Abs(edge).Cmp(to) < 0 {
				to = edge
			}
		}
		if to.Cmp(from) <= 0 {
			continue
		}
		n := quo(sub(to, from), point)
		if t.Fractions != "proportional" && !n.IsInt() {
			whole := new(big.Int).Quo(n.Num(), n.Denom())
			if t.Fractions == "started" {
				whole.Add(whole, big.NewInt(1))
			}
			n.SetInt(whole)
		}
		sum = add(sum, mul(n, c.rate(b)))
		from = to
	}
	return sum
}

// rejects reports whether a rounded figure lies beyond the term's last limit.
func (t *Term) rejects(v *big.Rat) bool {
	return t.Reject != nil && t.away(v).Cmp(t.away(exact(t.Reject))) > 0
}

// massFactor returns what is paid for of one unit of mass with moisture v.
func (m *MassRule) massFactor(v *big.Rat) *big.Rat {
	over := sub(v, exact(m.Basis))
	if m.When == "above" && over.Sign() <= 0 {
		return big.NewRat(1, 1)
	}
	f := quo(sub(hundred, v), sub(hundred, exact(m.Basis)))
	if m.ShrinkPercentPerPoint != nil {
		f = sub(big.NewRat(1, 1), quo(mul(over, exact(m.ShrinkPercentPerPoint)), hundred))
	}
	if m.HandlingPercent != nil && over.Sign() > 0 {
		f = mul(f, sub(big.NewRat(1, 1), quo(exact(m.HandlingPercent), hundred)))
	}
	return f
}
