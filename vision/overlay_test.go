package vision

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
)

var ground = color.NRGBA{20, 24, 28, 255}

// plainPicture returns a picture of one colour.
func plainPicture(t testing.TB, w, h int) *Picture {
	t.Helper()
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := 0; i < len(img.Pix); i += 4 {
		copy(img.Pix[i:], []uint8{ground.R, ground.G, ground.B, 255})
	}
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, img))
	p, err := Decode("plain.png", b.Bytes(), OpenOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p
}

// boxKernel is a kernel whose outline is a rectangle, corners on pixel corners.
func boxKernel(id int, x, y, w, h float64) kernel.Kernel {
	return kernel.Kernel{
		ID: id, X: x + w/2 - 0.5, Y: y + h/2 - 0.5, LengthPx: max(w, h), WidthPx: min(w, h), AreaPx2: w * h,
		Outline: []kernel.Point{{X: x - 0.5, Y: y - 0.5}, {X: x + w - 0.5, Y: y - 0.5}, {X: x + w - 0.5, Y: y + h - 0.5}, {X: x - 0.5, Y: y + h - 0.5}},
	}
}

func drawn(t testing.TB, p *Picture, tray *kernel.Tray, marks []Mark, o OverlayOptions) (image.Image, []byte) {
	t.Helper()
	tray.WidthPx, tray.HeightPx = p.Width, p.Height
	b, err := NewBackdrop(p, tray)
	require.NoError(t, err)
	data, err := b.Draw(tray, marks, o)
	require.NoError(t, err)
	img, err := png.Decode(bytes.NewReader(data))
	require.NoError(t, err)
	return img, data
}

func at(img image.Image, x, y int) color.NRGBA {
	return color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)
}

var twoStyles = []Style{
	{Name: "plain", Colour: SkyBlue},
	{Name: "bold", Letter: "B", Colour: Orange, Bold: true, Tint: true},
}

func TestOverlayShowsClasses(t *testing.T) {
	p := plainPicture(t, 700, 300)
	tray := &kernel.Tray{Picture: "plain.png", Kernels: []kernel.Kernel{
		boxKernel(1, 50, 50, 200, 60), boxKernel(2, 350, 50, 200, 60), boxKernel(3, 50, 180, 200, 60),
	}}
	img, _ := drawn(t, p, tray, []Mark{{Kernel: 0, Style: 0}, {Kernel: 1, Style: 1}}, OverlayOptions{Title: "plain.png", Styles: twoStyles})

	assert.Equal(t, 700, img.Bounds().Dx())
	assert.Greater(t, img.Bounds().Dy(), 300, "there is a legend below")
	assert.Equal(t, ground, at(img, 10, 10), "the tray stays as it is")
	assert.Equal(t, ground, at(img, 60, 60), "so does the inside of a plain kernel")
	assert.Equal(t, SkyBlue, at(img, 50, 80), "on its outline")
	assert.Equal(t, Orange, at(img, 350, 80))
	inside := at(img, 365, 60)
	assert.NotEqual(t, ground, inside, "the inside of a tinted kernel is")
	assert.NotEqual(t, Orange, inside)
	assert.Equal(t, ground, at(img, 50, 210), "a kernel without a mark is not drawn")
	assert.Equal(t, legendGround, at(img, 2, 302))

	// The number stands in the middle of its kernel: dark ink with a light rim.
	dark, light := 0, 0
	for y := 65; y < 95; y++ {
		for x := 130; x < 170; x++ {
			switch c := at(img, x, y); {
			case c.R < 12 && c.G < 12:
				dark++
			case c.R > 200:
				light++
			}
		}
	}
	assert.Greater(t, dark, 20)
	assert.Greater(t, light, 20)
}

// TestOverlayStroke holds the ink of an outline to its width times its length.
func TestOverlayStroke(t *testing.T) {
	for _, width := range []float64{1.5, 3, 6, 11} {
		for _, angle := range []float64{0, 0.3, math.Pi / 4, 1.2} {
			c := newCanvas(300, 300)
			s, k := math.Sincos(angle)
			var pts []kernel.Point
			for _, q := range [][2]float64{{-80, -30}, {80, -30}, {80, 30}, {-80, 30}} {
				pts = append(pts, kernel.Point{X: 150.3 + k*q[0] - s*q[1], Y: 150.7 + s*q[0] + k*q[1]})
			}
			c.stroke(pts, width, color.NRGBA{255, 255, 255, 255}, 0)
			ink := 0.0
			for y := range 300 {
				for x := range 300 {
					ink += (float64(c.img.RGBAAt(x, y).R) - float64(legendGround.R)) / (255 - float64(legendGround.R))
				}
			}
			// The octagons leave a little of the corners' outer squares out.
			want := 2 * (160 + 60) * width
			assert.InDelta(t, want, ink, 0.01*want+width*width, "width %g, angle %g", width, angle)
		}
	}
}

