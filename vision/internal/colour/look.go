package colour

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

// Everything here works on three numbers of a colour that change with light
// in a simple way. Under 1/s of the light, L*+16, a* and b* all shrink by the
// cube root of s (above the dark end of the CIELAB function), so that
// a*/(L*+16) and b*/(L*+16) stay: they are the colour without its lightness.

// offset is the 16 of L* = 116·f(Y) - 16.
const offset = 16

// A Look is what the sample's own usual kernel looks like, and the light in
// which the picture shows it. It is the yardstick for every kernel.
type Look struct {
	kernel.Look     // as it travels with a tray, without sizes; a Ground of zero: not known
	Usual       Lab // its Lab
	light       light
	shade       shade
}

// Enough is the number of pieces from which on a sample is its own yardstick.
const Enough = 12

// near is how far, in a* and b* at the usual lightness, a kernel may lie from
// the fullest place and still take part in the yardstick.
const near = 6

// NewLook finds the usual kernel among patches: the fullest place in a* and
// b*, there a smooth surface of lightness over the tray that outliers do not
// move, and how kernels darken towards their flanks. weight tells how much
// each patch counts, 0 leaves it out. w and h are the size of the picture.
// ok is false where fewer than Enough patches are alike.
func NewLook(ps []Patch, weight []float64, w, h int) (k *Look, ok bool) {
	var use []int
	for i := range ps {
		if weight[i] > 0 && len(ps[i].Cells) > 0 {
			use = append(use, i)
		}
	}
	if len(use) < Enough {
		return nil, false
	}
	those := func(of []int, is func(i int) bool) []int {
		return slices.DeleteFunc(slices.Clone(of), func(i int) bool { return !is(i) })
	}
	mid := func(i int) float64 { return ps[i].Mid.L + offset }
	level := middle(use, mid)
	a := func(i int) float64 { return ps[i].Mid.A / mid(i) * level }
	b := func(i int) float64 { return ps[i].Mid.B / mid(i) * level }
	ua, ub := fullest(use, a, b)
	alike := those(use, func(i int) bool { return math.Hypot(a(i)-ua, b(i)-ub) < near })
	if len(alike) < Enough {
		return nil, false
	}
	k = &Look{light: fitLight(ps, alike, w, h)}
	// Those in the bulk of lightness too are the usual ones.
	off := func(i int) float64 { return math.Abs(mid(i) - k.light.at(ps[i].X, ps[i].Y)) }
	k.SpreadL = math.Max(leastSpreadL, 1.4826*middle(alike, off))
	usual := those(alike, func(i int) bool { return off(i) < 2.5*k.SpreadL })
	if len(usual) < Enough {
		return nil, false
	}
	k.Kernels = len(usual)
	k.light.mean = 0
	for _, i := range usual {
		k.light.mean += k.light.at(ps[i].X, ps[i].Y) / float64(k.Kernels)
	}
	k.Usual = Lab{k.light.mean - offset,
		middle(usual, func(i int) float64 { return ps[i].Mid.A / mid(i) * k.light.mean }),
		middle(usual, func(i int) float64 { return ps[i].Mid.B / mid(i) * k.light.mean })}
	k.Lab = k.Usual.Array()
	k.SpreadB = math.Max(leastSpreadB, 1.4826*middle(usual, func(i int) float64 {
		return math.Abs(ps[i].Mid.B/mid(i)*k.light.mean - k.Usual.B)
	}))
	k.fitShade(ps, usual)
	k.NoiseL, k.NoiseA = k.noise(ps, usual)
	return k, true
}

// Like returns a Look for a picture taken in the same light as the one that
// measured the usual kernel m.
func Like(m kernel.Look) *Look {
	k := &Look{Look: m, Usual: labOf(m.Lab)}
	k.SpreadL, k.SpreadB = math.Max(leastSpreadL, m.SpreadL), math.Max(leastSpreadB, m.SpreadB)
	k.light = light{mean: k.Usual.L + offset, coef: []float64{k.Usual.L + offset}}
	for i, v := range m.Shade {
		if v <= 0 { // not known: none
			k.Shade[i], k.Uneven[i] = 1, [3]float32{}
		}
	}
	k.shade.fill(&k.Shade)
	return k
}

