package header_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/header"
	ht "traytally/vision/internal/header/headertest"
)

var (
	le = binary.LittleEndian
	be = binary.BigEndian
)

// check runs the three steps as package vision does.
func check(data []byte) (header.Info, error) {
	in, err := header.Read(data)
	if err != nil {
		return in, err
	}
	if err := header.Complete(data, &in); err != nil {
		return in, err
	}
	return in, header.Verify(data, &in)
}

func deflate(b []byte) []byte {
	var out bytes.Buffer
	w := zlib.NewWriter(&out)
	w.Write(b)
	w.Close()
	return out.Bytes()
}

func codes(in header.Info) []string {
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
		f, err := header.Sniff([]byte(c.data))
		if err == nil {
			assert.Equal(t, c.want, f.String())
			continue
		}
		assert.Equal(t, header.Unknown, f)
		assert.ErrorContains(t, err, c.want)
		e, ok := errors.AsType[*header.Error](err)
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
		"WebP":          ht.WebP(ht.TwoTone(40, 30, false), nil),
		"WebP EXIF":     ht.WebP(ht.TwoTone(40, 30, true), ht.Exif(le, []ht.Field{ht.Short(274, 6)}, nil)),
	}
}

func TestRead(t *testing.T) {
	for name, data := range samples() {
		in, err := check(data)
		require.NoError(t, err, name)
		assert.Equal(t, strings.Fields(name)[0], in.Format.String(), name)
		assert.Equal(t, [4]int{40, 30, 8, 3}, [4]int{in.Width, in.Height, in.BitDepth, in.Colours}, name)
	}
	grey16 := ht.TIFF(be, ht.TIFFPage{W: 3, H: 2, Bits: 16, Samples: 1, Photometric: 0, Blocks: [][]byte{make([]byte, 12)}})
	in, err := check(grey16)
	require.NoError(t, err)
	assert.Equal(t, [2]int{16, 1}, [2]int{in.BitDepth, in.Colours})
	assert.True(t, in.WhiteIsZero)
}

