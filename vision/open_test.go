package vision_test

import (
	"bytes"
	"compress/zlib"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/color/palette"
	"image/png"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"

	"traytally/vision"
	ht "traytally/vision/internal/codec/codectest"
	"traytally/vision/kernel/fault"
)

// open decodes data and closes it with the test.
func open(t testing.TB, data []byte) *vision.Picture {
	t.Helper()
	p, err := vision.Decode("tray", data, vision.OpenOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p
}

// refused opens data and returns why it is refused.
func refused(t testing.TB, data []byte) *fault.Error {
	t.Helper()
	p, err := vision.Decode("tray", data, vision.OpenOptions{})
	if err == nil {
		p.Close()
	}
	e, ok := errors.AsType[*fault.Error](err)
	require.True(t, ok, "%T: %v", err, err)
	assert.Equal(t, "tray", e.Path)
	assert.NotEmpty(t, e.What)
	assert.NotEmpty(t, e.Hint, e.What)
	return e
}

func write(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, data, 0o644))
	return path
}

func TestOpen(t *testing.T) {
	m := ht.Pattern(13, 7)
	data := ht.PNG(m, ht.PHYs(11811, 23622, 1))
	path := write(t, "tray.jpg", data) // the name is not believed
	p, err := vision.Open(path, vision.OpenOptions{})
	require.NoError(t, err)
	assert.Equal(t, path, p.Name)
	assert.Equal(t, "PNG", p.Format)
	assert.Equal(t, [2]int{13, 7}, [2]int{p.Width, p.Height})
	assert.Equal(t, ht.BGR(m), p.Pix())
	assert.Equal(t, fmt.Sprintf("%x", sha256.Sum256(data)), p.SHA256)
	assert.Equal(t, [2]float64{11.811, 23.622}, [2]float64{p.PxPerMMX, p.PxPerMMY})
	assert.Equal(t, "stored resolution (PNG pHYs, 300 × 600 dpi)", p.ScaleSource)
	assert.Empty(t, p.Warnings)
	assert.NoError(t, p.Close())
	assert.NoError(t, p.Close())
	assert.Nil(t, p.Pix())
}

func TestOpenOnePixel(t *testing.T) {
	m := ht.Pattern(1, 1)
	for _, data := range [][]byte{ht.PNG(m), ht.TIFFOf(m, 0), ht.BMP(m, 0, 0), ht.JPEG(m), ht.WebP(ht.Pattern(1, 1), nil)} {
		p := open(t, data)
		assert.Equal(t, [2]int{1, 1}, [2]int{p.Width, p.Height}, p.Format)
		assert.Len(t, p.Pix(), 3, p.Format)
	}
}

