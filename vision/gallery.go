package vision

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"

	"github.com/disintegration/imaging"

	"traytally/vision/internal/codec"
	"traytally/vision/kernel"
)

// A Crop is the picture of one kernel, turned so that it lies level, with what
// lies around it dimmed. It is good after the Picture is closed.
type Crop struct {
	img     *image.NRGBA
	outline []kernel.Point // in the crop, pixel corners integers
}

// Sizes of a gallery, in pixels.
const (
	cropLength  = 176 // of a usual kernel in a gallery
	cropReach   = 1.5 // longest piece shown at that scale, in usual lengths; longer ones are reduced
	cropRoom    = 0.3 // left around the kernel, in usual widths
	cellWidth   = 236
	cellHeight  = 122
	galleryCols = 5
	galleryPad  = 20
)

// NewCrops copies the given kernels of p, on which t was measured.
func NewCrops(p *Picture, t *kernel.Tray, kernels []int) ([]*Crop, error) {
	if p.Pix() == nil {
		return nil, errors.New("the picture is closed")
	}
	usual, wide := t.Look.LengthPx, t.Look.WidthPx
	if usual <= 0 || wide <= 0 {
		for _, k := range t.Kernels {
			usual, wide = math.Max(usual, k.LengthPx), math.Max(wide, k.WidthPx)
		}
	}
	out := make([]*Crop, len(kernels))
	for i, n := range kernels {
		if n < 0 || n >= len(t.Kernels) {
			return nil, fmt.Errorf("crop of kernel %d: there are %d", n, len(t.Kernels))
		}
		k := &t.Kernels[n]
		zoom := cropLength / math.Max(usual, k.LengthPx/cropReach)
		out[i] = newCrop(p, k, zoom, cropRoom*wide)
	}
	return out, nil
}

func newCrop(p *Picture, k *kernel.Kernel, zoom, room float64) *Crop {
	// A square around the kernel that holds it however it is turned.
	half := 0.0
	for _, v := range k.Outline {
		half = math.Max(half, math.Hypot(v.X-k.X, v.Y-k.Y))
	}
	r := int(math.Ceil(half + room + 2))
	cx, cy := int(math.Round(k.X)), int(math.Round(k.Y))
	src := image.NewNRGBA(image.Rect(0, 0, 2*r+1, 2*r+1))
	pix := p.Pix()
	for y := range 2*r + 1 {
		for x := range 2*r + 1 {
			i, j := cx-r+x, cy-r+y
			o := src.Pix[src.PixOffset(x, y):][:4:4]
			o[3] = 0xff
			if i >= 0 && j >= 0 && i < p.Width && j < p.Height {
				q := pix[3*(j*p.Width+i):][:3:3]
				o[0], o[1], o[2] = q[2], q[1], q[0]
			}
		}
	}
	side := max(1, int(math.Round(zoom*float64(2*r+1))))
	filter := imaging.CatmullRom
	if side < 2*r+1 {
		filter = imaging.Box
	}
	img := imaging.Resize(src, side, side, filter)
	img = imaging.Rotate(img, k.AngleRad*180/math.Pi, color.Black)
	z := float64(side) / float64(2*r+1)
	sin, cos := math.Sincos(k.AngleRad)
	mid := float64(img.Bounds().Dx()) / 2
	c := &Crop{}
	for _, v := range k.Outline {
		dx, dy := z*(v.X-float64(cx)), z*(v.Y-float64(cy))
		c.outline = append(c.outline, kernel.Point{X: mid + dx*cos + dy*sin, Y: mid + dy*cos - dx*sin})
	}
	c.outline = sparse(c.outline)
	lo, hi := bounds(c.outline)
	margin := z * room
	rect := image.Rect(int(lo.X-margin), int(lo.Y-margin), int(math.Ceil(hi.X+margin)), int(math.Ceil(hi.Y+margin))).Intersect(img.Bounds())
	c.img = imaging.Crop(img, rect)
	for i, v := range c.outline {
		c.outline[i] = v.Sub(kernel.Point{X: float64(rect.Min.X), Y: float64(rect.Min.Y)})
	}
	c.dim()
	return c
}

// dim takes two thirds of the light off what lies around the kernel.
func (c *Crop) dim() {
	in := coverage(c.img.Bounds(), c.outline)
	for i, m := range in.Pix {
		keep := 85 + int(m)*170/255
		for k := range 3 {
			v := &c.img.Pix[4*i+k]
			*v = uint8(int(*v) * keep / 255)
		}
	}
}

