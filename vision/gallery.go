package vision

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"

	"github.com/disintegration/imaging"

	"traytally/vision/internal/codec"
	"traytally/vision/kernel"
)

// A Crop is the picture of one kernel, turned so that it lies level, with what
// lies around it dimmed. It is good after the Picture is closed.
type Crop struct {
	img     *image.NRGBA
	outline []vertex // in the crop, pixel corners integers
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
	lo, hi := vertex{math.MaxFloat32, math.MaxFloat32}, vertex{}
	for _, v := range k.Outline {
		dx, dy := z*(v.X-float64(cx)), z*(v.Y-float64(cy))
		q := vertex{float32(mid + dx*cos + dy*sin), float32(mid + dy*cos - dx*sin)}
		lo.x, lo.y = min(lo.x, q.x), min(lo.y, q.y)
		hi.x, hi.y = max(hi.x, q.x), max(hi.y, q.y)
		if n := len(c.outline); n == 0 || c.outline[n-1].dist(q) >= 0.8 {
			c.outline = append(c.outline, q)
		}
	}
	margin := float32(z * room)
	rect := image.Rect(int(lo.x-margin), int(lo.y-margin), int(math.Ceil(float64(hi.x+margin))), int(math.Ceil(float64(hi.y+margin)))).Intersect(img.Bounds())
	c.img = imaging.Crop(img, rect)
	for i := range c.outline {
		c.outline[i].x -= float32(rect.Min.X)
		c.outline[i].y -= float32(rect.Min.Y)
	}
	c.dim()
	return c
}

// dim takes two thirds of the light off what lies around the kernel.
func (c *Crop) dim() {
	b := c.img.Bounds()
	in := newCanvas(b.Dx(), b.Dy())
	for i := range in.img.Pix {
		in.img.Pix[i] = 0
	}
	in.fillPlain(c.outline, color.NRGBA{0xff, 0xff, 0xff, 0xff})
	for i := 0; i < len(c.img.Pix); i += 4 {
		keep := 85 + int(in.img.Pix[i])*170/255
		for k := range 3 {
			c.img.Pix[i+k] = uint8(int(c.img.Pix[i+k]) * keep / 255)
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
	c.fillPlain(pts, col)
	c.stroke(pts, 2, labelLight, 0)
}

// cell draws one kernel with its number and letters below it.
func (c *canvas) cell(x, y int, g *GalleryGroup, it *GalleryItem, number *lettering) {
	const gap, text = 6, 24
	w, h := cellWidth-2*gap, cellHeight-gap-text
	b := it.Crop.img.Bounds()
	img, outline := it.Crop.img, it.Crop.outline
	if s := math.Min(float64(w)/float64(b.Dx()), float64(h)/float64(b.Dy())); s < 1 {
		img = imaging.Resize(img, max(1, int(s*float64(b.Dx()))), max(1, int(s*float64(b.Dy()))), imaging.Box)
		outline = nil
		for _, v := range it.Crop.outline {
			outline = append(outline, vertex{v.x * float32(s), v.y * float32(s)})
		}
		b = img.Bounds()
	}
	x0, y0 := x+gap+(w-b.Dx())/2, y+(h-b.Dy())/2
	for j := range b.Dy() {
		for i := range b.Dx() {
			copy(c.img.Pix[c.img.PixOffset(x0+i, y0+j):][:4], img.Pix[img.PixOffset(i, j):][:4])
		}
	}
	pts := make([]vertex, len(outline))
	for i, v := range outline {
		pts[i] = vertex{v.x + float32(x0), v.y + float32(y0)}
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
