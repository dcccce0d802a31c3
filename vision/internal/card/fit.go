package card

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Camera takes card positions in mm to picture positions in px: a
// homography, as a flat sheet seen through a pinhole is, and two radial terms
// of the lens about the middle of the picture,
//
//	d = c + (u - c)·(1 + K·ρ + K2·ρ²),  ρ = |u-c|²/R²
//
// with R half of the picture's diagonal, so that K + K2 is the displacement at
// the corners as a share of R, > 0 for a pincushion.
type Camera struct {
	H     [9]float64 // row-major, H[8] = 1
	K, K2 float64
	C     Point   // middle of the picture, px
	R     float64 // half of the diagonal, px
}

// Radial returns the greatest displacement by the lens within the picture, as
// a share of R: > 0 outwards.
func (m *Camera) Radial() float64 {
	most := m.K + m.K2
	if at := -m.K / (2 * m.K2); at > 0 && at < 1 {
		if v := (m.K + m.K2*at) * at; math.Abs(v) > math.Abs(most) {
			most = v
		}
	}
	return most
}

// newCamera returns a camera of a picture of w × h px, without the homography.
func newCamera(w, h int) Camera {
	return Camera{C: Point{X: float64(w-1) / 2, Y: float64(h-1) / 2}, R: math.Hypot(float64(w), float64(h)) / 2}
}

// pinhole is the homography alone.
func (m *Camera) pinhole(q Point) (Point, bool) {
	w := m.H[6]*q.X + m.H[7]*q.Y + m.H[8]
	if w <= 1e-9 {
		return Point{}, false
	}
	return Point{X: (m.H[0]*q.X + m.H[1]*q.Y + m.H[2]) / w, Y: (m.H[3]*q.X + m.H[4]*q.Y + m.H[5]) / w}, true
}

func (m *Camera) bend(u Point) Point {
	d := u.Sub(m.C)
	f := m.lens(d)
	return Point{X: m.C.X + d.X*f, Y: m.C.Y + d.Y*f}
}

func (m *Camera) lens(d Point) float64 {
	rho := (d.X*d.X + d.Y*d.Y) / sq(m.R)
	return 1 + (m.K+m.K2*rho)*rho
}

// unbend undoes bend by fixed-point steps; |K| and |K2| are small.
func (m *Camera) unbend(d Point) Point {
	e := d.Sub(m.C)
	u := e
	for range 20 {
		f := m.lens(u)
		u = Point{X: e.X / f, Y: e.Y / f}
	}
	return Point{X: m.C.X + u.X, Y: m.C.Y + u.Y}
}

// ToPicture returns where a card position in mm is seen, in px. Positions at
// or beyond the card's horizon have none; they come back as NaN.
func (m *Camera) ToPicture(q Point) Point {
	u, ok := m.pinhole(q)
	if !ok {
		return Point{X: math.NaN(), Y: math.NaN()}
	}
	return m.bend(u)
}

// ToCard returns the card position in mm that is seen at a picture position.
func (m *Camera) ToCard(d Point) Point {
	u := m.unbend(d)
	// H⁻¹ by the adjugate.
	h := &m.H
	a := [9]float64{
		h[4]*h[8] - h[5]*h[7], h[2]*h[7] - h[1]*h[8], h[1]*h[5] - h[2]*h[4],
		h[5]*h[6] - h[3]*h[8], h[0]*h[8] - h[2]*h[6], h[2]*h[3] - h[0]*h[5],
		h[3]*h[7] - h[4]*h[6], h[1]*h[6] - h[0]*h[7], h[0]*h[4] - h[1]*h[3],
	}
	w := a[6]*u.X + a[7]*u.Y + a[8]
	return Point{X: (a[0]*u.X + a[1]*u.Y + a[2]) / w, Y: (a[3]*u.X + a[4]*u.Y + a[5]) / w}
}

