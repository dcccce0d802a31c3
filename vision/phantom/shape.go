package phantom

import (
	"math"
	"math/rand/v2"
	"slices"

	"traytally/vision/kernel"
)

// Random streams, so that no part of a tray changes another one's draws.
const (
	streamBody = iota + 1
	streamCut
	streamDefect
	streamLook
	streamPlace
	streamForeign
	streamDust
	streamLight
	streamNoise
	streamBreak
	streamOrder
	streamNatural
)

// stream returns the random source number i of a stream.
func stream(seed uint64, name, i int) *rand.Rand {
	return rand.New(rand.NewPCG(spread(seed+uint64(name)<<56), spread(uint64(i)+uint64(name)<<40)))
}

// spread scatters neighbouring numbers over all 64 bits (the finalizer of
// SplitMix64: Steele, Lea, Flood, OOPSLA 2014).
func spread(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// uniform returns a number from low to high.
func uniform(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

// normal returns a standard normal number held within ±3.
func normal(r *rand.Rand) float64 { return min(3, max(-3, r.NormFloat64())) }

// sign returns -1 or 1.
func sign(r *rand.Rand) float64 { return float64(1 - 2*r.IntN(2)) }

// A body is a grown kernel, or any other solid that lies on the tray: stations
// along its axis from tip to tip, and the solid that stands on them. The frame
// is the body's own in millimetres, x along the axis from 0.
type body struct {
	x, low, high []float64 // ascending stations and the outline's two sides there
	kappa        float64   // thickness over width
}

// stations is the number of steps along a kernel; they crowd at the tips as
// the cosine of an even angle, so that blunt tips stay round.
const stations = 48

// grow makes a whole kernel of the given length, width and thickness seen from
// above, with a germ notch or without.
func grow(r *rand.Rand, s size, curve float64, notch bool) *body {
	b := &body{kappa: s.thick / s.width}
	ratio := s.length / s.width
	// Exponent of each half and side. Slender kernels have parallel flanks and
	// blunt tips, round ones are closer to an ellipse.
	full := 2.05 + 0.3*min(2, max(0, ratio-1.5))
	var along [2][2]float64 // [tail, germ end][low, high]
	for end := range along {
		e := full + uniform(r, -0.15, 0.45)
		for side := range along[end] {
			along[end][side] = max(1.7, e+0.15*normal(r))
		}
	}
	across := [2]float64{uniform(r, 1.85, 2.35), uniform(r, 1.85, 2.35)}
	widest := uniform(r, -0.16, 0.16)
	lean := uniform(r, -0.1, 0.1) // one side fuller than the other
	bow := uniform(r, -curve, curve) * s.length
	ess := uniform(r, -0.25, 0.25) * curve * s.length
	var wave [2][2]float64 // amplitude and phase of slight unevenness by side
	for side := range wave {
		wave[side] = [2]float64{uniform(r, 0, 0.015), uniform(r, 0, 2*math.Pi)}
	}
	notchLen := uniform(r, 0.3, 0.6) * s.width
	oblique := uniform(r, 0.3, 1.15)
	dent := uniform(r, 0.01, 0.07) * s.width
	dentAt := s.length - notchLen*uniform(r, 0.45, 0.75)
	flip := sign(r)

	for i := range stations + 1 {
		x := s.length * (1 - math.Cos(math.Pi*float64(i)/stations)) / 2
		u := 2*x/s.length - 1
		end, v := 0, (widest-u)/(1+widest)
		if u > widest {
			end, v = 1, (u-widest)/(1-widest)
		}
		v = min(v, 1)
		var h [2]float64
		for side := range h {
			h[side] = s.width / 2 * math.Pow(1-math.Pow(v, along[end][side]), 1/across[end]) *
				(1 + wave[side][0]*math.Sin(5*u+wave[side][1]))
		}
		h[0] *= 1 - lean
		h[1] *= 1 + lean
		if notch {
			d := (x - dentAt) / (0.14 * s.width)
			h[0] *= 1 - oblique*smooth(s.length-notchLen, s.length, x)
			h[0] -= dent * math.Exp(-d*d) * min(1, 3*h[1]/s.width)
		}
		mid := bow*(1-u*u) + ess*math.Sin(math.Pi*u)
		b.x, b.low, b.high = append(b.x, x), append(b.low, mid-h[0]), append(b.high, mid+max(h[1], -h[0]))
	}
	if flip < 0 {
		b.mirror()
	}
	b.scale(s)
	return b
}

// scale makes the calipers read what was asked for, bow and notch included.
func (b *body) scale(s size) {
	length, width := calipers(hull(b.outline()))
	for i := range b.x {
		b.x[i] *= s.length / length
		b.low[i] *= s.width / width
		b.high[i] *= s.width / width
	}
}

// mirror turns the body over its axis.
func (b *body) mirror() {
	b.low, b.high = b.high, b.low
	for i := range b.x {
		b.low[i], b.high[i] = -b.low[i], -b.high[i]
	}
}

// outline returns the closed polygon round the body.
func (b *body) outline() []point {
	n := len(b.x)
	p := make([]point, 0, 2*n)
	for i := range n {
		p = append(p, point{X: b.x[i], Y: b.low[i]})
	}
	for i := n - 1; i >= 0; i-- {
		if b.high[i] > b.low[i] {
			p = append(p, point{X: b.x[i], Y: b.high[i]})
		}
	}
	return p
}

// length returns the extent along the axis.
func (b *body) length() float64 { return b.x[len(b.x)-1] }

// at returns the two sides of the outline at x, by linear interpolation.
func (b *body) at(x float64) (low, high float64) {
	i, _ := slices.BinarySearch(b.x, x)
	i = min(len(b.x)-1, max(1, i))
	t := min(1, max(0, (x-b.x[i-1])/(b.x[i]-b.x[i-1])))
	return lerp(b.low[i-1], b.low[i], t), lerp(b.high[i-1], b.high[i], t)
}

// wholeVolume returns the volume of the solid, exact for sides that are straight
// between stations.
func (b *body) wholeVolume() float64 {
	sum := 0.0
	for i := 1; i < len(b.x); i++ {
		g, h := (b.high[i-1]-b.low[i-1])/2, (b.high[i]-b.low[i])/2
		sum += (b.x[i] - b.x[i-1]) * (g*g + g*h + h*h) / 3
	}
	return math.Pi * b.kappa * sum
}

// volume returns the volume of the part of the solid that stands on the
// polygon p. A section at x is an ellipse of the width w found there and κ·w
// thick; of it what lies between the crossings of p with that x is summed in closed
// form, and the sections along x in strips.
func (b *body) volume(p []point) float64 {
	bb := boxOf(p)
	dx := (bb.x1 - bb.x0) / strips
	// Share of a unit circle's area below height t, up to a constant.
	strip := func(t float64) float64 {
		t = min(1, max(-1, t))
		return t*math.Sqrt(1-t*t) + math.Asin(t)
	}
	sum := 0.0
	for k := range strips {
		x := bb.x0 + (float64(k)+0.5)*dx
		low, high := b.at(x)
		h, mid := (high-low)/2, (high+low)/2
		if h <= 0 {
			continue
		}
		for ys := crossings(p, x); len(ys) > 1; ys = ys[2:] {
			sum += b.kappa * h * h * (strip((ys[1]-mid)/h) - strip((ys[0]-mid)/h))
		}
	}
	return sum * dx
}

// A fracture is a curve that cuts a body in two and keeps one side. It runs
// across the body, x as a function of y, or along it, y as a function of x.
type fracture struct {
	along             bool
	at, slope, bend   float64 // the function is at + slope·t + bend·t²
	rough             float64 // amplitude of the raggedness, mm
	seed              uint64
	keep              float64 // 1: the side of greater values stays, -1: the other
	from, to          float64 // t where it enters and leaves the body
	middle, direction point   // of the cut face: its middle, and the unit vector pointing out of the piece
}

func (f *fracture) value(t float64) float64 {
	v := f.at + f.slope*t + f.bend*t*t
	if f.rough > 0 {
		v += f.rough * (wobble(f.seed, t/0.3) + 0.5*wobble(f.seed+1, t/0.12))
	}
	return v
}

// own swaps x and y of a lengthwise fracture, so that all run across; and back.
func (f *fracture) own(q point) point {
	if f.along {
		return point{X: q.Y, Y: q.X}
	}
	return q
}

// side is positive for what stays; its size is the distance along x, or along
// y for a lengthwise fracture.
func (f *fracture) side(q point) float64 {
	q = f.own(q)
	return f.keep * (q.X - f.value(q.Y))
}

func (f *fracture) point(t float64) point { return f.own(point{X: f.value(t), Y: t}) }

// wobble is smooth noise in one dimension, -1..1, with one random value at
// each integer.
func wobble(seed uint64, t float64) float64 {
	i := math.Floor(t)
	value := func(i float64) float64 {
		return float64(spread(seed^uint64(int64(i))*0x9e3779b97f4a7c15)>>11)/(1<<52) - 1
	}
	return lerp(value(i), value(i+1), smooth(0, 1, t-i))
}

// cut returns the part of p that the fracture keeps, with the fracture itself
// as new corners, and fills in where the fracture lies. It reports false where
// the curve does not part p into just two pieces.
func (f *fracture) cut(p []point) ([]point, bool) {
	n := len(p)
	stay := make([]bool, n)
	changes, start := 0, -1
	for i := range p {
		stay[i] = f.side(p[i]) > 0
	}
	for i := range p {
		if stay[i] != stay[(i+1)%n] {
			changes++
			if !stay[i] {
				start = (i + 1) % n
			}
		}
	}
	if changes != 2 {
		return nil, false
	}
	meet := func(in, out point) float64 { // where the side from in to out meets the curve
		low, high := 0.0, 1.0
		var q point
		for range 40 {
			t := (low + high) / 2
			if q = (point{X: lerp(in.X, out.X, t), Y: lerp(in.Y, out.Y, t)}); f.side(q) > 0 {
				low = t
			} else {
				high = t
			}
		}
		return f.own(q).Y
	}
	kept := make([]point, 0, n+40)
	i := start
	for ; stay[i]; i = (i + 1) % n {
		kept = append(kept, p[i])
	}
	f.from = meet(kept[len(kept)-1], p[i])
	f.to = meet(kept[0], p[(start+n-1)%n])
	step := 0.12
	if f.rough > 0 {
		step = 0.04
	}
	m := max(2, int(math.Ceil(math.Abs(f.to-f.from)/step)))
	for k := range m + 1 {
		q := f.point(lerp(f.from, f.to, float64(k)/float64(m)))
		if k > 0 && k < m && !inside(p, q) {
			return nil, false
		}
		kept = append(kept, q)
	}
	a, b := f.point(f.from), f.point(f.to)
	f.middle = f.point((f.from + f.to) / 2)
	across := point{X: b.Y - a.Y, Y: a.X - b.X} // normal to the chord
	l := math.Hypot(across.X, across.Y)
	if l < 0.2 {
		return nil, false
	}
	f.direction = point{X: across.X / l, Y: across.Y / l}
	if f.side(move(f.middle, f.direction, 0.05)) > 0 {
		f.direction = move(point{}, f.direction, -1)
	}
	return kept, true
}

// A piece is what lies on the tray: a body, or what fractures left of it.
type piece struct {
	body      *body
	fractures []fracture
	outline   []point // in the frame of the body
	intact    bool
	ends      [2]kernel.End
	defect    defect
	chalk     float64 // share of the surface, wanted
	look      *rand.Rand

	// Measures of the outline and of the solid on it.
	centre                            point // in the frame of the body
	length, width, axis, area, convex float64
	angle                             float64 // of the axis, in the frame of the body
	volume                            float64
	paint                             *paint  // set by dress
	coarse                            []point // fewer corners, about the centre
	reach                             float64 // greatest distance of the outline from the centre
	at                                point   // on the tray, mm
	turn                              float64 // rad
	placed                            []point // coarse, on the tray
	bounds                            box
	group                             int
	notch                             float64  // depth of the germ notch at the end of greater x, mm
	top                               bool     // to lie on others
	covered                           float64  // share of the area that others hide
	thing                             *thing   // where it is one
	contacts                          []*piece // what it touches
}

// measure fills in the measures.
func (k *piece) measure() {
	var xx, xy, yy float64
	k.area, k.centre, xx, xy, yy = moments(k.outline)
	h := hull(k.outline)
	k.convex = math.Abs(signedArea(h))
	k.length, k.width = calipers(h)
	k.angle = axisAngle(xx, xy, yy)
	k.axis = extent(h, k.angle)
	if k.intact {
		k.volume = k.body.wholeVolume()
	} else {
		k.volume = k.body.volume(k.outline)
	}
}

// whole makes a piece of an uncut body.
func whole(b *body) *piece {
	return &piece{
		body: b, outline: b.outline(), intact: true, defect: sound,
		ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact},
	}
}

// breakOff cuts a piece from a whole kernel: a share of its length between
// least and most, from a tip or the middle, the faces square, oblique, curved
// or ragged, and the less so the more even; split lengthwise with the chance splinter.
func breakOff(r *rand.Rand, b *body, least, most, splinter, even float64) *piece {
	for try := 0; ; try++ {
		k := whole(b)
		k.intact = false
		length := b.length()
		keep := uniform(r, least, most)
		split := r.Float64() < splinter
		if !split || r.Float64() < 0.5 {
			start := 0.0
			switch {
			case keep < 0.6 && r.Float64() < 0.4: // from the middle
				start = uniform(r, 0.12, 0.88-keep)
			case r.IntN(2) == 0:
				start = 1 - keep
			}
			if start > 0 {
				k.fractures = append(k.fractures, face(r, b, start*length, 1))
				k.ends[0] = kernel.EndBroken
			}
			if start+keep < 1 {
				k.fractures = append(k.fractures, face(r, b, (start+keep)*length, -1))
				k.ends[1] = kernel.EndBroken
			}
		}
		if split {
			low, high := b.at(length / 2)
			k.fractures = append(k.fractures, fracture{
				along: true, at: lerp(low, high, uniform(r, 0.3, 0.7)), slope: uniform(r, -0.04, 0.04),
				rough: uniform(r, 0.02, 0.08), seed: r.Uint64(), keep: sign(r),
			})
			k.ends = [2]kernel.End{kernel.EndBroken, kernel.EndBroken}
		}
		if try > 60 { // a plain cut always works
			k.fractures = []fracture{{at: lerp(least, most, 0.5) * length, keep: -1}}
			k.ends = [2]kernel.End{kernel.EndIntact, kernel.EndBroken}
		}
		ok := true
		for i := range k.fractures {
			k.fractures[i].rough *= 1 - even
			if k.outline, ok = k.fractures[i].cut(k.outline); !ok {
				break
			}
		}
		if ok && (math.Abs(signedArea(k.outline)) > 0.35 || try > 60) {
			return k
		}
	}
}

// face draws a fracture across the body at x.
func face(r *rand.Rand, b *body, x, keep float64) fracture {
	low, high := b.at(x)
	mid, w := (low+high)/2, max(0.3, high-low)
	f := fracture{keep: keep, seed: r.Uint64()}
	switch r.IntN(5) {
	case 0: // square
		f.slope = uniform(r, -0.1, 0.1)
	case 1, 2: // oblique
		f.slope = sign(r) * uniform(r, 0.15, 0.9)
	case 3: // curved
		f.slope = uniform(r, -0.3, 0.3)
		f.bend = sign(r) * uniform(r, 0.3, 0.8) / w
	default: // ragged
		f.slope = uniform(r, -0.4, 0.4)
		f.rough = uniform(r, 0.05, 0.14)
	}
	if f.rough == 0 {
		f.rough = uniform(r, 0, 0.025)
	}
	// The curve passes through x on the axis.
	f.at = x - f.slope*mid - f.bend*mid*mid
	return f
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
	k.notch = notch
	k.defect, k.chalk, k.look = class, chalk, stream(p.Seed, streamLook, i)
	return k
}

// kernels draws the rice of the tray.
func (p Params) kernels() []*piece {
	broken := func(i int, w *piece) *piece {
		k := breakOff(stream(p.Seed, streamCut, i), w.body, p.PieceMin, p.PieceMax, p.Splinters, 0.7*p.Natural)
		k.defect, k.chalk, k.look, k.notch = w.defect, w.chalk, w.look, w.notch
		return k
	}
	all := make([]*piece, p.Count)
	for i := range all {
		all[i] = p.uncut(i)
		if p.BrokenMass == 0 && all[i].defect != paddy &&
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
		if k.defect == paddy {
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
	low, high := 0, len(order) // the share grows with m but for the odd step
	for high-low > 1 {
		if m := (low + high) / 2; share(m) < p.BrokenMass {
			low = m
		} else {
			high = m
		}
	}
	best := low
	for m := max(0, low-3); m <= min(len(order), high+3); m++ {
		if math.Abs(share(m)-p.BrokenMass) < math.Abs(share(best)-p.BrokenMass) {
			best = m
		}
	}
	for _, i := range order[:best] {
		all[i] = cut[i]
	}
}

// drawDefect draws what a piece suffers from, and its chalky share.
func (p Params) drawDefect(r *rand.Rand) (defect, float64) {
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
	add := func(n int, d defect, make func(r *rand.Rand) *piece) {
		for range n {
			r := stream(p.Seed, streamForeign, len(all))
			k := make(r)
			k.defect, k.look = d, stream(p.Seed, streamLook, 1<<24+len(all))
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

// bodyOf makes a body of a convex polygon.
func bodyOf(p []point, kappa float64) *body {
	bb := boxOf(p)
	const n = 40
	b := &body{kappa: kappa}
	for i := range n + 1 {
		// Just inside the ends, where the polygon still has two sides.
		x := lerp(bb.x0, bb.x1, min(1-1e-9, max(1e-9, float64(i)/n)))
		low, high := math.Inf(1), math.Inf(-1)
		for j, q := range p {
			r := p[(j+1)%len(p)]
			if (q.X > x) != (r.X > x) {
				y := q.Y + (x-q.X)/(r.X-q.X)*(r.Y-q.Y)
				low, high = min(low, y), max(high, y)
			}
		}
		b.x, b.low, b.high = append(b.x, x-bb.x0), append(b.low, low), append(b.high, high)
	}
	return b
}
