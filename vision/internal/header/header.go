// Package header reads what a picture file says about itself before anything
// is decoded: type, size, depth, transparency, orientation and resolution.
//
// Start with [Read]; then [Complete] tells whether the file reaches its own
// end, and [Verify] walks the compressed data of the types whose decoder would
// hide damage. All three work on the bytes alone, trust no length they find,
// allocate no more than a small multiple of the file and never panic.
package header

import (
	"fmt"

	"traytally/vision/kernel"
)

// A Format is a type of picture file.
type Format uint8

// The zero value is Unknown.
const (
	Unknown Format = iota
	JPEG
	PNG
	TIFF
	BMP
	WebP
)

// String returns "JPEG", "PNG", "TIFF", "BMP", "WebP" or "unknown".
func (f Format) String() string {
	switch f {
	case JPEG:
		return "JPEG"
	case PNG:
		return "PNG"
	case TIFF:
		return "TIFF"
	case BMP:
		return "BMP"
	case WebP:
		return "WebP"
	}
	return "unknown"
}

// A Transparency says how a file marks see-through pixels.
type Transparency uint8

// The zero value is Opaque.
const (
	Opaque     Transparency = iota
	Alpha                   // a fourth sample, or a palette with alpha
	ColourKey               // one colour, Info.Key, is see-through (PNG tRNS)
	Multiplied              // alpha already multiplied into the colours (TIFF associated alpha)
)

// An Info is what the header of a picture file says. Sizes are as stored,
// before the orientation is applied.
type Info struct {
	Format        Format
	Width, Height int  // 1 .. 2^31-1
	BitDepth      int  // bits per sample as stored: 1, 2, 4, 8 or 16
	Colours       int  // colour samples per pixel once decoded: 1 grey, 3 colour
	WhiteIsZero   bool // greater values are darker (TIFF photometric 0)
	Transparency  Transparency
	// Key is the see-through colour of a ColourKey file, red, green and blue
	// at the depth of the decoded samples (8 bit, or 16 for 16-bit files).
	Key [3]uint16
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
	// Untidy reports that a PNG holds chunks that do not bear on the pixels
	// and may make the decoder talk; see Tidy.
	Untidy bool

	tiff *tiffLayout // TIFF only
}

// Pixels returns Width × Height.
func (in *Info) Pixels() int64 { return int64(in.Width) * int64(in.Height) }

// A Kind tells the two ways a file can be refused apart.
type Kind uint8

const (
	Malformed   Kind = iota // the file breaks the rules of its own format
	Unsupported             // the file is right, and this program does not read it
)

// An Error says why a file is refused: lower case, no full stop.
type Error struct {
	Kind Kind
	What string
	Hint string // one way out; may be empty
}

func (e *Error) Error() string { return e.What }

const (
	hintAgain = "copy the file again from where it came, or scan again"
	hintSave  = "save the picture as PNG, TIFF or JPEG in 8-bit colour and open that"
)

func malformed(format string, args ...any) *Error {
	return &Error{Malformed, fmt.Sprintf(format, args...), hintAgain}
}

func unsupported(format string, args ...any) *Error {
	return &Error{Unsupported, fmt.Sprintf(format, args...), hintSave}
}

// endsEarly reports a file of have bytes that needs at least want.
func endsEarly(have, want int64) *Error {
	return malformed("the file ends early: %d of at least %d bytes", have, want)
}

// Read reads the header of a picture file held whole in data. Its errors are
// of type *Error. A nil error means that the size is known and the kind of
// picture is one that can be decoded, not that the file is whole.
func Read(data []byte) (Info, error) {
	f, err := Sniff(data)
	if err != nil {
		return Info{}, err
	}
	in := Info{Format: f, Orientation: 1}
	switch f {
	case JPEG:
		err = in.readJPEG(data)
	case PNG:
		err = in.readPNG(data)
	case TIFF:
		err = in.readTIFF(data)
	case BMP:
		err = in.readBMP(data)
	case WebP:
		err = in.readWebP(data)
	}
	if err != nil {
		return Info{}, err
	}
	return in, nil
}

// Complete reports an error when the file ends before its picture does, or
// fails its own check sums. in must come from Read of the same data.
func Complete(data []byte, in *Info) error {
	switch in.Format {
	case JPEG:
		return completeJPEG(data, in)
	case PNG:
		return completePNG(data, in)
	case TIFF:
		return completeTIFF(data, in)
	case BMP, WebP:
		return nil // Read has compared every length with the file
	}
	return unsupported("not a picture type that can be read")
}

// Verify decodes the compressed data of JPEG and TIFF files without forming
// pixels and reports damage inside it, which the decoders would patch with
// grey or black. PNG carries check sums that its decoder honours; BMP and WebP
// have none, so damage within such a file cannot be seen. in must come from
// Read of the same data, and Complete must have passed.
func Verify(data []byte, in *Info) error {
	switch in.Format {
	case JPEG:
		return verifyJPEG(data, nil, in.Width, in.Height)
	case TIFF:
		return verifyTIFF(data, in)
	}
	return nil
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
