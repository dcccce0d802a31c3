package segment

import (
	"math"
	"slices"

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

// outlineSmooth is the smoothing, in pixels along the outline, under which its
// curvature is taken.
const outlineSmooth = 1.0

// sharpen gives back to an outline what blur of the given sigma has taken off
// its bends: gentle ones move out by κ·σ²/2, corners are rebuilt from their
// straight flanks and returned too. Vertices on dividing lines stay.
func sharpen(p []Point, cut []bool, sigma float64) (out, corners []Point) {
	n := len(p)
	if n < 12 || sigma <= 0 {
		return p, nil
	}
	h := math.Max(1.5, 1.2*sigma) // reach over which the curvature is taken
	q := smooth(p, outlineSmooth)
	turn := func(i int, h float64) (float64, Point) {
		a, b := walk(q, i, -h), walk(q, i, h)
		u, v := sub(q[i], a), sub(b, q[i])
		return math.Atan2(crossP(u, v), dot(u, v)), norm(sub(b, a))
	}
	reach0 := max(2, int(h/0.85+0.5))                 // vertices lie 0.8 to 0.9 px apart
	push := func(i int, t Point, curvature float64) { // outwards, t along the outline
		if d := chordFlat * curvature * sigma * sigma / 2; d > 0 {
			out[i] = Point{X: p[i].X + t.Y*d, Y: p[i].Y - t.X*d}
		}
	}
	fixed := func(i int) bool { return cut != nil && cut[i] }
	out = make([]Point, n)
	near := make([]float64, n)
	for i := range p {
		out[i] = p[i]
		if fixed(i) {
			continue
		}
		// over the sides of a kernel a chord of whole vertices will do
		a, b := q[(i+n-reach0)%n], q[(i+reach0)%n]
		u, v := sub(q[i], a), sub(b, q[i])
		if c := crossP(u, v); math.Abs(c) < 0.1*dot(u, v) {
			push(i, norm(sub(b, a)), c/dot(u, v)/math.Sqrt(dot(u, u)))
			continue
		}
		var t Point
		near[i], t = turn(i, h)
		push(i, t, near[i]/h)
	}
	// Corners. The outline is straight on both sides, so that nearly the
	// whole turn lies within the blur; at a rounded tip it goes on.
	reach := 1.85*sigma + 0.6
	type corner struct {
		i    int
		x    Point   // where the flanks meet
		d    float64 // how far that is from the outline
		half float64 // of the angle between the flanks
	}
	var found []corner
	for i := range p {
		if near[i] < 0.55 || near[i] < near[(i+1)%n] || near[i] <= near[(i+n-1)%n] {
			continue
		}
		far, _ := turn(i, 3*h)
		farther, _ := turn(i, 5*h)
		if far < 0.7 || near[i] < 0.5*far || farther-far > 0.22 {
			continue
		}
		flank := max(3, 1.5*sigma)
		a0, a1 := walk(q, i, -reach), walk(q, i, -reach-flank)
		b0, b1 := walk(q, i, reach), walk(q, i, reach+flank)
		u, v := sub(a0, a1), sub(b0, b1)
		den := crossP(u, v)
		if math.Abs(den) < 1e-9 {
			continue
		}
		f := crossP(sub(b0, a0), v) / den
		x := Point{X: a0.X + f*u.X, Y: a0.Y + f*u.Y}
		d := x.Dist(p[i])
		if f < 0 || d > 1.5*sigma+0.5 {
			continue
		}
		found = append(found, corner{i, x, d, math.Atan2(math.Abs(den), dot(u, v)) / 2})
	}
	for _, a := range found {
		i, x := a.i, a.x
		// A fracture has two corners. One alone may be a pointed tip, whose
		// flanks meet beyond it.
		alone := !slices.ContainsFunc(found, func(b corner) bool {
			gap := (b.i - i + n) % n
			return b.i != i && 10*min(gap, n-gap) < 3*n
		})
		off, move := cornerBlur(a.half, sigma), a.d
		switch {
		case alone && a.d > 1.3*off:
			continue
		case alone && a.d > off:
			move = roundTip(a.d, a.half, sigma)
		case !alone:
			move = max(a.d, off)
		}
		if a.d > 0 {
			x = Point{X: p[i].X + (x.X-p[i].X)*move/a.d, Y: p[i].Y + (x.Y-p[i].Y)*move/a.d}
		}
		// the vertices within the blur of the corner give way to it
		out[i] = x
		corners = append(corners, x)
		for _, step := range [2]int{1, n - 1} {
			for j, k := (i+step)%n, 0; k < n/4 && p[j].Dist(p[i]) < reach; j, k = (j+step)%n, k+1 {
				if !fixed(j) {
					out[j] = x
				}
			}
		}
	}
	return out, corners
}

// cornerBlur is how far a blur of sigma moves the half height of a corner
// inwards along its bisector; half is half the angle within. The corner has
// half its height where two normal variables with the correlation -cos(2·half)
// both exceed -t·sin(half): t·tan(half) lies in 0.73 … 0.80 from 50 to 180
// degrees, 0.77 at 90.
func cornerBlur(half, sigma float64) float64 { return 0.77 * sigma / math.Tan(half) }

// roundTip is how far blur moves the half height of a tip inwards whose flanks
// meet at distance d beyond that half height: a circle of radius r touches both
// flanks, and the shift lies between that of a sharp corner and that of a gentle
// bend, σ²/(2r).
func roundTip(d, half, sigma float64) float64 {
	sharp := cornerBlur(half, sigma)
	shift := sharp
	for range 4 {
		r := math.Max(0, (d-shift)/(1/math.Sin(half)-1))
		shift = 1 / (1/sharp + 2*r/(sigma*sigma))
	}
	return shift
}

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

// chordFlat makes up for a curvature taken over chords and a smoothed outline,
// which reads low; found with TestKnownShapes' ellipses.
const chordFlat = 1.15

func (q *Piece) sharpen(sigma float64) {
	q.Outline, q.Corners = sharpen(q.Outline, q.Cut, sigma)
	q.Area = geom.Area(q.Outline)
}
