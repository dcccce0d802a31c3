package grading

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
	"traytally/vision/kernel"
)

// A heap is a group of like pieces that make up a share of a sample.
type heap struct {
	share  float64 // percent of the mass
	length float64 // fraction of the whole-kernel length
	width  float64 // mm, 0 for 2.1
	chalk  float64
	flags  []kernel.Flag
	n      int // pieces, 0 for 400
}

// heaped returns a sample of exactly the given shares; whole kernels of 7.2 by
// 2.1 mm make up the rest.
func heaped(heaps ...heap) *Sample {
	s := &Sample{
		Params: DefaultParams(), MM: true, Trays: 1,
		Reference: Reference{Length: 7.2, N: 2000, SD: 0.3, Method: FromSample},
	}
	const milligrams = 40000.0
	rest := heap{share: 100, length: 1, n: 2000}
	for i := range heaps {
		rest.share -= heaps[i].share
	}
	for _, h := range append(heaps, rest) {
		if h.n == 0 {
			h.n = 400
		}
		if h.width == 0 {
			h.width = 2.1
		}
		end := kernel.EndIntact
		if h.length < 0.95 {
			end = kernel.EndBroken
		}
		for range h.n {
			s.Pieces = append(s.Pieces, Piece{
				Length: h.length * s.Reference.Length, Axis: h.length * s.Reference.Length,
				Width: h.width, Area: h.length * 11, Mass: h.share / 100 * milligrams / float64(h.n),
				Ends: [2]kernel.End{kernel.EndIntact, end}, Flags: h.flags, ChalkShare: h.chalk,
			})
		}
	}
	return s
}

func lookup(t testing.TB, code string) *standards.Standard {
	t.Helper()
	std, err := standards.Lookup(code)
	require.NoError(t, err)
	return std
}

func evaluate(t testing.TB, s *Sample, code string, sheet *Sheet) *Grade {
	t.Helper()
	g, err := Evaluate(s, lookup(t, code), sheet)
	require.NoError(t, err)
	return g
}

func lineOf(t testing.TB, g *Grade, grade, factor string) Line {
	t.Helper()
	for _, l := range g.Lines {
		if l.Grade == grade && l.Factor == factor {
			return l
		}
	}
	require.Fail(t, "no line", "%s, %s", grade, factor)
	return Line{}
}

