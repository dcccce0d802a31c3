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

// A Chalk is what within-kernel contrast says about opaque white. Where Step
// is 0 the kernel is of one kind all over, and only its level can tell which.
type Chalk struct {
	Share float64 // opaque share of the surface, 0..1
	Step  float64 // how much lighter the opaque part is, L*
	Fade  float64 // how much lower its b* is, at equal lightness
	High  float64 // how much lighter it is than the usual kernel, L*
	// Rise and Pale are the same two against the usual kernel: of the level
	// that four fifths of the surface exceed, and of the inner part.
	Rise, Pale float64
	zone       kernel.ChalkZone
	Dark       bool // dark or red over half of the surface: no chalk to be seen
	Coloured   bool // so yellow that its level says nothing
}

// Measure returns what the patch, which must have cells, shows.
func (j *Judge) Measure(p *Patch) (s kernel.Surface, chalk Chalk) {
	k, lim := j.look, &j.limits
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
	var kinds [dark + 1]int
	stained, faint := false, 0
	j.cells = slices.Grow(j.cells[:0], len(p.Cells))[:len(p.Cells)]
	var total, yellows, peak float32
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
		total += c.Weight
		switch {
		case da >= redAt && isRed(da, db) && (f.l >= black || f.l >= none && da >= fullRed),
			!c.border && oa >= streak && isRed(oa, ob) && f.l < streakL && f.l >= black:
			f.kind, f.rise = red, da
			if oa > da {
				f.rise = oa
			}
			if f.rise > peak {
				peak = f.rise
			}
		case f.l < black, f.l < darkAt && !coloured:
			if !k.clear(f.l-float32(usual.L), c.A-usualA, c.B-usualB) {
				f.kind = dark
			}
		case !c.border && oa >= faintStreak*streak && isRed(oa, ob) && f.l < streakL:
			f.faint, f.rise = true, oa
			faint++
		case db >= yellow:
			f.kind = brown
			f.stain = ob >= yellow
			stained = stained || f.stain
			yellows += c.Weight
		case f.l < darkAt && !k.clear(f.l-float32(usual.L), c.A-usualA, c.B-usualB):
			f.kind = dark
		}
		kinds[f.kind]++
	}
	s.YellowShare = float64(yellows / total)
	if kinds[red]+kinds[dark] > 0 || stained {
		j.lay(p)
	}
	if kinds[red] > 0 {
		j.red(p, peak, total, &s)
	}
	if reds := kinds[red] + faint; (reds >= fewFaint || reds > 0 && p.CellPx == 1) && s.RedLength < streakSeen {
		s.RedLength = math.Max(s.RedLength, j.streaks(p, float32(own.L)))
	}
	if kinds[dark] > 0 {
		j.dark(p, total, &s)
	}
	if stained {
		j.blobs(p, func(f *flat) bool { return f.stain }, func(cells []int32) {
			if deepest(p, cells) >= deepSpot { // else the colour fringe of a lens
				s.StainShare = max(s.StainShare, float64(weigh(p, cells)/total))
			}
		})
	}
	chalk = j.chalk(p, total)
	chalk.Pale = -shiftB
	chalk.Dark, chalk.Coloured = s.DarkShare > 0.5 || s.RedShare > 0.5, s.YellowShare > 0.5
	s.ChalkStep, s.ChalkZone = chalk.Step, chalk.zone
	return s, chalk
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
	j.parts.Each(p.GridW, p.GridH, true, func(i int) bool {
		k := j.grid[i]
		return k > 0 && in(&j.cells[k-1])
	}, func(cells []int32) {
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

// levels is the number of steps of 1 L* in which a surface is split.
const levels = 128

// leastClass is the least share of the surface that makes a class.
const leastClass = 0.01

// glare is the share of burnt-out pixels up to which they are taken for the
// mirror image of the lamp and left out.
const glare = 0.15

// chalk splits the cells' L* in two classes.
func (j *Judge) chalk(p *Patch, total float32) Chalk {
	var hist [levels]float64
	glossy := float64(p.Burnt) < glare*float64(p.Pixels)
	counts := func(i int) bool {
		f := &j.cells[i]
		return f.kind != red && f.kind != dark && !(glossy && 2*p.Cells[i].Burnt > p.Cells[i].N)
	}
	for i := range p.Cells {
		if counts(i) {
			hist[min(max(int(j.cells[i].l), 0), levels-1)] += float64(p.Cells[i].Weight)
		}
	}
	n := 0.0
	for _, w := range hist {
		n += w
	}
	if n < 0.3*float64(total) {
		return Chalk{}
	}
	_, low, high := pixel.Otsu(hist[:], 0.5, leastClass)
	c := Chalk{Rise: lowerFifth(&hist, n) - j.look.Usual.L}
	// A bell-shaped class split in the middle has means 1.6 standard
	// deviations apart.
	if high-low < max(j.limits.ChalkStep, 4*j.look.NoiseL) {
		return c
	}
	// The border lies half-way up in luminance, so that a cell half of which is
	// opaque stands on it, and not where Otsu cuts, which moves with the
	// classes' sizes.
	half := float32(math.Cbrt((cube(low+offset)+cube(high+offset))/2) - offset)
	var up, upB, downB, rim, side, along float32
	for i := range p.Cells {
		if !counts(i) {
			continue
		}
		f, w := &j.cells[i], p.Cells[i].Weight
		if f.l >= half {
			up += w
			upB += w * f.b / (f.l + offset)
			rim += w * p.Cells[i].Rim
			side += w * p.Cells[i].Side
			along += w * p.Cells[i].Along
		} else {
			downB += w * f.b / (f.l + offset)
		}
	}
	if down := float32(n) - up; up > 0 && down > 0 {
		c.Step, c.Share, c.High = high-low, float64(up/total), high-j.look.Usual.L
		c.Fade = float64(downB/down-upB/up) * (j.look.Usual.L + offset)
		c.zone = zoneOf(c.Share, rim/up, side/up, along/up)
	}
	return c
}

// zoneOf names where the opaque part lies by the means of its places. Cut in
// half lengthwise an even surface has a mean |Side| of 4/3π, 0.42, and crosswise
// a mean |Along| of the same (centroids of half an ellipse): from half of that on
// it lies at one side or end. The mean distance from the flank of all of it is a
// third of the half width.
func zoneOf(share float64, rim, side, along float32) kernel.ChalkZone {
	switch side, along = max(side, -side), max(along, -along); {
	case share > mostly:
		return kernel.ChalkWhole
	case max(side, along) < 0.21 && rim > 0.4:
		return kernel.ChalkCore
	case side >= along:
		return kernel.ChalkSide
	}
	return kernel.ChalkEnd
}

func cube(x float64) float64 { return x * x * x }

// lowerFifth returns the level that four fifths of a histogram of n in steps
// of 1 exceed.
func lowerFifth(h *[levels]float64, n float64) float64 {
	s := 0.0
	for b, w := range h {
		if s+w >= n/5 {
			return float64(b) + (n/5-s)/w
		}
		s += w
	}
	return levels
}

// An Opaque tells wholly opaque kernels, which have no contrast within, from
// the usual translucent ones: how far the level lies on the way from the one
// to the other, in lightness and paleness weighed by how well each tells.
type Opaque struct{ step, fade, lighter, ls, fs, norm float64 }

// The defaults of the way from translucent to opaque, where a sample has too
// few partly chalky kernels to show its own: 12 L* (rendered trays) and half
// of the usual kernel's b*.
const (
	usualStep = 12
	fewSteps  = 5
)

// opaqueAt is the share of the way from which on a kernel is opaque, and
// lighterAt the share of it in lightness alone. Half would be even-handed; a
// little more, because translucent kernels scatter and opaque ones hardly do.
const (
	opaqueAt  = 0.65
	lighterAt = 0.5
)

// lighterSpreads is how many standard deviations of usual kernels the opaque
// part is lighter at least: what is lighter by less is translucent rice in
// better light. Our own choice.
const lighterSpreads = 2

// NewOpaque takes the way from the sample's own partly chalky kernels.
func NewOpaque(k *Look, chalk []Chalk) Opaque {
	o := Opaque{step: usualStep, fade: 0.5 * math.Max(0, k.Usual.B), lighter: lighterSpreads * k.SpreadL}
	var steps, fades []float64
	for _, c := range chalk {
		if c.Step > 0 && c.High > c.Step/2 && c.Share > 0.1 && c.Share < 0.9 && !c.Dark && !c.Coloured {
			steps, fades = append(steps, c.Step), append(fades, c.Fade)
		}
	}
	if len(steps) >= fewSteps {
		o.step, o.fade = pixel.Median(steps), math.Max(0, pixel.Median(fades))
	}
	o.ls, o.fs = o.step/(k.SpreadL*k.SpreadL), o.fade/(k.SpreadB*k.SpreadB)
	o.norm = o.step*o.ls + o.fade*o.fs
	return o
}

// mostly is the share from which on within-kernel contrast needs to be borne
// out by the level of the whole: the little that is left over may be a shadow.
const mostly = 0.85

// gloss is the share up to which the lighter part of a kernel that is white as
// a whole is a gleam on it, and not the chalk.
const gloss = 0.2

// highAt is the share of the way in lightness that the lighter part of a
// kernel must have come from the usual one: else it is the sound part of a
// stained or shaded one. A kernel a little darker than usual has come less far.
const highAt = 0.45

// Share returns the chalky share of a kernel.
func (o Opaque) Share(c Chalk) float64 {
	// Four fifths of a white kernel are lighter than the limit.
	white := !c.Coloured && c.Rise > max(lighterAt*o.step, o.lighter) && (c.Rise*o.ls+c.Pale*o.fs)/o.norm > opaqueAt
	switch {
	case c.Dark:
		return 0
	case white && c.Share < gloss:
		return 1
	case white:
		return c.Share
	case c.Share > mostly, c.High < highAt*o.step, c.High < o.lighter:
		return 0
	}
	return c.Share
}
