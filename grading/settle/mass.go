package settle

import (
	"math/big"
	"regexp"
	"strings"

	"traytally/grading/mill"
	"traytally/vision/kernel/fault"
)

var leadingNumber = regexp.MustCompile(`^\s*\+?(\d+(?:\.\d+)?)`)

// ParseMass reads a delivered mass as typed with its unit, 24.98t, 24980kg or
// 24.98±0.02t, exactly, in the unit that the price is for. The figure has the
// interval that was typed, and is Bare without: a weight is taken as agreed.
// Errors are *fault.Error.
func (c *Contract) ParseMass(s string) (*Decimal, mill.Figure, error) {
	f, err := mill.ParseMass(s)
	if err != nil {
		return nil, f, err
	}
	number := leadingNumber.FindStringSubmatch(s)
	if number == nil {
		return nil, f, fault.Usagef("for example 24.98t", "mass %s: not written plainly", s)
	}
	m, err := ParseDecimal(number[1])
	if err != nil {
		return nil, f, fault.Usagef("for example 24.98t", "mass %s: %v", s, err)
	}
	grams := int64(1) // that one unit of the number is
	switch {
	case strings.HasSuffix(s, "kg"):
		grams = 1000
	case strings.HasSuffix(s, "t"):
		grams = 1000 * 1000
	}
	per := 1000 * kilograms[c.Base.Per]
	m.Rat = *mul(exact(m), big.NewRat(grams, per))
	m.digits, _ = m.FloatPrec() // a power of ten lies between two units: it ends
	k := 1 / float64(per)
	return m, mill.Figure{Value: f.Value * k, Low: f.Low * k, High: f.High * k, Bare: !strings.ContainsAny(s, "±-")}, nil
}
