package phantom

import (
	"cmp"
	"iter"
	"math"
	"slices"

	"traytally/vision/kernel"
)

type point = kernel.Point

// move returns the place that lies by times d from p.
func move(p, d point, by float64) point { return point{X: p.X + d.X*by, Y: p.Y + d.Y*by} }

func cross(o, a, b point) float64 { return (a.X-o.X)*(b.Y-o.Y) - (a.Y-o.Y)*(b.X-o.X) }

// signedArea is positive where the polygon turns from x towards y.
func signedArea(p []point) float64 {
	sum := 0.0
	for i, q := range p {
		r := p[(i+1)%len(p)]
		sum += q.X*r.Y - r.X*q.Y
	}
	return sum / 2
}

// mapped returns the polygon with each corner moved by f.
func mapped(p []point, f func(point) point) []point {
	q := make([]point, len(p))
	for i, v := range p {
		q[i] = f(v)
	}
	return q
}

// moments returns area, centroid and the central second moments of the region
// inside a polygon.
func moments(p []point) (area float64, c point, xx, xy, yy float64) {
	o := p[0]
	var a, sx, sy, sxx, sxy, syy float64
	for i := range p {
		q, r := p[i].Sub(o), p[(i+1)%len(p)].Sub(o)
		w := q.X*r.Y - r.X*q.Y
		a += w
		sx += w * (q.X + r.X)
		sy += w * (q.Y + r.Y)
		sxx += w * (q.X*q.X + q.X*r.X + r.X*r.X)
		syy += w * (q.Y*q.Y + q.Y*r.Y + r.Y*r.Y)
		sxy += w * (2*q.X*q.Y + q.X*r.Y + r.X*q.Y + 2*r.X*r.Y)
	}
	area = a / 2
	mx, my := sx/(6*area), sy/(6*area)
	xx, yy, xy = sxx/12-area*mx*mx, syy/12-area*my*my, sxy/24-area*mx*my
	if area < 0 {
		xx, xy, yy = -xx, -xy, -yy
	}
	return math.Abs(area), point{X: mx + o.X, Y: my + o.Y}, xx, xy, yy
}

// hull returns the corners of the convex hull (monotone chain, A. M. Andrew,
// Information Processing Letters 9, 1979). Corners closer than 1e-9 count as
// one, since the direction of so short a side is lost to rounding.
func hull(p []point) []point {
	s := slices.Clone(p)
	slices.SortFunc(s, func(a, b point) int { return cmp.Or(cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y)) })
	s = slices.CompactFunc(s, func(a, b point) bool {
		return math.Abs(a.X-b.X) < 1e-9 && math.Abs(a.Y-b.Y) < 1e-9
	})
	if len(s) < 3 {
		return s
	}
	chain := func() (h []point) { // of the corners on one side of s
		for _, q := range s {
			for len(h) >= 2 && cross(h[len(h)-2], h[len(h)-1], q) <= 0 {
				h = h[:len(h)-1]
			}
			h = append(h, q)
		}
		return h[:len(h)-1]
	}
	low := chain()
	slices.Reverse(s)
	return append(low, chain()...)
}

// calipers returns the greatest and the least distance of two parallel lines
// that hold the polygon with this hull between them. The least stands on a
// side of the hull.
func calipers(h []point) (greatest, least float64) {
	least = math.Inf(1)
	for i, q := range h {
		r := h[(i+1)%len(h)]
		far := 0.0
		for _, o := range h {
			far = max(far, cross(q, r, o))
			greatest = max(greatest, q.Dist(o))
		}
		least = min(least, far/q.Dist(r))
	}
	return greatest, least
}

// extent returns how far the polygon reaches along the direction.
func extent(p []point, angle float64) float64 {
	sin, cos := math.Sincos(angle)
	low, high := math.Inf(1), math.Inf(-1)
	for _, q := range p {
		d := q.X*cos + q.Y*sin
		low, high = min(low, d), max(high, d)
	}
	return high - low
}

// crossings yields where the line at x, along y, crosses the polygon, side by
// side.
func crossings(p []point, x float64) iter.Seq[float64] {
	return func(yield func(y float64) bool) {
		for i, j := 0, len(p)-1; i < len(p); j, i = i, i+1 {
			a, c := p[j], p[i]
			if a.X > c.X {
				a, c = c, a
			}
			if a.X <= x && x < c.X && !yield(a.Y+(x-a.X)/(c.X-a.X)*(c.Y-a.Y)) {
				return
			}
		}
	}
}

// section returns the crossings at x, ascending.
func section(p []point, x float64) []float64 {
	ys := slices.AppendSeq(make([]float64, 0, 4), crossings(p, x))
	slices.Sort(ys)
	return ys
}

// inside reports whether q lies in the polygon.
func inside(p []point, q point) bool {
	odd := false
	for y := range crossings(p, q.X) {
		odd = odd != (y < q.Y)
	}
	return odd
}

// toOutline returns the distance of q from the nearest side.
func toOutline(p []point, q point) float64 {
	best, a := math.Inf(1), p[len(p)-1]
	for _, b := range p {
		best = min(best, q.DistToLine(a, b))
		a = b
	}
	return best
}

// A box is an axis-parallel rectangle in millimetres.
type box struct{ x0, y0, x1, y1 float64 }

func boxOf(p []point) box {
	b := box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, q := range p {
		b.x0, b.y0, b.x1, b.y1 = min(b.x0, q.X), min(b.y0, q.Y), max(b.x1, q.X), max(b.y1, q.Y)
	}
	return b
}

