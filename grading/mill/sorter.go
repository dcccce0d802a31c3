package mill

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/vision/kernel/fault"
)

// SorterInput is what was found around a sorter: shares of bad rice, percent
// by mass, and masses in grams over one and the same time. Either all three
// shares, or two masses or more and two shares or more.
type SorterInput struct {
	Feed, Accept, Reject             *Figure // share of bad rice
	FeedMass, AcceptMass, RejectMass *Figure
	Seed                             uint64 // of the random draws
	Draws                            int    // > 0; DefaultDraws is usual
	// Prices adds what the good rice in the reject costs; nil: not asked for.
	Prices *SorterPrices
}

// DefaultDraws is the number of random draws behind the intervals. Drawn in
// equal slices, their ends scatter by about a hundredth of their width.
const DefaultDraws = 20000

// A SorterFigure is one result.
type SorterFigure struct {
	Code    string `json:"code"`
	Name    string `json:"name"`
	Formula string `json:"formula"`
	Unit    string `json:"unit"` // "%" or "" for a ratio
	// Value has no number where the figures give none: a reject no worse than
	// the accept, nothing bad in the feed.
	Value Figure `json:"value"`
	// Told reports that the interval says something: see tooWide.
	Told bool `json:"told"`
}

// A SorterBalance compares what went into the sorter with what came out.
type SorterBalance struct {
	What    string `json:"what"` // "all rice", "bad rice"
	Formula string `json:"formula"`
	Unit    string `json:"unit"` // "g", or "points" without masses
	Missing Figure `json:"missing"`
	Verdict string `json:"verdict"` // Closes, Loss or Excess
}

// A Sorter is what a sorter does.
type Sorter struct {
	Method   string          `json:"method"` // BySharesOnly or ByMasses
	Figures  []SorterFigure  `json:"figures"`
	Balances []SorterBalance `json:"balances"`
	// Richer is the share of bad rice in the reject minus that in the accept,
	// points, which all else divides by where there are no masses. Where one of
	// the two was not graded the feed stands in for it: RicherOf says so.
	Richer   Figure `json:"richer_points"`
	RicherOf string `json:"richer_of"`
	// Works reports what the samples prove: SorterWorks, SorterNoProof,
	// SorterReversed or SorterUnjudged.
	Works string `json:"verdict"`
	// TooSmall says, in words, what the samples are too small to tell.
	TooSmall []string `json:"too_small_to_tell"`
	// Doubts says, in words, what looks like a slip in the figures.
	Doubts []string `json:"doubts"`
	// Weakest is the sample that the interval of the removal hangs on most;
	// TimesMore how many times as much rice all samples together would need to
	// bring its half width to 10 points, null where it is there.
	Weakest   string   `json:"weakest_sample"`
	TimesMore *float64 `json:"times_more_rice"`
	Seed      uint64   `json:"seed"`
	Draws     int      `json:"draws"`
}

// The two ways in which a sorter is judged.
const (
	BySharesOnly = "shares"
	ByMasses     = "masses"
)

// What the samples prove of a sorter.
const (
	SorterWorks    = "works"      // the reject holds more bad rice than the accept
	SorterNoProof  = "not_proven" // it may be no better than a divider
	SorterReversed = "reversed"   // the accept holds more bad rice than the reject
	SorterUnjudged = "unjudged"   // an interval is missing
)

// tooWide is the width of an interval, in points, from which on a percentage
// counts as not told: half of all that could be. Our own choice.
const tooWide = 50

// leastReject and mostReject are shares rejected, percent, outside of which a
// unit is doubted. Our own choice: a sorter that turns down half of its feed is
// none.
const (
	leastReject = 0.01
	mostReject  = 50
)

// goodHalfWidth is the half width, in points, that SorterInput's hint on
// sample size aims at. Our own choice.
const goodHalfWidth = 10

// The places of the six figures in a draw.
const (
	feedShare = iota
	acceptShare
	rejectShare
	feedMass
	acceptMass
	rejectMass
	sorterInputs
	allInputs = -1
)

var sampleNames = [sorterInputs]string{"feed sample", "accept sample", "reject sample", "feed mass", "accept mass", "reject mass"}

