package phantom

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/lucasb-eyer/go-colorful"
)

// A colour is a reflectance in linear sRGB, 0..1.
type colour [3]float32

// lab returns the colour with the given CIELAB values (D65), pulled into what
// sRGB can show.
func lab(l, a, b float64) colour {
	r, g, bl := colorful.Lab(l/100, a/100, b/100).Clamped().LinearRgb()
	return colour{float32(r), float32(g), float32(bl)}
}

func (c colour) times(v float32) colour { return colour{c[0] * v, c[1] * v, c[2] * v} }

func (c colour) mix(o colour, t float32) colour {
	return colour{c[0] + (o[0]-c[0])*t, c[1] + (o[1]-c[1])*t, c[2] + (o[2]-c[2])*t}
}

// A paint is how a piece looks: its own colour, and what covers parts of it.
//
// Colours are choices of ours about what the literature gives only roughly:
// milled raw rice L* 65–75, a* -1–+1, b* 8–14, visibly yellow b* over 18,
// parboiled L* 55–65, b* 18–28 (common practice, no source).
type paint struct {
	base    colour
	cover   colour  // of the layer, the streaks or the spots
	covered float64 // about how much of the surface they hide, besides chalk
	chalk   colour
	soft    float64 // how much the chalk scatters away the shading at the rim, 0..1
	mottle  float64 // contrast of the grain inside
	ribs    float64 // contrast of the ridges along the kernel
	seam    float64 // darkness of the groove round the piece, of what the parameters allow
	face    float64 // brightness of cut faces
	glass   float64 // how much clearer the middle is than the flanks

	// What only a natural look has.
	natural  float64 // Params.Natural
	rim      float64 // darkening of the rim beyond that of the picture's usual kernel
	clear    float64 // how much of the ground shines through where it is thin
	furrow   float64 // darkness of the furrow
	furrowAt float64 // across, -1..1
	reach    float64 // width of a fracture's face, in faceMM
	shine    float64 // brightness of the glint
	shineAt  float64 // along, 0..1

	layers  []layer
	streaks []streak
	spots   []blot
	offset  [2]float64 // into the noise
}

// A layer covers the part of the surface where its field is above cut.
type layer struct {
	colour   colour
	chalk    bool
	field    field
	cut      float64
	softness float64
}

// A field has a value at each place of a kernel: high where a patch starts.
type field struct {
	at     float64 // of the patch, along the length, 0..1
	long   float64 // reach along, in lengths
	side   float64 // of the patch across: -1..1
	wide   float64
	patchy float64 // weight of the noise against the shape
	offset [2]float64
}

func (f *field) value(x, y, u, eta float64) float64 {
	du, de := (u-f.at)/f.long, (eta-f.side)/f.wide
	return f.patchy*(noise(x/0.55+f.offset[0], y/0.4+f.offset[1])+0.5*noise(x/0.2+f.offset[1], y/0.15+f.offset[0])) -
		(1-f.patchy)*math.Sqrt(du*du+de*de)
}

// A streak runs along a kernel.
type streak struct{ eta, from, to, half, phase float64 }

// A blot is a round spot with a soft rim.
type blot struct{ x, y, r float64 }

// lab returns the colour of the material with that share of chalk on it.
func (t *paint) lab(chalk float64) [3]float64 {
	c := t.base.mix(t.cover, float32(t.covered)).mix(t.chalk, float32(chalk))
	l, a, b := colorful.LinearRgb(float64(c[0]), float64(c[1]), float64(c[2])).Lab()
	return [3]float64{100 * l, 100 * a, 100 * b}
}

