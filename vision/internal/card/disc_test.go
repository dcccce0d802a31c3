package card

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// scene draws grey values, given at places in pixels, with 4 × 4 samples to a
// pixel and noise of that standard deviation.
func scene(w, h int, noise float64, grey func(x, y float64) float64) Pixels {
	r := rand.New(rand.NewPCG(3, 4))
	p := Pixels{Pix: make([]byte, 3*w*h), W: w, H: h}
	for y := range h {
		for x := range w {
			v := 0.0
			for i := range 16 {
				v += grey(float64(x)+float64(i%4)/4-0.375, float64(y)+float64(i/4)/4-0.375) / 16
			}
			b := byte(min(255, max(0, v+noise*r.NormFloat64()+0.5)))
			copy(p.Pix[3*(y*w+x):], []byte{b, b, b})
		}
	}
	return p
}

// The coin of the tests, px.
const (
	coinX, coinY, coinR = 310.3, 247.6, 150.0
)

// lit returns a scene of a coin on a ground: face gets the distance from the
// middle, as a share of the radius, and the direction.
func lit(ground float64, face func(q, phi float64) float64) func(x, y float64) float64 {
	return func(x, y float64) float64 {
		x, y = x-coinX, y-coinY
		if q := math.Hypot(x, y) / coinR; q < 1 {
			return face(q, math.Atan2(y, x))
		}
		return ground
	}
}

func even(v float64) func(q, phi float64) float64 { return func(q, phi float64) float64 { return v } }

func relief(q, phi float64) float64 {
	return 70 + 50*math.Sin(30*q*math.Cos(phi))*math.Sin(25*q*math.Sin(phi)+1)
}

func TestDisc(t *testing.T) {
	oval := func(along, across, turn float64) func(x, y float64) float64 {
		s, c := math.Sincos(turn)
		return func(x, y float64) float64 {
			x, y = x-coinX, y-coinY
			if u, v := (x*c+y*s)/along, (y*c-x*s)/across; u*u+v*v < 1 {
				return 90
			}
			return 25
		}
	}
	plain := lit(25, even(90))
	for name, c := range map[string]struct {
		grey        func(x, y float64) float64
		noise       float64
		long, short float64 // 0: of the circle
		within      float64 // of a diameter, px
	}{
		"plain":         {grey: plain, noise: 2, within: 0.1},
		"dark on light": {grey: lit(200, even(110)), noise: 2, within: 0.1},
		"slanted":       {grey: oval(150, 135, 0.5), noise: 2, long: 300, short: 270, within: 0.15},
		"more slanted":  {grey: oval(150, 120, -1.1), noise: 2, long: 300, short: 240, within: 0.15},
		"relief":        {grey: lit(20, relief), noise: 2, within: 0.4},
		"print": {grey: lit(25, func(q, phi float64) float64 {
			if q > 0.78 && q < 0.84 || q < 0.5 && math.Sin(9*phi) > 0 {
				return 220
			}
			return 80
		}), noise: 2, within: 0.1},
		// a milled rim: three fifths of it shines
		"rim": {grey: lit(15, func(q, phi float64) float64 {
			if q > 0.95 && math.Sin(phi+1) > -0.3 {
				return 240
			}
			if q > 0.93 && math.Mod(phi+7, 0.08) < 0.04 {
				return 20
			}
			return 70
		}), noise: 2, within: 0.4},
		"weak contrast": {grey: lit(12, even(24)), noise: 1.5, within: 0.4},
		"half in shadow": {grey: func(x, y float64) float64 {
			if x+0.5*y < 420 {
				return plain(x, y) / 2
			}
			return plain(x, y)
		}, noise: 2, within: 0.15},
		// it casts one, with a soft edge, to the lower right
		"its own shadow": {grey: func(x, y float64) float64 {
			v := lit(180, even(120))(x, y)
			if q := math.Hypot(x-coinX, y-coinY); q > coinR {
				d := math.Hypot(x-coinX-14, y-coinY-10) - coinR
				v *= 1 - 0.5/(1+math.Exp(d/3))
			}
			return v
		}, noise: 2, within: 0.5},
		"kernels touch it": {grey: func(x, y float64) float64 {
			v := plain(x, y)
			for _, phi := range []float64{0.3, 1.7, 1.95, 4} {
				s, c := math.Sincos(phi)
				u, w := (x - coinX - (coinR+12)*c), (y - coinY - (coinR+12)*s)
				if a, b := (u*s-w*c)/40, (u*c+w*s)/12.5; a*a+b*b < 1 {
					v = 200
				}
			}
			return v
		}, noise: 2, within: 0.2},
		// a camera's sharpening: darker just outside, brighter just inside
		"halo": {grey: func(x, y float64) float64 {
			d := math.Hypot(x-coinX, y-coinY) - coinR
			return 40 + 60/(1+math.Exp(d/0.7)) - 10*math.Exp(-sq(d-4)/4) + 10*math.Exp(-sq(d+4)/4)
		}, noise: 1, within: 0.5},
	} {
		t.Run(name, func(t *testing.T) {
			p := scene(640, 500, c.noise, c.grey)
			if c.long == 0 {
				c.long, c.short = 2*coinR, 2*coinR
			}
			// from wherever a box drawn around it may begin
			for _, from := range []struct{ x, y, r float64 }{{0, 0, 1}, {9, -7, 0.9}, {-6, -8, 1.12}} {
				d, ok := p.Disc(Point{X: coinX + from.x, Y: coinY + from.y}, coinR*from.r)
				require.True(t, ok, "from %v", from)
				long, short := d.Axes()
				assert.InDelta(t, c.long, long, c.within, "from %v", from)
				assert.InDelta(t, c.short, short, c.within, "from %v", from)
				assert.InDelta(t, coinX, d.Centre.X, c.within)
				assert.InDelta(t, coinY, d.Centre.Y, c.within)
				assert.Less(t, d.SD, 0.1)
				assert.Greater(t, d.Seen, 0.75)
			}
		})
	}
}

