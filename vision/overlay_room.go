package vision

import (
	"image"
	"image/draw"
	"math"

	"golang.org/x/image/vector"
)

// A room knows which places of a backdrop are covered by kernels, in cells of
// roomCell pixels a side, so that the number of a small piece can stand beside
// it where it hides least.
type room struct{ mask *image.Alpha }

const roomCell = 4

func newRoom(size image.Point, outlines [][]vertex) *room {
	w, h := (size.X+roomCell-1)/roomCell, (size.Y+roomCell-1)/roomCell
	ras := vector.NewRasterizer(w, h)
	for _, pts := range outlines {
		if len(pts) < 3 {
			continue
		}
		ras.MoveTo(pts[0].x/roomCell, pts[0].y/roomCell)
		for _, p := range pts[1:] {
			ras.LineTo(p.x/roomCell, p.y/roomCell)
		}
		ras.ClosePath()
	}
	r := &room{image.NewAlpha(image.Rect(0, 0, w, h))}
	ras.DrawOp = draw.Src
	ras.Draw(r.mask, r.mask.Rect, image.Opaque, image.Point{})
	return r
}

// beside returns where text of the given size is to be centred beside a piece
// around (x, y): right, left, below or above, where it covers least. The place
// is then taken.
func (r *room) beside(piece []vertex, x, y, width, height float64) (float64, float64) {
	x0, y0, x1, y1 := x, y, x, y
	for _, v := range piece {
		x0, x1 = min(x0, float64(v.x)), max(x1, float64(v.x))
		y0, y1 = min(y0, float64(v.y)), max(y1, float64(v.y))
	}
	const gap = 5
	bestX, bestY, least := x, y, math.Inf(1)
	for _, at := range [...][2]float64{
		{x1 + gap + width/2, y}, {x0 - gap - width/2, y},
		{x, y1 + gap + height/2}, {x, y0 - gap - height/2},
	} {
		if c := r.covered(at[0], at[1], width, height); c < least {
			bestX, bestY, least = at[0], at[1], c
		}
	}
	cells := r.cells(bestX, bestY, width, height).Intersect(r.mask.Rect)
	draw.Draw(r.mask, cells, image.Opaque, image.Point{}, draw.Src)
	return bestX, bestY
}

func (r *room) cells(x, y, width, height float64) image.Rectangle {
	return image.Rect(
		int(math.Floor((x-width/2)/roomCell)), int(math.Floor((y-height/2)/roomCell)),
		int(math.Ceil((x+width/2)/roomCell)), int(math.Ceil((y+height/2)/roomCell)))
}

// covered is how much of a place is taken; what lies outside is.
func (r *room) covered(x, y, width, height float64) float64 {
	sum := 0.0
	cells := r.cells(x, y, width, height)
	for v := cells.Min.Y; v < cells.Max.Y; v++ {
		for u := cells.Min.X; u < cells.Max.X; u++ {
			if !(image.Point{u, v}).In(r.mask.Rect) {
				sum += 255
			} else {
				sum += float64(r.mask.AlphaAt(u, v).A)
			}
		}
	}
	return sum
}
