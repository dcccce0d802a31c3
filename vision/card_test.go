package vision

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/bmp"

	"traytally/vision/internal/card"
	"traytally/vision/internal/colour"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
	"traytally/vision/phantom"
)

// photo draws a photo of a tray card and opens it.
func photo(t testing.TB, change func(*phantom.Photo)) (*Picture, *phantom.PhotoTruth) {
	t.Helper()
	p := phantom.DefaultPhoto()
	p.Width, p.Height = 1500, 2000 // enough from straight above
	p.Rice.Count = 0
	p.Width, p.Height, p.DistanceMM = 1250, 1650, 235
	change(&p)
	img, truth, err := phantom.DrawPhoto(p)
	require.NoError(t, err)
	return opened(t, "photo.bmp", img, 0), truth
}

// opened writes a picture as the ending of name says, with its resolution
// where that is PNG, and opens it.
func opened(t testing.TB, name string, img image.Image, dpi float64) *Picture {
	t.Helper()
	var b bytes.Buffer
	if strings.HasSuffix(name, ".bmp") {
		require.NoError(t, bmp.Encode(&b, img))
	} else {
		require.NoError(t, phantom.Encode(&b, name, img, dpi, 0))
	}
	pic, err := Decode(name, b.Bytes(), OpenOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { pic.Close() })
	return pic
}

// toCard returns the place on the card that is seen at p, by Newton's method.
func toCard(c *Card, p card.Point) card.Point {
	see := c.found.Camera.ToPicture
	q := c.area.Middle()
	for range 20 {
		o := see(q)
		x, y, d := see(card.Point{X: q.X + 0.1, Y: q.Y}).Sub(o), see(card.Point{X: q.X, Y: q.Y + 0.1}).Sub(o), p.Sub(o)
		det := 10 * (x.X*y.Y - x.Y*y.X)
		q.X, q.Y = q.X+(d.X*y.Y-d.Y*y.X)/det, q.Y+(x.X*d.Y-x.Y*d.X)/det
	}
	return q
}

func truthRect(x0, y0, x1, y1 float64) card.Rect { return card.Rect{X0: x0, Y0: y0, X1: x1, Y1: y1} }

// Over the whole field the distance of places 25 mm apart, found in the
// picture, is right to 0.3 %, whatever the tilt, the turn, the lens, the light
// and the noise.
func TestCardScale(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*phantom.Photo)
		worst  float64 // %
	}{
		{"from above", func(p *phantom.Photo) {}, 0.1},
		{"upside down", func(p *phantom.Photo) { p.TurnDeg = 180 }, 0.1},
		{"on its side", func(p *phantom.Photo) { p.TurnDeg, p.Width, p.Height = 91, 1650, 1250 }, 0.1},
		{"tilted 12°", func(p *phantom.Photo) { p.TiltDeg, p.LeanDeg, p.DistanceMM = 12, 30, 250 }, 0.1},
		{"tilted 25°", func(p *phantom.Photo) {
			p.TiltDeg, p.LeanDeg, p.TurnDeg, p.Focal, p.DistanceMM = 25, 110, 7, 1.1, 380
			p.Width, p.Height = 1500, 2000
		}, 0.2},
		{"barrel, uneven light, noise", func(p *phantom.Photo) {
			p.TiltDeg, p.LeanDeg, p.TurnDeg, p.Focal, p.DistanceMM = 25, 200, -5, 1.1, 380
			p.Width, p.Height = 1600, 2100
			p.K1, p.Lamp, p.Vignette, p.Exposure, p.Rice.Noise, p.Cast = 0.06, 1, 1, 0.35, 6, [3]float64{1.1, 1, 0.6}
		}, 0.3},
		{"pincushion of two terms", func(p *phantom.Photo) { p.K1, p.K2 = -0.05, 0.02 }, 0.3},
		{"two strong terms", func(p *phantom.Photo) {
			p.K1, p.K2, p.TiltDeg, p.LeanDeg, p.DistanceMM = -0.09, 0.08, 10, 60, 245
		}, 0.1},
		{"beside a strip", func(p *phantom.Photo) { p.Beside = true; p.TiltDeg, p.LeanDeg = 8, 45 }, 0.3},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			pic, truth := photo(t, c.change)
			got, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
			require.NoError(t, err)
			back := func(q card.Point) card.Point { return toCard(got, truth.ToPicture(q, 0)) }
			const n, apart = 6, 25.0
			worst := 0.0
			area := truth.Photo.Field().Inset(3)
			for i := range n {
				for j := range n {
					q := card.Point{X: area.X0 + (area.W()-apart)*float64(i)/(n-1), Y: area.Y0 + (area.H()-apart)*float64(j)/(n-1)}
					a := back(q)
					for _, to := range []card.Point{{X: q.X + apart, Y: q.Y}, {X: q.X, Y: q.Y + apart}} {
						worst = max(worst, 100*math.Abs(a.Dist(back(to))/apart-1))
					}
				}
			}
			assert.Less(t, worst, c.worst, "%% of scale; %s", got.ScaleSource())
			assert.InDelta(t, truth.Photo.TiltDeg, got.found.Pose.Tilt*180/math.Pi, 1.5)
			assert.Less(t, got.found.Residual, 0.03)
		})
	}
}

