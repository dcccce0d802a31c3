package segment

import (
	"encoding/binary"
	"runtime"
	"sync"
)

// A run is a stretch of foreground in one row: columns [X0, X1).
type run struct{ y, x0, x1 int32 }

// A component is a set of 8-connected runs.
type component struct {
	runs                   []run
	inner                  []run // the parts of runs that lie inside kernels
	minX, minY, maxX, maxY int   // bounding box, half-open
	area                   int
}

// box is the area of the bounding box.
func (c *component) box() int { return (c.maxX - c.minX) * (c.maxY - c.minY) }

// scan fills the relief's contrast and returns all runs of pixels whose
// contrast exceeds limit, in row order. Rows are shared out over the cores.
// Pixels that no run comes near are left at contrast 0: at or under the limit
// they play no part in anything.
func scan(p Picture, t *tray, r *relief, limit int) [][]run {
	bands := min(max(1, runtime.GOMAXPROCS(0)), max(1, p.H/cell))
	out := make([][]run, bands)
	var wg sync.WaitGroup
	for b := range bands {
		wg.Go(func() {
			s := scanner{p: p, tray: t, limit: limit, ranges: make([]cellRange, t.cw), near: make([]bool, t.cw)}
			out[b] = s.band(r, p.H*b/bands, p.H*(b+1)/bands)
		})
	}
	wg.Wait()
	return out
}

// A scanner works through rows of a picture from the top.
type scanner struct {
	p      Picture
	tray   *tray
	limit  int
	cells  int         // row of cells that ranges is for, plus 1
	ranges []cellRange // the values within limit of the tray's level
	near   []bool      // cells that a run comes near
}

// band fills the contrast of the rows from y0 up to y1 and returns their runs.
func (s *scanner) band(r *relief, y0, y1 int) []run {
	runs := make([]run, 0, 4096)
	var above, here, below []run // of a row and its neighbours
	edge := func(y int) []run {  // a row of another band
		if y < 0 || y >= s.p.H {
			return nil
		}
		return s.row(nil, y)
	}
	above = edge(y0 - 1)
	here = s.row(runs, y0)
	runs = here
	for y := y0; y < y1; y++ {
		if y+1 < y1 {
			n := len(runs)
			runs = s.row(runs, y+1)
			below = runs[n:]
		} else {
			below = edge(y1)
		}
		clear(s.near)
		for _, list := range [3][]run{above, here, below} {
			for _, q := range list {
				for i := max(0, q.x0-1) / cell; i <= min(int32(s.p.W)-1, q.x1)/cell; i++ {
					s.near[i] = true
				}
			}
		}
		s.contrast(r.c[(y+1)*r.stride:(y+2)*r.stride], y)
		above, here = here, below
	}
	return runs
}

// contrast fills a row of the relief near runs, and clears it elsewhere.
func (s *scanner) contrast(dst []byte, y int) {
	clear(dst)
	dst = dst[1 : s.p.W+1]
	row := s.p.Pix[3*y*s.p.W : 3*(y+1)*s.p.W]
	level := s.tray.level[y/cell*s.tray.cw:][:s.tray.cw]
	for i, near := range s.near {
		if !near {
			continue
		}
		b, g, r := int32(level[i][0]), int32(level[i][1]), int32(level[i][2])
		out := dst[i*cell : min((i+1)*cell, s.p.W)]
		seg := row[3*i*cell:][:3*len(out)]
		for k := range out {
			d0, d1, d2 := int32(seg[0])-b, int32(seg[1])-g, int32(seg[2])-r
			seg = seg[3:]
			out[k] = uint8(max(d0, -d0, d1, -d1, d2, -d2))
		}
	}
}

// A cellRange holds, for the 24 bytes of a row of a cell, the least value
// within the limit of the tray's level and how far the greatest is above it.
type cellRange [3]struct{ lo, span uint64 }

