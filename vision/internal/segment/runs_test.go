package segment

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestScan checks runs and contrast against their definition, pixel by pixel,
// on noise around trays of every level, and with widths that are no whole
// number of cells.
func TestScan(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 0))
	for _, limit := range []int{10, 33, 80} {
		for _, w := range []int{1, 7, 8, 9, 61, 64, 200} {
			h := 1 + rng.IntN(40)
			p := Picture{Pix: make([]byte, 3*w*h), W: w, H: h}
			tr := &tray{cw: (w + cell - 1) / cell, ch: (h + cell - 1) / cell}
			tr.level = make([][3]uint8, tr.cw*tr.ch)
			for i := range tr.level {
				for k := range 3 {
					tr.level[i][k] = uint8(rng.IntN(256))
				}
			}
			want := make([]int, w*h)
			for i := range want {
				l := tr.level[i/w/cell*tr.cw+i%w/cell]
				for k := range 3 {
					v := rng.IntN(256)
					if i%w/11%2 == 0 { // tray, or what is just beyond the limit
						v = min(255, max(0, int(l[k])-limit+rng.IntN(2*limit+1)+rng.IntN(40)/39))
					}
					p.Pix[3*i+k] = uint8(v)
					want[i] = max(want[i], v-int(l[k]), int(l[k])-v)
				}
			}
			rel, err := newRelief(w, h, limit)
			require.NoError(t, err)
			got := make([]bool, w*h)
			last := run{y: -1}
			for _, band := range scan(p, tr, rel, limit) {
				for _, r := range band {
					assert.True(t, r.y > last.y || r.x0 > last.x1, "order and gaps: %v after %v", r, last)
					assert.Less(t, r.x0, r.x1)
					for x := r.x0; x < r.x1; x++ {
						got[int(r.y)*w+int(x)] = true
					}
					last = r
				}
			}
			for i, d := range want {
				require.Equal(t, d > limit, got[i], "limit %d, pixel %d of %d × %d", limit, i, w, h)
			}
			for y := -1; y <= h; y++ {
				for x := -1; x <= w; x++ {
					near := false
					for j := max(0, y-1); j <= min(h-1, y+1); j++ {
						for i := max(0, x-1); i <= min(w-1, x+1); i++ {
							near = near || got[j*w+i]
						}
					}
					c := int(rel.c[rel.index(x, y)])
					switch {
					case x < 0 || y < 0 || x == w || y == h:
						require.Zero(t, c)
					case near:
						require.Equal(t, want[y*w+x], c)
					default:
						require.LessOrEqual(t, c, want[y*w+x])
					}
				}
			}
			rel.close()
		}
	}
}
