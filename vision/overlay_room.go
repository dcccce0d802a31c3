package vision

import (
	"image"
	"image/draw"
	"math"
	"slices"

	"traytally/vision/kernel"
)

// A room knows which places of a backdrop are covered by kernels, in cells of
// roomCell pixels a side, so that the number of a small piece can stand beside
// it where it hides least.
type room struct{ mask *image.Alpha }

const roomCell = 4

func newRoom(size image.Point, outlines [][]kernel.Point) *room {
	w, h := (size.X+roomCell-1)/roomCell, (size.Y+roomCell-1)/roomCell
	var cells [][]kernel.Point
	for _, pts := range outlines {
		small := slices.Clone(pts)
		for i, p := range pts {
			small[i] = kernel.Point{X: p.X / roomCell, Y: p.Y / roomCell}
		}
		cells = append(cells, small)
	}
	return &room{coverage(image.Rect(0, 0, w, h), cells...)}
}

// beside returns where text of the given size is to be centred beside a piece
// around (x, y): right, left, below or above, where it covers least. The place
// is then taken.
func (r *room) beside(piece []kernel.Point, x, y, width, height float64) (float64, float64) {
	lo, hi := bounds(append(slices.Clip(piece), kernel.Point{X: x, Y: y}))
	const gap = 5
	bestX, bestY, least := x, y, math.Inf(1)
	for _, at := range [...][2]float64{
		{hi.X + gap + width/2, y}, {lo.X - gap - width/2, y},
		{x, hi.Y + gap + height/2}, {x, lo.Y - gap - height/2},
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
