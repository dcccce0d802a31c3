package segment

import (
	"runtime"
	"sync"
)

// A run is a stretch of foreground in one row: columns [X0, X1).
type run struct{ y, x0, x1 int32 }

// A component is a set of 8-connected runs.
type component struct {
	runs                   []run
	minX, minY, maxX, maxY int // bounding box, half-open
	area                   int
}

// scan fills the relief's contrast and returns all runs of pixels whose
// contrast exceeds limit, in row order. Rows are shared out over the cores.
func scan(p Picture, t *tray, r *relief, limit int) [][]run {
	bands := min(max(1, runtime.GOMAXPROCS(0)), max(1, p.H/cell))
	out := make([][]run, bands)
	var wg sync.WaitGroup
	for b := range bands {
		y0, y1 := p.H*b/bands, p.H*(b+1)/bands
		wg.Go(func() {
			runs := make([]run, 0, 4096)
			for y := y0; y < y1; y++ {
				dst := r.c[(y+1)*r.stride : (y+2)*r.stride]
				dst[0], dst[p.W+1] = 0, 0
				runs = scanRow(runs, p.Pix[3*y*p.W:3*(y+1)*p.W], dst[1:p.W+1], t.level[y/cell*t.cw:(y/cell+1)*t.cw], int32(y), int32(limit))
			}
			out[b] = runs
		})
	}
	wg.Wait()
	return out
}

func scanRow(runs []run, row, dst []byte, level [][3]uint8, y, limit int32) []run {
	start := int32(-1)
	x := int32(0)
	for _, l := range level {
		b, g, r := int32(l[0]), int32(l[1]), int32(l[2])
		n := min(cell, len(dst))
		seg, out := row[:3*n:3*n], dst[:n:n]
		row, dst = row[3*n:], dst[n:]
		most := int32(0)
		for i := range out {
			d0, d1, d2 := int32(seg[0])-b, int32(seg[1])-g, int32(seg[2])-r
			seg = seg[3:]
			d := max(d0, -d0, d1, -d1, d2, -d2)
			out[i] = uint8(d)
			most = max(most, d)
		}
		switch {
		case most > limit: // look at each
			for i, d := range out {
				if int32(d) > limit {
					if start < 0 {
						start = x + int32(i)
					}
				} else if start >= 0 {
					runs = append(runs, run{y, start, x + int32(i)})
					start = -1
				}
			}
		case start >= 0:
			runs = append(runs, run{y, start, x})
			start = -1
		}
		x += int32(n)
	}
	if start >= 0 {
		runs = append(runs, run{y, start, x})
	}
	return runs
}

// A forest holds disjoint sets of the numbers 0 … n-1, each named by its least
// member.
type forest []int32

// newForest returns n sets of one member each, in buf where it is large enough.
func newForest(buf []int32, n int) forest {
	f := grow(buf, n)
	for i := range f {
		f[i] = int32(i)
	}
	return f
}

func (f forest) find(i int) int {
	k := int32(i)
	for f[k] != k {
		f[k] = f[f[k]]
		k = f[k]
	}
	return int(k)
}

func (f forest) join(i, j int) {
	a, b := f.find(i), f.find(j)
	f[max(a, b)] = int32(min(a, b))
}

// connect joins runs into 8-connected components of at least minArea pixels,
// in order of their first run. It also returns how many smaller ones it left.
func connect(bands [][]run, minArea int) (comps []*component, small int) {
	n := 0
	for _, b := range bands {
		n += len(b)
	}
	runs := make([]run, 0, n)
	for _, b := range bands {
		runs = append(runs, b...)
	}
	sets := newForest(nil, n)
	prev, cur := 0, 0 // starts of the previous and the current row
	for i := range runs {
		if runs[i].y != runs[cur].y {
			prev, cur = cur, i
			if runs[prev].y != runs[i].y-1 {
				prev = cur
			}
		}
		for prev < cur && runs[prev].y == runs[i].y-1 && runs[prev].x1 < runs[i].x0 {
			prev++
		}
		for j := prev; j < cur && runs[j].y == runs[i].y-1 && runs[j].x0 <= runs[i].x1; j++ {
			sets.join(j, i)
		}
	}
	area := make([]int32, n)
	count := make([]int32, n)
	for i := range runs {
		r := sets.find(i)
		area[r] += runs[i].x1 - runs[i].x0
		count[r]++
	}
	index := make([]*component, n)
	for i, r := range runs {
		root := sets.find(i)
		if int(area[root]) < minArea {
			if root == i {
				small++
			}
			continue
		}
		c := index[root]
		if c == nil {
			c = &component{runs: make([]run, 0, count[root]), minX: int(r.x0), minY: int(r.y), maxX: int(r.x1), maxY: int(r.y) + 1, area: int(area[root])}
			index[root] = c
			comps = append(comps, c)
		}
		c.runs = append(c.runs, r)
		c.minX, c.maxX = min(c.minX, int(r.x0)), max(c.maxX, int(r.x1))
		c.maxY = int(r.y) + 1
	}
	return comps, small
}