// Lossless files come out as Go's own decoders read them.
func TestLosslessAsGoReadsThem(t *testing.T) {
	rgba := ht.Pattern(21, 9)
	for i := 3; i < len(rgba.Pix); i += 4 {
		rgba.Pix[i] = byte(i * 5) // all sorts of transparency over hidden colours
	}
	indexed := image.NewPaletted(image.Rect(0, 0, 21, 9), palette.Plan9)
	clear := image.NewPaletted(indexed.Rect, color.Palette{color.NRGBA{200, 10, 20, 0}, color.NRGBA{10, 220, 30, 255}, color.NRGBA{40, 50, 250, 128}})
	grey, grey16 := image.NewGray(indexed.Rect), image.NewGray16(indexed.Rect)
	deep, deepAlpha := image.NewNRGBA64(indexed.Rect), image.NewNRGBA64(indexed.Rect)
	for y := range 9 {
		for x := range 21 {
			i := y*21 + x
			indexed.SetColorIndex(x, y, uint8(i))
			clear.SetColorIndex(x, y, uint8(i%3))
			grey.SetGray(x, y, color.Gray{Y: uint8(i * 3)})
			grey16.SetGray16(x, y, color.Gray16{Y: uint16(i * 331)})
			c := color.NRGBA64{R: uint16(i * 331), G: uint16(i * 7919), B: uint16(i * i), A: 65535}
			deep.SetNRGBA64(x, y, c)
			c.A = uint16(i * 341)
			deepAlpha.SetNRGBA64(x, y, c)
		}
	}
	encode := func(f func(b *bytes.Buffer) error) []byte {
		var b bytes.Buffer
		require.NoError(t, f(&b))
		return b.Bytes()
	}
	tif := func(m image.Image, c tiff.CompressionType, predictor bool) []byte {
		return encode(func(b *bytes.Buffer) error {
			return tiff.Encode(b, m, &tiff.Options{Compression: c, Predictor: predictor})
		})
	}
	bm := func(m image.Image) []byte { return encode(func(b *bytes.Buffer) error { return bmp.Encode(b, m) }) }
	opaque, see := ht.Pattern(21, 9), ht.SeeThrough(21, 9)
	for _, c := range []struct {
		name string
		data []byte
		m    image.Image
	}{
		{"PNG colour", ht.PNG(opaque), opaque},
		{"PNG alpha", ht.PNG(rgba), rgba},
		{"PNG palette", ht.PNG(indexed), indexed},
		{"PNG palette with transparency", ht.PNG(clear), clear},
		{"PNG grey", ht.PNG(grey), grey},
		{"PNG grey 16", ht.PNG(grey16), grey16},
		{"PNG colour 16", ht.PNG(deep), deep},
		{"PNG alpha 16", ht.PNG(deepAlpha), deepAlpha},
		{"PNG with chunks the decoder warns of", ht.PNG(opaque, ht.Chunk("iCCP", []byte("profile\x00\x00nonsense")), ht.Chunk("gAMA", []byte{0, 0, 0, 0})), opaque},
		{"TIFF colour", tif(opaque, tiff.Uncompressed, false), opaque},
		{"TIFF deflate", tif(opaque, tiff.Deflate, true), opaque},
		{"TIFF alpha", tif(rgba, tiff.Deflate, false), rgba},
		{"TIFF palette", tif(indexed, tiff.Uncompressed, false), indexed},
		{"TIFF grey", tif(grey, tiff.Uncompressed, false), grey},
		{"TIFF grey 16", tif(grey16, tiff.Deflate, true), grey16},
		{"TIFF strips", ht.TIFFOf(opaque, 2), opaque},
		{"BMP colour", bm(opaque), opaque},
		{"BMP grey", bm(grey), grey},
		{"BMP palette", bm(indexed), indexed},
		{"WebP", ht.WebP(opaque, nil), opaque},
		{"WebP alpha", ht.WebP(see, nil), see},
		{"WebP alpha and EXIF", ht.WebP(see, ht.Exif(binary.LittleEndian, []ht.Field{ht.Short(274, 1)}, nil)), see},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := open(t, c.data)
			assert.Equal(t, [2]int{21, 9}, [2]int{p.Width, p.Height})
			assert.Equal(t, ht.BGR(c.m), p.Pix())
		})
	}
}

// PNGs of every depth, interlaced or not, as Go's image/png reads them; it
// knows the see-through colour too.
func TestRawPNGAsGoReadsThem(t *testing.T) {
	deflate := func(b []byte) []byte {
		var out bytes.Buffer
		w := zlib.NewWriter(&out)
		w.Write(b)
		w.Close()
		return out.Bytes()
	}
	// An interlaced 1×1 picture has its pixel in the first of the seven passes;
	// 2×1 has the second pixel in the sixth.
	for _, c := range []struct {
		name          string
		w, h          uint32
		depth, colour byte
		interlace     byte
		rows          []byte
		chunks        [][]byte
	}{
		{name: "1 bit", w: 9, h: 2, depth: 1, rows: []byte{0, 0xa5, 0x80, 0, 0x5a, 0x00}},
		{name: "2 bit", w: 5, h: 1, depth: 2, rows: []byte{0, 0x1b, 0x80}},
		{name: "4 bit", w: 3, h: 1, depth: 4, rows: []byte{0, 0x1b, 0x80}},
		{name: "2 bit, one grey see-through", w: 4, h: 1, depth: 2, rows: []byte{0, 0x1b}, chunks: [][]byte{ht.Chunk("tRNS", []byte{0, 2})}},
		{name: "8 bit, one grey see-through", w: 3, h: 1, depth: 8, rows: []byte{0, 7, 99, 200}, chunks: [][]byte{ht.Chunk("tRNS", []byte{0, 99})}},
		{name: "16 bit, one grey see-through", w: 2, h: 1, depth: 16, rows: []byte{0, 99, 1, 99, 2}, chunks: [][]byte{ht.Chunk("tRNS", []byte{99, 2})}},
		{name: "one colour see-through", w: 2, h: 1, depth: 8, colour: 2, rows: []byte{0, 9, 8, 7, 9, 8, 6}, chunks: [][]byte{ht.Chunk("tRNS", []byte{0, 9, 0, 8, 0, 7})}},
		{name: "one deep colour see-through", w: 2, h: 1, depth: 16, colour: 2, rows: []byte{0, 9, 1, 8, 1, 7, 1, 9, 1, 8, 1, 7, 2}, chunks: [][]byte{ht.Chunk("tRNS", []byte{9, 1, 8, 1, 7, 1})}},
		{name: "palette of 1 bit, see-through", w: 3, h: 1, depth: 1, colour: 3, rows: []byte{0, 0x40}, chunks: [][]byte{ht.Chunk("PLTE", []byte{1, 2, 3, 200, 100, 50}), ht.Chunk("tRNS", []byte{255, 100})}},
		{name: "interlaced", w: 2, h: 1, depth: 8, colour: 2, interlace: 1, rows: []byte{0, 10, 20, 30, 0, 40, 50, 60}},
		{name: "grey and alpha", w: 2, h: 1, depth: 8, colour: 4, rows: []byte{0, 90, 255, 90, 77}},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := ht.RawPNG(c.w, c.h, c.depth, c.colour, c.interlace, deflate(c.rows), c.chunks...)
			want, err := png.Decode(bytes.NewReader(data))
			require.NoError(t, err)
			assert.Equal(t, ht.BGR(want), open(t, data).Pix())
		})
	}
}

