// Package network runs the trained network on the processor: convolutions of
// 3 × 3 with ReLU, halving, doubling and joining, as vision/train exports them.
// It reads the network's ONNX file itself, and computes with the widest vectors
// that the processor has.
//
// The same picture gives the same maps on any number of cores. Processors with
// other vectors round otherwise, in the last digits.
package network

// #cgo CFLAGS: -O3
// #include <stdlib.h>
// #include "conv.h"
import "C"

import (
	"context"
	"fmt"
	"unsafe"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/raster"
)

// A Net is a trained network. It is not changed once made: goroutines may share it.
type Net struct {
	layers []layer
	way    C.int
}

// New reads a network in the ONNX format. Its weights lie outside Go's heap until
// Close.
func New(onnx []byte) (*Net, error) {
	g, err := readONNX(onnx)
	if err != nil {
		return nil, err
	}
	layers, err := layersOf(g)
	if err != nil {
		return nil, err
	}
	n := &Net{layers: layers}
	n.pack()
	for way := C.int(0); way < C.CONV_WAYS; way++ {
		if C.conv_has(way) != 0 {
			n.way = way
		}
	}
	return n, nil
}

// Close frees the network, which is then no longer used.
func (n *Net) Close() {
	for i := range n.layers {
		p := &n.layers[i].packed
		for _, f := range []*[]float32{&p.weights, &p.bias, &p.head, &p.headBias} {
			C.free(unsafe.Pointer(unsafe.SliceData(*f)))
			*f = nil
		}
	}
}

// Maps is how many maps the network has.
func (n *Net) Maps() int { return n.layers[len(n.layers)-1].maps / 4 }

// MaxSide is the greatest side of a picture, px. The network takes about 70 bytes
// for each pixel.
const MaxSide = 4096

// A Sized network is one with the memory that pictures of one size take. One
// goroutine at a time may use it; Close frees it.
type Sized struct {
	*Net
	arena   []byte // pixels, planes and the workers' own memory
	pixels  []byte
	stem    C.conv_stem
	steps   []C.conv_step // by layer; that of the first is empty
	workers []worker
}

// A worker is memory of its own for one goroutine.
type worker struct{ scratch, maps, band []float32 }

// For readies the network for pictures of this size, both sides of which are
// multiples of 32.
func (n *Net) For(width, height int) (*Sized, error) {
	step := 1 << n.deepest()
	if width < step || height < step || width > MaxSide || height > MaxSide || width%step != 0 || height%step != 0 {
		return nil, fmt.Errorf("%d × %d pixels cannot be shown to the network: its sides are multiples of %d", width, height, step)
	}
	s := &Sized{Net: n}
	return s, s.lay(width, height)
}

// Pixels is where the BGR pixels of a picture are put.
func (n *Sized) Pixels() []byte { return n.pixels }

// Close frees what For took; a second call does nothing.
func (n *Sized) Close() error {
	if n.arena == nil {
		return nil
	}
	arena := n.arena
	n.arena, n.pixels = nil, nil
	return raster.Free(arena)
}

// Run shows the network the pixels and calls take, from several goroutines, for
// each four rows of the picture from row y on: map k of row y+r begins at
// (4*k+r)*width. worker is that of parallel.Each.
func (n *Sized) Run(ctx context.Context, take func(worker, y int, maps []float32)) error {
	rows := int(n.steps[1].rows)
	if err := parallel.Each(ctx, (rows+bandRows-1)/bandRows, func(w, band int) {
		n.band(&n.workers[w], band*bandRows, min(rows, (band+1)*bandRows))
	}); err != nil {
		return err
	}
	for i := 2; i < len(n.steps); i++ {
		s := &n.steps[i]
		if err := parallel.Each(ctx, (int(s.rows)+1)/2, func(w, pair int) {
			own := &n.workers[w]
			C.conv_rows(n.way, s, C.int(pair), floatsOf(own.scratch), floatsOf(own.maps))
			if s.head != nil {
				take(w, 4*pair, own.maps)
			}
		}); err != nil {
			return err
		}
	}
	return nil
}

// bandRows is how many rows of the second layer are computed at a time, together
// with those of the first that they take. Of the first, which would be a third of
// the memory, no more is held then, and what is held stays in the cache; two in
// so many of its rows are computed twice.
const bandRows = 16

// band computes rows from to to-1 of the second layer.
func (n *Sized) band(own *worker, from, to int) {
	stem, step := n.stem, n.steps[1]
	first, last := max(0, from-1), min(int(step.rows), to+1)
	// Both count rows from the top of the picture.
	stem.out.at = (*C.float)(unsafe.Add(unsafe.Pointer(&own.band[margin]), -4*first*int(stem.out.row)))
	step.plain.at = stem.out.at
	for y := first; y < last; y++ {
		C.conv_stem_row(n.way, &stem, C.int(y), floatsOf(own.scratch))
	}
	for pair := from / 2; pair < (to+1)/2; pair++ {
		C.conv_rows(n.way, &step, C.int(pair), floatsOf(own.scratch), nil)
	}
}

func floatsOf(f []float32) *C.float { return (*C.float)(unsafe.SliceData(f)) }

// ways calls yield with the name of each way of computing that the processor has,
// while it is the network's.
func (n *Net) ways(yield func(name string) bool) {
	best := n.way
	defer func() { n.way = best }()
	for way, name := range [...]string{C.CONV_PLAIN: "plain", C.CONV_AVX2: "AVX2", C.CONV_AVX512: "AVX-512"} {
		if n.way = C.int(way); C.conv_has(n.way) != 0 && !yield(name) {
			return
		}
	}
}
