package grading

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestTradeClass: the classes are common practice, no source.
func TestTradeClass(t *testing.T) {
	limits := DefaultParams().TradeClasses
	for _, c := range []struct {
		name     string
		e        Estimate
		want     string
		verdict  string
		better   float64 // 0: none
		distance float64
	}{
		{"clear best", Estimate{3, 2, 4.2}, "5 % broken", Meets, 0, 0},
		{"exactly on", Estimate{5, 4, 6}, "5 % broken", NotProven, 0, 0},
		{"interval ends on the limit", Estimate{4, 3, 5}, "5 % broken", Meets, 0, 0},
		{"just over", Estimate{5.01, 4, 6}, "10 % broken", Meets, 5, 0.01},
		{"between", Estimate{12.5, 11, 15.5}, "15 % broken", NotProven, 10, 2.5},
		{"poorest usual", Estimate{20, 18, 22}, "25 % broken", Meets, 15, 5},
		{"beyond", Estimate{62, 58, 66}, "over 25 % broken", Exceeds, 25, 37},
		{"perhaps beyond", Estimate{26, 24, 28}, "over 25 % broken", NotProven, 25, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := TradeClassOf(c.e, limits)
			require.NotNil(t, got)
			assert.Equal(t, c.want, got.Name)
			assert.Equal(t, c.verdict, got.Verdict)
			if c.better == 0 {
				assert.Nil(t, got.NextBetterPct)
			} else {
				assert.Equal(t, c.better, *got.NextBetterPct)
			}
			assert.InDelta(t, c.distance, got.DistancePoints, 1e-9)
		})
	}
	assert.Nil(t, TradeClassOf(Estimate{3, 2, 4}, nil))
}

func TestProof(t *testing.T) {
	assert.Equal(t, Meets, Proof(Estimate{1, 0, 2}, 2))
	assert.Equal(t, NotProven, Proof(Estimate{1, 0, 2}, 1.9))
	assert.Equal(t, NotProven, Proof(Estimate{3, 2, 4}, 2))
	assert.Equal(t, Exceeds, Proof(Estimate{3, 2.1, 4}, 2))
}
