package segment

import "math"

// A Thing is a connected part of the picture that is no piece of rice.
type Thing struct {
	X, Y, Area             float64 // centroid and area, px
	MinX, MinY, MaxX, MaxY int     // bounding box in whole pixels, half-open
}

// leastThing is the area of a thing that is told, in kernels as wide as the
// network sees them and two and a half times as long.
const leastThing = 2 * kernelWidth * kernelWidth

// things are the connected parts of what the network calls an object.
func (m *maps) things() []Thing {
	return m.parts(leastThing, func(i int) bool { return m.object[i] >= 128 })
}

// heapKernels is the area, in whole kernels, from which on a place that looks
// like rice and in which no piece was found is told as not taken apart: glints
// are smaller.
const heapKernels = 6

// heaps are the places that have the colour of rice and in which the network
// finds neither pieces nor things: rice in several layers.
func (m *maps) heaps(b *blobs, rice, ground [3]float64, least float64) []Thing {
	span := dist3(rice, ground)
	if span < 1 {
		return nil
	}
	return m.parts(least, func(i int) bool {
		if b.label[i] != 0 || m.object[i] >= 128 {
			return false
		}
		q := [3]float64{float64(m.pix[3*i]), float64(m.pix[3*i+1]), float64(m.pix[3*i+2])}
		return dist3(q, rice) < 0.35*span // nearer to rice than half-way
	})
}

// parts returns the 4-connected parts of the pixels for which in holds, from
// least working px on.
func (m *maps) parts(least float64, in func(i int) bool) []Thing {
	seen := make([]bool, m.w*m.h)
	var out []Thing
	var stack []int32
	for i := range seen {
		if seen[i] || !in(i) {
			continue
		}
		t := Thing{MinX: math.MaxInt, MinY: math.MaxInt}
		n := 0.0
		seen[i] = true
		stack = append(stack[:0], int32(i))
		for len(stack) > 0 {
			j := int(stack[len(stack)-1])
			stack = stack[:len(stack)-1]
			x, y := j%m.w, j/m.w
			n++
			t.X += float64(x)
			t.Y += float64(y)
			t.MinX, t.MinY, t.MaxX, t.MaxY = min(t.MinX, x), min(t.MinY, y), max(t.MaxX, x+1), max(t.MaxY, y+1)
			for _, q := range [4][2]int{{x - 1, y}, {x + 1, y}, {x, y - 1}, {x, y + 1}} {
				if q[0] < 0 || q[1] < 0 || q[0] >= m.w || q[1] >= m.h {
					continue
				}
				if k := q[1]*m.w + q[0]; !seen[k] && in(k) {
					seen[k] = true
					stack = append(stack, int32(k))
				}
			}
		}
		if n < least {
			continue
		}
		c := m.at(t.X/n, t.Y/n)
		t.X, t.Y, t.Area = c.X, c.Y, n*m.sx*m.sy
		t.MinX, t.MinY = int(float64(t.MinX)*m.sx), int(float64(t.MinY)*m.sy)
		t.MaxX, t.MaxY = int(math.Ceil(float64(t.MaxX)*m.sx)), int(math.Ceil(float64(t.MaxY)*m.sy))
		out = append(out, t)
	}
	return out
}
