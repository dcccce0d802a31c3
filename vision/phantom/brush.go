package phantom

import "math"

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
	b.limb = s.p.Limb * lerp(1, s.light.rim+k.paint.rim, s.p.Natural)
	b.sin, b.cos = math.Sincos(k.turn)
	lamp := s.light.lamp
	b.light = point{X: lamp.X*b.cos + lamp.Y*b.sin, Y: lamp.Y*b.cos - lamp.X*b.sin}
	px := s.p.pxPerMM()
	rise := 1.0 // of the rim that casts the shadow, against a kernel's on the tray
	if k.OnTop {
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
	b.outline = mapped(k.onTray(k.outline...), func(q point) point { return move(point{}, q, px) })
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

// toBody turns what is given from the piece's centre on the tray, mm, into the
// frame of its body.
func (b *brush) toBody(dx, dy float64) (x, y float64) {
	return dx*b.cos + dy*b.sin + b.k.centre.X, dy*b.cos - dx*b.sin + b.k.centre.Y
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
