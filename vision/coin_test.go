package vision

import (
	"context"
	"image"
	"image/color"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
	"traytally/vision/phantom"
)

// A piece of metal or of a lid, px.
type round struct{ x, y, across, down, grey float64 }

// besideRice draws 80 kernels at 300 dpi, 11.811 px/mm, and round things to the
// right of them, with a ring of relief.
func besideRice(t *testing.T, things ...round) *image.RGBA {
	t.Helper()
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.WidthMM, p.HeightMM = 51, 80, 80, 70
	tray, _, err := phantom.Draw(p)
	require.NoError(t, err)
	w, h := tray.Bounds().Dx(), tray.Bounds().Dy()
	img := image.NewRGBA(image.Rect(0, 0, w+760, h))
	for y := range h {
		for x := range w + 760 {
			if x < w {
				img.SetRGBA(x, y, tray.RGBAAt(x, y))
				continue
			}
			ground := tray.RGBAAt(1+(x-w)%8, y) // the tray's own border, with its noise
			v := 0.0
			for i := range 16 {
				for _, c := range things {
					u, d := float64(x-w)+float64(i%4)/4-0.375-c.x, float64(y)+float64(i/4)/4-0.375-c.y
					switch q := math.Hypot(u/c.across, d/c.down) * 2; {
					case q < 1 && (q < 0.6 || q > 0.66):
						v += c.grey / 16
					case q < 1:
						v += 0.7 * c.grey / 16
					}
				}
			}
			if v > 0 {
				ground = color.RGBA{uint8(v), uint8(v), uint8(0.9 * v), 255}
			}
			img.SetRGBA(x, y, ground)
		}
	}
	return img
}

const perMM = 300 / 25.4

// lying is a coin of so many mm lying there, seen from straight above.
func lying(x, y, mm float64) round { return round{x, y, mm * perMM, mm * perMM, 110} }

func codesOf(t *kernel.Tray) (codes []string) {
	for _, w := range t.Warnings {
		codes = append(codes, w.Code)
	}
	return codes
}

func TestCoin(t *testing.T) {
	ctx := context.Background()
	pic := opened(t, "a.png", besideRice(t, lying(380.3, 400.6, 24.25)), 200) // what is stored is wrong
	known, err := Measure(ctx, pic, MeasureOptions{PxPerMM: perMM})
	require.NoError(t, err)
	got, err := Measure(ctx, pic, MeasureOptions{CoinMM: 24.25})
	require.NoError(t, err)
	// 286.4 px across: 0.1 % is 0.3 px
	assert.InDelta(t, perMM, got.PxPerMM, 0.001*perMM)
	assert.Regexp(t, `^coin of 24\.25 mm \(286\.\d px across, ± 0\.2\d %, seen from [0-3]° off straight above\)$`, got.ScaleSource)
	assert.Equal(t, len(known.Kernels), len(got.Kernels))
	for i := range got.Kernels {
		assert.Equal(t, known.Kernels[i].LengthPx, got.Kernels[i].LengthPx)
	}
	assert.Contains(t, codesOf(got), "coin_height")
	assert.NotContains(t, codesOf(got), "coin_tilted")
	assert.NotContains(t, codesOf(got), "scale_doubted")
	i := slices.IndexFunc(got.Warnings, func(w kernel.Warning) bool { return w.Code == "coin_height" })
	assert.Contains(t, got.Warnings[i].Text, "0.7 % for a coin 2 mm thick seen from 300 mm")

	// A scale that is given is stronger, a stored one weaker.
	got, err = MeasureBy(ctx, pic, Method{MeasureOptions: MeasureOptions{CoinMM: 24.25, PxPerMM: 12}})
	require.NoError(t, err)
	assert.Equal(t, 12.0, got.PxPerMM)
	assert.NotContains(t, codesOf(got), "coin_height")
	profile := NewScaleProfile(pic, &Calibration{PxPerMMX: 11, PxPerMMY: 11}, noon(1))
	got, err = MeasureBy(ctx, pic, Method{MeasureOptions: MeasureOptions{CoinMM: 24.25}, ScaleOptions: ScaleOptions{Profile: profile}})
	require.NoError(t, err)
	assert.InDelta(t, 11, got.PxPerMM, 1e-9)
}

// Seen from 25° off, along y: the scale is the mean, and it is doubted.
func TestCoinTilted(t *testing.T) {
	c := lying(380, 400, 24)
	c.down *= math.Cos(25 * math.Pi / 180)
	got, err := Measure(context.Background(), opened(t, "a.bmp", besideRice(t, c), 0), MeasureOptions{CoinMM: 24})
	require.NoError(t, err)
	assert.InDelta(t, perMM*math.Sqrt(math.Cos(25*math.Pi/180)), got.PxPerMM, 0.001*perMM)
	i := slices.IndexFunc(got.Warnings, func(w kernel.Warning) bool { return w.Code == "coin_tilted" })
	require.GreaterOrEqual(t, i, 0)
	assert.InDelta(t, 25, got.Warnings[i].Value, 0.3)
	assert.Contains(t, got.Warnings[i].Text, "10.3 % longer one way") // 1/cos 25°
	assert.NotEmpty(t, got.Warnings[i].Hint)
}

