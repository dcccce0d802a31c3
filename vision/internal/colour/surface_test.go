package colour

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

// A painter gives the colour of a kernel's surface: u along the axis from -1
// to 1, v across it, x and y in the picture.
type painter func(u, v, x, y float64) Lab

// A bed is a picture of ellipses of known make, without outside helpers, so
// that each figure below can be worked out by hand.
type bed struct {
	px       pixel.Pixels
	outlines [][]geom.Point
	centres  []geom.Point
	angles   []float64
}

const (
	halfLength, halfWidth = 40.0, 12.0 // a long kernel at 300 dpi
	pitch                 = 100
	translucentL          = 71.0
)

// lay paints n ellipses with turned axes on a black ground. Each pixel is the
// mean of 2×2 points in linear light, with noise of one grey value.
func lay(n int, paint func(i int) painter) *bed {
	cols := int(math.Ceil(math.Sqrt(float64(n))))
	rows := (n + cols - 1) / cols
	b := &bed{px: pixel.Pixels{W: cols * pitch, H: rows * pitch}}
	b.px.Pix = make([]byte, 3*b.px.W*b.px.H)
	r := rand.New(rand.NewPCG(7, 11))
	for i := range n {
		c := geom.Point{X: float64(i%cols*pitch + pitch/2), Y: float64(i/cols*pitch + pitch/2)}
		angle := math.Pi * float64(i) / float64(n)
		sin, cos := math.Sincos(angle)
		f := paint(i)
		for y := int(c.Y) - pitch/2; y < int(c.Y)+pitch/2; y++ {
			for x := int(c.X) - pitch/2; x < int(c.X)+pitch/2; x++ {
				var sum [3]float64
				for s := range 4 {
					px, py := float64(x)+float64(s%2)/2-0.25, float64(y)+float64(s/2)/2-0.25
					dx, dy := px-c.X, py-c.Y
					u, v := (dx*cos+dy*sin)/halfLength, (dy*cos-dx*sin)/halfWidth
					if u*u+v*v > 1 {
						continue
					}
					for k, l := range linearOf(f(u, v, px, py)) {
						sum[k] += l / 4
					}
				}
				for k, l := range sum {
					v := pixel.Encode(min(1, l)) + r.NormFloat64()
					b.px.Pix[3*(y*b.px.W+x)+2-k] = byte(math.Max(0, math.Min(255, math.Round(v))))
				}
			}
		}
		var line []geom.Point
		for k := range 240 {
			s2, c2 := math.Sincos(2 * math.Pi * float64(k) / 240)
			u, v := halfLength*c2, halfWidth*s2
			line = append(line, geom.Point{X: c.X + u*cos - v*sin, Y: c.Y + u*sin + v*cos})
		}
		b.outlines, b.centres, b.angles = append(b.outlines, line), append(b.centres, c), append(b.angles, angle)
	}
	return b
}

// linearOf is the way back from CIELAB to linear red, green and blue.
func linearOf(c Lab) [3]float64 {
	inv := func(f float64) float64 {
		if f > 6.0/29 {
			return f * f * f
		}
		return 3 * 36.0 / 841 * (f - 4.0/29)
	}
	fy := (c.L + 16) / 116
	x, y, z := 0.9505*inv(fy+c.A/500), inv(fy), 1.089*inv(fy-c.B/200)
	return [3]float64{
		3.2406*x - 1.5372*y - 0.4986*z, // the inverse as IEC 61966-2-1 prints it
		-0.9689*x + 1.8758*y + 0.0415*z,
		0.0557*x - 0.2040*y + 1.0570*z,
	}
}

// measured takes and judges all of a bed.
func (b *bed) measured(t *testing.T) (*Look, []kernel.Surface, []float64) {
	s := NewSampler(b.px, NewDecoder([3]float64{1, 1, 1}), 0.5)
	ps := make([]Patch, len(b.outlines))
	weight := make([]float64, len(ps))
	for i := range ps {
		ps[i] = s.Take(b.outlines[i], b.centres[i], b.angles[i])
		ps[i].Cells = append([]Cell(nil), ps[i].Cells...)
		weight[i] = 1
	}
	look, ok := NewLook(ps, weight, b.px.W, b.px.H)
	require.True(t, ok)
	j := NewJudge(look, kernel.DefaultSurfaceLimits())
	surfaces := make([]kernel.Surface, len(ps))
	chalk := make([]Chalk, len(ps))
	for i := range ps {
		surfaces[i], chalk[i] = j.Measure(&ps[i])
	}
	o := NewOpaque(look, chalk)
	shares := make([]float64, len(ps))
	for i := range ps {
		shares[i] = o.Share(chalk[i])
	}
	return look, surfaces, shares
}

