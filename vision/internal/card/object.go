package card

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"traytally/vision/internal/geom"
	"traytally/vision/internal/pixel"
)

// An Object is a single thing of plain shape that lies on a plain ground.
type Object struct {
	Round  bool
	Centre Point
	// Length is the distance between the two short sides of an oblong thing,
	// Width that of the long ones, in px; Angle the direction of the length in
	// radians, in (-π/2, π/2]. Of a round thing Length is the extent along x
	// and Width that along y.
	Length, Width, Angle float64
	// SD is the standard uncertainty of Length by the scatter of its edges, px.
	SD float64
}

// Shapes of objects. A rectangle has 0.955 of the area of the ellipse with its
// second moments (π/3 to 1), a disc 1.
const (
	roundFill  = 0.975
	roundAxes  = 0.9
	minObject  = 40   // px along the short side, of the full picture
	otherShare = 0.25 // of the object's area, that a second thing may have
	minStep    = 30   // contrast to the ground, grey values
)

// FindObject finds the object in a picture and measures it. Its error is a
// *fault.Error without a path, or that of ctx.
func FindObject(ctx context.Context, p Pixels) (*Object, error) {
	none := refusal("lay one thing of known size, a block, a bank card or a coin, on a plain ground of another brightness, away from the edges",
		"no single object stands out from the ground")
	if p.W < 100 || p.H < 100 {
		return nil, none
	}
	s, err := shrink(ctx, p, sides[0])
	if err != nil {
		return nil, err
	}
	var hist [256]int
	for _, v := range s.v {
		hist[v]++
	}
	last, low, high := pixel.Otsu(hist[:], 0, 0)
	limit := byte(last)
	if high-low < minStep {
		return nil, none
	}
	// The ground is what most of the border is.
	border := slices.Concat(s.v[:s.w], s.v[len(s.v)-s.w:])
	for y := range s.h {
		border = append(border, s.v[y*s.w], s.v[(y+1)*s.w-1])
	}
	bright := 0
	for _, v := range border {
		if v > limit {
			bright++
		}
	}
	onDark := 2*bright < len(border)
	mask := make([]uint8, len(s.v))
	for i, v := range s.v {
		mask[i] = pixel.Bit((v > limit) == onDark)
	}
	bs := blobs(mask, s.w, s.h)
	inside := func(b *blob) bool { return b.x0 > 0 && b.y0 > 0 && b.x1 < s.w-1 && b.y1 < s.h-1 }
	// What lies within a region belongs to it: relief, print, holes.
	for i := len(bs) - 1; i >= 0; i-- {
		if q := bs[i].parent; q >= 0 && (bs[q].black || bs[q].parent >= 0 && bs[i].black && inside(&bs[q])) {
			bs[q].Moments = bs[q].Add(bs[i].Moments)
		}
	}
	var things []*blob // that lie within the picture, what is on them left out
	for i := range bs {
		if b := &bs[i]; b.black && b.parent >= 0 && bs[b.parent].parent < 0 && inside(b) {
			things = append(things, b)
		}
	}
	if len(things) == 0 {
		return nil, none
	}
	slices.SortStableFunc(things, func(a, b *blob) int { return cmp.Compare(b.A, a.A) })
	b := things[0]
	if len(things) > 1 && things[1].A > otherShare*b.A {
		return nil, refusal("leave one thing of known size in it", "several things of like size lie in the picture")
	}
	fill, axes := roundness(b.Moments)
	k := float64(s.step)
	long, short, angle := b.Axes()
	long, short = k*long, k*short
	o := &Object{Centre: s.full(b.Centroid()), Angle: angle}
	if short*math.Sqrt(12) < minObject {
		return nil, refusal("use a larger thing, or scan at a higher resolution", "the object is only %.0f pixels wide, less than %d", short*math.Sqrt(12), minObject)
	}
	if fill > roundFill {
		if axes < roundAxes {
			return nil, refusal("use a block, a bank card or a coin, laid flat", "the object is oval: neither round nor with straight ends")
		}
		return o, p.round(o, 2*(long+short)/2)
	}
	// Half sides of a rectangle with these second moments.
	return o, p.oblong(o, long*math.Sqrt(3), short*math.Sqrt(3))
}

