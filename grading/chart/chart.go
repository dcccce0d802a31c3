// Package chart draws charts, in millimetres and y downwards: as SVG, or on
// whatever else is a Canvas. The same calls give the same bytes.
package chart

import (
	"fmt"
	"math"
	"strconv"
)

// A Colour is sRGB, 0xRRGGBB.
type Colour uint32

// String returns the colour as HTML writes it: #1c2128.
func (c Colour) String() string { return fmt.Sprintf("#%06x", uint32(c)) }

// RGB returns red, green and blue, 0..255.
func (c Colour) RGB() (r, g, b int) { return int(c >> 16), int(c >> 8 & 255), int(c & 255) }

// Colours of charts and of the pages around them.
var (
	Ink   Colour = 0x1c2128
	Pale  Colour = 0x5b6470 // names of axes
	Rule  Colour = 0xc9ced4 // lines across
	Doubt Colour = 0x7a5c00
	Good  Colour = 0x006b4f
	Stop  Colour = 0xb33a00 // limits
	Reach Colour = 0xd6dde4 // intervals
	White Colour = 0xffffff
)

// Small is the size of letters in charts, points.
const Small = 7.0

// A Canvas takes a drawing.
type Canvas interface {
	// Line draws a straight line, of dashes of the given length where dash > 0.
	Line(x1, y1, x2, y2, width float64, c Colour, dash float64)
	Rect(x, y, w, h float64, fill Colour)
	Circle(x, y, r float64, fill Colour, stroke *Colour)
	// Text writes a line whose base line is at y; at is its place relative to
	// x: -1 left, 0 middle, 1 right. size is in points.
	Text(x, y float64, s string, at int, size float64, bold bool, c Colour)
}

// A Plot is the part of a canvas between its axes.
type Plot struct {
	Canvas
	Left, Right, Top, Bottom float64 // mm
	X0, X1, Y0, Y1           float64 // values at Left and Right, at Bottom and Top
	// Number names a tick; nil writes a decimal point.
	Number func(v float64) string
}

// X returns where a value lies along x.
func (p *Plot) X(v float64) float64 { return p.Left + (p.Right-p.Left)*(v-p.X0)/(p.X1-p.X0) }

// Y returns where a value lies along y.
func (p *Plot) Y(v float64) float64 { return p.Bottom - (p.Bottom-p.Top)*(v-p.Y0)/(p.Y1-p.Y0) }

// Note writes small plain text.
func (p *Plot) Note(x, y float64, s string, at int, c Colour) { p.Text(x, y, s, at, Small, false, c) }

// Rows draws lines across at about n round values of y, all of them whole
// numbers where whole is set, and names them on the left.
func (p *Plot) Rows(n int, whole bool) {
	for _, v := range Ticks(p.Y0, p.Y1, n) {
		if whole && v != math.Trunc(v) {
			continue
		}
		p.Line(p.Left, p.Y(v), p.Right, p.Y(v), 0.15, Rule, 0)
		p.Note(p.Left-1.2, p.Y(v)+0.9, p.number(v), 1, Pale)
	}
}

// Columns draws the axis of x, names about n round values below it and, to the
// right, what they are.
func (p *Plot) Columns(n int, name string) {
	for _, v := range Ticks(p.X0, p.X1, n) {
		p.Column(p.X(v), p.number(v))
	}
	p.Foot(name)
}

// Column names a place on the axis of x.
func (p *Plot) Column(x float64, name string) {
	p.Line(x, p.Bottom, x, p.Bottom+1.2, 0.25, Pale, 0)
	p.Note(x, p.Bottom+4.2, name, 0, Pale)
}

// Foot draws the axis of x and, where it is told, what its values are.
func (p *Plot) Foot(name string) {
	p.Line(p.Left, p.Bottom, p.Right, p.Bottom, 0.25, Pale, 0)
	if name != "" {
		p.Note(p.Right, p.Bottom+7.8, name, 1, Pale)
	}
}

// Level draws a line across at a value of y and names it on the right.
func (p *Plot) Level(v float64, name string, c Colour, dash float64) {
	p.Line(p.Left, p.Y(v), p.Right, p.Y(v), 0.35, c, dash)
	p.Note(p.Right+1, p.Y(v)+0.9, name, -1, c)
}

// Ticks returns round numbers from lo to hi, about n of them.
func Ticks(lo, hi float64, n int) []float64 {
	if !(hi > lo) {
		return nil
	}
	raw := (hi - lo) / float64(n)
	p := math.Pow(10, math.Floor(math.Log10(raw)))
	step := p
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if step = m * p; step >= raw*0.999 {
			break
		}
	}
	var out []float64
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, i*step)
	}
	return out
}

// number names a round value, never as -0.
func (p *Plot) number(v float64) string {
	v = math.Round(v*1e6)/1e6 + 0
	if p.Number != nil {
		return p.Number(v)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
