package mill

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"traytally/grading"
)

// TestHolm: two textbook examples (from memory). Five p of 0.01 to 0.05 come
// out of R's p.adjust(method = "holm") as 0.05, 0.08, 0.09, 0.09, 0.09; of
// 0.01, 0.04, 0.03, 0.005 the step-down procedure at 5 % rejects the first and
// the last.
func TestHolm(t *testing.T) {
	assert.InDeltaSlice(t, []float64{0.05, 0.08, 0.09, 0.09, 0.09}, holm([]float64{0.01, 0.02, 0.03, 0.04, 0.05}), 1e-12)
	assert.InDeltaSlice(t, []float64{0.03, 0.06, 0.06, 0.02}, holm([]float64{0.01, 0.04, 0.03, 0.005}), 1e-12)
	assert.Equal(t, []float64{1, 1}, holm([]float64{0.7, 0.9}))
	assert.Empty(t, holm(nil))
}

func TestCompareStages(t *testing.T) {
	res, err := CompareStages([]Stage{
		{"husker", []Figure{pm(4, 1)}},
		{"whitener 1", []Figure{pm(12, 1.5)}},
		{"whitener 2", []Figure{pm(13, 1.5)}},
		{"polisher", []Figure{bare(14)}},
		{"grader", []Figure{pm(5, 1)}},
	})
	require.NoError(t, err)
	s := res.Stages
	assert.Equal(t, []string{StageFirst, StageBreaks, StageNoProof, StageUnjudged, StageUnjudged},
		[]string{s[0].Verdict, s[1].Verdict, s[2].Verdict, s[3].Verdict, s[4].Verdict})
	assert.Nil(t, s[0].Added)
	// By hand: 8 ± √(1² + 1.5²); of the 96 % whole fed, 8/96 = 8.33 %.
	assert.InDelta(t, 8, s[1].Added.Value, 1e-12)
	assert.InDelta(t, 1.8028, s[1].Added.HalfWidth(), 1e-4)
	assert.InDelta(t, 8.3333, s[1].OfWhole.Value, 1e-4)
	assert.InDelta(t, 1, res.Total.Value, 1e-12)
	assert.Equal(t, "whitener 1", res.Worst)
	assert.Equal(t, 2, res.Compared)

	res, err = CompareStages([]Stage{{"polisher", []Figure{pm(14, 1.5)}}, {"grader", []Figure{pm(5, 1)}}})
	require.NoError(t, err)
	assert.Equal(t, StageRemoves, res.Stages[1].Verdict)
	assert.Empty(t, res.Worst)
}

// TestStagesTogether: a difference that would count alone does not count among
// many.
func TestStagesTogether(t *testing.T) {
	alone, err := CompareStages([]Stage{{"a", []Figure{pm(10, 1)}}, {"b", []Figure{pm(11.5, 1)}}})
	require.NoError(t, err)
	assert.Equal(t, StageBreaks, alone.Stages[1].Verdict)
	among, err := CompareStages([]Stage{
		{"a", []Figure{pm(10, 1)}}, {"b", []Figure{pm(11.5, 1)}}, {"c", []Figure{pm(11.4, 1)}}, {"d", []Figure{pm(11.3, 1)}},
	})
	require.NoError(t, err)
	assert.Equal(t, StageNoProof, among.Stages[1].Verdict)
	assert.Greater(t, among.Stages[1].Added.Low, 0.0, "its own interval stays as it is")
}