// prepare makes the ranges those of the row of cells that row y lies in.
func (s *scanner) prepare(y int) {
	k := y / cell
	if s.cells == k+1 {
		return
	}
	s.cells = k + 1
	for i, l := range s.tray.level[k*s.tray.cw:][:s.tray.cw] {
		var lo, span uint64 // the three values once
		for j, v := range l {
			least := max(0, int(v)-s.limit)
			lo |= uint64(least) << (8 * j)
			span |= uint64(min(255, int(v)+s.limit)-least) << (8 * j)
		}
		q := &s.ranges[i]
		for w := range q { // again and again, each word beginning with another
			q[w].lo, q[w].span = lo|lo<<24|lo<<48, span|span<<24|span<<48
			lo, span = lo>>16|lo<<8&0xffffff, span>>16|span<<8&0xffffff
		}
	}
}

// high is the highest bit of each byte of a word.
const high = 0x8080808080808080

// beyond sets the highest bit of each byte of x that does not lie in lo …
// lo+span, and no other bit.
func beyond(x, lo, span uint64) uint64 {
	// less lo, byte by byte: what lies under it becomes great
	d := ((x | high) - (lo &^ high)) ^ ((x ^ ^lo) & high)
	// span - d borrows where the low bits decide and the high ones are alike
	low := (span | high) - (d &^ high)
	return (d&^span | ^(d^span)&^low) & high
}

// row appends the runs of row y.
func (s *scanner) row(runs []run, y int) []run {
	s.prepare(y)
	row := s.p.Pix[3*y*s.p.W : 3*(y+1)*s.p.W]
	start := int32(-1)
	x := int32(0)
	var tail [3 * cell]byte
	for i := range s.ranges {
		q := &s.ranges[i]
		n := int32(cell)
		seg := row
		if len(seg) < 3*cell { // the last cell: beyond the picture is tray
			n = int32(len(seg) / 3)
			for w := range q {
				binary.LittleEndian.PutUint64(tail[8*w:], q[w].lo)
			}
			copy(tail[:], seg)
			seg = tail[:]
		} else {
			row = row[3*cell:]
		}
		a := binary.LittleEndian.Uint64(seg)
		b := binary.LittleEndian.Uint64(seg[8:])
		c := binary.LittleEndian.Uint64(seg[16:])
		a, b, c = beyond(a, q[0].lo, q[0].span), beyond(b, q[1].lo, q[1].span), beyond(c, q[2].lo, q[2].span)
		if a|b|c == 0 {
			if start >= 0 {
				runs = append(runs, run{int32(y), start, x})
				start = -1
			}
			x += n
			continue
		}
		// one bit for each byte, from the first; then three to a pixel
		const gather = 0x0102040810204080 // brings the bits of 8 bytes together
		m := uint32(a>>7*gather>>56) | uint32(b>>7*gather>>56)<<8 | uint32(c>>7*gather>>56)<<16
		m |= m>>1 | m>>2
		const every = 0x249249 // the first bit of each pixel
		if m&every == every && n == cell {
			if start < 0 {
				start = x
			}
			x += n
			continue
		}
		for range n {
			if m&1 != 0 {
				if start < 0 {
					start = x
				}
			} else if start >= 0 {
				runs = append(runs, run{int32(y), start, x})
				start = -1
			}
			m >>= 3
			x++
		}
	}
	if start >= 0 {
		runs = append(runs, run{int32(y), start, x})
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

// joinRows joins the ones of n stretches in row order that lie in successive
// rows and share a column: 4-connected parts. at returns the row of a stretch
// and its columns, [x0, x1).
func joinRows(buf []int32, n int, at func(i int) (y, x0, x1 int32)) forest {
	sets := newForest(buf, n)
	prev, cur := 0, 0 // starts of the previous and the current row
	row := int32(-1)
	for i := range n {
		y, x0, x1 := at(i)
		if y != row {
			prev, cur, row = cur, i, y
		}
		for ; prev < cur; prev++ {
			if py, _, px1 := at(prev); py == y-1 && px1 > x0 {
				break
			}
		}
		for j := prev; j < cur; j++ {
			if _, px0, _ := at(j); px0 >= x1 {
				break
			}
			sets.join(j, i)
		}
	}
	return sets
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
