package cv

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/png"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"

	"traytally/vision/internal/header"
	ht "traytally/vision/internal/header/headertest"
)

func decode(t *testing.T, data []byte) *Image {
	t.Helper()
	in, err := header.Read(data)
	require.NoError(t, err)
	require.NoError(t, header.Complete(data, &in))
	require.NoError(t, header.Verify(data, &in))
	m, err := Decode(data, &in)
	require.NoError(t, err)
	t.Cleanup(func() { m.Close() })
	return m
}

func TestDecode(t *testing.T) {
	p := ht.Pattern(13, 7)
	for name, data := range map[string][]byte{"PNG": ht.PNG(p), "TIFF": ht.TIFFOf(p, 3), "BMP": ht.BMP(p, 0, 0)} {
		m := decode(t, data)
		assert.Equal(t, [2]int{13, 7}, [2]int{m.Width(), m.Height()}, name)
		assert.Equal(t, ht.BGR(p), m.Bytes(), name)
	}
}

func TestCloseTwice(t *testing.T) {
	m := decode(t, ht.PNG(ht.Pattern(3, 3)))
	assert.NoError(t, m.Close())
	assert.NoError(t, m.Close())
	assert.Nil(t, m.Bytes())
}

// Every call that OpenCV would answer with an assertion, and so with the end
// of this process, comes back as an error.
func TestGuards(t *testing.T) {
	good := header.Info{Format: header.PNG, Width: 2, Height: 2, BitDepth: 8, Colours: 3, Orientation: 1}
	sized := func(w, h int) *header.Info {
		in := good
		in.Width, in.Height = w, h
		return &in
	}
	data := ht.PNG(ht.Pattern(2, 2))
	for name, f := range map[string]func() error{
		"no bytes":        func() error { _, err := Decode(nil, &good); return err },
		"no size":         func() error { _, err := Decode(data, sized(0, 2)); return err },
		"too wide":        func() error { _, err := Decode(data, sized(MaxSide+1, 1)); return err },
		"too many pixels": func() error { _, err := Decode(data, sized(30000, 30000)); return err },
		"other size":      func() error { _, err := Decode(data, sized(2, 3)); return err },
		"no picture":      func() error { _, err := Decode([]byte("no picture at all"), &good); return err },
		"PNG no pixels":   func() error { _, err := EncodePNG(nil, 0, 0, 1); return err },
		"PNG wrong size":  func() error { _, err := EncodePNG(make([]byte, 11), 2, 2, 1); return err },
		"PNG level":       func() error { _, err := EncodePNG(make([]byte, 12), 2, 2, 10); return err },
		"PNG negative":    func() error { _, err := EncodePNG(make([]byte, 12), -2, -2, 1); return err },
		"JPEG quality":    func() error { _, err := EncodeJPEG(make([]byte, 12), 2, 2, 0); return err },
		"JPEG too wide":   func() error { _, err := EncodeJPEG(make([]byte, 3*70000), 70000, 1, 90); return err },
		"resize to none":  func() error { _, err := Resize(make([]byte, 12), 2, 2, 0, 1); return err },
		"resize too wide": func() error { _, err := Resize(make([]byte, 12), 2, 2, MaxSide+1, 1); return err },
		"resize nothing":  func() error { _, err := Resize(nil, 2, 2, 1, 1); return err },
		"no network":      func() error { _, err := NewNet(nil); return err },
	} {
		assert.Error(t, f(), name)
	}
}

func TestEncodePNG(t *testing.T) {
	p := ht.Pattern(31, 17)
	pix := ht.BGR(p)
	kept := bytes.Clone(pix)
	for level := 0; level <= 9; level++ {
		out, err := EncodePNG(pix, 31, 17, level)
		require.NoError(t, err)
		got, err := png.Decode(bytes.NewReader(out)) // Go's own reader
		require.NoError(t, err)
		assert.Equal(t, pix, ht.BGR(got), "level %d", level)
	}
	assert.Equal(t, kept, pix)
}

func TestEncodeJPEG(t *testing.T) {
	p := ht.Smooth(64, 48)
	out, err := EncodeJPEG(ht.BGR(p), 64, 48, 95)
	require.NoError(t, err)
	m := decode(t, out)
	for i, v := range ht.BGR(p) {
		// Quality 95 quantises a smooth picture by a few levels.
		require.InDelta(t, v, m.Bytes()[i], 6, "byte %d", i)
	}
}

