package vision

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"

	"traytally/vision/kernel"
)

// A canvas is drawn on with edges smoothed by area coverage. Positions are those
// on the backdrop, pixel corners at integers.
type canvas struct {
	img    *image.RGBA
	origin image.Point     // where the backdrop's corner lies
	clip   image.Rectangle // nothing is drawn outside
	ras    vector.Rasterizer
}

func newCanvas(w, h int) *canvas {
	c := &canvas{img: image.NewRGBA(image.Rect(0, 0, w, h))}
	draw.Draw(c.img, c.img.Bounds(), image.NewUniform(legendGround), image.Point{}, draw.Src)
	c.clip = c.img.Bounds()
	return c
}

func (c *canvas) copyFrom(src *image.RGBA, x int) {
	c.origin = image.Pt(x, 0)
	draw.Draw(c.img, src.Bounds().Add(c.origin), src, image.Point{}, draw.Src)
}

// cover returns the pixels of the clip that a shape between the given corners
// may touch, widened by margin.
func (c *canvas) cover(pts []kernel.Point, margin float64) image.Rectangle {
	if len(pts) == 0 {
		return image.Rectangle{}
	}
	lo, hi := bounds(pts)
	r := image.Rect(int(math.Floor(lo.X-margin)), int(math.Floor(lo.Y-margin)), int(math.Ceil(hi.X+margin)), int(math.Ceil(hi.Y+margin)))
	return r.Add(c.origin).Intersect(c.clip)
}

// bounds returns the least and the greatest coordinates; 0 of no points.
func bounds(pts []kernel.Point) (lo, hi kernel.Point) {
	for i, p := range pts {
		if i == 0 {
			lo, hi = p, p
		}
		lo.X, lo.Y = min(lo.X, p.X), min(lo.Y, p.Y)
		hi.X, hi.Y = max(hi.X, p.X), max(hi.Y, p.Y)
	}
	return lo, hi
}

// trace adds a closed polygon, moved by d.
func trace(ras *vector.Rasterizer, d image.Point, pts ...kernel.Point) {
	for i, p := range pts {
		x, y := float32(p.X+float64(d.X)), float32(p.Y+float64(d.Y))
		if i == 0 {
			ras.MoveTo(x, y)
		} else {
			ras.LineTo(x, y)
		}
	}
	ras.ClosePath()
}

// coverage returns how much of each pixel of r polygons cover together.
func coverage(r image.Rectangle, polygons ...[]kernel.Point) *image.Alpha {
	ras := vector.NewRasterizer(r.Dx(), r.Dy())
	for _, pts := range polygons {
		trace(ras, image.Point{}.Sub(r.Min), pts...)
	}
	m := image.NewAlpha(r)
	ras.DrawOp = draw.Src
	ras.Draw(m, r, image.Opaque, image.Point{})
	return m
}

// corners returns the corners of a rectangle.
func corners(x0, y0, x1, y1 float64) []kernel.Point {
	return []kernel.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
}

// plain fills a polygon with an opaque colour.
func (c *canvas) plain(pts []kernel.Point, col color.NRGBA) {
	r := c.cover(pts, 0)
	c.ras.Reset(r.Dx(), r.Dy())
	trace(&c.ras, c.origin.Sub(r.Min), pts...)
	c.ras.Draw(c.img, r, image.NewUniform(col), image.Point{})
}

// fill tints a polygon, with hatch lines a period apart.
func (c *canvas) fill(pts []kernel.Point, col color.NRGBA, hatch Hatch, period float64) {
	r := c.cover(pts, 0)
	if len(pts) < 3 || r.Empty() {
		return
	}
	const tint, ink = 0.34, 0.8
	line := period * 0.3
	mask := coverage(r.Sub(c.origin), pts)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			m := mask.AlphaAt(x-c.origin.X, y-c.origin.Y).A
			if m == 0 {
				continue
			}
			a := tint
			if hatch != HatchNone {
				a = max(a, ink*stripe(float64(x+y), period, line))
			}
			if hatch == HatchCrossed {
				a = max(a, ink*stripe(float64(x-y), period, line))
			}
			c.blend(x, y, col, a*float64(m)/255)
		}
	}
}