// rice is a translucent kernel of the given colour, darker at its flanks, with
// a mark painted over it.
func rice(base Lab, mark painter) painter {
	return func(u, v, x, y float64) Lab {
		c := base
		if mark != nil {
			if m := mark(u, v, x, y); m.L > 0 {
				c = m
			}
		}
		// limb: a fifth of the luminance is lost at the very flank
		shade := math.Cbrt(1 - 0.2*(u*u+v*v)*(u*u+v*v))
		return Lab{(c.L+16)*shade - 16, c.A * shade, c.B * shade}
	}
}

var (
	usual = Lab{translucentL, -0.5, 8}
	white = Lab{86, -0.2, 4}
	bran  = Lab{50, 20, 18}
	spot  = Lab{25, 3, 8}
)

// oneOdd is a bed of 60 usual kernels, one of which is another one.
func oneOdd(odd painter) *bed {
	r := rand.New(rand.NewPCG(1, 2))
	return lay(60, func(i int) painter {
		if i == 31 {
			return odd
		}
		return rice(Lab{usual.L + 1.5*r.NormFloat64(), usual.A + 0.3*r.NormFloat64(), usual.B + r.NormFloat64()}, nil)
	})
}

func TestPatch(t *testing.T) {
	b := lay(16, func(int) painter { return func(u, v, x, y float64) Lab { return usual } })
	s := NewSampler(b.px, NewDecoder([3]float64{1, 1, 1}), 0.5)
	for i := range b.outlines {
		p := s.Take(b.outlines[i], b.centres[i], b.angles[i])
		var w, n float64
		for _, c := range p.Cells {
			w += float64(c.Weight)
			n += float64(c.N)
			assert.True(t, c.Rim >= 0 && c.Rim <= 1 && c.Along >= -1 && c.Along <= 1 && c.Side >= -1 && c.Side <= 1)
		}
		area := math.Pi * halfLength * halfWidth
		assert.InDelta(t, area, p.Area, 0.005*area)
		assert.InDelta(t, p.Area, w, 1e-3*area, "the cells stand for the whole surface, the rim too")
		// half of the pixel centres at least a pixel inside: π(a-1)(b-1)/2, give or
		// take the raster
		assert.InDelta(t, math.Pi*(halfLength-1)*(halfWidth-1)/2, n, 0.02*area)
		assert.InDelta(t, halfWidth, p.HalfWidth, 0.2)
		assert.InDelta(t, 2*halfLength, p.Length, 0.2)
		// one grey value of noise over 670 pixels, and rounding to grey values
		assert.InDelta(t, usual.L, p.Mean.L, 0.2)
		assert.InDelta(t, usual.A, p.Mean.A, 0.3)
		assert.InDelta(t, usual.B, p.Mean.B, 0.3)
		assert.InDelta(t, usual.L, p.Mid.L, 0.2)
	}
	// Too thin to hold a pixel centre.
	sliver := []geom.Point{{X: 10, Y: 10.2}, {X: 30, Y: 10.3}, {X: 30, Y: 10.5}, {X: 10, Y: 10.4}}
	assert.Empty(t, s.Take(sliver, geom.Point{X: 20, Y: 10.3}, 0).Cells)
}

