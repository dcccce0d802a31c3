package segment

import (
	"cmp"
	"context"
	"math"
	"slices"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/parallel"
)

// A Piece is one thing found on the tray.
type Piece struct {
	Outline []Point // closed, positive geom.Area
	Cut     []bool  // per vertex: lies on a dividing line; nil for a free-lying piece
	Area    float64 // px², of the outline
	Faces   int     // number of dividing lines
	Corners []Point // corners of the outline, as fractures leave them
	Edge    bool    // the picture's edge cuts through it
	// Doubt is the cost of taking this region as one piece: 0 for a clean
	// kernel shape, above DoubtLimit for something that fits no kernel.
	Doubt float64

	cal geom.Calipers // before the blur was taken off
}

// A Model is the size of the sample's own whole kernels, in pixels.
type Model struct {
	Length, Width, Area float64
	sigma               float64
}

// A Result is what lies on a tray.
type Result struct {
	Pieces     []Piece // in reading order of their components; Edge ones included
	Unresolved []Piece // touching groups that could not be separated
	Small      int     // specks below the least measurable size
	Model      Model

	TrayMean     [3]float64 // blue, green, red
	TraySigma    float64
	Limit        int     // contrast from which on a pixel was taken as something
	BrightShare  float64 // share of pixels brighter than the dark/bright split
	BorderBright float64 // the same along the picture's border
	Contrast     float64 // median level of the pieces above the tray, grey values
	Runs         int     // stretches of pixels above Limit within a row
	BlurSigma    float64 // standard deviation of the picture's blur, px
}

// minPieceArea is the smallest region kept at all, in pixels: under it no
// caliper means anything.
const minPieceArea = 16

// wideShare: pieces wider than this part of the picture's short side are no
// kernels of a sample.
const wideShare = 8

// TooWide reports whether what lies on the tray is too wide for kernels.
func (r *Result) TooWide(p Picture) bool {
	return r.Model.Width > float64(min(p.W, p.H))/wideShare
}

// runShare is the least number of pixels per stretch of foreground. Kernels
// eight pixels wide over half of the picture have 16; a picture with more
// stretches is noise or coarse texture, not a tray.
const runShare = 10

// Noisy reports whether the picture was given up for having no plain tray.
func (r *Result) Noisy(p Picture) bool { return r.Runs > p.W*p.H/runShare }

// A shape is a region with what the judging needs.
type shape struct {
	comp   *component
	outer  contour
	holes  []contour
	hull   []Point
	cal    geom.Calipers
	area   float64 // outer minus holes
	filled float64 // outer
	sol    float64 // filled over hull area
	step   float64 // mean climb of its edge from pixel to pixel, share of the height
	nStep  int     // number of places it was taken at
}

