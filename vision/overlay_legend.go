package vision

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"math"
	"strings"

	"traytally/vision/kernel"
)

var (
	legendGround = color.NRGBA{0x22, 0x24, 0x28, 0xff}
	legendText   = color.NRGBA{0xf4, 0xf4, 0xf0, 0xff}
	legendPale   = color.NRGBA{0xb8, 0xbc, 0xc4, 0xff}
	kernelGrey   = color.NRGBA{0xd8, 0xd4, 0xc8, 0xff}
)

// A legend is the strip below the picture.
type legend struct {
	size   float64 // of the letters
	pad    float64
	row    float64 // height of a row
	height int
	title  string
	notes  []string
	items  []legendItem
	bar    float64 // length of the scale bar, 0 without a scale
	barMM  float64
	plain  *lettering
	bold   *lettering
}

type legendItem struct {
	style *Style // nil for a tag
	text  string
	count string
	x, y  float64 // upper left corner, from that of the strip
	width float64
}

func newLegend(width int, picture float64, t *kernel.Tray, marks []Mark, o OverlayOptions, b *Backdrop) (*legend, error) {
	l := &legend{size: math.Round(min(44, max(14, picture/75)))}
	l.row, l.pad = math.Round(l.size*1.9), math.Round(l.size*0.9)
	var err error
	if l.plain, err = newLettering(l.size, false); err != nil {
		return nil, err
	}
	if l.bold, err = newLettering(l.size, true); err != nil {
		return nil, err
	}
	room := float64(width) - 2*l.pad
	if shown := cmp.Or(t.ShownPxPerMM, t.PxPerMM); shown > 0 {
		// The greatest of 1, 2, 5, 10, 20 … mm that takes at most a fifth.
		for _, mm := range []float64{1, 2, 5, 10, 20, 50, 100} {
			if px := mm * shown * b.sx; px <= 0.2*float64(width) {
				l.barMM, l.bar = mm, px
			}
		}
	}
	l.title = l.bold.shorten(o.Title, room-l.bar-2*l.pad-l.plain.width("100 mm"))

	styles, tags := make([]int, len(o.Styles)), make([]int, len(o.Tags))
	for _, m := range marks {
		styles[m.Style]++
		for _, g := range m.Tags {
			tags[g]++
		}
	}
	x, y := l.pad, l.pad+l.row
	add := func(s *Style, letter, name string, count int) {
		it := legendItem{style: s, text: name, count: fmt.Sprint(count)}
		if letter != "" {
			it.text = letter + "  " + name
		}
		it.width = l.swatch(s) + l.plain.width(it.text+"  ") + l.bold.width(it.count) + 1.6*l.pad
		if x > l.pad && x+it.width-1.6*l.pad > l.pad+room {
			x, y = l.pad, y+l.row
		}
		it.x, it.y = x, y
		x += it.width
		l.items = append(l.items, it)
	}
	for i := range o.Styles {
		s := &o.Styles[i]
		add(s, s.Letter, s.Name, styles[i])
	}
	if len(o.Tags) > 0 && x > l.pad {
		x, y = l.pad, y+l.row
	}
	for i, g := range o.Tags {
		add(nil, g.Letter, g.Name, tags[i])
	}
	if len(l.items) > 0 {
		y += l.row
	}
	for _, n := range o.Notes {
		l.notes = append(l.notes, wrap(l.plain, n, room)...)
	}
	y += float64(len(l.notes))*math.Round(l.size*1.5) + l.pad
	l.height = int(math.Ceil(y))
	return l, nil
}

// swatch is the room that the sample of a style takes.
func (l *legend) swatch(s *Style) float64 {
	if s == nil {
		return 0
	}
	return l.size * 3.4
}

// wrap breaks text into lines of at most w pixels.
func wrap(l *lettering, text string, w float64) []string {
	var lines []string
	line := ""
	for word := range strings.FieldsSeq(text) {
		if line != "" && l.width(line+" "+word) > w {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += l.shorten(word, w)
	}
	return append(lines, line)
}

// draw draws the strip from the row top of the canvas on.
func (l *legend) draw(c *canvas, top int) {
	c.origin = image.Pt(0, top)
	base := func(y, row float64) int { return top + int(math.Round(y+row/2+l.plain.ascent/2)) }
	c.text(l.bold, l.title, int(l.pad), base(l.pad, l.row), legendText)
	for _, it := range l.items {
		if it.style != nil {
			l.drawSwatch(c, it)
		}
		x := it.x + l.swatch(it.style)
		c.text(l.plain, it.text, int(x), base(it.y, l.row), legendText)
		x += l.plain.width(it.text + "  ")
		c.text(l.bold, it.count, int(x), base(it.y, l.row), legendText)
	}
	line := math.Round(l.size * 1.5)
	y := float64(l.height) - l.pad - line*float64(len(l.notes))
	for _, n := range l.notes {
		c.text(l.plain, n, int(l.pad), base(y, line), legendPale)
		y += line
	}
	if l.bar > 0 {
		text := fmt.Sprintf("%g mm", l.barMM)
		x1 := float64(c.img.Rect.Dx()) - l.pad
		x0 := x1 - l.bar
		my := l.pad + l.row/2
		c.text(l.plain, text, int(x0-l.plain.width(text)-l.size*0.6), base(l.pad, l.row), legendText)
		h, w := l.size*0.4, l.size*0.12
		for _, r := range [][4]float64{{x0, my - w, x1, my + w}, {x0, my - h, x0 + 2*w, my + h}, {x1 - 2*w, my - h, x1, my + h}} {
			c.plain(corners(r[0], r[1], r[2], r[3]), legendText)
		}
	}
}

// drawSwatch draws the sample of a style: a kernel in its manner.
func (l *legend) drawSwatch(c *canvas, it legendItem) {
	s, w := it.style, l.size*2.6
	oval := ellipse(it.x+w/2, it.y+l.row/2, w/2, l.size*0.55)
	c.plain(oval, kernelGrey)
	thickness, dash := max(1.4, l.size*0.08), 0.0
	if s.Tint {
		c.fill(oval, s.Colour, s.Hatch, max(5, l.size*0.34))
	}
	if s.Bold {
		thickness = l.size * 0.2
	}
	if s.Dashed {
		dash = l.size * 0.3
	}
	c.stroke(oval, thickness, s.Colour, dash)
}

func ellipse(x, y, a, b float64) []kernel.Point {
	const n = 48
	out := make([]kernel.Point, n)
	for i := range out {
		s, c := math.Sincos(2 * math.Pi * float64(i) / n)
		out[i] = kernel.Point{X: x + a*c, Y: y + b*s}
	}
	return out
}
