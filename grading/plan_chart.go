package grading

import (
	"errors"
	"fmt"
	"io"
	"math"

	"traytally/grading/chart"
)

// ErrNoLimit is returned for a chart of a plan that has no limit.
var ErrNoLimit = errors.New("an operating characteristic needs a limit")

// WriteChart draws the operating characteristic of p as an SVG picture: how
// often the sample supports the limit, contradicts it, or proves nothing, over
// the lot's true share. The picture is the same for the same plan.
func (p *Plan) WriteChart(w io.Writer, title string) error {
	return writeOC(w, ocChart{
		title: title, points: p.OC, limit: p.LimitPct,
		subtitle: fmt.Sprintf("share of samples of %d kernels (about %.0f g) that say so; limit %.4g %%", p.Kernels, p.Grams, p.LimitPct),
		axis:     "true share of the lot, %",
	})
}

// An ocChart is what a picture of an operating characteristic shows.
type ocChart struct {
	title, subtitle, axis string
	points                []OCPoint
	limit                 float64 // in the points' unit
}

func writeOC(w io.Writer, c ocChart) error {
	if len(c.points) == 0 {
		return ErrNoLimit
	}
	least, most := c.points[0].True, c.points[len(c.points)-1].True
	if least < most/4 {
		least = 0
	}
	var s chart.SVG
	p := chart.Plot{Canvas: &s, Left: 9, Right: 180, Top: 14, Bottom: 96, X0: least, X1: most, Y1: 100}
	s.Text(0, 2, c.title, -1, 9.5, true, chart.Ink)
	p.Note(0, 6, c.subtitle, -1, chart.Pale)
	p.Note(0, 10.6, "% of samples", -1, chart.Pale)
	p.Rows(5, true)
	s.Line(p.X(c.limit), p.Top, p.X(c.limit), p.Bottom, 0.35, chart.Stop, 1)
	supportsLeft := c.points[0].Supports >= c.points[len(c.points)-1].Supports
	for _, curve := range []struct {
		name   string
		colour chart.Colour
		dash   float64
		of     func(OCPoint) float64
	}{
		{"supports", chart.Good, 0, func(o OCPoint) float64 { return 100 * o.Supports }},
		{"not proven", chart.Pale, 1.8, func(o OCPoint) float64 { return 100 * o.NotProven }},
		{"contradicts", chart.Stop, 0, func(o OCPoint) float64 { return 100 * o.Contradicts }},
	} {
		var places [][2]float64
		best := c.points[0]
		for _, o := range c.points {
			places = append(places, [2]float64{p.X(o.True), p.Y(curve.of(o))})
			if curve.of(o) > curve.of(best) {
				best = o
			}
		}
		s.Path(places, 0.6, curve.colour, curve.dash)
		at, x := 0, p.X(best.True)
		switch {
		case curve.name == "not proven":
		case (curve.name == "supports") == supportsLeft:
			at, x = -1, p.Left+2
		default:
			at, x = 1, p.Right-2
		}
		s.Text(x, p.Y(curve.of(best))+4.6, curve.name, at, 9, true, curve.colour)
	}
	p.Columns(8, c.axis)
	return s.Document(w, p.Right, p.Bottom+9, c.title)
}

// niceStep returns 1, 2 or 5 times a power of ten, at least x.
func niceStep(x float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, f := range []float64{1, 2, 5} {
		if f*p >= x*(1-1e-9) {
			return f * p
		}
	}
	return 10 * p
}