// Every file cut anywhere is refused, whatever the cut leaves.
func TestCutAnywhere(t *testing.T) {
	for name, data := range samples() {
		for n := range len(data) {
			_, err := check(data[:n])
			require.Error(t, err, "%s cut to %d of %d bytes", name, n, len(data))
			_, ok := errors.AsType[*header.Error](err)
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
		kind header.Kind
		want string
	}{
		{"JPEG 12 bit", sof(0xc1, func(s []byte) { s[0] = 12 }), header.Unsupported, "12 bits per sample"},
		{"JPEG lossless", sof(0xc3, func([]byte) {}), header.Unsupported, "lossless JPEG"},
		{"JPEG arithmetic", sof(0xc9, func([]byte) {}), header.Unsupported, "arithmetic coding"},
		{"JPEG hierarchical", sof(0xc5, func([]byte) {}), header.Unsupported, "hierarchical"},
		{"JPEG height later", sof(0xc0, func(s []byte) { s[1], s[2] = 0, 0 }), header.Unsupported, "gives its height after"},
		{"JPEG no width", sof(0xc0, func(s []byte) { s[3], s[4] = 0, 0 }), header.Malformed, "impossible size of 0 × 8"},
		{"JPEG sampling", sof(0xc0, func(s []byte) { s[7] = 0x05 }), header.Malformed, "sampling factors 0 × 5"},
		{"JPEG twin components", sof(0xc0, func(s []byte) { s[9] = s[6] }), header.Malformed, "two components"},
		{"JPEG larger than its data", sof(0xc0, func(s []byte) { s[1], s[3] = 0x30, 0x30 }), header.Malformed, "cannot hold 12296 × 12296 pixels"},
		{"CMYK JPEG", append(append([]byte("\xff\xd8"), ht.Segment(0xc0, []byte{8, 0, 8, 0, 8, 4, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0, 4, 0x11, 0})...), "\xff\xda\x00\x02\xff\xd9"...), header.Unsupported, "CMYK JPEG"},
		{"PNG colour type", ht.RawPNG(8, 8, 4, 2, 0, nil), header.Malformed, "colour type 2, 4 bits"},
		{"PNG interlace", ht.RawPNG(8, 8, 8, 2, 2, nil), header.Malformed, "colour type 2"},
		{"PNG no palette", ht.RawPNG(8, 8, 8, 3, 0, deflate(make([]byte, 72))), header.Malformed, "the palette is missing"},
		{"PNG palette length", ht.RawPNG(8, 8, 8, 3, 0, nil, ht.Chunk("PLTE", make([]byte, 4))), header.Malformed, "a palette of 4 bytes"},
		{"PNG tRNS length", ht.RawPNG(8, 8, 8, 2, 0, nil, ht.Chunk("tRNS", make([]byte, 4))), header.Malformed, "a transparency of 4 bytes"},
		{"PNG unknown critical chunk", ht.PNG(p, ht.Chunk("ABCD", nil)), header.Unsupported, `unknown chunk "ABCD"`},
		{"PNG larger than its data", ht.RawPNG(14000, 14000, 8, 2, 0, deflate(make([]byte, 1000))), header.Malformed, "cannot hold 14000 × 14000 pixels"},
		{"PNG zero", ht.RawPNG(0, 8, 8, 2, 0, nil), header.Malformed, "impossible size of 0 × 8"},
		{"TIFF fax", page(func(p *ht.TIFFPage) { p.Compression = 4 }), header.Unsupported, "fax compression"},
		{"TIFF Zstandard", page(func(p *ht.TIFFPage) { p.Compression = 50000 }), header.Unsupported, "Zstandard"},
		{"TIFF other compression", page(func(p *ht.TIFFPage) { p.Compression = 4711 }), header.Unsupported, "compression 4711"},
		{"TIFF CMYK", page(func(p *ht.TIFFPage) { p.Photometric, p.Samples = 5, 4 }), header.Unsupported, "CMYK TIFF"},
		{"TIFF Lab", page(func(p *ht.TIFFPage) { p.Photometric = 8 }), header.Unsupported, "CIELAB"},
		{"TIFF 32 bit", page(func(p *ht.TIFFPage) { p.Bits = 32 }), header.Unsupported, "32 bits per sample"},
		{"TIFF float", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(339, 3, 3, 3)} }), header.Unsupported, "floating-point"},
		{"TIFF five samples", page(func(p *ht.TIFFPage) { p.Samples = 5 }), header.Unsupported, "5 samples per pixel"},
		{"TIFF mixed depth", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(258, 8, 8, 16)} }), header.Unsupported, "differ in depth"},
		{"TIFF tiles of 16", page(func(p *ht.TIFFPage) { p.Tile = 16 }), header.Unsupported, "tiles of 16 × 16"},
		{"TIFF tiles of 7", page(func(p *ht.TIFFPage) { p.Tile = 7 }), header.Malformed, "tiles of 7 × 7"},
		{"TIFF tiles of 8192", page(func(p *ht.TIFFPage) { p.Tile = 8192 }), header.Malformed, "tiles of 8192 × 8192"},
		{"TIFF strips that overlap", page(func(p *ht.TIFFPage) {
			p.H, p.Fields = 800, []ht.Field{ht.Long(278, 8), ht.Long(273, slices.Repeat([]uint32{8}, 100)...), ht.Long(279, slices.Repeat([]uint32{192}, 100)...)}
		}), header.Malformed, "overlap"},
		{"TIFF no palette", page(func(p *ht.TIFFPage) { p.Photometric, p.Samples, p.Blocks = 3, 1, [][]byte{make([]byte, 64)} }), header.Malformed, "the palette is missing"},
		{"TIFF preview", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Long(254, 1)} }), header.Unsupported, "preview"},
		{"TIFF camera raw", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{{Tag: 50706, Type: 1, Values: []uint32{1, 4, 0, 0}}} }), header.Unsupported, "camera raw"},
		{"TIFF no meaning", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{{Tag: 262, Type: 3}} }), header.Malformed, "what its samples mean"},
		{"TIFF too few strips", page(func(p *ht.TIFFPage) { p.Rows = 2 }), header.Malformed, "needs 4 strips"},
		{"TIFF short strip", page(func(p *ht.TIFFPage) { p.Blocks = [][]byte{make([]byte, 191)} }), header.Malformed, "cannot hold their 192 bytes"},
		{"TIFF no rows in a strip", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Long(278, 0)} }), header.Malformed, "no rows"},
		{"TIFF strips higher than sense", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Long(278, 1<<31)} }), header.Unsupported, "strips of 2147483648 rows"},
		{"TIFF bits reversed", page(func(p *ht.TIFFPage) { p.Fields = []ht.Field{ht.Short(266, 2)} }), header.Unsupported, "reverse order"},
		{"TIFF bad deflate", page(func(p *ht.TIFFPage) { p.Compression = 8 }), header.Malformed, "cannot be unpacked"},
		{"TIFF old LZW", page(func(p *ht.TIFFPage) { p.Compression = 5; p.Blocks = [][]byte{{0, 1, 2, 3}} }), header.Unsupported, "old-style LZW"},
		{"BMP compressed", bmp(func(b []byte) { b[30] = 1 }), header.Unsupported, "compressed BMP"},
		{"BMP 16 bit", bmp(func(b []byte) { b[28] = 16 }), header.Unsupported, "16 bits per pixel"},
		{"BMP header", bmp(func(b []byte) { b[14] = 64 }), header.Unsupported, "header of 64 bytes"},
		{"BMP colours", bmp(func(b []byte) { b[28] = 8; b[47] = 2 }), header.Malformed, "512 colours in 8 bits"},
		{"BMP pixels in header", bmp(func(b []byte) { b[10] = 50 }), header.Malformed, "within the header"},
		{"BMP least height", bmp(func(b []byte) { le.PutUint32(b[22:], 1<<31) }), header.Malformed, "impossible size"},
		{"WebP animated", ht.RIFF([]byte("VP8X\x0a\x00\x00\x00\x02\x00\x00\x00\x07\x00\x00\x07\x00\x00")), header.Unsupported, "animated"},
		{"WebP empty", ht.RIFF([]byte("ICCP\x04\x00\x00\x00abcd")), header.Malformed, "no picture"},
		{"WebP lossy header", ht.RIFF([]byte("VP8 \x0a\x00\x00\x00\x00\x00\x00\x9d\x01\x2b\x08\x00\x08\x00")), header.Malformed, "lossy header"},
		{"WebP chunk", ht.RIFF([]byte("VP8L\xff\xff\x00\x00\x2f\x00\x00\x00")), header.Malformed, "past the end"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := check(c.data)
			require.ErrorContains(t, err, c.want)
			e, ok := errors.AsType[*header.Error](err)
			require.True(t, ok)
			assert.Equal(t, c.kind, e.Kind)
			assert.NotEmpty(t, e.Hint)
			assert.False(t, strings.HasSuffix(e.What, "."), e.What)
		})
	}
}

