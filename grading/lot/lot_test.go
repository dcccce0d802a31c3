package lot

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/mill"
)

// TestIncrements: the rule by hand.
func TestIncrements(t *testing.T) {
	for bags, want := range map[int]int{0: 0, 1: 1, 10: 10, 11: 10, 100: 10, 101: 11, 400: 20, 401: 21} {
		assert.Equal(t, want, Increments(bags), "%d bags", bags)
	}
	assert.Equal(t, []int{5, 8, 11, 0}, []int{BulkPoints(15), BulkPoints(15.1), BulkPoints(50), BulkPoints(51)})
	// 400 bags that scatter by 2 points, for 0.4: 4/(0.16+0.01) = 23.5
	assert.Equal(t, 24, Within(400, 2, 0.4))
	assert.LessOrEqual(t, Left(400, 24, 2), 0.4)
	assert.Greater(t, Left(400, 23, 2), 0.4)
	assert.Equal(t, 5, Within(5, 2, 1e-9))
	assert.Equal(t, 1, Within(5, 0, 0.1))
}

// bcg holds the log relative risks and variances of 13 trials of the BCG
// vaccine (G.A. Colditz et al., JAMA 271 (1994) 698-702) as the documentation
// of the R package metafor prints them (W. Viechtbauer, J. Stat. Softw. 36
// (2010) 3), from memory.
var bcg = [][2]float64{
	{-0.8893, 0.3256}, {-1.5854, 0.1946}, {-1.3481, 0.4154}, {-1.4416, 0.0200}, {-0.2175, 0.0512}, {-0.7861, 0.0069}, {-1.6209, 0.2230},
	{0.0120, 0.0040}, {-0.4694, 0.0564}, {-1.3713, 0.0730}, {-0.3394, 0.0124}, {0.4459, 0.5325}, {-0.0173, 0.0714},
}

// TestPublishedRandomEffects: there Q is 152.2330 on 12 degrees of freedom,
// tau² by DerSimonian and Laird 0.3088, the mean -0.7141, and the Q profile's
// interval of tau² 0.1197 to 1.1115. The data are rounded to four decimals, of
// which the least variance keeps two digits: 1 % of Q.
func TestPublishedRandomEffects(t *testing.T) {
	var samples []mill.Figure
	for _, x := range bcg {
		half := 1.959963984540054 * math.Sqrt(x[1])
		samples = append(samples, mill.Figure{Value: x[0], Low: x[0] - half, High: x[0] + half})
	}
	s, err := ScatterOf(samples)
	require.NoError(t, err)
	assert.InEpsilon(t, 152.2330, s.Q, 0.01)
	assert.InDelta(t, 0.3088, s.Between.Value*s.Between.Value, 0.002)
	assert.Equal(t, "-0.714", fmt.Sprintf("%.3f", s.Mean.Value))
	assert.InDelta(t, 0.1197, s.Between.Low*s.Between.Low, 0.0005)
	assert.InDelta(t, 1.1115, s.Between.High*s.Between.High, 0.001)
	assert.True(t, s.Uneven())
}

// TestScatterHolds: intervals hold the lot's share in about 95 of 100 lots, the
// scatter within 93 to 99, whether the bags differ or not, with 5 and 12 samples.
func TestScatterHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const lots = 1500
	for _, n := range []int{5, 12} {
		for _, between := range []float64{0, 0.7, 2} {
			held, sd, uneven := 0.0, 0.0, 0.0
			for range lots {
				var samples []mill.Figure
				for range n {
					u := 0.4 + 0.5*r.Float64()
					v := 20 + between*r.NormFloat64() + u*r.NormFloat64()
					samples = append(samples, mill.Figure{Value: v, Low: v - 1.96*u, High: v + 1.96*u})
				}
				s, err := ScatterOf(samples)
				require.NoError(t, err)
				if s.Mean.Low <= 20 && 20 <= s.Mean.High {
					held += 1. / lots
				}
				if s.Between.Low <= between && between <= s.Between.High {
					sd += 1. / lots
				}
				if s.Uneven() {
					uneven += 1. / lots
				}
			}
			t.Logf("%d samples, bags ± %.1f: mean held in %.3f, scatter in %.3f, called uneven %.3f", n, between, held, sd, uneven)
			assert.Greater(t, held, 0.93)
			assert.Greater(t, sd, 0.925)
			if between == 0 {
				assert.InDelta(t, 0.05, uneven, 0.02)
			}
		}
	}
}

func TestScatterRefuses(t *testing.T) {
	f := mill.Figure{Value: 5, Low: 4, High: 6}
	_, err := ScatterOf([]mill.Figure{f, f})
	assert.ErrorContains(t, err, "2 samples do not tell")
	_, err = ScatterOf([]mill.Figure{f, f, {Value: 5, Low: 5, High: 5, Bare: true}})
	assert.ErrorContains(t, err, "sample 3 has no interval")
}
