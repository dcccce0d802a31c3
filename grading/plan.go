package grading

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
)

// PlanOptions is what is asked of a plan. Start from DefaultPlanOptions.
type PlanOptions struct {
	ExpectPct float64 // the share expected of the lot, percent, in (0, 100)
	// HalfWidthPct is the wanted half width of the 95 % interval, points; 0
	// where a decision is wanted instead.
	HalfWidthPct float64
	// Limit is the limit on a percentage to decide about; nil where a
	// precision is wanted.
	Limit *standards.Limit
	// Kernels is a given number of kernels to look at, 0 to work it out.
	Kernels int
	Decision
	// Beside are the other limits of the grade, where the whole of it is to be
	// decided (GradeLimits), and Sharing the number of limits that share the
	// producer's risk, as Verify shares it; 0 stands for 1.
	Beside         []BesideLimit
	Sharing        int
	Power          float64 // wanted probability of a decision at ExpectPct, in (0.5, 1)
	Model          PieceModel
	MethodU        float64 // standard uncertainty that more kernels do not lessen, points
	WholeKernelMG  float64 // mass of a whole kernel, mg
	KernelsPerTray int
}

// A BesideLimit is another limit that must be kept for a grade to be supported.
type BesideLimit struct {
	Limit     standards.Limit
	ExpectPct float64
	Model     PieceModel
}

// GradeLimits returns the limits of the grade with index g that a picture must
// show to be kept before the grade is supported, and the number of those that
// share the producer's risk. Expected is HalfOf the limit: a guess, to be stated.
func GradeLimits(std *standards.Standard, g int) (beside []BesideLimit, sharing int) {
	for _, l := range std.Limits(g) {
		if couldContradict(l) {
			sharing++
		}
		f := l.Factor
		m, err := FactorModel(std, f, g)
		if err != nil || f.Picture != standards.PictureDecides && f.Picture != standards.PictureEstimates {
			continue
		}
		beside = append(beside, BesideLimit{l, HalfOf(l), m})
	}
	return beside, max(sharing, 1)
}

// HalfOf is the figure that lies half way to a limit: half of it, for a lower
// limit half of what it leaves.
func HalfOf(l standards.Limit) float64 {
	if l.Bound.Upper() {
		return l.Value / 2
	}
	return (100 + l.Value) / 2
}

// couldContradict reports whether a picture can contradict by the limit, so
// that it takes a part of the producer's risk.
func couldContradict(l standards.Limit) bool {
	switch l.Factor.Picture {
	case standards.PictureNone, standards.PictureHints:
		return false
	}
	return l.Mark != standards.FromMemory && !l.Sieved
}

// DefaultPlanOptions returns the options to start from: 5 % expected, default
// risks, a decision in nine of ten cases, 18 mg a kernel (long grain, Cereals
// Processing Technology, Woodhead 2001, Table 5.1: 15 to 21) and 800 kernels a
// tray, about what lies apart on an A4 scan.
func DefaultPlanOptions() PlanOptions {
	return PlanOptions{
		ExpectPct: 5, Decision: DefaultDecision(), Power: decideIn, Model: DefaultPieceModel(),
		WholeKernelMG: 18, KernelsPerTray: 800,
	}
}

// An OCPoint is one point of an operating characteristic: what the rule says,
// and how often, when the lot's true value is True.
type OCPoint struct {
	True        float64 `json:"true"` // percent, or a number per portion
	Supports    float64 `json:"supports"`
	NotProven   float64 `json:"not_proven"`
	Contradicts float64 `json:"contradicts"`
}

// OCPerStep is the number of points of an operating characteristic between two
// round figures of the true share: every OCPerStep-th point lies on one.
const OCPerStep = 4

