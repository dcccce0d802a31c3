package standards

import (
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"traytally/vision/kernel/fault"
)

// A Rounding is the standard's rule for the figure that is compared with the
// limit.
type Rounding struct {
	Mode       string `yaml:"mode"`   // half_up, half_even or none
	Stage      string `yaml:"stage"`  // result: the factor's final figure is rounded, then compared
	Digits     Values `yaml:"digits"` // decimals kept
	Clause     string `yaml:"clause"`
	Source     string `yaml:"source"`
	FromMemory bool   `yaml:"from_memory"`
}

// rule is r in the grade with index i.
func (r *Rounding) rule(i int) Rule {
	d, _ := r.Digits.At(i)
	return Rule{Mode: r.Mode, Digits: int(d)}
}

// A Rule is a Rounding resolved for one limit.
type Rule struct {
	Mode   string `json:"mode"` // half_up, half_even or none
	Digits int    `json:"digits"`
}

// Round applies the rule to x. Half cases are decided on the decimal figure:
// 0.35 and 2.45 round up to 0.4 and 2.5 under half_up although their binary
// forms lie a hair below (7 CFR 868.308(a) gives both as its examples).
func (r Rule) Round(x float64) float64 {
	if !r.rounds() {
		return x
	}
	const hair = 1e-9 // far above binary error, far below any figure's meaning
	p := math.Pow(10, float64(r.Digits))
	scaled := math.Abs(x) * p
	n := math.Floor(scaled + 0.5 + hair)
	if r.Mode == "half_even" && math.Abs(scaled+0.5-n) <= hair && math.Mod(n, 2) == 1 {
		n--
	}
	return math.Copysign(n/p, x)
}

func (r Rule) rounds() bool { return r.Mode != "none" && r.Mode != "" }

// Format writes a limit with the decimals that are kept.
func (r Rule) Format(limit float64) string {
	if r.rounds() {
		return strconv.FormatFloat(limit, 'f', r.Digits, 64)
	}
	return FormatNumber(limit)
}

// Slack is the half of the last decimal that is kept, 0 where none is rounded to.
func (r Rule) Slack() float64 {
	if r.rounds() {
		return 0.5 * math.Pow(10, -float64(r.Digits))
	}
	return 0
}

// A Source is a document that figures were taken from.
type Source struct {
	Title string `yaml:"title" json:"title"`
	Year  string `yaml:"year" json:"year"`
	// Seen is how the text was met: "read" (the text or a copy of it),
	// "secondary" (a page that restates it), "memory" (not opened),
	// "practice" (trade usage without a source), "contract" (the buyer's own).
	Seen string `yaml:"seen" json:"seen"`
	Note string `yaml:"note" json:"note"`
}

// A Reference is the rule for the length that fractions refer to.
type Reference struct {
	Text       string `yaml:"text"`
	Kernels    Whole  `yaml:"kernels"` // whole kernels the rule averages, 0: not stated
	Clause     string `yaml:"clause"`
	Source     string `yaml:"source"`
	FromMemory bool   `yaml:"from_memory"`
}

// A Size is a class of pieces: by length as a fraction of the reference
// length, by a round-hole sieve, by the ends. All conditions given must hold.
type Size struct {
	Name      string  `yaml:"name"`
	Whole     bool    `yaml:"whole"`      // the class counts as whole or head rice
	Length    Range   `yaml:"length"`     // fraction of the reference length
	ThroughMM float64 `yaml:"through_mm"` // passes a round hole of this diameter
	HeldMM    float64 `yaml:"held_mm"`    // stays on a round hole of this diameter
	Ends      string  `yaml:"ends"`       // grown: no fracture at either end; fractured: one at least
	// UnseenFrom is the length fraction from which a piece whose ends a
	// neighbour hides is taken as grown. Only with Ends.
	UnseenFrom float64 `yaml:"unseen_from"`
	Clause     string  `yaml:"clause"`
	Source     string  `yaml:"source"`
	FromMemory Memory  `yaml:"from_memory"`
}

// Pieces says which pieces make up a factor: those of the sizes named, those
// with one of the flags, and those with so much chalk. One reason suffices.
type Pieces struct {
	Sizes []string `yaml:"sizes"`
	Flags []string `yaml:"flags"`
	// ChalkFrom is the opaque share of the visible surface, 0..1, from which a
	// kernel counts.
	ChalkFrom float64 `yaml:"chalk_from"`
	// LengthMM picks whole kernels by their length in millimetres.
	LengthMM Range `yaml:"length_mm"`
	// OfWhole makes the factor a share of the whole kernels, not of all pieces.
	OfWhole bool `yaml:"of_whole"`
}

