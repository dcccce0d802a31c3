package segment

import (
	"bytes"
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
)

// Kernels of the test scenes, px: long grain at 300 dpi.
const tl, tw = 81.0, 24.0

// TestTouching separates groups of ellipses in contact, painted in one colour
// so that there is no dark line between them and only shape can tell. Around
// them lie free kernels, from which the size is taken.
func TestTouching(t *testing.T) {
	half := func() []Point { // a square-cut half kernel
		var p []Point
		for _, q := range ellipse(tl, tw) {
			if q.X <= 0 {
				p = append(p, q)
			}
		}
		return p
	}
	type body struct {
		shape     []Point
		x, y, deg float64
	}
	for _, c := range []struct {
		name   string
		bodies []body
	}{
		{"tip into side", []body{{ellipse(tl, tw), 0, 0, 0}, {ellipse(tl, tw), 5, tw/2 + tl/2 - 1.5, 90}}},
		{"tip to tip, in line", []body{{ellipse(tl, tw), -tl/2 + 0.5, 0, 0}, {ellipse(tl, tw), tl/2 - 0.5, 0, 4}}},
		{"side by side", []body{{ellipse(tl, tw), 0, 0, 10}, {ellipse(tl, tw), 6, tw - 1, 14}}},
		{"three side by side", []body{{ellipse(tl, tw), 0, 0, 0}, {ellipse(tl, tw), 8, tw - 1, 3}, {ellipse(tl, tw), 0, 2*tw - 2, 8}}},
		{"half kernel on a side", []body{{ellipse(tl, tw), 0, 0, 0}, {half(), 0, tw/2 + tl/2 - 2, -90}}},
		{"chip on a whole", []body{{ellipse(tl, tw), 0, 0, 30}, {middle(16, 14), -2, 22, 20}}},
		{"ring of five", []body{
			{ellipse(tl, tw), 0, -54, 0}, {ellipse(tl, tw), 51.4, -16.7, 72}, {ellipse(tl, tw), 31.7, 43.7, 144},
			{ellipse(tl, tw), -31.7, 43.7, 216}, {ellipse(tl, tw), -51.4, -16.7, 288}}},
		{"star of three", []body{{ellipse(tl, tw), 0, 52, 90}, {ellipse(tl, tw), 45, -26, -30}, {ellipse(tl, tw), -45, -26, 210}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, uint64(len(c.name))))
			const w, h = 560, 560
			var polys [][]Point
			want := map[int]Point{}
			for i := range 5 { // free kernels along two sides
				polys = append(polys, placed(ellipse(tl*(1+.04*rng.NormFloat64()), tw*(1+.04*rng.NormFloat64())), 60+float64(i)*108, 40, 0.2*rng.NormFloat64()))
				polys = append(polys, placed(ellipse(tl*(1+.04*rng.NormFloat64()), tw*(1+.04*rng.NormFloat64())), 40, 110+float64(i)*96, 1.57+0.1*rng.NormFloat64()))
				polys = append(polys, placed(ellipse(tl*(1+.04*rng.NormFloat64()), tw*(1+.04*rng.NormFloat64())), 520, 110+float64(i)*96, 1.57+0.1*rng.NormFloat64()))
			}
			for _, b := range c.bodies {
				want[len(polys)] = Point{}
				polys = append(polys, placed(b.shape, 290+b.x, 290+b.y, b.deg*math.Pi/180))
			}
			r, err := Find(context.Background(), drawn(w, h, polys, 0.9, 2, rng))
			require.NoError(t, err)
			assert.Empty(t, r.Unresolved)
			require.Equal(t, len(polys), len(r.Pieces), "pieces")
			for i := range want {
				truth := geom.PolygonMoments(polys[i])
				best, at := math.Inf(1), 0
				for j, q := range r.Pieces {
					if d := geom.PolygonMoments(q.Outline).Centroid().Dist(truth.Centroid()); d < best {
						best, at = d, j
					}
				}
				assert.Less(t, best, 3.0, "distance of the centre, px")
				got := geom.Caliper(geom.Hull(r.Pieces[at].Outline)).Max
				// the face between two kernels hides up to 2 px of a tip
				assert.InDelta(t, geom.Caliper(geom.Hull(polys[i])).Max, got, 4, "length, px")
				assert.InEpsilon(t, truth.A, r.Pieces[at].Area, 0.08, "area")
			}
		})
	}
}

// TestFreeKernelStaysWhole: a germ notch, a bend or a dark spot must not cut a
// kernel in two.
func TestFreeKernelStaysWhole(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	var polys [][]Point
	for j := range 5 {
		for i := range 5 {
			var p []Point
			for _, q := range ellipse(tl, tw) {
				q.Y += 0.0016 * q.X * q.X // bent by 2.6 px at the tips
				if q.X > 28 && q.Y > 2 {  // an oblique bite out of the germ end
					q.Y -= 0.5 * (q.X - 28)
				}
				p = append(p, q)
			}
			polys = append(polys, placed(p, 60+float64(i)*110, 60+float64(j)*110, rng.Float64()*math.Pi))
		}
	}
	pic := drawn(560, 560, polys, 0.9, 2, rng)
	for i := range polys { // a dark spot in every other
		if i%2 == 0 {
			c := geom.PolygonMoments(polys[i]).Centroid()
			for dy := -4; dy <= 4; dy++ {
				for dx := -4; dx <= 4; dx++ {
					if dx*dx+dy*dy < 17 {
						o := 3 * ((int(c.Y)+dy)*pic.W + int(c.X) + dx)
						copy(pic.Pix[o:o+3], []byte{30, 34, 44})
					}
				}
			}
		}
	}
	r, err := Find(context.Background(), pic)
	require.NoError(t, err)
	assert.Equal(t, len(polys), len(r.Pieces), "pieces")
	assert.Empty(t, r.Unresolved)
}

