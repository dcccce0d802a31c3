package grading

import (
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"strings"
	"text/template"
)

// ErrNoLimit is returned for a chart of a plan that has no limit.
var ErrNoLimit = errors.New("an operating characteristic needs a limit")

const (
	chartW, chartH             = 760.0, 440.0
	plotLeft, plotRight        = 64.0, 736.0
	plotTop, plotBottom        = 64.0, 376.0
	colourYes, colourOpen      = "#1b6e53", "#6b6f76"
	colourNo, colourGuideLines = "#a8461f", "#d9dce0"
)

type chartLine struct{ Points, Colour, Dash string }

type chartText struct {
	X, Y           float64
	Anchor, Colour string
	Text           string
	Bold           bool
}

type chartSegment struct {
	X1, Y1, X2, Y2 float64
	Colour, Dash   string
}

var chartTemplate = template.Must(template.New("oc").Parse(`<svg xmlns="http://www.w3.org/2000/svg" width="{{.W}}" height="{{.H}}" viewBox="0 0 {{.W}} {{.H}}" font-family="sans-serif" font-size="13">
<title>{{.Title}}</title>
<rect width="{{.W}}" height="{{.H}}" fill="#ffffff"/>
{{range .Segments}}<line x1="{{printf "%.1f" .X1}}" y1="{{printf "%.1f" .Y1}}" x2="{{printf "%.1f" .X2}}" y2="{{printf "%.1f" .Y2}}" stroke="{{.Colour}}"{{if .Dash}} stroke-dasharray="{{.Dash}}"{{end}}/>
{{end}}{{range .Lines}}<path fill="none" stroke="{{.Colour}}" stroke-width="2.5"{{if .Dash}} stroke-dasharray="{{.Dash}}"{{end}} d="M{{.Points}}"/>
{{end}}{{range .Texts}}<text x="{{printf "%.1f" .X}}" y="{{printf "%.1f" .Y}}" text-anchor="{{.Anchor}}" fill="{{.Colour}}"{{if .Bold}} font-weight="bold"{{end}} paint-order="stroke" stroke="#ffffff" stroke-width="4">{{.Text}}</text>
{{end}}</svg>
`))

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
	x := func(v float64) float64 { return plotLeft + (plotRight-plotLeft)*(v-least)/(most-least) }
	y := func(prob float64) float64 { return plotBottom - (plotBottom-plotTop)*prob }
	data := struct {
		W, H     float64
		Title    string
		Lines    []chartLine
		Texts    []chartText
		Segments []chartSegment
	}{W: chartW, H: chartH, Title: html.EscapeString(c.title)}
	text := func(x, y float64, anchor, colour, s string, bold bool) {
		data.Texts = append(data.Texts, chartText{x, y, anchor, colour, html.EscapeString(s), bold})
	}
	const ink = "#22262b"
	text(plotLeft, 26, "start", ink, c.title, true)
	text(plotLeft, 46, "start", ink, c.subtitle, false)
	for i := range 6 {
		prob := float64(i) / 5
		data.Segments = append(data.Segments, chartSegment{plotLeft, y(prob), plotRight, y(prob), colourGuideLines, ""})
		text(plotLeft-8, y(prob)+4, "end", ink, fmt.Sprintf("%.0f %%", 100*prob), false)
	}
	step := niceStep((most - least) / 8)
	for i := math.Abs(math.Ceil(least/step - 1e-9)); i*step <= most*(1+1e-9); i++ {
		at := x(i * step)
		data.Segments = append(data.Segments, chartSegment{at, plotBottom, at, plotBottom + 5, ink, ""})
		text(at, plotBottom+20, "middle", ink, fmt.Sprintf("%.4g", i*step), false)
	}
	text((plotLeft+plotRight)/2, plotBottom+44, "middle", ink, c.axis, false)
	data.Segments = append(data.Segments, chartSegment{x(c.limit), plotTop, x(c.limit), plotBottom, ink, "2 4"})
	supportsLeft := c.points[0].Supports >= c.points[len(c.points)-1].Supports
	for _, curve := range []struct {
		name, colour, dash string
		of                 func(OCPoint) float64
	}{
		{"supports", colourYes, "", func(o OCPoint) float64 { return o.Supports }},
		{"not proven", colourOpen, "7 5", func(o OCPoint) float64 { return o.NotProven }},
		{"contradicts", colourNo, "", func(o OCPoint) float64 { return o.Contradicts }},
	} {
		var points []string
		best := c.points[0]
		for _, o := range c.points {
			points = append(points, fmt.Sprintf("%.1f,%.1f", x(o.True), y(curve.of(o))))
			if curve.of(o) > curve.of(best) {
				best = o
			}
		}
		data.Lines = append(data.Lines, chartLine{strings.Join(points, " L"), curve.colour, curve.dash})
		anchor, at := "middle", x(best.True)
		switch {
		case curve.name != "not proven" && (curve.name == "supports") == supportsLeft:
			anchor, at = "start", plotLeft+6
		case curve.name != "not proven":
			anchor, at = "end", plotRight-6
		}
		text(at, y(curve.of(best))+20, anchor, curve.colour, curve.name, true)
	}
	return chartTemplate.Execute(w, data)
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
