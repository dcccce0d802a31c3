package segment

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/pixel"
)

// heap is a picture of touching blobs on a ground with noise, and its labels, at
// scale pixels to the working pixel.
func heap(w, h int, scale float64) (Picture, *maps, *blobs) {
	r := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	m := &maps{w: w, h: h, sx: scale, sy: 1.1 * scale, pix: make([]byte, 3*w*h)}
	m.body, m.object = make([]uint8, w*h), make([]uint8, w*h)
	b := &blobs{label: make([]int32, w*h)}
	for i := range b.label {
		x, y := i%w, i/w
		u, v := float64(x%14-7), float64(y%30-15)
		if u*u/40+v*v/190 < 1 {
			b.label[i] = int32(y/30*((w+13)/14) + x/14 + 1)
		}
	}
	p := Picture{Pixels: pixel.Pixels{W: int(float64(w) * m.sx), H: int(float64(h) * m.sy)}}
	p.Pix = make([]byte, 3*p.W*p.H)
	for i := range p.Pix {
		x, y := i/3%p.W, i/3/p.W
		v := 40.0
		if b.label[min(int(float64(y)/m.sy), h-1)*w+min(int(float64(x)/m.sx), w-1)] != 0 {
			v = 150 + 40*math.Sin(float64(x)/9)
		}
		p.Pix[i] = byte(v + 12*r.Float64())
	}
	return p, m, b
}

// Heights, contrasts and levels are what their definition says, worked out here
// pixel by pixel, at the picture's edge too.
func TestReliefByDefinition(t *testing.T) {
	for _, scale := range []float64{0.7, 1, 2.3, 4.1} {
		p, m, b := heap(56, 60, scale)
		o := &outliner{p: p, m: m, b: b, ground: &ground{w: 1, h: 1, cells: make([][3]float64, 1)}}
		for _, reach := range []int{3, 4, 24} {
			o.reach = reach
			for i := range 8 {
				label := int32(i + 1)
				s := &blob{minX: m.w, minY: m.h}
				for k, l := range b.label {
					if l == label {
						s.minX, s.maxX = min(s.minX, k%m.w), max(s.maxX, k%m.w+1)
						s.minY, s.maxY = min(s.minY, k/m.w), max(s.maxY, k/m.w+1)
					}
				}
				o.labels(s, label)
				checkLabels(t, o, label)
				o.place(s)
				rice, ground := [3]float64{150, 151, 152}, [3]float64{40, 41, 42}
				require.True(t, o.relief(rice, ground))
				checkRelief(t, o, rice, ground)
			}
		}
	}
}

func checkLabels(t *testing.T, o *outliner, label int32) {
	t.Helper()
	own := func(x, y int) float64 {
		u, v := min(max(o.lx+x, 0), o.m.w-1), min(max(o.ly+y, 0), o.m.h-1)
		if o.b.label[v*o.m.w+u] == label {
			return 1
		}
		return 0
	}
	for y := 2; y < o.lh-2; y++ {
		for x := 2; x < o.lw-2; x++ {
			want := 0.0
			for j := -2; j <= 2; j++ {
				for i := -2; i <= 2; i++ {
					want += float64(blurKernel[max(i, -i)]) * float64(blurKernel[max(j, -j)]) * own(x+i, y+j)
				}
			}
			require.InDelta(t, want, o.own[y*o.lw+x], 1e-6)
		}
	}
}

func checkRelief(t *testing.T, o *outliner, rice, ground [3]float64) {
	t.Helper()
	span := dist3(rice, ground)
	at := func(a []float32, x, y int) float64 { // bilinear, on the working tile
		fx, fy := (float64(o.x0+x)+0.5)/o.m.sx-0.5-float64(o.lx), (float64(o.y0+y)+0.5)/o.m.sy-0.5-float64(o.ly)
		i, j := int(fx), int(fy)
		get := func(i, j int) float64 { return float64(a[j*o.lw+i]) }
		top := get(i, j) + (fx-float64(i))*(get(i+1, j)-get(i, j))
		low := get(i, j+1) + (fx-float64(i))*(get(i+1, j+1)-get(i, j+1))
		return top + (fy-float64(j))*(low-top)
	}
	raises := make([]float64, o.w*o.h)
	near := 1e-5 // of a limit, where rounding decides
	for y := 1; y < o.h-1; y++ {
		for x := 1; x < o.w-1; x++ {
			own, other := at(o.own, x, y), at(o.other, x, y)
			c := 0.0
			for k := range 3 {
				c += (rice[k] - ground[k]) / span * (float64(o.p.Pix[3*((o.y0+y)*o.p.W+o.x0+x)+k]) - ground[k])
			}
			if c = max(0, c); own < farOut {
				c = 0
			}
			if math.Abs(own-farOut) > near {
				require.InDelta(t, c, o.contrast[y*o.w+x], 1e-3)
			}
			if other <= own {
				raises[y*o.w+x] = float64(o.contrast[y*o.w+x])
			}
		}
	}
	for y := range o.h {
		for x := range o.w {
			i := y*o.w + x
			level := 0.0
			for v := max(0, y-o.reach); v <= min(o.h-1, y+o.reach); v++ {
				for u := max(0, x-o.reach); u <= min(o.w-1, x+o.reach); u++ {
					level = max(level, raises[v*o.w+u])
				}
			}
			require.InDelta(t, level, o.level[i], 1e-3, "(%d, %d)", x, y)
			if x == 0 || y == 0 || x == o.w-1 || y == o.h-1 {
				assert.Equal(t, float32(-1), o.height[i])
				continue
			}
			own, other := at(o.own, x, y), at(o.other, x, y)
			if math.Abs(own-farOut) < near || math.Abs(own-farIn) < near {
				continue
			}
			edge, height := 2*float64(o.contrast[i])/max(level, leastLevel*span, 2*o.p.least())-1, -1.0
			if own > farIn {
				edge = max(edge, 0.1)
			}
			if own >= farOut {
				height = min(edge, own-other)
			}
			require.InDelta(t, height, o.height[i], 1e-5)
			assert.Equal(t, o.height[i] > 0, o.inside[i] == 1)
			if math.Abs(own-other) > near && math.Abs(edge) > near {
				assert.Equal(t, own >= farOut && own <= other && edge > 0, o.divided[i] == 1)
			}
		}
	}
}

// BenchmarkRelief is what one kernel at 600 dpi takes.
//
//	go test -run xxx -bench Relief ./vision/internal/segment
func BenchmarkRelief(b *testing.B) {
	p, m, all := heap(56, 60, 4)
	o := &outliner{p: p, m: m, b: all, reach: 3}
	s := &blob{minX: 14, minY: 0, maxX: 28, maxY: 30}
	for b.Loop() {
		o.labels(s, 2)
		o.place(s)
		o.relief([3]float64{150, 150, 150}, [3]float64{40, 40, 40})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*o.w*o.h), "ns/px")
}
