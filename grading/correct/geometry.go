package correct

import (
	"iter"
	"math"
	"slices"

	"traytally/vision/kernel"
)

type point = kernel.Point

func cross(o, a, b point) float64 { return (a.X-o.X)*(b.Y-o.Y) - (a.Y-o.Y)*(b.X-o.X) }

// area is the area of a polygon, negative where its corners run against the
// clock as displayed.
func area(p []point) float64 {
	s := 0.0
	for i := range p {
		s += cross(p[0], p[i], p[(i+1)%len(p)])
	}
	return s / 2
}

// crossings are the places along x at which the sides of p cross the height y.
func crossings(p []point, y float64) iter.Seq[float64] {
	return func(yield func(float64) bool) {
		for i, a := range p {
			b := p[(i+1)%len(p)]
			if (a.Y > y) != (b.Y > y) && !yield(a.X+(y-a.Y)/(b.Y-a.Y)*(b.X-a.X)) {
				return
			}
		}
	}
}

// contains reports whether q lies inside p (even-odd rule).
func contains(p []point, q point) bool {
	in := false
	for x := range crossings(p, q.Y) {
		if q.X < x {
			in = !in
		}
	}
	return in
}

// simple reports whether no two sides of a polygon touch but at the corner that
// they share.
func simple(p []point) bool {
	n := len(p)
	for i := range n {
		a, b := p[i], p[(i+1)%n]
		if a == b {
			return false
		}
		for j := i + 1; j < n; j++ {
			c, d := p[j], p[(j+1)%n]
			switch {
			case j == i+1 || (j+1)%n == i: // neighbours: only folded back on each other
				if j == i+1 && cross(a, b, d) == 0 && (d.X-b.X)*(a.X-b.X)+(d.Y-b.Y)*(a.Y-b.Y) > 0 {
					return false
				}
			case cross(a, b, c)*cross(a, b, d) <= 0 && cross(c, d, a)*cross(c, d, b) <= 0 && boxes(a, b, c, d):
				return false
			}
		}
	}
	return true
}

// boxes reports whether the boxes of two straight pieces meet.
func boxes(a, b, c, d point) bool {
	return max(a.X, b.X) >= min(c.X, d.X) && max(c.X, d.X) >= min(a.X, b.X) &&
		max(a.Y, b.Y) >= min(c.Y, d.Y) && max(c.Y, d.Y) >= min(a.Y, b.Y)
}

// crossing returns where the straight piece from a to b crosses that from q to r, and
// how far along, 0 at a and 1 at b; ok is false where it does not.
func crossing(a, b, q, r point) (x point, along float64, ok bool) {
	u, v := cross(a, b, q), cross(a, b, r)
	if (u < 0) == (v < 0) {
		return x, 0, false
	}
	x = point{X: q.X + (r.X-q.X)*u/(u-v), Y: q.Y + (r.Y-q.Y)*u/(u-v)}
	along = ((x.X-a.X)*(b.X-a.X) + (x.Y-a.Y)*(b.Y-a.Y)) / ((b.X-a.X)*(b.X-a.X) + (b.Y-a.Y)*(b.Y-a.Y))
	return x, along, along >= 0 && along <= 1
}

// longest narrows the straight piece from a to b to its longest way through a
// polygon: one drawn along the notch between two kernels grazes the outline besides.
func longest(p []point, a, b point) (point, point) {
	var at []float64
	for i, q := range p {
		if _, along, ok := crossing(a, b, q, p[(i+1)%len(p)]); ok {
			at = append(at, along)
		}
	}
	if len(at)%2 != 0 || len(at) < 4 {
		return a, b
	}
	slices.Sort(at)
	best := 0
	for i := 2; i < len(at); i += 2 {
		if at[i+1]-at[i] > at[best+1]-at[best] {
			best = i
		}
	}
	from, to := 0.0, 1.0
	if best > 0 {
		from = (at[best-1] + at[best]) / 2
	}
	if best+2 < len(at) {
		to = (at[best+1] + at[best+2]) / 2
	}
	on := func(f float64) point { return point{X: a.X + f*(b.X-a.X), Y: a.Y + f*(b.Y-a.Y)} }
	return on(from), on(to)
}

// part parts a polygon by the straight piece from a to b, whose places on the
// outline are hidden in both. crossings counts how often that crosses the
// outline; only with 2 are there parts.
func part(p []point, a, b point) (left, right shape, crossings int) {
	var halves [2]shape
	now := 0
	add := func(s *shape, q point, hidden bool) {
		s.outline, s.hidden = append(s.outline, q), append(s.hidden, hidden)
	}
	for i, q := range p {
		add(&halves[now], q, false)
		x, _, ok := crossing(a, b, q, p[(i+1)%len(p)])
		if !ok {
			continue
		}
		crossings++
		add(&halves[now], x, true)
		now = 1 - now
		add(&halves[now], x, true)
	}
	return halves[0], halves[1], crossings
}