// Sound kernels raise nothing, however the light falls.
func TestUnevenLight(t *testing.T) {
	lights := map[string]func(x, y float64) float64{
		"even":     func(x, y float64) float64 { return 1 },
		"gradient": func(x, y float64) float64 { return 1 - 0.5*x/1400 },
		"fall-off": func(x, y float64) float64 { return 1 - 0.6*(math.Pow(x/700-1, 2)+math.Pow(y/700-1, 2))/2 },
	}
	for name, light := range lights {
		t.Run(name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(3, 4))
			const chalky = 100
			b := lay(196, func(i int) painter {
				base := Lab{usual.L + 1.5*r.NormFloat64(), usual.A + 0.3*r.NormFloat64(), usual.B + r.NormFloat64()}
				if i == chalky {
					base = white
				}
				f := rice(base, nil)
				return func(u, v, x, y float64) Lab {
					c, s := f(u, v, x, y), math.Cbrt(light(x, y))
					return Lab{(c.L+16)*s - 16, c.A * s, c.B * s}
				}
			})
			look, surfaces, chalk := b.measured(t)
			for i, s := range surfaces {
				if i == chalky {
					assert.Equal(t, 1.0, chalk[i], "wholly opaque, told by the level alone")
					continue
				}
				assert.Zero(t, chalk[i])
				assert.Zero(t, s.YellowShare+s.RedShare+s.DarkShare+s.StainShare)
				// four times the kernels' own scatter of 1.5
				assert.InDelta(t, look.Usual.L, s.EvenLab[0], 6.0)
				// A surface of 15 coefficients through 200 kernels that scatter
				// by 4 % of the light (1.5 of L*+16, cubed and divided) is known
				// to 4 %·sqrt(15/200) in the middle and three times that at the
				// corners.
				want := light(b.centres[i].X, b.centres[i].Y) / light(b.centres[90].X, b.centres[90].Y)
				assert.InDelta(t, want, s.Light/surfaces[90].Light, 0.1*want)
			}
		})
	}
}

// The opaque share of a surface, from a belly below every limit to all of it.
func TestChalkShare(t *testing.T) {
	for _, share := range []float64{0.12, 0.3, 0.45, 0.55, 0.7, 0.8} {
		k := math.Sqrt(share) // an ellipse of that share of the area
		b := oneOdd(rice(usual, func(u, v, x, y float64) Lab {
			if u*u+v*v < k*k {
				return white
			}
			return Lab{}
		}))
		_, surfaces, chalk := b.measured(t)
		// the patch ends within two of the 12 cells of the width
		assert.InDelta(t, share, chalk[31], 0.05)
		// cells on the border pull the two classes together
		assert.InDelta(t, white.L-usual.L, surfaces[31].ChalkStep, 4.5)
		assert.Zero(t, surfaces[31].DarkShare+surfaces[31].YellowShare+surfaces[31].RedShare)
	}
}

// A lamp mirrored on the kernel is neither chalk nor a reason for alarm.
func TestGlare(t *testing.T) {
	b := oneOdd(rice(usual, func(u, v, x, y float64) Lab {
		if math.Abs(u) < 0.4 && math.Abs(v-0.2) < 0.12 {
			return Lab{100, 0, 0}
		}
		return Lab{}
	}))
	_, surfaces, chalk := b.measured(t)
	assert.Greater(t, surfaces[31].BurntShare, 0.02)
	assert.Less(t, chalk[31], 0.1)
}

func TestRed(t *testing.T) {
	// A streak a fifth of the half width wide, over 70 % of the length.
	b := oneOdd(rice(usual, func(u, v, x, y float64) Lab {
		if math.Abs(u) < 0.7 && math.Abs(v-0.1) < 0.1 {
			return bran
		}
		return Lab{}
	}))
	_, s, _ := b.measured(t)
	assert.InDelta(t, 0.7, s[31].RedLength, 0.06)
	assert.InDelta(t, 0.7*2*0.2/math.Pi, s[31].RedShare, 0.05)
	assert.Zero(t, s[31].DarkShare)

	// Red on one half.
	b = oneOdd(rice(usual, func(u, v, x, y float64) Lab {
		if u > 0 {
			return bran
		}
		return Lab{}
	}))
	_, s, _ = b.measured(t)
	assert.InDelta(t, 0.5, s[31].RedShare, 0.04)
	assert.InDelta(t, 0.5, s[31].RedLength, 0.05)
}

func TestSpots(t *testing.T) {
	b := oneOdd(rice(usual, func(u, v, x, y float64) Lab {
		for _, at := range [...][2]float64{{-0.4, 0.1}, {0.3, -0.2}} {
			if math.Hypot((u-at[0])*halfLength, (v-at[1])*halfWidth) < 4 {
				return spot
			}
		}
		return Lab{}
	}))
	_, s, chalk := b.measured(t)
	assert.Equal(t, 2, s[31].Spots)
	one := 16 / (halfLength * halfWidth) // π·4² over π·40·12
	assert.InDelta(t, one, s[31].SpotShare, 0.4*one, "a round spot eight pixels wide on cells of two")
	assert.InDelta(t, 2*one, s[31].DarkShare, 0.8*one)
	assert.Zero(t, chalk[31])

	// All of it.
	b = oneOdd(rice(spot, nil))
	_, s, chalk = b.measured(t)
	assert.Greater(t, s[31].DarkShare, 0.98)
	assert.Zero(t, chalk[31])
	assert.Zero(t, s[31].RedShare+s[31].YellowShare)
}