// A Plan says how much rice to look at, and what that can show.
type Plan struct {
	Kernels int     `json:"kernels"`
	Trays   int     `json:"trays"`
	Grams   float64 `json:"grams"`
	// HalfWidthPct is the half width of the 95 % interval at ExpectPct, points.
	ExpectPct    float64    `json:"expect_pct"`
	HalfWidthPct float64    `json:"half_width_pct"`
	K            float64    `json:"k"` // at ExpectPct
	Model        PieceModel `json:"model"`
	MethodU      float64    `json:"method_u_points"`
	// Risks are those asked for; with a guard band those that it leaves.
	Risks     Risks    `json:"risks"`
	GuardBand *float64 `json:"guard_band_points"`
	// ProducerPerLimit is the producer's risk for one limit, as Verify has it.
	ProducerPerLimit float64 `json:"producer_risk_per_limit"`
	// Beside tells what the other limits of the grade take.
	Beside []BesidePlan `json:"beside"`
	// The rest is there with a limit. LimitPct is where the verdict turns: the
	// limit with the standard's rounding, 4.05 for 4.0 with one decimal kept.
	LimitPct float64 `json:"limit_pct,omitempty"`
	// AcceptPct is the measured share up to which (for a lower limit: from
	// which) the lot counts as conforming, null where this many kernels cannot
	// prove it; RejectPct the one from which (up to which) it counts as not
	// conforming.
	AcceptPct *float64  `json:"accept_pct"`
	RejectPct *float64  `json:"reject_pct"`
	Power     float64   `json:"power,omitempty"` // of a right decision at ExpectPct
	OC        []OCPoint `json:"oc"`
}

// A BesidePlan is what another limit of the grade takes.
type BesidePlan struct {
	Factor    string  `json:"factor"`
	Name      string  `json:"name"`
	LimitPct  float64 `json:"limit_pct"`
	ExpectPct float64 `json:"expect_pct"`
	// Kernels is the number that decides about this limit; 0 where none does,
	// because it allows none at all or outlines stand in for a sieve: by hand.
	Kernels int `json:"kernels"`
}

// planSteps is how finely a plan looks for a bound: to 1 in 4 billion of the range.
const planSteps = 32

// mostKernels bounds what a plan asks for: 100 million kernels are two tonnes.
const mostKernels = 100_000_000

// MakePlan works out the number of kernels, or what a given number can show.
// Errors are *fault.Error.
func MakePlan(o PlanOptions) (*Plan, error) {
	if o.Limit != nil && o.Limit.Factor == nil {
		typed := *o.Limit
		typed.Factor = &standards.Factor{Picture: standards.PictureDecides}
		o.Limit = &typed
	}
	if err := o.validate(); err != nil {
		return nil, err
	}
	asked := o.Risks
	o.Risks.Producer /= float64(max(o.Sharing, 1))
	besides, plans := o.beside()
	n := o.Kernels
	if n == 0 {
		var err error
		if o.Limit != nil {
			n, err = o.kernelsToDecide(besides)
		} else {
			n, err = o.kernelsForWidth()
		}
		if err != nil {
			return nil, err
		}
	}
	r := o.ExpectPct / 100
	p := &Plan{
		Kernels: n, Trays: int(math.Ceil(float64(n) / float64(o.KernelsPerTray))),
		Grams:     round(float64(n)*o.WholeKernelMG*o.Model.meanMass(r)/1000, 1),
		ExpectPct: o.ExpectPct, HalfWidthPct: round(z95*o.u(o.ExpectPct, n), 4), K: round(o.Model.K(r), 4),
		Model: o.Model, MethodU: o.MethodU, Risks: asked, GuardBand: o.GuardBand, OC: []OCPoint{},
		ProducerPerLimit: o.Risks.Producer, Beside: plans,
	}
	if o.Limit == nil {
		return p, nil
	}
	p.LimitPct = exactLimit(*o.Limit)
	accept, reject := o.bounds(n)
	rounded := func(x *float64) *float64 {
		if x != nil {
			x = new(round(*x, 4))
		}
		return x
	}
	p.AcceptPct, p.RejectPct = rounded(accept), rounded(reject)
	p.Power = round(max(0, 1-o.miss(n, besides, 0, 1)), 4)
	if o.GuardBand != nil {
		s, c := o.decided(p.LimitPct, n, accept, reject)
		p.Risks = Risks{round(s, 4), round(c, 4)}
	}
	p.OC = characteristic(p.LimitPct, o.ExpectPct, o.Limit.Bound.Upper(), 99.9, func(truth float64) (supports, contradicts float64) {
		return o.decided(truth, n, accept, reject)
	})
	return p, nil
}

