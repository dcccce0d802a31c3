package mill

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/vision/kernel/fault"
)

// A Stage is a point in the mill with the samples drawn behind it.
type Stage struct {
	Name   string
	Broken []Figure // broken share of each sample, percent by mass of the sample
}

// What a stage's samples prove of it.
const (
	StageFirst    = "first"      // nothing before it to compare with
	StageBreaks   = "breaks"     // it breaks more than chance explains
	StageRemoves  = "removes"    // fewer brokens behind it than chance explains: it takes them out
	StageNoProof  = "not_proven" // the difference may be chance
	StageUnjudged = "unjudged"   // an interval is missing
)

// A StageResult is what one stage does to the grain.
type StageResult struct {
	Stage   string `json:"stage"`
	Samples int    `json:"samples"`
	Broken  Figure `json:"broken_pct"` // mean of the samples
	// Unsteady reports that the samples differ by more than their intervals
	// explain; the interval then comes from their scatter.
	Unsteady bool `json:"unsteady"`
	// Added is the rise of the broken share over the stage before, in points;
	// null for the first.
	Added *Figure `json:"added_points"`
	// OfWhole is the share of the whole grain fed to the stage that it breaks,
	// percent: what compares stages at different places.
	OfWhole *Figure `json:"broken_of_whole_fed_pct"`
	// P is the two-sided probability of so large a difference by chance alone,
	// PAdjusted the same for all stages looked at together.
	P         *float64 `json:"p"`
	PAdjusted *float64 `json:"p_adjusted"`
	Verdict   string   `json:"verdict"`
}

// A StagesResult compares the stages of a mill.
type StagesResult struct {
	Stages []StageResult `json:"stages"`
	// Total is the rise from the first stage to the last, in points.
	Total Figure `json:"total_points"`
	// Alpha is the chance, all stages together, of blaming one that does
	// nothing.
	Alpha float64 `json:"alpha"`
	// Widened is how many times as wide the intervals became because samples of
	// one stage scatter by more than their intervals explain; 1: they do not.
	Widened  float64 `json:"widened"`
	Compared int     `json:"compared"` // differences that were tested
	Worst    string  `json:"worst"`    // stage that adds most, of those proven; empty where none is
}

// stagesAlpha is the level of the verdicts.
const stagesAlpha = 0.05

// priorSamples is the weight, in samples, of the belief that intervals tell
// all of the doubt there is. Our own choice: with it a mill that breaks nothing
// is blamed somewhere in no more than about 5 of 100 cases even where the
// stream swings as much as a sample's own doubt (TestStagesSwing).
const priorSamples = 2

// CompareStages tells what each stage adds to the broken share of the one
// before, in the order given. Errors are *fault.Error.
//
// The interval of a difference is by recovered variances (see propagate). Its
// two-sided p is that of the difference over the side of its interval that
// faces zero. The verdicts hold for all stages together: p is adjusted by
// S. Holm, Scand. J. Statist. 6 (1979) 65-70, which needs no independence, and
// neighbouring differences share a sample.
//
// Several samples of a stage are averaged with equal weight. Their scatter,
// all stages together, is compared with what their intervals explain (Cochran's
// Q over its degrees of freedom, shrunk towards 1 by priorSamples); where it is
// greater, all intervals are widened by its root and take Student's t. Where
// the samples of one stage differ by more than chance explains (Q, 5 %), or
// have no intervals, the interval of that stage comes from their own scatter.
// Degrees of freedom of a difference are by Welch and Satterthwaite (B.L.
// Welch, Biometrika 34 (1947) 28-35, from memory).
func CompareStages(stages []Stage) (*StagesResult, error) {
	if len(stages) < 2 {
		return nil, fault.Usagef("give the samples of two stages or more, in the order of the flow", "%d stage to compare", len(stages))
	}
	seen := map[string]bool{}
	out := &StagesResult{Alpha: stagesAlpha, Widened: 1, Stages: []StageResult{}}
	means := make([]stageMean, len(stages))
	for i, s := range stages {
		if seen[s.Name] {
			return nil, fault.Usagef("give the samples of one stage one after the other, and other stages other names", "stage %q comes twice", s.Name)
		}
		seen[s.Name] = true
		if len(s.Broken) == 0 {
			return nil, fault.Usagef("give a sample of it, or leave it out", "no sample of stage %q", s.Name)
		}
		means[i] = meanOf(s.Broken)
	}
	out.Widened = widen(means)
	for i, s := range stages {
		m := &means[i]
		out.Stages = append(out.Stages, StageResult{
			Stage: s.Name, Samples: len(s.Broken), Verdict: StageFirst,
			Broken: withT(m.f, m.df).within(0, 100), Unsteady: m.unsteady,
		})
	}
	var ps []float64
	var tested []*StageResult
	for i := 1; i < len(out.Stages); i++ {
		before, after, r := &means[i-1], &means[i], &out.Stages[i]
		d, df := after.minus(before)
		added := withT(d, df).within(-100, 100)
		r.Added = &added
		if before.f.Value < 100 {
			of := propagate([]Figure{after.f, before.f}, func(x []float64) float64 {
				return 100 * (x[0] - x[1]) / max(1e-9, 100-x[1])
			})
			of = withT(of, df).within(-1e4, 100)
			r.OfWhole = &of
		}
		p, ok := twoSidedP(d, df)
		if !ok {
			r.Verdict = StageUnjudged
			continue
		}
		r.P = rounded(p)
		ps = append(ps, p)
		tested = append(tested, r)
	}
	worst := 0.0
	for i, p := range holm(ps) {
		r := tested[i]
		r.PAdjusted = rounded(p)
		switch {
		case p > out.Alpha:
			r.Verdict = StageNoProof
		case r.Added.Value > 0:
			r.Verdict = StageBreaks
			if r.Added.Value > worst {
				worst, out.Worst = r.Added.Value, r.Stage
			}
		default:
			r.Verdict = StageRemoves
		}
	}
	out.Compared = len(ps)
	total, df := means[len(means)-1].minus(&means[0])
	out.Total = withT(total, df).within(-100, 100)
	return out, nil
}

