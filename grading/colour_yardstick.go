package grading

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"traytally/vision/kernel"
)

// A tint is how a kernel's colour differs from the usual one of its sample:
// L*, a* and b*, of a usual kernel brought to L* 71, that of raw milled rice in
// a well exposed picture. More or less light leaves it as it is (CIE 15:
// L*+16, a* and b* all change by one factor).
type tint [3]float64

// tintOf returns the tint of a surface. Differences of a* and b* are at the
// lightness of the usual kernel.
func tintOf(look *kernel.Look, s *kernel.Surface) tint {
	const usualL = 71
	level := look.Lab[0] + 16
	own := math.Max(s.EvenLab[0]+16, 1)
	k := (usualL + 16) / level
	return tint{(own - level) * k, (s.EvenLab[1]*level/own - look.Lab[1]) * k, (s.EvenLab[2]*level/own - look.Lab[2]) * k}
}

func (x tint) dot(y tint) float64 { return x[0]*y[0] + x[1]*y[1] + x[2]*y[2] }

func (x tint) length() float64 { return math.Sqrt(x.dot(x)) }

// redder is by how much being redder than a description counts more than other
// differences: husk is redder than yellowed rice, and hardly differs else.
const redder = 2

// shorter is by how much a usual length less than paddy's counts against husk:
// a kernel as long as milled rice is as far from it as by 2.4 of L*, a* or b*.
const shorter = 16

// beside is how far a tint lies beside a description.
func (x tint) beside() float64 {
	if x[1] > 0 {
		x[1] *= redder
	}
	return x.length()
}

// less returns x - k·y.
func (x tint) less(k float64, y tint) tint { return tint{x[0] - k*y[0], x[1] - k*y[1], x[2] - k*y[2]} }

// The marks that a surface can carry, each a share of it or of its length.
const (
	markSpot = iota
	markStain
	markRed
	markStreak
	marks
)

func marksOf(s *kernel.Surface) [marks]float64 {
	return [marks]float64{math.Max(s.SpotShare, s.DarkShare/3), s.StainShare, s.RedShare, s.RedLength}
}

// A yardstick is how much the sample's own usual kernels vary, and so what is
// odd: beyond what Profile.Rate of sound kernels show.
type yardstick struct {
	inverse *mat.SymDense // of the covariance of the tints
	colour  float64       // greatest square of the distance, in that covariance
	mark    [marks]float64
	clean   *mat.SymDense // inverse of the covariance of the nearest three quarters alone
	yellow  float64       // greatest step towards yellow, in standard deviations of those
}

// The prior stands for priorKernels in every sample. Its standard deviations of
// tints are those of photographed single kernels of two varieties, rounded down:
// Arborio and Jasmine have 3.1 to 3.8, 0.6 to 0.9 and 1.5 to 2.0 (robust, data set
// doi:10.1016/j.compag.2021.106285, laid as TestPaintedKernels does). Basmati,
// whose white balance differs from picture to picture, has 1.8, 1.9 and 3.6 and
// was left out. The medians of marks are 0 in all of them; what stands here, to
// have a yardstick on few kernels, is our own choice.
const priorKernels = 20

var (
	priorTint = tint{3, 0.6, 1.5}
	priorMark = [marks]float64{0, 0.002, 0.002, 0.02}
)

// tail is by how much the value that only rate of the kernels pass lies above
// the median, where values die away evenly (exponentially): 9 times at 1 in 500.
// The square of the distance of three bell-shaped values dies away a little
// faster. Up to half of the kernels may be marked and the marks still count.
func tail(rate float64) float64 { return math.Log(rate) / math.Log(0.5) }

// middle is the median of chi-squared with 3 degrees of freedom.
const middle = 2.366

// near is the distance, in standard deviations, within which a kernel is taken
// for usual when the yardstick is made.
const near = 5