// A sorting is one set of figures: shares 0..1, masses in grams; NaN where not
// given.
type sorting [sorterInputs]float64

// settle fills in what the balance gives: the third mass, the third share.
// With shares only the feed mass is 1. Where the figures contradict the
// balance or leave it open, the masses become NaN, and so does all that needs
// them.
func (s *sorting) settle() {
	if math.IsNaN(s[feedMass]) && math.IsNaN(s[acceptMass]) && math.IsNaN(s[rejectMass]) {
		f, a, j := s[feedShare], s[acceptShare], s[rejectShare]
		if !(j > a) {
			return
		}
		// Outside a..j the figures are off by chance; the balance allows no
		// more than its ends.
		r := (min(j, max(a, f)) - a) / (j - a)
		*s = sorting{f, a, j, 1, 1 - r, r}
		return
	}
	switch {
	case math.IsNaN(s[rejectMass]):
		s[rejectMass] = s[feedMass] - s[acceptMass]
	case math.IsNaN(s[acceptMass]):
		s[acceptMass] = s[feedMass] - s[rejectMass]
	default:
		// All rice is what came out; a feed mass of its own serves the balance.
		s[feedMass] = s[acceptMass] + s[rejectMass]
	}
	f, a, j := &s[feedShare], &s[acceptShare], &s[rejectShare]
	fm, am, jm := s[feedMass], s[acceptMass], s[rejectMass]
	if !(fm > 0 && am > 0 && jm > 0) {
		s[feedMass], s[acceptMass], s[rejectMass] = math.NaN(), math.NaN(), math.NaN()
		return
	}
	clamp := func(v float64) float64 { return min(1, max(0, v)) }
	switch {
	case math.IsNaN(*a):
		*a = clamp((fm**f - jm**j) / am)
	case math.IsNaN(*j):
		*j = clamp((fm**f - am**a) / jm)
	}
	*f = (am**a + jm**j) / fm
}

// sorterResult is one figure as a function of a settled balance.
type sorterResult struct {
	code, name, formula, unit string
	most                      float64 // greatest value it can have
	alone                     int     // the one input it hangs on, or allInputs
	value                     func(s *sorting) float64
}

// sorterResults lists the figures in the order of the report. The formulas
// differ with what was measured.
func sorterResults(masses bool) []sorterResult {
	removal, loss, ratio, enrichment := "(f-a)·j / (f·(j-a))", "(f-a)·(1-j) / ((1-f)·(j-a))", "(f-a) / (j-a)", "j / f"
	if masses {
		removal, loss, ratio, enrichment = "J·j / (A·a+J·j)", "J·(1-j) / (A·(1-a)+J·(1-j))", "J / (A+J)", "j·(A+J) / (A·a+J·j)"
	}
	inf := math.Inf(1)
	return []sorterResult{
		{"removal", "Bad rice removed", removal, "%", 100, allInputs, func(s *sorting) float64 {
			return 100 * s[rejectMass] * s[rejectShare] / (s[acceptMass]*s[acceptShare] + s[rejectMass]*s[rejectShare])
		}},
		{"good_loss", "Good rice lost", loss, "%", 100, allInputs, func(s *sorting) float64 {
			good := s[rejectMass] * (1 - s[rejectShare])
			return 100 * good / (s[acceptMass]*(1-s[acceptShare]) + good)
		}},
		{"reject_ratio", "Rice rejected, of all", ratio, "%", 100, allInputs, func(s *sorting) float64 {
			return 100 * s[rejectMass] / (s[acceptMass] + s[rejectMass])
		}},
		{"reject_bad", "Reject: bad rice", "j", "%", 100, rejectShare, func(s *sorting) float64 { return 100 * s[rejectShare] }},
		{"reject_good", "Reject: good rice", "1 - j", "%", 100, rejectShare, func(s *sorting) float64 { return 100 * (1 - s[rejectShare]) }},
		{"carry_over_good_per_bad", "Carry-over good : bad", "(1-j) / j", "", inf, rejectShare, func(s *sorting) float64 { return (1 - s[rejectShare]) / s[rejectShare] }},
		{"carry_over_bad_per_good", "Carry-over bad : good", "j / (1-j)", "", inf, rejectShare, func(s *sorting) float64 { return s[rejectShare] / (1 - s[rejectShare]) }},
		{"accept_purity", "Accept: good rice", "1 - a", "%", 100, acceptShare, func(s *sorting) float64 { return 100 * (1 - s[acceptShare]) }},
		{"enrichment", "Enrichment of reject", enrichment, "", inf, allInputs, func(s *sorting) float64 { return s[rejectShare] / s[feedShare] }},
	}
}

