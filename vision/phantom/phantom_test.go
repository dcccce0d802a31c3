package phantom

import (
	"bytes"
	"encoding/json"
	"image"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
)

// small is a tray that draws in a moment.
func small(change func(p *Params)) Params {
	p := DefaultParams()
	p.Count = 60
	if change != nil {
		change(&p)
	}
	return p
}

func mustDraw(t testing.TB, p Params) (*image.RGBA, *Truth) {
	t.Helper()
	img, truth, err := Draw(p)
	require.NoError(t, err)
	return img, truth
}

func mustLay(t testing.TB, p Params) *Truth {
	t.Helper()
	s, err := p.scene()
	require.NoError(t, err)
	return s.truth
}

func encode(t *testing.T, truth *Truth) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, truth.Encode(&b))
	return b.String()
}

func TestSameParamsSameBytes(t *testing.T) {
	p := small(func(p *Params) {
		p.Crowd(Dense)
		p.Chalky, p.Red, p.Streaked, p.Spotted, p.Black, p.Paddy = 0.1, 0.1, 0.1, 0.1, 0.1, 0.1
		p.Stones, p.Husks, p.Seeds, p.Dust, p.CutByEdge = 2, 2, 2, 30, 3
		p.Shadow, p.Weave, p.Light = 0.5, 0.3, LightFallOff
	})
	a, ta := mustDraw(t, p)
	b, tb := mustDraw(t, p)
	assert.True(t, bytes.Equal(a.Pix, b.Pix))
	assert.Equal(t, encode(t, ta), encode(t, tb))
	p.Seed++
	c, tc := mustDraw(t, p)
	assert.False(t, bytes.Equal(a.Pix, c.Pix))
	assert.NotEqual(t, encode(t, ta), encode(t, tc))
}

// plain makes kernels evenly bright on a tray without noise, so that the
// picture can be measured by plain counting.
func plain(p *Params) {
	p.Limb, p.Seam, p.Noise, p.BlurPx, p.GapMM = 0, 0, 0, 0, 0.8
}

// fill returns the connected sets of pixels (4-neighbourhood) for which is
// holds.
func fill(w, h int, is func(x, y int) bool) [][]image.Point {
	seen := make([]bool, w*h)
	var sets [][]image.Point
	for y := range h {
		for x := range w {
			if seen[y*w+x] || !is(x, y) {
				continue
			}
			seen[y*w+x] = true
			set := []image.Point{{X: x, Y: y}}
			for i := 0; i < len(set); i++ {
				for _, d := range [...]image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}} {
					q := set[i].Add(d)
					if q.X >= 0 && q.Y >= 0 && q.X < w && q.Y < h && !seen[q.Y*w+q.X] && is(q.X, q.Y) {
						seen[q.Y*w+q.X] = true
						set = append(set, q)
					}
				}
			}
			sets = append(sets, set)
		}
	}
	return sets
}

// bright reports whether a green value is nearer to a kernel than to the black
// tray. The tray is 20 or so, kernels 140 to 200; half of the light between
// them is at about 120 in the encoded values.
func bright(img *image.RGBA) func(x, y int) bool {
	return func(x, y int) bool { return img.Pix[img.PixOffset(x, y)+1] > 122 }
}

// TestPictureShowsTheTruth counts the pixels of each kernel of a loose tray
// and holds area and centre against the polygon.
func TestPictureShowsTheTruth(t *testing.T) {
	for _, dpi := range []float64{200, 600} {
		p := small(func(p *Params) { plain(p); p.DPI = dpi; p.BrokenShare = 0.3 })
		img, truth := mustDraw(t, p)
		sets := fill(truth.Width, truth.Height, bright(img))
		require.Len(t, sets, truth.N)
		var drawn, told float64
		for _, set := range sets {
			var sx, sy float64
			for _, q := range set {
				sx += float64(q.X)
				sy += float64(q.Y)
			}
			n := float64(len(set))
			c := kernel.Point{X: sx / n, Y: sy / n}
			i := slices.IndexFunc(truth.Kernels, func(k Kernel) bool {
				return math.Hypot(k.X-c.X, k.Y-c.Y) < 0.3
			})
			require.GreaterOrEqual(t, i, 0, "no kernel at %v", c)
			area := truth.Kernels[i].Area * truth.PxPerMM * truth.PxPerMM
			// Counting is out by chance at each pixel of the rim, and by how
			// far the kernel's brightness is from the one that the level
			// stands for.
			assert.InEpsilon(t, area, n, 0.05)
			drawn += n
			told += area
		}
		assert.InEpsilon(t, told, drawn, 0.02)
	}
}

