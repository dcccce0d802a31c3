package card

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"traytally/vision/internal/pixel"
)

// middle is where the bar of bar has its middle in row y: all positions within a
// pixel.
func middle(y int) float64 { return 40 + math.Mod(0.13*float64(y), 1) }

// bar draws a bright bar of half width 10, whose rims are darker by the fraction limb: a round body under diffuse light. The
// light is blurred by sigma before it is encoded.
func bar(limb, sigma, dark, bright float64) Pixels {
	p := Pixels{W: 80, H: 220}
	p.Pix = make([]byte, 3*p.W*p.H)
	light := func(x float64) float64 {
		u := math.Abs(x) / 10
		if u >= 1 {
			return dark
		}
		low := 1 - math.Sqrt(1-u*u)
		return bright * (1 - limb*low*math.Sqrt(low))
	}
	for y := range p.H {
		for x := range p.W {
			sum, all := 0.0, 0.0
			for d := -4 * sigma; d <= 4*sigma; d += 0.05 {
				w := math.Exp(-d * d / (2 * sigma * sigma))
				sum, all = sum+w*light(float64(x)+d-middle(y)), all+w
			}
			v := byte(math.Round(pixel.Encode(sum / all)))
			for k := range 3 {
				p.Pix[3*(y*p.W+x)+k] = v
			}
		}
	}
	return p
}

// TestRimShift: outlines laid off the true edge by a known distance are found
// to lie there, however dark the rims are; half of the contrast would be off by
// up to 0.4 pixels. Sampling between pixels adds to the blur, as it does on the
// discs, which is 1/6 px² on average.
func TestRimShift(t *testing.T) {
	for _, limb := range []float64{0, 0.3, 0.5} {
		for _, sigma := range []float64{0.6, 0.9, 1.3} {
			for _, off := range []float64{-0.4, 0, 0.5} {
				p := bar(limb, sigma, 0.04, 0.5)
				rim := NewRim(Edge{Sigma: math.Hypot(sigma, math.Sqrt(1.0/6)), InLight: 1})
				for y := range 200 {
					for _, side := range [2]float64{-1, 1} {
						rim.Add(p, Point{X: middle(y) + side*(10+off), Y: float64(y)}, Point{X: side})
					}
				}
				assert.Equal(t, 400, rim.n)
				got, ok := rim.Shift()
				assert.True(t, ok)
				tol := 0.08
				if limb*sigma > 0.5 { // the rim's rise is lost in the blur
					tol = 0.13
				}
				assert.InDelta(t, off, got, tol, "limb %g, sigma %g", limb, sigma)
			}
		}
	}
	_, ok := NewRim(Edge{Sigma: 1, InLight: 1}).Shift()
	assert.False(t, ok, "nothing seen")
}

// TestRimNeedsEvenGround: a place beside another body tells nothing.
func TestRimNeedsEvenGround(t *testing.T) {
	p := bar(0, 0.6, 0.04, 0.5)
	for y := range p.H {
		for x := 54; x < 60; x++ { // another body, three to four pixels off
			copy(p.Pix[3*(y*p.W+x):], []byte{180, 180, 180})
		}
	}
	rim := NewRim(Edge{Sigma: 0.7, InLight: 1})
	rim.Add(p, Point{X: middle(50) + 10, Y: 50}, Point{X: 1})
	assert.Zero(t, rim.n)
	rim.Add(p, Point{X: middle(50) - 10, Y: 50}, Point{X: -1})
	assert.Equal(t, 1, rim.n)
	rim.Add(p, Point{X: 2, Y: 50}, Point{X: -1})
	assert.Equal(t, 1, rim.n, "the picture ends")
}
