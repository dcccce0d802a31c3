package report

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"github.com/disintegration/imaging"
	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"

	"traytally/grading/chart"
	"traytally/vision/kernel"
)

// Measures of the page, mm.
const (
	margin = 14.0
	pageW  = 210.0
	pageH  = 297.0
	textW  = pageW - 2*margin
	bottom = 18.0
	gap    = 2.0 // between cells side by side
	indent = 5.0 // of a text behind its swatch

	swatchW, swatchH = 3.4, 2.2
)

// leading is the height of a line over the size of its letters.
const leading = 1.32

// letterForms tells which letters the font of PDF and PNG prints as they should
// stand, and notes those that it lacks.
type letterForms struct {
	font    *sfnt.Font
	buf     sfnt.Buffer
	lacking map[rune]bool
}

// A LettersError says which letters the font of PDF and PNG lacks.
type LettersError struct{ Letters string } // each once, in order

func (e *LettersError) Error() string {
	return "the built-in font lacks letters: " + Few(e.Letters)
}

// Few names the first of some letters.
func Few(letters string) string {
	const most = 12
	if r := []rune(letters); len(r) > most {
		return string(r[:most]) + " …"
	}
	return letters
}

var pdfFont = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(liberationsansregular.TTF) })

func newLetterForms() (*letterForms, error) {
	font, err := pdfFont()
	return &letterForms{font: font, lacking: map[rune]bool{}}, err
}

// lacks returns the letters that were lacking as an error.
func (l *letterForms) lacks() error {
	if len(l.lacking) == 0 {
		return nil
	}
	return &LettersError{string(slices.Sorted(maps.Keys(l.lacking)))}
}

// plain returns s as the font prints it; a letter that it lacks is noted.
func (l *letterForms) plain(s string) string {
	var b strings.Builder
	for _, r := range norm.NFC.String(s) {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case unicode.Is(unicode.Cf, r): // it has no form of its own
		case l.has(r):
			b.WriteRune(r)
		default:
			l.lacking[r] = true
		}
	}
	return b.String()
}

// has reports whether the font prints a letter as it should stand: none that
// runs from right to left, and no mark by itself.
func (l *letterForms) has(r rune) bool {
	if r > 0xffff || unicode.Is(unicode.M, r) { // fpdf embeds the basic plane only
		return false
	}
	if c, _ := bidi.LookupRune(r); c.Class() == bidi.R || c.Class() == bidi.AL {
		return false
	}
	g, err := l.font.GlyphIndex(&l.buf, r)
	return err == nil && g != 0
}

// A pdfPage lays out a document.
type pdfPage struct {
	*fpdf.Fpdf
	*letterForms
	widths map[int]bool // of the pictures in it, px
	photos map[int]placed
}

// newPDF begins a document on paper of a size, in mm, made at a time.
func newPDF(size fpdf.SizeType, at time.Time) (*pdfPage, error) {
	forms, err := newLetterForms()
	if err != nil {
		return nil, err
	}
	p := &pdfPage{fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: size}), forms, map[int]bool{}, map[int]placed{}}
	p.SetCatalogSort(true)
	p.SetCreationDate(at)
	p.SetModificationDate(at)
	p.SetProducer("traytally", true)
	p.SetAutoPageBreak(false, 0)
	p.SetCellMargin(0)
	p.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	return p, nil
}

// document returns the finished document. The error is a *LettersError where the
// font lacks letters.
func (p *pdfPage) document() ([]byte, error) {
	var b bytes.Buffer
	if err := p.Output(&b); err != nil {
		return nil, fmt.Errorf("PDF: %w", err)
	}
	return b.Bytes(), p.lacks()
}

// A run is a text in one style, on as many lines as it takes.
type run struct {
	text   string
	size   float64 // points
	bold   bool
	colour chart.Colour
}

// A cell holds runs, one below the other.
type cell struct {
	runs   []run
	right  bool          // set to the right
	low    bool          // and at the foot of its row
	swatch *chart.Colour // before it
}

// said is a cell of one ordinary run.
func said(text string, size float64, c chart.Colour) cell {
	return cell{runs: []run{{text, size, false, c}}}
}

func (p *pdfPage) style(size float64, bold bool, c chart.Colour) {
	s := ""
	if bold {
		s = "B"
	}
	p.SetFont("sans", s, size)
	p.SetTextColor(c.RGB())
}

func (r *run) high() float64 { return r.size * chart.MMPerPt * leading }

