package phantom

import (
	"image"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"golang.org/x/image/vector"
)

// Sample draws the pieces of a tray from the lot that p describes and lays
// them nowhere: every position is 0, no piece touches another, and what cuts
// the picture's edge is left out. It is the quick way to many trays. The
// errors are those of Validate.
func Sample(p Params) (*Truth, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	all := slices.Concat(p.kernels(), p.foreignBodies())
	for _, k := range all {
		p.tint(k)
	}
	return p.truth(all, false), nil
}

// Lay returns the truth of the tray that Draw draws. The errors are those of
// Validate, and ErrNoRoom.
func Lay(p Params) (*Truth, error) {
	s, err := p.scene()
	if err != nil {
		return nil, err
	}
	return s.truth, nil
}

// Draw draws a tray. The picture is opaque sRGB, the truth what lies on it.
// Shading makes a kernel darker than its Lab in the truth towards its rim, by
// up to Params.Limb, and where less light falls. The errors are those of
// Lay.
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
	s.truth = p.truth(listed, true)
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

// lampSide is the direction from which the lamp of the scanner shines a little
// more, on the tray.
var lampSide = polar(-2.2)

const (
	grooveMM = 0.07
	faceMM   = 0.16
	// The shadow: where it falls and how soft it is.
	shadowMM     = 0.35
	shadowSoftMM = 0.3
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
	b.outline = k.outlineOnTray()
	for i, q := range b.outline {
		b.outline[i] = point{X: q.X * px, Y: q.Y * px}
	}
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
		g[i] = point{X: q.X + n.X/l*by, Y: q.Y + n.Y/l*by}
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
	v := float32(max(0, limb*grain))
	c = colour{c[0] * v, c[1] * v, c[2] * v}
	if t.natural > 0 {
		c = c.mix(colour{1, 1, 1}, float32(t.glint(u, eta, b.light)))
	}
	return c
}

func sq(x float64) float64 { return x * x }

// bump is 1 at 0 and falls to a quarter at ±1.
func bump(x float64) float64 { return 1 / sq(1+x*x) }

// draw draws the picture in tiles, on all processors. Each tile is its own
// from the tray to the noise, so that their order does not matter.
func (s *scene) draw() *image.RGBA {
	brushes := make([]*brush, len(s.pieces))
	img := image.NewRGBA(image.Rect(0, 0, s.w, s.h))
	cols, rows := (s.w+tileSize-1)/tileSize, (s.h+tileSize-1)/tileSize
	inTile := make([][]*brush, cols*rows)
	halo := haloOf(s.p.BlurPx)

	each(len(s.pieces), func() func(int) {
		return func(i int) {
			s.p.dress(s.pieces[i])
			brushes[i] = s.brush(s.pieces[i])
		}
	})
	for _, b := range brushes {
		bb := b.bounds.grown(float64(halo) + 1)
		for row := max(0, int(bb.y0)/tileSize); row <= min(rows-1, int(bb.y1)/tileSize); row++ {
			for col := max(0, int(bb.x0)/tileSize); col <= min(cols-1, int(bb.x1)/tileSize); col++ {
				inTile[row*cols+col] = append(inTile[row*cols+col], b)
			}
		}
	}
	dust := s.dust(cols, rows)
	each(cols*rows, func() func(int) {
		t := newTile(s, halo)
		return func(i int) {
			t.place(image.Rect(0, 0, tileSize, tileSize).
				Add(image.Pt(i%cols*tileSize, i/cols*tileSize)).Intersect(img.Rect))
			t.tray()
			if s.p.Shadow > 0 {
				t.shadows(inTile[i])
			}
			for _, b := range inTile[i] {
				t.piece(b)
			}
			for _, b := range dust[i] {
				t.speck(b)
			}
			if s.p.BlurEncoded {
				t.gamma()
				t.blur()
			} else {
				t.blur()
				t.gamma()
			}
			t.write(img, stream(s.p.Seed, streamNoise, i))
		}
	})
	sharpen(img, s.p.Sharpen)
	return img
}

