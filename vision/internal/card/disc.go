package card

import (
	"cmp"
	"context"
	"math"
	"math/rand/v2"
	"slices"

	"traytally/vision/internal/pixel"
)

// A Disc is the outline of a round thing: an ellipse, which a circle is where
// it is seen from straight above.
type Disc struct {
	Centre Point
	// f is the outline in (x, y) from the centre, 1/px²:
	// f[0]·(x²+y²) + f[1]·(x²-y²) + f[2]·2xy = 1.
	f [3]float64
	// Seen is the share of the directions in which the edge lies on the outline.
	Seen float64
	// SD is the standard uncertainty of a diameter by the scatter of the edge, px.
	SD float64
}

// Axes returns the greatest and the least diameter, px.
func (d *Disc) Axes() (long, short float64) {
	q := math.Hypot(d.f[1], d.f[2])
	return 2 / math.Sqrt(d.f[0]-q), 2 / math.Sqrt(d.f[0]+q)
}

// Across returns the diameters along x and along y, px.
func (d *Disc) Across() (x, y float64) {
	return 2 / math.Sqrt(d.f[0]+d.f[1]), 2 / math.Sqrt(d.f[0]-d.f[1])
}

// Off returns how far outside of the outline q lies, as a share of the distance
// from the centre to the outline; < 0: inside.
func (d *Disc) Off(q Point) float64 {
	x, y := q.X-d.Centre.X, q.Y-d.Centre.Y
	return math.Sqrt(d.f[0]*(x*x+y*y)+d.f[1]*(x*x-y*y)+d.f[2]*2*x*y) - 1
}

// Limits of what is taken for a disc: our own choice, tested on drawn coins
// with relief, print, rims, shadows and kernels that touch them, and looked at
// on three photographs of a dark coin and a printed cap on black cloth.
const (
	discRays   = 360
	discAxes   = 0.77 // least over greatest diameter: seen from 40° off
	discSeen   = 0.6  // of the directions
	discWindow = 0.3  // of the radius, to either side of the guess
	discNear   = 0.01 // of the radius, from which on an edge lies beside an outline
	discRim    = 0.03 // of the radius, how far the edges of a rim lie apart
	discTries  = 600  // outlines through edges in five directions
	// discAlso: of outlines that are seen in nearly as many directions as the best
	// one, as a share, the outermost is the thing's; the others are of its rim.
	discAlso = 0.8
	// discSharp is how sharp an edge must be for the sharpest one in its
	// direction: the halo that cameras draw around things is less.
	discSharp = 0.25
	// discSteep is the least change over discSpan for that over four times as
	// much: the edge of a shadow is softer.
	discSteep = 0.35
	// discNoise is how sharp it must be for the usual change on the ground, and
	// discLeast the least change over discSpan px, grey values.
	discNoise, discLeast = 6, 1.5
	discSpan             = 1.5
)

// An edge is a place where the brightness changes along a direction.
type edge struct {
	at    Point
	sharp float64 // the change over discSpan, grey values
}

// edges returns the places of greatest change along a direction from the centre
// between two distances.
func (p Pixels) edges(c Point, phi, from, to float64) (found []edge, ground float64) {
	const step = 0.5
	sin, cos := math.Sincos(phi)
	span := max(discSpan, to/150) // px
	k := int(math.Round(span / step))
	sum := []float64{0} // of the values before
	for i, v := range p.along(c, Point{X: cos, Y: sin}, from, step, int((to-from)/step)) {
		sum = append(sum, sum[i]+v)
	}
	var g []float64 // change about the middle between values i+k-1 and i+k
	for i := 0; i+2*k < len(sum); i++ {
		g = append(g, math.Abs(sum[i+2*k]-2*sum[i+k]+sum[i])/float64(k))
	}
	if len(g) < 10 {
		return nil, math.NaN()
	}
	most := slices.Max(g)
	for i := 1; i+1 < len(g); i++ {
		if g[i] < max(discLeast, discSharp*most) || g[i] < g[i-1] || g[i] <= g[i+1] {
			continue
		}
		m := i + k
		a, b := max(0, m-4*k), min(len(sum)-1, m+4*k)
		if wide := math.Abs((sum[b]-sum[m])/float64(b-m) - (sum[m]-sum[a])/float64(m-a)); g[i] < discSteep*wide {
			continue
		}
		// the vertex of the parabola through three values
		x := float64(i) + (g[i+1]-g[i-1])/(2*(2*g[i]-g[i-1]-g[i+1]))
		t := from + step*(x+float64(k)-0.5)
		found = append(found, edge{at: Point{X: c.X + t*cos, Y: c.Y + t*sin}, sharp: g[i]})
	}
	return found, pixel.Median(g[len(g)*4/5:])
}

