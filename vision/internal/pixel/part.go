package pixel

import (
	"bytes"
	"slices"
)

// Median returns the middle one of values, the upper one of two; 0 of none.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

// Otsu parts a histogram in two where the means of the classes lie farthest
// apart for their sizes (N. Otsu, IEEE Trans. SMC 9, 1979), neither class being
// less than the share least of all. last is the last step of the lower class, low
// and high are the means, step i standing for i + mid. Of one step alone, or
// none, all are 0.
func Otsu[N int | float64](h []N, mid, least float64) (last int, low, high float64) {
	var n, sum float64
	for i, c := range h {
		n += float64(c)
		sum += float64(c) * (float64(i) + mid)
	}
	best, w, s := -1.0, 0.0, 0.0
	for i, c := range h {
		w += float64(c)
		s += float64(c) * (float64(i) + mid)
		if w == 0 || w == n || w < least*n || w > (1-least)*n {
			continue
		}
		a, b := s/w, (sum-s)/(n-w)
		if q := w * (n - w) * (b - a) * (b - a); q > best {
			best, last, low, high = q, i, a, b
		}
	}
	return last, low, high
}

// Bit returns 1 where b holds, else 0: a place of a mask.
func Bit(b bool) uint8 {
	if b {
		return 1
	}
	return 0
}

// Parts finds connected parts. The zero value is ready; it keeps scratch
// memory, for one goroutine.
type Parts struct{ stack, part []int32 }

// Each calls f with each connected part, over corners too where corners is set,
// of the places of a grid of the given width that are 1 in in, in the order of
// their first places, row by row. It leaves in all 0. The part is f's until it
// returns.
func (p *Parts) Each(in []uint8, width int, corners bool, f func(part []int32)) {
	w := uint32(width)
	h := uint32(len(in)) / max(1, w)
	for from := 0; ; {
		next := bytes.IndexByte(in[from:], 1)
		if next < 0 {
			return
		}
		from += next
		in[from] = 0
		p.stack, p.part = append(p.stack[:0], int32(from)), append(p.part[:0], int32(from))
		for len(p.stack) > 0 {
			at := uint32(p.stack[len(p.stack)-1]) // division takes half as long in 32 bits
			p.stack = p.stack[:len(p.stack)-1]
			x, y := at%w, at/w
			left, right := max(x, 1)-1, min(x+1, w-1)
			for v := max(y, 1) - 1; v <= min(y+1, h-1); v++ {
				for u := left; u <= right; u++ {
					if k := v*w + u; in[k] != 0 && (corners || u == x || v == y) {
						in[k] = 0
						p.stack, p.part = append(p.stack, int32(k)), append(p.part, int32(k))
					}
				}
			}
		}
		f(p.part)
	}
}

// A Forest holds disjoint sets of the numbers 0 … n-1, each named by its least.
type Forest []int32

// NewForest returns n sets of one number.
func NewForest(n int) Forest {
	f := make(Forest, n)
	for i := range f {
		f[i] = int32(i)
	}
	return f
}

// Find returns the name of the set that holds i.
func (f Forest) Find(i int32) int32 {
	for f[i] != i {
		f[i] = f[f[i]]
		i = f[i]
	}
	return i
}

// Join makes one of the sets that hold a and b.
func (f Forest) Join(a, b int32) {
	i, j := f.Find(a), f.Find(b)
	f[max(i, j)] = min(i, j)
}

// Numbers counts the sets, that of 0 as 0, in the order of their names.
func (f Forest) Numbers() []int32 {
	next := make([]int32, len(f))
	k := int32(0)
	for i := range f {
		if r := f.Find(int32(i)); r == int32(i) {
			next[i] = k
			k++
		} else {
			next[i] = next[r]
		}
	}
	return next
}
