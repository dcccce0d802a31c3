package colour

import (
	"math"
	"slices"

	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

// A Judge measures surfaces against a Look. It holds scratch memory: each
// goroutine has its own.
type Judge struct {
	look   *Look
	limits kernel.SurfaceLimits
	cells  []flat
	grid   []int32 // index of the cell plus 1
	in     []uint8 // of the grid: 1 for a place of a group
	parts  pixel.Parts
	lanes  []lane
}

// A kind is what a place of a surface looks like.
type kind uint8

const (
	sound kind = iota
	red
	brown // yellow to brown
	dark
)

// A flat is a cell freed of the light at its place and of the shading.
type flat struct {
	l, b  float32
	rise  float32 // of a*, where red
	oa    float32 // rise of a* over the same kernel, at the usual lightness
	ob    float32 // the same of b*
	kind  kind
	stain bool // yellow to brown against its own kernel
	faint bool // as a red streak, but too faint to stand for itself
}

// NewJudge returns a judge.
func NewJudge(k *Look, limits kernel.SurfaceLimits) *Judge {
	return &Judge{look: k, limits: limits}
}

// Measure returns what the patch, which must have cells, shows.
func (j *Judge) Measure(p *Patch) (s kernel.Surface, chalk Chalk) {
	k := j.look
	usual, level := k.Usual, k.Usual.L+offset
	even := level / k.light.at(p.X, p.Y)
	own := Lab{(p.Mid.L+offset)*even - offset, p.Mid.A * even, p.Mid.B * even}
	q := level / math.Max(own.L+offset, 1)
	shiftA, shiftB := own.A*q-usual.A, own.B*q-usual.B
	s = kernel.Surface{
		Pixels:     p.Pixels,
		BurntShare: float64(p.Burnt) / float64(p.Pixels),
		Light:      1 / (even * even * even),
		EvenLab:    own.Array(),
		DeltaE00:   DeltaE00(own, usual),
	}

	n := j.judge(p, own, even, shiftA, shiftB)
	s.YellowShare = float64(n.yellow / n.area)
	if n.kinds[red]+n.kinds[dark] > 0 || n.stained {
		j.lay(p)
	}
	if n.kinds[red] > 0 {
		j.red(p, n.peak, n.area, &s)
	}
	if reds := n.kinds[red] + n.faint; (reds >= fewFaint || reds > 0 && p.CellPx == 1) && s.RedLength < streakSeen {
		s.RedLength = math.Max(s.RedLength, j.streaks(p, float32(own.L)))
	}
	if n.kinds[dark] > 0 {
		j.dark(p, n.area, &s)
	}
	if n.stained {
		j.blobs(p, func(f *flat) bool { return f.stain }, func(cells []int32) {
			if deepest(p, cells) >= deepSpot { // else the colour fringe of a lens
				s.StainShare = max(s.StainShare, float64(weigh(p, cells)/n.area))
			}
		})
	}
	chalk = j.chalk(p, n.area)
	chalk.Pale = -shiftB
	chalk.Dark, chalk.Coloured = s.DarkShare > 0.5 || s.RedShare > 0.5, s.YellowShare > 0.5
	s.ChalkStep, s.ChalkZone = chalk.Step, chalk.zone
	return s, chalk
}

// A census is what the cells of one kernel come to.
type census struct {
	kinds              [dark + 1]int // cells of each
	faint              int           // cells
	stained            bool          // one is at least
	area, yellow, peak float32       // of all, yellow to brown; greatest rise
}

// judge frees the cells of a kernel from light and shading and tells what each
// is. even takes its colour own to the mean light, and the shifts lead there
// from the usual kernel's, at equal lightness.
func (j *Judge) judge(p *Patch, own Lab, even, shiftA, shiftB float64) (n census) {
	k, lim := j.look, &j.limits
	usual, level := k.Usual, k.Usual.L+offset
	// A spot is dark against its own kernel; one that is itself as much darker
	// than usual as a spot is judged against the usual one.
	darkFrom := float32(min(usual.L, max(own.L, usual.L-lim.DarkDrop)))
	black := float32(level*blackShare - offset)
	none := float32(level*noHue - offset)
	// A streak is red against its own kernel, and darker.
	streak := float32(math.Max(streakShare*lim.RedShift, 3.5*k.NoiseA))
	streakL := float32(own.L - math.Max(streakDrop, 1.5*k.NoiseL))
	yellowAt := float32(math.Max(lim.YellowShift, 4*k.SpreadB))
	coloured := float32(shiftB) >= yellowAt
	side, evenly := k.shade.side(p), float32(even)
	usualA, usualB := float32(usual.A), float32(usual.B)
	ownA, ownB := float32(shiftA), float32(shiftB)
	redShift, fullRed := float32(lim.RedShift), float32(fullBran*lim.RedShift)
	j.cells = slices.Grow(j.cells[:0], len(p.Cells))[:len(p.Cells)]
	for i := range p.Cells {
		c, f := &p.Cells[i], &j.cells[i]
		m := evenly / k.shade.of(c, side)
		// Where usual kernels vary, at clear ends or dark rims, it takes more.
		u := &k.Uneven[place(c)]
		darkAt := darkFrom - max(float32(lim.DarkDrop), unevenTimes*u[0])
		redAt, yellow := max(redShift, unevenTimes*u[1]), max(yellowAt, unevenTimes*u[2])
		q := float32(level) / (c.L + offset) // the colour at the usual lightness
		da, db := c.A*q-usualA, c.B*q-usualB
		oa, ob := da-ownA, db-ownB
		*f = flat{l: (c.L+offset)*m - offset, b: c.B * m, oa: oa, ob: ob}
		n.area += c.Weight
		switch {
		case da >= redAt && isRed(da, db) && (f.l >= black || f.l >= none && da >= fullRed),
			!c.border && oa >= streak && isRed(oa, ob) && f.l < streakL && f.l >= black:
			f.kind, f.rise = red, max(da, oa)
			n.peak = max(n.peak, f.rise)
		case f.l < black, f.l < darkAt && !coloured:
			if !k.clear(f.l-float32(usual.L), c.A-usualA, c.B-usualB) {
				f.kind = dark
			}
		case !c.border && oa >= faintStreak*streak && isRed(oa, ob) && f.l < streakL:
			f.faint, f.rise = true, oa
			n.faint++
		case db >= yellow:
			f.kind = brown
			f.stain = ob >= yellow
			n.stained = n.stained || f.stain
			n.yellow += c.Weight
		case f.l < darkAt && !k.clear(f.l-float32(usual.L), c.A-usualA, c.B-usualB):
			f.kind = dark
		}
		n.kinds[f.kind]++
	}
	return n
}

// blackShare is the share of the usual L*+16 below which a place is dark
// whatever its hue: a quarter of the luminance.
const blackShare = 0.63

// Red bran lies 10° to 43° from a* towards b*, yellowed rice 55° to 82°
// (rendered trays). Colour that bleeds in from a blue ground lies below 0°, from
// a green one on the other side.
const redSector, redBelow = 1.2, -0.25 // b* per a*

func isRed(a, b float32) bool { return b < redSector*a && b > redBelow*a }

// streakShare is the rise of a* in a streak half as wide as a cell, and
// fullBran the one of full red bran, in SurfaceLimits.RedShift.
const streakShare, fullBran = 0.45, 3

// unevenTimes is how many of the usual kernels' standard deviations at its
// place a mark differs at least.
const unevenTimes = 4

// noHue is the share of the usual L*+16 below which not even a full red means
// anything: an eighth of the luminance.
const noHue = 0.5

// faintStreak is the share of StreakShift from which on a place carries a
// streak on that is there already.
const faintStreak = 0.6

// A streak narrower than the picture's blur is faint everywhere, and only its
// length tells it from noise. The surface is cut in streakSlices across the
// axis and each slice in lanes a cell wide. A streak is a run of lanes from
// slice to slice whose means over three slices are darker than the kernel by
// streakDim; two slices may be missing, and the run may move aside by a lane at
// each step. Over the whole run it must be redder than the kernel by
// streakLeast, and by streakNoise standard deviations of such a mean.
const (
	streakSlices = 12
	streakDim    = 1.5 // L*
	streakLeast  = 0.7 // of streakShare
	streakNoise  = 10  // at 4, ribs of photographed kernels (open data set, doi:10.1016/j.compag.2021.106285) passed for streaks
	streakRun    = 4   // slices that a streak reaches over at least
	fewFaint     = 4   // cells that are somewhat red, below which none is looked for; one where cells are single pixels
	mostLanes    = 64  // across
	streakSeen   = 0.5 // length already found from which on none is looked for
)

// A lane is what is summed up over one lane of one slice.
type lane struct{ n, l, a, b float32 }

// A run is a streak up to some slice.
type run struct {
	slices, missed int8 // reached over; missing at its end
	n, a           float32
}

// streaks returns the length of the longest streak along the kernel that shows
// in the means of lanes, in lengths of the kernel.
func (j *Judge) streaks(p *Patch, own float32) float64 {
	lanes := min(max(int(2*p.HalfWidth/float64(p.CellPx)), 4), mostLanes)
	j.lanes = slices.Grow(j.lanes[:0], streakSlices*lanes)[:streakSlices*lanes]
	clear(j.lanes)
	for i := range p.Cells {
		c, f := &p.Cells[i], &j.cells[i]
		if c.border || f.kind == dark || f.kind == brown {
			continue
		}
		s := min(int((c.Along+1)/2*streakSlices), streakSlices-1)
		w := min(int((c.Side+1)/2*float32(lanes)), lanes-1)
		q := &j.lanes[s*lanes+w]
		q.n++
		q.l += f.l
		q.a += f.oa
		q.b += f.ob
	}
	noise := float32(streakNoise * j.look.NoiseA)
	least := float32(streakLeast * streakShare * j.limits.RedShift)
	longest := 0
	var runs, next [mostLanes + 2]run // with an empty one at each side
	for s := range streakSlices {
		for w := range lanes {
			var t lane
			for k := max(s-1, 0); k <= min(s+1, streakSlices-1); k++ {
				q := &j.lanes[k*lanes+w]
				t.n, t.l, t.a, t.b = t.n+q.n, t.l+q.l, t.a+q.a, t.b+q.b
			}
			r := runs[w+1]
			for _, o := range [...]run{runs[w], runs[w+2]} {
				if o.slices > r.slices {
					r = o
				}
			}
			here := j.lanes[s*lanes+w]
			switch {
			case t.n >= 2 && here.n > 0 && here.l <= (own-streakDim/2)*here.n && here.a > 0 && t.l <= (own-streakDim)*t.n && t.a > 0 && t.b <= max(redSector*t.a, t.n) && t.b >= min(redBelow*t.a, -0.3*t.n):
				r.slices += 1 + r.missed
				r.missed, r.n, r.a = 0, r.n+here.n, r.a+here.a
				if a := r.a; r.slices >= streakRun && a >= least*r.n && a*a >= noise*noise*r.n {
					longest = max(longest, int(r.slices))
				}
			case r.slices > 0 && r.missed < 2:
				r.missed++
			default:
				r = run{}
			}
			next[w+1] = r
		}
		runs = next
	}
	return float64(longest) / streakSlices
}

// streakDrop is how much darker, in L*, a streak is than its kernel at least.
const streakDrop = 2.5

// deepest returns how far from the flank cells reach, in half widths.
func deepest(p *Patch, cells []int32) (d float32) {
	for _, i := range cells {
		d = max(d, p.Cells[i].Rim)
	}
	return d
}

// weigh adds up the weights of cells.
func weigh(p *Patch, cells []int32) (w float32) {
	for _, i := range cells {
		w += p.Cells[i].Weight
	}
	return w
}

// lay writes the cells' indices into the grid.
func (j *Judge) lay(p *Patch) {
	n := p.GridW * p.GridH
	j.grid = slices.Grow(j.grid[:0], n)[:n]
	clear(j.grid)
	for i := range p.Cells {
		c := &p.Cells[i]
		j.grid[int(c.Y)*p.GridW+int(c.X)] = int32(i + 1)
	}
}

// blobs calls f with each 8-connected group of cells for which in holds.
func (j *Judge) blobs(p *Patch, in func(*flat) bool, f func(cells []int32)) {
	j.in = slices.Grow(j.in[:0], len(j.grid))[:len(j.grid)]
	for i, k := range j.grid {
		j.in[i] = pixel.Bit(k > 0 && in(&j.cells[k-1]))
	}
	j.parts.Each(j.in, p.GridW, true, func(cells []int32) {
		for n, i := range cells {
			cells[n] = j.grid[i] - 1
		}
		f(cells)
	})
}

// shortStreak is the share of the kernel's length under which a red mark is
// no streak.
const shortStreak = 0.06

// shortPiece is the length over width under which a piece's own axis may run
// across that of the kernel it broke from, and a streak with it.
const shortPiece = 1.8

// red adds up red marks. A cell is red in part at the edge of a mark, and all
// over a streak narrower than the picture's blur: it counts by its rise of a*
// over that of full red bran, or over three quarters of the kernel's greatest
// where that is more.
func (j *Judge) red(p *Patch, peak, total float32, s *kernel.Surface) {
	var area float32
	full := max(0.75*peak, float32(fullBran*j.limits.RedShift))
	j.blobs(p, func(f *flat) bool { return f.kind == red || f.faint }, func(cells []int32) {
		if !slices.ContainsFunc(cells, func(i int32) bool { return j.cells[i].kind == red }) {
			return
		}
		lo, hi, left, right := float32(1), float32(-1), float32(1), float32(-1)
		for _, i := range cells {
			c := &p.Cells[i]
			area += c.Weight * min(1, j.cells[i].rise/full)
			lo, hi = min(lo, c.Along), max(hi, c.Along)
			left, right = min(left, c.Side), max(right, c.Side)
		}
		l := float64(hi-lo)/2 + float64(p.CellPx)/p.Length
		if p.Length < shortPiece*2*p.HalfWidth && peak >= float32(j.limits.RedShift) { // the kernel may have run across it
			l = max(l, float64(right-left)/2+float64(p.CellPx)/(2*p.HalfWidth))
		}
		if l >= shortStreak {
			s.RedLength += l
		}
	})
	s.RedShare = float64(area / total)
}

// A dark spot reaches deepSpot half widths in from the flank, or deepPx pixels
// beyond the inset, or covers wideSpot of the surface: what is narrower and
// lies along the flank is the shadow of a neighbour or the tray seen past the
// outline. Below leastSpot of the surface or leastSpotPx square pixels it is
// noise.
const (
	deepSpot    = 0.25
	deepPx      = 2.5
	wideSpot    = 0.08
	leastSpot   = 0.003
	leastSpotPx = 3
)

// slender reports whether cells lie in a line, as in a furrow or along a rim:
// the lesser of the standard deviations of their places is under slenderSpot of
// the greater, the cell's own size (1/12 of its square) included.
func slender(p *Patch, cells []int32) bool {
	var n, x, y, xx, xy, yy float64
	for _, i := range cells {
		c := &p.Cells[i]
		w, u, v := float64(c.Weight), float64(c.X), float64(c.Y)
		n, x, y, xx, xy, yy = n+w, x+w*u, y+w*v, xx+w*u*u, xy+w*u*v, yy+w*v*v
	}
	x, y = x/n, y/n
	xx, xy, yy = xx/n-x*x+1.0/12, xy/n-x*y, yy/n-y*y+1.0/12
	mid, half := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	return mid-half < slenderSpot*slenderSpot*(mid+half)
}

// slenderSpot: an ellipse four times as long as wide is no spot. Our own
// choice.
const slenderSpot = 1.0 / 4

func (j *Judge) dark(p *Patch, total float32, s *kernel.Surface) {
	least := float32(min(deepSpot, (p.Inset+deepPx)/p.HalfWidth))
	j.blobs(p, func(f *flat) bool { return f.kind == dark }, func(cells []int32) {
		area, deep := weigh(p, cells), deepest(p, cells)
		share := float64(area / total)
		if share < leastSpot || area < leastSpotPx || deep < least && share < wideSpot || share < wideSpot && slender(p, cells) {
			return
		}
		s.Spots++
		s.DarkShare += share
		s.SpotShare = max(s.SpotShare, share)
	})
}