// cross walks inwards from a place outside the object and returns where the
// brightness first passes half way between ground and object.
func (p Pixels) cross(from, in Point, length float64) (float64, bool) {
	const step = 0.25
	n := int(length / step)
	v := p.along(from, in, 0, step, n)
	if n < 12 || len(v) < n {
		return 0, false
	}
	ground, thing := pixel.Median(v[:n/4]), pixel.Median(v[n/2:])
	at, ok := crossing(v, ground, thing)
	return step * at, ok && math.Abs(thing-ground) >= minStep/2
}

func unclear() error {
	return refusal("use a plain ground of another brightness and even light; nothing may touch the object", "the edge of the object is not clear all round")
}

// leastRound is the share of the directions in which the edge of a round object
// must be seen.
const leastRound = 0.75

// round measures the extents of a disc of about the given radius.
func (p Pixels) round(o *Object, radius float64) error {
	d, ok := p.Disc(o.Centre, radius)
	if !ok || d.Seen < leastRound {
		return unclear()
	}
	o.Round, o.Angle, o.Centre, o.SD = true, 0, d.Centre, d.SD
	o.Length, o.Width = d.Across()
	return nil
}

// oblong measures a thing with straight sides, of about the given half sides.
func (p Pixels) oblong(o *Object, a, b float64) error {
	for range 2 { // the second time along the direction found the first time
		length, turn, sd, err := p.between(o, o.Angle, a, b)
		if err != nil {
			return err
		}
		o.Length, o.SD = length, sd
		o.Angle += turn
		a = length / 2
		width, _, _, err := p.between(o, o.Angle+math.Pi/2, b, a)
		if err != nil {
			return err
		}
		o.Width, b = width, width/2
	}
	o.Angle = geom.Axial(o.Angle)
	return nil
}

// maxSkew is how far two opposite sides may be from parallel, rad.
const maxSkew = 0.02

// between returns the distance of the two sides that lie across a direction,
// and by how much that direction must be turned to stand square on them. The
// sides' outer fifths are left out: corners may be round.
func (p Pixels) between(o *Object, angle, half, across float64) (length, turn, sd float64, err error) {
	s, c := math.Sincos(angle)
	const n = 81
	var at, slope [2]float64
	for end, sign := range [2]float64{1, -1} {
		var x, y []float64
		reach := min(0.12*half+4, 0.45*half)
		for i := range n {
			t := 0.6 * across * (2*float64(i)/(n-1) - 1)
			u := sign * (half + reach)
			from := Point{X: o.Centre.X + u*c - t*s, Y: o.Centre.Y + u*s + t*c}
			if d, ok := p.cross(from, Point{X: -sign * c, Y: -sign * s}, 2*reach); ok {
				x, y = append(x, t), append(y, u-sign*d)
			}
		}
		if len(y) < n*3/4 {
			return 0, 0, 0, unclear()
		}
		a, b, dev := line(x, y)
		at[end], slope[end] = a, b
		sd += sq(dev) / float64(len(y))
	}
	if math.Abs(math.Atan(slope[0])-math.Atan(slope[1])) > maxSkew {
		return 0, 0, 0, refusal("use a block, a bank card or a coin, laid flat", "the ends of the object are not parallel")
	}
	m := (slope[0] + slope[1]) / 2
	return (at[0] - at[1]) / math.Sqrt(1+m*m), -math.Atan(m), math.Sqrt(sd), nil
}

// line fits y = a + b·x, leaving out what lies far off, and returns the
// residual standard deviation.
func line(x, y []float64) (a, b, sd float64) {
	weight := make([]float64, len(x))
	for i := range weight {
		weight[i] = 1
	}
	for range 3 {
		a, b = stat.LinearRegression(x, y, weight, false)
		var dev []float64
		for i := range x {
			dev = append(dev, math.Abs(y[i]-a-b*x[i]))
		}
		sd = 1.4826 * pixel.Median(dev)
		for i, d := range dev {
			weight[i] = float64(pixel.Bit(d <= max(0.1, 3*sd)))
		}
	}
	return a, b, sd
}
