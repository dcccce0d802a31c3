// Package print writes the tray card as a file to be printed at exact size:
// PDF or SVG.
package print

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"traytally/vision/internal/card"
)

// A Format is a kind of file.
type Format string

// The formats.
const (
	PDF Format = "pdf"
	SVG Format = "svg"
)

// A Sheet says what is printed.
type Sheet struct {
	Paper string // one of Papers
	// Strip is the card that is cut out and laid beside the rice, instead of
	// the one on which the rice lies.
	Strip bool
	// OpenField leaves the field white, with an outline, for dark paper to be
	// laid in; else it is printed black.
	OpenField bool
	Format    Format
}

// Papers lists what can be printed on.
func Papers() []string {
	var out []string
	for _, p := range card.Papers {
		out = append(out, p.Name)
	}
	return out
}

// Write writes the sheet. Same sheet, same bytes.
func (s Sheet) Write(w io.Writer) error {
	i := slices.Index(Papers(), s.Paper)
	if i < 0 {
		return fmt.Errorf("paper %q, want one of %s", s.Paper, strings.Join(Papers(), ", "))
	}
	p := page{card.Layouts[0], card.Papers[i], s.OpenField}
	if s.Strip {
		p.layout = card.Layouts[1]
	}
	switch s.Format {
	case PDF:
		return p.pdf(w)
	case SVG:
		return p.svg(w)
	}
	return fmt.Errorf("format %q, want %s or %s", s.Format, PDF, SVG)
}

// A page is a card on a sheet of paper.
type page struct {
	layout *card.Layout
	Paper  card.Paper
	open   bool // Sheet.OpenField
}

// Title is that of the document.
func (p page) Title() string { return "traytally " + p.layout.Name }

// A shape is one thing to print, in mm on the sheet. Exactly one of R, Poly
// and Text is set; Line strokes Poly instead of filling it.
type shape struct {
	Grey       byte // 0 is black
	card.Point      // centre of a circle, middle of a text's base line
	R          float64
	Poly       []card.Point
	Line       float64 // width of the stroke; 0 fills
	Dash       float64 // length of dashes; 0 is a full line
	Text       string
	Size       float64 // of the text, mm
}

const white = 255

// instructions are a line for each of card.Layouts.
var instructions = [...]string{
	"Print at 100 %, check that the line is 150.0 mm long, lay rice one layer deep in the field, photograph the whole card from above.",
	"Print at 100 %, check that the line is 150.0 mm long, cut out, lay flat beside the rice on the tray, photograph both from above.",
}

// Shapes lists what is on the sheet, in the order of painting.
func (p page) Shapes() []shape {
	l := p.layout
	var out []shape
	add := func(s ...shape) { out = append(out, s...) }
	for i, m := range l.Marks {
		for s := range card.Sectors { // neighbouring black sectors in one piece
			if !card.Black(l.ID, i, s) || card.Black(l.ID, i, (s+card.Sectors-1)%card.Sectors) {
				continue
			}
			n := 1
			for card.Black(l.ID, i, (s+n)%card.Sectors) {
				n++
			}
			add(shape{Poly: sectors(m, s, n)})
		}
		add(shape{Point: m, R: card.RingOutR}, shape{Point: m, R: card.RingInR, Grey: white}, shape{Point: m, R: card.DiscR})
	}
	for _, d := range l.Dots {
		add(shape{Point: d, R: card.DotR})
	}
	for _, t := range l.Patches {
		c := t.Corners()
		add(shape{Grey: t.Grey, Poly: c[:]})
	}
	switch c := l.Field.Corners(); {
	case !l.HasField():
		c = card.Rect{X1: l.W, Y1: l.H}.Corners()
		add(shape{Grey: 150, Line: 0.1, Dash: 2, Poly: append(c[:], c[0])})
	case p.open:
		add(shape{Grey: 150, Line: 0.2, Dash: 2, Poly: append(c[:], c[0])}, shape{Grey: 150, Point: l.Field.Middle(), Size: 4,
			Text: fmt.Sprintf("lay matt dark paper of %.0f × %.0f mm here", l.Field.W(), l.Field.H())})
	default:
		add(shape{Poly: c[:]})
	}

	a, b := l.Ruler[0], l.Ruler[1]
	line := func(a, b card.Point) { add(shape{Line: 0.15, Poly: []card.Point{a, b}}) }
	line(a, b)
	for i := 0; i <= int(math.Round(l.RulerLength())); i += 5 {
		n := 1.2
		switch {
		case i%50 == 0:
			n = 2.4
		case i%10 == 0:
			n = 1.8
		}
		x := a.X + float64(i)
		line(card.Point{X: x, Y: a.Y}, card.Point{X: x, Y: a.Y + n})
	}
	add(shape{Point: card.Point{X: (a.X + b.X) / 2, Y: a.Y + 5}, Size: 2.1, Text: "150.0 mm between the end strokes"},
		shape{Point: card.Point{X: l.W / 2, Y: l.H - 2.4}, Size: 2.15, Text: instructions[l.ID]})

	// The card lies in the middle of the sheet, or at the top where it is to be
	// cut out.
	dx, dy := (p.Paper.W-l.W)/2, 15.0
	if l.HasField() {
		dy = (p.Paper.H - l.H) / 2
	}
	onSheet := func(q card.Point) card.Point { return card.Point{X: q.X + dx, Y: q.Y + dy} }
	for i, s := range out {
		out[i].Point = onSheet(s.Point)
		for k, q := range s.Poly {
			s.Poly[k] = onSheet(q)
		}
	}
	return out
}

