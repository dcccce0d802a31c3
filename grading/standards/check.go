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
