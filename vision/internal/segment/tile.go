package segment

import (
	"traytally/vision/internal/geom"
)

// Point is a position in the picture, pixel centres at integers.
type Point = geom.Point

// margin is how many pixels a tile shows around its component.
const margin = 3

// A tile is the part of the picture around one component. Its pixels may
// reach beyond the picture, where they count as tray.
type tile struct {
	x0, y0, w, h int     // position of the first pixel in the picture, size
	c            []uint8 // contrast to the tray: greatest difference over the channels
	g            []int16 // 2·c minus the local kernel level: > 0 inside a kernel, 0 at half height
	k            []uint8 // local kernel level
}

func (t *tile) in(x, y int) bool { return t.g[y*t.w+x] > 0 }

// buffers are scratch planes, reused from tile to tile by one goroutine.
type buffers struct {
	c, k, tmp []uint8
	g         []int16
	west      []uint8
	own       []bool
}

func grow[T any](b *[]T, n int) []T {
	if cap(*b) < n {
		*b = make([]T, n+n/4)
	}
	s := (*b)[:n]
	clear(s)
	return s
}

// newTile measures the contrast around one component. Pixels of other
// components are blanked. limit is the contrast from which on a pixel counts
// as something; radius is the reach of the local kernel level in pixels.
func newTile(p Picture, t *tray, c *component, limit, radius int, b *buffers) *tile {
	q := &tile{x0: c.minX - margin, y0: c.minY - margin, w: c.maxX - c.minX + 2*margin, h: c.maxY - c.minY + 2*margin}
	n := q.w * q.h
	own := grow(&b.own, n)
	for _, r := range c.runs {
		row := own[(int(r.y)-q.y0)*q.w:]
		for x := int(r.x0) - q.x0; x < int(r.x1)-q.x0; x++ {
			row[x] = true
		}
	}
	q.c = grow(&b.c, n)
	for y := max(0, q.y0); y < min(p.H, q.y0+q.h); y++ {
		xa, xb := max(0, q.x0), min(p.W, q.x0+q.w)
		dst := q.c[(y-q.y0)*q.w : (y-q.y0+1)*q.w]
		mine := own[(y-q.y0)*q.w : (y-q.y0+1)*q.w]
		level := t.level[y/cell*t.cw:]
		for x := xa; x < xb; {
			l := level[x/cell]
			l0, l1, l2 := int(l[0]), int(l[1]), int(l[2])
			xe := min(xb, (x/cell+1)*cell)
			px := p.Pix[3*(y*p.W+x) : 3*(y*p.W+xe)]
			for ; x < xe; x++ {
				d0, d1, d2 := int(px[0])-l0, int(px[1])-l1, int(px[2])-l2
				px = px[3:]
				d := max(d0, -d0, d1, -d1, d2, -d2)
				if d <= limit || mine[x-q.x0] {
					dst[x-q.x0] = uint8(d)
				}
			}
		}
	}
	q.k = grow(&b.k, n)
	maxFilter(q.c, q.k, grow(&b.tmp, n), q.w, q.h, radius)
	q.g = grow(&b.g, n)
	floor := int16(2 * limit)
	for i, c := range q.c {
		q.g[i] = 2*int16(c) - max(int16(q.k[i]), floor)
	}
	return q
}