// Each of the eight orientations, in each type that stores one, is applied
// once.
func TestOrientation(t *testing.T) {
	const w, h = 24, 16
	opaque, see, smooth := ht.Pattern(w, h), ht.SeeThrough(w, h), ht.Smooth(w, h)
	grey16 := ht.TIFFPage{W: w, H: h, Bits: 16, Samples: 1, Photometric: 1, Rows: 5}
	var raw []byte
	for i := range w * h {
		raw = binary.LittleEndian.AppendUint16(raw, uint16(i*170))
	}
	grey16.Blocks = ht.Strips(raw, 2*w, 5)
	for o := uint32(1); o <= 8; o++ {
		f := ht.Short(274, o)
		res := []ht.Field{ht.Rational(282, 300, 1), ht.Rational(283, 600, 1), ht.Short(296, 2)}
		exif := ht.Exif(binary.BigEndian, append(res, f), nil)
		turned16 := grey16
		turned16.Fields = []ht.Field{f}
		for _, c := range []struct {
			name           string
			turned, upside []byte
		}{
			{"JPEG", ht.JPEG(smooth, ht.APP1(exif)), ht.JPEG(smooth)},
			{"PNG", ht.PNG(opaque, ht.Chunk("eXIf", exif)), ht.PNG(opaque)},
			{"PNG alpha", ht.PNG(see, ht.Chunk("eXIf", exif)), ht.PNG(see)},
			{"WebP", ht.WebP(see, exif), ht.WebP(see, nil)},
			{"TIFF", ht.TIFFOf(opaque, 0, append(res, f)...), ht.TIFFOf(opaque, 0)},
			{"TIFF strips", ht.TIFFOf(opaque, 3, append(res, f)...), ht.TIFFOf(opaque, 0)},
			{"TIFF grey 16", ht.TIFF(binary.LittleEndian, turned16), ht.TIFF(binary.LittleEndian, grey16)},
		} {
			t.Run(fmt.Sprintf("%s %d", c.name, o), func(t *testing.T) {
				stored := open(t, c.upside)
				want, wantW, wantH := ht.Turn(stored.Pix(), w, h, int(o))
				p := open(t, c.turned)
				assert.Equal(t, [2]int{wantW, wantH}, [2]int{p.Width, p.Height})
				assert.Equal(t, want, p.Pix())
				if c.name == "TIFF grey 16" {
					return
				}
				x, y := 300/25.4, 600/25.4
				if o >= 5 {
					x, y = y, x
				}
				assert.InDelta(t, x, p.PxPerMMX, 1e-12)
				assert.InDelta(t, y, p.PxPerMMY, 1e-12)
			})
		}
	}
}

