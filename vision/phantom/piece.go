package phantom

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// A piece is what lies on the tray: a body, or what fractures left of it. The
// angle of its Kernel is that in the frame of the body; the truth gets what
// hangs on the place from here.
type piece struct {
	Kernel
	body      *body
	fractures []fracture
	outline   []point // in the frame of the body
	centre    point   // of its area
	look      *rand.Rand

	// Where it lies.
	coarse   []point // about 45 of the outline's corners: within 0.02 mm of it
	reach    float64 // greatest distance of the outline from the centre
	at       point   // on the tray, mm
	turn     float64 // rad
	placed   []point // coarse, on the tray
	bounds   box
	contacts []*piece // what it touches

	paint *paint // set by tint and dress
	thing *thing // where it is one
}

// measure fills in the measures of the outline and of the solid on it.
func (k *piece) measure() {
	var xx, xy, yy float64
	k.Area, k.centre, xx, xy, yy = moments(k.outline)
	h := hull(k.outline)
	k.Solidity = min(1, k.Area/math.Abs(signedArea(h)))
	k.Length, k.Width = calipers(h)
	k.Angle = math.Atan2(2*xy, xx-yy) / 2
	k.Axis = extent(h, k.Angle)
	if k.Intact {
		k.Volume = k.body.wholeVolume()
	} else {
		k.Volume = k.body.volume(k.outline)
	}
	k.coarse, k.reach = nil, 0
	for i, q := range k.outline {
		k.reach = max(k.reach, q.Dist(k.centre))
		if i%max(1, len(k.outline)/40) == 0 {
			k.coarse = append(k.coarse, q)
		}
	}
}

// Ends of a piece, as the truth file has them.
const (
	endIntact = "intact"
	endBroken = "broken"
)

// noGroup is the group of a piece that has no number yet.
const noGroup = -1

// whole makes a piece of an uncut body.
func whole(b *body) *piece {
	return &piece{
		body: b, outline: b.outline(),
		Kernel: Kernel{Intact: true, Defect: sound, Group: noGroup, Ends: [2]string{endIntact, endIntact}},
	}
}

// uncut draws whole kernel number i of the tray.
func (p Params) uncut(i int) *piece {
	r := stream(p.Seed, streamBody, i)
	d := stream(p.Seed, streamDefect, i)
	class, chalk := p.drawDefect(d)
	s := milled[p.Kind]
	if class == paddy {
		s = rough[p.Kind]
	}
	s.length *= 1 + p.LengthCV*normal(r)
	w := 1 + p.WidthCV*normal(r)
	s.width *= w
	s.thick *= w * (1 + 0.4*p.WidthCV*normal(r))
	if r.Float64() < p.OnSideShare {
		s.width, s.thick = s.thick, s.width
	}
	germ := class != paddy && r.Float64() < 0.85
	b := grow(r, s, p.Curve, germ && p.Natural == 0)
	notch := 0.0
	if germ && p.Natural > 0 {
		notch = b.notch(stream(p.Seed, streamNatural, i), s, p.Natural)
	}
	if class == sound && chalk == 0 && !p.Parboiled && d.Float64() < naturalChalk*p.Natural {
		chalk = uniform(d, 0.04, 0.42) // below every limit, as WhiteBelly
	}
	k := whole(b)
	k.Notch[1], k.Defect, k.Chalk, k.look = notch, class, chalk, stream(p.Seed, streamLook, i)
	return k
}

// kernels draws the rice of the tray.
func (p Params) kernels() []*piece {
	broken := func(i int, w *piece) *piece {
		return breakOff(stream(p.Seed, streamCut, i), w, p.PieceMin, p.PieceMax, p.Splinters, 0.7*p.Natural)
	}
	all := make([]*piece, p.Count)
	for i := range all {
		all[i] = p.uncut(i)
		if p.BrokenMass == 0 && all[i].Defect != paddy &&
			stream(p.Seed, streamBreak, i).Float64() < p.BrokenShare {
			all[i] = broken(i, all[i])
		}
		all[i].measure()
	}
	if p.BrokenMass > 0 {
		p.breakToMass(all, broken)
	}
	return all
}

// breakToMass replaces as many of the kernels by pieces of them as bring the
// broken share by mass nearest to what is wanted.
func (p Params) breakToMass(all []*piece, broken func(int, *piece) *piece) {
	cut := make([]*piece, len(all))
	var order []int // in which they break
	for i, k := range all {
		if k.Defect == paddy {
			continue
		}
		cut[i] = broken(i, k)
		cut[i].measure()
		order = append(order, i)
	}
	stream(p.Seed, streamBreak, 0).Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	share := func(m int) float64 {
		mix := slices.Clone(all)
		for _, i := range order[:m] {
			mix[i] = cut[i]
		}
		_, mass, _ := brokenShares(mix)
		return mass
	}
	// The share grows with m but for the odd step.
	near := sort.Search(len(order), func(m int) bool { return share(m) >= p.BrokenMass })
	best := near
	for m := max(0, near-4); m <= min(len(order), near+3); m++ {
		if math.Abs(share(m)-p.BrokenMass) < math.Abs(share(best)-p.BrokenMass) {
			best = m
		}
	}
	for _, i := range order[:best] {
		all[i] = cut[i]
	}
}

// drawDefect draws what a piece suffers from, and its chalky share.
func (p Params) drawDefect(r *rand.Rand) (defect string, chalk float64) {
	at := r.Float64()
	for _, d := range p.defects() {
		if at < d.share {
			return d.defect, uniform(r, d.low, d.high)
		}
		at -= d.share
	}
	return sound, 0
}

// foreignBodies draws stones, husks and seeds.
func (p Params) foreignBodies() []*piece {
	var all []*piece
	add := func(n int, defect string, make func(r *rand.Rand) *piece) {
		for range n {
			r := stream(p.Seed, streamForeign, len(all))
			k := make(r)
			k.Defect, k.look = defect, stream(p.Seed, streamLook, 1<<24+len(all))
			k.measure()
			all = append(all, k)
		}
	}
	add(p.Stones, stone, func(r *rand.Rand) *piece {
		// Corners on a wavering circle, their hull squeezed.
		n := 7 + r.IntN(6)
		q := make([]point, n)
		radius, squeeze := uniform(r, 0.6, 1.6), uniform(r, 0.55, 1)
		for i := range q {
			a := 2 * math.Pi * (float64(i) + uniform(r, -0.35, 0.35)) / float64(n)
			l := radius * uniform(r, 0.8, 1.1)
			q[i] = point{X: l * math.Cos(a), Y: l * squeeze * math.Sin(a)}
		}
		return whole(bodyOf(hull(q), 0.75))
	})
	add(p.Husks, husk, func(r *rand.Rand) *piece {
		s := rough[p.Kind]
		s.length *= uniform(r, 0.8, 1)
		s.width *= uniform(r, 0.4, 0.75)
		s.thick = 0.1 * s.width // a shell: κ such that the solid is that of a 0.1 mm leaf, about
		return whole(grow(r, s, uniform(r, 0.03, 0.1), false))
	})
	add(p.Seeds, seed, func(r *rand.Rand) *piece {
		l := uniform(r, 1.2, 2.6)
		w := l * uniform(r, 0.65, 0.97)
		return whole(grow(r, size{l, w, w * 0.85}, 0.02, false))
	})
	return all
}
