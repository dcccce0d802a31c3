package mill

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
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
	// lpTol is the least reduced cost that the simplex method still follows.
	lpTol = 1e-10
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
	k := len(gain)
	hasSoft, hasHard := false, false
	for i := range rows {
		hasSoft = hasSoft || rows[i].owner == soft
		hasHard = hasHard || rows[i].owner != soft
	}
	// Columns: the shares, a slack for each row, the common break, the soft one.
	n := k + len(rows)
	common, free := -1, -1
	if hasHard {
		common, n = n, n+1
	}
	if hasSoft {
		free, n = n, n+1
	}
	a := mat.NewDense(1+len(rows), n, nil)
	b := make([]float64, 1+len(rows))
	cost := make([]float64, n)
	best, least := floats.Max(gain), floats.Min(gain)
	width := best - least
	if width == 0 {
		width = 1
	}
	for j := range k {
		a.Set(0, j, 1)
		if !hasSoft {
			cost[j] = (best - gain[j]) / width
		}
	}
	b[0] = 1
	for i := range rows {
		r := &rows[i]
		s := r.unit
		for j, v := range r.coef {
			a.Set(1+i, j, v/s)
		}
		a.Set(1+i, k+i, 1)
		b[1+i] = r.bound / s
		if r.owner == soft {
			a.Set(1+i, free, -1)
		} else {
			a.Set(1+i, common, -1)
		}
	}
	if hasHard {
		cost[common] = penalty
	}
	if hasSoft {
		cost[free] = 1
	}
	_, all, err := lp.Simplex(cost, a, b, lpTol, startOf(rows, k, common, free, soft))
	if err != nil {
		return nil, 0, fmt.Errorf("linear programme: %w", err)
	}
	// What rounding left below zero or off the sum goes.
	x = all[:k:k]
	for j := range x {
		x[j] = max(0, x[j])
	}
	floats.Scale(1/floats.Sum(x), x)
	if hasHard {
		broken = all[common]
	}
	return x, broken, nil
}

// startOf returns a feasible basis: the single stream that breaks hard rows
// least, every row's slack, and in the worst broken row the column that lets it
// be broken in place of its slack.
func startOf(rows []row, k, common, free, soft int) []int {
	stream, least := 0, math.Inf(1)
	worstHard, worstSoft := -1, -1
	for j := range k {
		hard, free := 0.0, 0.0
		atHard, atSoft := -1, -1
		for i := range rows {
			r := &rows[i]
			switch over := (r.coef[j] - r.bound) / r.unit; {
			case r.owner == soft && over > free:
				free, atSoft = over, i
			case r.owner != soft && over > hard:
				hard, atHard = over, i
			}
		}
		if hard < least {
			stream, least = j, hard
			worstHard, worstSoft = atHard, atSoft
		}
	}
	basis := []int{stream}
	for i := range rows {
		basis = append(basis, k+i)
	}
	if worstHard >= 0 {
		basis[1+worstHard] = common
	}
	if worstSoft >= 0 {
		basis[1+worstSoft] = free
	}
	return basis
}
