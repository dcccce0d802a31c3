package report

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/qr"
	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"traytally/grading/chart"
	"traytally/samples/words"
	"traytally/vision/kernel/fault"
)

// Kinds of marks on a label.
const (
	Code128 = "code128" // ISO/IEC 15417: letters of ASCII, read by hand scanners
	QR      = "qr"      // ISO/IEC 18004, with error correction M: any letters, read by telephones
)

// A Label goes on the bag or tray of a sample: its code to be read by a scanner and
// by people, with the lot and the date.
type Label struct {
	Code  string
	Lot   string    // may be empty
	Date  time.Time // when the rice was sampled; may be zero
	Kind  string    // Code128 or QR
	Words *words.Words
}

// Measures of a label.
const (
	labelDPI  = 300                 // dots of PNG; modules are whole dots, so that printers of 300 or 600 dpi print them even
	labelDot  = 25.4 / labelDPI     // mm
	leastDots = 2                   // of a module, 0.17 mm: our own choice, laser printers still part them
	padLeast  = 1.5                 // mm of white all round, on labels under 25 mm
	padMost   = 4.5                 // and on large ones: what office printers leave of a sheet's edge
	quiet128  = 10                  // modules of white at each side: ISO/IEC 15417, from memory
	quietQR   = 4                   // and ISO/IEC 18004, from memory
	besideMM  = 15.0                // mm that text takes beside a mark at least
	barLeast  = 6.0                 // mm that bars are high at least
	codePt    = 11.0                // size of the code in letters
	factPt    = 7.5                 // of lot and date
	leastPt   = 5.0                 // of either, before it is cut
	lineOf    = chart.MMPerPt * 1.3 // height of a line over its size
)

// mark returns the mark of a label and its quiet zone in modules.
func (l *Label) mark() (barcode.Barcode, int, error) {
	if l.Kind == QR {
		b, err := qr.Encode(l.Code, qr.M, qr.Auto)
		if err != nil {
			b, err = qr.Encode(l.Code, qr.M, qr.Unicode)
		}
		return b, quietQR, err
	}
	if strings.ContainsFunc(l.Code, func(r rune) bool { return r > unicode.MaxASCII }) {
		return nil, 0, &fault.Error{What: fmt.Sprintf("Code 128 has no letters like those of the code %s", l.Code), Hint: "--kind qr has them"}
	}
	b, err := code128.Encode(l.Code)
	return b, quiet128, err
}

// padOf is the white all round a label, mm.
func padOf(w, h float64) float64 {
	if least := min(w, h); least >= 25 {
		return min(padMost, 0.12*least)
	}
	return padLeast
}

// draw draws the label, w × h mm. wide tells how wide a text is, mm.
func (l *Label) draw(c chart.Canvas, w, h float64, wide func(text string, size float64, bold bool) float64) error {
	mark, quiet, err := l.mark()
	if err != nil {
		return err
	}
	c.Rect(0, 0, w, h, chart.White)
	pad := padOf(w, h)
	var facts []string
	if l.Lot != "" {
		facts = append(facts, l.Words.T("Lot")+" "+visible(l.Lot))
	}
	if !l.Date.IsZero() {
		facts = append(facts, l.Words.Date(l.Date))
	}
	modules := mark.Bounds().Dx() + 2*quiet
	lines := codePt*lineOf + factPt*lineOf*float64(len(facts))
	roomW, roomH := w-2*pad, h-2*pad
	text := func(x, y, w float64, at int) {
		place := x + w/2*float64(at+1)
		put := func(s string, size float64, bold bool) {
			y += size * lineOf
			for size > leastPt && wide(s, size, bold) > w {
				size -= 0.5
			}
			for r := []rune(s); len(r) > 1 && wide(s, size, bold) > w; s = string(r) + "…" {
				r = r[:len(r)-1]
			}
			c.Text(place, y-0.3*size*chart.MMPerPt, s, at, size, bold, chart.Ink)
		}
		put(l.Code, codePt, true)
		for _, f := range facts {
			put(f, factPt, false)
		}
	}
	if l.Kind == QR {
		// The text stands beside the mark where that leaves it room, else below.
		beside := roomW-roomH >= besideMM
		side := min(roomW, roomH)
		if !beside {
			side = min(roomW, roomH-lines)
		}
		dots := math.Floor(side / float64(modules) / labelDot)
		if need := leastDots * labelDot * float64(modules); dots < leastDots {
			return &fault.Error{What: fmt.Sprintf("the code %s does not fit on a label of %s × %s mm", l.Code, trimmed(w), trimmed(h)),
				Hint: fmt.Sprintf("give it %.0f × %.0f mm or more", math.Ceil(need+2*padMost), math.Ceil(need+lines+2*padMost))}
		}
		m := dots * labelDot
		side = m * float64(modules)
		if beside {
			modulesOf(c, mark, pad+m*quietQR, math.Floor((h-side)/2/labelDot)*labelDot+m*quietQR, m, 0)
			text(pad+side, max(pad, (h-lines)/2), roomW-side, -1)
		} else {
			modulesOf(c, mark, math.Floor((w-side)/2/labelDot)*labelDot+m*quietQR, pad+m*quietQR, m, 0)
			text(pad, pad+side, roomW, 0)
		}
		return nil
	}
	dots := math.Floor(roomW / float64(modules) / labelDot)
	if dots < leastDots {
		return &fault.Error{What: fmt.Sprintf("the code %s does not fit on a label of %s × %s mm", l.Code, trimmed(w), trimmed(h)),
			Hint: fmt.Sprintf("give it %.0f mm of width or more, or take --kind qr", math.Ceil(leastDots*labelDot*float64(modules)+2*padMost))}
	}
	bars := roomH - lines
	if bars < barLeast {
		return &fault.Error{What: fmt.Sprintf("a label %s mm high leaves no room for bars and text", trimmed(h)), Hint: fmt.Sprintf("give it %.0f mm or more", math.Ceil(lines+barLeast+2*padMost))}
	}
	m := dots * labelDot
	x := math.Floor((w-m*float64(modules))/2/labelDot) * labelDot
	modulesOf(c, mark, x+m*quiet128, pad, m, bars)
	text(pad, pad+bars, roomW, 0)
	return nil
}

