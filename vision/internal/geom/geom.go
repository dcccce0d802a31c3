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
// without collinear vertices. The input is not modified.
func Hull(p []Point) []Point {
	s := sorted(p)
	if s = slices.Compact(s); len(s) < 3 {
		return s
	}
	hull := make([]Point, 0, len(s)/2)
	chain := func(low int, q Point) {
		for n := len(hull); n > low && cross(hull[n-2], hull[n-1], q) <= 0; n-- {
			hull = hull[:n-1]
		}
		hull = append(hull, q)
	}
	for _, q := range s {
		chain(1, q)
	}
	low := len(hull)
	for _, q := range slices.Backward(s[:len(s)-1]) {
		chain(low, q)
	}
	return hull[:len(hull)-1] // the first point again
}

func less(a, b Point) bool { return a.X < b.X || a.X == b.X && a.Y < b.Y }

// sorted returns the points from left to right, then from the top down. An
// outline runs a few times from one side to the other: such runs are merged,
// which takes a third of the time of a sort that knows nothing of them
// (BenchmarkHull).
func sorted(p []Point) []Point {
	s := slices.Clone(p)
	ends := make([]int, 0, 64) // of the runs
	for from := 0; from < len(s); {
		to := from + 1
		if to < len(s) && less(s[to], s[from]) {
			for ; to < len(s) && less(s[to], s[to-1]); to++ {
			}
			slices.Reverse(s[from:to])
		} else {
			for ; to < len(s) && !less(s[to], s[to-1]); to++ {
			}
		}
		ends = append(ends, to)
		from = to
	}
	// Neighbouring runs are merged until one is left.
	for t := make([]Point, len(s)); len(ends) > 1; s, t = t, s {
		from, kept := 0, ends[:0]
		for i := 0; i < len(ends); i += 2 {
			mid, to := ends[i], ends[min(i+1, len(ends)-1)]
			a, b, out := s[from:mid], s[mid:to], t[from:to]
			for k := range out {
				if len(b) == 0 || len(a) > 0 && !less(b[0], a[0]) {
					out[k], a = a[0], a[1:]
				} else {
					out[k], b = b[0], b[1:]
				}
			}
			from, kept = to, append(kept, to)
		}
		ends = kept
	}
	return s
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
	c.MaxAngle = Axial(math.Atan2(c.B.Y-c.A.Y, c.B.X-c.A.X))
	return c
}

// Axial brings an angle into (-π/2, π/2].
func Axial(a float64) float64 {
	for a <= -math.Pi/2 {
		a += math.Pi
	}
	for a > math.Pi/2 {
		a -= math.Pi
	}
	return a
}

// Moments are the area moments of a region.
type Moments struct{ A, X, Y, XX, XY, YY float64 }

// Add returns the moments of two regions together.
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
	return math.Sqrt(math.Max(0, t+d)), math.Sqrt(math.Max(0, t-d)), Axial(math.Atan2(2*xy, xx-yy) / 2)
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
