package colour

import (
	"cmp"
	"math"
	"slices"

	"traytally/vision/internal/geom"
)

// A spot near the flank is nearly as dark as the tray, so that the outline
// runs around it: a bay with a mouth narrower than its shore is long. These
// limits tell such a bay from a chip, the place of the germ or a ragged
// fracture, where the tray itself shows. Lengths are in half widths of the
// piece. Chosen on rendered trays of 150 to 600 dpi.
const (
	bayWindow = 1.1   // length of outline searched at once for a sharp bend inwards
	bayBend   = 0.82  // chord over outline below which it is one
	bayShore  = 6     // longest shore
	bayMouth  = 1.3   // widest mouth
	bayRound  = 1.25  // least length of the shore over the mouth
	bayDeep   = 1     // least depth, px
	keyhole   = 1.6   // shore over mouth from which on shape alone tells a spot: a half circle has 1.57, and no chip is wider inside than at its mouth
	bayRim    = 0.3   // px by which a spot reaches beyond the shore: half-way between tray and kernel is nearer to the middle than half-way between spot and kernel
	bayFull   = 0.035 // least area over the square of the shore: 0.08 for a circle
	mouthCost = 0.25  // of a bay's ends those are taken that enclose most, less this times the square of its mouth
)

// The level in a bay must differ from that of the tray, with what the blur
// carries in from the kernel, by bayRise grey values and by bayShare of the
// kernel's contrast.
const (
	bayRise  = 8
	bayShare = 0.06
	bayDark  = 0.45 // greatest level of a spot, as a share of the kernel's contrast
)

// A bgr is an encoded colour, 0..255.
type bgr [3]float64

func (c bgr) grey() float64 { return (c[0] + c[1] + c[2]) / 3 }

// Notches looks for dark spots that the outline of a piece leaves out, and
// adds what it finds to the patch. Where another piece touches, as told by
// touching, a bay must look unlike the tray: dividing lines make bays too.
func (s *Sampler) Notches(outline []geom.Point, touching bool, p *Patch) {
	n := len(outline)
	if n < 12 {
		return
	}
	c := coast{outline: outline, along: s.along[:0], half: p.HalfWidth}
	a := outline[n-1]
	for _, b := range outline {
		c.round += math.Sqrt((b.X-a.X)*(b.X-a.X) + (b.Y-a.Y)*(b.Y-a.Y))
		c.along = append(c.along, c.round)
		a = b
	}
	s.along = c.along
	window := math.Max(5, bayWindow*p.HalfWidth)
	var ground, kernel bgr
	known := false
	j := 0
	end := c.along[0]           // length up to vertex j
	for i := 0; i < n; i += 2 { // a bend is longer than two vertices
		for j < i+n/2 && end-c.along[i] < window {
			if j++; j < n {
				end = c.along[j]
			} else {
				end = c.along[j-n] + c.round
			}
		}
		if !c.bends(i, j, end-c.along[i]) {
			continue
		}
		lo, hi := c.bay((i + j) / 2)
		if !known {
			ground, kernel, known = s.ground(&c), s.around(p.X, p.Y), true
		}
		if area := s.spotIn(&c, lo, hi, touching, ground, kernel); area > 0 {
			p.Notches = append(p.Notches, area)
		}
		if hi > n { // and so past the first vertex
			break
		}
		if hi > i && hi < n {
			i, j = hi, hi
			end = c.along[j]
		}
	}
}

// A coast is an outline with its length along it.
type coast struct {
	outline []geom.Point
	along   []float64 // length up to each vertex
	round   float64   // of all of it
	half    float64   // half width of the piece
}

// at returns vertex i, from -n to 2n-1.
func (c *coast) at(i int) geom.Point {
	switch n := len(c.outline); {
	case i < 0:
		i += n
	case i >= n:
		i -= n
	}
	return c.outline[i]
}

// arc returns the length from vertex i to vertex j, both from -n to 2n-1.
func (c *coast) arc(i, j int) float64 {
	n := len(c.along)
	pos := func(i int) float64 {
		switch {
		case i < 0:
			return c.along[i+n] - c.round
		case i >= n:
			return c.along[i-n] + c.round
		}
		return c.along[i]
	}
	return pos(j) - pos(i)
}

// bends reports whether the outline turns sharply inwards between two vertices
// that are arc apart along it.
func (c *coast) bends(i, j int, arc float64) bool {
	a, b := c.at(i), c.at(j)
	dx, dy := b.X-a.X, b.Y-a.Y
	if dx*dx+dy*dy > bayBend*bayBend*arc*arc {
		return false
	}
	m := c.at((i + j) / 2)
	return dx*(m.Y-a.Y)-dy*(m.X-a.X) > 0
}

// bay returns the ends of the bay around a vertex: those that enclose most of
// what lies outside the piece, less mouthCost times the square of the mouth.
func (c *coast) bay(mid int) (lo, hi int) {
	n := len(c.outline)
	reach := bayShore / 2 * c.half
	o, best := c.at(mid), 0.0
	// Twice the area, seen from mid, of the outline from a to mid, and on to b.
	before := 0.0
	p := o
	for a := mid - 1; a > mid-n/2 && c.arc(a, mid) < reach; a-- {
		q := c.at(a)
		before += turn(o, q, p)
		p = q
		after, r := 0.0, o
		for b := mid + 1; b < mid+n/2 && c.arc(mid, b) < reach; b++ {
			t := c.at(b)
			after += turn(o, r, t)
			r = t
			mouth2 := (t.X-q.X)*(t.X-q.X) + (t.Y-q.Y)*(t.Y-q.Y)
			if mouth2 > bayMouth*bayMouth*c.half*c.half {
				continue
			}
			if v := -(before+after+turn(o, t, q))/2 - mouthCost*mouth2; v > best {
				best, lo, hi = v, a, b
			}
		}
	}
	return lo, hi
}