// TestCoverage sums the exact share of each pixel under an outline, tile by
// tile, and holds it against the area of the polygon.
func TestCoverage(t *testing.T) {
	p := small(func(p *Params) { p.Crowd(Dense); p.DPI = 450 })
	s, err := p.scene()
	require.NoError(t, err)
	for _, k := range s.pieces {
		s.p.dress(k)
		b := s.brush(k)
		var sum, sx, sy float64
		for y := 0; y < s.h; y += tileSize {
			for x := 0; x < s.w; x += tileSize {
				tile := image.Rect(x, y, min(s.w, x+tileSize), min(s.h, y+tileSize))
				covered(b.outline, 0, 0, tile, func(_, x, y int, a uint8) {
					sum += float64(a) / 255
					sx += float64(a) / 255 * float64(x)
					sy += float64(a) / 255 * float64(y)
				})
			}
		}
		// Coverage comes in 255 steps and corners in 1/512 px.
		assert.InEpsilon(t, k.Area*sq(p.pxPerMM()), sum, 0.004)
		assert.InDelta(t, p.toPx(k.at.X), sx/sum, 0.02)
		assert.InDelta(t, p.toPx(k.at.Y), sy/sum, 0.02)
	}
}

// TestTruthAddsUp recomputes the summary of a truth from its list.
func TestTruthAddsUp(t *testing.T) {
	p := small(func(p *Params) {
		p.Count = 300
		p.BrokenShare, p.Paddy, p.Stones, p.Husks, p.Seeds = 0.3, 0.05, 5, 4, 3
	})
	truth := mustLay(t, p)
	assert.Equal(t, 312, truth.N)
	assert.InDelta(t, 300/25.4, truth.PxPerMM, 1e-12)
	require.Len(t, truth.Kernels, truth.N)
	sum, wholes := 0.0, 0
	for _, k := range truth.Kernels {
		if k.Intact && !k.Foreign() && k.Defect != "paddy" {
			sum += k.Length
			wholes++
		}
	}
	mean := sum / float64(wholes)
	assert.InDelta(t, mean, truth.MeanWholeLength, 1e-9)
	var mass, broken float64
	rice, pieces := 0, 0
	for i, k := range truth.Kernels {
		assert.InDelta(t, k.Length/mean, k.Fraction, 1e-9)
		assert.LessOrEqual(t, k.Width, k.Length)
		assert.LessOrEqual(t, k.Axis, k.Length+1e-9)
		assert.Greater(t, k.Volume, 0.0)
		assert.Equal(t, k.Intact, k.Ends == [2]string{"intact", "intact"}, "an end is broken just where a piece is cut")
		area, c, _, _, _ := moments(k.Outline)
		assert.InEpsilon(t, k.Area, area/sq(truth.PxPerMM), 1e-6)
		assert.InDelta(t, k.X, c.X, 1e-6)
		assert.InDelta(t, k.Y, c.Y, 1e-6)
		if i > 0 {
			assert.LessOrEqual(t, truth.Kernels[i-1].Y, k.Y, "reading order")
		}
		if k.Foreign() {
			continue
		}
		rice++
		mass += k.Volume
		if k.Length < 0.75*mean {
			broken += k.Volume
			pieces++
		}
	}
	assert.Equal(t, 300, rice)
	assert.InDelta(t, 100*broken/mass, truth.BrokenMass, 1e-9)
	assert.InDelta(t, 100*float64(pieces)/300, truth.BrokenCount, 1e-9)
	assert.Greater(t, truth.BrokenMass, 5.0)
	assert.Less(t, truth.BrokenMass, truth.BrokenCount, "pieces are lighter than kernels")
}

func TestBrokenMassIsReached(t *testing.T) {
	for _, want := range []float64{2, 5, 15, 40, 60} {
		p := small(func(p *Params) { p.Count, p.BrokenMass = 400, want })
		truth := mustLay(t, p)
		// One piece more or less is at most 0.75/400 of the mass, half of it
		// is missed on average.
		assert.InDelta(t, want, truth.BrokenMass, 0.2)
	}
}

