package mill

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/floats"

	"traytally/vision/kernel/fault"
)

// z95 is the two-sided 95 % point of the standard normal distribution.
const z95 = 1.959963984540054

// beyond is the factor by which a 95 % interval is stretched before a balance
// counts as impossible: to 99.9 % (3.2905 standard deviations), so that chance
// alone refuses no more than one sound set of figures in a thousand.
const beyond = 3.290526731491926 / z95

// A Figure is a value with its 95 % interval, Low <= Value <= High. With Bare
// set it was given without one: Low and High equal Value, and say nothing.
//
// It marshals to {"value", "low", "high"}; low and high are null where Bare.
type Figure struct {
	Value, Low, High float64
	Bare             bool
}

// Exact returns a figure without doubt: Low = Value = High, not Bare.
func Exact(v float64) Figure { return Figure{Value: v, Low: v, High: v} }

// Around returns the figure with an interval of half to either side.
func Around(v, half float64) Figure { return Figure{Value: v, Low: v - half, High: v + half} }

// HalfWidth returns half the width of the interval, 0 where Bare.
func (f Figure) HalfWidth() float64 { return (f.High - f.Low) / 2 }

// Times returns f with value and interval multiplied by k >= 0.
func (f Figure) Times(k float64) Figure {
	return Figure{f.Value * k, f.Low * k, f.High * k, f.Bare}
}

// Negated returns -f.
func (f Figure) Negated() Figure { return Figure{-f.Value, -f.High, -f.Low, f.Bare} }

// within returns f with all three numbers moved into [lo, hi].
func (f Figure) within(lo, hi float64) Figure {
	c := func(v float64) float64 { return min(hi, max(lo, v)) }
	return Figure{c(f.Value), c(f.Low), c(f.High), f.Bare}
}

// stretched returns f with both sides of its interval multiplied by k.
func (f Figure) stretched(k float64) Figure {
	return Figure{f.Value, f.Value - k*(f.Value-f.Low), f.Value + k*(f.High-f.Value), f.Bare}
}

// At returns the point of f at z standard deviations: the distribution whose
// median is Value and whose 2.5 and 97.5 % points are Low and High, normal on
// either side.
func (f Figure) At(z float64) float64 {
	if z < 0 {
		return f.Value + z/z95*(f.Value-f.Low)
	}
	return f.Value + z/z95*(f.High-f.Value)
}

