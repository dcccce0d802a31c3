package segment

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
)

// drawn renders polygons, bright on a dark tray: coverage exact along rows and
// by four lines per row, then a Gaussian blur, then noise.
func drawn(w, h int, polys [][]Point, blur, noise float64, rng *rand.Rand) Picture {
	v := make([]float64, w*h)
	cover := make([]float64, w*h)
	for _, p := range polys {
		y0, y1 := math.Inf(1), math.Inf(-1)
		for _, q := range p {
			y0, y1 = math.Min(y0, q.Y), math.Max(y1, q.Y)
		}
		const lines = 4
		ya, yb := max(0, int(y0)-1), min(h, int(y1)+2)
		clear(cover[ya*w : yb*w])
		for y := ya; y < yb; y++ {
			for j := range lines {
				yy := float64(y) + (float64(j)+.5)/lines - .5
				var xs []float64
				a := p[len(p)-1]
				for _, b := range p {
					if (a.Y > yy) != (b.Y > yy) {
						xs = append(xs, a.X+(yy-a.Y)/(b.Y-a.Y)*(b.X-a.X)+.5)
					}
					a = b
				}
				slices.Sort(xs)
				for k := 0; k+1 < len(xs); k += 2 {
					for x := max(0, int(xs[k])); x < min(w, int(xs[k+1])+1); x++ {
						c := math.Min(float64(x+1), xs[k+1]) - math.Max(float64(x), xs[k])
						cover[y*w+x] += math.Max(0, c) / lines
					}
				}
			}
		}
		for i := ya * w; i < yb*w; i++ {
			v[i] = math.Max(v[i], cover[i])
		}
	}
	r := int(math.Ceil(4 * blur))
	k := make([]float64, 2*r+1)
	sum := 0.0
	for i := range k {
		k[i] = math.Exp(-float64((i-r)*(i-r)) / (2 * blur * blur))
		sum += k[i]
	}
	pass := func(src []float64, dx, dy int) []float64 {
		dst := make([]float64, w*h)
		for y := range h {
			for x := range w {
				s := 0.0
				for i, c := range k {
					xx, yy := min(max(x+(i-r)*dx, 0), w-1), min(max(y+(i-r)*dy, 0), h-1)
					s += c * src[yy*w+xx]
				}
				dst[y*w+x] = s / sum
			}
		}
		return dst
	}
	v = pass(pass(v, 1, 0), 0, 1)
	pix := make([]byte, 3*w*h)
	for i, c := range v {
		for b := range 3 {
			pix[3*i+b] = uint8(math.Min(255, math.Max(0, 18+170*c+noise*rng.NormFloat64()+.5)))
		}
	}
	return Picture{Pixels: pixel.Pixels{Pix: pix, W: w, H: h}}
}

func placed(p []Point, x, y, ang float64) []Point {
	s, c := math.Sincos(ang)
	out := make([]Point, len(p))
	for i, q := range p {
		out[i] = Point{X: x + q.X*c - q.Y*s, Y: y + q.X*s + q.Y*c}
	}
	return out
}

func ellipse(l, w float64) []Point {
	var p []Point
	for i := range 120 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 120)
		p = append(p, Point{X: l / 2 * c, Y: w / 2 * s})
	}
	return p
}

// pointed is a kernel with one pointed end: an ellipse whose right half gives
// way to flanks that meet at 70 degrees, round to a radius of w/12.
func pointed(l, w float64) []Point {
	const half = 35 * math.Pi / 180
	r := w / 12
	var p []Point
	add := func(x, y float64) { p = append(p, Point{X: x, Y: y}) }
	s, c := math.Sincos(half)
	// the flanks touch the ellipse of the left part where it has their slope
	a, b := l/2, w/2
	f := math.Hypot(a*s, b*c)
	tx, ty := a*a*s/f, b*b*c/f
	apex := tx + ty*c/s
	for i := range 7 { // round the tip, from below
		t := -(math.Pi/2 - half) + float64(i)/6*2*(math.Pi/2-half)
		add(apex-r/s+r*math.Cos(t), r*math.Sin(t))
	}
	from := math.Atan2(ty/b, tx/a)
	for i := range 111 {
		sin, cos := math.Sincos(from + float64(i)/110*(2*math.Pi-2*from))
		add(a*cos, b*sin)
	}
	return p
}

// middle is the middle of a kernel of length 3·w, cut square at both ends l apart.
func middle(l, w float64) []Point {
	flank := func(x float64) float64 { return w / 2 * math.Sqrt(1-x*x/(2.25*w*w)) }
	var p []Point
	for i := range 31 {
		x := -l/2 + l*float64(i)/30
		p = append(p, Point{X: x, Y: -flank(x)})
	}
	for i := range 31 {
		x := l/2 - l*float64(i)/30
		p = append(p, Point{X: x, Y: flank(x)})
	}
	return p
}

