package segment

import (
	"math"
	"slices"

	"traytally/vision/internal/geom"
)

// Point is a position in the picture, pixel centres at integers.
type Point = geom.Point

// Outlines, at the picture's full resolution. In the tile around a piece three
// heights are compared at each pixel, all of them 0 on an outline:
//
//   - edge: the contrast over half of the level of the piece's own rim, so that
//     the outline lies at half height between the ground just outside and the
//     rim just inside;
//   - middle: well inside what the network calls the piece, where dark spots
//     and clear ends belong to it whatever their contrast;
//   - divide: whether the network gives the pixel to this piece rather than to
//     a neighbour.
//
// The piece is where divide and one of the others are above 0.

const (
	// softness is the standard deviation, in working px, of the blur that makes
	// a border between two labels smooth.
	softness = 0.7
	// farIn is the share of its blurred label from which on a pixel is well
	// inside the piece: about one working px from the network's outline.
	farIn = 0.93
	// farOut is the share from which on a pixel may be of the piece: a good
	// working px outside of the network's outline.
	farOut = 0.04
	// tileSlack is the margin of a tile around the label, in working px.
	tileSlack = 2
	// groundReach is how far from a piece its ground is taken, in working px.
	groundReach = 6
)

// An outliner traces outlines; it has scratch memory for one at a time.
type outliner struct {
	p     Picture
	m     *maps
	b     *blobs
	reach int // of the rim's level, px

	ground *ground

	x0, y0, w, h   int // the tile: position in the picture and size
	height         []float32
	contrast       []float32
	level          []float32 // of the rim, over squares of g pixels
	g, lw2, lh2    int
	deep           []bool // well inside what the network calls the piece
	row            []float32
	divided        []bool // outside only because a neighbour has it
	in             bitset
	seen           bitset
	own, other     []float32 // blurred labels, on the working tile
	lx, ly, lw, lh int       // the working tile
	stack          []int32
	pts            []Point
	cut            []bool
}

// A bitset is a set of the numbers 0 … n-1.
type bitset []uint64

func (b bitset) has(i int) bool { return b[i>>6]>>(i&63)&1 != 0 }
func (b bitset) add(i int)      { b[i>>6] |= 1 << (i & 63) }

// grow returns n zeros, in b where it is large enough.
func grow[T any](b []T, n int) []T {
	if cap(b) < n {
		return make([]T, n)
	}
	b = b[:n]
	clear(b)
	return b
}

// piece traces piece i; ok is false where nothing of it stands out.
func (o *outliner) piece(i int) (q Piece, ok bool) {
	s := &o.b.all[i]
	o.labels(s, int32(i+1))
	low, high := o.m.at(float64(s.minX-tileSlack)-0.5, float64(s.minY-tileSlack)-0.5), o.m.at(float64(s.maxX+tileSlack)-0.5, float64(s.maxY+tileSlack)-0.5)
	// one pixel more around, outside by definition
	o.x0, o.y0 = max(0, int(low.X))-1, max(0, int(low.Y))-1
	o.w, o.h = min(o.p.W, int(high.X)+2)+1-o.x0, min(o.p.H, int(high.Y)+2)+1-o.y0
	n := o.w * o.h
	o.height, o.contrast = grow(o.height, n), grow(o.contrast, n)
	o.deep, o.divided = grow(o.deep, n), grow(o.divided, n)
	o.in, o.seen = grow(o.in, (n+63)/64), grow(o.seen, (n+63)/64)

	rice, ground := o.colours(s, int32(i+1))
	if !o.relief(rice, ground) {
		return q, false
	}
	peak := o.m.at(float64(s.peakX), float64(s.peakY))
	at := o.near(int(peak.X+0.5)-o.x0, int(peak.Y+0.5)-o.y0)
	if at < 0 {
		return q, false
	}
	o.fill(at)
	q = o.trace()
	q.Area = geom.Area(q.Outline)
	if q.Area < minPieceArea {
		return q, false
	}
	q.Foreign, q.Covered = s.foreign, s.covered
	q.Colour, q.Contrast = rice, dist3(rice, ground)
	return q, true
}