// clear reports whether a difference from the usual kernel in L*, a* and b* is
// what shines through from a blue or green ground where a kernel is clear: part
// of the way to the ground's colour, and little beside it. On a grey or brown
// ground nothing tells a clear place from a dark one but how dark it is.
func (k *Look) clear(l, a, b float32) bool {
	g := labOf(k.Ground)
	if g.Chroma() < groundChroma || g.A >= 0 && g.B >= 0 {
		return false
	}
	gl, ga, gb := float32(g.L-k.Usual.L), float32(g.A-k.Usual.A), float32(g.B-k.Usual.B)
	way := (l*gl + a*ga + b*gb) / (gl*gl + ga*ga + gb*gb)
	l, a, b = l-way*gl, a-way*ga, b-way*gb
	beside := math.Sqrt(float64(l*l + a*a + b*b))
	return way > 0.05 && beside < groundBeside*float64(way)*math.Sqrt(float64(gl*gl+ga*ga+gb*gb))
}

// A ground is coloured from groundChroma on. groundBeside is the
// tangent of the angle within which a colour lies on the way to it: 40°. Our own
// choice.
const groundChroma, groundBeside = 20, 0.84

// Spreads are not taken for less than this: a few kernels may be alike by
// chance.
const (
	leastSpreadL = 0.5
	leastSpreadB = 0.3
)

// middle returns the median of f over the indices.
func middle(of []int, f func(int) float64) float64 {
	v := make([]float64, len(of))
	for j, i := range of {
		v[j] = f(i)
	}
	return pixel.Median(v)
}

// fullest returns the mode of the points (a, b): from the point with the most
// neighbours within 2.5 the mean is followed until it rests. Of more than 200
// points every second, third … is tried.
func fullest(of []int, a, b func(int) float64) (float64, float64) {
	const reach = 2.5 * 2.5
	x, y := make([]float64, len(of)), make([]float64, len(of))
	for j, i := range of {
		x[j], y[j] = a(i), b(i)
	}
	best, bx, by := -1, 0.0, 0.0
	stride := 1 + len(of)/200
	for j := 0; j < len(x); j += stride {
		n := 0
		for i := 0; i < len(x); i += stride {
			if dx, dy := x[i]-x[j], y[i]-y[j]; dx*dx+dy*dy < reach {
				n++
			}
		}
		if n > best {
			best, bx, by = n, x[j], y[j]
		}
	}
	for range 10 {
		n, sx, sy := 0.0, 0.0, 0.0
		for i := range x {
			if dx, dy := x[i]-bx, y[i]-by; dx*dx+dy*dy < reach {
				n, sx, sy = n+1, sx+x[i], sy+y[i]
			}
		}
		if math.Hypot(sx/n-bx, sy/n-by) < 0.01 {
			break
		}
		bx, by = sx/n, sy/n
	}
	return bx, by
}

// A light is L*+16 of the usual kernel as a smooth surface over the tray: a
// polynomial in the place, of degree 0, 1, 2 or 4 by the number of kernels.
type light struct {
	cx, cy, scale float64
	coef          []float64
	mean          float64 // over the usual kernels
}

// terms returns the powers of the place that n coefficients belong to.
func (l *light) terms(x, y float64, n int) [15]float64 {
	u, v := (x-l.cx)*l.scale, (y-l.cy)*l.scale
	t := [15]float64{1, u, v, u * u, u * v, v * v}
	if n > 6 {
		copy(t[6:], []float64{u * u * u, u * u * v, u * v * v, v * v * v,
			u * u * u * u, u * u * u * v, u * u * v * v, u * v * v * v, v * v * v * v})
	}
	return t
}

func (l *light) at(x, y float64) float64 {
	if len(l.coef) == 1 {
		return l.coef[0]
	}
	t := l.terms(x, y, len(l.coef))
	s := 0.0
	for i, c := range l.coef {
		s += c * t[i]
	}
	return math.Max(s, 0.1*l.coef[0])
}

