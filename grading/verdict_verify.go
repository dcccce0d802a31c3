package grading

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
)

// Outcomes of a verification.
const (
	Supports    = "supports"    // every assessed limit is met with the risk asked for
	Contradicts = "contradicts" // a limit is passed with the risk asked for
)

// A Check is one limit of the declared grade.
type Check struct {
	Line
	// Conforms is the probability that the lot's true figure is within the
	// limit, given this sample and little prior knowledge; null where not
	// assessed.
	Conforms *float64 `json:"conforms"`
	// UsedLow and UsedHigh are the interval that decided: the end that could
	// contradict at the producer's risk for one limit, the other at the
	// consumer's risk; with a guard band the figure and the band about it. Null
	// for figures without an interval.
	UsedLow  *float64 `json:"used_low"`
	UsedHigh *float64 `json:"used_high"`
}

// A Verification says what a sample proves about a declared grade.
type Verification struct {
	Judge
	Declared string `json:"declared"`
	// Outcome is Supports, Contradicts or NotProven.
	Outcome   string `json:"outcome"`
	Statement string `json:"statement"` // one sentence for people
	// Risks are those asked for; with a guard band those that it leaves, for a
	// sample like this one.
	Risks Risks `json:"risks"`
	// GuardBand is the stated width of the guard bands in points, null where
	// they follow from the risks.
	GuardBand *float64 `json:"guard_band_points"`
	// ProducerPerLine is the producer's risk spent on each of the Sharing limits
	// that an interval could contradict, so that all together stay within
	// Risks.Producer.
	ProducerPerLine float64 `json:"producer_risk_per_limit"`
	Sharing         int     `json:"limits_sharing_it"`
	Checks          []Check `json:"checks"`
	Complete        bool    `json:"complete"` // every limit was assessed
	// Next says what to do now, in order; Words is what to write to the other
	// side.
	Next  []string `json:"next"`
	Words string   `json:"words"`
	// More is what would decide where Outcome is NotProven; null otherwise.
	More *More `json:"more"`
	Remarks
}

// More is how much more rice would decide.
type More struct {
	// Kernels is the number of further kernels that decides in nine of ten
	// cases if the lot is as measured; 0 with Possible false.
	Kernels  int    `json:"kernels"`
	Trays    int    `json:"trays"` // of as many kernels as the present ones
	Possible bool   `json:"possible"`
	Why      string `json:"why"` // where not possible
}

// Verify tells whether the sample supports the declared grade, contradicts it
// or proves nothing either way.
//
// A limit is met when the one-sided interval at risks.Consumer lies within it,
// and passed when the one at risks.Producer, divided by the number of limits
// that an interval could contradict, lies beyond. To support the grade every
// assessed limit must be met, so the consumer's risk holds for the whole; to
// contradict it one limit suffices, which is why the producer's risk is divided
// (Bonferroni). Figures from the sample sheet are taken as exact: they cannot err
// and have no part in it. With a guard band a percentage is met when the figure
// lies inside the limit by the band or more, and passed when it lies beyond by
// more. A limit from memory, or one for which outlines stood in for a sieve,
// contradicts nobody: its verdict is ByHand.
//
// Errors: *fault.Error.
func Verify(s *Sample, std *standards.Standard, declared string, sheet *Sheet, rule Decision) (*Verification, error) {
	if err := rule.Validate(); err != nil {
		return nil, err
	}
	g, err := std.Grade(declared)
	if err != nil {
		return nil, err
	}
	a, err := newAssessor(s, std, sheet)
	if err != nil {
		return nil, err
	}
	v := &Verification{
		Judge: judgeOf(std), Declared: std.Grades[g], Risks: rule.Risks, GuardBand: rule.GuardBand, Checks: []Check{},
	}
	lines := a.lines(g, confidence)
	for i := range lines {
		if l := &lines[i]; l.figure.uncertain() && !l.figure.hint && l.byHand() == "" {
			v.Sharing++
		}
	}
	v.ProducerPerLine = rule.Risks.Producer / float64(max(v.Sharing, 1))
	perLine := Decision{Risks{rule.Risks.Consumer, v.ProducerPerLine}, rule.GuardBand}
	for i := range lines {
		l := &lines[i]
		if l.figure.known && !l.figure.hint {
			l.settle(l.figure.decide(l.limit, perLine))
		}
		c := Check{Line: *l}
		if l.Verdict != Unassessed {
			c.Conforms = new(round(l.figure.conforms(l.limit), 4))
			if l.figure.uncertain() {
				e := l.figure.used(l.limit, perLine)
				c.UsedLow, c.UsedHigh = new(round(e.Low, 4)), new(round(e.High, 4))
			}
		}
		v.Checks = append(v.Checks, c)
	}
	v.Remarks = a.remarks(lines)
	v.Complete = len(v.NotAssessed) == 0
	v.conclude()
	if v.Outcome == NotProven {
		v.More = a.more(v, perLine)
	}
	v.advise()
	if rule.GuardBand != nil {
		v.Risks = v.bandRisks()
	}
	return v, nil
}

