package network

// #include <stdlib.h>
// #include "conv.h"
import "C"

import (
	"slices"
	"unsafe"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/raster"
)

// packed are a layer's weights as conv.h has them.
type packed struct{ weights, bias, head, headBias []float32 }

const block = C.CONV_BLOCK

func blocks(n int) int { return (n + block - 1) / block * block }

// blocked lays weights [result][k] out in blocks of results.
func blocked(results, count int, at func(result, k int) float32) []float32 {
	out := make([]float32, blocks(results)*count)
	for r := range results {
		for k := range count {
			out[r/block*block*count+k*block+r%block] = at(r, k)
		}
	}
	return out
}

// filter brings the 3 × 3 weights of a convolution to the 16 factors of
// Winograd's F(2×2, 3×3): G·g·Gᵀ (Lavin and Gray 2016, equations 6 to 8).
func filter(g []float32) (u [16]float32) {
	along := func(a, b, c float32) [4]float32 {
		return [4]float32{a, float32((float64(a) + float64(b) + float64(c)) / 2), float32((float64(a) - float64(b) + float64(c)) / 2), c}
	}
	var rows [3][4]float32
	for y := range rows {
		rows[y] = along(g[3*y], g[3*y+1], g[3*y+2])
	}
	for j := range 4 {
		for i, v := range along(rows[0][j], rows[1][j], rows[2][j]) {
			u[4*i+j] = v
		}
	}
	return u
}

// pack brings the weights of all layers to the form they are used in, outside
// Go's heap.
func (n *Net) pack() {
	for i := range n.layers {
		l := &n.layers[i]
		p := &l.packed
		p.bias = outside(slices.Concat(l.bias.values, make([]float32, blocks(l.channels)-l.channels)))
		if i == 0 {
			p.weights = outside(blocked(l.channels, 48, func(r, k int) float32 { return l.kernel.values[48*r+k] }))
		} else {
			p.weights = outside(n.winograd(l))
		}
		if l.maps > 0 {
			p.head = outside(blocked(l.maps, l.channels, func(r, k int) float32 { return l.headKernel.values[l.channels*r+k] }))
			p.headBias = outside(l.headBias.values)
		}
		l.kernel.values, l.headKernel.values = nil, nil
	}
}

// outside copies floats to where C may hold on to them.
func outside(f []float32) []float32 {
	to := unsafe.Slice((*float32)(C.malloc(C.size_t(4*len(f)))), len(f))
	copy(to, f)
	return to
}

// floats are the floats in a block.
func floats(b []byte) []float32 {
	return unsafe.Slice((*float32)(unsafe.Pointer(unsafe.SliceData(b))), len(b)/4)
}

// winograd are the weights of a layer for the 16 products. Of a coarse value
// those with a factor 2 in either direction are 0 by themselves.
func (n *Net) winograd(l *layer) []float32 {
	count := l.kernel.dims[1]
	few := 0 // channels of the plain value, which come first
	for _, v := range l.from {
		if v.form != coarse {
			few += n.layers[v.layer].channels
		}
	}
	var begin, counts [16]int
	size := 0
	for j := range 16 {
		begin[j], counts[j] = size, count
		if j/4 == 2 || j%4 == 2 {
			counts[j] = few
		}
		size += blocks(l.channels) * counts[j]
	}
	out := make([]float32, size)
	first, next := 0, [2]int{0, few} // the channel in the file, and where plain and coarse ones go
	for _, v := range l.from {
		to := &next[0]
		if v.form == coarse {
			to = &next[1]
		}
		for range n.layers[v.layer].channels {
			for r := range l.channels {
				for j, u := range filter(l.kernel.values[9*(r*count+first):]) {
					if *to < counts[j] {
						out[begin[j]+(r/block*counts[j]+*to)*block+r%block] = u
					}
				}
			}
			first++
			*to++
		}
	}
	return out
}

const margin, widest = C.CONV_MARGIN, 16

func whole(n, of int) int { return (n + of - 1) / of * of }

