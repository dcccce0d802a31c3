package phantom

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"traytally/vision/kernel/fault"
)

// onTray takes points from the frame of the piece's body to the tray, in mm.
func (k *piece) onTray(p ...point) []point {
	sin, cos := math.Sincos(k.turn)
	return mapped(p, func(q point) point {
		q = q.Sub(k.centre)
		return point{X: k.at.X + q.X*cos - q.Y*sin, Y: k.at.Y + q.X*sin + q.Y*cos}
	})
}

// pose moves the piece to a place.
func (k *piece) pose(at point, turn float64) {
	k.at, k.turn = at, turn
	k.placed = k.onTray(k.coarse...)
	k.bounds = boxOf(k.placed)
}

// to tells how the piece lies to another one; see relation.
func (k *piece) to(o *piece, far float64) (pressed, clear float64) {
	return relation(k.placed, o.placed, k.bounds, o.bounds, far)
}

// A layout places pieces on a tray.
type layout struct {
	p     Params
	r     *rand.Rand
	w, h  float64
	grid  *grid[*piece] // placed, by their centres
	all   []*piece      // placed
	reach float64       // greatest of all pieces
}

func newLayout(p Params, pieces []*piece) *layout {
	l := &layout{p: p, r: stream(p.Seed, streamPlace, 0), reach: 1}
	l.w, l.h = p.sizeMM()
	for _, k := range pieces {
		l.reach = max(l.reach, k.reach)
	}
	cell := max(2, l.reach)
	l.grid = newGrid[*piece](box{-cell, -cell, l.w + cell, l.h + cell}, cell)
	return l
}

// near yields the placed pieces whose bounds meet b.
func (l *layout) near(b box) iter.Seq[*piece] {
	return func(yield func(*piece) bool) {
		for cell := range l.grid.in(b.grown(l.reach)) {
			for _, k := range *cell {
				if k.bounds.meets(b) && !yield(k) {
					return
				}
			}
		}
	}
}

// touched yields the placed pieces that the piece presses into.
func (l *layout) touched(k *piece) iter.Seq[*piece] {
	return func(yield func(*piece) bool) {
		for o := range l.near(k.bounds) {
			if pressed, _ := k.to(o, 0); pressed > 0 && !yield(o) {
				return
			}
		}
	}
}

// touches reports whether the piece presses into any that is placed.
func (l *layout) touches(k *piece) bool {
	for range l.touched(k) {
		return true
	}
	return false
}

// put enters a piece where it lies, and joins it with what it touches.
func (l *layout) put(k *piece) {
	k.contacts = slices.Collect(l.touched(k))
	for _, o := range k.contacts {
		o.contacts = append(o.contacts, k)
	}
	l.all = append(l.all, k)
	l.grid.enter(boxRound(k.at, 0), k)
}

func (l *layout) inMargin(k *piece) bool {
	m, b := l.p.MarginMM, k.bounds
	return b.x0 >= m && b.y0 >= m && b.x1 <= l.w-m && b.y1 <= l.h-m
}

// free reports whether the piece presses into others by no more than press, and
// keeps clear of those it does not touch.
func (l *layout) free(k *piece, press float64) bool {
	for o := range l.near(k.bounds.grown(l.p.GapMM)) {
		pressed, clear := k.to(o, l.p.GapMM+1e-3)
		if pressed > press || pressed == 0 && clear < l.p.GapMM {
			return false
		}
	}
	return true
}

// try poses a piece until it fits, so many times at most, and puts it there.
func (l *layout) try(times int, k *piece, fits func() bool) bool {
	for range times {
		if fits() {
			l.put(k)
			return true
		}
	}
	return false
}

// scatter lays the piece at random, clear of all others.
func (l *layout) scatter(k *piece) bool {
	return l.try(3000, k, func() bool {
		k.pose(point{X: uniform(l.r, 0, l.w), Y: uniform(l.r, 0, l.h)}, uniform(l.r, 0, 2*math.Pi))
		return l.inMargin(k) && l.free(k, 0)
	})
}

