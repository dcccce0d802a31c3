package colour

import (
	"math"
	"math/bits"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
)

// inset is how far inside the outline the first pixel centres are taken, in
// standard deviations of the blur, and at least and at most in pixels: nearer
// to it blur mixes the tray in. A thin piece keeps three quarters of its width.
const (
	insetBlurs             = 1.5
	leastInset, greatInset = 1, 4
)

// cellsAcross is the least number of cells across a piece. Cells are squares
// of 1, 2, 4 … pixels. Of a cell of two pixels the two on its diagonal are
// read. Of a larger cell only one row is read, and of that four pixels: a large
// picture does not lie in the processor's cache, and rows are what it costs to
// fetch.
const cellsAcross = 11

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
	border  bool    // next to a place where nothing was taken
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
	Inset        float64 // distance from the outline at which the pixels taken begin, px
	Pixels       int     // taken
	Burnt        int     // of them burnt out in a channel
	Mean         Lab     // of the linear mean over all pixels taken
	Mid          Lab     // medians over the inner cells
}

// A Sampler takes patches; it holds the scratch memory of one goroutine.
type Sampler struct {
	px    pixel.Pixels
	dec   *Decoder
	inset float64
	poly  []geom.Point
	rows  [][]float64
	grid  []sum
	slice []slice
	tally [3]tally
	cells []Cell
}

// A sum adds up the linear values of a cell.
type sum struct {
	b, g, r  float32
	n, burnt int16
}

// A slice is the piece cut across its axis: both flanks, and how much nearer
// than along the cut the slanting flank is (a cosine).
type slice struct{ low, high, lowCos, highCos float32 }

// slices is the number of slices along the axis.
const slicesAlong = 40

// NewSampler returns a sampler for one picture with the given blur, a standard
// deviation in pixels.
func NewSampler(px pixel.Pixels, dec *Decoder, blur float64) *Sampler {
	return &Sampler{px: px, dec: dec, inset: min(max(insetBlurs*blur, leastInset), greatInset)}
}

// Take returns the patch under a closed outline with the given centre, whose
// long axis has the given direction. It has no cells where the piece is too thin to hold a pixel
// centre farther than the inset from its outline.
func (s *Sampler) Take(outline []geom.Point, centre geom.Point, angle float64) Patch {
	area := geom.Area(outline)
	p := Patch{Angle: angle, Area: math.Abs(area), X: centre.X, Y: centre.Y}
	start := s.frame(outline, &p)
	p.Inset = min(s.inset, p.HalfWidth/4)
	s.shrink(outline, math.Copysign(p.Inset, area))
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
	// One empty cell around the grid spares every test for its border.
	stride := p.GridW + 2
	n := stride * (p.GridH + 2)
	s.grid = slices.Grow(s.grid[:0], n)[:n]
	clear(s.grid)
	s.scan(y0, y1)
	first, stepY, stepX := y0, 1, 1
	switch {
	case p.CellPx == 2:
		stepX = 2
	case p.CellPx >= 4:
		first, stepY, stepX = y0+p.CellPx/2, p.CellPx, p.CellPx/4
	}
	for y := first; y <= y1; y += stepY {
		row := s.px.Pix[3*y*s.px.W : 3*(y+1)*s.px.W]
		cells := s.grid[((y-y0)>>shift+1)*stride+1:][:p.GridW]
		for cross := s.rows[y-y0]; len(cross) > 1; cross = cross[2:] {
			from, to := max(x0, int(math.Ceil(cross[0]))), min(x1, int(math.Floor(cross[1])))
			if stepX == 2 && stepY == 1 {
				from += (from + y) & 1
			}
			for x := from; x <= to; {
				c := &cells[uint(x-x0)>>shift]
				end := min(((x-x0)|(p.CellPx-1))+x0, to) // last of the cell
				var b, g, r float32
				for ; x <= end; x += stepX {
					q := row[3*x : 3*x+3 : 3*x+3]
					b += s.dec.b[q[0]]
					g += s.dec.g[q[1]]
					r += s.dec.r[q[2]]
					c.n++
					if q[0] >= saturated || q[1] >= saturated || q[2] >= saturated {
						c.burnt++
					}
				}
				c.b += b
				c.g += g
				c.r += r
			}
		}
	}
	s.fill(&p, x0, y0, shift, stepX*stepY, start)
	return p
}

// frame cuts the piece in slices across its axis and returns where they begin
// on it, seen from the centre.
func (s *Sampler) frame(outline []geom.Point, p *Patch) (start float64) {
	f := geom.ProfileOf(outline, p.Angle, slicesAlong)
	sin, cos := math.Sincos(p.Angle)
	u, v := p.X*cos+p.Y*sin, p.Y*cos-p.X*sin
	s.slice = s.slice[:0]
	slope := func(w []float64, i int) float32 {
		a, b := max(i-1, 0), min(i+1, slicesAlong-1)
		d := (w[b] - w[a]) / (float64(b-a) * f.Step)
		return float32(1 / math.Sqrt(1+d*d))
	}
	for i := range slicesAlong {
		p.HalfWidth = math.Max(p.HalfWidth, f.Width(i)/2)
		s.slice = append(s.slice, slice{float32(f.Low[i] - v), float32(f.High[i] - v), slope(f.Low, i), slope(f.High, i)})
	}
	p.Length = f.Length()
	return f.Start - u
}

