package card

import "math"

// A Rim gathers how the light changes across the outlines of rounded bodies on
// a darker ground. Their rims turn away from the light and are darker than what
// lies within, so that half of the contrast is reached inside of the true edge,
// by more the weaker the contrast is.
type Rim struct {
	edge  Edge
	reach float64             // of the profile on either side of the outline, px
	sum   [2][rimBins]float64 // linear and encoded, 0 on the ground and 1 inside
	n     int
}

// NewRim returns one for a camera that draws edges like e.
func NewRim(e Edge) *Rim { return &Rim{edge: e, reach: min(6, max(2.5, 3*e.Sigma))} }

const (
	// rimBins is the number of places of a profile.
	rimBins = 25
	// rimEven is how far the ground may differ along the outer end of a profile,
	// as a share of the contrast: what lies beside is not another body.
	rimEven = 0.08
	// rimLeast is the least number of profiles, whose noise then averages out.
	rimLeast = 200
)

// Add takes the profile at a place of an outline; out is the unit vector from
// the body to the ground there. Places without an even ground outside, or where
// the picture ends, are left out.
func (r *Rim) Add(p Pixels, at, out Point) {
	in := Point{X: -out.X, Y: -out.Y}
	far, ok1 := p.level(at, in, -r.reach-1.5, -r.reach-0.5)
	near, ok2 := p.level(at, in, -r.reach, -r.reach+0.5)
	body, ok3 := p.level(at, in, r.reach-0.5, r.reach)
	ground := (far + near) / 2
	if !ok1 || !ok2 || !ok3 || body-ground < flat || math.Abs(far-near) > rimEven*(body-ground) {
		return
	}
	dark, bright := lin(ground), lin(body)
	for k, v := range p.along(at, in, r.place(0), r.place(1)-r.place(0), rimBins) {
		t := r.place(k)
		r.sum[0][k] += (p.lightAt(at.X+t*in.X, at.Y+t*in.Y) - dark) / (bright - dark)
		r.sum[1][k] += (v - ground) / (body - ground)
	}
	r.n++
}

// place is where a bin lies, pixels inwards of the outline.
func (r *Rim) place(k int) float64 { return r.reach * (2*float64(k)/(rimBins-1) - 1) }

// lightAt is Pixels.at with light, and not its encoded value, taken between
// pixels. The place must lie in the picture.
func (p Pixels) lightAt(x, y float64) float64 {
	i, j, fx, fy := p.cell(x, y)
	top := lin(p.luma(i))*(1-fx) + lin(p.luma(i+3))*fx
	low := lin(p.luma(j))*(1-fx) + lin(p.luma(j+3))*fx
	return top*(1-fy) + low*fy
}

// Shift returns how far outwards of the true edge, in pixels, the outlines lie;
// ok is false where too few places were seen or the blur is not known.
//
// The light of a rounded body steps up at its edge and then rises with its
// height, which goes with the root of the distance from the edge. That profile,
// blurred as the card's discs are, is fitted.
func (r *Rim) Shift() (px float64, ok bool) {
	if r.n < rimLeast || r.edge.Sigma < sharpSigma {
		return 0, false
	}
	rise := blurredRise(r.edge.Sigma)
	var at [2]float64
	for d, v := range r.sum {
		for k := range v {
			v[k] /= float64(r.n)
		}
		least := math.Inf(1)
		for x := -1.5; x <= 1.5; x += 0.01 {
			if left := r.misfit(&v, rise, x); left < least {
				least, at[d] = left, x
			}
		}
	}
	return r.edge.InLight*at[0] + (1-r.edge.InLight)*at[1], true
}

const (
	riseStep = 0.02
	riseFrom = 8.0
)

// blurredRise is the root of the distance from an edge, blurred: of the distance
// in steps of riseStep from -riseFrom.
func blurredRise(sigma float64) (root []float64) {
	const slice = 0.05
	for x := -riseFrom; x <= riseFrom; x += riseStep {
		sum, all := 0.0, 0.0
		for u := -4.0; u <= 4; u += slice {
			w := math.Exp(-u * u / 2)
			all += w
			sum += w * math.Sqrt(max(0, x-u*sigma))
		}
		root = append(root, sum/all)
	}
	return root
}

// misfit returns the sum of squares that a step and a rise at the place edge
// leave of a profile, their heights fitted.
func (r *Rim) misfit(v *[rimBins]float64, root []float64, edge float64) float64 {
	var aa, ab, bb, av, bv, vv float64
	for k, y := range v {
		x := r.place(k) - edge
		a := math.Erfc(-x/(r.edge.Sigma*math.Sqrt2)) / 2
		b := root[min(len(root)-1, max(0, int(math.Round((x+riseFrom)/riseStep))))]
		aa, ab, bb = aa+a*a, ab+a*b, bb+b*b
		av, bv, vv = av+a*y, bv+b*y, vv+y*y
	}
	det := aa*bb - ab*ab
	if det <= 0 {
		return vv
	}
	step, rise := (av*bb-bv*ab)/det, (bv*aa-av*ab)/det
	return vv - step*av - rise*bv
}
