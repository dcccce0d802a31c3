package standards

import (
	"math"
	"slices"
)

// A Bound says which side of its value a limit allows, and whether the value
// itself is allowed.
type Bound string

// The four kinds of limit, named as the files write them.
const (
	AtMost  Bound = "at_most"  // value and less: "4.0 % max"
	Below   Bound = "below"    // less than the value: "under 50 %"
	AtLeast Bound = "at_least" // value and more: "60.0 % min"
	Above   Bound = "above"    // more than the value: "over 25.0 %"
)

// Holds reports whether x is on the allowed side of limit. What differs by
// less than floating-point division leaves is on the limit.
func (b Bound) Holds(x, limit float64) bool {
	if math.Abs(x-limit) <= boundSlack*math.Max(1, math.Abs(limit)) {
		return b.Inclusive()
	}
	return (x < limit) == b.Upper()
}

// Upper reports whether b is a ceiling (at_most, below).
func (b Bound) Upper() bool { return b == AtMost || b == Below }

// Inclusive reports whether the limit's own value is allowed.
func (b Bound) Inclusive() bool { return b == AtMost || b == AtLeast }

// String returns the bound in words: "at most", "under", "at least", "over".
func (b Bound) String() string {
	return map[Bound]string{AtMost: "at most", Below: "under", AtLeast: "at least", Above: "over"}[b]
}

// A Basis says what a factor's figure is a share or a number of.
type Basis string

// The bases in use.
const (
	ByMass   Basis = "mass"      // percent by mass
	ByCount  Basis = "count"     // percent by number of kernels
	PerKg    Basis = "per_kg"    // number in 1 kg of rice
	Per500g  Basis = "per_500g"  // number in 500 g of rice
	Per100g  Basis = "per_100g"  // number in 100 g of rice
	InSample Basis = "in_sample" // number in the sample as drawn
	YesNo    Basis = "yes_no"    // 0 absent, 1 present: odour
	ByWords  Basis = "words"     // position in the factor's list of words, 1 is the first
)

// Unit returns the unit in which figures on this basis are printed.
func (b Basis) Unit() string {
	return map[Basis]string{ByMass: "%", ByCount: "%", PerKg: "per kg", Per500g: "per 500 g", Per100g: "per 100 g"}[b]
}

// SamplePortionG returns the grams of rice that a number-per-portion basis
// refers to, 0 for every other basis.
func (b Basis) SamplePortionG() float64 {
	return map[Basis]float64{PerKg: 1000, Per500g: 500, Per100g: 100}[b]
}

// A PictureUse says how far one flat picture in reflected light decides a
// factor.
type PictureUse string

// The zero value means that a picture does not decide the factor at all.
const (
	PictureNone      PictureUse = ""
	PictureDecides   PictureUse = "decides"   // the rule itself is visible
	PictureEstimates PictureUse = "estimates" // a stand-in is measured, off to either side
	PictureAtLeast   PictureUse = "at_least"  // only a part of what counts is visible: can fail, cannot pass
	PictureHints     PictureUse = "hints"     // shows suspects; the rule needs another means
)

// A Mark says how far the text behind a limit was read.
type Mark string

// The three marks, and none for what has no text to be read: trade usage, and a
// contract's own lines.
const (
	Read       Mark = "read"     // the figure and what counts under it stand in a text that was read
	Restated   Mark = "restated" // one of them was read only in a page that restates the text
	FromMemory Mark = "memory"   // one of them is from memory
	Unmarked   Mark = ""
)

// String returns the mark as it stands beside a limit; empty for what was read
// and what has no text.
func (m Mark) String() string {
	return map[Mark]string{Restated: "restated", FromMemory: "from memory"}[m]
}

// Note is the mark as it stands behind a limit in a text: " (restated)", or nothing.
func (m Mark) Note() string {
	if s := m.String(); s != "" {
		return " (" + s + ")"
	}
	return ""
}

// Worse returns the mark that says less of m and n.
func (m Mark) Worse(n Mark) Mark {
	order := []Mark{Unmarked, Read, Restated, FromMemory}
	return order[max(slices.Index(order, m), slices.Index(order, n))]
}
