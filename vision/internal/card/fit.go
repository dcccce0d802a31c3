package card

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
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

// long is the long side of the picture, px.
func (m *Camera) long() float64 { return 2*max(m.C.X, m.C.Y) + 1 }

// shows reports whether a place lies in the picture.
func (m *Camera) shows(d Point) bool {
	return d.X >= 0 && d.Y >= 0 && d.X <= 2*m.C.X && d.Y <= 2*m.C.Y
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

// local returns the change of the picture position, px, with small ways on the
// card about q, mm.
func (m *Camera) local(q Point) affine {
	const h = 0.05
	x := m.ToPicture(Point{X: q.X + h, Y: q.Y}).Sub(m.ToPicture(Point{X: q.X - h, Y: q.Y}))
	y := m.ToPicture(Point{X: q.X, Y: q.Y + h}).Sub(m.ToPicture(Point{X: q.X, Y: q.Y - h}))
	return affine{m.ToPicture(q), x.X / (2 * h), y.X / (2 * h), x.Y / (2 * h), y.Y / (2 * h)}
}

// PerMM returns the px/mm at a card position along x and along y of the
// picture, as a scanner steps.
func (m *Camera) PerMM(q Point) (x, y float64) {
	a := m.local(q)
	det := math.Abs(a.xx*a.yy - a.xy*a.yx)
	return det / math.Hypot(a.yy, a.yx), det / math.Hypot(a.xx, a.xy)
}

// Scales returns the greatest and the least px/mm at a card position over all
// directions.
func (m *Camera) Scales(q Point) (greatest, least float64) {
	a := m.local(q)
	s := math.Hypot(a.xx+a.yy, a.yx-a.xy)
	d := math.Hypot(a.xx-a.yy, a.xy+a.yx)
	return (s + d) / 2, math.Abs(s-d) / 2
}

// logScale returns the logarithm of the local px/mm, the geometric mean of both
// directions.
func (m *Camera) logScale(q Point) float64 {
	a := m.local(q)
	return math.Log(a.scale())
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

// homography returns the one that takes four places, no three in a line, to
// four others.
func homography(from, to [4]Point) (h [9]float64, err error) {
	a, b := mat.NewDense(8, 8, nil), mat.NewVecDense(8, nil)
	for i, p := range from {
		q := to[i]
		a.SetRow(2*i, []float64{p.X, p.Y, 1, 0, 0, 0, -q.X * p.X, -q.X * p.Y})
		a.SetRow(2*i+1, []float64{0, 0, 0, p.X, p.Y, 1, -q.Y * p.X, -q.Y * p.Y})
		b.SetVec(2*i, q.X)
		b.SetVec(2*i+1, q.Y)
	}
	if err := b.SolveVec(a, b); err != nil {
		return h, errDegenerate
	}
	copy(h[:], b.RawVector().Data)
	h[8] = 1
	return h, nil
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
	Camera   Camera
	Residual float64   // root mean square of the distance of used sightings, mm
	Worst    float64   // greatest of it, mm
	used     int       // sightings
	unit     []float64 // steps of the parameters that change the picture about alike
	// cov is the covariance of the parameters in units, from the scatter of the
	// residuals.
	cov *mat.Dense
}

// The parameters of a camera are H[0..7], K and K2.
const (
	noTerm   = 8
	oneTerm  = 9  // fitted without K2
	twoTerms = 10 // with it
)

// moved returns the camera with its parameters changed by so many units each.
func (f *fit) moved(by []float64) *Camera {
	m := f.Camera
	for i, u := range f.unit {
		switch d := u * by[i]; i {
		case 8:
			m.K += d
		case 9:
			m.K2 += d
		default:
			m.H[i] += d
		}
	}
	return &m
}

// adjust fits that many parameters of the camera to all sightings that are not
// out, by Gauss-Newton on the picture distances (bundle adjustment of one
// view). The camera must be near already.
func adjust(cam Camera, s []sighting, params int) (fit, error) {
	used := slices.DeleteFunc(slices.Clone(s), func(v sighting) bool { return v.out })
	if 2*len(used) < params+3 {
		return fit{}, errDegenerate
	}
	slope := 1e-5 * max(1, math.Abs(cam.H[0])+math.Abs(cam.H[3]))
	units := []float64{slope, slope, 1e-2, slope, slope, 1e-2, 1e-7, 1e-7, 1e-5, 1e-5}
	f := fit{Camera: cam, unit: units[:params], used: len(used)}
	n := 2 * len(used)
	off := func(left, by []float64) { // of the places seen, by the camera so moved
		m := f.moved(by)
		for i, v := range used {
			d := v.px.Sub(m.seen(v.mm, v.r))
			left[2*i], left[2*i+1] = d.X, d.Y
		}
	}
	jac := mat.NewDense(n, params, nil)
	still := make([]float64, params)
	slopes := func() {
		fd.Jacobian(jac, off, still, &fd.JacobianSettings{Formula: fd.Central, Step: 1})
	}
	best, next := make([]float64, n), make([]float64, n)
	off(best, still)
	for range 30 {
		slopes()
		var step mat.VecDense
		if err := step.SolveVec(jac, mat.NewVecDense(n, best)); !soluble(err) {
			return fit{}, errDegenerate
		}
		step.ScaleVec(-1, &step)
		by := step.RawVector().Data
		off(next, by)
		if !(floats.Dot(next, next) <= floats.Dot(best, best)*(1+1e-12)) {
			break
		}
		f.Camera = *f.moved(by)
		best, next = next, best
		if floats.Norm(by, math.Inf(1)) < 1e-3 {
			break
		}
	}
	sum := 0.0
	for i, v := range used {
		_, least := f.Camera.Scales(v.mm)
		d := math.Hypot(best[2*i], best[2*i+1]) / max(least, 1e-9)
		sum += d * d
		f.Worst = max(f.Worst, d)
	}
	f.Residual = math.Sqrt(sum / float64(len(used)))
	slopes()
	var normal mat.Dense
	normal.Mul(jac.T(), jac)
	f.cov = new(mat.Dense)
	if err := f.cov.Inverse(&normal); !soluble(err) {
		return fit{}, errDegenerate
	}
	f.cov.Scale(floats.Dot(best, best)/float64(n-params), f.cov)
	return f, nil
}

// soluble reports whether there is a solution, which may be a rough one.
func soluble(err error) bool {
	_, rough := errors.AsType[mat.Condition](err)
	return err == nil || rough
}

// ScaleSD returns the standard uncertainty of the local scale at a card
// position, as a share of it, from the fit alone: without the print.
func (f *fit) ScaleSD(q Point) float64 {
	scale := func(by []float64) float64 { return f.moved(by).logScale(q) }
	g := fd.Gradient(nil, scale, make([]float64, len(f.unit)), &fd.Settings{Formula: fd.Central, Step: 1})
	v := mat.NewVecDense(len(g), g)
	return math.Sqrt(max(0, mat.Inner(v, f.cov, v)))
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

// A lens is a focal length that the camera may have.
type lens struct {
	log     float64 // of it over usualFocal
	stretch float64 // logarithm of the length of a mm along the card's y over one along x
	off     float64 // sum of squares, in standard deviations, by which it does not suit
	// The columns of K⁻¹·H: ways along the card's x and y and to its corner, all
	// in one unit (Zhang 2000, A flexible new technique for camera calibration).
	x, y, corner r3.Vec
}

// lenses weighs focal lengths, best the likeliest, where the lens's axis meets
// the picture at c: with it the card's x and y are square to each other and, of
// a card that is not stretched, as long as each other. That tells it as far as
// the tilt shows it, and usualFocal where it does not.
func (m *Camera) lenses(c Point, stretched bool) (all []lens, best lens) {
	const n, ratio = 120, 1.015
	// A homography from marks known to 0.1 % or so.
	const sd = 0.002
	for i := -n; i <= n; i++ {
		l := lens{log: math.Log(ratio) * float64(i)}
		focal := m.long() * usualFocal * math.Exp(l.log)
		for j, to := range []*r3.Vec{&l.x, &l.y, &l.corner} {
			x, y, z := m.H[j], m.H[3+j], m.H[6+j]
			*to = r3.Vec{X: (x - c.X*z) / focal, Y: (y - c.Y*z) / focal, Z: z}
		}
		l.stretch = math.Log(r3.Norm(l.y) / r3.Norm(l.x))
		l.off = sq(r3.Cos(l.x, l.y)/sd) + sq(l.log/usualFocalSD)
		if !stretched {
			l.off += sq(l.stretch / sd)
		}
		if all = append(all, l); len(all) == 1 || l.off < best.off {
			best = l
		}
	}
	return all, best
}

// believed returns the mean and the variance of what of tells of lenses, the
// likeliest of which is best.
func believed(all []lens, best lens, of func(l lens) float64) (mean, variance float64) {
	var v, w []float64
	for _, l := range all {
		v, w = append(v, of(l)), append(w, math.Exp((best.off-l.off)/2))
	}
	return stat.PopMeanVariance(v, w)
}

// stretch works out Pose.Stretch: given the focal length, the lengths of the
// card's x and y tell it.
func (m *Camera) stretch(marks [4]Point) (value, sd float64) {
	at := func(x, y float64) (mean, variance float64) {
		all, best := m.lenses(Point{X: m.C.X + x*m.long(), Y: m.C.Y + y*m.long()}, true)
		return believed(all, best, func(l lens) float64 { return l.stretch })
	}
	value, variance := at(0, 0)
	right, _ := at(centreSD, 0)
	down, _ := at(0, centreSD)
	variance += sq(right-value) + sq(down-value)
	// Places known to 0.05 mm.
	variance += 2 * (sq(0.05/(marks[1].X-marks[0].X)) + sq(0.05/(marks[3].Y-marks[0].Y)))
	return value, math.Sqrt(variance)
}

// pose takes the homography apart: K⁻¹·H = s·[r1 r2 t] with r1, r2 orthogonal
// unit vectors.
func (m *Camera) pose(marks [4]Point) Pose {
	all, l := m.lenses(m.C, false)
	_, variance := believed(all, l, func(l lens) float64 { return l.log })
	s := 1 / math.Sqrt(r3.Norm(l.x)*r3.Norm(l.y)) // shares out what is wrong
	x, y, corner := r3.Scale(s, l.x), r3.Scale(s, l.y), r3.Scale(s, l.corner)
	n := r3.Unit(r3.Cross(x, y)) // normal of the card, away from the lens where z > 0
	if n.Z < 0 {
		n = r3.Scale(-1, n)
	}
	p := Pose{Focal: usualFocal * math.Exp(l.log), FocalSD: math.Sqrt(variance), Height: r3.Dot(n, corner)}
	p.Tilt = math.Acos(min(1, n.Z))
	p.Stretch, p.StretchSD = m.stretch(marks)
	// Foot: the place Q of the card with Q.X·x + Q.Y·y + corner = Height·n.
	d := r3.Sub(r3.Scale(p.Height, n), corner)
	xx, xy, yy := r3.Dot(x, x), r3.Dot(x, y), r3.Dot(y, y)
	dx, dy := r3.Dot(d, x), r3.Dot(d, y)
	det := xx*yy - xy*xy
	p.Foot = Point{X: (dx*yy - dy*xy) / det, Y: (dy*xx - dx*xy) / det}
	return p
}

// Lean returns the lateral part of the view at a card position: the way along
// the card, per mm of height, by which something above the card is seen
// displaced, away from the foot. Its length is the tangent of the obliqueness.
func (p *Pose) Lean(q Point) (x, y float64) {
	return (q.X - p.Foot.X) / p.Height, (q.Y - p.Foot.Y) / p.Height
}
