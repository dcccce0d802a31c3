package standards

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

func (c *checker) factor(i int) {
	f := c.file
	x := &f.Factors[i]
	at := fmt.Sprintf("$.factors[%d]", i)
	c.code(at+".code", x.Code)
	c.text(at, "name", x.Name)
	c.oneOf(at+".basis", "basis", string(x.Basis), bases)
	c.oneOf(at+".picture", "picture", string(x.Picture), pictureUses)
	c.source(at+".source", x.Source, true)
	c.memory(at+".from_memory", x.FromMemory)
	c.variants(at+".variants", x.Variants)
	c.variants(at+".except", x.Except)
	if f.Sources[x.Source].Seen == seenMemory && x.HasLimit() && !x.FromMemory.all {
		c.add(at, "write from_memory: true", "the source of %s was not opened, and its limits are not marked from memory", x.Name)
	}
	for _, u := range x.Unless {
		if u == x.Code || !slices.ContainsFunc(f.Factors, func(y Factor) bool { return y.Code == u }) {
			c.add(at+".unless", "", "there is no other factor %q", u)
		}
	}
	if x.Sheet != "" {
		c.oneOf(at+".sheet", "sheet field", x.Sheet, SheetFields)
	}
	if x.Rounding != nil {
		c.rounding(at+".rounding", *x.Rounding)
	}
	c.pieces(at, x)
	if x.HasLimit() {
		c.text(at, "clause", x.Clause)
	}
	if x.Basis == ByWords && len(x.Words) == 0 {
		c.add(at, "list the words, best first", "basis words without words")
	}
	c.limits(at, x)
}

// variants checks that each pattern is that of a variant.
func (c *checker) variants(path string, patterns []string) {
	for _, v := range patterns {
		one := Factor{Variants: []string{v}}
		if !slices.ContainsFunc(c.file.Variants, func(w Variant) bool { return one.In(w.Code) }) {
			c.add(path, "", "there is no variant %q", v)
		}
	}
}

func (c *checker) pieces(at string, x *Factor) {
	if (x.Picture != PictureNone) != (x.Pieces != nil) {
		c.add(at, "a factor that a picture shows has both picture: and pieces:", "picture and pieces go together")
	}
	if x.Picture != PictureNone && x.Picture != PictureDecides {
		c.text(at, "picture_note (what the picture cannot show)", x.PictureNote)
	}
	p := x.Pieces
	if p == nil {
		return
	}
	if len(p.Sizes) == 0 && len(p.Flags) == 0 && p.ChalkFrom == 0 && !p.LengthMM.Given() {
		c.add(at+".pieces", "sizes, flags, chalk_from or length_mm", "pieces says nothing")
	}
	for _, s := range p.Sizes {
		if !slices.ContainsFunc(c.file.Sizes, func(z Size) bool { return z.Name == s }) {
			c.add(at+".pieces.sizes", "", "there is no size %q", s)
		}
	}
	for _, s := range p.Flags {
		c.oneOf(at+".pieces.flags", "flag", s, PieceFlags)
	}
	c.fraction(at+".pieces.chalk_from", "chalk_from", p.ChalkFrom, 1, "share of the surface")
	c.interval(at+".pieces.length_mm", p.LengthMM)
	if p.OfWhole && !slices.ContainsFunc(c.file.Sizes, func(z Size) bool { return z.Whole }) {
		c.add(at+".pieces.of_whole", "mark one of the sizes whole: true", "no size is whole")
	}
}

func (c *checker) limits(at string, x *Factor) {
	for _, b := range x.bounds() {
		path := at + "." + string(b.Bound)
		if !c.perGrade(path, b.Values) {
			return
		}
		for g := range b.list {
			v, ok := b.At(g)
			if !ok {
				continue
			}
			where := path
			if !b.scalar {
				where = fmt.Sprintf("%s[%d]", path, g)
			}
			c.limit(where, x, b.Bound, v)
		}
	}
	for g, grade := range c.file.Grades {
		if x.Range().doubled(g) {
			c.add(at, "at_most or below, at_least or above", "grade %s: two limits on the same side", grade)
		}
		if iv, _ := x.Range().At(g); iv.Lo > iv.Hi {
			c.add(at, "", "grade %s: at least %s and at most %s cannot both hold", grade, FormatNumber(iv.Lo), FormatNumber(iv.Hi))
		}
	}
}

// leastBrokenLimitPct is the lowest limit on the whole broken share that is
// taken as meant in percent: 0.05 stands for 5 % far more often than for one
// kernel in two thousand (common practice, no source).
const leastBrokenLimitPct = 0.5

func (c *checker) limit(path string, x *Factor, b Bound, v float64) {
	percent := x.Basis == ByMass || x.Basis == ByCount
	switch {
	case v < 0:
		c.add(path, "", "%s: a limit below zero", x.Name)
	case percent && v > 100:
		c.add(path, "limits are in percent, 0 to 100", "%s: %s %% is more than all of it", x.Name, FormatNumber(v))
	case x.Sheet == "moisture_pct" && v > 0 && v <= 1,
		percent && !b.Upper() && v > 0 && v <= 1,
		x.Code == c.file.Broken && percent && b.Upper() && v > 0 && v < leastBrokenLimitPct:
		c.add(path, fmt.Sprintf("limits are in percent: did you mean %.6g?", v*100), "%s: a limit of %s %%", x.Name, FormatNumber(v))
	case x.Basis == YesNo && v != 0:
		c.add(path, "write at_most: 0", "%s is yes or no", x.Name)
	case x.Basis == ByWords && (v < 1 || v != math.Trunc(v) || int(v) > len(x.Words)):
		c.add(path, fmt.Sprintf("1 to %d, 1 is the best", len(x.Words)), "%s: there is no word %s", x.Name, FormatNumber(v))
	}
}

