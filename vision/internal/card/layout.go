// Package card holds the tray card: a printed sheet whose coded marks give a
// photo its scale and square, and whose white and grey give it light and
// balance. It finds the card in plain pixel bytes, fits the camera to it and
// tells what stands in the way. It calls no OpenCV.
//
// # Frames
//
// Card positions are millimetres from the upper left corner of the card as
// printed, x right, y down. Picture positions are pixels with centres at
// integers, x right, y down.
package card

import (
	"math"
	"math/bits"

	"traytally/vision/kernel"
)

// A Point is a position in mm on the card or in pixels of a picture.
type Point = kernel.Point

// A Rect is an axis-parallel rectangle in mm.
type Rect struct{ X0, Y0, X1, Y1 float64 }

// W returns the width.
func (r Rect) W() float64 { return r.X1 - r.X0 }

// H returns the height.
func (r Rect) H() float64 { return r.Y1 - r.Y0 }

// Inset returns r smaller by d on each side.
func (r Rect) Inset(d float64) Rect { return Rect{r.X0 + d, r.Y0 + d, r.X1 - d, r.Y1 - d} }

// Corners returns the corners clockwise from the upper left.
func (r Rect) Corners() [4]Point {
	return [4]Point{{X: r.X0, Y: r.Y0}, {X: r.X1, Y: r.Y0}, {X: r.X1, Y: r.Y1}, {X: r.X0, Y: r.Y1}}
}

// Middle returns the centre.
func (r Rect) Middle() Point { return Point{X: (r.X0 + r.X1) / 2, Y: (r.Y0 + r.Y1) / 2} }

// Radii of a mark in mm, from its centre outwards: a black disc, white, a
// closed black ring, white, and a ring of sectors that holds the code.
const (
	DiscR    = 2.75
	RingInR  = 4.25
	RingOutR = 5.75
	CodeInR  = 6.9
	CodeOutR = 9
	// DotR is the radius of the plain dots between the marks.
	DotR = 2
)

// Sectors is the number of sectors of the code ring, one bit each.
const Sectors = 20

// words are the codes of the marks, four to a layout, clockwise from the upper
// left. The first sector is the highest bit, begins at three o'clock and runs
// clockwise; a one is black. Any two of them differ in six sectors or more
// however they are turned, and so do a word and itself turned, and a word and
// any word mirrored: one damaged sector changes nothing, and no two damages
// make another mark, another direction or a mirrored picture pass for right.
var words = [...]uint32{
	0b00011000111011111000, 0b00101101011110010010, 0b01011011001110000110, 0b01011110110011010000,
	0b10001100111001010101, 0b10011100001101011010, 0b00101010101110010110, 0b10100011101000011101,
}

// maxBitErrors is how many sectors of a mark may be read wrong.
const maxBitErrors = 1

// Black reports whether sector i, 0 to Sectors-1, of a mark is black.
func Black(layout, corner, i int) bool {
	return words[4*layout+corner]>>(Sectors-1-i)&1 == 1
}

const wordMask = 1<<Sectors - 1

func turned(w uint32, by int) uint32 {
	return (w<<by | w>>(Sectors-by)) & wordMask
}

func mirrored(w uint32) uint32 { return bits.Reverse32(w) >> (32 - Sectors) }

// lookUp finds the mark whose code, beginning at sector turn of what was read,
// is word.
func lookUp(word uint32) (layout, corner, turn int, mirror, ok bool) {
	for m, read := range [2]uint32{word, mirrored(word)} {
		for i, w := range words {
			for t := range Sectors {
				if bits.OnesCount32(turned(read, t)^w) <= maxBitErrors {
					return i / 4, i % 4, t, m == 1, true
				}
			}
		}
	}
	return 0, 0, 0, false, false
}

// A Patch is a printed grey rectangle.
type Patch struct {
	Rect
	Grey byte // sRGB value it is printed with
}

// A Layout says where everything lies on a card.
type Layout struct {
	ID      int
	Name    string
	W, H    float64  // mm
	Marks   [4]Point // centres, clockwise from the upper left
	Dots    []Point  // centres of plain dots of radius DotR
	Field   Rect     // where the rice lies; empty on a card that is laid beside it
	Patches []Patch
	Ruler   [2]Point // ends of the line to be measured
	White   []Point  // middles of places of 2 mm that are plain paper, once round the card
}

