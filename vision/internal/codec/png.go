package codec

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/png"

	"traytally/vision/internal/raster"
)

// pngPixelsPerByte is how many pixels, of one bit at the least, one byte of
// deflate can stand for at most (zlib, "Technical details", maximum expansion
// factor).
const pngPixelsPerByte = 8 * 1032

// readPNG walks the chunks up to the end (PNG specification, third edition, W3C
// 2025, clause 11). Resolution: pHYs (unit 1 is the metre) before eXIf.
func (in *Info) readPNG(data []byte) error {
	c, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return libraryError(in.Format, data, err)
	}
	if err := in.setSize(int64(c.Width), int64(c.Height)); err != nil {
		return err
	}
	var (
		stated []density
		block  []byte
		aspect [2]float64
	)
	in.beside = in.Pixels() * bytesPerPixel(c.ColorModel)
	if data[28] != 0 { // interlaced: its passes come one by one
		in.beside *= 2
	}
	for at := 8; ; {
		if at+12 > len(data) {
			return malformed("the file ends early: %d bytes, and the end chunk of a PNG is missing", len(data))
		}
		n := int64(binary.BigEndian.Uint32(data[at:]))
		if int64(at)+n+12 > int64(len(data)) {
			return endsEarly(int64(len(data)), int64(at)+n+12)
		}
		kind, body := string(data[at+4:at+8]), data[at+8:at+8+int(n)]
		at += int(n) + 12
		switch kind {
		case "IEND":
			in.settle(in.addExif(block, stated))
			if in.PxPerMMX == 0 && aspect[0] != aspect[1] {
				in.notSquare(aspect[0], aspect[1])
			}
			return in.fits(data, pngPixelsPerByte)
		case "pHYs":
			if len(body) != 9 || stated != nil {
				continue
			}
			x, y := float64(binary.BigEndian.Uint32(body)), float64(binary.BigEndian.Uint32(body[4:]))
			switch {
			case x == 0 || y == 0:
			case body[8] == 1:
				stated = append(stated, density{"PNG pHYs", x / 1000, y / 1000})
			default:
				aspect = [2]float64{x, y}
			}
		case "eXIf":
			block = body
		case "acTL":
			in.warn("animated", "", "the PNG is animated; its first picture was read")
		case "IHDR", "PLTE", "IDAT":
		default:
			if kind[0]&0x20 == 0 { // a critical chunk nobody knows
				return unsupported("a PNG with an unknown chunk %q, which is not supported", kind)
			}
		}
	}
}

func decodePNG(data []byte, in *Info) (*raster.Image, error) {
	m, err := png.Decode(bytes.NewReader(data))
	return take(data, in, m, err)
}

// EncodePNG encodes fast rather than small.
func EncodePNG(m image.Image) ([]byte, error) {
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := e.Encode(&b, m); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