// JudgeSorter works the figures out. Intervals come from random draws of the
// six figures, each by its own interval, through the formulas: a draw that
// gives no figure counts at both ends, so that what the samples cannot tell
// comes out as an interval of everything. Balances with more out than in
// beyond a 99.9 % interval are *fault.Error that wrap ErrBalance.
func JudgeSorter(in SorterInput) (*Sorter, error) {
	given := [sorterInputs]*Figure{in.Feed, in.Accept, in.Reject, in.FeedMass, in.AcceptMass, in.RejectMass}
	masses, err := checkSorter(given, in.Draws)
	if err != nil {
		return nil, err
	}
	out := &Sorter{Method: BySharesOnly, Seed: in.Seed, Draws: in.Draws, Works: SorterUnjudged, TooSmall: []string{}, Doubts: []string{}}
	if masses {
		out.Method = ByMasses
		out.Balances, err = massBalances(given)
	} else {
		out.Balances, err = shareBalance(*in.Feed, *in.Accept, *in.Reject, given)
	}
	if err != nil {
		return nil, err
	}
	rich, poor := in.Reject, in.Accept
	out.RicherOf = "reject - accept"
	switch {
	case poor == nil:
		poor, out.RicherOf = in.Feed, "reject - feed"
	case rich == nil:
		rich, out.RicherOf = in.Feed, "feed - accept"
	}
	out.Richer = Difference(*rich, *poor)
	results := sorterResults(masses)
	if in.Prices != nil {
		results = append(results, in.Prices.moneyLost())
	}
	middle := at(given, func(f Figure, _ int) float64 { return f.Value })
	for _, r := range results {
		v := r.value(&middle)
		out.Figures = append(out.Figures, SorterFigure{Code: r.code, Name: r.name, Formula: r.formula, Unit: r.unit, Told: true, Value: Exact(v)})
	}
	if ratio := results[2].value(&middle); masses && !(ratio >= leastReject && ratio <= mostReject) && finite(ratio) {
		unit := UnitFor(middle[feedMass])
		out.Doubts = append(out.Doubts, fmt.Sprintf("%s of %s rejected, %s %%: is one of the units wrong?",
			unit.write(middle[rejectMass]), unit.write(middle[feedMass]), strconv.FormatFloat(ratio, 'g', 2, 64)))
	}
	intervals(out, given, results)
	bare := func(g *Figure) bool { return g != nil && g.Bare }
	if !slices.ContainsFunc(given[:], bare) {
		out.judge(given, results)
		return out, nil
	}
	// What hangs on a figure without an interval has none either.
	for i, r := range results {
		if r.alone == allInputs || given[r.alone] == nil || given[r.alone].Bare {
			f := &out.Figures[i].Value
			f.Low, f.High, f.Bare = f.Value, f.Value, true
		}
	}
	return out, nil
}

func checkSorter(given [sorterInputs]*Figure, draws int) (masses bool, err error) {
	shares, weighed := 0, 0
	for i, g := range given {
		switch {
		case g == nil:
		case i < feedMass:
			shares++
		default:
			weighed++
		}
	}
	switch {
	case weighed == 1:
		return false, fault.Usagef("give two of feed, accept and reject over the same time, or none", "one mass says nothing")
	case weighed == 0 && shares < 3:
		return false, fault.Usagef("grade the missing sample, or weigh two of the streams over the same time", "without masses all three shares are needed: feed, accept and reject")
	case shares < 2:
		return false, fault.Usagef("grade a sample of two of feed, accept and reject", "two shares are needed at least")
	case draws < 1000 || draws > 10_000_000:
		return false, fault.Usagef("1000 to 10000000; 20000 is usual", "%d draws", draws)
	}
	return weighed > 0, nil
}

