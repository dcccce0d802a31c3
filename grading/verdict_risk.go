package grading

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
)

// Risks are the two ways in which a decision on a lot can be wrong, each in
// (0, 0.5).
type Risks struct {
	// Consumer is the greatest probability of calling a lot conforming whose
	// true value lies beyond a limit.
	Consumer float64 `json:"consumer"`
	// Producer is the greatest probability of calling a lot not conforming
	// whose true values all lie within the limits.
	Producer float64 `json:"producer"`
}

// DefaultRisks is the rule "the whole 95 % interval on one side of the limit":
// 2.5 % either way (ISO 10576-1, decision in one stage).
func DefaultRisks() Risks { return Risks{0.025, 0.025} }

// Validate returns a *fault.Error wrapping ErrParams for a risk out of range.
func (r Risks) Validate() error {
	for _, x := range []struct {
		name string
		v    float64
	}{{"consumer", r.Consumer}, {"producer", r.Producer}} {
		if !(x.v >= 0.0001 && x.v <= 0.5) {
			hint := "give a probability from 0.0001 to 0.5, for example 0.05"
			if x.v > 0.5 && x.v <= 50 {
				hint = fmt.Sprintf("did you mean %g? risks are probabilities, not percent", x.v/100)
			}
			return badParam(fmt.Sprintf("%s's risk of %g", x.name, x.v), hint)
		}
	}
	return nil
}

// A Decision is the rule by which a figure is held against a limit.
type Decision struct {
	Risks Risks
	// GuardBand is the width in points of the band on either side of a limit
	// on a percentage within which nothing is decided, where a contract states
	// one; 0 is simple acceptance. Nil: the bands follow from Risks, as they
	// always do for numbers per portion.
	GuardBand *float64
}

// DefaultDecision is the one by DefaultRisks.
func DefaultDecision() Decision { return Decision{Risks: DefaultRisks()} }

// Validate returns a *fault.Error wrapping ErrParams for a risk or a guard
// band out of range.
func (d Decision) Validate() error {
	if g := d.GuardBand; g != nil && !(*g >= 0 && *g <= 20) {
		return badParam(fmt.Sprintf("a guard band of %g points", *g), "give points of percent from 0 to 20, for example 0.3")
	}
	return d.Risks.Validate()
}

// ConformanceProbability is the probability that the true value conforms to
// the limit when it was measured as value with standard uncertainty u > 0, for
// a normal distribution and little prior knowledge (JCGM 106:2012, clause 7).
func ConformanceProbability(value, u, limit float64, bound standards.Bound) float64 {
	z := (limit - value) / u
	if !bound.Upper() {
		z = -z
	}
	return distuv.UnitNormal.CDF(z)
}

// bandRisk is the probability that a lot exactly on the limit l is called
// conforming, and that it is called not conforming, from a sample like s with
// a guard band of that many points (JCGM 106:2012, clause 8, the risk of
// guarded acceptance at its worst): normal, with the standard uncertainty that
// the sample would have there.
func (s Share) bandRisk(l standards.Limit, points float64) float64 {
	r := min(max(exactLimit(l)/100, 0), 1)
	return ConformanceProbability(points, 100*s.uAt(r), 0, standards.AtMost)
}

// exactLimit returns the unrounded figure at which the verdict of l turns:
// with one decimal kept, "at most 4.0" holds up to 4.05.
func exactLimit(l standards.Limit) float64 {
	switch l.Bound {
	case standards.AtMost, standards.Above:
		return l.Value + l.Round.Slack()
	}
	return l.Value - l.Round.Slack()
}

// conforms is the probability that the lot's true figure is on the right side
// of the limit, given what was found.
func (fig *figure) conforms(l standards.Limit) float64 {
	limit := exactLimit(l)
	below := 0.0 // probability of a true figure under the limit
	switch {
	case fig.share != nil:
		s := fig.share
		at := min(max(limit/100, 0), 1)
		r, n := min(max(s.Value/100, 0), 1), s.EffectiveN
		if 0 < r && r < 1 {
			// The interval's end is at the limit where the limit less the shift
			// is the end before it.
			z := math.Abs(at-r) / math.Sqrt(r*(1-r)/n)
			at = min(max(at-s.shift.at(min(z, 3)), 0), 1)
		}
		below = distuv.Beta{Alpha: r*n + 0.5, Beta: (1-r)*n + 0.5}.CDF(at)
	case fig.counted != nil:
		c := fig.counted
		below = distuv.Gamma{Alpha: float64(c.n) + 0.5, Beta: c.grams / c.portionG}.CDF(max(limit, 0))
	default:
		if l.Bound.Holds(l.Round.Round(fig.estimate.Value), l.Value) {
			return 1
		}
		return 0
	}
	if l.Bound.Upper() {
		return below
	}
	return 1 - below
}
