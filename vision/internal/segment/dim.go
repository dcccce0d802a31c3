package segment

import "math"

// A dark kernel or seed beside a bright one lies in its shadow: within reach
// the kernel level is the bright one's, and half of that is more than the dark
// one has. Here dim regions get a level of their own.

// dim is the contrast, in that of the median component, below which a region
// is dim: a black kernel on a black tray.
const dim = 0.5

// relevel lowers the kernel level where dim regions of a component go on
// beside brighter ones, and reports whether it did. usual is the contrast of
// the median component, reach that of the kernel level, sigma the blur in pixels.
func (t *tile) relevel(comp *component, usual float64, reach int, sigma float64) bool {
	// Hardly a component has anything dim but the first and last rows.
	few := 0
	for _, r := range comp.inner {
		if float64(t.c[t.index(int(r.x0+r.x1)/2, int(r.y))]) < dim*usual {
			few++
		}
	}
	if few < 3 {
		return false
	}
	sets := t.regions(comp)
	type contrasts struct {
		of [256]int // pixels
		n  int
	}
	regions := make([]*contrasts, len(comp.inner)) // at their first stretches
	for i, r := range comp.inner {
		first := sets.find(i)
		if first == i {
			regions[i] = new(contrasts)
		}
		q := regions[first]
		at := t.index(int(r.x0), int(r.y))
		for _, c := range t.c[at : at+int(r.x1-r.x0)] {
			q.of[c]++
			q.n++
		}
	}
	changed := false
	for i, q := range regions {
		if q == nil || q.n < minPieceArea {
			continue
		}
		if level := quantile(&q.of, q.n, 0.5); float64(level) < dim*usual {
			changed = t.spread(comp, sets, i, level, int(usual), reach, sigma) || changed
		}
	}
	return changed
}

// spread gives the level of a dim region to the pixels around it that are as
// bright as it, up to half-way to the usual contrast. What is no wider than
// the blurred edge of a kernel is left out.
func (t *tile) spread(comp *component, sets forest, region, level, usual, reach int, sigma float64) bool {
	x0, y0, x1, y1 := math.MaxInt, math.MaxInt, 0, 0
	for i, r := range comp.inner {
		if sets.find(i) == region {
			x0, x1 = min(x0, int(r.x0)), max(x1, int(r.x1))
			y0, y1 = min(y0, int(r.y)), max(y1, int(r.y)+1)
		}
	}
	half := max(1, int(math.Ceil(1.2*sigma))) // of the least width, less half a pixel
	margin := reach + 2*half
	x0, y0, x1, y1 = max(comp.minX, x0-margin), max(comp.minY, y0-margin), min(comp.maxX, x1+margin), min(comp.maxY, y1+margin)
	w, h := x1-x0, y1-y0
	like := make([]int32, (w+1)*(h+1)) // number of like pixels above and to the left
	own := make([]bool, w*h)
	for i, r := range comp.inner {
		if sets.find(i) == region {
			for x := r.x0; x < r.x1; x++ {
				own[(int(r.y)-y0)*w+int(x)-x0] = true
			}
		}
	}
	low := max(level, t.floor)
	for y := range h {
		row := int32(0)
		for x := range w {
			c := 2 * int(t.c[t.index(x0+x, y0+y)])
			if own[y*w+x] || c > low && c <= level+usual {
				row++
			}
			like[(y+1)*(w+1)+x+1] = like[y*(w+1)+x+1] + row
		}
	}
	side := 2*half + 1
	full := func(x, y int) bool { // all around is like it
		if x < half || y < half || x+half >= w || y+half >= h {
			return false
		}
		a, b := (y-half)*(w+1)+x-half, (y+half+1)*(w+1)+x-half
		return like[b+side]-like[b]-like[a+side]+like[a] == int32(side*side)
	}
	var stack []int32
	seen := make([]bool, w*h)
	for i := range own {
		if own[i] && full(i%w, i/w) {
			seen[i] = true
			stack = append(stack, int32(i))
		}
	}
	changed := false
	for len(stack) > 0 {
		i := int(stack[len(stack)-1])
		stack = stack[:len(stack)-1]
		x, y := i%w, i/w
		for dy := -half; dy <= half; dy++ {
			for j, n := t.index(x0+x-half, y0+y+dy), side; n > 0; j, n = j+1, n-1 {
				if int(t.k[j]) > level {
					t.k[j] = byte(level)
					changed = true
				}
			}
		}
		for _, d := range [4]int{-1, 1, -w, w} {
			if j := i + d; !seen[j] && full(j%w, j/w) {
				seen[j] = true
				stack = append(stack, int32(j))
			}
		}
	}
	return changed
}