// A lid beside the coin: by its size kernels of 7 mm would be too short.
func TestCoinAndLid(t *testing.T) {
	ctx := context.Background()
	pic := opened(t, "a.bmp", besideRice(t, lying(180, 200, 16), lying(480, 460, 40)), 0)
	got, err := Measure(ctx, pic, MeasureOptions{CoinMM: 16})
	require.NoError(t, err)
	assert.InDelta(t, perMM, got.PxPerMM, 0.001*perMM)
}

func TestNoCoin(t *testing.T) {
	for name, c := range map[string]struct {
		mm         float64
		things     []round
		what, hint string
	}{
		"none":       {24, nil, "no coin found: nothing of about its size", "--scale"},
		"cut":        {24, []round{lying(380, -60, 24)}, "no coin found: nothing of about its size", "edge"},
		"two":        {24, []round{lying(180, 200, 24), lying(480, 460, 26)}, "2 round things could be the coin of 24 mm", "crop"},
		"wrong size": {40, []round{lying(380, 400, 24)}, "if the round thing at 1325,400 measured 40 mm, the usual kernel would be 1", "--coin"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Measure(context.Background(), opened(t, "a.bmp", besideRice(t, c.things...), 300), MeasureOptions{CoinMM: c.mm})
			var e *fault.Error
			require.ErrorAs(t, err, &e)
			assert.Contains(t, e.What, c.what)
			assert.Contains(t, e.Hint, c.hint)
		})
	}
}

// Things that the network sets aside are looked at first: roughly bounded, a
// label among them, and what lies on the coin is no rice.
func TestCoinAmongThings(t *testing.T) {
	img := besideRice(t, lying(380, 400, 24))
	w := img.Bounds().Dx() - 760
	for y := 650; y < 760; y++ {
		for x := w + 100; x < w+400; x++ {
			img.SetRGBA(x, y, color.RGBA{220, 220, 220, 255})
		}
	}
	box := func(x, y, half float64) segment.Piece {
		return segment.Piece{Outline: []segment.Point{{X: x - half, Y: y - half}, {X: x + half, Y: y - half}, {X: x + half, Y: y + half}, {X: x - half, Y: y + half}}}
	}
	r := &segment.Result{
		Model:  segment.Model{Length: 7 * perMM, Width: 2 * perMM},
		Pieces: []segment.Piece{box(300, 300, 20), box(float64(w)+350, 420, 20), box(float64(w)+380, 400, 140)},
		Objects: []kernel.Cluster{
			{X: float64(w) + 250, Y: 705, AreaPx2: 300 * 110, MinX: w + 96, MinY: 648, MaxX: w + 404, MaxY: 764},
			{X: float64(w) + 385, Y: 404, AreaPx2: 61000, MinX: w + 228, MinY: 252, MaxX: w + 536, MaxY: 560},
		},
	}
	pic := opened(t, "a.bmp", img, 0)
	c, err := coinOf(context.Background(), pic, r, 24)
	require.NoError(t, err)
	assert.InDelta(t, perMM, c.pxPerMM, 0.001*perMM)
	assert.InDelta(t, float64(w)+380, c.Centre.X, 0.2)
	assert.Len(t, r.Pieces, 1)

	tray := &kernel.Tray{}
	setAside(r, tray, c)
	assert.Len(t, tray.Objects, 2)
	require.Len(t, tray.Warnings, 1)
	assert.Contains(t, tray.Warnings[0].Text, "a large thing") // the label; the coin is meant to be there
}

// A scale by which whole kernels are not as long as rice is doubted, wherever
// it comes from, and changes no length.
func TestScaleDoubted(t *testing.T) {
	pic := opened(t, "a.png", besideRice(t), 300)
	for _, c := range []struct {
		pxPerMM, limit float64
	}{{0, 0}, {2.2 * perMM, minUsualLengthMM}, {0.6 * perMM, maxUsualLengthMM}} {
		got, err := Measure(context.Background(), pic, MeasureOptions{PxPerMM: c.pxPerMM})
		require.NoError(t, err)
		i := slices.IndexFunc(got.Warnings, func(w kernel.Warning) bool { return w.Code == "scale_doubted" })
		if c.limit == 0 {
			assert.Equal(t, -1, i)
			continue
		}
		require.GreaterOrEqual(t, i, 0, "%g px/mm", c.pxPerMM)
		assert.Equal(t, c.limit, got.Warnings[i].Limit)
		assert.NotEmpty(t, got.Warnings[i].Hint)
		assert.Equal(t, c.pxPerMM, got.PxPerMM)
	}
}
