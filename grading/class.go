package grading

// A Class is the size class of a piece by its length as a fraction of the
// reference length.
type Class string

// The classes, largest first. The limits are those of the Annex of Codex
// CXS 198-1995 (Standard for Rice), recalled from memory, not read in the
// original: a head kernel has 3/4 of the average length or more, a large
// broken less than 3/4 and more than 1/2, a medium broken 1/2 or less and more
// than 1/4, a small broken 1/4 or less; what passes a metal sieve with round
// holes of 1.4 mm is a chip. So 3/4 belongs to the larger class, 1/2 and 1/4
// to the smaller. Some restatements give 1/2 and 1/4 to the larger class; on
// a continuous measure the choice moves no figure.
const (
	Head         Class = "head" // whole kernels included
	LargeBroken  Class = "large_broken"
	MediumBroken Class = "medium_broken"
	SmallBroken  Class = "small_broken"
	Chip         Class = "chip"
	ForeignBody  Class = "foreign" // not rice, not in any share of the rice

	// AnyBroken is a broken piece whose size is not told, for want of a
	// whole-kernel length, and Untold what may be whole or broken.
	AnyBroken Class = "broken"
	Untold    Class = "untold"
)

// Classes lists the size classes of rice, largest first.
var Classes = [...]Class{Head, LargeBroken, MediumBroken, SmallBroken, Chip}

// ratioEps is the relative slack of a comparison with a limit, so that a
// length that is three quarters of the reference on paper counts as such after
// division in floating point.
const ratioEps = 1e-9

// AtLeast reports whether ratio reaches the limit, equality included, with the
// slack that floating-point division needs.
func AtLeast(ratio, limit float64) bool { return ratio >= limit*(1-ratioEps) }

// above reports whether ratio is more than the limit, equality excluded.
func above(ratio, limit float64) bool { return ratio > limit*(1+ratioEps) }

// ClassOf returns the size class of p as far as it can be told.
func (s *Sample) ClassOf(p *Piece) Class {
	for _, c := range Classes {
		is, ok := s.settled(p, func(p *Piece, ratio float64) bool { return s.Class(p, ratio) == c })
		if is && ok {
			return c
		}
	}
	if broken, ok := s.settled(p, Broken(s.Params.Cut)); broken && ok {
		return AnyBroken
	}
	return Untold
}

// Size returns the class of a piece of the given length ratio when kernels
// from cut on (3/4 in Codex) are head. With a cut at or below 1/2 the class of
// large brokens, or that of medium ones too, is empty. Chips are not told
// here: see Sample.Class.
func Size(ratio, cut float64) Class {
	switch {
	case AtLeast(ratio, cut):
		return Head
	case above(ratio, 0.5):
		return LargeBroken
	case above(ratio, 0.25):
		return MediumBroken
	}
	return SmallBroken
}

// Class returns the size class of p at the given length ratio. A chip is a
// small broken whose least width in the picture is under Params.ChipHoleMM: a
// round hole lets a piece through by its second largest dimension, and of a
// flat-lying piece that is the width seen, its thickness being hidden. It is
// an estimate of what the sieve does, and is told only where lengths are in
// millimetres.
func (s *Sample) Class(p *Piece, ratio float64) Class {
	c := Size(ratio, s.Params.Cut)
	if c == SmallBroken && s.MM && p.Width < s.Params.ChipHoleMM {
		return Chip
	}
	return c
}
