package phantom

import (
	"image"
	"math"
	"slices"

	"traytally/vision/internal/card"
	"traytally/vision/kernel"
)

// sheetMM is the sheet that the tray card is printed on, A4.
var sheetMM = [2]float64{210, 297}

// cellMM is the grid in which what lies at a place is looked up.
const cellMM = 4

// A photograph is a photo about to be drawn.
type photograph struct {
	p      Photo
	s      *scene
	view   view
	layout *card.Layout
	sheet  card.Rect // on the card
	field  card.Rect

	discs  *grid[disc]
	solids *grid[*solid]
	lamp   [3]float64 // the near one
}

// A disc is a mark's code and rings, or a dot.
type disc struct {
	at   kernel.Point
	mark int // -1: a dot
}

// A solid is a piece with its height.
type solid struct {
	*brush
	at     kernel.Point // on the card
	top    float64      // height of its back; its widest section lies at half of it
	bounds box          // of the outline, in the frame of the body
}

func newPhotograph(p Photo, s *scene) *photograph {
	ph := &photograph{p: p, s: s, layout: p.Layout(), field: p.Field()}
	l := ph.layout
	aim := kernel.Point{X: l.W / 2, Y: l.H / 2}
	ph.sheet = card.Rect{X0: 0, Y0: 0, X1: l.W, Y1: l.H}
	if p.Beside {
		aim = kernel.Point{X: l.W / 2, Y: (ph.field.Y1) / 2}
	} else {
		dx, dy := (sheetMM[0]-l.W)/2, (sheetMM[1]-l.H)/2
		ph.sheet = card.Rect{X0: -dx, Y0: -dy, X1: l.W + dx, Y1: l.H + dy}
	}
	ph.view = newView(&p, kernel.Point{X: aim.X + p.AimX, Y: aim.Y + p.AimY})
	ph.lamp = [3]float64{aim.X - 220, aim.Y - 160, 420}
	around := box{x1: sheetMM[0], y1: sheetMM[1]}.grown(40) // sheet and rice of either card
	ph.discs, ph.solids = newGrid[disc](around, cellMM), newGrid[*solid](around, cellMM)
	for i, m := range l.Marks {
		ph.discs.enter(boxRound(m, card.CodeOutR), disc{m, i})
	}
	for _, d := range l.Dots {
		ph.discs.enter(boxRound(d, card.DotR), disc{d, -1})
	}
	for _, k := range s.pieces {
		s.p.dress(k)
		o := &solid{brush: s.brush(k), bounds: boxOf(k.outline)}
		o.at = kernel.Point{X: ph.field.X0 + k.at.X, Y: ph.field.Y0 + k.at.Y}
		for i := range k.body.x {
			o.top = max(o.top, k.body.kappa*(k.body.high[i]-k.body.low[i]))
		}
		reach := math.Hypot(o.bounds.x1-o.bounds.x0, o.bounds.y1-o.bounds.y0) + 2*o.top
		ph.solids.enter(boxRound(o.at, reach), o)
	}
	return ph
}

// light is the share of the full light at a place of the card.
func (ph *photograph) light(x, y float64) float64 {
	// The lamp's falls with the square of the distance and with the slant, from 1 below it.
	d2 := 1 + (sq(x-ph.lamp[0])+sq(y-ph.lamp[1]))/sq(ph.lamp[2])
	edge := lerp(ph.p.ShadowTopMM, ph.p.ShadowBottomMM, y/ph.layout.H)
	return lerp(1, 1/(d2*math.Sqrt(d2)), ph.p.Lamp) * (1 - ph.p.ShadowDepth*smooth(edge+2, edge-2, x))
}

var (
	paper     = colour{card.PaperY, card.PaperY, card.PaperY}
	table     = lab(48, 8, 18)
	cover     = lab(60, 10, 16)
	blackness = colour{card.TonerY, card.TonerY, card.TonerY}
)

