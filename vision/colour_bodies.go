package vision

import (
	"fmt"
	"math"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// What shape alone tells from groups of touching kernels.
const (
	// oneBody is the solidity (area over hull area) from which on a region is
	// one body: touching kernels leave notches. Paddy and pebbles, which are
	// larger than a kernel, reach 0.99; two kernels flank to flank 0.97.
	oneBody = 0.98
	// objectArea is the area, in whole kernels, from which on one body is a
	// thing lying by: a cap, a coin, a ruler.
	objectArea = 6
	// objectHull is the share of its hull that the outline of such a thing
	// follows. A heap of kernels touches its hull with single flanks.
	objectHull = 0.5
	// objectRim is how far around a thing, in kernel widths, pieces belong to
	// it: teeth of a cap, marks of a ruler.
	objectRim = 0.35
	// thinWidth and thinAspect: a piece narrower than this share of a kernel
	// and so much longer than wide is a hair, a fibre or a scratch.
	thinWidth  = 0.25
	thinAspect = 4
)

// setAside sorts by shape what is no group of kernels, before anything is
// measured. Single bodies among the groups become pieces; large things and
// what belongs to them leave the result and are listed in t.Objects; hairs and
// scratches count as too small.
func setAside(r *segment.Result, t *kernel.Tray) {
	m := r.Model
	if m.Width <= 0 || m.Area <= 0 {
		return
	}
	var hulls [][]kernel.Point
	r.Unresolved = slices.DeleteFunc(r.Unresolved, func(q segment.Piece) bool {
		hull := geom.Hull(q.Outline)
		solid := q.Area / geom.Area(hull)
		c := geom.Caliper(hull)
		switch {
		case c.Min < thinWidth*m.Width && c.Max > thinAspect*c.Min:
			r.Small++
		case q.Area > objectArea*m.Area && alongHull(q.Outline, hull) >= objectHull:
			t.Objects = append(t.Objects, cluster(&q))
			hulls = append(hulls, hull)
		case solid >= oneBody && !q.Edge:
			r.Pieces = append(r.Pieces, q)
		default:
			return false
		}
		return true
	})
	before := len(r.Pieces)
	r.Pieces = slices.DeleteFunc(r.Pieces, func(q segment.Piece) bool {
		at := geom.PolygonMoments(q.Outline).Centroid()
		for _, h := range hulls {
			if geom.Contains(h, at) || distance(h, at) < objectRim*m.Width+0.5*math.Sqrt(q.Area) {
				return true
			}
		}
		return false
	})
	parts := before - len(r.Pieces)
	if n := len(t.Objects); n > 0 {
		what := "a large thing that is no rice lies in the picture"
		if n > 1 {
			what = fmt.Sprintf("%d large things that are no rice lie in the picture", n)
		}
		if parts > 0 {
			what += fmt.Sprintf("; with it %d pieces at its rim were left out", parts)
		}
		t.Warnings = append(t.Warnings, kernel.Warning{
			Code: "object", Text: what, Hint: "clear the tray of it, or crop the picture",
			Value: float64(n), Metric: "things",
		})
	}
}

// cluster is a region as the tray lists it.
func cluster(q *segment.Piece) kernel.Cluster {
	m := geom.PolygonMoments(q.Outline)
	c := kernel.Cluster{X: m.X / m.A, Y: m.Y / m.A, AreaPx2: q.Area, MinX: math.MaxInt, MinY: math.MaxInt}
	for _, v := range q.Outline {
		c.MinX, c.MinY = min(c.MinX, max(0, int(v.X))), min(c.MinY, max(0, int(v.Y)))
		c.MaxX, c.MaxY = max(c.MaxX, int(v.X)+1), max(c.MaxY, int(v.Y)+1)
	}
	return c
}

// alongHull returns the share of the hull's length that the outline follows
// within a pixel and a half.
func alongHull(outline, hull []kernel.Point) float64 {
	const near = 1.5
	along := 0.0
	a := outline[len(outline)-1]
	da := distance(hull, a)
	for _, b := range outline {
		db := distance(hull, b)
		if da < near && db < near {
			along += a.Dist(b)
		}
		a, da = b, db
	}
	total, p := 0.0, hull[len(hull)-1]
	for _, q := range hull {
		total += p.Dist(q)
		p = q
	}
	return along / total
}

// distance returns how far a point is from a closed line.
func distance(line []kernel.Point, q kernel.Point) float64 {
	best := math.Inf(1)
	a := line[len(line)-1]
	for _, b := range line {
		dx, dy := b.X-a.X, b.Y-a.Y
		u := 0.0
		if n := dx*dx + dy*dy; n > 0 {
			u = min(max(((q.X-a.X)*dx+(q.Y-a.Y)*dy)/n, 0), 1)
		}
		best = min(best, math.Hypot(q.X-a.X-u*dx, q.Y-a.Y-u*dy))
		a = b
	}
	return best
}
