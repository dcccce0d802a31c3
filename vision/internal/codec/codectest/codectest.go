// Package codectest writes small picture files, right and wrong ones, for the
// tests of the packages that read them. It shares no code with the readers.
package codectest

// #cgo pkg-config: libwebp
// #include <webp/encode.h>
import "C"

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"slices"
	"unsafe"

	"golang.org/x/image/bmp"
)

// Pattern returns a w×h picture without any symmetry, opaque, whose
// neighbouring pixels differ.
func Pattern(w, h int) *image.NRGBA {
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.SetNRGBA(x, y, color.NRGBA{uint8(x*7 + y*3), uint8(y*11 + x*x), uint8(x*y + 40), 255})
		}
	}
	return m
}

// SeeThrough is Pattern with half of its pixels see-through.
func SeeThrough(w, h int) *image.NRGBA {
	m := Pattern(w, h)
	for i := 3; i < len(m.Pix); i += 4 {
		if i>>2*7%10 < 5 {
			m.Pix[i] = 100
		}
	}
	return m
}

// Smooth returns a w×h picture without symmetry that JPEG keeps well.
func Smooth(w, h int) *image.NRGBA {
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.SetNRGBA(x, y, color.NRGBA{uint8(20 + 200*x/w), uint8(30 + 180*y/h), uint8(90 + 40*x/w), 255})
		}
	}
	return m
}

// BGR returns the 8-bit BGR bytes of m laid over black.
func BGR(m image.Image) []byte {
	b := m.Bounds()
	out := make([]byte, 0, 3*b.Dx()*b.Dy())
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.NRGBA64Model.Convert(m.At(x, y)).(color.NRGBA64)
			a := uint64(c.A)
			for _, v := range []uint16{c.B, c.G, c.R} {
				// v·a/65535, then 255/65535, rounded once.
				out = append(out, byte((uint64(v)*a*2+65535*257)/(2*65535*257)))
			}
		}
	}
	return out
}

// Turn returns BGR pixels turned upright from an EXIF orientation, by the
// definition of tag 274 (JEITA CP-3451, 4.6.4 A): the value names the side of
// the scene on which the stored row 0 and column 0 lie.
func Turn(pix []byte, w, h, orientation int) (out []byte, outW, outH int) {
	outW, outH = w, h
	if orientation >= 5 {
		outW, outH = h, w
	}
	out = make([]byte, len(pix))
	for row := range h {
		for col := range w {
			var x, y int
			switch orientation {
			case 1: // row 0 top, column 0 left
				x, y = col, row
			case 2: // top, right
				x, y = w-1-col, row
			case 3: // bottom, right
				x, y = w-1-col, h-1-row
			case 4: // bottom, left
				x, y = col, h-1-row
			case 5: // left, top
				x, y = row, col
			case 6: // right, top
				x, y = h-1-row, col
			case 7: // right, bottom
				x, y = h-1-row, w-1-col
			case 8: // left, bottom
				x, y = row, w-1-col
			}
			copy(out[3*(y*outW+x):][:3], pix[3*(row*w+col):])
		}
	}
	return out, outW, outH
}

// A Field is one entry of a TIFF or EXIF directory. Type 1 is BYTE, 3 SHORT, 4
// LONG, 5 RATIONAL (two values each), 7 UNDEFINED.
type Field struct {
	Tag, Type uint16
	Values    []uint32
}

// Short, Long and Rational are the common fields.
func Short(tag uint16, v ...uint32) Field        { return Field{tag, 3, v} }
func Long(tag uint16, v ...uint32) Field         { return Field{tag, 4, v} }
func Rational(tag uint16, num, den uint32) Field { return Field{tag, 5, []uint32{num, den}} }

// AppendIFD appends a directory to b, whose start is the file's, and returns
// it with the directory's offset. Values that do not fit follow it.
func AppendIFD(b []byte, order binary.AppendByteOrder, next uint32, fields ...Field) ([]byte, uint32) {
	slices.SortStableFunc(fields, func(a, b Field) int { return int(a.Tag) - int(b.Tag) })
	if len(b)%2 == 1 {
		b = append(b, 0)
	}
	at := uint32(len(b))
	far := at + 2 + uint32(12*len(fields)) + 4
	var tail []byte
	b = order.AppendUint16(b, uint16(len(fields)))
	for _, f := range fields {
		var v []byte
		for _, u := range f.Values {
			switch f.Type {
			case 1, 7:
				v = append(v, byte(u))
			case 3:
				v = order.AppendUint16(v, uint16(u))
			default:
				v = order.AppendUint32(v, u)
			}
		}
		n := len(f.Values)
		if f.Type == 5 {
			n /= 2
		}
		b = order.AppendUint16(b, f.Tag)
		b = order.AppendUint16(b, f.Type)
		b = order.AppendUint32(b, uint32(n))
		if len(v) <= 4 {
			b = append(b, v...)
			b = append(b, make([]byte, 4-len(v))...)
			continue
		}
		b = order.AppendUint32(b, far+uint32(len(tail)))
		tail = append(tail, v...)
		if len(tail)%2 == 1 {
			tail = append(tail, 0)
		}
	}
	b = order.AppendUint32(b, next)
	return append(b, tail...), at
}

