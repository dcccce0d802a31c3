package segment

import (
	"cmp"
	"math"
	"slices"

	"traytally/vision/internal/geom"
)

// Separation of touching pieces.
//
// Where two convex bodies touch, the common outline turns inwards. Lines that
// join two such notches, or lead from one across the body, are candidate cuts.
// All candidates together dissect the region into atoms, more than there are
// kernels; then the set of unions of atoms is sought that explains the region
// as kernels and pieces of kernels at least cost. A cut is thus never accepted
// or refused alone, but by what it leaves on both sides.

// A notch is a place where the outline turns inwards.
type notch struct {
	p      Point
	dir    Point   // unit vector into the body, bisecting the notch
	turn   float64 // how far the outline turns inwards, radians
	c, i   int     // contour and position on it
	anyDir bool    // a gap so small that it has no direction
}

// A cut is a candidate dividing line.
type cut struct {
	a, b   Point
	length float64
	valley float64 // how much darker the line is than its surroundings, share
	score  float64 // the lower the better
	na, nb int     // notches, nb -1 when there is none
}

func sub(a, b Point) Point      { return Point{X: a.X - b.X, Y: a.Y - b.Y} }
func dot(a, b Point) float64    { return a.X*b.X + a.Y*b.Y }
func crossP(a, b Point) float64 { return a.X*b.Y - a.Y*b.X }
func norm(a Point) Point {
	l := math.Hypot(a.X, a.Y)
	if l == 0 {
		return Point{}
	}
	return Point{X: a.X / l, Y: a.Y / l}
}

// resample returns points at equal arc steps of about step along a closed
// polygon.
func resample(p []Point, step float64) []Point {
	total, q := 0.0, p[len(p)-1]
	for _, r := range p {
		total += q.Dist(r)
		q = r
	}
	n := max(8, int(math.Round(total/step)))
	h := total / float64(n)
	out := make([]Point, 0, n)
	q = p[len(p)-1]
	pos, next := 0.0, 0.0
	for _, r := range p {
		l := q.Dist(r)
		for next <= pos+l && len(out) < n {
			f := 0.0
			if l > 0 {
				f = (next - pos) / l
			}
			out = append(out, Point{X: q.X + (r.X-q.X)*f, Y: q.Y + (r.Y-q.Y)*f})
			next += h
		}
		pos += l
		q = r
	}
	return out
}

