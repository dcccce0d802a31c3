package card

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/floats"
	"pgregory.net/rapid"
)

// looking returns the camera of a known pose: at the given height over foot,
// tilted about the x axis, focal length over the long side.
func looking(w, h int, foot Point, height, tilt, turn, focal, k float64) Camera {
	m := newCamera(w, h)
	f := focal * float64(max(w, h))
	s, c := math.Sincos(tilt)
	st, ct := math.Sincos(turn)
	// Rows: right, down, forward in world axes (x, y, down into the card).
	right := [3]float64{ct, st * c, -st * s}
	down := [3]float64{-st, ct * c, -ct * s}
	forward := [3]float64{0, s, c}
	row := func(r [3]float64, k float64, off [3]float64, c float64) [3]float64 {
		at := func(x, y float64) float64 {
			q := [3]float64{x - foot.X, y - foot.Y, height}
			return k*floats.Dot(r[:], q[:]) + c*floats.Dot(off[:], q[:])
		}
		o := at(0, 0)
		return [3]float64{at(1, 0) - o, at(0, 1) - o, o}
	}
	a, b, z := row(right, f, forward, m.C.X), row(down, f, forward, m.C.Y), row(forward, 1, forward, 0)
	for i := range 3 {
		m.H[i], m.H[3+i], m.H[6+i] = a[i]/z[2], b[i]/z[2], z[i]/z[2]
	}
	m.K = k
	return m
}

// ToCard returns the card position in mm that is seen at a picture position.
func (m *Camera) ToCard(d Point) Point {
	u := m.unbend(d)
	// H⁻¹ by the adjugate.
	h := &m.H
	a := [9]float64{
		h[4]*h[8] - h[5]*h[7], h[2]*h[7] - h[1]*h[8], h[1]*h[5] - h[2]*h[4],
		h[5]*h[6] - h[3]*h[8], h[0]*h[8] - h[2]*h[6], h[2]*h[3] - h[0]*h[5],
		h[3]*h[7] - h[4]*h[6], h[1]*h[6] - h[0]*h[7], h[0]*h[4] - h[1]*h[3],
	}
	w := a[6]*u.X + a[7]*u.Y + a[8]
	return Point{X: (a[0]*u.X + a[1]*u.Y + a[2]) / w, Y: (a[3]*u.X + a[4]*u.Y + a[5]) / w}
}

func trayCamera() Camera {
	return looking(2400, 3200, Point{X: 80, Y: 40}, 300, 20*math.Pi/180, 0.2, 0.75, 0.03)
}

func TestHomographyIsRecovered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := looking(2400, 3200, Point{X: rapid.Float64Range(0, 200).Draw(t, "x"), Y: rapid.Float64Range(0, 200).Draw(t, "y")},
			rapid.Float64Range(200, 1000).Draw(t, "height"), rapid.Float64Range(0, 0.5).Draw(t, "tilt"),
			rapid.Float64Range(-3, 3).Draw(t, "turn"), rapid.Float64Range(0.5, 3).Draw(t, "focal"), 0)
		l := Layouts[0]
		var seen [4]Point
		for i, q := range l.Marks {
			seen[i] = m.ToPicture(q)
		}
		h, err := homography(l.Marks, seen)
		if err != nil {
			t.Fatal(err)
		}
		got := newCamera(2400, 3200)
		got.H = h
		for _, q := range l.Dots {
			if d := got.ToPicture(q).Dist(m.ToPicture(q)); d > 1e-6 {
				t.Fatalf("%v is off by %g px", q, d)
			}
		}
	})
	inLine := [4]Point{{}, {X: 1, Y: 1}, {X: 2, Y: 2}, {X: 3, Y: 3}}
	_, err := homography(inLine, inLine)
	assert.ErrorIs(t, err, errDegenerate)
}

func TestCameraThereAndBack(t *testing.T) {
	m := trayCamera()
	for _, q := range append(Layouts[0].Dots, Layouts[0].Marks[:]...) {
		back := m.ToCard(m.ToPicture(q))
		assert.InDelta(t, 0, back.Dist(q), 1e-6)
	}
	assert.True(t, math.IsNaN(m.ToPicture(Point{X: 80, Y: -1e5}).X), "beyond the horizon")
}

