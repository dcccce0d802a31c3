package agree

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/mill"
)

func figure(v, half float64) mill.Figure {
	return mill.Figure{Value: v, Low: v - half, High: v + half, Bare: half == 0}
}

func compare(t *testing.T, limits Limits, results ...Result) *Comparison {
	t.Helper()
	c, err := Compare(results, limits)
	require.NoError(t, err)
	return c
}

func TestCompareByIntervals(t *testing.T) {
	// by hand: √(0.3² + 0.4²) = 0.5
	c := compare(t, Limits{}, Result{"A", "", figure(5, 0.3)}, Result{"B", "", figure(5.49, 0.4)})
	require.Len(t, c.Judgements, 1)
	assert.InDelta(t, 0.5, c.Judgements[0].Allowed, 1e-9)
	assert.InDelta(t, 0.49, c.Judgements[0].Difference, 1e-9)
	assert.Equal(t, Agree, c.Verdict)
	assert.InDelta(t, 5.245, c.Final.Value, 1e-9)
	assert.InDelta(t, 0.25, c.Final.HalfWidth(), 1e-9)
	c = compare(t, Limits{}, Result{"A", "", figure(5, 0.3)}, Result{"B", "", figure(5.51, 0.4)})
	assert.Equal(t, Disagree, c.Verdict)
	assert.Less(t, c.Judgements[0].P, 0.05)
	c = compare(t, Limits{}, Result{"A", "", figure(5, 0)}, Result{"B", "", figure(5.51, 0.4)})
	assert.Equal(t, Unjudged, c.Verdict)
}

func TestCompareByLimits(t *testing.T) {
	limits := Limits{Repeatability: 0.6, Reproducibility: 1}
	// by hand: one result each, CD = √(1 - 0.36·(1-1/2-1/2)) = 1; means of two
	// and of three, √(1 - 0.36·(1-1/4-1/6)) = √0.79
	assert.InDelta(t, 1, limits.CriticalDifference(1, 1), 1e-12)
	assert.InDelta(t, math.Sqrt(0.79), limits.CriticalDifference(2, 3), 1e-12)

	one := func(lab string, v float64) Result { return Result{lab, "", figure(v, 0)} }
	c := compare(t, limits, one("A", 5), one("B", 6))
	require.Len(t, c.Judgements, 1)
	assert.Equal(t, Agree, c.Verdict, "the limit itself is kept")
	assert.Equal(t, Disagree, compare(t, limits, one("A", 5), one("B", 6.01)).Verdict)
	// within one laboratory: two by r, four by 3.6·r/2.8
	assert.Equal(t, Disagree, compare(t, limits, one("A", 5), one("A", 5.61)).Verdict)
	c = compare(t, limits, one("A", 5), one("A", 5.61), one("A", 5.2), one("A", 5.3))
	assert.Equal(t, Agree, c.Verdict)
	assert.InDelta(t, 0.6*3.6/2.8, c.Judgements[0].Allowed, 1e-9)
	// laboratories agree within themselves, and not with each other
	c = compare(t, limits, one("A", 5), one("A", 5.2), one("B", 6.2), one("B", 6.1))
	require.Len(t, c.Judgements, 3)
	assert.Equal(t, []string{Agree, Agree, Disagree}, []string{c.Judgements[0].Verdict, c.Judgements[1].Verdict, c.Judgements[2].Verdict})
	assert.InDelta(t, 1.05, c.Judgements[2].Difference, 1e-9)
	assert.InDelta(t, math.Sqrt(1-0.36/2), c.Judgements[2].Allowed, 1e-9)

	_, err := Compare([]Result{one("A", 5)}, limits)
	assert.ErrorContains(t, err, "nothing to agree with")
	_, err = Compare([]Result{one("A", 5), one("B", 5)}, Limits{Repeatability: 2, Reproducibility: 1})
	assert.ErrorContains(t, err, "below the repeatability limit")
}