// A Factor is one thing a standard measures, with its limit in every grade.
type Factor struct {
	Code string `yaml:"code"`
	Name string `yaml:"name"`
	// Variants holds the codes it belongs to, with * for any letters; empty: all
	// of the file. Except holds those it does not.
	Variants []string `yaml:"variants"`
	Except   []string `yaml:"except"`
	Basis    Basis    `yaml:"basis"`
	Clause   string   `yaml:"clause"`
	Source   string   `yaml:"source"`
	// FromMemory marks the limits; DefinitionFromMemory what counts.
	FromMemory           Memory     `yaml:"from_memory"`
	DefinitionFromMemory bool       `yaml:"definition_from_memory"`
	Definition           string     `yaml:"definition"` // in words
	Picture              PictureUse `yaml:"picture"`
	PictureNote          string     `yaml:"picture_note"`
	Sheet                string     `yaml:"sheet"` // sample-sheet field that decides it, before any picture
	Words                []string   `yaml:"words"` // for basis words, best first
	// Unless names factors that do the same work: where one of them was
	// assessed, this one is not asked for.
	Unless   []string  `yaml:"unless"`
	Pieces   *Pieces   `yaml:"pieces"`
	Rounding *Rounding `yaml:"rounding"`

	AtMost  Values `yaml:"at_most"`
	Below   Values `yaml:"below"`
	AtLeast Values `yaml:"at_least"`
	Above   Values `yaml:"above"`
}

// In reports whether the factor belongs to the variant with that code.
func (f *Factor) In(code string) bool {
	named := func(list []string) bool {
		return slices.ContainsFunc(list, func(pattern string) bool {
			ok, err := path.Match(pattern, code)
			return ok && err == nil
		})
	}
	return (len(f.Variants) == 0 || named(f.Variants)) && !named(f.Except)
}

// A bounded is what a factor's limits of one kind are, grade by grade.
type bounded struct {
	Bound
	Values
}

// bounds returns the limits by their kind.
func (f *Factor) bounds() [4]bounded {
	return [4]bounded{{AtMost, f.AtMost}, {Below, f.Below}, {AtLeast, f.AtLeast}, {Above, f.Above}}
}

// Range is what the limits leave.
func (f *Factor) Range() Range {
	return Range{From: f.AtLeast, Above: f.Above, Below: f.Below, UpTo: f.AtMost}
}

// HasLimit reports whether the factor is limited in any grade. A factor
// without limits is reported only.
func (f *Factor) HasLimit() bool { return f.Range().Given() }

// A Shape is the length, in millimetres, or the length-to-width ratio that the
// mean whole kernel must have for the variant to apply.
type Shape struct {
	Ratio      Range  `yaml:"ratio"`
	LengthMM   Range  `yaml:"length_mm"`
	Digits     Whole  `yaml:"digits"` // decimals to which the mean is rounded first
	Clause     string `yaml:"clause"`
	Source     string `yaml:"source"`
	FromMemory bool   `yaml:"from_memory"`
}

// A Variant is one rice type an edition covers, with a short code of its own.
type Variant struct {
	Code  string `yaml:"code"`
	Title string `yaml:"title"`
	Shape *Shape `yaml:"shape"`
}

// File is one edition as its YAML file states it.
type File struct {
	Schema   Whole  `yaml:"schema"`
	Document string `yaml:"title"`
	Body     string `yaml:"body"`
	Edition  string `yaml:"edition"`
	Status   string `yaml:"status"` // published, model, practice or contract
	Language string `yaml:"language"`
	ReadOn   string `yaml:"read_on"`
	Caution  string `yaml:"caution"`
	// NotInFile names what the document limits and this file does not hold,
	// because it was not read. It is always reported as not assessed.
	NotInFile []string          `yaml:"not_in_file"`
	Sources   map[string]Source `yaml:"sources"`
	Variants  []Variant         `yaml:"variants"`
	Grades    []string          `yaml:"grades"`    // best first
	BelowAll  string            `yaml:"below_all"` // what a lot is called that meets no grade
	Reference Reference         `yaml:"reference"`
	Rounding  Rounding          `yaml:"rounding"`
	Defects   string            `yaml:"one_defect_per_kernel"` // "" or lowest_limit, see OneDefect
	Sizes     []Size            `yaml:"sizes"`
	Broken    string            `yaml:"broken"` // code of the factor that is the broken share
	Factors   []Factor          `yaml:"factors"`
}

// OneDefect reports that a kernel with several defects counts for the one with
// the lowest limit only.
func (f *File) OneDefect() bool { return f.Defects == oneDefectLowest }

// A Standard is one variant of one edition, ready to be judged by.
type Standard struct {
	*File
	Variant
	Factors []Factor // of the file's those that belong to the variant
}

// Grade returns the index of the named grade. Case, blanks, points and percent
// signs do not matter, and the beginning or end of a name is enough where it
// fits one grade only: "1" is U.S. No. 1, "5%" is 5 % broken. The error is a *fault.Error.
func (s *Standard) Grade(name string) (int, error) {
	plain := func(n string) string {
		return strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return unicode.ToLower(r)
			}
			return -1
		}, n)
	}
	typed := plain(name)
	found, count := 0, 0
	for i, g := range s.Grades {
		if g == name || plain(g) == typed {
			return i, nil
		}
		if typed != "" && (strings.HasSuffix(plain(g), typed) || strings.HasPrefix(plain(g), typed)) {
			found, count = i, count+1
		}
	}
	if count == 1 {
		return found, nil
	}
	return 0, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("%s has no grade %q", s.Code, name), Hint: "its grades, best first: " + strings.Join(s.Grades, ", ")}
}

