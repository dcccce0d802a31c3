package mill

import (
	"encoding/json"
	"fmt"
	"math"
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

// HalfWidth returns half the width of the interval, 0 where Bare.
func (f Figure) HalfWidth() float64 { return (f.High - f.Low) / 2 }

// times returns f with value and interval multiplied by k >= 0.
func (f Figure) times(k float64) Figure {
	return Figure{f.Value * k, f.Low * k, f.High * k, f.Bare}
}

// negated returns -f.
func (f Figure) negated() Figure { return Figure{-f.Value, -f.High, -f.Low, f.Bare} }

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
	*f = Figure{Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Bare: true}
	if in.Value != nil {
		*f = Figure{Value: *in.Value, Low: *in.Value, High: *in.Value, Bare: in.Low == nil || in.High == nil}
	}
	if in.Value != nil && !f.Bare {
		f.Low, f.High = *in.Low, *in.High
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
func parseTyped(s string) (typed, error) {
	var t typed
	text := strings.ReplaceAll(s, "+-", "±")
	text = strings.ReplaceAll(text, "+/-", "±")
	head, tail, found := strings.Cut(text, "±")
	var err error
	if t.value, t.step, t.rest, err = number(head); err != nil {
		return t, err
	}
	if t.rest == "%" {
		t.percent, t.rest = true, ""
	}
	if found {
		if t.rest != "" {
			return t, fmt.Errorf("%q stands between the number and its ±", t.rest)
		}
		t.hasHalf = true
		if t.half, _, t.rest, err = number(tail); err != nil {
			return t, err
		}
		if t.rest == "%" {
			t.percent, t.rest = true, ""
		}
		if t.half < 0 {
			return t, fmt.Errorf("± with a number below zero")
		}
	}
	return t, nil
}

// number reads a decimal number at the beginning of s. step is one unit of its
// last digit.
func number(s string) (v, step float64, rest string, err error) {
	s = strings.TrimSpace(s)
	end, decimals, point := 0, 0, false
	for end < len(s) {
		c := s[end]
		if end == 0 && (c == '-' || c == '+') {
			end++
			continue
		}
		if c == '.' && !point {
			point = true
			end++
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		if point {
			decimals++
		}
		end++
	}
	rest = strings.TrimSpace(s[end:])
	if strings.HasPrefix(rest, ",") {
		return 0, 0, "", fmt.Errorf("a comma in a number: write a decimal point, and no mark for thousands")
	}
	if v, err = strconv.ParseFloat(s[:end], 64); err != nil || !finite(v) {
		return 0, 0, "", fmt.Errorf("no number")
	}
	return v, math.Pow10(-decimals), rest, nil
}

const shareForm = "write percent by mass, with the half width of its 95 % interval where it has one: 4.6±0.8 (or 4.6+-0.8)"

// ParseShare reads a share in percent as typed: 4.6, 4.6±0.8 or 4.6+-0.8, a
// percent sign allowed. What follows ± is the half width of the 95 % interval,
// which is cut at 0 and 100; without it the figure is Bare. A share above 0
// and not above 1 could be meant as a fraction of one and needs its percent
// sign: 0.4%. Errors are *fault.Error.
func ParseShare(s string) (Figure, error) {
	bad := func(what, hint string) (Figure, error) {
		return Figure{}, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("share %q: %s", s, what), Hint: hint}
	}
	t, err := parseTyped(s)
	if err != nil {
		return bad(err.Error(), shareForm)
	}
	switch {
	case t.rest != "":
		return bad(fmt.Sprintf("%q after the number", t.rest), shareForm)
	case t.value < 0 || t.value > 100:
		return bad("outside 0 to 100 %", shareForm)
	case t.value > 0 && t.value <= 1 && !t.percent:
		return bad("is it percent, or a fraction of one?",
			fmt.Sprintf("write %s%% for that share in percent, or %s for the fraction", trim(t.value), trim(100*t.value)))
	case t.half > 100:
		return bad("an interval wider than all of it", shareForm)
	}
	f := Figure{Value: t.value, Low: t.value - t.half, High: t.value + t.half, Bare: !t.hasHalf}
	return f.within(0, 100), nil
}

// ParseFigure reads a figure in any unit as typed, 11 or 11±4, not below 0;
// what follows ± is the half width of the 95 % interval. Errors are
// *fault.Error.
func ParseFigure(s string) (Figure, error) {
	t, err := parseTyped(s)
	switch {
	case err == nil && (t.rest != "" || t.percent):
		err = fmt.Errorf("more than a number")
	case err == nil && t.value < 0:
		err = fmt.Errorf("below zero")
	}
	if err != nil {
		return Figure{}, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("figure %q: %v", s, err), Hint: "write the number, with the half width of its 95 % interval where it has one: 11±4"}
	}
	return Figure{Value: t.value, Low: max(0, t.value-t.half), High: t.value + t.half, Bare: !t.hasHalf}, nil
}

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
	bad := func(what, hint string) (Figure, error) {
		return Figure{}, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("mass %q: %s", s, what), Hint: hint}
	}
	const form = "write number and unit, g, kg or t: 150.2g, 2.35kg, 1.2±0.02t"
	t, err := parseTyped(s)
	if err != nil {
		return bad(err.Error(), form)
	}
	k, ok := grams[t.rest]
	switch {
	case t.percent:
		return bad("a mass is not percent", form)
	case t.rest == "":
		return bad("in which unit?", form)
	case !ok:
		return bad(fmt.Sprintf("%q is no unit of mass known here", t.rest), form)
	case t.value < 0 || t.value == 0 && !orNothing:
		return bad("a mass is above zero", form)
	}
	if !t.hasHalf {
		t.half = t.step / 2
	}
	if orNothing && t.half >= t.value {
		return Figure{Value: t.value, Low: 0, High: t.value + t.half}.times(k), nil
	}
	if t.half >= t.value {
		return bad("an interval down to nothing", "weigh more, or on a finer balance")
	}
	return Figure{Value: t.value, Low: t.value - t.half, High: t.value + t.half}.times(k), nil
}

// MoistureDoubt is the half width, in points, of the interval that ParseMoisture
// takes where none is typed: what handheld meters are usually good for. Common
// practice, no source.
const MoistureDoubt = 0.5

// ParseMoisture reads a moisture in percent by mass of the grain as it is (wet
// basis): 13.2 or 13.2±0.2. Without ± the interval is MoistureDoubt to either
// side. Errors are *fault.Error.
func ParseMoisture(s string) (Figure, error) {
	bad := func(what, hint string) (Figure, error) {
		return Figure{}, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("moisture %q: %s", s, what), Hint: hint}
	}
	const form = "write percent by mass of the grain as it is: 13.2 or 13.2±0.2"
	t, err := parseTyped(s)
	if err != nil {
		return bad(err.Error(), form)
	}
	switch {
	case t.rest != "":
		return bad(fmt.Sprintf("%q after the number", t.rest), form)
	case t.value > 0 && t.value <= 1 && !t.percent:
		return bad("a fraction of one, not percent", fmt.Sprintf("did you mean %s?", trim(100*t.value)))
	case t.value < 4 || t.value > 40:
		return bad("no rice has that moisture", form+" (usual: 12 to 14)")
	case t.half >= 4:
		return bad("an interval of that width says nothing", form)
	}
	if !t.hasHalf {
		t.half = MoistureDoubt
	}
	return Figure{Value: t.value, Low: t.value - t.half, High: t.value + t.half}, nil
}

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