// tint draws the colours of a piece.
func (p Params) tint(k *piece) {
	r := k.look
	t := &paint{
		mottle: uniform(r, 0.03, 0.07), ribs: uniform(r, 0.01, 0.05), seam: math.Sqrt(r.Float64()),
		face: uniform(r, -0.04, 0.14), glass: uniform(r, -0.04, 0.05),
		offset: [2]float64{uniform(r, 0, 200), uniform(r, 0, 200)},
	}
	raw := lab(71+2.3*normal(r), 0.3+0.6*normal(r), 10+1.6*normal(r))
	if p.Parboiled {
		raw = lab(58+2.8*normal(r), 3.6+0.9*normal(r), 25+2.2*normal(r))
		t.mottle *= 0.6
	}
	t.chalk = lab(89+1.5*normal(r), -0.2+0.3*normal(r), 4+normal(r))
	t.base = raw
	switch k.Defect {
	case chalky:
		t.soft = 0.6
	case yellow:
		t.base = lab(66+3.5*normal(r), 5+1.8*normal(r), uniform(r, 25, 43))
		if p.Parboiled { // darker still than the sample
			t.base = lab(47+3*normal(r), 11+1.5*normal(r), uniform(r, 33, 44))
		}
	case red:
		t.cover = lab(47+4*normal(r), uniform(r, 17, 30), uniform(r, 13, 22))
		t.covered = min(1, uniform(r, 0.35, 1.25))
	case streaked:
		t.cover, t.covered = lab(46+4*normal(r), uniform(r, 17, 28), uniform(r, 12, 20)), 0.1
	case black:
		t.base = lab(uniform(r, 15, 36), uniform(r, 1, 6), uniform(r, 2, 13))
		t.mottle *= 3
	case spot:
		t.cover, t.covered = lab(uniform(r, 12, 30), uniform(r, 1, 7), uniform(r, 3, 14)), 0.04
	case paddy, husk:
		t.base = lab(61+4*normal(r), 8+1.5*normal(r), 33+3*normal(r))
		t.ribs, t.mottle, t.glass = uniform(r, 0.14, 0.25), 0.12, 0
	case stone:
		switch r.IntN(4) {
		case 0: // quartz, near the colour of rice
			t.base = lab(uniform(r, 66, 82), uniform(r, -1, 1), uniform(r, 0, 8))
		case 1:
			t.base = lab(uniform(r, 35, 55), uniform(r, 3, 9), uniform(r, 8, 22))
		default:
			t.base = lab(uniform(r, 32, 60), uniform(r, -1, 2), uniform(r, -2, 6))
		}
		t.mottle, t.ribs, t.glass = 0.25, 0, 0
	case coin:
		t.base = lab(uniform(r, 30, 60), uniform(r, 0, 4), uniform(r, 2, 22))
	case bottleCap:
		t.base = lab(uniform(r, 20, 60), uniform(r, -45, 50), uniform(r, -40, 40))
	case seed:
		t.base = lab(uniform(r, 13, 32), uniform(r, 2, 8), uniform(r, 2, 12))
		t.ribs, t.mottle, t.glass = 0, 0.12, 0
	}
	if t.covered == 0 {
		t.cover = t.base
	}
	if p.Natural > 0 && !k.Foreign() {
		p.naturalPaint(r, t)
	}
	k.paint = t
}

