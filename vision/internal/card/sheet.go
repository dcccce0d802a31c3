package card

import (
	"math"
	"slices"
)

// A Paper is a sheet that cards are printed on, upright, in mm.
type Paper struct {
	Name string // as commands take it
	Call string // as people say it
	W, H float64
}

// Papers lists what a card can be printed on: ISO 216 A4, whose sides may be
// off by 2 mm each (ISO 216, from memory), and US Letter (8.5 × 11 in).
var Papers = []Paper{{"a4", "A4", 210, 297}, {"letter", "Letter", 215.9, 279.4}}

// Search for the sheet's edges.
const (
	edgeRays  = 24
	edgeStep  = 0.1  // mm
	edgeMost  = 45   // mm outside the card's rectangle
	edgeDrop  = 0.25 // of the light, within edgeWidth
	edgeWidth = 1.0  // mm
	// edgeSpread is how far the places along one side may scatter, mm.
	edgeSpread = 0.4
	// maxFit is how far a printer's "fit to page" may change width or height.
	// What differs more from all papers is no whole sheet.
	maxFit = 0.08
)

// A Print is the size at which a card was printed, told from the edges of its
// sheet: 1 as designed.
type Print struct {
	Paper Paper
	X, Y  float64 // along the card's x and y
}

// Size returns the mean of both directions.
func (s *Print) Size() float64 { return (s.X + s.Y) / 2 }

// Stretch returns by how much more the print is high than wide, as a share.
func (s *Print) Stretch() float64 { return math.Log(s.Y / s.X) }

// Printed returns at which size the card was printed, where all four edges of
// the sheet are seen and their distances are about those of one of Papers: of
// that one whose sides the print suits most alike. ok is false where that
// cannot be told.
func (f *Found) Printed(p Pixels) (s Print, ok bool) {
	if !f.Layout.HasField() { // is cut out
		return s, false
	}
	l := f.Layout
	var out [4]float64 // from the card's rectangle to the edge: upper, right, lower, left
	for side := range out {
		var d []float64
		for i := range edgeRays {
			t := 0.1 + 0.8*(float64(i)+0.5)/edgeRays
			at := [4]Point{{X: t * l.W}, {X: l.W, Y: t * l.H}, {X: t * l.W, Y: l.H}, {Y: t * l.H}}[side]
			away := [4]Point{{Y: -1}, {X: 1}, {Y: 1}, {X: -1}}[side]
			if v, ok := f.leave(p, at, away); ok {
				d = append(d, v)
			}
		}
		if len(d) < edgeRays/2 {
			return s, false
		}
		slices.Sort(d)
		if n := len(d); d[n*3/4]-d[n/4] > edgeSpread {
			return s, false
		}
		out[side] = d[len(d)/2]
	}
	w, h := l.W+out[1]+out[3], l.H+out[0]+out[2]
	for _, q := range Papers {
		t := Print{q, q.W / w, q.H / h}
		if max(math.Abs(t.X-1), math.Abs(t.Y-1)) <= maxFit && (!ok || math.Abs(t.Stretch()) < math.Abs(s.Stretch())) {
			s, ok = t, true
		}
	}
	return s, ok
}

// leave returns how far from a place of the card, in a direction, the light
// drops as it does at the edge of the paper.
func (f *Found) leave(p Pixels, at, away Point) (float64, bool) {
	const n, gap = int(edgeMost / edgeStep), int(2 * edgeWidth / edgeStep)
	var v []float64
	for i := range n {
		t := edgeStep * float64(i)
		q := f.Camera.ToPicture(Point{X: at.X + away.X*t, Y: at.Y + away.Y*t})
		y, ok := p.at(q.X, q.Y)
		if !ok {
			break
		}
		v = append(v, lin(y))
	}
	for i := gap; i < len(v); i++ {
		paper := v[i-gap]
		if v[i] >= (1-edgeDrop)*paper {
			continue
		}
		end := min(n, i+gap)
		if end > len(v) {
			return 0, false
		}
		// Half way between paper and what lies beyond, which may not be reached yet.
		far, ok := crossing(v[i-gap:end], paper, slices.Min(v[i:end]))
		return edgeStep * (float64(i-gap) + far), ok
	}
	return 0, false
}