// Jacobian returns the local change of the picture position, px, per mm on the
// card: [dx/dX dx/dY; dy/dX dy/dY].
func (m *Camera) Jacobian(q Point) (xx, xy, yx, yy float64) {
	const h = 0.05
	a, b := m.ToPicture(Point{X: q.X - h, Y: q.Y}), m.ToPicture(Point{X: q.X + h, Y: q.Y})
	c, d := m.ToPicture(Point{X: q.X, Y: q.Y - h}), m.ToPicture(Point{X: q.X, Y: q.Y + h})
	return (b.X - a.X) / (2 * h), (d.X - c.X) / (2 * h), (b.Y - a.Y) / (2 * h), (d.Y - c.Y) / (2 * h)
}

// Scales returns the greatest and the least px/mm at a card position over all
// directions.
func (m *Camera) Scales(q Point) (greatest, least float64) {
	xx, xy, yx, yy := m.Jacobian(q)
	s := math.Hypot(xx+yy, yx-xy)
	d := math.Hypot(xx-yy, xy+yx)
	return (s + d) / 2, math.Abs(s-d) / 2
}

// logScale returns the logarithm of the local px/mm, the geometric mean of both
// directions.
func (m *Camera) logScale(q Point) float64 {
	xx, xy, yx, yy := m.Jacobian(q)
	return math.Log(math.Abs(xx*yy-xy*yx)) / 2
}

// seen returns where the middle of the outline of a disc of radius r mm is
// seen: not quite at the image of its centre, as perspective shows the nearer
// half larger. The image of a circle under H is the conic whose dual is
// H·C*·Hᵀ (Hartley and Zisserman, Multiple View Geometry, 2nd ed., 2.3).
func (m *Camera) seen(q Point, r float64) Point {
	h := &m.H
	p := [3]float64{h[0]*q.X + h[1]*q.Y + h[2], h[3]*q.X + h[4]*q.Y + h[5], h[6]*q.X + h[7]*q.Y + h[8]}
	dual := func(i int) float64 { // third column of the dual conic
		return r*r*(h[3*i]*h[6]+h[3*i+1]*h[7]) - p[i]*p[2]
	}
	w := dual(2)
	return m.bend(Point{X: dual(0) / w, Y: dual(1) / w})
}

var errDegenerate = errors.New("the marks lie in one line")

// dlt returns the homography that takes src to dst, four pairs or more, by the
// normalised direct linear transformation (Hartley and Zisserman, 2nd ed.,
// algorithm 4.2).
func dlt(src, dst []Point) ([9]float64, error) {
	ts, td := normaliser(src), normaliser(dst)
	a := mat.NewDense(max(9, 2*len(src)), 9, nil)
	for i := range src {
		p, q := ts.apply(src[i]), td.apply(dst[i])
		a.SetRow(2*i, []float64{0, 0, 0, -p.X, -p.Y, -1, q.Y * p.X, q.Y * p.Y, q.Y})
		a.SetRow(2*i+1, []float64{p.X, p.Y, 1, 0, 0, 0, -q.X * p.X, -q.X * p.Y, -q.X})
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDFullV) {
		return [9]float64{}, errDegenerate
	}
	s := svd.Values(nil)
	if s[7] < 1e-6*s[0] {
		return [9]float64{}, errDegenerate
	}
	var v mat.Dense
	svd.VTo(&v)
	n := mat.NewDense(3, 3, mat.Col(nil, 8, &v))
	var h mat.Dense
	h.Product(td.inverse(), n, ts.matrix())
	var out [9]float64
	k := h.At(2, 2)
	if math.Abs(k) < 1e-12 {
		return out, errDegenerate
	}
	for i := range out {
		out[i] = h.At(i/3, i%3) / k
	}
	return out, nil
}

// A similarity moves points to the origin and scales their mean distance to √2.
type similarity struct{ s, x, y float64 }

func normaliser(p []Point) similarity {
	var c Point
	for _, q := range p {
		c.X, c.Y = c.X+q.X/float64(len(p)), c.Y+q.Y/float64(len(p))
	}
	d := 0.0
	for _, q := range p {
		d += q.Dist(c) / float64(len(p))
	}
	s := math.Sqrt2 / max(d, 1e-12)
	return similarity{s, -s * c.X, -s * c.Y}
}