// maxFilter writes to dst the greatest value of src in the square of side
// 2·r+1 around each pixel (van Herk 1992, rows then columns).
func maxFilter(src, dst, tmp []uint8, w, h, r int) {
	fwd, bwd := make([]uint8, max(w, h)+2*r+1), make([]uint8, max(w, h)+2*r+1)
	line := make([]uint8, max(w, h)+2*r)
	win := 2*r + 1
	filter := func(n int) { // line holds r zeros, n values, r zeros
		m := n + 2*r
		for i := range m {
			if i%win == 0 {
				fwd[i] = line[i]
			} else {
				fwd[i] = max(fwd[i-1], line[i])
			}
		}
		for i := m - 1; i >= 0; i-- {
			if i == m-1 || (i+1)%win == 0 {
				bwd[i] = line[i]
			} else {
				bwd[i] = max(bwd[i+1], line[i])
			}
		}
	}
	for y := range h {
		clear(line)
		copy(line[r:], src[y*w:(y+1)*w])
		filter(w)
		row := tmp[y*w : (y+1)*w]
		for x := range row {
			row[x] = max(bwd[x], fwd[x+2*r])
		}
	}
	// columns: a running comparison over whole rows keeps memory order; with
	// windows of a few pixels, two doubling passes do.
	copy(dst, tmp[:w*h])
	vertical := func(shift int) {
		if shift <= 0 {
			return
		}
		for y := 0; y+shift < h; y++ { // dst[y] = max(dst[y], dst[y+shift])
			maxRows(dst[y*w:(y+1)*w], dst[(y+shift)*w:(y+shift+1)*w])
		}
	}
	// after the steps dst[y] covers rows y … y+2r
	for covered := 1; covered < win; {
		s := min(covered, win-covered)
		vertical(s)
		covered += s
	}
	// move down by r: rows y-r … y+r; the first rows see fewer rows
	for y := h - 1; y >= r; y-- {
		copy(dst[y*w:(y+1)*w], dst[(y-r)*w:(y-r+1)*w])
	}
	for y := min(r, h) - 1; y >= 0; y-- {
		row := dst[y*w : (y+1)*w]
		copy(row, tmp[y*w:(y+1)*w])
		for j := 0; j <= min(h-1, y+r); j++ {
			maxRows(row, tmp[j*w:(j+1)*w])
		}
	}
}

func maxRows(a, b []uint8) {
	b = b[:len(a)]
	for i, v := range b {
		a[i] = max(a[i], v)
	}
}

// A contour is a closed line around a region or around a hole in it.
// Outer contours have positive geom.Area, holes negative; the region lies to
// the right of the direction of travel.
type contour struct {
	pts  []Point
	cut  []bool // vertex lies on a dividing line to another piece, nil when none does
	edge bool   // touches the picture's edge
	sx   int    // a pixel of the region beside the contour, tile coordinates
	sy   int
}

// trace returns the contours of the set {inside} in the tile, with vertices
// where g crosses zero between an inside pixel and its outside 4-neighbour
// (linear interpolation). Regions are 4-connected. Where the neighbour has
// g > 0 too (it belongs to another piece) the vertex lies half-way.
func (t *tile) trace(p Picture, b *buffers, inside func(i int) bool) []contour {
	west := grow(&b.west, t.w*t.h)
	var out []contour
	for y := 1; y < t.h-1; y++ {
		for x := 1; x < t.w-1; x++ {
			i := y*t.w + x
			if west[i] != 0 || !inside(i) || inside(i-1) {
				continue
			}
			c := contour{sx: x, sy: y}
			px, py, dx, dy := x, y, -1, 0
			anyCut := false
			for {
				j := py*t.w + px
				if dx == -1 {
					if west[j] != 0 {
						break
					}
					west[j] = 1
				}
				q := (py+dy)*t.w + px + dx
				f := 0.5
				isCut := t.g[q] > 0
				if !isCut {
					f = float64(t.g[j]) / float64(t.g[j]-t.g[q])
				}
				anyCut = anyCut || isCut
				X, Y := t.x0+px, t.y0+py
				if X == 0 && dx < 0 || Y == 0 && dy < 0 || X == p.W-1 && dx > 0 || Y == p.H-1 && dy > 0 {
					f = 0.5 // the picture ends here
				}
				// a tip less than a pixel from the border is taken as cut: blur
				// hides how much of it is missing
				if X < 1 || Y < 1 || X > p.W-2 || Y > p.H-2 {
					c.edge = true
				}
				c.pts = append(c.pts, Point{X: float64(X) + float64(dx)*f, Y: float64(Y) + float64(dy)*f})
				c.cut = append(c.cut, isCut)
				tx, ty := -dy, dx
				switch {
				case !inside((py+ty)*t.w + px + tx):
					dx, dy = tx, ty
				case !inside((py+ty+dy)*t.w + px + tx + dx):
					px, py = px+tx, py+ty
				default:
					px, py = px+tx+dx, py+ty+dy
					dx, dy = -tx, -ty
				}
			}
			if !anyCut {
				c.cut = nil
			}
			out = append(out, c)
		}
	}
	return out
}
