package segment

import (
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
	x0, y0, tw, th int       // position of the first pixel in the picture, size; one pixel around the component
	west           []uint8   // contour passed the west side of this pixel
	label          []int32   // pieces of the region being separated
	sets           []int32   // of stretches, while parts are joined
	segs           []stretch // parts of the region, row by row
	lines          []int32   // pixels that cuts were drawn over
}

func grow[T any](b []T, n int) []T {
	if cap(b) < n {
		return make([]T, n, n+n/4)
	}
	b = b[:n]
	clear(b)
	return b
}

// around makes t, whose buffers are used again, the tile around a component.
func (t *tile) around(r *relief, c *component) *tile {
	t.relief = r
	t.x0, t.y0, t.tw, t.th = c.minX-1, c.minY-1, c.maxX-c.minX+2, c.maxY-c.minY+2
	t.west = grow(t.west, t.tw*t.th)
	return t
}

// A contour is a closed line around a region or around a hole in it.
// Outer contours have positive geom.Area, holes negative; the region lies to
// the right of the direction of travel.
type contour struct {
	pts  []Point
	cut  []bool // vertex lies on a dividing line to another piece, nil when none does
	edge bool   // comes within a pixel of the picture's border
}

// trace follows the contour that passes the west side of pixel (x, y), which
// is inside and its left neighbour is not. Vertices lie where the relief
// crosses half height between an inside pixel and its outside 4-neighbour
// (linear interpolation). Regions are 4-connected. With label > 0 only pixels
// of that label are inside; where the neighbour is another piece the vertex
// lies half-way.
func (t *tile) trace(x, y int, label int32) contour {
	var c contour
	inside := func(x, y int) bool {
		if label > 0 {
			return t.label[(y-t.y0)*t.tw+x-t.x0] == label
		}
		return t.in(t.index(x, y))
	}
	if label == 0 {
		c.pts = make([]Point, 0, 256)
	}
	px, py, dx, dy := x, y, -1, 0
	anyCut := false
	for {
		if dx == -1 {
			w := &t.west[(py-t.y0)*t.tw+px-t.x0]
			if *w != 0 {
				break
			}
			*w = 1
		}
		j, q := t.index(px, py), t.index(px+dx, py+dy)
		f, isCut := 0.5, false
		if gq := t.g(q); gq <= 0 {
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
		c.pts = append(c.pts, Point{X: float64(px) + float64(dx)*f, Y: float64(py) + float64(dy)*f})
		if label > 0 {
			c.cut = append(c.cut, isCut)
		}
		tx, ty := -dy, dx
		switch {
		case !inside(px+tx, py+ty):
			dx, dy = tx, ty
		case !inside(px+tx+dx, py+ty+dy):
			px, py = px+tx, py+ty
		default:
			px, py = px+tx+dx, py+ty+dy
			dx, dy = -tx, -ty
		}
	}
	if !anyCut {
		c.cut = nil
	}
	return c
}

// contours traces all regions and holes of a component.
func (t *tile) contours(comp *component) []contour {
	var out []contour
	for _, r := range comp.runs {
		y := int(r.y)
		i := t.index(int(r.x0), y)
		was := false // left of a run the contrast is under the limit
		for x := int(r.x0); x < int(r.x1); x++ {
			in := t.in(i)
			if in && !was && t.west[(y-t.y0)*t.tw+x-t.x0] == 0 {
				out = append(out, t.trace(x, y, 0))
			}
			was = in
			i++
		}
	}
	return out
}
