package agree

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/mill"
	"traytally/vision/kernel/fault"
)

// A Result is one result of the lot.
type Result struct {
	Lab    string      `json:"lab"`
	Sample string      `json:"sample"` // where it came from
	Value  mill.Figure `json:"value"`
}

// Limits are stated limits that two results differ by no more than in 95 of
// 100 cases: Repeatability within one laboratory, Reproducibility between two.
// 0: not stated.
type Limits struct {
	Repeatability   float64 `json:"repeatability_limit"`
	Reproducibility float64 `json:"reproducibility_limit"`
}

// What a judgement says.
const (
	Agree    = "agree"
	Disagree = "disagree"
	Unjudged = "unjudged" // nothing stated to judge by
)

// A Judgement is one way to judge the results.
type Judgement struct {
	By      string `json:"by"` // "intervals", "repeatability", "reproducibility"
	Verdict string `json:"verdict"`
	// Difference is the greatest difference, and Allowed what it may be; for
	// the intervals that of the two results that lie farthest apart for their
	// doubt.
	Difference float64 `json:"difference"`
	Allowed    float64 `json:"allowed"`
	Between    string  `json:"between"`
	P          float64 `json:"p,omitempty"` // by intervals: the chance of so much scatter
	Formula    string  `json:"formula"`
	Clause     string  `json:"clause"`
}

// A LabMean is the mean of one laboratory's results.
type LabMean struct {
	Lab     string      `json:"lab"`
	Results int         `json:"results"`
	Mean    mill.Figure `json:"mean"`
}

// A Comparison says whether results of one lot agree.
type Comparison struct {
	Results    []Result    `json:"results"`
	Labs       []LabMean   `json:"labs"`
	Limits     Limits      `json:"limits"`
	Judgements []Judgement `json:"judgements"`
	// Verdict is Disagree where one judgement is, Unjudged where none says
	// anything.
	Verdict string `json:"verdict"`
	// Final is the mean of the laboratories' means, what stands where they
	// agree.
	Final mill.Figure `json:"final"`
}

// alpha is the chance of calling results apart that differ by chance alone,
// the level behind ISO 5725's limits too.
const alpha = 0.05

// Compare judges two or more results of one lot, in the order given. Errors
// are *fault.Error.
func Compare(results []Result, limits Limits) (*Comparison, error) {
	if len(results) < 2 {
		return nil, fault.Usagef("give two or more: A=a.json B=b.json", "one result has nothing to agree with")
	}
	if limits.Repeatability > 0 && limits.Reproducibility > 0 && limits.Reproducibility < limits.Repeatability {
		return nil, fault.Usagef("between laboratories results differ by as much or more: are they swapped?",
			"a reproducibility limit of %g below the repeatability limit of %g", limits.Reproducibility, limits.Repeatability)
	}
	c := &Comparison{Results: results, Limits: limits, Judgements: []Judgement{}, Verdict: Unjudged}
	byLab := map[string][]mill.Figure{}
	var labs []string
	for _, r := range results {
		if _, seen := byLab[r.Lab]; !seen {
			labs = append(labs, r.Lab)
		}
		byLab[r.Lab] = append(byLab[r.Lab], r.Value)
	}
	var means []mill.Figure
	for _, lab := range labs {
		m := mill.Mean(byLab[lab])
		means = append(means, m)
		c.Labs = append(c.Labs, LabMean{lab, len(byLab[lab]), m})
	}
	c.Final = mill.Mean(means)
	c.byIntervals()
	if limits.Repeatability > 0 {
		for _, lab := range labs {
			c.withinLab(lab, byLab[lab])
		}
	}
	if len(labs) > 1 && limits.Reproducibility > 0 {
		c.betweenLabs()
	}
	return c, nil
}

// judged adds a judgement: results that differ by chance alone agree.
func (c *Comparison) judged(j Judgement, chance bool) {
	j.Verdict = Disagree
	if chance {
		j.Verdict = Agree
	}
	if c.Verdict != Disagree {
		c.Verdict = j.Verdict
	}
	c.Judgements = append(c.Judgements, j)
}

// byLimit adds a judgement by a stated limit.
func (c *Comparison) byLimit(j Judgement) { c.judged(j, j.Difference <= j.Allowed*(1+1e-12)) }