// TestCompareAlarms: results that differ by chance alone are called apart in
// about 5 of 100 cases, however many; ones that differ by 4 standard
// uncertainties of the difference nearly always. 4000 cases: 5 % ± 0.7.
func TestCompareAlarms(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{2, 3, 5} {
		alarms, caught := 0, 0
		for range 4000 {
			var same, apart []Result
			for i := range n {
				u := 0.2 + 0.3*r.Float64()
				v := 5 + u*r.NormFloat64()
				lab := string(rune('A' + i))
				same = append(same, Result{lab, "", figure(v, 1.96*u)})
				if i == 0 {
					v += 4 * math.Sqrt2 * 0.5
				}
				apart = append(apart, Result{lab, "", figure(v, 1.96*u)})
			}
			if compare(t, Limits{}, same...).Verdict == Disagree {
				alarms++
			}
			if compare(t, Limits{}, apart...).Verdict == Disagree {
				caught++
			}
		}
		t.Logf("%d results: %.1f %% false alarms, %.1f %% caught", n, float64(alarms)/40, float64(caught)/40)
		assert.InDelta(t, 0.05, float64(alarms)/4000, 0.012)
		assert.Greater(t, float64(caught)/4000, 0.95)
	}
}

// TestStudyIntervals draws studies with a known bias, slope and repeatability:
// intervals hold the truth in about 95 of 100 (jackknife intervals of a slope
// from 40 samples: 92 to 97).
func TestStudyIntervals(t *testing.T) {
	const studies, samples = 400, 40
	r := rand.New(rand.NewPCG(3, 4))
	var bias, slope, sr, inside float64
	for range studies {
		var pairs []Pair
		mean := 0.0
		for range samples {
			x := 2 + 18*r.Float64()
			y := 0.3 + 1.05*x
			mean += (y - x) / samples
			pairs = append(pairs, Pair{
				Hand:    []float64{x + 0.5*r.NormFloat64(), x + 0.5*r.NormFloat64()},
				Picture: []float64{y + 0.8*r.NormFloat64(), y + 0.8*r.NormFloat64()},
			})
		}
		s, err := NewStudy(pairs)
		require.NoError(t, err)
		require.Equal(t, "repeated", s.Deming.From)
		hold := func(f mill.Figure, v float64) float64 {
			if f.Low <= v && v <= f.High {
				return 1. / studies
			}
			return 0
		}
		slope += hold(s.Deming.Slope, 1.05)
		bias += hold(s.Agreement.Bias, mean)
		sr += hold(mill.Figure{Low: s.Picture.SrLow, High: s.Picture.SrHigh}, 0.8)
		// a further sample, each method once
		x := 2 + 18*r.Float64()
		d := 0.3 + 0.05*x + 0.8*r.NormFloat64() - 0.5*r.NormFloat64()
		if s.Agreement.Lower.Value <= d && d <= s.Agreement.Upper.Value {
			inside += 1. / studies
		}
	}
	t.Logf("held: slope %.3f, bias %.3f, sr %.3f, next difference %.3f", slope, bias, sr, inside)
	assert.InDelta(t, 0.95, slope, 0.03)
	assert.Greater(t, bias, 0.93)
	assert.InDelta(t, 0.95, sr, 0.03)
	assert.InDelta(t, 0.95, inside, 0.03)
}

func TestTooFew(t *testing.T) {
	_, err := NewStudy([]Pair{{Hand: []float64{1}, Picture: []float64{2}}})
	assert.ErrorIs(t, err, ErrTooFew)
	_, err = DemingOf([]float64{1, 1, 1}, []float64{1, 2, 3}, 1)
	assert.Error(t, err)
	_, _, err = Grubbs([]float64{1, 1, 1})
	assert.ErrorIs(t, err, ErrTooFew)
	_, err = Cochran([][]float64{{1}, {1, 1}})
	assert.ErrorIs(t, err, ErrTooFew)
	s, err := NewStudy([]Pair{{Picture: []float64{5, 5.4}}, {Picture: []float64{6.1, 6}}})
	require.NoError(t, err)
	assert.Nil(t, s.Agreement)
	assert.InDelta(t, math.Sqrt((0.08+0.005)/2), s.Picture.Sr, 1e-12)
}

func FuzzReadPairs(f *testing.F) {
	f.Add([]byte("sample,hand,picture\nL-1,4.2,4.6\nL-1,,4.5\n"))
	f.Add([]byte("sample,hand,picture\n\"a\nb\",1,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		pairs, err := ReadPairs(data, func(_, cell string) (float64, error) {
			v, err := mill.ParseFigure(cell)
			return v.Value, err
		})
		if err != nil {
			return
		}
		for _, p := range pairs {
			if p.Sample == "" || len(p.Hand)+len(p.Picture) == 0 {
				t.Fatalf("%+v", p)
			}
		}
		NewStudy(pairs)
	})
}
