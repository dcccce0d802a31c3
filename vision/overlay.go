package vision

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"traytally/vision/internal/codec"
	"traytally/vision/internal/pixel"
	"traytally/vision/internal/shrink"
	"traytally/vision/kernel"
)

// Colours that people of every kind of colour vision tell apart: M. Okabe and
// K. Ito, Color Universal Design (CUD): How to make figures and presentations
// that are friendly to colorblind people, J*FLY, 2008.
var (
	Orange        = color.NRGBA{0xe6, 0x9f, 0x00, 0xff}
	SkyBlue       = color.NRGBA{0x56, 0xb4, 0xe9, 0xff}
	BluishGreen   = color.NRGBA{0x00, 0x9e, 0x73, 0xff}
	Yellow        = color.NRGBA{0xf0, 0xe4, 0x42, 0xff}
	Blue          = color.NRGBA{0x00, 0x72, 0xb2, 0xff}
	Vermillion    = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
	ReddishPurple = color.NRGBA{0xcc, 0x79, 0xa7, 0xff}
)

// A Hatch is a pattern of lines over a kernel, so that classes differ without
// colour.
type Hatch uint8

// The hatches.
const (
	HatchNone    Hatch = iota
	HatchRising        // lines from lower left to upper right
	HatchCrossed       // those and their mirror image
)

// A Style is how the kernels of one class are drawn and named in the legend.
type Style struct {
	Name   string // in the legend
	Letter string // behind the kernel's number; may be empty
	Colour color.NRGBA
	Bold   bool // thick outline, to be seen from afar
	Tint   bool // the kernel takes the colour, with the hatch over it
	Hatch  Hatch
	Dashed bool
}

// A Tag is something noted on a kernel beside its class.
type Tag struct {
	Name   string // in the legend
	Letter string // behind the kernel's number, after that of its style
}

// A Mark gives one kernel its style, and its tags.
type Mark struct {
	Kernel int   // index into Tray.Kernels
	Style  int   // index into OverlayOptions.Styles
	Tags   []int // indices into OverlayOptions.Tags
}

// OverlayOptions says what an overlay shows beside the marked kernels.
type OverlayOptions struct {
	Title  string   // first line of the legend
	Styles []Style  // all are listed in the legend, with the number of marks
	Tags   []Tag    // so are these
	Notes  []string // further lines of the legend
}

// Sizes of an overlay.
const (
	// maxOverlay is the number of pixels of the picture's part of an overlay,
	// beyond which it is reduced. At 12 million an A4 sheet still has 34 pixels
	// to the centimetre times 3: kernels are 25 pixels wide and can be read.
	maxOverlay = 12000000
	// readableWidth is the kernel width in pixels from which a three-digit
	// number fits into a kernel; a picture of narrower ones is enlarged by a
	// whole factor up to maxEnlarge.
	readableWidth = 22
	maxEnlarge    = 3
	minCanvas     = 640 // px, least width of an overlay, for the legend
)

// A Backdrop is what an overlay is drawn on: a copy of a picture, reduced to
// at most 12 million pixels, or enlarged up to threefold where kernels are
// narrower than 22 pixels. It is good after the Picture is closed.
type Backdrop struct {
	img   *image.RGBA
	sx    float64 // backdrop pixels per picture pixel
	sy    float64
	width float64 // usual kernel width, backdrop pixels
}

// NewBackdrop copies p, on which t was measured.
func NewBackdrop(p *Picture, t *kernel.Tray) (*Backdrop, error) {
	pix := p.Pix()
	if pix == nil {
		return nil, errors.New("the picture is closed")
	}
	width := usualWidth(t)
	b := &Backdrop{width: width}
	w, h := p.Width, p.Height
	if n := float64(w) * float64(h); n > maxOverlay {
		s := math.Sqrt(maxOverlay / n)
		w, h = max(1, int(float64(w)*s)), max(1, int(float64(h)*s))
		small, err := shrink.Area(context.Background(), pix, p.Width, p.Height, w, h)
		if err != nil {
			return nil, err
		}
		b.img = fromBGR(small, w, h)
	} else {
		k := 1
		for k < maxEnlarge && width*float64(k) < readableWidth && (k+1)*(k+1)*w*h <= maxOverlay {
			k++
		}
		b.img = enlarge(fromBGR(pix, w, h), k)
		w, h = w*k, h*k
	}
	b.sx, b.sy = float64(w)/float64(p.Width), float64(h)/float64(p.Height)
	b.width *= b.sx
	return b, nil
}

// Scale returns the size of the overlay over that of the picture.
func (b *Backdrop) Scale() float64 { return b.sx }

