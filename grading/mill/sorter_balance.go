package mill

import (
	"fmt"
	"math"
	"strings"

	"traytally/vision/kernel/fault"
)

// massBalances checks, by masses, that the figures can be of one sorter.
func massBalances(given [sorterInputs]*Figure) ([]SorterBalance, error) {
	var a account
	var q [sorterInputs]quantity
	for i, g := range given {
		if g != nil {
			q[i] = a.enter(*g)
		}
	}
	out := []SorterBalance{}
	add := func(what, formula string, missing quantity) error {
		f := a.figure(missing)
		if f.stretched(beyond).High < 0 && !f.Bare {
			return impossibleSorter(strings.TrimPrefix(what, "all "), describe(given), "g", f)
		}
		out = append(out, SorterBalance{What: what, Formula: formula, Unit: "g", Missing: f, Verdict: closure(f)})
		return nil
	}
	minus := func(p, q quantity) quantity { return func(x []float64) float64 { return p(x) - q(x) } }
	// A mass that was not weighed follows from the other two.
	feed, accept, reject := q[feedMass], q[acceptMass], q[rejectMass]
	switch {
	case feed == nil:
		feed = func(x []float64) float64 { return accept(x) + reject(x) }
	case accept == nil:
		accept = minus(feed, reject)
	case reject == nil:
		reject = minus(feed, accept)
	default:
		if err := add("all rice", "F - A - J", minus(minus(feed, accept), reject)); err != nil {
			return nil, err
		}
	}
	for i := acceptMass; i <= rejectMass; i++ {
		if other := given[acceptMass+rejectMass-i]; other == nil && given[i].Value >= given[feedMass].Value {
			unit := UnitFor(given[feedMass].Value)
			return nil, impossibleSorter("rice", fmt.Sprintf("%s of feed, %s of %s", unit.write(given[feedMass].Value), unit.write(given[i].Value), strings.TrimSuffix(sampleNames[i], " mass")),
				"g", Difference(*given[feedMass], *given[i]))
		}
	}
	f, r, j := q[feedShare], q[acceptShare], q[rejectShare]
	if f == nil || r == nil || j == nil {
		return out, nil
	}
	if err := add("bad rice", "F·f - A·a - J·j", func(x []float64) float64 {
		return (feed(x)*f(x) - accept(x)*r(x) - reject(x)*j(x)) / 100
	}); err != nil {
		return nil, err
	}
	err := add("good rice", "F·(1-f) - A·(1-a) - J·(1-j)", func(x []float64) float64 {
		return (feed(x)*(100-f(x)) - accept(x)*(100-r(x)) - reject(x)*(100-j(x))) / 100
	})
	return out, err
}

// shareBalance checks that the feed lies between accept and reject, as a mass
// balance demands.
func shareBalance(feed, accept, reject Figure, given [sorterInputs]*Figure) ([]SorterBalance, error) {
	b := SorterBalance{What: "bad rice", Formula: "f between a and j", Unit: "points", Missing: Exact(0)}
	b.Missing.Bare = feed.Bare || accept.Bare || reject.Bare
	toA, toJ, what := Difference(accept, feed), Difference(reject, feed), "bad rice"
	less := toA.Value < 0 && toJ.Value < 0
	if less {
		toA, toJ, what = toA.Negated(), toJ.Negated(), "good rice"
	}
	if toA.Value > 0 && toJ.Value > 0 {
		// Both outlets hold more of it than the feed: the nearer one counts.
		nearer := toJ
		if toA.Value < toJ.Value {
			nearer = toA
		}
		if toA.stretched(beyond).Low > 0 && toJ.stretched(beyond).Low > 0 && !nearer.Bare {
			return nil, impossibleSorter(what, describe(given), "points", nearer.Negated())
		}
		if b.Missing = nearer; !less {
			b.Missing = nearer.Negated()
		}
	}
	b.Verdict = closure(b.Missing)
	return []SorterBalance{b}, nil
}

// closure is the verdict of what is missing.
func closure(missing Figure) string {
	switch {
	case missing.Bare:
		return Closes
	case missing.High < 0:
		return Excess
	case missing.Low > 0:
		return Loss
	}
	return Closes
}

// describe lists the figures of a sorter for a message.
func describe(given [sorterInputs]*Figure) string {
	most := 0.0
	for _, m := range given[feedMass:] {
		if m != nil {
			most = max(most, m.Value)
		}
	}
	var parts []string
	for k, name := range []string{"feed", "accept", "reject"} {
		var s []string
		if m := given[feedMass+k]; m != nil {
			s = append(s, UnitFor(most).write(m.Value))
		}
		if f := given[k]; f != nil {
			s = append(s, trim(f.Value)+" % bad")
		}
		if len(s) > 0 {
			parts = append(parts, name+" "+strings.Join(s, ", "))
		}
	}
	return strings.Join(parts, "; ")
}

func impossibleSorter(what, numbers, unit string, missing Figure) error {
	if u := UnitFor(max(math.Abs(missing.Low), math.Abs(missing.High))); unit == "g" {
		missing, unit = missing.Times(1/u.Grams), u.Name
	}
	return &fault.Error{
		Kind: fault.Usage, What: fmt.Sprintf("more %s out than in: %s: %.2f %s too much (95 %% interval %.2f to %.2f)",
			what, numbers, -missing.Value, unit, -missing.High, -missing.Low),
		Hint: "check which sample is which, and that all were drawn and weighed over the same time",
		Err:  ErrBalance,
	}
}