// shape are the planes of a form of a layer's result, of which so many rows are
// kept, without their place.
func (n *Net) shape(layer int, f form, width, height, kept int) C.conv_planes {
	l := &n.layers[layer]
	cols, rows := width>>l.halved, height>>l.halved
	if f == pooled {
		cols, rows = cols/2, rows/2
	}
	p := C.conv_planes{channels: C.int32_t(l.channels), rows: C.int32_t(rows), cols: C.int32_t(cols), kept: C.int32_t(kept)}
	line := whole(cols, 2*widest) + margin
	if f != coarse {
		half := whole((cols+1)/2, widest) + margin
		p.odd, line = C.ptrdiff_t(half), 2*half
	}
	p.channel, p.row = C.ptrdiff_t(line), C.ptrdiff_t(line*l.channels)
	return p
}

// kept is how many rows of each form of each layer's result are held at a time.
func (n *Net) kept(height int) [][coarse + 1]int {
	kept := make([][coarse + 1]int, len(n.layers))
	done := make([]int, len(n.layers))
	n.advance(height, func(layer, _, to int) error {
		done[layer] = to
		for i, l := range n.layers {
			for _, v := range l.from {
				if v.layer == layer {
					have, oldest := to, done[i]
					switch v.form {
					case pooled:
						have /= 2
					case coarse:
						oldest /= 2
					}
					k := &kept[layer][v.form]
					*k = max(*k, have-max(0, oldest-1))
				}
			}
		}
		return nil
	})
	return kept
}

// A laid network has the memory that one picture takes.
type laid struct {
	arena   []byte // planes
	stem    C.conv_stem
	steps   []C.conv_step // by layer; that of the first is empty
	workers []worker
}

// A worker is memory of its own for one goroutine.
type worker struct{ scratch, maps []float32 }

// lay readies the network for a picture, whose pixels stay where they are.
func (n *Net) lay(p Picture) (*laid, error) {
	width, height := n.Width(p.W), whole(p.H, 1<<n.deepest())
	planes := make([][coarse + 1]C.conv_planes, len(n.layers)) // by the form of the result
	size := 0
	for i, kept := range n.kept(p.H) {
		for f, rows := range kept {
			planes[i][f] = n.shape(i, form(f), width, height, rows)
			size += margin + rows*int(planes[i][f].row)
		}
	}
	zeros := 2*margin + int(planes[0][plain].channel) // no line is longer than the first layer's
	arena, err := raster.Alloc(4 * (size + zeros))
	if err != nil {
		return nil, err
	}
	free := floats(arena)
	take := func(n int) *C.float {
		at := floatsOf(free[margin:])
		free = free[n:]
		return at
	}
	s := &laid{arena: arena, steps: make([]C.conv_step, len(n.layers)), workers: make([]worker, parallel.Workers())}
	nothing := take(zeros)
	for i := range planes {
		for f := range planes[i] {
			if q := &planes[i][f]; q.kept > 0 {
				q.at = take(margin + int(q.kept)*int(q.row))
			}
		}
	}
	first := &n.layers[0].packed
	s.stem = C.conv_stem{stride: C.ptrdiff_t(p.Stride), cols: C.int32_t(p.W), rows: C.int32_t(p.H), width: C.int32_t(width), height: C.int32_t(height),
		pixels: (*C.uint8_t)(unsafe.SliceData(p.Pix)), weights: floatsOf(first.weights), bias: floatsOf(first.bias), out: planes[0][plain]}
	scratch := int(C.conv_stem_scratch(&s.stem))
	for i := 1; i < len(n.layers); i++ {
		l := &n.layers[i]
		q := C.conv_step{channels: C.int32_t(l.channels), rows: C.int32_t(height >> l.halved), cols: C.int32_t(width >> l.halved),
			weights: floatsOf(l.packed.weights), bias: floatsOf(l.packed.bias), zeros: nothing,
			out: planes[i][plain], pooled: planes[i][pooled], ordered: planes[i][coarse]}
		for _, v := range l.from {
			if v.form == coarse {
				q.coarse = planes[v.layer][coarse]
			} else {
				q.plain = planes[v.layer][v.form]
			}
		}
		if l.maps > 0 {
			q.head, q.head_bias, q.maps = floatsOf(l.packed.head), floatsOf(l.packed.headBias), C.int32_t(l.maps)
		}
		s.steps[i] = q
		scratch = max(scratch, int(C.conv_scratch(&s.steps[i])))
	}
	for i := range s.workers {
		s.workers[i] = worker{make([]float32, scratch), make([]float32, 4*n.Maps()*width)}
	}
	return s, nil
}