// A GalleryItem is one kernel of a gallery.
type GalleryItem struct {
	Crop    *Crop
	Label   string // its number, as in the overlay
	Letters string // of all that is noted on it
}

// A GalleryGroup is what a gallery shows of one class.
type GalleryGroup struct {
	Name   string // "chalky"
	Letter string // in the badge before the name, one or two
	Colour color.NRGBA
	Dashed bool // the outlines
	Note   string
	Items  []GalleryItem
}

// DrawGallery returns a contact sheet as a PNG: under each class its kernels,
// all turned level, at one scale and with one light, so that the one that does
// not belong there stands out. Groups are told apart by letter and name as
// well as by colour. The same input gives the same bytes.
func DrawGallery(title string, groups []GalleryGroup, notes []string) ([]byte, error) {
	big, err := newLettering(26, true)
	if err != nil {
		return nil, err
	}
	small, err := newLettering(17, false)
	if err != nil {
		return nil, err
	}
	number, err := newLettering(18, true)
	if err != nil {
		return nil, err
	}
	const head, line = 52, 24
	width := galleryCols*cellWidth + 2*galleryPad
	room := float64(width - 2*galleryPad)
	height := galleryPad + head
	for _, g := range groups {
		rows := (len(g.Items) + galleryCols - 1) / galleryCols
		height += head + rows*cellHeight + galleryPad
	}
	var lines []string
	for _, n := range notes {
		lines = append(lines, wrap(small, n, room)...)
	}
	height += line*len(lines) + galleryPad

	c := newCanvas(width, height)
	y := galleryPad
	c.text(big, big.shorten(title, room), galleryPad, y+28, legendText)
	y += head
	for _, g := range groups {
		// the badge: dark letter on the class's colour, on its own frame
		b := int(math.Max(34, big.width(g.Letter)+16))
		c.badge(galleryPad, y+4, b, 34, g.Colour)
		c.centred(big, g.Letter, float64(galleryPad)+float64(b)/2, float64(y)+21, labelDark, g.Colour)
		x := galleryPad + b + 12
		c.text(big, g.Name, x, y+30, legendText)
		x += int(big.width(g.Name)) + 16
		c.text(small, small.shorten(g.Note, float64(width-galleryPad-x)), x, y+29, legendPale)
		y += head
		for i, it := range g.Items {
			c.cell(galleryPad+i%galleryCols*cellWidth, y+i/galleryCols*cellHeight, &g, &it, number)
		}
		y += (len(g.Items)+galleryCols-1)/galleryCols*cellHeight + galleryPad
	}
	for _, l := range lines {
		y += line
		c.text(small, l, galleryPad, y-6, legendPale)
	}
	return codec.EncodePNG(c.img)
}

func (c *canvas) badge(x, y, w, h int, col color.NRGBA) {
	pts := corners(float64(x), float64(y), float64(x+w), float64(y+h))
	c.plain(pts, col)
	c.stroke(pts, 2, labelLight, 0)
}

// cell draws one kernel with its number and letters below it.
func (c *canvas) cell(x, y int, g *GalleryGroup, it *GalleryItem, number *lettering) {
	const gap, text = 6, 24
	w, h := cellWidth-2*gap, cellHeight-gap-text
	b := it.Crop.img.Bounds()
	img, s := it.Crop.img, min(1, float64(w)/float64(b.Dx()), float64(h)/float64(b.Dy()))
	if s < 1 {
		img = imaging.Resize(img, max(1, int(s*float64(b.Dx()))), max(1, int(s*float64(b.Dy()))), imaging.Box)
		b = img.Bounds()
	}
	x0, y0 := x+gap+(w-b.Dx())/2, y+(h-b.Dy())/2
	draw.Draw(c.img, b.Add(image.Pt(x0, y0)), img, b.Min, draw.Src)
	var pts []kernel.Point
	for _, v := range it.Crop.outline {
		pts = append(pts, kernel.Point{X: v.X*s + float64(x0), Y: v.Y*s + float64(y0)})
	}
	dash := 0.0
	if g.Dashed {
		dash = 6
	}
	c.stroke(pts, 1.6, g.Colour, dash)
	label := it.Label
	if it.Letters != "" {
		label += " " + it.Letters
	}
	label = number.shorten(label, float64(w))
	c.text(number, label, x+gap+(w-int(number.width(label)))/2, y+h+18, legendText)
}