// fitLight fits the surface by least squares with Tukey's biweight, which
// gives no say to kernels far off (chalky, dark), started from the median.
func fitLight(ps []Patch, of []int, w, h int) light {
	l := light{cx: float64(w) / 2, cy: float64(h) / 2, scale: 2 / float64(max(w, h, 1))}
	mid := func(i int) float64 { return ps[i].Mid.L + offset }
	l.coef = []float64{middle(of, mid)}
	// A coarse surface first: the fine one must not bend to a heap of
	// outliers that a start from the median does not yet know as such. A finer
	// one stays only where it is clearly nearer to the kernels.
	spread := func(l *light) float64 {
		return 1.4826 * middle(of, func(i int) float64 { return math.Abs(mid(i) - l.at(ps[i].X, ps[i].Y)) })
	}
	best := spread(&l)
	finer := l
	for _, step := range [...]struct{ terms, kernels int }{{3, 20}, {6, 40}, {15, 150}} {
		if len(of) < step.kernels {
			break
		}
		m := step.terms
		for range 4 {
			cut := 4.685 * math.Max(0.3, spread(&finer))
			ata, aty := mat.NewDense(m, m, nil), mat.NewVecDense(m, nil)
			for _, i := range of {
				y := mid(i)
				r := (y - finer.at(ps[i].X, ps[i].Y)) / cut
				if math.Abs(r) >= 1 {
					continue
				}
				wt := (1 - r*r) * (1 - r*r)
				t := l.terms(ps[i].X, ps[i].Y, m)
				v := mat.NewVecDense(m, t[:m])
				ata.RankOne(ata, wt, v, v)
				for a := range m {
					aty.SetVec(a, aty.AtVec(a)+wt*t[a]*y)
				}
			}
			ridge := 1e-9 * ata.At(0, 0)
			for a := range m {
				ata.Set(a, a, ata.At(a, a)+ridge)
			}
			var c mat.VecDense
			if c.SolveVec(ata, aty) != nil {
				return l
			}
			finer.coef = c.RawVector().Data
		}
		if s := spread(&finer); s < clearlyNearer*best {
			l, best = finer, s
		}
	}
	return l
}

// clearlyNearer is the share of the kernels' scatter to which a finer surface
// must bring it down: nine more coefficients on 200 kernels take 0.98 by chance.
const clearlyNearer = 0.93

// A usual kernel is cut in shadeRims steps from the flank (0) to the ridge (1),
// in half widths, and in shadeEnds from its middle to a tip.
const (
	shadeRims = 8
	shadeEnds = 4
)

// A shade is kernel.Look's with what a lamp at one side does: gx and gy say how
// much brighter a flank is that looks along +x or +y.
type shade struct {
	gx, gy float64
	table  [shadeEnds][shadeSteps + 1]float32 // Look.Shade, interpolated
}

// shadeSteps is the fineness of the table.
const shadeSteps = 64

// fill makes the table.
func (s *shade) fill(shade *[shadeEnds * shadeRims]float64) {
	for e := range s.table {
		at := shade[e*shadeRims:][:shadeRims]
		for i := range s.table[e] {
			x := float64(i)/shadeSteps*shadeRims - 0.5
			k := min(max(int(x), 0), shadeRims-2)
			s.table[e][i] = float32(at[k] + (at[k+1]-at[k])*min(max(x-float64(k), 0), 1))
		}
	}
}

// end returns the step of a cell towards its tip: the last sixth, the one
// before it, the third before that, and the middle.
func end(c *Cell) int {
	switch a := max(c.Along, -c.Along); {
	case a < 0.5:
		return 0
	case a < 0.7:
		return 1
	case a < 0.85:
		return 2
	}
	return 3
}

// place returns the step of a cell among all.
func place(c *Cell) int {
	return end(c)*shadeRims + min(int(c.Rim*shadeRims), shadeRims-1)
}

// side returns how much brighter the flank of a patch is towards Side = 1.
func (s *shade) side(p *Patch) float32 {
	sin, cos := math.Sincos(p.Angle)
	return float32(-sin*s.gx + cos*s.gy)
}

// of returns the shading at a cell of a patch whose side is given.
func (s *shade) of(c *Cell, side float32) float32 {
	v := s.table[end(c)][int(c.Rim*shadeSteps+0.5)] + c.Side*side
	if v < 0.2 {
		return 0.2
	}
	return v
}

