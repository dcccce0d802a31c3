package colour

import (
	"math"
	"math/bits"
	"slices"

	"traytally/vision/internal/geom"
)

// Pixels are 8-bit blue, green and red, interleaved, row-major without
// padding: len(Pix) = 3·W·H.
type Pixels struct {
	Pix  []byte
	W, H int
}

// inset is how far inside the outline the first pixel centres are taken, in
// standard deviations of the blur, and at least and at most in pixels: nearer
// to it blur mixes the tray in. A thin piece keeps three quarters of its width.
const (
	insetBlurs             = 1.5
	leastInset, greatInset = 1, 4
)

// Sampling: cells are squares of 1, 2, 4 … pixels, at least cellsAcross of
// them across the piece; of a piece of more than about maxPixels pixels every
// second, third … pixel is taken in both directions.
const (
	cellsAcross = 8
	maxPixels   = 1500
)

// saturated is the sample value from which on a channel counts as burnt out.
const saturated = 254

// A Cell is the mean of a small square of pixels of a piece.
type Cell struct {
	X, Y    int16   // place in the patch's grid
	N       int16   // pixels taken, >= 1
	Burnt   int16   // of them burnt out in a channel
	Weight  float32 // area it stands for, px²; the rim that the inset leaves out included
	L, A, B float32 // CIELAB of the mean of the linear values
	Rim     float32 // distance to the nearer flank over half of the greatest width, 0..1
	Along   float32 // place on the axis, from -1 at one tip to 1 at the other
	Side    float32 // place across: -1 at the one flank, 1 at the other
}

// A Patch is the surface of one piece.
type Patch struct {
	Cells        []Cell
	GridW, GridH int
	CellPx       int     // side of a cell, px
	HalfWidth    float64 // half of the greatest width across the axis, px
	Length       float64 // extent along the axis, px
	Angle        float64 // direction of the axis
	X, Y         float64 // centre, px
	Area         float64 // inside the outline, px²
	Pixels       int     // taken
	Burnt        int     // of them burnt out in a channel
	Mean         Lab     // of the linear mean over all pixels taken
	Mid          Lab     // medians over the inner cells
	Bow          float64 // greatest distance of the middle line from the line between its ends, over Length
}

// A Sampler takes patches; it holds the scratch memory of one goroutine.
type Sampler struct {
	px    Pixels
	dec   *Decoder
	inset float64
	poly  []geom.Point
	rows  []row
	grid  []sum
	slice []slice
	mid   []float32
	slab  []Cell
}

// A sum adds up the linear values of a cell.
type sum struct {
	b, g, r  float32
	n, burnt int16
}

// A slice is the piece cut across its axis: both flanks, and how much nearer
// than along the cut the slanting flank is (a cosine).
type slice struct{ low, high, lowCos, highCos float64 }

// slices is the number of slices along the axis.
const slicesAlong = 40

// NewSampler returns a sampler for one picture with the given blur, a standard
// deviation in pixels.
func NewSampler(px Pixels, dec *Decoder, blur float64) *Sampler {
	return &Sampler{px: px, dec: dec, inset: min(max(insetBlurs*blur, leastInset), greatInset)}
}

// Take returns the patch under a closed outline whose long axis has the given
// direction. It has no cells where the piece is too thin to hold a pixel
// centre farther than the inset from its outline.
func (s *Sampler) Take(outline []geom.Point, angle float64) Patch {
	m := geom.PolygonMoments(outline)
	c := m.Centroid()
	p := Patch{Angle: angle, Area: math.Abs(m.A), X: c.X, Y: c.Y}
	start := s.frame(outline, &p)
	s.shrink(outline, min(s.inset, p.HalfWidth/4))
	x0, y0, x1, y1 := s.bounds()
	if x0 > x1 || y0 > y1 {
		return p
	}
	shift := uint(bits.Len(uint(2 * p.HalfWidth / cellsAcross))) // 8…16 px: 1
	if shift > 0 {
		shift--
	}
	p.CellPx = 1 << shift
	p.GridW, p.GridH = (x1-x0)>>shift+1, (y1-y0)>>shift+1
	if n := p.GridW * p.GridH; cap(s.grid) < n {
		s.grid = make([]sum, n+n/2)
	}
	s.grid = s.grid[:p.GridW*p.GridH]
	clear(s.grid)
	s.scan(y0, y1)
	step := min(max(1, int(math.Sqrt(p.Area/maxPixels))), p.CellPx)
	for y := y0 + (step-1)/2; y <= y1; y += step {
		row := s.px.Pix[3*y*s.px.W : 3*(y+1)*s.px.W]
		cells := s.grid[(y-y0)>>shift*p.GridW:][:p.GridW]
		r := &s.rows[y-y0]
		for i := 0; i+1 < r.n; i += 2 {
			from, to := max(x0, int(math.Ceil(r.x[i]))), min(x1, int(math.Floor(r.x[i+1])))
			for x := from; x <= to; x += step {
				q := row[3*x : 3*x+3 : 3*x+3]
				c := &cells[uint(x-x0)>>shift]
				c.b += s.dec.b[q[0]]
				c.g += s.dec.g[q[1]]
				c.r += s.dec.r[q[2]]
				c.n++
				if max(q[0], q[1], q[2]) >= saturated {
					c.burnt++
				}
			}
		}
	}
	s.fill(&p, x0, y0, shift, step, start)
	return p
}

