package grading

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
)

// sheetWith returns a sample sheet on which the factor stands at x, in the
// factor's unit; ok is false where a sheet cannot say x.
func sheetWith(f *standards.Factor, x float64) (sheet *Sheet, ok bool) {
	whole := func(x float64) (standards.Whole, bool) { return standards.Whole(x), x == math.Trunc(x) }
	from := 1000.0
	part := x * from / 100
	switch f.Sheet {
	case "moisture_pct":
		return &Sheet{MoisturePct: &x}, true
	case "odour_ok":
		fine := x == 0
		return &Sheet{OdourOK: &fine}, x == 0 || x == 1
	case "live_insects":
		n, ok := whole(x)
		return &Sheet{LiveInsects: &n}, ok
	case "insects":
		n, ok := whole(x)
		return &Sheet{Insects: &n}, ok
	case "insect_refuse":
		found := x == 1
		return &Sheet{InsectRefuse: &found}, x == 0 || x == 1
	case "paddy_per_kg":
		n, ok := whole(x)
		portion := f.Basis.SamplePortionG()
		return &Sheet{PaddyCount: &n, PaddyFromG: &portion}, ok
	case "foreign_matter_pct":
		return &Sheet{ForeignMatterG: &part, ForeignFromG: &from}, true
	case "foreign_organic_pct":
		return &Sheet{ForeignOrganicG: &part, ForeignFromG: &from}, true
	case "foreign_inorganic_pct":
		return &Sheet{ForeignInorganicG: &part, ForeignFromG: &from}, true
	}
	h := HandValue{Number: x}
	if f.Basis == standards.ByWords {
		if x < 1 || x > float64(len(f.Words)) {
			return nil, false
		}
		h = HandValue{Word: f.Words[int(x)-1]}
	}
	return &Sheet{ByHand: map[string]HandValue{f.Code: h}}, true
}

// around returns figures just inside the limit, on it and just outside, by the
// kind of figure it is. A percentage that the standard rounds to so many
// decimals turns half a unit of the last one beyond the limit; half of it up is
// already outside (7 CFR 868.308(a)). A half itself goes up, for a lower limit
// inside.
func around(l standards.Limit) (inside, on, outside float64) {
	step := 1.0
	switch l.Basis {
	case standards.ByMass, standards.ByCount:
		step = 0.001
	}
	if !l.Bound.Upper() {
		step = -step
	}
	inside, on, outside = l.Value-step, l.Value, l.Value+step
	if step := math.Abs(step); step < 1 && l.Round.Mode == "half_up" {
		half := 0.5 * math.Pow(10, -float64(l.Round.Digits))
		if l.Bound.Upper() {
			inside, outside = l.Value+half-step/10, l.Value+half
		} else {
			inside, outside = l.Value-half, l.Value-half-step/10
		}
	}
	if l.Bound == standards.Above && l.Round.Mode == "half_up" {
		half := 0.5 * math.Pow(10, -float64(l.Round.Digits)) // "over 50.0" begins at 50.05
		return l.Value + half, l.Value + half - 0.0001, l.Value
	}
	if !l.Bound.Inclusive() {
		on = outside // the limit's own value is outside
		outside = l.Value
		if step < 1 {
			inside = l.Value - step
		}
	}
	return max(inside, 0), on, outside
}

// TestEveryLimit puts every limit of every grade of every standard on the
// sample sheet just inside, on and just outside, all else being perfect, and
// asks for the grade that a reader of the table finds: the best whose limit on
// this line is kept. The figures of the tables themselves are checked against
// the documents in the standards package.
func TestEveryLimit(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	tested, seen := 0, map[string]bool{}
	for _, std := range all {
		lot := heaped() // whole white kernels
		if evaluate(t, lot, std.Code, nil).Grade != std.Grades[0] {
			lot = heaped(heap{share: 80, length: 0.5}) // or, for rice sold as broken, hardly any
		}
		for i := range len(lot.Pieces) / 20 { // of each heap one in twenty, which makes the same shares
			lot.Pieces[i] = lot.Pieces[20*i]
		}
		lot.Pieces = lot.Pieces[:len(lot.Pieces)/20]
		require.Equal(t, std.Grades[0], evaluate(t, lot, std.Code, nil).Grade, std.Code)
		// Rice of such a lot may have no place in a grade for broken rice.
		bare := evaluate(t, lot, std.Code, nil)
		otherwise := func(h int, factor string) bool {
			for _, line := range bare.Lines {
				if line.Grade == std.Grades[h] && line.Factor != factor && line.Verdict == Fails {
					return false
				}
			}
			return true
		}
		for g := range std.Grades {
			for _, l := range std.Limits(g) {
				// A line that several kinds of rice share is tested once.
				key := fmt.Sprint(std.Document, l.Grade, l.Factor.Code, l.Factor.Name, l.Clause, l.Bound, l.Value)
				if seen[key] {
					continue
				}
				seen[key] = true
				keeps := func(g int, x float64) bool {
					for _, other := range std.Limits(g) {
						if other.Factor.Code != l.Factor.Code {
							continue
						}
						y := x
						if other.Round.Mode == "half_up" { // by hand: on the decimal figure
							p := math.Pow(10, float64(other.Round.Digits))
							y = math.Floor(x*p+0.5+1e-6) / p
						}
						if kept := map[standards.Bound]bool{
							standards.AtMost: y <= other.Value+1e-9, standards.Below: y < other.Value-1e-9,
							standards.AtLeast: y >= other.Value-1e-9, standards.Above: y > other.Value+1e-9,
						}[other.Bound]; !kept {
							return false
						}
					}
					return true
				}
				inside, on, outside := around(l)
				for _, row := range []struct {
					where string
					x     float64
					kept  bool
				}{{"inside", inside, true}, {"on", on, l.Bound.Inclusive()}, {"outside", outside, false}} {
					if (l.Basis == standards.ByMass || l.Basis == standards.ByCount) && row.x > 100 {
						continue
					}
					sheet, ok := sheetWith(l.Factor, row.x)
					if !ok {
						continue
					}
					name := fmt.Sprintf("%s, %s, %s %v of %s %v [%s]", std.Code, l.Grade, row.where, row.x, l.Factor.Code, l.Value, l.Clause)
					want := std.BelowAll
					for h := range std.Grades {
						if keeps(h, row.x) && otherwise(h, l.Factor.Code) {
							want = std.Grades[h]
							break
						}
					}
					got := evaluate(t, lot, std.Code, sheet)
					tested++
					if want == std.BelowAll {
						assert.Equal(t, want, got.Result, name)
					} else {
						assert.Equal(t, want, got.Grade, name)
					}
					if l.Factor.Sheet == "paddy_per_kg" {
						continue // a count has an interval of its own
					}
					line := lineOf(t, got, l.Grade, l.Factor.Code)
					want = map[bool]string{true: Meets, false: Fails}[row.kept]
					if want == Fails && l.Mark == standards.FromMemory {
						want = ByHand // it contradicts nobody
					}
					assert.Equal(t, want, line.Verdict, name)
				}
			}
		}
	}
	assert.Greater(t, tested, 1000, "limits in the tables, three figures each")
	t.Logf("%d figures at limits", tested)
}