func TestOverlayIsTheSameTwice(t *testing.T) {
	p := plainPicture(t, 700, 300)
	tray := &kernel.Tray{
		PxPerMM: 11.8,
		Kernels: []kernel.Kernel{boxKernel(1, 50, 50, 200, 60), boxKernel(2, 200, 100, 12, 10), boxKernel(3, 350, 50, 200, 60)},
		Unresolved: []kernel.Cluster{
			{X: 600, Y: 200, MinX: 560, MinY: 160, MaxX: 640, MaxY: 240},
		},
	}
	styles := append(twoStyles, Style{Name: "third", Letter: "T", Colour: ReddishPurple, Bold: true, Tint: true, Hatch: HatchCrossed, Dashed: true})
	o := OverlayOptions{Title: "tray", Styles: styles, Tags: []Tag{{"noted", "n"}}, Notes: []string{"one", "two"}}
	img, first := drawn(t, p, tray, []Mark{{Kernel: 0, Style: 0}, {Kernel: 1, Style: 1}, {Kernel: 2, Style: 2}}, o)
	_, second := drawn(t, p, tray, []Mark{{Kernel: 2, Style: 2}, {Kernel: 0, Style: 0}, {Kernel: 1, Style: 1}}, o)
	assert.True(t, bytes.Equal(first, second), "the order of the marks changes nothing")

	// The group that was not taken apart is boxed in white on black.
	white := 0
	for x := 540; x < 660; x++ {
		for y := 140; y < 170; y++ {
			if c := at(img, x, y); c.R > 240 && c.B > 240 {
				white++
			}
		}
	}
	assert.Greater(t, white, 40)
}

func TestOverlaySizes(t *testing.T) {
	for _, c := range []struct {
		w, h   int
		kernel float64 // width, px
		scale  float64
	}{
		{800, 600, 25, 1},
		{800, 600, 12, 2},   // numbers would not fit
		{800, 600, 4, 3},    // three times at most
		{3000, 2000, 12, 1}, // twice would be over 12 million
		{6000, 4000, 60, 0.7071},
		{200, 100, 30, 1},
	} {
		t.Run(fmt.Sprintf("%dx%d", c.w, c.h), func(t *testing.T) {
			p := plainPicture(t, c.w, c.h)
			tray := &kernel.Tray{WidthPx: c.w, HeightPx: c.h, Kernels: []kernel.Kernel{boxKernel(1, 20, 20, 3*c.kernel, c.kernel)}}
			b, err := NewBackdrop(p, tray)
			require.NoError(t, err)
			assert.InDelta(t, c.scale, b.Scale(), 0.001)
			p.Close()
			data, err := b.Draw(tray, []Mark{{Kernel: 0, Style: 1}}, OverlayOptions{Styles: twoStyles, Title: "a name that is far too long for a picture of this size and goes on and on.png"})
			require.NoError(t, err)
			conf, err := png.DecodeConfig(bytes.NewReader(data))
			require.NoError(t, err)
			assert.GreaterOrEqual(t, conf.Width, minCanvas)
			assert.LessOrEqual(t, float64(c.w*c.h)*b.Scale()*b.Scale(), maxOverlay+1.0)
		})
	}
}

func TestOverlayRefuses(t *testing.T) {
	p := plainPicture(t, 100, 100)
	tray := &kernel.Tray{WidthPx: 100, HeightPx: 100, Kernels: []kernel.Kernel{boxKernel(1, 20, 20, 60, 30)}}
	b, err := NewBackdrop(p, tray)
	require.NoError(t, err)
	for _, m := range []Mark{{Kernel: -1, Style: 0}, {Kernel: 1, Style: 0}, {Kernel: 0, Style: -1}, {Kernel: 0, Style: 2}, {Tags: []int{0}}} {
		_, err := b.Draw(tray, []Mark{m}, OverlayOptions{Styles: twoStyles})
		assert.Error(t, err, "%v", m)
	}
	p.Close()
	_, err = NewBackdrop(p, tray)
	assert.Error(t, err)
}

