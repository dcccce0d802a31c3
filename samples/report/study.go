package report

import (
	"fmt"
	"io"
	"slices"

	"traytally/grading/agree"
	"traytally/grading/chart"
)

// StudySVG draws the differences of two methods over their means, with the
// bias, the limits of agreement and their intervals (J.M. Bland, D.G. Altman,
// Lancet i (1986) 307-310), as one SVG picture. what is measured, in unit.
func StudySVG(w io.Writer, s *agree.Study, what, unit string) error {
	const width, height = 182.0, 100.0
	a := s.Agreement
	at, d := a.Means, a.Differences
	lo, hi := slices.Min(at), slices.Max(at)
	below, above := min(a.Lower.Low, slices.Min(d)), max(a.Upper.High, slices.Max(d))
	pad := max(0.05*(hi-lo), 1e-6)
	lo, hi = lo-pad, hi+pad
	pad = max(0.04*(above-below), 1e-6)
	below, above = min(below-pad, 0), max(above+pad, 0)
	var c chart.SVG
	p := chart.Plot{Canvas: &c, Left: 12, Right: width - 34, Top: 8, Bottom: height - 12, X0: lo, X1: hi, Y0: below, Y1: above}
	c.Text(0, 2, fmt.Sprintf("Picture less hand, %s, %s", what, english.T("%d samples", len(d))), -1, 9.5, true, ink)
	p.Rows(6, false)
	p.Columns(7, "mean of both methods, "+unit)
	for i, l := range []struct {
		name string
		low  float64
		at   float64
		high float64
		dash float64
	}{
		{"bias", a.Bias.Low, a.Bias.Value, a.Bias.High, 0},
		{"upper limit", a.Upper.Low, a.Upper.Value, a.Upper.High, 1.5},
		{"lower limit", a.Lower.Low, a.Lower.Value, a.Lower.High, 1.5},
	} {
		bar := p.Right - 1 - 1.5*float64(i)
		c.Line(bar, p.Y(l.high), bar, p.Y(l.low), 0.9, chart.Reach, 0)
		p.Level(l.at, l.name+" "+english.Number(l.at, 2), stop, l.dash)
	}
	c.Line(p.Left, p.Y(0), p.Right, p.Y(0), 0.3, ink, 0)
	for i := range at {
		c.Circle(p.X(at[i]), p.Y(d[i]), 0.9, ink, nil)
	}
	p.Note(0, height+2, "Grey bars: 95 % intervals of bias and limits. Screening aid from pictures; no official grade.", -1, pale)
	return c.Document(w, width, height, "Picture less hand, "+what)
}
