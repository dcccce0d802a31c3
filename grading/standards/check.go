package standards

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Schema is the version of the file form that this program writes and reads.
const Schema = 1

const oneDefectLowest = "lowest_limit"

// seenMemory marks a source whose text was not opened.
const seenMemory = "memory"

// SheetFields lists the sample-sheet fields that a factor may name.
var SheetFields = []string{
	"moisture_pct", "odour_ok", "live_insects", "insects", "insect_refuse",
	"foreign_matter_pct", "foreign_organic_pct", "foreign_inorganic_pct",
	"paddy_per_kg",
}

// PieceFlags lists the kernel flags that a factor may name.
var PieceFlags = []string{"chalky", "yellow", "red", "red_streaked", "damaged", "paddy", "foreign"}

var (
	statuses    = []string{"published", "model", "practice", "contract"}
	seenValues  = []string{"read", "secondary", seenMemory, "practice", "contract"}
	bases       = []string{"mass", "count", "per_kg", "per_500g", "per_100g", "in_sample", "yes_no", "words"}
	pictureUses = []string{"", "decides", "estimates", "at_least", "hints"}
	modes       = []string{"none", "half_up", "half_even"}
	endStates   = []string{"", EndsGrown, EndsFractured}
	codeForm    = regexp.MustCompile(`^[a-z0-9]+([-_][a-z0-9]+)*$`)
)

// keysOf returns every YAML key that the struct behind into can hold.
func keysOf(into any) []string {
	var out []string
	var walk func(t reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(t.Elem())
		case reflect.Struct:
			for f := range t.Fields() {
				key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
				if key == "" || key == "-" {
					continue
				}
				if !slices.Contains(out, key) {
					out = append(out, key)
				}
				walk(f.Type)
			}
		}
	}
	walk(reflect.TypeOf(into))
	return out
}

// A checker collects what is wrong with one decoded file.
type checker struct {
	name     string
	tree     *ast.File
	file     *File
	problems Problems
}

// place returns the line and column of the value at a YAML path, or of the
// nearest parent that is written in the file.
func (c *checker) place(path string) (line, col int) {
	for path != "$" && path != "" {
		if p, err := yaml.PathString(path); err == nil {
			if n, err := p.FilterFile(c.tree); err == nil && n != nil {
				pos := n.GetToken().Position
				// The token of a mapping is its first colon: its key stands
				// before it.
				if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 {
					pos = m.Values[0].Key.GetToken().Position
				}
				return pos.Line, pos.Column
			}
		}
		cut := max(strings.LastIndexByte(path, '.'), strings.LastIndexByte(path, '['))
		if cut < 0 {
			break
		}
		path = path[:cut]
	}
	return 1, 1
}

func (c *checker) add(path, hint, format string, args ...any) {
	line, col := c.place(path)
	p := Problem{File: c.name, Line: line, Col: col, Message: fmt.Sprintf(format, args...), Hint: hint}
	if !slices.Contains(c.problems, p) {
		c.problems = append(c.problems, p)
	}
}

func (c *checker) oneOf(path, what, got string, allowed []string) {
	if slices.Contains(allowed, got) {
		return
	}
	hint := strings.TrimPrefix(strings.Join(allowed, ", "), ", ") // where none will do too
	c.add(path, "one of "+hint, "%s %q is not known", what, got)
}

func (c *checker) text(path, key, got string) {
	if strings.TrimSpace(got) == "" {
		c.add(path, "", "%s is missing", key)
	}
}

func (c *checker) source(path, key string, required bool) {
	_, known := c.file.Sources[key]
	switch {
	case key == "" && required:
		c.add(path, "give the key of one of the sources", "source is missing")
	case key != "" && !known:
		keys := slices.Sorted(maps.Keys(c.file.Sources))
		c.add(path, "the sources are "+strings.Join(keys, ", "), "there is no source %q", key)
	}
}

func (c *checker) run() {
	f := c.file
	if f.Schema != Schema {
		hint := "write schema: 1"
		if f.Schema > Schema {
			hint = "the file is newer than this program"
		}
		c.add("$.schema", hint, "schema %d is not known", f.Schema)
		return
	}
	c.text("$.title", "title", f.Document)
	c.text("$.edition", "edition", f.Edition)
	c.text("$.below_all", "below_all (what a lot is called that meets no grade)", f.BelowAll)
	c.oneOf("$.status", "status", f.Status, statuses)
	if f.Status != "contract" && f.Status != "practice" {
		c.text("$.language", "language", f.Language)
		c.text("$.read_on", "read_on", f.ReadOn)
	}
	if len(f.Sources) == 0 {
		c.add("$.sources", "", "sources is missing")
	}
	for k, s := range f.Sources {
		at := "$.sources." + k
		c.text(at, "title", s.Title)
		c.oneOf(at+".seen", "seen", s.Seen, seenValues)
	}
	c.text("$.reference.text", "reference: text", f.Reference.Text)
	c.source("$.reference.source", f.Reference.Source, false)
	c.rounding("$.rounding", f.Rounding)
	c.oneOf("$.one_defect_per_kernel", "one_defect_per_kernel", f.Defects, []string{"", oneDefectLowest})
	c.names()
	c.sizes()
	for i := range f.Factors {
		c.factor(i)
	}
	if len(c.problems) > 0 {
		return // what follows needs a sound table
	}
	c.broken()
	for g := range f.Grades {
		if !c.ladder(g) {
			break // the other grades mostly have the same fault
		}
	}
	for i := range f.Factors {
		c.order(i)
		c.ranges(i)
	}
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
}

