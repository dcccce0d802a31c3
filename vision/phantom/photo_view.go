package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"traytally/vision/kernel"
)

// A view is a camera over the card. World positions are mm: x and y as on the
// card, z upwards from it.
type view struct {
	at                   r3.Vec  // lens
	right, down, forward r3.Vec  // unit vectors of the picture, in the world
	focal                float64 // px
	cx, cy, r            float64 // middle and half diagonal, px
	k1, k2               float64
}

// newView aims the camera at a point of the card.
func newView(p *Photo, aim kernel.Point) view {
	rad := math.Pi / 180
	st, ct := math.Sincos(p.TiltDeg * rad)
	sl, cl := math.Sincos(p.LeanDeg * rad)
	v := view{
		focal: p.Focal * float64(max(p.Width, p.Height)),
		cx:    float64(p.Width-1) / 2, cy: float64(p.Height-1) / 2,
		r:  math.Hypot(float64(p.Width), float64(p.Height)) / 2,
		k1: p.K1, k2: p.K2,
	}
	v.forward = r3.Vec{X: st * cl, Y: st * sl, Z: -ct}
	v.at = r3.Sub(r3.Vec{X: aim.X, Y: aim.Y}, r3.Scale(p.DistanceMM, v.forward))
	// Seen straight from above the picture's axes are the card's. Tilting turns
	// them about the line on the card across the lean, by the tilt.
	tilt := func(x, y float64) r3.Vec {
		along, across := x*cl+y*sl, y*cl-x*sl
		return r3.Vec{X: along*ct*cl - across*sl, Y: along*ct*sl + across*cl, Z: along * st}
	}
	sr, cr := math.Sincos(p.TurnDeg * rad)
	v.right, v.down = tilt(cr, sr), tilt(-sr, cr)
	return v
}

// lens returns the factor from the radius in the picture to that of a pinhole.
func (v *view) lens(r2 float64) float64 {
	r2 /= v.r * v.r
	return 1 + r2*(v.k1+r2*v.k2)
}

// ray returns the direction, not of unit length, that is seen at a picture
// position.
func (v *view) ray(x, y float64) r3.Vec {
	x, y = x-v.cx, y-v.cy
	f := v.lens(x*x+y*y) / v.focal
	return r3.Add(r3.Add(v.forward, r3.Scale(x*f, v.right)), r3.Scale(y*f, v.down))
}

// see returns the picture position of a world position.
func (v *view) see(x, y, z float64) kernel.Point {
	d := r3.Sub(r3.Vec{X: x, Y: y, Z: z}, v.at)
	w := r3.Dot(v.forward, d) / v.focal
	ux, uy := r3.Dot(v.right, d)/w, r3.Dot(v.down, d)/w
	// The lens is known the other way round: Newton along the radius.
	u := math.Hypot(ux, uy)
	r := u
	for range 12 {
		const h = 1e-3
		f := r*v.lens(r*r) - u
		g := ((r+h)*v.lens((r+h)*(r+h)) - (r-h)*v.lens((r-h)*(r-h))) / (2 * h)
		r -= f / g
	}
	k := 1.0
	if u > 0 {
		k = r / u
	}
	return kernel.Point{X: v.cx + ux*k, Y: v.cy + uy*k}
}
