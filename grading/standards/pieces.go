package standards

import (
	"math"
	"slices"
)

// The states of a piece's ends that a size class can ask for. The empty string
// stands for ends that could not be judged.
const (
	EndsGrown     = "grown"     // no fracture at either end
	EndsFractured = "fractured" // a fracture at one end at least
)

// Takes reports whether p takes a piece of the given length, as a fraction of
// the reference length. sieveMM is the dimension in millimetres that decides
// whether it passes a round hole: it passes where it is less than the hole, so
// that a piece stuck in a hole counts as held (ISO model document for rice,
// Annex A). A sieveMM of 0 stands for "not known" and passes no hole. ends is
// EndsGrown, EndsFractured or "" for not judged.
func (p Part) Takes(length, sieveMM float64, ends string) bool {
	if !p.Length.Contains(length) {
		return false
	}
	passes := func(hole float64) bool { return sieveMM > 0 && sieveMM < hole }
	if p.ThroughMM > 0 && !passes(p.ThroughMM) || p.HeldMM > 0 && passes(p.HeldMM) {
		return false
	}
	switch p.Ends {
	case EndsGrown:
		return ends == EndsGrown || ends == "" && length >= p.UnseenFrom
	case EndsFractured:
		return ends == EndsFractured || ends == "" && length < p.UnseenFrom
	}
	return true
}

// Sieved reports whether p asks for a sieve, which needs millimetres.
func (p Part) Sieved() bool { return p.ThroughMM > 0 || p.HeldMM > 0 }

// A probe is a piece just inside, on or just outside a bound of a ladder.
type probe struct {
	length, sieveMM float64
	ends            string
}

func probes(parts []Part) []probe {
	lengths, holes, ends := []float64{0}, []float64{}, []string{""}
	for _, p := range parts {
		for _, x := range []float64{p.Length.Lo, p.Length.Hi, p.UnseenFrom} {
			if !math.IsInf(x, 0) {
				lengths = append(lengths, x)
			}
		}
		for _, x := range []float64{p.ThroughMM, p.HeldMM} {
			if x > 0 {
				holes = append(holes, x)
			}
		}
		if p.Ends != "" {
			ends = []string{"", EndsGrown, EndsFractured}
		}
	}
	var out []probe
	for _, s := range append(around(holes), 0) {
		for _, e := range ends {
			for _, l := range around(lengths) {
				out = append(out, probe{l, s, e})
			}
		}
	}
	return out
}

// around returns each x, a point between each two neighbours and one past the
// last, all above zero.
func around(xs []float64) []float64 {
	slices.Sort(xs)
	xs = slices.Compact(xs)
	var out []float64
	for i, x := range xs {
		if i == 0 && x > 0 {
			out = append(out, x/2)
		}
		if x > 0 {
			out = append(out, x)
		}
		if i+1 < len(xs) {
			out = append(out, (x+xs[i+1])/2)
		} else {
			out = append(out, x+1)
		}
	}
	return out
}
