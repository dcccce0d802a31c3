package vision

import (
	"math"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// profileSteps is the number of slices of the width profile.
const profileSteps = 64

// measure turns a piece's outline into a kernel. aspect is the height of a
// pixel over its width, width the sample's own whole-kernel width in px. The
// ends are judged later, against the ends of the whole tray.
func measure(q segment.Piece, aspect, width float64) (kernel.Kernel, *piece) {
	pts := q.Outline
	c := geom.PolygonMoments(pts).Centroid()
	if math.Abs(aspect-1) > 1e-6 {
		pts = slices.Clone(pts)
		for i := range pts {
			pts[i].Y *= aspect
		}
	}
	m := geom.PolygonMoments(pts)
	hull := geom.Hull(pts)
	cal := geom.Caliper(hull)
	f := kernelAxis(pts, m, cal, width)
	k := kernel.Kernel{
		X: c.X, Y: c.Y,
		LengthPx: cal.Max, WidthPx: cal.Min,
		AxisLengthPx: f.Length(),
		AreaPx2:      m.A,
		AngleRad:     f.Angle,
		Solidity:     math.Min(1, m.A/geom.Area(hull)),
		Contacts:     q.Faces,
		Outline:      q.Outline,
	}
	return k, &piece{profile: f, ends: [2]endShape{shapeOfEnd(&f, &q, pts, false), shapeOfEnd(&f, &q, pts, true)}}
}

// A piece is what the judging of ends and mass needs beyond the kernel.
type piece struct {
	profile geom.Profile
	ends    [2]endShape
}

// fractureReach is how far from its tip a fracture may narrow a piece, in
// greatest widths; an oblique one of 42 degrees reaches as far.
const fractureReach = 0.9

// volume is the solid volume in px³, whole the width of the sample's kernels.
// A grown kernel is an ellipse across, κ times as thick as wide, and a piece
// is as thick as the kernel was there: a fracture takes off a strip of the
// ellipse and leaves the rest as it was.
func (p *piece) volume(ends [2]kernel.End, whole float64) float64 {
	f := &p.profile
	n := len(f.Low)
	wide := p.ends[0].wide
	split := splitWidth(ends, wide, whole)
	reach := min(n/2, int(fractureReach*wide/f.Step+0.5))
	var middle [2]func(i int) float64
	for e := range middle {
		if ends[e] == kernel.EndBroken {
			middle[e] = middleLine(f, reach, int(0.6*wide/f.Step+0.5), e == 1)
		}
	}
	s := 0.0
	for i := range n {
		mid, half := f.Middle(i), f.Width(i)/2
		if half <= 0 {
			continue
		}
		if split > 2*half { // one of its sides is grown
			half, mid = split/2, f.Low[i]+split/2
		}
		for e, line := range middle {
			if at := [2]int{i, n - 1 - i}[e]; line == nil || at >= reach {
				continue
			}
			// The flank further from the middle line is the grown one.
			m := line(i)
			high, low := f.High[i]-m, m-f.Low[i]
			h := math.Min(math.Max(high, low)-0.05*wide, wide/2)
			if h <= half {
				continue
			}
			half, mid = h, f.Low[i]+h
			if high > low {
				mid = f.High[i] - h
			}
		}
		s += half * half * (strip((f.High[i]-mid)/half) - strip((f.Low[i]-mid)/half))
	}
	return thickness * s * f.Step
}

// fractured returns the ends with what is not seen made up for: a short piece
// has a fracture somewhere.
func fractured(ends [2]kernel.End, short bool) [2]kernel.End {
	if !short || ends[0] == kernel.EndBroken || ends[1] == kernel.EndBroken {
		return ends
	}
	for i, e := range ends {
		if e == kernel.EndUnknown {
			ends[i] = kernel.EndBroken
		}
	}
	return ends
}

// strip is the area of the unit circle below height t, up to a constant.
func strip(t float64) float64 {
	t = math.Min(1, math.Max(-1, t))
	return t*math.Sqrt(1-t*t) + math.Asin(t)
}

// middleLine returns the line along the middles of span slices from slice
// first on, counted from the last tip when last is true; nil where the piece
// is too short to tell.
func middleLine(f *geom.Profile, first, span int, last bool) func(i int) float64 {
	n := len(f.Low)
	from, to := first, min(first+span, n)
	if to-from < span*2/3 || to-from < 3 {
		return nil
	}
	if last {
		from, to = n-to, n-from
	}
	var sx, sy, sxx, sxy float64
	k := float64(to - from)
	for i := from; i < to; i++ {
		x, y := float64(i), f.Middle(i)
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	slope := (sxy - sx*sy/k) / (sxx - sx*sx/k)
	return func(i int) float64 { return sy/k + slope*(float64(i)-sx/k) }
}

// splitWidth returns how wide the kernel was of which a narrow piece without
// grown tips is a sliver or a slab, or 0 for other pieces. A kernel of the
// sample that is four scatters narrower than the others is rarer than such a
// piece.
func splitWidth(ends [2]kernel.End, wide, whole float64) float64 {
	grown := ends[0] == kernel.EndIntact || ends[1] == kernel.EndIntact
	broken := ends[0] == kernel.EndBroken || ends[1] == kernel.EndBroken
	if grown || !broken || wide >= 0.85*whole {
		return 0
	}
	// A piece comes from anywhere along the kernel: 0.95 of its greatest width
	// on average.
	return 0.95 * whole * math.Min(1, (0.85*whole-wide)/(0.2*whole))
}

// thickness is κ, the thickness of a milled kernel over its width: 1.65/2.05
// for the middle of long grain in Cereals Processing Technology (ed. G. Owens,
// Woodhead 2001), table 5.1; medium 0.72, short 0.70. It scales all volumes of
// a lot alike, so that it cancels in shares.
const thickness = 0.80

// lengthSD is the standard uncertainty of a length in pixels: 0.22 for a free
// kernel, more for a ragged fracture, a hundredth of the width, and for each
// face that a neighbour hides. From the spread of (length - truth) on rendered
// trays at 150 to 600 dpi (TestLengthSpread).
func lengthSD(k *kernel.Kernel) float64 {
	ragged := 0.0
	if k.Ends[0] == kernel.EndBroken || k.Ends[1] == kernel.EndBroken {
		ragged = 0.01 * k.WidthPx
	}
	return math.Sqrt(0.22*0.22 + ragged*ragged + 0.35*0.35*float64(k.Contacts))
}

// kernelAxis returns the profile along the axis the piece had as part of a
// kernel. For anything clearly longer than wide that is the principal axis.
// A short piece may be wider than long: there the axis is the direction across
// which it is as wide as the sample's kernels, with a straight middle line.
func kernelAxis(pts []kernel.Point, m geom.Moments, cal geom.Calipers, width float64) geom.Profile {
	major, minor, angle := m.Axes()
	if width <= 0 || major > 1.6*minor || cal.Max > 1.7*width {
		return geom.ProfileOf(pts, angle, profileSteps)
	}
	const tries, steps = 18, 24
	best, at := math.Inf(1), angle
	for i := range tries {
		a := angle + math.Pi*float64(i)/tries
		f := geom.ProfileOf(pts, a, steps)
		wide, mid, n := 0.0, 0.0, 0.0
		for j := 2; j < steps-2; j++ {
			wide = math.Max(wide, f.Width(j))
			mid += f.Middle(j)
			n++
		}
		mid /= n
		bend := 0.0
		for j := 2; j < steps-2; j++ {
			bend += (f.Middle(j) - mid) * (f.Middle(j) - mid)
		}
		score := math.Abs(wide/width-1) + 3*math.Sqrt(bend/n)/width
		if score < best-1e-9 {
			best, at = score, a
		}
	}
	for at > math.Pi/2 {
		at -= math.Pi
	}
	return geom.ProfileOf(pts, at, profileSteps)
}

// An endShape is what one tip of a piece looks like, in units of the piece's
// own greatest width.
type endShape struct {
	full  float64 // width at endReach from the tip
	back  float64 // width at three times that
	aside float64 // distance of the tip from the middle line
	crisp int     // corners within half a width of the tip
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

func shapeOfEnd(f *geom.Profile, q *segment.Piece, pts []kernel.Point, last bool) endShape {
	n := len(f.Low)
	wide := 0.0
	for i := range n {
		wide = math.Max(wide, f.Width(i))
	}
	e := endShape{wide: wide}
	for i, k := 0, 0; i < 4*n && k < len(taperAt); i++ {
		d := (float64(i) + 0.5) * f.Step / 4
		for ; k < len(taperAt) && f.At(d, last) >= taperAt[k]*wide; k++ {
			e.taper[k] = d / wide
		}
	}
	e.full = f.At(endReach*wide, last) / wide
	e.back = f.At(3*endReach*wide, last) / wide
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
			t.at[k], _ = robust(v)
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
	mid, _ := robust(v)
	return math.Max(0, math.Min(0.05, mid))
}

// endLimits are the limits between grown and fractured tips, taken from the
// sample's own long pieces: varieties differ in how blunt their tips are.
type endLimits struct {
	full, fullSpread   float64 // of the free ends: median, robust standard deviation
	aside, asideSpread float64
}

// limitsOf takes the limits from the free ends of the long pieces of a tray.
func limitsOf(e []endShape) endLimits {
	var full, aside []float64
	for _, v := range e {
		if v.cut == 0 {
			full, aside = append(full, v.full), append(aside, v.aside)
		}
	}
	l := endLimits{full: 0.45, fullSpread: 0.06, aside: 0.03, asideSpread: 0.04} // an ellipse three times as long as wide
	if len(full) >= 20 {
		l.full, l.fullSpread = robust(full)
		l.aside, l.asideSpread = robust(aside)
	}
	return l
}

// robust returns the median and 1.4826 times the median absolute deviation.
func robust(v []float64) (mid, spread float64) {
	v = slices.Clone(v)
	slices.Sort(v)
	mid = v[len(v)/2]
	for i := range v {
		v[i] = math.Abs(v[i] - mid)
	}
	slices.Sort(v)
	return mid, 1.4826 * v[len(v)/2]
}

// judge tells a grown tip from a fractured one. A fracture leaves corners, a
// blunt end, or a tip that sits at one side.
func (l endLimits) judge(e endShape) kernel.End {
	blunt := e.full > l.full+math.Max(0.12, 3.5*l.fullSpread)
	oblique := e.aside > l.aside+math.Max(0.17, 4*l.asideSpread)
	dull := e.full > l.full+math.Max(0.06, 2*l.fullSpread) || e.aside > l.aside+math.Max(0.1, 2.5*l.asideSpread)
	switch {
	case e.cut > 0.2:
		return kernel.EndUnknown // a neighbour hides it
	case e.crisp >= 2 || blunt || oblique:
		return kernel.EndBroken
	case e.crisp == 1 && dull:
		return kernel.EndBroken
	case e.crisp == 1 || dull:
		return kernel.EndUnknown
	}
	return kernel.EndIntact
}
