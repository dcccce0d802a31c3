package phantom

import (
	"encoding/json"
	"errors"
	"image"
	"io"
	"math"

	"traytally/vision/internal/card"
	"traytally/vision/kernel"
)

// A Photo says how rice on or beside a tray card is photographed. DefaultPhoto
// gives a legal start; the range stands behind each field.
//
// Card positions are mm on the card as designed, x right, y down, from its
// upper left corner.
type Photo struct {
	// Rice is what lies in the field. Its kernels are solids here, as high as
	// the truth's volume has them. Of the picture parameters only Tray, Weave,
	// Limb, Natural, Ground, Sharpen, Noise, BlurPx and BlurEncoded count; its size follows the
	// field. Pile, Coins and Caps are 0.
	Rice Params `json:"rice"`
	// Beside takes the strip card, with the rice beside it on a tray that fills
	// the picture; else the rice lies on the tray card.
	Beside bool `json:"beside"`

	// Camera.

	// picture size; 200..12000, default 1800 × 2400
	Width  int `json:"width_px"`
	Height int `json:"height_px"`
	// focal length over the longer side; 0.4..4, default 0.75
	Focal float64 `json:"focal"`
	// optical axis against the card's normal; 0..60°, default 0
	TiltDeg float64 `json:"tilt_deg"`
	// direction on the card in which the axis leans, clockwise from x; -360..360°, default 0
	LeanDeg float64 `json:"lean_deg"`
	// roll of the camera about its axis; -360..360°, default 0
	TurnDeg float64 `json:"turn_deg"`
	// from the lens to the point aimed at; 100..2000 mm, default 300
	DistanceMM float64 `json:"distance_mm"`
	// point aimed at, from the middle of the card (of card and rice, where Beside); -100..100
	// mm, default 0
	AimX float64 `json:"aim_x_mm"`
	AimY float64 `json:"aim_y_mm"`
	// lens: a ray at the radius r of the picture (1 at the corners) comes from 1+K1·r²+K2·r⁴ times
	// that of a pinhole; each -0.3..0.3, default 0
	K1 float64 `json:"k1"`
	K2 float64 `json:"k2"`

	// Light.

	// linear value, 0..1, with which paper in the best light is recorded; 0.02..4, default 0.7
	Exposure float64 `json:"exposure"`
	// red, green and blue of light and camera together; each 0.2..2, default 1, 1, 1
	Cast [3]float64 `json:"cast"`
	// share of the light that comes from a lamp near by, at the left behind the card; 0..1,
	// default 0
	Lamp float64 `json:"lamp"`
	// darkening towards the corners as of a simple lens (cos⁴), as a share; 0..1, default 0
	Vignette float64 `json:"vignette"`
	// share of light lost in a shadow over the left part of the card; 0..0.95, default 0
	ShadowDepth float64 `json:"shadow_depth"`
	// where its edge crosses the card's upper and lower side; default 0
	ShadowTopMM    float64 `json:"shadow_top_mm"`
	ShadowBottomMM float64 `json:"shadow_bottom_mm"`

	// What is wrong with the card.

	// size of the print over the design's; 0.5..1.5, default 1
	PrintScale float64 `json:"print_scale"`
	// height of the print over its width, by the design's; 0.8..1.25, default 1
	PrintStretch float64 `json:"print_stretch"`
	// height in mm at which the middle line of the sheet, from top to bottom, stands off the
	// table, bent as paper bends; 0..20, default 0
	Bulge float64 `json:"bulge_mm"`
	// rectangles of the card that something dull covers
	Covered []Rect `json:"covered"`
	// the part of the sheet below TornMM (0: none) is moved to the right and down by Torn
	TornMM float64      `json:"torn_mm"`
	Torn   kernel.Point `json:"torn"`
	// width of the rim of the field that shows paper, as where dark paper laid in does not reach; 0..20, default 0
	OpenRimMM float64 `json:"open_rim_mm"`

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
// *ParamError, joined.
func (p Photo) Validate() error {
	r := p.Rice
	r.WidthMM, r.HeightMM = p.Field().W(), p.Field().H()
	var f faults
	between := f.between
	between("Width", float64(p.Width), 200, 12000)
	between("Height", float64(p.Height), 200, 12000)
	between("Focal", p.Focal, 0.4, 4)
	between("TiltDeg", p.TiltDeg, 0, 60)
	between("LeanDeg", p.LeanDeg, -360, 360)
	between("TurnDeg", p.TurnDeg, -360, 360)
	between("DistanceMM", p.DistanceMM, 100, 2000)
	between("AimX", p.AimX, -100, 100)
	between("AimY", p.AimY, -100, 100)
	between("K1", p.K1, -0.3, 0.3)
	between("K2", p.K2, -0.3, 0.3)
	between("Exposure", p.Exposure, 0.02, 4)
	for _, c := range p.Cast {
		between("Cast", c, 0.2, 2)
	}
	between("Lamp", p.Lamp, 0, 1)
	between("Vignette", p.Vignette, 0, 1)
	between("ShadowDepth", p.ShadowDepth, 0, 0.95)
	between("PrintScale", p.PrintScale, 0.5, 1.5)
	between("PrintStretch", p.PrintStretch, 0.8, 1.25)
	between("Bulge", p.Bulge, 0, 20)
	between("OpenRimMM", p.OpenRimMM, 0, 20)
	for field, v := range map[string]float64{"Pile": r.Pile, "Coins": float64(r.Coins), "Caps": float64(r.Caps)} {
		if v != 0 {
			f.bad(field, v, "0 in a photo")
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
func (t *PhotoTruth) Encode(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(t)
}

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
	t := &PhotoTruth{Truth: *s.truth, Photo: p, view: ph.view, Lens: kernel.Point{X: ph.view.at[0], Y: ph.view.at[1]}, LensMM: ph.view.at[2]}
	t.Width, t.Height = p.Width, p.Height
	mid := field.Middle()
	a, b := t.ToPicture(kernel.Point{X: mid.X - 0.5, Y: mid.Y}, 0), t.ToPicture(kernel.Point{X: mid.X + 0.5, Y: mid.Y}, 0)
	c, d := t.ToPicture(kernel.Point{X: mid.X, Y: mid.Y - 0.5}, 0), t.ToPicture(kernel.Point{X: mid.X, Y: mid.Y + 0.5}, 0)
	u, v := b.Sub(a), d.Sub(c)
	t.PxPerMM = math.Sqrt(math.Abs(u.X*v.Y - u.Y*v.X))
	t.DPI = t.PxPerMM * mmPerInch
	for i := range t.Kernels {
		k := &t.Kernels[i]
		place := func(q kernel.Point) kernel.Point { // scan px → card mm → photo px
			return t.ToPicture(kernel.Point{X: field.X0 + (q.X+0.5)/r.pxPerMM(), Y: field.Y0 + (q.Y+0.5)/r.pxPerMM()}, k.Width/2*0.8)
		}
		c := place(kernel.Point{X: k.X, Y: k.Y})
		k.X, k.Y = c.X, c.Y
		for j, q := range k.Outline {
			k.Outline[j] = place(q)
		}
	}
	img := ph.draw()
	sharpen(img, r.Sharpen)
	return img, t, nil
}