// Find locates the pieces on a tray.
func Find(ctx context.Context, p Picture) (*Result, error) {
	t := estimateTray(p)
	// Six robust standard deviations keep a noisy tray silent; at least 10
	// grey values, as compressed, keep compression noise out.
	least := int(math.Round(10 * max(1, p.Gain)))
	limit := min(max(least, int(math.Ceil(6*t.sigma))+2), 80)
	res := &Result{TrayMean: t.mean, TraySigma: t.sigma, Limit: limit, BrightShare: t.brightShare, BorderBright: t.borderBright}
	rel, err := newRelief(p.W, p.H, limit)
	if err != nil {
		return nil, err
	}
	defer rel.close()
	runs := scan(p, t, rel, limit)
	for _, b := range runs {
		res.Runs += len(b)
	}
	if res.Noisy(p) {
		return res, nil // no plain tray: nothing on it has a shape
	}
	comps, small := connect(runs, minPieceArea)
	reach := levelReach(comps)
	if err := rel.level(reach); err != nil {
		return nil, err
	}

	// The largest first: the cores end together, and scratch memory is got once.
	order := make([]int, len(comps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(comps[j].box(), comps[i].box()) })

	shapes := make([][]shape, len(comps))
	level := make([]float64, len(comps))
	scratch := make([]tile, parallel.Workers())
	release := func() {
		for i := range scratch {
			scratch[i].labels.Close()
		}
		scratch = nil
	}
	defer release()
	outline := func(q *tile, i int, climb bool) {
		comps[i].inner = q.inner(comps[i])
		shapes[i] = q.shapes(comps[i], climb)
		level[i] = q.medianLevel(comps[i])
	}
	if err := parallel.Each(ctx, len(comps), func(w, k int) {
		i := order[k]
		outline(scratch[w].around(rel, comps[i]), i, i%(1+len(comps)/150) == 0)
	}); err != nil {
		return nil, err
	}
	res.Contrast = median(level)

	var all []*shape
	for i := range shapes {
		if len(shapes[i]) == 0 {
			small++
		}
		for j := range shapes[i] {
			all = append(all, &shapes[i][j])
		}
	}
	m := estimateModel(all)
	var climbs []float64
	for _, s := range all {
		if s.nStep >= 6 {
			climbs = append(climbs, s.step)
		}
	}
	if len(climbs) > 0 {
		res.BlurSigma = blurOf(median(climbs))
	}
	m.sigma = res.BlurSigma

	if res.Model = m; res.TooWide(p) {
		for _, s := range all { // no kernels: nothing to separate
			res.Pieces = append(res.Pieces, s.piece(&m))
		}
		return res, nil
	}

	if err := parallel.Each(ctx, len(comps), func(w, k int) {
		i := order[k]
		q := scratch[w].around(rel, comps[i])
		if q.relevel(comps[i], res.Contrast, reach, m.sigma) {
			outline(q, i, false)
		}
	}); err != nil {
		return nil, err
	}

	type found struct {
		pieces     []Piece
		unresolved []Piece
	}
	var got []found
	// Twice, unless the first model was far off: on a crowded tray of brokens
	// few kernels lie free.
	for round := range 5 {
		got = make([]found, len(shapes))
		if err := parallel.Each(ctx, len(shapes), func(w, k int) {
			i := order[k]
			whole := true
			for j := range shapes[i] {
				whole = whole && m.single(&shapes[i][j], level[i] < dim*res.Contrast)
			}
			if whole {
				for j := range shapes[i] {
					got[i].pieces = append(got[i].pieces, shapes[i][j].piece(&m))
				}
				return
			}
			got[i].pieces, got[i].unresolved = scratch[w].around(rel, comps[i]).split(comps[i], shapes[i], &m)
		}); err != nil {
			return nil, err
		}
		var ps []Piece
		for _, f := range got {
			ps = append(ps, f.pieces...)
		}
		next := refineModel(ps, m)
		moved := math.Max(math.Abs(next.Length/m.Length-1), math.Abs(next.Width/m.Width-1))
		if m.Area == 0 || round == 4 || moved < 0.02 || round > 0 && moved < 0.04 {
			break
		}
		m = next
	}
	release()
	speck := 0.02 * m.Area
	for _, f := range got {
		for _, q := range f.pieces {
			if q.Area < speck {
				small++
				continue
			}
			res.Pieces = append(res.Pieces, q)
		}
		res.Unresolved = append(res.Unresolved, f.unresolved...)
	}
	res.Small, res.Model = small, m
	err = parallel.Each(ctx, len(res.Pieces), func(_, i int) { res.Pieces[i].sharpen(res.BlurSigma) })
	return res, err
}