// TestStainedEnd: parts are one kernel where they differ in colour and lie as the
// parts of one do, however small the one; parts alike, or askew, are two.
func TestStainedEnd(t *testing.T) {
	const w, h, length, width = 400, 60, 36, 12
	for name, c := range map[string]struct {
		stained, aside float64 // share of the length; px by which that part lies beside the rest
		colour         [3]byte
		one            bool
	}{
		"brown end":         {0.2, 0, [3]byte{40, 70, 100}, true},
		"black half":        {0.5, 0, [3]byte{20, 20, 25}, true},
		"small black tip":   {0.1, 0, [3]byte{20, 20, 25}, true},
		"alike":             {0.2, 0, [3]byte{165, 178, 182}, false},
		"brown, askew":      {0.4, 6, [3]byte{40, 70, 100}, false},
		"brown, a half off": {0.4, 5, [3]byte{40, 70, 100}, false},
	} {
		m := &maps{w: w, h: h, sx: 1, sy: 1, pix: bytes.Repeat([]byte{20, 20, 20}, w*h)}
		for _, a := range []*[]uint8{&m.body, &m.dist, &m.foreign, &m.object, &m.covered} {
			*a = make([]uint8, w*h)
		}
		label := make([]int32, w*h)
		for k := range 8 { // the first has the stain
			for y := range h {
				for x := range w {
					u, v := float64(x-30-46*k)/(length/2.), float64(y-30)/(width/2.)
					of, colour := int32(k+1), [3]byte{172, 186, 190}
					if k == 0 && u > 1-2*c.stained {
						of, colour, v = 9, c.colour, v-c.aside/(width/2.)
					}
					if u*u+v*v < 1 {
						label[y*w+x] = of
						copy(m.pix[3*(y*w+x):], colour[:])
					}
				}
			}
		}
		b := &blobs{label: label, all: m.describe(label, 9)}
		b.measure()
		assert.Equal(t, c.one, b.halves([][2]int32{{1, 9}}) != nil, name)
	}
}

// TestTrayKinds finds the same kernels on trays of any dark colour, under light
// that falls off to less than half.
func TestTrayKinds(t *testing.T) {
	for name, bg := range map[string][3]float64{"black": {16, 14, 14}, "blue": {110, 45, 25}, "brown": {30, 50, 80}, "grey": {85, 85, 85}} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(5, 5))
			var polys [][]Point
			for j := range 6 {
				for i := range 6 {
					polys = append(polys, placed(ellipse(tl, tw), 70+float64(i)*105, 70+float64(j)*105, rng.Float64()*math.Pi))
				}
			}
			pic := drawn(665, 665, polys, 0.9, 0, rng)
			for y := range pic.H {
				for x := range pic.W {
					d := math.Hypot(float64(x)-332, float64(y)-332) / 470
					light := 1 - 0.6*d*d
					cov := (float64(pic.Pix[3*(y*pic.W+x)]) - 18) / 170
					for k := range 3 {
						rice := [3]float64{172, 186, 190}[k]
						pic.Pix[3*(y*pic.W+x)+k] = uint8(math.Max(0, (bg[k]+cov*(rice-bg[k]))*light+2*rng.NormFloat64()+.5))
					}
				}
			}
			r, err := Find(context.Background(), pic)
			require.NoError(t, err)
			require.Equal(t, len(polys), len(r.Pieces), "pieces")
			for _, q := range r.Pieces {
				assert.InDelta(t, tl, geom.Caliper(geom.Hull(q.Outline)).Max, 1.2, "length, px")
			}
		})
	}
}

// TestSameTwice: the same picture gives the same pieces to the last bit,
// whatever the order in which the cores took them.
func TestSameTwice(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	var polys [][]Point
	for range 60 {
		polys = append(polys, placed(ellipse(tl, tw), 60+440*rng.Float64(), 60+440*rng.Float64(), rng.Float64()*math.Pi))
	}
	pic := drawn(560, 560, polys, 0.9, 2, rng)
	a, err := Find(context.Background(), pic)
	require.NoError(t, err)
	for range 3 {
		b, err := Find(context.Background(), pic)
		require.NoError(t, err)
		require.Equal(t, a, b)
	}
}

// A pattern that as kernels would be tens of thousands is refused before the
// network looks at it.
func TestFineDetail(t *testing.T) {
	const w, h, square = 4960, 7016, 8
	pix := make([]byte, 3*w*h)
	for i := range pix {
		if x, y := i/3%w, i/3/w; (x/square+y/square)%2 == 1 {
			pix[i] = 255
		}
	}
	_, err := Find(context.Background(), Picture{Pixels: pixel.Pixels{Pix: pix, W: w, H: h}})
	require.ErrorIs(t, err, ErrFine)
}
