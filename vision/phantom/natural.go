package phantom

import (
	"image"
	"math"
	"math/rand/v2"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"
)

// What makes a picture look as real ones do. All numbers here are chosen by
// eye on photographs of milled rice on card and cloth, unless they say else.
const (
	naturalChalk = 0.5 // share of sound kernels with a chalky zone, at most

	// Shares of a lower piece that one lying on it hides.
	pileLeast = 0.03
	pileMost  = 0.6
)

// Diameters in mm: of common coins, and of bottle caps (common practice, no source).
var (
	coinMM = [2]float64{18, 27}
	capMM  = [2]float64{28, 38}
)

// notch gives the body's end of greater x, where the germ sat, an oblique flat
// or a bite on one side, and returns the greatest depth to which it cuts in
// there, in mm. The size stays s.
func (b *body) notch(r *rand.Rand, s size, strength float64) float64 {
	long := uniform(r, 0.35, 0.95) * s.width * strength
	aim := uniform(r, 0, 0.6) // where on the lower side the flat would end: 0 the tip
	bite := uniform(r, 0.04, 0.16) * s.width * strength * float64(r.IntN(2))
	biteAt, biteHalf := long*uniform(r, 0.3, 0.8), uniform(r, 0.15, 0.3)*s.width
	upper := r.IntN(2) == 0
	if !upper {
		b.mirror()
	}
	length, n := b.length(), len(b.x)
	lowHere, highHere := b.at(length - long)
	tip := lerp(b.low[n-1], lowHere, aim)
	depth := 0.0
	for i := range b.x {
		d := length - b.x[i]
		if d >= long {
			continue
		}
		line := lerp(tip, highHere, d/long) - bite*max(0, 1-sq((d-biteAt)/biteHalf))
		if line <= b.low[i] { // the flat meets the other side: here the kernel ends
			b.x, b.low, b.high = b.x[:i+1], b.low[:i+1], b.high[:i+1]
			b.high[i] = b.low[i]
			break
		}
		if line < b.high[i] {
			depth = max(depth, b.high[i]-line)
			b.high[i] = line
		}
	}
	if !upper {
		b.mirror()
	}
	before := b.high[n/2] - b.low[n/2]
	off := math.Inf(1)
	for range 4 { // each turns the calipers a little; those of a kernel about as wide as long, ever further
		length, width := calipers(hull(b.outline()))
		now := math.Abs(length-s.length) + math.Abs(width-s.width)
		if now >= off {
			break
		}
		off = now
		b.scale(s)
	}
	return depth * (b.high[n/2] - b.low[n/2]) / before
}

func (p Params) naturalPaint(r *rand.Rand, t *paint) {
	n := p.Natural
	t.natural = n
	t.rim = 0.3 * normal(r)
	t.clear = n * uniform(r, 0.05, 0.6)
	t.furrow, t.furrowAt = n*max(0, uniform(r, -0.1, 0.2)), uniform(r, -0.5, 0.5)
	t.reach = uniform(r, 1, 4)
	t.shine, t.shineAt = n*max(0, uniform(r, -0.15, 0.3)), uniform(r, 0.25, 0.75)
	t.base = t.base.times(float32(math.Exp(0.07 * n * normal(r)))) // by how it lies in the light
}

// clarity is the share of the ground's colour at a place of the paint's noise
// whose height over the tray is 1-low.
func (t *paint) clarity(x, y, low float64) float64 {
	return t.clear * (0.2 + 0.8*low) * smooth(-0.6, 0.6, noise(x/1.6+53, y/0.9+7))
}

// furrowed is the brightness in the furrow, which comes and goes.
func (t *paint) furrowed(x, eta float64) float64 {
	wander := 0.06 * noise(x/1.5+t.offset[0], 5)
	return 1 - t.furrow*bump((eta-t.furrowAt-wander)/0.1)*smooth(-0.6, 0.2, noise(x/1.1+t.offset[1], 13))
}

// glint is the share of lamp light at a place of the back.
func (t *paint) glint(u, eta float64, light point) float64 {
	return t.shine * math.Exp(-sq((u-t.shineAt)/0.16)-sq((eta-0.35*light.Y)/0.28))
}

// A thing is a coin or a cap. Its frame has the origin in the middle.
type thing struct {
	radius float64 // mm
	rise   float64 // height, in those of a kernel
	coin   bool
	sides  float64 // of the figure on a coin
	ink    colour  // print and side of a cap
	large  *image.Alpha
	small  *image.Alpha
}

