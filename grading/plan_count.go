package grading

import (
	"fmt"
	"io"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
)

// CountPlanOptions is what is asked of a plan for a number of kernels per
// portion of rice, such as 5 paddy kernels per kg.
type CountPlanOptions struct {
	Limit standards.Limit // an upper limit on a number per portion
	// Expect is the number per portion expected of the lot, >= 0.
	Expect float64
	// Grams is a given mass of rice to look at, 0 to work it out.
	Grams         float64
	Risks         Risks
	Power         float64 // wanted probability of a decision at Expect, in (0.5, 1)
	WholeKernelMG float64 // mass of a kernel, mg
}

// A CountPlan says how much rice to look at before a number per portion can be
// told from its limit, and what that can show.
type CountPlan struct {
	Factor   string  `json:"factor"` // code
	Limit    float64 `json:"limit"`  // number per portion
	PortionG float64 `json:"portion_g"`
	Expect   float64 `json:"expect"` // number per portion
	Grams    float64 `json:"grams"`
	Kernels  int     `json:"kernels"` // about as many, of any kind
	// AcceptUpTo is the number found in Grams up to which the lot counts as
	// conforming, RejectFrom the one from which it counts as not conforming;
	// null where so little rice cannot show it.
	AcceptUpTo *int      `json:"accept_up_to"`
	RejectFrom *int      `json:"reject_from"`
	Power      float64   `json:"power"` // of a right decision at Expect
	Risks      Risks     `json:"risks"`
	OC         []OCPoint `json:"oc"`
}

// mostGrams bounds what a plan asks for: a tonne.
const mostGrams = 1e6

// MakeCountPlan works out the mass of rice, or what a given mass can show. The
// number found in it is taken as a Poisson count, and a number per portion is
// never called conforming on less rice than the portion. Errors are
// *fault.Error.
func MakeCountPlan(o CountPlanOptions) (*CountPlan, error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	grams := o.Grams
	if grams == 0 {
		var err error
		if grams, err = o.gramsToDecide(); err != nil {
			return nil, err
		}
	}
	p := &CountPlan{
		Factor: o.Limit.Factor.Code, Limit: o.Limit.Value, PortionG: o.portion(), Expect: o.Expect,
		Grams: math.Ceil(grams), Risks: o.Risks,
	}
	p.Kernels = int(math.Ceil(p.Grams * 1000 / o.WholeKernelMG))
	accept, reject := o.bounds(p.Grams)
	if accept >= 0 {
		p.AcceptUpTo = &accept
	}
	p.RejectFrom = &reject
	decided := func(truth float64) (supports, contradicts float64) {
		return decidedBy(accept, reject, truth*p.Grams/p.PortionG)
	}
	s, c := decided(o.Expect)
	p.Power = round(c, 4)
	if o.conforms() {
		p.Power = round(s, 4)
	}
	p.OC = characteristic(o.Limit.Value, o.Expect, true, math.Inf(1), decided)
	return p, nil
}

func (o *CountPlanOptions) portion() float64 { return o.Limit.Basis.SamplePortionG() }

func (o *CountPlanOptions) validate() error {
	if err := o.Risks.Validate(); err != nil {
		return err
	}
	switch {
	case o.portion() == 0 || o.Limit.Factor == nil || !o.Limit.Bound.Upper():
		return badParam("the limit is no upper limit of a number per portion", "plan for its percentage")
	case !(o.Limit.Value > 0):
		return badParam("a limit of none at all", "no amount of rice proves that there is none; plan for a small limit")
	case !finite(o.Expect) || o.Expect < 0 || o.Expect > 1e5:
		return badParam(fmt.Sprintf("an expected number of %g %s", o.Expect, o.Limit.Unit), "give 0 or more, for example 2")
	case !finite(o.Grams) || o.Grams < 0 || o.Grams > mostGrams:
		return badParam(fmt.Sprintf("%g g of rice", o.Grams), "give grams, up to a tonne")
	}
	return checkPlan(o.Power, o.WholeKernelMG)
}

func (o *CountPlanOptions) conforms() bool { return o.Limit.Bound.Holds(o.Expect, o.Limit.Value) }

// verdict is what n kernels found in that much rice say.
func (o *CountPlanOptions) verdict(n int, grams float64) string {
	c := &counted{n, grams, o.portion()}
	fig := figure{known: true, counted: c}
	v := fig.decide(o.Limit, Decision{Risks: o.Risks})
	if v == Meets && !c.enough() {
		return NotProven
	}
	return v
}

// bounds returns the greatest number found that proves conformity, -1 where
// none does, and the least that proves the opposite.
func (o *CountPlanOptions) bounds(grams float64) (accept, reject int) {
	accept = -1
	for n := 0; ; n++ {
		switch o.verdict(n, grams) {
		case Meets:
			accept = n
		case Fails:
			return accept, n
		}
	}
}

// decidedBy returns the probabilities that a lot is called conforming and not
// conforming, by those bounds, where the mean number of kernels found is mean.
func decidedBy(accept, reject int, mean float64) (supports, contradicts float64) {
	atMost := func(n int) float64 {
		switch {
		case n < 0:
			return 0
		case mean == 0:
			return 1
		}
		return distuv.Poisson{Lambda: mean}.CDF(float64(n))
	}
	return atMost(accept), 1 - atMost(reject-1)
}

// gramsToDecide returns the least mass that decides with probability Power
// when the lot is as expected.
//
// The power is not monotonic in the mass: it falls until one kernel more is
// allowed, and leaps. So the masses to look at are those of the leaps: the least
// on which n kernels found prove conformity, the greatest on which they prove
// the opposite.
func (o *CountPlanOptions) gramsToDecide() (float64, error) {
	const hair = 1e-9
	portion, limit := o.portion(), exactLimit(o.Limit)
	for n := 0; ; n++ {
		grams := portion * poissonLimit(n+1, 1-o.Risks.Consumer) / limit * (1 + hair)
		if !o.conforms() {
			grams = portion * poissonLimit(n+1, o.Risks.Producer) / limit * (1 - hair)
		} else if grams < portion {
			grams = portion
		}
		if grams > mostGrams || n > 1e5 {
			return 0, badParam(fmt.Sprintf("no amount of rice decides about %g %s when the lot has %g", o.Limit.Value, o.Limit.Unit, o.Expect), "the expected number must lie clear of the limit; give another with --expect")
		}
		found := distuv.Poisson{Lambda: max(o.Expect*grams/portion, hair)}
		switch {
		case o.conforms() && found.CDF(float64(n)) >= o.Power:
			return grams, nil
		case !o.conforms() && 1-found.CDF(float64(n)) >= o.Power:
			// n+1 found prove it on any mass up to this one.
			return Bisect(grams, 0, planSteps, func(g float64) bool {
				return 1-distuv.Poisson{Lambda: max(o.Expect*g/portion, hair)}.CDF(float64(n)) >= o.Power
			}), nil
		}
	}
}

// WriteChart draws the operating characteristic of p as an SVG picture.
func (p *CountPlan) WriteChart(w io.Writer, title string) error {
	return writeOC(w, ocChart{
		title: title, points: p.OC, limit: p.Limit,
		subtitle: fmt.Sprintf("share of samples of %g g (about %d kernels) that say so; limit %g per %g g", p.Grams, p.Kernels, p.Limit, p.PortionG),
		axis:     fmt.Sprintf("true number in the lot, per %g g", p.PortionG),
	})
}
