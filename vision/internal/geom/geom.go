// Package geom measures closed polygons with floating-point vertices: hull,
// calipers, area, moments, width profile. OpenCV's own contour measures take
// integer points and read short by about a pixel, which is 1 % of a kernel at
// 300 dpi, so the measuring path uses these.
//
// A polygon is a slice of vertices, closed implicitly (the last is not the
// first again). Orientation does not matter unless a function says so.
package geom

import (
	"math"
	"slices"
	"sync"

	"traytally/vision/kernel"
)

// A Point is a vertex; it is the kernel package's point.
type Point = kernel.Point

func cross(o, a, b Point) float64 { return (a.X-o.X)*(b.Y-o.Y) - (a.Y-o.Y)*(b.X-o.X) }

// Area returns the signed area: positive when the vertices run clockwise as
// displayed (x right, y down).
func Area(p []Point) float64 {
	if len(p) < 3 {
		return 0
	}
	s, q := 0.0, p[len(p)-1]
	for _, r := range p {
		s += (q.X-p[0].X)*(r.Y-p[0].Y) - (r.X-p[0].X)*(q.Y-p[0].Y)
		q = r
	}
	return s / 2
}

// Hull returns the convex hull (Andrew's monotone chain) with positive Area,
// without collinear vertices. The input is not modified. Points in the order
// of an outline are sorted in nearly linear time.
func Hull(p []Point) []Point {
	buf := scratch.Get().(*[]Point)
	defer scratch.Put(buf)
	if n := 3*len(p) + 1; cap(*buf) < n {
		*buf = make([]Point, n+n/2)
	}
	s, dst := sorted(p, (*buf)[:cap(*buf)])
	if len(s) < 3 {
		return slices.Clone(s)
	}
	// dst has room for every point of both chains
	n := 0
	for _, q := range s {
		for n >= 2 && cross(dst[n-2], dst[n-1], q) <= 0 {
			n--
		}
		dst[n] = q
		n++
	}
	low := n
	for i := len(s) - 2; i >= 0; i-- {
		q := s[i]
		for n > low && cross(dst[n-2], dst[n-1], q) <= 0 {
			n--
		}
		dst[n] = q
		n++
	}
	return slices.Clone(dst[:n-1])
}

// AppendHull appends to dst the convex hull of two polygons as Hull returns
// them, in the form in which Hull would return it. They may not lie in dst
// beyond its length.
func AppendHull(dst, p, q []Point) []Point {
	start := len(dst)
	add := func(low int, v Point) {
		if n := len(dst); n > start && dst[n-1] == v {
			return
		}
		for n := len(dst); n > low && cross(dst[n-2], dst[n-1], v) <= 0; n-- {
			dst = dst[:n-1]
		}
		dst = append(dst, v)
	}
	// the lower chains from left to right, then the upper ones back
	i, j := 0, 0
	pr, qr := rightmost(p), rightmost(q)
	for i <= pr || j <= qr {
		if j > qr || i <= pr && !before(q[j], p[i]) {
			add(start+1, p[i])
			i++
		} else {
			add(start+1, q[j])
			j++
		}
	}
	low := len(dst)
	i, j = pr, qr
	for i <= len(p) || j <= len(q) {
		a, b := p[i%len(p)], q[j%len(q)]
		if j > len(q) || i <= len(p) && !before(a, b) {
			add(low, a)
			i++
		} else {
			add(low, b)
			j++
		}
	}
	if len(dst) > start+1 {
		dst = dst[:len(dst)-1] // the first point again
	}
	return dst
}

// rightmost returns the place of the last point, by X, then Y, of a polygon as
// Hull returns it.
func rightmost(hull []Point) int {
	i := 0
	for i+1 < len(hull) && before(hull[i], hull[i+1]) {
		i++
	}
	return i
}

// Bounds returns the least and the greatest x and y of p, which has points.
func Bounds(p []Point) (low, high [2]float64) {
	low, high = [2]float64{p[0].X, p[0].Y}, [2]float64{p[0].X, p[0].Y}
	for _, q := range p[1:] {
		low[0], high[0] = min(low[0], q.X), max(high[0], q.X)
		low[1], high[1] = min(low[1], q.Y), max(high[1], q.Y)
	}
	return low, high
}

// scratch lends memory to Hull.
var scratch = sync.Pool{New: func() any { return new([]Point) }}

func before(a, b Point) bool { return a.X < b.X || a.X == b.X && a.Y < b.Y }