// through fits an outline to at least five places about a first guess of it.
func (d Disc) through(q []Point) (Disc, bool) {
	r := 1 / math.Sqrt(d.f[0])
	start := d.Centre
	phi, rho := make([]float64, len(q)), make([]float64, len(q))
	for range 5 { // exact where the centre no longer moves
		for i, v := range q {
			x, y := v.X-d.Centre.X, v.Y-d.Centre.Y
			phi[i], rho[i] = math.Atan2(y, x), r*r/(x*x+y*y)
		}
		f, _ := harmonics(phi, rho)
		d.Centre = Point{X: d.Centre.X - r*f[1]/2/f[0], Y: d.Centre.Y - r*f[2]/2/f[0]}
		d.f = [3]float64{f[0] / (r * r), f[3] / (r * r), f[4] / (r * r)}
		if !(d.f[0] > math.Hypot(d.f[1], d.f[2])) || !(d.Centre.Dist(start) < r/2) {
			return d, false
		}
	}
	long, short := d.Axes()
	return d, short > discAxes*long
}

// Disc measures the round thing whose centre and radius are about those given.
// Relief, print, a rim, a shadow, kernels that touch it or specks in some
// directions do no harm: of the outlines through edges in five directions the
// one that most directions agree with is taken (M. Fischler, R. Bolles, Comm.
// ACM 24, 1981), then fitted to all that do. ok is false where there is none.
func (p Pixels) Disc(centre Point, radius float64) (best Disc, ok bool) {
	if !(radius >= minObject/2 && radius <= float64(p.W+p.H)) || p.W < 2 || p.H < 2 {
		return best, false
	}
	guess := Disc{Centre: centre, f: [3]float64{1 / sq(radius), 0, 0}}
	rays := p.rays(guess, func(phi float64) (from, to float64) { return radius * (1 - discWindow), radius * (1 + discWindow) })

	agree := func(d Disc, near float64) (q []Point) {
		for _, es := range rays {
			least := near
			at := -1
			for i, e := range es {
				if off := math.Abs(d.Off(e.at)); off < least {
					least, at = off, i
				}
			}
			if at >= 0 {
				q = append(q, es[at].at)
			}
		}
		return q
	}
	near := max(discNear, 1.5/radius)
	type try struct {
		d    Disc
		seen int
	}
	var tries []try
	most := 0
	rnd := rand.New(rand.NewPCG(1, 2)) // the same on each run
	for range discTries {
		var five []Point
		turn := rnd.IntN(discRays)
		for k := range 5 {
			if es := rays[(turn+k*discRays/5+rnd.IntN(discRays/10))%discRays]; len(es) > 0 {
				five = append(five, es[rnd.IntN(len(es))].at)
			}
		}
		if len(five) < 5 {
			continue
		}
		if d, ok := guess.through(five); ok {
			seen := len(agree(d, near))
			tries = append(tries, try{d, seen})
			most = max(most, seen)
		}
	}
	if most < discRays/3 {
		return best, false
	}
	size := 0.0
	for _, t := range tries {
		if long, short := t.d.Axes(); float64(t.seen) >= discAlso*float64(most) && long*short > size {
			best, size = t.d, long*short
		}
	}
	for range 4 { // to where it settles
		if best, ok = best.through(agree(best, near)); !ok {
			return best, false
		}
	}
	// Once more along directions from the true centre. Of several edges in one
	// the outermost counts: those of the rim would draw the outline inwards.
	rays = p.rays(best, func(phi float64) (from, to float64) {
		s, c := math.Sincos(phi)
		r := 1 / (1 + best.Off(Point{X: best.Centre.X + c, Y: best.Centre.Y + s}))
		return r - max(8, 2*discRim*r), r + max(8, 2*discRim*r)
	})
	for i, es := range rays {
		rays[i] = es[max(0, len(es)-1):]
	}
	for near = discRim; ; near *= 0.7 { // ever less of what scatters far
		q := agree(best, max(near, 0.5/radius))
		if len(q) < discRays/3 {
			return best, false
		}
		if best, ok = best.through(q); !ok {
			return best, false
		}
		if near > discNear/2 {
			continue
		}
		off := make([]float64, len(q))
		for i, v := range q {
			off[i] = math.Abs(best.Off(v))
		}
		long, short := best.Axes()
		// neighbouring directions see the same relief: a third of them count
		best.SD = 1.4826 * pixel.Median(off) * (long + short) / 2 / math.Sqrt(float64(len(q))/3)
		best.Seen = float64(len(agree(best, max(discNear, 1.5/radius)))) / discRays
		return best, best.Seen >= discSeen
	}
}

// rays returns the edges in each direction from the centre of d that stand out
// of what changes on the ground around.
func (p Pixels) rays(d Disc, window func(phi float64) (from, to float64)) [][]edge {
	out := make([][]edge, discRays)
	var ground []float64
	for i := range out {
		phi := 2 * math.Pi * float64(i) / discRays
		from, to := window(phi)
		var g float64
		if out[i], g = p.edges(d.Centre, phi, from, to); !math.IsNaN(g) {
			ground = append(ground, g)
		}
	}
	if len(ground) == 0 {
		return out
	}
	least := discNoise * pixel.Median(ground)
	for i := range out {
		out[i] = slices.DeleteFunc(out[i], func(e edge) bool { return e.sharp < least })
	}
	return out
}

