package mill

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

// A row is the constraint coef·x <= bound on the shares x of a mix.
type row struct {
	coef  []float64
	bound float64
	unit  float64 // > 0, the scale on which breaking it is measured; one for all rows of an owner
	owner int     // what it belongs to: an index into the limits, or one past them for a stock
}

const (
	// penalty is the price of breaking every row by its own unit, in units of
	// the range of the objective: far above what such a break could gain.
	penalty = 1e5
	// lpTol is the least reduced cost that the simplex method still follows,
	// and the least element that it divides by. Costs and rows are of size 1.
	lpTol = 1e-9
	// noSoft is an owner that no row has.
	noSoft = -1
)

// mix maximises gain·x over the shares x >= 0, Σ x = 1, within rows, by the
// simplex method.
//
// All rows may be broken by a common multiple of their units, at a price that
// makes it the last resort: where they cannot all hold, x breaks them least,
// and broken, else 0, is that multiple. Rows of the owner soft are free to be
// broken instead, and what they are broken by is then minimised in place of
// the gain.
func mix(gain []float64, rows []row, soft int) (x []float64, broken float64, err error) {
	// Columns: the shares, a slack for each row, what all hard rows and what the
	// soft ones are broken by, and the right-hand side.
	k := len(gain)
	common := k + len(rows)
	free, rhs := common+1, common+2
	a := make([][]float64, 1+len(rows))
	for i := range a {
		a[i] = make([]float64, rhs+1)
	}
	cost := make([]float64, rhs)
	cost[common], cost[free] = penalty, 1
	best := floats.Max(gain)
	width := best - floats.Min(gain)
	if width == 0 {
		width = 1
	}
	for j := range k {
		a[0][j] = 1
		cost[j] = (best - gain[j]) / width
	}
	a[0][rhs] = 1
	// A feasible basis: the stream that breaks hard rows least, alone, every row's
	// slack, and in the row that it breaks worst the column by which such rows may
	// be broken.
	stream, least := 0, math.Inf(1)
	for j := range k {
		if _, over := worst(rows, j, soft, false); over < least {
			stream, least = j, over
		}
	}
	basis := []int{stream}
	for i := range rows {
		r := &rows[i]
		for j, v := range r.coef {
			a[1+i][j] = v / r.unit
		}
		a[1+i][k+i], a[1+i][rhs] = 1, r.bound/r.unit
		relief := common
		if r.owner == soft {
			relief = free
		}
		a[1+i][relief] = -1
		basis = append(basis, k+i)
	}
	if i, over := worst(rows, stream, soft, false); over > 0 {
		basis[1+i] = common
	}
	if i, over := worst(rows, stream, soft, true); over > 0 {
		basis[1+i] = free
	}
	all, err := simplex(cost, a, basis)
	if err != nil {
		return nil, 0, err
	}
	// What rounding left below zero or off the sum goes.
	x = all[:k:k]
	for j := range x {
		x[j] = max(0, x[j])
	}
	floats.Scale(1/floats.Sum(x), x)
	return x, all[common], nil
}

// worst returns the row that stream j alone breaks most, of those of the soft
// owner or of the others, and by how many of its units; 0 where it breaks none.
func worst(rows []row, j, soft int, ofSoft bool) (at int, over float64) {
	for i := range rows {
		r := &rows[i]
		if o := (r.coef[j] - r.bound) / r.unit; o > over && (r.owner == soft) == ofSoft {
			at, over = i, o
		}
	}
	return at, over
}

// simplex minimises cost·x, x >= 0, under the equations of the tableau a, whose
// last column is the right-hand side, from a feasible basis: the column that
// belongs to each row. It changes a and cost.
//
// It enters the column of least reduced cost (G.B. Dantzig); after a step that
// gained nothing it goes by R.G. Bland's rule (Math. Oper. Res. 2 (1977)
// 103-107, from memory) until one does, so that it cannot run in circles where
// many limits meet. gonum's lp.Simplex (v0.17) does: it never returns from the
// problem of TestBlendManyLimitsMeet.
func simplex(cost []float64, a [][]float64, basis []int) ([]float64, error) {
	n := len(cost)
	cost = append(cost, 0) // minus what is reached so far
	pivot := func(row, col int) {
		floats.Scale(1/a[row][col], a[row])
		a[row][col] = 1
		for _, r := range append(a[:len(a):len(a)], cost) {
			if f := r[col]; &r[0] != &a[row][0] && f != 0 {
				floats.AddScaled(r, -f, a[row])
				r[col] = 0
			}
		}
	}
	for row, col := range basis {
		pivot(row, col)
	}
	for i := range a {
		a[i][n] = max(0, a[i][n])
	}
	careful := false
	for range 100 * (n + len(a)) {
		enter := -1
		for j, c := range cost[:n] {
			if c < -lpTol && (enter < 0 || !careful && c < cost[enter]) {
				enter = j
			}
		}
		if enter < 0 {
			x := make([]float64, n)
			for row, col := range basis {
				x[col] = a[row][n]
			}
			return x, nil
		}
		leave, least := -1, math.Inf(1)
		for i := range a {
			if a[i][enter] <= lpTol {
				continue
			}
			if q := a[i][n] / a[i][enter]; q < least || q == least && basis[i] < basis[leave] {
				leave, least = i, q
			}
		}
		if leave < 0 {
			return nil, fmt.Errorf("linear programme: no bound on what it gains")
		}
		careful = least*-cost[enter] <= 0
		pivot(leave, enter)
		basis[leave] = enter
		for i := range a {
			a[i][n] = max(0, a[i][n])
		}
	}
	return nil, fmt.Errorf("linear programme: not settled")
}
