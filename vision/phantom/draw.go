package phantom

import (
	"context"
	"image"
	"math"
	"slices"

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

// A scene is all that lies on a tray, ready to be drawn.
type scene struct {
	p      Params
	truth  *Truth
	pieces []*piece // those that the picture's edge cuts and things too; what is drawn later lies on top
	w, h   int
	light  lighting
	rim    float64 // of the picture: 1 dark rims, -1 bright ones
}

func (p Params) scene() (*scene, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	listed := slices.Concat(p.kernels(), p.foreignBodies())
	across := make([]*piece, p.CutByEdge)
	for i := range across {
		across[i] = p.uncut(p.Count + i)
		across[i].measure()
	}
	things := p.things()
	s := &scene{p: p, pieces: slices.Concat(listed, across, things)}
	for _, k := range s.pieces {
		p.tint(k)
	}
	listed, err := p.lay(listed, across, things)
	if err != nil {
		return nil, err
	}
	// Which lies on top is chance, but for those that were laid there.
	stream(p.Seed, streamOrder, 0).Shuffle(len(s.pieces), func(i, j int) { s.pieces[i], s.pieces[j] = s.pieces[j], s.pieces[i] })
	if p.Pile > 0 {
		slices.SortStableFunc(s.pieces, func(a, b *piece) int {
			if a.top == b.top {
				return 0
			} else if a.top {
				return 1
			}
			return -1
		})
		s.hide()
	}
	s.truth = p.truth(listed)
	s.truth.CutByEdge = len(across)
	for _, k := range things {
		s.truth.Objects = append(s.truth.Objects, Object{Kind: string(k.defect), X: p.toPx(k.at.X), Y: p.toPx(k.at.Y), Diameter: k.length})
	}
	s.w, s.h = s.truth.Width, s.truth.Height
	s.light = s.lighting()
	return s, nil
}

// hide notes what share of each piece is hidden by what is drawn later.
func (s *scene) hide() {
	drawn := make(map[*piece]int, len(s.pieces))
	for i, k := range s.pieces {
		drawn[k] = i
	}
	for i, k := range s.pieces {
		var over [][]point
		for _, o := range k.contacts {
			if drawn[o] > i {
				over = append(over, o.outlineOnTray())
			}
		}
		if len(over) > 0 {
			k.covered = hidden(k.outlineOnTray(), over)
		}
	}
}

// tileSize is the side of the squares in which the picture is drawn: small
// enough for the second-level cache, large enough that few kernels lie on
// more than two.
const tileSize = 256

// A brush is a piece ready to be drawn: its outline in pixels, and what its
// shading needs in the frame of its body.
type brush struct {
	k         *piece
	outline   []point // px
	groove    []point // the outline grown by the width of the groove round it; nil where nothing touches
	bounds    box     // px, of all that the brush touches
	sin, cos  float64
	light     point // where the light comes from, in the frame of the body
	length    float64
	broad     float64 // half of the greatest width
	mid, half [65]float64
	limb      float64 // darkening towards the rim
	shadow    point   // px, from the piece to its shadow on the tray
	ground    colour  // what shines through
}

// Widths of the groove round a piece that touches another, and of what is
// seen of a fracture's face.
const (
	grooveMM = 0.07
	faceMM   = 0.16
)

func (s *scene) brush(k *piece) *brush {
	b := &brush{k: k, length: k.body.length(), ground: s.light.ground}
	b.limb = s.p.Limb * lerp(1, s.rim+k.paint.rim, s.p.Natural)
	b.sin, b.cos = math.Sincos(k.turn)
	lamp := s.light.lamp
	b.light = point{X: lamp.X*b.cos + lamp.Y*b.sin, Y: lamp.Y*b.cos - lamp.X*b.sin}
	px := s.p.pxPerMM()
	rise := 1.0 // of the rim that casts the shadow, against a kernel's on the tray
	if k.top {
		rise = 1.6
	} else if k.thing != nil {
		rise = k.thing.rise
	}
	fall := s.light.fall * rise
	b.shadow = point{X: -lamp.X * fall * px, Y: -lamp.Y * fall * px}
	for i := range b.mid {
		low, high := k.body.at(b.length * float64(i) / float64(len(b.mid)-1))
		b.mid[i], b.half[i] = (low+high)/2, max(1e-3, (high-low)/2)
		b.broad = max(b.broad, b.half[i])
	}
	b.outline = mapped(k.outlineOnTray(), func(q point) point { return move(point{}, q, px) })
	reach := 1.0
	if len(k.contacts) > 0 && s.p.Seam > 0 {
		b.groove = grown(b.outline, grooveMM*px)
		reach += grooveMM * px
	}
	if s.p.Shadow > 0 {
		reach += (fall + 2*s.light.soft) * px
	}
	b.bounds = boxOf(b.outline).grown(reach)
	return b
}

// grown moves each corner of the polygon outwards.
func grown(p []point, by float64) []point {
	g := make([]point, len(p))
	for i, q := range p {
		a, c := p[(i+len(p)-1)%len(p)], p[(i+1)%len(p)]
		n := point{X: c.Y - a.Y, Y: a.X - c.X}
		l := max(1e-9, math.Hypot(n.X, n.Y))
		g[i] = move(q, point{X: n.X / l, Y: n.Y / l}, by)
	}
	return g
}

// shade returns the light that the piece sends up from a place in the frame of
// its body, under full light.
func (b *brush) shade(x, y float64) colour {
	t := b.k.paint
	if b.k.thing != nil {
		return b.k.thing.shade(x-b.k.centre.X, y-b.k.centre.Y, t.base, b.light)
	}
	u := min(1, max(0, x/b.length))
	i := min(len(b.mid)-2, int(u*float64(len(b.mid)-1)))
	f := u*float64(len(b.mid)-1) - float64(i)
	mid, half := lerp(b.mid[i], b.mid[i+1], f), lerp(b.half[i], b.half[i+1], f)
	eta := min(1, max(-1, (y-mid)/half))

	// Height over the tray, 1 on the back, and from it the darkening of the rim.
	height := half / b.broad * math.Sqrt(1-eta*eta)
	low := 1 - min(1, height)
	limb := 1 - b.limb*low*math.Sqrt(low)*(1-t.soft)
	slant := point{X: (u - 0.5) * low, Y: eta * low}
	limb *= 1 + (0.12+0.2*t.natural)*(slant.X*b.light.X+slant.Y*b.light.Y)

	// Grain inside, ridges, the clear middle.
	nx, ny := x+t.offset[0], y+t.offset[1]
	grain := 1 + t.mottle*(noise(nx/0.6, ny/0.35)+0.6*noise(nx/0.16+31, ny/0.12+17))
	if t.ribs > 0 {
		e := eta + 0.04*noise(nx/1.5, 99)
		r := bump((e-0.12)/0.13) + 0.7*bump((e+0.42)/0.14) + 0.5*bump((e-0.6)/0.12)
		grain *= 1 - t.ribs*(r-0.3)
	}
	grain *= 1 + t.glass*(2*height-1)
	for i := range b.k.fractures {
		f := &b.k.fractures[i]
		face, reach := t.face, faceMM
		if t.natural > 0 { // an oblique face is seen, lit or in its own shade
			face += 0.3 * t.natural * (f.direction.X*b.light.X + f.direction.Y*b.light.Y)
			reach *= t.reach
		}
		if d := math.Abs(f.side(point{X: x, Y: y})); d < reach {
			grain *= 1 + face*(1-d/reach)
		}
	}

	c := t.base
	if t.natural > 0 {
		c = c.mix(b.ground, float32(t.clarity(nx, ny, low)))
		grain *= t.furrowed(x, eta)
	}
	for i := range t.layers {
		l := &t.layers[i]
		a := smooth(l.cut-l.softness, l.cut+l.softness, l.field.value(x, y, u, eta))
		if a == 0 {
			continue
		}
		c = c.mix(l.colour, float32(a))
		if l.chalk { // opaque: less shading, less grain
			limb = lerp(limb, (1+limb)/2, a)
			grain = lerp(grain, (1+grain)/2, a)
		}
	}
	for i := range t.streaks {
		s := &t.streaks[i]
		if x < s.from || x > s.to {
			continue
		}
		d := (y - mid - s.eta*half - 0.06*noise(x/0.9+s.phase, 3)) / (s.half * (1 + 0.4*noise(x/0.4+s.phase, 7)))
		if d*d < 9 {
			a := math.Exp(-d*d*d*d) * smooth(-0.85, -0.5, noise(x/0.35+s.phase, 11))
			c = c.mix(t.cover, float32(0.9*a))
		}
	}
	for i := range t.spots {
		s := &t.spots[i]
		d := math.Hypot(x-s.x, y-s.y) / s.r * (1 + 0.2*noise(nx/0.2, ny/0.2))
		if d < 1.4 {
			c = c.mix(t.cover, float32(smooth(1.4, 0.75, d)))
		}
	}
	c = c.times(float32(max(0, limb*grain)))
	if t.natural > 0 {
		c = c.mix(colour{1, 1, 1}, float32(t.glint(u, eta, b.light)))
	}
	return c
}

// bump is 1 at 0 and falls to a quarter at ±1.
func bump(x float64) float64 { return 1 / sq(1+x*x) }

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
	if b.k.top { // its shadow on what it lies on, soft as four steps are
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
