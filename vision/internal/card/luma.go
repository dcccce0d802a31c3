package card

import (
	"bytes"
	"context"
	"math"

	"gonum.org/v1/gonum/stat"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/pixel"
	shrinking "traytally/vision/internal/shrink"
)

// Pixels are a picture, with what is looked for in it here.
type Pixels pixel.Pixels

// luma is the luma of the pixel at byte i, 0..255.
func (p Pixels) luma(i int) float64 { return float64(pixel.Luma(p.Pix[i:])) / 256 }

// at returns the luma at a place between pixels (bilinear), and false outside
// the picture.
func (p Pixels) at(x, y float64) (float64, bool) {
	if !(x >= 0 && y >= 0 && x <= float64(p.W-1) && y <= float64(p.H-1)) {
		return 0, false
	}
	i, j, fx, fy := p.cell(x, y)
	top := p.luma(i)*(1-fx) + p.luma(i+3)*fx
	low := p.luma(j)*(1-fx) + p.luma(j+3)*fx
	return top*(1-fy) + low*fy, true
}

// cell returns the bytes of the pixels to the upper and to the lower left of
// a place in the picture, and how far from them it is.
func (p Pixels) cell(x, y float64) (i, j int, fx, fy float64) {
	x0, y0 := min(int(x), p.W-2), min(int(y), p.H-2)
	i = 3 * (y0*p.W + x0)
	return i, i + 3*p.W, x - float64(x0), y - float64(y0)
}

// along returns the luma at n places in a row: the first that far from c in the
// direction dir, one every step px. There are fewer where the picture ends.
func (p Pixels) along(c, dir Point, from, step float64, n int) []float64 {
	out := make([]float64, 0, max(0, n))
	for i := range n {
		t := from + step*float64(i)
		v, ok := p.at(c.X+t*dir.X, c.Y+t*dir.Y)
		if !ok {
			break
		}
		out = append(out, v)
	}
	return out
}

// level returns the mean luma at places half a pixel apart, between two
// distances from c in the direction dir; ok is false outside the picture.
func (p Pixels) level(c, dir Point, from, to float64) (v float64, ok bool) {
	n := int(math.Round(2*(to-from))) + 1
	all := p.along(c, dir, from, 0.5, n)
	return stat.Mean(all, nil), len(all) == n
}

// crossing returns where values first pass half of the way from one level to
// another, in steps from the first value; ok is false where they do not.
func crossing(v []float64, from, to float64) (at float64, ok bool) {
	half := (from + to) / 2
	for i := 1; i < len(v); i++ {
		a, b := v[i-1]-half, v[i]-half
		if from > to {
			a, b = -a, -b
		}
		if a < 0 && b >= 0 {
			return float64(i-1) + a/(a-b), true
		}
	}
	return 0, false
}

// mean returns the mean of the linear blue, green and red in the square of the
// given half side round a place, and the share of burnt-out pixels; ok is
// false where the square leaves the picture.
func (p Pixels) mean(c Point, half float64) (bgr [3]float64, burnt float64, ok bool) {
	x0, y0 := int(math.Round(c.X-half)), int(math.Round(c.Y-half))
	x1, y1 := int(math.Round(c.X+half)), int(math.Round(c.Y+half))
	if x0 < 0 || y0 < 0 || x1 >= p.W || y1 >= p.H {
		return bgr, 0, false
	}
	n, b := 0, 0
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			q := p.Pix[3*(y*p.W+x):][:3]
			for k := range bgr {
				bgr[k] += float64(pixel.Light[q[k]])
			}
			if max(q[0], q[1], q[2]) >= burntOut {
				b++
			}
			n++
		}
	}
	for k := range bgr {
		bgr[k] /= float64(n)
	}
	return bgr, float64(b) / float64(n), true
}

// burntOut is the sample value from which on a channel says nothing more.
const burntOut = 254

// A small is a shrunk grey picture: each value stands for a square of step
// pixels of the full one.
type small struct {
	v    []byte
	w, h int
	step int
}

// shrink makes the long side of the picture about side pixels or less.
func shrink(ctx context.Context, p Pixels, side int) (*small, error) {
	s := &small{step: max(1, (max(p.W, p.H)+side-1)/side)}
	var err error
	s.v, s.w, s.h, err = shrinking.Luma(ctx, p.Pix, p.W, p.H, s.step)
	return s, err
}

// full takes a place of the shrunk picture to the full one.
func (s *small) full(q Point) Point {
	off := float64(s.step-1) / 2
	return Point{X: q.X*float64(s.step) + off, Y: q.Y*float64(s.step) + off}
}

// flat is the contrast, in grey values, below which a neighbourhood counts as
// of one colour.
const flat = 24

// dark tells black from white: the limit lies half way between the least and
// the greatest value in a neighbourhood of 7 × 7 blocks of 8 pixels, which is
// wider than any part of a mark of up to 56 pixels. Where there is no contrast
// everything is white. Black is 1.
func (s *small) dark(ctx context.Context) ([]uint8, error) {
	const block, reach = 8, 3
	bw, bh := (s.w+block-1)/block, (s.h+block-1)/block
	low, high := bytes.Repeat([]byte{255}, bw*bh), make([]byte, bw*bh)
	out := make([]uint8, len(s.v))
	end := func(j int) int { return min(s.h, (j+1)*block) } // of a row of blocks
	if err := parallel.Each(ctx, bh, func(_, j int) {
		low, high := low[j*bw:][:bw], high[j*bw:][:bw]
		for y := j * block; y < end(j); y++ {
			for i, row := 0, s.v[y*s.w:][:s.w]; i < bw; i++ {
				l, h := low[i], high[i]
				for _, v := range row[i*block : min(s.w, (i+1)*block)] {
					l, h = min(l, v), max(h, v)
				}
				low[i], high[i] = l, h
			}
		}
	}); err != nil {
		return nil, err
	}
	err := parallel.Each(ctx, bh, func(_, j int) {
		limit := make([]byte, bw)
		for i := range limit {
			l, h := byte(255), byte(0)
			for b := max(0, j-reach); b <= min(bh-1, j+reach); b++ {
				for a := b*bw + max(0, i-reach); a <= b*bw+min(bw-1, i+reach); a++ {
					l, h = min(l, low[a]), max(h, high[a])
				}
			}
			if h-l >= flat {
				limit[i] = byte((int(l) + int(h)) / 2)
			}
		}
		for y := j * block; y < end(j); y++ {
			row, black := s.v[y*s.w:][:s.w], out[y*s.w:][:s.w]
			for x, v := range row {
				black[x] = pixel.Bit(v < limit[x/block])
			}
		}
	})
	return out, err
}
