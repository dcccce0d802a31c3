package segment

import (
	"bytes"
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
	level          []float32 // of the rim
	inside         []uint8   // height above 0: 1, of the piece itself: part
	divided        []uint8   // 1: outside only because a neighbour has it
	own, other     []float32 // blurred labels, on the working tile
	lx, ly, lw, lh int       // the working tile
	scratch        []float32
	runs           [][2]int // to look beside, first and end
	pts            []Point
	cut            []bool
}

// grow returns n elements, in b where it is large enough; they hold anything.
func grow[T any](b []T, n int) []T {
	if cap(b) < n {
		return make([]T, n)
	}
	return b[:n]
}

// piece traces piece i; ok is false where nothing of it stands out.
func (o *outliner) piece(i int) (q Piece, ok bool) {
	s := &o.b.all[i]
	o.labels(s, int32(i+1))
	o.place(s)
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

// place lays the tile around a piece, with one pixel more around, outside by
// definition.
func (o *outliner) place(s *blob) {
	low, high := o.m.at(float64(s.minX-tileSlack)-0.5, float64(s.minY-tileSlack)-0.5), o.m.at(float64(s.maxX+tileSlack)-0.5, float64(s.maxY+tileSlack)-0.5)
	o.x0, o.y0 = max(0, int(low.X))-1, max(0, int(low.Y))-1
	o.w, o.h = min(o.p.W, int(high.X)+2)+1-o.x0, min(o.p.H, int(high.Y)+2)+1-o.y0
}

func dist3(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
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

// colours returns the mean colour of a piece and the colour of the ground
// around it.
func (o *outliner) colours(s *blob, label int32) (rice, ground [3]float64) {
	var inner, all [3]float64
	ni, na, ng := 0, 0, 0
	var hist [3][256]int
	left, right := max(0, -o.lx), min(o.lw, o.m.w-o.lx)
	for y := max(0, -o.ly); y < min(o.lh, o.m.h-o.ly); y++ {
		j := (o.ly+y)*o.m.w + o.lx
		for x := left; x < right; x++ {
			j, k := j+x, y*o.lw+x
			switch {
			case o.b.label[j] == label:
				q := o.m.pix[3*j : 3*j+3]
				na++
				for c := range 3 {
					all[c] += float64(q[c])
				}
				if o.own[k] > farIn {
					ni++
					for c := range 3 {
						inner[c] += float64(q[c])
					}
				}
			case o.own[k] < farOut && o.other[k] < farOut && isGround(o.m, j):
				q := o.m.pix[3*j : 3*j+3]
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

// leastLevel is the least level of a rim, as a share of the piece's contrast:
// a clear end is no darker.
const leastLevel = 0.4

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

// part marks pixels of the piece among those inside.
const part = 2

// fill marks the 4-connected pixels inside from one on, run by run of a row.
func (o *outliner) fill(at int) {
	o.runs = o.runs[:0]
	// mark marks the run around a pixel and returns its end.
	mark := func(at int) int {
		row := o.inside[at/o.w*o.w:][:o.w]
		x := at % o.w
		from, to := bytes.LastIndexByte(row[:x], 0)+1, x+bytes.IndexByte(row[x:], 0)
		for i := from; i < to; i++ {
			row[i] = part
		}
		o.runs = append(o.runs, [2]int{at - x + from, at - x + to})
		return at - x + to
	}
	mark(at)
	for len(o.runs) > 0 {
		run := o.runs[len(o.runs)-1]
		o.runs = o.runs[:len(o.runs)-1]
		for _, beside := range [2]int{-o.w, o.w} {
			for i, end := run[0]+beside, run[1]+beside; i < end; {
				next := bytes.IndexByte(o.inside[i:end], 1)
				if next < 0 {
					break
				}
				i = mark(i + next)
			}
		}
	}
}

// trace follows the outer contour of the marked pixels. Vertices lie where the
// height crosses 0 between a pixel inside and its outside 4-neighbour (linear
// interpolation); the piece lies to the right of the direction of travel.
func (o *outliner) trace() (q Piece) {
	start := bytes.IndexByte(o.inside, part)
	o.pts, o.cut = o.pts[:0], o.cut[:0]
	at, dx, dy := start, -1, 0
	anyCut := false
	for len(o.pts) == 0 || at != start || dx != -1 {
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
		cut := o.divided[to] == 1
		o.cut = append(o.cut, cut)
		anyCut = anyCut || cut
		tx, ty := -dy, dx
		j1 := at + ty*o.w + tx
		j2 := j1 + dy*o.w + dx
		switch {
		case o.inside[j1] != part:
			dx, dy = tx, ty
		case o.inside[j2] != part:
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
		if k := o.level[i0]; k > 0 {
			mean += math.Abs(float64(o.contrast[i0]-o.contrast[i1])) / float64(k)
			n++
		}
	}
	return mean / math.Max(1, float64(n)), n
}