// newYardstick makes the yardstick of kernels against their usual one.
func newYardstick(look *kernel.Look, kernels []kernel.Kernel, rate float64) *yardstick {
	var tints []tint
	var seen []*kernel.Surface
	for i := range kernels {
		k := &kernels[i]
		if k.Surface.Pixels > 0 && k.AreaPx2 > 0.15*look.LengthPx*look.WidthPx && k.LengthPx < 1.5*look.LengthPx {
			tints, seen = append(tints, tintOf(look, &k.Surface)), append(seen, &k.Surface)
		}
	}
	// The covariance about the usual kernel of those within near of it, from the
	// prior on, which stays in it as so many kernels more.
	y := &yardstick{inverse: inverse(spread(nil, nil, 1))}
	var core []int
	for range 4 {
		core = core[:0]
		for i, x := range tints {
			if distance(y.inverse, x) < near*near {
				core = append(core, i)
			}
		}
		y.inverse = inverse(spread(tints, core, 1))
	}
	d := make([]float64, len(core))
	for j, i := range core {
		d[j] = distance(y.inverse, tints[i])
	}
	n := float64(len(core))
	beyond := func(prior float64) float64 {
		return tail(rate) * (n*median(d) + priorKernels*prior) / (n + priorKernels)
	}
	y.colour = beyond(middle)
	for m := range y.mark {
		for j, i := range core {
			d[j] = marksOf(seen[i])[m]
		}
		y.mark[m] = beyond(priorMark[m])
	}
	y.clean, y.yellow = clean(tints), math.Sqrt(tail(rate)*middle)
	return y
}

// clean returns the inverse of the covariance of the nearest three quarters of
// the tints, brought to that of all where they are bell-shaped (concentration
// steps of Rousseeuw and Van Driessen, Technometrics 41 (1999) 212): what up to
// a quarter of faintly coloured kernels add to the spread is not in it.
func clean(tints []tint) *mat.SymDense {
	inv := inverse(spread(nil, nil, 1))
	d, order := make([]float64, len(tints)), make([]int, len(tints))
	scale := 1.0
	for range 8 {
		for i, x := range tints {
			d[i], order[i] = distance(inv, x), i
		}
		slices.SortFunc(order, func(i, j int) int { return cmp.Compare(d[i], d[j]) })
		if n := len(order); n > 0 { // their spread alone is too small by scale
			scale *= d[order[n/2]] / middle
		}
		inv = inverse(spread(tints, order[:len(order)*3/4], scale))
	}
	return inv
}

// yellowed reports whether a tint is farther along the way to yellow than
// Profile.Rate of sound kernels are in any direction. Yellowing is the one faint
// change of a whole kernel that a grade counts; a sample of which a tenth is
// yellowed scatters so much along that way that only the clean ones show it.
func (y *yardstick) yellowed(x tint) bool {
	d := mat.NewVecDense(3, yellow[:])
	return mat.Inner(mat.NewVecDense(3, x[:]), y.clean, d) > y.yellow*math.Sqrt(mat.Inner(d, y.clean, d))
}

// spread is the covariance about the usual kernel of the tints chosen, times
// scale, with the prior in it as so many kernels more.
func spread(tints []tint, chosen []int, scale float64) *mat.SymDense {
	cov := mat.NewSymDense(3, nil)
	n := float64(len(chosen) + priorKernels)
	for a, sd := range priorTint {
		cov.SetSym(a, a, priorKernels*sd*sd/n)
	}
	for _, i := range chosen {
		cov.SymRankOne(cov, scale/n, mat.NewVecDense(3, tints[i][:]))
	}
	return cov
}

func inverse(cov *mat.SymDense) *mat.SymDense {
	var c mat.Cholesky
	inv := mat.NewSymDense(3, nil)
	if !c.Factorize(cov) || c.InverseTo(inv) != nil {
		panic("grading: a covariance with a prior is not positive definite")
	}
	return inv
}

