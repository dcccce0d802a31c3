// Package colour measures the colour of kernels: CIELAB from the pixels under
// an outline, the sample's own usual kernel, and what on a kernel's surface
// differs from it. It works on plain pixel bytes and outlines, and knows no
// trade rules.
package colour

import (
	"math"

	"traytally/vision/internal/pixel"
)

// A Lab is a colour in CIELAB (CIE 15) for D65 and the 2° observer: L* in
// 0..100 for surfaces no whiter than the picture's white, a* from green to
// red, b* from blue to yellow.
type Lab struct{ L, A, B float64 }

// Chroma returns the distance from the grey axis.
func (c Lab) Chroma() float64 { return math.Hypot(c.A, c.B) }

// Array returns the colour as kernels carry it.
func (c Lab) Array() [3]float64 { return [3]float64{c.L, c.A, c.B} }

func labOf(v [3]float64) Lab { return Lab{v[0], v[1], v[2]} }

// DeltaE00 returns the CIEDE2000 difference of two colours (CIE 142-2001,
// parametric factors 1), >= 0. Written out after G. Sharma, W. Wu and E. N.
// Dalal, Color Research & Application 30 (2005) 21-30, equations 2 to 22:
// libraries take red, green and blue, and the way there and back moves colours
// across the formula's jump at opposite hues.
func DeltaE00(p, q Lab) float64 {
	const (
		rad  = math.Pi / 180
		half = 180 + 1e-9 // opposite hues stay opposite after rounding
	)
	pow7 := func(x float64) float64 { return x * x * x * x * x * x * x }
	sharp := func(c float64) float64 { return math.Sqrt(pow7(c) / (pow7(c) + pow7(25))) }
	g := 0.5 * (1 - sharp((p.Chroma()+q.Chroma())/2))
	a1, a2 := p.A*(1+g), q.A*(1+g)
	c1, c2 := math.Hypot(a1, p.B), math.Hypot(a2, q.B)
	hue := func(a, b float64) float64 { // degrees in 0..360
		h := math.Atan2(b, a) / rad
		if h < 0 {
			h += 360
		}
		return h
	}
	h1, h2 := hue(a1, p.B), hue(a2, q.B)
	dh, h := h2-h1, (h1+h2)/2
	switch {
	case c1*c2 == 0:
		dh, h = 0, h1+h2
	case dh > half:
		dh -= 360
	case dh < -half:
		dh += 360
	}
	if c1*c2 != 0 && math.Abs(h1-h2) > half {
		if h < 180 {
			h += 180
		} else {
			h -= 180
		}
	}
	l, c := (p.L+q.L)/2, (c1+c2)/2
	t := 1 - 0.17*math.Cos((h-30)*rad) + 0.24*math.Cos(2*h*rad) + 0.32*math.Cos((3*h+6)*rad) - 0.20*math.Cos((4*h-63)*rad)
	m := (l - 50) * (l - 50)
	dl := (q.L - p.L) / (1 + 0.015*m/math.Sqrt(20+m))
	dc := (c2 - c1) / (1 + 0.045*c)
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*rad) / (1 + 0.015*c*t)
	turn := (h - 275) / 25
	r := -2 * sharp(c) * math.Sin(60*math.Exp(-turn*turn)*rad)
	return math.Sqrt(dl*dl + dc*dc + dH*dH + r*dc*dH)
}

// These turn linear red, green and blue into X, Y and Z over those of the
// white that equal red, green and blue give: the matrix of IEC 61966-2-1, each
// row divided by its sum. Its white is D65.
const (
	xr, xg, xb = 0.4124 / 0.9505, 0.3576 / 0.9505, 0.1805 / 0.9505
	yr, yg, yb = 0.2126, 0.7152, 0.0722
	zr, zg, zb = 0.0193 / 1.089, 0.1192 / 1.089, 0.9505 / 1.089
)

// FromLinear returns the colour of linear red, green and blue, 1 being white.
func FromLinear(r, g, b float64) Lab {
	fx, fy, fz := labF(xr*r+xg*g+xb*b), labF(yr*r+yg*g+yb*b), labF(zr*r+zg*g+zb*b)
	return Lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// labF is the CIELAB function of a stimulus over that of white.
func labF(t float64) float64 {
	const d = 6.0 / 29
	if t > d*d*d {
		return math.Cbrt(t)
	}
	return t/(3*d*d) + 4.0/29
}

// A Decoder turns 8-bit samples into linear values, times a gain for each
// channel.
type Decoder struct{ b, g, r [256]float32 }

// NewDecoder returns the decoder with the given gains for blue, green and
// red; all 1 leaves colours as the picture has them.
func NewDecoder(gain [3]float64) *Decoder {
	d := new(Decoder)
	for v := range 256 {
		x := pixel.Linear(float64(v) / 255)
		d.b[v], d.g[v], d.r[v] = float32(gain[0]*x), float32(gain[1]*x), float32(gain[2]*x)
	}
	return d
}

// FromBGR returns the colour of one pixel.
func (d *Decoder) FromBGR(b, g, r byte) Lab {
	return FromLinear(float64(d.r[r]), float64(d.g[g]), float64(d.b[b]))
}

// cubeSteps is the fineness of the cube-root table: linear interpolation
// between 1/1024 steps is off by less than 2e-5 above t = 0.02, which is
// 0.01 of a*; below that the exact function is taken.
const cubeSteps = 1024

// cubeTable holds labF at each step and its climb to the next one.
var cubeTable = func() (t [2*cubeSteps + 1][2]float32) {
	for i := range t {
		f := labF(float64(i) / cubeSteps)
		t[i] = [2]float32{float32(f), float32(labF(float64(i+1)/cubeSteps) - f)}
	}
	return t
}()

// fastLab is FromLinear by table.
func fastLab(r, g, b float32) (l, a, bb float32) {
	x, y, z := xr*r+xg*g+xb*b, yr*r+yg*g+yb*b, zr*r+zg*g+zb*b
	var fx, fy, fz float32
	if x >= 0.02 && x < 2 && y >= 0.02 && y < 2 && z >= 0.02 && z < 2 {
		u, v, w := x*cubeSteps, y*cubeSteps, z*cubeSteps
		i, j, k := int(u), int(v), int(w)
		p, q, s := &cubeTable[i], &cubeTable[j], &cubeTable[k]
		fx, fy, fz = p[0]+(u-float32(i))*p[1], q[0]+(v-float32(j))*q[1], s[0]+(w-float32(k))*s[1]
	} else {
		fx, fy, fz = float32(labF(float64(x))), float32(labF(float64(y))), float32(labF(float64(z)))
	}
	return 116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)
}