// TestBrokenShareIsAChance: over many trays the cut pieces come to the share.
func TestBrokenShareIsAChance(t *testing.T) {
	cut, n := 0, 0
	counts := map[int]bool{}
	for i := range uint64(20) {
		p := small(func(p *Params) { p.Seed, p.Count, p.BrokenShare = i, 200, 0.2 })
		truth := mustLay(t, p)
		here := 0
		for _, k := range truth.Kernels {
			if !k.Intact {
				here++
			}
		}
		counts[here] = true
		cut += here
		n += truth.N
	}
	// Binomial SD of 4000 at 0.2 is 0.0063.
	assert.InDelta(t, 0.2, float64(cut)/float64(n), 0.02)
	assert.Greater(t, len(counts), 5, "the number differs from tray to tray")
}

func TestLooseKeepsClear(t *testing.T) {
	p := small(func(p *Params) { p.Count = 150 })
	truth := mustLay(t, p)
	assert.Zero(t, truth.Touching)
	assert.Equal(t, Loose, truth.Kind)
	groups := map[int]bool{}
	for _, k := range truth.Kernels {
		groups[k.Group] = true
	}
	assert.Len(t, groups, truth.N)
	assert.Greater(t, nearest(truth), p.GapMM-0.03)
}

// nearest returns the least distance of two outlines in mm, by full outlines.
func nearest(truth *Truth) float64 {
	best := math.Inf(1)
	far := 2 * truth.PxPerMM
	for i, a := range truth.Kernels {
		for _, b := range truth.Kernels[i+1:] {
			_, clear := relation(a.Outline, b.Outline, boxOf(a.Outline), boxOf(b.Outline), far)
			best = min(best, clear)
		}
	}
	return best / truth.PxPerMM
}

// TestContacts checks the crowded trays by the full outlines: how deep they
// press, who touches whom, how far the rest keeps away.
func TestContacts(t *testing.T) {
	for _, c := range []struct {
		contact   Contact
		low, high float64 // share that touches
	}{{Touching, 0.6, 0.72}, {Dense, 0.93, 1}} {
		p := small(func(p *Params) { p.Count = 200; p.Crowd(c.contact); p.BrokenShare = 0.2 })
		truth := mustLay(t, p)
		assert.Equal(t, c.contact, truth.Kind)
		share := float64(truth.Touching) / float64(truth.N)
		assert.True(t, share >= c.low && share <= c.high, "%s: %g touch", c.contact, share)
		deepest := 0.0
		for i, a := range truth.Kernels {
			for _, b := range truth.Kernels[i+1:] {
				far := p.GapMM * truth.PxPerMM
				pressed, clear := relation(a.Outline, b.Outline, boxOf(a.Outline), boxOf(b.Outline), far)
				deepest = max(deepest, pressed/truth.PxPerMM)
				// Placing works on polygons with fewer corners, which lie
				// up to 0.02 mm within the outline, each.
				if a.Group != b.Group {
					require.Zero(t, pressed)
					require.Greater(t, clear/truth.PxPerMM, p.GapMM-0.045)
				}
			}
		}
		assert.Greater(t, deepest, 0.7*p.PressMM)
		assert.Less(t, deepest, p.PressMM+0.045)
	}
}

// TestRings counts patches of tray that kernels enclose.
func TestRings(t *testing.T) {
	p := small(func(p *Params) { plain(p); p.Count = 250; p.Crowd(Dense) })
	img, truth := mustDraw(t, p)
	is := bright(img)
	enclosed := 0
	for _, set := range fill(truth.Width, truth.Height, func(x, y int) bool { return !is(x, y) }) {
		if len(set) > 40 && set[0] != (image.Point{}) { // over 0.3 mm²
			enclosed++
		}
	}
	assert.GreaterOrEqual(t, enclosed, 8)
}

