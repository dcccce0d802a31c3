package mill

import (
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// stepOf returns the power of ten that masses of a batch are rounded to, a
// hundred-thousandth of the batch or less: 10 g in a tonne.
func stepOf(batchKg float64) float64 { return math.Pow10(int(math.Floor(math.Log10(batchKg))) - 5) }

// manyStreams is the number of streams from which on masses are rounded by
// their remainders alone.
const manyStreams = 12

// weighOut rounds the masses of the shares x to steps so that they make the
// batch; what is left of a batch that is no multiple of the step goes to the
// greatest. Of all ways to round each up or down, and one step more of the
// greatest where others are at their stocks, it takes the one that breaks limits
// and stocks least, then the one nearest to x.
func (b *blender) weighOut(x []float64, step float64) []float64 {
	total := b.BatchKg / step
	down := make([]float64, len(x))
	up := make([]float64, len(x)) // what is cut off, in steps
	left := int(math.Floor(total + 1e-6))
	for i := range x {
		m := x[i] * total
		down[i] = math.Floor(m + 1e-6)
		up[i] = max(0, m-down[i])
		left -= int(down[i])
	}
	order := make([]int, len(x))
	floats.ArgsortStable(slices.Clone(up), order)
	slices.Reverse(order)
	best := slices.Clone(down)
	for _, i := range order[:min(max(0, left), len(x))] {
		best[i]++
	}
	if len(x) < manyStreams {
		broken, off := math.Inf(1), math.Inf(1)
		for ways := range 1 << len(x) {
			over := left - bits.OnesCount(uint(ways))
			if over < 0 || over > 1 {
				continue
			}
			try, far := slices.Clone(down), 0.0
			for i := range try {
				if ways>>i&1 == 1 {
					try[i]++
				}
			}
			try[floats.MaxIdx(try)] += float64(over)
			for i := range try {
				far += math.Abs(try[i] - x[i]*total)
			}
			if k := b.breaks(try, total); k < broken-lineTol || k < broken+lineTol && far < off {
				broken, off, best = k, far, try
			}
		}
	}
	rest := b.BatchKg
	for i := range best {
		if step < 1 { // decimal steps are exact by division only
			best[i] /= math.Round(1 / step)
		} else {
			best[i] *= step
		}
		rest -= best[i]
	}
	// What is left goes to the greatest that there is enough of.
	takes := floats.MaxIdx(best)
	for i := range best {
		has := func(i int) bool { h := b.Streams[i].HaveKg; return h == nil || best[i]+rest <= *h }
		if has(i) && (!has(takes) || best[i] > best[takes]) {
			takes = i
		}
	}
	best[takes] = math.Round((best[takes]+rest)*1e9) / 1e9
	return best
}

// breaks returns by how much masses in steps, out of total, break a limit or a
// stock, in units of the row.
func (b *blender) breaks(steps []float64, total float64) float64 {
	x := slices.Clone(steps)
	floats.Scale(1/total, x)
	worst := 0.0
	for i := range b.bounds {
		c := &b.bounds[i]
		over := c.over(x, b.Guard)
		if c.stock != nil {
			over *= 1e6 // what is not there cannot be put in
		}
		worst = max(worst, over/c.unit)
	}
	return worst
}