// Odd outlines and texts must not break the drawing.
func TestOverlayOddities(t *testing.T) {
	p := plainPicture(t, 100, 100)
	tray := &kernel.Tray{WidthPx: 100, HeightPx: 100, Kernels: []kernel.Kernel{
		{ID: 1, LengthPx: 1, WidthPx: 1},
		{ID: 2, LengthPx: 1, WidthPx: 1, Outline: []kernel.Point{{X: 5, Y: 5}}},
		{ID: 3, LengthPx: 1, WidthPx: 1, Outline: []kernel.Point{{X: 5, Y: 5}, {X: 5.1, Y: 5}, {X: 5, Y: 5.1}}},
		boxKernel(4, -50, -50, 60, 60), boxKernel(5, 90, 90, 400, 60), boxKernel(6, 1000, 1000, 40, 20),
	}}
	var marks []Mark
	for i := range tray.Kernels {
		marks = append(marks, Mark{Kernel: i, Style: i % 2})
	}
	img, _ := drawn(t, p, tray, marks, OverlayOptions{
		Title: "\x00\xff 米 \u202e", Styles: twoStyles, Notes: []string{"", "wordwithoutanybreakthatisfartoolongforthestrip" + string(make([]byte, 400))},
	})
	assert.Equal(t, minCanvas, img.Bounds().Dx())
}

// TestPaletteForEveryEye checks that the colours stay apart as people with
// each kind of colour blindness see them, by the matrices of G.M. Machado,
// M.M. Oliveira and L.A.F. Fernandes, A physiologically-based model for
// simulation of color vision deficiency, IEEE Trans. Vis. Comput. Graph. 15
// (2009) 1291-1298, severity 1.0 (from memory), in linear RGB. A CIEDE2000
// difference of 10 is plain to see at a glance (rule of thumb, no source).
func TestPaletteForEveryEye(t *testing.T) {
	palette := map[string]color.NRGBA{
		"orange": Orange, "sky blue": SkyBlue, "bluish green": BluishGreen,
		"yellow": Yellow, "vermillion": Vermillion, "reddish purple": ReddishPurple,
	}
	for name, m := range map[string][9]float64{
		"normal":       {1, 0, 0, 0, 1, 0, 0, 0, 1},
		"protanopia":   {0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998},
		"deuteranopia": {0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881},
		"tritanopia":   {1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900},
	} {
		seen := map[string]colorful.Color{}
		for n, c := range palette {
			r, g, b := colorful.Color{R: float64(c.R) / 255, G: float64(c.G) / 255, B: float64(c.B) / 255}.LinearRgb()
			seen[n] = colorful.LinearRgb(m[0]*r+m[1]*g+m[2]*b, m[3]*r+m[4]*g+m[5]*b, m[6]*r+m[7]*g+m[8]*b).Clamped()
		}
		for a := range seen {
			for b := range seen {
				if a < b {
					assert.Greater(t, 100*seen[a].DistanceCIEDE2000(seen[b]), 10.0, "%s: %s and %s", name, a, b)
				}
			}
		}
	}
}

// BenchmarkOverlay draws 300 kernels on a picture of an A4 sheet at 300 dpi.
func BenchmarkOverlay(b *testing.B) {
	p := plainPicture(b, 3508, 2480)
	tray := &kernel.Tray{WidthPx: p.Width, HeightPx: p.Height, PxPerMM: 11.811}
	var marks []Mark
	for i := range 300 {
		tray.Kernels = append(tray.Kernels, boxKernel(i+1, float64(50+i%20*170), float64(50+i/20*160), 80, 24))
		marks = append(marks, Mark{Kernel: i, Style: i % 2})
	}
	b.SetBytes(int64(3 * p.Width * p.Height))
	b.ReportAllocs()
	for b.Loop() {
		back, err := NewBackdrop(p, tray)
		require.NoError(b, err)
		_, err = back.Draw(tray, marks, OverlayOptions{Title: "sheet", Styles: twoStyles})
		require.NoError(b, err)
	}
}
