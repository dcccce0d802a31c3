package vision

import (
	"bytes"
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// matched compares found kernels with the truth: those whose centres lie
// within 1 mm. It returns the mean of found over true less 1 for the length of
// whole and of cut kernels and the width of whole ones, and the share found.
func matched(truth *phantom.PhotoTruth, got *kernel.Tray) (whole, cut, width, found float64) {
	nw, nc, n := 0.0, 0.0, 0.0
	for _, k := range truth.Kernels {
		for i := range got.Kernels {
			m := &got.Kernels[i]
			if math.Hypot(k.X-m.X, k.Y-m.Y) > truth.PxPerMM {
				continue
			}
			n++
			if d := m.LengthPx/got.PxPerMM/k.Length - 1; k.Intact {
				whole, nw = whole+d, nw+1
				width += m.WidthPx/got.PxPerMM/k.Width - 1
			} else {
				cut, nc = cut+d, nc+1
			}
			break
		}
	}
	return whole / nw, cut / nc, width / nw, n / float64(len(truth.Kernels))
}

// rice are photos of 6 megapixels with 200 kernels, three in ten cut, blurred
// in light as a lens does.
func rice(tilt float64) func(*phantom.Photo) {
	return func(p *phantom.Photo) {
		p.Rice.Count, p.Rice.BrokenShare = 200, 0.3
		p.Width, p.Height, p.Focal, p.DistanceMM = 2100, 2800, 0.9, 290+5*tilt
		p.TiltDeg, p.LeanDeg, p.TurnDeg, p.K1 = tilt, 70, 4, 0.03
		p.Lamp, p.Cast = 0.6, [3]float64{1.05, 1, 0.8}
	}
}

// Lengths of solid kernels seen in perspective, straight and at 25°: the mean
// is right to 0.5 %.
func TestCardLengths(t *testing.T) {
	for _, tilt := range []float64{0, 25} {
		pic, truth := photo(t, rice(tilt))
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		got, err := MeasureOnCard(context.Background(), pic, c, MeasureOptions{})
		require.NoError(t, err)
		whole, cut, width, found := matched(truth, got)
		t.Logf("tilt %g°: whole %+.2f %%, cut %+.2f %%, width %+.2f %%", tilt, 100*whole, 100*cut, 100*width)
		assert.GreaterOrEqual(t, found, 0.985)
		assert.InDelta(t, len(truth.Kernels), len(got.Kernels), 3)
		assert.InDelta(t, 0, whole, 0.005)
		// Cut faces at a slant are taken off roughly, and the width shows the
		// flank: no promise, but not off by much.
		assert.InDelta(t, 0, cut, 0.02)
		assert.InDelta(t, 0, width, 0.035)

		// Positions are those in the photo, and so are outlines.
		assert.Equal(t, pic.Width, got.WidthPx)
		assert.True(t, got.Calibrated)
		assert.Contains(t, got.Balance, "tray card")
		for _, k := range got.Kernels {
			var c kernel.Point
			for _, q := range k.Outline {
				c.X, c.Y = c.X+q.X/float64(len(k.Outline)), c.Y+q.Y/float64(len(k.Outline))
			}
			require.Less(t, math.Hypot(c.X-k.X, c.Y-k.Y), truth.PxPerMM)
		}
	}
}

// BenchmarkCard finds and measures photos of 12 megapixels and reports the
// length bias. Run with: go test -bench Card -benchtime 1x ./vision
func BenchmarkCard(b *testing.B) {
	for _, c := range []struct {
		name string
		tilt float64
		blur float64
	}{{"tilt=0", 0, 0.8}, {"tilt=12", 12, 0.8}, {"tilt=25", 25, 0.8}, {"tilt=12,blur=1.5", 12, 1.5}} {
		b.Run(c.name, func(b *testing.B) {
			pic, truth := photo(b, func(p *phantom.Photo) {
				rice(c.tilt)(p)
				p.Rice.Count = 300
				p.Width, p.Height, p.Rice.BlurPx = 3000, 4000, c.blur
			})
			b.SetBytes(int64(len(pic.Pix())))
			var find time.Duration
			var got *kernel.Tray
			for b.Loop() {
				at := time.Now()
				found, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
				find += time.Since(at)
				require.NoError(b, err)
				got, err = MeasureOnCard(context.Background(), pic, found, MeasureOptions{})
				require.NoError(b, err)
			}
			whole, cut, width, share := matched(truth, got)
			b.ReportMetric(100*whole, "whole-bias-%")
			b.ReportMetric(100*cut, "cut-bias-%")
			b.ReportMetric(100*width, "width-bias-%")
			b.ReportMetric(100*share, "found-%")
			b.ReportMetric(float64(find.Microseconds())/1000/float64(b.N), "ms-to-find")
		})
	}
}

// BenchmarkNoCard is what looking for a card costs on a scan without one.
func BenchmarkNoCard(b *testing.B) {
	pic := scan(b, 600)
	b.SetBytes(int64(len(pic.Pix())))
	for b.Loop() {
		_, err := FindCard(context.Background(), pic, CardOptions{})
		require.ErrorIs(b, err, ErrNoCard)
	}
}

// scan opens a scan of a loose tray at 300 dpi.
func scan(t testing.TB, count int) *Picture {
	p := phantom.DefaultParams()
	p.Count = count
	img, truth, err := phantom.Draw(p)
	require.NoError(t, err)
	return opened(t, "scan.png", img, truth.DPI)
}

func TestMeasureBy(t *testing.T) {
	ctx := context.Background()
	source := func(t *testing.T, pic *Picture, m Method) string {
		got, err := MeasureBy(ctx, pic, m)
		require.NoError(t, err)
		return got.ScaleSource
	}
	given := MeasureOptions{PxPerMM: 11, ScaleSource: "given"}
	t.Run("scan", func(t *testing.T) {
		pic := scan(t, 60)
		profile := &ScaleProfile{PxPerMMX: 12, PxPerMMY: 12, StoredX: 11.811, StoredY: 11.811, Method: "disc of 20 mm"}
		assert.Equal(t, "given", source(t, pic, Method{MeasureOptions: given}))
		assert.Contains(t, source(t, pic, Method{}), "stored resolution")
		_, err := MeasureBy(ctx, pic, Method{ScaleOptions: ScaleOptions{Card: CardOn}})
		assert.ErrorIs(t, err, ErrNoCard)
		_, err = MeasureBy(ctx, pic, Method{ScaleOptions: ScaleOptions{Ruler: 150}})
		assert.ErrorIs(t, err, ErrNoCard, "a measured line without a card")
		_, err = MeasureBy(ctx, pic, Method{ScaleOptions: ScaleOptions{Card: "maybe"}})
		assert.ErrorContains(t, err, "card mode")
		assert.Contains(t, source(t, pic, Method{ScaleOptions: ScaleOptions{Device: "office", Profile: profile}}), "scale profile office (disc of 20 mm")
	})
	t.Run("photo", func(t *testing.T) {
		pic, _ := photo(t, func(p *phantom.Photo) { p.Rice.Count, p.Rice.Kind = 80, phantom.Bold })
		assert.Contains(t, source(t, pic, Method{}), "tray card")
		got, err := MeasureBy(ctx, pic, Method{ScaleOptions: ScaleOptions{Card: CardOn, Ruler: 149.5}})
		require.NoError(t, err)
		assert.Contains(t, got.ScaleSource, "printed line 149.5 mm")
	})
	t.Run("photo with a hidden mark", func(t *testing.T) {
		pic, _ := photo(t, func(p *phantom.Photo) { p.Covered = append(p.Covered, truthRect(165, -5, 200, 30)) })
		_, err := MeasureBy(ctx, pic, Method{})
		assert.ErrorContains(t, err, "the upper right mark is hidden", "never a weaker scale instead")
	})
}

// The strip card: rice beside it on a tray.
func TestStripCard(t *testing.T) {
	pic, truth := photo(t, func(p *phantom.Photo) {
		p.Beside, p.Rice.Count, p.Rice.Tray = true, 120, phantom.TrayBlue
		p.Width, p.Height, p.DistanceMM, p.TiltDeg, p.LeanDeg = 1700, 2000, 265, 6, 90
	})
	c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
	require.NoError(t, err)
	assert.Equal(t, "strip card", c.found.Layout.Name)
	assert.Less(t, c.ScalePct, 0.15)
	got, err := MeasureOnCard(context.Background(), pic, c, MeasureOptions{})
	require.NoError(t, err)
	whole, _, _, found := matched(truth, got)
	t.Logf("whole %+.2f %%", 100*whole)
	assert.GreaterOrEqual(t, found, 0.98)
	assert.InDelta(t, 0, whole, 0.01) // 5 px/mm
}

// Brightening a dim photo raises what its compression left in the dark: none of
// it counts as a kernel, bar a speck or two.
func TestCardCompressedDim(t *testing.T) {
	p := phantom.DefaultPhoto()
	p.Width, p.Height = 1500, 2000 // enough from straight above
	p.Rice.Count, p.Rice.Noise = 60, 4
	p.Width, p.Height, p.DistanceMM = 1500, 1980, 260
	p.Exposure, p.Cast = 0.3, [3]float64{1, 0.87, 0.45}
	img, truth, err := phantom.DrawPhoto(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "dim.jpg", img, 72, 55))
	pic, err := Decode("dim.jpg", b.Bytes(), OpenOptions{})
	require.NoError(t, err)
	defer pic.Close()
	c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
	require.NoError(t, err)
	got, err := MeasureOnCard(context.Background(), pic, c, MeasureOptions{})
	require.NoError(t, err)
	assert.InDelta(t, len(truth.Kernels), len(got.Kernels), 2)
}
