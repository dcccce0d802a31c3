package grading

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/vision/kernel"
)

// A Budget is what the doubt of a share consists of: standard uncertainties in
// percentage points.
type Budget struct {
	Sampling  float64 `json:"sampling"`   // which kernels happened to be drawn
	Trays     float64 `json:"trays"`      // what the trays differ by beyond that
	NearLimit float64 `json:"near_limit"` // shift by measuring noise of lengths near a limit
	Reference float64 `json:"reference"`  // standard error of the reference length
	// Unresolved is not a standard uncertainty but the share of rice that may
	// belong to either side, groups not taken apart and pieces whose class is not
	// told: the interval is widened by it outright.
	Unresolved float64 `json:"unresolved"`
}

// A Share is the estimated share of the lot that a predicate holds for, with
// what stands behind it.
//
// The interval is for the lot, not for the kernels seen: it holds the lot's
// true share in 95 of 100 samples, if they were drawn at random.
type Share struct {
	Interval
	// shift moves the interval for pieces of unequal mass, see Share.limits.
	shift  shift
	Found  int // pieces the predicate holds for
	Budget Budget
	// TraysDiffer reports that the trays differ in this share by more than
	// chance explains (chi-squared, 5 %); false with one tray.
	TraysDiffer bool
}

// manyTrays is the number of trays from which on their scatter alone is the
// estimate of variance.
const manyTrays = 5

// leastDesign is the least factor by which the trays' scatter may change the
// variance of kernels drawn singly: trays that by chance are very alike narrow
// the interval by no more than a sixth. Without it five trays with equal
// shares would leave no doubt at all; at 1 the interval would hold the lot's
// share in 97.8 of 100 samples of five trays instead of 95 (simulation,
// TestCoverageOfTrays).
const leastDesign = 0.7

// enough is the number of pieces on either side from which on their scatter
// says something: of the trays, and of the masses' third moments.
const enough = 5

// Shares returns the share of the rice that in holds for, by mass and by
// count.
//
// Value is the share of the pieces as measured. Its variance is that of a
// ratio estimator, linearised (R.S. Woodruff, J. Am. Stat. Assoc. 66 (1971)
// 411-414): n/(n-1)·Σ m²(I-R)²/(Σ m)². With five trays or more the scatter of
// the trays takes its place, as clusters, with trays-1 degrees of freedom and
// not below leastDesign of it; with two to four it is added where the trays
// differ by more than chance explains. Added are the squares of what measuring
// noise of lengths near the limit shifts the share by, and of the reference's
// standard error times the share's slope.
//
// The variance is turned into an effective number of kernels, and that into
// an interval by Jeffreys, moved for the skewness of unequal masses. Where few pieces are found their own masses say
// little of the spread of such masses; one piece of middling mass is added on
// either side for that, and only for that. Nothing found gives the exact upper
// limit of zero found in that many kernels.
//
// Pieces of which it cannot be told whether they belong, see Sample.possible,
// are left out of all that and widen the interval both ways. Where there are no
// others the value is 50, from 0 to 100.
func (s *Sample) Shares(in Predicate) (mass, count Share) {
	return s.shares(s.Pieces, in)
}

// ForeignShares returns the share of foreign bodies in everything on the
// trays. The mass share takes them to be as dense as rice.
func (s *Sample) ForeignShares() (mass, count Share) {
	all := make([]Piece, 0, len(s.Pieces)+len(s.Foreign))
	all = append(append(all, s.Pieces...), s.Foreign...)
	return s.shares(all, func(p *Piece, _ float64) bool { return p.Has(kernel.Foreign) })
}

// SharesOf returns the shares of a row of Result.Shares.
func (s *Sample) SharesOf(kind, name string) (mass, count Share) {
	switch kind {
	case KindClass:
		return s.Shares(func(p *Piece, ratio float64) bool { return s.Class(p, ratio) == Class(name) })
	case KindFlag:
		return s.Shares(func(p *Piece, _ float64) bool { return p.Has(kernel.Flag(name)) })
	}
	return s.ForeignShares()
}

// An answer is what a predicate says of a piece.
type answer struct {
	in       bool
	soft     float64 // chance that it is true under the doubt of the length
	up, down bool    // with the reference shorter, longer by h
	tray     int
}

// A tally holds the sums of one basis.
type tally struct {
	n, found int     // pieces, and those that the predicate holds for
	in, out  powers  // of weights, predicate true and false
	doubt    float64 // weight of what may be either
	soft     float64 // expected weight of true under the doubt of lengths
	up, down float64 // weight of true with the reference shorter, longer by h
	trays    []trayTally
}

type trayTally struct{ in, all, n float64 }

// powers holds the sums of weights, of their squares and of their cubes.
type powers struct{ sum, squares, cubes float64 }

func (p *powers) add(w float64) {
	p.sum += w
	p.squares += w * w
	p.cubes += w * w * w
}