// turn is twice the area of the triangle, positive where it turns as the
// outline does around the piece.
func turn(a, b, c geom.Point) float64 {
	return (b.X-a.X)*(c.Y-a.Y) - (b.Y-a.Y)*(c.X-a.X)
}

// spotIn returns the area of the bay between two vertices where a spot fills
// it, and 0 where the tray does.
func (s *Sampler) spotIn(c *coast, lo, hi int, touching bool, ground, kernel bgr) float64 {
	a, b := c.at(lo), c.at(hi)
	mouth, shore := a.Dist(b), c.arc(lo, hi)
	if hi-lo < 3 || shore < bayRound*mouth {
		return 0
	}
	nx, ny := (b.Y-a.Y)/math.Max(mouth, 1e-9), -(b.X-a.X)/math.Max(mouth, 1e-9) // outwards
	line := s.poly[:0]
	deep := 0.0
	for i := lo; i <= hi; i++ {
		q := c.at(i)
		line = append(line, q)
		deep = math.Max(deep, -(q.X-a.X)*nx-(q.Y-a.Y)*ny)
	}
	s.poly = line
	if deep < bayDeep {
		return 0
	}
	// The place farthest from the shore.
	x0, y0, x1, y1 := s.bounds()
	var best bgr
	most, bx, by := -1.0, 0.0, 0.0
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			q := geom.Point{X: float64(x), Y: float64(y)}
			in := -(q.X-a.X)*nx - (q.Y-a.Y)*ny
			if in < 0.3 || !geom.Contains(line, q) {
				continue
			}
			if d := far(line, q); d > most {
				most, bx, by = d, q.X, q.Y
			}
		}
	}
	if most < 0 {
		return 0
	}
	best = s.pixel(bx, by)
	carried := math.Erfc(most / math.Max(s.blur, 0.3) / math.Sqrt2) // from both sides
	off := 0.0
	for k := range best {
		d := best[k] - ground[k] - carried*(kernel[k]-ground[k])
		off += d * d / 3
	}
	off = math.Sqrt(off)
	contrast := kernel.grey() - ground.grey()
	area := math.Abs(geom.Area(line))
	switch {
	case best.grey()-ground.grey() > bayDark*contrast, // something light lies there
		area < bayFull*shore*shore, // a crack between touching pieces
		(touching || shore < keyhole*mouth) && (off < bayRise || off < bayShare*contrast): // the tray
		return 0
	}
	return area + bayRim*shore
}

// ground returns the colour of the tray around a piece: of places a little off
// its outline the darker ones, as others may lie on neighbours.
func (s *Sampler) ground(c *coast) bgr {
	const places = 32
	n := len(c.outline)
	off := 3 + 2*s.blur
	seen := make([]bgr, 0, places)
	for k := range places {
		i := k * n / places
		a, b := c.at(i-2), c.at(i+2)
		d := math.Max(a.Dist(b), 1e-9)
		q := c.at(i)
		if w, ok := s.colourAt(q.X+off*(b.Y-a.Y)/d, q.Y-off*(b.X-a.X)/d); ok {
			seen = append(seen, w)
		}
	}
	slices.SortStableFunc(seen, func(a, b bgr) int { return cmp.Compare(a.grey(), b.grey()) })
	var g bgr
	use := min(len(seen), max(1, len(seen)/2))
	for _, q := range seen[:use] {
		for k := range g {
			g[k] += q[k] / float64(use)
		}
	}
	return g
}

// far returns the distance of q from the open line.
func far(line []geom.Point, q geom.Point) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		dx, dy := b.X-a.X, b.Y-a.Y
		u := 0.0
		if n := dx*dx + dy*dy; n > 0 {
			u = min(max(((q.X-a.X)*dx+(q.Y-a.Y)*dy)/n, 0), 1)
		}
		best = min(best, math.Hypot(q.X-a.X-u*dx, q.Y-a.Y-u*dy))
	}
	return best
}

// colourAt returns the colour of the pixel at a place; ok is false outside the
// picture.
func (s *Sampler) colourAt(x, y float64) (c bgr, ok bool) {
	i, j := int(math.Round(x)), int(math.Round(y))
	if i < 0 || j < 0 || i >= s.px.W || j >= s.px.H {
		return bgr{}, false
	}
	q := s.px.Pix[3*(j*s.px.W+i):]
	return bgr{float64(q[0]), float64(q[1]), float64(q[2])}, true
}

func (s *Sampler) pixel(x, y float64) bgr { c, _ := s.colourAt(x, y); return c }

// around returns the mean colour of the nine pixels around a place.
func (s *Sampler) around(x, y float64) (c bgr) {
	n := 0.0
	for dy := -1.0; dy <= 1; dy++ {
		for dx := -1.0; dx <= 1; dx++ {
			if v, ok := s.colourAt(x+dx, y+dy); ok {
				n++
				for k := range c {
					c[k] += v[k]
				}
			}
		}
	}
	for k := range c {
		c[k] /= math.Max(n, 1)
	}
	return c
}
