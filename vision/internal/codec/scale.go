package codec

import (
	"fmt"
	"math"
)

const mmPerInch = 25.4 // exact

// Resolutions outside these bounds cannot be the scale of a tray: below 50 dpi
// (2 px/mm) a kernel is some four pixels wide, and 12 800 dpi is more than
// flatbed scanners offer. Common practice, no source.
const (
	minDPI = 50
	maxDPI = 12800
)

// A density is one statement of resolution in a file.
type density struct {
	source string  // "JFIF", "EXIF", …
	x, y   float64 // px/mm along rows and columns as stored, > 0
}

func (d density) dpi() string {
	x, y := d.x*mmPerInch, d.y*mmPerInch
	if math.Abs(x-y) <= 0.005*math.Max(x, y) {
		return fmt.Sprintf("%.4g dpi", x)
	}
	return fmt.Sprintf("%.4g × %.4g dpi", x, y)
}

// placeholder reports whether d is 72 or 96 dpi, the values that programs
// write when they know no resolution: 72 is the default of XResolution in the
// EXIF standard (JEITA CP-3451, 4.6.4 A), 96 the nominal pixel of screens (CSS
// Values and Units, "reference pixel"). 0.05 dpi lets through the rounding of
// PNG, whose 2835 and 3780 px/m stand for them.
func (d density) placeholder() bool {
	near := func(v, dpi float64) bool { return math.Abs(v*mmPerInch-dpi) < 0.05 }
	return near(d.x, 72) && near(d.y, 72) || near(d.x, 96) && near(d.y, 96)
}

func (d density) plausible() bool {
	ok := func(v float64) bool { return v*mmPerInch >= minDPI && v*mmPerInch <= maxDPI }
	return ok(d.x) && ok(d.y)
}

const hintScale = "state the resolution of the scan, or lay a tray card beside the kernels"

// settle chooses the scale among what the file states, strongest first. What a
// camera writes is never a scale, since it does not know how far away the tray
// was. Where two statements could both be a scale and differ by more than 1 %,
// the first wins and the doubt is reported: JFIF before EXIF and pHYs before
// eXIf, because the program that wrote the pixels last also wrote the former,
// while EXIF blocks are often carried over unchanged when a picture is
// resampled.
func (in *Info) settle(stated []density, ex tags) {
	var real []density
	for i := range stated {
		if in.Orientation >= 5 { // the picture lies on its side
			stated[i].x, stated[i].y = stated[i].y, stated[i].x
		}
	}
	for _, d := range stated {
		switch {
		case ex.camera():
			in.warn("scale_from_camera", hintScale,
				"the stored resolution of %s (%s) comes from a camera and is not a scale", d.dpi(), d.source)
			return
		case !d.placeholder() && d.plausible():
			real = append(real, d)
		}
	}
	if len(real) == 0 {
		if len(stated) > 0 {
			d := stated[0]
			if d.placeholder() {
				in.warn("scale_placeholder", hintScale,
					"the stored resolution of %s (%s) is a placeholder, not a scale", d.dpi(), d.source)
			} else {
				in.warn("scale_implausible", hintScale,
					"the stored resolution of %s (%s) cannot be the scale of a tray", d.dpi(), d.source)
			}
		}
		return
	}
	d := real[0]
	in.PxPerMMX, in.PxPerMMY = d.x, d.y
	in.ScaleSource = fmt.Sprintf("stored resolution (%s, %s)", d.source, d.dpi())
	for _, e := range real[1:] {
		if math.Abs(e.x/d.x-1) > 0.01 || math.Abs(e.y/d.y-1) > 0.01 {
			in.warn("scale_conflict", hintScale,
				"the file states %s (%s) and %s (%s); the first was used, since it was written with the pixels",
				d.dpi(), d.source, e.dpi(), e.source)
			break
		}
	}
	if w, h := ex.number("ExifImageWidth", 0), ex.number("ExifImageHeight", 0); w > 0 && h > 0 &&
		(w != in.Width || h != in.Height) && (w != in.Height || h != in.Width) {
		in.warn("resized", hintScale,
			"the picture was cut or resized after it was taken (%d × %d pixels then, %d × %d now), so the stored resolution may not hold",
			w, h, in.Width, in.Height)
	}
}
