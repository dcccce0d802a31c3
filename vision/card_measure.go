package vision

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"github.com/lucasb-eyer/go-colorful"

	"traytally/vision/internal/card"
	"traytally/vision/internal/cv"
	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Straighten returns the part of the picture where the rice lies as if seen
// straight from above: PxPerMM pixels to the millimetre of the card's plane in
// both directions. Where Light.Known, the colours are those under even white
// light in which the card's paper is neutral with the reflectance Light.White. The
// caller closes the picture; p must still be open.
func (c *Card) Straighten(ctx context.Context, p *Picture) (*Picture, error) {
	w, h := int(c.area.W()*c.scale), int(c.area.H()*c.scale)
	var finish func(int, []byte)
	if c.Light.Known {
		finish = c.relight(w)
	}
	img, err := cv.Warp(ctx, p.Pix(), p.Width, p.Height, w, h, func(row int, xs, ys []float32) {
		for i := range xs {
			q := c.found.Camera.ToPicture(c.toCard(kernel.Point{X: float64(i), Y: float64(row)}))
			xs[i], ys[i] = float32(q.X), float32(q.Y)
		}
	}, finish)
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, &fault.Error{Path: p.Name, What: "cannot be straightened: " + err.Error(), Hint: "use a smaller picture", Err: err}
	}
	flat := &Picture{
		Name: p.Name, Format: p.Format, Width: w, Height: h, SHA256: p.SHA256,
		PxPerMMX: c.PxPerMM, PxPerMMY: c.PxPerMM, ScaleSource: c.ScaleSource(), img: img,
	}
	if c.Light.Known {
		flat.balanced = fmt.Sprintf("paper of the %s, taken to reflect %.3g %%", c.found.Layout.Name, 100*c.white)
		for _, q := range c.places() {
			// Encoded values go with about this power of the light (sRGB).
			for _, v := range c.light.At(q) {
				flat.gain = max(flat.gain, min(maxGain, math.Pow(c.white/v, 1/2.4)))
			}
		}
		// A strip tells the light only where it lies itself.
		flat.absolute = c.found.Layout.HasField() && c.Light.ShadowPct == 0 && c.Light.GreyDeltaE00 <= maxGreyDE
	}
	flat.Warnings = append(slices.DeleteFunc(slices.Clone(p.Warnings), ofStoredScale), c.Warnings...)
	return flat, nil
}

// ofStoredScale reports whether a warning is of the resolution that a file
// states, which no longer matters where a card or a coin gives the scale.
func ofStoredScale(w kernel.Warning) bool {
	return strings.HasPrefix(w.Code, "scale_") || w.Code == "resized"
}

// toCard takes a position in the straightened picture to the card, mm.
func (c *Card) toCard(q kernel.Point) card.Point {
	return card.Point{X: c.area.X0 + (q.X+0.5)/c.scale, Y: c.area.Y0 + (q.Y+0.5)/c.scale}
}

// relight returns what brings a row of the straightened picture to even white
// light.
func (c *Card) relight(width int) func(row int, bgr []byte) {
	const fine = 1 << 13
	encode := new([fine + 1]byte)
	for i := range encode {
		encode[i] = byte(pixel.Encode(float64(i)/fine) + 0.5)
	}
	linear := new([256]float32)
	for i := range linear {
		linear[i] = float32(float64(pixel.Light[byte(i)]) * c.white * fine)
	}
	const step = 32 // px over which the light is straight
	return func(row int, bgr []byte) {
		next := c.light.At(c.toCard(kernel.Point{X: 0, Y: float64(row)}))
		for x := 0; x < width; x += step {
			here := next
			next = c.light.At(c.toCard(kernel.Point{X: float64(x + step), Y: float64(row)}))
			for k := range 3 {
				g, to := float32(1/here[k]), float32(1/next[k])
				d := (to - g) / step
				for i := 3*x + k; i < 3*min(width, x+step); i += 3 {
					bgr[i] = encode[int(min(linear[bgr[i]]*g, fine)+0.5)]
					g += d
				}
			}
		}
	}
}