func (o *PlanOptions) validate() error {
	if err := o.Decision.Validate(); err != nil {
		return err
	}
	m := o.Model
	switch {
	case o.Limit != nil && o.Limit.Value == 0 && o.Limit.Bound == standards.AtMost:
		return badParam("a limit of none at all", "no number of kernels proves that there is none; plan for a small limit")
	case !(o.ExpectPct > 0 && o.ExpectPct < 100):
		return badParam(fmt.Sprintf("an expected share of %g %%", o.ExpectPct), "give percent between 0 and 100, for example 4")
	case o.ExpectPct < 0.1 && o.typed():
		return badParam(fmt.Sprintf("an expected share of %g %%", o.ExpectPct), fmt.Sprintf("give percent: did you mean %.4g?", 100*o.ExpectPct))
	case !finite(o.HalfWidthPct) || o.HalfWidthPct < 0 || o.HalfWidthPct >= 50:
		return badParam(fmt.Sprintf("a half width of %g points", o.HalfWidthPct), "give points of percent, for example 0.5")
	case o.Kernels < 0 || o.Kernels > mostKernels:
		return badParam(fmt.Sprintf("%d kernels", o.Kernels), fmt.Sprintf("give 1 to %d", mostKernels))
	case o.Limit == nil && o.HalfWidthPct == 0 && o.Kernels == 0:
		return badParam("nothing to plan for", "give a wanted half width, a limit to decide about, or a number of kernels")
	case o.Limit != nil && o.HalfWidthPct > 0:
		return badParam("both a half width and a limit", "give one of them")
	case o.Limit != nil && o.Limit.Factor.Picture == standards.PictureNone:
		return badParam("no picture shows "+o.Limit.Factor.Name, "it is found by hand or from the sample sheet, and no number of kernels tells it")
	case o.Limit != nil && o.Limit.Factor.Picture == standards.PictureHints:
		return badParam("pictures show suspects only of "+o.Limit.Factor.Name, "no number of kernels decides it: "+o.Limit.Factor.PictureNote)
	case o.Limit != nil && !(o.Limit.Value > 0 && o.Limit.Value < 100):
		return badParam(fmt.Sprintf("a limit of %g %%", o.Limit.Value), "give percent between 0 and 100, for example 5")
	case o.Limit != nil && o.Limit.Value < 0.1 && o.typed():
		return badParam(fmt.Sprintf("a limit of %g %%", o.Limit.Value), fmt.Sprintf("give percent: did you mean %.4g?", 100*o.Limit.Value))
	case !finite(o.MethodU) || o.MethodU < 0 || o.MethodU > 20:
		return badParam(fmt.Sprintf("a method uncertainty of %g points", o.MethodU), "give points of percent, for example 0.3")
	case o.KernelsPerTray < 1:
		return badParam(fmt.Sprintf("%d kernels on a tray", o.KernelsPerTray), "give 1 or more")
	case !(m.BrokenMean > 0 && m.BrokenMean <= 1) || !(m.BrokenSD >= 0 && m.BrokenSD <= 1) || !(m.WholeCV >= 0 && m.WholeCV <= 1):
		return badParam("impossible masses of pieces", "whole kernels weigh 1 on average, pieces less")
	}
	return checkPlan(o.Power, o.WholeKernelMG)
}

// checkPlan checks what all plans ask: the probability of a decision and the
// mass of a kernel, mg. Its error is a *fault.Error.
func checkPlan(power, kernelMG float64) error {
	switch {
	case !(power > 0.5 && power < 1):
		return badParam(fmt.Sprintf("a probability of deciding of %g", power), "give one between 0.5 and 1, for example 0.9")
	case !(kernelMG >= 1 && kernelMG <= 100):
		return badParam(fmt.Sprintf("a kernel of %g mg", kernelMG), "milled kernels have 15 to 22 mg")
	}
	return nil
}

// typed reports whether the limit was typed and taken from no table: there a
// fraction may stand for a percentage.
func (o *PlanOptions) typed() bool { return o.Limit == nil || o.Limit.Factor.Code == "" }

// u is the standard uncertainty in points of a share of pct among n kernels.
func (o *PlanOptions) u(pct float64, n int) float64 {
	r := pct / 100
	return math.Hypot(100*math.Sqrt(o.Model.K(r)*r*(1-r)/float64(n)), math.Hypot(o.MethodU, o.Model.SieveRel*pct))
}