func (c *checker) broken() {
	for _, v := range c.file.Variants {
		f := c.file.variant(v).Broken()
		if f == nil || f.Pieces == nil || len(f.Pieces.Sizes) == 0 {
			c.add("$.broken", "broken: CODE of the factor that adds up the broken sizes", "%s: no factor %q with sizes", v.Code, c.file.Broken)
		}
	}
}

// ladder checks that the sizes of one grade take every possible piece exactly
// once. It reports whether they do.
func (c *checker) ladder(g int) bool {
	parts := c.file.Ladder(g)
	takers := func(p probe) (names []string) {
		for _, part := range parts {
			if part.Takes(p.length, p.sieveMM, p.ends) {
				names = append(names, part.Name)
			}
		}
		return names
	}
	const hint = "let each class begin where the next one ends: below: 0.5 beside from: 0.5"
	all := probes(parts)
	for i, p := range all {
		names := takers(p)
		if len(names) == 1 {
			continue
		}
		// Longer pieces with the same fault belong to the same report.
		what := "pieces of " + FormatNumber(p.length)
		for n, q := range all[i+1:] {
			if q.sieveMM != p.sieveMM || q.ends != p.ends {
				what += " or more"
				break
			}
			if !slices.Equal(takers(q), names) {
				if n > 0 {
					what += " to " + FormatNumber(q.length)
				}
				break
			}
		}
		what += " of the reference length"
		if p.sieveMM > 0 {
			what += fmt.Sprintf(" and %s mm wide", FormatNumber(p.sieveMM))
		}
		if p.ends != "" {
			what += " with " + p.ends + " ends"
		}
		if len(names) == 0 {
			c.add("$.sizes", hint, "gap: no size takes %s (grade %s)", what, c.file.Grades[g])
		} else {
			c.add("$.sizes", hint, "overlap: both %s take %s (grade %s)", strings.Join(names, " and "), what, c.file.Grades[g])
		}
		return false
	}
	return true
}

// order checks that limits do not tighten from a better to a worse grade.
func (c *checker) order(i int) {
	x := &c.file.Factors[i]
	if (x.AtLeast.Given() || x.Above.Given()) && (x.AtMost.Given() || x.Below.Given()) {
		return // bounded on both sides it describes bands, which ranges checks
	}
	for _, b := range x.bounds() {
		better := -1
		for g := range b.list {
			y, ok := b.At(g)
			if !ok || b.scalar {
				continue
			}
			if last, ok := b.At(better); ok && y != last && (y < last) == b.Upper() {
				c.add(fmt.Sprintf("$.factors[%d].%s[%d]", i, string(b.Bound), g), "grades go from best to worst: check the order of the grades and the figure",
					"%s: %s of grade %s is stricter than %s of the better grade %s", x.Name,
					FormatNumber(y), c.file.Grades[g], FormatNumber(last), c.file.Grades[better])
			}
			better = g
		}
	}
}

// ranges checks the bands of a factor that is bounded from both sides: from
// one grade to the next they must join, neither leaving figures out nor taking
// them twice.
func (c *checker) ranges(i int) {
	x := &c.file.Factors[i]
	type band struct {
		grade string
		Interval
		index int
	}
	var bands []band
	both := false
	for g, name := range c.file.Grades {
		if iv, ok := x.Range().At(g); ok {
			both = both || !math.IsInf(iv.Lo, -1) && !math.IsInf(iv.Hi, 1)
			bands = append(bands, band{name, iv, g})
		}
	}
	if !both {
		return
	}
	slices.SortStableFunc(bands, func(a, b band) int { return cmp.Compare(a.Lo, b.Lo) })
	for n, b := range bands[1:] {
		a := bands[n]
		at := fmt.Sprintf("$.factors[%d]", i)
		for _, l := range x.bounds() {
			if _, ok := l.At(b.index); ok && !l.Upper() {
				at = fmt.Sprintf("%s.%s[%d]", at, string(l.Bound), b.index)
				break
			}
		}
		hint := fmt.Sprintf("write above: %s in grade %s", FormatNumber(a.Hi), b.grade)
		step := c.file.variant(c.file.Variants[0]).roundingOf(x, b.index)
		switch {
		case b.Lo < a.Hi || b.Lo == a.Hi && a.HiIncluded && b.LoIncluded:
			c.add(at, hint, "overlap: %s of %s fits both grade %s and grade %s", x.Name, figure(b.Lo, x), a.grade, b.grade)
		case b.Lo == a.Hi && (a.HiIncluded || b.LoIncluded):
		case step.Mode != "none" && b.Lo-a.Hi <= math.Pow(10, -float64(step.Digits))*(1+1e-9) && a.HiIncluded && b.LoIncluded:
			// With one decimal kept, "to 5.0" and "from 5.1" join.
		default:
			c.add(at, hint, "gap: %s between %s and %s fits neither grade %s nor grade %s", x.Name, figure(a.Hi, x), figure(b.Lo, x), a.grade, b.grade)
		}
	}
}

func figure(v float64, x *Factor) string {
	return strings.TrimSpace(FormatNumber(v) + " " + x.Basis.Unit())
}
