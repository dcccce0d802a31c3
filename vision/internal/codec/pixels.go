package codec

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"runtime/debug"
	"strings"

	"traytally/vision/internal/raster"
)

// take brings what a library of Go decoded, or could not, to BGR.
func take(data []byte, in *Info, m image.Image, err error) (*raster.Image, error) {
	if err != nil {
		return nil, libraryError(in.Format, data, err)
	}
	if m.Bounds() != image.Rect(0, 0, in.Width, in.Height) {
		return nil, malformed("damaged %s: two sizes", in.Format)
	}
	release(in) // the library's buffers
	out, err := raster.New(in.Width, in.Height)
	if err != nil {
		return nil, err
	}
	for y := range in.Height {
		flatten(out.Bytes()[3*in.Width*y:3*in.Width*(y+1)], m, y)
	}
	m = nil
	release(in) // the library's picture
	return out, nil
}

// release gives memory that is no longer used back to the system, where it is
// worth the collector's time. 2^20 pixels: chosen, some 4 MB.
func release(in *Info) {
	if in.Pixels() > 1<<20 {
		debug.FreeOSMemory()
	}
}

// bytesPerPixel returns what Go's pictures of a colour model take.
func bytesPerPixel(m color.Model) int64 {
	switch m {
	case color.RGBAModel, color.NRGBAModel:
		return 4
	case color.RGBA64Model, color.NRGBA64Model:
		return 8
	case color.Gray16Model:
		return 2
	}
	return 1 // grey, or a place in a palette
}

// flatten brings row y to 8-bit BGR laid over black: grey becomes three equal
// samples, 16 bits become v·255/65535, rounded.
func flatten(row []byte, m image.Image, y int) {
	w := len(row) / 3
	switch m := m.(type) {
	case *image.Gray:
		for x, v := range m.Pix[y*m.Stride:][:w] {
			row[3*x], row[3*x+1], row[3*x+2] = v, v, v
		}
	case *image.RGBA: // opaque, or laid over black already
		src := m.Pix[y*m.Stride:][: 4*w : 4*w]
		for x := range w {
			p, q := src[4*x:4*x+3:4*x+3], row[3*x:3*x+3:3*x+3]
			q[0], q[1], q[2] = p[2], p[1], p[0]
		}
	case *image.NRGBA:
		src := m.Pix[y*m.Stride:][: 4*w : 4*w]
		for x := range w {
			p, q := src[4*x:4*x+4:4*x+4], row[3*x:3*x+3:3*x+3]
			q[0], q[1], q[2] = over(p[2], p[3]), over(p[1], p[3]), over(p[0], p[3])
		}
	case *image.Paletted:
		var bgr [256][3]byte
		for i, c := range m.Palette {
			bgr[i] = narrow(c)
		}
		for x, i := range m.Pix[y*m.Stride:][:w] {
			copy(row[3*x:], bgr[i][:])
		}
	default: // of 16 bits
		for x := range w {
			c := narrow(m.At(x, y))
			copy(row[3*x:], c[:])
		}
	}
}

// over returns v·a/255, rounded.
func over(v, a uint8) uint8 { return uint8((uint32(v)*uint32(a) + 127) / 255) }

// narrow returns BGR of 8 bits laid over black, rounded once.
func narrow(c color.Color) (bgr [3]byte) {
	const full = 65535 * 257
	var p [3]uint16
	a := uint64(65535)
	switch c := c.(type) {
	case color.NRGBA64:
		p, a = [3]uint16{c.B, c.G, c.R}, uint64(c.A)
	case color.NRGBA:
		return [3]byte{over(c.B, c.A), over(c.G, c.A), over(c.R, c.A)}
	default: // grey, or laid over black already
		r, g, b, _ := c.RGBA()
		p = [3]uint16{uint16(b), uint16(g), uint16(r)}
	}
	for i, v := range p {
		bgr[i] = byte((uint64(v)*a + full/2) / full)
	}
	return bgr
}

// libraryError makes what a library of Go says an error for the user.
func libraryError(format string, data []byte, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return malformed("the file ends early: the %d bytes of this %s are not all", len(data), format)
	}
	what := strings.ToLower(format) + ": "
	what = strings.TrimPrefix(err.Error(), what)
	if kind, rest, ok := strings.Cut(what, "unsupported feature: "); ok && kind == "" {
		return unsupported("a %s with %s, which is not supported", format, rest)
	}
	if strings.HasPrefix(what, "unsupported") {
		return unsupported("a %s of a kind that is not supported", format)
	}
	return malformed("damaged %s: %s", format, strings.TrimPrefix(fmt.Sprint(what), "invalid format: "))
}