// Draw returns the overlay as a PNG: every marked kernel with its outline and
// number, unresolved groups boxed, and a legend below. The same input gives
// the same bytes.
func (b *Backdrop) Draw(t *kernel.Tray, marks []Mark, o OverlayOptions) ([]byte, error) {
	for _, m := range marks {
		if m.Kernel < 0 || m.Kernel >= len(t.Kernels) || m.Style < 0 || m.Style >= len(o.Styles) {
			return nil, fmt.Errorf("mark of kernel %d with style %d: there are %d kernels and %d styles",
				m.Kernel, m.Style, len(t.Kernels), len(o.Styles))
		}
		for _, g := range m.Tags {
			if g < 0 || g >= len(o.Tags) {
				return nil, fmt.Errorf("mark of kernel %d with tag %d: there are %d tags", m.Kernel, g, len(o.Tags))
			}
		}
	}
	size := b.img.Bounds().Size()
	width := max(minCanvas, size.X)
	leg, err := newLegend(width, float64(size.X), t, marks, o, b)
	if err != nil {
		return nil, err
	}
	c := newCanvas(width, size.Y+leg.height)
	c.copyFrom(b.img, (width-size.X)/2)
	c.clip = image.Rectangle{c.origin, c.origin.Add(size)}

	sorted := slices.Clone(marks)
	slices.SortStableFunc(sorted, func(p, q Mark) int { return p.Kernel - q.Kernel })
	thin, thick := max(1.4, b.width*0.06), max(2.5, b.width*0.17)
	outlines := make([][]kernel.Point, len(sorted))
	for i, m := range sorted {
		outlines[i] = b.outline(t.Kernels[m.Kernel].Outline)
		s := &o.Styles[m.Style]
		if s.Tint {
			c.fill(outlines[i], s.Colour, s.Hatch, max(5, b.width*0.28))
		}
	}
	// Thin lines first, so that what matters lies on top.
	for _, bold := range [...]bool{false, true} {
		for i, m := range sorted {
			s := &o.Styles[m.Style]
			if s.Bold != bold {
				continue
			}
			line := thin
			if bold {
				line = thick
			}
			dash := 0.0
			if s.Dashed {
				dash = max(5, b.width*0.25)
			}
			c.stroke(outlines[i], line, s.Colour, dash)
		}
	}
	for _, u := range t.Unresolved {
		c.box(float64(u.MinX)*b.sx, float64(u.MinY)*b.sy, float64(u.MaxX)*b.sx, float64(u.MaxY)*b.sy, thick)
	}
	digits, err := newLettering(min(40, max(9, b.width*0.47)), true)
	if err != nil {
		return nil, err
	}
	free := newRoom(size, outlines)
	for i, m := range sorted {
		k := &t.Kernels[m.Kernel]
		text := fmt.Sprint(k.ID) + o.Styles[m.Style].Letter
		for _, g := range m.Tags {
			text += o.Tags[g].Letter
		}
		x, y := b.at(k.X, k.Y)
		ink, halo := labelDark, labelLight
		if w := digits.width(text); w > 0.8*k.LengthPx*b.sx {
			x, y = free.beside(outlines[i], x, y, w, digits.ascent)
			ink, halo = halo, ink
		}
		c.centred(digits, text, x, y, ink, halo)
	}
	for _, u := range t.Unresolved {
		x, y := b.at(u.X, u.Y)
		c.centred(digits, "not taken apart", x, y, labelLight, labelDark)
	}
	c.clip = c.img.Bounds()
	leg.draw(c, size.Y)
	return codec.EncodePNG(c.img)
}

// at converts a position in the picture, where pixel centres are integers, to
// one in the backdrop, where pixel corners are.
func (b *Backdrop) at(x, y float64) (float64, float64) { return (x + 0.5) * b.sx, (y + 0.5) * b.sy }

// outline converts an outline.
func (b *Backdrop) outline(pts []kernel.Point) []kernel.Point {
	out := make([]kernel.Point, len(pts))
	for i, p := range pts {
		out[i].X, out[i].Y = b.at(p.X, p.Y)
	}
	return sparse(out)
}

// sparse leaves out corners nearer to the one before than the eye sees.
func sparse(pts []kernel.Point) []kernel.Point {
	const near = 0.8 // px
	out := pts[:0]
	for _, p := range pts {
		if n := len(out); n == 0 || out[n-1].Dist(p) >= near {
			out = append(out, p)
		}
	}
	if n := len(out); n > 1 && out[n-1].Dist(out[0]) < near {
		out = out[:n-1]
	}
	return out
}

// usualWidth is the median kernel width in picture pixels, readableWidth without
// kernels.
func usualWidth(t *kernel.Tray) float64 {
	var w []float64
	for _, k := range t.Kernels {
		w = append(w, k.WidthPx)
	}
	return cmp.Or(pixel.Median(w), readableWidth)
}
