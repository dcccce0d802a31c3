package card

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"traytally/vision/internal/pixel"
)

// PaperY is the reflectance that the card's unprinted paper is taken to have
// where it is not stated, the same in all colours: office paper has 0.83 to 0.90
// (common practice, no source). TonerY is that of full black.
const (
	PaperY = 0.86
	TonerY = 0.04
)

// Reflectance returns what a grey printed on paper of reflectance white is taken
// to reflect, 0..1: toner lets the share of the paper through that the sRGB curve
// has for the grey.
func Reflectance(grey byte, white float64) float64 {
	return TonerY + (white-TonerY)*float64(pixel.Light[grey])
}

// surface is the number of terms of a light surface.
const surface = 6

// A Light is how the card is lit: the linear value, 0..1, with which paper is
// recorded, as the exponential of a polynomial of second degree in x and y,
// for blue, green and red.
type Light struct {
	coef   [3][surface]float64
	cx, cy float64 // middle and half size of the card, mm
	hx, hy float64

	// Burnt is the share of the white places that are burnt out.
	Burnt float64
	// Step is the greatest sudden change of light between neighbouring white
	// places, as a share of the brighter side, 0..1, and StepAt where it is.
	Step   float64
	StepAt Point
	// Wave is how far the white places lie above the surface at one stretch and
	// below it at another, together, as a share, and Low the middle of the
	// latter: a shadow with a soft edge.
	Wave float64
	Low  Point
	// Patches are the patches' linear values over those of paper in the same
	// light; NaN where a patch is not seen.
	Patches [][3]float64
}

func (l *Light) terms(q Point) [surface]float64 {
	x, y := (q.X-l.cx)/l.hx, (q.Y-l.cy)/l.hy
	return [surface]float64{1, x, y, x * x, x * y, y * y}
}

// At returns the linear blue, green and red of paper at a card position.
func (l *Light) At(q Point) (bgr [3]float64) {
	t := l.terms(q)
	for k := range bgr {
		e := 0.0
		for i, v := range t {
			e += l.coef[k][i] * v
		}
		bgr[k] = math.Exp(e)
	}
	return bgr
}

// minSpread is the least scatter that white places are taken to have, as a
// share: paper and sensors are not even.
const minSpread = 0.004

// shadowRun is the number of white places on each side that a shadow's edge is
// judged from.
const shadowRun = 3

