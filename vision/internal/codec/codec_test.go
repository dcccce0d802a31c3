package codec_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/codec"
	ht "traytally/vision/internal/codec/codectest"
	"traytally/vision/kernel/fault"
)

var (
	le = binary.LittleEndian
	be = binary.BigEndian
)

// check reads and decodes as package vision does.
func check(data []byte) (*codec.Info, error) {
	in, err := codec.Read(data)
	if err != nil {
		return in, err
	}
	m, err := codec.Decode(data, in)
	if err != nil {
		return in, err
	}
	return in, m.Close()
}

// decode returns a copy of the pixels.
func decode(t *testing.T, data []byte) []byte {
	t.Helper()
	in, err := codec.Read(data)
	require.NoError(t, err)
	m, err := codec.Decode(data, in)
	require.NoError(t, err)
	defer m.Close()
	return bytes.Clone(m.Bytes())
}

func deflate(b []byte) []byte {
	var out bytes.Buffer
	w := zlib.NewWriter(&out)
	w.Write(b)
	w.Close()
	return out.Bytes()
}

func codes(in *codec.Info) []string {
	var out []string
	for _, w := range in.Warnings {
		out = append(out, w.Code)
	}
	return out
}

func TestSniff(t *testing.T) {
	pad := strings.Repeat("\x01\x80", 100)
	for _, c := range []struct{ data, want string }{
		{"\xff\xd8\xff\xe0" + pad, "JPEG"},
		{"\x89PNG\r\n\x1a\n" + pad, "PNG"},
		{"II*\x00" + pad, "TIFF"},
		{"MM\x00*" + pad, "TIFF"},
		{"BM" + pad, "BMP"},
		{"RIFF\x20\x00\x00\x00WEBPVP8 " + pad, "WebP"},
		{"", "the file is empty"},
		{"\xff\xd8\xff", "the file ends early: 3 bytes are too few for a picture"},
		{"II+\x00" + pad, "a BigTIFF, which is not supported"},
		{"%PDF-1.7\n" + pad, "a PDF document"},
		{"GIF89a" + pad, "a GIF picture"},
		{"\x00\x00\x00\x18ftypheic" + pad, "a HEIC picture"},
		{"\x00\x00\x00\x18ftypavif" + pad, "an AVIF picture"},
		{"\x00\x00\x00\x18ftypisom" + pad, "a video"},
		{"RIFF\x20\x00\x00\x00WAVEfmt " + pad, "not a JPEG, PNG, TIFF, BMP or WebP picture"},
		{"P6\n640 480\n255\n" + pad, "a Netpbm picture"},
		{strings.Repeat("\x00", 200), "a run of zero bytes"},
		{"length_mm;width_mm\n6,9;2,1\n", "looks like text"},
		{"Länge in Millimetern, Breite in …\n", "looks like text"},
		{strings.Repeat("ä", 2047) + "xää", "looks like text"}, // cut inside a letter by the window
		{"  <!DOCTYPE html><html></html>", "a web page"},
		{"<?xml version='1.0'?><svg></svg>", "an SVG drawing"},
		{strings.Repeat("\x00", 128) + "DICM" + pad, "a DICOM picture"},
		{pad, "not a JPEG, PNG, TIFF, BMP or WebP picture"},
	} {
		f, err := codec.Sniff([]byte(c.data))
		if err == nil {
			assert.Equal(t, c.want, f)
			continue
		}
		assert.Empty(t, f)
		assert.ErrorContains(t, err, c.want)
		e, ok := errors.AsType[*fault.Error](err)
		require.True(t, ok)
		assert.NotEmpty(t, e.Hint)
	}
}