// share is what the grading would report for a figure of pct among n kernels:
// it weighs the same sums of masses as Sample.Shares, as the model has them.
func (o *PlanOptions) share(pct float64, n int) figure {
	const least = 1e-4 // percent; stands for nothing found
	m := o.Model
	all := float64(n) * m.of()
	r := min(max(pct/100, 0), 1)
	if m.Rest {
		r = 1 - r
	}
	k := all * r / (r + m.BrokenMean*(1-r)) // pieces
	if pct <= least {
		r, k, pct = 0, 0, 0
		if m.Rest {
			r, k = 1, all
		}
	}
	var pieces, others powers
	pieces.few(k, m.BrokenMean, m.BrokenSD)
	others.few(all-k, 1, m.WholeCV)
	found := k
	if m.Rest {
		pieces, others, found = others, pieces, all-k
	}
	is, not, _, number := effective(pieces, others, found, all)
	s := Share{Interval: Interval{Estimate: Estimate{Value: pct}, EffectiveN: number}, Found: int(math.Ceil(found - 1e-9))}
	if found >= enough && all-found >= enough {
		s.shift = shiftOf(&is, &not)
	}
	s = s.widened(math.Hypot(o.MethodU, m.SieveRel*pct))
	return figure{known: true, estimate: s.Estimate, share: &s}
}

// few adds n pieces of a mean mass and its standard deviation, evenly spread.
func (p *powers) few(n, mean, sd float64) {
	p.sum += n * mean
	p.squares += n * (mean*mean + sd*sd)
	p.cubes += n * mean * (mean*mean + 3*sd*sd)
}

// bounds returns the figures, percent, up to which (for a lower limit: from which)
// n kernels prove conformity, and from which (up to which) they prove the opposite;
// nil where none does.
func (o *PlanOptions) bounds(n int) (accept, reject *float64) {
	limit := exactLimit(*o.Limit)
	last := func(from float64, verdict string) *float64 {
		says := func(pct float64) bool {
			fig := o.share(pct, n)
			return fig.decide(*o.Limit, o.Decision) == verdict
		}
		if !says(from) {
			return nil
		}
		return new(Bisect(from, limit, planSteps, says))
	}
	best, worst := 0.0, 99.99
	if !o.Limit.Bound.Upper() {
		best, worst = worst, best
	}
	if o.Limit.Factor.Picture != standards.PictureAtLeast {
		accept = last(best, Meets)
	}
	if couldContradict(*o.Limit) {
		reject = last(worst, Fails)
	}
	return accept, reject
}

// decided returns the probabilities that n kernels of a lot with the true
// share pct are called conforming and not conforming by their bounds. The
// effective number of pieces found is binomial, which is exact for pieces of
// equal mass and has the right spread for others; lumps count whole.
func (o *PlanOptions) decided(pct float64, n int, accept, reject *float64) (supports, contradicts float64) {
	up := o.Limit.Bound.Upper()
	return o.atMost(accept, pct, n, up, 0), o.atMost(reject, pct, n, !up, 0)
}

// atMost is the probability that n kernels of a lot with the true share pct
// show bound percent or less, or with under false that or more; 0 without a bound.
// Of pieces of equal mass less is taken from the number that it stands for.
func (o *PlanOptions) atMost(bound *float64, pct float64, n int, under bool, less float64) float64 {
	if bound == nil {
		return 0
	}
	x := *bound
	if !under {
		x, pct = 100-x, 100-pct
	}
	r := min(max(pct/100, 1e-9), 1-1e-9)
	of := r // the share itself, where x and pct are turned round
	if !under {
		of = 1 - r
	}
	u := o.u(100*of, n) / 100
	number := r * (1 - r) / (u * u)
	lumps := x / 100 * number
	if o.Model.BrokenSD < 0.2*o.Model.BrokenMean {
		lumps = max(math.Floor(lumps+1e-9)-less, 0) // pieces of equal mass
	} else {
		lumps = max(lumps-0.5, 0) // their masses smear the steps
	}
	if lumps >= number {
		return 1
	}
	return distuv.Beta{Alpha: lumps + 1, Beta: number - lumps}.Survival(r)
}

// power is the probability of the right decision at ExpectPct. less is a number
// of lumps to spare.
func (o *PlanOptions) power(n int, less float64) float64 {
	accept, reject := o.bounds(n)
	up := o.Limit.Bound.Upper()
	if o.conforms() {
		return o.atMost(accept, o.ExpectPct, n, up, less)
	}
	return o.atMost(reject, o.ExpectPct, n, !up, less)
}

func (o *PlanOptions) conforms() bool {
	return o.Limit.Bound.Holds(o.ExpectPct, exactLimit(*o.Limit))
}

