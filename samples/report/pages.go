package report

import (
	"io"
	"math"
	"strconv"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"traytally/grading"
	"traytally/grading/chart"
)

const labelW = 34.0 // of the column of labels before texts, mm

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
	p, err := newPDF(fpdf.SizeType{Wd: pageW, Ht: pageH}, v.rec.Registered)
	if err != nil {
		return err
	}
	p.SetTitle(strings.TrimSpace(v.Code+" "+v.Title), true)
	p.SetLang(v.Tag())
	p.SetMargins(margin, margin, margin)
	p.AliasNbPages("{pages}")
	p.SetFooterFunc(func() {
		p.set(said(strings.TrimSpace(v.Code+" "+v.Revision), 7, pale), margin, pageH-11, textW/2)
		number := said(v.T("page %s of %s", strconv.Itoa(p.PageNo()), "{pages}"), 7, pale)
		number.right = true
		p.set(number, margin+textW/2, pageH-11, textW/2)
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
	document, err := p.document()
	if err != nil {
		return err
	}
	return Seal(w, document, in)
}

// pairs sets texts behind their labels.
func (p *pdfPage) pairs(list []pair) {
	for _, l := range list {
		p.row([]float64{labelW, textW - labelW}, said(l.Label, 7.5, pale), said(l.Text, 7.5, ink))
	}
}

// first lays out the page to sign. The picture takes what height is left.
func (p *pdfPage) first(v *view) error {
	f := &v.First
	p.head(v)
	p.verdict(v)
	p.facts(f.Facts)
	p.limits(v, f.Limits, f.Key, f.Unlisted)
	const signH = 21.0
	seal := said(f.Seal, 7, pale)
	end := pageH - bottom - signH - p.high(seal, textW)
	at := end - 1
	for _, n := range f.Notes {
		at -= p.high(said(n.Text, 7.5, ink), textW-labelW)
	}
	if err := p.middle(v, at-2); err != nil {
		return err
	}
	p.SetXY(margin, at)
	p.pairs(f.Notes)
	p.SetXY(margin, end)
	p.sign(v.Signers)
	p.SetXY(margin, end+signH)
	p.row([]float64{textW}, seal)
	return nil
}

// middle lays out the shares and, beside them, the trays with the outlines, down
// to end.
func (p *pdfPage) middle(v *view, end float64) error {
	const left, gap = 104.0, 5.0
	p.section(v.T("Shares"), 0)
	top := p.GetY()
	p.shareTable(v, v.First.Shares, []float64{46, 16, 17, 25})
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
		if err := p.tray(v, i, margin+left+gap+float64(i%columns)*w, top+float64(i/columns)*h, scale); err != nil {
			return err
		}
	}
	return nil
}

