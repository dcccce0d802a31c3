package chart

import (
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"
)

// MMPerPt is the size of a point, mm.
const MMPerPt = 25.4 / 72

// An SVG is a Canvas, one user unit to the millimetre. The zero value is empty.
type SVG struct{ b strings.Builder }

// F2 writes a number for SVG: two decimals.
func F2(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func dashes(dash float64) string {
	if dash <= 0 {
		return ""
	}
	return ` stroke-dasharray="` + F2(dash) + `"`
}

// Line implements Canvas.
func (s *SVG) Line(x1, y1, x2, y2, width float64, c Colour, dash float64) {
	fmt.Fprintf(&s.b, `<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="%s" stroke-width="%s"%s/>`, F2(x1), F2(y1), F2(x2), F2(y2), c, F2(width), dashes(dash))
}

// Path draws a line through places.
func (s *SVG) Path(places [][2]float64, width float64, c Colour, dash float64) {
	d := make([]string, len(places))
	for i, q := range places {
		d[i] = F2(q[0]) + "," + F2(q[1])
	}
	fmt.Fprintf(&s.b, `<path d="M%s" fill="none" stroke="%s" stroke-width="%s"%s/>`, strings.Join(d, " L"), c, F2(width), dashes(dash))
}

// Rect implements Canvas.
func (s *SVG) Rect(x, y, w, h float64, fill Colour) {
	fmt.Fprintf(&s.b, `<rect x="%s" y="%s" width="%s" height="%s" fill="%s"/>`, F2(x), F2(y), F2(max(0, w)), F2(max(0, h)), fill)
}

// Circle implements Canvas.
func (s *SVG) Circle(x, y, r float64, fill Colour, stroke *Colour) {
	more := ""
	if stroke != nil {
		more = fmt.Sprintf(` stroke="%s" stroke-width="0.2"`, *stroke)
	}
	fmt.Fprintf(&s.b, `<circle cx="%s" cy="%s" r="%s" fill="%s"%s/>`, F2(x), F2(y), F2(r), fill, more)
}

// Text implements Canvas.
func (s *SVG) Text(x, y float64, t string, at int, size float64, bold bool, c Colour) {
	weight := ""
	if bold {
		weight = ` font-weight="600"`
	}
	fmt.Fprintf(&s.b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s" fill="%s"%s>%s</text>`,
		F2(x), F2(y), F2(size*MMPerPt), [...]string{"start", "middle", "end"}[at+1], c, weight, html.EscapeString(t))
}

// At draws with the origin moved y mm down.
func (s *SVG) At(y float64, draw func(Canvas)) {
	fmt.Fprintf(&s.b, `<g transform="translate(0 %s)">`, F2(y))
	draw(s)
	s.b.WriteString("</g>")
}

// Inline returns an element of w × h mm for a page, with what draw draws. label
// says what it shows to those who cannot see it.
func Inline(w, h float64, label string, draw func(Canvas)) string {
	var s SVG
	draw(&s)
	return fmt.Sprintf(`<svg class="chart" viewBox="0 0 %s %s" role="img" aria-label="%s">%s</svg>`, F2(w), F2(h), html.EscapeString(label), s.b.String())
}

// Plain writes a picture of w × h mm, without margin, that stands in a page or by
// itself.
func (s *SVG) Plain(out io.Writer, w, h float64, title string) error {
	_, err := fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" width="%[1]smm" height="%[2]smm" viewBox="0 0 %[1]s %[2]s" shape-rendering="crispEdges" font-family="Helvetica, Arial, sans-serif"><title>%[3]s</title>%[4]s</svg>`+"\n", F2(w), F2(h), html.EscapeString(title), s.b.String())
	return err
}

// Document writes a whole picture of w × h mm within a margin, on white.
func (s *SVG) Document(out io.Writer, w, h float64, title string) error {
	const side, top = 6, 4 // mm
	_, err := fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" width="%[1]smm" height="%[2]smm" viewBox="%[3]d %[4]d %[1]s %[2]s" font-family="Helvetica, Arial, sans-serif"><title>%[5]s</title>`+
		`<style>text { paint-order: stroke; stroke: #fff; stroke-width: 0.6px; }</style><rect x="%[3]d" y="%[4]d" width="100%%" height="100%%" fill="#fff"/>%[6]s</svg>`+"\n",
		F2(w+2*side), F2(h+2*top), -side, -top, html.EscapeString(title), s.b.String())
	return err
}