// flatColour is the colour of the sheet, or of what it lies on, at a place of
// the card. x and y are those of the design.
func (ph *photograph) flatColour(x, y float64) colour {
	p := &ph.p
	in := func(r card.Rect) bool { return x >= r.X0 && x < r.X1 && y >= r.Y0 && y < r.Y1 }
	if slices.ContainsFunc(p.Covered, in) {
		return cover
	}
	if in(ph.field) {
		for i := range p.Swatches {
			if s := &p.Swatches[i]; sq(x-s.At.X)+sq(y-s.At.Y) < s.R*s.R {
				return lab(s.Lab[0], s.Lab[1], s.Lab[2])
			}
		}
	}
	if p.TornMM > 0 && y > p.TornMM {
		if x-p.Torn.X < ph.sheet.X0 || y-p.Torn.Y < p.TornMM {
			return table
		}
		x, y = x-p.Torn.X, y-p.Torn.Y
	}
	if !in(ph.sheet) {
		if p.Beside {
			return ph.tray(x, y)
		}
		return table.times(float32(1 + 0.12*noise(x/3, y/40))) // of wood
	}
	// The print may be smaller than the design; the sheet never is.
	mx, my := ph.layout.W/2, ph.layout.H/2
	x, y = mx+(x-mx)/p.PrintScale, my+(y-my)/(p.PrintScale*p.PrintStretch)
	if !p.Beside && in(ph.field.Inset(p.OpenRimMM)) {
		return ph.tray(x, y)
	}
	for _, d := range ph.discs.at(x, y) {
		if black, any := d.ink(x, y, ph.layout.ID); any {
			if black {
				return blackness
			}
			return paper
		}
	}
	for _, t := range ph.layout.Patches {
		if in(t.Rect) {
			v := float32(card.Reflectance(t.Grey, card.PaperY))
			return colour{v, v, v}
		}
	}
	a, b := ph.layout.Ruler[0], ph.layout.Ruler[1]
	if y > a.Y-0.1 && y < a.Y+2.5 && x > a.X-0.1 && x < b.X+0.1 {
		_, along := math.Modf((x - a.X) / 5)
		if y < a.Y+0.1 || math.Abs(along) < 0.02 || along > 0.98 {
			return blackness
		}
	}
	return paper
}

// tray is the dark ground on which the rice lies.
func (ph *photograph) tray(x, y float64) colour {
	if !ph.p.Beside && ph.p.OpenRimMM == 0 && ph.p.Rice.Tray == TrayBlack {
		return blackness // printed
	}
	l := &ph.s.light
	return l.ground.times(float32(l.texture(x-ph.field.X0, y-ph.field.Y0)))
}

// ink tells whether a place lies on the disc or mark, and whether it is black.
func (d *disc) ink(x, y float64, layout int) (black, any bool) {
	dx, dy := x-d.at.X, y-d.at.Y
	r := math.Hypot(dx, dy)
	if d.mark < 0 {
		return true, r < card.DotR
	}
	sector := int(math.Floor(math.Atan2(dy, dx)/(2*math.Pi)*card.Sectors)+card.Sectors) % card.Sectors
	black = r < card.DiscR || r >= card.RingInR && r < card.RingOutR || r >= card.CodeInR && card.Black(layout, d.mark, sector)
	return black, r < card.CodeOutR
}

// hit follows a ray, given by its place on the card plane and the way it moves
// per mm of height, down to the piece. It returns the height and the place in
// the frame of the body.
func (o *solid) hit(x, y, lx, ly float64) (z, bx, by float64, ok bool) {
	ux, uy := o.toBody(x-o.at.X, y-o.at.Y)
	wx, wy := lx*o.cos+ly*o.sin, ly*o.cos-lx*o.sin
	ex, ey := ux+wx*o.top, uy+wy*o.top
	if !o.bounds.meets(box{min(ux, ex), min(uy, ey), max(ux, ex), max(uy, ey)}) {
		return 0, 0, 0, false
	}
	in := func(z float64) bool {
		bx, by = ux+wx*z, uy+wy*z
		if bx <= 0 || bx >= o.length {
			return false
		}
		low, high := o.k.body.at(bx)
		h := (high - low) / 2
		if h <= 0 || sq((by-(low+high)/2)/h)+sq((z-o.top/2)/(o.k.body.kappa*h)) > 1 {
			return false
		}
		for i := range o.k.fractures {
			if o.k.fractures[i].side(kernel.Point{X: bx, Y: by}) < 0 {
				return false
			}
		}
		return true
	}
	const n = 15 // odd: the middle, where thin tips lie, is looked at
	for i := range n {
		z = o.top * (float64(n-i) - 0.5) / n
		if !in(z) {
			continue
		}
		inside, outside := z, min(o.top, z+o.top/n)
		for range 6 {
			if m := (inside + outside) / 2; in(m) {
				inside = m
			} else {
				outside = m
			}
		}
		in(inside)
		return inside, bx, by, true
	}
	return 0, 0, 0, false
}