// The middle of a disc's outline against that of an ellipse through five of
// its points, solved as a general conic.
func TestSeenIsTheMiddleOfTheEllipse(t *testing.T) {
	m := looking(2400, 3200, Point{X: 80, Y: 40}, 120, 0.5, 0.2, 0.75, 0)
	q, r := Point{X: 30, Y: 120}, 9.0
	var a [5][6]float64 // x² xy y² x y | -1
	origin := m.ToPicture(q)
	for i := range a {
		s, c := math.Sincos(float64(i) * 1.2)
		p := m.ToPicture(Point{X: q.X + r*c, Y: q.Y + r*s}).Sub(origin)
		x, y := p.X/100, p.Y/100
		a[i] = [6]float64{x * x, x * y, y * y, x, y, -1}
	}
	for j := range a { // Gauss-Jordan with pivoting
		p := j
		for k := j; k < 5; k++ {
			if math.Abs(a[k][j]) > math.Abs(a[p][j]) {
				p = k
			}
		}
		a[j], a[p] = a[p], a[j]
		for k := range a {
			if k != j {
				f := a[k][j] / a[j][j]
				for l := range a[k] {
					a[k][l] -= f * a[j][l]
				}
			}
		}
	}
	var g [5]float64
	for j := range g {
		g[j] = a[j][5] / a[j][j]
	}
	det := 4*g[0]*g[2] - g[1]*g[1]
	want := Point{X: origin.X + 100*(g[1]*g[4]-2*g[2]*g[3])/det, Y: origin.Y + 100*(g[1]*g[3]-2*g[0]*g[4])/det}
	got := m.seen(q, r)
	assert.InDelta(t, 0, got.Dist(want), 1e-4)
	assert.Greater(t, got.Dist(origin), 0.5, "it is not the image of the centre")
}

func sights(m *Camera, l *Layout, noise float64, r *rand.Rand) []sighting {
	var s []sighting
	for _, q := range l.Marks {
		s = append(s, sighting{mm: q, r: DiscR, px: m.seen(q, DiscR), mark: true})
	}
	for _, q := range l.Dots {
		s = append(s, sighting{mm: q, r: DotR, px: m.seen(q, DotR)})
	}
	for i := range s {
		s[i].px.X += noise * r.NormFloat64()
		s[i].px.Y += noise * r.NormFloat64()
	}
	return s
}

func TestFit(t *testing.T) {
	truth := trayCamera()
	r := rand.New(rand.NewPCG(1, 2))
	start := truth
	start.K = 0
	start.H[2] += 3
	start.H[6] *= 1.02
	t.Run("exact", func(t *testing.T) {
		f, err := adjust(start, sights(&truth, Layouts[0], 0, r), oneTerm)
		require.NoError(t, err)
		assert.InDelta(t, truth.K, f.Camera.K, 1e-6)
		assert.Less(t, f.Worst, 1e-5)
		p := f.Camera.pose(Layouts[0].Marks)
		assert.InDelta(t, 20, deg(p.Tilt), 0.2)
		assert.InDelta(t, 300, p.Height, 3)
		assert.InDelta(t, 0.75, p.Focal, 0.01)
		assert.InDelta(t, 0, p.Foot.Dist(Point{X: 80, Y: 40}), 2)
	})
	t.Run("two terms", func(t *testing.T) {
		bent := truth
		bent.K, bent.K2 = 0.09, -0.07
		f, err := adjust(start, sights(&bent, Layouts[0], 0, r), twoTerms)
		require.NoError(t, err)
		assert.InDelta(t, bent.K, f.Camera.K, 1e-5)
		assert.InDelta(t, bent.K2, f.Camera.K2, 1e-5)
		assert.InDelta(t, 0.09*0.09/(4*0.07), f.Camera.Radial(), 1e-4, "greatest where K + 2·K2·ρ is 0")
		assert.InDelta(t, 0.05, (&Camera{K: 0.02, K2: 0.03}).Radial(), 1e-12)
		assert.Zero(t, (&Camera{}).Radial())
		q := Point{X: 170, Y: 20}
		assert.InDelta(t, 0, f.Camera.ToCard(bent.ToPicture(q)).Dist(q), 1e-4)
	})
	t.Run("stated uncertainty holds", func(t *testing.T) {
		// Of 60 fits to noisy places the scatter of the scale is what the fit
		// says itself; its own estimate scatters by 1/√(2·60), 9 %.
		l, q := Layouts[0], Point{X: 95, Y: 118}
		size := func(m *Camera) float64 {
			a := m.local(q)
			return math.Log(a.xx*a.yy-a.xy*a.yx) / 2
		}
		want, sum, said := size(&truth), 0.0, 0.0
		for range 60 {
			f, err := adjust(start, sights(&truth, l, 0.5, r), oneTerm)
			require.NoError(t, err)
			sum += sq(size(&f.Camera) - want)
			said += sq(f.ScaleSD(q))
		}
		assert.InDelta(t, 1, math.Sqrt(sum/said), 0.3)
	})
	t.Run("too few", func(t *testing.T) {
		_, err := adjust(start, sights(&truth, Layouts[0], 0, r)[:5], oneTerm)
		assert.ErrorIs(t, err, errDegenerate)
	})
}