func (t similarity) apply(p Point) Point { return Point{X: t.s*p.X + t.x, Y: t.s*p.Y + t.y} }

func (t similarity) matrix() mat.Matrix {
	return mat.NewDense(3, 3, []float64{t.s, 0, t.x, 0, t.s, t.y, 0, 0, 1})
}

func (t similarity) inverse() mat.Matrix {
	return mat.NewDense(3, 3, []float64{1 / t.s, 0, -t.x / t.s, 0, 1 / t.s, -t.y / t.s, 0, 0, 1})
}

// A sighting is a disc of known place seen in the picture.
type sighting struct {
	mm   Point
	r    float64 // mm
	px   Point
	mark bool
	out  bool // left out of the fit: it does not lie where the others say
}

// A fit is a camera with what it leaves unexplained.
type fit struct {
	cam Camera
	// cov is the covariance of the parameters, from the scatter of the residuals.
	cov   *mat.SymDense
	rms   float64 // mm, of the distance of used sightings
	worst float64 // mm
	n     int     // used sightings
}

// The parameters of a camera are H[0..7], K and K2.
const (
	noTerm   = 8
	oneTerm  = 9  // fitted without K2
	twoTerms = 10 // with it
)

func (m *Camera) at(i int) *float64 {
	switch i {
	case 8:
		return &m.K
	case 9:
		return &m.K2
	}
	return &m.H[i]
}

// adjust fits that many parameters of the camera to all sightings that are not
// out, by Gauss-Newton on the picture distances (bundle adjustment of one
// view). The camera must be near already.
func adjust(cam Camera, s []sighting, params int) (fit, error) {
	var used []sighting
	for _, v := range s {
		if !v.out {
			used = append(used, v)
		}
	}
	if 2*len(used) < params+3 {
		return fit{}, errDegenerate
	}
	n := 2 * len(used)
	// The parameters differ by orders of magnitude: work in units of their effect.
	step := func(m *Camera, i int) float64 {
		switch i {
		case 6, 7:
			return 1e-7
		case 8, 9:
			return 1e-5
		case 2, 5:
			return 1e-2
		}
		return 1e-5 * max(1, math.Abs(m.H[0])+math.Abs(m.H[3]))
	}
	residuals := func(m *Camera) []float64 {
		e := make([]float64, n)
		for i, v := range used {
			q := m.seen(v.mm, v.r)
			e[2*i], e[2*i+1] = v.px.X-q.X, v.px.Y-q.Y
		}
		return e
	}
	jac := mat.NewDense(n, params, nil)
	unit := make([]float64, params)
	fill := func(m *Camera) {
		for j := range params {
			h := step(m, j)
			unit[j] = h
			a, b := *m, *m
			*a.at(j) += h
			*b.at(j) -= h
			ea, eb := residuals(&a), residuals(&b)
			for i := range n {
				jac.Set(i, j, (eb[i]-ea[i])/2) // per step
			}
		}
	}
	best := residuals(&cam)
	for range 30 {
		fill(&cam)
		var dx mat.Dense
		if err := dx.Solve(jac, mat.NewDense(n, 1, best)); err != nil {
			if _, poor := errors.AsType[mat.Condition](err); !poor {
				return fit{}, errDegenerate
			}
		}
		next := cam
		moved := 0.0
		for j := range params {
			*next.at(j) += unit[j] * dx.At(j, 0)
			moved = max(moved, math.Abs(dx.At(j, 0)))
		}
		e := residuals(&next)
		if !(sumSq(e) <= sumSq(best)*(1+1e-12)) {
			break
		}
		cam, best = next, e
		if moved < 1e-3 {
			break
		}
	}
	f := fit{cam: cam, n: len(used)}
	sum := 0.0
	for i, v := range used {
		_, least := cam.Scales(v.mm)
		d := math.Hypot(best[2*i], best[2*i+1]) / max(least, 1e-9)
		sum += d * d
		f.worst = max(f.worst, d)
	}
	f.rms = math.Sqrt(sum / float64(len(used)))
	fill(&cam)
	var normal, inv mat.Dense
	normal.Mul(jac.T(), jac)
	if err := inv.Inverse(&normal); err != nil {
		if _, poor := errors.AsType[mat.Condition](err); !poor {
			return fit{}, errDegenerate
		}
	}
	s2 := sumSq(best) / float64(n-params)
	f.cov = mat.NewSymDense(params, nil)
	for i := range params {
		for j := i; j < params; j++ {
			f.cov.SetSym(i, j, s2*inv.At(i, j)*unit[i]*unit[j])
		}
	}
	return f, nil
}