// sorted returns the distinct points by X, then Y, and what is left of buf,
// which must hold 3·len(p)+1 points. An outline runs from its leftmost point
// to its rightmost and back, so that two insertion sorts of nearly sorted
// halves and a merge do; an outline that winds too much is sorted outright.
func sorted(p, buf []Point) (s, rest []Point) {
	n := len(p)
	lo, hi := 0, 0
	for i, q := range p {
		if before(q, p[lo]) {
			lo = i
		}
		if before(p[hi], q) {
			hi = i
		}
	}
	s, rest = buf[:n], buf[n:]
	copy(s[copy(s, p[lo:]):], p[:lo])
	m := min(n, ((hi-lo)+n)%max(n, 1)+1) // points from lo to hi
	a, b := s[:m], s[m:]
	slices.Reverse(b)
	if budget := insertion(b, insertion(a, 12*n)); budget <= 0 {
		slices.SortFunc(s, func(a, b Point) int {
			switch {
			case before(a, b):
				return -1
			case before(b, a):
				return 1
			}
			return 0
		})
		return slices.Compact(s), rest
	}
	out := rest[:0]
	for len(a) > 0 || len(b) > 0 {
		var q Point
		if len(b) == 0 || len(a) > 0 && !before(b[0], a[0]) {
			q, a = a[0], a[1:]
		} else {
			q, b = b[0], b[1:]
		}
		if len(out) == 0 || out[len(out)-1] != q {
			out = append(out, q)
		}
	}
	return out, rest[n:]
}

// insertion sorts s, giving up after budget moves, and returns what is left of
// them.
func insertion(s []Point, budget int) int {
	for i := 1; i < len(s) && budget > 0; i++ {
		q, j := s[i], i
		for ; j > 0 && before(q, s[j-1]); j-- {
			s[j] = s[j-1]
		}
		s[j] = q
		budget -= i - j
	}
	return budget
}

// A Calipers holds the two caliper (Feret) diameters of a convex polygon.
type Calipers struct {
	Max, Min float64
	MaxAngle float64 // direction of the greatest diameter, radians in (-π/2, π/2]
	A, B     Point   // the two vertices the greatest diameter joins
}

// Caliper returns the greatest and least caliper diameter of a convex polygon
// as Hull returns it (rotating calipers, Shamos 1978). Fewer than three
// vertices give a least diameter of 0.
func Caliper(hull []Point) Calipers {
	var c Calipers
	n := len(hull)
	if n < 2 {
		return c
	}
	set := func(a, b Point) {
		if d := a.Dist(b); d > c.Max {
			c.Max, c.A, c.B = d, a, b
		}
	}
	if n == 2 {
		set(hull[0], hull[1])
	} else {
		c.Min = math.Inf(1)
		j := 1
		for i := range n {
			a, b := hull[i], hull[(i+1)%n]
			for cross(a, b, hull[(j+1)%n]) > cross(a, b, hull[j]) {
				j = (j + 1) % n
			}
			set(a, hull[j])
			set(b, hull[j])
			// a run parallel to the edge has two antipodal vertices
			set(a, hull[(j+1)%n])
			if l := a.Dist(b); l > 0 {
				c.Min = math.Min(c.Min, cross(a, b, hull[j])/l)
			}
		}
	}
	c.MaxAngle = axial(math.Atan2(c.B.Y-c.A.Y, c.B.X-c.A.X))
	return c
}

// axial brings an angle into (-π/2, π/2].
func axial(a float64) float64 {
	for a <= -math.Pi/2 {
		a += math.Pi
	}
	for a > math.Pi/2 {
		a -= math.Pi
	}
	return a
}

// Moments are the area moments of a region; they add over disjoint regions.
type Moments struct{ A, X, Y, XX, XY, YY float64 }

// Add returns the moments of the union of two disjoint regions.
func (m Moments) Add(o Moments) Moments {
	return Moments{m.A + o.A, m.X + o.X, m.Y + o.Y, m.XX + o.XX, m.XY + o.XY, m.YY + o.YY}
}

// Centroid returns the centre of mass; the region must have area.
func (m Moments) Centroid() Point { return Point{X: m.X / m.A, Y: m.Y / m.A} }

// Axes returns the standard deviations along the principal axes, major first,
// and the direction of the major one in (-π/2, π/2]. A filled ellipse has
// semi-axes of twice those values.
func (m Moments) Axes() (major, minor, angle float64) {
	c := m.Centroid()
	xx, xy, yy := m.XX/m.A-c.X*c.X, m.XY/m.A-c.X*c.Y, m.YY/m.A-c.Y*c.Y
	t, d := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	return math.Sqrt(math.Max(0, t+d)), math.Sqrt(math.Max(0, t-d)), axial(math.Atan2(2*xy, xx-yy) / 2)
}

