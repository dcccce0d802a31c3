package segment

import (
	"math"
	"slices"

	"traytally/vision/internal/geom"
)

func sub(a, b Point) Point      { return Point{X: a.X - b.X, Y: a.Y - b.Y} }
func dot(a, b Point) float64    { return a.X*b.X + a.Y*b.Y }
func crossP(a, b Point) float64 { return a.X*b.Y - a.Y*b.X }
func norm(a Point) Point {
	l := math.Sqrt(dot(a, a))
	if l == 0 {
		return Point{}
	}
	return Point{X: a.X / l, Y: a.Y / l}
}

// smooth is a circular Gaussian filter over the points.
func smooth(p []Point, sigma float64) []Point {
	r := int(math.Ceil(2.5 * sigma))
	if r < 1 {
		return p
	}
	w := make([]float64, r+1)
	sum := 0.0
	for i := range w {
		w[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		sum += w[i]
		if i > 0 {
			sum += w[i]
		}
	}
	n := len(p)
	out := make([]Point, n)
	for i := range p {
		x, y := w[0]*p[i].X, w[0]*p[i].Y
		up, down := i, i
		for _, f := range w[1:] {
			if up++; up == n {
				up = 0
			}
			if down--; down < 0 {
				down = n - 1
			}
			a, b := p[up], p[down]
			x += f * (a.X + b.X)
			y += f * (a.Y + b.Y)
		}
		out[i] = Point{X: x / sum, Y: y / sum}
	}
	return out
}

// straighten replaces the staircases of dividing lines by straight lines, and
// clears away the fillets at their ends: blur fills the notch between two
// kernels, and what fills it belongs to neither.
func (q *Piece) straighten(sigma, slack float64) {
	n := len(q.Outline)
	if q.Cut == nil || !slices.Contains(q.Cut, false) {
		return
	}
	start := slices.Index(q.Cut, false)
	around := slices.Concat(q.Outline[start:], q.Outline[:start])
	aroundCut := slices.Concat(q.Cut[start:], q.Cut[:start])
	type part struct {
		pts []Point
		cut bool
	}
	var parts []part
	for a, b := 0, 1; a < n; b++ {
		if b == n || aroundCut[b] != aroundCut[a] {
			parts = append(parts, part{around[a:b], aroundCut[a]})
			a = b
		}
	}
	fillet := 1.5*sigma + 0.5
	q.Faces = 0
	pts, isCut := make([]Point, 0, n), make([]bool, 0, n)
	for i, p := range parts {
		if p.cut {
			q.Faces++
			line := simplify(p.pts, slack)
			for _, v := range trim(line, math.Min(fillet, 0.4*polyline(line))) {
				pts, isCut = append(pts, v), append(isCut, true)
			}
			continue
		}
		// the first stretch continues the last one, the seam has no fillet
		first, last := i > 0, i < len(parts)-1 || parts[0].cut
		l := polyline(p.pts)
		at := 0.0
		for j, v := range p.pts {
			if j > 0 {
				at += p.pts[j-1].Dist(v)
			}
			if first && at < fillet || last && l-at < fillet {
				continue
			}
			pts, isCut = append(pts, v), append(isCut, false)
		}
	}
	if len(pts) < 6 {
		return
	}
	q.Outline, q.Cut = pts, isCut
	q.Area = geom.Area(pts)
}

// polyline is the length of an open line.
func polyline(p []Point) float64 {
	l := 0.0
	for i := 1; i < len(p); i++ {
		l += p[i-1].Dist(p[i])
	}
	return l
}

// trim takes d off both ends of an open line.
func trim(p []Point, d float64) []Point {
	front := func(p []Point) []Point {
		left := d
		for len(p) > 1 {
			l := p[0].Dist(p[1])
			if l > left {
				f := left / l
				return append([]Point{{X: p[0].X + (p[1].X-p[0].X)*f, Y: p[0].Y + (p[1].Y-p[0].Y)*f}}, p[1:]...)
			}
			left -= l
			p = p[1:]
		}
		return p
	}
	p = front(slices.Clone(p))
	slices.Reverse(p)
	p = front(p)
	slices.Reverse(p)
	return p
}

// simplify is the Douglas-Peucker reduction of an open line.
func simplify(p []Point, tol float64) []Point {
	if len(p) < 3 {
		return p
	}
	a, b := p[0], p[len(p)-1]
	l := a.Dist(b)
	far, at := 0.0, 0
	for i, q := range p[1 : len(p)-1] {
		var d float64
		if l > 0 {
			d = math.Abs(crossP(sub(b, a), sub(q, a))) / l
		} else {
			d = a.Dist(q)
		}
		if d > far {
			far, at = d, i+1
		}
	}
	if far <= tol {
		return []Point{a, b}
	}
	left := simplify(p[:at+1], tol)
	return append(left[:len(left):len(left)], simplify(p[at:], tol)[1:]...)
}
