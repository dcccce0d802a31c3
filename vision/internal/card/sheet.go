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
	// sameScale is how far the scales of width and height may differ.
	sameScale = 0.006
)

// Printed returns at which size the card was printed, 1 as designed, told from
// the edges of the sheet where all four are seen and their distances are those
// of a whole sheet of one of Papers. ok is false where that cannot be told.
func (f *Found) Printed(p Pixels) (size float64, paper Paper, ok bool) {
	if !f.Layout.HasField() { // is cut out
		return 0, Paper{}, false
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
			return 0, Paper{}, false
		}
		slices.Sort(d)
		if n := len(d); d[n*3/4]-d[n/4] > edgeSpread {
			return 0, Paper{}, false
		}
		out[side] = d[len(d)/2]
	}
	w, h := l.W+out[1]+out[3], l.H+out[0]+out[2]
	best := sameScale
	for _, q := range Papers {
		sx, sy := q.W/w, q.H/h
		if d := math.Abs(sx/sy - 1); d < best {
			best, size, paper, ok = d, (sx+sy)/2, q, true
		}
	}
	return size, paper, ok
}

// leave returns how far from a place of the card, in a direction, the light
// drops as it does at the edge of the paper.
func (f *Found) leave(p Pixels, at, away Point) (float64, bool) {
	const n, gap = int(edgeMost / edgeStep), int(edgeWidth / edgeStep)
	var v [n]float64
	for i := range v {
		t := edgeStep * float64(i)
		q := f.Camera.ToPicture(Point{X: at.X + away.X*t, Y: at.Y + away.Y*t})
		y, ok := p.at(q.X, q.Y)
		if !ok {
			return 0, false
		}
		v[i] = lin(y)
		if i < 2*gap {
			continue
		}
		paper := v[i-2*gap]
		if v[i] >= (1-edgeDrop)*paper {
			continue
		}
		// Half way between paper and what lies beyond, which may not be reached yet.
		below := v[i]
		for j := i + 1; j < min(n, i+2*gap); j++ {
			q := f.Camera.ToPicture(Point{X: at.X + away.X*edgeStep*float64(j), Y: at.Y + away.Y*edgeStep*float64(j)})
			y, ok := p.at(q.X, q.Y)
			if !ok {
				return 0, false
			}
			v[j] = lin(y)
			below = min(below, v[j])
		}
		half := (below + paper) / 2
		for j := i - 2*gap + 1; j < min(n, i+2*gap); j++ {
			if v[j-1] >= half && v[j] < half {
				return edgeStep * (float64(j) - (half-v[j])/(v[j-1]-v[j])), true
			}
		}
		return 0, false
	}
	return 0, false
}