func sumSq(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x * x
	}
	return s
}

// scaleSD returns the standard uncertainty of the local scale at a card
// position, as a share of it, from the fit alone.
func (f *fit) scaleSD(q Point) float64 {
	g := make([]float64, f.cov.SymmetricDim())
	for j := range g {
		h := math.Sqrt(f.cov.At(j, j)) / 4
		if h == 0 {
			continue
		}
		a, b := f.cam, f.cam
		*a.at(j) += h
		*b.at(j) -= h
		g[j] = (a.logScale(q) - b.logScale(q)) / (2 * h)
	}
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * g[j] * f.cov.At(i, j)
		}
	}
	return math.Sqrt(max(0, v))
}

// A Pose is where the camera stands over the card.
type Pose struct {
	Foot    Point   // point of the card plane straight below the lens, mm
	Height  float64 // of the lens above the card plane, mm
	Tilt    float64 // of the optical axis against the card's normal, rad
	Focal   float64 // focal length over the picture's long side
	FocalSD float64 // standard uncertainty of its logarithm; that of Height is about the same
	// Stretch is by how much more the card is as high as wide than designed, as
	// a share, as far as the view tells, and StretchSD its standard uncertainty.
	// A print can be stretched; so can the picture itself, and one that was
	// cropped looks it.
	Stretch, StretchSD float64
}

// usualFocal is the focal length of phone main cameras over the long side of
// the picture: 26 mm on the 34.6 mm of a 4:3 picture with the diagonal of
// 36 × 24 mm film (common practice, no source), and its spread as the standard
// deviation of the logarithm, which takes in zooms of 1.5.
const (
	usualFocal   = 0.75
	usualFocalSD = 0.3
)

// centreSD is how far the lens's axis may lie from the middle of the picture,
// over its long side: our own choice.
const centreSD = 0.015

// stretch works out Pose.Stretch. Given the focal length, the columns of K⁻¹·H
// belonging to x and y tell it as the ratio of their lengths. Their square
// angle and usualFocal tell the focal length.
func (f *fit) stretch(w, h int, marks [4]Point) (value, sd float64) {
	long := float64(max(w, h))
	at := func(c Point) (mean, variance float64) {
		const n, ratio = 120, 1.03
		// A homography from marks known to 0.1 % or so.
		const angleSD = 0.002
		var p, v [2*n + 1]float64
		best := math.Inf(1)
		for i := range p {
			x := math.Log(ratio) * float64(i-n)
			focal := long * usualFocal * math.Exp(x)
			var col [2][3]float64
			for j := range col {
				x, y, z := f.cam.H[j], f.cam.H[3+j], f.cam.H[6+j]
				col[j] = [3]float64{(x - c.X*z) / focal, (y - c.Y*z) / focal, z}
			}
			a, b := norm(col[0]), norm(col[1])
			v[i] = math.Log(b / a)
			p[i] = sq(dot(col[0], col[1])/(a*b)/angleSD) + sq(x/usualFocalSD)
			best = min(best, p[i])
		}
		var sum, second float64
		for i := range p {
			p[i] = math.Exp((best - p[i]) / 2)
			sum, mean = sum+p[i], mean+p[i]*v[i]
		}
		mean /= sum
		for i := range p {
			second += p[i] * sq(v[i]-mean)
		}
		return mean, second / sum
	}
	c := f.cam.C
	value, variance := at(c)
	for _, d := range [2]Point{{X: centreSD * long}, {Y: centreSD * long}} {
		moved, _ := at(Point{X: c.X + d.X, Y: c.Y + d.Y})
		variance += sq(moved - value)
	}
	// Places known to 0.05 mm.
	variance += 2 * (sq(0.05/(marks[1].X-marks[0].X)) + sq(0.05/(marks[3].Y-marks[0].Y)))
	return value, math.Sqrt(variance)
}