// TestMeanOf, by hand: the mean of two has 1/√2 of their interval. 3, 5 and 7
// scatter by 2; the mean is known to 4.303·2/√3 = 4.968 by Student's t of two
// degrees of freedom.
func TestMeanOf(t *testing.T) {
	m := meanOf([]Figure{pm(10, 2), pm(11, 2)})
	assert.InDelta(t, 10.5, m.f.Value, 1e-12)
	assert.InDelta(t, math.Sqrt2, m.f.HalfWidth(), 1e-9)
	// Each lies 0.5 from the mean, with a standard uncertainty of 2/1.96.
	assert.InDelta(t, 2*math.Pow(0.5*z95/2, 2), m.q, 1e-9)
	assert.False(t, m.unsteady)

	m = meanOf([]Figure{pm(3, 0.5), pm(5, 0.5), pm(7, 0.5)})
	assert.True(t, m.unsteady)
	assert.InDelta(t, 4.968, withT(m.f, m.df).HalfWidth(), 1e-3)

	fromScatter := meanOf([]Figure{bare(3), bare(5), bare(7)})
	assert.False(t, fromScatter.unsteady)
	assert.InDelta(t, 4.968, withT(fromScatter.f, fromScatter.df).HalfWidth(), 1e-3)
	silent := meanOf([]Figure{bare(5), bare(5)})
	assert.True(t, silent.f.Bare, "equal figures without intervals say nothing of their doubt")
}

func TestStagesRefusals(t *testing.T) {
	for what, stages := range map[string][]Stage{
		"1 stage to compare": {{"a", []Figure{pm(1, 1)}}},
		"comes twice":        {{"a", []Figure{pm(1, 1)}}, {"b", []Figure{pm(1, 1)}}, {"a", []Figure{pm(1, 1)}}},
		"no sample of":       {{"a", []Figure{pm(1, 1)}}, {"b", nil}},
	} {
		_, err := CompareStages(stages)
		assert.Contains(t, requireFault(t, err).What, what)
	}
	same, err := CompareStages([]Stage{{"a", []Figure{Exact(5)}}, {"b", []Figure{Exact(5)}}, {"c", []Figure{Exact(6)}}})
	require.NoError(t, err)
	assert.Equal(t, StageNoProof, same.Stages[1].Verdict)
	assert.Equal(t, StageBreaks, same.Stages[2].Verdict, "nothing in doubt")
	all, err := CompareStages([]Stage{{"a", []Figure{pm(100, 0)}}, {"b", []Figure{pm(100, 0)}}})
	require.NoError(t, err)
	assert.Nil(t, all.Stages[1].OfWhole, "no whole grain is left to break")
}

// kernelsOf draws n kernels of a stream and returns the broken share with the
// interval that grading gives such a count.
func kernelsOf(r *rand.Rand, share float64, n int) Figure {
	x := distuv.Binomial{N: float64(n), P: share, Src: r}.Rand()
	low, high := grading.Jeffreys(x, float64(n), 0.95)
	v := x / float64(n)
	return Figure{100 * v, 100 * min(low, v), 100 * max(high, v), false}
}

// TestStagesFalseAlarm: in a mill that breaks nothing, no stage is blamed in
// 95 of 100 walks along it; a stage that breaks clearly is found.
func TestStagesFalseAlarm(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 0))
	const walks = 2000
	for _, c := range []struct {
		share   float64
		kernels int
	}{{0.04, 500}, {0.10, 800}, {0.25, 400}} {
		alarms := 0
		for range walks {
			var stages []Stage
			for _, name := range []string{"a", "b", "c", "d", "e", "f"} {
				stages = append(stages, Stage{name, []Figure{kernelsOf(r, c.share, c.kernels)}})
			}
			res, err := CompareStages(stages)
			require.NoError(t, err)
			for _, s := range res.Stages {
				if s.Verdict == StageBreaks || s.Verdict == StageRemoves {
					alarms++
					break
				}
			}
		}
		// Three standard deviations at 5 % are 1.5 points.
		assert.Less(t, 100*float64(alarms)/walks, 6.5, "%+v", c)
	}
	found := 0
	for range 200 {
		res, err := CompareStages([]Stage{
			{"a", []Figure{kernelsOf(r, 0.05, 800)}}, {"b", []Figure{kernelsOf(r, 0.12, 800)}}, {"c", []Figure{kernelsOf(r, 0.12, 800)}},
		})
		require.NoError(t, err)
		if res.Worst == "b" {
			found++
		}
	}
	assert.Greater(t, found, 190)
}

