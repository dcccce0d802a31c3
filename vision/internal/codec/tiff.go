package codec

import (
	"bytes"
	"encoding/binary"

	"golang.org/x/image/tiff"

	"traytally/vision/internal/raster"
)

// tiffPixelsPerByte is how many pixels, of one bit at the least, one byte of a
// TIFF can stand for at most: LZW writes strings of 4096 bytes in codes of 9
// bits.
const tiffPixelsPerByte = 8 * 4096

// Compression schemes of TIFF 6.0 and its later registrations. Those without a
// name here are read.
var tiffCompressions = map[int]string{
	2: "fax", 3: "fax", 4: "fax", 6: "JPEG", 7: "JPEG",
	34712: "JPEG 2000", 34925: "LZMA", 50000: "Zstandard", 50001: "WebP",
}

// readTIFF reads the first directory (TIFF 6.0, Adobe 1992).
func (in *Info) readTIFF(data []byte) error {
	t, _ := readTags(data)
	if err := tiffKind(t); err != nil {
		return err
	}
	c, err := tiff.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return libraryError(in.Format, data, err)
	}
	if err := in.setSize(int64(c.Width), int64(c.Height)); err != nil {
		return err
	}
	// The library holds a strip as well, packed and grown by doubling, which may
	// be all of the picture.
	in.beside = in.Pixels() * 3 * bytesPerPixel(c.ColorModel)
	order := binary.ByteOrder(binary.LittleEndian)
	if data[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(data[4:])) // the library has read the directory there
	at += 2 + 12*int64(order.Uint16(data[at:]))
	if at+4 <= int64(len(data)) && order.Uint32(data[at:]) != 0 {
		in.warn("more_pages", "split the file to measure the other pages", "the TIFF holds more than one page; the first was read")
	}
	in.Orientation = t.orientation()
	var stated []density
	d, ok := t.density("TIFF")
	if ok {
		stated = append(stated, d)
	} else if d.x != d.y {
		in.notSquare(d.x, d.y)
	}
	in.settle(stated, t)
	return in.fits(data, tiffPixelsPerByte)
}

// tiffKind refuses what the library would read wrongly or refuse in words that
// help nobody.
func tiffKind(t tags) error {
	switch {
	case t.has("DNGVersion"):
		return unsupported("a camera raw file (DNG), which is not supported")
	case t.number("SubfileType", 0)&1 != 0:
		return unsupported("a TIFF whose first page is a preview of another, which is not supported")
	case t.number("PhotometricInterpretation", 0) == 5:
		return unsupported("a CMYK TIFF: printing colours cannot be measured")
	case t.number("PhotometricInterpretation", 0) > 3: // grey, colour, palette
		return unsupported("a TIFF of other than grey or red, green and blue, which is not supported")
	case t.number("PlanarConfiguration", 1) != 1:
		return unsupported("a TIFF with its colours in separate planes, which is not supported")
	case t.number("PhotometricInterpretation", 0) == 2 && t.number("SamplesPerPixel", 3) != 3 && t.number("ExtraSamples", 0) == 0:
		return unsupported("a TIFF of %d samples per pixel, which is not supported", t.number("SamplesPerPixel", 3))
	case t.number("FillOrder", 1) != 1:
		return unsupported("a TIFF with its bits in reverse order, which is not supported")
	}
	switch c := tiffCompressions[t.number("Compression", 1)]; c {
	case "":
		return nil
	case "fax":
		e := unsupported("a TIFF in fax compression, which holds black and white only")
		e.Hint = "scan in colour"
		return e
	default:
		return unsupported("a TIFF in %s compression, which is not supported", c)
	}
}

func decodeTIFF(data []byte, in *Info) (*raster.Image, error) {
	m, err := tiff.Decode(bytes.NewReader(data))
	return take(data, in, m, err)
}
