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
}

// A Verification says what a sample proves about a declared grade.
type Verification struct {
	Standard string `json:"standard"`
	Title    string `json:"title"`
	Edition  string `json:"edition"`
	Status   string `json:"status"`
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
	// ProducerPerLine is the producer's risk spent on each assessed limit, so
	// that all together stay within Risks.Producer.
	ProducerPerLine float64 `json:"producer_risk_per_limit"`
	Checks          []Check `json:"checks"`
	Complete        bool    `json:"complete"` // every limit was assessed
	// More is what would decide where Outcome is NotProven; null otherwise.
	More        *More         `json:"more"`
	NotAssessed []NotAssessed `json:"not_assessed"`
	Notes       []string      `json:"notes"`
	Caution     string        `json:"caution"`
	Sheet       *Sheet        `json:"sheet"`
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
// assessed, lies beyond. To support the grade every assessed limit must be
// met, so the consumer's risk holds for the whole; to contradict it one limit
// suffices, which is why the producer's risk is divided (Bonferroni). With a
// guard band a percentage is met when the figure lies inside the limit by the
// band or more, and passed when it lies beyond by more. Figures from the
// sample sheet are taken as exact.
//
// Errors: *standards.UnknownGradeError, *SheetError, *InputError.
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
		Standard: std.Code, Title: std.Title, Edition: std.Edition, Status: std.Status,
		Declared: std.Grades[g], Risks: rule.Risks, GuardBand: rule.GuardBand, Caution: std.Caution, Sheet: sheet,
		Checks: []Check{},
	}
	lines := a.lines(g, confidence)
	assessed := 0
	for i := range lines {
		if lines[i].Verdict != Unassessed {
			assessed++
		}
	}
	v.ProducerPerLine = rule.Risks.Producer / float64(max(assessed, 1))
	perLine := Decision{Risks{rule.Risks.Consumer, v.ProducerPerLine}, rule.GuardBand}
	var failed, open []string
	for _, l := range lines {
		c := Check{Line: l}
		if l.Verdict != Unassessed {
			c.Verdict = l.figure.decide(l.limit, perLine)
			p := round(l.figure.conforms(l.limit), 4)
			c.Conforms = &p
			switch c.Verdict {
			case Fails:
				failed = append(failed, finding(&l))
			case NotProven:
				open = append(open, finding(&l))
			}
		}
		v.Checks = append(v.Checks, c)
	}
	v.NotAssessed = unassessed(std, lines)
	v.Complete = len(v.NotAssessed) == 0
	v.Notes = a.notes()
	v.conclude(assessed, failed, open)
	if v.Outcome == NotProven {
		v.More = a.more(v, perLine)
	}
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
func (v *Verification) conclude(assessed int, failed, open []string) {
	left := ""
	if len(v.NotAssessed) > 0 {
		left = fmt.Sprintf("; %d not assessed", len(v.NotAssessed))
	}
	switch {
	case len(failed) > 0:
		v.Outcome = Contradicts
		v.Statement = fmt.Sprintf("the sample contradicts %s: %s", spoken(v.Declared), strings.Join(failed, "; "))
	case assessed == 0:
		v.Outcome = NotProven
		v.Statement = fmt.Sprintf("nothing of %s could be assessed", spoken(v.Declared))
	case len(open) > 0:
		v.Outcome = NotProven
		v.Statement = fmt.Sprintf("not proven either way for %s: %s%s", spoken(v.Declared), strings.Join(open, "; "), left)
	case v.Complete:
		v.Outcome = Supports
		v.Statement = fmt.Sprintf("the sample supports %s in every factor", spoken(v.Declared))
	default:
		v.Outcome = Supports
		v.Statement = fmt.Sprintf("the sample supports %s in what was assessed%s", spoken(v.Declared), left)
	}
}

// finding writes a line as "broken kernels 9.10 % (8.01 to 10.20), at most 7.0 %".
func finding(l *Line) string {
	if l.From == FromSheet && l.figure.counted == nil || l.Low == nil {
		return fmt.Sprintf("%s %s, %s", l.Limit, l.ValueText, l.LimitText)
	}
	return fmt.Sprintf("%s %s (%.2f to %.2f), %s", l.Limit, l.ValueText, *l.Low, *l.High, l.LimitText)
}

// decide judges fig against a limit.
func (fig *figure) decide(l standards.Limit, rule Decision) string {
	if g := rule.GuardBand; g != nil && fig.share != nil {
		x := fig.share.Value
		return judge(Estimate{x, x - *g, x + *g}, l)
	}
	if judge(fig.oneSided(rule.Risks.Consumer), l) == Meets {
		return Meets
	}
	if judge(fig.oneSided(rule.Risks.Producer), l) == Fails {
		return Fails
	}
	return NotProven
}

// oneSided returns the estimate with an interval either end of which leaves
// the given risk outside. Where nothing or everything was found the interval
// is one-sided already.
func (fig *figure) oneSided(risk float64) Estimate {
	level := 1 - 2*risk
	if fig.share != nil && (fig.share.Found == 0 || fig.share.Value >= 100) || fig.counted != nil && fig.counted.n == 0 {
		level = 1 - risk
	}
	return fig.at(max(level, 1e-6))
}

// decideIn is the probability with which More promises a decision.
const decideIn = 0.9

// mostTimes bounds the search for the number of kernels that would decide.
const mostTimes = 1e4

// more works out how many further kernels would settle the open limits.
func (a *assessor) more(v *Verification, rule Decision) *More {
	n := len(a.sample.Pieces)
	times := 1.0
	for i := range v.Checks {
		c := &v.Checks[i]
		if c.Verdict != NotProven {
			continue
		}
		t, why := c.figure.timesToDecide(c.limit, rule)
		if why != "" {
			return &More{Why: c.Limit + ": " + why}
		}
		times = max(times, t)
	}
	if times == 1 {
		return &More{Why: "nothing was assessed; more kernels do not help"}
	}
	more := math.Ceil((times - 1) * float64(n))
	perTray := float64(n) / float64(max(a.sample.Trays, 1))
	return &More{Kernels: int(more), Trays: int(math.Ceil(more / perTray)), Possible: true}
}

// timesToDecide returns how many times the present number of kernels decides
// the limit with probability decideIn, if the lot is as measured.
func (fig *figure) timesToDecide(l standards.Limit, rule Decision) (times float64, why string) {
	if fig.counted != nil {
		return 0, "the number counted lies too close to the limit for its own scatter"
	}
	holds := l.Bound.Holds(l.Round.Round(fig.estimate.Value), l.Value)
	if holds && exactLimit(l) == 0 {
		return 0, "no number of kernels proves that there is none"
	}
	z := distuv.UnitNormal.Quantile(decideIn)
	decided := func(times float64) bool {
		s := fig.share.scaled(times)
		r := s.Value / 100
		// The figure that the larger sample shows with probability decideIn
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
	lo, hi := 0.0, math.Log(mostTimes)
	if !decided(mostTimes) {
		if fig.share.Budget.Unresolved > 0 {
			return 0, "the groups not taken apart leave it open; part them and scan again"
		}
		return 0, "the figure lies too close to the limit"
	}
	for range 40 {
		if mid := (lo + hi) / 2; decided(math.Exp(mid)) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return math.Exp(hi), ""
}
