package grading

import "strconv"

// What an interval proves about an upper limit.
const (
	Meets     = "meets"      // the whole interval is at or under the limit
	NotProven = "not_proven" // the limit lies inside the interval
	Exceeds   = "exceeds"    // the whole interval is over the limit
)

// Proof returns Meets, NotProven or Exceeds for an upper limit in percent.
func Proof(e Estimate, limit float64) string {
	switch {
	case e.High <= limit:
		return Meets
	case e.Low > limit:
		return Exceeds
	}
	return NotProven
}

// A TradeClass is the class by which a lot of this broken share is called in
// the trade: "5 % broken" up to 5 %, and so on. Common practice, no source:
// contracts define their own, and local markets take rice far beyond the
// poorest usual class.
type TradeClass struct {
	Name string `json:"name"` // "5 % broken", or "over 25 % broken"
	// LimitPct is the class's upper limit; null beyond the last class.
	LimitPct *float64 `json:"limit_pct"`
	// Verdict is what the interval proves of LimitPct: Meets or NotProven.
	// Beyond the last class it is what it proves of that one's limit: Exceeds
	// or NotProven.
	Verdict string `json:"verdict"`
	// NextBetterPct is the limit of the next better class, DistancePoints how
	// many points of broken the sample is over it; null and 0 in the best.
	NextBetterPct  *float64 `json:"next_better_pct"`
	DistancePoints float64  `json:"distance_points"`
}

// TradeClassOf returns the trade class of a broken share: the first of the
// rising limits that the value does not pass. It returns nil without limits.
func TradeClassOf(broken Estimate, limits []float64) *TradeClass {
	if len(limits) == 0 {
		return nil
	}
	percent := func(l float64) string { return strconv.FormatFloat(l, 'f', -1, 64) + " % broken" }
	i := 0
	for i < len(limits) && broken.Value > limits[i]*(1+ratioEps) {
		i++
	}
	var c TradeClass
	if i < len(limits) {
		limit := limits[i]
		c.Name, c.LimitPct, c.Verdict = percent(limit), &limit, Proof(broken, limit)
	} else {
		last := limits[i-1]
		c.Name, c.Verdict = "over "+percent(last), Proof(broken, last)
	}
	if i > 0 {
		better := limits[i-1]
		c.NextBetterPct, c.DistancePoints = &better, round(broken.Value-better, 4)
	}
	return &c
}
