package segment

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"traytally/vision/internal/geom"
)

// windowBits is how far beyond the first atom not yet covered a piece may
// reach, in atoms. Atoms are numbered along the region, and a strip one kernel
// long across a tray 300 mm wide holds about that many.
const windowBits = 512

// A window is a set of atoms, numbered from a first one.
type window [windowBits / 64]uint64

func (w *window) has(i int) bool {
	return uint(i) < windowBits && w[i>>6]>>(i&63)&1 != 0
}

func (w *window) add(i int) { w[i>>6] |= 1 << (i & 63) }

// advance shifts the set past its leading members and returns how many.
func (w *window) advance() int {
	n := 0
	for n < windowBits && w.has(n) {
		n++
	}
	words, bit := n>>6, n&63
	for i := range w {
		v := uint64(0)
		if i+words < len(w) {
			v = w[i+words] >> bit
			if bit > 0 && i+words+1 < len(w) {
				v |= w[i+words+1] << (64 - bit)
			}
		}
		w[i] = v
	}
	return n
}

func (w *window) hash() uint64 {
	h := uint64(0)
	for _, v := range w {
		h = bits.RotateLeft64((h^v)*0x9e3779b97f4a7c15, 29) // the golden ratio's bits
	}
	return h ^ h>>32
}

// A table finds the places of windows in a list that its user keeps.
type table []int32 // place plus 1, 0 for none; a power of two long

// room makes the table empty, and large enough for n windows.
func (t *table) room(n int) {
	size := 64
	for size < 2*n {
		size *= 2
	}
	*t = grow(*t, size)
}

// find returns where the place of w is kept, or will be; at returns the window
// in a place.
func (t table) find(w *window, at func(place int32) *window) *int32 {
	for h := w.hash(); ; h++ {
		p := &t[h&uint64(len(t)-1)]
		if *p == 0 || *at(*p - 1) == *w {
			return p
		}
	}
}

// borderCost is the cost of dividing, and of not dividing, along a border.
func (m *Model) borderCost(b *border) (divide, join float64) {
	l := b.length / m.Width
	v := math.Max(-0.1, math.Min(0.3, b.valley))
	// half a point per width of cut in plain kernel, less in a valley
	divide = math.Max(0.1, 0.3+1.0*l-6*v*math.Min(l, 1))
	join = math.Max(0, v-0.05) * 16 * math.Min(l, 1.5)
	return divide, join
}

// mostHeld is the greatest cost of undivided valleys and notches with which a
// candidate piece still grows.
const mostHeld = 5

// A candidate piece does not grow beyond these multiples of a whole kernel.
const mostLength, mostWidth, mostArea = 1.32, 1.6, 1.45

// A union is a candidate piece: a connected set of atoms.
type union struct {
	atoms [2]int32 // its part of divider.members
	cost  float64
	price float64 // sum of the prices of its atoms
}

// A divider finds the division of a region into pieces. Its memory serves one
// region after the other.
type divider struct {
	m    *Model
	as   []atom
	bays [][]bay

	unions  []union
	first   []int32 // unions[first[k]:first[k+1]] have k as their first atom
	members []int32 // atoms of the unions

	// while the unions of an atom are listed
	queue  []growing
	parts  []int32 // atoms of those in the queue
	points []Point // their hulls
	seen   table

	// while the division is searched
	layers []layer
	spare  [][]partial
	nodes  []node
}

// cover finds the division of the atoms into candidate pieces of least cost.
// It returns the number of the piece for every atom, and how many pieces there
// are.
func (d *divider) cover(as []atom, bays [][]bay, m *Model) (piece []int, count int) {
	d.m, d.as, d.bays = m, as, bays
	d.unions, d.first, d.members = d.unions[:0], d.first[:0], d.members[:0]
	for k := range as {
		d.first = append(d.first, int32(len(d.unions)))
		d.list(int32(k))
	}
	d.first = append(d.first, int32(len(d.unions)))
	pi := d.prices()
	for i := range d.unions {
		u := &d.unions[i]
		for _, j := range d.of(u) {
			u.price += pi[j]
		}
	}
	return d.search()
}

// of returns the atoms of a union.
func (d *divider) of(u *union) []int32 { return d.members[u.atoms[0]:u.atoms[1]] }

// A growing is a set of atoms that may become a union.
type growing struct {
	set       window   // from the first atom
	atoms     [2]int32 // its part of divider.parts
	hull      [2]int32 // its part of divider.points
	area      float64
	from      int32      // it grew from this one in the queue
	low, high [2]float64 // bounds of its hull: x, y
}

