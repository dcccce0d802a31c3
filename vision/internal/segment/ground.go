package segment

import (
	"context"
	"math"
	"slices"

	"traytally/vision/internal/parallel"
)

// groundCell is the side of the squares on which the ground's colour is taken
// for pieces that have none beside them, working px: light falls off over more.
const groundCell = 32

// isGround reports whether a working pixel surely shows bare ground.
func isGround(m *maps, i int) bool { return m.body[i] < 26 && m.object[i] < 26 }

// A ground is the colour of the empty tray over the picture.
type ground struct {
	w, h  int
	cells [][3]float64
	mean  [3]float64
	sigma float64 // robust spread of the picture's pixels about it, grey values
}

// at returns the ground's colour at a place of the working picture.
func (g *ground) at(x, y float64) [3]float64 {
	i, j := min(max(int(x)/groundCell, 0), g.w-1), min(max(int(y)/groundCell, 0), g.h-1)
	return g.cells[j*g.w+i]
}

// groundOf takes the ground where the network finds nothing on it: the median
// of each square, and of the squares around where one shows too little of it.
func groundOf(ctx context.Context, p Picture, m *maps) (*ground, error) {
	g := &ground{w: (m.w + groundCell - 1) / groundCell, h: (m.h + groundCell - 1) / groundCell}
	g.cells = make([][3]float64, g.w*g.h)
	known := make([]bool, len(g.cells))
	devs := make([][256]int, parallel.Workers())
	if err := parallel.Each(ctx, g.h, func(worker, j int) {
		for i := range g.w {
			g.cells[j*g.w+i], known[j*g.w+i] = m.cell(p, i, j, &devs[worker])
		}
	}); err != nil {
		return nil, err
	}
	var dev [256]int
	n := 0
	for _, d := range devs {
		for k, c := range d {
			dev[k] += c
			n += c
		}
	}
	// 1.4826·MAD is the σ of a normal spread; the greatest of three channels'
	// deviations has its median a little above that of one.
	g.sigma = math.Max(0.5, 1.1*float64(quantile(&dev, n, 0.5)))
	fill(g.cells, known, g.w, g.h)
	for _, c := range g.cells {
		for k := range 3 {
			g.mean[k] += c[k] / float64(len(g.cells))
		}
	}
	return g, nil
}

// cell returns the ground's colour in a square, ok where enough of it is seen,
// and adds to dev how a few of the picture's own pixels there scatter about it.
func (m *maps) cell(p Picture, i, j int, dev *[256]int) (colour [3]float64, ok bool) {
	var hist [3][256]int
	k := 0
	x1, y1 := min(m.w, (i+1)*groundCell), min(m.h, (j+1)*groundCell)
	for y := j * groundCell; y < y1; y++ {
		for x := i * groundCell; x < x1; x++ {
			if o := y*m.w + x; isGround(m, o) {
				k++
				for c := range 3 {
					hist[c][m.pix[3*o+c]]++
				}
			}
		}
	}
	if k < 16 {
		return colour, false
	}
	for c := range 3 {
		colour[c] = float64(quantile(&hist[c], k, 0.5))
	}
	for y := j*groundCell + 4; y < y1; y += 8 {
		for x := i*groundCell + 4; x < x1; x += 8 {
			o := y*m.w + x
			if !isGround(m, o) {
				continue
			}
			at := m.at(float64(x), float64(y))
			q := p.Pix[3*(min(int(at.Y), p.H-1)*p.W+min(int(at.X), p.W-1)):]
			d := 0
			for c := range 3 {
				e := int(q[c]) - int(m.pix[3*o+c])
				d = max(d, e, -e)
			}
			dev[d]++
		}
	}
	return colour, true
}

// fill gives unknown cells the mean of their known neighbours, ring by ring.
func fill(l [][3]float64, known []bool, w, h int) {
	if !slices.Contains(known, true) {
		return
	}
	for slices.Contains(known, false) {
		next := slices.Clone(known)
		for y := range h {
			for x := range w {
				if known[y*w+x] {
					continue
				}
				var s [3]float64
				n := 0.0
				for j := max(0, y-1); j <= min(h-1, y+1); j++ {
					for i := max(0, x-1); i <= min(w-1, x+1); i++ {
						if known[j*w+i] {
							n++
							for k := range 3 {
								s[k] += l[j*w+i][k]
							}
						}
					}
				}
				if n > 0 {
					l[y*w+x] = [3]float64{s[0] / n, s[1] / n, s[2] / n}
					next[y*w+x] = true
				}
			}
		}
		copy(known, next)
	}
}

// quantile returns the value below which the share q of n values lies.
func quantile(h *[256]int, n int, q float64) int {
	k, c := int(q*float64(n)), 0
	for v, m := range h {
		if c += m; c > k {
			return v
		}
	}
	return 255
}
