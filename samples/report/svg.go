package report

import (
	"fmt"
	"html"
	"strconv"
	"strings"
)

// svgCanvas writes a drawing as SVG elements, one user unit to the millimetre.
type svgCanvas struct{ b strings.Builder }

const mmPerPt = 25.4 / 72

func f2(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func (s *svgCanvas) line(x1, y1, x2, y2, width float64, c rgb, dash float64) {
	d := ""
	if dash > 0 {
		d = fmt.Sprintf(` stroke-dasharray="%s"`, f2(dash))
	}
	fmt.Fprintf(&s.b, `<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="%s" stroke-width="%s"%s/>`, f2(x1), f2(y1), f2(x2), f2(y2), c, f2(width), d)
}

func (s *svgCanvas) rect(x, y, w, h float64, fill rgb) {
	fmt.Fprintf(&s.b, `<rect x="%s" y="%s" width="%s" height="%s" fill="%s"/>`, f2(x), f2(y), f2(max(0, w)), f2(max(0, h)), fill)
}

func (s *svgCanvas) circle(x, y, r float64, fill rgb, stroke *rgb) {
	more := ""
	if stroke != nil {
		more = fmt.Sprintf(` stroke="%s" stroke-width="0.2"`, *stroke)
	}
	fmt.Fprintf(&s.b, `<circle cx="%s" cy="%s" r="%s" fill="%s"%s/>`, f2(x), f2(y), f2(r), fill, more)
}

func (s *svgCanvas) text(x, y float64, t string, at int, size float64, bold bool, c rgb) {
	anchor := [...]string{"start", "middle", "end"}[at+1]
	weight := ""
	if bold {
		weight = ` font-weight="600"`
	}
	fmt.Fprintf(&s.b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s" fill="%s"%s>%s</text>`, f2(x), f2(y), f2(size*mmPerPt), anchor, c, weight, html.EscapeString(t))
}

// drawing returns a whole SVG element of w × h mm with what draw draws. label
// says what it shows to those who cannot see it.
func drawing(w, h float64, label string, draw func(canvas)) string {
	var s svgCanvas
	draw(&s)
	return fmt.Sprintf(`<svg class="chart" viewBox="0 0 %s %s" role="img" aria-label="%s">%s</svg>`, f2(w), f2(h), html.EscapeString(label), s.b.String())
}