// shrink moves each vertex of the outline inwards by d, across the line
// between its neighbours; d is negative where the outline's area is.
func (s *Sampler) shrink(outline []geom.Point, d float64) {
	n := len(outline)
	s.poly = slices.Grow(s.poly[:0], n)[:n]
	a, b := outline[n-2], outline[n-1]
	for i, c := range outline {
		tx, ty := c.X-a.X, c.Y-a.Y
		k := d / max(math.Sqrt(tx*tx+ty*ty), 1e-9)
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

// scan fills s.rows with where the shrunk outline crosses each of the rows of
// pixels y0 … y1, from left to right.
func (s *Sampler) scan(y0, y1 int) {
	n := y1 - y0 + 1
	s.rows = append(s.rows, make([][]float64, max(0, n-len(s.rows)))...)
	rows := s.rows[:n]
	for i := range rows {
		rows[i] = rows[i][:0]
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
			rows[y-y0] = append(rows[y-y0], p.X+(float64(y)-p.Y)/(q.Y-p.Y)*(q.X-p.X))
		}
	}
	for i, row := range rows {
		switch {
		case len(row) > maxCross:
			rows[i] = row[:0]
		case len(row) == 2 && row[0] > row[1]:
			row[0], row[1] = row[1], row[0]
		case len(row) > 2:
			slices.Sort(row)
		}
	}
}

// fill turns the grid's sums into cells.
func (s *Sampler) fill(p *Patch, x0, y0 int, shift uint, perTaken int, start float64) {
	stride := p.GridW + 2
	var b, g, r float32
	s.cells = slices.Grow(s.cells[:0], p.GridW*p.GridH)[:p.GridW*p.GridH]
	sin64, cos64 := math.Sincos(p.Angle)
	sin, cos := float32(sin64), float32(cos64)
	perU, from := float32(slicesAlong/p.Length), float32(start)
	perLength, perHalf := float32(2/p.Length), float32(1/p.HalfWidth)
	perPixel := float32(perTaken)
	border, at := 0, 0
	for gy := range p.GridH {
		dy := float32(float64(y0+gy<<shift) + float64(p.CellPx-1)/2 - p.Y)
		dx := float32(float64(x0) + float64(p.CellPx-1)/2 - p.X)
		for gx := range p.GridW {
			i := (gy+1)*stride + gx + 1
			q := &s.grid[i]
			if q.n == 0 {
				continue
			}
			e := &s.cells[at]
			at++
			p.Pixels += int(q.n)
			p.Burnt += int(q.burnt)
			b, g, r = b+q.b, g+q.g, r+q.r
			k := 1 / float32(q.n)
			e.X, e.Y, e.N, e.Burnt, e.Weight = int16(gx), int16(gy), q.n, q.burnt, float32(q.n)*perPixel
			e.L, e.A, e.B = fastLab(q.r*k, q.g*k, q.b*k)
			e.border = s.grid[i-1].n == 0 || s.grid[i+1].n == 0 || s.grid[i-stride].n == 0 || s.grid[i+stride].n == 0
			if e.border {
				border++
			}
			x := dx + float32(gx<<shift)
			u, v := x*cos+dy*sin-from, dy*cos-x*sin
			w := &s.slice[min(max(int(u*perU), 0), slicesAlong-1)]
			rim := (w.high - v) * w.highCos
			if r := (v - w.low) * w.lowCos; r < rim {
				rim = r
			}
			e.Rim = clamp(rim*perHalf, 0, 1)
			e.Along = clamp(u*perLength-1, -1, 1)
			e.Side = clamp((v-(w.low+w.high)/2)*perHalf, -1, 1)
		}
	}
	if at == 0 {
		return
	}
	p.Cells = s.cells[:at]
	mean := 1 / float64(p.Pixels)
	p.Mean = FromLinear(float64(r)*mean, float64(g)*mean, float64(b)*mean)
	// What the inset leaves out is as the cells next to it.
	rim := float32(max(0, p.Area-float64(p.Pixels*perTaken))) / float32(max(1, border))
	for i := range p.Cells {
		if p.Cells[i].border {
			p.Cells[i].Weight += rim
		}
	}
	s.middle(p)
}

// innerRim is the distance from the flank, in half widths, from which on a
// cell counts as inner: there the surface faces the lens.
const innerRim = 0.4

// clamp is faster than min and max, which look for NaN.
func clamp(v, low, high float32) float32 {
	if v < low {
		return low
	}
	if v > high {
		return high
	}
	return v
}

// A tally counts values from -128 to 128 in steps of an eighth, for medians.
type tally struct {
	n         int
	low, high int // steps in use
	count     [2048]int32
}

func (t *tally) add(v float32) {
	i := min(max(int(v*8+1024), 0), len(t.count)-1)
	if t.n == 0 {
		t.low, t.high = i, i
	}
	t.low, t.high = min(t.low, i), max(t.high, i)
	t.count[i]++
	t.n++
}

// median returns the median, interpolated within its step, and empties the
// tally.
func (t *tally) median() float64 {
	if t.n == 0 {
		return 0
	}
	half, seen := float64(t.n)/2, 0.0
	v, found := 0.0, false
	for i := t.low; i <= t.high; i++ {
		if f := float64(t.count[i]); f > 0 {
			if !found && seen+f >= half {
				v, found = (float64(i)+(half-seen)/f-1024)/8, true
			}
			seen += f
			t.count[i] = 0
		}
	}
	t.n = 0
	return v
}

// middle takes the medians over the inner cells, or over all cells of a piece
// that has next to none.
func (s *Sampler) middle(p *Patch) {
	for _, from := range [...]float32{innerRim, 0} {
		for i := range p.Cells {
			if c := &p.Cells[i]; c.Rim >= from {
				s.tally[0].add(c.L)
				s.tally[1].add(c.A)
				s.tally[2].add(c.B)
			}
		}
		enough := s.tally[0].n >= 5
		if enough || from == 0 {
			p.Mid = Lab{s.tally[0].median(), s.tally[1].median(), s.tally[2].median()}
			return
		}
		for i := range s.tally {
			s.tally[i].median()
		}
	}
}
