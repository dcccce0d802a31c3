package segment

import (
	"encoding/binary"
	"math/bits"
	"slices"

	"traytally/vision/internal/cv"
	"traytally/vision/internal/geom"
)

// Point is a position in the picture, pixel centres at integers.
type Point = geom.Point

// A relief is the whole picture as contrast to the tray. Its planes have one
// pixel of tray around the picture, so that every pixel of the picture has
// four neighbours.
type relief struct {
	w, h   int    // of the picture
	stride int    // of the planes: w + 2
	c      []byte // contrast: greatest difference from the tray over the channels
	k      []byte // local kernel level: greatest contrast within reach
	floor  int    // twice the contrast limit: the least kernel level

	planes [2]*cv.Plane
}

func newRelief(w, h, limit int) (*relief, error) {
	r := &relief{w: w, h: h, stride: w + 2, floor: 2 * limit}
	for i := range r.planes {
		p, err := cv.NewPlane(w+2, h+2)
		if err != nil {
			r.close()
			return nil, err
		}
		r.planes[i] = p
	}
	r.c, r.k = r.planes[0].Bytes(), r.planes[1].Bytes()
	clear(r.c[:r.stride])
	clear(r.c[(h+1)*r.stride:])
	return r, nil
}

func (r *relief) close() {
	for _, p := range r.planes {
		p.Close()
	}
}

// level fills the kernel level from the contrast within reach pixels.
func (r *relief) level(reach int) error { return cv.Dilate(r.planes[0], r.planes[1], reach) }

// index returns where a pixel of the picture stands in the planes.
func (r *relief) index(x, y int) int { return (y+1)*r.stride + x + 1 }

// g is the height over half of the kernel level, doubled: > 0 inside a kernel,
// 0 at half height.
func (r *relief) g(i int) int { return 2*int(r.c[i]) - max(int(r.k[i]), r.floor) }

// in reports whether a plane position lies inside a kernel.
func (r *relief) in(i int) bool { return 2*int(r.c[i]) > max(int(r.k[i]), r.floor) }

// A tile is the part of a relief around one component, with scratch planes of
// its own size.
type tile struct {
	*relief
	x0, y0, tw, th int     // position of the first pixel in the picture, size; one pixel around the component
	west           bitset  // contour passed the west side of this pixel
	label          []int32 // pieces of the region being separated
	labels         cv.Numbers
	sets           forest    // of stretches, while parts are joined
	segs           []stretch // parts of the region, row by row
	lines          []int32   // pixels that cuts were drawn over
	onLine         bitset    // the same
	pts            []Point   // of the contour being traced
	cut            []bool
	divider        divider
}

// grow returns n zeros, in b where it is large enough.
func grow[T any](b []T, n int) []T {
	if cap(b) < n {
		return make([]T, n)
	}
	b = b[:n]
	clear(b)
	return b
}

// A bitset is a set of the numbers 0 … n-1.
type bitset []uint64

// newBitset returns an empty set, in buf where it is large enough.
func newBitset(buf bitset, n int) bitset { return grow(buf, (n+63)/64) }

func (b bitset) has(i int) bool { return b[i>>6]>>(i&63)&1 != 0 }
func (b bitset) add(i int)      { b[i>>6] |= 1 << (i & 63) }

// around makes t, whose buffers are used again, the tile around a component.
func (t *tile) around(r *relief, c *component) *tile {
	t.relief = r
	t.x0, t.y0, t.tw, t.th = c.minX-1, c.minY-1, c.maxX-c.minX+2, c.maxY-c.minY+2
	t.west = newBitset(t.west, t.tw*t.th)
	return t
}

// A contour is a closed line around a region or around a hole in it.
// Outer contours have positive geom.Area, holes negative; the region lies to
// the right of the direction of travel.
type contour struct {
	pts  []Point
	cut  []bool // vertex lies on a dividing line to another piece, nil when none does
	edge bool   // comes within a pixel of the picture's border
	from int    // the component's inner stretch it was found at the start of
}