// grains are how much farther apart than at their nearest the sides may be with
// which two outlines face each other, px: those that share a line are each kept
// to 0.2 of it, and where they overlap they part sooner. The least that gives
// one outline is taken, for more fills more of the notch between them.
var grains = [...]float64{0.6, 1.2, 2.4}

// merge joins two polygons of positive area along the sides with which they
// face each other, and returns how far these are apart, px. The sides are the
// longest run of each outline that is no farther from the other one than that
// and a grain. The polygon is nil where they do not fit.
func merge(a, b []point) (out []point, gap float64) {
	whole := area(a) + area(b)
	a, b = finely(a), finely(b)
	da, db := make([]float64, len(a)), make([]float64, len(b))
	gap = math.Inf(1)
	for i, q := range a {
		da[i] = away(b, q)
		gap = min(gap, da[i])
	}
	for i, q := range b {
		db[i] = away(a, q)
	}
	rest := func(p []point, d []float64, grain float64) []point { // from the run's end round to its beginning
		from, n := run(d, gap+grain)
		var out []point
		for i := range len(p) - n + 2 {
			out = append(out, p[(from+n-1+i)%len(p)])
		}
		return out
	}
	for _, grain := range grains {
		out = tidy(append(rest(a, da, grain), rest(b, db, grain)...))
		if simple(out) && area(out) > 0.9*whole {
			return out, gap
		}
	}
	return nil, gap
}

// tidy leaves out corners that repeat the one before.
func tidy(p []point) []point {
	var out []point
	for i, q := range p {
		if q != p[(i+len(p)-1)%len(p)] {
			out = append(out, q)
		}
	}
	return out
}

// run returns where the longest run of values up to most begins in a closed
// list, and how long it is: at least 1, less than the list.
func run(d []float64, most float64) (from, n int) {
	for i := range d {
		k := 0
		for k < len(d)-2 && d[(i+k)%len(d)] <= most {
			k++
		}
		if k > n {
			from, n = i, k
		}
	}
	return from, max(1, n)
}

// finely puts corners into a polygon so that none is more than a pixel from the
// next.
func finely(p []point) []point {
	var out []point
	for i, a := range p {
		b := p[(i+1)%len(p)]
		n := max(1, int(math.Ceil(a.Dist(b))))
		for j := range n {
			t := float64(j) / float64(n)
			out = append(out, point{X: a.X + t*(b.X-a.X), Y: a.Y + t*(b.Y-a.Y)})
		}
	}
	return out
}

// away is the distance of q from the outline of p.
func away(p []point, q point) float64 {
	d := math.Inf(1)
	for i, a := range p {
		d = min(d, q.DistToLine(a, p[(i+1)%len(p)]))
	}
	return d
}

// overlap is the area that two polygons share, by their pixels.
func overlap(p, q []point) float64 {
	box := func(p []point) (low, high point) {
		low, high = p[0], p[0]
		for _, r := range p {
			low, high = point{X: min(low.X, r.X), Y: min(low.Y, r.Y)}, point{X: max(high.X, r.X), Y: max(high.Y, r.Y)}
		}
		return low, high
	}
	if len(p) == 0 || len(q) == 0 {
		return 0
	}
	a, b := box(p)
	c, d := box(q)
	n := 0.0
	for y := math.Ceil(max(a.Y, c.Y)); y <= min(b.Y, d.Y); y++ {
		for x := math.Ceil(max(a.X, c.X)); x <= min(b.X, d.X); x++ {
			if r := (point{X: x, Y: y}); contains(p, r) && contains(q, r) {
				n++
			}
		}
	}
	return n
}

// Inside returns a place that lies well inside an outline: its centroid where
// that does, else the middle of the widest part of the line across it there.
func Inside(outline []kernel.Point) Place {
	var c point
	whole := 0.0
	for i, a := range outline {
		b := outline[(i+1)%len(outline)]
		w := cross(outline[0], a, b)
		c.X += w * (outline[0].X + a.X + b.X) / 3
		c.Y += w * (outline[0].Y + a.Y + b.Y) / 3
		whole += w
	}
	if whole != 0 {
		c.X, c.Y = c.X/whole, c.Y/whole
	}
	if contains(outline, c) {
		return Place{c.X, c.Y}
	}
	at := slices.Sorted(crossings(outline, c.Y))
	best := 0.0
	for i := 0; i+1 < len(at); i += 2 {
		if w := at[i+1] - at[i]; w > best {
			best, c.X = w, (at[i]+at[i+1])/2
		}
	}
	return Place{c.X, c.Y}
}
