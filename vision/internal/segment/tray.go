// Package segment finds the pieces that lie on a tray: the tray's own level
// and light, what stands out from it, sub-pixel outlines at half height, and
// the separation of touching pieces. It works on plain pixel bytes, in the
// order blue, green, red, row by row without padding.
package segment

import (
	"math"
	"slices"
)

// A Picture is the pixels to work on: len(Pix) = 3·W·H, interleaved blue,
// green, red, row-major.
type Picture struct {
	Pix  []byte
	W, H int
	// Gain is what grey values were multiplied with since they were compressed,
	// where that is more than 1.
	Gain float64
}

// cell is the size, in pixels, of the squares on which the tray's level is
// taken as constant. Light falls off over hundreds of pixels.
const cell = 8

// A tray is the estimated picture of the empty tray.
type tray struct {
	cw, ch int        // cells across and down
	level  [][3]uint8 // blue, green, red of each cell, row-major
	sigma  float64    // robust spread of the tray's pixels about the level, grey values
	mean   [3]float64 // mean level
	// brightShare is the share of all pixels brighter than the split between
	// the dark and the bright class; borderBright the same along the border.
	brightShare, borderBright float64
	split                     uint8 // that split, luma
}

type bgr [3]uint8

// luma is Rec. 601 luma, which is what JPEG stores.
func (p bgr) luma() uint8 {
	return uint8((29*int(p[0]) + 150*int(p[1]) + 77*int(p[2]) + 128) >> 8)
}

// otsu returns the threshold (the last value of the lower class) that best
// splits a histogram in two (Otsu 1979), and the means and the weight of the
// lower class.
func otsu(h *[256]int) (t int, lowMean, highMean, lowShare float64) {
	var n, sum float64
	for v, c := range h {
		n += float64(c)
		sum += float64(v) * float64(c)
	}
	best, w, s := -1.0, 0.0, 0.0
	for v := range 255 {
		w += float64(h[v])
		s += float64(v) * float64(h[v])
		if w == 0 || w == n {
			continue
		}
		d := s/w - (sum-s)/(n-w)
		if b := w * (n - w) * d * d; b > best {
			best, t, lowMean, highMean, lowShare = b, v, s/w, (sum-s)/(n-w), w/n
		}
	}
	return t, lowMean, highMean, lowShare
}

// estimateTray finds the tray's level from the picture itself. In each block
// of the picture the tray is the larger dark group of pixels; blocks without
// enough of it are filled from their neighbours. A second round takes the
// median of the pixels close to the first round's level.
func estimateTray(p Picture) *tray {
	block := min(max(max(p.W, p.H)/24, 24), 320)
	bw, bh := max(1, (p.W+block/2)/block), max(1, (p.H+block/2)/block)
	stride := max(1, int(math.Sqrt(float64(p.W)*float64(p.H)/30_000)))

	samples := make([][]bgr, bw*bh)
	var hist, border [256]int
	bx := func(x int) int { return min(x*bw/p.W, bw-1) }
	for y := stride / 2; y < p.H; y += stride {
		by := min(y*bh/p.H, bh-1)
		row := p.Pix[3*y*p.W : 3*(y+1)*p.W]
		edge := y < p.H/50+1 || y >= p.H-p.H/50-1
		// a stagger against patterns in step with the stride
		for x := (stride/2 + y/stride*7%stride) % stride; x < p.W; x += stride {
			q := bgr{row[3*x], row[3*x+1], row[3*x+2]}
			i := by*bw + bx(x)
			samples[i] = append(samples[i], q)
			l := q.luma()
			hist[l]++
			if edge || x < p.W/50+1 || x >= p.W-p.W/50-1 {
				border[l]++
			}
		}
	}
	t := &tray{}
	split, lowMean, highMean, lowShare := otsu(&hist)
	t.split, t.brightShare = uint8(split), 1-lowShare
	var nb, nbright int
	for v, c := range border {
		nb += c
		if v > split {
			nbright += c
		}
	}
	t.borderBright = float64(nbright) / float64(max(1, nb))

	const minShare = 0.25
	levels := make([]bgr, bw*bh)
	ok := make([]bool, bw*bh)
	for i, s := range samples {
		if len(s) < 9 {
			continue
		}
		var h [256]int
		for _, q := range s {
			h[q.luma()]++
		}
		lo, hi := quantile(&h, len(s), 0.05), quantile(&h, len(s), 0.95)
		cut := 255
		if hi-lo > 24 {
			c, _, _, share := otsu(&h)
			if share < minShare {
				continue
			}
			cut = c
		}
		levels[i] = medianBelow(s, uint8(cut))
		ok[i] = float64(levels[i].luma()) <= (lowMean+highMean)/2 || hi-lo <= 24 && highMean-lowMean < 24
	}
	dropOutliers(levels, ok, bw, bh)
	fill(levels, ok, bw, bh)

	// second round: the pixels near the level, and their spread
	var dev [256]int
	n := 0
	for i, s := range samples {
		near := s[:0:0]
		l := levels[i]
		for _, q := range s {
			if d := maxDiff(q, l); d < 40 {
				near = append(near, q)
				dev[d]++
				n++
			}
		}
		if len(near) >= 9 && float64(len(near)) >= minShare/2*float64(len(s)) {
			levels[i] = medianBelow(near, 255)
		}
	}
	// 1.4826·MAD is the σ of a normal spread; the greatest of three channels'
	// deviations has its median a little above that of one.
	t.sigma = math.Max(0.5, 1.1*float64(quantile(&dev, n, 0.5)))

	t.interpolate(levels, bw, bh, p.W, p.H)
	return t
}

