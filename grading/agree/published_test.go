package agree

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// digits asserts v as printed with the given decimals.
func digits(t *testing.T, want string, v float64, decimals int, what string) {
	t.Helper()
	assert.Equal(t, want, fmt.Sprintf("%.*f", decimals, v), what)
}

// peakFlow is the data of J.M. Bland, D.G. Altman, Statistical methods for
// assessing agreement between two methods of clinical measurement, Lancet i
// (1986) 307-310, table: peak expiratory flow, l/min, of 17 people, each twice
// with a Wright meter and twice with a mini meter. From memory; the paper's own
// summary figures, below, hold it to account.
var peakFlow = [17][4]float64{
	{494, 490, 512, 525}, {395, 397, 430, 415}, {516, 512, 520, 508}, {434, 401, 428, 444}, {476, 470, 500, 500},
	{557, 611, 600, 625}, {413, 415, 364, 460}, {442, 431, 380, 390}, {650, 638, 658, 642}, {433, 429, 445, 432},
	{417, 420, 432, 420}, {656, 633, 626, 605}, {267, 275, 260, 227}, {478, 492, 477, 467}, {178, 165, 259, 268},
	{423, 372, 350, 370}, {427, 421, 451, 443},
}

// TestBlandAltman1986 reproduces what the paper prints. Its differences are
// Wright - mini, and its limits lie 2 standard deviations off.
func TestBlandAltman1986(t *testing.T) {
	var first []Pair
	for _, p := range peakFlow {
		first = append(first, Pair{Hand: p[2:3], Picture: p[0:1]})
	}
	a, err := AgreementOf(first, 2)
	require.NoError(t, err)
	digits(t, "-2.1", a.Bias.Value, 1, "mean difference")
	digits(t, "38.8", a.SD, 1, "standard deviation of the differences")
	// The paper goes on from its rounded figures, and so does this.
	round := func(v float64) float64 { return math.Round(10*v) / 10 }
	bias, sd := round(a.Bias.Value), round(a.SD)
	digits(t, "-79.7", bias-a.Factor*sd, 1, "lower limit")
	digits(t, "75.5", bias+a.Factor*sd, 1, "upper limit")
	assert.InDelta(t, -79.7, a.Lower.Value, 0.1)
	assert.InDelta(t, 75.5, a.Upper.Value, 0.1)
	biasSE, limitSE := round(a.Bias.HalfWidth()/student(16)), round(a.Lower.HalfWidth()/student(16))
	for _, x := range []struct {
		of, se    float64
		low, high string
	}{
		{bias, biasSE, "-22.0", "17.8"}, {bias - 2*sd, limitSE, "-114.3", "-45.1"}, {bias + 2*sd, limitSE, "40.9", "110.1"},
	} {
		digits(t, x.low, x.of-student(16)*x.se, 1, "low end")
		digits(t, x.high, x.of+student(16)*x.se, 1, "high end")
	}
	digits(t, "9.4", a.Bias.HalfWidth()/student(16), 1, "standard error of the bias")
	digits(t, "16.3", a.Lower.HalfWidth()/student(16), 1, "standard error of a limit")
	assert.False(t, a.Corrected)

	var x, y, wright, mini []float64
	var both []Pair
	for _, p := range peakFlow {
		x, y = append(x, p[0]), append(y, p[2])
		wright, mini = append(wright, p[0]-p[1]), append(mini, p[2]-p[3])
		both = append(both, Pair{Hand: p[2:4], Picture: p[0:2]})
	}
	digits(t, "0.94", stat.Correlation(x, y, nil), 2, "correlation")
	// Repeatability there: differences of two repeats, their mean taken as 0:
	// 21.6 (Wright), 28.2 (mini). That is √2 within-person deviations.
	root := func(d []float64) float64 {
		s := 0.0
		for _, v := range d {
			s += v * v
		}
		return math.Sqrt(s / float64(len(d)))
	}
	assert.InDelta(t, 21.6, root(wright), 0.06)
	assert.InDelta(t, 28.2, root(mini), 0.06)
	s, err := NewStudy(both)
	require.NoError(t, err)
	assert.InDelta(t, root(wright), math.Sqrt2*s.Picture.Sr, 1e-9)
	assert.InDelta(t, root(mini), math.Sqrt2*s.Hand.Sr, 1e-9)
	// Means of both readings: 33.2, corrected for averaging 37.7.
	var d []float64
	for _, p := range peakFlow {
		d = append(d, (p[0]+p[1])/2-(p[2]+p[3])/2)
	}
	digits(t, "33.2", stat.StdDev(d, nil), 1, "deviation of differences of means")
	digits(t, "37.7", s.Agreement.SD, 1, "corrected")
	assert.True(t, s.Agreement.Corrected)
}