// pile lays the piece on one that lies on the tray, or on several, so that it
// hides no less than pileLeast of one and no more than pileMost of any.
func (l *layout) pile(k *piece) bool {
	k.OnTop = true
	return l.try(1000, k, func() bool {
		host := l.all[l.r.IntN(len(l.all))]
		u := polar(host.axisOnTray())
		along, side := uniform(l.r, -0.6, 0.6)*host.Length, uniform(l.r, -0.9, 0.9)*host.Width
		at := move(move(host.at, u, along), point{X: -u.Y, Y: u.X}, side)
		k.pose(at, uniform(l.r, 0, 2*math.Pi))
		ok, most := l.rests(k)
		return l.inMargin(k) && ok && most >= pileLeast
	})
}

// rests reports whether the piece may lie where it is, with nothing but pieces
// of the tray under it, and the greatest share of one that is hidden then.
func (l *layout) rests(k *piece) (ok bool, most float64) {
	for o := range l.near(k.bounds.grown(l.p.GapMM)) {
		pressed, clear := k.to(o, l.p.GapMM+1e-3)
		switch {
		case o.OnTop || o.thing != nil:
			if pressed > 0 || clear < l.p.GapMM {
				return false, 0
			}
		case pressed > 0:
			over := [][]point{k.placed}
			for _, c := range o.contacts {
				if c.OnTop {
					over = append(over, c.placed)
				}
			}
			if most = max(most, hidden(o.placed, over)); most > pileMost {
				return false, 0
			}
		}
	}
	return true, most
}

// layAcross lays the piece so that an edge of the picture cuts it.
func (l *layout) layAcross(k *piece) bool {
	return l.try(3000, k, func() bool {
		k.pose(point{}, uniform(l.r, 0, 2*math.Pi))
		b := k.bounds
		at := point{X: uniform(l.r, 0, l.w), Y: uniform(l.r, 0, l.h)}
		in := uniform(l.r, 0.2, 0.8) // how much of it lies inside
		switch l.r.IntN(4) {
		case 0:
			at.X = -lerp(b.x1, b.x0, in)
		case 1:
			at.X = l.w - lerp(b.x0, b.x1, in)
		case 2:
			at.Y = -lerp(b.y1, b.y0, in)
		default:
			at.Y = l.h - lerp(b.y0, b.y1, in)
		}
		k.pose(at, k.turn)
		// A corner may hold next to nothing of it.
		return k.bounds.meets(box{0.4, 0.4, l.w - 0.4, l.h - 0.4}) && l.free(k, 0)
	})
}

// approach moves the piece from outside along the unit vector d until it meets
// the first thing, and then by depth more. It reports false where the way
// starts inside something or meets nothing.
func (l *layout) approach(k *piece, from point, turn float64, d point, depth, far float64) bool {
	k.pose(from, turn)
	if l.touches(k) {
		return false
	}
	start := k.bounds
	way := box{
		min(start.x0, start.x0+far*d.X), min(start.y0, start.y0+far*d.Y),
		max(start.x1, start.x1+far*d.X), max(start.y1, start.y1+far*d.Y),
	}
	s := math.Inf(1)
	for o := range l.near(way) {
		s = min(s, travel(k.placed, o.placed, d))
	}
	if s > far {
		return false
	}
	k.pose(move(k.at, d, s+depth), turn)
	return true
}

// axisOnTray returns the direction of the piece's axis on the tray.
func (k *piece) axisOnTray() float64 { return k.Angle + k.turn }

// push lays the piece against one of the hosts.
func (l *layout) push(k *piece, hosts []*piece) bool {
	weights := l.p.Mix.list()
	return l.try(70, k, func() bool {
		host := hosts[len(hosts)-1-l.r.IntN(min(len(hosts), 12))]
		// A contact may be so shallow that the coarse polygons miss it: the
		// group of the truth comes from contacts only, so press on.
		return l.meet(k, host, hosts, pick(l.r, weights)) && l.inMargin(k) && l.free(k, l.p.PressMM) && l.touches(k)
	})
}

