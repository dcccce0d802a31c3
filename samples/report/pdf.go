package report

import (
	"bytes"
	"fmt"
	"image"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/vision/kernel"
)

// Measures of the page, mm.
const (
	margin    = 14.0
	pageW     = 210.0
	pageH     = 297.0
	textW     = pageW - 2*margin
	bottom    = 18.0
	lineFront = 4.1 // height of a line of ordinary text
)

// A pdfPage lays out the report.
type pdfPage struct {
	*fpdf.Fpdf
	font    *sfnt.Font
	buf     sfnt.Buffer
	lacking map[rune]bool // letters that the font does not have
	// widths are those of the pictures in it, px; photos those of the trays.
	widths map[int]bool
	photos map[int]placed
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

// PDF writes the report as a PDF: what HTML prints, without the table of
// kernels.
//
// Its font, Liberation Sans, has Latin with Vietnamese, Greek and Cyrillic. Where
// the report holds other letters, nothing is written and the error is a
// *LettersError: a browser can then print the HTML.
func PDF(w io.Writer, in Input) error {
	v, err := newView(in)
	if err != nil {
		return err
	}
	font, err := pdfFont()
	if err != nil {
		return err
	}
	p := &pdfPage{Fpdf: fpdf.New("P", "mm", "A4", ""), font: font, lacking: map[rune]bool{}, widths: map[int]bool{}, photos: map[int]placed{}}
	p.SetCatalogSort(true)
	p.SetCreationDate(v.rec.Registered)
	p.SetModificationDate(v.rec.Registered)
	p.SetProducer("traytally", true)
	p.SetTitle(strings.TrimSpace(v.Code+" "+v.Title), true)
	p.SetLang(v.Tag())
	p.SetMargins(margin, margin, margin)
	p.SetAutoPageBreak(false, bottom)
	p.SetCellMargin(0)
	p.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	p.AliasNbPages("{pages}")
	p.SetFooterFunc(func() {
		p.SetY(-11)
		p.style(7, false, pale)
		p.CellFormat(textW/2, 4, p.plain(strings.TrimSpace(v.Code+" "+v.Revision)), "", 0, "L", false, 0, "")
		p.CellFormat(textW/2, 4, p.plain(v.T("page %s of %s", strconv.Itoa(p.PageNo()), "{pages}")), "", 0, "R", false, 0, "")
	})
	p.AddPage()
	if err := p.first(v); err != nil {
		return err
	}
	if !in.Short {
		p.AddPage()
		if err := p.long(v); err != nil {
			return err
		}
	}
	var out bytes.Buffer
	if err := p.Output(&out); err != nil {
		return fmt.Errorf("report as PDF: %w", err)
	}
	if err := p.lacks(); err != nil {
		return err
	}
	return Seal(w, out.Bytes(), in)
}

// first lays out the page to sign. The picture takes what height is left.
func (p *pdfPage) first(v *view) error {
	f := &v.First
	p.head(v)
	p.verdict(v)
	p.facts(v, f.Facts)
	p.limits(v, f.Limits, f.Key, f.Unlisted)
	const labelW, lh, signH = 34.0, 3.4, 21.0
	type line struct {
		label string
		lines []string
	}
	var foot []line
	p.style(7.5, false, ink)
	n := 0
	for _, r := range f.Notes {
		l := line{r.Label, p.split(r.Text, textW-labelW)}
		foot, n = append(foot, l), n+len(l.lines)
	}
	seal := p.split(f.Seal, textW)
	end := pageH - bottom - signH - lh*float64(len(seal))
	at := end - lh*float64(n) - 1
	if err := p.middle(v, at-2); err != nil {
		return err
	}
	for _, l := range foot {
		p.style(7.5, false, pale)
		p.put(margin, at, labelW-2, lh, p.plain(l.label), "L")
		for _, text := range l.lines {
			p.style(7.5, false, ink)
			p.put(margin+labelW, at, textW-labelW, lh, text, "L")
			at += lh
		}
	}
	p.SetXY(margin, end)
	p.sign(v.Signers)
	p.style(7, false, pale)
	for i, l := range seal {
		p.put(margin, end+signH+lh*float64(i), textW, lh, l, "L")
	}
	return nil
}

// middle lays out the shares and, beside them, the trays with the outlines, down
// to end.
func (p *pdfPage) middle(v *view, end float64) error {
	const left, gap = 104.0, 5.0
	p.section(v.T("Shares"), 0)
	top := p.GetY()
	p.table([]string{"", v.T("Kernels"), v.T("By mass"), v.T("95 %% interval")}, []float64{46, 16, 17, 25}, []bool{false, true, true, true}, p.shareRows(v.First.Shares, 4), nil)
	n := len(v.in.Trays)
	columns := int(math.Ceil(math.Sqrt(float64(n))))
	rows := (n + columns - 1) / columns
	w, h := (textW-left-gap)/float64(columns), (end-top)/float64(rows)
	for i := range v.in.Trays {
		t := &v.in.Trays[i]
		scale := min((w-0.5)/float64(t.WidthPx), (h-0.5)/float64(t.HeightPx))
		if scale <= 0 {
			continue
		}
		x, y := margin+left+gap+float64(i%columns)*w, top+float64(i/columns)*h
		if err := p.tray(v, i, x, y, scale); err != nil {
			return err
		}
	}
	return nil
}

// tray draws a tray with the outlines of its kernels, at so many mm per px.
func (p *pdfPage) tray(v *view, i int, x, y, scale float64) error {
	t := &v.in.Trays[i]
	w, h := float64(t.WidthPx)*scale, float64(t.HeightPx)*scale
	if v.in.Photos[i].Image == nil {
		p.fill(darkBG)
		p.Rect(x, y, w, h, "F")
	} else {
		if _, there := p.photos[i]; !there {
			pic, err := p.register(reduced(v.in.Photos[i].Image), overlayQuality)
			if err != nil {
				return err
			}
			p.photos[i] = pic
		}
		p.show(p.photos[i], x, y, w, h, 0, 0, w, h)
	}
	kw := usualWidth(t)
	rows := v.rows(i)
	p.ClipRect(x, y, w, h, false)
	defer p.ClipEnd()
	for _, head := range [...]bool{true, false} { // brokens on top
		for j := range rows {
			if (rows[j].Class == grading.Head) != head {
				continue
			}
			l := lookOf(rows[j].Class)
			p.pen(l.colour, max(0.12, kw*l.width*scale))
			p.polygon(t.Kernels[j].Outline, x, y, scale)
		}
	}
	p.pen(chart.White, 0.2)
	for _, c := range t.Unresolved {
		p.Rect(x+float64(c.MinX)*scale, y+float64(c.MinY)*scale, float64(c.MaxX-c.MinX)*scale, float64(c.MaxY-c.MinY)*scale, "D")
	}
	return nil
}

// long lays out what follows the page to sign.
func (p *pdfPage) long(v *view) error {
	if v.First.Cut {
		p.facts(v, v.Facts)
	}
	p.limits(v, v.Limits, v.Key, v.Unlisted)
	p.shares(v)
	p.bullets(v.T("Doubts about the pictures and the sample"), v.Doubts)
	if err := p.trays(v); err != nil {
		return err
	}
	p.chart(v.T("Lengths"), 62, func(c chart.Canvas) { v.drawHistogram(c, textW, 62) })
	if v.hasColour() {
		p.chart(v.T("Colours"), 58, func(c chart.Canvas) { v.drawColour(c, textW, 58) })
		p.colourKey(v)
	} else {
		p.section(v.T("Colours"), lineFront)
		p.para(v.T("Not assessed: no colour was measured on these pictures."), 8.5, ink)
	}
	if err := p.gallery(v); err != nil {
		return err
	}
	p.missing(v)
	p.section(v.T("Caution"), 30)
	for _, c := range v.Caution {
		p.para(c, 8.5, ink)
	}
	p.section(v.T("Where it comes from"), 12)
	for _, o := range append(v.Origin[:len(v.Origin):len(v.Origin)], v.History...) {
		p.row(o.Label, o.Text)
	}
	return nil
}

// lacks returns the letters that were lacking as an error.
func (p *pdfPage) lacks() error {
	if len(p.lacking) == 0 {
		return nil
	}
	return &LettersError{string(slices.Sorted(maps.Keys(p.lacking)))}
}

// plain returns s as the font prints it; a letter that it lacks is noted.
func (p *pdfPage) plain(s string) string {
	var b strings.Builder
	for _, r := range norm.NFC.String(s) {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case unicode.Is(unicode.Cf, r): // it has no form of its own
		case p.hasGlyph(r):
			b.WriteRune(r)
		default:
			p.lacking[r] = true
		}
	}
	return b.String()
}

