package phantom

import (
	"math"

	"traytally/vision/kernel"
)

// A view is a camera over the card. World positions are mm: x and y as on the
// card, z upwards from it.
type view struct {
	at                   [3]float64 // lens
	right, down, forward [3]float64 // unit vectors of the picture, in the world
	focal                float64    // px
	cx, cy, r            float64    // middle and half diagonal, px
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
	v.forward = [3]float64{st * cl, st * sl, -ct}
	v.at = [3]float64{aim.X - p.DistanceMM*v.forward[0], aim.Y - p.DistanceMM*v.forward[1], -p.DistanceMM * v.forward[2]}
	// Seen straight from above the picture's axes are the card's. Tilting turns
	// them about the line on the card across the lean, by the tilt.
	tilt := func(x, y float64) [3]float64 {
		along, across := x*cl+y*sl, y*cl-x*sl
		return [3]float64{along*ct*cl - across*sl, along*ct*sl + across*cl, along * st}
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
func (v *view) ray(x, y float64) [3]float64 {
	x, y = x-v.cx, y-v.cy
	f := v.lens(x*x+y*y) / v.focal
	x, y = x*f, y*f
	var d [3]float64
	for i := range d {
		d[i] = v.forward[i] + x*v.right[i] + y*v.down[i]
	}
	return d
}

// see returns the picture position of a world position.
func (v *view) see(x, y, z float64) kernel.Point {
	d := [3]float64{x - v.at[0], y - v.at[1], z - v.at[2]}
	dot := func(a [3]float64) float64 { return a[0]*d[0] + a[1]*d[1] + a[2]*d[2] }
	w := dot(v.forward) / v.focal
	ux, uy := dot(v.right)/w, dot(v.down)/w
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