// A card that cannot be trusted is refused, with the reason and a way out.
func TestCardRefuses(t *testing.T) {
	covered := func(r ...card.Rect) func(*phantom.Photo) {
		return func(p *phantom.Photo) { p.Covered = r }
	}
	for _, c := range []struct {
		name, what string
		ruler      float64
		change     func(*phantom.Photo)
	}{
		{"mark covered", "the upper right mark is hidden", 150, covered(card.Rect{X0: 165, Y0: -5, X1: 200, Y1: 30})},
		{"half a mark covered", "the lower left mark is hidden", 150, covered(card.Rect{X0: -10, Y0: 230, X1: 10, Y1: 270})},
		{"part of its code covered", "the upper right mark cannot be read", 150, covered(card.Rect{X0: 186.2, Y0: -5, X1: 200, Y1: 30})},
		{"two marks out of the picture", "the lower left mark lies outside the picture", 150, func(p *phantom.Photo) { p.AimX = 50 }},
		{"dots covered", "only 13 of the 26 dots", 150, covered(card.Rect{X0: -5, Y0: 22, X1: 13, Y1: 240}, card.Rect{X0: 20, Y0: -5, X1: 170, Y1: 15})},
		{"torn off", "the lower right mark is hidden, torn off", 150, func(p *phantom.Photo) { p.TornMM, p.Torn = 150, kernel.Point{X: 300, Y: 300} }},
		{"torn, a gap of 1 mm", "the sheet is not flat, it is torn", 150, func(p *phantom.Photo) { p.TornMM, p.Torn = 130, kernel.Point{Y: 1} }},
		{"torn and shifted", "the sheet is not flat, it is torn", 150, func(p *phantom.Photo) { p.TornMM, p.Torn = 60, kernel.Point{X: 1.5} }},
		{"too steep", "at 35° from straight above, more than 30°", 150, func(p *phantom.Photo) {
			p.TiltDeg, p.LeanDeg, p.Focal, p.DistanceMM = 35, 90, 1.4, 480
		}},
		{"fisheye", "bends the picture", 150, func(p *phantom.Photo) { p.K1, p.DistanceMM = 0.25, 215 }},
		{"too far", "less than 4", 150, func(p *phantom.Photo) { p.DistanceMM = 330 }},
		{"printed at 96 %, line measured", "measures 144 mm instead of 150 mm", 144, func(p *phantom.Photo) { p.PrintScale = 0.96 }},
		{"printed at 96 %, whole sheet seen", "by the edges of its sheet (A4) the card was printed at 96", 0, func(p *phantom.Photo) {
			p.PrintScale, p.DistanceMM = 0.96, 285
			p.Width, p.Height = 1500, 1980
		}},
		{"line measured wrongly, whole sheet seen", "by the edges of its sheet", 149, func(p *phantom.Photo) {
			p.PrintScale, p.DistanceMM = 1.012, 285
			p.Width, p.Height = 1500, 1980
		}},
		{"stretched to the page, whole sheet seen", "(A4) the card was printed at 100.0 % across and 98.5 % along", 0, func(p *phantom.Photo) {
			p.PrintStretch, p.DistanceMM = 0.985, 285
			p.Width, p.Height = 1500, 1980
		}},
		{"stretched and the line right, whole sheet seen", "and 98.5 % along", 150, func(p *phantom.Photo) {
			p.PrintStretch, p.DistanceMM = 0.985, 285
			p.Width, p.Height = 1500, 1980
		}},
		{"stretched, no sheet seen", "looks stretched along by -3.0 %", 150, func(p *phantom.Photo) { p.PrintStretch, p.DistanceMM, p.AimX = 0.97, 220, 3 }},
		{"strip stretched", "looks stretched along by +3.", 150, func(p *phantom.Photo) { p.Beside, p.PrintStretch = true, 1.035 }},
		{"bent by 2 mm", "the sheet is not flat, it is torn", 150, func(p *phantom.Photo) { p.Bulge = 2 }},
		{"bent by 8 mm", "only 0 of the 5 dots along the upper side", 150, func(p *phantom.Photo) { p.Bulge = 8 }},
		{"strip bent by 1 mm", "of the strip card lie off", 150, func(p *phantom.Photo) { p.Beside, p.Bulge, p.TiltDeg, p.LeanDeg = true, 1, 8, 45 }},
		{"no dark paper in the field", "the field of the tray card is bright", 150, func(p *phantom.Photo) { p.OpenRimMM = 18 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			pic, _ := photo(t, c.change)
			_, err := FindCard(context.Background(), pic, CardOptions{RulerMM: c.ruler})
			e := fault.Of(err)
			require.NotNil(t, e, "%v", err)
			assert.Equal(t, pic.Name, e.Path)
			assert.Contains(t, e.What, c.what)
			assert.NotEmpty(t, e.Hint)
		})
	}
	t.Run("mirrored", func(t *testing.T) {
		pic, _ := photo(t, func(p *phantom.Photo) {})
		mirror(pic)
		_, err := FindCard(context.Background(), pic, CardOptions{})
		assert.ErrorContains(t, err, "the picture is mirrored")
	})
	t.Run("two cards", func(t *testing.T) {
		a, _ := photo(t, func(p *phantom.Photo) {})
		b, _ := photo(t, func(p *phantom.Photo) { p.AimX, p.AimY = 70, 90 })
		copy(a.Pix()[:3*a.Width*500], b.Pix()[3*a.Width*600:])
		_, err := FindCard(context.Background(), a, CardOptions{})
		require.NotNil(t, fault.Of(err), "%v", err)
		assert.Regexp(t, "lie in one picture|twice|in the wrong order|as the others say|as printed", err.Error())
	})
	t.Run("none", func(t *testing.T) {
		pic, _ := photo(t, covered(card.Rect{X0: -200, Y0: -200, X1: 400, Y1: 600}))
		_, err := FindCard(context.Background(), pic, CardOptions{Thorough: true})
		assert.ErrorIs(t, err, ErrNoCard)
		// Round kernels with a dark spot on a dark tray look a little like marks.
		p := phantom.DefaultParams()
		p.Kind, p.Spotted, p.Count, p.DPI = phantom.Bold, 0.7, 120, 600
		img, _, err := phantom.Draw(p)
		require.NoError(t, err)
		_, err = FindCard(context.Background(), opened(t, "a.bmp", img, 0), CardOptions{Thorough: true})
		assert.ErrorIs(t, err, ErrNoCard)
		pic.Close()
		_, err = FindCard(context.Background(), pic, CardOptions{})
		assert.ErrorContains(t, err, "closed")
	})
}

