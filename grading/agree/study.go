package agree

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/mill"
)

// A Pair is one sample measured by hand and from pictures, each once or more.
type Pair struct {
	Sample  string    `json:"sample"`
	Hand    []float64 `json:"hand"`
	Picture []float64 `json:"picture"`
}

// A Study says how well two methods agree over samples. Differences are
// picture - hand.
type Study struct {
	Pairs []Pair `json:"pairs"`
	// Agreement, Deming are null where fewer than three samples have both.
	Agreement *Agreement `json:"agreement"`
	Deming    *Deming    `json:"deming"`
	// Hand and Picture are the precision of each method from samples that it
	// measured twice or more; null without.
	Hand    *Repeatability `json:"hand"`
	Picture *Repeatability `json:"picture"`
}

// A Repeatability is how one method repeats itself.
type Repeatability struct {
	Precision
	// SrLow and SrHigh are the 95 % interval of Sr, by chi-squared.
	SrLow   float64      `json:"sr_low"`
	SrHigh  float64      `json:"sr_high"`
	Limit   float64      `json:"repeatability_limit"` // 2.8·Sr
	Cochran *OutlierTest `json:"cochran"`             // null where too few
}

// An Agreement is that of Bland and Altman.
type Agreement struct {
	// Samples are those that both measured, with their Means and Differences.
	Samples            []string  `json:"-"`
	Means, Differences []float64 `json:"-"`

	N    int         `json:"n"`
	Bias mill.Figure `json:"bias"` // mean difference with its 95 % interval, Student's t
	// SD is the standard deviation of the differences of single results. Where
	// means of several were compared it is corrected for that (1986, p. 309).
	SD        float64 `json:"sd"`
	Corrected bool    `json:"corrected"`
	// Lower and Upper are the limits of agreement, Bias ± Factor·SD, each with
	// its own 95 % interval.
	Factor float64     `json:"factor"`
	Lower  mill.Figure `json:"lower_limit"`
	Upper  mill.Figure `json:"upper_limit"`
	// Trend is the slope of the differences over the means with its 95 %
	// interval: where it leaves 0 out, the bias depends on the figure.
	Trend mill.Figure `json:"trend"`
	// Outliers are Grubbs' tests of the differences.
	Outliers []*OutlierTest `json:"outliers"`
}

// AgreementFactor is how many standard deviations limits of agreement lie off
// the bias: 95 % of normal differences lie between them. (The paper of 1986
// says 2.)
var AgreementFactor = distuv.UnitNormal.Quantile(1 - alpha/2)

// AgreementOf compares pairs with both methods, three or more, with limits at
// the given number of standard deviations. Errors wrap ErrTooFew.
func AgreementOf(pairs []Pair, factor float64) (*Agreement, error) {
	a := &Agreement{Factor: factor}
	var handVar, pictureVar float64 // what averaging took off the variance
	hand, picture := cellsOf(pairs)
	for _, p := range pairs {
		if len(p.Hand) == 0 || len(p.Picture) == 0 {
			continue
		}
		h, q := stat.Mean(p.Hand, nil), stat.Mean(p.Picture, nil)
		a.Samples, a.Means, a.Differences = append(a.Samples, p.Sample), append(a.Means, (q+h)/2), append(a.Differences, q-h)
		handVar += 1 - 1/float64(len(p.Hand))
		pictureVar += 1 - 1/float64(len(p.Picture))
	}
	d := a.Differences
	if a.N = len(d); a.N < 3 {
		return nil, fmt.Errorf("%w: %d samples measured by both methods", ErrTooFew, a.N)
	}
	n := float64(a.N)
	mean, variance := stat.MeanVariance(d, nil)
	t := student(n - 1)
	half := t * math.Sqrt(variance/n)
	a.Bias = mill.Around(mean, half)
	// Single results scatter more than means: s_c² = s_d² + (1 - 1/m)·s_w² for
	// each method, with its within-sample variance s_w².
	single := variance + handVar/n*within(hand) + pictureVar/n*within(picture)
	a.SD, a.Corrected = math.Sqrt(single), single > variance
	// A limit's standard error is about √(3·s²/n) (1986, p. 309).
	half = t * math.Sqrt(3*single/n)
	a.Lower, a.Upper = mill.Around(mean-factor*a.SD, half), mill.Around(mean+factor*a.SD, half)
	a.Trend = trend(a.Means, d)
	if high, low, err := Grubbs(d); err == nil {
		a.Outliers = []*OutlierTest{high, low}
	}
	return a, nil
}

// trend is the slope of least squares with its 95 % interval.
func trend(x, y []float64) mill.Figure {
	n := float64(len(x))
	a, b := stat.LinearRegression(x, y, nil, false)
	rest := 0.0
	for i := range x {
		e := y[i] - a - b*x[i]
		rest += e * e
	}
	return mill.Around(b, student(n-2)*math.Sqrt(rest/(n-2)/(stat.Variance(x, nil)*(n-1))))
}

