package mill

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/kernel/fault"
)

// pm is a figure with a symmetric interval.
func pm(v, half float64) Figure { return Figure{Value: v, Low: v - half, High: v + half} }

func bare(v float64) Figure { return Figure{Value: v, Low: v, High: v, Bare: true} }

func ptr[T any](v T) *T { return &v }

func requireFault(t require.TestingT, err error) *fault.Error {
	e, ok := errors.AsType[*fault.Error](err)
	require.True(t, ok, "%v", err)
	return e
}

func TestParseShare(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Figure
	}{
		{"4.6", bare(4.6)},
		{" 4.6 % ", bare(4.6)},
		{"4.6±0.8", Figure{4.6, 3.8, 5.4, false}},
		{"4.6+-0.8", Figure{4.6, 3.8, 5.4, false}},
		{"4.6 +/- 0.8", Figure{4.6, 3.8, 5.4, false}},
		{"4.6%±0.8%", Figure{4.6, 3.8, 5.4, false}},
		{"0.3%±0.5", Figure{0.3, 0, 0.8, false}}, // cut at nothing
		{"99.8±0.5", Figure{99.8, 99.3, 100, false}},
		{"0±0.4", Figure{0, 0, 0.4, false}},
		{"100", bare(100)},
	} {
		got, err := ParseShare(c.in)
		require.NoError(t, err, c.in)
		assert.InDelta(t, c.want.Value, got.Value, 1e-12, c.in)
		assert.InDelta(t, c.want.Low, got.Low, 1e-12, c.in)
		assert.InDelta(t, c.want.High, got.High, 1e-12, c.in)
		assert.Equal(t, c.want.Bare, got.Bare, c.in)
	}
	for in, hint := range map[string]string{
		"0.05":     "write 0.05% for that share in percent, or 5 for the fraction",
		"1":        "write 1% for that share in percent, or 100 for the fraction",
		"104":      "percent by mass",
		"-3":       "percent by mass",
		"4,6":      "percent by mass",
		"":         "percent by mass",
		"NaN":      "percent by mass",
		"1e1":      "percent by mass",
		"4.6±":     "percent by mass",
		"4.6±-1":   "percent by mass",
		"4.6±2±1":  "percent by mass",
		"4.6g":     "percent by mass",
		"4.6%%":    "percent by mass",
		"head.jsn": "percent by mass",
	} {
		_, err := ParseShare(in)
		assert.Contains(t, requireFault(t, err).Hint, hint, in)
	}
}

func TestParseMass(t *testing.T) {
	for in, want := range map[string]Figure{
		"150.0g":      {150, 149.95, 150.05, false}, // half of the last digit
		"2.35 kg":     {2350, 2345, 2355, false},
		"5t":          {5e6, 4.5e6, 5.5e6, false},
		"1.2±0.02t":   {1.2e6, 1.18e6, 1.22e6, false},
		"1200 +- 5kg": {1.2e6, 1.195e6, 1.205e6, false},
	} {
		got, err := ParseMass(in)
		require.NoError(t, err, in)
		assert.InDelta(t, want.Value, got.Value, 1e-6, in)
		assert.InDelta(t, want.Low, got.Low, 1e-6, in)
		assert.InDelta(t, want.High, got.High, 1e-6, in)
	}
	for in, what := range map[string]string{
		"150":    "in which unit?",
		"150lb":  "no unit of mass known here",
		"0g":     "above zero",
		"-5g":    "above zero",
		"5%":     "not percent",
		"1,500g": "comma",
		"g":      "no number",
		"5±6g":   "down to nothing",
		"5g±1g":  "stands between",
	} {
		_, err := ParseMass(in)
		assert.Contains(t, requireFault(t, err).What, what, in)
	}
}

func TestParsePart(t *testing.T) {
	f, err := ParsePart("0.0g")
	require.NoError(t, err)
	assert.Equal(t, Figure{0, 0, 0.05, false}, f)
	f, err = ParsePart("2.5g")
	require.NoError(t, err)
	assert.InDelta(t, 2.45, f.Low, 1e-12)
	_, err = ParsePart("-1g")
	requireFault(t, err)
}

func TestParseMoisture(t *testing.T) {
	f, err := ParseMoisture("13.2")
	require.NoError(t, err)
	assert.InDelta(t, MoistureDoubt, f.HalfWidth(), 1e-12)
	f, err = ParseMoisture("13.2±0.2%")
	require.NoError(t, err)
	assert.InDelta(t, 0.2, f.HalfWidth(), 1e-12)
	_, err = ParseMoisture("0.132")
	assert.Equal(t, "did you mean 13.2?", requireFault(t, err).Hint)
	for _, in := range []string{"2", "60", "13g", "13±9", "wet", "0.5%"} {
		_, err := ParseMoisture(in)
		requireFault(t, err)
	}
}