// miss is the probability that n kernels do not decide rightly about the grade: one
// limit suffices to contradict it, all must be kept to support it. Where a sample may
// miss one or the other the chances to miss are added up (Bonferroni), until they
// are beyond most.
func (o *PlanOptions) miss(n int, besides []PlanOptions, less, most float64) float64 {
	miss := 1 - o.power(n, less)
	for i := range besides {
		if miss > most {
			break
		}
		miss += 1 - besides[i].power(n, less)
	}
	return miss
}

// beside returns the plans for the other limits that more kernels decide, each
// with its part of the chance to miss, and what every one of them takes.
func (o *PlanOptions) beside() (besides []PlanOptions, plans []BesidePlan) {
	plans = []BesidePlan{}
	if o.Limit == nil || !o.conforms() {
		return nil, plans
	}
	for _, other := range o.Beside {
		if other.Limit.Factor == o.Limit.Factor && other.Limit.Bound == o.Limit.Bound {
			continue
		}
		one := *o
		one.Limit, one.ExpectPct, one.Model, one.Beside = &other.Limit, other.ExpectPct, other.Model, nil
		one.Power = 1 - (1-o.Power)/float64(len(o.Beside))
		plan := BesidePlan{
			Factor: other.Limit.Factor.Code, Name: other.Limit.Factor.Name,
			LimitPct: exactLimit(other.Limit), ExpectPct: other.ExpectPct,
		}
		if other.Limit.Value > 0 && other.Limit.Value < 100 {
			if n, err := one.kernelsToDecide(nil); err == nil {
				plan.Kernels = n
				besides = append(besides, one)
			}
		}
		plans = append(plans, plan)
	}
	return besides, plans
}

// characteristic is an operating characteristic by the chances with which a true
// value is decided, past the limit and the expected value on either side where they
// are far from 0 (or, for a lower limit, from most), OCPerStep points to a step.
func characteristic(limit, expect float64, upper bool, most float64, decided func(truth float64) (supports, contradicts float64)) []OCPoint {
	lo, hi := 0.0, min(most, 2*max(limit, expect))
	if !upper {
		lo, hi = max(0, most-2*(most-min(limit, expect))), most
	}
	step := niceStep((hi-lo)/12) / OCPerStep
	out := []OCPoint{}
	for i := math.Floor(lo/step/OCPerStep)*OCPerStep + 1; i*step <= hi*(1+1e-9); i++ {
		s, c := decided(i * step)
		out = append(out, OCPoint{round(i*step, 6), round(s, 4), round(1-s-c, 4), round(c, 4)})
	}
	return out
}

func (o *PlanOptions) kernelsForWidth() (int, error) {
	r := o.ExpectPct / 100
	sampling := math.Pow(o.HalfWidthPct/z95, 2) - o.MethodU*o.MethodU
	if sampling <= 0 {
		return 0, badParam(fmt.Sprintf("a half width of %g points cannot be reached with a method uncertainty of %g points", o.HalfWidthPct, o.MethodU), fmt.Sprintf("give a half width above %.2g points", z95*o.MethodU))
	}
	n := math.Ceil(1e4 * o.Model.K(r) * r * (1 - r) / sampling)
	if n > mostKernels {
		return 0, badParam(fmt.Sprintf("it would take %.2g kernels", n), "ask for a wider interval")
	}
	return int(n), nil
}

// kernelsToDecide returns a number of kernels from which on the grade is
// decided with probability Power. Where pieces come in lumps the power falls and
// leaps with the number; it is asked for with one lump to spare, so that every
// greater number does too.
func (o *PlanOptions) kernelsToDecide(besides []PlanOptions) (int, error) {
	enough := func(n int) bool { return o.miss(n, besides, 1, 1-o.Power) <= 1-o.Power }
	if !enough(mostKernels) {
		hint := "the expected share must lie clear of the limit; give another with --expect"
		switch f := o.Limit.Factor; {
		case !o.conforms() && !couldContradict(*o.Limit):
			hint = "by such a limit a picture contradicts nobody: look it up or sieve by hand; or state the limit yourself, --limit"
		case o.conforms() && f.Picture == standards.PictureAtLeast:
			hint = "a picture shows a part of it and can contradict, never support: " + f.PictureNote
		}
		return 0, badParam(fmt.Sprintf("no number of kernels decides about %.6g %% when the lot has %g %%", exactLimit(*o.Limit), o.ExpectPct), hint)
	}
	return 1 + sort.Search(mostKernels-1, func(i int) bool { return enough(i + 1) }), nil
}
