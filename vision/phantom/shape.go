package phantom

import (
	"math"
	"math/rand/v2"
	"slices"
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
		for ys := section(p, x); len(ys) > 1; ys = ys[2:] {
			sum += b.kappa * h * h * (strip((ys[1]-mid)/h) - strip((ys[0]-mid)/h))
		}
	}
	return sum * dx
}

// bodyOf makes a body of a convex polygon.
func bodyOf(p []point, kappa float64) *body {
	bb := boxOf(p)
	const n = 40
	b := &body{kappa: kappa}
	for i := range n + 1 {
		// Just inside the ends, where the polygon still has two sides.
		x := lerp(bb.x0, bb.x1, min(1-1e-9, max(1e-9, float64(i)/n)))
		ys := section(p, x)
		b.x, b.low, b.high = append(b.x, x-bb.x0), append(b.low, ys[0]), append(b.high, ys[len(ys)-1])
	}
	return b
}