func (c *checker) names() {
	f := c.file
	if len(f.Grades) == 0 {
		c.add("$.grades", "list them best first", "grades is missing")
	}
	c.unique("$.grades", "grade", f.Grades)
	if len(f.Variants) == 0 {
		c.add("$.variants", "give at least one code and title", "variants is missing")
	}
	for i, v := range f.Variants {
		at := fmt.Sprintf("$.variants[%d]", i)
		c.code(at+".code", v.Code)
		c.text(at, "title", v.Title)
		if v.Shape != nil {
			c.source(at+".shape.source", v.Shape.Source, true)
			c.interval(at+".shape.ratio", v.Shape.Ratio)
			c.interval(at+".shape.length_mm", v.Shape.LengthMM)
		}
	}
	c.unique("$.variants", "code", names(f.Variants, func(v Variant) string { return v.Code }))
	for _, v := range f.Variants {
		c.unique("$.factors", "factor", names(f.variant(v).Factors, func(x Factor) string { return x.Code }))
	}
}

// names returns what the items of a list are called.
func names[T any](list []T, name func(T) string) (out []string) {
	for _, x := range list {
		out = append(out, name(x))
	}
	return out
}

func (c *checker) unique(path, what string, names []string) {
	for i, n := range names {
		if slices.Contains(names[:i], n) {
			c.add(fmt.Sprintf("%s[%d]", path, i), "", "%s %q is given twice", what, n)
		}
		if strings.TrimSpace(n) == "" {
			c.add(fmt.Sprintf("%s[%d]", path, i), "", "%s without a name", what)
		}
	}
}

func (c *checker) code(path, code string) {
	if !codeForm.MatchString(code) {
		c.add(path, "small letters, digits and single hyphens, like us-long", "code %q cannot be typed on the command line", code)
	}
}

func (c *checker) rounding(path string, r Rounding) {
	c.oneOf(path+".mode", "rounding mode", r.Mode, modes)
	c.source(path+".source", r.Source, false)
	if r.Mode == "none" {
		return
	}
	c.oneOf(path+".stage", "rounding stage", r.Stage, []string{"result"})
	c.perGrade(path+".digits", r.Digits)
	if !r.Digits.Given() {
		c.add(path, "for example digits: 1", "rounding without digits")
	}
	for g := range c.file.Grades {
		if d, ok := r.Digits.At(g); ok && (d != math.Trunc(d) || d < 0 || d > 6) {
			c.add(path+".digits", "0 to 6", "%s decimals cannot be kept", FormatNumber(d))
			return
		}
	}
}

// perGrade checks that a list has one entry per grade.
func (c *checker) perGrade(path string, v Values) bool {
	if !v.Given() || v.scalar || len(v.list) == len(c.file.Grades) {
		return true
	}
	c.add(path, "one entry per grade, best first; null where a grade has none",
		"%d values for %d grades", len(v.list), len(c.file.Grades))
	return false
}

func (c *checker) memory(path string, m Memory) {
	for i, g := range m.grades {
		if !slices.Contains(c.file.Grades, g) {
			c.add(fmt.Sprintf("%s[%d]", path, i), "the grades are "+strings.Join(c.file.Grades, ", "), "there is no grade %q", g)
		}
	}
}

// fraction checks a number of 0 to most; a greater one was meant in percent. what
// says what it is not.
func (c *checker) fraction(path, name string, x, most float64, what string) {
	if x >= 0 && x <= most {
		return
	}
	hint := "0 to 1"
	if x > most && x <= 100 {
		hint = fmt.Sprintf("did you mean %.6g?", x/100)
	}
	c.add(path, hint, "%s %s is no %s", name, FormatNumber(x), what)
}

func (c *checker) interval(path string, r Range) {
	ok := true
	for key, v := range map[string]Values{"from": r.From, "above": r.Above, "below": r.Below, "up_to": r.UpTo} {
		ok = c.perGrade(path+"."+key, v) && ok
	}
	if !ok {
		return
	}
	for g := range c.file.Grades {
		if r.doubled(g) {
			c.add(path, "from or above, below or up_to", "two bounds on the same side")
			return
		}
		if iv, ok := r.At(g); ok && iv.empty() {
			c.add(path, "", "nothing lies in %s", iv)
			return
		}
	}
}

func (c *checker) sizes() {
	f := c.file
	if len(f.Sizes) == 0 {
		c.add("$.sizes", "", "sizes is missing")
	}
	for i, z := range f.Sizes {
		at := fmt.Sprintf("$.sizes[%d]", i)
		c.interval(at+".length", z.Length)
		c.memory(at+".from_memory", z.FromMemory)
		c.source(at+".source", z.Source, false)
		if f.Sources[z.Source].Seen == seenMemory && !z.FromMemory.all {
			c.add(at, "write from_memory: true", "the source of size %s was not opened, and it is not marked from memory", z.Name)
		}
		c.oneOf(at+".ends", "ends", z.Ends, endStates)
		if z.UnseenFrom < 0 || z.UnseenFrom > 1 {
			c.add(at+".unseen_from", "", "unseen_from %s is no fraction", FormatNumber(z.UnseenFrom))
		}
		for key, mm := range map[string]float64{"through_mm": z.ThroughMM, "held_mm": z.HeldMM} {
			if mm < 0 || mm > 20 || math.IsNaN(mm) {
				c.add(at+"."+key, "hole diameter in millimetres", "no rice sieve has holes of %s mm", FormatNumber(mm))
			}
		}
		for g := range f.Grades {
			iv, _ := z.Length.At(g)
			for _, x := range []float64{iv.Lo, iv.Hi} {
				if !math.IsInf(x, 0) {
					c.fraction(at+".length", "length", x, 2, "fraction of the reference length")
				}
			}
		}
	}
	c.unique("$.sizes", "size", names(f.Sizes, func(z Size) string { return z.Name }))
}

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
