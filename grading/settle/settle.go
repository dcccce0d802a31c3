package settle

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading"
	"traytally/grading/mill"
	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// Moisture is the code of the figure that MassRule asks for.
const Moisture = "moisture"

// A Delivery is what was delivered.
type Delivery struct {
	Mass *Decimal // in the unit of Base.Per
	// MassFigure is the same with its interval; Bare where the weight is taken
	// as agreed.
	MassFigure mill.Figure
	// Figures holds what was found, by the factor of a term and Moisture, in
	// the term's unit. What is missing is left open.
	Figures map[string]Found
}

// A Found figure says where it is from.
type Found struct {
	mill.Figure
	From string
}

// What became of a line.
const (
	Discounted = "discount"
	Premium    = "premium"
	Unchanged  = "none"
	Open       = "open"     // no figure: nothing is taken off or added yet
	Rejected   = "rejected" // beyond what the contract takes
)

// A Line is what one term does to the price.
type Line struct {
	Factor string       `json:"factor"`
	Name   string       `json:"name"`
	Unit   string       `json:"unit"`
	Clause string       `json:"clause"`
	Figure *mill.Figure `json:"figure"` // as found; null where open
	Taken  *Decimal     `json:"taken"`  // as rounded by the contract
	From   string       `json:"from"`
	Base   *Decimal     `json:"base"`
	Effect string       `json:"effect"`
	// Amount is what the line adds to the amount, in money; Low and High are
	// the 95 % interval of that, at the adjusted mass as it is.
	Amount *Decimal `json:"amount"`
	Low    *Decimal `json:"low"`
	High   *Decimal `json:"high"`
	// Most is the most that an open line may take off, null where nothing
	// bounds it.
	Most *Decimal `json:"most"`
	// Reject is the contract's last limit, and BeyondPct the chance in percent
	// that the lot is beyond it.
	Reject    *Decimal `json:"reject"`
	BeyondPct *float64 `json:"beyond_pct"`
}

// A Settlement is what is to be paid and why.
type Settlement struct {
	Currency string   `json:"currency"`
	Per      string   `json:"per"` // the unit of masses, and what prices are for
	Price    *Decimal `json:"base_price"`

	Delivered *Decimal     `json:"delivered_mass"`
	Moisture  *mill.Figure `json:"moisture"` // null where not asked for, or open
	// MoistureTaken is the moisture as rounded by the contract.
	MoistureTaken *Decimal `json:"moisture_taken"`
	Adjusted      *Decimal `json:"adjusted_mass"`
	// MassOpen: the contract adjusts the mass by moisture, and none is known.
	MassOpen   bool   `json:"mass_open"`
	MassClause string `json:"mass_clause"`

	// Gross is the adjusted mass at the base price; Amount is Gross and all
	// lines.
	Gross  *Decimal `json:"gross"`
	Lines  []Line   `json:"lines"`
	Amount *Decimal `json:"amount"`
	// Low and High are the 95 % interval of Amount that the figures' intervals
	// leave; null where none has one.
	Low  *Decimal `json:"low"`
	High *Decimal `json:"high"`
	// FinalPrice is Amount for one Per of adjusted mass.
	FinalPrice *Decimal `json:"final_price"`
	Rejected   []string `json:"rejected"` // names of terms beyond their last limit
	Open       []string `json:"open"`     // names of figures that are missing
	Bare       []string `json:"without_interval"`
}