// levelReach is the reach of the local kernel level: about a fifth of a
// kernel's width, judged from the middle of the component sizes.
func levelReach(comps []*component) int {
	if len(comps) == 0 {
		return 3
	}
	// the short side of the middle component, as if it were a kernel three
	// times as long as wide
	a := make([]float64, len(comps))
	for i, c := range comps {
		a[i] = float64(c.area)
	}
	w := math.Sqrt(median(a) / 2.5)
	return min(max(3, int(0.18*w+0.5)), 24)
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

// medianLevel is the median contrast of a component's inside.
func (t *tile) medianLevel(c *component) float64 {
	var h [256]int
	n := 0
	for k := 0; k < len(c.runs); k += 1 + len(c.runs)/64 {
		r := c.runs[k]
		i := t.index(int(r.x0), int(r.y))
		for range r.x1 - r.x0 {
			if t.in(i) {
				h[t.c[i]]++
				n++
			}
			i++
		}
	}
	if n == 0 {
		return 0
	}
	return float64(quantile(&h, n, 0.5))
}

// shapes traces the regions of a component and sorts holes to their regions.
// With climb it also takes how steep their edges are.
func (t *tile) shapes(comp *component, climb bool) []shape {
	cs := t.contours(comp)
	var out []shape
	var holes []contour
	for _, c := range cs {
		a := geom.Area(c.pts)
		if a < 0 {
			holes = append(holes, c)
			continue
		}
		if a < minPieceArea {
			continue
		}
		out = append(out, shape{comp: comp, outer: c, filled: a, area: a})
	}
	for i := range out {
		s := &out[i]
		s.hull = geom.Hull(s.outer.pts)
		s.cal = geom.Caliper(s.hull)
		s.sol = s.filled / geom.Area(s.hull)
		if climb {
			s.step, s.nStep = t.steps(&s.outer)
		}
	}
	if len(holes) == 0 {
		return out
	}
	sets := t.regions(comp)
	region := map[int]*shape{}
	for i := range out {
		region[sets.find(out[i].outer.from)] = &out[i]
	}
	for _, h := range holes {
		if s := region[sets.find(h.from)]; s != nil {
			s.holes = append(s.holes, h)
			s.area += geom.Area(h.pts)
		}
	}
	return out
}

func (s *shape) piece(m *Model) Piece {
	return Piece{Outline: s.outer.pts, Area: s.filled, Edge: s.outer.edge, cal: s.cal, Doubt: m.cost(s.cal.Max, s.cal.Min, s.filled, s.sol)}
}

// estimateModel finds the size of the whole kernels among the free-lying
// pieces: regions that are nearly convex and have no two notches. Two round
// kernels side by side are nearly convex too.
func estimateModel(all []*shape) Model {
	// 4·area/perimeter is 1.4 widths for one kernel and for a chain of them.
	var w []float64
	for _, s := range all {
		w = append(w, 4*s.area/perimeter(s)/1.4)
	}
	if len(w) == 0 {
		return Model{}
	}
	slices.Sort(w)
	rough := Model{Width: w[len(w)*3/4]}
	var ls, ws []float64
	for _, s := range all {
		if s.sol < 0.92 || s.outer.edge || s.filled < 0.3*rough.Width*rough.Width {
			continue
		}
		if s.sol < 0.98 {
			sharp := 0
			for _, n := range notches(s, &rough) {
				if n.c == 0 && n.turn > 0.5 {
					sharp++
				}
			}
			if sharp > 1 {
				continue
			}
		}
		ls, ws = append(ls, s.cal.Max), append(ws, s.cal.Min)
	}
	if len(ls) >= 5 {
		return modelOf(ls, ws)
	}
	// Nearly everything touches: a medium shape to begin with.
	rough.Length, rough.Area = 2.6*rough.Width, 0.81*2.6*rough.Width*rough.Width
	return rough
}

func perimeter(s *shape) float64 {
	l := 0.0
	add := func(p []Point) {
		q := p[len(p)-1]
		for _, r := range p {
			l += q.Dist(r)
			q = r
		}
	}
	add(s.outer.pts)
	for _, h := range s.holes {
		add(h.pts)
	}
	return l * 0.97 // a one-pixel polygon runs a little rough
}

// modelOf takes lengths and widths of pieces, whole and broken, and returns
// the size of the whole ones: the mode of the lengths above the middle.
func modelOf(ls, ws []float64) Model {
	w := median(ws)
	l := upperMode(ls)
	var wl []float64
	for i := range ls {
		if math.Abs(ls[i]/l-1) < 0.12 {
			wl = append(wl, ws[i])
		}
	}
	if len(wl) >= 3 { // one may be a sliver
		w = median(wl)
	}
	return Model{Length: l, Width: w, Area: 0.81 * l * w}
}

// upperMode returns the middle of the fullest window of ±6 % among the values,
// counting a value's share of length, so that the longer of two equal heaps
// wins. Where no window holds five values it takes the upper decile: brokens
// lie free more often than whole kernels do, and a model that is too long is
// mended more easily than one that cuts kernels up.
func upperMode(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	best, at, lo := 0.0, s[(9*len(s)-1)/10], 0
	hi := 0
	for _, x := range s {
		for s[lo] < x*0.94 {
			lo++
		}
		for hi < len(s) && s[hi] <= x*1.06 {
			hi++
		}
		if f := float64(hi-lo) * x; hi-lo >= 5 && f > best {
			best, at = f, s[(lo+hi)/2]
		}
	}
	return at
}

// refineModel takes the model anew from separated pieces, or leaves it where
// these are few.
func refineModel(ps []Piece, m Model) Model {
	var ls, ws []float64
	for _, q := range ps {
		if q.Doubt < 1.5 && !q.Edge && q.Area > 0.15*m.Area {
			ls, ws = append(ls, q.cal.Max), append(ws, q.cal.Min)
		}
	}
	if len(ls) < 5 {
		return m
	}
	n := modelOf(ls, ws)
	n.sigma = m.sigma
	return n
}

// single reports whether a region is taken as one piece without a second look.
// A dim one may look ragged.
func (m *Model) single(s *shape, dim bool) bool {
	if m.Area == 0 {
		return true
	}
	solid := 0.955
	if dim {
		solid = 0.75
	}
	r, w := s.cal.Max/m.Length, s.cal.Min/m.Width
	return s.sol > solid && r < 1.14 && w < 1.16 && s.filled < 1.25*m.Area
}
