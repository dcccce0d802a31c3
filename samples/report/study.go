package report

import (
	"fmt"
	"io"
	"math"

	"gonum.org/v1/gonum/stat"

	"traytally/grading/agree"
)

// StudySVG draws the differences of two methods over their means, with the
// bias, the limits of agreement and their intervals (J.M. Bland, D.G. Altman,
// Lancet i (1986) 307-310), as one SVG picture. what is measured, in unit.
func StudySVG(w io.Writer, s *agree.Study, what, unit string) error {
	const width, height = 182.0, 100.0
	const left, right, top, bottom = 12.0, 34.0, 8.0, 12.0
	a := s.Agreement
	var at, d []float64
	for _, p := range s.Pairs {
		if len(p.Hand) > 0 && len(p.Picture) > 0 {
			h, q := stat.Mean(p.Hand, nil), stat.Mean(p.Picture, nil)
			at, d = append(at, (h+q)/2), append(d, q-h)
		}
	}
	lo, hi, below, above := math.Inf(1), math.Inf(-1), a.Lower.Low, a.Upper.High
	for i := range at {
		lo, hi, below, above = min(lo, at[i]), max(hi, at[i]), min(below, d[i]), max(above, d[i])
	}
	pad := max(0.05*(hi-lo), 1e-6)
	lo, hi = lo-pad, hi+pad
	pad = max(0.04*(above-below), 1e-6)
	below, above = min(below-pad, 0), max(above+pad, 0)
	var c svgCanvas
	x := func(v float64) float64 { return left + (width-left-right)*(v-lo)/(hi-lo) }
	y := func(v float64) float64 { return top + (height-top-bottom)*(above-v)/(above-below) }
	c.text(0, 2, fmt.Sprintf("Picture less hand, %s, %s", what, count(len(d), "sample", "samples")), -1, 9.5, true, ink)
	for _, t := range ticks(below, above, 6) {
		c.line(left, y(t), width-right, y(t), 0.15, rule, 0)
		c.text(left-1.2, y(t)+0.9, tickText(t), 1, small, false, pale)
	}
	for _, t := range ticks(lo, hi, 7) {
		c.line(x(t), height-bottom, x(t), height-bottom+1.2, 0.25, pale, 0)
		c.text(x(t), height-bottom+4.2, tickText(t), 0, small, false, pale)
	}
	c.text((left+width-right)/2, height-2, "mean of both methods, "+unit, 0, small, false, pale)
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
		bar := width - right - 1 - 1.5*float64(i)
		c.line(bar, y(l.high), bar, y(l.low), 0.9, rgb{0xd6, 0xdd, 0xe4}, 0)
		c.line(left, y(l.at), width-right, y(l.at), 0.35, stop, l.dash)
		c.text(width-right+1, y(l.at)+0.9, l.name+" "+num(l.at, 2), -1, small, false, stop)
	}
	c.line(left, y(0), width-right, y(0), 0.3, ink, 0)
	for i := range at {
		c.circle(x(at[i]), y(d[i]), 0.9, ink, nil)
	}
	c.text(0, height+2, "Grey bars: 95 % intervals of bias and limits. Screening aid from pictures; no official grade.", -1, small, false, pale)
	_, err := fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="-6 -4 %s %s" font-family="Helvetica, Arial, sans-serif"><rect x="-6" y="-4" width="100%%" height="100%%" fill="#fff"/>%s</svg>`+"\n",
		f2(width+12), f2(height+8), f2(width+12), f2(height+8), c.b.String())
	return err
}