// TestPearson1901 fits the line of closest fit to K. Pearson's own points,
// Phil. Mag. 2 (1901) 559-572, from memory; he prints y = -0.54556·x + 5.78397
// as D. York, Can. J. Phys. 44 (1966) 1079-1086 repeats it (-0.546, 5.784).
func TestPearson1901(t *testing.T) {
	x := []float64{0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4}
	y := []float64{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}
	d, err := DemingOf(x, y, 1)
	require.NoError(t, err)
	digits(t, "-0.54556", d.Slope.Value, 5, "slope")
	digits(t, "5.784", d.Intercept.Value, 3, "intercept")
	assert.Less(t, d.Slope.Low, d.Slope.Value)
}

// norris is the data set Norris of the NIST Statistical Reference Datasets
// (linear regression, lower level of difficulty), from memory, held to account
// by its certified values.
var norris = [][2]float64{ // y, x
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6},
	{778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0}, {448.9, 447.5}, {10.8, 11.6},
	{557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3}, {0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1},
	{888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

// TestNISTNorris: where all the error is in y, the line is that of least
// squares: certified 1.00211681802045 and -0.262323073774029, the slope's
// standard deviation 0.429796848199937e-3.
func TestNISTNorris(t *testing.T) {
	var x, y []float64
	for _, p := range norris {
		x, y = append(x, p[1]), append(y, p[0])
	}
	slope := trend(x, y)
	assert.InEpsilon(t, 1.00211681802045, slope.Value, 1e-13)
	assert.InEpsilon(t, 0.429796848199937e-3, slope.HalfWidth()/student(34), 1e-10)
	d, err := DemingOf(x, y, 1e15)
	require.NoError(t, err)
	assert.InDelta(t, 1.00211681802045, d.Slope.Value, 1e-12)
	assert.InDelta(t, -0.262323073774029, d.Intercept.Value, 1e-9)
}

// resistivity is SiRstv of the NIST Statistical Reference Datasets (analysis
// of variance, lower level): resistivity of silicon wafers, ohm cm, by five
// instruments, from memory, held to account by its certified values.
var resistivity = [][]float64{
	{196.3052, 196.1240, 196.1890, 196.2569, 196.3403},
	{196.3042, 196.3825, 196.1669, 196.3257, 196.0422},
	{196.1303, 196.2005, 196.2889, 196.0343, 196.1811},
	{196.2795, 196.1748, 196.1494, 196.1485, 195.9885},
	{196.2119, 196.1051, 196.1850, 196.0052, 196.2090},
}

// TestNISTSiRstv: certified residual standard deviation 1.04076068334656e-1
// and mean square between instruments 1.27865654000000e-2.
func TestNISTSiRstv(t *testing.T) {
	p, err := PrecisionOf(resistivity)
	require.NoError(t, err)
	assert.InEpsilon(t, 1.04076068334656e-1, p.Sr, 1e-10)
	between := 5*p.SL*p.SL + p.Sr*p.Sr // of equal cells
	assert.InEpsilon(t, 1.27865654000000e-2, between, 1e-10)
	assert.Equal(t, 20, p.SrDF)
}

// coal is the worked example of ISO 5725-2:1994, B.1: sulfur content of coal,
// percent by mass, four levels, eight laboratories. From memory; the standard's
// results, below, hold it to account.
var coal = [4][][]float64{
	{{0.71, 0.71, 0.70, 0.71}, {0.69, 0.67, 0.68}, {0.66, 0.65, 0.69}, {0.67, 0.65, 0.66}, {0.70, 0.69, 0.66, 0.71, 0.69}, {0.73, 0.74, 0.73}, {0.71, 0.71, 0.69}, {0.70, 0.65, 0.68}},
	{{1.20, 1.18, 1.23, 1.21}, {1.22, 1.21, 1.22}, {1.28, 1.31, 1.30}, {1.23, 1.18, 1.20}, {1.31, 1.22, 1.22, 1.24}, {1.39, 1.36, 1.37}, {1.20, 1.26, 1.26}, {1.24, 1.22, 1.30}},
	{{1.68, 1.70, 1.68, 1.69}, {1.64, 1.64, 1.65}, {1.61, 1.61, 1.62}, {1.68, 1.66, 1.66}, {1.64, 1.67, 1.60, 1.66, 1.68}, {1.70, 1.73, 1.73}, {1.69, 1.70, 1.68}, {1.67, 1.68, 1.67}},
	{{3.26, 3.26, 3.20, 3.24}, {3.20, 3.20, 3.20}, {3.37, 3.36, 3.38}, {3.16, 3.22, 3.23}, {3.20, 3.19, 3.18, 3.27, 3.24}, {3.27, 3.31, 3.29}, {3.27, 3.24, 3.23}, {3.25, 3.26, 3.26}},
}

// TestISO5725Coal reproduces the table of results of that example: mean, s_r,
// s_R, three decimals each.
func TestISO5725Coal(t *testing.T) {
	for i, want := range [4][3]string{
		{"0.690", "0.015", "0.026"}, {"1.252", "0.029", "0.061"}, {"1.667", "0.017", "0.035"}, {"3.250", "0.026", "0.058"},
	} {
		p, err := PrecisionOf(coal[i])
		require.NoError(t, err)
		digits(t, want[0], p.Mean, 3, fmt.Sprintf("level %d: mean", i+1))
		digits(t, want[1], p.Sr, 3, fmt.Sprintf("level %d: s_r", i+1))
		digits(t, want[2], p.SR, 3, fmt.Sprintf("level %d: s_R", i+1))
		assert.Equal(t, 8, p.Cells)
	}
}

// TestCriticalValues holds the closed forms to tables of ISO 5725-2 (4:
// Cochran, 5: Grubbs for one outlier) and of ISO 5725-6 (1: critical range),
// from memory. The tables of 5725-2 were worked out with the means of their
// time, and here and there differ by one in the last digit.
func TestCriticalValues(t *testing.T) {
	for _, tt := range []struct {
		p, n         int
		five, onePct float64
	}{
		{2, 3, 0.975, 0.995}, {3, 2, 0.967, 0.993}, {5, 2, 0.841, 0.928}, {8, 2, 0.680, 0.794}, {8, 3, 0.516, 0.615}, {10, 2, 0.602, 0.718},
	} {
		assert.InDelta(t, tt.five, CochranCritical(tt.p, tt.n, 0.05), 0.0015, fmt.Sprint("Cochran 5 % ", tt.p, tt.n))
		assert.InDelta(t, tt.onePct, CochranCritical(tt.p, tt.n, 0.01), 0.0015, fmt.Sprint("Cochran 1 % ", tt.p, tt.n))
	}
	for _, tt := range []struct {
		p            int
		five, onePct float64
	}{
		{3, 1.155, 1.155}, {4, 1.481, 1.496}, {5, 1.715, 1.764}, {8, 2.126, 2.274}, {10, 2.290, 2.482}, {20, 2.709, 3.001},
	} {
		assert.InDelta(t, tt.five, GrubbsCritical(tt.p, 0.05), 0.0015, fmt.Sprint("Grubbs 5 % ", tt.p))
		assert.InDelta(t, tt.onePct, GrubbsCritical(tt.p, 0.01), 0.0015, fmt.Sprint("Grubbs 1 % ", tt.p))
	}
	for n, want := range map[int]float64{2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0, 7: 4.2, 8: 4.3, 9: 4.4, 10: 4.5} {
		assert.InDelta(t, want, RangeFactor(n), 1e-9, "range of %d", n)
	}
}

// TestISO5725Outliers: of that example only the scatter of laboratory 5 at
// level 3 is a straggler: 0.001000/0.001725 by hand, from the cells' variances.
func TestISO5725Outliers(t *testing.T) {
	for i := range coal {
		var means []float64
		for _, c := range coal[i] {
			means = append(means, stat.Mean(c, nil))
		}
		high, low, err := Grubbs(means)
		require.NoError(t, err)
		assert.Equal(t, Consistent, low.Verdict)
		c, err := Cochran(coal[i])
		require.NoError(t, err)
		t.Logf("level %d: %+v %+v", i+1, high, c)
		want := Consistent
		if i == 2 {
			want = Straggler
			assert.Equal(t, 4, c.Cell)
			assert.InDelta(t, 0.580, c.Statistic, 0.0005)
		}
		assert.Equal(t, want, c.Verdict, "level %d", i+1)
	}
}
