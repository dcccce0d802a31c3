package segment

import (
	"cmp"
	"math"
	"slices"

	"traytally/vision/internal/pixel"
)

// Pieces in the working picture: seeds where the network is sure of a middle,
// flooded up to the borders it draws, joined where they point to one middle.

// The limits between pieces, chances as 0 … 255. seedFrom and sameAs are those
// with the fewest pieces lost and doubled, together, on drawn photos of the
// phantom (--look phone, all grounds, with and without --pile) and on trays.
const (
	bodyFrom = 128 // a pixel is of a piece
	seedFrom = 140 // distance × (1 - border) of a seed
	seedSize = 3   // px, of a seed
	leastPx  = 14  // px, of a piece: 1 mm square at twelve px for 2.1 mm has 33
	sameAs   = 4.0 // px between the middles that two parts of one piece point to
)

// A blob is a piece in the working picture.
type blob struct {
	area             int
	x, y             float64 // centroid, px
	xx, yy, xy       float64 // mean squares about it, px²
	major, minor     float64 // axes of the ellipse of its moments, px
	minX, minY       int     // bounding box, half-open
	maxX, maxY       int
	peakX, peakY     int     // where the distance to its edge is greatest
	peak             uint8   // that distance, as the network tells it
	body             float64 // mean chances, 0 … 1
	foreign, covered float64
	object           float64
	edge             bool       // touches the picture's edge
	colour           [3]float64 // mean, blue, green, red
}

// blobs are the pieces of a working picture.
type blobs struct {
	label []int32 // of each pixel: 0, or 1 + the piece's index
	all   []blob
	// Usual length and width of the larger ones, px; 0 where there is none.
	length, width float64
	n             int // how many they rest on
}

func (m *maps) blobs() *blobs {
	label, n := m.seeds()
	m.flood(label)
	n, beside := m.join(label, n)
	b := &blobs{label: label, all: m.describe(label, n)}
	b.measure()
	if to := b.halves(beside); to != nil {
		b.all = m.describe(label, relabel(label, to))
	}
	b.drop(m)
	b.measure()
	return b
}

// core is how surely a pixel is of the middle of a piece.
func (m *maps) core(i int) int { return int(m.dist[i]) * (255 - int(m.border[i])) / 255 }

// seeds labels the 8-connected groups of middle pixels from 1 on.
func (m *maps) seeds() (label []int32, n int) {
	label = make([]int32, m.w*m.h)
	middle := make([]uint8, len(label))
	for i, b := range m.body {
		middle[i] = pixel.Bit(b >= bodyFrom && m.core(i) >= seedFrom)
	}
	var parts pixel.Parts
	parts.Each(middle, m.w, true, func(group []int32) {
		if len(group) < seedSize {
			return // flooded like any other place
		}
		n++
		for _, i := range group {
			label[i] = int32(n)
		}
	})
	return label, n
}

// A brim is one more place around the working picture, so that each of its
// places has four neighbours.
type brim struct{ w, h int }

// row returns the places that row y of the picture has among those with the brim.
func (b brim) row(y int) (from, to int) {
	from = (y+1)*(b.w+2) + 1
	return from, from + b.w
}

// flood spreads the labels over the body, middle first and borders last
// (Meyer's flooding with a queue for each level).
func (m *maps) flood(label []int32) {
	b := brim{m.w, m.h}
	size := (m.w + 2) * (m.h + 2)
	// of holds the labels; dry the levels from 1 on of the places still to be
	// flooded. Within a level it is first in, first out, so that fronts advance
	// alike: next chains the places that wait.
	of, dry, next := make([]int32, size), make([]uint16, size), make([]int32, size)
	for y := range m.h {
		from, to := b.row(y)
		copy(of[from:to], label[y*m.w:])
		body, dist, border := m.body[y*m.w:][:m.w], m.dist[y*m.w:][:m.w], m.border[y*m.w:][:m.w]
		for x, l := range of[from:to] {
			if l == 0 && body[x] >= bodyFrom {
				dry[from+x] = uint16(256 - int(dist[x]) + int(border[x])/2)
			}
		}
	}
	const levels = 256 + 255/2 + 1
	var first, last [levels]int32 // 0 is of the brim: none
	wait := func(level int, i int32) {
		if last[level] == 0 {
			first[level] = i
		} else {
			next[last[level]] = i
		}
		last[level] = i
	}
	for y := range m.h { // the seeds
		from, to := b.row(y)
		for i := from; i < to; i++ {
			if of[i] != 0 {
				wait(0, int32(i))
			}
		}
	}
	beside := [4]int32{-1, 1, int32(-m.w - 2), int32(m.w + 2)}
	for level := range levels {
		for i := first[level]; i != 0; i = next[i] {
			for _, d := range beside {
				if k := i + d; dry[k] != 0 {
					wait(max(level, int(dry[k])), k)
					dry[k], of[k] = 0, of[i]
				}
			}
		}
	}
	for y := range m.h {
		from, to := b.row(y)
		copy(label[y*m.w:], of[from:to])
	}
}

