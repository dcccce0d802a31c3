package codec

import (
	"bytes"
	"encoding/binary"
	"image"

	"golang.org/x/image/bmp"

	"traytally/vision/internal/raster"
)

// readBMP takes the resolution from the information header (BITMAPINFOHEADER,
// as Microsoft documents it), in pixels per metre.
func (in *Info) readBMP(data []byte) error {
	c, err := bmp.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return libraryError(in.Format, data, err)
	}
	if err := in.setSize(int64(c.Width), int64(c.Height)); err != nil {
		return err
	}
	le := binary.LittleEndian
	bits := int64(le.Uint16(data[28:]))
	in.beside = in.Pixels() * bytesPerPixel(c.ColorModel)
	x, y := int32(le.Uint32(data[38:])), int32(le.Uint32(data[42:]))
	if x > 0 && y > 0 {
		in.settle([]density{{"BMP", float64(x) / 1000, float64(y) / 1000}}, nil)
	}
	if want := int64(le.Uint32(data[10:])) + (int64(in.Width)*bits+31)/32*4*int64(in.Height); want > int64(len(data)) {
		return endsEarly(int64(len(data)), want)
	}
	return nil
}

func decodeBMP(data []byte, in *Info) (*raster.Image, error) {
	m, err := bmp.Decode(bytes.NewReader(data))
	if m, ok := m.(*image.NRGBA); ok && err == nil && !m.Opaque() {
		// Many programs leave zeros where others read transparency.
		return nil, unsupported("a BMP with transparency, which is not supported")
	}
	return take(data, in, m, err)
}