// each calls the functions that worker makes, one per processor, for 0 to n-1.
func each(n int, worker func() func(int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			do := worker()
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	wg.Wait()
}

// haloOf is the reach of the blur in pixels.
func haloOf(sigma float64) int {
	if sigma <= 0 {
		return 0
	}
	return int(math.Ceil(3 * sigma))
}

// gaussian returns the weights of a blur, sum 1.
func gaussian(sigma float64) []float32 {
	halo := haloOf(sigma)
	g := make([]float32, 2*halo+1)
	sum := 0.0
	for i := range g {
		w := 1.0
		if halo > 0 {
			w = math.Exp(-sq(float64(i-halo)/sigma) / 2)
		}
		g[i] = float32(w)
		sum += w
	}
	for i := range g {
		g[i] /= float32(sum)
	}
	return g
}

// A lighting gives the share of the full light that reaches a place, as a
// polynomial of second degree.
type lighting struct {
	one, x, y, xx, yy float64
	weave             float64
	weaveX, weaveY    point // across the threads, in threads per px
	grain             float64
	ground            colour

	lamp  point   // the side from which the light comes
	fall  float64 // of a kernel's shadow, mm
	soft  float64 // of its rim, mm
	cast  [3]float32
	stuff Ground
	mm    float64       // per px
	hand  float64       // share lost in the shadow of the hand
	edges [2][3]float64 // of that shadow: a·x + b·y + c is positive within, 1 where it is full
	twist point         // direction of the stuff's grain
}

func (s *scene) lighting() lighting {
	r := stream(s.p.Seed, streamLight, 0)
	w, h := float64(s.w), float64(s.h)
	l := lighting{one: 1, weave: s.p.Weave, grain: 1 / (0.14 * s.p.pxPerMM())}
	cx, cy := w*uniform(r, 0.45, 0.55), h*uniform(r, 0.45, 0.55)
	way := polar(uniform(r, 0, 2*math.Pi))
	twist := uniform(r, -0.2, 0.2)
	thread := 1 / (uniform(r, 0.55, 0.8) * s.p.pxPerMM())
	l.weaveX, l.weaveY = polar(twist), polar(twist+math.Pi/2)
	l.weaveX = point{X: l.weaveX.X * thread, Y: l.weaveX.Y * thread}
	l.weaveY = point{X: l.weaveY.X * thread, Y: l.weaveY.Y * thread}
	switch s.p.Light {
	case LightFallOff: // 1 - drop·(distance from the middle / that of the farthest corner)²
		far := sq(max(cx, w-cx)) + sq(max(cy, h-cy))
		d := s.p.LightDrop / far
		l.one = 1 - d*(cx*cx+cy*cy)
		l.x, l.y, l.xx, l.yy = 2*d*cx, 2*d*cy, -d, -d
	case LightGradient: // from 1 in one corner to 1 - drop in the opposite one
		reach := math.Abs(way.X)*w/2 + math.Abs(way.Y)*h/2
		l.x, l.y = s.p.LightDrop/2*way.X/reach, s.p.LightDrop/2*way.Y/reach
		l.one = 1 - s.p.LightDrop/2 - l.x*w/2 - l.y*h/2
	}
	switch s.p.Tray {
	case TrayBlack:
		l.ground = lab(5.5, 0, -0.5)
	case TrayBlue:
		l.ground = lab(30, 6, -38)
	case TrayBrown:
		l.ground = lab(29, 12, 20)
	case TrayGrey:
		l.ground = lab(38, -0.5, -1.5)
	case TraySky:
		l.ground = lab(55, -6, -22)
	case TrayGreen:
		l.ground = lab(38, -23, 14)
	}
	l.lamp, l.fall, l.soft, l.cast = lampSide, shadowMM, shadowSoftMM, [3]float32{1, 1, 1}
	l.stuff, l.mm, l.twist = s.p.Ground, 1/s.p.pxPerMM(), polar(twist)
	if l.stuff == GroundCloth && l.weave == 0 {
		l.weave = 0.5
	}
	s.naturalLight(&l)
	return l
}

// at returns the share of light at a place in px.
func (l *lighting) at(x, y float64) float64 {
	v := l.one + x*(l.x+l.xx*x) + y*(l.y+l.yy*y)
	if l.hand > 0 {
		in := 1.0
		for _, e := range l.edges {
			in = min(in, e[0]*x+e[1]*y+e[2])
		}
		v *= 1 - l.hand*smooth(0, 1, in)
	}
	return v
}

// texture returns the brightness of the tray at a place against its mean.
func (l *lighting) texture(x, y float64) float64 {
	v := 1 + 0.1*noise(x*l.grain, y*l.grain)
	if l.weave > 0 {
		// Plain weave: at each crossing one of the two threads is on top.
		a, b := x*l.weaveX.X+y*l.weaveX.Y, x*l.weaveY.X+y*l.weaveY.Y
		i, j := math.Floor(a), math.Floor(b)
		top, along := a-i, b-j
		if (int(i)+int(j))&1 == 1 {
			top, along = along, top
		}
		round := (1 - sq(2*top-1)) * (0.6 + 0.4*(1-sq(2*along-1))) // 0..1, mean 0.58
		v *= 1 + l.weave*(1.4*(round-0.58)+0.25*noise(i*0.37+j*7.1, j*0.53))
	}
	if l.stuff != GroundSheet {
		v *= l.grown(x*l.mm, y*l.mm)
	}
	return max(0, v)
}

// A speck of dust, in px.
type speck struct {
	x, y, r float64
	colour  colour
}

// dust strews specks, by tile.
func (s *scene) dust(cols, rows int) [][]speck {
	in := make([][]speck, cols*rows)
	r := stream(s.p.Seed, streamDust, 0)
	for range s.p.Dust {
		d := speck{x: uniform(r, 0, float64(s.w)), y: uniform(r, 0, float64(s.h))}
		d.r = s.p.pxPerMM() * 0.025 * math.Pow(5, sq(r.Float64())) // 0.05 to 0.25 mm across, mostly small
		d.colour = lab(uniform(r, 30, 85), uniform(r, -1, 3), uniform(r, 0, 12))
		for row := max(0, int(d.y-60)/tileSize); row <= min(rows-1, int(d.y+60)/tileSize); row++ {
			for col := max(0, int(d.x-60)/tileSize); col <= min(cols-1, int(d.x+60)/tileSize); col++ {
				in[row*cols+col] = append(in[row*cols+col], d)
			}
		}
	}
	return in
}

// A tile is one square of the picture, in linear light until gamma, with a rim of halo
// pixels on each side for the blur.
type tile struct {
	s      *scene
	l      *lighting
	halo   int
	rect   image.Rectangle // of the picture, without rim
	outer  image.Rectangle // with rim
	w      int             // of outer
	pix    []float32       // outer, three values each
	row    []float32
	dim    []float32 // shadow
	kernel []float32 // of the blur
	raster vector.Rasterizer
	mask   image.Alpha
}

func newTile(s *scene, halo int) *tile {
	side := tileSize + 2*halo
	t := &tile{s: s, l: &s.light, halo: halo, pix: make([]float32, 3*side*side), row: make([]float32, 3*side*side), kernel: gaussian(s.p.BlurPx)}
	return t
}

func (t *tile) place(r image.Rectangle) {
	t.rect, t.outer = r, r.Inset(-t.halo)
	t.w = t.outer.Dx()
	t.pix = t.pix[:3*t.w*t.outer.Dy()]
}

// tray fills the tile with the lit tray.
func (t *tile) tray() {
	i := 0
	for y := t.outer.Min.Y; y < t.outer.Max.Y; y++ {
		for x := t.outer.Min.X; x < t.outer.Max.X; x++ {
			// Pixel x covers x to x+1 here, where the picture starts at 0.
			fx, fy := float64(x)+0.5, float64(y)+0.5
			v := float32(t.l.at(fx, fy) * t.l.texture(fx, fy))
			t.pix[i], t.pix[i+1], t.pix[i+2] = t.l.ground[0]*v, t.l.ground[1]*v, t.l.ground[2]*v
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
		t.eachCovered(func(i, _, _ int, a uint8) { t.dimmed(i, 1-dark*float32(a)) })
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
	t.eachCovered(func(i, x, y int, a uint8) {
		fx, fy := float64(x)+0.5, float64(y)+0.5
		dx, dy := fx*mm-b.k.at.X, fy*mm-b.k.at.Y
		c := b.shade(dx*b.cos+dy*b.sin+b.k.centre.X, dy*b.cos-dx*b.sin+b.k.centre.Y)
		v, f := float32(t.l.at(fx, fy)), float32(a)/255
		t.pix[i] += (c[0]*v - t.pix[i]) * f
		t.pix[i+1] += (c[1]*v - t.pix[i+1]) * f
		t.pix[i+2] += (c[2]*v - t.pix[i+2]) * f
	})
}

func (t *tile) dimmed(i int, v float32) {
	t.pix[i] *= v
	t.pix[i+1] *= v
	t.pix[i+2] *= v
}

// eachCovered calls do for the pixels of the mask that are not empty, with the
// index into pix and the place in the picture.
func (t *tile) eachCovered(do func(i, x, y int, a uint8)) {
	r := t.mask.Rect
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := t.mask.Pix[(y-r.Min.Y)*t.mask.Stride:]
		i := 3 * ((y-t.outer.Min.Y)*t.w + r.Min.X - t.outer.Min.X)
		for x := r.Min.X; x < r.Max.X; x++ {
			if a := row[x-r.Min.X]; a > 0 {
				do(i, x, y, a)
			}
			i += 3
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
		if !t.cover(b.outline, b.shadow.X, b.shadow.Y, plane) {
			continue
		}
		r := t.mask.Rect
		for y := r.Min.Y; y < r.Max.Y; y++ {
			row := t.mask.Pix[(y-r.Min.Y)*t.mask.Stride:]
			out := dim[(y-plane.Min.Y)*w : (y-plane.Min.Y+1)*w]
			for x := r.Min.X; x < r.Max.X; x++ {
				i := x - plane.Min.X
				out[i] = max(out[i], float32(row[x-r.Min.X])/255)
			}
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

// runningMean writes to the transposed dst the mean of 2·radius+1 values, fewer
// at the ends, along each row of src, which is h rows of w.
func runningMean(dst, src []float32, w, h, radius int) {
	for y := range h {
		row := src[y*w : (y+1)*w]
		sum := float32(0)
		for x := -radius; x < w+radius; x++ {
			if x+radius < w && x+radius >= 0 {
				sum += row[x+radius]
			}
			if x-radius-1 >= 0 && x-radius-1 < w {
				sum -= row[x-radius-1]
			}
			if x >= 0 && x < w {
				dst[x*h+y] = sum / float32(min(w-1, x+radius)-max(0, x-radius)+1)
			}
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
			v := float32(t.l.at(fx, fy))
			i := 3 * ((y-t.outer.Min.Y)*t.w + x - t.outer.Min.X)
			for c := range 3 {
				t.pix[i+c] += (d.colour[c]*v - t.pix[i+c]) * float32(a)
			}
		}
	}
}

// blur is a Gaussian on the linear light, along the rows and then the columns.
// What it leaves in pix has no rim.
func (t *tile) blur() {
	if t.halo == 0 {
		return
	}
	w, h := t.rect.Dx(), t.rect.Dy()
	oh := t.outer.Dy()
	for y := range oh { // rows: outer to w columns
		in := t.pix[3*y*t.w : 3*(y+1)*t.w]
		out := t.row[3*y*w : 3*(y+1)*w]
		clear(out)
		for k, f := range t.kernel {
			shifted := in[3*k : 3*k+len(out)]
			for i, v := range shifted {
				out[i] += f * v
			}
		}
	}
	for y := range h {
		out := t.pix[3*y*w : 3*(y+1)*w]
		clear(out)
		for k, f := range t.kernel {
			for i, v := range t.row[3*(y+k)*w : 3*(y+k+1)*w] {
				out[i] += f * v
			}
		}
	}
}

// encodeSteps is the number of steps of the table from linear light to sRGB;
// near black, where the curve is steepest, one step is 0.2 of an 8-bit level.
const encodeSteps = 1 << 14

// srgb holds the encoded value, 0..255, of each step of linear light (IEC
// 61966-2-1).
var srgb = func() *[encodeSteps + 1]float32 {
	t := new([encodeSteps + 1]float32)
	for i := range t {
		v := float64(i) / encodeSteps
		if v <= 0.0031308 {
			v *= 12.92
		} else {
			v = 1.055*math.Pow(v, 1/2.4) - 0.055
		}
		t[i] = float32(255 * v)
	}
	return t
}()

// normals holds draws from the standard normal distribution by equal shares:
// entry i is its quantile at (i+½)/65536.
var normals = func() *[1 << 16]float32 {
	t := new([1 << 16]float32)
	for i := range t {
		t[i] = float32(math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(len(t))-1))
	}
	return t
}()

// gamma turns light into encoded values, 0..255.
func (t *tile) gamma() {
	for i := 0; i < len(t.pix); i += 3 {
		for c, f := range t.l.cast {
			t.pix[i+c] = srgb[int(min(1, max(0, t.pix[i+c]*f))*encodeSteps+0.5)]
		}
	}
}

// write puts the tile into the picture, with noise.
func (t *tile) write(img *image.RGBA, r *rand.Rand) {
	w := t.rect.Dx()
	amount := float32(t.s.p.Noise)
	src := rand.NewPCG(r.Uint64(), r.Uint64())
	for y := range t.rect.Dy() {
		in := t.pix[3*y*w : 3*(y+1)*w]
		out := img.Pix[img.PixOffset(t.rect.Min.X, t.rect.Min.Y+y):]
		for x := range w {
			var bits uint64
			if amount > 0 {
				bits = src.Uint64()
			}
			for c := range 3 {
				v := in[3*x+c]
				if amount > 0 {
					v += amount * normals[bits>>(16*c)&0xffff]
				}
				out[4*x+c] = uint8(min(255, max(0, v)) + 0.5)
			}
			out[4*x+3] = 255
		}
	}
}