// MeasureOnCard measures the rice on or beside a card found in p: it
// straightens the picture, measures there, takes off what height and slant add
// to the outlines, and brings positions back.
//
// In the Tray, X, Y, AngleRad, Outline and the bounds of unresolved groups are
// in the picture p as it is displayed. Measures in Px (lengths, widths, areas,
// volumes, uncertainties, Look) are in pixels of the straightened picture,
// Tray.PxPerMM of them to the millimetre; they do not follow from Outline.
//
// Of o only Colour counts, less its GreyPatch: the card's paper takes its
// place.
func MeasureOnCard(ctx context.Context, p *Picture, c *Card, o MeasureOptions) (*kernel.Tray, error) {
	unused, coin := !o.Colour.GreyPatch.Empty(), o.CoinMM > 0
	o.Colour.GreyPatch = image.Rectangle{}
	flat, err := c.Straighten(ctx, p)
	if err != nil {
		return nil, err
	}
	defer flat.Close()
	t, err := Measure(ctx, flat, MeasureOptions{PxPerMM: c.PxPerMM, ScaleSource: flat.ScaleSource, Colour: o.Colour})
	if err != nil {
		return nil, err
	}
	if unused {
		t.Warnings = append(t.Warnings, doubt("grey_patch_unused", "", 0, 0, "leave out the grey patch where there is a card in the picture",
			"the grey patch was not used: colours are balanced by the paper of the card"))
	}
	if coin {
		t.Warnings = append(t.Warnings, doubt("coin_unused", "", 0, 0, "leave out --coin where there is a card in the picture, or add --card off",
			"the coin was not used: the scale is that of the card"))
	}
	ground := groundOf(flat)
	shifts := c.shifts(p, t.Kernels, ground)
	for i := range t.Kernels {
		k := &t.Kernels[i]
		t.KernelAreaPx2 -= k.AreaPx2
		c.sharpen(k, shifts[i])
		c.upright(k)
		t.KernelAreaPx2 += k.AreaPx2
		c.bringBack(k)
	}
	a, b := c.found.Camera.Scales(c.area.Middle())
	t.ShownPxPerMM = math.Sqrt(a*b) * c.PxPerMM / c.scale
	readingOrder(t.Kernels, t.Look.LengthPx*t.ShownPxPerMM/t.PxPerMM)
	for _, list := range [][]kernel.Cluster{t.Unresolved, t.Objects} {
		for i := range list {
			c.bringBackCluster(&list[i], p.Width, p.Height)
		}
	}
	t.WidthPx, t.HeightPx = p.Width, p.Height
	return t, nil
}

// A CardMode says whether a picture is searched for a tray card.
type CardMode string

// The modes.
const (
	CardAuto CardMode = "auto" // use a card where there is one
	CardOn   CardMode = "on"   // fail without a card
	CardOff  CardMode = "off"  // do not look
)

// ScaleOptions says where the scale of a picture comes from.
type ScaleOptions struct {
	Card   CardMode // "" is CardAuto
	Ruler  float64  // CardOptions.RulerMM
	White  float64  // CardOptions.White
	Device string   // name of Profile; empty without one
	// Profile is the scale of the device that took the picture; nil: none.
	Profile *ScaleProfile
}

// A Method is all that says how a picture is measured.
type Method struct {
	MeasureOptions
	ScaleOptions
}

// MeasureBy measures a picture with the scale, strongest first: given, or of a
// profile; of a tray card in the picture; of a coin; stored in the file; none, where
// lengths stay in pixels. With a scale given or of a profile no card is looked
// for unless m asks for it.
//
// Its errors are those of Measure, FindCard and ScaleProfile.Apply. A card that
// is seen but gives no scale is an error, never a reason to take a weaker
// scale.
func MeasureBy(ctx context.Context, p *Picture, m Method) (*kernel.Tray, error) {
	known := m.PxPerMM > 0 || m.Profile != nil
	switch m.Card {
	case "", CardAuto, CardOn, CardOff:
	default:
		return nil, fmt.Errorf("card mode %q, want %s, %s or %s", m.Card, CardAuto, CardOn, CardOff)
	}
	if m.Card == CardOn || m.Card != CardOff && !known {
		c, err := FindCard(ctx, p, CardOptions{RulerMM: m.Ruler, White: m.White, Thorough: m.Card == CardOn || m.Ruler > 0})
		if err == nil {
			return MeasureOnCard(ctx, p, c, m.MeasureOptions)
		}
		if m.Card == CardOn || m.Ruler > 0 || !errors.Is(err, ErrNoCard) {
			return nil, err
		}
	}
	if m.Profile != nil {
		if err := m.Profile.Apply(m.Device, p); err != nil {
			return nil, err
		}
		m.CoinMM = 0
	}
	t, err := Measure(ctx, p, m.MeasureOptions)
	if err == nil && m.Profile != nil {
		if d := m.Profile.lastCheck().Worst(); math.Abs(d) > MaxScaleDrift {
			t.Warnings = append(t.Warnings, doubt("scale_drifted", "drift of the scale, %", math.Abs(d), MaxScaleDrift,
				"find out why, then calibrate again: traytally calibrate",
				"the scale had drifted by %+.2f %% from profile %s when it was last checked", d, m.Device))
		}
	}
	return t, err
}

