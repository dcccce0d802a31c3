package mill

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// byVertices finds the best corner of the feasible shares by trying every set
// of k-1 active constraints. It shares nothing with the simplex method.
func byVertices(gain []float64, rows []row) (best float64, feasible bool) {
	k := len(gain)
	all := append([]row{}, rows...)
	for j := range k {
		c := make([]float64, k)
		c[j] = -1
		all = append(all, row{coef: c})
	}
	best = math.Inf(-1)
	active := make([]int, k-1)
	var try func(depth, from int)
	try = func(depth, from int) {
		if depth < k-1 {
			for i := from; i < len(all); i++ {
				active[depth] = i
				try(depth+1, i+1)
			}
			return
		}
		a := mat.NewDense(k, k, nil)
		b := mat.NewVecDense(k, nil)
		for j := range k {
			a.Set(0, j, 1)
		}
		b.SetVec(0, 1)
		for i, r := range active {
			a.SetRow(1+i, all[r].coef)
			b.SetVec(1+i, all[r].bound)
		}
		var x mat.VecDense
		if mat.Cond(a, 1) > 1e10 || x.SolveVec(a, b) != nil {
			return
		}
		for i := range all {
			if floats.Dot(all[i].coef, x.RawVector().Data) > all[i].bound+1e-7*(1+math.Abs(all[i].bound)) {
				return
			}
		}
		feasible = true
		best = max(best, floats.Dot(gain, x.RawVector().Data))
	}
	try(0, 0)
	return best, feasible
}

// TestMixAgainstVertices compares the linear programme with the corners of
// the feasible region, over problems full of zeros, ties and repeated numbers.
func TestMixAgainstVertices(t *testing.T) {
	number := rapid.OneOf(
		rapid.Just(0.0),
		rapid.Map(rapid.IntRange(0, 4), func(i int) float64 { return float64(i) }),
		rapid.Map(rapid.IntRange(0, 1000), func(i int) float64 { return float64(i) / 10 }),
	)
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 5).Draw(t, "streams")
		gain := rapid.SliceOfN(number, k, k).Draw(t, "gain")
		var rows []row
		for i := range rapid.IntRange(1, 4).Draw(t, "rows") {
			r := row{coef: rapid.SliceOfN(number, k, k).Draw(t, "coef"), bound: number.Draw(t, "bound"), owner: i, unit: 100}
			if rapid.Bool().Draw(t, "at least") {
				floats.Scale(-1, r.coef)
				r.bound = -r.bound
			}
			rows = append(rows, r)
		}
		best, feasible := byVertices(gain, rows)
		x, broken, err := mix(gain, rows, noSoft)
		require.NoError(t, err)
		assert.InDelta(t, 1, floats.Sum(x), 1e-12)
		require.Equal(t, feasible, broken < 1e-8, "broken by %g", broken)
		if feasible {
			assert.InDelta(t, best, floats.Dot(gain, x), 1e-6*(1+math.Abs(best)))
		}
	})
}
