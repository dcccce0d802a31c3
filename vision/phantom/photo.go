package phantom

import (
	"errors"
	"image"
	"io"
	"math"

	"traytally/vision/internal/card"
	"traytally/vision/kernel"
)

// A Photo says how rice on or beside a tray card is photographed. DefaultPhoto
// gives a legal start; for the tags see Params.
//
// Positions are mm on the card as designed, x right, y down, from its upper
// left corner; angles are degrees.
type Photo struct {
	// Rice is what lies in the field. Its kernels are solids here, as high as
	// the truth's volume has them. Of the picture parameters only Tray, Weave,
	// Limb, Natural, Ground, Sharpen, Noise, BlurPx and BlurEncoded count; its size follows the
	// field. Pile, Coins and Caps are 0.
	Rice Params `json:"rice"`
	// Beside takes the strip card, with the rice beside it on a tray that fills
	// the picture; else the rice lies on the tray card.
	Beside bool `json:"beside"`

	// Camera. It aims from the middle of the card, or of card and rice where
	// Beside. Lens: a ray at the radius r of the picture (1 at the corners)
	// comes from 1+K1·r²+K2·r⁴ times that of a pinhole.
	Width      int     `json:"width_px" range:"200 12000" flag:"photo-width" usage:"width of the photo in pixels"`
	Height     int     `json:"height_px" range:"200 12000" flag:"photo-height" usage:"height of the photo in pixels"`
	Focal      float64 `json:"focal" range:"0.4 4" flag:"focal" usage:"focal length over the longer side of the photo"`
	TiltDeg    float64 `json:"tilt_deg" range:"0 60" flag:"tilt" usage:"angle of the camera's axis from straight down, degrees"`
	LeanDeg    float64 `json:"lean_deg" range:"-360 360" flag:"lean" usage:"direction in which it leans, clockwise from right, degrees"`
	TurnDeg    float64 `json:"turn_deg" range:"-360 360" flag:"turn" usage:"roll of the camera, degrees"`
	DistanceMM float64 `json:"distance_mm" range:"100 2000" flag:"distance" usage:"from the lens to the point aimed at"`
	AimX       float64 `json:"aim_x_mm" range:"-100 100" flag:"aim-x" usage:"that point, right of the middle of the card"`
	AimY       float64 `json:"aim_y_mm" range:"-100 100" flag:"aim-y" usage:"that point, below the middle of the card"`
	K1         float64 `json:"k1" range:"-0.3 0.3" flag:"k1" usage:"lens: a ray at radius r of the picture, 1 at its corners, comes from 1 + k1·r² + k2·r⁴ times that of a pinhole"`
	K2         float64 `json:"k2" range:"-0.3 0.3" flag:"k2" usage:"see --k1"`

	// Light. Cast is each 0.2 to 2; the lamp stands at the left behind the
	// card; the vignette is that of a simple lens, cos⁴.
	Exposure       float64    `json:"exposure" range:"0.02 4" flag:"exposure" usage:"linear value of paper in the best light"`
	Cast           [3]float64 `json:"cast" flag:"cast"`
	Lamp           float64    `json:"lamp" range:"0 1" flag:"lamp" usage:"share of the light that comes from a lamp near by"`
	Vignette       float64    `json:"vignette" range:"0 1" flag:"vignette" usage:"darkening towards the corners of the photo, 1 as of a simple lens"`
	ShadowDepth    float64    `json:"shadow_depth" range:"0 0.95" flag:"shade" usage:"share of light lost in a shadow over the left part of the card"`
	ShadowTopMM    float64    `json:"shadow_top_mm" flag:"shade-top" usage:"where its edge crosses the card's upper side"`
	ShadowBottomMM float64    `json:"shadow_bottom_mm" flag:"shade-bottom" usage:"where its edge crosses the lower side"`

	// What is wrong with the card. It is bent as paper bends, about the line
	// from top to bottom; something dull covers parts of it; the part of the
	// sheet below TornMM (0: none) is moved by Torn. A rim of the field shows
	// paper where dark paper laid in does not reach.
	PrintScale   float64      `json:"print_scale" range:"0.5 1.5" flag:"print-scale" usage:"size of the print over the design's"`
	PrintStretch float64      `json:"print_stretch" range:"0.8 1.25" flag:"print-stretch" usage:"height of the print over its width, by the design's"`
	Bulge        float64      `json:"bulge_mm" range:"0 20" flag:"bulge" usage:"height at which the bent sheet's middle line stands off the table"`
	Covered      []Rect       `json:"covered"`
	TornMM       float64      `json:"torn_mm"`
	Torn         kernel.Point `json:"torn"`
	OpenRimMM    float64      `json:"open_rim_mm" range:"0 20" flag:"open-rim" usage:"width of the rim of the field that shows paper"`

	// Swatches are flat discs of known colour that lie in the field.
	Swatches []Swatch `json:"swatches"`
}

