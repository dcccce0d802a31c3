package phantom

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// kinds from the most slender to the roundest.
var kinds = []Kind{Slender, Long, Medium, Short, Bold}

// ellipse is the solid whose sections are ellipses and whose outline is one.
func ellipse(s size, n int) *body {
	b := &body{kappa: s.thick / s.width}
	for i := range n + 1 {
		a := math.Pi * float64(i) / float64(n)
		h := s.width / 2 * math.Sin(a)
		b.x = append(b.x, s.length/2*(1-math.Cos(a)))
		b.low, b.high = append(b.low, -h), append(b.high, h)
	}
	return b
}

func rectangle(w, h, angle float64) []point {
	sin, cos := math.Sincos(angle)
	var p []point
	for _, q := range []point{{X: 0, Y: 0}, {X: w, Y: 0}, {X: w, Y: h}, {X: 0, Y: h}} {
		p = append(p, point{X: 10 + q.X*cos - q.Y*sin, Y: -3 + q.X*sin + q.Y*cos})
	}
	return p
}

func TestCalipersOfRectangle(t *testing.T) {
	for _, angle := range []float64{0, 0.3, 1, math.Pi / 2, 4} {
		greatest, least := calipers(hull(rectangle(4, 3, angle)))
		assert.InDelta(t, 5, greatest, 1e-12) // the diagonal
		assert.InDelta(t, 3, least, 1e-12)
	}
}

// TestCalipersAgainstAllPairs holds the calipers against the plain definition.
func TestCalipersAgainstAllPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		coordinate := rapid.Map(rapid.IntRange(-1000, 1000), func(i int) float64 { return float64(i) / 100 })
		var p []point
		for range rapid.IntRange(3, 40).Draw(t, "corners") {
			p = append(p, point{X: coordinate.Draw(t, "x"), Y: coordinate.Draw(t, "y")})
		}
		h := hull(p)
		if len(h) < 3 || math.Abs(signedArea(h)) < 1e-3 {
			t.Skip("flat")
		}
		greatest, least := calipers(h)
		want := 0.0
		for _, a := range p {
			for _, b := range p {
				want = max(want, a.Dist(b))
			}
		}
		assert.InDelta(t, want, greatest, 1e-9)
		narrow := math.Inf(1)
		for i, q := range h {
			r := h[(i+1)%len(h)]
			narrow = min(narrow, extent(p, math.Atan2(r.Y-q.Y, r.X-q.X)+math.Pi/2))
		}
		assert.InDelta(t, narrow, least, 1e-6)
	})
}

func TestMomentsOfRectangle(t *testing.T) {
	area, c, xx, xy, yy := moments(rectangle(6, 2, 0))
	assert.InDelta(t, 12, area, 1e-12)
	assert.InDelta(t, 13, c.X, 1e-12)
	assert.InDelta(t, -2, c.Y, 1e-12)
	assert.InDelta(t, 2*6*6*6/12.0, xx, 1e-9) // ∫x² over the rectangle about its middle
	assert.InDelta(t, 6*2*2*2/12.0, yy, 1e-9)
	assert.InDelta(t, 0, xy, 1e-9)
	for _, angle := range []float64{0, 0.4, 1.5, -1.2} {
		k := piece{outline: rectangle(6, 2, angle), Kernel: Kernel{Intact: true}, body: ellipse(size{6, 2, 1}, 9)}
		k.measure()
		assert.InDelta(t, angle, k.Angle, 1e-9)
	}
}

func TestRelation(t *testing.T) {
	a, b := rectangle(4, 2, 0), rectangle(4, 2, 0)
	move := func(p []point, dx, dy float64) []point {
		var q []point
		for _, v := range p {
			q = append(q, point{X: v.X + dx, Y: v.Y + dy})
		}
		return q
	}
	check := func(dx, dy, pressed, clear float64) {
		t.Helper()
		q := move(b, dx, dy)
		gotPressed, gotClear := relation(a, q, boxOf(a), boxOf(q), 1)
		assert.InDelta(t, pressed, gotPressed, 1e-12)
		assert.InDelta(t, clear, gotClear, 1e-12)
	}
	check(4.25, 0.5, 0, 0.25)
	check(3.9, 0.5, 0.1, 0) // a corner 0.1 inside
	check(8, 0, 0, 1)       // farther than asked
	assert.InDelta(t, 0.25, travel(a, move(b, 4.25, 0.5), point{X: 1}), 1e-12)
	assert.True(t, math.IsInf(travel(a, move(b, 4.25, 2.5), point{X: 1}), 1), "passes by")
}

// TestVolumeOfEllipsoids: ellipsoids have V = (π/6)·L·W·T.
func TestVolumeOfEllipsoids(t *testing.T) {
	for _, s := range milled {
		b := ellipse(s, 400)
		want := math.Pi / 6 * s.length * s.width * s.thick
		assert.InEpsilon(t, want, b.wholeVolume(), 1e-4)
		assert.InEpsilon(t, want, b.volume(b.outline()), 1e-3)
	}
}

// TestVolumeOfSplitSlices: half of a slice of an ellipsoid, split along its
// axis, has (π/16)·L·W·T·(u - u³/3) from u = -1 at one tip to 1 at the other,
// whatever the corners on the split, many of which lie just where sections are
// taken.
func TestVolumeOfSplitSlices(t *testing.T) {
	s := milled[Long]
	b := ellipse(s, 400)
	until := func(x float64) float64 { u := 2*x/s.length - 1; return u - u*u*u/3 }
	for from := 0.5; from < 3; from += 0.1 {
		for _, sides := range []int{16, 32, 96, 160} {
			to := from + 3
			slice := []point{{X: from, Y: -9}, {X: to, Y: -9}}
			for i := range sides + 1 {
				slice = append(slice, point{X: lerp(to, from, float64(i)/float64(sides))})
			}
			want := math.Pi / 16 * s.length * s.width * s.thick * (until(to) - until(from))
			assert.InEpsilon(t, want, b.volume(slice), 2e-3, "%d sides from %g", sides, from)
		}
	}
}