func dist3(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

// labels blurs the label of a piece, and those of all others, around it.
func (o *outliner) labels(s *blob, label int32) {
	const pad = groundReach + 2
	o.lx, o.ly, o.lw, o.lh = s.minX-pad, s.minY-pad, s.maxX-s.minX+2*pad, s.maxY-s.minY+2*pad
	o.own, o.other = grow(o.own, o.lw*o.lh), grow(o.other, o.lw*o.lh)
	for y := range o.lh {
		v := min(max(o.ly+y, 0), o.m.h-1) // beyond the picture it goes on as at its edge
		for x := range o.lw {
			u := min(max(o.lx+x, 0), o.m.w-1)
			switch o.b.label[v*o.m.w+u] {
			case label:
				o.own[y*o.lw+x] = 1
			case 0:
			default:
				o.other[y*o.lw+x] = 1
			}
		}
	}
	o.blur(o.own)
	o.blur(o.other)
}

// blurKernel is a Gaussian of softness, half of it.
var blurKernel = func() (k [3]float32) {
	sum := 0.0
	var v [3]float64
	for i := range v {
		v[i] = math.Exp(-float64(i*i) / (2 * softness * softness))
		sum += v[i]
		if i > 0 {
			sum += v[i]
		}
	}
	for i := range k {
		k[i] = float32(v[i] / sum)
	}
	return k
}()

// blur blurs a plane of the working tile; its outermost pixels keep their values.
func (o *outliner) blur(a []float32) {
	k := blurKernel
	o.row = grow(o.row, max(o.lw, o.lh))
	for y := range o.lh {
		r := a[y*o.lw : (y+1)*o.lw]
		copy(o.row, r)
		for x := 2; x < o.lw-2; x++ {
			r[x] = k[0]*o.row[x] + k[1]*(o.row[x-1]+o.row[x+1]) + k[2]*(o.row[x-2]+o.row[x+2])
		}
	}
	for x := range o.lw {
		for y := range o.lh {
			o.row[y] = a[y*o.lw+x]
		}
		for y := 2; y < o.lh-2; y++ {
			a[y*o.lw+x] = k[0]*o.row[y] + k[1]*(o.row[y-1]+o.row[y+1]) + k[2]*(o.row[y-2]+o.row[y+2])
		}
	}
}

// colours returns the mean colour of a piece and the colour of the ground
// around it.
func (o *outliner) colours(s *blob, label int32) (rice, ground [3]float64) {
	var inner, all [3]float64
	ni, na, ng := 0, 0, 0
	var hist [3][256]int
	for y := range o.lh {
		v := o.ly + y
		if v < 0 || v >= o.m.h {
			continue
		}
		for x := range o.lw {
			u := o.lx + x
			if u < 0 || u >= o.m.w {
				continue
			}
			j, k := v*o.m.w+u, y*o.lw+x
			q := o.m.pix[3*j : 3*j+3]
			switch {
			case o.b.label[j] == label:
				na++
				in := o.own[k] > farIn
				if in {
					ni++
				}
				for c := range 3 {
					all[c] += float64(q[c])
					if in {
						inner[c] += float64(q[c])
					}
				}
			case o.own[k] < farOut && o.other[k] < farOut && isGround(o.m, j):
				ng++
				for c := range 3 {
					hist[c][q[c]]++
				}
			}
		}
	}
	if ni == 0 {
		inner, ni = all, na
	}
	for c := range 3 {
		rice[c] = inner[c] / float64(ni)
	}
	if ng < 12 {
		return rice, o.ground.at(s.x, s.y)
	}
	for c := range 3 {
		ground[c] = float64(quantile(&hist[c], ng, 0.5))
	}
	return rice, ground
}

// relief fills the heights of the tile; it reports whether the piece differs
// from the ground at all.
func (o *outliner) relief(rice, ground [3]float64) bool {
	span := dist3(rice, ground)
	if span < 1 {
		return false
	}
	var dir [3]float32
	base := float32(0)
	for c := range 3 {
		dir[c] = float32((rice[c] - ground[c]) / span)
		base += dir[c] * float32(ground[c])
	}
	floor := float32(math.Max(leastLevel*span, 2*o.p.least()))
	// The level is taken over squares of g pixels, which reach over g at least.
	g := max(1, o.reach/4)
	o.lw2, o.lh2 = (o.w+g-1)/g, (o.h+g-1)/g
	o.level = grow(o.level, o.lw2*o.lh2)
	ux, uy := 1/o.m.sx, 1/o.m.sy
	for y := range o.h {
		row := o.height[y*o.w : (y+1)*o.w]
		for x := range row {
			row[x] = -1
		}
		if y == 0 || y == o.h-1 {
			continue
		}
		fy := (float64(o.y0+y)+0.5)*uy - 0.5 - float64(o.ly)
		iy := int(fy)
		ty := float32(fy - float64(iy))
		from, to := o.span(iy)
		pix := o.p.Pix[3*((o.y0+y)*o.p.W+o.x0+1):]
		level := o.level[y/g*o.lw2:]
		for x := from; x < to; x++ {
			fx := (float64(o.x0+x)+0.5)*ux - 0.5 - float64(o.lx)
			ix := int(fx)
			tx := float32(fx - float64(ix))
			k := iy*o.lw + ix
			own := bilinear(o.own, k, o.lw, tx, ty)
			if own < farOut {
				continue
			}
			other := bilinear(o.other, k, o.lw, tx, ty)
			i := y*o.w + x
			q := pix[3*(x-1) : 3*x : 3*x]
			c := max(0, dir[0]*float32(q[0])+dir[1]*float32(q[1])+dir[2]*float32(q[2])-base)
			o.contrast[i] = c
			row[x] = own - other
			o.deep[i] = own > farIn
			if other <= own { // neighbours' pixels raise no level
				level[x/g] = max(level[x/g], c)
			}
		}
	}
	o.dilate((o.reach + g/2) / g)
	for y := 1; y < o.h-1; y++ {
		level := o.level[y/g*o.lw2:]
		for x := 1; x < o.w-1; x++ {
			i := y*o.w + x
			divide := o.height[i]
			if divide == -1 {
				continue
			}
			edge := 2*o.contrast[i]/max(level[x/g], floor) - 1
			if o.deep[i] {
				edge = max(edge, 0.1)
			}
			o.divided[i] = divide <= 0 && edge > 0
			o.height[i] = min(edge, divide)
		}
	}
	o.g = g
	return true
}

// span returns the columns of the tile in which the piece may lie, in a row
// between rows i and i+1 of the working tile.
func (o *outliner) span(i int) (from, to int) {
	first, last := o.lw, -1
	for _, row := range [2][]float32{o.own[i*o.lw : (i+1)*o.lw], o.own[(i+1)*o.lw : (i+2)*o.lw]} {
		for x, v := range row {
			if v >= farOut {
				first, last = min(first, x), max(last, x)
			}
		}
	}
	if last < 0 {
		return 0, 0
	}
	low, high := o.m.at(float64(o.lx+first-1), 0), o.m.at(float64(o.lx+last+1), 0)
	return max(1, int(low.X)-o.x0), min(o.w-1, int(high.X)+2-o.x0)
}

func bilinear(a []float32, k, stride int, tx, ty float32) float32 {
	top := a[k] + tx*(a[k+1]-a[k])
	low := a[k+stride] + tx*(a[k+stride+1]-a[k+stride])
	return top + ty*(low-top)
}

// leastLevel is the least level of a rim, as a share of the piece's contrast:
// a clear end is no darker.
const leastLevel = 0.4

// dilate makes level the greatest of it within reach.
func (o *outliner) dilate(reach int) {
	o.row = grow(o.row, 2*len(o.level))
	up, down := o.row[:len(o.level)], o.row[len(o.level):]
	for y := range o.lh2 {
		from, to := y*o.lw2, (y+1)*o.lw2
		slidingMax(o.level[from:to], up[from:to], down[from:to], 1, reach)
	}
	slidingMax(o.level, up, down, o.lw2, reach)
}

// slidingMax replaces rows of w values by the greatest of those within reach of
// them (van Herk 1992: running maxima from both ends of blocks). up and down are
// scratch.
func slidingMax(a, up, down []float32, w, reach int) {
	block, last := (2*reach+1)*w, len(a)-w
	copy(up, a)
	copy(down, a)
	for from := 0; from < len(a); from += block {
		to := min(from+block, len(a))
		for i := from + w; i < to; i++ {
			up[i] = max(up[i], up[i-w])
		}
		for i := to - w - 1; i >= from; i-- {
			down[i] = max(down[i], down[i+w])
		}
	}
	for y := 0; y <= last; y += w {
		d, u := down[max(0, y-reach*w):][:w], up[min(last, y+reach*w):][:w]
		for x, v := range d {
			a[y+x] = max(v, u[x])
		}
	}
}

// near returns the pixel inside that is nearest to (x, y), within reach, or -1.
func (o *outliner) near(x, y int) int {
	best, at := math.MaxInt, -1
	r := 2*o.reach + 2
	for v := max(0, y-r); v <= min(o.h-1, y+r); v++ {
		for u := max(0, x-r); u <= min(o.w-1, x+r); u++ {
			if d := (u-x)*(u-x) + (v-y)*(v-y); d < best && o.height[v*o.w+u] > 0 {
				best, at = d, v*o.w+u
			}
		}
	}
	return at
}

// fill marks the 4-connected pixels inside from one on.
func (o *outliner) fill(at int) {
	o.stack = append(o.stack[:0], int32(at))
	o.in.add(at)
	for len(o.stack) > 0 {
		i := int(o.stack[len(o.stack)-1])
		o.stack = o.stack[:len(o.stack)-1]
		for _, k := range [4]int{i - 1, i + 1, i - o.w, i + o.w} {
			if o.height[k] > 0 && !o.in.has(k) {
				o.in.add(k)
				o.stack = append(o.stack, int32(k))
			}
		}
	}
}

// trace follows the outer contour of the marked pixels. Vertices lie where the
// height crosses 0 between a pixel inside and its outside 4-neighbour (linear
// interpolation); the piece lies to the right of the direction of travel.
func (o *outliner) trace() (q Piece) {
	start := 0
	for ; !o.in.has(start); start++ {
	}
	o.pts, o.cut = o.pts[:0], o.cut[:0]
	at, dx, dy := start, -1, 0
	anyCut := false
	for {
		if dx == -1 {
			if o.seen.has(at) {
				break
			}
			o.seen.add(at)
		}
		to := at + dy*o.w + dx
		px, py := o.x0+at%o.w, o.y0+at/o.w
		a, b := o.height[at], o.height[to]
		f := float64(a / (a - b))
		if px < 1 || py < 1 || px > o.p.W-2 || py > o.p.H-2 {
			// A tip within a pixel of the border is taken as cut: blur hides
			// how much of it is missing.
			q.Edge = true
			if px+dx < 0 || py+dy < 0 || px+dx >= o.p.W || py+dy >= o.p.H {
				f = 0.5 // the picture ends here
			}
		}
		o.pts = append(o.pts, Point{X: float64(px) + float64(dx)*f, Y: float64(py) + float64(dy)*f})
		o.cut = append(o.cut, o.divided[to])
		anyCut = anyCut || o.divided[to]
		tx, ty := -dy, dx
		j1 := at + ty*o.w + tx
		j2 := j1 + dy*o.w + dx
		switch {
		case !o.in.has(j1):
			dx, dy = tx, ty
		case !o.in.has(j2):
			at = j1
		default:
			at = j2
			dx, dy = -tx, -ty
		}
	}
	q.Outline = slices.Clone(o.pts)
	if anyCut {
		q.Cut = slices.Clone(o.cut)
	}
	return q
}

// steps returns how much of the rim's level the contrast climbs between the
// two pixels around the outline, where that runs along the pixel grid: the
// mean, and at how many places it was taken.
func (o *outliner) steps(q *Piece) (mean float64, n int) {
	m := len(q.Outline)
	for i, p := range q.Outline {
		if q.Cut != nil && q.Cut[i] {
			continue
		}
		a, b := q.Outline[(i+m-3)%m], q.Outline[(i+3)%m]
		tx, ty := math.Abs(b.X-a.X), math.Abs(b.Y-a.Y)
		i0 := (int(math.Floor(p.Y))-o.y0)*o.w + int(math.Floor(p.X)) - o.x0
		i1 := i0
		switch {
		case p.X == math.Floor(p.X) && tx > 8*ty: // the crossing lies on a column
			i1 += o.w
		case p.Y == math.Floor(p.Y) && ty > 8*tx:
			i1++
		default:
			continue
		}
		if i0 < 0 || i1 >= len(o.contrast) {
			continue
		}
		if k := o.level[i0/o.w/o.g*o.lw2+i0%o.w/o.g]; k > 0 {
			mean += math.Abs(float64(o.contrast[i0]-o.contrast[i1])) / float64(k)
			n++
		}
	}
	return mean / math.Max(1, float64(n)), n
}
