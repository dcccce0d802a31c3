package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// profileSteps is the number of slices of the width profile.
const profileSteps = 64

// measure turns a piece's outline into a kernel. aspect is the height of a
// pixel over its width, width the sample's own whole-kernel width in px.
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
		AxisLengthPx:  f.Length(),
		AreaPx2:       m.A,
		AngleRad:      f.Angle,
		Solidity:      math.Min(1, m.A/geom.Area(hull)),
		ForeignChance: q.Foreign,
		Contacts:      q.Faces,
		CoveredShare:  math.Min(1, math.Max(0, q.Covered)),
		Outline:       q.Outline,
	}
	run := straightRun(&f, pts)
	ends := [2]endShape{shapeOfEnd(&f, &q, pts, run, false), shapeOfEnd(&f, &q, pts, run, true)}
	for i, e := range ends {
		k.Tips[i] = e.tip()
		k.Ends[i] = end(k.Tips[i])
	}
	return k, &piece{profile: f, ends: ends}
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
	var x, y []float64
	for i := from; i < to; i++ {
		x, y = append(x, float64(i)), append(y, f.Middle(i))
	}
	at, slope := stat.LinearRegression(x, y, nil, false)
	return func(i int) float64 { return at + slope*float64(i) }
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
		wide, middles := 0.0, make([]float64, 0, steps)
		for j := 2; j < steps-2; j++ {
			wide, middles = math.Max(wide, f.Width(j)), append(middles, f.Middle(j))
		}
		score := math.Abs(wide/width-1) + 3*stat.PopStdDev(middles, nil)/width
		if score < best-1e-9 {
			best, at = score, a
		}
	}
	return geom.ProfileOf(pts, geom.Axial(at), profileSteps)
}