// However far the parts of a torn card lie apart, either it is refused or the
// scale is right to 0.3 %.
func TestTornCardIsNeverSilent(t *testing.T) {
	for _, gap := range []kernel.Point{{Y: 0.35}, {Y: 0.55}, {X: 0.6}, {X: -0.3, Y: 0.3}} {
		t.Run(fmt.Sprint(gap), func(t *testing.T) {
			t.Parallel()
			pic, truth := photo(t, func(p *phantom.Photo) { p.TornMM, p.Torn = 130, gap })
			got, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
			if err != nil {
				t.Log(err)
				return
			}
			for _, y := range []float64{40, 90, 160} {
				a, b := toCard(got, truth.ToPicture(card.Point{X: 60, Y: y}, 0)), toCard(got, truth.ToPicture(card.Point{X: 130, Y: y + 30}, 0))
				assert.InDelta(t, 1, a.Dist(b)/math.Hypot(70, 30), 0.003)
			}
		})
	}
}

func mirror(p *Picture) {
	pix := p.Pix()
	for y := range p.Height {
		for x := range p.Width / 2 {
			for k := range 3 {
				i, j := 3*(y*p.Width+x)+k, 3*(y*p.Width+p.Width-1-x)+k
				pix[i], pix[j] = pix[j], pix[i]
			}
		}
	}
}

