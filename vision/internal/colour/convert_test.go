package colour

import (
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"traytally/vision/internal/pixel"
)

// The test pairs of G. Sharma, W. Wu and E. N. Dalal, "The CIEDE2000
// color-difference formula: implementation notes, supplementary test data, and
// mathematical observations", Color Research & Application 30 (2005) 21-30,
// table 1: L*, a*, b* of both colours and their difference to four decimals.
var sharma = [34][7]float64{
	{50, 2.6772, -79.7751, 50, 0, -82.7485, 2.0425},
	{50, 3.1571, -77.2803, 50, 0, -82.7485, 2.8615},
	{50, 2.8361, -74.0200, 50, 0, -82.7485, 3.4412},
	{50, -1.3802, -84.2814, 50, 0, -82.7485, 1.0000},
	{50, -1.1848, -84.8006, 50, 0, -82.7485, 1.0000},
	{50, -0.9009, -85.5211, 50, 0, -82.7485, 1.0000},
	{50, 0, 0, 50, -1, 2, 2.3669},
	{50, -1, 2, 50, 0, 0, 2.3669},
	{50, 2.4900, -0.0010, 50, -2.4900, 0.0009, 7.1792},
	{50, 2.4900, -0.0010, 50, -2.4900, 0.0010, 7.1792},
	{50, 2.4900, -0.0010, 50, -2.4900, 0.0011, 7.2195},
	{50, 2.4900, -0.0010, 50, -2.4900, 0.0012, 7.2195},
	{50, -0.0010, 2.4900, 50, 0.0009, -2.4900, 4.8045},
	{50, -0.0010, 2.4900, 50, 0.0010, -2.4900, 4.8045},
	{50, -0.0010, 2.4900, 50, 0.0011, -2.4900, 4.7461},
	{50, 2.5, 0, 50, 0, -2.5, 4.3065},
	{50, 2.5, 0, 73, 25, -18, 27.1492},
	{50, 2.5, 0, 61, -5, 29, 22.8977},
	{50, 2.5, 0, 56, -27, -3, 31.9030},
	{50, 2.5, 0, 58, 24, 15, 19.4535},
	{50, 2.5, 0, 50, 3.1736, 0.5854, 1.0000},
	{50, 2.5, 0, 50, 3.2972, 0, 1.0000},
	{50, 2.5, 0, 50, 1.8634, 0.5757, 1.0000},
	{50, 2.5, 0, 50, 3.2592, 0.3350, 1.0000},
	{60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644},
	{63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630},
	{61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731},
	{35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645},
	{22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373},
	{36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146},
	{90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441},
	{90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381},
	{6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377},
	{2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082},
}

func TestDeltaE00AgainstSharma(t *testing.T) {
	for i, p := range sharma {
		// half of the last digit printed
		assert.InDelta(t, p[6], DeltaE00(Lab{p[0], p[1], p[2]}, Lab{p[3], p[4], p[5]}), 0.5e-4+1e-6, "pair %d", i+1)
		assert.InDelta(t, p[6], DeltaE00(Lab{p[3], p[4], p[5]}, Lab{p[0], p[1], p[2]}), 0.5e-4+1e-6, "pair %d, turned round", i+1)
	}
}

// Against a second, independent implementation, away from the jump at opposite
// hues.
func TestDeltaE00AgainstLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channel := rapid.Float64Range(0, 1)
		p := colorful.Color{R: channel.Draw(t, "r"), G: channel.Draw(t, "g"), B: channel.Draw(t, "b")}
		q := colorful.Color{R: channel.Draw(t, "r2"), G: channel.Draw(t, "g2"), B: channel.Draw(t, "b2")}
		lab := func(c colorful.Color) Lab {
			l, a, b := c.Lab()
			return Lab{100 * l, 100 * a, 100 * b}
		}
		a, b := lab(p), lab(q)
		turn := math.Abs(math.Atan2(a.B, a.A)-math.Atan2(b.B, b.A)) * 180 / math.Pi
		if math.Abs(turn-180) < 1 || a.Chroma() < 0.01 || b.Chroma() < 0.01 {
			t.Skip("at the jump")
		}
		if want, got := 100*p.DistanceCIEDE2000(q), DeltaE00(a, b); math.Abs(want-got) > 1e-6 {
			t.Fatalf("%v %v: %v, want %v", a, b, got, want)
		}
	})
}

// CIELAB of sRGB colours as tables of the sRGB space print them (D65, from
// memory, to one decimal); they hold to the rounding of the matrix in IEC
// 61966-2-1.
func TestLabOfPrimaries(t *testing.T) {
	d := NewDecoder([3]float64{1, 1, 1})
	for _, c := range []struct {
		name    string
		r, g, b byte
		want    Lab
	}{
		{"white", 255, 255, 255, Lab{100, 0, 0}},
		{"black", 0, 0, 0, Lab{0, 0, 0}},
		{"red", 255, 0, 0, Lab{53.2, 80.1, 67.2}},
		{"green", 0, 255, 0, Lab{87.7, -86.2, 83.2}},
		{"blue", 0, 0, 255, Lab{32.3, 79.2, -107.9}},
		{"mid grey", 119, 119, 119, Lab{50.0, 0, 0}},
	} {
		got := d.FromBGR(c.b, c.g, c.r)
		assert.InDelta(t, c.want.L, got.L, 0.1, c.name)
		assert.InDelta(t, c.want.A, got.A, 0.1, c.name)
		assert.InDelta(t, c.want.B, got.B, 0.1, c.name)
	}
}

// A neutral pixel stays neutral, and gains scale linear light.
func TestDecoderGains(t *testing.T) {
	for v := range 256 {
		c := NewDecoder([3]float64{1, 1, 1}).FromBGR(byte(v), byte(v), byte(v))
		assert.InDelta(t, 0, c.Chroma(), 1e-4)
	}
	d := NewDecoder([3]float64{1 / pixel.Linear(100.0/255), 1 / pixel.Linear(120.0/255), 1 / pixel.Linear(140.0/255)})
	c := d.FromBGR(100, 120, 140)
	assert.InDelta(t, 100, c.L, 1e-4)
	assert.InDelta(t, 0, c.Chroma(), 1e-4)
}

// The table is within what its comment says of the exact function.
func TestFastLab(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SliceOfN(rapid.Float64Range(0, 1.2), 3, 3).Draw(t, "rgb")
		want := FromLinear(in[0], in[1], in[2])
		l, a, b := fastLab(float32(in[0]), float32(in[1]), float32(in[2]))
		for _, d := range [...]float64{float64(l) - want.L, float64(a) - want.A, float64(b) - want.B} {
			if math.Abs(d) > 0.02 {
				t.Fatalf("%v: %v %v %v, want %v", in, l, a, b, want)
			}
		}
	})
}