// frame cuts the piece in slices across its axis and returns where they begin
// on it, seen from the centre.
func (s *Sampler) frame(outline []geom.Point, p *Patch) (start float64) {
	f := geom.ProfileOf(outline, p.Angle, slicesAlong)
	sin, cos := math.Sincos(p.Angle)
	u, v := p.X*cos+p.Y*sin, p.Y*cos-p.X*sin
	s.slice = s.slice[:0]
	slope := func(w []float64, i int) float64 {
		a, b := max(i-1, 0), min(i+1, slicesAlong-1)
		d := (w[b] - w[a]) / (float64(b-a) * f.Step)
		return 1 / math.Sqrt(1+d*d)
	}
	for i := range slicesAlong {
		p.HalfWidth = math.Max(p.HalfWidth, f.Width(i)/2)
		s.slice = append(s.slice, slice{f.Low[i] - v, f.High[i] - v, slope(f.Low, i), slope(f.High, i)})
	}
	p.Length = f.Length()
	// The middle line without the tips, where one flank runs across it.
	const tip = slicesAlong / 10
	first, last := f.Middle(tip), f.Middle(slicesAlong-1-tip)
	for i := tip; i < slicesAlong-tip; i++ {
		t := float64(i-tip) / (slicesAlong - 1 - 2*tip)
		p.Bow = math.Max(p.Bow, math.Abs(f.Middle(i)-first-(last-first)*t)/p.Length)
	}
	return f.Start - u
}

// shrink moves each vertex of the outline inwards by d, across the line
// between its neighbours.
func (s *Sampler) shrink(outline []geom.Point, d float64) {
	n := len(outline)
	s.poly = slices.Grow(s.poly[:0], n)[:n]
	if geom.Area(outline) < 0 {
		d = -d
	}
	a, b := outline[n-2], outline[n-1]
	for i, c := range outline {
		tx, ty := c.X-a.X, c.Y-a.Y
		k := d / math.Max(math.Hypot(tx, ty), 1e-9)
		s.poly[(i+n-1)%n] = geom.Point{X: b.X - ty*k, Y: b.Y + tx*k}
		a, b = b, c
	}
}

// bounds returns the pixels, inclusive, that the shrunk outline reaches.
func (s *Sampler) bounds() (x0, y0, x1, y1 int) {
	lx, ly, hx, hy := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, q := range s.poly {
		lx, ly, hx, hy = min(lx, q.X), min(ly, q.Y), max(hx, q.X), max(hy, q.Y)
	}
	return max(0, int(math.Ceil(lx))), max(0, int(math.Ceil(ly))),
		min(s.px.W-1, int(math.Floor(hx))), min(s.px.H-1, int(math.Floor(hy)))
}

// maxCross is how often a row may cross the outline; a row that crosses it
// more often is left out.
const maxCross = 8

// A row holds where the shrunk outline crosses one row of pixels.
type row struct {
	n int
	x [maxCross]float64
}

