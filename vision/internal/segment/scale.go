package segment

import (
	"context"
	"errors"
	"math"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/pixel"
	"traytally/vision/internal/shrink"
)

// The working scale: how many pixels of the picture go to one of the network's.
// It is found from what stands out in a preview, checked by what the network
// then finds, and looked for at all sizes where that fails.

const (
	previewPixels = 700_000 // of the preview
	previewCell   = 32      // side of the squares in which outlines are counted, px
	// elongated is 4·area/perimeter of a kernel two and a half to four times as
	// long as wide, in widths (ellipse: 1.38 to 1.46).
	elongated = 1.42
	// scaleSlack is how far, as a ratio, kernels may be from kernelWidth before
	// the network looks once more.
	scaleSlack = 1.22
	// mostPixels is the largest picture shown to the network, at its scale: A3
	// full of kernels 1.7 mm wide has 6.2 million whatever its resolution. What
	// stands out in a checkerboard would take up to 140, and minutes.
	mostPixels = 8_000_000
	// sureBodies is the number of pieces from which on a scale is believed.
	sureBodies = 5
)

// ErrFine says that what stands out is so fine that the picture would hold tens
// of thousands of kernels.
var ErrFine = errors.New("too much fine detail for kernels")

// survey shows the picture to the network at the scale at which its kernels are
// kernelWidth wide, and takes the pieces apart.
func survey(ctx context.Context, p Picture) (*maps, *blobs, error) {
	try := func(scale float64) (*maps, *blobs, error) {
		// never finer than a kernel of minimal width, nor so coarse that no side is left
		scale = min(max(scale, 0.5), float64(min(p.W, p.H))/16)
		if float64(p.W)*float64(p.H) > mostPixels*scale*scale {
			return nil, nil, ErrFine
		}
		m, err := look(ctx, p, scale)
		if err != nil {
			return nil, nil, err
		}
		return m, m.blobs(), nil
	}
	var best *maps
	var found *blobs
	score := 0.0
	keep := func(m *maps, b *blobs) {
		if s := b.score(); best == nil || s > score {
			best, found, score = m, b, s
		}
	}
	if w, err := previewWidth(ctx, p); err != nil {
		return nil, nil, err
	} else if w > 0 {
		m, b, err := try(w / kernelWidth)
		if err != nil {
			return nil, nil, err
		}
		keep(m, b)
	}
	if found == nil || !found.plausible() {
		for side := 1200.0; side > 150; side *= 0.6 {
			m, b, err := try(float64(max(p.W, p.H)) / side)
			if err != nil {
				return nil, nil, err
			}
			keep(m, b)
		}
	}
	for range 2 {
		if found.n < sureBodies || max(found.width/kernelWidth, kernelWidth/found.width) <= scaleSlack {
			break
		}
		m, b, err := try(best.sx * found.width / kernelWidth)
		if err != nil {
			return nil, nil, err
		}
		best, found = m, b
	}
	return best, found, nil
}

// plausible reports whether these are pieces at about the right scale.
func (b *blobs) plausible() bool {
	return b.n >= sureBodies && b.width > kernelWidth/2 && b.width < kernelWidth*2
}

// score is the number of pieces, as far as they are of the width that the
// network is best at.
func (b *blobs) score() float64 {
	if b.n == 0 {
		return 0
	}
	d := math.Log(b.width/kernelWidth) / 0.45
	return float64(b.n) * math.Exp(-d*d)
}

// previewWidth returns how wide, in pixels, what stands out from the ground
// is, or 0: from area over perimeter within small squares, so that a few large
// things and their print weigh little.
func previewWidth(ctx context.Context, p Picture) (float64, error) {
	s := max(1, math.Sqrt(float64(p.W)*float64(p.H)/previewPixels))
	w, h := max(1, int(float64(p.W)/s)), max(1, int(float64(p.H)/s))
	pix, err := shrink.Area(ctx, p.Pix, p.W, p.H, w, h)
	if err != nil {
		return 0, err
	}
	stands, err := standingOut(ctx, pix, w, h)
	if err != nil {
		return 0, err
	}
	var widths []float64
	for y0 := 0; y0+previewCell <= h; y0 += previewCell {
		for x0 := 0; x0+previewCell <= w; x0 += previewCell {
			area, sides := 0, 0
			for y := y0; y < y0+previewCell-1; y++ {
				row, next := stands[y*w+x0:][:previewCell], stands[(y+1)*w+x0:][:previewCell]
				for x, in := range row[:previewCell-1] {
					if in {
						area++
					}
					if in != row[x+1] {
						sides++
					}
					if in != next[x] {
						sides++
					}
				}
			}
			// sides of pixels are 4/π as many as the outline is long
			if sides > previewCell {
				widths = append(widths, 4*float64(area)/(math.Pi/4*float64(sides))/elongated)
			}
		}
	}
	if len(widths) < 3 {
		return 0, nil
	}
	if w := pixel.Median(widths); w >= 2 {
		return w * s, nil
	}
	return 0, nil
}

// standingOut marks the pixels that differ from the ground, which is the most
// frequent colour in each of 4 × 4 parts of the picture.
func standingOut(ctx context.Context, pix []byte, w, h int) ([]bool, error) {
	const parts, bins = 4, 16
	diff := make([]uint8, w*h)
	var hists [parts * parts][256]int
	if err := parallel.Each(ctx, len(hists), func(_, part int) {
		i, j, hist := part%parts, part/parts, &hists[part]
		x0, x1, y0, y1 := w*i/parts, w*(i+1)/parts, h*j/parts, h*(j+1)/parts
		var count [bins * bins * bins]int
		for y := y0; y < y1; y++ {
			for row := pix[3*(y*w+x0) : 3*(y*w+x1)]; len(row) >= 3; row = row[3:] {
				count[int(row[0])/bins*bins*bins+int(row[1])/bins*bins+int(row[2])/bins]++
			}
		}
		best := 0
		for k, c := range count {
			if c > count[best] {
				best = k
			}
		}
		blue, green, red := best/bins/bins*bins+bins/2, best/bins%bins*bins+bins/2, best%bins*bins+bins/2
		for y := y0; y < y1; y++ {
			row := pix[3*(y*w+x0) : 3*(y*w+x1)]
			for x := range diff[y*w+x0 : y*w+x1] {
				b, g, r := int(row[3*x])-blue, int(row[3*x+1])-green, int(row[3*x+2])-red
				d := max(b, -b, g, -g, r, -r)
				diff[y*w+x0+x] = uint8(d)
				hist[d]++
			}
		}
	}); err != nil {
		return nil, err
	}
	var hist [256]int
	for p := range hists {
		for d, n := range hists[p] {
			hist[d] += n
		}
	}
	last, _, _ := pixel.Otsu(hist[:], 0, 0)
	limit := uint8(max(last, bins))
	out := make([]bool, w*h)
	for i, d := range diff {
		out[i] = d > limit
	}
	return out, nil
}
