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
// the lot's true broken share. The picture is the same for the same plan.
func (p *Plan) WriteChart(w io.Writer, title string) error {
	if len(p.OC) == 0 {
		return ErrNoLimit
	}
	most := p.OC[len(p.OC)-1].TruePct
	x := func(pct float64) float64 { return plotLeft + (plotRight-plotLeft)*pct/most }
	y := func(prob float64) float64 { return plotBottom - (plotBottom-plotTop)*prob }
	data := struct {
		W, H     float64
		Title    string
		Lines    []chartLine
		Texts    []chartText
		Segments []chartSegment
	}{W: chartW, H: chartH, Title: html.EscapeString(title)}
	text := func(x, y float64, anchor, colour, s string, bold bool) {
		data.Texts = append(data.Texts, chartText{x, y, anchor, colour, html.EscapeString(s), bold})
	}
	const ink = "#22262b"
	text(plotLeft, 26, "start", ink, title, true)
	text(plotLeft, 46, "start", ink, fmt.Sprintf("share of samples of %d kernels (about %.0f g) that say so; limit %.4g %%", p.Kernels, p.Grams, p.LimitPct), false)
	for i := range 6 {
		prob := float64(i) / 5
		data.Segments = append(data.Segments, chartSegment{plotLeft, y(prob), plotRight, y(prob), colourGuideLines, ""})
		text(plotLeft-8, y(prob)+4, "end", ink, fmt.Sprintf("%.0f %%", 100*prob), false)
	}
	step := niceStep(most / 8)
	for pct := 0.0; pct <= most*(1+1e-9); pct += step {
		data.Segments = append(data.Segments, chartSegment{x(pct), plotBottom, x(pct), plotBottom + 5, ink, ""})
		text(x(pct), plotBottom+20, "middle", ink, fmt.Sprintf("%.4g", pct), false)
	}
	text((plotLeft+plotRight)/2, plotBottom+44, "middle", ink, "true broken share of the lot, % by mass", false)
	data.Segments = append(data.Segments, chartSegment{x(p.LimitPct), plotTop, x(p.LimitPct), plotBottom, ink, "2 4"})
	for _, c := range []struct {
		name, colour, dash string
		of                 func(OCPoint) float64
	}{
		{"supports", colourYes, "", func(o OCPoint) float64 { return o.Supports }},
		{"not proven", colourOpen, "7 5", func(o OCPoint) float64 { return o.NotProven }},
		{"contradicts", colourNo, "", func(o OCPoint) float64 { return o.Contradicts }},
	} {
		var points []string
		best := p.OC[0]
		for _, o := range p.OC {
			points = append(points, fmt.Sprintf("%.1f,%.1f", x(o.TruePct), y(c.of(o))))
			if c.of(o) > c.of(best) || c.name == "contradicts" && c.of(o) >= c.of(best) {
				best = o
			}
		}
		data.Lines = append(data.Lines, chartLine{strings.Join(points, " L"), c.colour, c.dash})
		anchor := "middle"
		at := x(best.TruePct)
		switch c.name {
		case "supports":
			anchor, at = "start", plotLeft+6
		case "contradicts":
			anchor, at = "end", plotRight-6
		}
		text(at, y(c.of(best))+20, anchor, c.colour, c.name, true)
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