// samples holds one sound file of each type, 40×30 pixels.
func samples() map[string][]byte {
	p := ht.Pattern(40, 30)
	raw := ht.RGB(ht.BGR(p))
	tables := func() []byte { // PackBits as literal runs of one row
		var out []byte
		for _, row := range ht.Strips(raw, 120, 1) {
			out = append(append(out, 119), row...)
		}
		return out
	}
	page := ht.TIFFPage{W: 40, H: 30, Bits: 8, Samples: 3, Photometric: 2, Rows: 7}
	packed, bits := page, page
	for _, s := range ht.Strips(raw, 120, 7) {
		packed.Blocks = append(packed.Blocks, deflate(s))
	}
	packed.Compression = 8
	bits.Compression, bits.Rows, bits.Blocks = 32773, 30, [][]byte{tables()}
	return map[string][]byte{
		"JPEG":          ht.JPEG(ht.Smooth(40, 30)),
		"PNG":           ht.PNG(p),
		"TIFF":          ht.TIFFOf(p, 7),
		"TIFF deflate":  ht.TIFF(be, packed),
		"TIFF PackBits": ht.TIFF(le, bits),
		"BMP":           ht.BMP(p, 11811, 11811),
		"WebP":          ht.WebP(ht.Pattern(40, 30), nil),
		"WebP EXIF":     ht.WebP(ht.SeeThrough(40, 30), ht.Exif(le, []ht.Field{ht.Short(274, 6)}, nil)),
	}
}

func TestRead(t *testing.T) {
	for name, data := range samples() {
		in, err := check(data)
		require.NoError(t, err, name)
		assert.Equal(t, strings.Fields(name)[0], in.Format, name)
		assert.Equal(t, [2]int{40, 30}, [2]int{in.Width, in.Height}, name)
	}
}

// Every file cut anywhere is refused, whatever the cut leaves.
func TestCutAnywhere(t *testing.T) {
	for name, data := range samples() {
		for n := range len(data) {
			_, err := check(data[:n])
			require.Error(t, err, "%s cut to %d of %d bytes", name, n, len(data))
			_, ok := errors.AsType[*fault.Error](err)
			require.True(t, ok, "%s cut to %d: %T", name, n, err)
		}
	}
}

func TestCutSaysWhere(t *testing.T) {
	data := ht.BMP(ht.Pattern(40, 30), 0, 0)
	_, err := check(data[:2000])
	assert.EqualError(t, err, fmt.Sprintf("the file ends early: 2000 of at least %d bytes", len(data)))
	data = ht.TIFFOf(ht.Pattern(40, 30), 0)
	_, err = check(data[:len(data)-300])
	assert.ErrorContains(t, err, "the file ends early")
	data = ht.JPEG(ht.Smooth(40, 30))
	_, err = check(data[:len(data)-30])
	assert.EqualError(t, err, fmt.Sprintf("the file ends early: %d bytes, and the end mark of a JPEG is missing", len(data)-30))
}

// Bytes after the picture, as phones append, do no harm.
func TestBytesAfterThePicture(t *testing.T) {
	for name, data := range samples() {
		_, err := check(append(bytes.Clone(data), "some bytes more than the picture needs"...))
		assert.NoError(t, err, name)
	}
}

// The ways out for a file that breaks the rules of its format, and for one that
// is right and not read here.
const (
	damaged = "copy the file again from where it came, or scan again"
	unread  = "save the picture as PNG, TIFF or JPEG in 8-bit colour and open that"
)

