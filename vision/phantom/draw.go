package phantom

import (
	"context"
	"image"
	"math"

	"golang.org/x/image/vector"

	"traytally/vision/internal/parallel"
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

// draw draws the picture in tiles, on all processors. Each tile is its own
// from the tray to the noise, so that their order does not matter.
func (s *scene) draw() *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, s.w, s.h))
	brushes := make([]*brush, len(s.pieces))
	each(len(s.pieces), func(_, i int) {
		s.p.dress(s.pieces[i])
		brushes[i] = s.brush(s.pieces[i])
	})
	tiles := make([]*tile, parallel.Workers())
	for i := range tiles {
		tiles[i] = newTile(s)
	}
	inTile := newGrid[*brush](box{x1: float64(s.w - 1), y1: float64(s.h - 1)}, tileSize)
	for _, b := range brushes {
		inTile.enter(b.bounds.grown(float64(tiles[0].halo)+1), b)
	}
	dust := s.dust()
	each(len(inTile.cells), func(worker, i int) {
		t := tiles[worker]
		t.place(image.Rect(0, 0, tileSize, tileSize).
			Add(image.Pt(i%inTile.cols*tileSize, i/inTile.cols*tileSize)).Intersect(img.Rect))
		t.tray()
		if s.p.Shadow > 0 {
			t.shadows(inTile.cells[i])
		}
		for _, b := range inTile.cells[i] {
			t.piece(b)
		}
		for _, d := range dust.cells[i] {
			t.speck(d)
		}
		t.develop(img, &s.p, s.light.cast, stream(s.p.Seed, streamNoise, i))
	})
	sharpen(img, s.p.Sharpen)
	return img
}

// each shares out a picture's parts over the cores.
func each(n int, do func(worker, i int)) {
	_ = parallel.Each(context.Background(), n, do) // fails by its context only
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

// A tile is one square of the picture.
type tile struct {
	canvas
	s      *scene
	l      *lighting
	dim    []float32 // shadow
	raster vector.Rasterizer
	mask   image.Alpha
}

func newTile(s *scene) *tile {
	return &tile{canvas: newCanvas(tileSize, tileSize, s.p.BlurPx), s: s, l: &s.light}
}

// tray fills the tile with the lit tray.
func (t *tile) tray() {
	i := 0
	for y := t.outer.Min.Y; y < t.outer.Max.Y; y++ {
		for x := t.outer.Min.X; x < t.outer.Max.X; x++ {
			// Pixel x covers x to x+1 here, where the picture starts at 0.
			fx, fy := float64(x)+0.5, float64(y)+0.5
			c := t.l.ground.times(float32(t.l.at(fx, fy) * t.l.texture(fx, fy)))
			copy(t.pix[i:], c[:])
			i += 3
		}
	}
}

// cover makes t.mask the share of each pixel of clip that the polygon covers,
// moved by (dx, dy); it reports false where that is none.
func (t *tile) cover(p []point, dx, dy float64, clip image.Rectangle) bool {
	bb := boxOf(p)
	r := image.Rect(
		int(math.Floor(bb.x0+dx)), int(math.Floor(bb.y0+dy)),
		int(math.Floor(bb.x1+dx))+1, int(math.Floor(bb.y1+dy))+1).Intersect(clip)
	if r.Empty() {
		return false
	}
	t.raster.Reset(r.Dx(), r.Dy())
	x0, y0 := dx-float64(r.Min.X), dy-float64(r.Min.Y)
	for i, q := range p {
		x, y := float32(q.X+x0), float32(q.Y+y0)
		if i == 0 {
			t.raster.MoveTo(x, y)
		} else {
			t.raster.LineTo(x, y)
		}
	}
	t.raster.ClosePath()
	if n := r.Dx() * r.Dy(); cap(t.mask.Pix) < n {
		t.mask.Pix = make([]uint8, n)
	} else {
		t.mask.Pix = t.mask.Pix[:n]
		clear(t.mask.Pix)
	}
	t.mask.Stride, t.mask.Rect = r.Dx(), image.Rect(0, 0, r.Dx(), r.Dy())
	t.raster.Draw(&t.mask, t.mask.Rect, image.Opaque, image.Point{})
	t.mask.Rect = r
	return true
}

// piece paints one piece over what is there.
func (t *tile) piece(b *brush) {
	darken := func(by float64) {
		dark := float32(by / 255)
		t.eachCovered(t.outer, func(i, _, _ int, a uint8) { t.dimmed(3*i, 1-dark*float32(a)) })
	}
	if b.k.OnTop { // its shadow on what it lies on, soft as four steps are
		for _, f := range [4]float64{0.1, 0.4, 0.7, 1} {
			if t.cover(b.outline, f*b.shadow.X, f*b.shadow.Y, t.outer) {
				darken(t.s.p.Shadow / 4)
			}
		}
	}
	if b.groove != nil && t.cover(b.groove, 0, 0, t.outer) {
		darken(t.s.p.Seam * b.k.paint.seam)
	}
	if !t.cover(b.outline, 0, 0, t.outer) {
		return
	}
	mm := 1 / t.s.p.pxPerMM()
	t.eachCovered(t.outer, func(i, x, y int, a uint8) {
		fx, fy := float64(x)+0.5, float64(y)+0.5
		dx, dy := fx*mm-b.k.at.X, fy*mm-b.k.at.Y
		c := b.shade(dx*b.cos+dy*b.sin+b.k.centre.X, dy*b.cos-dx*b.sin+b.k.centre.Y)
		t.mix(3*i, c.times(float32(t.l.at(fx, fy))), float32(a)/255)
	})
}

func (t *tile) dimmed(i int, v float32) {
	t.pix[i] *= v
	t.pix[i+1] *= v
	t.pix[i+2] *= v
}

// eachCovered calls do for the pixels of the mask that are not empty, with
// their number in a plane that holds it and their place in the picture.
func (t *tile) eachCovered(plane image.Rectangle, do func(i, x, y int, a uint8)) {
	r := t.mask.Rect
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := t.mask.Pix[(y-r.Min.Y)*t.mask.Stride:][:r.Dx()]
		i := (y-plane.Min.Y)*plane.Dx() + r.Min.X - plane.Min.X
		for x, a := range row {
			if a > 0 {
				do(i+x, r.Min.X+x, y, a)
			}
		}
	}
}