// distance returns the square of the distance of a tint from the usual kernel.
func distance(inverse *mat.SymDense, x tint) float64 {
	v := mat.NewVecDense(3, x[:])
	return mat.Inner(v, inverse, v)
}

// median returns the middle value of v, which it sorts; 0 of none.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[(len(v)-1)/2]
}

// A hue is what a kernel's colour looks like as a whole.
type hue uint8

const (
	hueUsual hue = iota // within the yardstick, or not plainly beyond it
	hueOdd              // beyond it, kind not told
	hueYellow
	hueRed
	hueHusk
	hueDark
	hueGrey
	huePale
	hueStrange // blue, violet or green against the usual kernel
)

var yellow = tint{-9, 5, 26}

// descriptions are the tints that colours lie along, from faint to full: from
// rendered trays and from memory.
var descriptions = []struct {
	is       hue
	full     tint
	from, to float64 // in full
}{
	{hueYellow, yellow, 0.2, 1.5},
	{hueRed, tint{-23, 25, 17}, 0.2, 1.5},
	{hueHusk, tint{-18, 10, 33}, 0.85, 1.2}, // thicker than bran or stain: never faint
	{hueDark, tint{-48, 5, 3}, 0.7, 1.5},
	{hueGrey, tint{-22, 3, -1}, 0.4, 1.4},
	{huePale, tint{12, 0, -5}, 0.4, 2},
}

// hueOf names a colour that is beyond the yardstick where its description is
// clearly nearer to one than to the others.
func (p *Profile) hueOf(y *yardstick, t *kernel.Tray, k *kernel.Kernel) hue {
	s := &k.Surface
	x := tintOf(&t.Look, s)
	odd := distance(y.inverse, x) > y.colour
	if !odd && (t.Grey || !y.yellowed(x)) || s.DeltaE00 < p.Odd.Plain {
		return hueUsual
	}
	if t.Grey {
		x[1], x[2] = 0, 0
	}
	best, next, is := math.Inf(1), math.Inf(1), hueOdd
	for _, d := range descriptions {
		if t.Grey && d.is != hueDark && d.is != hueGrey && d.is != huePale {
			continue
		}
		along := math.Max(d.from, math.Min(d.to, x.dot(d.full)/d.full.dot(d.full)))
		l := x.less(along, d.full).beside()
		if d.is == hueHusk {
			l += shorter * math.Max(0, p.Paddy.Length-math.Max(1, k.LengthPx/t.Look.LengthPx))
		}
		switch {
		case l < best:
			best, next, is = l, best, d.is
		case l < next:
			next = l
		}
	}
	if best > unlike*x.length() || next < p.Odd.Clear*best {
		is = hueOdd
	}
	if !odd && is != hueYellow {
		return hueUsual
	}
	chroma, angle := math.Hypot(x[1], x[2]), math.Atan2(x[2], x[1])*180/math.Pi
	switch {
	case chroma > strangeChroma && (angle < -20 || angle > 115):
		return hueStrange
	case is == hueOdd && x[2] < 0 && x[0] > -plainDrop && !t.Grey:
		return hueUsual // bluer, and not plainly blue: other light, no rice is
	}
	return is
}

// through reports whether a tint lies on the way to the colour of the ground,
// up to half of it: a clear kernel lets it through.
func through(look *kernel.Look, x tint) bool {
	g := tintOf(look, &kernel.Surface{EvenLab: look.Ground})
	ground := tint{g[0], look.Ground[1] - look.Lab[1], look.Ground[2] - look.Lab[2]}
	way := x.dot(ground) / ground.dot(ground)
	return way > 0 && way < 0.5 && x.less(way, ground).length() < 0.5*x.length()
}

// A colour farther from all descriptions than unlike of its own length has
// none; strangeChroma is the shift of a* and b* from which on blue, violet and
// green are no light that shines through. Our own choice.
const (
	plainDrop     = 10 // L*, up to which bluer rice is rice in other light
	unlike        = 0.6
	strangeChroma = 18
)