// Search of discs in a shrunken picture.
const (
	seekSide   = 700  // px of its long side
	seekShare  = 0.25 // of its pixels, those with the greatest change: vote
	seekPeaks  = 40   // places where most votes fall that are looked at
	seekRadii  = 3    // radii about such a place that are looked at
	seekAround = 1.5  // of a radius found: where an outline around it may lie
	seekRim    = 0.3  // of a circle, that must vote
	seekSmooth = 1    // px around a place whose votes count for it
)

// Discs finds the round things in a picture with radii between two, px: each
// place where the brightness changes votes for the centres that lie along the
// change (D. Ballard, Pattern Recognition 13, 1981).
func Discs(ctx context.Context, p Pixels, least, most float64) ([]Disc, error) {
	s, err := shrink(ctx, p, seekSide)
	if err != nil {
		return nil, err
	}
	k := float64(s.step)
	low, high := max(6, int(least/k)), int(math.Ceil(most/k))
	high = min(high, min(s.w, s.h)/2)
	if low > high || s.w < 3 || s.h < 3 {
		return nil, nil
	}
	type vote struct{ x, y, dx, dy float32 }
	var change []vote
	for y := 1; y < s.h-1; y++ {
		for x := 1; x < s.w-1; x++ {
			i := y*s.w + x
			v := func(d int) float32 { return float32(s.v[i+d]) }
			dx := 2*(v(1)-v(-1)) + v(1-s.w) - v(-1-s.w) + v(1+s.w) - v(-1+s.w)
			dy := 2*(v(s.w)-v(-s.w)) + v(s.w-1) - v(-s.w-1) + v(s.w+1) - v(-s.w+1)
			if dx != 0 || dy != 0 {
				change = append(change, vote{float32(x), float32(y), dx, dy})
			}
		}
	}
	size := func(v vote) float32 { return v.dx*v.dx + v.dy*v.dy }
	slices.SortFunc(change, func(a, b vote) int { return cmp.Compare(size(b), size(a)) })
	change = change[:min(len(change), int(seekShare*float64(s.w*s.h)))]
	votes := make([]float32, s.w*s.h)
	for i := range change {
		v := &change[i]
		l := float32(math.Sqrt(float64(size(*v))))
		v.dx, v.dy = v.dx/l, v.dy/l
		for r := low; r <= high; r++ {
			for _, t := range [2]float32{float32(r), -float32(r)} {
				x, y := int(v.x+t*v.dx+0.5), int(v.y+t*v.dy+0.5)
				if x >= 0 && y >= 0 && x < s.w && y < s.h {
					votes[y*s.w+x] += 1 / float32(r)
				}
			}
		}
	}
	around := make([]float32, len(votes))
	for y := seekSmooth; y < s.h-seekSmooth; y++ {
		for x := seekSmooth; x < s.w-seekSmooth; x++ {
			for j := y - seekSmooth; j <= y+seekSmooth; j++ {
				for _, v := range votes[j*s.w+x-seekSmooth : j*s.w+x+seekSmooth+1] {
					around[y*s.w+x] += v
				}
			}
		}
	}
	var out []Disc
	for range seekPeaks {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		top := 0
		for i, v := range around {
			if v > around[top] {
				top = i
			}
		}
		cx, cy := top%s.w, top/s.w
		rim := make([]float64, high+2)
		for _, v := range change {
			x, y := v.x-float32(cx), v.y-float32(cy)
			if r := math.Hypot(float64(x), float64(y)); r >= float64(low) && r < float64(high)+1 && math.Abs(float64(x*v.dy-y*v.dx)) < 0.15*r+1 {
				rim[int(r)] += 1 / (2 * math.Pi * r)
			}
		}
		for range seekRadii {
			at := low
			for r := low; r <= high; r++ {
				if rim[r]+rim[r+1] > rim[at]+rim[at+1] {
					at = r
				}
			}
			if rim[at]+rim[at+1] < seekRim {
				break
			}
			d, ok := p.Disc(s.full(Point{X: float64(cx), Y: float64(cy)}), (float64(at)+1)*k)
			if !ok {
				clear(rim[max(low, at*9/10) : min(high, at*11/10)+2])
				continue
			}
			// It may be a ring within the thing.
			x, y := d.Across()
			if o, ok := p.Disc(d.Centre, seekAround*(x+y)/4); ok {
				d = o
			}
			if !slices.ContainsFunc(out, func(o Disc) bool { return o.Off(d.Centre) < 0 || d.Off(o.Centre) < 0 }) {
				out = append(out, d)
			}
			break
		}
		b := low/3 + 1
		for y := max(0, cy-b); y < min(s.h, cy+b); y++ { // nothing more about here
			for x := max(0, cx-b); x < min(s.w, cx+b); x++ {
				around[y*s.w+x] = 0
			}
		}
	}
	return out, nil
}