// TestStagesSwing: where the stream swings as much as one sample is in doubt,
// several samples of each stage show it, and a mill that breaks nothing is
// still blamed in about 5 of 100 walks along it and not in 25, which is what
// one sample of each gives.
func TestStagesSwing(t *testing.T) {
	const walks, share, kernels = 1000, 0.10, 400
	for _, c := range []struct {
		samples     int
		least, most float64 // percent of walks with an alarm
	}{{1, 20, 30}, {2, 0, 8}, {3, 0, 8}} {
		r := rand.New(rand.NewPCG(4, uint64(c.samples)))
		alarms := 0
		for range walks {
			var stages []Stage
			for _, name := range []string{"a", "b", "c", "d", "e"} {
				s := Stage{Name: name}
				for range c.samples {
					swing := r.NormFloat64() * math.Sqrt(share*(1-share)/kernels)
					s.Broken = append(s.Broken, kernelsOf(r, share+swing, kernels))
				}
				stages = append(stages, s)
			}
			res, err := CompareStages(stages)
			require.NoError(t, err)
			if slices.ContainsFunc(res.Stages, func(s StageResult) bool { return s.Verdict == StageBreaks || s.Verdict == StageRemoves }) {
				alarms++
			}
		}
		rate := 100 * float64(alarms) / walks
		assert.True(t, c.least <= rate && rate <= c.most, "%d samples of each: alarm in %.1f of 100", c.samples, rate)
	}
}

// TestStagesWiden, by hand: two samples each of two stages, 10 and 12 ± 1.4,
// lie 1 from their means, u = 0.7143, so that Q = 2·1.96 = 3.92, a hair over
// the 3.84 of one stage; with ± 1.5, Q = 3.4146 each, and the excess is
// (2 + 2·3.4146)/(2 + 2) = 2.2073, its root 1.4857. A mean has ± 1.5/√2 · 1.4857
// = 1.5758 of a normal distribution, and t(4)/1.96 = 1.4166 of that is 2.2323.
func TestStagesWiden(t *testing.T) {
	res, err := CompareStages([]Stage{{"a", []Figure{pm(10, 1.5), pm(12, 1.5)}}, {"b", []Figure{pm(10, 1.5), pm(12, 1.5)}}})
	require.NoError(t, err)
	assert.InDelta(t, 1.4857*1.4166, res.Widened, 1e-3)
	assert.InDelta(t, 2.2323, res.Stages[1].Broken.HalfWidth(), 1e-3)
	assert.InDelta(t, 2.2323*math.Sqrt2, res.Stages[1].Added.HalfWidth(), 1e-3)

	alike, err := CompareStages([]Stage{{"a", []Figure{pm(10, 1.5), pm(10.5, 1.5)}}, {"b", []Figure{pm(10, 1.5)}}})
	require.NoError(t, err)
	assert.Equal(t, 1.0, alike.Widened)
	assert.Equal(t, pm(10, 1.5), alike.Stages[1].Broken, "samples that agree widen nothing")
}

// TestStagesAddUp: what the stages add is the rise from the first to the last,
// and whole grain that passes all of them is the product of what each leaves.
func TestStagesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stages []Stage
		for i, b := range rapid.SliceOfN(rapid.Float64Range(0, 99), 2, 8).Draw(t, "broken") {
			stages = append(stages, Stage{string(rune('a' + i)), []Figure{pm(b, 1).within(0, 100)}})
		}
		res, err := CompareStages(stages)
		require.NoError(t, err)
		sum, left := 0.0, 1-stages[0].Broken[0].Value/100
		for _, s := range res.Stages[1:] {
			sum += s.Added.Value
			left *= 1 - s.OfWhole.Value/100
			assert.True(t, s.Added.Low <= s.Added.Value && s.Added.Value <= s.Added.High)
			assert.True(t, *s.PAdjusted >= *s.P && *s.PAdjusted <= 1)
		}
		assert.InDelta(t, res.Total.Value, sum, 1e-9)
		assert.InDelta(t, 1-stages[len(stages)-1].Broken[0].Value/100, left, 1e-9)
	})
}
