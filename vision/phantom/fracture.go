package phantom

import (
	"math"
	"math/rand/v2"
)

// A fracture is a curve that cuts a body in two and keeps one side. It runs
// across the body, x as a function of y, or along it, y as a function of x.
type fracture struct {
	along             bool
	at, slope, bend   float64 // the function is at + slope·t + bend·t²
	rough             float64 // amplitude of the raggedness, mm
	seed              uint64
	keep              float64 // 1: the side of greater values stays, -1: the other
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
	stays := func(i int) bool { return f.side(p[(i+n)%n]) > 0 }
	var starts []int // of runs of corners that stay
	for i := range p {
		if stays(i) && !stays(i-1) {
			starts = append(starts, i)
		}
	}
	if len(starts) != 1 {
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
	var kept []point
	i := starts[0]
	for ; stays(i); i++ {
		kept = append(kept, p[i%n])
	}
	from := meet(kept[len(kept)-1], p[i%n])
	to := meet(kept[0], p[(starts[0]+n-1)%n])
	step := 0.12
	if f.rough > 0 {
		step = 0.04
	}
	m := max(2, int(math.Ceil(math.Abs(to-from)/step)))
	for k := range m + 1 {
		q := f.point(lerp(from, to, float64(k)/float64(m)))
		if k > 0 && k < m && !inside(p, q) {
			return nil, false
		}
		kept = append(kept, q)
	}
	a, b := f.point(from), f.point(to)
	f.middle = f.point((from + to) / 2)
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

// breakOff cuts a piece from an uncut one: a share of its length between
// least and most, from a tip or the middle, the faces square, oblique, curved
// or ragged, and the less so the more even; split lengthwise with the chance splinter.
func breakOff(r *rand.Rand, uncut *piece, least, most, splinter, even float64) *piece {
	b := uncut.body
	length := b.length()
	for try := 0; ; try++ {
		k := *uncut
		k.Intact = false
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
				k.Ends[0] = endBroken
			}
			if start+keep < 1 {
				k.fractures = append(k.fractures, face(r, b, (start+keep)*length, -1))
				k.Ends[1] = endBroken
			}
		}
		if split {
			low, high := b.at(length / 2)
			k.fractures = append(k.fractures, fracture{
				along: true, at: lerp(low, high, uniform(r, 0.3, 0.7)), slope: uniform(r, -0.04, 0.04),
				rough: uniform(r, 0.02, 0.08), seed: r.Uint64(), keep: sign(r),
			})
			k.Ends = [2]string{endBroken, endBroken}
		}
		if try > 60 { // a plain cut always works
			k.fractures = []fracture{{at: lerp(least, most, 0.5) * length, keep: -1}}
			k.Ends = [2]string{endIntact, endBroken}
		}
		ok := true
		for i := range k.fractures {
			k.fractures[i].rough *= 1 - even
			if k.outline, ok = k.fractures[i].cut(k.outline); !ok {
				break
			}
		}
		if ok && (math.Abs(signedArea(k.outline)) > 0.35 || try > 60) {
			if k.Ends[1] == endBroken {
				k.Notch[1] = 0
			}
			return &k
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