func (t *tally) add(w float64, a answer) {
	t.n++
	tray := &t.trays[a.tray]
	if a.in {
		t.found++
		t.in.add(w)
		tray.in += w
	} else {
		t.out.add(w)
	}
	tray.all += w
	tray.n++
	t.soft += w * a.soft
	if a.up {
		t.up += w
	}
	if a.down {
		t.down += w
	}
}

// noise holds the midpoints, in standard deviations, of 16 equally likely
// slices of the normal distribution.
var noise = func() (z [16]float64) {
	for i := range z {
		z[i] = distuv.UnitNormal.Quantile((float64(i) + 0.5) / float64(len(z)))
	}
	return z
}()

func (s *Sample) shares(pieces []Piece, in Predicate) (mass, count Share) {
	mt := tally{trays: make([]trayTally, s.Trays)}
	ct := tally{trays: make([]trayTally, s.Trays)}
	rel := 0.0
	if s.Told() {
		rel = s.Reference.SE / s.Reference.Length
	}
	// The slope is taken over at least ±1 %, or single kernels would make it.
	h := min(0.05, max(0.01, 2*rel))
	for i := range pieces {
		p := &pieces[i]
		if a, ok := s.ask(p, in, h); ok {
			mt.add(p.Mass, a)
			ct.add(1, a)
		} else {
			mt.doubt += p.Mass
			ct.doubt++
		}
	}
	return s.estimate(&mt, rel, h), s.estimate(&ct, rel, h)
}

// ask puts a predicate to a piece; ok is false where it may be either.
func (s *Sample) ask(p *Piece, in Predicate, h float64) (a answer, ok bool) {
	is, ok := s.settled(p, in)
	a = answer{in: is, up: is, down: is, tray: p.Tray}
	if is {
		a.soft = 1
	}
	if !ok || s.possible(p) != nil {
		return a, ok
	}
	length := p.along(s.Params.Measure)
	ratio := length / s.Reference.Length
	if sd := p.LengthSD / length; sd > 0 && (in(p, ratio*(1-3*sd)) != is || in(p, ratio*(1+3*sd)) != is) {
		a.soft = 0
		for _, z := range noise {
			if in(p, ratio*(1+z*sd)) {
				a.soft += 1.0 / float64(len(noise))
			}
		}
	}
	a.up, a.down = in(p, ratio*(1+h)), in(p, ratio*(1-h))
	return a, true
}

func (s *Sample) estimate(t *tally, rel, h float64) Share {
	n, k := float64(t.n), float64(t.found)
	total := t.in.sum + t.out.sum
	open := s.Unresolved + (1-s.Unresolved)*t.doubt/max(total+t.doubt, math.SmallestNonzeroFloat64)
	if n == 0 {
		return Share{Interval: Interval{Estimate{50, 0, 100}, 50, 1}, Budget: Budget{Unresolved: 100}}
	}
	r := t.in.sum / total
	out := Share{Found: t.found}

	// Sampling: the linearised variance, and the effective number of kernels.
	v := 0.0
	if n > 1 {
		v = n / (n - 1) * (r*r*t.out.squares + (1-r)*(1-r)*t.in.squares) / (total * total)
	}
	is, not, rr, n0 := effective(t.in, t.out, k, n)
	if k >= enough && n-k >= enough {
		out.shift = shiftOf(&is, &not)
	}

	// Trays as clusters.
	between, df := 0.0, math.Inf(1)
	trays := 0.0
	var vc, q float64
	for _, y := range t.trays {
		if y.n == 0 {
			continue
		}
		trays++
		e := y.in - r*y.all
		vc += e * e
		q += e * e * n / y.n
	}
	if trays > 1 && v > 0 {
		vc *= trays / (trays - 1) / (total * total)
		q /= v * total * total
		if k >= enough && n-k >= enough {
			out.TraysDiffer = q > distuv.ChiSquared{K: trays - 1}.Quantile(0.95)
		}
		switch {
		case trays >= manyTrays:
			between = vc - v // may be negative: the trays' scatter replaces v
			df = trays - 1
		case out.TraysDiffer && vc > v:
			between = vc - v
			df = vc * vc / (between*between/(trays-1) + v*v/n)
		}
	}
	design := 1.0
	if v > 0 {
		design = (v + between) / v
	}

	bias := (t.soft - t.in.sum) / total
	slope := (t.up - t.down) / total / (2 * h)
	vref := slope * slope * rel * rel
	f := tFactor(df)
	inv := max(leastDesign, design*f*f)/n0 + (bias*bias+vref)/(rr*(1-rr))
	out.EffectiveN = 1 / inv

	out.Budget = Budget{
		Sampling:   100 * math.Sqrt(v),
		Trays:      100 * math.Sqrt(max(0, between)),
		NearLimit:  100 * math.Abs(bias),
		Reference:  100 * math.Sqrt(vref),
		Unresolved: 100 * open,
	}
	out.Value = 100 * r
	return out.settle()
}