func TestJPEG(t *testing.T) {
	for _, m := range []image.Image{ht.Smooth(50, 40), image.NewGray(image.Rect(0, 0, 50, 40))} {
		p := open(t, ht.JPEG(m, ht.JFIF(1, 300, 300)))
		assert.Equal(t, "JPEG", p.Format)
		for i, v := range ht.BGR(m) {
			// Quality 95 and 4:2:0 colour on a smooth picture: a few levels.
			require.InDelta(t, v, p.Pix()[i], 8, "byte %d", i)
		}
	}
}

func TestRefusedFiles(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tray-01.jpg"), nil, 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "notes.jpg"), []byte("moisture 12.5 % on arrival\n"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "readme.txt"), nil, 0o644))
	for _, c := range []struct {
		path, what, hint string
		cause            error
	}{
		{filepath.Join(dir, "tray-01.png"), "no such file", "did you mean " + filepath.Join(dir, "tray-01.jpg") + "?", fs.ErrNotExist},
		{filepath.Join(dir, "tary-01.jpg"), "no such file", "did you mean " + filepath.Join(dir, "tray-01.jpg") + "?", fs.ErrNotExist},
		{filepath.Join(dir, "readme.tif"), "no such file", "check the name and the directory", fs.ErrNotExist},
		{filepath.Join(dir, "scans", "a.jpg"), "no such file", "the directory " + filepath.Join(dir, "scans") + " cannot be opened", fs.ErrNotExist},
		{dir, "is a directory", "name a picture file in it", nil},
		{os.DevNull, "is not an ordinary file", "copy the picture into a file and name that", nil},
		{filepath.Join(dir, "tray-01.jpg"), "the file is empty", "copy the file again from where it came, or scan again", nil},
		{filepath.Join(dir, "notes.jpg"), "this looks like text, not a JPEG, PNG, TIFF, BMP or WebP picture", "save the picture as PNG, TIFF or JPEG in 8-bit colour and open that", nil},
	} {
		p, err := vision.Open(c.path, vision.OpenOptions{})
		assert.Nil(t, p)
		e, ok := errors.AsType[*fault.Error](err)
		require.True(t, ok, "%v", err)
		assert.EqualError(t, err, c.path+": "+c.what)
		assert.Equal(t, c.hint, e.Hint)
		if c.cause != nil {
			assert.ErrorIs(t, err, c.cause)
		}
	}
}

func TestOpenUnreadable(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("the superuser may read every file")
	}
	path := write(t, "tray.png", ht.PNG(ht.Pattern(2, 2)))
	require.NoError(t, os.Chmod(path, 0))
	_, err := vision.Open(path, vision.OpenOptions{})
	assert.ErrorIs(t, err, fs.ErrPermission)
}

// A sparse file of 2 GiB is refused by its size, unread.
func TestOpenTooLarge(t *testing.T) {
	path := write(t, "tray.png", nil)
	if err := os.Truncate(path, vision.MaxFileBytes+1); err != nil {
		t.Skip("the file system has no sparse files of 2 GiB")
	}
	_, err := vision.Open(path, vision.OpenOptions{})
	assert.ErrorContains(t, err, "the file has 2147483648 bytes, more than the limit of 2147483647")
	assert.Equal(t, "scan at a lower resolution or a smaller area", fault.Of(err).Hint)
}

// Every type cut at many places is refused with a hint, and nothing crashes.
func TestCut(t *testing.T) {
	m := ht.Pattern(60, 40)
	for _, data := range [][]byte{
		ht.JPEG(m), ht.PNG(m), ht.TIFFOf(m, 0), ht.TIFFOf(m, 9), ht.BMP(m, 0, 0), ht.WebP(ht.SeeThrough(60, 40), nil),
	} {
		for n := 1; n < len(data); n += 1 + len(data)/150 {
			e := refused(t, data[:n])
			assert.Equal(t, "copy the file again from where it came, or scan again", e.Hint, "%v", e)
		}
	}
}

func TestPixelLimit(t *testing.T) {
	data := ht.PNG(ht.Pattern(20, 10))
	p, err := vision.Decode("tray", data, vision.OpenOptions{MaxPixels: 200})
	require.NoError(t, err)
	p.Close()
	_, err = vision.Decode("tray", data, vision.OpenOptions{MaxPixels: 199})
	assert.EqualError(t, err, "tray: 20 × 10 pixels are more than the limit of 199")
	assert.Equal(t, "scan at a lower resolution or a smaller area", fault.Of(err).Hint)
	for _, n := range []int64{-1, 700000001} {
		_, err = vision.Decode("tray", data, vision.OpenOptions{MaxPixels: n})
		assert.ErrorContains(t, err, "is not in 1 to 700000000")
	}
}