func TestCutByEdge(t *testing.T) {
	p := small(func(p *Params) { plain(p); p.CutByEdge = 14 })
	img, truth := mustDraw(t, p)
	assert.Equal(t, 14, truth.CutByEdge)
	assert.Equal(t, 60, truth.N)
	cut := 0
	for _, set := range fill(truth.Width, truth.Height, bright(img)) {
		if slices.ContainsFunc(set, func(q image.Point) bool {
			return q.X == 0 || q.Y == 0 || q.X == truth.Width-1 || q.Y == truth.Height-1
		}) {
			cut++
		}
	}
	assert.Equal(t, 14, cut)
	for _, k := range truth.Kernels {
		b := boxOf(k.Outline)
		assert.True(t, b.x0 > 0 && b.y0 > 0 && b.x1 < float64(truth.Width) && b.y1 < float64(truth.Height))
	}
}

// TestDefects checks that what is drawn on a piece is what its name says, by
// the rules of Codex CXS 198 (annex): chalky three quarters of the surface or
// more, red over a quarter, red streaks at least half as long as the piece on
// under a quarter.
func TestDefects(t *testing.T) {
	p := small(func(p *Params) {
		p.Count, p.BrokenShare = 260, 0.3
		p.Chalky, p.PartChalky, p.WhiteBelly, p.Yellow = 0.1, 0.1, 0.1, 0.1
		p.Red, p.Streaked, p.Black, p.Spotted, p.Paddy = 0.15, 0.15, 0.1, 0.1, 0.05
		p.Stones, p.Husks, p.Seeds = 6, 5, 4
	})
	s, err := p.scene()
	require.NoError(t, err)
	seen := map[string]int{}
	parts := 0
	for _, k := range s.pieces {
		seen[k.Defect]++
		p.dress(k)
		hidden := map[int]int{} // places under each layer
		n := 0
		k.eachPlace(0.043, func(x, y, u, eta float64) {
			n++
			for i, l := range k.paint.layers {
				if l.field.value(x, y, u, eta) > l.cut {
					hidden[i]++
				}
			}
		})
		share := func(i int) float64 { return float64(hidden[i]) / float64(n) }
		if k.Chalk > 0 {
			// Another grid than the one that the share was set on.
			assert.InDelta(t, k.Chalk, share(0), 0.02)
		}
		switch {
		case k.Defect == chalky:
			assert.GreaterOrEqual(t, k.Chalk, 0.75)
		case k.Chalk > 0:
			assert.Equal(t, sound, k.Defect)
			assert.Less(t, k.Chalk, 0.75)
			if k.Chalk > 0.5 {
				parts++
			}
		}
		switch k.Defect {
		case red:
			assert.Greater(t, share(0), 0.25)
		case streaked:
			bb := boxOf(k.outline)
			run, area := 0.0, 0.0
			for _, streak := range k.paint.streaks {
				run += streak.to - streak.from
				area += 2 * 1.2 * streak.half * (streak.to - streak.from)
			}
			assert.GreaterOrEqual(t, run, 0.5*(bb.x1-bb.x0))
			// A streak may leave a narrow piece, so this is a bound for kernels.
			if k.Intact {
				assert.Less(t, area/k.Area, 0.25)
			}
		case spot:
			assert.NotEmpty(t, k.paint.spots)
		case paddy:
			assert.True(t, k.Intact)
		}
	}
	assert.Equal(t, 6, seen[stone])
	assert.Equal(t, 5, seen[husk])
	assert.Equal(t, 4, seen[seed])
	for _, d := range []string{chalky, yellow, red, streaked, black, spot, paddy, sound} {
		assert.Greater(t, seen[d], 3, d)
	}
	assert.Greater(t, parts, 5)
}

// TestTruthKeys: the keys that outside checks read.
func TestTruthKeys(t *testing.T) {
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(encode(t, mustLay(t, small(nil)))), &got))
	for _, key := range []string{
		"seed", "kind", "type", "dpi", "px_per_mm", "n", "mean_whole_length_mm",
		"broken_mass_pct", "broken_count_pct", "cut_by_edge", "touching_kernels", "params", "kernels",
	} {
		assert.Contains(t, got, key)
	}
	one := got["kernels"].([]any)[0].(map[string]any)
	for _, key := range []string{
		"x", "y", "length_mm", "width_mm", "volume_mm3", "intact", "fraction", "defect", "chalk", "group",
	} {
		assert.Contains(t, one, key)
	}
}