// smooth is a circular Gaussian filter over the points.
func smooth(p []Point, sigma float64) []Point {
	r := int(math.Ceil(2.5 * sigma))
	if r < 1 {
		return p
	}
	w := make([]float64, r+1)
	sum := 0.0
	for i := range w {
		w[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		sum += w[i]
		if i > 0 {
			sum += w[i]
		}
	}
	n := len(p)
	out := make([]Point, n)
	for i := range p {
		x, y := w[0]*p[i].X, w[0]*p[i].Y
		up, down := i, i
		for _, f := range w[1:] {
			if up++; up == n {
				up = 0
			}
			if down--; down < 0 {
				down = n - 1
			}
			a, b := p[up], p[down]
			x += f * (a.X + b.X)
			y += f * (a.Y + b.Y)
		}
		out[i] = Point{X: x / sum, Y: y / sum}
	}
	return out
}

// notches finds where the contours of a region turn inwards by more than
// 20 degrees within a third of a kernel's width.
func notches(s *shape, m *Model) []notch {
	var out []notch
	step := math.Max(0.7, m.Width/26)
	for ci, c := range append([]contour{s.outer}, s.holes...) {
		pts := smooth(resample(c.pts, step), math.Max(0.8, 0.035*m.Width)/step)
		n := len(pts)
		k := max(2, int(math.Round(0.16*m.Width/step)))
		if ci > 0 && n < 6*k {
			// a gap between three kernels: it points everywhere
			x, y := 0.0, 0.0
			for _, q := range pts {
				x += q.X
				y += q.Y
			}
			out = append(out, notch{p: Point{X: x / float64(n), Y: y / float64(n)}, turn: math.Pi / 2, c: ci, anyDir: true})
			continue
		}
		turn := make([]float64, n)
		for i := range pts {
			a, b := sub(pts[i], pts[(i-k+n)%n]), sub(pts[(i+k)%n], pts[i])
			turn[i] = -math.Atan2(crossP(a, b), dot(a, b))
		}
		for i := range pts {
			if turn[i] < 0.35 {
				continue
			}
			top := true
			for d := 1; d <= k && top; d++ {
				top = turn[i] >= turn[(i+d)%n] && turn[i] > turn[(i-d+n)%n]
			}
			if !top {
				continue
			}
			a, b := norm(sub(pts[i], pts[(i-k+n)%n])), norm(sub(pts[(i+k)%n], pts[i]))
			t := norm(Point{X: a.X + b.X, Y: a.Y + b.Y})
			out = append(out, notch{p: pts[i], dir: Point{X: -t.Y, Y: t.X}, turn: turn[i], c: ci, i: i})
		}
	}
	return out
}

// value returns the contrast at a position inside, bilinear; in is false
// outside.
func (t *tile) value(x, y float64) (v float64, in bool) {
	if x < float64(t.x0) || y < float64(t.y0) {
		return 0, false
	}
	i, j := int(x+1)-1, int(y+1)-1 // tiles begin at -1 or later
	if i >= t.x0+t.tw-1 || j >= t.y0+t.th-1 {
		return 0, false
	}
	x -= float64(i)
	y -= float64(j)
	o := t.index(i, j)
	u := o + t.stride
	g0, g1, g2, g3 := t.g(o), t.g(o+1), t.g(u), t.g(u+1)
	switch {
	case g0 <= 0 && g1 <= 0 && g2 <= 0 && g3 <= 0:
		return 0, false
	case g0 > 0 && g1 > 0 && g2 > 0 && g3 > 0:
	case (float64(g0)*(1-x)+float64(g1)*x)*(1-y)+(float64(g2)*(1-x)+float64(g3)*x)*y <= 0:
		return 0, false
	}
	return (float64(t.c[o])*(1-x)+float64(t.c[o+1])*x)*(1-y) + (float64(t.c[u])*(1-x)+float64(t.c[u+1])*x)*y, true
}

// look measures a candidate line: the share of it outside the body, or 1 where
// that is more than most, and how dark it is against lines to both sides.
func (t *tile) look(a, b Point, m *Model, most float64) (outside, valley float64) {
	l := a.Dist(b)
	u := norm(sub(b, a))
	nrm := Point{X: -u.Y, Y: u.X}
	off := math.Max(2, 0.15*m.Width)
	n := max(3, int(l))
	var on, side, nOn, nSide, nOut, nIn float64
	for i := range n {
		s := (float64(i) + 0.5) / float64(n) * l
		x, y := a.X+u.X*s, a.Y+u.Y*s
		v, in := t.value(x, y)
		end := math.Min(s, l-s)
		if !in {
			if end > 1.5 {
				nOut++
			}
			if nOut > most*float64(n) {
				return 1, 0 // it will stay so
			}
			continue
		}
		nIn++
		if end < 1.2 && l > 5 {
			continue
		}
		// the darkest of three, against a line that is not quite straight
		for _, d := range [2]float64{-1, 1} {
			if w, in := t.value(x+nrm.X*d, y+nrm.Y*d); in {
				v = math.Min(v, w)
			}
		}
		on += v
		nOn++
		for _, d := range [2]float64{-off, off} {
			w, in := t.value(x+nrm.X*d, y+nrm.Y*d)
			if !in {
				continue
			}
			for _, e := range [2]float64{-1, 1} {
				if z, in := t.value(x+nrm.X*(d+e), y+nrm.Y*(d+e)); in {
					w = math.Min(w, z)
				}
			}
			side += w
			nSide++
		}
	}
	outside = nOut / math.Max(1, nOut+nIn)
	if nOn > 0 && nSide > 0 && side > 0 {
		valley = 1 - (on/nOn)/(side/nSide)
	}
	return outside, valley
}

// neighbours finds the notches near a notch, by squares of the plane.
type neighbours struct {
	ns     []notch
	side   float64
	square map[[2]int][]int // numbers of notches, ascending
	buf    []int
}

// newNeighbours prepares for notches up to reach apart.
func newNeighbours(ns []notch, reach float64) *neighbours {
	q := &neighbours{ns: ns, side: math.Max(1, reach), square: map[[2]int][]int{}}
	for i := range ns {
		at := q.at(i)
		q.square[at] = append(q.square[at], i)
	}
	return q
}

func (q *neighbours) at(i int) [2]int {
	return [2]int{int(math.Floor(q.ns[i].p.X / q.side)), int(math.Floor(q.ns[i].p.Y / q.side))}
}

// after lists the notches numbered above i that may lie within reach of it,
// ascending. The list is valid until the next call.
func (q *neighbours) after(i int) []int {
	q.buf = q.buf[:0]
	at := q.at(i)
	for dy := -1; dy <= 1; dy++ {
		for dx := -1; dx <= 1; dx++ {
			list := q.square[[2]int{at[0] + dx, at[1] + dy}]
			k, _ := slices.BinarySearch(list, i+1)
			q.buf = append(q.buf, list[k:]...)
		}
	}
	slices.Sort(q.buf)
	return q.buf
}

// scoreGap is how much worse than the best cut of its notch a cut may be.
const scoreGap = 0.8

// candidates proposes cuts from notches.
func (t *tile) candidates(ns []notch, m *Model) []cut {
	var out []cut
	deg := math.Pi / 180
	longest := 0.95 * m.Length
	near := newNeighbours(ns, longest)
	for i := range ns {
		for _, j := range near.after(i) {
			a, b := ns[i], ns[j]
			d := a.p.Dist(b.p)
			if d < 1 || d > longest {
				continue
			}
			u := norm(sub(b.p, a.p))
			ang := 0.0
			if !a.anyDir {
				ang = math.Acos(math.Max(-1, math.Min(1, dot(a.dir, u))))
			}
			if !b.anyDir {
				ang = math.Max(ang, math.Acos(math.Max(-1, math.Min(1, -dot(b.dir, u)))))
			}
			lim := 80 * deg
			if d > 1.2*m.Width {
				lim = 55 * deg
			}
			if ang > lim {
				continue
			}
			const mostOutside = 0.06
			outside, valley := t.look(a.p, b.p, m, mostOutside)
			if outside > mostOutside {
				continue
			}
			s := d/m.Width + 0.6*ang - 4*math.Max(0, math.Min(0.3, valley)) - 0.3*math.Min(a.turn+b.turn, 3)
			out = append(out, cut{a: a.p, b: b.p, length: d, valley: valley, score: s, na: i, nb: j})
		}
	}
	// across the body from one notch
	const mostValley = 0.3
	type ray struct {
		turn  int // off the notch's direction, steps of 10 degrees
		end   Point
		l     float64
		least float64 // no score can be lower
	}
	for i, a := range ns {
		if a.anyDir {
			continue
		}
		var rays []ray
		base := math.Atan2(a.dir.Y, a.dir.X)
		for k := -5; k <= 5; k++ {
			sn, cs := math.Sincos(base + float64(k)*10*deg)
			l := 2.0
			for ; l < 1.5*m.Width; l++ {
				if _, in := t.value(a.p.X+cs*l, a.p.Y+sn*l); !in {
					break
				}
			}
			if l >= 1.5*m.Width || l < 0.2*m.Width {
				continue
			}
			least := l/m.Width + 0.4*math.Abs(float64(k))*10*deg + 0.5 - 5*mostValley
			rays = append(rays, ray{k, Point{X: a.p.X + cs*l, Y: a.p.Y + sn*l}, l, least})
		}
		slices.SortFunc(rays, func(a, b ray) int { return cmp.Or(cmp.Compare(a.least, b.least), cmp.Compare(a.turn, b.turn)) })
		best := cut{score: math.Inf(1)}
		for _, r := range rays {
			if r.least >= best.score {
				break // nor can any that follows be better
			}
			_, valley := t.look(a.p, r.end, m, 1)
			if s := r.least + 5*(mostValley-math.Max(0, math.Min(mostValley, valley))); s < best.score {
				best = cut{a: a.p, b: r.end, length: r.l, valley: valley, score: s, na: i, nb: -1}
			}
		}
		if !math.IsInf(best.score, 1) {
			out = append(out, best)
		}
	}
	// keep the better ones of each notch
	slices.SortFunc(out, func(a, b cut) int { return cmp.Compare(a.score, b.score) })
	used, best := make([]int, len(ns)), make([]float64, len(ns))
	wanted := func(n int, c *cut) bool {
		if used[n] == 0 {
			best[n] = c.score
		}
		if ns[n].anyDir {
			return used[n] < 5 && c.score < best[n]+2*scoreGap
		}
		return used[n] < 3 && c.score < best[n]+scoreGap
	}
	kept := out[:0]
	for _, c := range out {
		a := wanted(c.na, &c)
		b := c.nb >= 0 && wanted(c.nb, &c)
		if !a && !b {
			continue
		}
		used[c.na]++
		if c.nb >= 0 {
			used[c.nb]++
		}
		kept = append(kept, c)
	}
	return kept
}

// An atom is a part of the region that no candidate cut divides.
type atom struct {
	area float64    // pixels
	x, y float64    // centre
	hull []Point    // of the pixel centres
	low  [2]float64 // least x and y of the pixel centres
	high [2]float64 // greatest
	next []border   // to the neighbours, in their order
}

func (a *atom) sortNext() {
	slices.SortFunc(a.next, func(b, c border) int { return cmp.Compare(b.to, c.to) })
}

// A border is the common line of two atoms.
type border struct {
	to     int     // the other atom
	length float64 // px
	valley float64 // mean over the cuts it runs along

	divide, join float64 // cost of dividing, and of not dividing, along it
}

// Labels of a tile's pixels while a region is dissected; parts are > 0.
const (
	outside  int32 = 0
	free     int32 = -1
	lineBase int32 = -2 // minus the number of the cut
)

// A stretch is a row of pixels of one part, tile coordinates, [x0, x1).
type stretch struct{ y, x0, x1, part int32 }

// mark makes the inside of a component free.
func (t *tile) mark(c *component) {
	t.label = t.labels.Zeros(t.tw * t.th)
	for _, r := range c.inner {
		row := t.label[(int(r.y)-t.y0)*t.tw+int(r.x0)-t.x0:][:r.x1-r.x0]
		for i := range row {
			row[i] = free
		}
	}
}

// parts lists the stretches of free pixels, joins them to 4-connected parts,
// numbers the parts of more than few pixels from 1 and labels their pixels.
// Pixels of smaller parts become line pixels. It returns the number of parts.
func (t *tile) parts(c *component, few int, line int32) int {
	t.segs = t.segs[:0]
	for _, r := range c.inner {
		y := int32(int(r.y) - t.y0)
		row := t.label[int(y)*t.tw:][:t.tw]
		for x, end := r.x0-int32(t.x0), r.x1-int32(t.x0); x < end; {
			if row[x] != free {
				x++
				continue
			}
			a := x
			for x < end && row[x] == free {
				x++
			}
			t.segs = append(t.segs, stretch{y, a, x, 0})
		}
	}
	t.sets = joinRows(t.sets, len(t.segs), func(i int) (y, x0, x1 int32) { s := &t.segs[i]; return s.y, s.x0, s.x1 })
	sets := t.sets
	size := make([]int32, len(t.segs))
	for i, s := range t.segs {
		size[sets.find(i)] += s.x1 - s.x0
	}
	number := make([]int32, len(t.segs))
	count := int32(0)
	kept := t.segs[:0]
	for i, s := range t.segs {
		root := sets.find(i)
		row := t.label[int(s.y)*t.tw:][s.x0:s.x1]
		if int(size[root]) <= few {
			for k := range row {
				row[k] = line
				t.lines = append(t.lines, s.y*int32(t.tw)+s.x0+int32(k))
			}
			continue
		}
		if number[root] == 0 {
			count++
			number[root] = count
		}
		s.part = number[root]
		for k := range row {
			row[k] = s.part
		}
		kept = append(kept, s)
	}
	t.segs = kept
	return int(count)
}

// draw marks the pixels of the cuts; where two meet the darker one has it.
func (t *tile) draw(cuts []cut) {
	t.lines = t.lines[:0]
	for ci, c := range cuts {
		// a little beyond both ends, through the rounding of the notch
		u := norm(sub(c.b, c.a))
		ax, ay := c.a.X-1.5*u.X-float64(t.x0), c.a.Y-1.5*u.Y-float64(t.y0)
		bx, by := c.b.X+1.5*u.X-float64(t.x0), c.b.Y+1.5*u.Y-float64(t.y0)
		n := int(4*math.Hypot(bx-ax, by-ay)) + 1
		px, py := math.MinInt, 0
		mark := func(x, y int) {
			if x < 0 || y < 0 || x >= t.tw || y >= t.th {
				return
			}
			l := &t.label[y*t.tw+x]
			if *l == free {
				t.lines = append(t.lines, int32(y*t.tw+x))
				*l = lineBase - int32(ci)
			} else if *l <= lineBase && cuts[lineBase-*l].valley < c.valley {
				*l = lineBase - int32(ci)
			}
		}
		for k := 0; k <= n; k++ {
			f := float64(k) / float64(n)
			x, y := int(math.Round(ax+(bx-ax)*f)), int(math.Round(ay+(by-ay)*f))
			if px != math.MinInt && x != px && y != py {
				mark(px, y) // 4-connected
			}
			mark(x, y)
			px, py = x, y
		}
	}
}

// atoms draws the cuts into a component and returns its parts; the tile's
// labels then number them from 1.
func (t *tile) atoms(c *component, cuts []cut, m *Model) []atom {
	t.mark(c)
	t.draw(cuts)
	step := [4]int32{-1, 1, int32(-t.tw), int32(t.tw)}
	noCut := lineBase - int32(len(cuts))
	const few = 5
	count := t.parts(c, few, noCut)
	if count == 0 {
		return nil
	}
	// Line pixels go to the nearest part. Which cut they were drawn by stays
	// in owner, for the valley along the border of two parts.
	owner := make([]int32, len(t.lines))
	for i, p := range t.lines {
		owner[i] = lineBase - t.label[p]
	}
	left := slices.Clone(t.lines)
	for len(left) > 0 {
		type gift struct{ at, part int32 }
		var gifts []gift
		rest := left[:0]
		for _, i := range left {
			part, most := int32(0), 0
			for _, d := range step {
				l := t.label[i+d]
				if l <= 0 {
					continue
				}
				n := 0
				for _, e := range step {
					if t.label[i+e] == l {
						n++
					}
				}
				if n > most || n == most && l < part {
					part, most = l, n
				}
			}
			if part > 0 {
				gifts = append(gifts, gift{i, part})
			} else {
				rest = append(rest, i)
			}
		}
		for _, g := range gifts {
			t.label[g.at] = g.part
		}
		left = rest
		if len(gifts) == 0 {
			break // lines that meet no part
		}
	}
	as := make([]atom, count)
	// Of each row of an atom the first and the last pixel count for its hull.
	type rows struct{ top, bottom, at int32 }
	part := make([]rows, count)
	for i := range part {
		part[i] = rows{top: math.MaxInt32, bottom: -1}
	}
	reach := func(p *rows, y int32) { p.top, p.bottom = min(p.top, y), max(p.bottom, y) }
	for _, s := range t.segs {
		reach(&part[s.part-1], s.y)
	}
	for _, i := range t.lines {
		if l := t.label[i]; l > 0 {
			reach(&part[l-1], i/int32(t.tw))
		}
	}
	total := int32(0)
	for i := range part {
		part[i].at = total - part[i].top
		total += part[i].bottom - part[i].top + 1
	}
	type span struct{ first, last int32 }
	spans := make([]span, total)
	for i := range spans {
		spans[i] = span{math.MaxInt32, -1}
	}
	widen := func(l, y, first, last int32) {
		q := &spans[part[l-1].at+y]
		q.first, q.last = min(q.first, first), max(q.last, last)
	}
	for _, s := range t.segs {
		a, n := &as[s.part-1], float64(s.x1-s.x0)
		a.area += n
		a.x += n * float64(s.x0+s.x1-1) / 2
		a.y += n * float64(s.y)
		widen(s.part, s.y, s.x0, s.x1-1)
	}
	type pair struct{ a, b int32 }
	type sum struct{ n, valley, nv float64 }
	between := map[pair]*sum{}
	t.onLine = newBitset(t.onLine, t.tw*t.th)
	for _, i := range t.lines {
		t.onLine.add(int(i))
	}
	for k, i := range t.lines {
		l := t.label[i]
		if l <= 0 {
			continue
		}
		x, y := i%int32(t.tw), i/int32(t.tw)
		a := &as[l-1]
		a.area++
		a.x += float64(x)
		a.y += float64(y)
		widen(l, y, x, x)
		for d, s := range step {
			j := i + s
			o := t.label[j]
			if o <= 0 || o == l || d%2 == 0 && t.onLine.has(int(j)) {
				continue // two line pixels are met once, from the left or above
			}
			p := pair{min(l, o), max(l, o)}
			s := between[p]
			if s == nil {
				s = &sum{}
				between[p] = s
			}
			s.n++
			if int(owner[k]) < len(cuts) {
				s.valley += cuts[owner[k]].valley
				s.nv++
			}
		}
	}
	var outline []Point
	for i := range as {
		a, p := &as[i], part[i]
		// down one side and up the other, as an outline runs
		outline = outline[:0]
		for y := p.top; y <= p.bottom; y++ {
			if q := spans[p.at+y]; q.last >= 0 {
				outline = append(outline, Point{X: float64(q.first), Y: float64(y)})
			}
		}
		for y := p.bottom; y >= p.top; y-- {
			if q := spans[p.at+y]; q.last >= 0 {
				outline = append(outline, Point{X: float64(q.last), Y: float64(y)})
			}
		}
		a.hull = geom.Hull(outline)
		a.low, a.high = geom.Bounds(a.hull)
		a.x /= a.area
		a.y /= a.area
	}
	for p, s := range between {
		bd := border{length: s.n * 0.8} // a staircase is 4/π too long on average
		if s.nv > 0 {
			bd.valley = s.valley / s.nv
		}
		bd.divide, bd.join = m.borderCost(&bd)
		a, b := &as[p.a-1], &as[p.b-1]
		bd.to = int(p.b - 1)
		a.next = append(a.next, bd)
		bd.to = int(p.a - 1)
		b.next = append(b.next, bd)
	}
	for i := range as {
		as[i].sortNext()
	}
	return as
}

// cost judges a region of given calipers, area and solidity as one kernel or
// piece of one; 0 is a clean whole kernel.
func (m *Model) cost(l, w, area, sol float64) float64 {
	sq := func(x float64) float64 { return x * x }
	r, v := l/m.Length, w/m.Width
	c := 0.0
	if r > 1.10 {
		c += sq((r - 1.10) / 0.06)
	}
	if v > 1.10 {
		c += sq((v - 1.10) / 0.07)
	}
	f := area / m.Area
	if sol < 0.965 { // the smaller a piece, the rougher it may be
		c += sq((0.965 - sol) / (0.025 + 0.035*math.Max(0, 1-f/0.2)))
	}
	// a kernel fills its calipers like an ellipse or better (a cut piece)
	if e := area / (math.Pi / 4 * l * w); e < 0.93 {
		c += sq((0.93 - e) / 0.08)
	}
	switch {
	case f < 0.06:
		c += 4.5
	case f < 0.2:
		c += 2.6
	case r < 0.8 || f < 0.55:
		c += 1.6
	}
	return c
}

// DoubtLimit is the cost above which a region is not taken as one piece.
const DoubtLimit = 14

// A bay is a notch as the atoms around it see it.
type bay struct {
	atoms []int   // in order
	cost  float64 // of a piece that has the notch within its own outline
}

// bays finds the atoms around each notch, and lists the notches by their first
// atom.
func (t *tile) bays(ns []notch, order []int, m *Model) [][]bay {
	reach := 1 + int(0.05*m.Width+0.5)
	out := make([][]bay, len(order))
	for _, n := range ns {
		b := bay{cost: 2.0 * math.Max(0, math.Min(1, (n.turn-0.5)/0.6))}
		if n.anyDir || b.cost == 0 {
			continue
		}
		x0, y0 := int(math.Round(n.p.X))-t.x0, int(math.Round(n.p.Y))-t.y0
		for y := max(0, y0-reach); y <= min(t.th-1, y0+reach); y++ {
			for x := max(0, x0-reach); x <= min(t.tw-1, x0+reach); x++ {
				if l := t.label[y*t.tw+x]; l > 0 && !slices.Contains(b.atoms, order[l-1]) {
					b.atoms = append(b.atoms, order[l-1])
				}
			}
		}
		if len(b.atoms) > 1 {
			slices.Sort(b.atoms)
			out[b.atoms[0]] = append(out[b.atoms[0]], b)
		}
	}
	return out
}

// split separates the regions of a component into pieces.
func (t *tile) split(c *component, shapes []shape, m *Model) (pieces, unresolved []Piece) {
	var ns []notch
	for i := range shapes {
		ns = append(ns, notches(&shapes[i], m)...)
	}
	cuts := t.candidates(ns, m)
	if len(cuts) == 0 {
		for i := range shapes {
			pieces = append(pieces, shapes[i].piece(m))
		}
		return m.sort(pieces)
	}
	as := t.atoms(c, cuts, m)
	if as == nil { // hardly more than lines
		for i := range shapes {
			pieces = append(pieces, shapes[i].piece(m))
		}
		return m.sort(pieces)
	}
	// number the atoms from one side of the region to the other, so that the
	// covered part grows with a short front
	order, as := sweep(as)
	piece, count := t.divider.cover(as, t.bays(ns, order, m), m)
	number := func(part int32) int32 { return int32(piece[order[part-1]]) + 1 }
	for i := range t.segs {
		g := &t.segs[i]
		g.part = number(g.part)
		row := t.label[int(g.y)*t.tw:][g.x0:g.x1]
		for k := range row {
			row[k] = g.part
		}
	}
	for _, i := range t.lines {
		if l := t.label[i]; l > 0 {
			t.label[i] = number(l)
		} else {
			t.label[i] = outside
		}
	}
	return m.sort(t.outlines(m, count))
}

// sweep renumbers atoms by their centres along the longer side of the region.
// order maps old to new.
func sweep(as []atom) (order []int, sorted []atom) {
	minX, minY, maxX, maxY := as[0].x, as[0].y, as[0].x, as[0].y
	for _, a := range as {
		minX, maxX = math.Min(minX, a.x), math.Max(maxX, a.x)
		minY, maxY = math.Min(minY, a.y), math.Max(maxY, a.y)
	}
	far := func(i int) float64 {
		if maxX-minX > maxY-minY {
			return as[i].x
		}
		return as[i].y
	}
	idx := make([]int, len(as))
	for i := range as {
		idx[i] = i
	}
	slices.SortStableFunc(idx, func(a, b int) int { return cmp.Compare(far(a), far(b)) })
	order = make([]int, len(as))
	for n, o := range idx {
		order[o] = n
	}
	sorted = make([]atom, len(as))
	for o, a := range as {
		for j := range a.next {
			a.next[j].to = order[a.next[j].to]
		}
		a.sortNext()
		sorted[order[o]] = a
	}
	return order, sorted
}

// outlines traces the n labels of the tile as pieces.
func (t *tile) outlines(m *Model, n int) []Piece {
	clear(t.west)
	best := make([]Piece, n)
	follow := func(i int32) {
		l := t.label[i]
		if l <= 0 || t.west.has(int(i)) || t.label[i-1] == l {
			return
		}
		c := t.trace(t.x0+int(i)%t.tw, t.y0+int(i)/t.tw, l)
		if a := geom.Area(c.pts); a > best[l-1].Area {
			best[l-1] = Piece{Outline: c.pts, Cut: c.cut, Area: a, Edge: c.edge}
		}
	}
	// a piece begins where a stretch does, or at a line
	for _, s := range t.segs {
		follow(s.y*int32(t.tw) + s.x0)
	}
	for _, i := range t.lines {
		follow(i)
	}
	var out []Piece
	for _, q := range best {
		if q.Area < minPieceArea {
			continue
		}
		q.straighten(m.sigma)
		h := geom.Hull(q.Outline)
		q.cal = geom.Caliper(h)
		q.Doubt = m.cost(q.cal.Max, q.cal.Min, q.Area, q.Area/geom.Area(h))
		out = append(out, q)
	}
	return out
}

// straighten replaces the staircases of dividing lines by straight lines, and
// clears away the fillets at their ends: blur fills the notch between two
// kernels, and what fills it belongs to neither.
func (q *Piece) straighten(sigma float64) {
	n := len(q.Outline)
	if q.Cut == nil || !slices.Contains(q.Cut, false) {
		return
	}
	start := slices.Index(q.Cut, false)
	around := slices.Concat(q.Outline[start:], q.Outline[:start])
	aroundCut := slices.Concat(q.Cut[start:], q.Cut[:start])
	type part struct {
		pts []Point
		cut bool
	}
	var parts []part
	for a, b := 0, 1; a < n; b++ {
		if b == n || aroundCut[b] != aroundCut[a] {
			parts = append(parts, part{around[a:b], aroundCut[a]})
			a = b
		}
	}
	fillet := 1.5*sigma + 0.5
	q.Faces = 0
	pts, isCut := make([]Point, 0, n), make([]bool, 0, n)
	for i, p := range parts {
		if p.cut {
			q.Faces++
			line := simplify(p.pts, 1.1)
			for _, v := range trim(line, math.Min(fillet, 0.4*polyline(line))) {
				pts, isCut = append(pts, v), append(isCut, true)
			}
			continue
		}
		// the first stretch continues the last one, the seam has no fillet
		first, last := i > 0, i < len(parts)-1 || parts[0].cut
		l := polyline(p.pts)
		at := 0.0
		for j, v := range p.pts {
			if j > 0 {
				at += p.pts[j-1].Dist(v)
			}
			if first && at < fillet || last && l-at < fillet {
				continue
			}
			pts, isCut = append(pts, v), append(isCut, false)
		}
	}
	if len(pts) < 6 {
		return
	}
	q.Outline, q.Cut = pts, isCut
	q.Area = geom.Area(pts)
}

// polyline is the length of an open line.
func polyline(p []Point) float64 {
	l := 0.0
	for i := 1; i < len(p); i++ {
		l += p[i-1].Dist(p[i])
	}
	return l
}

// trim takes d off both ends of an open line.
func trim(p []Point, d float64) []Point {
	front := func(p []Point) []Point {
		left := d
		for len(p) > 1 {
			l := p[0].Dist(p[1])
			if l > left {
				f := left / l
				return append([]Point{{X: p[0].X + (p[1].X-p[0].X)*f, Y: p[0].Y + (p[1].Y-p[0].Y)*f}}, p[1:]...)
			}
			left -= l
			p = p[1:]
		}
		return p
	}
	p = front(slices.Clone(p))
	slices.Reverse(p)
	p = front(p)
	slices.Reverse(p)
	return p
}

// simplify is the Douglas-Peucker reduction of an open line.
func simplify(p []Point, tol float64) []Point {
	if len(p) < 3 {
		return p
	}
	a, b := p[0], p[len(p)-1]
	l := a.Dist(b)
	far, at := 0.0, 0
	for i, q := range p[1 : len(p)-1] {
		d := a.Dist(q)
		if l > 0 {
			d = math.Abs(crossP(sub(b, a), sub(q, a))) / l
		}
		if d > far {
			far, at = d, i+1
		}
	}
	if far <= tol {
		return []Point{a, b}
	}
	left := simplify(p[:at+1], tol)
	return append(left[:len(left):len(left)], simplify(p[at:], tol)[1:]...)
}

// sort divides pieces into those that look like one kernel and the rest.
func (m *Model) sort(ps []Piece) (pieces, unresolved []Piece) {
	for _, q := range ps {
		if q.Doubt > DoubtLimit && q.Area > 1.2*m.Area {
			unresolved = append(unresolved, q)
		} else {
			pieces = append(pieces, q)
		}
	}
	return pieces, unresolved
}
