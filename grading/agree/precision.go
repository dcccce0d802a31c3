package agree

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading"
)

// A Precision is what repeated results of several laboratories, or samples,
// tell of a method: ISO 5725-2:1994, 7.4.
type Precision struct {
	Cells   int     `json:"cells"`   // laboratories, or samples
	Results int     `json:"results"` // in all
	Mean    float64 `json:"mean"`
	// Sr is the repeatability standard deviation, SL that between cells, SR the
	// reproducibility standard deviation: SR² = SL² + Sr².
	Sr float64 `json:"sr"`
	SL float64 `json:"sl"`
	SR float64 `json:"s_r_capital"`
	// SrDF are the degrees of freedom of Sr.
	SrDF int `json:"sr_df"`
}

// LimitFactor turns a standard deviation into the limit that two results
// differ by no more than in 95 of 100 cases: 1.96·√2, as ISO 5725-6, 4.1
// rounds it.
const LimitFactor = 2.8

// PrecisionOf works out the precision from cells of results. Sr needs one cell
// with two results or more, SL and SR two cells; what cannot be told is NaN.
// ErrTooFew where nothing can.
func PrecisionOf(cells [][]float64) (*Precision, error) {
	p := &Precision{Sr: math.NaN(), SL: math.NaN(), SR: math.NaN()}
	var within, total, squares float64
	for _, c := range cells {
		if len(c) == 0 {
			continue
		}
		p.Cells++
		p.Results += len(c)
		p.SrDF += len(c) - 1
		mean := stat.Mean(c, nil)
		for _, v := range c {
			within += (v - mean) * (v - mean)
			total += v
		}
		squares += float64(len(c) * len(c))
	}
	if p.SrDF == 0 {
		return nil, fmt.Errorf("%w: no two results of one cell", ErrTooFew)
	}
	n := float64(p.Results)
	p.Mean = total / n
	vr := within / float64(p.SrDF)
	p.Sr = math.Sqrt(vr)
	if p.Cells < 2 {
		return p, nil
	}
	between := 0.0
	for _, c := range cells {
		if len(c) > 0 {
			d := stat.Mean(c, nil) - p.Mean
			between += float64(len(c)) * d * d
		}
	}
	k := float64(p.Cells - 1)
	size := (n - squares/n) / k // the mean size of a cell
	vl := max(0, (between/k-vr)/size)
	p.SL, p.SR = math.Sqrt(vl), math.Sqrt(vl+vr)
	return p, nil
}

// What a test for outliers says: ISO 5725-2, 7.3.2.1.
const (
	Consistent = "consistent"
	Straggler  = "straggler" // beyond the 5 % critical value
	Outlier    = "outlier"   // beyond the 1 % critical value
)

// An OutlierTest looks at the cell that stands out most.
type OutlierTest struct {
	Test      string  `json:"test"`
	Cell      int     `json:"cell"` // its index
	Statistic float64 `json:"statistic"`
	Critical5 float64 `json:"critical_5_pct"`
	Critical1 float64 `json:"critical_1_pct"`
	Verdict   string  `json:"verdict"`
}

func (o *OutlierTest) judge() *OutlierTest {
	switch {
	case o.Statistic > o.Critical1:
		o.Verdict = Outlier
	case o.Statistic > o.Critical5:
		o.Verdict = Straggler
	default:
		o.Verdict = Consistent
	}
	return o
}

// Cochran tests whether one cell scatters more than the others: its variance
// over the sum of all (ISO 5725-2, 7.3.3). Cells of one result take no part;
// cells of unequal size count with the size that most of them have, as 7.3.3.2
// allows. ErrTooFew with fewer than two cells that scatter.
func Cochran(cells [][]float64) (*OutlierTest, error) {
	o := &OutlierTest{Test: "Cochran", Cell: -1}
	sizes := map[int]int{}
	sum, most, p := 0.0, 0.0, 0
	for i, c := range cells {
		if len(c) < 2 {
			continue
		}
		p++
		sizes[len(c)]++
		v := stat.Variance(c, nil)
		sum += v
		if v > most {
			most, o.Cell = v, i
		}
	}
	if p < 2 || most == 0 {
		return nil, fmt.Errorf("%w: Cochran's test needs two cells that scatter", ErrTooFew)
	}
	n := 0
	for size, times := range sizes {
		if times > sizes[n] || times == sizes[n] && size > n {
			n = size
		}
	}
	o.Statistic = most / sum
	o.Critical5, o.Critical1 = CochranCritical(p, n, 0.05), CochranCritical(p, n, 0.01)
	return o.judge(), nil
}

// CochranCritical is the value that Cochran's statistic over p cells of n
// results exceeds with probability alpha or less, in closed form: P.-T.
// Wilrich, AStA 97 (2013) 1-10. It gives table 4 of ISO 5725-2.
func CochranCritical(p, n int, alpha float64) float64 {
	a, b := float64(n-1), float64((p-1)*(n-1))
	f := distuv.F{D1: a, D2: b}.Quantile(1 - alpha/float64(p))
	return 1 / (1 + float64(p-1)/f)
}

// Grubbs tests the greatest and the least of the means of cells against the
// others (ISO 5725-2, 7.3.4.1). ErrTooFew with fewer than three.
func Grubbs(means []float64) (high, low *OutlierTest, err error) {
	p := len(means)
	mean, sd := stat.MeanStdDev(means, nil)
	if p < 3 || sd == 0 {
		return nil, nil, fmt.Errorf("%w: Grubbs' test needs three means that differ", ErrTooFew)
	}
	of := func(sign float64) *OutlierTest {
		o := &OutlierTest{Test: "Grubbs", Statistic: math.Inf(-1)}
		for i, v := range means {
			if g := sign * (v - mean) / sd; g > o.Statistic {
				o.Statistic, o.Cell = g, i
			}
		}
		o.Critical5, o.Critical1 = GrubbsCritical(p, 0.05), GrubbsCritical(p, 0.01)
		return o.judge()
	}
	return of(1), of(-1), nil
}

// GrubbsCritical is the two-sided critical value of Grubbs' test for one of p
// values (F.E. Grubbs, Technometrics 11 (1969) 1-21): table 5 of ISO 5725-2.
func GrubbsCritical(p int, alpha float64) float64 {
	n := float64(p)
	t := distuv.StudentsT{Sigma: 1, Nu: n - 2}.Quantile(1 - alpha/(2*n))
	return (n - 1) / math.Sqrt(n) * math.Sqrt(t*t/(n-2+t*t))
}

// RangeFactor is what the range of n results of one standard deviation stays
// within in 95 of 100 cases, rounded to one decimal as table 1 of ISO 5725-6
// has it: 2.8 for two, 3.3 for three. n is 2 or more.
func RangeFactor(n int) float64 {
	// P(range <= w) = n·∫ φ(x)·(Φ(x) - Φ(x-w))^(n-1) dx
	below := func(w float64) float64 {
		return float64(n) * quad.Fixed(func(x float64) float64 {
			return distuv.UnitNormal.Prob(x) * math.Pow(distuv.UnitNormal.CDF(x)-distuv.UnitNormal.CDF(x-w), float64(n-1))
		}, -8, 8, 200, quad.Legendre{}, 0)
	}
	return math.Round(10*grading.Bisect(20, 0, 60, func(w float64) bool { return below(w) >= 0.95 })) / 10
}
