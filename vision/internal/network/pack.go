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

// A room is a part of the arena that holds the planes of one form of a layer's
// result from step born to step last.
type room struct {
	layer, born, last int
	form              form
	at, size          int // floats
}

const margin, widest = C.CONV_MARGIN, 16

func whole(n, of int) int { return (n + of - 1) / of * of }

// shape are the planes of a form of a layer's result, without their place, and
// how many floats they take.
func (n *Net) shape(layer int, f form, width, height int) (C.conv_planes, int) {
	l := &n.layers[layer]
	cols, rows := width>>l.halved, height>>l.halved
	if f == pooled {
		cols, rows = cols/2, rows/2
	}
	p := C.conv_planes{channels: C.int32_t(l.channels), rows: C.int32_t(rows), cols: C.int32_t(cols)}
	line := whole(cols, 2*widest) + margin
	if f != coarse {
		half := whole((cols+1)/2, widest) + margin
		p.odd, line = C.ptrdiff_t(half), 2*half
	}
	p.channel, p.row = C.ptrdiff_t(line), C.ptrdiff_t(line*l.channels)
	return p, margin + line*l.channels*rows
}

// rooms lays the planes of all layers but the first, which are with the workers,
// into one arena: two that are never used at a time may lie in one place. It
// returns how many floats they take.
func (n *Net) rooms(width, height int) ([]room, int) {
	var all []room
	for i := 1; i < len(n.layers); i++ {
		for f, wanted := range n.layers[i].wanted {
			if !wanted {
				continue
			}
			r := room{layer: i, form: form(f), born: i, last: i}
			for k := i + 1; k < len(n.layers); k++ {
				if slices.Contains(n.layers[k].from, value{i, r.form}) {
					r.last = k
				}
			}
			_, r.size = n.shape(i, r.form, width, height)
			all = append(all, r)
		}
	}
	// The largest first, each as far down as it can.
	slices.SortStableFunc(all, func(a, b room) int { return b.size - a.size })
	size := 0
	for i := range all {
		r := &all[i]
		for k := 0; k < i; k++ {
			if o := all[k]; o.last >= r.born && r.last >= o.born && o.at < r.at+r.size && r.at < o.at+o.size {
				r.at, k = o.at+o.size, -1
			}
		}
		size = max(size, r.at+r.size)
	}
	return all, size
}

// lay fills the arena for pictures of a size.
func (n *Sized) lay(width, height int) error {
	rooms, size := n.rooms(width, height)
	first := &n.layers[0]
	n.stem = C.conv_stem{width: C.int32_t(width), height: C.int32_t(height),
		weights: floatsOf(first.packed.weights), bias: floatsOf(first.packed.bias)}
	n.stem.out, _ = n.shape(0, plain, width, height)
	n.steps = make([]C.conv_step, len(n.layers))
	scratch := int(C.conv_stem_scratch(&n.stem))
	for i := 1; i < len(n.layers); i++ {
		l, s := &n.layers[i], &n.steps[i]
		s.channels, s.rows, s.cols = C.int32_t(l.channels), C.int32_t(height>>l.halved), C.int32_t(width>>l.halved)
		s.weights, s.bias = floatsOf(l.packed.weights), floatsOf(l.packed.bias)
		if l.maps > 0 {
			s.head, s.head_bias, s.maps = floatsOf(l.packed.head), floatsOf(l.packed.headBias), C.int32_t(l.maps)
		}
		for _, v := range l.from {
			p, _ := n.shape(v.layer, v.form, width, height)
			if v.form == coarse {
				s.coarse = p
			} else {
				s.plain = p
			}
		}
		scratch = max(scratch, int(C.conv_scratch(s)))
	}
	scratch = whole(scratch, widest)
	zeros := 2*margin + int(n.stem.out.channel) // no line is longer than the first layer's
	maps := 4 * n.Maps() * width
	band := margin + (bandRows+2)*int(n.stem.out.row)
	n.workers = make([]worker, parallel.Workers())
	total := size + zeros + len(n.workers)*(scratch+maps+band)
	arena, err := raster.Alloc(4*total + 3*width*height)
	if err != nil {
		return err
	}
	n.arena, n.pixels = arena, arena[4*total:]
	all := floats(arena[:4*total])
	n.stem.pixels = (*C.uint8_t)(unsafe.SliceData(n.pixels))
	for i := range n.steps {
		n.steps[i].zeros = floatsOf(all[size+margin:])
	}
	for _, r := range rooms {
		p, _ := n.shape(r.layer, r.form, width, height)
		p.at = floatsOf(all[r.at+margin:])
		made := &n.steps[r.layer]
		switch r.form {
		case plain:
			made.out = p
		case pooled:
			made.pooled = p
		default:
			made.ordered = p
		}
		for k := r.born + 1; k <= r.last; k++ {
			for _, v := range n.layers[k].from {
				switch {
				case v != (value{r.layer, r.form}):
				case r.form == coarse:
					n.steps[k].coarse = p
				default:
					n.steps[k].plain = p
				}
			}
		}
	}
	own := all[size+zeros:]
	for i := range n.workers {
		w := &n.workers[i]
		w.scratch, own = own[:scratch], own[scratch:]
		w.maps, own = own[:maps], own[maps:]
		w.band, own = own[:band], own[band:]
	}
	return nil
}