// bandRisks are the risks that the guard band leaves: of the consumer on the
// limit where it is greatest, of the producer over all limits together.
func (v *Verification) bandRisks() Risks {
	var out Risks
	for i := range v.Checks {
		c := &v.Checks[i]
		if c.Conforms == nil {
			continue
		}
		switch {
		case c.figure.share != nil:
			risk := c.figure.share.bandRisk(c.limit, *v.GuardBand)
			out.Consumer, out.Producer = max(out.Consumer, risk), out.Producer+risk
		case c.figure.counted != nil:
			out.Consumer, out.Producer = max(out.Consumer, v.Risks.Consumer), out.Producer+v.ProducerPerLine
		}
	}
	return Risks{round(out.Consumer, 4), round(min(out.Producer, 1), 4)}
}

// conclude sets the outcome and its sentence.
func (v *Verification) conclude() {
	found := map[string][]string{}
	assessed, marks := 0, map[standards.Mark]int{}
	for i := range v.Checks {
		if c := &v.Checks[i]; c.Verdict != Unassessed {
			found[c.Verdict] = append(found[c.Verdict], c.finding())
			assessed++
			marks[c.Mark]++
		}
	}
	grade := spoken(v.Declared)
	left := ""
	if len(v.NotAssessed) > 0 {
		left = fmt.Sprintf("; %d not assessed", len(v.NotAssessed))
	}
	switch open := append(found[ByHand], found[NotProven]...); {
	case len(found[Fails]) > 0:
		v.Outcome = Contradicts
		v.Statement = fmt.Sprintf("the sample contradicts %s: %s", grade, strings.Join(found[Fails], "; "))
	case assessed == 0:
		v.Outcome = NotProven
		v.Statement = fmt.Sprintf("nothing of %s could be assessed", grade)
	case len(open) > 0:
		v.Outcome = NotProven
		v.Statement = fmt.Sprintf("not proven either way for %s: %s%s", grade, strings.Join(open, "; "), left)
	default:
		v.Outcome = Supports
		v.Statement = fmt.Sprintf("the sample supports %s in every factor", grade)
		if !v.Complete {
			v.Statement = fmt.Sprintf("the sample supports %s in what was assessed%s", grade, left)
		}
		for _, m := range []standards.Mark{standards.Restated, standards.FromMemory} {
			if n := marks[m]; n > 0 {
				v.Statement += fmt.Sprintf("; %d of %d limits %s", n, assessed, m)
			}
		}
	}
}

// finding writes a limit with what was found as "broken kernels 9.10 % (8.01 to
// 10.20), at most 7.0 %", with the interval that decided and the limit's mark.
func (c *Check) finding() string {
	s := fmt.Sprintf("%s %s", c.Limit, c.ValueText)
	if c.UsedLow != nil {
		s += fmt.Sprintf(" (%.2f to %.2f)", *c.UsedLow, *c.UsedHigh)
	}
	s += ", " + c.LimitText + c.Mark.Note()
	if c.Verdict == ByHand {
		s += ", by hand: " + c.byHand()
	}
	return s
}

// advise sets what to do next, and the words to write. Holding, testing the
// retained sample again and a third laboratory are common practice, no source;
// the contract goes before.
func (v *Verification) advise() {
	add := func(format string, args ...any) { v.Next = append(v.Next, fmt.Sprintf(format, args...)) }
	for i := range v.Checks {
		if c := &v.Checks[i]; c.Verdict == ByHand {
			add("By hand: %s; %s.", c.Limit, c.byHand())
		}
	}
	switch v.Outcome {
	case Contradicts:
		add("Hold the lot and keep the rest of the sample sealed.")
		add("Tell the other side in writing and ask for a test of the retained sample by both.")
		add("Where the two stand apart, a third laboratory that both accept decides, or who the contract names.")
		v.Words = fmt.Sprintf("Lot ____, sample of ____: %s. We hold the lot and ask that the retained sample be tested again.", v.Statement)
	case NotProven:
		if m := v.More; m != nil && m.Possible {
			add("Neither accept nor refuse on this sample: draw more of the lot and grade as many kernels as %d times this sample has.", m.Trays)
		} else {
			add("Neither accept nor refuse on this sample: test the retained sample, or let a laboratory that both accept do it.")
		}
		v.Words = fmt.Sprintf("Lot ____, sample of ____: %s. We ask for a second sample before the lot is settled.", v.Statement)
	default:
		if v.Complete {
			add("Accept, and keep the rest of the sample sealed until the lot is settled.")
		} else {
			add("Find by hand what was not assessed, then accept; keep the rest of the sample sealed until the lot is settled.")
		}
		v.Words = fmt.Sprintf("Lot ____, sample of ____: %s.", v.Statement)
	}
}