func TestRefused(t *testing.T) {
	p := ht.Pattern(8, 8)
	sof := func(marker byte, edit func(seg []byte)) []byte {
		b := ht.JPEG(p)
		i := bytes.Index(b, []byte{0xff, 0xc0})
		b[i+1] = marker
		edit(b[i+4:])
		return b
	}
	page := func(edit func(*ht.TIFFPage)) []byte {
		pg := ht.TIFFPage{W: 8, H: 8, Bits: 8, Samples: 3, Photometric: 2, Blocks: [][]byte{ht.RGB(ht.BGR(p))}}
		edit(&pg)
		return ht.TIFF(le, pg)
	}
	bmp := func(edit func(b []byte)) []byte {
		b := ht.BMP(p, 0, 0)
		edit(b)
		return b
	}
	for _, c := range []struct {
		name string
		data []byte
		hint string
		want string
	}{
		{"JPEG 12 bit", sof(0xc1, func(s []byte) { s[0] = 12 }), unread, "not 8 bits per sample"},
		{"JPEG lossless", sof(0xc3, func([]byte) {}), unread, "lossless or hierarchical"},
		{"JPEG arithmetic", sof(0xc9, func([]byte) {}), unread, "arithmetic coding"},
		{"JPEG hierarchical", sof(0xc5, func([]byte) {}), unread, "lossless or hierarchical"},
		{"JPEG height later", sof(0xc0, func(s []byte) { s[1], s[2] = 0, 0 }), unread, "its size does not come first"},
		{"JPEG no width", sof(0xc0, func(s []byte) { s[3], s[4] = 0, 0 }), unread, "its size does not come first"},
		{"JPEG sampling", sof(0xc0, func(s []byte) { s[7] = 0x05 }), damaged, "bogus sampling factors"},
		{"JPEG twin components", sof(0xc0, func(s []byte) { s[9] = s[6] }), damaged, "invalid component ID 2"},
		{"JPEG larger than its data", sof(0xc0, func(s []byte) { s[1], s[3] = 0x30, 0x30 }), damaged, "cannot hold 12296 × 12296 pixels"},
		{"CMYK JPEG", append(append([]byte("\xff\xd8"), ht.Segment(0xc0, []byte{8, 0, 8, 0, 8, 4, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0, 4, 0x11, 0})...), ht.Segment(0xda, []byte{4, 1, 0, 2, 0, 3, 0, 4, 0, 0, 63, 0})...), unread, "CMYK JPEG"},
		{"PNG colour type", ht.RawPNG(8, 8, 4, 2, 0, nil), unread, "bit depth 4, color type 2"},
		{"PNG interlace", ht.RawPNG(8, 8, 8, 2, 2, nil), damaged, "invalid interlace method"},
		{"PNG no palette", ht.RawPNG(8, 8, 8, 3, 0, deflate(make([]byte, 72))), damaged, "chunk out of order"},
		{"PNG palette length", ht.RawPNG(8, 8, 8, 3, 0, nil, ht.Chunk("PLTE", make([]byte, 4))), damaged, "bad PLTE length"},
		{"PNG tRNS length", ht.RawPNG(8, 8, 8, 2, 0, nil, ht.Chunk("tRNS", make([]byte, 4))), damaged, "bad tRNS length"},
		{"PNG unknown critical chunk", ht.PNG(p, ht.Chunk("ABCD", nil)), unread, `unknown chunk "ABCD"`},
		{"PNG larger than its data", ht.RawPNG(14000, 14000, 8, 2, 0, deflate(make([]byte, 1000))), damaged, "cannot hold 14000 × 14000 pixels"},
		{"PNG zero", ht.RawPNG(0, 8, 8, 2, 0, nil), damaged, "non-positive dimension"},
		{"TIFF fax", page(func(p *ht.TIFFPage) { p.Compression = 4 }), "scan in colour", "fax compression"},
		{"TIFF Zstandard", page(func(p *ht.TIFFPage) { p.Compression = 50000 }), unread, "Zstandard"},
		{"TIFF other compression", page(func(p *ht.TIFFPage) { p.Compression = 4711 }), unread, "compression value 4711"},
		{"TIFF CMYK", page(func(p *ht.TIFFPage) { p.Photometric, p.Samples = 5, 4 }), unread, "CMYK TIFF"},
		{"TIFF Lab", page(func(p *ht.TIFFPage) { p.Photometric = 8 }), unread, "other than grey or red, green and blue"},
		{"TIFF 32 bit", page(func(p *ht.TIFFPage) { p.Bits = 32 }), unread, "BitsPerSample of 32"},
		{"TIFF float", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(339, 3, 3, 3)} }), unread, "sample format"},
		{"TIFF five samples", page(func(p *ht.TIFFPage) { p.Samples = 5 }), unread, "5 samples per pixel"},
		{"TIFF mixed depth", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(258, 8, 8, 16)} }), damaged, "wrong number of samples"},
		{"TIFF tiles of 7", page(func(p *ht.TIFFPage) { p.Tile = 7 }), damaged, "tile size is too small"},
		{"TIFF tiles of 8192", page(func(p *ht.TIFFPage) { p.Tile = 8192 }), damaged, "tile size exceeds image size"},
		{"TIFF colours in planes", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(284, 2)} }), unread, "separate planes"},
		{"TIFF JPEG", page(func(p *ht.TIFFPage) { p.Compression = 7 }), unread, "JPEG compression"},
		{"TIFF fourth sample", page(func(p *ht.TIFFPage) { p.Samples = 4 }), unread, "4 samples per pixel"},
		{"TIFF no palette", page(func(p *ht.TIFFPage) { p.Photometric, p.Samples, p.Blocks = 3, 1, [][]byte{make([]byte, 64)} }), damaged, "invalid color index"},
		{"TIFF preview", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Long(254, 1)} }), unread, "preview"},
		{"TIFF camera raw", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{{Tag: 50706, Type: 1, Values: []uint32{1, 4, 0, 0}}} }), unread, "camera raw"},
		{"TIFF no meaning", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{{Tag: 262, Type: 3}} }), unread, "extra samples"},
		{"TIFF too few strips", page(func(p *ht.TIFFPage) { p.Rows = 2 }), damaged, "inconsistent header"},
		{"TIFF short strip", page(func(p *ht.TIFFPage) { p.Blocks = [][]byte{make([]byte, 191)} }), damaged, "not enough pixel data"},
		{"TIFF bits reversed", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(266, 2)} }), unread, "reverse order"},
		{"TIFF bad deflate", page(func(p *ht.TIFFPage) { p.Compression = 8 }), damaged, "zlib: invalid header"},
		{"TIFF old LZW", page(func(p *ht.TIFFPage) { p.Compression = 5; p.Blocks = [][]byte{{0, 1, 2, 3}} }), damaged, "ends early"},
		{"BMP compressed", bmp(func(b []byte) { b[30] = 1 }), unread, "BMP of a kind that is not supported"},
		{"BMP 16 bit", bmp(func(b []byte) { b[28] = 16 }), unread, "BMP of a kind that is not supported"},
		{"BMP header", bmp(func(b []byte) { b[14] = 64 }), unread, "BMP of a kind that is not supported"},
		{"BMP colours", bmp(func(b []byte) { b[28] = 8; b[47] = 2 }), unread, "BMP of a kind that is not supported"},
		{"BMP pixels in header", bmp(func(b []byte) { b[10] = 50 }), unread, "BMP of a kind that is not supported"},
		{"BMP least height", bmp(func(b []byte) { le.PutUint32(b[22:], 1<<31) }), damaged, "impossible size"},
		{"WebP animated", ht.RIFF([]byte("VP8X\x0a\x00\x00\x00\x02\x00\x00\x00\x07\x00\x00\x07\x00\x00")), unread, "animated"},
		{"WebP empty", ht.RIFF([]byte("ICCP\x04\x00\x00\x00abcd")), damaged, "header cannot be read"},
		{"WebP lossy header", ht.RIFF([]byte("VP8 \x0a\x00\x00\x00\x00\x00\x00\x9d\x01\x2b\x08\x00\x08\x00")), damaged, "header cannot be read"},
		{"WebP chunk", ht.RIFF([]byte("VP8L\xff\xff\x00\x00\x2f\x00\x00\x00")), damaged, "header cannot be read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := check(c.data)
			require.ErrorContains(t, err, c.want)
			e, ok := errors.AsType[*fault.Error](err)
			require.True(t, ok)
			assert.Equal(t, c.hint, e.Hint)
			assert.False(t, strings.HasSuffix(e.What, "."), e.What)
		})
	}
}