// pose takes the homography apart: K⁻¹·H = s·[r1 r2 t] with r1, r2 orthogonal
// unit vectors (Zhang 2000, A flexible new technique for camera calibration).
// The focal length comes from that condition as far as the tilt shows it, and
// from usualFocal where it does not.
func (f *fit) pose(w, h int) Pose {
	long := float64(max(w, h))
	cam := &f.cam
	// With the principal point in the middle of the picture, columns of H are
	// (a, b, c) with a, b in px.
	col := func(j int, focal float64) [3]float64 {
		x, y, z := cam.H[j], cam.H[3+j], cam.H[6+j]
		return [3]float64{(x - cam.C.X*z) / focal, (y - cam.C.Y*z) / focal, z}
	}
	cost := func(focal float64) float64 {
		a, b := col(0, focal), col(1, focal)
		na, nb := norm(a), norm(b)
		square := dot(a, b) / (na * nb)
		equal := math.Log(na / nb)
		// A homography from marks known to 0.1 % or so.
		const sd = 0.002
		return (sq(square)+sq(equal))/sq(sd) + sq(math.Log(focal/long/usualFocal)/usualFocalSD)
	}
	var grid [241]float64
	const ratio = 1.015
	best, at := math.Inf(1), usualFocal*long
	for i := range grid {
		focal := long * usualFocal * math.Pow(ratio, float64(i-len(grid)/2))
		grid[i] = cost(focal)
		if grid[i] < best {
			best, at = grid[i], focal
		}
	}
	var sum, first, second float64 // moments of the likelihood
	for i, c := range grid {
		p, x := math.Exp((best-c)/2), math.Log(ratio)*float64(i)
		sum, first, second = sum+p, first+p*x, second+p*x*x
	}
	a, b, t := col(0, at), col(1, at), col(2, at)
	s := math.Sqrt(norm(a) * norm(b))
	// Make a and b orthogonal, sharing out what is wrong.
	n := cross(a, b)
	k := norm(n)
	for i := range n {
		n[i] /= k // unit normal of the card, away from the lens where z > 0
		t[i] /= s
	}
	if n[2] < 0 {
		for i := range n {
			n[i] = -n[i]
		}
	}
	p := Pose{Focal: at / long, FocalSD: math.Sqrt(max(0, second/sum-sq(first/sum))), Height: dot(n, t)}
	p.Tilt = math.Acos(min(1, math.Abs(n[2])))
	// Foot: the plane point Q with X·a/s + Y·b/s + t = Height·n.
	d := [3]float64{p.Height*n[0] - t[0], p.Height*n[1] - t[1], p.Height*n[2] - t[2]}
	aa, ab, bb := dot(a, a)/(s*s), dot(a, b)/(s*s), dot(b, b)/(s*s)
	da, db := dot(d, a)/s, dot(d, b)/s
	det := aa*bb - ab*ab
	p.Foot = Point{X: (da*bb - db*ab) / det, Y: (db*aa - da*ab) / det}
	return p
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func norm(a [3]float64) float64   { return math.Sqrt(dot(a, a)) }
func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// Lean returns the lateral part of the view at a card position: the way along
// the card, per mm of height, by which something above the card is seen
// displaced, away from the foot. Its length is the tangent of the obliqueness.
func (p *Pose) Lean(q Point) (x, y float64) {
	return (q.X - p.Foot.X) / p.Height, (q.Y - p.Foot.Y) / p.Height
}