func trimmed(v float64) string { return (*words.Words)(nil).Number(v, -1) }

// modulesOf draws the dark modules of a mark from x, y on, each m mm wide, and high
// mm high; 0: as high as wide.
func modulesOf(c chart.Canvas, mark barcode.Barcode, x, y, m, high float64) {
	b := mark.Bounds()
	if high == 0 {
		high = m
	}
	for row := range b.Dy() {
		for i := 0; i < b.Dx(); {
			n := 0
			for i+n < b.Dx() && mark.At(b.Min.X+i+n, b.Min.Y+row) == color.Black {
				n++
			}
			if n > 0 {
				c.Rect(x+float64(i)*m, y+float64(row)*high, float64(n)*m, high, 0)
			}
			i += max(1, n)
		}
	}
}

// SVG writes the label, w × h mm, as one element that also stands in a page.
func (l Label) SVG(out io.Writer, w, h float64) error {
	var c chart.SVG
	// Widths by the usual letter of a sans serif, 0.56 of the size; what reads the
	// file has fonts of its own.
	err := l.draw(&c, w, h, func(s string, size float64, _ bool) float64 { return float64(letters(s)) * size * chart.MMPerPt * 0.56 })
	if err != nil {
		return err
	}
	return c.Plain(out, w, h, l.Code)
}

// PNG writes the label, w × h mm, at 300 dpi, which the file says.
func (l Label) PNG(out io.Writer, w, h float64) error {
	c, err := newDots(w, h)
	if err != nil {
		return err
	}
	if err := l.draw(c, w, h, c.wide); err != nil {
		return err
	}
	if err := c.lacks(); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := png.Encode(&b, c.img); err != nil {
		return err
	}
	_, err = out.Write(withDensity(b.Bytes()))
	return err
}

// A Sheet is how labels lie on paper. With rows and columns they fill A4 within the
// margin, the first Skip places left free; without, each label is a page of its
// own, Wide × High mm.
type Sheet struct {
	Rows, Columns int
	Margin        float64 // mm, at all four sides
	Skip          int     // labels that are gone from the first sheet
	Wide, High    float64
}

// Size returns the size of a label, mm.
func (s Sheet) Size() (w, h float64) {
	if s.Rows == 0 {
		return s.Wide, s.High
	}
	return (pageW - 2*s.Margin) / float64(s.Columns), (pageH - 2*s.Margin) / float64(s.Rows)
}