// A header that claims 60 000 × 60 000 pixels (10.8 GB decoded) is refused
// before anything is decoded.
func TestHugeClaim(t *testing.T) {
	var packed bytes.Buffer
	w := zlib.NewWriter(&packed)
	w.Write(make([]byte, 1000))
	w.Close()
	data := ht.RawPNG(60000, 60000, 8, 2, 0, packed.Bytes())
	before := peakRSS(t)
	e := refused(t, data)
	assert.Equal(t, "damaged PNG: 77 bytes cannot hold 60000 × 60000 pixels", e.What)
	assert.Less(t, peakRSS(t)-before, int64(10<<20))
}

// A picture that takes more memory than the process may have is refused before
// it is decoded. The limit holds in a process of its own.
func TestTooLittleMemory(t *testing.T) {
	const w, h = 14000, 14000 // 64 MB and 12 bytes a pixel: 2307 MB
	head := ht.Segment(0xc0, []byte{8, h >> 8, h & 255, w >> 8, w & 255, 1, 1, 0x11, 0})
	scan := ht.Segment(0xda, []byte{1, 1, 0, 0, 63, 0})
	data := bytes.Join([][]byte{[]byte("\xff\xd8"), head, scan, make([]byte, w*h/512), []byte("\xff\xd9")}, nil)
	if os.Getenv("TRAYTALLY_TEST_LIMIT") == "" {
		size := rss(t, "VmSize")
		script := fmt.Sprintf("ulimit -v %d && exec %q -test.run '^TestTooLittleMemory$' -test.v", size>>10+1500<<10, os.Args[0])
		cmd := exec.Command("bash", "-c", script)
		cmd.Env = append(os.Environ(), "TRAYTALLY_TEST_LIMIT=1")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		return
	}
	e := refused(t, data)
	require.Equal(t, fault.Memory, e.Kind, e.What)
	assert.Regexp(t, `^14000 × 14000 pixels take about 2307 MB of memory to measure, and the limit of this process \(ulimit -v\) has \d+ MB left$`, e.What)
	open(t, ht.PNG(ht.Pattern(100, 100))) // what fits is read
}

// peakRSS returns the greatest memory this process has held so far, in bytes.
func peakRSS(t testing.TB) int64 { return rss(t, "VmHWM") }

// rss returns a line of this process's status, in bytes.
func rss(t testing.TB, name string) int64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Skip("this system does not tell a process's peak memory")
	}
	for line := range strings.Lines(string(status)) {
		var kb int64
		if _, err := fmt.Sscanf(line, name+": %d kB", &kb); err == nil {
			return kb << 10
		}
	}
	t.Skip("this system does not tell a process's peak memory")
	return 0
}