func tiffHead(order binary.AppendByteOrder) []byte {
	if order == binary.AppendByteOrder(binary.BigEndian) {
		return []byte("MM\x00*\x00\x00\x00\x00")
	}
	return []byte("II*\x00\x00\x00\x00\x00")
}

func putOffset(b []byte, order binary.AppendByteOrder, off uint32) []byte {
	return append(b[:4:4], append(order.AppendUint32(nil, off), b[8:]...)...)
}

// Exif returns an EXIF block, without "Exif\0\0", with fields in its first
// directory and camera, if any, in the camera's own.
func Exif(order binary.AppendByteOrder, fields, camera []Field) []byte {
	b := tiffHead(order)
	if camera != nil {
		var at uint32
		b, at = AppendIFD(b, order, 0, camera...)
		fields = append(append([]Field(nil), fields...), Long(34665, at))
	}
	b, at := AppendIFD(b, order, 0, fields...)
	return putOffset(b, order, at)
}

// A TIFFPage is an uncompressed picture, or with Blocks a compressed one.
type TIFFPage struct {
	W, H, Bits, Samples, Photometric int
	Rows                             int      // per strip; 0 means all
	Blocks                           [][]byte // strips or tiles, in order
	Compression                      int      // 0 means 1, none
	Tile                             int      // side of square tiles; 0 means strips
	Fields                           []Field  // further fields, in place of the usual ones of that tag
}

// TIFF returns a file of pages. The pixels come before the directories.
func TIFF(order binary.AppendByteOrder, pages ...TIFFPage) []byte {
	b := tiffHead(order)
	next, last := uint32(0), len(pages)-1
	for i := range pages {
		p := pages[last-i] // from the back, since each names the next
		var offsets, counts []uint32
		for _, s := range p.Blocks {
			if len(b)%2 == 1 {
				b = append(b, 0)
			}
			offsets, counts = append(offsets, uint32(len(b))), append(counts, uint32(len(s)))
			b = append(b, s...)
		}
		bits := make([]uint32, p.Samples)
		for j := range bits {
			bits[j] = uint32(p.Bits)
		}
		rows := p.Rows
		if rows == 0 {
			rows = p.H
		}
		f := map[uint16]Field{}
		for _, g := range []Field{
			Long(256, uint32(p.W)), Long(257, uint32(p.H)), Short(258, bits...), Short(259, uint32(max(p.Compression, 1))),
			Short(262, uint32(p.Photometric)), Short(277, uint32(p.Samples)),
		} {
			f[g.Tag] = g
		}
		if p.Tile > 0 {
			f[322], f[323] = Short(322, uint32(p.Tile)), Short(323, uint32(p.Tile))
			f[324], f[325] = Long(324, offsets...), Long(325, counts...)
		} else {
			f[273], f[278], f[279] = Long(273, offsets...), Long(278, uint32(rows)), Long(279, counts...)
		}
		for _, g := range p.Fields {
			f[g.Tag] = g
		}
		var all []Field
		for _, g := range f {
			if len(g.Values) > 0 { // a field without values removes the usual one
				all = append(all, g)
			}
		}
		b, next = AppendIFD(b, order, next, all...)
	}
	return putOffset(b, order, next)
}

// Strips cuts raw rows of rowBytes into strips of rows rows.
func Strips(raw []byte, rowBytes, rows int) [][]byte {
	return slices.Collect(slices.Chunk(raw, rowBytes*rows))
}

// RGB swaps the first and third of every three bytes of a copy.
func RGB(bgr []byte) []byte {
	out := bytes.Clone(bgr)
	for i := 0; i+3 <= len(out); i += 3 {
		out[i], out[i+2] = out[i+2], out[i]
	}
	return out
}

// TIFFOf returns m as an uncompressed 8-bit RGB TIFF in strips of rows rows (0
// for one strip) with further fields.
func TIFFOf(m image.Image, rows int, fields ...Field) []byte {
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	if rows == 0 {
		rows = h
	}
	return TIFF(binary.LittleEndian, TIFFPage{W: w, H: h, Bits: 8, Samples: 3, Photometric: 2, Rows: rows,
		Blocks: Strips(RGB(BGR(m)), 3*w, rows), Fields: fields})
}