func (b box) grown(by float64) box { return box{b.x0 - by, b.y0 - by, b.x1 + by, b.y1 + by} }

func (b box) meets(o box) bool { return b.x0 <= o.x1 && o.x0 <= b.x1 && b.y0 <= o.y1 && o.y0 <= b.y1 }

func (b box) holds(q point) bool { return q.X >= b.x0 && q.X <= b.x1 && q.Y >= b.y0 && q.Y <= b.y1 }

func boxRound(q point, r float64) box { return box{q.X - r, q.Y - r, q.X + r, q.Y + r} }

// A grid finds what lies near a place: each thing is entered in all square
// cells that its box meets.
type grid[T any] struct {
	x0, y0, cell float64
	cols, rows   int
	cells        [][]T
}

func newGrid[T any](b box, cell float64) *grid[T] {
	g := &grid[T]{x0: b.x0, y0: b.y0, cell: cell, cols: int((b.x1-b.x0)/cell) + 1, rows: int((b.y1-b.y0)/cell) + 1}
	g.cells = make([][]T, g.cols*g.rows)
	return g
}

// in yields the cells that a box meets, row by row.
func (g *grid[T]) in(b box) iter.Seq[*[]T] {
	at := func(v float64, n int) int { return int(min(float64(n), max(-1, math.Floor(v/g.cell)))) }
	return func(yield func(*[]T) bool) {
		for row := max(0, at(b.y0-g.y0, g.rows)); row <= min(g.rows-1, at(b.y1-g.y0, g.rows)); row++ {
			for col := max(0, at(b.x0-g.x0, g.cols)); col <= min(g.cols-1, at(b.x1-g.x0, g.cols)); col++ {
				if !yield(&g.cells[row*g.cols+col]) {
					return
				}
			}
		}
	}
}

func (g *grid[T]) enter(b box, v T) {
	for cell := range g.in(b) {
		*cell = append(*cell, v)
	}
}

// at returns what may lie at a place.
func (g *grid[T]) at(x, y float64) []T {
	col, row := int(math.Floor((x-g.x0)/g.cell)), int(math.Floor((y-g.y0)/g.cell))
	if col < 0 || row < 0 || col >= g.cols || row >= g.rows {
		return nil
	}
	return g.cells[row*g.cols+col]
}

// relation tells how two polygons lie to each other: pressed is how deep a
// corner of one lies inside the other (0 where they are apart), clear the
// distance between them where it is below far, else far.
func relation(p, q []point, pb, qb box, far float64) (pressed, clear float64) {
	clear = far
	if !pb.grown(far).meets(qb) {
		return 0, clear
	}
	half := func(a, b []point, bb box) {
		near := bb.grown(far)
		for _, v := range a {
			switch {
			case !near.holds(v):
			case inside(b, v):
				pressed = max(pressed, toOutline(b, v))
			case pressed == 0 && clear > 0: // else it no longer counts
				clear = min(clear, toOutline(b, v))
			}
		}
	}
	half(p, q, qb)
	half(q, p, pb)
	if pressed > 0 {
		clear = 0
	}
	return pressed, clear
}

// travel returns how far polygon p can move along the unit vector d until it
// first meets q, or +Inf where it passes by.
func travel(p, q []point, d point) float64 {
	best := math.Inf(1)
	cast := func(from, onto []point, d point) {
		// In the turned frame the ray runs along y.
		turn := func(v point) point { return point{X: v.Y*d.X - v.X*d.Y, Y: v.X*d.X + v.Y*d.Y} }
		to := mapped(onto, turn)
		b := boxOf(to)
		for _, v := range from {
			if v = turn(v); v.X < b.x0 || v.X > b.x1 {
				continue
			}
			for y := range crossings(to, v.X) {
				if y >= v.Y {
					best = min(best, y-v.Y)
				}
			}
		}
	}
	cast(p, q, d)
	cast(q, p, move(point{}, d, -1))
	return best
}

// strips is the number of strips in which areas and volumes are summed, by the
// midpoint rule.
const strips = 240

// hidden returns the share of p's area that lies in one or more of the others,
// exact in y.
func hidden(p []point, others [][]point) float64 {
	bb := boxOf(p)
	dx := (bb.x1 - bb.x0) / strips
	var all, hid float64
	for i := range strips {
		x := bb.x0 + (float64(i)+0.5)*dx
		var over [][2]float64
		for _, o := range others {
			for ys := section(o, x); len(ys) > 1; ys = ys[2:] {
				over = append(over, [2]float64(ys))
			}
		}
		slices.SortFunc(over, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
		for ys := section(p, x); len(ys) > 1; ys = ys[2:] {
			all += ys[1] - ys[0]
			at := ys[0]
			for _, o := range over {
				if low, high := max(at, o[0]), min(ys[1], o[1]); high > low {
					hid += high - low
					at = high
				}
			}
		}
	}
	return hid / all
}

func sq(x float64) float64 { return x * x }

func polar(a float64) point { return point{X: math.Cos(a), Y: math.Sin(a)} }

func lerp(a, b, t float64) float64 { return a + (b-a)*t }

// smooth is 0 below a, 1 above b, and smooth between.
func smooth(a, b, x float64) float64 {
	t := min(1, max(0, (x-a)/(b-a)))
	return t * t * (3 - 2*t)
}