// Settle works out what is to be paid for a delivery. Errors are
// *fault.Error.
func (c *Contract) Settle(d Delivery) (*Settlement, error) {
	if d.Mass == nil || d.Mass.Sign() <= 0 {
		return nil, fault.Usagef("give the mass delivered: 24.98t", "a delivery without mass")
	}
	s := &Settlement{
		Currency: c.Base.Currency, Per: c.Base.Per, Price: c.Base.Price,
		Delivered: d.Mass, Lines: []Line{}, Rejected: []string{}, Open: []string{}, Bare: []string{},
	}
	factor := big.NewRat(1, 1)
	if c.Mass != nil {
		s.MassClause = c.Mass.Clause
		if f, ok := d.Figures[Moisture]; ok {
			s.Moisture, s.MoistureTaken = &f.Figure, c.taken(f.Value, c.Mass.Digits)
			factor = c.Mass.massFactor(exact(s.MoistureTaken))
			s.Bare = noted(s.Bare, Moisture, f.Bare)
		} else {
			s.MassOpen, s.Open = true, append(s.Open, Moisture)
		}
	}
	if factor.Sign() <= 0 {
		return nil, fault.Usagef("check the moisture, and the contract's shrink", "at a moisture of %s %% the contract pays for no mass at all", s.MoistureTaken)
	}
	s.Adjusted = c.Rounding.Mode.round(mul(exact(d.Mass), factor), int(c.Rounding.MassDigits))
	mass := exact(s.Adjusted)
	if mass.Sign() == 0 {
		return nil, fault.Usagef("check the mass and its unit, and the contract's mass_digits", "a mass of %s %s is nothing at the contract's %d decimals", d.Mass, c.Base.Per, c.Rounding.MassDigits)
	}
	s.Gross = c.money(mul(mass, exact(c.Base.Price)))
	sum, perUnit := exact(s.Gross), new(big.Rat)
	for i := range c.Terms {
		l, change := c.line(&c.Terms[i], d, mass)
		s.Lines = append(s.Lines, l)
		s.Open = noted(s.Open, l.Name, l.Effect == Open)
		s.Bare = noted(s.Bare, l.Name, l.Figure != nil && l.Figure.Bare)
		if l.Effect == Rejected {
			s.Rejected = append(s.Rejected, l.Name)
		}
		sum, perUnit = add(sum, exact(l.Amount)), add(perUnit, change)
	}
	if least := c.least(); least != nil && perUnit.Cmp(least) < 0 {
		// What comes off is the cap to the last unit, whatever the lines' rounding.
		back := &Decimal{digits: s.Gross.digits}
		back.Sub(exact(c.money(mul(mass, least))), sub(sum, exact(s.Gross)))
		s.Lines = append(s.Lines, Line{Factor: "cap", Name: fmt.Sprintf("at most %s %% off", c.CapPercent), Clause: c.CapClause, Effect: Premium, Amount: back})
		sum = add(sum, exact(back))
	}
	s.Amount = c.money(sum)
	s.FinalPrice = c.money(quo(exact(s.Amount), mass))
	if lo, hi, ok := c.interval(d); ok {
		s.Low, s.High = c.moneyOf(lo), c.moneyOf(hi)
	}
	return s, nil
}

// noted adds a name to a list that it is not in, where it is to be.
func noted(names []string, name string, is bool) []string {
	if is && !slices.Contains(names, name) {
		return append(names, name)
	}
	return names
}

func (c *Contract) money(x *big.Rat) *Decimal {
	return c.Rounding.Mode.round(x, int(c.Rounding.AmountDigits))
}

func (c *Contract) moneyOf(x float64) *Decimal { return c.money(new(big.Rat).SetFloat64(x)) }

// least is the change per Base.Per below which all terms together do not take
// the price; nil without a cap.
func (c *Contract) least() *big.Rat {
	if c.CapPercent == nil {
		return nil
	}
	return new(big.Rat).Neg(c.percent(c.CapPercent))
}

// line works out what a term does to the price of a mass, and the change per
// Base.Per.
func (c *Contract) line(t *Term, d Delivery, mass *big.Rat) (l Line, change *big.Rat) {
	l = Line{Factor: t.Factor, Name: t.label(), Unit: t.unit(), Clause: t.Clause, Base: t.Base, Reject: t.Reject, Effect: Open}
	f, ok := d.Figures[t.Factor]
	if !ok {
		if t.CapPercent != nil {
			l.Most = c.money(mul(mass, c.percent(t.CapPercent)))
		}
		return l, new(big.Rat)
	}
	l.Figure, l.From, l.Taken = &f.Figure, f.From, c.taken(f.Value, t.Digits)
	change = c.change(t, exact(l.Taken))
	l.Amount = c.money(mul(mass, change))
	l.Effect = Unchanged
	switch {
	case t.rejects(exact(l.Taken)):
		l.Effect = Rejected
	case change.Sign() < 0:
		l.Effect = Discounted
	case change.Sign() > 0:
		l.Effect = Premium
	}
	if f.Bare {
		return l, change
	}
	values := c.values(f.Figure, t.Digits)
	changes, m := c.changes(t, values), float(mass)
	l.Low, l.High = c.moneyOf(changes.quantile(0.025)*m), c.moneyOf(changes.quantile(0.975)*m)
	if t.Reject != nil {
		beyond := 0.0
		for _, v := range values {
			if t.rejects(v.value) {
				beyond += v.p
			}
		}
		beyond = 100 * min(1, beyond)
		l.BeyondPct = &beyond
	}
	return l, change
}