// Opening stays within the promised 12 bytes per pixel for 8-bit pictures of
// every type. Each runs in a process of its own, because a peak does not go
// away. The PNG and the TIFF hold noise, the worst case for their size.
func TestPeakMemory(t *testing.T) {
	if path := os.Getenv("TRAYTALLY_TEST_OPEN"); path != "" {
		for _, data := range [][]byte{ht.PNG(ht.Pattern(9, 9)), ht.JPEG(ht.Pattern(9, 9)), ht.TIFFOf(ht.Pattern(9, 9), 0)} {
			open(t, data).Close() // what the libraries themselves take, once
		}
		before := peakRSS(t)
		p, err := vision.Open(path, vision.OpenOptions{})
		require.NoError(t, err)
		fmt.Printf("bytes per pixel: %.2f\n", float64(peakRSS(t)-before)/float64(p.Width*p.Height))
		p.Close()
		return
	}
	if testing.Short() {
		t.Skip("decodes large pictures")
	}
	peakRSS(t) // skips where it cannot be told
	const w, h = 2000, 1500
	noise := image.NewNRGBA(image.Rect(0, 0, w, h))
	seed := uint32(1)
	for i := range noise.Pix {
		seed = seed*1664525 + 1013904223
		noise.Pix[i] = byte(seed >> 24)
		if i%4 == 3 {
			noise.Pix[i] = 255
		}
	}
	side := ht.Exif(binary.LittleEndian, []ht.Field{ht.Short(274, 6)}, nil)
	for name, data := range map[string][]byte{
		"JPEG": ht.JPEG(ht.Smooth(w, h)), "JPEG on its side": ht.JPEG(ht.Smooth(w, h), ht.APP1(side)),
		"PNG": ht.PNG(noise), "PNG with a profile": ht.PNG(noise, ht.Chunk("iCCP", []byte("p\x00\x00x"))),
		"TIFF": ht.TIFFOf(noise, 0), "TIFF strips": ht.TIFFOf(noise, 16), "BMP": ht.BMP(noise, 0, 0),
		"WebP": ht.WebP(ht.Pattern(w, h), nil),
	} {
		t.Run(name, func(t *testing.T) {
			cmd := exec.Command(os.Args[0], "-test.run", "^TestPeakMemory$", "-test.v")
			cmd.Env = append(os.Environ(), "TRAYTALLY_TEST_OPEN="+write(t, "tray", data))
			out, err := cmd.CombinedOutput()
			require.NoError(t, err, "%s", out)
			_, rest, ok := strings.Cut(string(out), "bytes per pixel: ")
			require.True(t, ok, "%s", out)
			var perPixel float64
			_, err = fmt.Sscan(rest, &perPixel)
			require.NoError(t, err)
			t.Logf("%.1f bytes per pixel, file %.1f", perPixel, float64(len(data))/(w*h))
			// Half a byte per pixel (1.5 MB) is for the libraries themselves.
			assert.LessOrEqual(t, perPixel, 12.5)
		})
	}
}

// Outside check: scikit-image reads the same pixels from a PNG.
func TestAsScikitImageReads(t *testing.T) {
	python := "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import skimage.io").Run(); err != nil {
		t.Skip("scikit-image is not installed for " + python)
	}
	m := ht.Pattern(57, 33)
	path := write(t, "tray.png", ht.PNG(m))
	const script = `import sys, skimage.io
sys.stdout.buffer.write(skimage.io.imread(sys.argv[1])[:, :, :3].tobytes())`
	got, err := exec.Command(python, "-c", script, path).Output()
	require.NoError(t, err)
	p, err := vision.Open(path, vision.OpenOptions{})
	require.NoError(t, err)
	defer p.Close()
	assert.Equal(t, got, ht.RGB(p.Pix()))
}

func ExampleOpen() {
	dir, _ := os.MkdirTemp("", "")
	defer os.RemoveAll(dir)
	_, err := vision.Open(filepath.Join(dir, "tray.png"), vision.OpenOptions{})
	if e, ok := errors.AsType[*fault.Error](err); ok {
		fmt.Println(e.What)
		fmt.Println("hint:", e.Hint)
	}
	// Output:
	// no such file
	// hint: check the name and the directory
}

// BenchmarkOpen is the speed of reading and decoding a scan of 12 million
// pixels; MB/s counts the bytes of the decoded picture.
func BenchmarkOpen(b *testing.B) {
	const w, h = 4000, 3000
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	seed := uint32(1)
	for i := range m.Pix { // a dark tray with the noise of a scanner
		seed = seed*1664525 + 1013904223
		m.Pix[i] = 20 + byte(seed>>28)
		if i%4 == 3 {
			m.Pix[i] = 255
		}
	}
	encode := func(c tiff.CompressionType) []byte {
		var out bytes.Buffer
		require.NoError(b, tiff.Encode(&out, m, &tiff.Options{Compression: c}))
		return out.Bytes()
	}
	for _, c := range []struct {
		name string
		data []byte
	}{
		{"JPEG", ht.JPEG(m)}, {"PNG", ht.PNG(m)}, {"TIFF", ht.TIFFOf(m, 16)}, {"TIFF-deflate", encode(tiff.Deflate)},
		{"BMP", ht.BMP(m, 0, 0)}, {"WebP-lossless", ht.WebP(ht.Pattern(w, h), nil)},
	} {
		b.Run(c.name, func(b *testing.B) {
			path := write(b, "tray", c.data)
			b.SetBytes(3 * w * h)
			b.ReportAllocs()
			for b.Loop() {
				p, err := vision.Open(path, vision.OpenOptions{})
				if err != nil {
					b.Fatal(err)
				}
				runtime.KeepAlive(p.Pix())
				p.Close()
			}
		})
	}
}