// sectors returns the outline of n sectors of the code ring from sector i on.
// Its arcs run in steps of a degree, within 0.0004 mm of the circle.
func sectors(m card.Point, i, n int) []card.Point {
	from, to := card.SectorAngle(i), card.SectorAngle(i+n)
	steps := n * 360 / card.Sectors
	var ps []card.Point
	arc := func(r float64, k int) {
		s, c := math.Sincos(from + (to-from)*float64(k)/float64(steps))
		ps = append(ps, card.Point{X: m.X + r*c, Y: m.Y + r*s})
	}
	for k := 0; k <= steps; k++ {
		arc(card.CodeOutR, k)
	}
	for k := steps; k >= 0; k-- {
		arc(card.CodeInR, k)
	}
	return ps
}

//go:embed card.svg.tmpl
var svgText string

var svgPage = template.Must(template.New("card").Funcs(template.FuncMap{
	"mm":     mm,
	"points": points,
	"colour": func(g byte) string { return fmt.Sprintf("#%02x%02x%02x", g, g, g) },
}).Parse(svgText))

// mm formats a length to a tenth of a micrometre.
func mm(v float64) string { return strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64) }

func points(ps []card.Point) string {
	var b []byte
	for i, p := range ps {
		if i > 0 {
			b = append(b, ' ')
		}
		b = append(b, mm(p.X)+","+mm(p.Y)...)
	}
	return string(b)
}

// svg writes the page as SVG 1.1 whose user unit is one millimetre.
func (p page) svg(w io.Writer) error { return svgPage.Execute(w, p) }

// pdf writes the page as PDF. The file asks viewers not to scale it when
// printing (ISO 32000-1:2008, table 150, PrintScaling).
func (p page) pdf(w io.Writer) error {
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: p.Paper.W, Ht: p.Paper.H}})
	f.SetCatalogSort(true)
	epoch := time.Unix(0, 0).UTC()
	f.SetCreationDate(epoch)
	f.SetModificationDate(epoch)
	f.SetProducer("traytally", false)
	f.SetTitle(p.Title(), true)
	f.SetMargins(0, 0, 0)
	f.SetAutoPageBreak(false, 0)
	f.AddPage()
	toLatin := f.UnicodeTranslatorFromDescriptor("")
	for _, s := range p.Shapes() {
		g := int(s.Grey)
		f.SetFillColor(g, g, g)
		f.SetDrawColor(g, g, g)
		f.SetTextColor(g, g, g)
		switch {
		case s.R > 0:
			f.Circle(s.X, s.Y, s.R, "F")
		case s.Text != "":
			t := toLatin(s.Text)
			f.SetFont("Helvetica", "", s.Size*72/25.4)
			f.Text(s.X-f.GetStringWidth(t)/2, s.Y, t)
		case s.Line > 0:
			f.SetLineWidth(s.Line)
			if s.Dash > 0 {
				f.SetDashPattern([]float64{s.Dash, s.Dash}, 0)
			} else {
				f.SetDashPattern(nil, 0)
			}
			for i := 1; i < len(s.Poly); i++ {
				f.Line(s.Poly[i-1].X, s.Poly[i-1].Y, s.Poly[i].X, s.Poly[i].Y)
			}
		default:
			ps := make([]fpdf.PointType, len(s.Poly))
			for i, p := range s.Poly {
				ps[i] = fpdf.PointType{X: p.X, Y: p.Y}
			}
			f.Polygon(ps, "F")
		}
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		return err
	}
	data, err := unscaled(b.Bytes())
	if err != nil {
		return err
	}
	_, err = w.Write(data)
	return err
}

// unscaled adds the viewer preference to the catalogue, which fpdf writes as
// the last object, so that only the place of the cross-reference table moves.
func unscaled(pdf []byte) ([]byte, error) {
	const catalogue, add = "/Type /Catalog\n", "/ViewerPreferences << /PrintScaling /None >>\n"
	at := bytes.LastIndex(pdf, []byte(catalogue)) + len(catalogue)
	table, end := bytes.LastIndex(pdf, []byte("\nxref\n"))+1, bytes.LastIndex(pdf, []byte("startxref\n"))
	if at < len(catalogue) || table < at || end < table {
		return nil, fmt.Errorf("the PDF has no catalogue before its table of objects at its end")
	}
	out := slices.Concat(pdf[:at], []byte(add), pdf[at:end])
	return fmt.Appendf(out, "startxref\n%d\n%%%%EOF\n", table+len(add)), nil
}