// lines breaks a run into lines of at most w mm and chooses its style.
func (p *pdfPage) lines(r *run, w float64) []string {
	p.style(r.size, r.bold, r.colour)
	return p.SplitText(strings.Join(strings.Fields(p.plain(r.text)), " "), w)
}

// fit returns a run no smaller than least that takes one line of w mm, if it can.
func (p *pdfPage) fit(r run, w, least float64) run {
	for p.style(r.size, r.bold, r.colour); r.size > least && p.GetStringWidth(p.plain(r.text)) > w; p.style(r.size, r.bold, r.colour) {
		r.size -= 0.5
	}
	return r
}

// high is how high a cell w mm wide stands.
func (p *pdfPage) high(c cell, w float64) (h float64) {
	if c.swatch != nil {
		w -= indent
	}
	for i := range c.runs {
		h += c.runs[i].high() * float64(len(p.lines(&c.runs[i], w)))
	}
	return h
}

// set writes a cell w mm wide from x, y on.
func (p *pdfPage) set(c cell, x, y, w float64) {
	if c.swatch != nil {
		p.box(x, y+0.6, swatchW, swatchH, *c.swatch)
		x, w = x+indent, w-indent
	}
	align := "L"
	if c.right {
		align = "R"
	}
	for i := range c.runs {
		for _, text := range p.lines(&c.runs[i], w) {
			p.SetXY(x, y)
			p.CellFormat(w, c.runs[i].high(), text, "", 0, align, false, 0, "")
			y += c.runs[i].high()
		}
	}
}

// inner is what text has in the i-th of columns: all but the last keep a gap.
func inner(widths []float64, i int) float64 {
	if i == len(widths)-1 {
		return widths[i]
	}
	return widths[i] - gap
}

// highest is how high a row of cells stands.
func (p *pdfPage) highest(widths []float64, cells []cell) (h float64) {
	for i, c := range cells {
		h = max(h, p.high(c, inner(widths, i)))
	}
	return h
}

// row sets cells side by side, on a new page where they do not fit, and goes
// below them.
func (p *pdfPage) row(widths []float64, cells ...cell) {
	h := p.highest(widths, cells)
	p.room(h)
	x, y := margin, p.GetY()
	for i, c := range cells {
		down := 0.0
		if c.low {
			down = h - p.high(c, inner(widths, i))
		}
		p.set(c, x, y+down, inner(widths, i))
		x += widths[i]
	}
	p.SetXY(margin, y+h)
}

// table draws rows below a head, which stands on each page; right tells which
// columns are set to the right, tint which rows are set off.
func (p *pdfPage) table(names []string, widths []float64, right []bool, rows [][]cell, tint []bool) {
	wide := 0.0
	head := make([]cell, len(names))
	for i, name := range names {
		head[i] = cell{runs: []run{{name, 7.5, true, pale}}, right: right[i], low: true}
		wide += widths[i]
	}
	drawHead := func() {
		p.Ln(0.7)
		p.row(widths, head...)
		p.across(wide, 0.9, ink, 0.25)
		p.Ln(0.4)
	}
	p.room(14)
	drawHead()
	for r, row := range rows {
		for i := range row {
			row[i].right = right[i]
		}
		h := p.highest(widths, row)
		if p.room(h + 1.4) {
			drawHead()
		}
		if tint != nil && tint[r] {
			p.box(margin, p.GetY()-0.2, wide, h+1.2, 0xfbf1ea)
		}
		p.Ln(0.3)
		p.row(widths, row...)
		p.across(wide, 0.6, rule, 0.15)
		p.Ln(0.4)
	}
}

// across draws a line w mm long, so many mm below the present place, and goes
// there.
func (p *pdfPage) across(w, below float64, c chart.Colour, width float64) {
	y := p.GetY() + below
	p.pen(c, width)
	p.Line(margin, y, margin+w, y)
	p.SetXY(margin, y)
}

// room begins a new page where less than h is left, and reports whether it did.
func (p *pdfPage) room(h float64) bool {
	full := p.GetY()+h > pageH-bottom+0.01 // heights are summed up in other orders
	if full {
		p.AddPage()
	}
	return full
}

func (p *pdfPage) section(title string, least float64) {
	p.room(10 + least)
	p.Ln(4)
	p.row([]float64{textW}, cell{runs: []run{{title, 10.5, true, ink}}})
	p.across(textW, 0.5, ink, 0.3)
	p.Ln(1.4)
}

