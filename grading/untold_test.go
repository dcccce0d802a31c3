package grading

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
)

// TestCovered: of a piece under another the class is told only where what is
// seen is long enough or both tips show; else it is in the interval, both ways,
// and its length is no one's. Ninety-five whole kernels of 7 mm and five pieces
// of 3.5 mm, all of one mass: 5 % broken.
func TestCovered(t *testing.T) {
	intact, broken, hidden := kernel.EndIntact, kernel.EndBroken, kernel.EndUnknown
	tray := kernel.Tray{Picture: "t.png", PxPerMM: 10}
	add := func(mm, covered float64, a, b kernel.End) {
		tray.Kernels = append(tray.Kernels, kernel.Kernel{
			ID: len(tray.Kernels) + 1, LengthPx: 10 * mm, AxisLengthPx: 10 * mm, WidthPx: 20, AreaPx2: 1000, VolumePx3: 1000,
			Ends: [2]kernel.End{a, b}, CoveredShare: covered,
		})
	}
	for range 95 {
		add(7, 0, intact, intact)
	}
	for range 5 {
		add(3.5, 0, broken, intact)
	}
	plain, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	require.InDelta(t, 5, plain.Broken.CountPct.Value, 1e-9)

	add(4, 0.6, intact, hidden)
	add(4, 0.6, broken, hidden)
	add(6, 0.6, intact, hidden)
	add(4, 0.6, intact, broken)
	add(4, 0.01, intact, hidden) // touches
	r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	var got []Class
	for _, k := range r.Kernels[100:] {
		got = append(got, k.Class)
	}
	assert.Equal(t, []Class{Untold, Untold, Head, LargeBroken, LargeBroken}, got)
	assert.Equal(t, 2, r.Broken.Untold)
	assert.InDelta(t, plain.ReferenceLengthMM, r.ReferenceLengthMM, 1e-3)
	assert.InDelta(t, 100*7.0/103, r.Broken.CountPct.Value, 1e-4, "of those told")
	assert.InDelta(t, 100*2.0/105, r.Broken.Budget.Unresolved, 1e-4)
	assert.Greater(t, r.Broken.CountPct.High-r.Broken.CountPct.Low, 100*2.0/105)
	sum := 0.0
	for _, s := range r.Shares {
		if s.Kind == KindClass {
			sum += s.MassPct.Value
		}
	}
	assert.InDelta(t, 100, sum, 1e-3, "classes add up to the pieces told")
	assert.Equal(t, "covered", r.Warnings[len(r.Warnings)-1].Code)
}

// TestLongerRice: a longer rice among the whole kernels, an eighth of them and
// 1.4 times as long, does not keep the length of the usual ones from being told,
// with a third of the pieces broken.
func TestLongerRice(t *testing.T) {
	l := usual()
	l.pieces = 0.4
	l.whole = func(r *rand.Rand) float64 {
		if r.Float64() < 0.125 {
			return 1.4 * (1 + 0.06*r.NormFloat64())
		}
		return 1 + 0.06*r.NormFloat64()
	}
	for _, n := range []int{60, 300} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			r := rand.New(rand.NewPCG(5, uint64(n)))
			mean, refused := 0.0, 0
			const reps = 60
			for range reps {
				tray, _, _ := l.tray(r, n)
				gathered, err := gather([]kernel.Tray{tray})
				require.NoError(t, err)
				rice := gathered.Pieces
				ref, err := fitReference(rice, Caliper)
				if err != nil {
					refused++
					continue
				}
				mean += ref.Length / l.mean
			}
			assert.LessOrEqual(t, refused, 2)
			mean /= float64(reps - refused)
			t.Logf("length %.4f of the usual kernels', refused %d", mean, refused)
			assert.InDelta(t, 1, mean, 0.01)
		})
	}
}