// effective returns the sums of k pieces of n and of the rest with one middling
// piece added on either side, the share that they make, and the effective number
// of kernels behind it.
func effective(in, out powers, k, n float64) (is, not powers, share, number float64) {
	mean := (in.sum + out.sum) / n
	is, not = in, out
	is.add((in.sum + mean) / (k + 1))
	not.add((out.sum + mean) / (n - k + 1))
	all := is.sum + not.sum
	share = is.sum / all
	v := (share*share*not.squares + (1-share)*(1-share)*is.squares) / (all * all)
	return is, not, share, share * (1 - share) / v * n / (n + 2)
}

// settle returns s with its interval worked out.
func (s Share) settle() Share {
	s.Estimate = s.At(confidence)
	s.HalfWidth = (s.High - s.Low) / 2
	return s
}

// widened returns s with a further standard uncertainty of u points.
func (s Share) widened(u float64) Share {
	r := s.Value / 100
	v := max(r*(1-r), 0.25/s.EffectiveN) // at 0 and 1 that of half a kernel
	s.EffectiveN = 1 / (1/s.EffectiveN + u*u/1e4/v)
	return s.settle()
}

// oneSided returns the estimate with an interval either end of which leaves no
// more than the given risk outside: the wider of that of At and of the exact one
// (ClopperPearson). Few pieces come in lumps, and by an interval that is right on
// average a sample just large enough for a decision would be wrong twice as
// often as the risk says.
func (s Share) oneSided(risk float64) Estimate {
	level := 1 - 2*risk
	if s.Found == 0 || s.Value >= 100 {
		level = 1 - risk // the interval is one-sided already
	}
	e := s.At(max(level, 1e-6))
	low, high := ClopperPearson(s.Value/100*s.EffectiveN, s.EffectiveN, 1-2*risk)
	u := s.Budget.Unresolved / 100
	e.Low, e.High = min(e.Low, 100*low*(1-u)), max(e.High, 100*(high*(1-u)+u))
	return e
}

// At returns the estimate with its interval at another confidence level in
// (0, 1).
func (s Share) At(level float64) Estimate {
	r := s.Value / 100
	low, high := s.limits(level)
	u := s.Budget.Unresolved / 100
	low, high = low*(1-u), high*(1-u)+u
	return Estimate{Value: s.Value, Low: 100 * max(0, min(low, r)), High: 100 * min(1, max(high, r))}
}

// limits returns the ends of the interval, 0..1, unresolved groups left aside.
func (s Share) limits(level float64) (low, high float64) {
	r, n := s.Value/100, s.EffectiveN
	switch {
	case s.Found == 0:
		return Jeffreys(0, n, level)
	case r >= 1:
		return Jeffreys(n, n, level)
	}
	low, high = Jeffreys(r*n, n, level)
	z := distuv.UnitNormal.Quantile((1 + level) / 2)
	// No end comes nearer to the share by more than half of its distance.
	d := s.shift.at(z)
	return max(0, low+min(d, max(0, r-low)/2)), min(1, high+max(d, -max(0, high-r)/2))
}

// A shift is how far, of 1, an interval must move up so that it misses lots
// below it as often as lots above it, where pieces differ in mass: constant plus
// square times z², with z the normal deviate of its level.
//
// Jeffreys's interval does it for equal pieces: it allows for their skewness,
// and for a variance that is low wherever the share is low. With unequal ones
// both differ. A sample with a low share has few brokens and small ones, and
// its variance says too little of the lot's. For a statistic of skewness g whose
// estimated variance rises by the fraction s per unit of it the quantile at z
// moves by g(z²-1)/6 - s·sd·z²/2 (the expansion behind N.J. Johnson, J. Am.
// Stat. Assoc. 73 (1978) 536-544, from memory; for a mean it is his). Without
// it 3.2 lots above and 2.3 below are missed of 100, with it 3.1 and 2.7, at 5 %
// broken among 100 kernels (TestIntervalMissesEitherSideAlike).
type shift struct{ constant, square float64 }

func (s shift) at(z float64) float64 { return s.constant + s.square*z*z }

// shiftOf is the shift for a ratio of sums, beyond what it is for equal pieces.
func shiftOf(in, out *powers) shift {
	all := in.sum + out.sum
	r := in.sum / all
	v := (r*r*out.squares + (1-r)*(1-r)*in.squares) / (all * all)
	third := (math.Pow(1-r, 3)*in.cubes - math.Pow(r, 3)*out.cubes) / (all * all * all)
	// Covariance of the ratio with the relative total; less it the ratio's bias.
	cov := ((1-r)*in.squares - r*out.squares) / (all * all)
	equal := (1 - 2*r) / (r * (1 - r)) * v // skewness times sd, and rise of the variance, of equal pieces
	skewness := third/v - 6*cov - equal
	rise := third/v - 4*cov - equal
	return shift{constant: skewness/6 + cov, square: rise/2 - skewness/6}
}

// uAt is the standard uncertainty, of 1, of a share of r from a sample like s;
// at 0 and 1 that of half a kernel.
func (s Share) uAt(r float64) float64 {
	return math.Sqrt(max(r*(1-r), 0.25/s.EffectiveN) / s.EffectiveN)
}
