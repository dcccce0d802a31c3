package mill

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestWorthByHand: 100 kg of milled rice with 90 % head, 10 kg of bran, from
// 150 kg of paddy: 90·0.55 + 10·0.28 + 10·0.12 = 53.50, less 150·0.30 = 45.
func TestWorthByHand(t *testing.T) {
	broken := Figure{Value: 10, Low: 8, High: 12}
	y, err := ComputeYield(YieldInput{
		Paddy: &Weighing{Mass: Exact(150_000)}, Milled: &Weighing{Mass: Exact(100_000)}, Bran: &Weighing{Mass: Exact(10_000)},
		BrokenShare: &broken, BasisPct: 14, Mill: "laboratory",
	})
	require.NoError(t, err)
	w, err := y.WorthOf(map[string]float64{"paddy": 0.30, "head": 0.55, "brokens": 0.28, "bran": 0.12})
	require.NoError(t, err)
	assert.InDelta(t, 53.5, w.Sold.Value, 1e-9)
	assert.InDelta(t, 8.5, w.Margin.Value, 1e-9)
	// two points of broken move 2 kg from 0.55 to 0.28
	assert.InDelta(t, 0.54, w.Margin.HalfWidth(), 1e-9)
	assert.InDelta(t, 0.27, w.BrokenPoint, 1e-9)
	assert.Empty(t, w.NotPriced)
	w, err = y.WorthOf(map[string]float64{"head": 0.55})
	require.NoError(t, err)
	assert.Nil(t, w.Margin)
	assert.Equal(t, []string{"paddy", "brokens", "bran"}, w.NotPriced)
	_, err = y.WorthOf(map[string]float64{"husk": 0.02})
	assert.ErrorContains(t, err, "no mass of it")
	_, err = y.WorthOf(map[string]float64{"gold": 2})
	assert.ErrorContains(t, err, `no price is asked for "gold"`)
}

// TestMoneyLostByHand: (3-0.5)/60 = 4.1667 % rejected, 39.5 % of it good, at
// 0.34 less a kg: 1000·0.041667·0.395·0.34 = 5.5958 for each tonne fed.
func TestMoneyLostByHand(t *testing.T) {
	figure := func(v, half float64) *Figure { return &Figure{Value: v, Low: v - half, High: v + half} }
	s, err := JudgeSorter(SorterInput{
		Feed: figure(3, 0.3), Accept: figure(0.5, 0.1), Reject: figure(60.5, 3), Seed: 1, Draws: DefaultDraws,
		Prices: &SorterPrices{Accept: 0.46, Reject: 0.12},
	})
	require.NoError(t, err)
	f := s.Figures[len(s.Figures)-1]
	assert.Equal(t, "good_rice_money", f.Code)
	assert.InDelta(t, 5.5958, f.Value.Value, 1e-4)
	assert.Less(t, f.Value.Low, 5.2)
	assert.Greater(t, f.Value.High, 6.0)
}

func TestFigureReadsItself(t *testing.T) {
	for _, f := range []Figure{{Value: 1, Low: 0.5, High: 2}, {Value: 3, Low: 3, High: 3, Bare: true}} {
		b, err := json.Marshal(f)
		require.NoError(t, err)
		var g Figure
		require.NoError(t, json.Unmarshal(b, &g))
		assert.Equal(t, f, g)
	}
}

func TestLookFirst(t *testing.T) {
	for name, want := range map[string]string{"Whitener-2": "whitener", "husker": "husker", "length grader": "length grader", "after polisher": "polisher"} {
		s, ok := LookFirst(name)
		assert.True(t, ok)
		assert.Equal(t, want, s.Machine)
		assert.NotEmpty(t, s.Source)
	}
	_, ok := LookFirst("stage 3")
	assert.False(t, ok)
}