// Straight from above a homography does not tell the focal length; that of a
// common phone is taken, and the doubt is said.
func TestPoseFromAboveIsDoubtful(t *testing.T) {
	for _, focal := range []float64{0.75, 1.5} {
		m := looking(2400, 3200, Point{X: 95, Y: 118}, 400*focal, 0, 0, focal, 0)
		f, err := adjust(m, sights(&m, Layouts[0], 0.05, rand.New(rand.NewPCG(3, 4))), oneTerm)
		require.NoError(t, err)
		p := f.Camera.pose(Layouts[0].Marks)
		assert.InDelta(t, 0.75, p.Focal, 0.02)
		assert.InDelta(t, usualFocalSD, p.FocalSD, 0.05)
		assert.Less(t, deg(p.Tilt), 0.5)
	}
}

// Half of the encoded height of an edge blurred in linear light: for a light
// of 0.04 against 0.36 half way between 56.4 and 161.4 is 0.153 in linear
// light, 0.353 of the step, 0.377 standard deviations outside (tables of the
// normal distribution).
func TestShift(t *testing.T) {
	e := Edge{Sigma: sharpSigma + 1, InLight: 1}
	assert.InDelta(t, 0.377, e.Shift(0.04, 0.36), 0.005)
	assert.Zero(t, Edge{Sigma: 0.28, InLight: 1}.Shift(0.04, 0.36), "sharper than sharp")
	assert.Zero(t, Edge{Sigma: 2}.Shift(0.04, 0.36), "blurred as encoded")
	assert.Zero(t, e.Shift(0.4, 0.3))
}

func TestFitStep(t *testing.T) {
	for _, sigma := range []float64{0.4, 0.9, 1.7} {
		var v [edgeBins]float64
		for k := range v {
			x := float64(k)*edgeBin - edgeReach
			v[k] = math.Erfc((0.3-x)/(sigma*math.Sqrt2)) / 2
		}
		got, left := fitStep(&v)
		assert.InDelta(t, sigma, got, 0.005)
		assert.Less(t, left, 1e-4)
	}
}

// How a stretched print looks: from above as it is; tilted about a side, where
// a longer focal length would look the same, with more doubt; and the doubt
// covers it where the lens's axis is not in the middle.
func TestStretch(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, tilt := range []float64{0, 0.1, 0.3} {
		for _, by := range []float64{1, 0.97, 1.02} {
			for _, off := range []float64{0, 0.015} {
				m := looking(2400, 3200, Point{X: 95, Y: 118}, 300, tilt, 0.4, 0.78, 0)
				for _, i := range []int{1, 4, 7} { // print places by y·by
					m.H[i] *= by
				}
				s := sights(&m, Layouts[0], 0.02, r)
				for i := range s {
					s[i].px.X += off * 3200
				}
				f, err := adjust(m, s, oneTerm)
				require.NoError(t, err)
				got, sd := f.Camera.stretch(Layouts[0].Marks)
				assert.InDelta(t, math.Log(by), got, 2*sd, "tilt %g by %g off %g", tilt, by, off)
				if tilt == 0 {
					assert.Less(t, sd, 0.002)
				}
			}
		}
	}
}