// join makes one of neighbours whose pixels point to one middle. It returns how
// many pieces are left, and which of them lie side by side.
func (m *maps) join(label []int32, n int) (int, [][2]int32) {
	type sum struct{ w, x, y, cx, cy float64 }
	of := make([]sum, n+1)
	beside := map[[2]int32]bool{}
	var last [2]int32 // a border is many pixels long
	meet := func(l, o int32) {
		if pair := [2]int32{min(l, o), max(l, o)}; o != 0 && o != l && pair != last {
			beside[pair], last = true, pair
		}
	}
	for y := range m.h {
		row := label[y*m.w:][:m.w]
		for x, l := range row {
			if l == 0 {
				continue
			}
			i := y*m.w + x
			w := float64(m.dist[i]) + 1e-6
			s := &of[l]
			s.w += w
			s.x += w * float64(x)
			s.y += w * float64(y)
			s.cx += w * (float64(x) + float64(m.dx[i])/2)
			s.cy += w * (float64(y) + float64(m.dy[i])/2)
			if x+1 < m.w {
				meet(l, row[x+1])
			}
			if y+1 < m.h {
				meet(l, label[i+m.w])
			}
		}
	}
	to := pixel.NewForest(n + 1)
	for p := range beside {
		a, b := of[p[0]], of[p[1]]
		points := math.Hypot(a.cx/a.w-b.cx/b.w, a.cy/a.w-b.cy/b.w)
		apart := math.Hypot(a.x/a.w-b.x/b.w, a.y/a.w-b.y/b.w)
		if points < sameAs && points < apart/2 {
			to.Join(p[0], p[1])
		}
	}
	pairs := make([][2]int32, 0, len(beside))
	next := to.Numbers()
	for p := range beside {
		if i, j := next[p[0]], next[p[1]]; i != j {
			pairs = append(pairs, [2]int32{i, j})
		}
	}
	return relabel(label, to), pairs
}

// relabel gives every label the number of its set, and returns how many there
// are, 0 left out.
func relabel(label []int32, to pixel.Forest) int {
	next := to.Numbers()
	n := int32(0)
	for i, l := range label {
		label[i] = next[l]
		n = max(n, next[l])
	}
	return int(n)
}

// Two neighbours that together have the size and shape of one usual kernel are
// one: a dark spot across its middle has parted it, or the limit of a stain.
// Nothing tells that one lies over the other. Halves that came to lie end to end
// like that by themselves are far rarer than spots, and a kernel parted is the
// worse fault: on 97 drawn and real pictures with 7,000 pieces no two were joined
// that lie side by side (TestFreeKernelStaysWhole has such spots).
//
// Of two parts of unlike colour the smaller may be small, and the whole as wide as
// kernels are, if together they fill its shape the better. Of 9,000 photographed
// kernels, some of them painted, 5 come apart or get lost; without this it is 25,
// nearly all at a strong stain of one end (TestPaintedKernels).
const (
	halfLength  = 0.08 // how far their length may be from the usual one
	halfWidth   = 0.10 // and their width
	halfFill    = 0.93 // area over the ellipse of its moments, less a spot
	halfShare   = 0.3  // of the area, the smaller
	halfCovered = 0.1

	unlike      = 40 // distance of their mean colours, grey values
	unlikeWidth = 0.3
	unlikeFill  = 0.95
	unlikeShare = 0.03
)

// halves returns which pieces are parts of one kernel; nil where none are.
func (b *blobs) halves(beside [][2]int32) pixel.Forest {
	if b.n < sureBodies {
		return nil
	}
	var to pixel.Forest
	for _, p := range beside {
		one, other := &b.all[p[0]-1], &b.all[p[1]-1]
		if max(one.covered, other.covered) > halfCovered {
			continue
		}
		q := one.with(*other)
		width, fill, share := halfWidth, halfFill, halfShare
		if dist3(one.colour, other.colour) > unlike {
			width, fill, share = unlikeWidth, unlikeFill, unlikeShare
		}
		if float64(min(one.area, other.area)) > share*float64(q.area) &&
			math.Abs(q.major/b.length-1) < halfLength && math.Abs(q.minor/b.width-1) < width &&
			float64(q.area) > fill*math.Pi/4*q.major*q.minor {
			if to == nil {
				to = pixel.NewForest(len(b.all) + 1)
			}
			to.Join(p[0], p[1])
		}
	}
	return to
}

