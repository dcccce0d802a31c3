package vision

import (
	"context"
	"fmt"
	"math"

	"traytally/vision/internal/card"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A Calibration is the scale of a picture, found from something of known size
// in it.
type Calibration struct {
	PxPerMMX, PxPerMMY float64 // along x and y as displayed
	// Both reports whether x and y were measured apart; else one was measured,
	// along Angle, and taken for both.
	Both bool
	// AngleRad is the direction of what was measured, in (-π/2, π/2].
	AngleRad float64
	// RelSD is the standard uncertainty by the sharpness of the edges, as a
	// share. That of the known size itself is not in it.
	RelSD  float64
	Method string // for people: "disc of 24.25 mm"
}

// Limits of a calibration.
const (
	// maxAnisotropy is how far the scales along x and y may differ, as a share:
	// scanners step unequally by a few thousandths.
	maxAnisotropy = 0.03
	// squareSides is how far, as a cosine of twice the angle, a thing may lie
	// askew for its two sides to tell x from y: 0.5 is 30°.
	squareSides = 0.5
)

// CalibrateObject takes the scale from the one object in a picture: length is
// its diameter or the distance between its short sides, width that of its long
// ones or 0, mm. With a round object, or with both sides known, x and y are
// told apart.
func CalibrateObject(ctx context.Context, p *Picture, length, width float64) (*Calibration, error) {
	if !(length > 0 && width >= 0) || p.Pix() == nil {
		return nil, fmt.Errorf("an object of %g × %g mm", length, width)
	}
	bad := func(hint, what string, a ...any) error { return fault.New(p.Name, hint, what, a...) }
	o, err := card.FindObject(ctx, card.Pixels(pixelsOf(p)))
	if err != nil {
		return nil, named(p.Name, err)
	}
	c := &Calibration{RelSD: o.SD / o.Length, AngleRad: o.Angle}
	switch {
	case o.Round:
		if width > 0 && math.Abs(width/length-1) > 1e-9 {
			return nil, bad("give its diameter as --length alone", "the object is round, and two sizes are given")
		}
		c.PxPerMMX, c.PxPerMMY, c.Both = o.Length/length, o.Width/length, true
		c.Method = fmt.Sprintf("disc of %g mm", length)
	case width == 0:
		s := o.Length / length
		c.PxPerMMX, c.PxPerMMY = s, s
		c.Method = fmt.Sprintf("object %g mm long", length)
	default:
		if width > length {
			return nil, bad("give the longer side as --length", "the width of %g mm is greater than the length of %g mm", width, length)
		}
		if got, want := o.Length/o.Width, length/width; math.Abs(got/want-1) > maxAnisotropy {
			return nil, bad("check both sizes; lay the object flat", "the object's sides are as %.3f to 1, and those given as %.3f to 1", got, want)
		}
		// Each side: (length·cos/sx)² + (length·sin/sy)² = mm².
		sin, cos := math.Sincos(o.Angle)
		if math.Abs(cos*cos-sin*sin) < squareSides {
			return nil, bad("lay it along a side of the picture, or give --length alone", "the object lies askew by %.0f°, so that x and y cannot be told apart", math.Abs(o.Angle)*180/math.Pi)
		}
		a, b, e := sq(o.Length*cos), sq(o.Length*sin), sq(length)
		u, v, f := sq(o.Width*sin), sq(o.Width*cos), sq(width)
		det := a*v - b*u
		c.PxPerMMX, c.PxPerMMY, c.Both = 1/math.Sqrt((e*v-b*f)/det), 1/math.Sqrt((a*f-e*u)/det), true
		c.Method = fmt.Sprintf("object of %g × %g mm", length, width)
	}
	if c.Both && math.Abs(c.PxPerMMX/c.PxPerMMY-1) > maxAnisotropy {
		return nil, bad("lay the object flat; the picture must be a scan, or taken from straight above", "the scales along x and y differ by %.1f %%", 100*math.Abs(c.PxPerMMX/c.PxPerMMY-1))
	}
	return c, nil
}

// CalibratePoints takes the scale from two places in the picture, in pixels as
// displayed, that lie length mm apart: on a ruler, say.
func CalibratePoints(p *Picture, a, b kernel.Point, length float64) (*Calibration, error) {
	inside := func(q kernel.Point) bool {
		return q.X >= -0.5 && q.Y >= -0.5 && q.X <= float64(p.Width)-0.5 && q.Y <= float64(p.Height)-0.5
	}
	d := a.Dist(b)
	switch {
	case !inside(a) || !inside(b):
		return nil, &fault.Error{Path: p.Name, What: fmt.Sprintf("a point lies outside the picture of %d × %d pixels", p.Width, p.Height), Hint: "give points in pixels from the upper left corner"}
	case !(d >= 50) || !(length > 0):
		return nil, &fault.Error{Path: p.Name, What: fmt.Sprintf("the points lie %.0f pixels apart, too near for a scale", d), Hint: "take points at least 50 pixels apart, better several hundred"}
	}
	s := d / length
	angle := math.Atan((b.Y - a.Y) / (b.X - a.X))
	if a.X == b.X {
		angle = math.Pi / 2
	}
	// A place read off a picture is known to about half a pixel.
	return &Calibration{PxPerMMX: s, PxPerMMY: s, AngleRad: angle, RelSD: 0.5 * math.Sqrt2 / d,
		Method: fmt.Sprintf("two points %g mm apart", length)}, nil
}

// Calibration returns the scale of the picture itself at the middle of the
// card, as of a card that was scanned. It fails where the picture is a slanted
// view, which has no one scale.
func (c *Card) Calibration(p *Picture) (*Calibration, error) {
	low, high := math.Inf(1), 0.0
	lay := c.found.Layout
	for _, q := range append(lay.Marks[:], card.Point{X: lay.W / 2, Y: lay.H / 2}) {
		a, b := c.found.Camera.Scales(q)
		low, high = min(low, b), max(high, a)
	}
	if high/low > 1+maxAnisotropy {
		return nil, &fault.Error{Path: p.Name, What: fmt.Sprintf("the scale differs by %.1f %% over the card: a slanted view, not a scan", 100*(high/low-1)),
			Hint: "scan the card flat on the glass; photos with the card in them need no calibration"}
	}
	x, y := c.found.Camera.PerMM(card.Point{X: lay.W / 2, Y: lay.H / 2})
	actual := c.actual()
	return &Calibration{
		PxPerMMX: x / actual, PxPerMMY: y / actual,
		Both: true, RelSD: c.ScalePct / 100, Method: c.found.Layout.Name,
	}, nil
}
