package vision

import (
	"fmt"
	"math"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// setAside lists what is no rice and was set aside whole; a coin that gave the
// scale is meant to lie there.
func setAside(r *segment.Result, t *kernel.Tray, c *coin) {
	t.Objects = r.Objects
	n := 0
	for _, o := range r.Objects {
		if c == nil || c.Off(kernel.Point{X: o.X, Y: o.Y}) > 0 {
			n++
		}
	}
	if n > 0 {
		what := "a large thing that is no rice lies in the picture"
		if n > 1 {
			what = fmt.Sprintf("%d large things that are no rice lie in the picture", n)
		}
		t.Warnings = append(t.Warnings, doubt("object", "things", float64(n), 0, "clear the tray of it, or crop the picture", "%s", what))
	}
}

// cluster is a piece as the tray lists it.
func cluster(q *segment.Piece) kernel.Cluster {
	m := geom.PolygonMoments(q.Outline)
	c := kernel.Cluster{X: m.X / m.A, Y: m.Y / m.A, AreaPx2: q.Area, MinX: math.MaxInt, MinY: math.MaxInt}
	for _, v := range q.Outline {
		c.MinX, c.MinY = min(c.MinX, max(0, int(v.X))), min(c.MinY, max(0, int(v.Y)))
		c.MaxX, c.MaxY = max(c.MaxX, int(v.X)+1), max(c.MaxY, int(v.Y)+1)
	}
	return c
}