// A stageMean is the mean of the samples of one stage. The interval of f is
// that of a normal distribution of its standard uncertainty; df says how well
// that is known.
type stageMean struct {
	f        Figure
	df       float64
	q        float64 // Cochran's Q of the samples
	n        int
	unsteady bool // they differ by more than their intervals explain
	scatter  bool // the interval comes from their own scatter
}

// meanOf returns the mean of samples of one stream.
func meanOf(samples []Figure) stageMean {
	n := len(samples)
	m := stageMean{f: samples[0], df: math.Inf(1), n: n}
	if n == 1 {
		return m
	}
	m.f = Mean(samples).within(0, 100)
	values := make([]float64, n)
	for i, s := range samples {
		values[i] = s.Value
		side := s.High - s.Value
		if s.Value > m.f.Value {
			side = s.Value - s.Low
		}
		d := s.Value - m.f.Value
		switch {
		case d == 0:
		case side > 0:
			m.q += d * d / (side * side) * z95 * z95
		default:
			m.q = math.Inf(1)
		}
	}
	m.unsteady = !m.f.Bare && m.q > distuv.ChiSquared{K: float64(n - 1)}.Quantile(0.95)
	scatter := stat.StdDev(values, nil)
	// Equal figures without intervals say nothing of their doubt.
	if m.scatter = m.unsteady || m.f.Bare && scatter > 0; m.scatter {
		half := z95 * scatter / math.Sqrt(float64(n))
		m.f = Figure{Value: m.f.Value, Low: m.f.Value - half, High: m.f.Value + half}
		m.df = float64(n - 1)
	}
	return m
}

// widen widens the intervals of means that do not come from their own scatter
// by what the samples of all stages scatter beyond their intervals, and returns
// how many times as wide they are in the end, Student's t counted.
func widen(means []stageMean) float64 {
	q, df := 0.0, 0.0
	for i := range means {
		if m := &means[i]; m.n > 1 && (m.unsteady || !m.scatter && !m.f.Bare) {
			k := float64(m.n - 1)
			// One stage gone wild is its own matter: past what chance makes once
			// in a thousand it tells nothing more of the others.
			q += min(m.q, distuv.ChiSquared{K: k}.Quantile(0.999))
			df += k
		}
	}
	excess := (priorSamples + q) / (priorSamples + df)
	if excess <= 1 {
		return 1
	}
	factor := math.Sqrt(excess)
	for i := range means {
		if m := &means[i]; !m.scatter && !m.f.Bare {
			m.f = m.f.stretched(factor).within(0, 100)
			m.df = priorSamples + df
		}
	}
	return factor * tOverZ(priorSamples+df)
}

// withT returns f with its interval stretched from the normal distribution to
// Student's t of df degrees of freedom.
func withT(f Figure, df float64) Figure {
	if f.Bare || math.IsInf(df, 1) {
		return f
	}
	return f.stretched(tOverZ(df))
}

// tOverZ returns how many times as wide an interval is by Student's t of df
// degrees of freedom as by the normal distribution.
func tOverZ(df float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975) / z95
}

// minus returns m - o with its degrees of freedom.
func (m *stageMean) minus(o *stageMean) (Figure, float64) {
	v, w := math.Pow(m.f.HalfWidth(), 2), math.Pow(o.f.HalfWidth(), 2)
	df := min(m.df, o.df)
	if v+w > 0 {
		// Where both rest on one estimate of scatter, that is all there is.
		df = min(max(m.df, o.df), max(df, (v+w)*(v+w)/(v*v/m.df+w*w/o.df)))
	}
	return Difference(m.f, o.f), df
}

// twoSidedP returns the probability of a difference as far from zero as d by
// chance, d having the interval of a normal distribution whose standard
// deviation is known with df degrees of freedom. ok is false where d has no
// interval.
func twoSidedP(d Figure, df float64) (p float64, ok bool) {
	if d.Bare {
		return 0, false
	}
	side := d.Value - d.Low
	if d.Value < 0 {
		side = d.High - d.Value
	}
	switch {
	case d.Value == 0:
		return 1, true
	case side == 0:
		return 0, true
	}
	z := math.Abs(d.Value) / side * z95
	if math.IsInf(df, 1) {
		return 2 * distuv.UnitNormal.Survival(z), true
	}
	return 2 * distuv.StudentsT{Sigma: 1, Nu: df}.Survival(z), true
}

// holm returns the adjusted p of each of ps (S. Holm 1979): from the smallest
// up, times the number of those not yet passed, never falling, at most 1.
func holm(ps []float64) []float64 {
	order := make([]int, len(ps))
	floats.ArgsortStable(slices.Clone(ps), order)
	out := make([]float64, len(ps))
	highest := 0.0
	for rank, i := range order {
		highest = max(highest, min(1, ps[i]*float64(len(ps)-rank)))
		out[i] = highest
	}
	return out
}
