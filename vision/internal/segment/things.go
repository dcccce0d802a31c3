package segment

import (
	"math"

	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
)

// leastThing is the area of a thing that is told, in kernels as wide as the
// network sees them and two and a half times as long.
const leastThing = 2 * kernelWidth * kernelWidth

// things are the connected parts of what the network calls an object.
func (m *maps) things() []kernel.Cluster {
	in := make([]uint8, len(m.object))
	for i, v := range m.object {
		in[i] = v >> 7 // 128 and more
	}
	return m.parts(leastThing, in)
}

// heapKernels is the area, in whole kernels, from which on a place that looks
// like rice and in which no piece was found is told as not taken apart: glints
// are smaller.
const heapKernels = 6

// heaps are the places that have the colour of rice and in which the network
// finds neither pieces nor things: rice in several layers.
func (m *maps) heaps(b *blobs, rice, ground [3]float64, least float64) []kernel.Cluster {
	span := dist3(rice, ground)
	if span < 1 {
		return nil
	}
	in := make([]uint8, len(b.label))
	near := 0.35 * span // nearer to rice than half-way
	for i, l := range b.label {
		if l != 0 || m.object[i] >= 128 {
			continue
		}
		q := m.pix[3*i : 3*i+3]
		blue, green, red := float64(q[0])-rice[0], float64(q[1])-rice[1], float64(q[2])-rice[2]
		in[i] = pixel.Bit(blue*blue+green*green+red*red < near*near)
	}
	return m.parts(least, in)
}

// parts returns the 4-connected parts of the pixels that are 1, from least
// working px on.
func (m *maps) parts(least float64, in []uint8) []kernel.Cluster {
	var out []kernel.Cluster
	var parts pixel.Parts
	parts.Each(in, m.w, false, func(part []int32) {
		n := float64(len(part))
		if n < least {
			return
		}
		t := kernel.Cluster{MinX: math.MaxInt, MinY: math.MaxInt}
		for _, i := range part {
			x, y := int(i)%m.w, int(i)/m.w
			t.X += float64(x)
			t.Y += float64(y)
			t.MinX, t.MinY, t.MaxX, t.MaxY = min(t.MinX, x), min(t.MinY, y), max(t.MaxX, x+1), max(t.MaxY, y+1)
		}
		c := m.at(t.X/n, t.Y/n)
		t.X, t.Y, t.AreaPx2 = c.X, c.Y, n*m.sx*m.sy
		t.MinX, t.MinY = int(float64(t.MinX)*m.sx), int(float64(t.MinY)*m.sy)
		t.MaxX, t.MaxY = int(math.Ceil(float64(t.MaxX)*m.sx)), int(math.Ceil(float64(t.MaxY)*m.sy))
		out = append(out, t)
	})
	return out
}
