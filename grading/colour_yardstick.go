package grading

import (
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
	cov := mat.NewSymDense(3, nil)
	for k := range 3 {
		cov.SetSym(k, k, priorTint[k]*priorTint[k])
	}
	y := &yardstick{}
	var core []int
	for range 4 {
		y.invert(cov)
		core = core[:0]
		for i, x := range tints {
			if y.distance(x) < near*near {
				core = append(core, i)
			}
		}
		n := float64(len(core) + priorKernels)
		for a := range 3 {
			for b := a; b < 3; b++ {
				s := 0.0
				if a == b {
					s = priorKernels * priorTint[a] * priorTint[a]
				}
				for _, i := range core {
					s += tints[i][a] * tints[i][b]
				}
				cov.SetSym(a, b, s/n)
			}
		}
	}
	y.invert(cov)
	const middle = 2.366 // median of chi-squared with 3 degrees of freedom
	d := make([]float64, len(core))
	for j, i := range core {
		d[j] = y.distance(tints[i])
	}
	n := float64(len(core))
	y.colour = tail(rate) * (n*quantile(d, 0.5) + priorKernels*middle) / (n + priorKernels)
	for m := range y.mark {
		for j, i := range core {
			d[j] = marksOf(seen[i])[m]
		}
		y.mark[m] = tail(rate) * (n*quantile(d, 0.5) + priorKernels*priorMark[m]) / (n + priorKernels)
	}
	return y
}

func (y *yardstick) invert(cov *mat.SymDense) {
	var c mat.Cholesky
	y.inverse = mat.NewSymDense(3, nil)
	if !c.Factorize(cov) || c.InverseTo(y.inverse) != nil {
		panic("grading: a covariance with a prior is not positive definite")
	}
}

// distance returns the square of the distance of a tint from the usual kernel.
func (y *yardstick) distance(x tint) float64 {
	v := mat.NewVecDense(3, x[:])
	return mat.Inner(v, y.inverse, v)
}

// quantile returns the q-quantile of v, which it sorts; 0 of none.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[int(q*float64(len(v)-1))]
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

// descriptions are the tints that colours lie along, from faint to full: from
// rendered trays and from memory.
var descriptions = []struct {
	is       hue
	full     tint
	from, to float64 // in full
}{
	{hueYellow, tint{-9, 5, 26}, 0.2, 1.5},
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
	if y.distance(x) <= y.colour || s.DeltaE00 < p.Odd.Plain {
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