// toPicture takes a position in the straightened picture to p.
func (c *Card) toPicture(q kernel.Point) kernel.Point { return c.found.Camera.ToPicture(c.toCard(q)) }

func (c *Card) bringBack(k *kernel.Kernel) {
	at := kernel.Point{X: k.X, Y: k.Y}
	sin, cos := math.Sincos(k.AngleRad)
	a, b := c.toPicture(kernel.Point{X: k.X - cos, Y: k.Y - sin}), c.toPicture(kernel.Point{X: k.X + cos, Y: k.Y + sin})
	k.AngleRad = geom.Axial(math.Atan2(b.Y-a.Y, b.X-a.X))
	q := c.toPicture(at)
	k.X, k.Y = q.X, q.Y
	for i, v := range k.Outline {
		k.Outline[i] = c.toPicture(v)
	}
}

func (c *Card) bringBackCluster(u *kernel.Cluster, w, h int) {
	q := c.toPicture(kernel.Point{X: u.X, Y: u.Y})
	r := card.Rect{X0: float64(u.MinX), Y0: float64(u.MinY), X1: float64(u.MaxX - 1), Y1: float64(u.MaxY - 1)}
	around := r.Corners()
	for i, v := range around {
		around[i] = c.toPicture(v)
	}
	low, high := bounds(around[:])
	u.X, u.Y = q.X, q.Y
	u.MinX, u.MinY = max(0, int(math.Floor(low.X))), max(0, int(math.Floor(low.Y)))
	u.MaxX, u.MaxY = min(w, int(math.Ceil(high.X))+1), min(h, int(math.Ceil(high.Y))+1)
}

// groundOf returns the linear red, green and blue of the tray in a straightened
// picture, of which there is more than of rice.
func groundOf(flat *Picture) (rgb [3]float64) {
	pix := flat.Pix()
	for k := range rgb {
		var hist [256]int
		n := 0
		for i := 2 - k; i < len(pix); i += 3 * 17 {
			hist[pix[i]]++
			n++
		}
		at := 0
		for v, c := range hist {
			if at += c; at > n*2/5 {
				rgb[k] = float64(pixel.Light[byte(v)])
				break
			}
		}
	}
	return rgb
}

// shifts returns how far outwards of the true edge the outline of each kernel
// lies, in pixels of the picture: by the camera's blur, as the marks of the card
// show it, and by the dark rims of kernels, as they show it together. Outlines
// run at half of the contrast in the channel that has most of it.
func (c *Card) shifts(p *Picture, ks []kernel.Kernel, ground [3]float64) []float64 {
	out := make([]float64, len(ks))
	mean := 0.0
	for i := range ks {
		r, g, b := colorful.Lab(ks[i].Lab[0]/100, ks[i].Lab[1]/100, ks[i].Lab[2]/100).LinearRgb()
		most := 0.0
		for k, v := range [3]float64{r, g, b} {
			if d := pixel.Encode(v) - pixel.Encode(ground[k]); d > most {
				most, out[i] = d, c.edge.Shift(ground[k], v)
			}
		}
		mean += out[i] / float64(len(ks))
	}
	px := card.Pixels(pixelsOf(p))
	rim := card.NewRim(c.edge)
	for i := range ks {
		c.flanks(&ks[i], func(at, outward card.Point) { rim.Add(px, at, outward) })
	}
	if seen, ok := rim.Shift(); ok {
		for i := range out {
			out[i] += seen - mean
		}
	}
	return out
}

