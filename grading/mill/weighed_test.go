package mill

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
)

func TestParseWeighed(t *testing.T) {
	model := grading.DefaultPieceModel()
	f, ok, err := ParseWeighed("1.62g/25.31g", model)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.InDelta(t, 100*1.62/25.31, f.Value, 1e-12)
	wide, _, err := ParseWeighed("1.62±0.2g/25.31g", model)
	require.NoError(t, err)
	// 0.2 g of 25.31 g more of doubt, in squares, to either side
	assert.InDelta(t, math.Hypot(f.High-f.Value, 100*0.2/25.31), wide.High-wide.Value, 0.001)
	none, _, err := ParseWeighed("0g/25.31g", model)
	require.NoError(t, err)
	assert.Zero(t, none.Low)
	assert.Greater(t, none.High, 0.05)
	for _, s := range []string{"5.1", "4.6±0.8", "a.json", "lot/a.json", "1.62/25.31"} {
		_, ok, _ := ParseWeighed(s, model)
		assert.False(t, ok, s)
	}
	_, _, err = ParseWeighed("26g/25g", model)
	assert.ErrorContains(t, err, "the part weighs more than the whole")
	_, _, err = ParseWeighed("1.62g/0g", model)
	assert.Error(t, err)
}

// TestWeighedHolds draws portions of 25 g from lots, with pieces as the model
// has them, weighed to 10 mg: the interval holds the lot's share in 93 to 98 of
// 100, more only where hardly a piece is to be expected.
func TestWeighedHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	model := grading.DefaultPieceModel()
	for _, lot := range []float64{0.02, 0.06, 0.25} {
		// the share by number that makes that share by mass
		byNumber := lot / model.BrokenMean / (lot/model.BrokenMean + 1 - lot)
		held := 0.0
		const times = 1500
		for range times {
			var broken, all float64
			for all < 25 {
				m := kernelMG / 1000
				if r.Float64() < byNumber {
					m *= 0.15 + 0.6*r.Float64()
					broken += m
				} else {
					m *= 1 + model.WholeCV*r.NormFloat64()
				}
				all += m
			}
			f, _, err := ParseWeighed(fmt.Sprintf("%.2fg/%.2fg", broken, all), model)
			require.NoError(t, err)
			if f.Low <= 100*lot && 100*lot <= f.High {
				held += 1. / times
			}
		}
		t.Logf("%g %%: held in %.3f", 100*lot, held)
		assert.InDelta(t, 0.955, held, 0.025)
	}
}
