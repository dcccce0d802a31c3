package report_test

import (
	"bytes"
	"encoding/xml"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/samples/report"
)

func trendRows(hostile string) []samples.Row {
	var rows []samples.Row
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	for i, v := range []float64{5, 5.4, 4.8, 5.1, 6, 5.2, 4.7, 5.3, 14, 5.6, 5.2, 4.9} {
		at = at.Add(7 * time.Hour)
		m := 12.5 + float64(i%5)*0.4
		rows = append(rows, samples.Row{Code: "S2026-000" + string(rune('a'+i)), At: at, Lot: hostile, Line: hostile, Moisture: &m,
			Kernels: 400, BrokenMass: grading.Estimate{Value: v, Low: v * 0.7, High: v * 1.35}, TradeClass: "5 % broken", Pictures: []string{hostile + ".png"}})
	}
	return rows
}

// wellFormed asserts that the text is XML, as a viewer of SVG demands.
func wellFormed(t *testing.T, s string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		require.NoError(t, err)
	}
}

func TestTrendSVG(t *testing.T) {
	for _, line := range []string{"A", `<script>"'&`} {
		charts, err := samples.TrendOf(trendRows(line), "line")
		require.NoError(t, err)
		var b bytes.Buffer
		require.NoError(t, report.TrendSVG(&b, charts))
		wellFormed(t, b.String())
		assert.NotContains(t, b.String(), "<script")
		assert.Contains(t, b.String(), "S2026-000i", "the sample out of limits is named")
		assert.Contains(t, b.String(), "3·(mean moving range)/1.128")
		assert.Contains(t, b.String(), "moisture, % by mass")
	}
	var b bytes.Buffer
	require.NoError(t, report.TrendSVG(&b, nil))
	wellFormed(t, b.String())
}

func TestIndex(t *testing.T) {
	rows := trendRows("<script>alert(1)</script>")
	charts, err := samples.TrendOf(rows, "")
	require.NoError(t, err)
	in := report.Index{Title: "<b>scans</b>", Chart: &charts[0], RefreshS: 30,
		Refused: []samples.Refusal{{Path: "<img src=x>", Reason: "\"><script>", Hint: "scan again"}}}
	for _, r := range rows {
		in.Rows = append(in.Rows, report.IndexRow{Row: r, HTML: r.Code + ".html", PDF: r.Code + ".pdf"})
	}
	var a, b bytes.Buffer
	require.NoError(t, report.WriteIndex(&a, in))
	require.NoError(t, report.WriteIndex(&b, in))
	assert.Equal(t, a.String(), b.String())
	assert.NotContains(t, a.String(), "<script")
	assert.NotContains(t, a.String(), "<img")
	assert.Contains(t, a.String(), `href="S2026-000a.html"`)
	assert.Contains(t, a.String(), "scan again")
	assert.Contains(t, a.String(), "3·(mean moving range)/1.128")
	assert.Contains(t, a.String(), "eight samples in a row")
	assert.Contains(t, a.String(), "<th>Picture</th>")
	assert.Contains(t, a.String(), "<th>Line</th>")
	assert.NotContains(t, a.String(), "<th>Variety</th>", "no sample states one")
	require.NoError(t, report.WriteIndex(&b, report.Index{}))
}
