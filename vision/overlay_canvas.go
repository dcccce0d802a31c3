package vision

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"unicode/utf8"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// A vertex is a position on a canvas or backdrop; pixel corners are integers.
type vertex struct{ x, y float32 }

func (v vertex) dist(w vertex) float32 {
	return float32(math.Hypot(float64(v.x-w.x), float64(v.y-w.y)))
}

// A canvas is drawn on with edges smoothed by area coverage.
type canvas struct {
	img    *image.RGBA
	origin image.Point     // where the backdrop's corner lies
	clip   image.Rectangle // nothing is drawn outside
	ras    vector.Rasterizer
	mask   image.Alpha
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
func (c *canvas) cover(pts []vertex, margin float32) image.Rectangle {
	if len(pts) == 0 {
		return image.Rectangle{}
	}
	lo, hi := pts[0], pts[0]
	for _, p := range pts {
		lo.x, lo.y = min(lo.x, p.x), min(lo.y, p.y)
		hi.x, hi.y = max(hi.x, p.x), max(hi.y, p.y)
	}
	r := image.Rect(
		int(math.Floor(float64(lo.x-margin))), int(math.Floor(float64(lo.y-margin))),
		int(math.Ceil(float64(hi.x+margin))), int(math.Ceil(float64(hi.y+margin))))
	return r.Add(c.origin).Intersect(c.clip)
}

// begin starts a shape whose pixels lie in r and returns what to add to
// positions on the backdrop.
func (c *canvas) begin(r image.Rectangle) (dx, dy float32) {
	c.ras.Reset(r.Dx(), r.Dy())
	return float32(c.origin.X - r.Min.X), float32(c.origin.Y - r.Min.Y)
}

// polygon starts a shape whose pixels lie in r with a polygon.
func (c *canvas) polygon(pts []vertex, r image.Rectangle) {
	dx, dy := c.begin(r)
	c.ras.MoveTo(pts[0].x+dx, pts[0].y+dy)
	for _, p := range pts[1:] {
		c.ras.LineTo(p.x+dx, p.y+dy)
	}
	c.ras.ClosePath()
}

// corners returns the corners of a rectangle.
func corners(x0, y0, x1, y1 float64) []vertex {
	l, t, r, b := float32(x0), float32(y0), float32(x1), float32(y1)
	return []vertex{{l, t}, {r, t}, {r, b}, {l, b}}
}

// fill tints a polygon, with hatch lines a period apart.
func (c *canvas) fill(pts []vertex, col color.NRGBA, hatch Hatch, period float64) {
	r := c.cover(pts, 0)
	if len(pts) < 3 || r.Empty() {
		return
	}
	c.polygon(pts, r)
	n := r.Dx() * r.Dy()
	if cap(c.mask.Pix) < n {
		c.mask.Pix = make([]uint8, n)
	}
	c.mask.Pix, c.mask.Stride, c.mask.Rect = c.mask.Pix[:n], r.Dx(), image.Rect(0, 0, r.Dx(), r.Dy())
	c.ras.DrawOp = draw.Src
	c.ras.Draw(&c.mask, c.mask.Rect, image.Opaque, image.Point{})
	c.ras.DrawOp = draw.Over
	const tint, ink = 0.34, 0.8
	line := period * 0.3
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := c.mask.Pix[(y-r.Min.Y)*r.Dx():][:r.Dx()]
		for i, m := range row {
			if m == 0 {
				continue
			}
			x := r.Min.X + i
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
	p[0] += uint8(math.Round(a * (float64(col.R) - float64(p[0]))))
	p[1] += uint8(math.Round(a * (float64(col.G) - float64(p[1]))))
	p[2] += uint8(math.Round(a * (float64(col.B) - float64(p[2]))))
}

// stroke draws a closed line of the given width, dashed where dash > 0.
func (c *canvas) stroke(pts []vertex, width float64, col color.NRGBA, dash float64) {
	hw := float32(width / 2)
	r := c.cover(pts, hw+1)
	if len(pts) < 2 || r.Empty() {
		return
	}
	dx, dy := c.begin(r)
	run := 0.0
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		l := float64(p.dist(q))
		for from := 0.0; from < l; {
			to, ink := l, true
			if dash > 0 {
				phase := math.Mod(run+from, 2*dash)
				ink = phase < dash
				to = min(l, from+dash-math.Mod(phase, dash)+1e-6)
			}
			if ink {
				c.segment(lerp(p, q, from/l), lerp(p, q, to/l), hw, dx, dy)
			}
			from = to
		}
		run += l
	}
	c.ras.Draw(c.img, r, image.NewUniform(col), image.Point{})
}

// segment adds a straight piece of a line with an octagon at its start, which
// fills the corner to the piece before. All run the same way round, so that
// their coverage adds up.
func (c *canvas) segment(p, q vertex, hw, dx, dy float32) {
	l := p.dist(q)
	if l == 0 {
		return
	}
	ux, uy := (q.x-p.x)/l*hw, (q.y-p.y)/l*hw
	px, py, qx, qy := p.x+dx, p.y+dy, q.x+dx, q.y+dy
	c.ras.MoveTo(px+uy, py-ux)
	c.ras.LineTo(qx+uy, qy-ux)
	c.ras.LineTo(qx-uy, qy+ux)
	if hw > 1 {
		// Round the back: from the left edge of the start to the right.
		const s = math.Sqrt2 / 2
		c.ras.LineTo(px-uy, py+ux)
		c.ras.LineTo(px-s*uy-s*ux, py+s*ux-s*uy)
		c.ras.LineTo(px-ux, py-uy)
		c.ras.LineTo(px+s*uy-s*ux, py-s*ux-s*uy)
	} else {
		c.ras.LineTo(px-uy, py+ux)
	}
	c.ras.ClosePath()
}

func lerp(p, q vertex, t float64) vertex {
	f := float32(t)
	return vertex{p.x + (q.x-p.x)*f, p.y + (q.y-p.y)*f}
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
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRuneInString(text[i:])
		i += n
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
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := image.NewRGBA(image.Rect(0, 0, w*k, h*k))
	for y := range h * k {
		y0, fy := between(y, k, h)
		y1 := min(y0+1, h-1)
		for x := range w * k {
			x0, fx := between(x, k, w)
			x1 := min(x0+1, w-1)
			a, b := src.Pix[y0*src.Stride+4*x0:][:4:4], src.Pix[y0*src.Stride+4*x1:][:4:4]
			c, d := src.Pix[y1*src.Stride+4*x0:][:4:4], src.Pix[y1*src.Stride+4*x1:][:4:4]
			o := dst.Pix[y*dst.Stride+4*x:][:4:4]
			for i := range 3 {
				top := float64(a[i]) + fx*(float64(b[i])-float64(a[i]))
				low := float64(c[i]) + fx*(float64(d[i])-float64(c[i]))
				o[i] = uint8(top + fy*(low-top) + 0.5)
			}
			o[3] = 0xff
		}
	}
	return dst
}

// between returns the pixel at or before the place of the enlarged pixel i,
// and how far that place is towards the next.
func between(i, k, n int) (int, float64) {
	p := (float64(i)+0.5)/float64(k) - 0.5
	f := math.Floor(min(max(p, 0), float64(n-1)))
	return int(f), min(max(p-f, 0), 1)
}
