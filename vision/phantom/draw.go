package phantom

import (
	"image"
	"math"

	"golang.org/x/image/vector"
)

// Draw draws a tray. The picture is opaque sRGB, the truth what lies on it.
// Shading makes a kernel darker than its Lab in the truth towards its rim, by
// up to Params.Limb, and where less light falls. The errors are those of
// Validate, and ErrNoRoom.
func Draw(p Params) (*image.RGBA, *Truth, error) {
	s, err := p.scene()
	if err != nil {
		return nil, nil, err
	}
	return s.draw(), s.truth, nil
}

// tileSize is the side of the squares in which the picture is drawn: small
// enough for the second-level cache, large enough that few kernels lie on
// more than two.
const tileSize = 256

// draw draws the picture in tiles.
func (s *scene) draw() *image.RGBA {
	brushes := make([]*brush, len(s.pieces))
	each(len(s.pieces), func(_, i int) {
		s.p.dress(s.pieces[i])
		brushes[i] = s.brush(s.pieces[i])
	})
	inTile := newGrid[*brush](box{x1: float64(s.w - 1), y1: float64(s.h - 1)}, tileSize)
	rim := float64(len(gaussian(s.p.BlurPx))/2) + 1
	for _, b := range brushes {
		inTile.enter(b.bounds.grown(rim), b)
	}
	dust := s.dust()
	return render(image.Pt(s.w, s.h), image.Pt(tileSize, tileSize), &s.p, s.light.cast, 0, func(c *canvas, i int) {
		s.drawTray(c)
		if s.p.Shadow > 0 {
			s.drawShadows(c, inTile.cells[i])
		}
		for _, b := range inTile.cells[i] {
			s.drawPiece(c, b)
		}
		for _, d := range dust.cells[i] {
			s.drawSpeck(c, d)
		}
	})
}

// A speck of dust, in px.
type speck struct {
	x, y, r float64
	colour  colour
}

// dust strews specks, by tile.
func (s *scene) dust() *grid[speck] {
	g := newGrid[speck](box{x1: float64(s.w - 1), y1: float64(s.h - 1)}, tileSize)
	r := stream(s.p.Seed, streamDust, 0)
	for range s.p.Dust {
		d := speck{x: uniform(r, 0, float64(s.w)), y: uniform(r, 0, float64(s.h))}
		d.r = s.p.pxPerMM() * 0.025 * math.Pow(5, sq(r.Float64())) // 0.05 to 0.25 mm across, mostly small
		d.colour = lab(uniform(r, 30, 85), uniform(r, -1, 3), uniform(r, 0, 12))
		g.enter(boxRound(point{X: d.x, Y: d.y}, 60), d)
	}
	return g
}

// drawTray fills the canvas with the lit tray.
func (s *scene) drawTray(c *canvas) {
	l, mm := &s.light, 1/s.p.pxPerMM()
	c.pixels(c.outer, func(i, x, y int) {
		fx, fy := middle(x, y)
		c.pix[i] = l.ground.times(float32(l.at(fx, fy) * l.texture(fx*mm, fy*mm)))
	})
}

// middle returns the middle of a pixel where the picture starts at 0: there
// pixel x covers x to x+1.
func middle(x, y int) (fx, fy float64) { return float64(x) + 0.5, float64(y) + 0.5 }

// covered calls do for the pixels of a plane that the polygon, moved by
// (dx, dy), lies on: with their number in the plane, their place in the
// picture, and how much of them it covers in 255ths.
func covered(p []point, dx, dy float64, plane image.Rectangle, do func(i, x, y int, a uint8)) {
	bb := boxOf(p)
	r := image.Rect(
		int(math.Floor(bb.x0+dx)), int(math.Floor(bb.y0+dy)),
		int(math.Floor(bb.x1+dx))+1, int(math.Floor(bb.y1+dy))+1).Intersect(plane)
	if r.Empty() {
		return
	}
	raster := vector.NewRasterizer(r.Dx(), r.Dy())
	x0, y0 := dx-float64(r.Min.X), dy-float64(r.Min.Y)
	raster.MoveTo(float32(p[0].X+x0), float32(p[0].Y+y0))
	for _, q := range p[1:] {
		raster.LineTo(float32(q.X+x0), float32(q.Y+y0))
	}
	raster.ClosePath()
	mask := image.NewAlpha(r)
	raster.Draw(mask, r, image.Opaque, image.Point{})
	for i, a := range mask.Pix {
		if a > 0 {
			x, y := r.Min.X+i%mask.Stride, r.Min.Y+i/mask.Stride
			do((y-plane.Min.Y)*plane.Dx()+x-plane.Min.X, x, y, a)
		}
	}
}

// drawPiece paints one piece over what is there.
func (s *scene) drawPiece(c *canvas, b *brush) {
	darken := func(p []point, dx, dy, by float64) {
		dark := float32(by / 255)
		covered(p, dx, dy, c.outer, func(i, _, _ int, a uint8) { c.pix[i] = c.pix[i].times(1 - dark*float32(a)) })
	}
	if b.k.OnTop { // its shadow on what it lies on, soft as four steps are
		for _, f := range [4]float64{0.1, 0.4, 0.7, 1} {
			darken(b.outline, f*b.shadow.X, f*b.shadow.Y, s.p.Shadow/4)
		}
	}
	if b.groove != nil {
		darken(b.groove, 0, 0, s.p.Seam*b.k.paint.seam)
	}
	mm := 1 / s.p.pxPerMM()
	covered(b.outline, 0, 0, c.outer, func(i, x, y int, a uint8) {
		fx, fy := middle(x, y)
		seen := b.shade(b.toBody(fx*mm-b.k.at.X, fy*mm-b.k.at.Y))
		c.pix[i] = c.pix[i].mix(seen.times(float32(s.light.at(fx, fy))), float32(a)/255)
	})
}

// drawShadows darkens the tray beside the pieces, away from the lamp.
func (s *scene) drawShadows(c *canvas, brushes []*brush) {
	radius := max(1, int(s.light.soft*s.p.pxPerMM()/2))
	// The plane is wider than the canvas by the reach of the softening.
	plane := c.outer.Inset(-3 * radius)
	w, h := plane.Dx(), plane.Dy()
	dim, other := make([]float32, w*h), make([]float32, w*h)
	for _, b := range brushes {
		covered(b.outline, b.shadow.X, b.shadow.Y, plane, func(i, _, _ int, a uint8) { dim[i] = max(dim[i], float32(a)/255) })
	}
	soften(dim, other, w, h, radius)
	dark := float32(s.p.Shadow)
	c.pixels(c.outer, func(i, x, y int) {
		// Less is what rounding leaves of a running mean.
		if d := dim[(y-plane.Min.Y)*w+x-plane.Min.X]; d > 1e-4 {
			c.pix[i] = c.pix[i].times(1 - dark*d)
		}
	})
}

func (s *scene) drawSpeck(c *canvas, d speck) {
	reach := d.r + 1
	r := image.Rect(int(d.x-reach), int(d.y-reach), int(d.x+reach)+1, int(d.y+reach)+1)
	c.pixels(r, func(i, x, y int) {
		fx, fy := middle(x, y)
		// Below a pixel across, the speck is as faint as it is small.
		a := min(1, max(0, d.r+0.5-math.Hypot(fx-d.x, fy-d.y))) * min(1, math.Pi*d.r*d.r)
		c.pix[i] = c.pix[i].mix(d.colour.times(float32(s.light.at(fx, fy))), float32(a))
	})
}