// shadows darkens the tray beside the pieces, away from the lamp.
func (t *tile) shadows(brushes []*brush) {
	px := t.s.p.pxPerMM()
	radius := max(1, int(t.l.soft*px/2))
	// The plane is wider than the tile by the reach of the softening.
	plane := t.outer.Inset(-3 * radius)
	w, h := plane.Dx(), plane.Dy()
	if n := w * h; cap(t.dim) < 2*n {
		t.dim = make([]float32, 2*n)
	}
	dim, other := t.dim[:w*h], t.dim[w*h:2*w*h]
	clear(dim)
	for _, b := range brushes {
		if t.cover(b.outline, b.shadow.X, b.shadow.Y, plane) {
			t.eachCovered(plane, func(i, _, _ int, a uint8) { dim[i] = max(dim[i], float32(a)/255) })
		}
	}
	// Two running means each way are close to a Gaussian.
	for range 2 {
		runningMean(other, dim, w, h, radius)
		runningMean(dim, other, h, w, radius)
	}
	dark := float32(t.s.p.Shadow)
	i := 0
	for y := t.outer.Min.Y; y < t.outer.Max.Y; y++ {
		for x := t.outer.Min.X; x < t.outer.Max.X; x++ {
			// Less is what rounding leaves of a running mean.
			if d := dim[(y-plane.Min.Y)*w+x-plane.Min.X]; d > 1e-4 {
				t.dimmed(i, 1-dark*d)
			}
			i += 3
		}
	}
}

func (t *tile) speck(d speck) {
	reach := d.r + 1
	r := image.Rect(int(d.x-reach), int(d.y-reach), int(d.x+reach)+1, int(d.y+reach)+1).Intersect(t.outer)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			fx, fy := float64(x)+0.5, float64(y)+0.5
			// Below a pixel across, the speck is as faint as it is small.
			a := min(1, max(0, d.r+0.5-math.Hypot(fx-d.x, fy-d.y))) * min(1, math.Pi*d.r*d.r)
			i := 3 * ((y-t.outer.Min.Y)*t.w + x - t.outer.Min.X)
			t.mix(i, d.colour.times(float32(t.l.at(fx, fy))), float32(a))
		}
	}
}
