package vision

import (
	"cmp"
	"math"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// PieceOf measures a piece from its outline, as Measure does those that it
// finds: for outlines that a person drew, parted or joined on the tray t.
// outline is a simple polygon in px of the picture as displayed, of positive
// area; hidden[i] tells that corner i lies on a dividing line towards a
// neighbour, nil that none does; faces is how many such lines there are.
//
// What Measure learns from all tips of a tray, how far a dividing line cuts
// into one, is not made up for, and colours are not measured. On a tray with a
// card, whose measures do not follow from outlines, the scale at the place is
// that of the nearest kernel.
func PieceOf(t *kernel.Tray, outline []kernel.Point, hidden []bool, faces int) kernel.Kernel {
	q := segment.Piece{Faces: faces}
	for i, a := range outline { // corners are a pixel apart, as Measure's are
		j := (i + 1) % len(outline)
		b := outline[j]
		n := max(1, int(math.Ceil(a.Dist(b))))
		for k := range n {
			f := float64(k) / float64(n)
			q.Outline = append(q.Outline, kernel.Point{X: a.X + f*(b.X-a.X), Y: a.Y + f*(b.Y-a.Y)})
			if hidden != nil {
				q.Cut = append(q.Cut, hidden[i] && (k == 0 || hidden[j]))
			}
		}
	}
	scale := 1.0
	if t.ShownPxPerMM > 0 {
		scale = scaleNear(t, geom.PolygonMoments(outline).Centroid())
		for i := range q.Outline {
			q.Outline[i].X, q.Outline[i].Y = q.Outline[i].X*scale, q.Outline[i].Y*scale
		}
	}
	k, p := measure(q, cmp.Or(t.PixelAspect, 1), t.Look.WidthPx)
	k.X, k.Y, k.Outline = k.X/scale, k.Y/scale, outline
	k.LengthSDPx = lengthSD(&k)
	k.VolumePx3 = p.volume(fractured(k.Ends, k.LengthPx < 0.8*t.Look.LengthPx), t.Look.WidthPx)
	return k
}

// scaleNear is by how much the measures of the kernel nearest to a place are
// larger than its outline.
func scaleNear(t *kernel.Tray, at kernel.Point) float64 {
	scale, d := t.PxPerMM/t.ShownPxPerMM, math.Inf(1)
	for i := range t.Kernels {
		k := &t.Kernels[i]
		if e := at.Dist(kernel.Point{X: k.X, Y: k.Y}); e < d && len(k.Outline) > 2 {
			scale, d = math.Sqrt(k.AreaPx2/geom.Area(k.Outline)), e
		}
	}
	return scale
}