// LabelsPDF writes labels for printing. The error is a *fault.Error or a
// *LettersError where they cannot be printed.
func LabelsPDF(out io.Writer, labels []Label, s Sheet) error {
	w, h := s.Size()
	size := fpdf.SizeType{Wd: pageW, Ht: pageH}
	if s.Rows == 0 {
		size = fpdf.SizeType{Wd: w, Ht: h}
	}
	at := time.Unix(0, 0).UTC() // the same labels give the same bytes
	for _, l := range labels {
		if l.Date.After(at) {
			at = l.Date.UTC()
		}
	}
	p, err := newPDF(size, at)
	if err != nil {
		return err
	}
	wide := func(text string, size float64, bold bool) float64 {
		p.style(size, bold, ink)
		return p.GetStringWidth(p.plain(text))
	}
	each := max(1, s.Rows*s.Columns)
	for i := range labels {
		place := (i + s.Skip) % each
		if i == 0 || place == 0 {
			p.AddPageFormat("P", size)
		}
		x, y := 0.0, 0.0
		if s.Rows > 0 {
			x, y = s.Margin+float64(place%s.Columns)*w, s.Margin+float64(place/s.Columns)*h
		}
		if err := labels[i].draw(&pdfCanvas{p, x, y}, w, h, wide); err != nil {
			return err
		}
	}
	document, err := p.document()
	if err != nil {
		return err
	}
	_, err = out.Write(document)
	return err
}

// dots is a Canvas of dots at labelDPI.
type dots struct {
	img   *image.Gray
	fonts [2]*opentype.Font // plain, bold
	*letterForms
}

func newDots(w, h float64) (*dots, error) {
	forms, err := newLetterForms()
	if err != nil {
		return nil, err
	}
	c := &dots{letterForms: forms, img: image.NewGray(image.Rect(0, 0, int(math.Round(w/labelDot)), int(math.Round(h/labelDot))))}
	draw.Draw(c.img, c.img.Bounds(), image.White, image.Point{}, draw.Src)
	for i, ttf := range [...][]byte{liberationsansregular.TTF, liberationsansbold.TTF} {
		f, err := opentype.Parse(ttf)
		if err != nil {
			return nil, err
		}
		c.fonts[i] = f
	}
	return c, nil
}

// face returns the font at a size in points.
func (c *dots) face(size float64, bold bool) font.Face {
	f := c.fonts[0]
	if bold {
		f = c.fonts[1]
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: labelDPI, Hinting: font.HintingFull})
	if err != nil {
		panic(err) // it has no other options that could be wrong
	}
	return face
}

func (c *dots) wide(s string, size float64, bold bool) float64 {
	return float64(font.MeasureString(c.face(size, bold), c.plain(s))) / 64 * labelDot
}

func (c *dots) Line(x1, y1, x2, y2, width float64, col chart.Colour, _ float64) {
	c.Rect(min(x1, x2), min(y1, y2), max(width, math.Abs(x2-x1)), max(width, math.Abs(y2-y1)), col)
}

func (c *dots) Rect(x, y, w, h float64, fill chart.Colour) {
	at := func(v float64) int { return int(math.Round(v / labelDot)) }
	r, g, b := fill.RGB()
	draw.Draw(c.img, image.Rect(at(x), at(y), at(x+w), at(y+h)), image.NewUniform(color.RGBA{uint8(r), uint8(g), uint8(b), 255}), image.Point{}, draw.Src)
}

func (c *dots) Circle(float64, float64, float64, chart.Colour, *chart.Colour) {} // no label has one

func (c *dots) Text(x, y float64, s string, at int, size float64, bold bool, _ chart.Colour) {
	s = c.plain(s)
	d := font.Drawer{Dst: c.img, Src: image.Black, Face: c.face(size, bold)}
	d.Dot = fixed.Point26_6{X: fixed.Int26_6(math.Round((x - c.wide(s, size, bold)*float64(at+1)/2) / labelDot * 64)), Y: fixed.Int26_6(math.Round(y / labelDot * 64))}
	d.DrawString(s)
}

// withDensity puts the dots per metre into a PNG, so that it prints at its size: a
// chunk pHYs after the header, which is 33 bytes long (W3C PNG, 5.3 and 11.3.4.3,
// from memory).
func withDensity(file []byte) []byte {
	const header = 33
	chunk := binary.BigEndian.AppendUint32([]byte("pHYs"), uint32(math.Round(1000/labelDot)))
	chunk = binary.BigEndian.AppendUint32(chunk, uint32(math.Round(1000/labelDot)))
	chunk = append(chunk, 1) // per metre
	whole := binary.BigEndian.AppendUint32(nil, uint32(len(chunk)-4))
	whole = append(whole, chunk...)
	whole = binary.BigEndian.AppendUint32(whole, crc32.ChecksumIEEE(chunk))
	return slices.Concat(file[:header], whole, file[header:])
}