// byIntervals asks whether the results scatter by more than their own
// intervals explain: Cochran's Q, the sum of squares over variances, against
// chi-squared. For two results that is |a-b| <= √(Ua²+Ub²), E_n <= 1 of
// ISO/IEC 17043. Results without an interval take no part.
func (c *Comparison) byIntervals() {
	var with []Result
	for _, r := range c.Results {
		if !r.Value.Bare && r.Value.High > r.Value.Low {
			with = append(with, r)
		}
	}
	if len(with) < 2 {
		return
	}
	j := Judgement{By: "intervals", Formula: "E_n = |a - b| / √(Ua² + Ub²) ≤ 1, U from the sides that face", Clause: "ISO/IEC 17043, annex B (from memory)"}
	z := distuv.UnitNormal.Quantile(1 - alpha/2)
	variance := func(r Result) float64 { u := r.Value.HalfWidth() / z; return u * u }
	var sum, weights float64
	worst := -1.0
	for i, r := range with {
		weights += 1 / variance(r)
		sum += r.Value.Value / variance(r)
		for _, q := range with[:i] {
			d := mill.Difference(r.Value, q.Value)
			allowed := d.Value - d.Low
			if d.Value < 0 {
				allowed = d.High - d.Value
			}
			if en := math.Abs(d.Value) / allowed; en > worst {
				worst = en
				j.Difference, j.Allowed, j.Between = math.Abs(d.Value), allowed, q.Lab+" and "+r.Lab
			}
		}
	}
	if len(with) == 2 {
		j.P = 2 * distuv.UnitNormal.CDF(-worst*z)
	} else {
		q := 0.0
		for _, r := range with {
			d := r.Value.Value - sum/weights
			q += d * d / variance(r)
		}
		j.P = distuv.ChiSquared{K: float64(len(with) - 1)}.Survival(q)
		j.Formula = "Q = Σ (x - mean)² / u², against chi-squared; mean weighted by 1/u²"
		j.Clause = "W.G. Cochran, Biometrics 10 (1954) 101-129 (from memory)"
	}
	c.judged(j, j.P >= alpha)
}

// withinLab judges the results of one laboratory by the repeatability limit:
// ISO 5725-6, 5.2.2, the range of n results against the critical range
// f(n)·σr, which for two is the limit itself.
func (c *Comparison) withinLab(lab string, values []mill.Figure) {
	n := len(values)
	if n < 2 {
		return
	}
	var x []float64
	for _, f := range values {
		x = append(x, f.Value)
	}
	j := Judgement{
		By: "repeatability", Between: lab, Difference: slices.Max(x) - slices.Min(x),
		Allowed: c.Limits.Repeatability / LimitFactor * RangeFactor(n), Formula: "|x1 - x2| ≤ r", Clause: "ISO 5725-6, 5.2.2 (from memory)",
	}
	if n > 2 {
		j.Formula = fmt.Sprintf("range of %d ≤ %.1f · r / %.1f", n, RangeFactor(n), LimitFactor)
	}
	c.byLimit(j)
}

// CriticalDifference is what the means of n1 and n2 results of two
// laboratories differ by no more than in 95 of 100 cases, from the limits:
// √(R² - r²·(1 - 1/(2·n1) - 1/(2·n2))), ISO 5725-6, 4.2.2. Without a stated
// repeatability limit it is R, which is more than it should be for means.
func (l Limits) CriticalDifference(n1, n2 int) float64 {
	r, R := l.Repeatability, l.Reproducibility
	return math.Sqrt(max(0, R*R-r*r*(1-1/(2*float64(n1))-1/(2*float64(n2)))))
}

// betweenLabs judges the laboratories' means, each pair by its critical
// difference; of more than two the factor for a range stands in place of 2.8.
func (c *Comparison) betweenLabs() {
	j := Judgement{By: "reproducibility", Formula: "|y1 - y2| ≤ √(R² - r²·(1 - 1/(2·n1) - 1/(2·n2)))", Clause: "ISO 5725-6, 4.2.2 and 5.3 (from memory)"}
	if c.Limits.Repeatability == 0 {
		j.Formula = "|y1 - y2| ≤ R; r is not stated"
	}
	k := 1.0
	if n := len(c.Labs); n > 2 {
		k = RangeFactor(n) / LimitFactor
		j.Formula += fmt.Sprintf(", times %.1f/%.1f for %d laboratories", RangeFactor(n), LimitFactor, n)
	}
	worst := -1.0
	for i, b := range c.Labs {
		for _, a := range c.Labs[:i] {
			allowed := k * c.Limits.CriticalDifference(a.Results, b.Results)
			d := math.Abs(a.Mean.Value - b.Mean.Value)
			if d-allowed > worst || j.Between == "" {
				worst = d - allowed
				j.Difference, j.Allowed, j.Between = d, allowed, a.Lab+" and "+b.Lab
			}
		}
	}
	c.byLimit(j)
}
