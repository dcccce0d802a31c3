package phantom

import (
	"context"
	"image"
	"math"
	"math/rand/v2"
	"sync"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/pixel"
)

// A canvas is a part of a picture in linear light, with a rim for the blur.
type canvas struct {
	rect   image.Rectangle // of the picture, without rim
	outer  image.Rectangle // with rim
	pix    []colour        // outer
	row    []colour
	kernel []float32 // of the blur
}

// render draws a picture in parts, on all processors. Each is its own from
// the light, which paint fills in, to the noise, the random streams of which
// count from noise, so that their order does not matter. The light is
// recorded through cast.
func render(size, part image.Point, p *Params, cast [3]float32, noise int, paint func(c *canvas, i int)) *image.RGBA {
	img := image.NewRGBA(image.Rectangle{Max: size})
	kernel := gaussian(p.BlurPx)
	halo := len(kernel) / 2
	room := (part.X + 2*halo) * (part.Y + 2*halo)
	cols, rows := (size.X-1)/part.X+1, (size.Y-1)/part.Y+1
	canvases := make([]*canvas, parallel.Workers())
	each(cols*rows, func(worker, i int) {
		if canvases[worker] == nil {
			canvases[worker] = &canvas{pix: make([]colour, room), row: make([]colour, room), kernel: kernel}
		}
		c := canvases[worker]
		corner := image.Pt(i%cols*part.X, i/cols*part.Y)
		c.rect = image.Rectangle{Min: corner, Max: corner.Add(part)}.Intersect(img.Rect)
		c.outer = c.rect.Inset(-halo)
		c.pix = c.pix[:c.outer.Dx()*c.outer.Dy()]
		paint(c, i)
		c.develop(img, p, cast, stream(p.Seed, streamNoise, noise+i))
	})
	sharpen(img, p.Sharpen)
	return img
}

// each shares out a picture's parts over the cores.
func each(n int, do func(worker, i int)) {
	_ = parallel.Each(context.Background(), n, do) // fails by its context only
}

// pixels calls do for those pixels of r that the canvas holds, with their
// number in pix and their place in the picture.
func (c *canvas) pixels(r image.Rectangle, do func(i, x, y int)) {
	r = r.Intersect(c.outer)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			do((y-c.outer.Min.Y)*c.outer.Dx()+x-c.outer.Min.X, x, y)
		}
	}
}

// develop blurs the light, turns it into encoded values, the other way round
// where they are to be blurred, and writes them into the picture with noise.
// The light is recorded through cast; r is drawn from for the noise.
func (c *canvas) develop(img *image.RGBA, p *Params, cast [3]float32, r *rand.Rand) {
	if p.BlurEncoded {
		c.gamma(cast)
		c.blur()
	} else {
		c.blur()
		c.gamma(cast)
	}
	w := c.rect.Dx()
	amount, normal := float32(p.Noise), normals()
	src := rand.NewPCG(r.Uint64(), r.Uint64())
	for y := range c.rect.Dy() {
		in := c.pix[y*w : (y+1)*w]
		out := img.Pix[img.PixOffset(c.rect.Min.X, c.rect.Min.Y+y):]
		for x := range w {
			bits := src.Uint64()
			for k := range 3 {
				v := in[x][k] + amount*normal[bits>>(16*k)&0xffff]
				out[4*x+k] = uint8(min(255, max(0, v)) + 0.5)
			}
			out[4*x+3] = 255
		}
	}
}

// gamma turns light into encoded values, 0..255.
func (c *canvas) gamma(cast [3]float32) {
	encoded := srgb()
	for i := range c.pix {
		for k, f := range cast {
			c.pix[i][k] = encoded[int(min(1, max(0, c.pix[i][k]*f))*encodeSteps+0.5)]
		}
	}
}

// blur is a Gaussian along the rows and then the columns. What it leaves in
// pix has no rim.
func (c *canvas) blur() {
	w, h := c.rect.Dx(), c.rect.Dy()
	for y := range c.outer.Dy() {
		out := c.row[y*w : (y+1)*w]
		clear(out)
		for k, f := range c.kernel {
			accumulate(out, c.pix[y*c.outer.Dx()+k:], f)
		}
	}
	for y := range h {
		out := c.pix[y*w : (y+1)*w]
		clear(out)
		for k, f := range c.kernel {
			accumulate(out, c.row[(y+k)*w:], f)
		}
	}
	c.pix = c.pix[:w*h]
}

func accumulate(out, in []colour, f float32) {
	for i, v := range in[:len(out)] {
		o := &out[i]
		o[0], o[1], o[2] = o[0]+f*v[0], o[1]+f*v[1], o[2]+f*v[2]
	}
}

// gaussian returns the weights of a blur out to three SD, sum 1.
func gaussian(sigma float64) []float32 {
	halo := int(math.Ceil(3 * sigma))
	g := make([]float32, 2*halo+1)
	sum := 0.0
	for i := range g {
		w := math.Exp(-sq(float64(i-halo)/max(sigma, 1e-9)) / 2)
		g[i] = float32(w)
		sum += w
	}
	for i := range g {
		g[i] /= float32(sum)
	}
	return g
}

// encodeSteps is the number of steps of the table from linear light to sRGB;
// near black, where the curve is steepest, one step is 0.2 of an 8-bit level.
const encodeSteps = 1 << 14

// srgb holds the encoded value, 0..255, of each step of linear light (IEC
// 61966-2-1).
var srgb = sync.OnceValue(func() *[encodeSteps + 1]float32 {
	t := new([encodeSteps + 1]float32)
	for i := range t {
		t[i] = float32(pixel.Encode(float64(i) / encodeSteps))
	}
	return t
})

// normals holds draws from the standard normal distribution by equal shares:
// entry i is its quantile at (i+½)/65536.
var normals = sync.OnceValue(func() *[1 << 16]float32 {
	t := new([1 << 16]float32)
	for i := range t {
		t[i] = float32(math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(len(t))-1))
	}
	return t
})

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

// soften is two running means each way, which are close to a Gaussian.
func soften(v, other []float32, w, h, radius int) {
	for range 2 {
		runningMean(other, v, w, h, radius)
		runningMean(v, other, h, w, radius)
	}
}

// sharpen adds to each pixel the share by of what its brightness differs from
// the mean about it, two running means of 3 pixels each way, as phones do to
// a finished picture. Where by is 0 it does nothing.
func sharpen(img *image.RGBA, by float64) {
	if by == 0 {
		return
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	bright, mean, other := make([]float32, w*h), make([]float32, w*h), make([]float32, w*h)
	for i := range bright { // Y' of ITU-R BT.601, as JPEG has it
		p := img.Pix[4*i:]
		bright[i] = 0.299*float32(p[0]) + 0.587*float32(p[1]) + 0.114*float32(p[2])
	}
	copy(mean, bright)
	soften(mean, other, w, h, 1)
	for i := range bright {
		d := float32(by) * (bright[i] - mean[i])
		for c, v := range img.Pix[4*i : 4*i+3] {
			img.Pix[4*i+c] = uint8(min(255, max(0, float32(v)+d)) + 0.5)
		}
	}
}