// student is the two-sided 95 % point of Student's t.
func student(df float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(1 - alpha/2)
}

// cellsOf returns the results of each method, by sample.
func cellsOf(pairs []Pair) (hand, picture [][]float64) {
	for _, p := range pairs {
		hand, picture = append(hand, p.Hand), append(picture, p.Picture)
	}
	return hand, picture
}

// within returns the variance within samples, 0 where nothing was repeated.
func within(cells [][]float64) float64 {
	if p, err := PrecisionOf(cells); err == nil {
		return p.Sr * p.Sr
	}
	return 0
}

// A Deming is the line picture = Intercept + Slope·hand where both have errors
// (W.E. Deming, Statistical Adjustment of Data, 1943).
type Deming struct {
	N         int         `json:"n"`
	Slope     mill.Figure `json:"slope"`
	Intercept mill.Figure `json:"intercept"`
	// Lambda is the ratio of error variances, picture over hand, and From where
	// it is from: "repeated" (the repeats tell it) or "assumed" (1).
	Lambda float64 `json:"lambda"`
	From   string  `json:"lambda_from"`
}

// DemingOf fits y = a + b·x where the errors of y have lambda times the
// variance of those of x, lambda > 0. Intervals are by the jackknife (K.
// Linnet, Clin. Chem. 39 (1993) 424-432). Three points or more that are not
// all on one x; else an error that wraps ErrTooFew.
func DemingOf(x, y []float64, lambda float64) (*Deming, error) {
	n := len(x)
	if n < 3 {
		return nil, fmt.Errorf("%w: a line needs three samples", ErrTooFew)
	}
	a, b := demingLine(x, y, lambda)
	var as, bs []float64 // pseudo-values
	for i := range x {
		ai, bi := demingLine(slices.Concat(x[:i], x[i+1:]), slices.Concat(y[:i], y[i+1:]), lambda)
		as = append(as, float64(n)*a-float64(n-1)*ai)
		bs = append(bs, float64(n)*b-float64(n-1)*bi)
	}
	if told := a + b + stat.Mean(as, nil) + stat.Mean(bs, nil); math.IsNaN(told) || math.IsInf(told, 0) {
		return nil, fmt.Errorf("%w: the samples do not differ enough for a line", ErrTooFew)
	}
	t := student(float64(n - 2))
	of := func(v float64, pseudo []float64) mill.Figure {
		return mill.Around(v, t*stat.StdErr(stat.StdDev(pseudo, nil), float64(n)))
	}
	return &Deming{N: n, Slope: of(b, bs), Intercept: of(a, as), Lambda: lambda, From: "assumed"}, nil
}

func demingLine(x, y []float64, lambda float64) (a, b float64) {
	sxx, syy, sxy := stat.Variance(x, nil), stat.Variance(y, nil), stat.Covariance(x, y, nil)
	d := syy - lambda*sxx
	root := math.Sqrt(d*d + 4*lambda*sxy*sxy)
	if b = (d + root) / (2 * sxy); d < 0 { // the same without a difference of two like numbers
		b = 2 * lambda * sxy / (root - d)
	}
	return stat.Mean(y, nil) - b*stat.Mean(x, nil), b
}

// NewStudy works out what pairs tell. What they are too few for is left out;
// ErrTooFew where they tell nothing.
func NewStudy(pairs []Pair) (*Study, error) {
	s := &Study{Pairs: pairs}
	var x, y []float64
	for _, p := range pairs {
		if len(p.Hand) > 0 && len(p.Picture) > 0 {
			x, y = append(x, stat.Mean(p.Hand, nil)), append(y, stat.Mean(p.Picture, nil))
		}
	}
	hand, picture := cellsOf(pairs)
	s.Hand, s.Picture = repeatabilityOf(hand), repeatabilityOf(picture)
	s.Agreement, _ = AgreementOf(pairs, AgreementFactor)
	lambda, from := 1.0, "assumed"
	if h, p := within(hand), within(picture); h > 0 && p > 0 {
		lambda, from = p/h, "repeated"
	}
	if d, err := DemingOf(x, y, lambda); err == nil {
		d.From = from
		s.Deming = d
	}
	if s.Agreement == nil && s.Hand == nil && s.Picture == nil {
		return nil, fmt.Errorf("%w: three samples measured by both methods, or one measured twice by one of them", ErrTooFew)
	}
	return s, nil
}

func repeatabilityOf(cells [][]float64) *Repeatability {
	p, err := PrecisionOf(cells)
	if err != nil {
		return nil
	}
	df := float64(p.SrDF)
	chi := distuv.ChiSquared{K: df}
	r := &Repeatability{
		Precision: *p, Limit: LimitFactor * p.Sr,
		SrLow: p.Sr * math.Sqrt(df/chi.Quantile(1-alpha/2)), SrHigh: p.Sr * math.Sqrt(df/chi.Quantile(alpha/2)),
	}
	r.Cochran, _ = Cochran(cells)
	return r
}
