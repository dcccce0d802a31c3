package mill

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
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
	Alpha    float64 `json:"alpha"`
	Compared int     `json:"compared"` // differences that were tested
	Worst    string  `json:"worst"`    // stage that adds most, of those proven; empty where none is
}

// stagesAlpha is the level of the verdicts.
const stagesAlpha = 0.05

// CompareStages tells what each stage adds to the broken share of the one
// before, in the order given. Errors are *InputError.
//
// The interval of a difference is by recovered variances (see propagate). Its
// two-sided p is that of the difference over the side of its interval that
// faces zero. The verdicts hold for all stages together: p is adjusted by
// S. Holm, Scand. J. Statist. 6 (1979) 65-70, which needs no independence, and
// neighbouring differences share a sample. Several samples of a stage are
// averaged with equal weight; where they differ by more than their intervals
// explain (Cochran's Q, 5 %), or have none, the interval comes from their
// scatter by Student's t.
func CompareStages(stages []Stage) (*StagesResult, error) {
	if len(stages) < 2 {
		return nil, &InputError{What: fmt.Sprintf("%d stage to compare", len(stages)), Hint: "give the samples of two stages or more, in the order of the flow"}
	}
	seen := map[string]bool{}
	out := &StagesResult{Alpha: stagesAlpha, Stages: []StageResult{}}
	for _, s := range stages {
		if seen[s.Name] {
			return nil, &InputError{What: fmt.Sprintf("stage %q comes twice", s.Name), Hint: "give the samples of one stage one after the other, and other stages other names"}
		}
		seen[s.Name] = true
		if len(s.Broken) == 0 {
			return nil, &InputError{What: fmt.Sprintf("no sample of stage %q", s.Name), Hint: "give a sample of it, or leave it out"}
		}
		r := StageResult{Stage: s.Name, Samples: len(s.Broken), Verdict: StageFirst}
		r.Broken, r.Unsteady = pool(s.Broken)
		out.Stages = append(out.Stages, r)
	}
	var ps []float64
	var tested []*StageResult
	for i := 1; i < len(out.Stages); i++ {
		before, r := out.Stages[i-1].Broken, &out.Stages[i]
		added := difference(r.Broken, before)
		r.Added = &added
		if before.Value < 100 {
			of := propagate([]Figure{r.Broken, before}, func(x []float64) float64 {
				return 100 * (x[0] - x[1]) / max(1e-9, 100-x[1])
			}).within(-1e4, 100)
			r.OfWhole = &of
		}
		p, ok := twoSidedP(added)
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
	out.Total = difference(out.Stages[len(stages)-1].Broken, out.Stages[0].Broken)
	return out, nil
}

// pool returns the mean of samples of one stream.
func pool(samples []Figure) (mean Figure, unsteady bool) {
	n := len(samples)
	if n == 1 {
		return samples[0], false
	}
	mean = propagate(samples, func(x []float64) float64 { return stat.Mean(x, nil) }).within(0, 100)
	values := make([]float64, n)
	q := 0.0
	for i, s := range samples {
		values[i] = s.Value
	}
	for _, s := range samples {
		side := s.High - s.Value
		if s.Value > mean.Value {
			side = s.Value - s.Low
		}
		d := s.Value - mean.Value
		switch {
		case d == 0:
		case side > 0:
			q += d * d / (side * side) * z95 * z95
		default:
			q = math.Inf(1)
		}
	}
	df := float64(n - 1)
	unsteady = !mean.Bare && q > distuv.ChiSquared{K: df}.Quantile(0.95)
	if !mean.Bare && !unsteady {
		return mean, false
	}
	// Equal figures without intervals say nothing of their doubt.
	if scatter := stat.StdDev(values, nil); mean.Bare && scatter == 0 {
		return mean, false
	}
	half := distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975) * stat.StdDev(values, nil) / math.Sqrt(float64(n))
	return Figure{Value: mean.Value, Low: mean.Value - half, High: mean.Value + half}.within(0, 100), unsteady
}

// twoSidedP returns the probability of a difference as far from zero as d by
// chance. ok is false where d has no interval.
func twoSidedP(d Figure) (p float64, ok bool) {
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
	return 2 * distuv.UnitNormal.Survival(math.Abs(d.Value)/side*z95), true
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