// RulerLength returns the nominal length of the ruler line in mm.
func (l *Layout) RulerLength() float64 { return l.Ruler[1].X - l.Ruler[0].X }

// HasField reports whether the rice lies on the card.
func (l *Layout) HasField() bool { return l.Field.W() > 0 }

// CornerNames name the marks for people.
var CornerNames = [4]string{"upper left", "upper right", "lower right", "lower left"}

// Greys are the values with which the patches are printed, about even steps of
// lightness down to full black.
var Greys = [...]byte{232, 208, 184, 152, 120, 88, 52, 0}

// Layouts lists the cards. They fit both A4 and US Letter paper.
var Layouts = []*Layout{tray(), strip()}

func patchRow(y0, y1 float64) []Patch {
	const from, to = 25, 165
	ps := make([]Patch, len(Greys))
	w := float64(to-from) / float64(len(Greys))
	for i, g := range Greys {
		ps[i] = Patch{Rect{from + float64(i)*w, y0, from + float64(i+1)*w, y1}, g}
	}
	return ps
}

// tray is the card on which the rice lies.
func tray() *Layout {
	l := &Layout{
		ID: 0, Name: "tray card", W: 190, H: 259,
		Marks:   [4]Point{{X: 10, Y: 10}, {X: 180, Y: 10}, {X: 180, Y: 249}, {X: 10, Y: 249}},
		Field:   Rect{20, 20, 170, 217},
		Patches: patchRow(221, 233),
		Ruler:   [2]Point{{X: 20, Y: 238}, {X: 170, Y: 238}},
	}
	for i := range 5 {
		x := 43 + 26*float64(i)
		l.Dots = append(l.Dots, Point{X: x, Y: 10}, Point{X: x, Y: 249})
	}
	for i := range 8 {
		y := 38.5 + 26*float64(i)
		l.Dots = append(l.Dots, Point{X: 10, Y: y}, Point{X: 180, Y: y})
	}
	l.White = places(6, Point{X: 24, Y: 16}, Point{X: 166, Y: 16}, Point{X: 174, Y: 24}, Point{X: 174, Y: 234},
		Point{X: 166, Y: 219}, Point{X: 24, Y: 219}, Point{X: 16, Y: 234}, Point{X: 16, Y: 24})
	return l
}

// places lists places from each first to each second point, about step apart.
func places(step float64, ends ...Point) (out []Point) {
	for ; len(ends) > 1; ends = ends[2:] {
		d := ends[1].Sub(ends[0])
		for t, l := 0.0, math.Hypot(d.X, d.Y); t <= l; t += step {
			out = append(out, Point{X: ends[0].X + d.X/l*t, Y: ends[0].Y + d.Y/l*t})
		}
	}
	return out
}

// strip is the card that lies beside the rice.
func strip() *Layout {
	l := &Layout{
		ID: 1, Name: "strip card", W: 190, H: 52,
		Marks:   [4]Point{{X: 10, Y: 10}, {X: 180, Y: 10}, {X: 180, Y: 42}, {X: 10, Y: 42}},
		Patches: patchRow(15, 27),
		Ruler:   [2]Point{{X: 20, Y: 32}, {X: 170, Y: 32}},
	}
	for i := range 6 {
		x := 40 + 22*float64(i)
		l.Dots = append(l.Dots, Point{X: x, Y: 7}, Point{X: x, Y: 42})
	}
	l.White = places(6, Point{X: 24, Y: 12}, Point{X: 166, Y: 12})
	l.White = append(l.White, places(5.5, Point{X: 172, Y: 20}, Point{X: 172, Y: 31})...) // between patches and marks
	l.White = append(l.White, places(6, Point{X: 166, Y: 46.3}, Point{X: 24, Y: 46.3})...)
	l.White = append(l.White, places(5.5, Point{X: 18, Y: 31}, Point{X: 18, Y: 20})...)
	return l
}

// SectorAngle returns where sector i begins, in radians clockwise from three
// o'clock as displayed.
func SectorAngle(i int) float64 { return 2 * math.Pi * float64(i) / Sectors }