// uncertain reports whether fig has an interval.
func (fig *figure) uncertain() bool { return fig.known && (fig.share != nil || fig.counted != nil) }

// decide judges fig against a limit.
func (fig *figure) decide(l standards.Limit, rule Decision) string {
	return judge(fig.used(l, rule), l)
}

// used is the interval by which fig is held against a limit: one end for each
// risk, or the guard band about the figure.
func (fig *figure) used(l standards.Limit, rule Decision) Estimate {
	if g := rule.GuardBand; g != nil && fig.share != nil {
		x := fig.share.Value
		return Estimate{x, x - *g, x + *g}
	}
	consumer, producer := fig.oneSided(rule.Risks.Consumer), fig.oneSided(rule.Risks.Producer)
	if l.Bound.Upper() {
		return Estimate{consumer.Value, producer.Low, consumer.High}
	}
	return Estimate{consumer.Value, consumer.Low, producer.High}
}

// oneSided returns the estimate with an interval either end of which leaves
// no more than the given risk outside.
func (fig *figure) oneSided(risk float64) Estimate {
	switch {
	case fig.share != nil:
		return fig.share.oneSided(risk)
	case fig.counted != nil && fig.counted.n == 0:
		return fig.counted.estimate(1 - risk) // one-sided already
	case fig.counted != nil:
		return fig.counted.estimate(max(1-2*risk, 1e-6))
	}
	return fig.estimate
}

// NoSample is for a lot of which no picture was taken: what the sheet does not
// hold is not assessed.
func NoSample() *Sample { return &Sample{Params: DefaultParams(), Trays: 1} }

// decideIn is the probability with which More promises a decision.
const decideIn = 0.9

// mostTimes bounds the search for the number of kernels that would decide.
const mostTimes = 1e4

// more works out how many further kernels would settle the open limits.
func (a *assessor) more(v *Verification, rule Decision) *More {
	times, open := 1.0, 0
	for i := range v.Checks {
		switch c := &v.Checks[i]; {
		case c.Verdict == ByHand:
			return &More{Why: c.Limit + ": by hand; " + c.byHand()}
		case c.Verdict == NotProven && c.From == FromWeighing:
			return &More{Why: c.Limit + ": sort and weigh more rice by hand"}
		case c.Verdict == NotProven:
			open++
		}
	}
	for i := range v.Checks {
		c := &v.Checks[i]
		if c.Verdict != NotProven {
			continue
		}
		t, why := c.figure.timesToDecide(c.limit, rule, 1-(1-decideIn)/float64(open))
		if why != "" {
			return &More{Why: c.Limit + ": " + why}
		}
		times = max(times, t)
	}
	if times == 1 {
		return &More{Why: "nothing was assessed; more kernels do not help"}
	}
	n := len(a.sample.Pieces)
	more := math.Ceil((times - 1) * float64(n))
	perTray := float64(n) / float64(max(a.sample.Trays, 1))
	return &More{Kernels: int(more), Trays: int(math.Ceil(more / perTray)), Possible: true}
}

// timesToDecide returns how many times the present number of kernels decides
// the limit with that probability, if the lot is as measured.
func (fig *figure) timesToDecide(l standards.Limit, rule Decision, probability float64) (times float64, why string) {
	if fig.counted != nil {
		return 0, "the number counted lies too close to the limit for its own scatter"
	}
	holds := l.Bound.Holds(l.Round.Round(fig.estimate.Value), l.Value)
	if holds && exactLimit(l) == 0 {
		return 0, "no number of kernels proves that there is none"
	}
	z := distuv.UnitNormal.Quantile(probability)
	decided := func(times float64) bool {
		s := fig.share.scaled(times)
		r := s.Value / 100
		// The figure that the larger sample shows with that probability
		// or less: nearer to the limit by z standard uncertainties.
		shift := 100 * z * s.uAt(r)
		if (l.Bound.Upper()) != holds {
			shift = -shift
		}
		s.Value = min(max(s.Value+shift, 0), 100)
		s.Found = int(math.Ceil(float64(fig.share.Found) * times))
		bigger := figure{known: true, estimate: s.Estimate, share: &s}
		return bigger.decide(l, rule) != NotProven
	}
	if !decided(mostTimes) {
		if fig.share.Budget.Unresolved > 0 {
			return 0, "the groups not taken apart leave it open; part them and scan again"
		}
		return 0, "the figure lies too close to the limit"
	}
	return math.Exp(Bisect(math.Log(mostTimes), 0, 40, func(log float64) bool { return decided(math.Exp(log)) })), ""
}
