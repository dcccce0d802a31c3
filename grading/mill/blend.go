package mill

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/vision/kernel/fault"
)

// A Stream is one graded heap or bin that may go into a blend.
type Stream struct {
	Name string
	// Shares holds its figures by the code of the limit, in the limit's unit.
	// All are per mass of the stream, so that a blend's figure is the mean of
	// its streams' by mass.
	Shares     map[string]Figure
	HaveKg     *float64 // what there is; nil: enough
	ValuePerKg *float64 // what it brings when sold by itself, in any money; nil: not known
}

// A Limit is one bound that the blend must keep.
type Limit struct {
	Code    string  `json:"code"`
	Label   string  `json:"label"`
	AtLeast bool    `json:"at_least"` // else at most
	Value   float64 `json:"value"`
	Unit    string  `json:"unit"`
	Strict  bool    `json:"strict"` // the value itself is not allowed
	Note    string  `json:"note"`
}

// String writes the limit in words: "broken at most 5 %".
func (l *Limit) String() string {
	bound := "at most"
	switch {
	case l.AtLeast && l.Strict:
		bound = "over"
	case l.AtLeast:
		bound = "at least"
	case l.Strict:
		bound = "under"
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s", l.Label, bound, trim(l.Value), l.Unit))
}

// ByGain is the objective of the blend that gains most: its price less the
// value of the streams that go into it. The price being that of the grade
// whatever goes in, it is the blend whose streams are worth least.
const ByGain = "gain"

// BlendOptions is what is asked of a blend.
type BlendOptions struct {
	Streams []Stream
	Limits  []Limit
	// Maximise is ByGain, or the code of the share to have most of.
	Maximise   string
	PricePerKg *float64 // of the blend; nil: not known
	BatchKg    float64  // > 0
	// Guard is how many standard uncertainties the blend keeps away from every
	// limit, >= 0. At DefaultGuard 95 of 100 such blends keep a limit that the
	// plan goes up to.
	Guard float64
	// DosingPct is the half width of the 95 % interval of each mass put in,
	// percent of it, in [0, 50].
	DosingPct float64
}

// DefaultGuard is the one-sided 95 % point of the standard normal
// distribution: guarded acceptance that keeps the risk of passing a blend that
// is beyond the limit at 5 % (JCGM 106:2012; the factor from memory).
const DefaultGuard = 1.6448536269514722

// DefaultDosingPct is what a belt scale or a batch hopper in good order is
// usually taken to keep. Common practice, no source.
const DefaultDosingPct = 1

// A BlendStream is the part of one stream in the plan.
type BlendStream struct {
	Name     string   `json:"stream"`
	SharePct float64  `json:"share_pct"`
	MassKg   float64  `json:"mass_kg"` // a multiple of StepKg; all together are the batch
	HaveKg   *float64 `json:"have_kg"`
	// MoreKg and LessKg tell how much more, and how much less, of this stream
	// alone the blend bears until its figures reach a limit, guard not
	// counted; null where no amount does.
	MoreKg *float64 `json:"bears_more_kg"`
	LessKg *float64 `json:"bears_less_kg"`
}

// A BlendLine is one limit with the blend's figure.
type BlendLine struct {
	Limit
	Blend Figure `json:"blend"` // with the doubt of the dosing
	// Guarded is the figure moved towards the limit by the guard.
	Guarded float64 `json:"guarded"`
	Binding bool    `json:"binding"` // the plan goes up to this limit
	// BeyondPct is the chance that the blend is beyond the limit all the same,
	// percent; null without an interval.
	BeyondPct *float64 `json:"chance_beyond_pct"`
}

// A Conflict is a limit that forbids the blend, alone or with others.
type Conflict struct {
	What string `json:"what"`
	// Best is the best figure these streams can reach while the other
	// conflicting limits hold; BestGuarded has the guard on it. Null for a
	// stock.
	Best        *float64 `json:"best"`
	BestGuarded *float64 `json:"best_guarded"`
	Limit       *float64 `json:"limit"`
	Unit        string   `json:"unit"`
}

// A Blend is a plan for mixing, or the reason why there is none.
type Blend struct {
	Feasible bool   `json:"feasible"`
	Maximise string `json:"maximise"`
	// WorthPerKg is what the streams in a kg of the blend would bring sold by
	// themselves, GainPerKg the price less that; null where not known.
	WorthPerKg *float64      `json:"worth_per_kg"`
	GainPerKg  *float64      `json:"gain_per_kg"`
	BatchKg    float64       `json:"batch_kg"`
	StepKg     float64       `json:"step_kg"` // that masses are rounded to
	Guard      float64       `json:"guard"`
	DosingPct  float64       `json:"dosing_pct"`
	Streams    []BlendStream `json:"streams"`
	Lines      []BlendLine   `json:"limits"`
	// Conflicts is a smallest set of limits that cannot hold together; where
	// single limits cannot hold at all, it is those.
	Conflicts []Conflict `json:"conflicts"`
	// Single reports that each of Conflicts forbids the blend on its own.
	Single bool `json:"each_forbids_alone"`
	// Bare lists figures that were given without an interval: no guard is kept
	// for them.
	Bare []string `json:"without_interval"`
}

// lineTol is how far, in units of a limit's scale, a plan may pass its guarded
// limit for numerical reasons.
const lineTol = 1e-7

// PlanBlend finds the shares that maximise the objective within all limits,
// each tightened by the guard. Errors are *fault.Error; limits that cannot hold
// are no error: Feasible is then false and Conflicts says why.
//
// The streams' figures are taken as independent. A whole-kernel length picked
// for all of them errs for all of them alike, which is left out: with 200 picked
// kernels it makes 0.5 of the 2.2 points that a stream half broken is in doubt
// (600 drawn kernels), and next to nothing of head rice.
//
// A blend's figure is b = Σ x_i·b_i, its variance
// u² = Σ x_i²·u_i² + Σ x_i²·(b_i - b)²·d² with the relative standard
// uncertainty d of each dosed mass (mass balance, propagated). In the guard
// the last b stands at the limit, where the guard counts. So b + z·u <= limit
// is a convex condition; the linear programme is solved again with a tangent
// plane of it added wherever its solution breaks it (J.E. Kelley, J. SIAM 8
// (1960) 703-712, from memory), until none is broken.
func PlanBlend(o BlendOptions) (*Blend, error) {
	b := &blender{BlendOptions: o}
	if err := b.check(); err != nil {
		return nil, err
	}
	b.constrain()
	out := &Blend{
		Maximise: o.Maximise, BatchKg: o.BatchKg, Guard: o.Guard, DosingPct: o.DosingPct, Bare: b.bare(),
		Streams: []BlendStream{}, Lines: []BlendLine{}, Conflicts: []Conflict{},
	}
	x, feasible, err := b.solve(b.gain(), b.all, noSoft)
	if err != nil {
		return nil, err
	}
	if !feasible {
		return out, b.explain(out)
	}
	out.Feasible = true
	b.describe(out, x)
	return out, nil
}

type blender struct {
	BlendOptions
	bounds []bound // the limits in their order, then stocks
	all    []int   // their indices, which are the owners of rows
}

// A bound is what constrains the shares: a limit, or what there is of a stream.
// A limit from below is turned round, so that every row is an upper bound.
type bound struct {
	row             // without the guard
	limit *Limit    // or else
	stock *Stream   // whose mass it is
	u     []float64 // see doubts, towards the limit; nil for a stock
}

func (b *blender) check() error {
	switch {
	case len(b.Streams) < 2:
		return fault.Usagef("name two streams or more", "%d stream to blend", len(b.Streams))
	case len(b.Limits) == 0:
		return fault.Usagef("give a limit, for example --at-most broken=5", "nothing to keep to")
	case !(b.BatchKg > 0) || !finite(b.BatchKg):
		return fault.Usagef("give the mass of the batch, for example --batch 5t", "batch of %g kg", b.BatchKg)
	case !(b.Guard >= 0 && b.Guard <= 10):
		return fault.Usagef("standard uncertainties to keep from each limit, 0 to 10; 1.645 is usual", "guard of %g", b.Guard)
	case b.PricePerKg != nil && !finite(*b.PricePerKg):
		return fault.Usagef("give money per kg", "price of %g per kg", *b.PricePerKg)
	case !(b.DosingPct >= 0 && b.DosingPct <= 50):
		return fault.Usagef("percent of each mass, 0 to 50", "dosing known to %g %%", b.DosingPct)
	}
	names := map[string]bool{}
	have := 0.0
	for i := range b.Streams {
		s := &b.Streams[i]
		if names[s.Name] {
			return fault.Usagef("give each stream a name of its own", "stream %q comes twice", s.Name)
		}
		names[s.Name] = true
		if err := b.checkStream(s); err != nil {
			return err
		}
		if s.HaveKg == nil {
			have = math.Inf(1)
		} else {
			have += *s.HaveKg
		}
	}
	if have < b.BatchKg*(1-1e-12) {
		return fault.Usagef("make the batch smaller", "all streams together hold %s kg, the batch is %s kg", trim(have), trim(b.BatchKg))
	}
	return nil
}

func (b *blender) checkStream(s *Stream) error {
	for _, l := range b.Limits {
		f, ok := s.Shares[l.Code]
		if !ok {
			return fault.Usagef(fmt.Sprintf("give it, or leave the limit on %s out", l.Label), "stream %s has no figure for %s", s.Name, l.Label)
		}
		if !(f.Low <= f.Value && f.Value <= f.High) || !finite(f.Low) || !finite(f.High) {
			return fault.Usagef("low, value and high must rise", "stream %s, %s: %g, interval %g to %g", s.Name, l.Label, f.Value, f.Low, f.High)
		}
	}
	_, known := s.Shares[b.Maximise]
	switch {
	case s.HaveKg != nil && !(*s.HaveKg >= 0):
		return fault.Usagef("give what there is in kg", "stream %s: %g kg in stock", s.Name, *s.HaveKg)
	case b.Maximise == ByGain && s.ValuePerKg == nil:
		return fault.Usagef("give the value of every stream, or maximise a share", "the value of stream %s is not known", s.Name)
	case s.ValuePerKg != nil && !finite(*s.ValuePerKg):
		return fault.Usagef("give money per kg", "stream %s: value of %g per kg", s.Name, *s.ValuePerKg)
	case b.Maximise != ByGain && !known:
		return fault.Usagef("give it, or maximise something else", "stream %s has no figure for %s", s.Name, b.Maximise)
	}
	return nil
}

// bare lists the figures without an interval.
func (b *blender) bare() []string {
	out := []string{}
	for _, s := range b.Streams {
		for _, l := range b.Limits {
			if s.Shares[l.Code].Bare {
				out = append(out, s.Name+": "+l.Label)
			}
		}
	}
	return out
}

func (b *blender) gain() []float64 {
	gain := make([]float64, len(b.Streams))
	for i, s := range b.Streams {
		if b.Maximise == ByGain {
			gain[i] = -*s.ValuePerKg
		} else {
			gain[i] = s.Shares[b.Maximise].Value
		}
	}
	return gain
}

// constrain makes the bounds.
func (b *blender) constrain() {
	add := func(c bound) {
		for _, v := range c.coef {
			c.unit = max(c.unit, math.Abs(v-c.bound))
		}
		if c.unit == 0 {
			c.unit = 1
		}
		if c.limit != nil && c.limit.Strict {
			c.bound -= 1e-5 * c.unit
		}
		c.owner = len(b.bounds)
		b.bounds, b.all = append(b.bounds, c), append(b.all, c.owner)
	}
	for i := range b.Limits {
		l := &b.Limits[i]
		c := bound{limit: l, row: row{bound: l.sign() * l.Value}, u: b.doubts(l, l.Value, l.sign())}
		for _, s := range b.Streams {
			c.coef = append(c.coef, l.sign()*s.Shares[l.Code].Value)
		}
		add(c)
	}
	for j := range b.Streams {
		if s := &b.Streams[j]; s.HaveKg != nil && *s.HaveKg < b.BatchKg {
			c := bound{stock: s, row: row{coef: make([]float64, len(b.Streams)), bound: *s.HaveKg / b.BatchKg}}
			c.coef[j] = 1
			add(c)
		}
	}
}

func (l *Limit) sign() float64 {
	if l.AtLeast {
		return -1
	}
	return 1
}

// figure is what the blend has of the limit's share.
func (c *bound) figure(x []float64) float64 { return c.limit.sign() * floats.Dot(c.coef, x) }

// over is by how much the blend, with its guard, is over the bound.
func (c *bound) over(x []float64, guard float64) float64 {
	return floats.Dot(c.coef, x) + guard*uncertainty(x, c.u) - c.bound
}

// doubts returns, for each stream, the standard uncertainty that a share of 1
// of it brings to the figure of limit l, towards the limit; the dosing counted
// about the figure at.
func (b *blender) doubts(l *Limit, at float64, towards float64) []float64 {
	d := b.DosingPct / 100 / z95
	u := make([]float64, len(b.Streams))
	for i := range b.Streams {
		f := b.Streams[i].Shares[l.Code]
		u[i] = math.Hypot(math.Abs(f.At(towards)-f.Value), d*(f.Value-at))
	}
	return u
}

// uncertainty returns the root of Σ x²·u².
func uncertainty(x, u []float64) float64 {
	s := 0.0
	for i := range u {
		s += x[i] * x[i] * u[i] * u[i]
	}
	return math.Sqrt(s)
}

// mostCuts bounds the rounds of tangent planes of one solution: a handful for
// two or three streams, about a hundred for nine. Where guarded limits can only
// just hold, at one point, they near it ever more slowly: every slackAfter rounds
// the slack of what counts as kept is doubled, to 0.06 % of a row's unit at the
// most.
const (
	mostCuts   = 500
	slackAfter = 40
)

// solve maximises gain within the bounds of the owners given. feasible is false
// where they cannot all hold; x then breaks them about as little as can be. With
// soft, and no gain, the bound of that owner is broken as little as can be
// instead.
func (b *blender) solve(gain []float64, owners []int, soft int) (x []float64, feasible bool, err error) {
	var rows []row
	for _, o := range owners {
		rows = append(rows, b.bounds[o].row)
	}
	for round := range mostCuts {
		x, broken, err := mix(gain, rows, soft)
		if err != nil {
			return nil, false, err
		}
		if broken > lineTol {
			return x, false, nil
		}
		// What rows of the soft owner are broken by so far.
		free := 0.0
		for i := range rows {
			if rows[i].owner == soft {
				free = max(free, floats.Dot(rows[i].coef, x)-rows[i].bound)
			}
		}
		done := true
		for _, o := range owners {
			c := &b.bounds[o]
			allowed := lineTol * math.Exp2(float64(round)/slackAfter) * c.unit
			if o == soft {
				allowed += free
			}
			s := uncertainty(x, c.u)
			if b.Guard*s == 0 || c.over(x, b.Guard) <= allowed {
				continue
			}
			cut := c.row
			cut.coef = slices.Clone(c.coef)
			for i := range cut.coef {
				cut.coef[i] += b.Guard * c.u[i] * c.u[i] * x[i] / s
			}
			rows, done = append(rows, cut), false
		}
		if done {
			return x, true, nil
		}
	}
	return nil, false, fmt.Errorf("blend: not settled after %d rounds", mostCuts)
}

// explain finds which limits forbid the blend.
func (b *blender) explain(out *Blend) error {
	any := make([]float64, len(b.Streams))
	limits, stocks := b.all[:len(b.Limits)], b.all[len(b.Limits):]
	var conflict []int
	for _, o := range limits {
		_, ok, err := b.solve(any, []int{o}, noSoft)
		if err != nil {
			return err
		}
		if !ok {
			conflict = append(conflict, o)
		}
	}
	out.Single = len(conflict) > 0
	if !out.Single {
		// Leave out what is not needed for the contradiction, stocks first
		// (deletion filter: J.W. Chinneck, E.W. Dravnieks, ORSA J. Comput. 3
		// (1991) 157-168, from memory). What is left is a smallest set: without
		// any one of it the rest can hold.
		conflict = b.all
		for _, o := range slices.Concat(stocks, limits) {
			rest := slices.DeleteFunc(slices.Clone(conflict), func(p int) bool { return p == o })
			_, ok, err := b.solve(any, rest, noSoft)
			if err != nil {
				return err
			}
			if !ok {
				conflict = rest
			}
		}
	}
	for _, o := range conflict {
		c := &b.bounds[o]
		if s := c.stock; s != nil {
			out.Conflicts = append(out.Conflicts, Conflict{What: fmt.Sprintf("stock of %s, %s kg", s.Name, trim(*s.HaveKg)), Unit: "kg", Limit: s.HaveKg})
			continue
		}
		l := c.limit
		found := Conflict{What: l.String(), Unit: l.Unit, Limit: &l.Value}
		owners := conflict
		if out.Single {
			owners = []int{o}
		}
		x, ok, err := b.solve(any, owners, o)
		if err != nil {
			return err
		}
		if ok {
			value := c.figure(x)
			found.Best, found.BestGuarded = rounded(value), rounded(value+l.sign()*b.Guard*uncertainty(x, c.u))
		}
		out.Conflicts = append(out.Conflicts, found)
	}
	return nil
}

// describe fills in the plan with the shares x.
func (b *blender) describe(out *Blend, x []float64) {
	for i := range x {
		if x[i] < 1e-9 {
			x[i] = 0
		}
	}
	floats.Scale(1/floats.Sum(x), x)
	for i := range b.Limits {
		out.Lines = append(out.Lines, b.line(&b.bounds[i], x))
	}
	out.StepKg = stepOf(b.BatchKg)
	masses := b.weighOut(x, out.StepKg)
	for i := range b.Streams {
		s := BlendStream{Name: b.Streams[i].Name, SharePct: *rounded(100 * x[i]), MassKg: masses[i], HaveKg: b.Streams[i].HaveKg}
		s.MoreKg, s.LessKg = b.bears(i, x)
		out.Streams = append(out.Streams, s)
	}
	worth := 0.0
	for i, s := range b.Streams {
		if s.ValuePerKg == nil {
			return
		}
		worth += x[i] * *s.ValuePerKg
	}
	out.WorthPerKg = rounded(worth)
	if b.PricePerKg != nil {
		out.GainPerKg = rounded(*b.PricePerKg - worth)
	}
}

// line tells what the blend has of a limit's share.
func (b *blender) line(c *bound, x []float64) BlendLine {
	l := c.limit
	v, u := c.figure(x), uncertainty(x, c.u)
	line := BlendLine{
		Limit: *l, Blend: Figure{Value: v, Low: v - z95*uncertainty(x, b.doubts(l, v, -1)), High: v + z95*uncertainty(x, b.doubts(l, v, 1))},
		Guarded: *rounded(v + l.sign()*b.Guard*u), Binding: c.over(x, b.Guard) > -1e-5*c.unit,
	}
	if l.Unit == "%" {
		line.Blend = line.Blend.within(0, 100)
	}
	for j, s := range b.Streams {
		line.Blend.Bare = line.Blend.Bare || x[j] > 0 && s.Shares[l.Code].Bare
	}
	if line.Blend.Bare {
		return line
	}
	p := 0.0
	switch room := l.sign() * (l.Value - v); {
	case u > 0:
		p = 100 * distuv.UnitNormal.Survival(room/u)
	case room < 0:
		p = 100
	}
	line.BeyondPct = rounded(p)
	return line
}

// stepOf returns the power of ten that masses of a batch are rounded to, a
// hundred-thousandth of the batch or less: 10 g in a tonne.
func stepOf(batchKg float64) float64 { return math.Pow10(int(math.Floor(math.Log10(batchKg))) - 5) }

// manyStreams is the number of streams from which on masses are rounded by
// their remainders alone.
const manyStreams = 12

// weighOut rounds the masses of the shares x to steps so that they make the
// batch; what is left of a batch that is no multiple of the step goes to the
// greatest. Of all ways to round each up or down, and one step more of the
// greatest where others are at their stocks, it takes the one that breaks limits
// and stocks least, then the one nearest to x.
func (b *blender) weighOut(x []float64, step float64) []float64 {
	total := b.BatchKg / step
	down := make([]float64, len(x))
	up := make([]float64, len(x)) // what is cut off, in steps
	left := int(math.Floor(total + 1e-6))
	for i := range x {
		m := x[i] * total
		down[i] = math.Floor(m + 1e-6)
		up[i] = max(0, m-down[i])
		left -= int(down[i])
	}
	order := make([]int, len(x))
	floats.ArgsortStable(slices.Clone(up), order)
	slices.Reverse(order)
	best := slices.Clone(down)
	for _, i := range order[:min(max(0, left), len(x))] {
		best[i]++
	}
	if len(x) < manyStreams {
		broken, off := math.Inf(1), math.Inf(1)
		for ways := range 1 << len(x) {
			over := left - bits.OnesCount(uint(ways))
			if over < 0 || over > 1 {
				continue
			}
			try, far := slices.Clone(down), 0.0
			for i := range try {
				if ways>>i&1 == 1 {
					try[i]++
				}
			}
			try[floats.MaxIdx(try)] += float64(over)
			for i := range try {
				far += math.Abs(try[i] - x[i]*total)
			}
			if k := b.breaks(try, total); k < broken-lineTol || k < broken+lineTol && far < off {
				broken, off, best = k, far, try
			}
		}
	}
	rest := b.BatchKg
	for i := range best {
		if step < 1 { // decimal steps are exact by division only
			best[i] /= math.Round(1 / step)
		} else {
			best[i] *= step
		}
		rest -= best[i]
	}
	// What is left goes to the greatest that there is enough of.
	takes := floats.MaxIdx(best)
	for i := range best {
		has := func(i int) bool { h := b.Streams[i].HaveKg; return h == nil || best[i]+rest <= *h }
		if has(i) && (!has(takes) || best[i] > best[takes]) {
			takes = i
		}
	}
	best[takes] = math.Round((best[takes]+rest)*1e9) / 1e9
	return best
}

// breaks returns by how much masses in steps, out of total, break a limit or a
// stock, in units of the row.
func (b *blender) breaks(steps []float64, total float64) float64 {
	x := slices.Clone(steps)
	floats.Scale(1/total, x)
	worst := 0.0
	for i := range b.bounds {
		c := &b.bounds[i]
		over := c.over(x, b.Guard)
		if c.stock != nil {
			over *= 1e6 // what is not there cannot be put in
		}
		worst = max(worst, over/c.unit)
	}
	return worst
}

// bears tells how much more and how much less of stream i the batch bears
// until a figure reaches its limit.
func (b *blender) bears(i int, x []float64) (more, less *float64) {
	up, down := math.Inf(1), math.Inf(1)
	for n := range b.Limits {
		l := &b.Limits[n]
		room := max(0, b.BatchKg*l.sign()*(l.Value-b.bounds[n].figure(x)))
		// What one kg of the stream takes from, or brings to, the room.
		switch takes := l.sign() * (b.Streams[i].Shares[l.Code].Value - l.Value); {
		case takes > 0:
			up = min(up, room/takes)
		case takes < 0:
			down = min(down, room/-takes)
		}
	}
	if finite(up) {
		more = rounded(up)
	}
	if x[i] > 0 && down < b.BatchKg*x[i] {
		less = rounded(down)
	}
	return more, less
}
