package vision

import (
	"math"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// An endShape is what one tip of a piece looks like, in units of the piece's
// own greatest width.
type endShape struct {
	full  float64 // width at endReach from the tip
	aside float64 // distance of the tip from the middle line
	face  float64 // share of the width that the longest straight run at the tip spans
	crisp int     // corners near the tip
	cut   float64 // share of the end's outline that is a dividing line

	wide  float64               // the piece's greatest width, px
	taper [len(taperAt)]float64 // distance from the tip at which the width reaches taperAt
	// hidden: the tip ends at a dividing line. The free flanks end faceAt from
	// it, where the piece is still faceWide wide.
	hidden           bool
	faceAt, faceWide float64
}

// taperAt are the widths, in greatest widths, at which a tip's shape is taken.
var taperAt = [...]float64{0.3, 0.4, 0.5, 0.6, 0.7, 0.8}

// endReach is where an end's fullness is taken, in greatest widths.
const endReach = 0.12

// greatestWidth is that of a profile.
func greatestWidth(f *geom.Profile) float64 {
	wide := 0.0
	for i := range f.Low {
		wide = math.Max(wide, f.Width(i))
	}
	return wide
}

// shapeOfEnd looks at one tip; run is along its outline, of straightRun.
func shapeOfEnd(f *geom.Profile, q *segment.Piece, pts, run []kernel.Point, last bool) endShape {
	n := len(f.Low)
	wide := greatestWidth(f)
	e := endShape{wide: wide}
	for i, k := 0, 0; i < 4*n && k < len(taperAt); i++ {
		d := (float64(i) + 0.5) * f.Step / 4
		for ; k < len(taperAt) && f.At(d, last) >= taperAt[k]*wide; k++ {
			e.taper[k] = d / wide
		}
	}
	e.full = f.At(endReach*wide, last) / wide
	tip, tipV := f.Start, f.TipV
	if last {
		tip, tipV = f.Start+f.Length(), f.EndV
	}
	// the middle line near the end: mean over 0.3 … 0.8 widths from the tip
	mid, cnt := 0.0, 0.0
	for i := range n {
		d := (float64(i) + 0.5) * f.Step
		if last {
			d = f.Length() - d
		}
		if d > 0.3*wide && d < 0.8*wide {
			mid += f.Middle(i)
			cnt++
		}
	}
	if cnt > 0 {
		e.aside = math.Abs(tipV-mid/cnt) / wide
	}
	e.face = straight(f, run, wide, last)
	s, c := math.Sincos(f.Angle)
	for _, p := range q.Corners {
		if math.Abs(p.X*c+p.Y*s-tip) < 0.6*wide {
			e.crisp++
		}
	}
	if q.Cut == nil {
		return e
	}
	total, cut, atTip, cutTip, face := 0.0, 0.0, 0.0, 0.0, 0.0
	for i, p := range pts {
		j := (i + 1) % len(pts)
		d := math.Abs((p.X+pts[j].X)/2*c + (p.Y+pts[j].Y)/2*s - tip)
		if d > 0.6*wide {
			continue
		}
		l := p.Dist(pts[j])
		isCut := q.Cut[i] || q.Cut[j]
		if isCut {
			face = max(face, math.Abs(p.X*c+p.Y*s-tip), math.Abs(pts[j].X*c+pts[j].Y*s-tip))
		}
		if d < 0.25*wide {
			total += l
			if isCut {
				cut += l
			}
		}
		if d < 0.08*wide {
			atTip += l
			if isCut {
				cutTip += l
			}
		}
	}
	if total > 0 {
		e.cut = cut / total
	}
	e.hidden = atTip > 0 && cutTip > 0.6*atTip && face < 0.7*wide
	e.faceAt, e.faceWide = face, f.At(face, last)/wide
	return e
}

// straightRun returns points along an outline in the frame of the profile, a
// twentieth of the width apart: straight parts are looked for among them.
func straightRun(f *geom.Profile, pts []kernel.Point) []kernel.Point {
	const grain = 0.05
	s, c := math.Sincos(f.Angle)
	run := evenly(pts, math.Max(0.8, grain*greatestWidth(f)))
	for i, p := range run {
		run[i] = kernel.Point{X: p.X*c + p.Y*s, Y: p.Y*c - p.X*s}
	}
	return run
}

// straight returns which share of the width, 0..1, the longest straight run of
// the outline at a tip spans across the kernel. A fracture spans nearly all of
// it, square or slanting; a grown tip a quarter to a third, the flat where the
// germ sat up to six tenths (TestTips).
func straight(f *geom.Profile, along []kernel.Point, wide float64, last bool) float64 {
	// Straight is what a line keeps to within flatness; steeper than steep to
	// the axis is a flank; its middle lies within near of the tip.
	const flatness, near, reach = 0.035, 0.75, 1.0
	steep := math.Tan(math.Pi / 6)
	tip := f.Start
	if last {
		tip += f.Length()
	}
	n, most := len(along), math.Max(0.6, flatness*wide)
	run := slices.Concat(along, along) // twice round
	for i := range run {
		run[i].X = math.Abs(run[i].X - tip)
	}
	best := 0.0
	for i, a := range run[:n] {
		if a.X > reach*wide {
			continue
		}
		line := run[i:][:n/2]
		straight := func(m int) bool { // up to point m
			d := line[m].Sub(a)
			limit := most * math.Sqrt(d.X*d.X+d.Y*d.Y)
			for _, p := range line[1:m] {
				if math.Abs((p.X-a.X)*d.Y-(p.Y-a.Y)*d.X) > limit {
					return false
				}
			}
			return true
		}
		// A run counts only as far as all shorter ones are straight. They are
		// looked at once one would count: flanks, most of all runs, never do.
		middle, seen := 0.0, 1
	longer:
		for m := 2; m < len(line); m++ {
			middle += line[m-1].X
			dx, dy := math.Abs(line[m].X-a.X), math.Abs(line[m].Y-a.Y)
			if middle >= near*wide*float64(m-1) || dy <= steep*dx || dy <= best*wide {
				continue
			}
			if !straight(m) {
				break
			}
			for seen++; seen < m; seen++ {
				if !straight(seen) {
					break longer
				}
			}
			best = dy / wide
		}
	}
	return math.Min(1, best)
}

// evenly returns points along the closed polygon p, about step apart.
func evenly(p []kernel.Point, step float64) []kernel.Point {
	round := 0.0
	for i := range p {
		round += p[i].Dist(p[(i+1)%len(p)])
	}
	n := max(8, int(round/step))
	step = round / float64(n)
	out := make([]kernel.Point, 0, n)
	at := 0.0 // way to the next point
	for i := range p {
		a, b := p[i], p[(i+1)%len(p)]
		l := a.Dist(b)
		for ; at < l && len(out) < n; at += step {
			out = append(out, kernel.Point{X: a.X + (b.X-a.X)*at/l, Y: a.Y + (b.Y-a.Y)*at/l})
		}
		at -= l
	}
	return out
}

// tip says what the end is. The chance of a fracture is a logistic regression
// on four figures of its shape, fitted to 5,900 tips of 17 rendered trays of
// five kinds of rice at 150 and 300 dpi, germ notches and phone pictures among
// them, tips of both kinds weighing alike; TestTips shows what it does. The forms are drawn at
// fixed figures: a square end is 0.6 wide where a grown one is 0.2 to 0.5; a
// flat or a tip aside of the middle line beyond 0.42 and 0.12 is rarer than 1 in
// 50 on grown ends without a germ's notch; 0.3 is narrower than an ellipse four
// times as long as wide.
func (e endShape) tip() kernel.Tip {
	if e.cut > 0.2 {
		return kernel.Tip{Form: kernel.TipHidden, Fracture: 0.5} // a neighbour hides it
	}
	odds := -8.0 + 8.2*e.face + 4.5*e.full + 11*e.aside + 1.8*float64(min(e.crisp, 2))
	t := kernel.Tip{Form: kernel.TipRounded, Fracture: 1 / (1 + math.Exp(-odds))}
	switch {
	case odds > 0 && e.full > 0.6:
		t.Form = kernel.TipSquare
	case odds > 0:
		t.Form = kernel.TipOblique
	case e.face > 0.42 || e.aside > 0.12:
		t.Form = kernel.TipGerm
	case e.full < 0.3:
		t.Form = kernel.TipPointed
	}
	return t
}

// end is what can be said of a tip for sure: the doubtful third in the middle
// is left open.
func end(t kernel.Tip) kernel.End {
	switch {
	case t.Form == kernel.TipHidden:
	case t.Fracture < 1.0/3:
		return kernel.EndIntact
	case t.Fracture > 2.0/3:
		return kernel.EndBroken
	}
	return kernel.EndUnknown
}

// tipShape is how the sample's own grown tips taper: the distance from the tip,
// in greatest widths, at which each of taperAt is reached.
type tipShape struct {
	at [len(taperAt)]float64
	n  int
}

// tipShapeOf takes the median over free-lying ends.
func tipShapeOf(e []endShape) tipShape {
	var t tipShape
	for k := range taperAt {
		var v []float64
		for _, s := range e {
			if s.cut == 0 && s.crisp == 0 {
				v = append(v, s.taper[k])
			}
		}
		t.n = len(v)
		if len(v) > 0 {
			t.at[k] = pixel.Median(v)
		}
	}
	return t
}

// missing returns how far, in pixels, a tip reaches beyond the dividing line
// that hides it, if it tapers as the sample's own tips do: neighbours press
// into each other, and a straight line takes the tip off one of them. Of a
// fracture that a line hides nothing is known but pressed, the usual overlap on
// this tray. It is 0 where the line cannot be an end.
func (t *tipShape) missing(e endShape, pressed float64) float64 {
	d, ok := t.beyond(e)
	switch {
	case ok:
		return math.Max(-0.02, math.Min(0.08, 0.7*d)) * e.wide
	case e.hidden && e.faceWide > taperAt[len(taperAt)-1]:
		return 0.7 * pressed * e.wide
	}
	return 0
}

// beyond is how far, in greatest widths, the tip lies beyond the dividing line
// by its taper; ok is false where the line is too wide or too narrow to tell,
// and where too few tips lie free.
func (t *tipShape) beyond(e endShape) (d float64, ok bool) {
	last := len(taperAt) - 1
	if !e.hidden || t.n < 8 || e.faceWide > taperAt[last] || e.faceWide < 0.15 {
		return 0, false
	}
	d = t.at[0] * e.faceWide / taperAt[0]
	for k := range last {
		if w := e.faceWide; w >= taperAt[k] {
			d = t.at[k] + (t.at[k+1]-t.at[k])*(w-taperAt[k])/(taperAt[k+1]-taperAt[k])
		}
	}
	return d - e.faceAt/e.wide, true
}

// pressed is the usual overlap of outlines on a tray in greatest widths, by
// the tips that dividing lines hide: 0 where these are few.
func (t *tipShape) pressed(parts []*piece) float64 {
	var v []float64
	for _, p := range parts {
		for _, e := range p.ends {
			if d, ok := t.beyond(e); ok {
				v = append(v, d)
			}
		}
	}
	if len(v) < 20 {
		return 0
	}
	return math.Max(0, math.Min(0.05, pixel.Median(v)))
}