// at returns the balance that pick makes of the given figures, settled.
func at(given [sorterInputs]*Figure, pick func(f Figure, i int) float64) sorting {
	var s sorting
	for i, g := range given {
		s[i] = math.NaN()
		if g == nil {
			continue
		}
		s[i] = pick(*g, i)
		if i < feedMass {
			s[i] = min(1, max(0, s[i]/100))
		} else {
			s[i] = max(0, s[i])
		}
	}
	s.settle()
	return s
}

// intervals fills in the intervals of the figures. Each input is drawn in
// equal slices of its distribution, in random order (a Latin hypercube).
func intervals(out *Sorter, given [sorterInputs]*Figure, results []sorterResult) {
	n := out.Draws
	rng := rand.New(rand.NewPCG(out.Seed, 0))
	z := make([]float64, n)
	for i := range z {
		z[i] = distuv.UnitNormal.Quantile((float64(i) + 0.5) / float64(n))
	}
	var order [sorterInputs][]int
	for i := range order {
		order[i] = rng.Perm(n)
	}
	low := make([][]float64, len(results))
	high := make([][]float64, len(results))
	for k := range n {
		s := at(given, func(f Figure, i int) float64 { return f.At(z[order[i][k]]) })
		for i, r := range results {
			from := r.value(&s)
			to := from
			if math.IsNaN(from) {
				from, to = 0, r.most
			}
			low[i], high[i] = append(low[i], from), append(high[i], to)
		}
	}
	for i := range results {
		f := &out.Figures[i].Value
		slices.Sort(low[i])
		slices.Sort(high[i])
		f.Low = stat.Quantile(0.025, stat.Empirical, low[i], nil)
		f.High = stat.Quantile(0.975, stat.Empirical, high[i], nil)
		if finite(f.Value) {
			f.Low, f.High = min(f.Low, f.Value), max(f.High, f.Value)
		}
	}
}

// judge says what the samples prove, and what they are too small for.
func (s *Sorter) judge(given [sorterInputs]*Figure, results []sorterResult) {
	s.Works = SorterNoProof
	switch {
	case s.Richer.Low > 0:
		s.Works = SorterWorks
	case s.Richer.High < 0:
		s.Works = SorterReversed
	}
	// A feed outside accept and reject can only be chance. Removal and what goes
	// with it then stand at an end of what can be, with an interval that looks
	// narrow and tells nothing.
	outside := s.Method == BySharesOnly && !(given[acceptShare].Value <= given[feedShare].Value && given[feedShare].Value <= given[rejectShare].Value)
	for i := range s.Figures {
		f := &s.Figures[i]
		width := f.Value.High - f.Value.Low
		f.Told = finite(f.Value.Value) && finite(width) && (f.Unit != "%" || width <= tooWide)
		if flow := f.Code == "removal" || f.Code == "good_loss" || f.Code == "reject_ratio"; flow && (outside || !f.Told) {
			f.Told = false
			s.TooSmall = append(s.TooSmall, strings.ToLower(f.Name[:1])+f.Name[1:])
		}
	}
	removal := &s.Figures[0].Value
	if half := removal.HalfWidth(); half > goodHalfWidth && s.Figures[0].Told {
		s.TimesMore = rounded(math.Pow(half/goodHalfWidth, 2))
	}
	s.Weakest = weakest(given, results[0])
}

// weakest names the input whose interval moves r most.
func weakest(given [sorterInputs]*Figure, r sorterResult) string {
	name, most := "", 0.0
	for i, g := range given {
		if g == nil {
			continue
		}
		end := func(z float64) float64 {
			s := at(given, func(f Figure, j int) float64 {
				if j == i {
					return f.At(z)
				}
				return f.Value
			})
			return r.value(&s)
		}
		moved := math.Abs(end(z95) - end(-z95))
		if math.IsNaN(moved) {
			moved = r.most
		}
		if moved > most {
			name, most = sampleNames[i], moved
		}
	}
	return name
}
