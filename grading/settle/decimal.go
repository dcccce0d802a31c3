package settle

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// A Decimal is an exact number as written: 468.00, -1.5. It marshals to JSON as
// a text, so that no reader rounds it.
type Decimal struct {
	big.Rat
	digits int // decimals as written
}

var decimalForm = regexp.MustCompile(`^-?\d{1,15}(\.\d{1,9})?$`)

// ParseDecimal reads a decimal number with at most nine decimals and without
// marks for thousands.
func ParseDecimal(s string) (*Decimal, error) {
	if !decimalForm.MatchString(s) {
		return nil, fmt.Errorf("%q is no decimal number", s)
	}
	d := new(Decimal)
	d.SetString(s)
	_, after, _ := strings.Cut(s, ".")
	d.digits = len(after)
	return d, nil
}

// UnmarshalYAML reads the number as written, never through binary fractions.
func (d *Decimal) UnmarshalYAML(node ast.Node) error {
	x, err := ParseDecimal(node.GetToken().Value)
	if err != nil {
		return fmt.Errorf("%w: write it plainly, with a decimal point: 468.00", err)
	}
	*d = *x
	return nil
}

// MarshalJSON writes the number as a text.
func (d Decimal) MarshalJSON() ([]byte, error) { return []byte(`"` + d.String() + `"`), nil }

// String writes the number with as many decimals as it was made with.
func (d Decimal) String() string { return d.FloatString(d.digits) }

// Float returns the nearest binary number.
func (d *Decimal) Float() float64 { return float(&d.Rat) }

// A Mode says where a number goes that lies midway between two roundings.
type Mode string

const (
	// HalfUp rounds it away from zero (rule B of ISO 80000-1, annex B, from
	// memory).
	HalfUp Mode = "half_up"
	// HalfEven rounds it to the even neighbour (rule A there).
	HalfEven Mode = "half_even"
)

// round returns x as the nearest multiple of 10^-digits.
func (m Mode) round(x *big.Rat, digits int) *Decimal {
	scale := powerOfTen(digits)
	y := new(big.Rat).Mul(x, scale)
	num, den := new(big.Int).Abs(y.Num()), y.Denom()
	q, rest := new(big.Int).QuoRem(num, den, new(big.Int))
	switch half := rest.Lsh(rest, 1).Cmp(den); {
	case half > 0, half == 0 && (m != HalfEven || q.Bit(0) == 1):
		q.Add(q, big.NewInt(1))
	}
	if y.Sign() < 0 {
		q.Neg(q)
	}
	d := &Decimal{digits: digits}
	d.Quo(new(big.Rat).SetInt(q), scale)
	return d
}

func powerOfTen(n int) *big.Rat {
	return new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil))
}

// float returns the nearest binary number.
func float(x *big.Rat) float64 { f, _ := x.Float64(); return f }

// exact returns the value of d, 0 where it is nil.
func exact(d *Decimal) *big.Rat {
	if d == nil {
		return new(big.Rat)
	}
	return &d.Rat
}

func add(x, y *big.Rat) *big.Rat { return new(big.Rat).Add(x, y) }
func sub(x, y *big.Rat) *big.Rat { return new(big.Rat).Sub(x, y) }
func mul(x, y *big.Rat) *big.Rat { return new(big.Rat).Mul(x, y) }
func quo(x, y *big.Rat) *big.Rat { return new(big.Rat).Quo(x, y) }

var hundred = big.NewRat(100, 1)
