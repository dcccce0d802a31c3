package standards

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Values is one number for every grade, or a list with one entry per grade in
// which null stands for "none in this grade". The zero Values is "not given".
type Values struct {
	list   []*float64
	scalar bool
}

// Given reports whether the file states v at all.
func (v Values) Given() bool { return len(v.list) > 0 }

// At returns the number for the grade with index i.
func (v Values) At(i int) (float64, bool) {
	if v.scalar {
		i = 0
	}
	if i < 0 || i >= len(v.list) || v.list[i] == nil {
		return 0, false
	}
	return *v.list[i], true
}

// UnmarshalYAML reads a number, or a list of numbers and nulls.
func (v *Values) UnmarshalYAML(node ast.Node) error {
	seq, ok := node.(*ast.SequenceNode)
	if !ok {
		x, err := number(node)
		v.list, v.scalar = []*float64{x}, true
		return err
	}
	if len(seq.Values) == 0 {
		return nodeError(node, "a list with one number per grade, not an empty one")
	}
	for _, n := range seq.Values {
		var x *float64 // null: none in this grade
		if _, null := n.(*ast.NullNode); !null {
			var err error
			if x, err = number(n); err != nil {
				return err
			}
		}
		v.list = append(v.list, x)
	}
	return nil
}

func number(node ast.Node) (*float64, error) {
	var x float64
	switch n := node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		if err := yaml.NodeToValue(n, &x); err != nil {
			return nil, err
		}
	default:
		return nil, nodeError(node, "a number")
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, nodeError(node, "a finite number")
	}
	return &x, nil
}

// A Whole is a whole number. The YAML library would cut 2.5 down to 2.
type Whole int

// UnmarshalYAML reads a whole number.
func (w *Whole) UnmarshalYAML(node ast.Node) error {
	n, ok := node.(*ast.IntegerNode)
	if !ok {
		return nodeError(node, "a whole number")
	}
	return yaml.NodeToValue(n, (*int)(w))
}

// Memory marks what is from memory: true for all grades, or the list of the
// grades whose figure is.
type Memory struct {
	all    bool
	grades []string
}

// In reports whether the figure of the named grade is from memory.
func (m Memory) In(grade string) bool {
	return m.all || slices.Contains(m.grades, grade)
}

// UnmarshalYAML reads true, false or a list of grade names.
func (m *Memory) UnmarshalYAML(node ast.Node) error {
	switch n := node.(type) {
	case *ast.BoolNode:
		m.all = n.Value
		return nil
	case *ast.SequenceNode:
		return yaml.NodeToValue(n, &m.grades)
	}
	return nodeError(node, "true, false or a list of grade names")
}

// A valueError is a value of the wrong kind at a known place of the file.
type valueError struct {
	node ast.Node
	want string
}

func nodeError(node ast.Node, want string) error { return &valueError{node, want} }

func (e *valueError) Error() string {
	return fmt.Sprintf("%q stands where %s is wanted", e.node.String(), e.want)
}

// A Range is a one-dimensional interval; the key states which side equality
// goes to. Each bound may differ by grade.
type Range struct {
	From  Values `yaml:"from"`  // this value and more
	Above Values `yaml:"above"` // more than this value
	Below Values `yaml:"below"` // less than this value
	UpTo  Values `yaml:"up_to"` // this value and less
}

// Given reports whether any bound is stated.
func (r Range) Given() bool {
	return r.From.Given() || r.Above.Given() || r.Below.Given() || r.UpTo.Given()
}

// At resolves r for the grade with index i. It reports false where no bound
// holds in that grade: the class then does not exist there.
func (r Range) At(i int) (Interval, bool) {
	iv := Interval{Lo: math.Inf(-1), Hi: math.Inf(1)}
	found := false
	if x, ok := r.From.At(i); ok {
		iv.Lo, iv.LoIncluded, found = x, true, true
	}
	if x, ok := r.Above.At(i); ok {
		iv.Lo, iv.LoIncluded, found = x, false, true
	}
	if x, ok := r.Below.At(i); ok {
		iv.Hi, iv.HiIncluded, found = x, false, true
	}
	if x, ok := r.UpTo.At(i); ok {
		iv.Hi, iv.HiIncluded, found = x, true, true
	}
	return iv, found
}

// doubled reports whether r has two bounds on one side for the grade with index i.
func (r Range) doubled(i int) bool {
	both := func(v, w Values) bool {
		_, one := v.At(i)
		_, other := w.At(i)
		return one && other
	}
	return both(r.From, r.Above) || both(r.Below, r.UpTo)
}

// An Interval is a resolved Range. Open sides are infinite.
type Interval struct {
	Lo, Hi                 float64
	LoIncluded, HiIncluded bool
}

// boundSlack is the relative slack of a comparison with a bound, so that three
// quarters on paper are three quarters after division in floating point.
const boundSlack = 1e-9

// Contains reports whether x lies in iv.
func (iv Interval) Contains(x float64) bool {
	on := func(bound float64) bool {
		return !math.IsInf(bound, 0) && math.Abs(x-bound) <= boundSlack*math.Abs(bound)
	}
	if on(iv.Lo) {
		return iv.LoIncluded
	}
	if on(iv.Hi) {
		return iv.HiIncluded
	}
	return x > iv.Lo && x < iv.Hi
}

func (iv Interval) empty() bool {
	return iv.Lo > iv.Hi || (iv.Lo == iv.Hi && !(iv.LoIncluded && iv.HiIncluded))
}

// String writes the interval in words: "0.5 to under 0.75".
func (iv Interval) String() string {
	lo, hi := FormatNumber(iv.Lo), FormatNumber(iv.Hi)
	switch noLo, noHi := math.IsInf(iv.Lo, -1), math.IsInf(iv.Hi, 1); {
	case noLo && noHi:
		return "any"
	case noLo && iv.HiIncluded:
		return "up to " + hi
	case noLo:
		return "under " + hi
	case noHi && iv.LoIncluded:
		return lo + " or more"
	case noHi:
		return "over " + lo
	}
	s := lo
	if !iv.LoIncluded {
		s = "over " + lo
	}
	if iv.HiIncluded {
		return s + " to " + hi
	}
	return s + " to under " + hi
}

// FormatNumber writes x as the shortest decimal that reads back as x.
func FormatNumber(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