// hullOf returns the hull of one in the queue.
func (d *divider) hullOf(i int32) []Point { q := &d.queue[i]; return d.points[q.hull[0]:q.hull[1]] }

// list adds the candidate pieces whose first atom is a.
func (d *divider) list(a int32) {
	const most = 400
	as, m := d.as, d.m
	d.queue, d.parts, d.points = d.queue[:0], d.parts[:0], d.points[:0]
	d.seen.room(most)
	setAt := func(i int32) *window { return &d.queue[i].set }
	push := func(g growing, add int32) {
		// put it where it is found again
		n := int32(len(d.queue))
		p := d.seen.find(&g.set, setAt)
		if *p != 0 {
			return
		}
		*p = n + 1
		from := int32(len(d.parts))
		if n > 0 {
			q := d.queue[g.from].atoms
			d.parts = append(d.parts, d.parts[q[0]:q[1]]...)
		}
		d.parts = append(d.parts, add)
		g.atoms = [2]int32{from, int32(len(d.parts))}
		d.queue = append(d.queue, g)
		if 2*len(d.queue) > len(d.seen) {
			d.seen.room(2 * len(d.queue))
			for i := range d.queue {
				*d.seen.find(&d.queue[i].set, setAt) = int32(i) + 1
			}
		}
	}
	first := growing{area: as[a].area, low: as[a].low, high: as[a].high}
	first.set.add(0)
	push(first, a)
	begin := len(d.unions)
	for i := int32(0); int(i) < len(d.queue) && len(d.unions)-begin < most; i++ {
		it := d.queue[i]
		atoms := d.parts[it.atoms[0]:it.atoms[1]]
		last := atoms[len(atoms)-1]
		it.hull[0] = int32(len(d.points))
		if i == 0 {
			d.points = append(d.points, as[a].hull...)
		} else {
			d.points = geom.AppendHull(d.points, d.hullOf(it.from), as[last].hull)
		}
		it.hull[1] = int32(len(d.points))
		d.queue[i].hull = it.hull
		hull := d.hullOf(i)
		// a hull through pixel centres is half a pixel inside the region
		c := geom.Caliper(hull)
		l, w := c.Max+1, c.Min+1
		hp := 0.0
		for i, q := range hull {
			hp += q.Dist(hull[(i+1)%len(hull)])
		}
		sol := math.Min(1, it.area/(geom.Area(hull)+hp/2+0.8))
		big := l > mostLength*m.Length || it.area > mostArea*m.Area || w > mostWidth*m.Width
		if big && i > 0 {
			continue
		}
		cost, held := m.cost(l, w, it.area, sol), 0.0
		for _, i := range atoms {
			// inner borders are left undivided, outer ones divided; each is
			// met from both sides
			for _, b := range as[i].next {
				if it.set.has(b.to - int(a)) {
					held += b.join / 2
				} else {
					cost += b.divide / 2
				}
			}
			for _, b := range d.bays[i] {
				if !slices.ContainsFunc(b.atoms, func(j int) bool { return !it.set.has(j - int(a)) }) {
					held += b.cost
				}
			}
		}
		cost += held
		from := int32(len(d.members))
		d.members = append(d.members, atoms...)
		d.unions = append(d.unions, union{atoms: [2]int32{from, int32(len(d.members))}, cost: cost})
		if big || held > mostHeld {
			continue // what it holds already, it will hold when it grows
		}
		for _, k := range atoms {
			for _, b := range as[k].next {
				j := b.to - int(a)
				if j < 0 || j >= windowBits || it.set.has(j) {
					continue
				}
				next := &as[b.to]
				if it.area+next.area > mostArea*m.Area || math.Hypot(next.x-as[a].x, next.y-as[a].y) > mostLength*m.Length {
					continue
				}
				g := growing{set: it.set, area: it.area + next.area, from: i}
				for k := range 2 {
					g.low[k], g.high[k] = min(it.low[k], next.low[k]), max(it.high[k], next.high[k])
				}
				if max(g.high[0]-g.low[0], g.high[1]-g.low[1])+1 > mostLength*m.Length {
					continue // its greatest diameter is no less
				}
				g.set.add(j)
				push(g, int32(b.to))
			}
		}
	}
}

