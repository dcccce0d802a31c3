package report

import (
	"bytes"
	"cmp"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"slices"

	"github.com/disintegration/imaging"

	"traytally/grading"
	"traytally/vision/kernel"
)

// Sizes of pictures in a report, chosen for A4 at about 200 dots per inch.
const (
	overlayPixels  = 2_200_000
	overlayQuality = 82
	cropPixels     = 128 // greatest side of a crop in the gallery, a multiple of 16
	cropQuality    = 85
	maxCrops       = 60
)

// reduced returns the picture at no more than overlayPixels.
func reduced(img image.Image) image.Image {
	b := img.Bounds()
	s := math.Sqrt(overlayPixels / (float64(b.Dx()) * float64(b.Dy())))
	if s < 1 {
		return imaging.Resize(img, max(1, int(float64(b.Dx())*s)), 0, imaging.Box)
	}
	return img
}

// A still is a picture and its JPEG.
type still struct {
	img     image.Image
	quality int
	jpeg    []byte
}

func stillOf(img image.Image, quality int) (still, error) {
	from := img
	// Opaque pixels are the same bytes as RGBA, which image/jpeg reads in half
	// the time.
	if n, ok := img.(*image.NRGBA); ok && n.Opaque() {
		from = &image.RGBA{Pix: n.Pix, Stride: n.Stride, Rect: n.Rect}
	}
	var b bytes.Buffer
	err := jpeg.Encode(&b, from, &jpeg.Options{Quality: quality})
	return still{img, quality, b.Bytes()}, err
}

// A crop is one kernel of the gallery, cut from the picture at the same scale
// as all others.
type crop struct {
	Tray       int // index
	Kernel     *kernel.Kernel
	Row        *grading.KernelRow
	X, Y, Side float64     // the square shown, in pixels of the picture
	Img        image.Image // nil where the picture is not at hand
	Why        string      // class or flags
	rank       int         // what goes first, see gallery
	size       float64     // and among those of one rank
}

// Line is the width of the outline that is drawn on it.
func (c crop) Line() float64 { return c.Side / 90 }

// flagOrder is the order of flagged kernels in the gallery, others before them.
var flagOrder = []string{"paddy", "red", "red_streaked", "yellow", "damaged", "chalky"}

// Ranks of a crop beside the places in flagOrder, and -1.
const (
	foreignBody = -2
	plainBroken = 100
)

// gallery picks the kernels that tell why the sample is what it is: foreign
// bodies and flagged kernels first, then brokens from the largest on, since
// those near the limit are the ones in doubt. more is how many did not fit.
func (v *view) gallery() (crops []crop, more int) {
	for i := range v.in.Trays {
		rows := v.rows(i)
		for j := range rows {
			r := &rows[j]
			c := crop{Tray: i, Kernel: &v.in.Trays[i].Kernels[j], Row: r, Why: v.NameOf(r.Class), rank: plainBroken, size: v.length(r)}
			switch {
			case r.Class == grading.ForeignBody:
				c.rank = foreignBody
			case len(r.Flags) > 0:
				c.Why, c.rank, c.size = v.NameOf(r.Flags[0]), slices.Index(flagOrder, r.Flags[0]), 0
			case r.Class == grading.Head:
				continue
			}
			crops = append(crops, c)
		}
	}
	slices.SortStableFunc(crops, func(a, b crop) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(b.size, a.size))
	})
	if len(crops) > maxCrops {
		// Flagged kernels do not push out the brokens altogether, nor the reverse.
		first := len(crops)
		if i := slices.IndexFunc(crops, func(c crop) bool { return c.rank == plainBroken }); i >= 0 {
			first = i
		}
		brokens := min(len(crops)-first, max(maxCrops/2, maxCrops-first))
		kept := append(crops[:maxCrops-brokens:maxCrops-brokens], crops[first:first+brokens]...)
		more, crops = len(crops)-len(kept), kept
	}
	for i := range crops {
		v.cutOut(&crops[i])
	}
	return crops, more
}

// cutOut cuts a kernel out of its picture.
func (v *view) cutOut(c *crop) {
	c.Side = max(math.Ceil(1.18*v.wholeLengthPx(&v.in.Trays[c.Tray])), math.Ceil(1.1*c.Kernel.LengthPx))
	x, y := middle(c.Kernel)
	c.X, c.Y = math.Round(x-c.Side/2), math.Round(y-c.Side/2)
	img := v.in.Photos[c.Tray].img
	if img == nil {
		return
	}
	square := imaging.New(int(c.Side), int(c.Side), color.Black) // what lies outside the picture stays black
	draw.Draw(square, square.Bounds(), img, img.Bounds().Min.Add(image.Pt(int(c.X), int(c.Y))), draw.Src)
	c.Img = square
	if int(c.Side) > cropPixels {
		c.Img = imaging.Resize(square, cropPixels, cropPixels, imaging.Box)
	}
}

// wholeLengthPx is the whole-kernel length in pixels of the tray.
func (v *view) wholeLengthPx(t *kernel.Tray) float64 {
	l := v.res.Reference.Length
	if l == 0 { // not told: the longest will do for what is shown
		for i := range t.Kernels {
			l = max(l, t.Kernels[i].LengthPx)
		}
		return l
	}
	if v.unit == "mm" && t.PxPerMM > 0 {
		l *= t.PxPerMM
	}
	return l
}

// middle is the centre of the box around a kernel's outline.
func middle(k *kernel.Kernel) (x, y float64) {
	if len(k.Outline) == 0 {
		return k.X, k.Y
	}
	lo, hi := k.Outline[0], k.Outline[0]
	for _, p := range k.Outline {
		lo.X, lo.Y, hi.X, hi.Y = min(lo.X, p.X), min(lo.Y, p.Y), max(hi.X, p.X), max(hi.Y, p.Y)
	}
	return (lo.X + hi.X) / 2, (lo.Y + hi.Y) / 2
}

// usualWidth is the median width of the kernels on a tray, px.
func usualWidth(t *kernel.Tray) float64 {
	var w []float64
	for i := range t.Kernels {
		w = append(w, t.Kernels[i].WidthPx)
	}
	if len(w) == 0 {
		return 20
	}
	slices.Sort(w)
	return w[len(w)/2]
}

// contactSheet returns the crops on one picture, columns to a row, each in a
// square of the returned side, which is a multiple of 16 so that the blocks of
// a JPEG do not run over its edge. It is nil where no crop has a picture.
func contactSheet(crops []crop, columns int) (sheet *image.NRGBA, side int) {
	for i := range crops {
		if c := &crops[i]; c.Img != nil {
			side = max(side, c.Img.Bounds().Dx())
		}
	}
	if side == 0 {
		return nil, 0
	}
	side = min(cropPixels, (side+15)/16*16)
	sheet = imaging.New(columns*side, (len(crops)+columns-1)/columns*side, color.Black)
	for i := range crops {
		if c := &crops[i]; c.Img != nil {
			at := image.Rect(0, 0, side, side).Add(image.Pt(i%columns*side, i/columns*side))
			draw.Draw(sheet, at, imaging.Resize(c.Img, side, side, imaging.Linear), image.Point{}, draw.Src)
		}
	}
	return sheet, side
}
