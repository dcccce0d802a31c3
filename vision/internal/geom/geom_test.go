package geom

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func rect(w, h, x, y, ang float64) []Point {
	s, c := math.Sincos(ang)
	var p []Point
	for _, q := range [][2]float64{{-w / 2, -h / 2}, {w / 2, -h / 2}, {w / 2, h / 2}, {-w / 2, h / 2}} {
		p = append(p, Point{X: x + q[0]*c - q[1]*s, Y: y + q[0]*s + q[1]*c})
	}
	return p
}

func ellipse(a, b, x, y, ang float64, n int) []Point {
	s, c := math.Sincos(ang)
	var p []Point
	for i := range n {
		t, u := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		p = append(p, Point{X: x + a*u*c - b*t*s, Y: y + a*u*s + b*t*c})
	}
	return p
}

// A rectangle's greatest caliper is its diagonal, the least its short side.
func TestRectangle(t *testing.T) {
	for _, ang := range []float64{0, 0.3, 1, math.Pi / 2, 2.5} {
		p := rect(30, 8, 100, -40, ang)
		assert.InDelta(t, 240, Area(p), 1e-9)
		c := Caliper(Hull(p))
		assert.InDelta(t, math.Hypot(30, 8), c.Max, 1e-9)
		assert.InDelta(t, 8, c.Min, 1e-9)
		m := PolygonMoments(p)
		assert.InDelta(t, 240, m.A, 1e-9)
		assert.InDelta(t, 100, m.Centroid().X, 1e-9)
		assert.InDelta(t, -40, m.Centroid().Y, 1e-9)
		major, minor, a := m.Axes()
		// the variance of a uniform spread over a length is its square over 12
		assert.InDelta(t, 30/math.Sqrt(12), major, 1e-6)
		assert.InDelta(t, 8/math.Sqrt(12), minor, 1e-6)
		assert.InDelta(t, 0, math.Sin(a-ang), 1e-6)
		f := ProfileOf(p, ang, 20)
		assert.InDelta(t, 30, f.Length(), 1e-9)
		for i := range f.Low {
			assert.InDelta(t, 8, f.Width(i), 1e-9)
			assert.InDelta(t, f.Middle(0), f.Middle(i), 1e-9)
		}
	}
}

// The moments of an ellipse: semi-axes are twice the standard deviations. Its
// slices give the volume of the ellipsoid, 4/3·π·a·b², within the step.
func TestEllipse(t *testing.T) {
	p := ellipse(40, 12, 7, 9, 0.7, 720)
	c := Caliper(Hull(p))
	assert.InDelta(t, 80, c.Max, 1e-3)
	assert.InDelta(t, 24, c.Min, 1e-3)
	assert.InDelta(t, 0.7, c.MaxAngle, 1e-2)
	major, minor, a := PolygonMoments(p).Axes()
	assert.InDelta(t, 20, major, 1e-2)
	assert.InDelta(t, 6, minor, 1e-2)
	assert.InDelta(t, 0.7, a, 1e-6)
	f := ProfileOf(p, a, 64)
	v := 0.0
	for i := range f.Low {
		v += math.Pi / 4 * f.Width(i) * f.Width(i) * f.Step
	}
	assert.InEpsilon(t, 4./3*math.Pi*40*12*12, v, 2e-3)
	// 9.6 px from the tip an ellipse is 2·12·√(1-(30.4/40)²) wide
	assert.InDelta(t, 24*math.Sqrt(1-0.76*0.76), f.At(9.6, false), 0.05)
	assert.InDelta(t, f.At(9.6, false), f.At(9.6, true), 0.05)
}

func TestFewPoints(t *testing.T) {
	for _, p := range [][]Point{nil, {{X: 1, Y: 2}}, {{X: 1, Y: 2}, {X: 1, Y: 2}}, {{X: 0, Y: 0}, {X: 3, Y: 4}}} {
		h := Hull(p)
		assert.Zero(t, Area(h))
		c := Caliper(h)
		assert.Zero(t, c.Min)
	}
	assert.Equal(t, 5.0, Caliper(Hull([]Point{{X: 0, Y: 0}, {X: 3, Y: 4}})).Max)
}

// extent returns the extent of p along the direction angle.
func extent(p []Point, angle float64) float64 {
	s, c := math.Sincos(angle)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range p {
		lo, hi = min(lo, q.X*c+q.Y*s), max(hi, q.X*c+q.Y*s)
	}
	return hi - lo
}

// Hull: convex, holds every point, whatever their order; and calipers agree
// with trying every direction.
func TestHullProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 60).Draw(t, "n")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		grid := rapid.Bool().Draw(t, "on a grid") // many collinear points
		p := make([]Point, n)
		for i := range p {
			p[i] = Point{X: 20 * rng.Float64(), Y: 20 * rng.Float64()}
			if grid {
				p[i] = Point{X: math.Floor(p[i].X / 4), Y: math.Floor(p[i].Y / 4)}
			}
		}
		h := Hull(p)
		if len(h) < 3 {
			return
		}
		require.Positive(t, Area(h))
		for i := range h {
			a, b := h[i], h[(i+1)%len(h)]
			require.Positive(t, cross(a, b, h[(i+2)%len(h)]), "a hull turns one way")
			for _, q := range p {
				require.GreaterOrEqual(t, cross(a, b, q), -1e-9, "a point outside")
			}
		}
		rng.Shuffle(n, func(i, j int) { p[i], p[j] = p[j], p[i] })
		require.InDelta(t, Area(h), Area(Hull(p)), 1e-9)
		c := Caliper(h)
		for i := range 180 {
			e := extent(p, math.Pi*float64(i)/180)
			require.LessOrEqual(t, e, c.Max+1e-9)
			require.GreaterOrEqual(t, e, c.Min-1e-9)
		}
	})
}

// Moments do not depend on where the polygon lies.
func TestMomentsFarOff(t *testing.T) {
	near, far := ellipse(40, 12, 0, 0, 0.3, 100), ellipse(40, 12, 1e5, 1e5, 0.3, 100)
	m1, _, a1 := PolygonMoments(near).Axes()
	m2, _, a2 := PolygonMoments(far).Axes()
	assert.InDelta(t, m1, m2, 1e-2)
	assert.InDelta(t, a1, a2, 1e-3)
}

// BenchmarkHull takes the hull of a pixel contour as the tracing gives it.
//
//	go test -run xxx -bench Hull ./vision/internal/geom
func BenchmarkHull(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 0))
	p := ellipse(80, 25, 200, 100, 0.7, 340)
	for i := range p {
		if i%2 == 0 {
			p[i].X = math.Round(p[i].X)
		} else {
			p[i].Y = math.Round(p[i].Y)
		}
		p[i].X += 0.1 * rng.Float64()
	}
	b.ReportAllocs()
	for b.Loop() {
		Hull(p)
	}
}