// hasGlyph reports whether the font prints a letter as it should stand: none that
// runs from right to left, and no mark by itself.
func (p *pdfPage) hasGlyph(r rune) bool {
	if r > 0xffff || unicode.Is(unicode.M, r) { // fpdf embeds the basic plane only
		return false
	}
	if c, _ := bidi.LookupRune(r); c.Class() == bidi.R || c.Class() == bidi.AL {
		return false
	}
	g, err := p.font.GlyphIndex(&p.buf, r)
	return err == nil && g != 0
}

func (p *pdfPage) style(size float64, bold bool, c chart.Colour) {
	s := ""
	if bold {
		s = "B"
	}
	p.SetFont("sans", s, size)
	p.SetTextColor(c.RGB())
}

// fit chooses a style in which a text is no wider than w, and returns it as the
// font prints it.
func (p *pdfPage) fit(text string, w, size float64, bold bool, c chart.Colour) string {
	text = p.plain(text)
	for p.style(size, bold, c); size > 5 && p.GetStringWidth(text) > w; p.style(size, bold, c) {
		size -= 0.5
	}
	return text
}

// pen chooses how lines are drawn, fill what areas are filled with.
func (p *pdfPage) pen(c chart.Colour, width float64) {
	p.SetDrawColor(c.RGB())
	p.SetLineWidth(width)
}

