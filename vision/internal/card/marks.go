package card

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// An affine takes mm from a mark's centre to pixels.
type affine struct {
	c              Point
	xx, xy, yx, yy float64 // [xx xy; yx yy]·mm
}

func (a *affine) to(x, y float64) Point {
	return Point{X: a.c.X + a.xx*x + a.xy*y, Y: a.c.Y + a.yx*x + a.yy*y}
}

// polar is to for a place given by distance in mm and direction.
func (a *affine) polar(r, phi float64) Point {
	s, c := math.Sincos(phi)
	return a.to(r*c, r*s)
}

// scale returns px/mm, the geometric mean of both directions.
func (a *affine) scale() float64 { return math.Sqrt(math.Abs(a.xx*a.yy - a.xy*a.yx)) }

// A mark is a coded mark found in a picture.
type mark struct {
	at             affine
	layout, corner int
	mirror         bool
}

// What a disc and the white round it must look like in the shrunk picture.
const (
	minDiscPixels = 24  // area of the disc
	minFill       = 0.8 // area over that of the ellipse of the same moments
	maxFill       = 1.12
	minAxes       = 0.45 // short over long axis: cos 63°
	maxOff        = 0.2  // centres apart, in radii of the white
)

// candidates returns where, in the shrunk picture, a disc lies in white within
// black with the proportions of a mark.
func candidates(s *small, bs []blob) []affine {
	const share = (DiscR * DiscR) / (RingInR * RingInR) // 0.42
	var out []affine
	for i := range bs {
		d := &bs[i]
		if !d.black || d.A < minDiscPixels || d.parent < 0 {
			continue
		}
		w := bs[d.parent]
		if w.black || w.parent < 0 || w.children != 1 {
			continue
		}
		r := bs[w.parent]
		both := w.Add(d.Moments)
		// The ring has 0.83 of the area within it, more where blur joins it to
		// the code, and lies in white: on a dark tray a kernel with a dark spot
		// is no mark.
		if q := d.A / both.A; q < 0.45*share || q > 1.6*share || r.A < 0.3*both.A || r.A > 3*both.A || r.parent < 0 {
			continue
		}
		df, da := roundness(d.Moments)
		bf, ba := roundness(both)
		if df < minFill || df > maxFill || bf < minFill || bf > maxFill || da < minAxes || ba < minAxes {
			continue
		}
		c := both.Centroid()
		far := maxOff * math.Sqrt(both.A/math.Pi)
		if d.Centroid().Dist(c) > far || both.Add(r.Moments).Centroid().Dist(c) > 2*far {
			continue
		}
		// An ellipse has half axes of twice the deviations along them.
		major, minor, angle := both.Axes()
		k := 2 / RingInR * float64(s.step)
		sin, cos := math.Sincos(angle)
		a := affine{c: s.full(d.Centroid()), xx: k * major * cos, xy: -k * minor * sin, yx: k * major * sin, yy: k * minor * cos}
		a.turn(-angle)
		out = append(out, a)
	}
	return out
}

func sq(x float64) float64 { return x * x }

// refine moves the affine onto the edge of the disc of radius r mm, with white
// to at least 1.42·r. It reports false where there is no such disc.
func (p Pixels) refine(a *affine, r float64) bool {
	const rays = 48
	for round := range 4 {
		var phi, rho []float64
		for i := range rays {
			t := 2 * math.Pi * float64(i) / rays
			e, ok := p.edge(a, r, t)
			if ok {
				phi, rho = append(phi, t), append(rho, e)
			}
		}
		if len(rho) < rays*3/4 {
			return false
		}
		// Edge seen from the centre in units of r: 1 + offset + stretch.
		fit, dev := harmonics(phi, rho)
		var keepPhi, keepRho []float64
		lim := max(0.02, 3*dev)
		for i, t := range phi {
			if math.Abs(rho[i]-harmonic(fit, t)) <= lim {
				keepPhi, keepRho = append(keepPhi, t), append(keepRho, rho[i])
			}
		}
		if len(keepRho) < rays*2/3 {
			return false
		}
		fit, _ = harmonics(keepPhi, keepRho)
		if math.Abs(fit[0]-1) > 0.35 || math.Hypot(fit[1], fit[2]) > 0.35 || math.Hypot(fit[3], fit[4]) > 0.35 {
			return false
		}
		a.c = a.to(r*fit[1], r*fit[2])
		// The even part is a symmetric stretch: 1 + [e g; g -e].
		m := [4]float64{fit[0] + fit[3], fit[4], fit[4], fit[0] - fit[3]}
		a.xx, a.xy, a.yx, a.yy = a.xx*m[0]+a.xy*m[2], a.xx*m[1]+a.xy*m[3], a.yx*m[0]+a.yy*m[2], a.yx*m[1]+a.yy*m[3]
		if round > 0 && math.Hypot(fit[1], fit[2])*r*a.scale() < 0.002 {
			break
		}
	}
	return true
}