// tray draws a tray with the outlines of its kernels, at so many mm per px.
func (p *pdfPage) tray(v *view, i int, x, y, scale float64) error {
	t := &v.in.Trays[i]
	w, h := float64(t.WidthPx)*scale, float64(t.HeightPx)*scale
	p.ClipRect(x, y, w, h, false)
	defer p.ClipEnd()
	p.box(x, y, w, h, darkBG)
	if photo := &v.in.Photos[i]; photo.img != nil {
		if _, there := p.photos[i]; !there {
			s, err := photo.shown()
			if err != nil {
				return err
			}
			if p.photos[i], err = p.register(s); err != nil {
				return err
			}
		}
		p.show(p.photos[i], x, y, w, h)
	}
	kw := usualWidth(t)
	rows := v.rows(i)
	for _, head := range [...]bool{true, false} { // brokens on top
		for j := range rows {
			if (rows[j].Class != grading.Head) == head {
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
		p.facts(v.Facts)
	}
	p.limits(v, v.Limits, v.Key, v.Unlisted)
	p.section(v.T("Shares"), 14)
	p.shareTable(v, v.Shares, []float64{58, 20, 22, 31, 22, 29})
	p.Ln(1)
	p.paras(8, v.Method)
	if len(v.Doubts) > 0 {
		p.section(v.T("Doubts about the pictures and the sample"), 4)
		p.bullets(v.Doubts)
	}
	if err := p.trays(v); err != nil {
		return err
	}
	p.chart(v.T("Lengths"), 62, func(c chart.Canvas) { v.drawHistogram(c, textW, 62) })
	if v.hasColour() {
		p.chart(v.T("Colours"), 58, func(c chart.Canvas) { v.drawColour(c, textW, 58) })
		p.key(append(v.flagLegend(), legendItem{Colour: bar, Name: v.T("no flag. CIELAB, D65, from the picture as it is; colours compare within this sample.")}), true)
	} else {
		p.section(v.T("Colours"), 4)
		p.para(v.T("Not assessed: no colour was measured on these pictures."), 8.5, ink)
	}
	if err := p.gallery(v); err != nil {
		return err
	}
	p.section(v.T("Not assessed"), 4)
	var missing []string
	for _, n := range v.Missing {
		missing = append(missing, strings.TrimSuffix(n.What+": "+n.Why, ": "))
	}
	p.bullets(missing)
	p.paras(8.5, v.Notes)
	p.section(v.T("Caution"), 30)
	p.paras(8.5, v.Caution)
	p.section(v.T("Where it comes from"), 12)
	p.pairs(v.Origin)
	p.pairs(v.History)
	return nil
}

func (p *pdfPage) paras(size float64, texts []string) {
	for _, t := range texts {
		p.para(t, size, ink)
	}
}

func (p *pdfPage) bullets(items []string) {
	for _, t := range items {
		p.para("• "+t, 8.5, ink)
	}
}

func (p *pdfPage) head(v *view) {
	code := v.Code
	if code == "" {
		code = v.T("not registered")
	}
	columns := []float64{textW * 0.6, textW * 0.4}
	p.row(columns,
		cell{runs: []run{{v.T("Sample report"), 7.5, false, pale}, p.fit(run{v.Title, 15, true, ink}, columns[0]-gap, 5)}},
		// A long code becomes smaller, and then takes several lines.
		cell{runs: []run{{v.T("Sample, %s", v.Revision), 7.5, false, pale}, p.fit(run{code, 15, true, ink}, columns[1], 8)}, right: true})
	if note := v.Note(); note != "" {
		p.row([]float64{textW}, said(note, 7, pale))
	}
	p.across(textW, 1, ink, 0.7)
	p.Ln(3)
}

func (p *pdfPage) verdict(v *view) {
	const left, pad, scaleH = 62.0, 4.0, 18.0
	right := textW - left - 2*pad
	var says cell
	add := func(text string, size float64, bold bool, c chart.Colour) {
		if text != "" {
			says.runs = append(says.runs, run{text, size, bold, c})
		}
	}
	add(v.Under, 7.5, false, pale)
	add(v.Outcome, 15, true, ink)
	for _, b := range v.First.Because {
		add(b, 9, false, ink)
	}
	add(v.Standing, 8.5, false, pale)
	add(v.T(noGrade), 8.5, false, pale)
	var share cell
	for _, r := range []run{
		{v.Broken, 30, true, ink}, {v.T("broken, by mass"), 10, false, ink}, {v.T("95 %% interval %s", v.Interval), 9, true, ink}, {v.ByCount, 8.5, false, pale},
	} {
		share.runs = append(share.runs, p.fit(r, left-2*pad, 5))
	}
	top := p.GetY()
	h := max(p.high(says, right), 30) + 2*pad + scaleH
	p.box(margin, top, textW, h, ground)
	p.set(share, margin+pad, top+pad, left-pad)
	p.set(says, margin+left+pad, top+pad, right)
	p.pen(rule, 0.3)
	p.Line(margin+left, top+pad, margin+left, top+h-scaleH-pad)
	v.drawInterval(&pdfCanvas{p, margin + pad, top + h - scaleH + 0.5}, textW-2*pad)
	p.SetXY(margin, top+h+3)
}

func (p *pdfPage) facts(facts []fact) {
	const columns = 5
	var widths []float64
	var cells []cell
	flush := func() {
		if len(cells) > 0 {
			p.row(widths, cells...)
			p.Ln(1.2)
		}
		widths, cells = nil, nil
	}
	for _, f := range facts {
		c := cell{runs: []run{{f.Label, 7, false, pale}, {f.Text, 9, false, ink}}}
		if f.Soft {
			c.runs[1].colour = pale
		}
		wide := textW / columns
		if f.Wide {
			flush()
			wide = textW
		}
		widths, cells = append(widths, wide), append(cells, c)
		if len(cells) == columns {
			flush()
		}
	}
	flush()
}

func (p *pdfPage) limits(v *view, limits []limitRow, key, unlisted string) {
	if len(limits) == 0 && unlisted == "" {
		return
	}
	p.section(v.LimitTitle, 14)
	var rows [][]cell
	var tint []bool
	for _, l := range limits {
		c := ink
		if l.Verdict.Code == grading.Unassessed {
			c = pale
		}
		factor := said(l.Factor, 8.5, c)
		if soft := strings.Trim(l.Clause+"; "+l.Note, "; "); soft != "" {
			factor.runs = append(factor.runs, run{soft, 7, false, pale})
		}
		rows = append(rows, []cell{
			said(l.Grade, 8.5, c), factor, said(l.Limit, 8.5, c), said(l.Found, 8.5, c), said(l.Interval, 8.5, c),
			{runs: []run{{l.Verdict.Mark + " " + l.Verdict.Word, 8.5, l.Verdict.Code == grading.Fails, l.Verdict.colour}}},
		})
		tint = append(tint, l.Limiting)
	}
	p.table(v.LimitHead(), limitWidths, []bool{false, false, false, true, true, false}, rows, tint)
	p.Ln(0.6)
	p.para(key, 7, pale)
	if unlisted != "" {
		p.para(unlisted, 7, pale)
	}
}

// shareTable is the table of shares in its first columns, of these widths.
func (p *pdfPage) shareTable(v *view, shares []shareRow, widths []float64) {
	n := len(widths)
	var rows [][]cell
	for _, s := range shares {
		var row []cell
		for _, text := range []string{s.Name, s.Found, s.Mass, s.MassInterval, s.Count, s.CountInterval}[:n] {
			row = append(row, said(text, 8.5, ink))
		}
		row[0].swatch = s.colour
		rows = append(rows, row)
	}
	p.table(v.ShareHead()[:n], widths, []bool{false, true, true, true, true, true}[:n], rows, nil)
}

func (p *pdfPage) chart(title string, h float64, draw func(chart.Canvas)) {
	p.section(title, h)
	draw(&pdfCanvas{p, margin, p.GetY()})
	p.SetXY(margin, p.GetY()+h+1)
}

func (p *pdfPage) trays(v *view) error {
	for i := range v.in.Trays {
		t := &v.in.Trays[i]
		const most = 215.0 // mm high
		scale := min(textW/float64(t.WidthPx), most/float64(t.HeightPx))
		w, h := float64(t.WidthPx)*scale, float64(t.HeightPx)*scale
		title := v.T("Every kernel")
		if len(v.in.Trays) > 1 {
			title = v.T("Every kernel, picture %d", i+1)
		}
		p.section(title, h+14)
		legend := v.legendOf(v.rows(i))
		for j := range legend {
			l := &legend[j]
			l.Name = strings.TrimSpace(l.Letter+" "+l.Name) + " " + strconv.Itoa(l.N)
		}
		p.key(legend, false)
		x, y := margin+(textW-w)/2, p.GetY()
		if err := p.tray(v, i, x, y, scale); err != nil {
			return err
		}
		p.ClipRect(x, y, w, h, false)
		p.numbers(v, i, x, y, scale)
		p.ClipEnd()
		p.SetXY(margin, y+h+0.8)
		p.para(strings.TrimSuffix(baseName(v.rec.Pictures[i].Path)+". "+v.PhotoNotes[i], ". "), 7.5, pale)
	}
	return nil
}

// numbers writes the numbers and letters of those kernels of a tray that are to be
// found: brokens and flagged ones.
func (p *pdfPage) numbers(v *view, i int, x, y, scale float64) {
	t := &v.in.Trays[i]
	size := max(2.4, usualWidth(t)*scale*0.45/chart.MMPerPt)
	rows := v.rows(i)
	for j := range rows {
		l := lookOf(rows[j].Class)
		if l.letter == "" && len(rows[j].Flags) == 0 {
			continue
		}
		text := strconv.Itoa(rows[j].ID) + l.letter
		k := &t.Kernels[j]
		// A light plate keeps the number legible on any kernel.
		p.style(size, true, ink)
		w, h := p.GetStringWidth(text)+0.5, size*chart.MMPerPt*0.95
		cx, cy := x+(k.X+0.5)*scale, y+(k.Y+0.5)*scale
		p.SetAlpha(0.6, "Normal")
		p.box(cx-w/2, cy-h/2, w, h, chart.White)
		p.SetAlpha(1, "Normal")
		p.Text(cx-w/2+0.25, cy+size*chart.MMPerPt*0.34, text)
	}
}

func (p *pdfPage) gallery(v *view) error {
	crops, more := v.gallery()
	if len(crops) == 0 {
		return nil
	}
	const columns, between, captionH = 10, 1.6, 6.4
	side := (textW - (columns-1)*between) / columns
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
		s, err := stillOf(sheet, cropQuality)
		if err != nil {
			return err
		}
		if pic, err = p.register(s); err != nil {
			return err
		}
		sheetH = side * float64(sheet.Bounds().Dy()/cellPx)
	}
	for i := range crops {
		c := &crops[i]
		col := float64(i % columns)
		if col == 0 {
			p.room(side + captionH + 1)
		}
		x, y := margin+col*(side+between), p.GetY()
		scale := side / c.Side
		p.ClipRect(x, y, side, side, false)
		p.box(x, y, side, side, darkBG)
		if c.Img != nil {
			p.show(pic, x-col*side, y-float64(i/columns)*side, side*columns, sheetH)
		}
		p.pen(lookOf(c.Row.Class).colour, 0.2)
		p.polygon(c.Kernel.Outline, x-c.X*scale, y-c.Y*scale, scale)
		p.ClipEnd()
		p.style(6, false, ink)
		p.Text(x, y+side+2.6, p.plain(c.Why))
		p.style(6, false, pale)
		p.Text(x, y+side+5.2, p.plain(v.Caption(*c)))
		if i%columns == columns-1 || i == len(crops)-1 {
			p.SetXY(margin, y+side+captionH+1)
		}
	}
	return nil
}

// sign draws the lines to sign on.
func (p *pdfPage) sign(signers []string) {
	const between = 8.0
	w := (textW - between*float64(len(signers)-1)) / float64(len(signers))
	y := p.GetY() + 14
	for i, s := range signers {
		x := margin + float64(i)*(w+between)
		p.pen(ink, 0.25)
		p.Line(x, y, x+w, y)
		p.set(said(s, 7, pale), x, y+0.8, w)
	}
}