// What the print was checked by: a ruler, the edges of the sheet, or nothing,
// which is said.
func TestCardPrint(t *testing.T) {
	whole := func(p *phantom.Photo) { p.Width, p.Height, p.DistanceMM = 1500, 1980, 285 }
	t.Run("sheet", func(t *testing.T) {
		t.Parallel()
		pic, _ := photo(t, whole)
		c, err := FindCard(context.Background(), pic, CardOptions{})
		require.NoError(t, err)
		assert.Equal(t, "A4", c.sheet)
		assert.InDelta(t, 100, 100*c.size, 0.15)
		assert.Empty(t, c.Warnings)
		assert.Contains(t, c.ScaleSource(), "by the edges of the A4 sheet")
	})
	t.Run("ruler", func(t *testing.T) {
		t.Parallel()
		pic, truth := photo(t, func(p *phantom.Photo) { whole(p); p.PrintScale = 0.994 })
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 149.1})
		require.NoError(t, err)
		assert.InDelta(t, truth.PxPerMM, c.PxPerMM, 0.003*truth.PxPerMM)
		assert.InDelta(t, 99.4, 100*c.size, 0.2)
		assert.Contains(t, c.ScaleSource(), "printed line 149.1 mm")
	})
	t.Run("sheet or print a little off", func(t *testing.T) {
		t.Parallel()
		for _, stretch := range []float64{1, 0.995} {
			pic, _ := photo(t, func(p *phantom.Photo) { whole(p); p.PrintScale, p.PrintStretch = 0.995/stretch, stretch })
			c, err := FindCard(context.Background(), pic, CardOptions{})
			require.NoError(t, err)
			require.Len(t, c.Warnings, 1)
			assert.Equal(t, "card_print_unchecked", c.Warnings[0].Code)
			assert.Contains(t, c.Warnings[0].Text, "99.5 % along, which may be the cut of the paper")
		}
	})
	t.Run("width measured, height not to be told", func(t *testing.T) {
		t.Parallel()
		pic, _ := photo(t, func(p *phantom.Photo) { p.TiltDeg, p.LeanDeg, p.DistanceMM = 16, 90, 235 })
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		assert.Contains(t, c.ScaleSource(), "printed line 150.0 mm, height of the print not checked")
	})
	t.Run("neither", func(t *testing.T) {
		t.Parallel()
		pic, _ := photo(t, func(p *phantom.Photo) { p.DistanceMM, p.AimX = 220, 3 }) // the sheet's edge is cut off
		c, err := FindCard(context.Background(), pic, CardOptions{})
		require.NoError(t, err)
		require.Len(t, c.Warnings, 1)
		assert.Equal(t, "card_print_unchecked", c.Warnings[0].Code)
		assert.Contains(t, c.ScaleSource(), "print not checked")
	})
}