func maxDiff(a, b bgr) int {
	d := 0
	for k := range 3 {
		e := int(a[k]) - int(b[k])
		d = max(d, e, -e)
	}
	return d
}

func quantile(h *[256]int, n int, q float64) int {
	k, c := int(q*float64(n)), 0
	for v, m := range h {
		if c += m; c > k {
			return v
		}
	}
	return 255
}

// medianBelow returns the median of each channel over the pixels whose luma
// does not exceed cut.
func medianBelow(s []bgr, cut uint8) bgr {
	var h [3][256]int
	n := 0
	for _, q := range s {
		if q.luma() <= cut {
			n++
			for k := range 3 {
				h[k][q[k]]++
			}
		}
	}
	return bgr{uint8(quantile(&h[0], n, 0.5)), uint8(quantile(&h[1], n, 0.5)), uint8(quantile(&h[2], n, 0.5))}
}

// dropOutliers marks blocks whose level departs from the median of the blocks
// around as not known: a block full of rice, a dark object.
func dropOutliers(l []bgr, ok []bool, w, h int) {
	bad := make([]bool, len(l))
	for y := range h {
		for x := range w {
			if !ok[y*w+x] {
				continue
			}
			var v []int
			for j := max(0, y-2); j <= min(h-1, y+2); j++ {
				for i := max(0, x-2); i <= min(w-1, x+2); i++ {
					if ok[j*w+i] {
						v = append(v, int(l[j*w+i].luma()))
					}
				}
			}
			slices.Sort(v)
			m := v[len(v)/2]
			bad[y*w+x] = math.Abs(float64(int(l[y*w+x].luma())-m)) > 8+0.25*float64(m)
		}
	}
	for i, b := range bad {
		if b {
			ok[i] = false
		}
	}
}

// fill gives unknown blocks the mean of their known neighbours, ring by ring.
func fill(l []bgr, ok []bool, w, h int) {
	if !slices.Contains(ok, true) {
		return
	}
	for slices.Contains(ok, false) {
		next := slices.Clone(ok)
		for y := range h {
			for x := range w {
				if ok[y*w+x] {
					continue
				}
				var s [3]int
				n := 0
				for j := max(0, y-1); j <= min(h-1, y+1); j++ {
					for i := max(0, x-1); i <= min(w-1, x+1); i++ {
						if ok[j*w+i] {
							n++
							for k := range 3 {
								s[k] += int(l[j*w+i][k])
							}
						}
					}
				}
				if n > 0 {
					l[y*w+x] = bgr{uint8(s[0] / n), uint8(s[1] / n), uint8(s[2] / n)}
					next[y*w+x] = true
				}
			}
		}
		copy(ok, next)
	}
}

// interpolate spreads block levels, taken at the block centres, over cells.
func (t *tray) interpolate(l []bgr, bw, bh, w, h int) {
	t.cw, t.ch = (w+cell-1)/cell, (h+cell-1)/cell
	t.level = make([][3]uint8, t.cw*t.ch)
	type place struct { // a cell's centre between two blocks
		a, b int
		f    float64
	}
	places := func(cells, n, size int) []place {
		out := make([]place, cells)
		for i := range out {
			u := math.Min(math.Max((float64(i*cell)+cell/2)/float64(size)*float64(n)-0.5, 0), float64(n-1))
			a := int(u)
			out[i] = place{a, min(a+1, n-1), u - float64(a)}
		}
		return out
	}
	across := places(t.cw, bw, w)
	var sum [3]float64
	for y, v := range places(t.ch, bh, h) {
		upper, lower := l[v.a*bw:][:bw], l[v.b*bw:][:bw]
		row := t.level[y*t.cw:][:t.cw]
		for x, u := range across {
			for k := range 3 {
				top := float64(upper[u.a][k])*(1-u.f) + float64(upper[u.b][k])*u.f
				low := float64(lower[u.a][k])*(1-u.f) + float64(lower[u.b][k])*u.f
				c := top*(1-v.f) + low*v.f
				sum[k] += c
				row[x][k] = uint8(c + 0.5)
			}
		}
	}
	for k := range 3 {
		t.mean[k] = sum[k] / float64(len(t.level))
	}
}