// A header that claims 60 000 × 60 000 pixels costs no memory in proportion,
// whether it is refused for what its file cannot hold or left to the caller.
func TestHugeClaims(t *testing.T) {
	const n = 60000
	bmp := ht.BMP(ht.Pattern(8, 8), 0, 0)
	le.PutUint32(bmp[18:], n)
	le.PutUint32(bmp[22:], n)
	huge := map[string][]byte{
		"BMP":  bmp,
		"PNG":  ht.RawPNG(n, n, 8, 2, 0, deflate(make([]byte, 100))),
		"TIFF": ht.TIFF(le, ht.TIFFPage{W: n, H: n, Bits: 8, Samples: 3, Photometric: 2, Compression: 5, Blocks: [][]byte{make([]byte, 100)}}),
		"JPEG": append(append([]byte("\xff\xd8"), ht.Segment(0xc0, []byte{8, n >> 8, n & 255, n >> 8, n & 255, 1, 1, 0x11, 0})...), "\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00\xff\xd9"...),
	}
	const cannot = "cannot hold 60000 × 60000 pixels"
	want := map[string]string{"BMP": "ends early", "PNG": cannot, "TIFF": cannot, "JPEG": cannot}
	for name, data := range huge {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := codec.Read(data)
		runtime.ReadMemStats(&after)
		assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(50000), name)
		assert.ErrorContains(t, err, want[name], name)
	}
}

