package card

import (
	"math"

	"traytally/vision/internal/pixel"
)

// An Edge is how the camera draws an edge, seen on the discs of a card, whose
// black and white are one step apart in truth.
type Edge struct {
	// Sigma is the standard deviation of the blur, as of a Gaussian, in pixels
	// of the picture; 0 where it cannot be told.
	Sigma float64
	// InLight tells where the blur is symmetric: 1 in linear light, as a lens
	// makes it, 0 in the encoded values, as a later smoothing does; between
	// where neither fits better.
	InLight float64
}

// Bins of the edge profile, in pixels from the half height.
const (
	edgeReach = 5.0
	edgeBin   = 0.125
	edgeBins  = int(2*edgeReach/edgeBin) + 1
)

// Edge measures the profile of the discs' edges.
func (f *Found) Edge(p Pixels) Edge {
	var sum [2][edgeBins]float64 // linear, encoded
	var n [edgeBins]float64
	for _, s := range f.sightings {
		if s.out {
			continue
		}
		a := f.Camera.local(s.mm)
		a.c = s.px
		for i := range 48 {
			phi := 2 * math.Pi * float64(i) / 48
			edge, ok := p.edge(&a, s.r, phi)
			c := a.polar(s.r*edge, phi)
			if !ok {
				continue
			}
			u := c.Sub(s.px)
			d := math.Hypot(u.X, u.Y)
			u = Point{X: u.X / d, Y: u.Y / d}
			if d < edgeReach+2 {
				continue // too small a disc to hold the profile
			}
			black, _ := p.level(c, u, -edgeReach-1.5, -edgeReach+0.5)
			white, _ := p.level(c, u, edgeReach-0.5, edgeReach+1.5)
			if white-black < flat {
				continue
			}
			lb, lw := lin(black), lin(white)
			for k, v := range p.along(c, u, -edgeReach, edgeBin, edgeBins) {
				sum[0][k] += (lin(v) - lb) / (lw - lb)
				sum[1][k] += (v - black) / (white - black)
				n[k]++
			}
		}
	}
	var best [2]float64
	var sigma [2]float64
	for d := range sum {
		for k := range sum[d] {
			if n[k] < 48 {
				return Edge{}
			}
			sum[d][k] /= n[k]
		}
		sigma[d], best[d] = fitStep(&sum[d])
	}
	light := sq(sq(best[1])) / (sq(sq(best[0])) + sq(sq(best[1])))
	return Edge{Sigma: light*sigma[0] + (1-light)*sigma[1], InLight: light}
}

// sharpSigma is the deviation that a pixel's own width makes, 1/√12. Kernel
// outlines are found on the same pixels and are right without more blur than
// that.
const sharpSigma = 0.289

// Shift returns how far outwards, in pixels, the half height of the encoded
// values lies at the edge of something bright on a dark ground, for want of
// sharpness: bright and dark are their linear values. Where light is blurred,
// half of the encoded height is less than half of the light.
func (e Edge) Shift(dark, bright float64) float64 {
	if e.Sigma <= sharpSigma || bright <= dark {
		return 0
	}
	half := lin((pixel.Encode(dark) + pixel.Encode(bright)) / 2)
	share := (half - dark) / (bright - dark)
	return e.InLight * (e.Sigma - sharpSigma) * -math.Sqrt2 * math.Erfinv(2*share-1)
}

// lin is the linear value of an encoded one of 0..255, between table places.
func lin(v float64) float64 {
	v = min(255, max(0, v))
	i := min(254, int(v))
	f := v - float64(i)
	return float64(pixel.Light[i])*(1-f) + float64(pixel.Light[i+1])*f
}

// fitStep fits the cumulative normal distribution to a profile and returns its
// deviation in px and the sum of squares left.
func fitStep(v *[edgeBins]float64) (sigma, left float64) {
	cost := func(s, at float64) float64 {
		e := 0.0
		for k, y := range v {
			t := float64(k)*edgeBin - edgeReach
			e += sq(y - math.Erfc((at-t)/(s*math.Sqrt2))/2)
		}
		return e
	}
	// Pattern search: the cost has one valley.
	sigma, at, step := 0.8, 0.0, 0.4
	left = cost(sigma, at)
	for step > 0.002 {
		moved := false
		for _, d := range [4][2]float64{{step, 0}, {-step, 0}, {0, step}, {0, -step}} {
			if s := sigma + d[0]; s > 0.05 && s < edgeReach {
				if e := cost(s, at+d[1]); e < left {
					sigma, at, left, moved = s, at+d[1], e, true
				}
			}
		}
		if !moved {
			step /= 2
		}
	}
	return sigma, left
}
