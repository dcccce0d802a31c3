package vision

import (
	"context"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// thing draws one thing of the grey on a ground, with four times four samples
// to a pixel and noise: inside tells what belongs to it, in pixels from the
// middle.
func thing(w, h int, ground, grey float64, inside func(x, y float64) bool) *image.RGBA {
	r := rand.New(rand.NewPCG(5, 6))
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			n := 0
			for i := range 16 {
				if inside(float64(x-w/2)+float64(i%4)/4-0.375, float64(y-h/2)+float64(i/4)/4-0.375) {
					n++
				}
			}
			v := ground + (grey-ground)*float64(n)/16 + 2*r.NormFloat64()
			g := uint8(min(255, max(0, v)))
			img.SetRGBA(x, y, color.RGBA{g, g, g, 255})
		}
	}
	return img
}

func rectangle(half, across, turn float64) func(x, y float64) bool {
	s, c := math.Sincos(turn)
	return func(x, y float64) bool {
		return math.Abs(x*c+y*s) < half && math.Abs(y*c-x*s) < across
	}
}

func TestCalibrateObject(t *testing.T) {
	ctx := context.Background()
	t.Run("disc", func(t *testing.T) {
		// 24.25 mm at 12 px/mm along x and 11.9 along y, with relief on it.
		pic := opened(t, "a.bmp", thing(700, 600, 20, 190, func(x, y float64) bool {
			u, v := x/12/12.125, y/11.9/12.125
			q := u*u + v*v
			return q < 1 && (q < 0.3 || q > 0.34)
		}), 0)
		c, err := CalibrateObject(ctx, pic, 24.25, 0)
		require.NoError(t, err)
		assert.True(t, c.Both)
		assert.InDelta(t, 12, c.PxPerMMX, 12*0.0005)
		assert.InDelta(t, 11.9, c.PxPerMMY, 12*0.0005)
		assert.Less(t, c.RelSD, 0.0005)
		assert.Equal(t, "disc of 24.25 mm", c.Method)
		_, err = CalibrateObject(ctx, pic, 24.25, 10)
		assert.ErrorContains(t, err, "is round, and two sizes are given")
	})
	// A card of ISO/IEC 7810 format ID-1 measures 85.60 × 53.98 mm.
	for _, turn := range []float64{0, 0.12, math.Pi / 2, -1.5} {
		pic := opened(t, "a.bmp", thing(900, 900, 225, 60, rectangle(42.80*8, 26.99*8, turn)), 0)
		c, err := CalibrateObject(ctx, pic, 85.60, 53.98)
		require.NoError(t, err, "turned %g", turn)
		assert.True(t, c.Both)
		assert.InDelta(t, 8, c.PxPerMMX, 0.006)
		assert.InDelta(t, 8, c.PxPerMMY, 0.006)
		one, err := CalibrateObject(ctx, pic, 85.60, 0)
		require.NoError(t, err)
		assert.False(t, one.Both)
		assert.InDelta(t, 8, one.PxPerMMX, 0.006)
		assert.InDelta(t, 0, math.Sin(one.AngleRad-turn), 0.002)
		_, err = CalibrateObject(ctx, pic, 85.60, 50)
		assert.ErrorContains(t, err, "sides are as 1.586 to 1")
	}
	for _, c := range []struct {
		name, what string
		inside     func(x, y float64) bool
		grey       float64
	}{
		{"nothing", "no single object", func(x, y float64) bool { return false }, 200},
		{"faint", "no single object", rectangle(100, 50, 0), 40},
		{"cut by the edge", "no single object", rectangle(2000, 50, 0), 200},
		{"two", "several things", func(x, y float64) bool { return rectangle(100, 30, 0)(x, math.Abs(y)-100) }, 200},
		{"small", "is only", rectangle(18, 10, 0), 200},
		{"oval", "is oval", func(x, y float64) bool { return x*x/200/200+y*y/120/120 < 1 }, 200},
		{"wedge", "not parallel", func(x, y float64) bool { return rectangle(150, 80, 0)(x+y*0.1*x/150, y) }, 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			pic := opened(t, "a.bmp", thing(640, 480, 20, c.grey, c.inside), 0)
			_, err := CalibrateObject(ctx, pic, 50, 0)
			assert.ErrorContains(t, err, c.what)
		})
	}
	pic := opened(t, "a.bmp", thing(900, 900, 20, 200, rectangle(300, 190, math.Pi/4)), 0)
	_, err := CalibrateObject(ctx, pic, 60, 38)
	assert.ErrorContains(t, err, "askew by 45°")
}