// A header that claims 60 000 × 60 000 pixels is read, for the caller to
// refuse, and costs no memory in proportion.
func TestHugeClaims(t *testing.T) {
	const n = 60000
	bmp := ht.BMP(ht.Pattern(8, 8), 0, 0)
	le.PutUint32(bmp[18:], n)
	le.PutUint32(bmp[22:], n)
	huge := map[string][]byte{
		"PNG":  ht.RawPNG(n, n, 8, 2, 0, deflate(make([]byte, 100))),
		"TIFF": ht.TIFF(le, ht.TIFFPage{W: n, H: n, Bits: 8, Samples: 3, Photometric: 2, Compression: 5, Blocks: [][]byte{make([]byte, 100)}}),
		"JPEG": append(append([]byte("\xff\xd8"), ht.Segment(0xc0, []byte{8, n >> 8, n & 255, n >> 8, n & 255, 1, 1, 0x11, 0})...), "\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00\xff\xd9"...),
	}
	for name, data := range huge {
		in, err := header.Read(data)
		require.NoError(t, err, name)
		assert.Equal(t, int64(n)*n, in.Pixels(), name)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		header.Read(data)
		runtime.ReadMemStats(&after)
		assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(10000), name)
		assert.Error(t, header.Complete(data, &in), name)
	}
	_, err := header.Read(bmp)
	assert.ErrorContains(t, err, "ends early") // 10.8 GB announced
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

		{"WebP none", ht.WebP(ht.TwoTone(8, 6, false), nil), 0, 0, "", nil},
		{"WebP EXIF", ht.WebP(ht.TwoTone(8, 6, false), ht.Exif(be, res(300, 300, 2), nil)), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
		{"WebP EXIF with its JPEG prefix", ht.WebP(ht.TwoTone(8, 6, false), append([]byte("Exif\x00\x00"), ht.Exif(be, res(300, 300, 2), nil)...)), dpi300, dpi300, "stored resolution (EXIF, 300 dpi)", nil},
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
				"WebP": ht.WebP(ht.TwoTone(8, 6, false), ex), "TIFF": ht.TIFFOf(p, 0, f),
			} {
				in, err := check(data)
				require.NoError(t, err, name)
				assert.Equal(t, want, in.Orientation, "%s %d", name, v)
				assert.Equal(t, [2]int{8, 6}, [2]int{in.Width, in.Height}, name)
			}
		}
	}
}