// edge returns the distance, in units of r, at which the brightness along a
// ray passes half way from the disc's black to the white outside.
func (p Pixels) edge(a *affine, r, phi float64) (float64, bool) {
	const from, to, n = 0.4, 1.42, 51
	v := p.along(a.c, a.polar(r, phi).Sub(a.c), from, (to-from)/n, n+1)
	if len(v) <= n {
		return 0, false
	}
	inner, outer := stat.Mean(v[:10], nil), stat.Mean(v[n-9:], nil)
	at, ok := crossing(v, inner, outer)
	return from + (to-from)/n*at, ok && outer-inner >= flat
}

func harmonic(f [5]float64, t float64) float64 {
	s, c := math.Sincos(t)
	return f[0] + f[1]*c + f[2]*s + f[3]*(c*c-s*s) + f[4]*2*s*c
}

// harmonics fits 1, cos, sin, cos 2, sin 2 of phi to rho and returns the
// residual standard deviation too.
func harmonics(phi, rho []float64) (f [5]float64, sd float64) {
	m, v := mat.NewDense(5, 5, nil), mat.NewVecDense(5, nil)
	for i, t := range phi {
		s, c := math.Sincos(t)
		b := mat.NewVecDense(5, []float64{1, c, s, c*c - s*s, 2 * s * c})
		m.RankOne(m, 1, b, b)
		v.AddScaledVec(v, rho[i], b)
	}
	if err := v.SolveVec(m, v); err != nil {
		return f, math.Inf(1)
	}
	copy(f[:], v.RawVector().Data)
	e := 0.0
	for i, t := range phi {
		e += sq(rho[i] - harmonic(f, t))
	}
	return f, math.Sqrt(e / float64(max(1, len(rho)-5)))
}

// Reading of the code ring.
const (
	perSector = 12 // directions sampled per sector
	margin    = 0.12
)

// read reads the code ring of a mark. ok is false where there is none that can
// be read.
func (p Pixels) read(a *affine) (word uint32, phase int, ok bool) {
	const n = Sectors * perSector
	var v, white, black [n]float64
	for i := range n {
		phi := 2 * math.Pi * (float64(i) + 0.5) / n
		at := func(r float64) float64 {
			q := a.polar(r, phi)
			l, in := p.at(q.X, q.Y)
			ok = ok && in
			return l
		}
		ok = true
		v[i] = (at(7.4) + at(7.95) + at(8.5)) / 3
		white[i], black[i] = (at((DiscR+RingInR)/2)+at((RingOutR+CodeInR)/2))/2, at((RingInR+RingOutR)/2)
		if !ok {
			return 0, 0, false
		}
	}
	w, b := stat.Mean(white[:], nil), stat.Mean(black[:], nil)
	if w-b < flat {
		return 0, 0, false
	}
	// Black as a share of full contrast; the light may fall off over the mark.
	var ink [n]float64
	for i := range n {
		const near = n / 8
		lw, lb := 0.0, 0.0
		for k := -near; k <= near; k++ {
			j := (i + k + n) % n
			lw, lb = lw+white[j], lb+black[j]
		}
		ink[i] = (lw/(2*near+1) - v[i]) / max(1, (lw-lb)/(2*near+1))
	}
	best := -1.0
	for ph := range perSector {
		var bits uint32
		low := 1.0
		for s := range Sectors {
			sum := 0.0
			for k := perSector / 4; k < perSector*3/4; k++ {
				sum += ink[(s*perSector+ph+k)%n]
			}
			sum /= perSector / 2
			bits <<= 1
			if sum > 0.5 {
				bits |= 1
			}
			low = min(low, math.Abs(sum-0.5))
		}
		if low > best {
			best, word, phase = low, bits, ph
		}
	}
	return word, phase, best >= margin
}

// find returns the marks in the picture that can be read, and those that look
// like one but cannot.
func (p Pixels) find(ctx context.Context, side int) (good, bad []mark, err error) {
	s, err := shrink(ctx, p, side)
	if err != nil {
		return nil, nil, err
	}
	dark, err := s.dark(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, a := range candidates(s, blobs(dark, s.w, s.h)) {
		m := mark{at: a}
		if !p.refine(&m.at, DiscR) {
			continue
		}
		word, phase, ok := p.read(&m.at)
		var turn int
		if ok {
			m.layout, m.corner, turn, m.mirror, ok = lookUp(word)
		}
		if !ok {
			bad = append(bad, m)
			continue
		}
		// Sector 0 of the code lies at this direction of the affine.
		phi := SectorAngle(turn) + 2*math.Pi*float64(phase)/(Sectors*perSector)
		m.at.turn(phi)
		good = append(good, m)
	}
	slices.SortFunc(good, func(a, b mark) int { return a.layout*4 + a.corner - b.layout*4 - b.corner })
	return good, bad, ctx.Err()
}

// turn makes direction phi of the affine its new x axis.
func (a *affine) turn(phi float64) {
	s, c := math.Sincos(phi)
	a.xx, a.xy, a.yx, a.yy = a.xx*c+a.xy*s, a.xy*c-a.xx*s, a.yx*c+a.yy*s, a.yy*c-a.yx*s
}
