package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"traytally/vision/internal/codec"
	"traytally/vision/kernel/fault"
)

// joinGap is the free ground between joined pictures, px.
const joinGap = 6

// Join lays small pictures, such as one of each kernel, side by side on ground
// of the colour of their borders, so that they can be measured as one tray.
// The pictures must have been taken in one light and at one scale, which the
// result has. places are where they lie in it, in the order given. The caller
// closes the result, and the pictures.
func Join(name string, ps []*Picture) (joined *Picture, places []image.Rectangle, err error) {
	if len(ps) == 0 {
		return nil, nil, errors.New("no pictures to join")
	}
	var border [3][256]int
	area, widest := 0, 0
	for _, p := range ps {
		if p.Pix() == nil {
			return nil, nil, fmt.Errorf("%s is closed", p.Name)
		}
		if a, b := p.PxPerMMX, ps[0].PxPerMMX; math.Abs(a-b) > 0.01*math.Max(a, b) {
			return nil, nil, fault.New(p.Name, "take all pictures at one resolution, or give it with --dpi", "has another scale than %s", ps[0].Name)
		}
		area += (p.Width + joinGap) * (p.Height + joinGap)
		widest = max(widest, p.Width)
		p.eachBorder(func(q []byte) {
			for k := range border {
				border[k][q[k]]++
			}
		})
	}
	width := max(widest+2*joinGap, int(1.1*math.Sqrt(float64(area))))

	// Shelves of falling height.
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return ps[b].Height - ps[a].Height })
	places = make([]image.Rectangle, len(ps))
	x, y, shelf := joinGap, joinGap, 0
	for _, i := range order {
		p := ps[i]
		if x+p.Width+joinGap > width {
			x, y, shelf = joinGap, y+shelf+joinGap, 0
		}
		places[i] = image.Rect(x, y, x+p.Width, y+p.Height)
		x += p.Width + joinGap
		shelf = max(shelf, p.Height)
	}
	height := y + shelf + joinGap
	if int64(width)*int64(height) > DefaultMaxPixels {
		return nil, nil, fault.New(name, "take fewer, or cut them closer to the kernels", "%d pictures of together %d megapixels are too many to join", len(ps), area/1e6)
	}
	pix := make([]byte, 3*width*height)
	var ground [3]byte
	for k := range border {
		ground[k] = medianOf(&border[k])
	}
	for i := 0; i < len(pix); i += 3 {
		copy(pix[i:], ground[:])
	}
	for i, p := range ps {
		src := p.Pix()
		for row := range p.Height {
			copy(pix[3*((places[i].Min.Y+row)*width+places[i].Min.X):], src[3*row*p.Width:3*(row+1)*p.Width])
		}
	}
	png, err := codec.EncodePNG(fromBGR(pix, width, height))
	if err != nil {
		return nil, nil, err
	}
	if joined, err = Decode(name, png, OpenOptions{}); err != nil {
		return nil, nil, err
	}
	joined.PxPerMMX, joined.PxPerMMY, joined.ScaleSource = ps[0].PxPerMMX, ps[0].PxPerMMY, ps[0].ScaleSource
	return joined, places, nil
}

// eachBorder calls f with every pixel of the picture's border.
func (p *Picture) eachBorder(f func(bgr []byte)) {
	pix := p.Pix()
	for x := range p.Width {
		f(pix[3*x:])
		f(pix[3*((p.Height-1)*p.Width+x):])
	}
	for y := range p.Height {
		f(pix[3*y*p.Width:])
		f(pix[3*((y+1)*p.Width-1):])
	}
}

func medianOf(h *[256]int) byte {
	n := 0
	for _, c := range h {
		n += c
	}
	seen := 0
	for v, c := range h {
		if seen += c; 2*seen >= n {
			return byte(v)
		}
	}
	return 0
}