// swatches covers the field with discs of the colours of rice and of defects.
func swatches() (s []phantom.Swatch) {
	labs := [][3]float64{{71, 0.3, 10}, {89, -0.2, 4}, {66, 5, 34}, {47, 23, 17}, {25, 3, 7}, {58, 3.6, 25}}
	for j := range 24 {
		s = append(s, phantom.Swatch{At: kernel.Point{X: 35 + 40*float64(j%4), Y: 33 + 33*float64(j/4)}, R: 5, Lab: labs[(j*5+j/4)%6]})
	}
	return s
}

// Colours of known value, anywhere in the field, come out within ΔE00 2.
func TestCardColour(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*phantom.Photo)
	}{
		{"even", func(p *phantom.Photo) {}},
		{"warm and dim", func(p *phantom.Photo) { p.Cast, p.Exposure = [3]float64{1.1, 1, 0.6}, 0.4 }},
		{"uneven and blue", func(p *phantom.Photo) { p.Lamp, p.Vignette, p.Cast = 1, 1, [3]float64{0.85, 1, 1.1} }},
		{"tilted, uneven, dim", func(p *phantom.Photo) {
			p.TiltDeg, p.LeanDeg, p.TurnDeg, p.Focal, p.DistanceMM = 25, 200, 10, 1.1, 380
			p.Width, p.Height = 1600, 2100
			p.Lamp, p.Vignette, p.Exposure, p.Rice.Noise = 0.8, 1, 0.3, 4
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			pic, truth := photo(t, func(p *phantom.Photo) { c.change(p); p.Swatches = swatches() })
			got, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
			require.NoError(t, err)
			assert.True(t, got.Light.Known)
			assert.Zero(t, got.Light.ShadowPct)
			assert.Less(t, got.Light.GreyDeltaE00, 1.0)
			flat, err := got.Straighten(context.Background(), pic)
			require.NoError(t, err)
			defer flat.Close()
			for _, s := range truth.Photo.Swatches {
				have := labAround(flat, (s.At.X-got.area.X0)*got.PxPerMM-0.5, (s.At.Y-got.area.Y0)*got.PxPerMM-0.5, 3*got.PxPerMM)
				d := colour.DeltaE00(have, colour.Lab{L: s.Lab[0], A: s.Lab[1], B: s.Lab[2]})
				assert.Less(t, d, 2.0, "%v came out as %v", s, have)
			}
		})
	}
}

// The paper's reflectance is taken as stated: a card whose paper reflects 0.86
// comes out as one of 0.95, and everything with it.
func TestCardWhite(t *testing.T) {
	pic, truth := photo(t, func(p *phantom.Photo) { p.Swatches = swatches() })
	got, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150, White: 0.95})
	require.NoError(t, err)
	assert.InDelta(t, 0.95, got.white, 1e-9)
	flat, err := got.Straighten(context.Background(), pic)
	require.NoError(t, err)
	defer flat.Close()
	assert.Contains(t, flat.balanced, "taken to reflect 95 %")
	for _, s := range truth.Photo.Swatches {
		have := labAround(flat, (s.At.X-got.area.X0)*got.PxPerMM-0.5, (s.At.Y-got.area.Y0)*got.PxPerMM-0.5, 3*got.PxPerMM)
		// L* + 16 goes with the cube root of the luminance (CIE 15), above 0.009.
		assert.InDelta(t, (s.Lab[0]+16)*math.Cbrt(0.95/0.86), have.L+16, 0.8)
	}
}

func labAround(p *Picture, x, y, half float64) colour.Lab {
	var sum [3]float64
	n := 0.0
	for j := int(y - half); j <= int(y+half); j++ {
		for i := int(x - half); i <= int(x+half); i++ {
			q := p.Pix()[3*(j*p.Width+i):]
			for k := range sum {
				sum[k] += pixel.Linear(float64(q[k]) / 255)
			}
			n++
		}
	}
	return colour.FromLinear(sum[2]/n, sum[1]/n, sum[0]/n)
}