// scan fills s.rows with the crossings of rows y0 … y1, from left to right.
func (s *Sampler) scan(y0, y1 int) {
	n := y1 - y0 + 1
	s.rows = slices.Grow(s.rows[:0], n)[:n]
	for i := range s.rows {
		s.rows[i].n = 0
	}
	a := s.poly[len(s.poly)-1]
	for _, b := range s.poly {
		p, q := a, b
		a = b
		if p.Y > q.Y {
			p, q = q, p
		}
		from, to := max(y0, int(math.Ceil(p.Y))), min(y1, int(math.Ceil(q.Y))-1)
		for y := from; y <= to; y++ {
			r := &s.rows[y-y0]
			if r.n < maxCross {
				r.x[r.n] = p.X + (float64(y)-p.Y)/(q.Y-p.Y)*(q.X-p.X)
			}
			r.n++
		}
	}
	for i := range s.rows {
		switch r := &s.rows[i]; {
		case r.n > maxCross:
			r.n = 0
		case r.n == 2 && r.x[0] > r.x[1]:
			r.x[0], r.x[1] = r.x[1], r.x[0]
		case r.n > 2:
			slices.Sort(r.x[:r.n])
		}
	}
}

// fill turns the grid's sums into cells.
func (s *Sampler) fill(p *Patch, x0, y0 int, shift uint, step int, start float64) {
	n, border := 0, 0
	var b, g, r float64
	at := func(gx, gy int) bool {
		return gx >= 0 && gy >= 0 && gx < p.GridW && gy < p.GridH && s.grid[gy*p.GridW+gx].n > 0
	}
	onBorder := func(gx, gy int) bool {
		return !at(gx-1, gy) || !at(gx+1, gy) || !at(gx, gy-1) || !at(gx, gy+1)
	}
	for i := range s.grid {
		q := &s.grid[i]
		if q.n == 0 {
			continue
		}
		n++
		p.Pixels += int(q.n)
		p.Burnt += int(q.burnt)
		b, g, r = b+float64(q.b), g+float64(q.g), r+float64(q.r)
		if onBorder(i%p.GridW, i/p.GridW) {
			border++
		}
	}
	if n == 0 {
		return
	}
	k := 1 / float64(p.Pixels)
	p.Mean = FromLinear(r*k, g*k, b*k)
	perPixel := float64(step * step)
	rim := float32(max(0, p.Area-float64(p.Pixels)*perPixel) / float64(max(1, border)))

	if len(s.slab) < n {
		s.slab = make([]Cell, max(n, 1<<14))
	}
	p.Cells, s.slab = s.slab[:n:n], s.slab[n:]
	sin, cos := math.Sincos(p.Angle)
	half := float64(p.CellPx-1) / 2
	perU := slicesAlong / p.Length
	c := 0
	for i := range s.grid {
		q := &s.grid[i]
		if q.n == 0 {
			continue
		}
		gx, gy := i%p.GridW, i/p.GridW
		k := 1 / float32(q.n)
		e := Cell{X: int16(gx), Y: int16(gy), N: q.n, Burnt: q.burnt, Weight: float32(q.n) * float32(perPixel)}
		e.L, e.A, e.B = fastLab(q.r*k, q.g*k, q.b*k)
		if onBorder(gx, gy) {
			e.Weight += rim
		}
		dx, dy := float64(x0+gx<<shift)+half-p.X, float64(y0+gy<<shift)+half-p.Y
		u, v := dx*cos+dy*sin-start, dy*cos-dx*sin
		w := &s.slice[min(max(int(u*perU), 0), slicesAlong-1)]
		e.Rim = float32(min(max(min((v-w.low)*w.lowCos, (w.high-v)*w.highCos)/p.HalfWidth, 0), 1))
		e.Along = float32(min(max(2*u/p.Length-1, -1), 1))
		e.Side = float32(min(max((2*v-w.low-w.high)/(2*p.HalfWidth), -1), 1))
		p.Cells[c] = e
		c++
	}
	p.Mid = Lab{s.median(p, 0), s.median(p, 1), s.median(p, 2)}
}

// innerRim is the distance from the flank, in half widths, from which on a
// cell counts as inner: there the surface faces the lens.
const innerRim = 0.4

// median returns the median of L* (0), a* (1) or b* (2) over the inner cells,
// or over all cells of a piece that has next to none.
func (s *Sampler) median(p *Patch, which int) float64 {
	s.mid = s.mid[:0]
	for _, from := range [...]float32{innerRim, 0} {
		for i := range p.Cells {
			if c := &p.Cells[i]; c.Rim >= from {
				s.mid = append(s.mid, [3]float32{c.L, c.A, c.B}[which])
			}
		}
		if len(s.mid) >= 5 {
			break
		}
		s.mid = s.mid[:0]
	}
	if len(s.mid) == 0 {
		return [3]float64{p.Mean.L, p.Mean.A, p.Mean.B}[which]
	}
	slices.Sort(s.mid)
	return float64(s.mid[len(s.mid)/2])
}
