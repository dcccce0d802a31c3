// Package codec reads picture files: JPEG by libjpeg-turbo, WebP by libwebp,
// PNG, TIFF and BMP by Go's own libraries.
//
// Start with [Read], which tells size, orientation, resolution and the memory
// that decoding takes before anything is decoded; then [Decode] gives the
// pixels, all of them or none.
package codec

import (
	"errors"
	"fmt"

	"traytally/vision/internal/raster"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// formats are the types of files that are read, by name.
var formats = map[string]struct {
	read   func(in *Info, data []byte) error
	decode func(data []byte, in *Info) (*raster.Image, error)
}{
	"JPEG": {(*Info).readJPEG, decodeJPEG},
	"PNG":  {(*Info).readPNG, decodePNG},
	"TIFF": {(*Info).readTIFF, decodeTIFF},
	"BMP":  {(*Info).readBMP, decodeBMP},
	"WebP": {(*Info).readWebP, decodeWebP},
}

// An Info is what a picture file says about itself. Sizes are as stored, before
// the orientation is applied.
type Info struct {
	Format        string // "JPEG", "PNG", "TIFF", "BMP" or "WebP"
	Width, Height int    // 1 .. 2^31-1
	// Orientation is the EXIF value, 1..8: which side of the scene the first
	// row and column show. 1 when the file says nothing.
	Orientation int
	// PxPerMMX and PxPerMMY are the stored resolution along x and y of the
	// picture once turned upright; both are 0 when the file has none that can
	// be a scale.
	PxPerMMX, PxPerMMY float64
	// ScaleSource says where the resolution came from, for people:
	// "stored resolution (JFIF, 300 dpi)". Empty without one.
	ScaleSource string
	Warnings    []kernel.Warning

	alpha  bool  // WebP: see-through
	beside int64 // bytes that Decode holds at its peak beside file and pixels
}

// Pixels returns Width × Height.
func (in *Info) Pixels() int64 { return int64(in.Width) * int64(in.Height) }

// What a file is refused with: one that breaks the rules of its own format, and
// one that is right and that this program does not read.
const (
	hintAgain = "copy the file again from where it came, or scan again"
	hintSave  = "save the picture as PNG, TIFF or JPEG in 8-bit colour and open that"
)

func malformed(format string, args ...any) *fault.Error {
	return fault.New("", hintAgain, format, args...)
}

func unsupported(format string, args ...any) *fault.Error {
	return fault.New("", hintSave, format, args...)
}

// endsEarly reports a file of have bytes that needs at least want.
func endsEarly(have, want int64) *fault.Error {
	return malformed("the file ends early: %d of at least %d bytes", have, want)
}

// errNoMemory is what a library says when the system gives it none.
var errNoMemory = errors.New("no memory for the picture")

// Read reads the header of a picture file held whole in data. Its errors are
// of type *fault.Error. A nil error means that the size is known and the kind of
// picture is one that can be decoded, not that the file is whole.
func Read(data []byte) (*Info, error) {
	f, err := Sniff(data)
	if err != nil {
		return nil, err
	}
	in := &Info{Format: f, Orientation: 1}
	if err := formats[f].read(in, data); err != nil {
		return nil, err
	}
	return in, nil
}

// Decode returns the pixels of a file whose header is in, turned the right way
// up: 8-bit BGR, grey as three equal samples, 16 bits as v·255/65535 rounded,
// see-through pixels laid over black, whatever colour they hide. Colour
// profiles are not applied. A file that ends early or whose data break its own
// code is a *fault.Error. Damage inside a BMP, an uncompressed TIFF or a WebP that
// keeps the lengths right cannot be seen: those types carry no check sums. The
// caller closes the Image.
func Decode(data []byte, in *Info) (*raster.Image, error) {
	m, err := formats[in.Format].decode(data, in)
	if err != nil {
		return nil, err
	}
	if err := m.Turn(in.Orientation); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

// Bytes returns the memory that Decode takes at its peak, beside the file.
func (in *Info) Bytes() int64 {
	n := 3*in.Pixels() + in.beside
	if in.Orientation > 1 {
		n = max(n, 6*in.Pixels())
	}
	return n
}

// fits refuses a picture that its file cannot hold, where one byte stands for
// pixelsPerByte pixels at the most.
func (in *Info) fits(data []byte, pixelsPerByte int64) error {
	if int64(len(data))*pixelsPerByte < in.Pixels() {
		return malformed("damaged %s: %d bytes cannot hold %d × %d pixels", in.Format, len(data), in.Width, in.Height)
	}
	return nil
}

func (in *Info) notSquare(x, y float64) {
	in.warn("pixels_not_square", "scan again with the same resolution in both directions",
		"the file says that its pixels are not square (%g : %g)", x, y)
}

func (in *Info) warn(code, hint, format string, args ...any) {
	in.Warnings = append(in.Warnings, kernel.Warning{Code: code, Text: fmt.Sprintf(format, args...), Hint: hint})
}

// setSize stores a size and refuses an empty one.
func (in *Info) setSize(w, h int64) error {
	if w < 1 || h < 1 || w > 1<<31-1 || h > 1<<31-1 {
		return malformed("the header gives an impossible size of %d × %d pixels", w, h)
	}
	in.Width, in.Height = int(w), int(h)
	return nil
}
