// Package print writes the tray card as a file to be printed at exact size:
// PDF or SVG.
package print

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"math"
	"strconv"
	"text/template"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"traytally/vision/internal/card"
)

// Options says how a card is printed.
type Options struct {
	Layout *card.Layout
	Paper  card.Paper
	// OpenField leaves the field white, with an outline, for dark paper to be
	// laid in; else it is printed black.
	OpenField bool
	Title     string // of the document; may be empty
}

// A shape is one thing to print, in mm on the sheet. Exactly one of R, Poly
// and Text is set; Line strokes Poly instead of filling it.
type shape struct {
	Grey   byte
	X, Y   float64 // centre of a circle, start of a text's base line
	R      float64
	Poly   []card.Point
	Line   float64 // width of the stroke; 0 fills
	Text   string
	Size   float64 // of the text, mm
	Middle bool    // X is the middle of the text
	Dash   float64 // length of dashes; 0 is a full line
}

// Black and white of a print.
const (
	black = 0
	white = 255
)

// Instruction lines, one to a card.
const (
	trayLine  = "Print at 100 %, check that the line is 150.0 mm long, lay rice one layer deep in the field, photograph the whole card from above."
	stripLine = "Print at 100 %, check that the line is 150.0 mm long, cut out, lay flat beside the rice on the tray, photograph both from above."
)

// shapes lists what is on the sheet, in the order of painting.
func (o Options) shapes() []shape {
	l := o.Layout
	dx, dy := o.origin()
	at := func(p card.Point) card.Point { return card.Point{X: p.X + dx, Y: p.Y + dy} }
	var out []shape
	disc := func(p card.Point, r float64, grey byte) {
		p = at(p)
		out = append(out, shape{Grey: grey, X: p.X, Y: p.Y, R: r})
	}
	poly := func(grey byte, ps ...card.Point) {
		for i := range ps {
			ps[i] = at(ps[i])
		}
		out = append(out, shape{Grey: grey, Poly: ps})
	}
	line := func(grey byte, width, dash float64, ps ...card.Point) {
		poly(grey, ps...)
		out[len(out)-1].Line, out[len(out)-1].Dash = width, dash
	}
	text := func(grey byte, size float64, middle bool, p card.Point, s string) {
		p = at(p)
		out = append(out, shape{Grey: grey, X: p.X, Y: p.Y, Text: s, Size: size, Middle: middle})
	}

	for i, m := range l.Marks {
		for s := range card.Sectors { // neighbouring black sectors in one piece
			if !card.Black(l.ID, i, s) || card.Black(l.ID, i, (s+card.Sectors-1)%card.Sectors) {
				continue
			}
			n := 1
			for card.Black(l.ID, i, (s+n)%card.Sectors) {
				n++
			}
			poly(black, sectors(m, s, n)...)
		}
		disc(m, card.RingOutR, black)
		disc(m, card.RingInR, white)
		disc(m, card.DiscR, black)
	}
	for _, d := range l.Dots {
		disc(d, card.DotR, black)
	}
	for _, p := range l.Patches {
		c := p.Corners()
		poly(p.Grey, c[:]...)
	}
	if l.HasField() {
		c := l.Field.Corners()
		if o.OpenField {
			line(150, 0.2, 2, c[0], c[1], c[2], c[3], c[0])
			mid := l.Field.Middle()
			text(150, 4, true, mid, fmt.Sprintf("lay matt dark paper of %.0f × %.0f mm here", l.Field.W(), l.Field.H()))
		} else {
			poly(black, c[:]...)
		}
	} else {
		line(150, 0.1, 2, card.Point{}, card.Point{X: l.W}, card.Point{X: l.W, Y: l.H}, card.Point{Y: l.H}, card.Point{})
	}

	a, b := l.Ruler[0], l.Ruler[1]
	line(black, 0.15, 0, a, b)
	for i := 0; i <= int(math.Round(b.X-a.X)); i += 5 {
		n := 1.2
		switch {
		case i%50 == 0:
			n = 2.4
		case i%10 == 0:
			n = 1.8
		}
		p := card.Point{X: a.X + float64(i), Y: a.Y}
		line(black, 0.15, 0, p, card.Point{X: p.X, Y: p.Y + n})
	}
	text(black, 2.1, true, card.Point{X: (a.X + b.X) / 2, Y: a.Y + 5}, "150.0 mm between the end strokes")
	say := trayLine
	if !l.HasField() {
		say = stripLine
	}
	text(black, 2.15, true, card.Point{X: l.W / 2, Y: l.H - 2.4}, say)
	return out
}

// origin returns where the card's corner lies on the sheet: the card is in the
// middle, or at the top where it is to be cut out.
func (o Options) origin() (x, y float64) {
	x = (o.Paper.W - o.Layout.W) / 2
	if o.Layout.HasField() {
		return x, (o.Paper.H - o.Layout.H) / 2
	}
	return x, 15
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

var svg = template.Must(template.New("card").Funcs(template.FuncMap{
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

// SVG writes the sheet as SVG 1.1 whose user unit is one millimetre.
func SVG(w io.Writer, o Options) error {
	return svg.Execute(w, struct {
		Options
		Shapes []shape
	}{o, o.shapes()})
}

// PDF writes the sheet as PDF. Same options, same bytes. The file asks viewers
// not to scale it when printing (ISO 32000-1:2008, table 150, PrintScaling).
func PDF(w io.Writer, o Options) error {
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: o.Paper.W, Ht: o.Paper.H}})
	f.SetCatalogSort(true)
	epoch := time.Unix(0, 0).UTC()
	f.SetCreationDate(epoch)
	f.SetModificationDate(epoch)
	f.SetProducer("traytally", false)
	f.SetTitle(o.Title, true)
	f.SetMargins(0, 0, 0)
	f.SetAutoPageBreak(false, 0)
	f.AddPage()
	toLatin := f.UnicodeTranslatorFromDescriptor("")
	for _, s := range o.shapes() {
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
			x := s.X
			if s.Middle {
				x -= f.GetStringWidth(t) / 2
			}
			f.Text(x, s.Y, t)
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
	const catalogue, start, add = "/Type /Catalog\n", "startxref\n", "/ViewerPreferences << /PrintScaling /None >>\n"
	i, j := bytes.LastIndex(pdf, []byte(catalogue)), bytes.LastIndex(pdf, []byte(start))
	if i < 0 || j < i {
		return nil, fmt.Errorf("the PDF has no catalogue at its end")
	}
	i += len(catalogue)
	number, tail, ok := bytes.Cut(pdf[j+len(start):], []byte("\n"))
	at, err := strconv.Atoi(string(number))
	if !ok || err != nil || at < i {
		return nil, fmt.Errorf("the PDF does not say where its table of objects is")
	}
	out := make([]byte, 0, len(pdf)+len(add)+2)
	out = append(out, pdf[:i]...)
	out = append(out, add...)
	out = append(out, pdf[i:j+len(start)]...)
	out = strconv.AppendInt(out, int64(at+len(add)), 10)
	out = append(out, '\n')
	return append(out, tail...), nil
}