func TestYellow(t *testing.T) {
	yellow := Lab{64, 4, 32}
	b := oneOdd(rice(yellow, nil))
	look, s, chalk := b.measured(t)
	assert.Greater(t, s[31].YellowShare, 0.98)
	assert.Zero(t, s[31].StainShare, "a kernel yellow all over is not stained")
	assert.Zero(t, chalk[31])
	assert.InDelta(t, DeltaE00(yellow, look.Usual), s[31].DeltaE00, 0.7)

	b = oneOdd(rice(usual, func(u, v, x, y float64) Lab {
		if u > 0.5 {
			return yellow
		}
		return Lab{}
	}))
	_, s, _ = b.measured(t)
	// the part of a disc beyond half of its radius: 1/3 - √3/(4π)
	assert.InDelta(t, 1.0/3-math.Sqrt(3)/(4*math.Pi), s[31].StainShare, 0.03)
	assert.Less(t, s[31].YellowShare, 0.25)
}

// The whole sample may be amber, or white.
func TestOwnYardstick(t *testing.T) {
	for _, base := range []Lab{{60, 4, 25}, {86, 0, 4}} {
		r := rand.New(rand.NewPCG(5, 6))
		b := lay(60, func(i int) painter {
			return rice(Lab{base.L + 1.5*r.NormFloat64(), base.A + 0.5*r.NormFloat64(), base.B + 1.5*r.NormFloat64()}, nil)
		})
		look, surfaces, chalk := b.measured(t)
		assert.InDelta(t, base.L, look.Usual.L, 1)
		assert.InDelta(t, base.B, look.Usual.B, 1)
		for i, s := range surfaces {
			assert.Zero(t, chalk[i])
			// a kernel three deviations off may show a cell that is four off
			assert.Less(t, s.YellowShare+s.RedShare+s.DarkShare+s.StainShare, 0.02)
		}
	}
}

// A third of the sample off-colour does not move the yardstick.
func TestYardstickAmongOutliers(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	b := lay(90, func(i int) painter {
		switch i % 6 {
		case 0:
			return rice(white, nil)
		case 1:
			return rice(Lab{64, 4, 32}, nil)
		}
		return rice(Lab{usual.L + 1.5*r.NormFloat64(), usual.A, usual.B + r.NormFloat64()}, nil)
	})
	look, _, chalk := b.measured(t)
	assert.InDelta(t, usual.L, look.Usual.L, 1)
	assert.InDelta(t, usual.B, look.Usual.B, 0.7)
	for i, c := range chalk {
		want := 0.0
		if i%6 == 0 {
			want = 1
		}
		assert.Equal(t, want, c, "kernel %d", i)
	}
}

func TestTooFew(t *testing.T) {
	b := lay(Enough-1, func(int) painter { return rice(usual, nil) })
	s := NewSampler(b.px, NewDecoder([3]float64{1, 1, 1}), 0.5)
	var ps []Patch
	var w []float64
	for i := range b.outlines {
		p := s.Take(b.outlines[i], b.centres[i], b.angles[i])
		p.Cells = append([]Cell(nil), p.Cells...)
		ps, w = append(ps, p), append(w, 1)
	}
	_, ok := NewLook(ps, w, b.px.W, b.px.H)
	assert.False(t, ok)

	// With the yardstick of another picture they can be judged all the same.
	m := kernel.Look{Lab: [3]float64{usual.L, usual.A, usual.B}, SpreadL: 1.5, SpreadB: 1, NoiseL: 1, NoiseA: 0.5, Kernels: 60}
	j := NewJudge(Like(m), kernel.DefaultSurfaceLimits())
	for i := range ps {
		got, _ := j.Measure(&ps[i])
		assert.Less(t, got.DeltaE00, 2.0)
		assert.Zero(t, got.YellowShare+got.RedShare+got.DarkShare)
	}
}