// TestKnownShapes measures ellipses, pointed kernels and square-cut pieces of
// known size, at random places and angles, the latter among whole kernels.
func TestKnownShapes(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name      string
		make      func(l, w float64) []Point
		l, w      float64 // px
		bias, rms float64 // greatest allowed, px
	}{
		// 0.01 mm is 0.12 px at 300 dpi, 0.03 mm is 0.35 px
		{"ellipse 300 dpi", ellipse, 81, 24, 0.12, 0.2},
		{"ellipse 150 dpi", ellipse, 40.5, 12, 0.12, 0.2},
		{"ellipse 600 dpi", ellipse, 162, 48, 0.12, 0.2},
		{"slender ellipse 300 dpi", ellipse, 90, 21, 0.12, 0.2},
		// a pointed tip is no corner of two flanks
		{"pointed 300 dpi", pointed, 81, 24, 0.15, 0.2},
		{"pointed 600 dpi", pointed, 162, 48, 0.15, 0.2},
		// A corner is rebuilt from what blur left of it. Those of a barrel are
		// blunter than a right angle, and single ones are not seen as corners.
		{"square-cut 300 dpi", middle, 40, 24, 0.3, 0.35},
		{"square-cut 600 dpi", middle, 80, 48, 0.3, 0.35},
	} {
		for _, blur := range []float64{0.6, 0.9, 1.3} {
			t.Run(fmt.Sprintf("%s/blur %.1f", c.name, blur), func(t *testing.T) {
				// Cut pieces lie among as many whole kernels, as on a tray.
				const nx, ny = 7, 7
				cut := strings.HasPrefix(c.name, "square-cut")
				pitch := int(max(c.l, 3*c.w)*1.2) + 12
				var polys [][]Point
				var of []Point // middles of what is measured
				for j := range ny {
					for i := range nx {
						at := Point{X: (float64(i)+.5)*float64(pitch) + rng.Float64(), Y: (float64(j)+.5)*float64(pitch) + rng.Float64()}
						shape := c.make(c.l, c.w)
						if cut && (i+j)%2 == 0 {
							shape = ellipse(3*c.w, c.w)
						} else {
							of = append(of, at)
						}
						polys = append(polys, placed(shape, at.X, at.Y, math.Pi*rng.Float64()))
					}
				}
				r, err := Find(context.Background(), drawn(nx*pitch, ny*pitch, polys, blur, 2, rng))
				require.NoError(t, err)
				require.Equal(t, len(polys), len(r.Pieces), "pieces")
				assert.InDelta(t, math.Hypot(blur, math.Sqrt(1./12)), r.BlurSigma, 0.25*blur, "blur")
				want := geom.Caliper(geom.Hull(c.make(c.l, c.w)))
				var sl, sl2, sw, sa float64
				for _, p := range r.Pieces {
					at := geom.PolygonMoments(p.Outline).Centroid()
					if !slices.ContainsFunc(of, func(q Point) bool { return q.Dist(at) < c.w/2 }) {
						continue
					}
					got := geom.Caliper(geom.Hull(p.Outline))
					sl += got.Max - want.Max
					sl2 += (got.Max - want.Max) * (got.Max - want.Max)
					sw += got.Min - want.Min
					sa += p.Area/geom.Area(c.make(c.l, c.w)) - 1
				}
				n := float64(len(of))
				t.Logf("σ %.2f length bias %+.3f rms %.3f, width bias %+.3f, area %+.2f %%", r.BlurSigma, sl/n, math.Sqrt(sl2/n), sw/n, 100*sa/n)
				assert.InDelta(t, 0, sl/n, c.bias, "length bias, px")
				assert.Less(t, math.Sqrt(sl2/n), c.rms, "length rms, px")
				assert.InDelta(t, 0, sw/n, 0.25, "width bias, px")
				assert.InDelta(t, 0, sa/n, 0.015, "area")
			})
		}
	}
}

// What the network is shown holds all that stands out from the ground, and little
// of a bare tray around it.
func TestInside(t *testing.T) {
	const w, h = 300, 200
	type rect struct{ x0, y0, x1, y1 int }
	for name, c := range map[string]struct{ lies, want rect }{
		"nothing":           {rect{}, rect{}},
		"one kernel":        {rect{150, 100, 162, 110}, rect{96, 64, 204, 168}},
		"in a corner":       {rect{290, 195, 300, 200}, rect{256, 160, 300, 200}},
		"all over":          {rect{2, 2, 298, 198}, rect{0, 0, 300, 200}},
		"a step, no end":    {rect{0, 10, 300, 200}, rect{0, 0, 300, 72}},
		"along one side":    {rect{0, 0, 5, 200}, rect{0, 0, 44, 200}},
		"thinner than that": {rect{0, 120, 300, 121}, rect{0, 64, 300, 168}},
	} {
		m := &maps{w: w, h: h, pix: bytes.Repeat([]byte{30, 32, 28}, w*h)}
		for y := c.lies.y0; y < c.lies.y1; y++ {
			for x := c.lies.x0; x < c.lies.x1; x++ {
				m.pix[3*(y*w+x)+1] = 32 + bareRange + 1
			}
		}
		x0, y0, x1, y1 := m.inside()
		assert.Equal(t, c.want, rect{x0, y0, x1, y1}, name)
	}
}