// stripe is the coverage of lines at the diagonal position s, 0..1.
func stripe(s, period, line float64) float64 {
	d := s / math.Sqrt2 / period
	d = math.Abs(d-math.Round(d)) * period
	return min(1, max(0, line/2+0.5-d))
}

func (c *canvas) blend(x, y int, col color.NRGBA, a float64) {
	p := c.img.Pix[c.img.PixOffset(x, y):][:3:3]
	for k, v := range [3]uint8{col.R, col.G, col.B} {
		p[k] += uint8(math.Round(a * (float64(v) - float64(p[k]))))
	}
}

// stroke draws a closed line of the given width, dashed where dash > 0.
func (c *canvas) stroke(pts []kernel.Point, width float64, col color.NRGBA, dash float64) {
	r := c.cover(pts, width/2+1)
	if len(pts) < 2 || r.Empty() {
		return
	}
	c.ras.Reset(r.Dx(), r.Dy())
	run := 0.0
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		l := p.Dist(q)
		for from := 0.0; from < l; {
			to, ink := l, true
			if dash > 0 {
				phase := math.Mod(run+from, 2*dash)
				ink = phase < dash
				to = min(l, from+dash-math.Mod(phase, dash)+1e-6)
			}
			if ink {
				trace(&c.ras, c.origin.Sub(r.Min), dab(lerp(p, q, from/l), lerp(p, q, to/l), width/2)...)
			}
			from = to
		}
		run += l
	}
	c.ras.Draw(c.img, r, image.NewUniform(col), image.Point{})
}

// dab returns the outline of a straight piece of a line of half width hw
// with an octagon at its start, which fills the corner to the piece before. All
// run the same way round, so that their coverage adds up.
func dab(p, q kernel.Point, hw float64) []kernel.Point {
	d, l := q.Sub(p), p.Dist(q)
	if l == 0 {
		return nil
	}
	x, y := d.X/l*hw, d.Y/l*hw
	out := []kernel.Point{{X: p.X + y, Y: p.Y - x}, {X: q.X + y, Y: q.Y - x}, {X: q.X - y, Y: q.Y + x}, {X: p.X - y, Y: p.Y + x}}
	if hw > 1 {
		// Round the back: from the left edge of the start to the right.
		const s = math.Sqrt2 / 2
		out = append(out, kernel.Point{X: p.X - s*y - s*x, Y: p.Y + s*x - s*y},
			kernel.Point{X: p.X - x, Y: p.Y - y}, kernel.Point{X: p.X + s*y - s*x, Y: p.Y - s*x - s*y})
	}
	return out
}

func lerp(p, q kernel.Point, t float64) kernel.Point {
	return kernel.Point{X: p.X + (q.X-p.X)*t, Y: p.Y + (q.Y-p.Y)*t}
}

// box draws a dashed white frame on black around a part of the backdrop.
func (c *canvas) box(x0, y0, x1, y1, width float64) {
	pts := corners(x0-width, y0-width, x1+width, y1+width)
	c.stroke(pts, width*1.5, color.NRGBA{0, 0, 0, 0xff}, 0)
	c.stroke(pts, width*0.8, color.NRGBA{0xff, 0xff, 0xff, 0xff}, width*3)
}

// A lettering is a face with its glyphs drawn once, each with a halo.
type lettering struct {
	face   font.Face
	ascent float64 // height of a digit
	size   float64
	glyphs map[rune]*glyph
}

// A glyph is a character's ink and the halo around it, on one rectangle
// relative to the pen on the base line.
type glyph struct {
	ink, halo *image.Alpha
	advance   fixed.Int26_6
}

func newLettering(size float64, bold bool) (*lettering, error) {
	ttf := goregular.TTF
	if bold {
		ttf = gobold.TTF
	}
	f, err := opentype.Parse(ttf)
	if err != nil {
		return nil, err
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return nil, err
	}
	b, _, _ := face.GlyphBounds('8')
	return &lettering{face: face, ascent: float64(-b.Min.Y) / 64, size: size, glyphs: map[rune]*glyph{}}, nil
}