// Factor returns the factor with the given code, or nil.
func (s *Standard) Factor(code string) *Factor {
	for i := range s.Factors {
		if s.Factors[i].Code == code {
			return &s.Factors[i]
		}
	}
	return nil
}

// Broken returns the factor that is this standard's broken share.
func (s *Standard) Broken() *Factor { return s.Factor(s.File.Broken) }

// Cut returns the fraction of the reference length under which a piece is
// broken in every grade. It reports false where that moves with the grade or
// goes by the ends.
func (s *Standard) Cut() (float64, bool) {
	cut := 0.0
	for g := range s.Grades {
		most := 0.0
		for _, p := range s.PartsOf(s.Broken(), g) {
			if p.Ends != "" {
				return 0, false
			}
			most = max(most, p.Length.Hi)
		}
		if g > 0 && most != cut {
			return 0, false
		}
		cut = most
	}
	return cut, !math.IsInf(cut, 0)
}

// A Limit is one figure of the table with everything that belongs to it.
type Limit struct {
	Factor     *Factor
	Grade      string
	GradeIndex int // 0 is the best
	Bound      Bound
	Value      float64
	Unit       string
	Basis      Basis
	Clause     string
	Round      Rule
	Source     Source
	Mark       Mark
	// Sieved reports that a sieve decides what counts, for which a picture has
	// outlines only.
	Sieved bool
}

// Limits returns the limits of the grade with index i, in the order of the
// file.
func (s *Standard) Limits(i int) []Limit {
	var out []Limit
	for n := range s.Factors {
		f := &s.Factors[n]
		for _, b := range f.bounds() {
			x, ok := b.At(i)
			if !ok {
				continue
			}
			out = append(out, Limit{
				Factor: f, Grade: s.Grades[i], GradeIndex: i,
				Bound: b.Bound, Value: x, Unit: f.Basis.Unit(), Basis: f.Basis,
				Clause: f.Clause, Round: s.roundingOf(f, i), Source: s.Sources[f.Source],
				Mark: s.markOf(f, i), Sieved: s.Sieved(f, i),
			})
		}
	}
	return out
}

// markOf is the mark of the limits of f in the grade with index i.
func (s *Standard) markOf(f *Factor, i int) Mark {
	if f.FromMemory.In(s.Grades[i]) {
		return FromMemory
	}
	return s.Sources[f.Source].mark().Worse(s.DefinitionMark(f, i))
}

// DefinitionMark tells how far what counts as f in the grade with index i was
// read: its own definition and its size classes.
func (s *Standard) DefinitionMark(f *Factor, i int) Mark {
	if f.DefinitionFromMemory {
		return FromMemory
	}
	m := Unmarked
	for _, z := range s.Sizes {
		switch {
		case f.Pieces == nil || !slices.Contains(f.Pieces.Sizes, z.Name):
		case z.FromMemory.In(s.Grades[i]):
			m = FromMemory
		default:
			m = m.Worse(s.Sources[z.Source].mark())
		}
	}
	return m
}

// mark is the mark of what stands in the source.
func (s Source) mark() Mark {
	return map[string]Mark{"read": Read, "secondary": Restated, seenMemory: FromMemory}[s.Seen]
}

// Sieved reports whether some piece of a length counts as f, in the grade with
// index i, where it passes a hole and not where it is held, or the other way
// round.
func (s *Standard) Sieved(f *Factor, i int) bool {
	parts := s.PartsOf(f, i)
	takes := func(p probe, sieveMM float64) bool {
		return slices.ContainsFunc(parts, func(part Part) bool { return part.Takes(p.length, sieveMM, p.ends) })
	}
	const passes, held = 1e-6, 1e6
	return slices.ContainsFunc(probes(parts), func(p probe) bool { return takes(p, passes) != takes(p, held) })
}

func (s *Standard) roundingOf(f *Factor, i int) Rule {
	if f.Rounding != nil {
		return f.Rounding.rule(i)
	}
	return s.Rounding.rule(i)
}

// A Part is one size class resolved for one grade.
type Part struct {
	*Size
	Length Interval // fractions of the reference length
}

// Ladder returns the size classes of the grade with index i, in file order.
func (f *File) Ladder(i int) []Part {
	var out []Part
	for n := range f.Sizes {
		z := &f.Sizes[n]
		if iv, ok := z.Length.At(i); ok || !z.Length.Given() {
			out = append(out, Part{z, iv})
		}
	}
	return out
}

// PartsOf returns the size classes, in the grade with index i, that factor f
// adds up.
func (s *Standard) PartsOf(f *Factor, i int) []Part {
	if f.Pieces == nil {
		return nil
	}
	return slices.DeleteFunc(s.Ladder(i), func(p Part) bool { return !slices.Contains(f.Pieces.Sizes, p.Name) })
}