func (p *pdfPage) fill(c chart.Colour) { p.SetFillColor(c.RGB()) }

// put writes one line in a box that begins at x, y.
func (p *pdfPage) put(x, y, w, h float64, s, align string) {
	p.SetXY(x, y)
	p.CellFormat(w, h, s, "", 0, align, false, 0, "")
}

// room begins a new page where less than h is left.
func (p *pdfPage) room(h float64) {
	if p.GetY()+h > pageH-bottom {
		p.AddPage()
	}
}

func (p *pdfPage) section(title string, least float64) {
	p.room(10 + least)
	p.Ln(4)
	p.style(10.5, true, ink)
	p.CellFormat(textW, 5, p.plain(title), "", 1, "L", false, 0, "")
	p.pen(ink, 0.3)
	p.Line(margin, p.GetY()+0.4, margin+textW, p.GetY()+0.4)
	p.Ln(1.8)
}

// split breaks text into lines of at most w mm in the present font.
func (p *pdfPage) split(text string, w float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(p.plain(text)) {
		for {
			next := word
			if line != "" {
				next = line + " " + word
			}
			if p.GetStringWidth(next) <= w {
				line = next
				break
			}
			if line != "" {
				lines, line = append(lines, line), ""
				continue
			}
			// One word alone is too wide: break it.
			runes := []rune(word)
			n := len(runes) - 1
			for n > 1 && p.GetStringWidth(string(runes[:n])) > w {
				n--
			}
			n = max(n, 1)
			lines, word = append(lines, string(runes[:n])), string(runes[n:])
			if word == "" {
				break
			}
		}
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

func (p *pdfPage) para(text string, size float64, c chart.Colour) {
	p.style(size, false, c)
	h := size * chart.MMPerPt * 1.38
	for _, l := range p.split(text, textW) {
		p.room(h)
		p.CellFormat(textW, h, l, "", 1, "L", false, 0, "")
	}
	p.Ln(0.8)
}

func (p *pdfPage) bullets(title string, items []string) {
	if len(items) == 0 {
		return
	}
	p.section(title, lineFront)
	for _, t := range items {
		p.para("• "+t, 8.5, ink)
	}
}

func (p *pdfPage) row(label, text string) {
	const labelW = 34.0
	p.style(7.5, false, pale)
	labels := p.split(label, labelW-2)
	texts := p.split(text, textW-labelW)
	n := max(len(labels), len(texts))
	const h = 3.6
	p.room(h * float64(n))
	for i := range n {
		y := p.GetY()
		if i < len(labels) {
			p.style(7.5, false, pale)
			p.put(margin, y, labelW, h, labels[i], "L")
		}
		if i < len(texts) {
			p.style(7.5, false, ink)
			p.put(margin+labelW, y, textW-labelW, h, texts[i], "L")
		}
		p.SetXY(margin, y+h)
	}
}

func (p *pdfPage) head(v *view) {
	p.style(7.5, false, pale)
	p.CellFormat(textW/2, 4, p.plain(v.T("Sample report")), "", 0, "L", false, 0, "")
	p.CellFormat(textW/2, 4, p.plain(v.T("Sample, %s", v.Revision)), "", 1, "R", false, 0, "")
	title := p.fit(v.Title, textW*0.58, 15, true, ink)
	p.CellFormat(textW*0.6, 7, title, "", 0, "L", false, 0, "")
	p.style(15, true, ink)
	code := v.Code
	if code == "" {
		code = v.T("not registered")
	}
	// A long code becomes smaller, and then takes several lines.
	const room, least = textW * 0.4, 8.0
	code = p.plain(code)
	size := 15.0
	for p.GetStringWidth(code) > room && size > least {
		size--
		p.style(size, true, ink)
	}
	line := ""
	for _, r := range code {
		if line != "" && p.GetStringWidth(line+string(r)) > room {
			p.CellFormat(room, 4, line, "", 2, "R", false, 0, "")
			line = ""
		}
		line += string(r)
	}
	p.CellFormat(room, 7-(15-size)*0.4, line, "", 1, "R", false, 0, "")
	if note := v.Note(); note != "" {
		p.style(7, false, pale)
		p.CellFormat(textW, 3.4, p.plain(note), "", 1, "L", false, 0, "")
	}
	p.pen(ink, 0.7)
	p.Line(margin, p.GetY()+1, margin+textW, p.GetY()+1)
	p.Ln(4)
}

func (p *pdfPage) verdict(v *view) {
	const left, pad = 62.0, 4.0
	right := textW - left - 2*pad
	top := p.GetY()
	// What stands on the right decides the height: measure, then draw.
	type line struct {
		text string
		size float64
		bold bool
		c    chart.Colour
	}
	var lines []line
	put := func(text string, size float64, bold bool, c chart.Colour) {
		if text == "" {
			return
		}
		p.style(size, bold, c)
		for _, l := range p.split(text, right) {
			lines = append(lines, line{l, size, bold, c})
		}
	}
	put(v.Under, 7.5, false, pale)
	put(v.Outcome, 15, true, ink)
	for _, b := range v.First.Because {
		put(b, 9, false, ink)
	}
	put(v.Standing, 8.5, false, pale)
	put(v.T(noGrade), 8.5, false, pale)
	h := 0.0
	for _, l := range lines {
		h += l.size * chart.MMPerPt * 1.42
	}
	h = max(h, 30) + 2*pad + 18
	p.fill(ground)
	p.Rect(margin, top, textW, h, "F")
	y := top + pad
	for _, l := range lines {
		lh := l.size * chart.MMPerPt * 1.42
		p.style(l.size, l.bold, l.c)
		p.put(margin+left+pad, y, right, lh, l.text, "L")
		y += lh
	}
	p.pen(rule, 0.3)
	p.Line(margin+left, top+pad, margin+left, top+h-18-pad)
	p.SetXY(margin+pad, top+pad)
	for _, l := range []struct {
		text    string
		size, h float64
		bold    bool
		c       chart.Colour
	}{
		{v.Broken, 30, 11, true, ink}, {v.T("broken, by mass"), 10, 6, false, ink},
		{v.T("95 %% interval %s", v.Interval), 9, 4.6, true, ink}, {v.ByCount, 8.5, 4.4, false, pale},
	} {
		text := p.fit(l.text, left-2*pad, l.size, l.bold, l.c)
		p.CellFormat(left-pad, l.h, text, "", 2, "L", false, 0, "")
	}
	v.drawInterval(&pdfCanvas{p, margin + pad, top + h - 17.5}, textW-2*pad)
	p.SetXY(margin, top+h+3)
}

func (p *pdfPage) facts(v *view, facts []pair) {
	const columns = 5
	w := textW / columns
	for i := 0; i < len(facts); {
		n := min(columns, len(facts)-i)
		if facts[i].Label == v.Labels.Note {
			n = 1
		}
		width := w
		if n == 1 {
			width = textW
		}
		most := 1
		for _, f := range facts[i : i+n] {
			p.style(9, false, ink)
			most = max(most, len(p.split(f.Text, width-3)))
		}
		h := 3.6 + float64(most)*lineFront
		p.room(h)
		y := p.GetY()
		for j, f := range facts[i : i+n] {
			x := margin + float64(j)*width
			p.SetXY(x, y)
			p.style(7, false, pale)
			p.CellFormat(width, 3.6, p.plain(f.Label), "", 0, "L", false, 0, "")
			c := ink
			if f.Text == v.Labels.NotStated {
				c = pale
			}
			p.style(9, false, c)
			for l, text := range p.split(f.Text, width-3) {
				p.put(x, y+3.6+float64(l)*lineFront, width, lineFront, text, "L")
			}
		}
		p.SetXY(margin, y+h+1.2)
		i += n
	}
}

// A cell is one cell of a table.
type cell struct {
	text string
	soft string // a second, small text below
	bold bool
	c    chart.Colour
	mark *chart.Colour // a swatch before it
}

// table draws rows below a head; right tells which columns are set to the right.
func (p *pdfPage) table(head []string, widths []float64, right []bool, rows [][]cell, tint []bool) {
	const lh = 3.9
	wide := 0.0
	for _, w := range widths {
		wide += w
	}
	p.style(7.5, true, pale)
	most := 1
	for i, h := range head {
		most = max(most, len(p.split(h, widths[i]-2)))
	}
	drawHead := func() {
		const line = 3.2
		y := p.GetY()
		x := margin
		p.style(7.5, true, pale)
		for i, h := range head {
			align := "L"
			if right[i] {
				align = "R"
			}
			lines := p.split(h, widths[i]-2)
			for j, l := range lines {
				p.put(x, y+0.7+line*float64(most-len(lines)+j), widths[i]-2, line, l, align)
			}
			x += widths[i]
		}
		y += line*float64(most) + 1.6
		p.pen(ink, 0.25)
		p.Line(margin, y, margin+wide, y)
		p.SetXY(margin, y+0.4)
	}
	p.room(14)
	drawHead()
	for r, row := range rows {
		h := lh
		for i, c := range row {
			p.style(8.5, c.bold, c.c)
			n := float64(len(p.split(c.text, widths[i]-2.5-swatch(c)))) * lh
			if c.soft != "" {
				p.style(7, false, pale)
				n += float64(len(p.split(c.soft, widths[i]-2.5))) * 3
			}
			h = max(h, n)
		}
		if p.GetY()+h+1.4 > pageH-bottom {
			p.AddPage()
			drawHead()
		}
		y := p.GetY()
		if tint != nil && tint[r] {
			p.fill(0xfbf1ea)
			p.Rect(margin, y-0.2, wide, h+1.2, "F")
		}
		x := margin
		for i, c := range row {
			align := "L"
			if right[i] {
				align = "R"
			}
			p.style(8.5, c.bold, c.c)
			yy := y + 0.3
			if c.mark != nil {
				p.fill(*c.mark)
				p.Rect(x, yy+0.9, 3.4, 2.2, "F")
			}
			for _, l := range p.split(c.text, widths[i]-2.5-swatch(c)) {
				p.put(x+swatch(c), yy, widths[i]-2-swatch(c), lh, l, align)
				yy += lh
			}
			if c.soft != "" {
				p.style(7, false, pale)
				for _, l := range p.split(c.soft, widths[i]-2.5) {
					p.put(x, yy, widths[i]-2, 3, l, align)
					yy += 3
				}
			}
			x += widths[i]
		}
		p.pen(rule, 0.15)
		p.Line(margin, y+h+0.9, margin+wide, y+h+0.9)
		p.SetXY(margin, y+h+1.3)
	}
}

func swatch(c cell) float64 {
	if c.mark != nil {
		return 5
	}
	return 0
}

func (p *pdfPage) limits(v *view, limits []limitRow, key, unlisted string) {
	if len(limits) == 0 && unlisted == "" {
		return
	}
	p.section(v.LimitTitle, 14)
	var rows [][]cell
	var tint []bool
	for _, l := range limits {
		soft := l.Clause
		if l.Note != "" {
			soft = strings.TrimPrefix(soft+"; "+l.Note, "; ")
		}
		c := ink
		if l.Verdict == grading.Unassessed {
			c = pale
		}
		says := v.verdictOf(l.Verdict)
		rows = append(rows, []cell{
			{text: l.Grade, c: c}, {text: l.Factor, soft: soft, c: c}, {text: l.Limit, c: c}, {text: l.Found, c: c}, {text: l.Interval, c: c},
			{text: says.Mark + " " + says.Word, bold: l.Verdict == grading.Fails, c: says.colour},
		})
		tint = append(tint, l.Limiting)
	}
	p.table(v.limitHead(),
		limitWidths, []bool{false, false, false, true, true, false}, rows, tint)
	p.Ln(0.6)
	p.para(key, 7, pale)
	if unlisted != "" {
		p.para(unlisted, 7, pale)
	}
}

// shareRows are the rows of a table of shares in its first columns.
func (p *pdfPage) shareRows(shares []shareRow, columns int) (rows [][]cell) {
	for _, s := range shares {
		name := cell{text: s.Name, c: ink}
		for i := range looks {
			if looks[i].colour.String() == s.Colour {
				name.mark = &looks[i].colour
			}
		}
		row := []cell{name, {text: s.Found, c: ink}, {text: s.Mass, c: ink}, {text: s.MassInterval, c: ink}, {text: s.Count, c: ink}, {text: s.CountInterval, c: ink}}
		rows = append(rows, row[:columns])
	}
	return rows
}

func (p *pdfPage) shares(v *view) {
	p.section(v.T("Shares"), 14)
	p.table([]string{"", v.T("Kernels"), v.T("By mass"), v.T("95 %% interval"), v.T("By count"), v.T("95 %% interval")},
		[]float64{58, 20, 22, 31, 22, 29}, []bool{false, true, true, true, true, true}, p.shareRows(v.Shares, 6), nil)
	p.Ln(1)
	for _, m := range v.Method {
		p.para(m, 8, ink)
	}
}

func (p *pdfPage) chart(title string, h float64, draw func(chart.Canvas)) {
	p.section(title, h)
	draw(&pdfCanvas{p, margin, p.GetY()})
	p.SetXY(margin, p.GetY()+h+1)
}

func (p *pdfPage) colourKey(v *view) {
	y := p.GetY()
	x := margin
	dot := func(c chart.Colour, text string) {
		p.style(7, false, pale)
		w := p.GetStringWidth(p.plain(text)) + 7
		if x+w > margin+textW {
			x, y = margin, y+4
		}
		p.fill(c)
		p.Circle(x+1.1, y+2, 1.1, "F")
		p.put(x+2.6, y, w, 4, p.plain(text), "L")
		x += w
	}
	for _, f := range v.flagsSeen() {
		dot(flagColours[f], v.className(f))
	}
	dot(bar, v.T("no flag. CIELAB, D65, from the picture as it is; colours compare within this sample."))
	p.SetXY(margin, y+5)
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
func (p *pdfPage) register(img image.Image, quality int) (placed, error) {
	w := img.Bounds().Dx()
	wide := w
	for p.widths[wide] {
		wide++
	}
	p.widths[wide] = true
	jpeg, err := encodeJPEG(widened(img, wide-w), quality)
	if err != nil {
		return placed{}, err
	}
	name := "picture" + strconv.Itoa(wide)
	p.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(jpeg))
	return placed{name, float64(wide) / float64(w)}, nil
}

// show draws a picture with its own part w × h mm large, clipped to clipW ×
// clipH mm at x, y, with the corner dx, dy of it at that place.
func (p *pdfPage) show(pic placed, x, y, w, h, dx, dy, clipW, clipH float64) {
	p.ClipRect(x, y, clipW, clipH, false)
	p.ImageOptions(pic.name, x-dx, y-dy, w*pic.wide, h, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
	p.ClipEnd()
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

func (p *pdfPage) trays(v *view) error {
	for i := range v.in.Trays {
		t := &v.in.Trays[i]
		rows := v.rows(i)
		w := textW
		h := w * float64(t.HeightPx) / float64(t.WidthPx)
		if most := 215.0; h > most {
			w, h = w*most/h, most
		}
		title := v.T("Every kernel")
		if len(v.in.Trays) > 1 {
			title = v.T("Every kernel, picture %d", i+1)
		}
		p.section(title, h+14)
		p.classKey(v.legendOf(rows))
		x, y := margin+(textW-w)/2, p.GetY()
		scale := w / float64(t.WidthPx)
		if err := p.tray(v, i, x, y, scale); err != nil {
			return err
		}
		kw := usualWidth(t)
		p.ClipRect(x, y, w, h, false)
		size := max(2.4, kw*scale*0.45/chart.MMPerPt)
		for j := range rows {
			l := lookOf(rows[j].Class)
			if l.letter == "" && len(rows[j].Flags) == 0 {
				continue
			}
			text := strconv.Itoa(rows[j].ID) + l.letter
			k := &t.Kernels[j]
			// A light plate keeps the number legible on any kernel.
			p.style(size, true, ink)
			tw, th := p.GetStringWidth(text)+0.5, size*chart.MMPerPt*0.95
			cx, cy := x+(k.X+0.5)*scale, y+(k.Y+0.5)*scale
			p.fill(chart.White)
			p.SetAlpha(0.6, "Normal")
			p.Rect(cx-tw/2, cy-th/2, tw, th, "F")
			p.SetAlpha(1, "Normal")
			p.Text(cx-tw/2+0.25, cy+size*chart.MMPerPt*0.34, text)
		}
		p.ClipEnd()
		p.SetXY(margin, y+h+0.8)
		caption := baseName(v.rec.Pictures[i].Path)
		if n := v.PhotoNotes[i]; n != "" {
			caption += ". " + n
		}
		p.para(caption, 7.5, pale)
	}
	return nil
}

func (p *pdfPage) classKey(legend []legendItem) {
	x, y := margin, p.GetY()
	for _, l := range legend {
		text := p.plain(strings.TrimSpace(l.Letter+" "+l.Name)) + " " + strconv.Itoa(l.N)
		p.style(8, false, ink)
		w := p.GetStringWidth(text) + 10
		if x+w > margin+textW {
			x, y = margin, y+4.2
		}
		p.fill(l.Colour)
		p.Rect(x, y+0.9, 3.4, 2.2, "F")
		p.put(x+4, y, w, 4, text, "L")
		x += w
	}
	p.SetXY(margin, y+5.2)
}

func (p *pdfPage) gallery(v *view) error {
	crops, more := v.gallery()
	if len(crops) == 0 {
		return nil
	}
	const columns, gap, captionH = 10, 1.6, 6.4
	side := (textW - (columns-1)*gap) / columns
	p.section(v.T("Broken and flagged kernels"), side+captionH+6)
	text := v.T("All at one scale; each square is about one whole kernel wide. Flagged kernels first, then brokens from the longest on.")
	if more > 0 {
		text += " " + v.T("%d more are not shown.", more)
	}
	p.para(text, 7.5, pale)
	sheet, cellPx := contactSheet(crops, columns)
	var pic placed
	var sheetH float64
	if sheet != nil {
		var err error
		if pic, err = p.register(sheet, cropQuality); err != nil {
			return err
		}
		sheetH = side * float64(sheet.Bounds().Dy()/cellPx)
	}
	for i := range crops {
		c := &crops[i]
		col := i % columns
		if col == 0 {
			if i > 0 {
				p.SetXY(margin, p.GetY()+side+captionH+1)
			}
			p.room(side + captionH + 1)
		}
		x, y := margin+float64(col)*(side+gap), p.GetY()
		if c.img != nil {
			p.show(pic, x, y, side*columns, sheetH, float64(col)*side, float64(i/columns)*side, side, side)
		} else {
			p.fill(darkBG)
			p.Rect(x, y, side, side, "F")
		}
		scale := side / c.side
		col3 := lookOf(v.res.Kernels[c.row].Class).colour
		p.pen(col3, 0.2)
		p.ClipRect(x, y, side, side, false)
		p.polygon(v.in.Trays[c.tray].Kernels[c.kernel].Outline, x-c.x*scale, y-c.y*scale, scale)
		p.ClipEnd()
		p.style(6, false, ink)
		p.Text(x, y+side+2.6, p.plain(c.why))
		p.style(6, false, pale)
		p.Text(x, y+side+5.2, p.plain(v.caption(c)))
	}
	p.SetXY(margin, p.GetY()+side+captionH+1)
	return nil
}

func (p *pdfPage) missing(v *view) {
	p.section(v.T("Not assessed"), lineFront)
	for _, n := range v.Missing {
		text := n.What
		if n.Why != "" {
			text += ": " + n.Why
		}
		p.para("• "+text, 8.5, ink)
	}
	for _, n := range v.Notes {
		p.para(n, 8.5, ink)
	}
}

// sign draws the lines to sign on.
func (p *pdfPage) sign(signers []string) {
	const gap = 8.0
	y := p.GetY() + 14
	w := (textW - gap*float64(len(signers)-1)) / float64(len(signers))
	p.pen(ink, 0.25)
	for i, s := range signers {
		x := margin + float64(i)*(w+gap)
		p.Line(x, y, x+w, y)
		p.style(7, false, pale)
		for l, text := range p.split(s, w) {
			p.put(x, y+0.8+3*float64(l), w, 3, text, "L")
		}
	}
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
	c.p.fill(fill)
	c.p.Rect(c.x+x, c.y+y, max(0, w), max(0, h), "F")
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