func (t *Term) unit() string { return cmp.Or(t.Unit, "%") }

// taken returns a measured figure as the contract takes it.
func (c *Contract) taken(v float64, digits standards.Whole) *Decimal {
	// Figures are measured to six decimals at most; what lies behind them is
	// the noise of binary fractions, which must not decide a half.
	r := HalfUp.round(new(big.Rat).SetFloat64(v), 6)
	return c.Rounding.Mode.round(exact(r), int(digits))
}

// A chance is a value that a figure may have, as the contract rounds it, and its
// probability.
type chance struct {
	value *big.Rat
	p     float64
}

// farOut is how many standard deviations of a figure are looked at on either
// side; beyond them lie less than a millionth of all cases.
const farOut = 5

// mostPoints bounds the values of one figure that are told apart.
const mostPoints = 400

// values returns what a measured figure with the interval of fig may be, rounded
// as the contract rounds it: normal on either side of its value, cut at 0.
func (c *Contract) values(fig mill.Figure, digits standards.Whole) []chance {
	if fig.Bare || fig.Low == fig.High {
		return []chance{{exact(c.taken(fig.Value, digits)), 1}}
	}
	lower, upper := fig.Value-fig.At(-1), fig.At(1)-fig.Value
	below := func(v float64) float64 { // the chance of less than v
		switch {
		case v < fig.Value && lower == 0:
			return 0
		case v < fig.Value:
			return distuv.UnitNormal.CDF((v - fig.Value) / lower)
		case upper == 0:
			return 1
		}
		return distuv.UnitNormal.CDF((v - fig.Value) / upper)
	}
	step := math.Pow10(-int(digits))
	least := math.Round(max(0, fig.Value-farOut*lower) / step)
	most := math.Round((fig.Value + farOut*upper) / step)
	by := math.Ceil(max(1, (most-least)/mostPoints))
	var out []chance
	before := 0.0
	for k := least; k < most+by; k += by {
		p := below((k + by/2) * step)
		if k+by >= most+by {
			p = 1
		}
		if p > before {
			out = append(out, chance{quo(new(big.Rat).SetInt64(int64(k)), powerOfTen(int(digits))), p - before})
			before = p
		}
	}
	return out
}

// A point of a discrete distribution: the value x has the probability p.
type point struct{ x, p float64 }

// points are a discrete distribution.
type points []point

// changes returns how what a term adds to the price is distributed.
func (c *Contract) changes(t *Term, values []chance) (out points) {
	for _, v := range values {
		out = append(out, point{float(c.change(t, v.value)), v.p})
	}
	return out
}

// merge sorts a distribution and puts together what is closer than grain.
func (ps points) merge(grain float64) points {
	slices.SortFunc(ps, func(a, b point) int { return cmp.Compare(a.x, b.x) })
	out := ps[:0:0]
	for _, q := range ps {
		if n := len(out); n > 0 && q.x-out[n-1].x <= grain {
			last := &out[n-1]
			last.x = (last.x*last.p + q.x*q.p) / (last.p + q.p)
			last.p += q.p
			continue
		}
		out = append(out, q)
	}
	return out
}

// plus returns the distribution of the sum of two independent values, told
// apart to a 1000th of its range.
func (ps points) plus(qs points) points {
	out := make(points, 0, len(ps)*len(qs))
	least, most := math.Inf(1), math.Inf(-1)
	for _, a := range ps {
		for _, b := range qs {
			out = append(out, point{a.x + b.x, a.p * b.p})
			least, most = min(least, a.x+b.x), max(most, a.x+b.x)
		}
	}
	return out.merge((most - least) / 1000)
}