// prices gives every atom a price, such that the pieces of a good division
// cost about what their atoms are worth and others cost more: the multipliers
// of the division's linear relaxation, by the subgradient method (Held, Wolfe
// & Crowder 1974). What is not yet covered is then worth what it will cost.
func (d *divider) prices() []float64 {
	n := len(d.as)
	pi := make([]float64, n)
	for i := range pi {
		pi[i] = math.Inf(1)
	}
	for k := range d.unions {
		u := &d.unions[k]
		sum := 0.0
		for _, i := range d.of(u) {
			sum += d.as[i].area
		}
		for _, i := range d.of(u) {
			pi[i] = math.Min(pi[i], u.cost*d.as[i].area/sum)
		}
	}
	best, bestBound := slices.Clone(pi), math.Inf(-1)
	over := make([]float64, n)
	step := 0.25
	for range 80 {
		bound := 0.0
		for i, p := range pi {
			bound += p
			over[i] = 1
		}
		for k := range d.unions {
			u := &d.unions[k]
			atoms := d.of(u)
			r := u.cost
			for _, i := range atoms {
				r -= pi[i]
			}
			if r < 0 {
				bound += r
				for _, i := range atoms {
					over[i]--
				}
			}
		}
		if bound > bestBound {
			bestBound = bound
			copy(best, pi)
		}
		for i := range pi {
			pi[i] += step * math.Max(-2, over[i])
		}
		step *= 0.96
	}
	return best
}

// A partial is a division of the first atoms of a region.
type partial struct {
	set      window // atoms covered, from the first that is not
	cost     float64
	value    float64 // cost over the price of what is covered
	from, by int32   // node it grew from, and the union it grew by
	seq      int     // order of making, against ties
}

// A node is a partial division that was gone on from.
type node struct{ from, by int32 }

// beam is how many partial divisions are gone on from at each atom.
const beam = 100

// A layer holds the partial divisions whose first atom not yet covered is the
// same.
type layer struct {
	list []partial
	full bool    // thinned out at least once, so that
	most float64 // more than this value is not among the best any more
}

// search finds the division of least cost by a beam search over the first atom
// not yet covered, led by the prices.
func (d *divider) search() (piece []int, count int) {
	n, made := len(d.as), 0
	d.layers = grow(d.layers, n+1)
	d.nodes = d.nodes[:0]
	d.layers[0].list = []partial{{from: -1}}
	for k := range n {
		d.thin(&d.layers[k])
		list := d.layers[k].list
		for r := range list {
			s := &list[r]
			here := int32(len(d.nodes))
			d.nodes = append(d.nodes, node{s.from, s.by})
		unions:
			for i := d.first[k]; i < d.first[k+1]; i++ {
				u := &d.unions[i]
				set := s.set
				for _, j := range d.of(u) {
					if set.has(int(j) - k) {
						continue unions
					}
				}
				for _, j := range d.of(u) {
					set.add(int(j) - k)
				}
				made++
				next := &d.layers[k+set.advance()]
				value := s.value + u.cost - u.price
				if next.full && value > next.most {
					continue
				}
				if next.list == nil && len(d.spare) > 0 {
					next.list = d.spare[len(d.spare)-1]
					d.spare = d.spare[:len(d.spare)-1]
				}
				next.list = append(next.list, partial{set: set, cost: s.cost + u.cost, value: value, from: here, by: i, seq: made})
				if len(next.list) >= 8*beam {
					d.thin(next)
				}
			}
		}
		if list != nil {
			d.spare = append(d.spare, list[:0])
		}
		d.layers[k] = layer{}
	}
	piece = make([]int, n)
	end := &d.layers[n] // all that is covered: one
	d.thin(end)
	if len(end.list) > 0 {
		for s := (node{end.list[0].from, end.list[0].by}); s.from >= 0; s = d.nodes[s.from] {
			for _, j := range d.of(&d.unions[s.by]) {
				piece[j] = count
			}
			count++
		}
		d.spare = append(d.spare, end.list[:0])
	}
	*end = layer{}
	return piece, count
}

// thin keeps, of partial divisions that cover the same atoms, the one of least
// cost, the first made of equal ones; then those of the best value, at most
// beam, in their order.
func (d *divider) thin(l *layer) {
	list := l.list
	d.seen.room(len(list))
	kept := 0
	at := func(i int32) *window { return &list[i].set }
	for i := range list {
		p := d.seen.find(&list[i].set, at)
		switch {
		case *p == 0:
			list[kept] = list[i]
			kept++
			*p = int32(kept)
		case list[i].cost < list[*p-1].cost:
			list[*p-1] = list[i]
		}
	}
	list = list[:kept]
	slices.SortFunc(list, func(a, b partial) int {
		return cmp.Or(cmp.Compare(a.value, b.value), cmp.Compare(a.seq, b.seq))
	})
	if len(list) > beam {
		list = list[:beam]
		l.full, l.most = true, list[beam-1].value
	}
	l.list = list
}