// Every limit on the broken share just inside, on and just outside, with the
// grade expected by hand. Where the standard rounds to one decimal, what lies
// within half a decimal of the limit is still inside (7 CFR 868.308(a),
// GB/T 5503-1985). Thai pieces are of the length that is broken in the grade.
func TestGradeTurnsAtItsBrokenLimit(t *testing.T) {
	for _, row := range []struct {
		code, clause        string
		length              float64 // of the broken pieces, fraction
		inside, on, outside float64 // percent
		grade, beyond       string
	}{
		{"us-long", "7 CFR 868.310, column 6", 0.5, 4.04, 4.0, 4.05, "U.S. No. 1", "U.S. No. 2"},
		{"us-long", "7 CFR 868.310, column 6", 0.5, 7.04, 7.0, 7.05, "U.S. No. 2", "U.S. No. 3"},
		{"us-long", "7 CFR 868.310, column 6", 0.5, 15.04, 15.0, 15.05, "U.S. No. 3", "U.S. No. 4"},
		{"us-long", "7 CFR 868.310, column 6", 0.5, 25.04, 25.0, 25.05, "U.S. No. 4", "U.S. No. 5"},
		{"us-long", "7 CFR 868.310, column 6", 0.5, 35.04, 35.0, 35.05, "U.S. No. 5", "U.S. No. 6"},
		{"us-long", "7 CFR 868.310, column 6", 0.5, 50.04, 50.0, 50.05, "U.S. No. 6", ""},
		{"us-medium", "7 CFR 868.310, column 6", 0.74, 3.96, 4.0, 4.06, "U.S. No. 1", "U.S. No. 2"},
		{"us-short", "7 CFR 868.310, column 6", 0.2, 6.99, 7.0, 7.06, "U.S. No. 2", "U.S. No. 3"},
		{"us-mixed", "7 CFR 868.310, column 6", 0.5, 49.9, 50.0, 50.1, "U.S. No. 6", ""},
		{"thai-white", "white rice 100 % A, brokens", 0.6, 3.999, 4.0, 4.001, "100 % A", "100 % B"},
		{"thai-white", "white rice 100 % B, brokens", 0.6, 4.499, 4.5, 4.501, "100 % B", "100 % C"},
		{"thai-white", "white rice 100 % C, brokens", 0.6, 4.999, 5.0, 5.001, "100 % C", "5 %"},
		{"thai-white", "white rice 5 %, brokens", 0.6, 6.999, 7.0, 7.001, "5 %", "10 %"},
		{"thai-white", "white rice 10 %, brokens", 0.6, 11.999, 12.0, 12.001, "10 %", "15 %"},
		{"thai-white", "white rice 15 %, brokens", 0.6, 16.999, 17.0, 17.001, "15 %", "25 % super"},
		{"thai-white", "white rice 25 % super, brokens", 0.45, 27.999, 28.0, 28.001, "25 % super", "35 %"},
		{"thai-white", "white rice 35 %, brokens", 0.45, 39.999, 40.0, 40.001, "35 %", "45 %"},
		{"thai-white", "white rice 45 %, brokens", 0.45, 49.999, 50.0, 50.001, "45 %", ""},
		{"ph", "NFA/PNS, brokens, Premium", 0.5, 4.899, 4.9, 4.901, "Premium", "Grade 1"},
		{"ph", "NFA/PNS, brokens, Grade 1", 0.79, 19.749, 19.75, 19.751, "Grade 1", "Grade 2"},
		{"ph", "NFA/PNS, brokens, Grade 2", 0.5, 34.499, 34.5, 34.501, "Grade 2", "Grade 3"},
		{"ph", "NFA/PNS, brokens, Grade 3", 0.5, 48.999, 49.0, 49.001, "Grade 3", ""},
		{"vn-white", "TCVN 11888, 5 %", 0.7, 6.999, 7.0, 7.001, "5 %", "10 %"}, // 0.70 L is head rice from the 10 % class on
		{"vn-white", "TCVN 11888, 10 %", 0.6, 11.999, 12.0, 12.001, "10 %", "15 %"},
		{"vn-white", "TCVN 11888, 15 %", 0.6, 16.999, 17.0, 17.001, "15 %", "25 %"},
		{"vn-white", "TCVN 11888, 25 %", 0.4, 26.999, 27.0, 27.001, "25 %", ""},
		{"cn-indica", "GB/T 1354, grade 1", 0.5, 15.04, 15.0, 15.05, "grade 1", "grade 2"},
		{"cn-indica", "GB/T 1354, grade 2", 0.5, 20.04, 20.0, 20.05, "grade 2", "grade 3"},
		{"cn-indica", "GB/T 1354, grade 3", 0.5, 30.04, 30.0, 30.05, "grade 3", ""},
		{"cn-japonica", "GB/T 1354, grade 1", 0.5, 10.04, 10.0, 10.05, "grade 1", "grade 2"},
		{"cn-japonica", "GB/T 1354, grade 2", 0.5, 15.04, 15.0, 15.05, "grade 2", "grade 3"},
		{"cn-japonica", "GB/T 1354, grade 3", 0.5, 20.04, 20.0, 20.05, "grade 3", ""},
		{"in-central-raw-common", "central pool, brokens", 0.5, 24.999, 25.0, 25.001, "uniform specification", ""},
		{"in-central-parboiled-a", "central pool, brokens", 0.5, 15.999, 16.0, 16.001, "uniform specification", ""},
		{"in-agmark-medium", "Agmark medium I", 0.5, 6.999, 7.0, 7.001, "Grade I", "Grade II"},
		{"in-agmark-medium", "Agmark medium II", 0.5, 14.999, 15.0, 15.001, "Grade II", "Grade III"},
		{"in-agmark-medium", "Agmark medium III", 0.5, 19.999, 20.0, 20.001, "Grade III", "Grade IV"},
		{"in-agmark-medium", "Agmark medium IV", 0.5, 29.999, 30.0, 30.001, "Grade IV", ""},
		{"in-agmark-fine", "Agmark fine I", 0.5, 2.999, 3.0, 3.001, "Grade I", "Grade II"},
		{"in-agmark-fine", "Agmark fine II", 0.5, 6.999, 7.0, 7.001, "Grade II", "Grade III"},
		{"in-agmark-fine", "Agmark fine III", 0.5, 11.999, 12.0, 12.001, "Grade III", "Grade IV"},
		{"in-agmark-fine", "Agmark fine IV", 0.5, 19.999, 20.0, 20.001, "Grade IV", ""},
		{"trade", "common practice, no source", 0.5, 4.999, 5.0, 5.001, "5 % broken", "10 % broken"},
		{"trade", "common practice, no source", 0.5, 9.999, 10.0, 10.001, "10 % broken", "15 % broken"},
		{"trade", "common practice, no source", 0.5, 14.999, 15.0, 15.001, "15 % broken", "25 % broken"},
		{"trade", "common practice, no source", 0.5, 24.999, 25.0, 25.001, "25 % broken", ""},
	} {
		t.Run(fmt.Sprintf("%s/%s/%g", row.code, row.grade, row.on), func(t *testing.T) {
			for _, pct := range []float64{row.inside, row.on} {
				g := evaluate(t, heaped(heap{share: pct, length: row.length}), row.code, nil)
				assert.Equal(t, row.grade, g.Grade, "%g %% (%s)", pct, row.clause)
			}
			g := evaluate(t, heaped(heap{share: row.outside, length: row.length}), row.code, nil)
			assert.Equal(t, row.beyond, g.Grade, "%g %% (%s)", row.outside, row.clause)
			require.NotEmpty(t, g.Limiting)
			if row.beyond == "" {
				assert.Equal(t, lookup(t, row.code).BelowAll, g.Result)
			}
		})
	}
}