// para writes a text that may go over several pages.
func (p *pdfPage) para(text string, size float64, c chart.Colour) {
	r := run{text, size, false, c}
	for _, line := range p.lines(&r, textW) {
		p.row([]float64{textW}, said(line, size, c))
	}
	p.Ln(0.8)
}

// key writes what colours stand for, side by side: round dots or swatches.
func (p *pdfPage) key(items []legendItem, round bool) {
	const high = 4.2
	x, y := margin, p.GetY()
	for _, it := range items {
		p.style(7.5, false, ink)
		text := p.plain(it.Name)
		w := p.GetStringWidth(text) + 2*indent
		if x+w > margin+textW {
			x, y = margin, y+high
		}
		if round {
			p.fill(it.Colour)
			p.Circle(x+1.7, y+2, 1.1, "F")
		} else {
			p.box(x, y+0.9, swatchW, swatchH, it.Colour)
		}
		p.SetXY(x+4, y)
		p.CellFormat(w, high, text, "", 0, "L", false, 0, "")
		x += w
	}
	p.SetXY(margin, y+high+1)
}

// pen chooses how lines are drawn, fill what areas are filled with.
func (p *pdfPage) pen(c chart.Colour, width float64) {
	p.SetDrawColor(c.RGB())
	p.SetLineWidth(width)
}

func (p *pdfPage) fill(c chart.Colour) { p.SetFillColor(c.RGB()) }

func (p *pdfPage) box(x, y, w, h float64, c chart.Colour) {
	p.fill(c)
	p.Rect(x, y, w, h, "F")
}

// A placed is a picture registered in the document.
type placed struct {
	name string
	wide float64 // its width over that of the picture shown
}

// register takes up a picture. fpdf v0.12.0 writes pictures in the order of
// their widths, and those of one width in the order of a map: so that the same
// input gives the same bytes, a picture whose width is taken is widened by
// black columns, which are clipped when it is shown.
func (p *pdfPage) register(s still) (placed, error) {
	size := s.img.Bounds().Size()
	wide := size.X
	for p.widths[wide] {
		wide++
	}
	p.widths[wide] = true
	if wide > size.X {
		var err error
		if s, err = stillOf(imaging.Paste(imaging.New(wide, size.Y, color.Black), s.img, image.Point{}), s.quality); err != nil {
			return placed{}, err
		}
	}
	name := "picture" + strconv.Itoa(wide)
	p.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(s.jpeg))
	return placed{name, float64(wide) / float64(size.X)}, nil
}

// show draws a picture w × h mm large at x, y. What it was widened by is for the
// caller to clip.
func (p *pdfPage) show(pic placed, x, y, w, h float64) {
	p.ImageOptions(pic.name, x, y, w*pic.wide, h, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
}

func (p *pdfPage) polygon(pts []kernel.Point, x, y, scale float64) {
	if len(pts) < 3 {
		return
	}
	out := make([]fpdf.PointType, len(pts))
	for i, q := range pts {
		out[i] = fpdf.PointType{X: x + (q.X+0.5)*scale, Y: y + (q.Y+0.5)*scale}
	}
	p.Polygon(out, "D")
}

// pdfCanvas is a Canvas on a page from the corner x, y.
type pdfCanvas struct {
	p    *pdfPage
	x, y float64
}

func (c *pdfCanvas) Line(x1, y1, x2, y2, width float64, col chart.Colour, dash float64) {
	c.p.pen(col, width)
	if dash > 0 {
		c.p.SetDashPattern([]float64{dash, dash}, 0)
		defer c.p.SetDashPattern(nil, 0)
	}
	c.p.Line(c.x+x1, c.y+y1, c.x+x2, c.y+y2)
}

func (c *pdfCanvas) Rect(x, y, w, h float64, fill chart.Colour) {
	c.p.box(c.x+x, c.y+y, max(0, w), max(0, h), fill)
}

func (c *pdfCanvas) Circle(x, y, r float64, fill chart.Colour, stroke *chart.Colour) {
	c.p.fill(fill)
	how := "F"
	if stroke != nil {
		how = "FD"
		c.p.pen(*stroke, 0.2)
	}
	c.p.Circle(c.x+x, c.y+y, r, how)
}

func (c *pdfCanvas) Text(x, y float64, s string, at int, size float64, bold bool, col chart.Colour) {
	s = c.p.plain(s)
	c.p.style(size, bold, col)
	w := c.p.GetStringWidth(s)
	c.p.Fpdf.Text(c.x+x-w*float64(at+1)/2, c.y+y, s)
}