func TestTruthRoundTrip(t *testing.T) {
	truth := mustLay(t, small(func(p *Params) { p.Crowd(Dense); p.Chalky = 0.2 }))
	text := encode(t, truth)
	read := new(Truth)
	require.NoError(t, json.Unmarshal([]byte(text), read))
	assert.Equal(t, text, encode(t, read))
	// The parameters in a truth draw the same tray again.
	assert.Equal(t, text, encode(t, mustLay(t, read.Params)))
}

func TestEmptyTray(t *testing.T) {
	img, truth := mustDraw(t, small(func(p *Params) { p.Count, p.Noise, p.BlurPx = 0, 2, 0 }))
	assert.Zero(t, truth.N)
	assert.Zero(t, truth.BrokenMass)
	assert.Zero(t, truth.MeanWholeLength)
	// Noise: neighbours share light and grain, so half the variance of their
	// difference is that of the noise, and of the rounding (1/12).
	var sum float64
	n := 0
	for y := range truth.Height {
		for x := 1; x < truth.Width; x += 2 {
			i := img.PixOffset(x, y)
			sum += sq(float64(img.Pix[i]) - float64(img.Pix[i-4]))
			n++
		}
	}
	grain := 0.6 // levels, what the texture of the tray adds at most
	assert.InDelta(t, 2, math.Sqrt(sum/float64(n)/2-1.0/12), grain)
}

func TestLight(t *testing.T) {
	p := small(func(p *Params) { p.Light, p.LightDrop = LightFallOff, 0.5 })
	s, err := p.scene()
	require.NoError(t, err)
	w, h := float64(s.w), float64(s.h)
	darkest, brightest := 2.0, 0.0
	look := func() {
		l := s.lighting()
		darkest, brightest = 2.0, 0.0
		for x := range s.w + 1 {
			for _, y := range []float64{0, h * 0.25, h * 0.5, h * 0.75, h} {
				v := l.at(float64(x), y)
				darkest, brightest = min(darkest, v), max(brightest, v)
			}
		}
	}
	look()
	assert.InDelta(t, 0.5, darkest, 1e-9)
	assert.InDelta(t, 1, brightest, 0.01)
	s.p.Light = LightGradient
	look()
	l := s.lighting()
	assert.InDelta(t, 0.5, darkest, 1e-9)
	assert.InDelta(t, 1, brightest, 1e-9)
	assert.InDelta(t, 0.75, l.at(w/2, h/2), 1e-9)
	s.p.Light = LightEven
	look()
	assert.Equal(t, 1.0, darkest)
	assert.Equal(t, 1.0, brightest)
}

// TestTrays: the tray colours differ as their names say.
func TestTrays(t *testing.T) {
	mean := func(tray Tray) (c [3]float64) {
		img, truth := mustDraw(t, small(func(p *Params) { p.Count, p.Tray = 0, tray }))
		for i := 0; i < len(img.Pix); i += 4 {
			for j := range c {
				c[j] += float64(img.Pix[i+j]) / float64(truth.Width*truth.Height)
			}
		}
		return c
	}
	b := mean(TrayBlack)
	assert.Less(t, max(b[0], b[1], b[2]), 30.0)
	b = mean(TrayBlue)
	assert.Greater(t, b[2], b[0]+40)
	b = mean(TrayBrown)
	assert.Greater(t, b[0], b[2]+20)
	b = mean(TrayGrey)
	assert.InDelta(t, b[0], b[2], 10)
	assert.Greater(t, b[1], 60.0)
	b = mean(TraySky)
	assert.True(t, b[2] > b[1]+20 && b[1] > b[0]+20 && b[1] > 120)
	b = mean(TrayGreen)
	assert.Greater(t, b[1], max(b[0], b[2])+20)
}

// TestParboiled: the whole sample shifts to amber.
func TestParboiled(t *testing.T) {
	mean := func(parboiled bool) (b float64) {
		truth := mustLay(t, small(func(p *Params) { p.Parboiled = parboiled }))
		for _, k := range truth.Kernels {
			b += k.Lab[2] / float64(truth.N)
		}
		return b
	}
	assert.InDelta(t, 10, mean(false), 1)
	assert.InDelta(t, 25, mean(true), 1.5)
}