func TestTransparency(t *testing.T) {
	rows := func(n int) []byte { return deflate(make([]byte, n)) }
	key := func(v ...uint16) []byte {
		var b []byte
		for _, u := range v {
			b = be.AppendUint16(b, u)
		}
		return ht.Chunk("tRNS", b)
	}
	for _, c := range []struct {
		name string
		data []byte
		want header.Transparency
		key  [3]uint16
	}{
		{"PNG grey 1 bit", ht.RawPNG(8, 8, 1, 0, 0, rows(16), key(1)), header.ColourKey, [3]uint16{255, 255, 255}},
		{"PNG grey 2 bit", ht.RawPNG(8, 8, 2, 0, 0, rows(24), key(2)), header.ColourKey, [3]uint16{170, 170, 170}},
		{"PNG grey 4 bit", ht.RawPNG(8, 8, 4, 0, 0, rows(40), key(5)), header.ColourKey, [3]uint16{85, 85, 85}},
		{"PNG grey 8 bit", ht.RawPNG(8, 8, 8, 0, 0, rows(72), key(77)), header.ColourKey, [3]uint16{77, 77, 77}},
		{"PNG colour 8 bit", ht.RawPNG(8, 8, 8, 2, 0, rows(200), key(1, 2, 3)), header.ColourKey, [3]uint16{1, 2, 3}},
		{"PNG colour 16 bit", ht.RawPNG(8, 8, 16, 2, 0, rows(392), key(0x102, 2, 65535)), header.ColourKey, [3]uint16{0x102, 2, 65535}},
		{"PNG grey and alpha", ht.RawPNG(8, 8, 8, 4, 0, rows(136)), header.Alpha, [3]uint16{}},
		{"PNG palette", ht.RawPNG(8, 8, 8, 3, 0, rows(72), ht.Chunk("PLTE", make([]byte, 6)), ht.Chunk("tRNS", []byte{9})), header.Alpha, [3]uint16{}},
		{"PNG opaque", ht.PNG(ht.Pattern(8, 8)), header.Opaque, [3]uint16{}},
		{"WebP", ht.WebP(ht.TwoTone(8, 8, true), nil), header.Alpha, [3]uint16{}},
	} {
		in, err := check(c.data)
		require.NoError(t, err, c.name)
		assert.Equal(t, c.want, in.Transparency, c.name)
		assert.Equal(t, c.key, in.Key, c.name)
	}
	for kind, want := range []header.Transparency{header.Opaque, header.Multiplied, header.Alpha} {
		in, err := check(ht.TIFF(le, ht.TIFFPage{W: 2, H: 2, Bits: 8, Samples: 4, Photometric: 2,
			Blocks: [][]byte{make([]byte, 16)}, Fields: []ht.Field{ht.Short(338, uint32(kind))}}))
		require.NoError(t, err)
		assert.Equal(t, want, in.Transparency)
	}
}