func (l *lettering) glyph(r rune) *glyph {
	if g := l.glyphs[r]; g != nil {
		return g
	}
	dr, mask, at, advance, ok := l.face.Glyph(fixed.Point26_6{}, r)
	g := &glyph{advance: advance}
	if ok && !dr.Empty() {
		reach := max(1, int(math.Round(l.size*0.12)))
		rect := dr.Inset(-reach)
		g.ink, g.halo = image.NewAlpha(rect), image.NewAlpha(rect)
		draw.Draw(g.ink, dr, mask, at, draw.Src)
		for y := rect.Min.Y; y < rect.Max.Y; y++ {
			for x := rect.Min.X; x < rect.Max.X; x++ {
				a := g.ink.AlphaAt(x, y)
				if a.A == 0 {
					continue
				}
				for v := -reach; v <= reach; v++ {
					for u := -reach; u <= reach; u++ {
						if u*u+v*v > reach*reach+1 {
							continue
						}
						if p := (image.Point{x + u, y + v}); p.In(rect) && g.halo.AlphaAt(p.X, p.Y).A < a.A {
							g.halo.SetAlpha(p.X, p.Y, a)
						}
					}
				}
			}
		}
	}
	l.glyphs[r] = g
	return g
}

// width returns the length of a line of text in pixels.
func (l *lettering) width(text string) float64 {
	var w fixed.Int26_6
	for _, r := range text {
		w += l.glyph(r).advance
	}
	return float64(w) / 64
}

// shorten cuts text in the middle so that it fits into w pixels.
func (l *lettering) shorten(text string, w float64) string {
	if l.width(text) <= w {
		return text
	}
	runes := []rune(text)
	for n := len(runes) - 1; n > 0; n-- {
		s := string(runes[:(n+1)/2]) + "…" + string(runes[len(runes)-n/2:])
		if l.width(s) <= w {
			return s
		}
	}
	return ""
}

// The two tones of a label: a halo of one around ink of the other can be read
// on any ground.
var (
	labelDark  = color.NRGBA{0x08, 0x08, 0x18, 0xff}
	labelLight = color.NRGBA{0xff, 0xff, 0xff, 0xff}
)

// centred writes text on the backdrop around (x, y).
func (c *canvas) centred(l *lettering, text string, x, y float64, ink, halo color.NRGBA) {
	x0 := int(math.Round(x-l.width(text)/2)) + c.origin.X
	y0 := int(math.Round(y+l.ascent/2)) + c.origin.Y
	halo.A = 0xd8
	c.glyphs(l, text, x0, y0, halo, true)
	c.glyphs(l, text, x0, y0, ink, false)
}

// text writes a line from the pen position (x, y) on the base line.
func (c *canvas) text(l *lettering, text string, x, y int, col color.NRGBA) {
	c.glyphs(l, text, x, y, col, false)
}

func (c *canvas) glyphs(l *lettering, text string, x, y int, col color.NRGBA, halo bool) {
	src := image.NewUniform(col)
	pen := fixed.I(x)
	for _, r := range text {
		g := l.glyph(r)
		mask := g.ink
		if halo {
			mask = g.halo
		}
		if mask != nil {
			at := mask.Rect.Add(image.Pt(pen.Round(), y))
			in := at.Intersect(c.clip)
			draw.DrawMask(c.img, in, src, image.Point{}, mask, mask.Rect.Min.Add(in.Min.Sub(at.Min)), draw.Over)
		}
		pen += g.advance
	}
}

func fromBGR(pix []byte, w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i, j := 0, 0; i < len(pix); i, j = i+3, j+4 {
		p := pix[i:][:3:3]
		o := img.Pix[j:][:4:4]
		o[0], o[1], o[2], o[3] = p[2], p[1], p[0], 0xff
	}
	return img
}

// enlarge returns the picture k times as large, bilinear between pixel
// centres.
func enlarge(src *image.RGBA, k int) *image.RGBA {
	if k == 1 {
		return src
	}
	dst := image.NewRGBA(image.Rect(0, 0, src.Rect.Dx()*k, src.Rect.Dy()*k))
	xdraw.ApproxBiLinear.Scale(dst, dst.Rect, src, src.Rect, draw.Src, nil)
	return dst
}