func TestCardLightDoubts(t *testing.T) {
	warning := func(c *Card, code string) *kernel.Warning {
		for i := range c.Warnings {
			if c.Warnings[i].Code == code {
				return &c.Warnings[i]
			}
		}
		return nil
	}
	find := func(t *testing.T, change func(*phantom.Photo)) (*Picture, *Card) {
		t.Parallel()
		pic, _ := photo(t, change)
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		return pic, c
	}
	for _, depth := range []float64{0.2, 0.5} {
		t.Run(fmt.Sprintf("shadow of %g", depth), func(t *testing.T) {
			pic, c := find(t, func(p *phantom.Photo) { p.ShadowDepth, p.ShadowTopMM, p.ShadowBottomMM, p.Lamp = depth, 60, 90, 0.5 })
			w := warning(c, "card_shadow")
			require.NotNil(t, w)
			assert.InDelta(t, depth, w.Value, 0.08)
			assert.Regexp(t, "at its (upper|lower) side", w.Text)
			flat, err := c.Straighten(context.Background(), pic)
			require.NoError(t, err)
			defer flat.Close()
			assert.False(t, flat.absolute, "colours are not called absolute")
		})
	}
	t.Run("soft shadow", func(t *testing.T) {
		t.Parallel()
		pic, _ := photo(t, func(p *phantom.Photo) {})
		pix := pic.Pix()
		for y := range pic.Height { // from full light to 0.65 of it over 0.3 of the width, about 60 mm
			for x := range pic.Width {
				s := min(1, max(0, (float64(x)/float64(pic.Width)-0.35)/0.3))
				for k := range 3 {
					v := &pix[3*(y*pic.Width+x)+k]
					*v = byte(pixel.Encode(float64(pixel.Light[*v])*(1-0.35*s*s*(3-2*s))) + 0.5)
				}
			}
		}
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		w := warning(c, "card_shadow")
		require.NotNil(t, w)
		assert.Contains(t, w.Text, "a soft shadow")
		assert.NotZero(t, c.Light.ShadowPct)
	})
	t.Run("rice on the far side of a strip", func(t *testing.T) {
		// The strip lies at the foot of the picture, turned round: all its rice is
		// found, and there is more room on the other side.
		t.Parallel()
		pic, truth := photo(t, func(p *phantom.Photo) {
			p.Beside, p.TurnDeg, p.AimY, p.DistanceMM, p.Rice.Count = true, 176, -98, 330, 40
			p.Width, p.Height = 1500, 1980
		})
		c, err := FindCard(context.Background(), pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		assert.Greater(t, c.area.Y0, 50.0, "below the strip")
		areas := c.found.Areas(maxAreaSD, minArea)
		require.Len(t, areas, 2)
		assert.Less(t, areas[0].Y1, 0.0, "the larger place is above")
		for _, k := range truth.Kernels {
			q := toCard(c, kernel.Point{X: k.X, Y: k.Y})
			assert.True(t, q.X > c.area.X0 && q.X < c.area.X1 && q.Y > c.area.Y0 && q.Y < c.area.Y1, "kernel at %v lies in %v", q, c.area)
		}
	})
	t.Run("burnt out", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) { p.Exposure = 1.5 })
		require.NotNil(t, warning(c, "card_burnt_out"))
		assert.False(t, c.Light.Known)
	})
	t.Run("dark", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) { p.Exposure = 0.08 })
		require.NotNil(t, warning(c, "card_dark"))
		assert.True(t, c.Light.Known)
	})
	t.Run("slant", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) {
			p.TiltDeg, p.LeanDeg, p.Focal, p.DistanceMM = 28, 110, 1.1, 380
			p.Width, p.Height = 1600, 2100
		})
		require.NotNil(t, warning(c, "card_oblique"))
	})
	t.Run("strip bent, seen from above", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) { p.Beside, p.Bulge = true, 1 })
		w := warning(c, "card_bent_or_lens")
		require.NotNil(t, w)
		assert.Greater(t, w.Value, 0.005)
	})
	t.Run("strip flat", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) { p.Beside = true })
		assert.Nil(t, warning(c, "card_bent_or_lens"))
	})
	t.Run("dark paper laid amiss", func(t *testing.T) {
		_, c := find(t, func(p *phantom.Photo) { p.OpenRimMM = 6 })
		assert.InDelta(t, 26, c.area.X0, 1.6)
		assert.GreaterOrEqual(t, c.area.X0, 26.0)
		assert.LessOrEqual(t, c.area.Y1, 211.0)
	})
}