// describe measures the pieces of n labels.
func (m *maps) describe(label []int32, n int) []blob {
	type sums struct{ xx, yy, xy, body, foreign, object, covered float64 }
	all, sum := make([]blob, n), make([]sums, n)
	for y := range m.h {
		for x, l := range label[y*m.w:][:m.w] {
			if l == 0 {
				continue
			}
			i := y*m.w + x
			q, s := &all[l-1], &sum[l-1]
			if q.area == 0 {
				q.minX, q.minY = x, y
			}
			q.area++
			q.minX, q.maxX, q.maxY = min(q.minX, x), max(q.maxX, x+1), y+1
			fx, fy := float64(x), float64(y)
			q.x += fx
			q.y += fy
			s.xx += fx * fx
			s.yy += fy * fy
			s.xy += fx * fy
			for c, v := range m.pix[3*i : 3*i+3] {
				q.colour[c] += float64(v)
			}
			s.body += float64(m.body[i])
			s.foreign += float64(m.foreign[i])
			s.object += float64(m.object[i])
			s.covered += float64(m.covered[i])
			if d := m.dist[i]; d > q.peak {
				q.peak, q.peakX, q.peakY = d, x, y
			}
		}
	}
	for i := range all {
		q, s := &all[i], &sum[i]
		k := float64(q.area)
		q.x, q.y = q.x/k, q.y/k
		q.xx, q.yy, q.xy = s.xx/k-q.x*q.x+1./12, s.yy/k-q.y*q.y+1./12, s.xy/k-q.x*q.y
		q.axes()
		for c := range q.colour {
			q.colour[c] /= k
		}
		q.body, q.foreign, q.object, q.covered = s.body/k/255, s.foreign/k/255, s.object/k/255, s.covered/k/255
		q.edge = q.minX == 0 || q.minY == 0 || q.maxX == m.w || q.maxY == m.h
	}
	return all
}

func (q *blob) axes() {
	mid, diff := (q.xx+q.yy)/2, math.Hypot((q.xx-q.yy)/2, q.xy)
	q.major, q.minor = 4*math.Sqrt(mid+diff), 4*math.Sqrt(max(0, mid-diff))
}

// with returns the area, the moments and the axes of two pieces taken as one.
func (q blob) with(o blob) blob {
	a, b := float64(q.area), float64(o.area)
	n := a + b
	dx, dy := o.x-q.x, o.y-q.y
	u := blob{area: q.area + o.area, x: (a*q.x + b*o.x) / n, y: (a*q.y + b*o.y) / n}
	u.xx = (a*q.xx+b*o.xx)/n + a*b/(n*n)*dx*dx
	u.yy = (a*q.yy+b*o.yy)/n + a*b/(n*n)*dy*dy
	u.xy = (a*q.xy+b*o.xy)/n + a*b/(n*n)*dx*dy
	u.axes()
	return u
}

// thingRim is the share of a piece's outline along a thing from which on the
// piece is part of it: teeth of a cap, the rim of a heap taken for a plate. Of
// a kernel that leans against a coin a quarter lies along it at the most.
const thingRim = 0.3

// drop takes out what is too small for a piece, hardly a body, or part of a
// thing that is no rice.
func (b *blobs) drop(m *maps) {
	rim, beside := make([]int, len(b.all)), make([]int, len(b.all))
	for y := range m.h {
		row := b.label[y*m.w:][:m.w]
		above, below := b.label[max(0, y-1)*m.w:][:m.w], b.label[min(y+1, m.h-1)*m.w:][:m.w]
		for x, l := range row {
			if l == 0 || above[x] != 0 && below[x] != 0 && row[max(0, x-1)] != 0 && row[min(x+1, m.w-1)] != 0 {
				continue // no rim
			}
			for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
				u, v := x+d[0], y+d[1]
				if uint(u) >= uint(m.w) || uint(v) >= uint(m.h) || b.label[v*m.w+u] != 0 {
					continue
				}
				rim[l-1]++
				u, v = min(max(u+d[0], 0), m.w-1), min(max(v+d[1], 0), m.h-1)
				if m.object[v*m.w+u] >= 128 {
					beside[l-1]++
				}
			}
		}
	}
	next := make([]int32, len(b.all)+1)
	kept := b.all[:0]
	for i, q := range b.all {
		if q.area >= leastPx && q.body > 0.6 && q.object < 0.5 && float64(beside[i]) < thingRim*float64(rim[i]+1) {
			kept = append(kept, q)
			next[i+1] = int32(len(kept))
		}
	}
	b.all = kept
	for i, l := range b.label {
		b.label[i] = next[l]
	}
}

// measure finds the usual size of the larger pieces.
func (b *blobs) measure() {
	var whole []blob
	for _, q := range b.all {
		if !q.edge {
			whole = append(whole, q)
		}
	}
	if len(whole) == 0 {
		return
	}
	slices.SortFunc(whole, func(a, c blob) int { return cmp.Compare(a.area, c.area) })
	least := 4 * whole[len(whole)*8/10].area / 10
	var lengths, widths []float64
	for _, q := range whole {
		if q.area >= least {
			lengths, widths = append(lengths, q.major), append(widths, q.minor)
		}
	}
	b.length, b.width, b.n = upperMode(lengths), pixel.Median(widths), len(widths)
}