// Averages over whole blocks are known exactly.
func TestResize(t *testing.T) {
	const w, h, f = 12, 8, 4
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(i * 37)
	}
	got, err := Resize(pix, w, h, w/f, h/f)
	require.NoError(t, err)
	for y := range h / f {
		for x := range w / f {
			for c := range 3 {
				sum := 0
				for j := range f {
					for i := range f {
						sum += int(pix[3*((y*f+j)*w+x*f+i)+c])
					}
				}
				assert.InDelta(t, float64(sum)/(f*f), got[3*(y*w/f+x)+c], 0.51, "rounded to a whole level")
			}
		}
	}
	one, err := Resize(pix, w, h, 5, 1) // no whole blocks
	require.NoError(t, err)
	assert.Len(t, one, 15)
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
		"PNG grey": ht.PNG(grey), "PNG colour": ht.PNG(colour), "TIFF grey": ht.TIFF(binary.LittleEndian, page),
		"TIFF white is zero": ht.TIFF(binary.LittleEndian, white), "TIFF colour": ht.TIFF(binary.LittleEndian, page3),
	} {
		pix := decode(t, data).Bytes()
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

// The files OpenCV itself writes pass our checks of damage: JPEG baseline,
// progressive, with restart markers and with tables of its own; WebP lossy and
// lossless; TIFF in LZW.
func TestFilesOfOpenCVPass(t *testing.T) {
	p := ht.Pattern(131, 67)
	pix := ht.BGR(p)
	mat, unpin, err := wrap(pix, 131, 67)
	require.NoError(t, err)
	defer unpin()
	defer mat.Close()
	const tiffCompression = 259 // IMWRITE_TIFF_COMPRESSION; 5 is LZW, 32946 deflate
	for _, c := range []struct {
		name     string
		ext      gocv.FileExt
		params   []int
		lossless bool
	}{
		{"JPEG", ".jpg", []int{gocv.IMWriteJpegQuality, 90}, false},
		{"JPEG optimised", ".jpg", []int{gocv.IMWriteJpegOptimize, 1}, false},
		{"JPEG progressive", ".jpg", []int{gocv.IMWriteJpegProgressive, 1}, false},
		{"JPEG progressive, best", ".jpg", []int{gocv.IMWriteJpegProgressive, 1, gocv.IMWriteJpegQuality, 100}, false},
		{"JPEG restarts", ".jpg", []int{gocv.IMWriteJpegRstInterval, 3}, false},
		{"JPEG progressive, restarts", ".jpg", []int{gocv.IMWriteJpegProgressive, 1, gocv.IMWriteJpegRstInterval, 5}, false},
		{"WebP", ".webp", []int{gocv.IMWriteWebpQuality, 80}, false},
		{"WebP lossless", ".webp", []int{gocv.IMWriteWebpQuality, 101}, true},
		{"TIFF LZW", ".tiff", []int{tiffCompression, 5}, true},
		{"TIFF deflate", ".tiff", []int{tiffCompression, 32946}, true},
		{"TIFF none", ".tiff", []int{tiffCompression, 1}, true},
		{"BMP", ".bmp", []int{0, 0}, true},
	} {
		buf, err := gocv.IMEncodeWithParams(c.ext, mat, c.params)
		require.NoError(t, err, c.name)
		data := bytes.Clone(buf.GetBytes())
		buf.Close()
		m := decode(t, data)
		require.Len(t, m.Bytes(), len(pix), c.name)
		if c.lossless {
			assert.Equal(t, pix, m.Bytes(), c.name)
		}
		// Cut at some places, the same file is refused before it is decoded.
		for n := 1; n < 40; n++ {
			cut := data[:len(data)*n/40]
			in, err := header.Read(cut)
			if err == nil {
				err = header.Complete(cut, &in)
			}
			assert.Error(t, err, "%s cut to %d of %d", c.name, len(cut), len(data))
		}
	}
}

// Tiles whose sides are multiples of 32 are read right, inside and at the
// edge; the header refuses others (see its tileStep).
func TestTiles(t *testing.T) {
	const w, h = 150, 110
	p := ht.Pattern(w, h)
	rgb := ht.RGB(ht.BGR(p))
	for _, side := range []int{32, 64, 96, 128, 256} {
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
		m := decode(t, ht.TIFF(binary.BigEndian, ht.TIFFPage{W: w, H: h, Bits: 8, Samples: 3, Photometric: 2, Tile: side, Blocks: tiles}))
		assert.Equal(t, ht.BGR(p), m.Bytes(), "tiles of %d", side)
	}
}

// FuzzDecode asks that no bytes which pass the header end the process. An
// OpenCV assertion would.
func FuzzDecode(f *testing.F) {
	p := ht.Pattern(16, 12)
	for _, data := range [][]byte{
		ht.JPEG(p), ht.PNG(p), ht.TIFFOf(p, 5), ht.BMP(p, 0, 0), ht.WebP(ht.TwoTone(16, 12, true), nil),
	} {
		f.Add(data)
	}
	mat, unpin, err := wrap(ht.BGR(p), 16, 12)
	require.NoError(f, err)
	defer unpin()
	defer mat.Close()
	for ext, params := range map[gocv.FileExt][]int{".jpg": {gocv.IMWriteJpegProgressive, 1}, ".webp": {gocv.IMWriteWebpQuality, 80}, ".tiff": {259, 5}} {
		buf, err := gocv.IMEncodeWithParams(ext, mat, params)
		require.NoError(f, err)
		f.Add(bytes.Clone(buf.GetBytes()))
		buf.Close()
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if bytes.HasPrefix(data, []byte("\x89PNG")) {
			data = ht.FixSums(data)
		}
		in, err := header.Read(data)
		if err != nil || in.Pixels() > 1e6 || header.Complete(data, &in) != nil || header.Verify(data, &in) != nil {
			return
		}
		m, err := Decode(data, &in)
		if err != nil {
			return
		}
		defer m.Close()
		if len(m.Bytes()) != 3*m.Width()*m.Height() {
			t.Fatalf("%d bytes for %d × %d", len(m.Bytes()), m.Width(), m.Height())
		}
	})
}

func TestNumbers(t *testing.T) {
	var m Numbers
	defer m.Close()
	for _, n := range []int{0, 1, 70000, 5, 200000} {
		z := m.Zeros(n)
		require.Len(t, z, n)
		for i := range z {
			require.Zero(t, z[i])
			z[i] = int32(i) - 7
		}
	}
	require.NoError(t, m.Close())
	require.NoError(t, m.Close())
}