// Light measures the light on the card from its paper and patches. ok is false
// where too few white places are seen to tell.
func (f *Found) Light(p Pixels) (l Light, ok bool) {
	lay := f.Layout
	l = Light{cx: lay.W / 2, cy: lay.H / 2, hx: lay.W / 2, hy: lay.H / 2}
	var at []Point // where paper is seen
	var terms, logs []float64
	for _, q := range lay.White {
		v, burnt, seen := f.sample(p, q, 0.8)
		if !seen || min(v[0], v[1], v[2]) <= 1e-4 {
			continue
		}
		t := l.terms(q)
		at, terms, logs = append(at, q), append(terms, t[:]...), append(logs, math.Log(v[0]), math.Log(v[1]), math.Log(v[2]))
		l.Burnt += burnt
	}
	n := len(at)
	if n < 2*surface || float64(n) < 0.5*float64(len(lay.White)) {
		return l, false
	}
	l.Burnt /= float64(n)
	a, b := mat.NewDense(n, surface, terms), mat.NewDense(n, 3, logs)
	root := make([]float64, n) // of the weight of each place
	for i := range root {
		root[i] = 1
	}
	var dev []float64
	for range 8 {
		w := mat.NewDiagDense(n, root)
		var wa, wb, coef, left mat.Dense
		wa.Mul(w, a)
		wb.Mul(w, b)
		if err := coef.Solve(&wa, &wb); err != nil {
			return l, false
		}
		for k := range l.coef {
			mat.Col(l.coef[k][:], k, &coef)
		}
		left.Mul(a, &coef)
		left.Sub(b, &left)
		dev = mat.Col(nil, 1, &left)
		size := make([]float64, n)
		for i, d := range dev {
			size[i] = math.Abs(d)
		}
		// Tukey's biweight: what lies over the paper, or a shadow's edge, has
		// little say.
		c := 4.7 * max(minSpread, 1.4826*pixel.Median(size))
		for i, d := range size {
			root[i] = max(1e-3, 1-sq(d/c))
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range n {
		var before, after []float64
		for k := range shadowRun {
			before = append(before, dev[(i-k+n)%n])
			after = append(after, dev[(i+1+k)%n])
		}
		run := pixel.Median(before)
		if d := 1 - math.Exp(-math.Abs(run-pixel.Median(after))); d > l.Step {
			l.Step, l.StepAt = d, at[i]
		}
		high = max(high, run)
		if run < low {
			low, l.Low = run, at[(i-shadowRun/2+n)%n]
		}
	}
	l.Wave = 1 - math.Exp(low-high)
	for _, t := range lay.Patches {
		v, _, seen := f.sample(p, t.Middle(), 0.3*min(t.W(), t.H()))
		fit := l.At(t.Middle())
		for k := range v {
			if v[k] /= fit[k]; !seen {
				v[k] = math.NaN()
			}
		}
		l.Patches = append(l.Patches, v)
	}
	return l, true
}

// sample returns the mean linear colour of a square of the card with half side
// r mm.
func (f *Found) sample(p Pixels, q Point, r float64) ([3]float64, float64, bool) {
	_, least := f.Camera.Scales(q)
	return p.mean(f.Camera.ToPicture(q), r*least/math.Sqrt2)
}

// Side names the side of the card that a place is nearest to.
func (l *Layout) Side(q Point) string {
	return sideNames[floats.MinIdx([]float64{q.Y, l.W - q.X, l.H - q.Y, q.X})]
}

var sideNames = [4]string{"upper", "right", "lower", "left"}

// Trimming of an area to its dark part.
const (
	stepMM    = 0.5
	brightRim = 0.4 // share of paper's light from which on a place is bright
	rimShare  = 0.35
)

// Dark returns r less what is bright along its sides, such as paper that dark
// paper laid in does not cover, up to most mm each; ok is false where a side
// stays bright.
func (f *Found) Dark(p Pixels, l *Light, r Rect, most float64) (dark Rect, ok bool) {
	bright := func(a, b Point) bool {
		n, hit := max(1, int(a.Dist(b))), 0
		for i := range n {
			t := (float64(i) + 0.5) / float64(n)
			q := Point{X: a.X + (b.X-a.X)*t, Y: a.Y + (b.Y-a.Y)*t}
			if v, ok := f.share(p, l, q); !ok || v > brightRim { // cut off by the picture, or bright
				hit++
			}
		}
		return float64(hit) > rimShare*float64(n)
	}
	for side := range 4 {
		v := [4]*float64{&r.X0, &r.X1, &r.Y0, &r.Y1}[side]
		inward := [4]float64{1, -1, 1, -1}[side]
		for d := 0.0; ; d += stepMM {
			c := r.Corners()
			i := [4]int{3, 1, 0, 2}[side] // the side runs from corner i to the next
			if !bright(c[i], c[(i+1)%4]) {
				if d > 0 {
					*v += inward * stepMM // past the paper's own edge
				}
				break
			}
			if *v += inward * stepMM; d >= most || r.W() < 2*stepMM || r.H() < 2*stepMM {
				return r, false
			}
		}
	}
	return r, true
}

// brightThing is the share of paper's light from which on something in the tray
// counts as bright.
const brightThing = 0.25

// Bright returns how much of r is covered by something bright, such as rice,
// mm².
func (f *Found) Bright(p Pixels, l *Light, r Rect) float64 {
	n := 0
	for y := r.Y0 + 0.5; y < r.Y1; y++ {
		for x := r.X0 + 0.5; x < r.X1; x++ {
			if v, ok := f.share(p, l, Point{X: x, Y: y}); ok && v > brightThing {
				n++
			}
		}
	}
	return float64(n)
}

// share returns the green light of a card position as a share of that of paper
// there; ok is false outside the picture.
func (f *Found) share(p Pixels, l *Light, q Point) (v float64, ok bool) {
	px := f.Camera.ToPicture(q)
	x, y := int(math.Round(px.X)), int(math.Round(px.Y))
	if x < 0 || y < 0 || x >= p.W || y >= p.H {
		return 0, false
	}
	return float64(pixel.Light[p.Pix[3*(y*p.W+x)+1]]) / l.At(q)[1], true
}

// Areas returns where the rice may lie, before Dark: the field of a card that
// has one, less the print's edge; else the largest rectangles above and below
// the card that are in the picture and where the scale is known to maxSD, as a
// share, the larger one first and those narrower than least mm left out.
func (f *Found) Areas(maxSD, least float64) (out []Rect) {
	lay := f.Layout
	if lay.HasField() {
		return []Rect{lay.Field.Inset(1)}
	}
	const (
		gap, reach   = 4.0, 300.0
		across, away = 10.0, 4.0 // steps
	)
	good := func(q Point) bool { return f.Camera.shows(f.Camera.ToPicture(q)) && f.ScaleSD(q) <= maxSD }
	for _, side := range [2]struct{ from, way float64 }{{-gap, -1}, {lay.H + gap, 1}} {
		// How far the good places reach from the card at each x, and the largest
		// rectangle under that.
		var depth []float64
		for x := -reach; x <= reach+lay.W; x += across {
			d := -away
			for d < reach && good(Point{X: x, Y: side.from + side.way*(d+away)}) {
				d += away
			}
			depth = append(depth, d)
		}
		var best Rect
		for i := range depth {
			low := depth[i]
			for j := i + 1; j < len(depth); j++ {
				low = min(low, depth[j])
				w := across * float64(j-i)
				if low >= least && w >= least && w*low > best.W()*best.H() {
					y := [2]float64{side.from, side.from + side.way*low}
					best = Rect{across*float64(i) - reach, min(y[0], y[1]), across*float64(j) - reach, max(y[0], y[1])}
				}
			}
		}
		if best.W() > 0 {
			out = append(out, best)
		}
	}
	slices.SortStableFunc(out, func(a, b Rect) int { return cmp.Compare(b.W()*b.H(), a.W()*a.H()) })
	return out
}
