package phantom

import "math"

// lampSide is the direction from which the lamp of the scanner shines a little
// more, on the tray.
var lampSide = polar(-2.2)

// A kernel's shadow in a scanner: where it falls and how soft it is.
const (
	shadowMM     = 0.35
	shadowSoftMM = 0.3
)

var trayColours = map[Tray]colour{
	TrayBlack: lab(5.5, 0, -0.5),
	TrayBlue:  lab(30, 6, -38),
	TrayBrown: lab(29, 12, 20),
	TrayGrey:  lab(38, -0.5, -1.5),
	TraySky:   lab(55, -6, -22),
	TrayGreen: lab(38, -23, 14),
}

// A lighting is the light on a tray, by the place in px, and the ground on
// which it falls.
type lighting struct {
	at     func(x, y float64) float64 // the light at a place, 1 being full
	lamp   point                      // the side from which the light comes
	fall   float64                    // of a kernel's shadow, mm
	soft   float64                    // of its rim, mm
	rim    float64                    // of kernels: 1 dark rims, -1 bright ones
	cast   [3]float32
	ground colour
	stuff  Ground
	twist  point   // direction of the stuff's grain and of the threads
	weave  float64 // contrast of the threads
	thread float64 // mm
}

func (s *scene) lighting() lighting {
	p, r := s.p, stream(s.p.Seed, streamLight, 0)
	w, h := float64(s.w), float64(s.h)
	gain := math.Exp2(p.Stops)
	l := lighting{
		at:     func(_, _ float64) float64 { return gain },
		ground: trayColours[p.Tray], stuff: p.Ground, weave: p.Weave,
		lamp: lampSide, fall: shadowMM, soft: shadowSoftMM, cast: [3]float32{1, 1, 1},
	}
	cx, cy := w*uniform(r, 0.45, 0.55), h*uniform(r, 0.45, 0.55)
	way := polar(uniform(r, 0, 2*math.Pi))
	l.twist = polar(uniform(r, -0.2, 0.2))
	l.thread = uniform(r, 0.55, 0.8)
	switch p.Light {
	case LightFallOff: // 1 - drop·(distance from the middle / that of the farthest corner)²
		far := sq(max(cx, w-cx)) + sq(max(cy, h-cy))
		l.at = func(x, y float64) float64 { return gain * (1 - p.LightDrop*(sq(x-cx)+sq(y-cy))/far) }
	case LightGradient: // from 1 in one corner to 1 - drop in the opposite one
		reach := math.Abs(way.X)*w/2 + math.Abs(way.Y)*h/2
		l.at = func(x, y float64) float64 {
			return gain * (1 - p.LightDrop/2*(1-((x-w/2)*way.X+(y-h/2)*way.Y)/reach))
		}
	}
	if l.stuff == GroundCloth && l.weave == 0 {
		l.weave = 0.5
	}
	s.naturalLight(&l)
	return l
}

// naturalLight adds the hand's shadow, and for a natural look the chances of
// the picture: the lamp's side and height, white balance, the rims, the
// ground's colour.
func (s *scene) naturalLight(l *lighting) {
	r := stream(s.p.Seed, streamLight, 1)
	if hand := s.p.HandShadow; hand > 0 {
		// A corner of the shadow lies in the middle half of the picture.
		soft := uniform(r, 2, 6) * s.p.pxPerMM()
		x, y := float64(s.w)*uniform(r, 0.25, 0.75), float64(s.h)*uniform(r, 0.25, 0.75)
		way := uniform(r, 0, 2*math.Pi)
		var edges [2][3]float64 // a·x + b·y + c is positive within, 1 where the shadow is full
		for i, a := range [2]float64{way, way + uniform(r, 1.2, 1.9)} {
			u := polar(a)
			edges[i] = [3]float64{u.X / soft, u.Y / soft, 0.5 - (u.X*x+u.Y*y)/soft}
		}
		open := l.at
		l.at = func(x, y float64) float64 {
			in := 1.0
			for _, e := range edges {
				in = min(in, e[0]*x+e[1]*y+e[2])
			}
			return open(x, y) * (1 - hand*smooth(0, 1, in))
		}
	}
	if s.p.Natural > 0 {
		l.lamp, l.fall, l.soft = polar(uniform(r, 0, 2*math.Pi)), uniform(r, 0.2, 0.7), uniform(r, 0.08, 0.2)
		l.cast = [3]float32{float32(uniform(r, 0.86, 0.98)), 1, float32(uniform(r, 0.88, 1))}
		l.rim = uniform(r, -0.8, 1)
		strong, shift := uniform(r, 0.7, 1.5), float32(uniform(r, 0.8, 1.25))
		grey := 0.2126*l.ground[0] + 0.7152*l.ground[1] + 0.0722*l.ground[2] // Y of CIE 1931
		for i, v := range l.ground {
			l.ground[i] = max(0, shift*(grey+float32(strong)*(v-grey)))
		}
	}
}

// texture returns the brightness of the ground at a place in mm against its
// mean.
func (l *lighting) texture(x, y float64) float64 {
	v := 1 + 0.1*noise(x/0.14, y/0.14)
	x, y = x*l.twist.X+y*l.twist.Y, y*l.twist.X-x*l.twist.Y
	if l.weave > 0 {
		// Plain weave: at each crossing one of the two threads is on top.
		a, b := x/l.thread, y/l.thread
		i, j := math.Floor(a), math.Floor(b)
		top, along := a-i, b-j
		if (int(i)+int(j))&1 == 1 {
			top, along = along, top
		}
		round := (1 - sq(2*top-1)) * (0.6 + 0.4*(1-sq(2*along-1))) // 0..1, mean 0.58
		v *= 1 + l.weave*(1.4*(round-0.58)+0.25*noise(i*0.37+j*7.1, j*0.53))
	}
	return max(0, v*l.grown(x, y))
}

// grown is the brightness of the ground's stuff, mean about 1, at a place in
// mm along and across its grain.
func (l *lighting) grown(x, y float64) float64 {
	switch l.stuff {
	case GroundCard: // clouds, and fibres in two directions
		fibres := max(0, noise(x/1.3, y/0.14)-0.45) + max(0, noise(x/0.14+9, y/1.1)-0.45)
		return 1 + 0.05*noise(x/4, y/4) + 0.09*noise(x/0.45+3, y/0.45) + 0.5*fibres
	case GroundLeather:
		crease := bump(noise(x/1.2, y/1.2)/0.1) + 0.6*bump(noise(x/0.6+5, y/0.7)/0.12)
		return max(0.2, 1.1-0.4*crease+0.12*noise(x/0.2, y/0.2))
	case GroundWood:
		ring := noise(x/45, y/1.7+1.5*noise(x/30, y/9))
		return 1 + 0.2*ring + 0.12*noise(x/18+3, y/0.35) - 0.4*smooth(0.5, 0.8, noise(x/5, y/0.22+40))
	}
	return 1
}
