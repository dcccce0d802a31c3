package grading

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

func TestClopperPearsonPublished(t *testing.T) {
	for _, c := range []struct {
		source      string
		x, n, level float64
		low, high   float64
		delta       float64 // rounding of the source
	}{
		// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 "Confidence
		// intervals": 4 defectives in 20, two-sided 90 % (figures from
		// memory; the upper one is 0.4010281 to seven places, theirs is 1e-6 off).
		{"NIST 7.2.4.1", 4, 20, 0.90, 0.071354, 0.401029, 1e-6},
		// Widely tabulated 95 % limits for n = 10 (from memory).
		{"tables, 0 of 10", 0, 10, 0.95, 0, 0.3085, 5e-5},
		{"tables, 1 of 10", 1, 10, 0.95, 0.0025, 0.4450, 5e-5},
		{"tables, 5 of 10", 5, 10, 0.95, 0.1871, 0.8129, 5e-5},
		// Closed form for all found: (α/2)^(1/n).
		{"closed form", 50, 50, 0.95, math.Pow(0.025, 1.0/50), 1, 1e-12},
	} {
		t.Run(c.source, func(t *testing.T) {
			low, high := ClopperPearson(c.x, c.n, c.level)
			assert.InDelta(t, c.low, low, c.delta)
			assert.InDelta(t, c.high, high, c.delta)
		})
	}
}

// TestClopperPearsonTails checks the definition: at the lower limit x or more
// are found with probability 2.5 %, at the upper limit x or fewer.
func TestClopperPearsonTails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		low, high := ClopperPearson(float64(x), float64(n), 0.95)
		tail := func(p float64, from, to int) (sum float64) {
			for k := from; k <= to; k++ {
				a, _ := math.Lgamma(float64(n + 1))
				b, _ := math.Lgamma(float64(k + 1))
				c, _ := math.Lgamma(float64(n - k + 1))
				sum += math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p))
			}
			return sum
		}
		if x > 0 {
			assert.InDelta(t, 0.025, tail(low, x, n), 1e-7)
		}
		if x < n {
			assert.InDelta(t, 0.025, tail(high, 0, x), 1e-7)
		}
	})
}

// TestJeffreysTails integrates the beta density by Simpson's rule, in the
// variable p = sin² u where it has no poles, and finds 2.5 % beyond each limit.
func TestJeffreysTails(t *testing.T) {
	for _, c := range []struct{ x, n float64 }{{1, 10}, {3, 100}, {0.4, 250}, {17.3, 1234.5}, {60, 80}} {
		t.Run(fmt.Sprintf("%g of %g", c.x, c.n), func(t *testing.T) {
			low, high := Jeffreys(c.x, c.n, 0.95)
			// p^(x-1/2)·(1-p)^(n-x-1/2) dp becomes 2·sin^2x u·cos^2(n-x) u du.
			density := func(u float64) float64 {
				return math.Exp(2*c.x*math.Log(math.Sin(u)) + 2*(c.n-c.x)*math.Log(math.Cos(u)))
			}
			integral := func(from, to float64) float64 {
				a, b := math.Asin(math.Sqrt(from)), math.Asin(math.Sqrt(to))
				const steps = 40000
				h := (b - a) / steps
				var sum float64
				for i := range steps {
					u := a + float64(i)*h
					sum += density(u+1e-300) + 4*density(u+h/2) + density(min(u+h, math.Pi/2-1e-12))
				}
				return sum * h / 6
			}
			total := integral(0, 1)
			// 1e-5: Simpson with x < 1, where the density has a steep start.
			assert.InDelta(t, 0.025, integral(0, low)/total, 1e-5)
			assert.InDelta(t, 0.025, integral(high, 1)/total, 1e-5)
		})
	}
}

// TestNothingFound checks the rule of three: nothing found in n leaves up to
// about 3/n possible (J.A. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743-1745,
// from memory). -ln 0.05 = 2.9957.
func TestNothingFound(t *testing.T) {
	for _, n := range []float64{100, 1000, 10000} {
		low, high := Jeffreys(0, n, 0.95)
		assert.Zero(t, low)
		assert.InDelta(t, 3/n, high, 0.02*3/n)
		low, high = Jeffreys(n, n, 0.95)
		assert.InDelta(t, 1-3/n, low, 0.02*3/n)
		assert.Equal(t, 1.0, high)
	}
}

// TestTFactor checks against Student's table: two-sided 95 %, 2.776 at 4 and
// 2.093 at 19 degrees of freedom (any handbook).
func TestTFactor(t *testing.T) {
	assert.InDelta(t, 2.776, tFactor(4)*1.95996, 5e-4)
	assert.InDelta(t, 2.093, tFactor(19)*1.95996, 5e-4)
	assert.Equal(t, 1.0, tFactor(math.Inf(1)))
}
