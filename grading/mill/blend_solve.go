package mill

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// A bound is what constrains the shares: a limit, or what there is of a stream.
// A limit from below is turned round, so that every row is an upper bound.
type bound struct {
	row             // without the guard
	limit *Limit    // or else
	stock *Stream   // whose mass it is
	u     []float64 // see doubts, towards the limit; nil for a stock
}

// constrain makes the bounds.
func (b *blender) constrain() {
	add := func(c bound) {
		for _, v := range c.coef {
			c.unit = max(c.unit, math.Abs(v-c.bound))
		}
		if c.unit == 0 {
			c.unit = 1
		}
		if c.limit != nil && c.limit.Strict {
			c.bound -= 1e-5 * c.unit
		}
		c.owner = len(b.bounds)
		b.bounds, b.all = append(b.bounds, c), append(b.all, c.owner)
	}
	for i := range b.Limits {
		l := &b.Limits[i]
		c := bound{limit: l, row: row{bound: l.sign() * l.Value}, u: b.doubts(l, l.Value, l.sign())}
		for _, s := range b.Streams {
			c.coef = append(c.coef, l.sign()*s.Shares[l.Code].Value)
		}
		add(c)
	}
	for j := range b.Streams {
		if s := &b.Streams[j]; s.HaveKg != nil && *s.HaveKg < b.BatchKg {
			c := bound{stock: s, row: row{coef: make([]float64, len(b.Streams)), bound: *s.HaveKg / b.BatchKg}}
			c.coef[j] = 1
			add(c)
		}
	}
}

func (l *Limit) sign() float64 {
	if l.AtLeast {
		return -1
	}
	return 1
}

// figure is what the blend has of the limit's share.
func (c *bound) figure(x []float64) float64 { return c.limit.sign() * floats.Dot(c.coef, x) }

// over is by how much the blend, with its guard, is over the bound.
func (c *bound) over(x []float64, guard float64) float64 {
	return floats.Dot(c.coef, x) + guard*uncertainty(x, c.u) - c.bound
}

// doubts returns, for each stream, the standard uncertainty that a share of 1
// of it brings to the figure of limit l, towards the limit; the dosing counted
// about the figure at.
func (b *blender) doubts(l *Limit, at float64, towards float64) []float64 {
	d := b.DosingPct / 100 / z95
	u := make([]float64, len(b.Streams))
	for i := range b.Streams {
		f := b.Streams[i].Shares[l.Code]
		u[i] = math.Hypot(math.Abs(f.At(towards)-f.Value), d*(f.Value-at))
	}
	return u
}

// uncertainty returns the root of Σ x²·u².
func uncertainty(x, u []float64) float64 {
	s := 0.0
	for i := range u {
		s += x[i] * x[i] * u[i] * u[i]
	}
	return math.Sqrt(s)
}

// mostCuts bounds the rounds of tangent planes of one solution: a handful for
// two or three streams, about a hundred for nine. Where guarded limits can only
// just hold, at one point, they near it ever more slowly: every slackAfter rounds
// the slack of what counts as kept is doubled, to 0.06 % of a row's unit at the
// most.
const (
	mostCuts   = 500
	slackAfter = 40
)

// solve maximises gain within the bounds of the owners given. feasible is false
// where they cannot all hold; x then breaks them about as little as can be. With
// soft, and no gain, the bound of that owner is broken as little as can be
// instead.
func (b *blender) solve(gain []float64, owners []int, soft int) (x []float64, feasible bool, err error) {
	var rows []row
	for _, o := range owners {
		rows = append(rows, b.bounds[o].row)
	}
	for round := range mostCuts {
		x, broken, err := mix(gain, rows, soft)
		if err != nil {
			return nil, false, err
		}
		if broken > lineTol {
			return x, false, nil
		}
		// What rows of the soft owner are broken by so far.
		free := 0.0
		for i := range rows {
			if rows[i].owner == soft {
				free = max(free, floats.Dot(rows[i].coef, x)-rows[i].bound)
			}
		}
		done := true
		for _, o := range owners {
			c := &b.bounds[o]
			allowed := lineTol * math.Exp2(float64(round)/slackAfter) * c.unit
			if o == soft {
				allowed += free
			}
			s := uncertainty(x, c.u)
			if b.Guard*s == 0 || c.over(x, b.Guard) <= allowed {
				continue
			}
			cut := c.row
			cut.coef = slices.Clone(c.coef)
			for i := range cut.coef {
				cut.coef[i] += b.Guard * c.u[i] * c.u[i] * x[i] / s
			}
			rows, done = append(rows, cut), false
		}
		if done {
			return x, true, nil
		}
	}
	return nil, false, fmt.Errorf("blend: not settled after %d rounds", mostCuts)
}