// TestSplicedTiles: a kernel that lies on two tiles shows no seam between
// them; with even light and no noise the rows on both sides of a tile's edge
// differ no more than others do.
func TestSplicedTiles(t *testing.T) {
	p := small(func(p *Params) { p.Count, p.Noise, p.BlurPx, p.DPI = 200, 0, 1.5, 400; p.Crowd(Dense) })
	img, truth := mustDraw(t, p)
	step := func(x int) (sum float64) {
		for y := range truth.Height {
			i := img.PixOffset(x, y)
			sum += math.Abs(float64(img.Pix[i]) - float64(img.Pix[i-4]))
		}
		return sum
	}
	for x := tileSize; x < truth.Width; x += tileSize {
		around := 0.0
		for d := 1; d <= 6; d++ {
			around += (step(x-d) + step(x+d)) / 12
		}
		assert.Less(t, step(x), 1.6*around+50)
	}
}

// TestOnSide: kernels on their side show their thickness as width, and weigh
// the same.
func TestOnSide(t *testing.T) {
	mean := func(share float64) (width, volume float64) {
		p := small(func(p *Params) { p.Count, p.BrokenShare, p.OnSideShare = 400, 0, share })
		truth := mustLay(t, p)
		for _, k := range truth.Kernels {
			width += k.Width / 400
			volume += k.Volume / 400
		}
		return width, volume
	}
	flat, v := mean(0)
	side, w := mean(1)
	// Thickness over width of long kernels: 1.65/2.05, see Kind.
	assert.InDelta(t, 1.65/2.05, side/flat, 0.01)
	assert.InEpsilon(t, v, w, 0.01)
}

// TestBlurredEdges measures how far the half-height of encoded values lies
// outside the outline, by the area within it over the length of the outline.
// For light blurred by a Gaussian the place follows from the sRGB curve:
// kernels of 0.3 to 0.45 on a tray of 0.006 have their encoded half-height at
// a quarter of the light, 0.65 SD out. Blurred values have it on the outline.
func TestBlurredEdges(t *testing.T) {
	for _, c := range []struct {
		encoded   bool
		low, high float64 // in SD of the blur
	}{{false, 0.5, 0.75}, {true, -0.08, 0.08}} {
		p := small(func(p *Params) {
			plain(p)
			p.DPI, p.BlurPx, p.BlurEncoded = 400, 3, c.encoded
		})
		img, truth := mustDraw(t, p)
		var told, round float64
		for _, k := range truth.Kernels {
			told += k.Area * sq(truth.PxPerMM)
			for i, q := range k.Outline {
				round += q.Dist(k.Outline[(i+1)%len(k.Outline)])
			}
		}
		// Half-height kernel by kernel: the tray against the middle of each.
		drawn := 0
		for _, set := range fill(truth.Width, truth.Height, func(x, y int) bool {
			return img.Pix[img.PixOffset(x, y)+1] > 60
		}) {
			var levels []int
			for _, q := range set {
				levels = append(levels, int(img.Pix[img.PixOffset(q.X, q.Y)+1]))
			}
			slices.Sort(levels)
			half := (levels[len(levels)*7/10] + int(img.Pix[1])) / 2
			for _, v := range levels {
				if v > half {
					drawn++
				}
			}
		}
		out := (float64(drawn) - told) / round / p.BlurPx
		assert.True(t, out > c.low && out < c.high, "encoded %v: %.3f SD", c.encoded, out)
	}
}

// TestShadow: shadows darken the tray and leave the kernels.
func TestShadow(t *testing.T) {
	with := func(shadow float64) *image.RGBA {
		img, _ := mustDraw(t, small(func(p *Params) { plain(p); p.Tray, p.Shadow = TrayGrey, shadow }))
		return img
	}
	a, b := with(0), with(0.7)
	darker, onKernels := 0, 0
	for i := 1; i < len(a.Pix); i += 4 {
		if b.Pix[i] != a.Pix[i] {
			require.Less(t, b.Pix[i], a.Pix[i])
			darker++
			if a.Pix[i] > 140 {
				onKernels++
			}
		}
	}
	assert.Greater(t, darker, 10000)
	// Only where the rim of a kernel shares a pixel with the tray.
	assert.Less(t, float64(onKernels)/float64(darker), 0.1)
}