// quantile returns the least value that p or more of the distribution do not
// exceed.
func (ps points) quantile(p float64) float64 {
	sorted := slices.Clone(ps).merge(0)
	sum := 0.0
	for _, q := range sorted {
		if sum += q.p; sum >= p {
			return q.x
		}
	}
	return sorted[len(sorted)-1].x
}

// massQuantiles is by how many values of equal probability the doubt of the
// weight is stood for.
const massQuantiles = 41

// interval returns the 95 % interval of the amount: the figures are taken as
// independent, each runs through the contract at every value that it may
// have, and the changes are added up as distributions. ok is false where no
// figure has an interval.
func (c *Contract) interval(d Delivery) (low, high float64, ok bool) {
	price := c.Base.Price.Float()
	changes := points{{0, 1}}
	var wet *Term
	for i := range c.Terms {
		t := &c.Terms[i]
		f, found := d.Figures[t.Factor]
		ok = ok || found && !f.Bare
		switch {
		case !found:
		case t.Factor == Moisture:
			wet = t
		default:
			changes = changes.plus(c.changes(t, c.values(f.Figure, t.Digits)).merge(0))
		}
	}
	least := math.Inf(-1)
	if x := c.least(); x != nil {
		least = float(x)
	}
	masses := points{{d.Mass.Float(), 1}}
	if m := d.MassFigure; !m.Bare && m.High > m.Low {
		ok = true
		masses = nil
		for i := range massQuantiles {
			z := distuv.UnitNormal.Quantile((float64(i) + 0.5) / massQuantiles)
			masses = append(masses, point{m.At(z), 1.0 / massQuantiles})
		}
	}
	if f, found := d.Figures[Moisture]; found && c.Mass != nil {
		ok = ok || !f.Bare
	}
	if !ok {
		return 0, 0, false
	}
	cases := c.moistures(d, wet)
	upTo := make([]float64, len(changes)) // cumulated
	sum := 0.0
	for i, q := range changes {
		sum += q.p
		upTo[i] = sum
	}
	below := func(amount float64) float64 {
		total := 0.0
		for _, m := range masses {
			for _, k := range cases {
				most := amount/(m.x*k.factor) - price
				if most < least {
					continue
				}
				if i := sort.Search(len(changes), func(i int) bool { return changes[i].x > most-k.change }); i > 0 {
					total += m.p * k.p * upTo[i-1]
				}
			}
		}
		return total
	}
	quantile := func(p float64) float64 {
		gross := price * d.Mass.Float()
		return grading.Bisect(3*gross, -gross, 80, func(amount float64) bool { return below(amount) >= p })
	}
	return quantile(0.025), quantile(0.975), true
}

// A moist is one value that the moisture may have: what it does to the mass and
// to the price.
type moist struct{ factor, change, p float64 }

// moistures returns what the moisture may do; wet is the term on it, nil without.
func (c *Contract) moistures(d Delivery, wet *Term) (out []moist) {
	f, found := d.Figures[Moisture]
	if !found || c.Mass == nil && wet == nil {
		return []moist{{1, 0, 1}}
	}
	digits := standards.Whole(0)
	if c.Mass != nil {
		digits = c.Mass.Digits
	}
	if wet != nil {
		digits = max(digits, wet.Digits)
	}
	for _, v := range c.values(f.Figure, digits) {
		m := moist{factor: 1, p: v.p}
		if c.Mass != nil {
			m.factor = float(c.Mass.massFactor(exact(c.Rounding.Mode.round(v.value, int(c.Mass.Digits)))))
		}
		if wet != nil {
			m.change = float(c.change(wet, exact(c.Rounding.Mode.round(v.value, int(wet.Digits)))))
		}
		out = append(out, m)
	}
	return out
}

// Unit returns the unit of a figure that the contract asks for.
func (c *Contract) Unit(code string) string {
	for i := range c.Terms {
		if c.Terms[i].Factor == code {
			return c.Terms[i].unit()
		}
	}
	return "%"
}

// Codes lists the figures that the contract asks for.
func (c *Contract) Codes() []string {
	var out []string
	if c.Mass != nil {
		out = append(out, Moisture)
	}
	for i := range c.Terms {
		if !slices.Contains(out, c.Terms[i].Factor) {
			out = append(out, c.Terms[i].Factor)
		}
	}
	return out
}
