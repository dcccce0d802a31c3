package phantom

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"path/filepath"
	"strings"
)

// DefaultQuality is the JPEG quality that Encode takes for 0: light
// compression, as scanners offer for documents (common practice, no source).
const DefaultQuality = 92

// Encode writes the picture as PNG or JPEG (colour at half resolution, 4:2:0),
// by the ending of name (.png, .jpg or .jpeg), with dpi as its stored resolution. Quality is that of JPEG,
// 1..100, or 0 for DefaultQuality; it is not used for PNG.
func Encode(w io.Writer, name string, img image.Image, dpi float64, quality int) error {
	if !(dpi > 0 && dpi < 60000) {
		return fmt.Errorf("resolution of %g dpi, want more than 0 and less than 60000", dpi)
	}
	if !CanEncode(name) {
		return fmt.Errorf("%s: unknown kind of picture, want a name that ends in .png, .jpg or .jpeg", name)
	}
	var b bytes.Buffer
	at, stored, err := encoders[strings.ToLower(filepath.Ext(name))](&b, img, dpi, quality)
	if err != nil {
		return err
	}
	for _, part := range [][]byte{b.Next(at), stored, b.Bytes()} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// The encoders of the standard library write no resolution. These tell what stores
// it, and after how many bytes of the file it stands.
var encoders = map[string]func(w io.Writer, img image.Image, dpi float64, quality int) (at int, stored []byte, err error){
	".png": encodePNG, ".jpg": encodeJPEG, ".jpeg": encodeJPEG,
}

// CanEncode reports whether Encode knows what the ending of name asks for.
func CanEncode(name string) bool { return encoders[strings.ToLower(filepath.Ext(name))] != nil }

// encodePNG adds the pHYs chunk after IHDR: pixels per metre, rounded (PNG
// specification, third edition, W3C 2025, 11.3.4.3).
func encodePNG(w io.Writer, img image.Image, dpi float64, _ int) (at int, stored []byte, err error) {
	perMetre := uint32(math.Round(dpi / mmPerInch * 1000))
	chunk := append(binary.BigEndian.AppendUint32(nil, 9), "pHYs"...)
	chunk = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(chunk, perMetre), perMetre)
	chunk = append(chunk, 1)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	const signatureAndIHDR = 8 + 4 + 4 + 13 + 4
	// Noise hardly compresses: the fastest setting loses little.
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	return signatureAndIHDR, chunk, e.Encode(w, img)
}

// encodeJPEG adds the JFIF APP0 segment after SOI: density in dots per inch, or
// where dpi is no whole number the nearest in dots per cm or inch (JFIF 1.02,
// Hamilton 1992; ITU-T T.871).
func encodeJPEG(w io.Writer, img image.Image, dpi float64, quality int) (at int, stored []byte, err error) {
	if quality == 0 {
		quality = DefaultQuality
	}
	if quality < 1 || quality > 100 {
		return 0, nil, fmt.Errorf("JPEG quality of %d, want 1 to 100", quality)
	}
	unit, density := byte(1), math.Round(dpi)
	perCM := dpi / mmPerInch * 10
	if r := math.Round(perCM); math.Abs(r/perCM-1) < math.Abs(density/dpi-1) {
		unit, density = 2, r
	}
	app0 := []byte{0xff, 0xe0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2, unit}
	app0 = binary.BigEndian.AppendUint16(app0, uint16(density))
	app0 = binary.BigEndian.AppendUint16(app0, uint16(density))
	app0 = append(app0, 0, 0)
	return 2, app0, jpeg.Encode(w, img, &jpeg.Options{Quality: quality})
}
