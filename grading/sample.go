package grading

import (
	"slices"

	"traytally/vision/kernel"
)

// A Predicate reports whether a piece belongs to the part whose share is
// asked, when its length is ratio times the reference. Use ratio, not
// p.Length, for every rule on length: the doubt of the length and of the
// reference is found by asking again with other ratios.
type Predicate func(p *Piece, ratio float64) bool

// A Sample is the rice of one or more trays with the reference length its
// pieces are judged by.
type Sample struct {
	Params    Params
	MM        bool    // lengths are millimetres, else pixels
	Pieces    []Piece // the rice
	Foreign   []Piece // foreign bodies, in no share of the rice
	Reference Reference
	Trays     int // pictures it came from; every Piece.Tray is less
	// Unresolved is the share, 0..1, of the area of all rice that lies in
	// groups which could not be taken apart. They could hold anything, and
	// every interval is widened by that.
	Unresolved float64
}

// Told reports whether the whole-kernel length is known, and so the size
// classes.
func (s *Sample) Told() bool { return s.Reference.Length > 0 }

// Ratio returns the length of p, as far as it is seen, over the reference
// length; 0 where that is not told. Of a piece that a person called whole it is
// 1 at least, of one called broken just short of whole at most.
func (s *Sample) Ratio(p *Piece) float64 {
	r := s.measured(p)
	switch {
	case !s.Told():
	case p.Called == kernel.CalledWhole:
		return max(1, r)
	case p.Called == kernel.CalledBroken:
		return min(r, s.Params.Cut*(1-1e-6))
	}
	return r
}

// measured is Ratio whatever people call p.
func (s *Sample) measured(p *Piece) float64 {
	if !s.Told() {
		return 0
	}
	return p.along(s.Params.Measure) / s.Reference.Length
}

// possible returns ratios, one of each size class, that p may have where its
// own does not tell: what a person called it; all of them of a piece that another covers, unless what
// is seen is long enough for a head kernel. Without a reference length only
// the tips speak, where their look leaves little doubt. It returns nil where
// the ratio is known.
func (s *Sample) possible(p *Piece) []float64 {
	cut := s.Params.Cut
	all := []float64{0.2, 0.4, (0.5 + cut) / 2, 1}
	switch {
	case p.Called != "" && s.Told():
		return []float64{s.Ratio(p)}
	case p.Called == kernel.CalledBroken:
		return all[:3]
	case p.Called == kernel.CalledWhole:
		return all[3:]
	case s.Told() && p.covered() && !AtLeast(s.Ratio(p), cut):
		return all
	case s.Told():
		return nil
	}
	switch odds := lookOf(p.Odds).broken(); {
	case odds > sureByTips:
		return all[:3]
	case odds < 1/sureByTips:
		return all[3:]
	}
	return all
}

// sureByTips is from which odds on, either way, the tips alone tell whole from
// broken: four to one, our choice. Of 396 pieces on six photographs of real
// crowds, set by eye, half are told by it, and one in forty of these wrongly.
const sureByTips = 4

// byTips returns the share of broken pieces, percent by mass and by count, that
// makes the looks of all tips likeliest: those that leave doubt take part by
// their odds (expectation and maximisation).
func (s *Sample) byTips() (mass, count float64) {
	share := func(weight func(*Piece) float64) float64 {
		r := 0.5
		for range 100 {
			in, all := 0.0, 0.0
			for i := range s.Pieces {
				p := &s.Pieces[i]
				odds := lookOf(p.Odds).broken() * r
				in += weight(p) * odds / (odds + 1 - r)
				all += weight(p)
			}
			r = in / all
		}
		return 100 * r
	}
	return share(func(p *Piece) float64 { return p.Mass }), share(func(*Piece) float64 { return 1 })
}

// noLength says why what hangs on the whole-kernel length is not assessed.
const noLength = "the whole-kernel length is not told"

// hangs reports whether in asks for a size that is not told, for want of a
// reference length.
func (s *Sample) hangs(in Predicate) bool {
	return !s.Told() && slices.ContainsFunc(s.Pieces, func(p Piece) bool {
		last := in(&p, 1)
		return in(&p, 0.2) != last || in(&p, 0.4) != last || in(&p, (0.5+s.Params.Cut)/2) != last
	})
}

// settled returns in for p and true, or false where it may be either.
func (s *Sample) settled(p *Piece, in Predicate) (is, ok bool) {
	ratios := s.possible(p)
	if ratios == nil {
		return in(p, s.Ratio(p)), true
	}
	is = in(p, ratios[0])
	for _, r := range ratios {
		if in(p, r) != is {
			return false, false
		}
	}
	return is, true
}

// Broken returns the predicate "shorter than the fraction cut of the
// reference length".
func Broken(cut float64) Predicate {
	return func(_ *Piece, ratio float64) bool { return !AtLeast(ratio, cut) }
}