// FuzzParse: whatever is typed gives a figure in order and in range, or an
// *fault.Error.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"4.6±0.8", "0.3%", "150.0g", "13.2±0.2", "+-", "±", "%", "1e9", ".5%", "-.", "9999999999999999999999g"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, parse := range []func(string) (Figure, error){ParseShare, ParseMass, ParseMoisture} {
			got, err := parse(s)
			if err != nil {
				requireFault(t, err)
				continue
			}
			assert.True(t, got.Low <= got.Value && got.Value <= got.High && finite(got.Low) && finite(got.High), "%q: %+v", s, got)
			assert.GreaterOrEqual(t, got.Low, 0.0)
		}
	})
}

// TestDifferenceNewcombe checks the interval of a difference against the
// example of R.G. Newcombe, Stat. Med. 17 (1998) 873-890, table II (a), method
// 10 (figures from memory): 56 of 70 against 48 of 80, both with Wilson
// limits, gives 0.2000 with 0.0524 to 0.3339.
func TestDifferenceNewcombe(t *testing.T) {
	wilson := func(x, n float64) Figure {
		p, z2 := x/n, z95*z95
		mid := (x + z2/2) / (n + z2)
		half := z95 / (n + z2) * math.Sqrt(x*(1-p)+z2/4)
		return Figure{Value: p, Low: mid - half, High: mid + half}
	}
	d := Difference(wilson(56, 70), wilson(48, 80))
	assert.InDelta(t, 0.2000, d.Value, 5e-5)
	assert.InDelta(t, 0.0524, d.Low, 5e-5)
	assert.InDelta(t, 0.3339, d.High, 5e-5)
}

// TestPropagate: for a product of powers the relative variances add up with
// the squared exponents (JCGM 100:2008, 5.1.6).
func TestPropagate(t *testing.T) {
	got := propagate([]Figure{pm(10, 0.1), pm(4, 0.06), pm(2, 0.02)}, func(x []float64) float64 { return x[0] / x[1] * x[2] * x[2] })
	want := 10.0 * math.Sqrt(0.01*0.01+0.015*0.015+0.02*0.02)
	assert.InDelta(t, 10, got.Value, 1e-12)
	// The finite step leaves terms of the square of the relative half width.
	assert.InDelta(t, want, got.HalfWidth(), 0.001*want)

	got = propagate([]Figure{pm(10, 1), bare(3)}, func(x []float64) float64 { return x[0] + x[1] })
	assert.True(t, got.Bare)
	assert.Equal(t, 13.0, got.Value)
}

// TestPropagateAgainstDraws compares with plain random draws.
func TestPropagateAgainstDraws(t *testing.T) {
	in := []Figure{{20, 17, 24, false}, {5, 4, 7, false}}
	f := func(x []float64) float64 { return x[0] - 2*x[1] }
	got := propagate(in, f)
	r := rand.New(rand.NewPCG(5, 0))
	const n = 200_000
	below, above := 0, 0
	for range n {
		v := f([]float64{in[0].At(r.NormFloat64()), in[1].At(r.NormFloat64())})
		if v < got.Low {
			below++
		}
		if v > got.High {
			above++
		}
	}
	// 2.5 % each. Adding sides in squares is exact for normal inputs only; for
	// these lopsided ones it is right within half a percent.
	assert.InDelta(t, 0.025, float64(below)/n, 0.005)
	assert.InDelta(t, 0.025, float64(above)/n, 0.005)
}

func TestFigureAt(t *testing.T) {
	f := Figure{5, 4, 8, false}
	assert.InDelta(t, 4, f.At(-z95), 1e-12)
	assert.InDelta(t, 5, f.At(0), 1e-12)
	assert.InDelta(t, 8, f.At(z95), 1e-12)
	assert.InDelta(t, 3.2905, beyond*z95, 1e-4) // two-sided 99.9 %, any table of the normal distribution
}

func TestFigureJSON(t *testing.T) {
	for want, f := range map[string]Figure{
		`{"value":4.6,"low":3.8,"high":5.4}`:    {4.6, 3.8, 5.4, false},
		`{"value":4.6,"low":null,"high":null}`:  bare(4.6),
		`{"value":0,"low":-1,"high":null}`:      {math.Copysign(0, -1), -1, math.Inf(1), false},
		`{"value":null,"low":null,"high":null}`: bare(math.NaN()),
	} {
		got, err := json.Marshal(f)
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}
}

// TestPropagateContains: the interval is in order and holds the value, for any
// monotone or bent function.
func TestPropagateContains(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in []Figure
		for range rapid.IntRange(1, 4).Draw(t, "n") {
			v := rapid.Float64Range(1, 100).Draw(t, "value")
			in = append(in, Figure{v, v * rapid.Float64Range(0.5, 1).Draw(t, "low"), v * rapid.Float64Range(1, 2).Draw(t, "high"), false})
		}
		got := propagate(in, func(x []float64) float64 {
			s := 1.0
			for i, v := range x {
				s *= math.Pow(v, float64(i%3)-1)
			}
			return s - math.Abs(s-2)
		})
		assert.True(t, got.Low <= got.Value && got.Value <= got.High)
	})
}