// The silhouette of an ellipsoid of half axes a, b, c on the card, seen along a
// line that moves by t per unit of height, is the shadow of the quadric:
// half extents √(a²+c²t²) along t's direction. Found here by brute force over
// the surface, seen from a lens at a finite height.
func TestUprightAgainstBruteForce(t *testing.T) {
	const a, b = 3.5, 1.0
	c := thickness * b
	m := &Card{scale: 10, found: &card.Found{Pose: card.Pose{Height: 300}}, area: card.Rect{}}
	for _, at := range []card.Point{{}, {X: 60, Y: 20}, {X: 120, Y: -90}, {X: 20, Y: 150}} {
		for _, turn := range []float64{0, 0.6, 1.3, -0.9} {
			sin, cos := math.Sincos(turn)
			var x0, x1, y0, y1 float64 = 9, -9, 9, -9
			for i := range 200 {
				for j := range 400 {
					th, ph := math.Pi*(float64(i)+0.5)/200, 2*math.Pi*float64(j)/400
					u, v, z := a*math.Sin(th)*math.Cos(ph), b*math.Sin(th)*math.Sin(ph), c+c*math.Cos(th)
					x, y := at.X+u*cos-v*sin, at.Y+u*sin+v*cos
					x, y = x*300/(300-z), y*300/(300-z) // as projected on the card
					p, q := (x-at.X)*cos+(y-at.Y)*sin, (y-at.Y)*cos-(x-at.X)*sin
					x0, x1, y0, y1 = min(x0, p), max(x1, p), min(y0, q), max(y1, q)
				}
			}
			k := kernel.Kernel{
				X: at.X*10 - 0.5, Y: at.Y*10 - 0.5, AngleRad: turn,
				LengthPx: 10 * (x1 - x0), AxisLengthPx: 10 * (x1 - x0), WidthPx: 10 * (y1 - y0),
				AreaPx2: 1, VolumePx3: 1, Ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact},
			}
			m.upright(&k)
			// The tip is taken for a blunter one: up to 0.15 of what it adds.
			slant := math.Hypot(at.X, at.Y) / 300
			assert.InDelta(t, 2*a, k.LengthPx/10, 0.15*c*c*slant*slant/a+0.012, "at %v turned %.1f", at, turn)
			assert.InDelta(t, 2*b, k.WidthPx/10, 0.012)
		}
	}
}

// A cut face that stands square adds what it hides behind it.
func TestUprightOfCutFace(t *testing.T) {
	m := &Card{scale: 10, found: &card.Found{Pose: card.Pose{Height: 1e6}}}
	k := kernel.Kernel{X: 3e6, AxisLengthPx: 40, LengthPx: 40, WidthPx: 20, AreaPx2: 700, VolumePx3: 9000, Ends: [2]kernel.End{kernel.EndBroken, kernel.EndBroken}}
	// 3e5 mm of 1e6: t = 0.3; half height 0.8 mm: each end √(0.24²+0.32²)-0.32 = 0.08 mm.
	m.upright(&k)
	assert.InDelta(t, 4-0.16, k.LengthPx/10, 0.001)
	assert.InDelta(t, 2, k.WidthPx/10, 1e-5, "nothing across")
	assert.InDelta(t, 700*(4-0.16)/4, k.AreaPx2, 0.2)
}