// dress draws where on the piece its paint lies.
func (p Params) dress(k *piece) {
	r, t := k.look, k.paint
	offset := func() [2]float64 { return [2]float64{uniform(r, 0, 200), uniform(r, 0, 200)} }
	if k.Chalk > 0 {
		f := field{at: 0.5, long: 0.5, wide: 1, offset: offset()}
		switch r.IntN(4) {
		case 0: // core
			f.patchy, f.at = 0.15, uniform(r, 0.35, 0.65)
		case 1: // belly or back
			f.patchy, f.side, f.at = 0.15, sign(r)*uniform(r, 0.5, 1), uniform(r, 0.3, 0.7)
		case 2: // one end
			f.patchy, f.at = 0.2, float64(r.IntN(2))
		default:
			f.patchy = 0.6
		}
		f.patchy *= 1 - 0.6*p.Natural
		t.layers = append(t.layers, k.layer(f, k.Chalk, layer{colour: t.chalk, chalk: true, softness: uniform(r, 0.04, 0.25) * (1 + 2*p.Natural)}))
	}
	bb := boxOf(k.outline)
	switch k.Defect {
	case red:
		f := field{at: uniform(r, 0.2, 0.8), long: 0.6, side: uniform(r, -0.7, 0.7), wide: 1.2, patchy: 0.55, offset: offset()}
		t.layers = append(t.layers, k.layer(f, t.covered, layer{colour: t.cover, softness: uniform(r, 0.05, 0.25)}))
	case streaked:
		length := bb.x1 - bb.x0
		for i := range 1 + r.IntN(3) {
			s := streak{eta: uniform(r, -0.7, 0.7), half: uniform(r, 0.04, 0.085), phase: uniform(r, 0, 200)}
			run := length * uniform(r, 0.3, 0.9)
			if i == 0 {
				run = length * uniform(r, 0.62, 1)
			}
			s.from = bb.x0 + uniform(r, 0, length-run)
			s.to = s.from + run
			t.streaks = append(t.streaks, s)
		}
	case spot:
		for range 1 + r.IntN(2) {
			for range 50 {
				b := blot{x: uniform(r, bb.x0, bb.x1), y: uniform(r, bb.y0, bb.y1), r: uniform(r, 0.16, 0.38)}
				if q := (point{X: b.x, Y: b.y}); inside(k.outline, q) && toOutline(k.outline, q) > 0.15 {
					t.spots = append(t.spots, b)
					break
				}
			}
		}
	case black:
		if r.IntN(2) == 0 { // lighter in places
			f := field{at: r.Float64(), long: 0.5, side: uniform(r, -1, 1), wide: 1, patchy: 0.5, offset: offset()}
			lighter := t.base.mix(lab(55, 5, 20), float32(uniform(r, 0.1, 0.35)))
			t.layers = append(t.layers, k.layer(f, uniform(r, 0.1, 0.4), layer{colour: lighter, softness: 0.3}))
		}
	}
}

// layer fills in the cut of a layer so that it hides the given share of the
// piece's surface, by the values of the field at the places of a square grid
// of 0.06 mm.
func (k *piece) layer(f field, share float64, l layer) layer {
	l.field = f
	const step = 0.06
	values := []float64{-1e9, 1e9} // below and above all that a field gives
	k.eachPlace(step, func(x, y, u, eta float64) { values = append(values, f.value(x, y, u, eta)) })
	slices.Sort(values)
	places := len(values) - 2
	n := places - int(math.Round(share*float64(places)))
	l.cut = (values[n] + values[n+1]) / 2
	return l
}

// eachPlace calls do for the places of a square grid inside the piece's
// outline, in the frame of the body: x and y in mm, u along the length from 0
// to 1, eta across from -1 to 1.
func (k *piece) eachPlace(step float64, do func(x, y, u, eta float64)) {
	bb := boxOf(k.outline)
	length := k.body.length()
	for x := bb.x0 + step/2; x < bb.x1; x += step {
		low, high := k.body.at(x)
		if high <= low {
			continue
		}
		for y := bb.y0 + step/2; y < bb.y1; y += step {
			if inside(k.outline, point{X: x, Y: y}) {
				do(x, y, x/length, min(1, max(-1, (2*y-low-high)/(high-low))))
			}
		}
	}
}

// noiseTable holds one random value at each corner of a lattice that repeats
// after 256 steps.
var noiseTable = func() *[256 * 256]float32 {
	r := rand.New(rand.NewPCG(20250611, 7))
	t := new([256 * 256]float32)
	for i := range t {
		t[i] = float32(2*r.Float64() - 1)
	}
	return t
}()

// noise is smooth noise in two dimensions, -1..1, with one random value at
// each whole place.
func noise(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	i, j := int(fx)&255, int(fy)&255
	i1, j1 := (i+1)&255, (j+1)<<8&0xffff
	j <<= 8
	tx, ty := float32(x-fx), float32(y-fy)
	tx, ty = tx*tx*(3-2*tx), ty*ty*(3-2*ty)
	a, b, c, d := noiseTable[j+i], noiseTable[j+i1], noiseTable[j1+i], noiseTable[j1+i1]
	a += (b - a) * tx
	c += (d - c) * tx
	return float64(a + (c-a)*ty)
}
