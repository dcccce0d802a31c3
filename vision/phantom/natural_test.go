package phantom

import (
	"image"
	"math"
	"slices"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/kernel"
)

// TestNotch: the notch cuts as deep as it says, into one side of the germ end
// only, and the kernel keeps the size asked for.
func TestNotch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		s := milled[rapid.SampledFrom(kinds).Draw(t, "kind")]
		strength := rapid.Float64Range(0.1, 1).Draw(t, "strength")
		before, b := grow(stream(seed, 1, 0), s, 0.03, false), grow(stream(seed, 1, 0), s, 0.03, false)
		depth := b.notch(stream(seed, 2, 0), s, strength)
		require.GreaterOrEqual(t, depth, 0.0)
		require.LessOrEqual(t, depth, s.width)
		length, width := calipers(hull(b.outline()))
		require.InDelta(t, s.length, length, 0.03) // x and y are scaled apart, which turns the calipers
		require.InDelta(t, s.width, width, 0.03)

		// Undo the scale, which the first stations tell, and compare side by side.
		fx, fy := b.x[5]/before.x[5], (b.high[20]-b.low[20])/(before.high[20]-before.low[20])
		var cut [2]float64
		last := len(b.x)
		if last < len(before.x) { // the flat ends the kernel before its tip, in a point
			last--
			require.Equal(t, b.low[last], b.high[last])
		}
		for i := range last {
			cut[0] = max(cut[0], b.low[i]-fy*before.low[i])
			cut[1] = max(cut[1], fy*before.high[i]-b.high[i])
			require.InDelta(t, fx*before.x[i], b.x[i], 1e-9)
			if before.x[i] < s.length-0.95*s.width {
				require.InDelta(t, fy*before.low[i], b.low[i], 1e-9)
				require.InDelta(t, fy*before.high[i], b.high[i], 1e-9)
			}
		}
		require.InDelta(t, depth, max(cut[0], cut[1]), 1e-9)
		require.InDelta(t, 0, min(cut[0], cut[1]), 1e-9)
	})
}

// TestNotchTruth: about 85 of 100 kernels have one, at one end, and no broken
// end has.
func TestNotchTruth(t *testing.T) {
	truth := mustLay(t, small(func(p *Params) { p.Count, p.Natural, p.BrokenShare = 600, 1, 0.5 }))
	ends, notched := 0, 0
	for _, k := range truth.Kernels {
		assert.Zero(t, k.Notch[0])
		if k.Ends[1] == "broken" {
			assert.Zero(t, k.Notch[1])
			continue
		}
		ends++
		if k.Notch[1] > 0.1 {
			notched++
		}
	}
	assert.Greater(t, ends, 350)
	assert.InDelta(t, 0.83, float64(notched)/float64(ends), 0.07)
	for _, k := range mustLay(t, small(nil)).Kernels {
		assert.Zero(t, k.Notch)
	}
}

// TestHidden: rectangles, whose answers are plain.
func TestHidden(t *testing.T) {
	at := func(x0, y0, x1, y1 float64) []point {
		return []point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
	}
	p := at(0, 0, 10, 4)
	for _, c := range []struct {
		want   float64
		others [][]point
	}{
		{0, nil},
		{0, [][]point{at(11, 0, 12, 4)}},
		{1, [][]point{at(-1, -1, 11, 5)}},
		{0.5, [][]point{at(5, -1, 20, 5)}},
		{0.25, [][]point{at(-1, 3, 20, 5)}},
		{0.75, [][]point{at(5, -1, 20, 5), at(0, 0, 10, 2)}}, // together, not twice
		{0.5, [][]point{at(5, -1, 20, 5), at(6, 0, 8, 2)}},   // one within the other
	} {
		assert.InDelta(t, c.want, hidden(p, c.others), 1e-9)
	}
	// Two circles of radius 1 at distance d share 2·acos(d/2) - d/2·√(4-d²).
	rapid.Check(t, func(t *rapid.T) {
		d, way := rapid.Float64Range(0, 2).Draw(t, "d"), rapid.Float64Range(0, 7).Draw(t, "way")
		var a, b []point
		for i := range 720 {
			u, v := polar(float64(i)*math.Pi/360), polar(way)
			a, b = append(a, u), append(b, point{X: u.X + d*v.X, Y: u.Y + d*v.Y})
		}
		lens := (2*math.Acos(d/2) - d/2*math.Sqrt(4-d*d)) / math.Pi
		require.InDelta(t, lens, hidden(a, [][]point{b}), 2e-3)
	})
}