// MarshalJSON writes the numbers rounded to six decimals; what is no finite
// number becomes null.
func (f Figure) MarshalJSON() ([]byte, error) {
	out := struct {
		Value *float64 `json:"value"`
		Low   *float64 `json:"low"`
		High  *float64 `json:"high"`
	}{Value: rounded(f.Value)}
	if !f.Bare {
		out.Low, out.High = rounded(f.Low), rounded(f.High)
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (f *Figure) UnmarshalJSON(data []byte) error {
	var in struct{ Value, Low, High *float64 }
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	value := math.NaN()
	if in.Value != nil {
		value = *in.Value
	}
	*f = Figure{Value: value, Low: value, High: value, Bare: true}
	if in.Value != nil && in.Low != nil && in.High != nil {
		*f = Figure{Value: value, Low: *in.Low, High: *in.High}
	}
	return nil
}

func rounded(v float64) *float64 {
	if !finite(v) {
		return nil
	}
	v = math.Round(v*1e6) / 1e6
	if v == 0 {
		v = 0 // not -0
	}
	return &v
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// propagate returns f at the values of in, with the interval that the
// intervals of in, taken as independent, give it.
//
// Each input in turn is moved to either end of its interval while the others
// stay, and the moves of f downwards and upwards are added in squares. For a
// linear f that is the interval by recovered variances (G.Y. Zou, A. Donner,
// Stat. Med. 27 (2008) 1693-1702, from memory); for symmetric intervals it is
// the numerical form of the law of propagation (JCGM 100:2008, 5.1.3 note 2,
// from memory) with a step of the whole half width. The result is Bare where
// one of the inputs is.
func propagate(in []Figure, f func(x []float64) float64) Figure {
	x := make([]float64, len(in))
	bare := false
	for i := range in {
		x[i] = in[i].Value
		bare = bare || in[i].Bare
	}
	v := f(x)
	if bare {
		return Figure{Value: v, Low: v, High: v, Bare: true}
	}
	var down, up float64
	for i := range in {
		x[i] = in[i].Low
		a := f(x) - v
		x[i] = in[i].High
		b := f(x) - v
		x[i] = in[i].Value
		lo, hi := min(a, b, 0), max(a, b, 0)
		down += lo * lo
		up += hi * hi
	}
	return Figure{Value: v, Low: v - math.Sqrt(down), High: v + math.Sqrt(up)}
}

// Difference returns a - b.
func Difference(a, b Figure) Figure {
	return propagate([]Figure{a, b}, func(x []float64) float64 { return x[0] - x[1] })
}

// Mean returns the mean of one or more figures, taken as independent.
func Mean(in []Figure) Figure {
	return propagate(in, func(x []float64) float64 { return floats.Sum(x) / float64(len(x)) })
}

// An account is a set of figures that others are worked out from. Each is in it
// once, so that what two results share is not taken for two independent doubts.
type account []Figure

// A quantity is worked out from values of the figures of an account.
type quantity func(x []float64) float64

// enter adds a figure and returns it as a quantity.
func (a *account) enter(f Figure) quantity {
	i := len(*a)
	*a = append(*a, f)
	return func(x []float64) float64 { return x[i] }
}

// figure works out a quantity with its interval.
func (a account) figure(q quantity) Figure { return propagate(a, q) }

// A typed is a number as a user typed it.
type typed struct {
	value   float64
	half    float64 // of the interval
	hasHalf bool
	percent bool    // a percent sign was typed
	step    float64 // one unit of the last digit typed
	rest    string  // what follows the number: a unit
}

// parseTyped reads NUMBER[%][±NUMBER][%][UNIT]; +- stands for ±.
func parseTyped(s string) (t typed, err error) {
	head, tail, found := strings.Cut(strings.NewReplacer("+-", "±", "+/-", "±").Replace(s), "±")
	if err = t.number(head, &t.value, &t.step); err != nil || !found {
		return t, err
	}
	if t.rest != "" {
		return t, fmt.Errorf("%q stands between the number and its ±", t.rest)
	}
	t.hasHalf = true
	if err = t.number(tail, &t.half, new(float64)); err == nil && t.half < 0 {
		err = fmt.Errorf("± with a number below zero")
	}
	return t, err
}

var leading = regexp.MustCompile(`^[+-]?\d*(?:\.(\d*))?`)

// number reads a decimal number at the beginning of s, and what follows it. step
// is one unit of its last digit.
func (t *typed) number(s string, v, step *float64) (err error) {
	s = strings.TrimSpace(s)
	digits := leading.FindStringSubmatch(s)
	t.rest = strings.TrimSpace(s[len(digits[0]):])
	if strings.HasPrefix(t.rest, ",") {
		return fmt.Errorf("a comma in a number: write a decimal point, and no mark for thousands")
	}
	if *v, err = strconv.ParseFloat(digits[0], 64); err != nil || !finite(*v) {
		return fmt.Errorf("no number")
	}
	*step = math.Pow10(-len(digits[1]))
	if t.rest == "%" {
		t.percent, t.rest = true, ""
	}
	return nil
}

// fraction reports whether the number could be meant as a fraction of one where
// percent are asked for.
func (t *typed) fraction() bool { return t.value > 0 && t.value <= 1 && !t.percent }

// A form is a kind of figure that people type.
type form struct {
	name, hint string
	most       float64 // the interval ends there
	// check says what is wrong with a number, with a hint of its own where it
	// has one, and fills in the doubt that a number without ± has.
	check func(t *typed) (wrong, hint string)
}

// read reads a figure as typed. Errors are *fault.Error.
func (m *form) read(s string) (Figure, error) {
	t, err := parseTyped(s)
	wrong, hint := "", ""
	if err != nil {
		wrong = err.Error()
	} else {
		wrong, hint = m.check(&t)
	}
	if wrong != "" {
		return Figure{}, fault.Usagef(cmp.Or(hint, m.hint), "%s %q: %s", m.name, s, wrong)
	}
	return Figure{Value: t.value, Low: max(0, t.value-t.half), High: min(m.most, t.value+t.half), Bare: !t.hasHalf}, nil
}

// after says that something follows a number which has no unit.
func (t *typed) after() string { return fmt.Sprintf("%q after the number", t.rest) }

var shareForm = form{
	"share", "write percent by mass, with the half width of its 95 % interval where it has one: 4.6±0.8 (or 4.6+-0.8)", 100,
	func(t *typed) (wrong, hint string) {
		switch {
		case t.rest != "":
			return t.after(), ""
		case t.value < 0 || t.value > 100:
			return "outside 0 to 100 %", ""
		case t.fraction():
			return "is it percent, or a fraction of one?",
				fmt.Sprintf("write %s%% for that share in percent, or %s for the fraction", trim(t.value), trim(100*t.value))
		case t.half > 100:
			return "an interval wider than all of it", ""
		}
		return "", ""
	},
}

// ParseShare reads a share in percent as typed: 4.6, 4.6±0.8 or 4.6+-0.8, a
// percent sign allowed. What follows ± is the half width of the 95 % interval,
// which is cut at 0 and 100; without it the figure is Bare. A share above 0
// and not above 1 could be meant as a fraction of one and needs its percent
// sign: 0.4%. Errors are *fault.Error.
func ParseShare(s string) (Figure, error) { return shareForm.read(s) }

var figureForm = form{
	"figure", "write the number, with the half width of its 95 % interval where it has one: 11±4", math.Inf(1),
	func(t *typed) (wrong, hint string) {
		switch {
		case t.rest != "" || t.percent:
			return "more than a number", ""
		case t.value < 0:
			return "below zero", ""
		}
		return "", ""
	},
}

// ParseFigure reads a figure in any unit as typed, 11 or 11±4, not below 0;
// what follows ± is the half width of the 95 % interval. Errors are
// *fault.Error.
func ParseFigure(s string) (Figure, error) { return figureForm.read(s) }

// grams holds the units of mass that ParseMass takes.
var grams = map[string]float64{"g": 1, "kg": 1000, "t": 1e6}

// ParseMass reads a mass as typed, with its unit: 150.2g, 2.35 kg,
// 1.2±0.02t. The result is in grams. Without ± its interval is half a unit of
// the last digit typed to either side, what reading a display leaves open.
// Errors are *fault.Error.
func ParseMass(s string) (Figure, error) { return parseMass(s, false) }

// ParsePart reads the mass of a part, which may be nothing: 0g. Else it is
// ParseMass.
func ParsePart(s string) (Figure, error) { return parseMass(s, true) }

func parseMass(s string, orNothing bool) (Figure, error) {
	unit, known := 0.0, false
	mass := form{"mass", "write number and unit, g, kg or t: 150.2g, 2.35kg, 1.2±0.02t", math.Inf(1), func(t *typed) (wrong, hint string) {
		if !t.hasHalf {
			t.half, t.hasHalf = t.step/2, true
		}
		unit, known = grams[t.rest]
		switch {
		case t.percent:
			return "a mass is not percent", ""
		case t.rest == "":
			return "in which unit?", ""
		case !known:
			return fmt.Sprintf("%q is no unit of mass known here", t.rest), ""
		case t.value < 0 || t.value == 0 && !orNothing:
			return "a mass is above zero", ""
		case t.half >= t.value && !orNothing:
			return "an interval down to nothing", "weigh more, or on a finer balance"
		}
		return "", ""
	}}
	f, err := mass.read(s)
	return f.Times(unit), err
}

// MoistureDoubt is the half width, in points, of the interval that ParseMoisture
// takes where none is typed: what handheld meters are usually good for. Common
// practice, no source.
const MoistureDoubt = 0.5

const moistureHint = "write percent by mass of the grain as it is: 13.2 or 13.2±0.2"

var moistureForm = form{"moisture", moistureHint, 100, func(t *typed) (wrong, hint string) {
	switch {
	case t.rest != "":
		return t.after(), ""
	case t.fraction():
		return "a fraction of one, not percent", fmt.Sprintf("did you mean %s?", trim(100*t.value))
	case t.value < 4 || t.value > 40:
		return "no rice has that moisture", moistureHint + " (usual: 12 to 14)"
	case t.half >= 4:
		return "an interval of that width says nothing", ""
	}
	if !t.hasHalf {
		t.half, t.hasHalf = MoistureDoubt, true
	}
	return "", ""
}}

// ParseMoisture reads a moisture in percent by mass of the grain as it is (wet
// basis): 13.2 or 13.2±0.2. Without ± the interval is MoistureDoubt to either
// side. Errors are *fault.Error.
func ParseMoisture(s string) (Figure, error) { return moistureForm.read(s) }

// A MassUnit is a unit to show masses in.
type MassUnit struct {
	Name  string
	Grams float64 // how many make one
}

// UnitFor returns the unit in which masses of up to most grams are readable:
// kg from 10 kg on.
func UnitFor(most float64) MassUnit {
	if most >= 10_000 {
		return MassUnit{"kg", 1000}
	}
	return MassUnit{"g", 1}
}

// write writes a mass of v grams with at most six decimals.
func (u MassUnit) write(v float64) string { return trim(v/u.Grams) + " " + u.Name }

// trim writes v with at most six decimals, without idle zeros.
func trim(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}