// Chunk returns a PNG chunk with its check sum.
func Chunk(kind string, body []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = append(append(b, kind...), body...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// FixSums returns a copy of a PNG, however broken, with right check sums, so
// that a changed byte reaches the decoder.
func FixSums(png []byte) []byte {
	out := bytes.Clone(png)
	for at := 8; at+12 <= len(out); {
		n := int(binary.BigEndian.Uint32(out[at:]))
		if n < 0 || n > len(out)-at-12 {
			break
		}
		binary.BigEndian.PutUint32(out[at+8+n:], crc32.ChecksumIEEE(out[at+4:at+8+n]))
		at += 12 + n
	}
	return out
}

// PHYs returns a pHYs chunk.
func PHYs(x, y uint32, unit byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, x)
	return Chunk("pHYs", append(binary.BigEndian.AppendUint32(b, y), unit))
}

const afterIHDR = 8 + 25

// PNG returns m as PNG with further chunks after its header.
func PNG(m image.Image, chunks ...[]byte) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		panic(err) // no picture the tests make can fail
	}
	head := b.Bytes()[:afterIHDR]
	return bytes.Join([][]byte{head, bytes.Join(chunks, nil), b.Bytes()[afterIHDR:]}, nil)
}

// RawPNG returns a PNG of a header, chunks and deflated rows, each of which
// starts with its filter byte.
func RawPNG(w, h uint32, depth, colour, interlace byte, packed []byte, chunks ...[]byte) []byte {
	ihdr := binary.BigEndian.AppendUint32(nil, w)
	ihdr = binary.BigEndian.AppendUint32(ihdr, h)
	ihdr = append(ihdr, depth, colour, 0, 0, interlace)
	return bytes.Join([][]byte{[]byte("\x89PNG\r\n\x1a\n"), Chunk("IHDR", ihdr), bytes.Join(chunks, nil), Chunk("IDAT", packed), Chunk("IEND", nil)}, nil)
}

// Segment returns a JPEG segment.
func Segment(marker byte, body []byte) []byte {
	b := []byte{0xff, marker}
	b = binary.BigEndian.AppendUint16(b, uint16(len(body)+2))
	return append(b, body...)
}

// JFIF returns an APP0 segment. units: 0 aspect ratio, 1 dpi, 2 dpcm.
func JFIF(units byte, x, y uint16) []byte {
	b := append([]byte("JFIF\x00\x01\x02"), units)
	b = binary.BigEndian.AppendUint16(b, x)
	b = binary.BigEndian.AppendUint16(b, y)
	return Segment(0xe0, append(b, 0, 0))
}

// APP1 returns an EXIF block as a JPEG segment.
func APP1(exif []byte) []byte { return Segment(0xe1, append([]byte("Exif\x00\x00"), exif...)) }

// JPEG returns m as JPEG of quality 95 with segments after its start.
func JPEG(m image.Image, segments ...[]byte) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		panic(err) // no picture the tests make can fail
	}
	return bytes.Join([][]byte{b.Bytes()[:2], bytes.Join(segments, nil), b.Bytes()[2:]}, nil)
}

// BMP returns m as a 24-bit BMP with a 40-byte header and a resolution in
// pixels per metre.
func BMP(m image.Image, perMetreX, perMetreY uint32) []byte {
	var b bytes.Buffer
	if err := bmp.Encode(&b, m); err != nil {
		panic(err) // no picture the tests make can fail
	}
	binary.LittleEndian.PutUint32(b.Bytes()[38:], perMetreX)
	binary.LittleEndian.PutUint32(b.Bytes()[42:], perMetreY)
	return b.Bytes()
}

// WebP returns m as lossless WebP, by libwebp, with an EXIF chunk (RFC 9649)
// when exif is not nil.
func WebP(m *image.NRGBA, exif []byte) []byte {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	var out *C.uint8_t
	n := C.WebPEncodeLosslessRGBA((*C.uint8_t)(&m.Pix[0]), C.int(w), C.int(h), C.int(m.Stride), &out)
	defer C.WebPFree(unsafe.Pointer(out))
	data := C.GoBytes(unsafe.Pointer(out), C.int(n))
	if exif == nil {
		return data
	}
	flags := byte(0x08)
	if !m.Opaque() {
		flags |= 0x10
	}
	ext := []byte{flags, 0, 0, 0, byte(w - 1), byte((w - 1) >> 8), 0, byte(h - 1), byte((h - 1) >> 8), 0}
	return RIFF(riffChunk("VP8X", ext), data[12:], riffChunk("EXIF", exif))
}

// RIFF returns a WebP file of whole chunks.
func RIFF(chunks ...[]byte) []byte {
	body := append([]byte("WEBP"), bytes.Join(chunks, nil)...)
	b := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(len(body)))...)
	return append(b, body...)
}

func riffChunk(kind string, body []byte) []byte {
	b := append([]byte(kind), binary.LittleEndian.AppendUint32(nil, uint32(len(body)))...)
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}
