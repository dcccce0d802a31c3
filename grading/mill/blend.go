package mill

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
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

// Bound returns the side that the limit allows.
func (l *Limit) Bound() standards.Bound {
	switch {
	case l.AtLeast && l.Strict:
		return standards.Above
	case l.AtLeast:
		return standards.AtLeast
	case l.Strict:
		return standards.Below
	}
	return standards.AtMost
}

// String writes the limit in words: "broken at most 5 %".
func (l *Limit) String() string {
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s", l.Label, l.Bound(), trim(l.Value), l.Unit))
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