// flanks calls use with places along the outline of a kernel in the straightened
// picture, its ends left out, and the direction outwards there, both in the
// picture of the card.
func (c *Card) flanks(k *kernel.Kernel, use func(at, outward card.Point)) {
	sin, cos := math.Sincos(k.AngleRad)
	middle := c.toPicture(kernel.Point{X: k.X, Y: k.Y})
	for i, a := range k.Outline {
		b := k.Outline[(i+1)%len(k.Outline)]
		q := kernel.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
		if math.Abs((q.X-k.X)*cos+(q.Y-k.Y)*sin) > flankShare*k.AxisLengthPx/2 {
			continue
		}
		from, to := c.toPicture(a), c.toPicture(b)
		u := card.Point{X: to.Y - from.Y, Y: from.X - to.X}
		l := math.Hypot(u.X, u.Y)
		if l == 0 {
			continue
		}
		at := card.Point{X: (from.X + to.X) / 2, Y: (from.Y + to.Y) / 2}
		if (at.X-middle.X)*u.X+(at.Y-middle.Y)*u.Y < 0 {
			l = -l
		}
		n := int(math.Ceil(math.Abs(l)))
		for j := range n {
			f := (float64(j) + 0.5) / float64(n)
			use(card.Point{X: from.X + f*(to.X-from.X), Y: from.Y + f*(to.Y-from.Y)}, card.Point{X: u.X / l, Y: u.Y / l})
		}
	}
}

// flankShare is the part of a kernel's length, about its middle, along which
// its outline counts as flank.
const flankShare = 0.6

// sharpen takes from the measures of a kernel what its outline lies outwards,
// in pixels of the picture.
func (c *Card) sharpen(k *kernel.Kernel, shift float64) {
	s, _ := c.found.Camera.Scales(c.toCard(kernel.Point{X: k.X, Y: k.Y}))
	width := k.WidthPx
	by := min(2*shift*c.scale/s, width/4)
	k.LengthPx = max(k.LengthPx-by, width-by)
	k.AxisLengthPx -= by
	k.WidthPx -= by
	long, wide := 1-by/(k.AxisLengthPx+by), 1-by/width
	k.AreaPx2 *= long * wide
	k.VolumePx3 *= long * wide * wide
}

// tipFullness is n of a tip |x/a|ⁿ + |z/c|² = 1 of a kernel so many times as
// long as wide: 2 for an ellipsoid; rendered kernels have 2.2 where they are
// 1.6 times as long as wide, 2.8 where they are 3.7 times.
func tipFullness(slender float64) float64 {
	return min(2.8, max(2.2, 2.2+0.6*(slender-1.6)/2.1))
}

// cutSlant is how far a usual cut runs along the kernel from its middle to its
// outer corner, over the half thickness: at 0.4, 25° from square for a kernel
// as wide as thick (our own choice; cuts differ).
// cutDoubt is the standard uncertainty of what a cut adds, as a share of it.
const (
	cutSlant = 0.4
	cutDoubt = 0.6
)

// upright takes from the measures of a kernel what height and slant add.
//
// The widest section lies c = κ·width/2 above the card, so everything is seen
// larger by c over its distance from the lens. Seen along a line that moves t
// per mm of height, an ellipse of half axes a and c in that plane covers
// √(a²+c²t²) to each side of its middle, a blunter tip somewhat more. An upright
// cut face reaches farther by c·t in its middle; where it stands at a slant, so
// that a corner leads by m already, by √(c²t²+m²) - m.
func (c *Card) upright(k *kernel.Kernel) {
	mm := 1 / c.scale
	lx, ly := c.found.Pose.Lean(c.toCard(kernel.Point{X: k.X, Y: k.Y}))
	sin, cos := math.Sincos(k.AngleRad)
	along, across := lx*cos+ly*sin, ly*cos-lx*sin
	wide := math.Sqrt(1 + sq(thickness*across))
	high := thickness * k.WidthPx * mm / 2 / wide // c
	near := 1 - high/c.found.Pose.Height
	wide /= near

	// One end: a blunt tip or a cut.
	half := k.AxisLengthPx * mm / 2
	longer, doubt := 0.0, 0.0
	for _, e := range k.Ends {
		if e == kernel.EndBroken {
			m := cutSlant * high
			add := math.Hypot(high*along, m) - m
			longer, doubt = longer+add, math.Hypot(doubt, cutDoubt*add)
		} else {
			longer += tipFullness(k.AxisLengthPx/k.WidthPx) / 2 * (half - math.Sqrt(max(half*half/4, half*half-sq(high*along))))
		}
	}
	longer = min(longer, half)
	long := 1 / ((1 - longer/(2*half)) * near)

	k.LengthSDPx = math.Hypot(k.LengthSDPx, doubt*c.scale)
	k.WidthPx /= wide
	k.LengthPx = max(k.LengthPx/long, k.WidthPx)
	k.AxisLengthPx /= long
	k.AreaPx2 /= long * wide
	k.VolumePx3 /= long * wide * wide
}

func sq(x float64) float64 { return x * x }