// A Rect is a rectangle on the card, mm.
type Rect = card.Rect

// A Swatch is a flat disc of one colour on the card.
type Swatch struct {
	At  kernel.Point // mm on the card
	R   float64      // mm
	Lab [3]float64   // D65
}

// DefaultPhoto returns a photo straight from above and well lit, of the rice of
// DefaultParams. Its 7.7 megapixels are enough at a slant too.
func DefaultPhoto() Photo {
	p := DefaultParams()
	p.MarginMM = 6
	p.Noise, p.BlurPx, p.BlurEncoded = 2, 0.8, false // as a lens
	return Photo{
		Rice: p, Width: 2400, Height: 3200, Focal: 0.75, DistanceMM: 300,
		Exposure: 0.7, Cast: [3]float64{1, 1, 1}, PrintScale: 1, PrintStretch: 1,
	}
}

// Layout returns the card in the picture.
func (p *Photo) Layout() *card.Layout {
	if p.Beside {
		return card.Layouts[1]
	}
	return card.Layouts[0]
}

// besideField is where the rice lies beside the strip card.
var besideField = card.Rect{X0: 20, Y0: 70, X1: 170, Y1: 200}

// Field returns where the rice lies, in mm on the card.
func (p *Photo) Field() Rect {
	if p.Beside {
		return besideField
	}
	return p.Layout().Field
}

// Validate returns nil, or the parameters that are out of range, each as a
// *fault.Error, joined.
func (p Photo) Validate() error {
	r := p.Rice
	r.WidthMM, r.HeightMM = p.Field().W(), p.Field().H()
	var f faults
	f.check(p)
	for _, c := range p.Cast {
		f.check(struct {
			Cast float64 `range:"0.2 2" flag:"cast"`
		}{c})
	}
	for _, x := range []struct {
		name string
		n    float64
	}{{"--pile", r.Pile}, {"--coins", float64(r.Coins)}, {"--caps", float64(r.Caps)}} {
		if x.n != 0 {
			f.bad(x.name, x.n, "0 in a photo")
		}
	}
	return errors.Join(append(f, r.Validate())...)
}

// A PhotoTruth is what is in a photo. Its Truth has the kernels' measures in
// mm as ever; their places (and outlines) are those in the photo of the
// outline at half of the kernel's height. Width, Height and PxPerMM are the
// photo's, the latter in the middle of the field.
type PhotoTruth struct {
	Truth
	Photo  Photo        `json:"photo"`
	Lens   kernel.Point `json:"lens"`        // point of the card straight below the lens, mm
	LensMM float64      `json:"lens_height"` // above the card

	view view
}

// Encode writes the truth as JSON: what Truth.Encode writes, and the scene.
func (t *PhotoTruth) Encode(w io.Writer) error { return encodeJSON(w, t) }

// ToPicture returns where a place on the card, height mm above it, is seen, px.
func (t *PhotoTruth) ToPicture(q kernel.Point, height float64) kernel.Point {
	return t.view.see(q.X, q.Y, height)
}

// DrawPhoto draws a photo of rice on or beside a tray card. The errors are
// those of Validate, and ErrNoRoom.
func DrawPhoto(p Photo) (*image.RGBA, *PhotoTruth, error) {
	if err := p.Validate(); err != nil {
		return nil, nil, err
	}
	r, field := p.Rice, p.Field()
	r.WidthMM, r.HeightMM = field.W(), field.H()
	s, err := r.scene()
	if err != nil {
		return nil, nil, err
	}
	ph := newPhotograph(p, s)
	t := &PhotoTruth{Truth: *s.truth, Photo: p, view: ph.view, Lens: kernel.Point{X: ph.view.at.X, Y: ph.view.at.Y}, LensMM: ph.view.at.Z}
	t.Width, t.Height = p.Width, p.Height
	mid := field.Middle()
	at := func(dx, dy float64) kernel.Point { return t.ToPicture(kernel.Point{X: mid.X + dx, Y: mid.Y + dy}, 0) }
	u, v := at(0.5, 0).Sub(at(-0.5, 0)), at(0, 0.5).Sub(at(0, -0.5))
	t.PxPerMM = math.Sqrt(math.Abs(u.X*v.Y - u.Y*v.X))
	t.DPI = t.PxPerMM * mmPerInch
	for i := range t.Kernels {
		k := &t.Kernels[i]
		place := func(q kernel.Point) kernel.Point { // scan px → card mm → photo px
			return t.ToPicture(kernel.Point{X: field.X0 + (q.X+0.5)/r.pxPerMM(), Y: field.Y0 + (q.Y+0.5)/r.pxPerMM()}, k.Width/2*0.8)
		}
		c := place(kernel.Point{X: k.X, Y: k.Y})
		k.X, k.Y = c.X, c.Y
		k.Outline = mapped(k.Outline, place)
	}
	return ph.draw(), t, nil
}