// PolygonMoments returns the area moments of a polygon's inside (Green's
// theorem), with A >= 0 whatever the orientation.
func PolygonMoments(p []Point) Moments {
	var m Moments
	if len(p) < 3 {
		return m
	}
	o := p[0] // relative to a vertex: large coordinates would cancel digits
	ax, ay := p[len(p)-1].X-o.X, p[len(p)-1].Y-o.Y
	for _, r := range p {
		bx, by := r.X-o.X, r.Y-o.Y
		k := ax*by - bx*ay
		m.A += k
		m.X += k * (ax + bx)
		m.Y += k * (ay + by)
		m.XX += k * (ax*ax + ax*bx + bx*bx)
		m.YY += k * (ay*ay + ay*by + by*by)
		m.XY += k * (ax*by + 2*ax*ay + 2*bx*by + bx*ay)
		ax, ay = bx, by
	}
	m.A /= 2
	m.X /= 6
	m.Y /= 6
	m.XX /= 12
	m.YY /= 12
	m.XY /= 24
	if m.A < 0 {
		m = Moments{-m.A, -m.X, -m.Y, -m.XX, -m.XY, -m.YY}
	}
	return m.shift(o.X, o.Y)
}

func (m Moments) shift(dx, dy float64) Moments {
	return Moments{
		A: m.A, X: m.X + m.A*dx, Y: m.Y + m.A*dy,
		XX: m.XX + 2*m.X*dx + m.A*dx*dx,
		YY: m.YY + 2*m.Y*dy + m.A*dy*dy,
		XY: m.XY + m.X*dy + m.Y*dx + m.A*dx*dy,
	}
}

// A Profile shows a piece in the frame of its axis: u along it from one tip to
// the other, v across it. It is cut by lines across the axis at the middle of
// equal steps; where a line crosses the outline more than twice the outermost
// crossings count.
type Profile struct {
	Angle      float64   // direction of the axis
	Start      float64   // u of the first tip: u = x·cos + y·sin
	Step       float64   // length of one step along the axis
	Low, High  []float64 // v of the two flanks: v = y·cos - x·sin; equal where nothing is
	TipV, EndV float64   // v of the first and of the last tip
}

// Width returns High - Low at step i.
func (f *Profile) Width(i int) float64 { return f.High[i] - f.Low[i] }

// Middle returns the middle of the two flanks at step i.
func (f *Profile) Middle(i int) float64 { return (f.High[i] + f.Low[i]) / 2 }

// Length returns the extent along the axis.
func (f *Profile) Length() float64 { return f.Step * float64(len(f.Low)) }

// At returns the width at distance d from the first tip, or from the last when
// last is true, linear between the steps and towards zero at the tip.
func (f *Profile) At(d float64, last bool) float64 {
	n := len(f.Low)
	w := func(i int) float64 {
		if last {
			i = n - 1 - i
		}
		return f.Width(i)
	}
	x := d/f.Step - 0.5
	if x <= 0 {
		return w(0) * math.Max(0, d/f.Step) * 2
	}
	i := int(x)
	if i >= n-1 {
		return w(n - 1)
	}
	return w(i) + (w(i+1)-w(i))*(x-float64(i))
}

// ProfileOf cuts the polygon p by n lines across the direction angle.
func ProfileOf(p []Point, angle float64, n int) Profile {
	s, c := math.Sincos(angle)
	f := Profile{Angle: angle, Low: make([]float64, n), High: make([]float64, n)}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range p {
		u, v := q.X*c+q.Y*s, q.Y*c-q.X*s
		if u < lo {
			lo, f.TipV = u, v
		}
		if u > hi {
			hi, f.EndV = u, v
		}
	}
	f.Start, f.Step = lo, (hi-lo)/float64(n)
	step := f.Step
	if !(step > 0) {
		return f
	}
	for i := range n {
		f.Low[i], f.High[i] = math.Inf(1), math.Inf(-1)
	}
	q := p[len(p)-1]
	qu, qv := q.X*c+q.Y*s, q.Y*c-q.X*s
	for _, r := range p {
		ru, rv := r.X*c+r.Y*s, r.Y*c-r.X*s
		au, av, bu, bv := qu, qv, ru, rv
		if au > bu {
			au, av, bu, bv = bu, bv, au, av
		}
		// mid lines lo+(i+0.5)·step within [au, bu)
		for i := max(0, int(math.Ceil((au-lo)/step-0.5))); i < n && lo+(float64(i)+0.5)*step < bu; i++ {
			v := av + (bv-av)*(lo+(float64(i)+0.5)*step-au)/(bu-au)
			f.Low[i], f.High[i] = math.Min(f.Low[i], v), math.Max(f.High[i], v)
		}
		qu, qv = ru, rv
	}
	for i := range n {
		if !(f.High[i] >= f.Low[i]) {
			f.Low[i], f.High[i] = 0, 0
		}
	}
	return f
}

// Extent returns the extent of p along the direction angle.
func Extent(p []Point, angle float64) float64 {
	s, c := math.Sincos(angle)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range p {
		u := q.X*c + q.Y*s
		lo, hi = math.Min(lo, u), math.Max(hi, u)
	}
	return hi - lo
}

// Contains reports whether q lies inside p (even-odd rule).
func Contains(p []Point, q Point) bool {
	in, a := false, p[len(p)-1]
	for _, b := range p {
		if (a.Y > q.Y) != (b.Y > q.Y) && q.X < a.X+(q.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) {
			in = !in
		}
		a = b
	}
	return in
}