func TestMorePages(t *testing.T) {
	pg := ht.TIFFPage{W: 2, H: 2, Bits: 8, Samples: 1, Photometric: 1, Blocks: [][]byte{{1, 2, 3, 4}}}
	in, err := check(ht.TIFF(be, pg, pg))
	require.NoError(t, err)
	assert.Equal(t, []string{"more_pages"}, codes(in))
}

// Tidy keeps the pixels' chunks, byte for byte, and no other.
func TestTidy(t *testing.T) {
	p := ht.Pattern(20, 10)
	plain := ht.PNG(p)
	in, err := check(plain)
	require.NoError(t, err)
	assert.False(t, in.Untidy)
	full := ht.PNG(p, ht.Chunk("iCCP", []byte("nonsense")), ht.Chunk("gAMA", make([]byte, 4)), ht.PHYs(11811, 11811, 1))
	in, err = check(full)
	require.NoError(t, err)
	assert.True(t, in.Untidy)
	assert.Equal(t, plain, header.Tidy(full))
}

// Damage inside the compressed data is found although every length is right.
// A single flipped byte can leave a JPEG that follows its code by chance, so
// this asks for most of them; it counts what the check is worth.
func TestVerifyFindsDamage(t *testing.T) {
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
	assert.ErrorContains(t, err, "cannot be unpacked")
}

// JPEGs of all sizes about a block, grey and colour, pass.
func TestVerifyPassesSoundJPEG(t *testing.T) {
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
func TestVerifyPassesForeignJPEG(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(goroot(t), "src/image/testdata/*.jpeg"))
	if len(files) == 0 {
		t.Skip("the source of Go's package image is not installed")
	}
	read := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		_, err = check(data)
		if e, ok := errors.AsType[*header.Error](err); ok && e.Kind == header.Unsupported {
			assert.Contains(t, e.What, "CMYK", f)
			continue
		}
		assert.NoError(t, err, f)
		read++
	}
	assert.GreaterOrEqual(t, read, 10)
}

// FuzzRead asks for no panic, no endless loop and an *Error for whatever
// bytes come.
func FuzzRead(f *testing.F) {
	for _, data := range samples() {
		f.Add(data)
	}
	f.Add(ht.JPEG(ht.Pattern(16, 16), ht.JFIF(1, 300, 300), ht.APP1(ht.Exif(le, []ht.Field{ht.Short(274, 6)}, []ht.Field{ht.Rational(0x829a, 1, 60)}))))
	f.Add(ht.PNG(ht.Pattern(3, 3), ht.PHYs(11811, 11811, 1), ht.Chunk("eXIf", ht.Exif(be, []ht.Field{ht.Short(274, 6)}, nil))))
	f.Fuzz(func(t *testing.T, data []byte) {
		in, err := header.Read(data)
		if err == nil {
			if in.Width < 1 || in.Height < 1 || in.Orientation < 1 || in.Orientation > 8 || in.PxPerMMX < 0 || (in.PxPerMMX == 0) != (in.PxPerMMY == 0) {
				t.Fatalf("impossible header %+v", in)
			}
			if in.Pixels() > 1e6 { // as its caller refuses large pictures
				return
			}
			err = header.Complete(data, &in)
		}
		if err == nil {
			err = header.Verify(data, &in)
		}
		if _, ok := errors.AsType[*header.Error](err); err != nil && !ok {
			t.Fatalf("%T: %v", err, err)
		}
		if err == nil && in.Format == header.PNG {
			if _, err := header.Read(header.Tidy(data)); err != nil {
				t.Fatalf("tidied: %v", err)
			}
		}
	})
}

func BenchmarkVerifyJPEG(b *testing.B) {
	data := ht.JPEG(ht.Smooth(2000, 1500))
	in, err := header.Read(data)
	require.NoError(b, err)
	b.SetBytes(2000 * 1500 * 3)
	b.ReportAllocs()
	for b.Loop() {
		if err := header.Verify(data, &in); err != nil {
			b.Fatal(err)
		}
	}
}
