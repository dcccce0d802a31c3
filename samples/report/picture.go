package report

import (
	"bytes"
	"image"
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

// reduced returns the picture at no more than overlayPixels, nil for nil.
func reduced(img image.Image) image.Image {
	if img == nil {
		return nil
	}
	b := img.Bounds()
	s := math.Sqrt(overlayPixels / (float64(b.Dx()) * float64(b.Dy())))
	if s < 1 {
		return imaging.Resize(img, max(1, int(float64(b.Dx())*s)), 0, imaging.Box)
	}
	return img
}

func encodeJPEG(img image.Image, quality int) ([]byte, error) {
	var b bytes.Buffer
	err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality})
	return b.Bytes(), err
}

// A crop is one kernel of the gallery, cut from the picture at the same scale
// as all others.
type crop struct {
	tray, kernel int         // index of the tray, and of the kernel in it
	row          int         // index in the result's kernels
	x, y, side   float64     // the square shown, in pixels of the picture
	img          image.Image // nil where the picture is not at hand
	why          string      // class or flags
}

// gallery picks the kernels that tell why the sample is what it is: foreign
// bodies and flagged kernels first, then brokens from the largest on, since
// those near the limit are the ones in doubt. more is how many did not fit.
func (v *view) gallery() (crops []crop, more int) {
	row := 0
	for i := range v.in.Trays {
		t := &v.in.Trays[i]
		for j := range t.Kernels {
			r := &v.res.Kernels[row]
			if r.Class != grading.Head || len(r.Flags) > 0 {
				why := v.T(lookOf(r.Class).name)
				if len(r.Flags) > 0 && r.Class != grading.ForeignBody {
					why = v.className(r.Flags[0])
				}
				crops = append(crops, crop{tray: i, kernel: j, row: row, why: why})
			}
			row++
		}
	}
	order := func(c crop) int {
		r := &v.res.Kernels[c.row]
		switch {
		case r.Class == grading.ForeignBody:
			return 0
		case len(r.Flags) > 0:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(crops, func(a, b crop) int {
		if d := order(a) - order(b); d != 0 {
			return d
		}
		if order(a) == 1 {
			return flagRank(v.res.Kernels[a.row].Flags[0]) - flagRank(v.res.Kernels[b.row].Flags[0])
		}
		switch x, y := v.length(&v.res.Kernels[a.row]), v.length(&v.res.Kernels[b.row]); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	if len(crops) > maxCrops {
		// Flagged kernels do not push out the brokens altogether, nor the reverse.
		first := 0
		for first < len(crops) && order(crops[first]) < 2 {
			first++
		}
		brokens := min(len(crops)-first, max(maxCrops/2, maxCrops-first))
		kept := slices.Clone(crops[:maxCrops-brokens])
		kept = append(kept, crops[first:first+brokens]...)
		more, crops = len(crops)-len(kept), kept
	}
	for n := range crops {
		c := &crops[n]
		t := &v.in.Trays[c.tray]
		k := &t.Kernels[c.kernel]
		c.side = math.Ceil(1.18 * v.wholeLengthPx(t))
		c.side = max(c.side, math.Ceil(1.1*k.LengthPx))
		cx, cy := middle(k)
		c.x, c.y = math.Round(cx-c.side/2), math.Round(cy-c.side/2)
		img := v.in.Photos[c.tray].Image
		if img == nil {
			continue
		}
		side := int(c.side)
		square := image.NewNRGBA(image.Rect(0, 0, side, side))
		draw.Draw(square, square.Bounds(), image.Black, image.Point{}, draw.Src)
		draw.Draw(square, square.Bounds(), img, img.Bounds().Min.Add(image.Pt(int(c.x), int(c.y))), draw.Src)
		// What lies outside the picture stays black.
		c.img = square
		if side > cropPixels {
			c.img = imaging.Resize(square, cropPixels, cropPixels, imaging.Box)
		}
	}
	return crops, more
}

func flagRank(f string) int {
	return slices.Index([]string{"paddy", "red", "red_streaked", "yellow", "damaged", "chalky"}, f)
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
		if c := &crops[i]; c.img != nil {
			side = max(side, c.img.Bounds().Dx())
		}
	}
	if side == 0 {
		return nil, 0
	}
	side = min(cropPixels, (side+15)/16*16)
	sheet = image.NewNRGBA(image.Rect(0, 0, columns*side, (len(crops)+columns-1)/columns*side))
	draw.Draw(sheet, sheet.Bounds(), image.Black, image.Point{}, draw.Src)
	for i := range crops {
		if c := &crops[i]; c.img != nil {
			at := image.Rect(0, 0, side, side).Add(image.Pt(i%columns*side, i/columns*side))
			draw.Draw(sheet, at, imaging.Resize(c.img, side, side, imaging.Linear), image.Point{}, draw.Src)
		}
	}
	return sheet, side
}