// TestPile: as many as asked for lie on top, whole, on pieces of which the
// truth hides what counting places in the outlines finds.
func TestPile(t *testing.T) {
	for _, contact := range Contacts() {
		p := small(func(p *Params) { p.Crowd(contact); p.Cover, p.Pile, p.Natural = 0.2, 0.25, 1 })
		truth := mustLay(t, p)
		s, err := p.scene()
		require.NoError(t, err)
		tops, under := 0, 0
		for _, k := range truth.Kernels {
			if k.OnTop {
				tops++
				assert.Zero(t, k.Covered)
				assert.Positive(t, k.Contacts)
			} else if k.Covered > 0 {
				under++
			}
		}
		assert.Equal(t, 15, tops)
		assert.GreaterOrEqual(t, under, 12)
		outlines := make([][]point, len(s.pieces)) // in the order of drawing
		for i, k := range s.pieces {
			outlines[i] = k.onTray(k.outline...)
		}
		for i, poly := range outlines {
			k := s.pieces[i]
			all, hid := 0, 0
			bb := boxOf(poly)
			later := slices.DeleteFunc(slices.Clone(outlines[i+1:]), func(o []point) bool { return !boxOf(o).meets(bb) })
			for x := bb.x0; x < bb.x1; x += 0.05 {
				for y := bb.y0; y < bb.y1; y += 0.05 {
					if q := (point{X: x, Y: y}); inside(poly, q) {
						all++
						if slices.ContainsFunc(later, func(o []point) bool { return inside(o, q) }) {
							hid++
						}
					}
				}
			}
			assert.InDelta(t, float64(hid)/float64(all), k.Covered, 0.012)
			assert.Less(t, k.Covered, 0.7) // 0.6 by what lies on it, and neighbours press a little
		}
	}
}

// TestPileIsSeen: the colour in the middle of what lies on top is its own.
func TestPileIsSeen(t *testing.T) {
	img, truth := mustDraw(t, small(func(p *Params) {
		plain(p)
		p.Pile, p.Yellow, p.Shadow, p.BrokenShare = 0.3, 0.5, 1, 0
	}))
	seen := map[bool]int{}
	for _, k := range truth.Kernels {
		if !k.OnTop {
			continue
		}
		c, _ := colorful.MakeColor(img.At(int(k.X+0.5), int(k.Y+0.5)))
		_, _, b := c.Lab()
		assert.Equal(t, k.Defect == "yellow", 100*b > 18, "b* %.0f of %s", 100*b, k.Defect)
		seen[k.Defect == "yellow"]++
	}
	assert.Len(t, seen, 2)
}

// TestObjects: coins and caps are listed where they are seen, apart from the
// kernels.
func TestObjects(t *testing.T) {
	p := small(func(p *Params) { plain(p); p.Coins, p.Caps, p.Count = 2, 1, 40 })
	img, truth := mustDraw(t, p)
	assert.Equal(t, 40, truth.N)
	kinds := map[string]int{}
	for _, o := range truth.Objects {
		kinds[o.Kind]++
		reach := map[string][2]float64{"coin": coinMM, "cap": capMM}[o.Kind]
		assert.True(t, o.Diameter >= reach[0] && o.Diameter <= reach[1], "%s of %.1f mm", o.Kind, o.Diameter)
		r := o.Diameter / 2 * truth.PxPerMM
		for _, k := range truth.Kernels {
			for _, q := range k.Outline {
				assert.Greater(t, q.Dist(kernel.Point{X: o.X, Y: o.Y}), r)
			}
		}
		ring := func(share float64) (mean float64) {
			for i := range 360 {
				u := polar(float64(i) * math.Pi / 180)
				_, g, _, _ := img.At(int(o.X+share*r*u.X+0.5), int(o.Y+share*r*u.Y+0.5)).RGBA()
				mean += float64(g) / 257 / 360
			}
			return mean
		}
		assert.Less(t, ring(1+2/r), 30.0, "tray just outside")
		assert.Greater(t, ring(1-3/r), 40.0, "%s just inside", o.Kind)
	}
	assert.Equal(t, map[string]int{"coin": 2, "cap": 1}, kinds)
	p.Coins, p.Caps, p.WidthMM, p.HeightMM = 20, 20, 60, 60
	_, err := p.scene()
	assert.ErrorIs(t, err, ErrNoRoom)
}

// TestGrounds: each is textured, and none moves the mean brightness by more than a tenth or so.
func TestGrounds(t *testing.T) {
	for _, g := range grounds {
		s, err := small(func(p *Params) { p.Ground = g }).scene()
		require.NoError(t, err)
		var n, sum, squares float64
		for y := 0.5; y < float64(s.h); y += 3 {
			for x := 0.5; x < float64(s.w); x += 3 {
				v := s.light.texture(x/s.p.pxPerMM(), y/s.p.pxPerMM())
				n, sum, squares = n+1, sum+v, squares+v*v
			}
		}
		mean := sum / n
		assert.InDelta(t, 1, mean, 0.12, g)
		assert.Greater(t, math.Sqrt(squares/n-mean*mean), 0.07, g) // 0.03 without
	}
}