// fitShade takes the shading from up to 100 usual kernels.
func (k *Look) fitShade(ps []Patch, usual []int) {
	s := &k.shade
	stride := 1 + len(usual)/100
	var per [len(k.Shade)][]float64
	for j := 0; j < len(usual); j += stride {
		p := &ps[usual[j]]
		var sum, n [len(k.Shade)]float64
		m := p.Mid.L + offset
		for i := range p.Cells {
			c := &p.Cells[i]
			b := place(c)
			sum[b] += (float64(c.L) + offset) / m
			n[b]++
		}
		for b := range per {
			if n[b] >= 2 {
				per[b] = append(per[b], sum[b]/n[b])
			}
		}
	}
	for b := len(k.Shade) - 1; b >= 0; b-- {
		switch {
		case len(per[b]) >= 5:
			k.Shade[b] = pixel.Median(per[b])
		case b%shadeRims < shadeRims-1:
			k.Shade[b] = k.Shade[b+1]
		default:
			k.Shade[b] = 1
		}
	}
	for b := shadeRims; b < len(k.Shade); b++ { // a tip has no ridge: as the step before it
		if len(per[b]) < 5 && len(per[b-shadeRims]) >= 5 {
			k.Shade[b] = k.Shade[b-shadeRims]
		}
	}
	s.fill(&k.Shade)
	// The sideways part: least squares of what is left on the direction in
	// which the surface leans.
	var xx, xy, yy, xq, yq float64
	each := func(stride int, f func(p *Patch, c *Cell, left float64)) {
		for j := 0; j < len(usual); j += stride {
			p := &ps[usual[j]]
			side := s.side(p)
			for i := range p.Cells {
				c := &p.Cells[i]
				f(p, c, (float64(c.L)+offset)/(p.Mid.L+offset)-float64(s.of(c, side)))
			}
		}
	}
	each(stride, func(p *Patch, c *Cell, q float64) {
		if math.Abs(q) > 0.15 {
			return
		}
		sin, cos := math.Sincos(p.Angle)
		x, y := -sin*float64(c.Side), cos*float64(c.Side) // towards Side = 1
		xx, xy, yy, xq, yq = xx+x*x, xy+x*y, yy+y*y, xq+x*q, yq+y*q
	})
	if det := xx*yy - xy*xy; det > 1e-6*xx*yy {
		s.gx, s.gy = (xq*yy-yq*xy)/det, (yq*xx-xq*xy)/det
	}
	// What is left after it, from the upper quartile, which a few marks do not
	// move: 1.15 standard deviations of a bell.
	var left [len(k.Shade)][3][]float32
	each(1+len(usual)/40, func(p *Patch, c *Cell, q float64) {
		level := float32((p.Mid.L + offset) / (float64(c.L) + offset))
		at := &left[place(c)]
		for i, v := range [3]float32{float32(q * (p.Mid.L + offset)), c.A*level - float32(p.Mid.A), c.B*level - float32(p.Mid.B)} {
			at[i] = append(at[i], max(v, -v))
		}
	})
	for b := range left {
		for i, v := range left[b] {
			if len(v) >= 20 {
				slices.Sort(v)
				k.Uneven[b][i] = v[3*len(v)/4] / 1.15
			}
		}
	}
}

// noise takes the middle scatter of L* and of a* over the surface of up to 50
// usual kernels.
func (k *Look) noise(ps []Patch, usual []int) (l, a float64) {
	var ls, as []float64
	for j := 0; j < len(usual); j += 1 + len(usual)/50 {
		p := &ps[usual[j]]
		side := k.shade.side(p)
		var light, hue []float64
		for i := range p.Cells {
			c := &p.Cells[i]
			light, hue = append(light, float64((c.L+offset)/k.shade.of(c, side))), append(hue, float64(c.A))
		}
		ls, as = append(ls, scatter(light)), append(as, scatter(hue))
	}
	return pixel.Median(ls), pixel.Median(as)
}

// scatter returns the standard deviation of some values.
func scatter(v []float64) float64 {
	var sum, squares float64
	for _, x := range v {
		sum, squares = sum+x, squares+x*x
	}
	n := float64(len(v))
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}
