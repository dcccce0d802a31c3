package segment

import (
	"math"

	"traytally/vision/internal/geom"
)

// The blur of the picture, and what it does to an outline.
//
// A straight edge keeps its place at half height whatever the blur. A bent
// one moves towards its centre of curvature: by κ·σ²/2 for a curvature κ that
// is small against 1/σ (the first term of diffusion by σ²/2), and by 0.77·σ
// at a square corner, where Φ(x)² = 1/2. A kernel's tip has a radius of three
// or four pixels at 300 dpi, so without a correction every kernel reads a
// quarter of a pixel short.

// edgeStep returns the mean share of the full height that an edge of blur
// sigma climbs between the two pixels around its half height, all positions
// between them being equally likely.
func edgeStep(sigma float64) float64 {
	phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
	s := 0.0
	const n = 32
	for i := range n {
		u := (float64(i) + 0.5) / n
		s += phi((1-u)/sigma) - phi(-u/sigma)
	}
	return s / n
}

// blurOf inverts edgeStep; the result lies in 0.2 … 12 pixels.
func blurOf(step float64) float64 {
	lo, hi := 0.2, 12.0
	for range 40 {
		if m := (lo + hi) / 2; edgeStep(m) > step {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

// steps adds up the climbs of an outer contour where it runs along the pixel
// grid, and returns their mean and number.
func (t *tile) steps(c *contour) (mean float64, n int) {
	m := len(c.pts)
	for i, p := range c.pts {
		a, b := c.pts[(i+m-3)%m], c.pts[(i+3)%m]
		tx, ty := math.Abs(b.X-a.X), math.Abs(b.Y-a.Y)
		x, y := p.X-float64(t.x0), p.Y-float64(t.y0)
		var i0, i1 int
		switch {
		case x == math.Floor(x) && tx > 8*ty: // the crossing lies on a column
			i0 = int(math.Floor(y))*t.w + int(x)
			i1 = i0 + t.w
		case y == math.Floor(y) && ty > 8*tx:
			i0 = int(y)*t.w + int(math.Floor(x))
			i1 = i0 + 1
		default:
			continue
		}
		k := max(t.k[i0], t.k[i1])
		if k == 0 {
			continue
		}
		mean += math.Abs(float64(t.c[i0])-float64(t.c[i1])) / float64(k)
		n++
	}
	return mean / math.Max(1, float64(n)), n
}

// outlineSmooth is the smoothing, in pixels along the outline, under which its
// curvature is taken.
const outlineSmooth = 1.0

// sharpen moves the free vertices of an outline outwards by what blur of the
// given sigma has taken off its bends. Vertices on dividing lines stay.
func sharpen(p []Point, cut []bool, sigma float64) []Point {
	n := len(p)
	if n < 12 || sigma <= 0 {
		return p
	}
	// Curvature over a stretch of about the blur, but no less than two pixels:
	// the turn of the outline over ±h, divided by h.
	h := math.Max(1.5, 1.2*sigma)
	q := smooth(p, outlineSmooth)
	out := make([]Point, n)
	for i := range p {
		out[i] = p[i]
		if cut != nil && cut[i] {
			continue
		}
		a, b := walk(q, i, -h), walk(q, i, h)
		u, v := sub(q[i], a), sub(b, q[i])
		turn := math.Atan2(crossP(u, v), dot(u, v))
		k := turn / h * sigma // curvature in units of 1/σ
		if k <= 0 {
			continue
		}
		t := norm(sub(b, a))
		d := sigma * bendShift(k)
		out[i] = Point{X: p[i].X + t.Y*d, Y: p[i].Y - t.X*d}
	}
	return out
}

// bendShift is how far, in units of σ, a bend of observed curvature k/σ has
// moved: k/2 for gentle bends.
func bendShift(k float64) float64 { return k/2 + bendCubic*k*k*k }

// bendCubic brings the shift of a square corner, seen through pixels and the
// smoothing above, to 0.77·σ; found by TestKnownShapes' rectangles.
const bendCubic = 0.5

// walk returns the point at arc distance d (either sign) from vertex i.
func walk(p []Point, i int, d float64) Point {
	n, step := len(p), 1
	if d < 0 {
		step, d = n-1, -d
	}
	a := p[i]
	for range n {
		i = (i + step) % n
		b := p[i]
		l := a.Dist(b)
		if l >= d {
			if l == 0 {
				return b
			}
			f := d / l
			return Point{X: a.X + (b.X-a.X)*f, Y: a.Y + (b.Y-a.Y)*f}
		}
		d -= l
		a = b
	}
	return a
}

func (q *Piece) sharpen(sigma float64) {
	q.Outline = sharpen(q.Outline, q.Cut, sigma)
	q.Area = geom.Area(q.Outline)
}