// TestCutEllipsoid checks pieces of an ellipsoid against closed forms: of the
// length share f the end keeps f²(3-2f) of the volume (spherical cap), and the
// area share of a circle's segment.
func TestCutEllipsoid(t *testing.T) {
	b := ellipse(size{7, 2, 1.6}, 300)
	area := math.Abs(signedArea(b.outline()))
	for _, f := range []float64{0.25, 0.5, 0.75, 0.9} {
		k := whole(b)
		k.Intact = false
		k.fractures = []fracture{{at: 7 * f, keep: -1}}
		var ok bool
		k.outline, ok = k.fractures[0].cut(k.outline)
		require.True(t, ok)
		k.measure()
		assert.InEpsilon(t, f*f*(3-2*f), k.Volume/b.wholeVolume(), 2e-3, "volume of %g", f)
		h := 2*f - 1
		segment := 0.5 + (math.Asin(h)+h*math.Sqrt(1-h*h))/math.Pi
		assert.InEpsilon(t, segment, k.Area/area, 1e-3, "area of %g", f)
		face := k.fractures[0]
		assert.InDelta(t, 7*f, face.middle.X, 1e-9)
		assert.InDelta(t, 1, face.direction.X, 1e-9, "the face looks away from what is kept")
	}
}

// TestPartsMakeTheWhole cuts grown kernels in two, by all kinds of fracture,
// and adds up.
func TestPartsMakeTheWhole(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	done := 0
	for i := range 400 {
		b := grow(r, milled[kinds[i%5]], 0.05, true)
		f := face(r, b, uniform(r, 0.2, 0.8)*b.length(), 1)
		if i%4 == 0 {
			low, high := b.at(b.length() / 2)
			f = fracture{along: true, at: (low + high) / 2, rough: 0.05, keep: 1, seed: uint64(i)}
		}
		g := f
		g.keep = -1
		one, ok1 := f.cut(b.outline())
		two, ok2 := g.cut(b.outline())
		if !ok1 || !ok2 {
			continue
		}
		done++
		area := math.Abs(signedArea(b.outline()))
		assert.InEpsilon(t, area, math.Abs(signedArea(one))+math.Abs(signedArea(two)), 1e-3)
		// 240 sections meet a slanting face in steps.
		assert.InEpsilon(t, b.wholeVolume(), b.volume(one)+b.volume(two), 5e-3)
	}
	assert.Greater(t, done, 300, "most fractures part a kernel in two")
}

// TestGrownSizes: the calipers read what was asked for, whatever bow and notch
// were drawn. The length may be out by what widening the kernel again does to
// its tips.
func TestGrownSizes(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 300 {
		s := milled[kinds[i%5]]
		b := grow(r, s, 0.06, i%3 > 0)
		length, width := calipers(hull(b.outline()))
		assert.InEpsilon(t, s.length, length, 0.02)
		assert.InEpsilon(t, s.width, width, 0.03)
		assert.Greater(t, signedArea(b.outline()), 0.0)
		for j := range b.x {
			require.LessOrEqual(t, b.low[j], b.high[j]+1e-12)
		}
	}
}

// TestHandbookRanges holds the drawn lots against the ranges of Cereals
// Processing Technology (G. Owens ed., Woodhead 2001), table 5.1, milled; of
// rough rice for paddy. The mean of a lot must lie within; single kernels
// scatter beyond.
func TestHandbookRanges(t *testing.T) {
	for _, row := range []struct {
		kind          Kind
		paddy         float64
		length, width [2]float64
	}{
		{Long, 0, [2]float64{6.5, 7.5}, [2]float64{1.9, 2.2}},
		{Medium, 0, [2]float64{5.4, 6.0}, [2]float64{2.3, 2.7}},
		{Short, 0, [2]float64{5.0, 5.2}, [2]float64{2.5, 2.9}},
		{Long, 1, [2]float64{8.7, 9.9}, [2]float64{2.3, 2.5}},
		{Medium, 1, [2]float64{7.8, 8.4}, [2]float64{2.9, 3.2}},
		{Short, 1, [2]float64{7.2, 7.3}, [2]float64{2.9, 3.4}},
	} {
		p := DefaultParams()
		p.Kind, p.Paddy, p.BrokenShare, p.Count = row.kind, row.paddy, 0, 1500
		p.Cover = 0.1 // paddy is larger than Cover goes by
		truth := mustLay(t, p)
		var l, w, ll float64
		for _, k := range truth.Kernels {
			l, w, ll = l+k.Length, w+k.Width, ll+k.Length*k.Length
		}
		n := float64(len(truth.Kernels))
		l, w = l/n, w/n
		assert.True(t, l > row.length[0] && l < row.length[1], "%s: length %.3f", row.kind, l)
		assert.True(t, w > row.width[0] && w < row.width[1], "%s: width %.3f", row.kind, w)
		// The sample SD of 1500 is good to 2 %; 0.003 is four times that.
		assert.InDelta(t, 0.045, math.Sqrt(ll/n-l*l)/l, 0.004)
	}
}
