package colour

import (
	"math"

	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

// A Chalk is what within-kernel contrast says about opaque white. Where Step
// is 0 the kernel is of one kind all over, and only its level can tell which.
type Chalk struct {
	Share float64 // opaque share of the surface, 0..1
	Step  float64 // how much lighter the opaque part is, L*
	Fade  float64 // how much lower its b* is, at equal lightness
	High  float64 // how much lighter it is than the usual kernel, L*
	// Rise and Pale are the same two against the usual kernel: of the level
	// that four fifths of the surface exceed, and of the inner part.
	Rise, Pale float64
	zone       kernel.ChalkZone
	Dark       bool // dark or red over half of the surface: no chalk to be seen
	Coloured   bool // so yellow that its level says nothing
}

// levels is the number of steps of 1 L* in which a surface is split.
const levels = 128

// leastClass is the least share of the surface that makes a class.
const leastClass = 0.01

// glare is the share of burnt-out pixels up to which they are taken for the
// mirror image of the lamp and left out.
const glare = 0.15

// chalk splits the cells' L* in two classes.
func (j *Judge) chalk(p *Patch, total float32) Chalk {
	var hist [levels]float64
	glossy := float64(p.Burnt) < glare*float64(p.Pixels)
	counts := func(i int) bool {
		f := &j.cells[i]
		return f.kind != red && f.kind != dark && !(glossy && 2*p.Cells[i].Burnt > p.Cells[i].N)
	}
	for i := range p.Cells {
		if counts(i) {
			hist[min(max(int(j.cells[i].l), 0), levels-1)] += float64(p.Cells[i].Weight)
		}
	}
	n := 0.0
	for _, w := range hist {
		n += w
	}
	if n < 0.3*float64(total) {
		return Chalk{}
	}
	_, low, high := pixel.Otsu(hist[:], 0.5, leastClass)
	c := Chalk{Rise: lowerFifth(&hist, n) - j.look.Usual.L}
	// A bell-shaped class split in the middle has means 1.6 standard
	// deviations apart.
	if high-low < max(j.limits.ChalkStep, 4*j.look.NoiseL) {
		return c
	}
	// The border lies half-way up in luminance, so that a cell half of which is
	// opaque stands on it, and not where Otsu cuts, which moves with the
	// classes' sizes.
	half := float32(math.Cbrt((cube(low+offset)+cube(high+offset))/2) - offset)
	var up, upB, downB, rim, side, along float32
	for i := range p.Cells {
		if !counts(i) {
			continue
		}
		f, w := &j.cells[i], p.Cells[i].Weight
		if f.l >= half {
			up += w
			upB += w * f.b / (f.l + offset)
			rim += w * p.Cells[i].Rim
			side += w * p.Cells[i].Side
			along += w * p.Cells[i].Along
		} else {
			downB += w * f.b / (f.l + offset)
		}
	}
	if down := float32(n) - up; up > 0 && down > 0 {
		c.Step, c.Share, c.High = high-low, float64(up/total), high-j.look.Usual.L
		c.Fade = float64(downB/down-upB/up) * (j.look.Usual.L + offset)
		c.zone = zoneOf(c.Share, rim/up, side/up, along/up)
	}
	return c
}

// zoneOf names where the opaque part lies by the means of its places. Cut in
// half lengthwise an even surface has a mean |Side| of 4/3π, 0.42, and crosswise
// a mean |Along| of the same (centroids of half an ellipse): from half of that on
// it lies at one side or end. The mean distance from the flank of all of it is a
// third of the half width.
func zoneOf(share float64, rim, side, along float32) kernel.ChalkZone {
	switch side, along = max(side, -side), max(along, -along); {
	case share > mostly:
		return kernel.ChalkWhole
	case max(side, along) < 0.21 && rim > 0.4:
		return kernel.ChalkCore
	case side >= along:
		return kernel.ChalkSide
	}
	return kernel.ChalkEnd
}

func cube(x float64) float64 { return x * x * x }

// lowerFifth returns the level that four fifths of a histogram of n in steps
// of 1 exceed.
func lowerFifth(h *[levels]float64, n float64) float64 {
	s := 0.0
	for b, w := range h {
		if s+w >= n/5 {
			return float64(b) + (n/5-s)/w
		}
		s += w
	}
	return levels
}

// An Opaque tells wholly opaque kernels, which have no contrast within, from
// the usual translucent ones: how far the level lies on the way from the one
// to the other, in lightness and paleness weighed by how well each tells.
type Opaque struct{ step, fade, lighter, ls, fs, norm float64 }

// The defaults of the way from translucent to opaque, where a sample has too
// few partly chalky kernels to show its own: 12 L* (rendered trays) and half
// of the usual kernel's b*.
const (
	usualStep = 12
	fewSteps  = 5
)

// opaqueAt is the share of the way from which on a kernel is opaque, and
// lighterAt the share of it in lightness alone. Half would be even-handed; a
// little more, because translucent kernels scatter and opaque ones hardly do.
const (
	opaqueAt  = 0.65
	lighterAt = 0.5
)

// lighterSpreads is how many standard deviations of usual kernels the opaque
// part is lighter at least: what is lighter by less is translucent rice in
// better light. Our own choice.
const lighterSpreads = 2

// NewOpaque takes the way from the sample's own partly chalky kernels.
func NewOpaque(k *Look, chalk []Chalk) Opaque {
	o := Opaque{step: usualStep, fade: 0.5 * math.Max(0, k.Usual.B), lighter: lighterSpreads * k.SpreadL}
	var steps, fades []float64
	for _, c := range chalk {
		if c.Step > 0 && c.High > c.Step/2 && c.Share > 0.1 && c.Share < 0.9 && !c.Dark && !c.Coloured {
			steps, fades = append(steps, c.Step), append(fades, c.Fade)
		}
	}
	if len(steps) >= fewSteps {
		o.step, o.fade = pixel.Median(steps), math.Max(0, pixel.Median(fades))
	}
	o.ls, o.fs = o.step/(k.SpreadL*k.SpreadL), o.fade/(k.SpreadB*k.SpreadB)
	o.norm = o.step*o.ls + o.fade*o.fs
	return o
}

// mostly is the share from which on within-kernel contrast needs to be borne
// out by the level of the whole: the little that is left over may be a shadow.
const mostly = 0.85

// gloss is the share up to which the lighter part of a kernel that is white as
// a whole is a gleam on it, and not the chalk.
const gloss = 0.2

// highAt is the share of the way in lightness that the lighter part of a
// kernel must have come from the usual one: else it is the sound part of a
// stained or shaded one. A kernel a little darker than usual has come less far.
const highAt = 0.45

// Share returns the chalky share of a kernel.
func (o Opaque) Share(c Chalk) float64 {
	// Four fifths of a white kernel are lighter than the limit.
	white := !c.Coloured && c.Rise > max(lighterAt*o.step, o.lighter) && (c.Rise*o.ls+c.Pale*o.fs)/o.norm > opaqueAt
	switch {
	case c.Dark:
		return 0
	case white && c.Share < gloss:
		return 1
	case white:
		return c.Share
	case c.Share > mostly, c.High < highAt*o.step, c.High < o.lighter:
		return 0
	}
	return c.Share
}