// What is not round has no outline.
func TestNoDisc(t *testing.T) {
	for name, grey := range map[string]func(x, y float64) float64{
		"nothing": func(x, y float64) float64 { return 25 },
		"square": func(x, y float64) float64 {
			if math.Abs(x-coinX) < coinR && math.Abs(y-coinY) < coinR {
				return 90
			}
			return 25
		},
		"seen from the side": func(x, y float64) float64 {
			if math.Hypot((x-coinX)/coinR, (y-coinY)/(0.6*coinR)) < 1 {
				return 90
			}
			return 25
		},
		"half": func(x, y float64) float64 {
			if x > coinX {
				return lit(25, even(90))(x, y)
			}
			return 25
		},
	} {
		_, ok := scene(640, 500, 2, grey).Disc(Point{X: coinX, Y: coinY}, coinR)
		assert.False(t, ok, name)
	}
	p := scene(640, 500, 0, lit(25, even(90)))
	for _, r := range []float64{0, -1, 5, math.NaN(), math.Inf(1)} {
		_, ok := p.Disc(Point{X: coinX, Y: coinY}, r)
		assert.False(t, ok, "radius %g", r)
	}
	_, ok := p.Disc(Point{X: -900, Y: 1e9}, coinR)
	assert.False(t, ok)
}

// Discs finds each of two coins, one of them slanted, among kernels, and
// nothing where there are kernels alone.
func TestDiscs(t *testing.T) {
	const cell = 90 // each holds a kernel, px
	r := rand.New(rand.NewPCG(8, 9))
	var turn [16][16]float64
	for i := range turn {
		for j := range turn[i] {
			turn[i][j] = math.Pi * r.Float64()
		}
	}
	rice := func(x, y float64) float64 {
		i, j := int(max(0, x)/cell), int(max(0, y)/cell)
		s, c := math.Sincos(turn[i][j])
		u, v := x-cell*(float64(i)+0.5), y-cell*(float64(j)+0.5)
		if math.Hypot((u*c+v*s)/38, (v*c-u*s)/11) < 1 {
			return 190
		}
		return 20
	}
	coins := func(x, y float64) float64 {
		switch q := math.Hypot(x-400, y-500) / 140.5; {
		case q < 1:
			return 45 + relief(q, math.Atan2(y-500, x-400))/2
		case q < 1.3:
			return 20
		}
		switch q := math.Hypot((x-1000)/95, (y-350)/86); {
		case q < 1:
			return 60
		case q < 1.5:
			return 20
		}
		return rice(x, y)
	}
	got, err := Discs(context.Background(), scene(1400, 1000, 2, coins), 60, 250)
	require.NoError(t, err)
	require.Len(t, got, 2)
	if got[0].Centre.X > got[1].Centre.X {
		got[0], got[1] = got[1], got[0]
	}
	for i, want := range []struct{ x, y, across, down float64 }{{400, 500, 281, 281}, {1000, 350, 190, 172}} {
		x, y := got[i].Across()
		assert.InDelta(t, want.across, x, 0.4)
		assert.InDelta(t, want.down, y, 0.4)
		assert.InDelta(t, want.x, got[i].Centre.X, 0.3)
		assert.InDelta(t, want.y, got[i].Centre.Y, 0.3)
		assert.Less(t, got[i].Off(Point{X: want.x + want.across/2 - 1, Y: want.y}), 0.0)
		assert.Greater(t, got[i].Off(Point{X: want.x, Y: want.y + want.down/2 + 1}), 0.0)
	}
	got, err = Discs(context.Background(), scene(1400, 1000, 2, rice), 60, 250)
	require.NoError(t, err)
	assert.Empty(t, got)

	stopped, stop := context.WithCancel(context.Background())
	stop()
	_, err = Discs(stopped, scene(1400, 1000, 0, coins), 60, 250)
	assert.ErrorIs(t, err, context.Canceled)
}