func TestCalibratePoints(t *testing.T) {
	pic := opened(t, "a.bmp", image.NewRGBA(image.Rect(0, 0, 400, 300)), 0)
	c, err := CalibratePoints(pic, kernel.Point{X: 30, Y: 40}, kernel.Point{X: 330, Y: 240}, 25)
	require.NoError(t, err)
	assert.InDelta(t, math.Hypot(300, 200)/25, c.PxPerMMX, 1e-9)
	assert.InDelta(t, math.Atan2(200, 300), c.AngleRad, 1e-9)
	up, err := CalibratePoints(pic, kernel.Point{X: 30, Y: 240}, kernel.Point{X: 30, Y: 40}, 25)
	require.NoError(t, err)
	assert.InDelta(t, math.Pi/2, up.AngleRad, 1e-9)
	for _, q := range [][2]kernel.Point{{{X: 30, Y: 40}, {X: 60, Y: 40}}, {{X: -5, Y: 40}, {X: 330, Y: 240}}, {{X: math.NaN()}, {X: 330, Y: 240}}} {
		_, err := CalibratePoints(pic, q[0], q[1], 25)
		assert.Error(t, err)
	}
}

// A card scanned flat tells x and y apart; a slanted photo of it is refused.
func TestCalibrateByCard(t *testing.T) {
	// A lens far away is as good as a scanner.
	pic, truth := photo(t, func(p *phantom.Photo) {
		p.Focal, p.DistanceMM = 4, 1300
		p.TurnDeg = 90
		p.Width, p.Height = 1650, 1250
	})
	c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 149.7})
	require.NoError(t, err)
	got, err := c.Calibration(pic)
	require.NoError(t, err)
	assert.True(t, got.Both)
	assert.InDelta(t, truth.PxPerMM*150/149.7, got.PxPerMMX, 0.003*truth.PxPerMM)
	assert.InDelta(t, truth.PxPerMM*150/149.7, got.PxPerMMY, 0.003*truth.PxPerMM)

	pic, _ = photo(t, func(p *phantom.Photo) { p.TiltDeg = 10; p.DistanceMM = 260 })
	c, err = FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
	require.NoError(t, err)
	_, err = c.Calibration(pic)
	assert.ErrorContains(t, err, "a slanted view")

	// A scanned card needs no dark field.
	pic, _ = photo(t, func(p *phantom.Photo) { p.Focal, p.DistanceMM, p.OpenRimMM = 4, 1250, 18 })
	_, err = FindCard(context.Background(), pic, CardOptions{})
	assert.ErrorContains(t, err, "is bright along a side")
	c, err = FindCard(context.Background(), pic, CardOptions{ScaleOnly: true})
	require.NoError(t, err)
	_, err = c.Calibration(pic)
	assert.NoError(t, err)
}

func noon(day int) time.Time { return time.Date(2026, 3, day, 12, 0, 0, 0, time.UTC) }

func TestScaleProfile(t *testing.T) {
	stated := &Picture{Name: "a.png", Width: 900, Height: 700, PxPerMMX: 11.811, PxPerMMY: 11.811, SHA256: "aa"}
	s := NewScaleProfile(stated, &Calibration{PxPerMMX: 11.9, PxPerMMY: 11.8, Method: "disc of 20 mm"}, noon(2))

	// At another resolution the same error of the device is taken out.
	p := &Picture{Name: "b.png", Width: 300, Height: 200, PxPerMMX: 23.622, PxPerMMY: 23.622}
	require.NoError(t, s.Apply("office", p))
	assert.InDelta(t, 2*11.9, p.PxPerMMX, 1e-9)
	assert.InDelta(t, 2*11.8, p.PxPerMMY, 1e-9)
	assert.Equal(t, "scale profile office (disc of 20 mm, made 2026-03-02, not checked since)", p.ScaleSource)

	k, err := s.Check(&Picture{Name: "c.png", PxPerMMX: 11.811, PxPerMMY: 11.811}, &Calibration{PxPerMMX: 11.9 * 1.002, PxPerMMY: 11.8 * 0.994}, noon(3))
	require.NoError(t, err)
	assert.InDelta(t, 0.2, k.DriftX, 1e-9)
	assert.InDelta(t, -0.6, k.DriftY, 1e-9)
	assert.InDelta(t, -0.6, k.Worst(), 1e-9)
	require.NoError(t, s.Apply("office", stated))
	assert.Contains(t, stated.ScaleSource, "checked 2026-03-03: drift -0.60 %")

	// Never where it does not belong.
	assert.ErrorContains(t, s.Apply("office", &Picture{Name: "d.jpg", Width: 900, Height: 700}), "states no resolution")
	bare := NewScaleProfile(&Picture{Width: 900, Height: 700}, &Calibration{PxPerMMX: 9, PxPerMMY: 9}, noon(2))
	assert.ErrorContains(t, bare.Apply("stand", &Picture{Name: "d.jpg", Width: 901, Height: 700}), "901 × 700 pixels")
	assert.ErrorContains(t, bare.Apply("stand", &Picture{Name: "d.jpg", Width: 900, Height: 700, PxPerMMX: 3, PxPerMMY: 3}), "states a resolution")
	same := &Picture{Name: "d.jpg", Width: 900, Height: 700}
	require.NoError(t, bare.Apply("stand", same))
	assert.Equal(t, 9.0, same.PxPerMMX)

	for range keptChecks + 5 {
		_, err := s.Check(&Picture{PxPerMMX: 11.811, PxPerMMY: 11.811}, &Calibration{PxPerMMX: 11.9, PxPerMMY: 11.8}, noon(4))
		require.NoError(t, err)
	}
	assert.Len(t, s.Checks, keptChecks)
}