// things draws caps and coins, large ones first. Their marks are invented.
func (p Params) things() []*piece {
	var all []*piece
	for i := range p.Caps + p.Coins {
		r := stream(p.Seed, streamForeign, 1<<20+i)
		t := &thing{coin: i >= p.Caps, sides: float64(5 + r.IntN(5)), rise: 3.5}
		large, small, reach, name := []string{"LID 12", "TEST 7", "NO 40"}, "INVENTED 250 ML", capMM, bottleCap
		if t.coin {
			large, small, reach, name, t.rise = []string{"5", "10", "2"}, "* INVENTED MONEY * PHANTOM ", coinMM, coin, 1.5
		}
		t.radius = uniform(r, reach[0], reach[1]) / 2
		t.large, t.small = print(large[r.IntN(len(large))]), print(small)
		t.ink = lab(uniform(r, 70, 95), uniform(r, -5, 5), uniform(r, -5, 15))
		const corners = 240 // a circle within 0.002 mm
		q := make([]point, corners)
		for j := range q {
			q[j] = move(point{}, polar(2*math.Pi*float64(j)/corners), t.radius)
		}
		k := whole(bodyOf(q, 0.1))
		k.outline = q
		k.thing, k.Defect, k.look = t, name, r
		k.measure()
		all = append(all, k)
	}
	return all
}

// print sets a line in a fixed-width font of 7 × 13 pixels.
func print(text string) *image.Alpha {
	a := image.NewAlpha(image.Rect(0, 0, 7*len(text), 13))
	d := font.Drawer{Dst: a, Src: image.Opaque, Face: basicfont.Face7x13, Dot: fixed.P(0, 11)}
	d.DrawString(text)
	return a
}

// inked is how much of a place, in pixels of the font, is printed; 0..1.
func inked(a *image.Alpha, x, y float64) float64 {
	fx, fy := math.Floor(x-0.5), math.Floor(y-0.5)
	at := func(i, j float64) float64 { return float64(a.AlphaAt(int(i), int(j)).A) / 255 }
	tx, ty := x-0.5-fx, y-0.5-fy
	v := lerp(lerp(at(fx, fy), at(fx+1, fy), tx), lerp(at(fx, fy+1), at(fx+1, fy+1), tx), ty)
	return smooth(0.3, 0.6, v)
}

// row is how much of a place is printed by a line of the given height, its
// middle at the origin.
func row(a *image.Alpha, x, y, height float64) float64 {
	f := 13 / height
	return inked(a, x*f+float64(a.Rect.Dx())/2, y*f+6.5)
}

// relief is the height of a coin at a place, in widths of a step.
func (t *thing) relief(x, y float64) float64 {
	r, a := math.Hypot(x, y)/t.radius, math.Atan2(y, x)
	h := smooth(0.9, 0.93, r) + 0.5*smooth(0.3, 0.6, math.Cos(70*a))*bump((r-0.87)/0.02)
	figure := r * math.Cos(math.Mod(a+7*math.Pi, 2*math.Pi/t.sides)-math.Pi/t.sides)
	h += 0.7 * bump((figure-0.5)/0.02)
	h += row(t.large, x, y, 0.7*t.radius)
	legend := float64(t.small.Rect.Dx())
	return h + 0.8*inked(t.small, (a/(2*math.Pi)+0.5)*legend, (0.84-r)*13/0.18)
}

// shade returns what brush.shade does, for a thing with its own colour.
func (t *thing) shade(x, y float64, base colour, light point) colour {
	r := math.Hypot(x, y) / t.radius
	if t.coin {
		const step = 0.08 // mm
		here := t.relief(x, y)
		slope := (t.relief(x+step*light.X, y+step*light.Y) - here)
		v := 0.65 - 2.2*slope + 0.1*noise(x/2, y/2) + 0.05*noise(x/0.15, y/0.15)
		if r > 0.95 { // the rim shines where it faces the lamp
			v += 0.8 * max(0, (x*light.X+y*light.Y)/t.radius)
		}
		return base.times(float32(max(0.1, v)))
	}
	c := base
	if r > 0.92 { // the side, with ridges
		v := 0.65 + 0.2*math.Cos(100*math.Atan2(y, x)) + 0.3*(x*light.X+y*light.Y)/t.radius
		return c.times(float32(v))
	}
	printed := max(
		row(t.large, x, y+0.15*t.radius, 0.42*t.radius), row(t.small, x, y-0.4*t.radius, 0.15*t.radius),
		0.6*bump((r-0.8)/0.015))
	return c.mix(t.ink, float32(printed))
}
