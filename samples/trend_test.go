package samples_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading"
	"traytally/samples"
)

func rowsOf(values ...float64) []samples.Row {
	var rows []samples.Row
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	for _, v := range values {
		at = at.Add(time.Hour)
		rows = append(rows, samples.Row{At: at, BrokenMass: grading.Estimate{Value: v, Low: v - 1.96, High: v + 1.96}})
	}
	return rows
}

// The worked example of the NIST/SEMATECH e-Handbook of Statistical Methods,
// 6.3.2.2 (flow rate of ten batches): mean 50.81, mean moving range 1.8778,
// limits 45.8159 and 55.8041. The handbook rounds 2/√π to 1.128, which moves
// the limits by 0.0013.
func TestChartOfIndividuals(t *testing.T) {
	charts, err := samples.TrendOf(rowsOf(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1), "")
	require.NoError(t, err)
	require.Len(t, charts, 1)
	c := charts[0]
	assert.InDelta(t, 50.81, c.Mean, 1e-9)
	assert.InDelta(t, 1.8778, c.MeanRange, 5e-5)
	assert.InDelta(t, 45.8159, *c.Lower, 0.002)
	assert.InDelta(t, 55.8041, *c.Upper, 0.002)
	assert.InDelta(t, 1, c.Sampling, 1e-4) // the intervals are ±1.96
	assert.True(t, c.Provisional)
	for _, p := range c.Points {
		assert.False(t, p.Out || p.Run)
	}
}

func TestChartMarks(t *testing.T) {
	v := []float64{5, 5.2, 4.9, 5.1, 5, 4.8, 5.1, 5, 5.2, 4.9, 12, 5, 5.1, 4.9}
	charts, err := samples.TrendOf(rowsOf(v...), "")
	require.NoError(t, err)
	for i, p := range charts[0].Points {
		assert.Equal(t, i == 10, p.Out, "%d", i)
	}
	// Eight in a row below the mean: the eighth is marked, not the seventh.
	run := []float64{6, 6, 6, 6, 6, 6, 6, 4, 4, 4, 4, 4, 4, 4, 4}
	charts, err = samples.TrendOf(rowsOf(run...), "")
	require.NoError(t, err)
	for i, p := range charts[0].Points {
		assert.Equal(t, i == 14, p.Run, "%d", i)
	}
	// A share is never below nothing.
	charts, err = samples.TrendOf(rowsOf(0.1, 3, 0.2, 2.5), "")
	require.NoError(t, err)
	assert.Equal(t, 0.0, *charts[0].Lower)
	// One sample has no limits.
	charts, err = samples.TrendOf(rowsOf(5), "")
	require.NoError(t, err)
	assert.Nil(t, charts[0].Lower)
	charts, err = samples.TrendOf(nil, "line")
	require.NoError(t, err)
	assert.Empty(t, charts)
	_, err = samples.TrendOf(nil, "moon")
	wantError(t, err, nil, "moon")
}

func TestTrendGroups(t *testing.T) {
	rows := rowsOf(1, 2, 3, 4)
	rows[0].Line, rows[1].Line, rows[2].Line = "B", "A", "B"
	charts, err := samples.TrendOf(rows, "line")
	require.NoError(t, err)
	var got []string
	for _, c := range charts {
		got = append(got, c.Group)
	}
	assert.Equal(t, []string{"", "A", "B"}, got)
	assert.Equal(t, 2.0, charts[2].Mean)
}

// norris is the Norris data set of NIST's Statistical Reference Datasets
// (linear regression, lower difficulty), y and x, from memory; that the
// certified values below come out confirms it.
const norris = `0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3
449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5
10.8 11.6  557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8
339.3 339.1  888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5`

func TestFitLine(t *testing.T) {
	var x, y []float64
	for i, f := range strings.Fields(norris) {
		if i%2 == 0 {
			y = append(y, number(t, f))
		} else {
			x = append(x, number(t, f))
		}
	}
	l := samples.FitLine(x, y)
	require.NotNil(t, l)
	// Certified values and standard deviations of the estimates.
	assert.InDelta(t, -0.262323073774029, l.Intercept, 1e-10)
	assert.InDelta(t, 1.00211681802045, l.Slope, 1e-12)
	assert.InDelta(t, 0.232818234301152, l.InterceptSE, 1e-10)
	assert.InDelta(t, 0.429796848199937e-3, l.SlopeSE, 1e-12)
	assert.True(t, l.Proven())
	assert.InDelta(t, 1, l.R, 1e-5)
	// Student's t for 34 degrees of freedom and 95 %: 2.032 (any table).
	assert.InDelta(t, 2.032, (l.SlopeHigh-l.Slope)/l.SlopeSE, 5e-4)

	assert.Nil(t, samples.FitLine([]float64{1, 2}, []float64{1, 2}))
	assert.Nil(t, samples.FitLine([]float64{13, 13, 13}, []float64{1, 2, 3}))
	flat := samples.FitLine([]float64{1, 2, 3}, []float64{4, 4, 4})
	require.NotNil(t, flat)
	assert.Equal(t, 0.0, flat.R)
	assert.False(t, flat.Proven())
}

// However the values lie, limits hold the mean and points out are beyond them.
func TestChartProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(0, 100), 2, 60).Draw(t, "v")
		charts, err := samples.TrendOf(rowsOf(v...), "")
		if err != nil {
			t.Fatal(err)
		}
		c := charts[0]
		if *c.Lower > c.Mean+1e-9 || *c.Upper < c.Mean-1e-9 || *c.Lower < 0 || *c.Upper > 100 {
			t.Fatalf("mean %g in %g..%g", c.Mean, *c.Lower, *c.Upper)
		}
		for _, p := range c.Points {
			if p.Out != (p.Value < *c.Lower || p.Value > *c.Upper) {
				t.Fatalf("%g out: %v", p.Value, p.Out)
			}
		}
	})
}