// colourAt is the linear light that comes along the ray of a picture position.
func (ph *photograph) colourAt(x, y float64) colour {
	d := ph.view.ray(x, y)
	if d.Z >= -1e-6 {
		return table
	}
	at := &ph.view.at
	cx, cy := at.X-d.X*at.Z/d.Z, at.Y-d.Y*at.Z/d.Z
	lx, ly := d.X/d.Z, d.Y/d.Z
	flatX, flatY := cx, cy
	for range 8 { // the sheet rises towards its middle line
		z := ph.p.Bulge * max(0, 1-sq((cx-ph.layout.W/2)/(ph.sheet.W()/2)))
		cx, cy = flatX+lx*z, flatY+ly*z
	}
	var c colour
	top := -1.0
	for _, o := range ph.solids.at(cx, cy) {
		if z, bx, by, ok := o.hit(cx, cy, lx, ly); ok && z > top {
			top, c = z, o.shade(bx, by)
		}
	}
	if top < 0 {
		c = ph.flatColour(cx, cy)
	}
	cos2 := sq(ph.view.focal) / (sq(ph.view.focal) + sq(x-ph.view.cx) + sq(y-ph.view.cy))
	v := ph.light(cx, cy) * ph.p.Exposure / card.PaperY * lerp(1, sq(cos2), ph.p.Vignette)
	for i := range c {
		c[i] *= float32(v * ph.p.Cast[i])
	}
	return c
}

// edged reports whether one of the eight neighbours of a pixel has another
// green.
func edged(c []colour, at, stride int) bool {
	g := c[at][1]
	low, high := 0.97*g-0.002, 1.03*g+0.002
	for _, i := range [8]int{at - stride - 1, at - stride, at - stride + 1, at - 1, at + 1, at + stride - 1, at + stride, at + stride + 1} {
		if v := c[i][1]; v < low || v > high {
			return true
		}
	}
	return false
}

// draw draws the photo in bands of rows, one ray to a pixel and four where a
// neighbour differs.
func (ph *photograph) draw() *image.RGBA {
	size, band := image.Pt(ph.p.Width, ph.p.Height), image.Pt(ph.p.Width, 64)
	return render(size, band, &ph.p.Rice, [3]float32{1, 1, 1}, 1<<20, func(c *canvas, _ int) {
		rays := c.outer.Inset(-1) // one to each pixel of the canvas and one pixel round it
		stride := rays.Dx()
		centre := make([]colour, 0, stride*rays.Dy())
		for y := rays.Min.Y; y < rays.Max.Y; y++ {
			for x := rays.Min.X; x < rays.Max.X; x++ {
				centre = append(centre, ph.colourAt(float64(x), float64(y)))
			}
		}
		c.pixels(c.outer, func(i, x, y int) {
			at := (y-rays.Min.Y)*stride + x - rays.Min.X
			s := centre[at]
			if edged(centre, at, stride) {
				s = colour{}
				// A turned square: four different rows and columns.
				for _, o := range [4][2]float64{{-0.375, -0.125}, {0.125, -0.375}, {0.375, 0.125}, {-0.125, 0.375}} {
					for k, v := range ph.colourAt(float64(x)+o[0], float64(y)+o[1]) {
						s[k] += v / 4
					}
				}
			}
			c.pix[i] = s
		})
	})
}