// TestSharpen: beside a step from 100 to 200 the mean about a pixel weighs its
// neighbours 1, 2, 3, 2, 1 ninths.
func TestSharpen(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 20, 9))
	for i := range img.Pix {
		img.Pix[i] = 100
		if i/4%20 >= 10 {
			img.Pix[i] = 200
		}
	}
	sharpen(img, 1)
	for x, want := range map[int]uint8{0: 100, 5: 100, 8: 89, 9: 67, 10: 233, 11: 211, 14: 200, 19: 200} {
		for y := range 9 {
			assert.Equal(t, want, img.RGBAAt(x, y).R, "at %d, %d", x, y)
		}
	}
}

// TestPhoneLight: a stop doubles the light, and the hand's shadow takes its
// share of it.
func TestPhoneLight(t *testing.T) {
	light := func(change func(p *Params)) (low, high float64) {
		s, err := small(change).scene()
		require.NoError(t, err)
		low = math.Inf(1)
		for y := 0; y < s.h; y += 5 {
			for x := 0; x < s.w; x += 5 {
				v := s.light.at(float64(x), float64(y))
				low, high = min(low, v), max(high, v)
			}
		}
		return low, high
	}
	low, high := light(func(p *Params) { p.Stops, p.HandShadow = 1, 0.4 })
	assert.InDelta(t, 2, high, 1e-9)
	assert.InDelta(t, 1.2, low, 1e-9)
}

// shadesOf is the mean green that some pieces of a scene send up from a place
// given along and across.
func shadesOf(s *scene, u, eta float64, change func(b *brush)) (mean float64) {
	for _, k := range s.pieces {
		b := s.brush(k)
		change(b)
		x := u * b.length
		low, high := k.body.at(x)
		mean += float64(b.shade(x, (low+high)/2+eta*(high-low)/2)[1]) / float64(len(s.pieces))
	}
	return mean
}

// TestNaturalShades: rims follow the picture's rim, the ground shines through
// where kernels are thin, and a fracture's face is brighter towards the lamp.
func TestNaturalShades(t *testing.T) {
	s, err := small(func(p *Params) { p.Natural, p.BrokenShare = 1, 0 }).scene()
	require.NoError(t, err)
	same := func(*brush) {}
	at := func(rim, eta float64) float64 { s.light.rim = rim; return shadesOf(s, 0.5, eta, same) }
	assert.InDelta(t, at(1, 0), at(-0.8, 0), 0.01, "the middle stays")
	assert.Greater(t, at(-0.8, 0.95), at(1, 0.95)*1.2)
	through := func(eta float64) float64 {
		return shadesOf(s, 0.5, eta, func(b *brush) { b.ground = colour{1, 1, 1} }) -
			shadesOf(s, 0.5, eta, func(b *brush) { b.ground = colour{} })
	}
	assert.Greater(t, through(0.95), 2*through(0))
	assert.Greater(t, through(0), 0.01)

	s, err = small(func(p *Params) { p.Natural, p.BrokenShare, p.Splinters = 1, 1, 0 }).scene()
	require.NoError(t, err)
	for _, k := range s.pieces {
		k.paint.shine = 0
		b, f := s.brush(k), &k.fractures[0]
		face := func(way float64) float64 {
			b.light = point{X: way * f.direction.X, Y: way * f.direction.Y}
			return float64(b.shade(f.middle.X-0.02*f.direction.X, f.middle.Y-0.02*f.direction.Y)[1])
		}
		assert.Greater(t, face(1), face(-1))
	}
}

// TestTake: a phone's picture differs from a scanner's, and back is back.
func TestTake(t *testing.T) {
	p := DefaultParams()
	p.Take(LookPhone)
	require.NoError(t, p.Validate())
	assert.NotEqual(t, DefaultParams(), p)
	q := p
	q.Take("telescope")
	assert.Equal(t, p, q)
	p.Take(LookScan)
	assert.Equal(t, DefaultParams(), p)

	truth := mustLay(t, small(func(p *Params) { p.Take(LookPhone); p.Count = 400 }))
	chalk := 0
	for _, k := range truth.Kernels {
		assert.Equal(t, "none", k.Defect)
		assert.Less(t, k.Chalk, 0.45)
		if k.Chalk > 0 {
			chalk++
		}
	}
	assert.InDelta(t, 400*naturalChalk, chalk, 40) // 4 standard errors
}