// meet moves the piece against the host, in one of the ways of Mix by its
// place there. It reports false where that fails.
func (l *layout) meet(k, host *piece, hosts []*piece, way int) bool {
	depth := l.p.PressMM * uniform(l.r, 0.25, 0.95)
	along := host.axisOnTray()
	axis := uniform(l.r, 0, 2*math.Pi) // of the piece when laid
	d := polar(uniform(l.r, 0, 2*math.Pi))
	target := host.at
	slide := func(a, by float64) { target = move(host.at, polar(a), by) }
	switch way {
	case 1: // flank along flank
		axis = along + uniform(l.r, -0.12, 0.12)
		d = polar(along + sign(l.r)*math.Pi/2)
		slide(along, uniform(l.r, -0.35, 0.35)*host.Length)
	case 2: // tip to tip
		axis = along + uniform(l.r, -0.3, 0.3)
		d = polar(along + math.Pi*float64(l.r.IntN(2)))
		slide(along+math.Pi/2, uniform(l.r, -0.2, 0.2)*host.Width)
	case 3: // tip against a flank
		axis = along + math.Pi/2 + uniform(l.r, -0.4, 0.4)
		d = polar(along + sign(l.r)*math.Pi/2)
		slide(along, uniform(l.r, -0.42, 0.42)*host.Length)
	case 4: // into a corner
		return len(host.contacts) > 0 && l.bridge(k, host, host.contacts[l.r.IntN(len(host.contacts))], axis, depth)
	case 5:
		return l.faceToFace(k, hosts, depth)
	case 6: // a ring
		o := hosts[l.r.IntN(len(hosts))]
		gap := host.at.Dist(o.at)
		if o == host || gap < 0.6*k.Length || gap > 1.9*k.Length || slices.Contains(host.contacts, o) {
			return false
		}
		return l.bridge(k, host, o, math.Atan2(o.at.Y-host.at.Y, o.at.X-host.at.X)+uniform(l.r, -0.25, 0.25), depth)
	default:
		slide(math.Atan2(d.X, -d.Y), uniform(l.r, -0.35, 0.35)*host.Length)
	}
	far := host.reach + k.reach + 0.5
	return l.approach(k, move(target, d, -far), axis-k.Angle, d, depth, 2*far)
}

// bridge moves the piece against a and b at once: it slides along the line of
// their centres until both stop it at the same moment.
func (l *layout) bridge(k *piece, a, b *piece, axis, depth float64) bool {
	ab := math.Atan2(b.at.Y-a.at.Y, b.at.X-a.at.X)
	u := polar(ab)
	d := polar(ab + sign(l.r)*math.Pi/2 + uniform(l.r, -0.3, 0.3))
	half := a.at.Dist(b.at)/2 + 0.5
	far := a.reach + b.reach + k.reach
	turn := axis - k.Angle
	low, high := -half, half
	middle := point{X: (a.at.X + b.at.X) / 2, Y: (a.at.Y + b.at.Y) / 2}
	for range 14 {
		t := (low + high) / 2
		start := move(move(middle, u, t), d, -far)
		k.pose(start, turn)
		toA, toB := travel(k.placed, a.placed, d), travel(k.placed, b.placed, d)
		if math.IsInf(toA, 1) && math.IsInf(toB, 1) {
			return false
		}
		if math.Abs(toA-toB) < 0.5*depth {
			// Come from as near as the neighbours allow, not from far out.
			near := max(0, min(toA, toB)-0.6)
			return l.approach(k, move(start, d, near), turn, d, depth, 2*far)
		}
		if toA < toB {
			low = t
		} else {
			high = t
		}
	}
	return false
}