func TestResolution(t *testing.T) {
	p := ht.Pattern(8, 6)
	res := func(x, y, unit uint32) []ht.Field {
		return []ht.Field{ht.Rational(282, x, 1), ht.Rational(283, y, 1), ht.Short(296, unit)}
	}
	exif := func(f ...ht.Field) []byte { return ht.APP1(ht.Exif(be, f, nil)) }
	turned := append(res(300, 600, 2), ht.Short(274, 6))
	const dpi300 = 300 / 25.4 // px/mm: an inch is 25.4 mm exactly
	const dpi600 = 600 / 25.4
	for _, c := range []struct {
		name   string
		data   []byte
		x, y   float64
		source string
		codes  []string
	}{
		{"JFIF dpi", ht.JPEG(p, ht.JFIF(1, 300, 300)), dpi300, dpi300, "stored resolution (JFIF, 300 dpi)", nil},
		{"JFIF dpcm", ht.JPEG(p, ht.JFIF(2, 118, 236)), 11.8, 23.6, "stored resolution (JFIF, 299.7 × 599.4 dpi)", nil},
		{"JFIF ratio", ht.JPEG(p, ht.JFIF(0, 1, 1)), 0, 0, "", nil},
		{"JFIF ratio, not square", ht.JPEG(p, ht.JFIF(0, 1, 2)), 0, 0, "", []string{"pixels_not_square"}},
		{"JFIF zero", ht.JPEG(p, ht.JFIF(1, 0, 0)), 0, 0, "", nil},
		{"JFIF 72", ht.JPEG(p, ht.JFIF(1, 72, 72)), 0, 0, "", []string{"scale_placeholder"}},
		{"JFIF 96", ht.JPEG(p, ht.JFIF(1, 96, 96)), 0, 0, "", []string{"scale_placeholder"}},
		{"JFIF 1 dpi", ht.JPEG(p, ht.JFIF(1, 1, 1)), 0, 0, "", []string{"scale_implausible"}},
		{"none", ht.JPEG(p), 0, 0, "", nil},
		{"EXIF inch", ht.JPEG(p, exif(res(600, 600, 2)...)), dpi600, dpi600, "stored resolution (EXIF, 600 dpi)", nil},
		{"EXIF inch by default", ht.JPEG(p, exif(res(600, 600, 2)[:2]...)), dpi600, dpi600, "stored resolution (EXIF, 600 dpi)", nil},
		{"EXIF cm", ht.JPEG(p, exif(res(100, 200, 3)...)), 10, 20, "stored resolution (EXIF, 254 × 508 dpi)", nil},
		{"EXIF no unit", ht.JPEG(p, exif(res(600, 600, 1)...)), 0, 0, "", nil},
		{"EXIF division by zero", ht.JPEG(p, exif(ht.Rational(282, 300, 0), ht.Rational(283, 300, 0))), 0, 0, "", nil},
		{"EXIF unreadable", ht.JPEG(p, ht.APP1([]byte("MM\x00*\x00\x00\xff\xff"))), 0, 0, "", []string{"exif_damaged"}},
		{"JFIF placeholder, EXIF real", ht.JPEG(p, ht.JFIF(1, 72, 72), exif(res(600, 600, 2)...)), dpi600, dpi600, "stored resolution (EXIF, 600 dpi)", nil},
		{"JFIF real, EXIF placeholder", ht.JPEG(p, ht.JFIF(1, 300, 300), exif(res(72, 72, 2)...)), dpi300, dpi300, "stored resolution (JFIF, 300 dpi)", nil},
		{"JFIF and EXIF agree", ht.JPEG(p, ht.JFIF(2, 118, 118), exif(res(300, 300, 2)...)), 11.8, 11.8, "stored resolution (JFIF, 299.7 dpi)", nil},
		{"JFIF and EXIF disagree", ht.JPEG(p, ht.JFIF(1, 300, 300), exif(res(600, 600, 2)...)), dpi300, dpi300, "stored resolution (JFIF, 300 dpi)", []string{"scale_conflict"}},
		{"EXIF before JFIF in the file", ht.JPEG(p, exif(res(600, 600, 2)...), ht.JFIF(1, 300, 300)), dpi300, dpi300, "stored resolution (JFIF, 300 dpi)", []string{"scale_conflict"}},
		{"camera", ht.JPEG(p, ht.JFIF(1, 300, 300), ht.APP1(ht.Exif(le, res(300, 300, 2), []ht.Field{ht.Rational(0x829a, 1, 60)}))), 0, 0, "", []string{"scale_from_camera"}},
		{"camera by file source", ht.JPEG(p, ht.APP1(ht.Exif(le, res(300, 300, 2), []ht.Field{{Tag: 0xa300, Type: 7, Values: []uint32{3}}}))), 0, 0, "", []string{"scale_from_camera"}},
		{"scanner with exposure time", ht.JPEG(p, ht.APP1(ht.Exif(le, res(300, 300, 2), []ht.Field{{Tag: 0xa300, Type: 7, Values: []uint32{2}}, ht.Rational(0x829a, 1, 60)}))), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
		{"resized since", ht.JPEG(p, ht.APP1(ht.Exif(le, res(300, 300, 2), []ht.Field{ht.Long(0xa002, 16), ht.Long(0xa003, 12)}))), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", []string{"resized"}},
		{"turned since", ht.JPEG(p, ht.APP1(ht.Exif(le, res(300, 300, 2), []ht.Field{ht.Long(0xa002, 6), ht.Long(0xa003, 8)}))), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
		{"EXIF on its side", ht.JPEG(p, exif(turned...)), dpi600, dpi300, "stored resolution (EXIF, 600 × 300 dpi)", nil},

		// 11811 px/m is how PNG writes 300 dpi: 299.9994.
		{"PNG metre", ht.PNG(p, ht.PHYs(11811, 23622, 1)), 11.811, 23.622, "stored resolution (PNG pHYs, 300 × 600 dpi)", nil},
		{"PNG ratio", ht.PNG(p, ht.PHYs(1, 1, 0)), 0, 0, "", nil},
		{"PNG ratio, not square", ht.PNG(p, ht.PHYs(2, 1, 0)), 0, 0, "", []string{"pixels_not_square"}},
		{"PNG 72", ht.PNG(p, ht.PHYs(2835, 2835, 1)), 0, 0, "", []string{"scale_placeholder"}},
		{"PNG 96", ht.PNG(p, ht.PHYs(3780, 3780, 1)), 0, 0, "", []string{"scale_placeholder"}},
		{"PNG 96, rounded down", ht.PNG(p, ht.PHYs(3779, 3779, 1)), 0, 0, "", []string{"scale_placeholder"}},
		{"PNG zero", ht.PNG(p, ht.PHYs(0, 11811, 1)), 0, 0, "", nil},
		{"PNG short chunk", ht.PNG(p, ht.Chunk("pHYs", make([]byte, 8))), 0, 0, "", nil},
		{"PNG eXIf", ht.PNG(p, ht.Chunk("eXIf", ht.Exif(le, res(300, 300, 2), nil))), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
		{"PNG both", ht.PNG(p, ht.Chunk("eXIf", ht.Exif(le, res(600, 600, 2), nil)), ht.PHYs(11811, 11811, 1)), 11.811, 11.811, "stored resolution (PNG pHYs, 300 dpi)", []string{"scale_conflict"}},

		{"TIFF inch", ht.TIFFOf(p, 0, res(300, 600, 2)...), dpi300, dpi600, "stored resolution (TIFF, 300 × 600 dpi)", nil},
		{"TIFF inch by default", ht.TIFFOf(p, 0, res(300, 300, 2)[:2]...), dpi300, dpi300, "stored resolution (TIFF, 300 dpi)", nil},
		{"TIFF cm", ht.TIFFOf(p, 0, res(118, 118, 3)...), 11.8, 11.8, "stored resolution (TIFF, 299.7 dpi)", nil},
		{"TIFF ratio", ht.TIFFOf(p, 0, res(1, 1, 1)...), 0, 0, "", nil},
		{"TIFF ratio, not square", ht.TIFFOf(p, 0, res(1, 2, 1)...), 0, 0, "", []string{"pixels_not_square"}},
		{"TIFF 72", ht.TIFFOf(p, 0, res(72, 72, 2)...), 0, 0, "", []string{"scale_placeholder"}},
		{"TIFF on its side", ht.TIFFOf(p, 0, append(res(300, 600, 2), ht.Short(274, 8))...), dpi600, dpi300, "stored resolution (TIFF, 600 × 300 dpi)", nil},

		{"BMP", ht.BMP(p, 11811, 23622), 11.811, 23.622, "stored resolution (BMP, 300 × 600 dpi)", nil},
		{"BMP none", ht.BMP(p, 0, 0), 0, 0, "", nil},
		{"BMP 96", ht.BMP(p, 3780, 3780), 0, 0, "", []string{"scale_placeholder"}},
		{"BMP negative", ht.BMP(p, 1<<31, 1<<31), 0, 0, "", nil},

		{"WebP none", ht.WebP(ht.Pattern(8, 6), nil), 0, 0, "", nil},
		{"WebP EXIF", ht.WebP(ht.Pattern(8, 6), ht.Exif(be, res(300, 300, 2), nil)), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
		{"WebP EXIF with its JPEG prefix", ht.WebP(ht.Pattern(8, 6), append([]byte("Exif\x00\x00"), ht.Exif(be, res(300, 300, 2), nil)...)), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			in, err := check(c.data)
			require.NoError(t, err)
			// One part in 10^12: rounding of a division or two.
			assert.InDelta(t, c.x, in.PxPerMMX, 1e-12*(1+c.x))
			assert.InDelta(t, c.y, in.PxPerMMY, 1e-12*(1+c.y))
			assert.Equal(t, c.source, in.ScaleSource)
			assert.Equal(t, c.codes, codes(in))
			for _, w := range in.Warnings {
				assert.NotEmpty(t, w.Text)
				assert.NotEmpty(t, w.Hint)
			}
		})
	}
}

func TestOrientation(t *testing.T) {
	p := ht.Pattern(8, 6)
	for _, order := range []binary.AppendByteOrder{le, be} {
		for v, want := range []int{1, 1, 2, 3, 4, 5, 6, 7, 8, 1, 1} { // 0, 9 and 10 are not defined
			f := ht.Short(274, uint32(v))
			ex := ht.Exif(order, []ht.Field{f}, nil)
			for name, data := range map[string][]byte{
				"JPEG": ht.JPEG(p, ht.APP1(ex)), "PNG": ht.PNG(p, ht.Chunk("eXIf", ex)),
				"WebP": ht.WebP(ht.Pattern(8, 6), ex), "TIFF": ht.TIFFOf(p, 0, f),
			} {
				in, err := check(data)
				require.NoError(t, err, name)
				assert.Equal(t, want, in.Orientation, "%s %d", name, v)
				assert.Equal(t, [2]int{8, 6}, [2]int{in.Width, in.Height}, name)
			}
		}
	}
}

func TestMorePages(t *testing.T) {
	pg := ht.TIFFPage{W: 2, H: 2, Bits: 8, Samples: 1, Photometric: 1, Blocks: [][]byte{{1, 2, 3, 4}}}
	in, err := check(ht.TIFF(be, pg, pg))
	require.NoError(t, err)
	assert.Equal(t, []string{"more_pages"}, codes(in))
}

// Damage inside the compressed data is found although every length is right.
// A single flipped byte can leave a JPEG that follows its code by chance, so
// this asks for most of them; it counts what the check is worth.
func TestDamageIsFound(t *testing.T) {
	sound := ht.JPEG(ht.Pattern(160, 120))
	scan := bytes.Index(sound, []byte{0xff, 0xda}) + 14
	found, tried := 0, 0
	for at := scan; at+24 < len(sound)-2; at += 97 {
		b := bytes.Clone(sound)
		for i := range 16 {
			if b[at+i] != 0xff && b[at+i-1] != 0xff {
				b[at+i] ^= 0x5a
			}
		}
		tried++
		if _, err := check(b); err != nil {
			found++
		}
	}
	t.Logf("16 changed bytes in a JPEG scan: found %d of %d", found, tried)
	assert.Greater(t, tried, 50)
	assert.GreaterOrEqual(t, float64(found)/float64(tried), 0.9)

	packed := deflate(ht.BGR(ht.Pattern(40, 30)))
	packed[len(packed)/2] ^= 1 // its own Adler-32 tells
	_, err := check(ht.TIFF(le, ht.TIFFPage{W: 40, H: 30, Bits: 8, Samples: 3, Photometric: 2, Compression: 8, Blocks: [][]byte{packed}}))
	assert.ErrorContains(t, err, "invalid checksum")
}

// JPEGs of all sizes about a block, grey and colour, pass.
func TestPassesSoundJPEG(t *testing.T) {
	for w := 1; w <= 33; w += 2 {
		for h := 1; h <= 33; h += 4 {
			m := ht.Pattern(w, h)
			_, err := check(ht.JPEG(m))
			require.NoError(t, err, "%d × %d", w, h)
		}
	}
}

// The JPEGs that come with Go's own source: baseline, progressive, with
// restart markers, sampled 4:1:0 to 4:4:4, from encoders not our own.
func TestPassesForeignJPEG(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(runtime.GOROOT(), "src/image/testdata/*.jpeg"))
	if len(files) == 0 {
		t.Skip("the source of Go's package image is not installed")
	}
	read := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		_, err = check(data)
		if e, ok := errors.AsType[*fault.Error](err); ok && e.Hint == unread {
			assert.Contains(t, e.What, "CMYK", f)
			continue
		}
		assert.NoError(t, err, f)
		read++
	}
	assert.GreaterOrEqual(t, read, 10)
}

// All 65 536 values of a 16-bit sample become v·255/65535, rounded, whether
// they come as grey or colour, PNG or TIFF.
func TestSixteenBitsAreRounded(t *testing.T) {
	grey := image.NewGray16(image.Rect(0, 0, 256, 256))
	colour := image.NewNRGBA64(grey.Rect)
	var raw, raw3 []byte
	for v := range 1 << 16 {
		grey.SetGray16(v&255, v>>8, color.Gray16{Y: uint16(v)})
		colour.SetNRGBA64(v&255, v>>8, color.NRGBA64{R: uint16(v), G: uint16(v), B: uint16(v), A: 65535})
		raw = binary.LittleEndian.AppendUint16(raw, uint16(v))
		for range 3 {
			raw3 = binary.LittleEndian.AppendUint16(raw3, uint16(v))
		}
	}
	colour.SetNRGBA64(0, 0, color.NRGBA64{R: 0, G: 0, B: 0, A: 65535})
	page := ht.TIFFPage{W: 256, H: 256, Bits: 16, Samples: 1, Photometric: 1, Rows: 50, Blocks: ht.Strips(raw, 512, 50)}
	white, page3 := page, page
	white.Photometric = 0
	page3.Samples, page3.Photometric, page3.Blocks = 3, 2, ht.Strips(raw3, 1536, 50)
	for name, data := range map[string][]byte{
		"TIFF white is zero": ht.TIFF(binary.LittleEndian, white), "TIFF colour": ht.TIFF(binary.LittleEndian, page3),
	} {
		pix := decode(t, data)
		for v := range 1 << 16 {
			want := (v*255*2 + 65535) / (2 * 65535)
			if name == "TIFF white is zero" {
				want = ((65535-v)*255*2 + 65535) / (2 * 65535)
			}
			if int(pix[3*v]) != want || int(pix[3*v+1]) != want || int(pix[3*v+2]) != want {
				t.Fatalf("%s: %d became %v, not %d", name, v, pix[3*v:3*v+3], want)
			}
		}
	}
}

// Tiles are read right, inside and at the edge.
func TestTiles(t *testing.T) {
	const w, h = 150, 110
	p := ht.Pattern(w, h)
	rgb := ht.RGB(ht.BGR(p))
	for _, side := range []int{16, 32, 48, 64, 80, 128, 256} {
		var tiles [][]byte
		for y := 0; y < h; y += side {
			for x := 0; x < w; x += side {
				tile := make([]byte, 3*side*side)
				for j := y; j < min(y+side, h); j++ {
					copy(tile[3*side*(j-y):], rgb[3*(j*w+x):3*(j*w+min(x+side, w))])
				}
				tiles = append(tiles, tile)
			}
		}
		pix := decode(t, ht.TIFF(binary.BigEndian, ht.TIFFPage{W: w, H: h, Bits: 8, Samples: 3, Photometric: 2, Tile: side, Blocks: tiles}))
		assert.Equal(t, ht.BGR(p), pix, "tiles of %d", side)
	}
}