// A scale that had drifted when last looked at is used, and said.
func TestDriftIsSaid(t *testing.T) {
	pic := scan(t, 60)
	s := &ScaleProfile{PxPerMMX: 11.8, PxPerMMY: 11.8, StoredX: 11.811, StoredY: 11.811, Checks: []ScaleCheck{{DriftX: 0.1, DriftY: -0.7}}}
	got, err := MeasureBy(context.Background(), pic, Method{ScaleOptions: ScaleOptions{Device: "office", Profile: s}})
	require.NoError(t, err)
	last := got.Warnings[len(got.Warnings)-1]
	assert.Equal(t, "scale_drifted", last.Code)
	assert.Contains(t, last.Text, "-0.70 %")
}

func TestScaleProfilesFile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.OneOf(rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9._-]{0,20}`),
			rapid.SampledFrom([]string{"null", "true", "No", "0x1f", "1e3", "1.5", "2026-03-01", "7."})).Draw(t, "name")
		scale := rapid.Float64Range(0.1, 1000)
		s := &ScaleProfile{
			Made: noon(rapid.IntRange(1, 28).Draw(t, "day")), Method: rapid.SampledFrom([]string{"", "disc of 24.25 mm", "object of 85.6 × 53.98 mm", "two points 1e+02 mm apart", "tray card"}).Draw(t, "method"),
			PxPerMMX: scale.Draw(t, "x"), PxPerMMY: scale.Draw(t, "y"), WidthPx: 5, HeightPx: 6, SHA256: "0f",
		}
		if rapid.Bool().Draw(t, "stated") {
			s.StoredX, s.StoredY = scale.Draw(t, "sx"), scale.Draw(t, "sy")
		}
		for range rapid.IntRange(0, 3).Draw(t, "checks") {
			s.Checks = append(s.Checks, ScaleCheck{At: noon(9), DriftX: rapid.Float64Range(-5, 5).Draw(t, "dx"), DriftY: rapid.Float64Range(-5, 5).Draw(t, "dy"), SHA256: "1e"})
		}
		data, err := WriteScaleProfiles(map[string]*ScaleProfile{name: s})
		if err != nil {
			t.Fatal(err)
		}
		back, err := ReadScaleProfiles("f", data)
		if err != nil {
			t.Fatalf("%v\n%s", err, data)
		}
		got := back[name]
		if got == nil {
			t.Fatalf("no %q in\n%s", name, data)
		}
		if !got.Made.Equal(s.Made) || got.PxPerMMX != s.PxPerMMX || got.StoredY != s.StoredY || got.Method != s.Method || len(got.Checks) != len(s.Checks) {
			t.Fatalf("%+v came back as %+v", s, got)
		}
	})
	for _, c := range []struct{ data, what string }{
		{"", "has schema 0"},
		{"schema: 1", ""},
		{"schema: 2\nprofiles: {}", "has schema 2"},
		{"schema: 1\nprofiles:\n  a: {px_per_mm: 3}", "unknown field"},
		{"schema: 1\nprofiles:\n  a:", "not within 0.1 to 1000"},
		{"schema: 1\nprofiles:\n  a: {px_per_mm_x: .nan, px_per_mm_y: 3}", "not within 0.1 to 1000"},
		{"schema: 1\nprofiles:\n  a: {px_per_mm_x: 3, px_per_mm_y: 3, stored_px_per_mm_x: 4}", "stated resolution"},
		{"schema: 1\nprofiles:\n  \"../a\": {px_per_mm_x: 3, px_per_mm_y: 3}", "a name has letters"},
		{"schema: 1\nprofiles:\n  a: {px_per_mm_x: 3, px_per_mm_y: 3, checks: [{drift_x_pct: .inf}]}", "a drift is +Inf"},
		{"schema: 1\nprofiles:\n  a: {px_per_mm_x: 3, px_per_mm_y: 3, method: \"? !\"}", "other than letters"},
		{"\x00\xff", "no file of scale profiles"},
	} {
		_, err := ReadScaleProfiles("scales.yaml", []byte(c.data))
		if c.what == "" {
			assert.NoError(t, err)
			continue
		}
		assert.ErrorContains(t, err, "scales.yaml: ")
		assert.ErrorContains(t, err, c.what)
	}
	_, err := ReadScaleProfiles("f", make([]byte, MaxProfileBytes+1))
	assert.ErrorContains(t, err, "more than the limit")
}

func FuzzReadScaleProfiles(f *testing.F) {
	f.Add([]byte("schema: 1\nprofiles:\n  a: {px_per_mm_x: 3, px_per_mm_y: 3}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := ReadScaleProfiles("f", data)
		if err != nil {
			return
		}
		again, err := WriteScaleProfiles(got)
		require.NoError(t, err)
		_, err = ReadScaleProfiles("f", again)
		require.NoError(t, err, "%s", again)
	})
}