// trace follows the contour that passes the west side of pixel (x, y), which
// is inside and its left neighbour is not. Vertices lie where the relief
// crosses half height between an inside pixel and its outside 4-neighbour
// (linear interpolation). Regions are 4-connected. With label > 0 only pixels
// of that label are inside; where the neighbour is another piece the vertex
// lies half-way.
func (t *tile) trace(x, y int, label int32) contour {
	var c contour
	stride := [2]int{t.stride, t.tw} // of the planes, and of the tile's own
	inside := func(plane, own int) bool {
		if label > 0 {
			return t.label[own] == label
		}
		return t.in(plane)
	}
	t.pts, t.cut = t.pts[:0], t.cut[:0]
	px, py, dx, dy := x, y, -1, 0
	j, o := t.index(x, y), (y-t.y0)*t.tw+x-t.x0 // places of pixel (px, py)
	anyCut := false
	for {
		if dx == -1 {
			if t.west.has(o) {
				break
			}
			t.west.add(o)
		}
		f, isCut := 0.5, false
		if gq := t.g(j + dy*stride[0] + dx); gq <= 0 {
			gj := t.g(j)
			f = float64(gj) / float64(gj-gq)
		} else {
			isCut, anyCut = true, true
		}
		if px < 1 || py < 1 || px > t.w-2 || py > t.h-2 {
			// A tip within a pixel of the border is taken as cut: blur hides
			// how much of it is missing.
			c.edge = true
			if px+dx < 0 || py+dy < 0 || px+dx >= t.w || py+dy >= t.h {
				f = 0.5 // the picture ends here
			}
		}
		t.pts = append(t.pts, Point{X: float64(px) + float64(dx)*f, Y: float64(py) + float64(dy)*f})
		t.cut = append(t.cut, isCut)
		tx, ty := -dy, dx
		j1, o1 := j+ty*stride[0]+tx, o+ty*stride[1]+tx
		j2, o2 := j1+dy*stride[0]+dx, o1+dy*stride[1]+dx
		switch {
		case !inside(j1, o1):
			dx, dy = tx, ty
		case !inside(j2, o2):
			px, py, j, o = px+tx, py+ty, j1, o1
		default:
			px, py, j, o = px+tx+dx, py+ty+dy, j2, o2
			dx, dy = -tx, -ty
		}
	}
	c.pts = slices.Clone(t.pts)
	if anyCut {
		c.cut = slices.Clone(t.cut)
	}
	return c
}

// inner returns the stretches of a component's runs that lie inside kernels.
func (t *tile) inner(comp *component) []run {
	out := make([]run, 0, len(comp.runs))
	for _, r := range comp.runs {
		n := int(r.x1 - r.x0)
		i := t.index(int(r.x0), int(r.y))
		c, k := t.c[i:i+n], t.k[i:i+n]
		start := -1
		turn := func(x int) { // what is inside begins or ends
			if start < 0 {
				start = x
				return
			}
			out = append(out, run{r.y, r.x0 + int32(start), r.x0 + int32(x)})
			start = -1
		}
		x := 0
		for x+8 <= n { // eight at once
			// A run is over the limit, so that c > k/2 is all there is to
			// ask; half a byte is under 128, which makes it simple.
			v, half := binary.LittleEndian.Uint64(c[x:]), binary.LittleEndian.Uint64(k[x:])>>1&^high
			in := (v | ((v | high) - half - high>>7)) & high
			if start >= 0 {
				in ^= high
			}
			if in == 0 { // all as before
				x += 8
				continue
			}
			x += bits.TrailingZeros64(in) / 8
			turn(x)
		}
		for ; x < n; x++ {
			if (c[x] > k[x]>>1) != (start >= 0) {
				turn(x)
			}
		}
		if start >= 0 {
			out = append(out, run{r.y, r.x0 + int32(start), r.x1})
		}
	}
	return out
}

// regions joins the inner stretches of a component to its regions, each named
// by its first stretch. They are valid until the tile joins others.
func (t *tile) regions(comp *component) forest {
	t.sets = joinRows(t.sets, len(comp.inner), func(i int) (y, x0, x1 int32) { r := &comp.inner[i]; return r.y, r.x0, r.x1 })
	return t.sets
}

// contours traces all regions and holes of a component.
func (t *tile) contours(comp *component) []contour {
	var out []contour
	for i, r := range comp.inner {
		x, y := int(r.x0), int(r.y)
		if !t.west.has((y-t.y0)*t.tw + x - t.x0) {
			c := t.trace(x, y, 0)
			c.from = i
			out = append(out, c)
		}
	}
	return out
}