// faceToFace moves a cut face of the piece against one of a host, or of any
// other piece where no host has one.
func (l *layout) faceToFace(k *piece, hosts []*piece, depth float64) bool {
	uncut := func(o *piece) bool { return len(o.fractures) == 0 }
	fit := slices.DeleteFunc(slices.Clone(hosts), uncut)
	if len(fit) == 0 {
		fit = slices.DeleteFunc(slices.Clone(l.all), uncut)
	}
	if uncut(k) || len(fit) == 0 {
		return false
	}
	o := fit[l.r.IntN(len(fit))]
	f, g := &k.fractures[l.r.IntN(len(k.fractures))], &o.fractures[l.r.IntN(len(o.fractures))]
	out := polar(math.Atan2(g.direction.Y, g.direction.X) + o.turn)
	turn := math.Atan2(-out.Y, -out.X) - math.Atan2(f.direction.Y, f.direction.X) + uniform(l.r, -0.1, 0.1)
	k.pose(point{}, turn)
	apart := o.onTray(g.middle)[0].Sub(k.onTray(f.middle)[0])
	far := k.reach + o.reach
	from := move(move(apart, out, far), point{X: -out.Y, Y: out.X}, uniform(l.r, -0.3, 0.3))
	return l.approach(k, from, turn, move(point{}, out, -1), depth, far+1)
}

// pick draws an index by weight.
func pick(r *rand.Rand, weights []float64) int {
	sum := 0.0
	for _, w := range weights {
		sum += w
	}
	at := r.Float64() * sum
	for i, w := range weights {
		if at < w {
			return i
		}
		at -= w
	}
	return 0
}

// lay places rice and foreign bodies, things, and across the picture's edge
// the cut kernels. It sorts those that the truth lists in reading order.
func (p Params) lay(listed, across, things []*piece) error {
	all := slices.Concat(listed, across, things)
	l := newLayout(p, all)
	if !every(things, l.scatter) || !every(across, l.layAcross) || !l.layRice(listed) {
		return &fault.Error{
			Kind: fault.Usage, What: fmt.Sprintf("%v of %.0f × %.0f mm for %d of %d pieces", ErrNoRoom, l.w, l.h, len(all)-len(l.all), len(all)),
			Hint: "give fewer pieces with --count, or a larger tray with --width and --height, or a lower --cover", Err: ErrNoRoom,
		}
	}
	number(listed)
	slices.SortStableFunc(listed, func(a, b *piece) int {
		return cmp.Or(cmp.Compare(a.at.Y, b.at.Y), cmp.Compare(a.at.X, b.at.X))
	})
	return nil
}

// every reports whether place finds room for each of the pieces.
func every(pieces []*piece, place func(*piece) bool) bool {
	return !slices.ContainsFunc(pieces, func(k *piece) bool { return !place(k) })
}

// layRice lays groups that touch, then single pieces, then those on top. It
// reports false where there is no room.
func (l *layout) layRice(listed []*piece) bool {
	order := slices.Clone(listed)
	l.r.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	flat := len(order) - int(math.Round(l.p.Pile*float64(len(order))))
	grouped := int(math.Round(l.p.TouchShare * float64(flat)))
	if grouped < 2 {
		grouped = 0
	}
	var groups [][]*piece
	for i := 0; i < grouped; {
		size := 2 + int(l.r.ExpFloat64()*(l.p.GroupMean-1.5)) // whole numbers: mean GroupMean, about
		if grouped-i-size < 2 {
			size = grouped - i
		}
		if !l.scatter(order[i]) && !l.pushAnywhere(order[i], groups) { // no free place left: join others
			return false
		}
		group := []*piece{order[i]}
		for _, k := range order[i+1 : i+size] {
			if l.push(k, group) {
				group = append(group, k)
			} else if !l.pushAnywhere(k, groups) && !l.scatter(k) {
				return false
			}
		}
		groups = append(groups, group)
		i += size
	}
	return every(order[grouped:flat], l.scatter) && every(order[flat:], l.pile)
}

// pushAnywhere pushes the piece against one of some groups.
func (l *layout) pushAnywhere(k *piece, groups [][]*piece) bool {
	if len(groups) == 0 {
		return false
	}
	for range 12 {
		if l.push(k, groups[l.r.IntN(len(groups))]) {
			return true
		}
	}
	return false
}

// number gives pieces that touch, directly or through others, the same group
// number.
func number(all []*piece) {
	group := 0
	var join func(k *piece)
	join = func(k *piece) {
		k.Group = group
		for _, o := range k.contacts {
			if o.Group == noGroup {
				join(o)
			}
		}
	}
	for _, k := range all {
		if k.Group == noGroup {
			join(k)
			group++
		}
	}
}
