package samples

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/vision/kernel/fault"
)

// Constants of the chart of individual values.
const (
	// d2of2 is the mean range of two normal values over their standard
	// deviation, 2/√π.
	d2of2 = 1.1283791670955126
	// runLength is the number of points in a row on one side of the mean that
	// chance hardly gives (Western Electric rules; NIST/SEMATECH e-Handbook,
	// 6.3.2).
	runLength = 8
	// firmPoints is the number of samples from which the limits are firm:
	// common practice, no source.
	firmPoints = 20
	z95        = 1.959963984540054
)

// ChartFormula says how the limits of a Chart come about.
const ChartFormula = "limits: mean ± 3·(mean moving range)/1.128, not below 0 % nor above 100 % (chart of individual values; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2)"

// RunRule says which runs a Chart marks.
const RunRule = "run: eight samples in a row on one side of the mean (Western Electric rules; NIST/SEMATECH e-Handbook, 6.3.2)"

// A Point is one sample in a Chart.
type Point struct {
	Code  string    `json:"code"`
	At    time.Time `json:"at"`
	Value float64   `json:"broken_mass_pct"`
	Low   float64   `json:"low"` // 95 % interval
	High  float64   `json:"high"`
	// Moisture in percent by mass; nil where not stated.
	Moisture *float64 `json:"moisture_pct,omitempty"`
	Out      bool     `json:"out"` // beyond a limit
	Run      bool     `json:"run"` // the eighth or later of a run
}

// A Chart is a control chart of the broken share by mass, in percent, of one
// line, variety or party.
type Chart struct {
	By    string `json:"by,omitempty"` // "line", "variety", "party", or empty for all in one
	Group string `json:"group"`        // which of them; empty where not stated
	// Mean is the plain mean of the samples. Lower and Upper are the limits
	// mean ± 3·MeanRange/1.128, where MeanRange is the mean absolute step from
	// one sample to the next. They are nil with fewer than two samples.
	Mean      float64  `json:"mean"`
	MeanRange float64  `json:"mean_moving_range"`
	Lower     *float64 `json:"lower_limit"`
	Upper     *float64 `json:"upper_limit"`
	// Sigma is MeanRange/1.128, the scatter from sample to sample; Sampling is
	// the part that the counted kernels alone explain, the root mean square of
	// the samples' own standard uncertainties.
	Sigma    float64 `json:"sigma"`
	Sampling float64 `json:"sigma_of_sampling"`
	// Provisional is set with fewer than 20 samples.
	Provisional bool    `json:"provisional"`
	Points      []Point `json:"points"`
	// Moisture is the straight line of broken share on moisture; nil where
	// fewer than three samples differ in it.
	Moisture *Line `json:"against_moisture"`
}

// GroupBy lists what TrendOf can part the samples by.
var GroupBy = []string{"line", "variety", "party"}

// TrendOf returns a chart for each line, variety or party, in alphabetical
// order, or with by "" one for all rows. Rows must be in order of time, as
// List returns them. Samples whose whole-kernel length is not told have no
// point.
func TrendOf(rows []Row, by string) ([]Chart, error) {
	if by != "" && !slices.Contains(GroupBy, by) {
		return nil, &fault.Error{What: fmt.Sprintf("samples cannot be parted by %q", by), Hint: "part them by " + strings.Join(GroupBy, ", ")}
	}
	groups := map[string][]Row{}
	for _, r := range rows {
		if r.Untold {
			continue
		}
		key := map[string]string{"line": r.Line, "variety": r.Variety, "party": r.Party}[by]
		groups[key] = append(groups[key], r)
	}
	out := []Chart{}
	for _, n := range slices.Sorted(maps.Keys(groups)) {
		c := chartOf(groups[n])
		c.By, c.Group = by, n
		out = append(out, c)
	}
	return out, nil
}

func chartOf(rows []Row) Chart {
	c := Chart{Provisional: len(rows) < firmPoints}
	var sum, steps, own float64
	var xs, ys []float64
	for i, r := range rows {
		p := Point{Code: r.Code, At: r.At, Value: r.BrokenMass.Value, Low: r.BrokenMass.Low, High: r.BrokenMass.High, Moisture: r.Moisture}
		c.Points = append(c.Points, p)
		sum += p.Value
		u := (p.High - p.Low) / (2 * z95)
		own += u * u
		if i > 0 {
			steps += math.Abs(p.Value - c.Points[i-1].Value)
		}
		if p.Moisture != nil {
			xs, ys = append(xs, *p.Moisture), append(ys, p.Value)
		}
	}
	n := float64(len(rows))
	c.Mean = sum / n
	c.Sampling = math.Sqrt(own / n)
	if len(rows) > 1 {
		c.MeanRange = steps / (n - 1)
		c.Sigma = c.MeanRange / d2of2
		lower, upper := max(0, c.Mean-3*c.Sigma), min(100, c.Mean+3*c.Sigma)
		c.Lower, c.Upper = &lower, &upper
		side, run := 0, 0
		for i := range c.Points {
			p := &c.Points[i]
			p.Out = p.Value < lower || p.Value > upper
			s := cmp.Compare(p.Value, c.Mean)
			if s == 0 || s != side {
				run = 0
			}
			side = s
			run++
			p.Run = s != 0 && run >= runLength
		}
	}
	c.Moisture = FitLine(xs, ys)
	return c
}

// A Line is a straight line fitted by least squares.
type Line struct {
	N         int     `json:"n"`
	Intercept float64 `json:"intercept"`
	Slope     float64 `json:"slope"`
	// InterceptSE and SlopeSE are standard errors; SlopeLow and SlopeHigh bound
	// the 95 % interval of the slope (Student's t, N-2 degrees of freedom).
	InterceptSE float64 `json:"intercept_se"`
	SlopeSE     float64 `json:"slope_se"`
	SlopeLow    float64 `json:"slope_low"`
	SlopeHigh   float64 `json:"slope_high"`
	R           float64 `json:"r"` // correlation
}

// Proven reports whether the interval of the slope leaves out zero.
func (l *Line) Proven() bool { return l.SlopeLow > 0 || l.SlopeHigh < 0 }

// FitLine fits y = a + b·x. It returns nil with fewer than three points or
// without spread in x.
func FitLine(x, y []float64) *Line {
	n := len(x)
	if n < 3 || len(y) != n {
		return nil
	}
	mx := stat.Mean(x, nil)
	var sxx, rss float64
	for _, v := range x {
		sxx += (v - mx) * (v - mx)
	}
	if sxx <= 1e-12*(1+mx*mx) {
		return nil
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	for i := range x {
		e := y[i] - a - b*x[i]
		rss += e * e
	}
	s2 := rss / float64(n-2)
	l := &Line{N: n, Intercept: a, Slope: b,
		SlopeSE: math.Sqrt(s2 / sxx), InterceptSE: math.Sqrt(s2 * (1/float64(n) + mx*mx/sxx))}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 2)}.Quantile(0.975)
	l.SlopeLow, l.SlopeHigh = b-t*l.SlopeSE, b+t*l.SlopeSE
	if slices.Max(y) > slices.Min(y) {
		l.R = stat.Correlation(x, y, nil)
	}
	return l
}
