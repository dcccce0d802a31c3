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
	"runtime"
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

// MaxWidth is the greatest width of a picture, px: 1.4 m of kernels as wide as the
// network sees them best. It takes about 17,000 bytes for each column, and nothing
// for rows.
const MaxWidth = 8192

// A Picture is what the network is shown: blue, green and red, rows Stride bytes
// apart.
type Picture struct {
	Pix          []byte
	W, H, Stride int
}

// Width is the width of the maps of a picture w pixels wide: the next multiple of
// what the network halves down to one pixel. Its last columns, like rows below the
// last, are what the network makes of a picture that goes on as it ends.
func (n *Net) Width(w int) int { return whole(w, 1<<n.deepest()) }

// Run shows the network a picture and calls take, from several goroutines, for each
// four rows of the maps from row y on: map k of row y+r begins at (4*k+r)*Width.
// worker is that of parallel.Each.
//
// The layers advance together down the picture, each as far as those go that it
// takes, so that of none more rows are held than the next still need.
func (n *Net) Run(ctx context.Context, p Picture, take func(worker, y int, maps []float32)) error {
	if p.W < 1 || p.W > MaxWidth || p.H < 1 || p.Stride < 3*p.W || len(p.Pix) < (p.H-1)*p.Stride+3*p.W {
		return fmt.Errorf("%d × %d pixels in %d bytes cannot be shown to the network", p.W, p.H, len(p.Pix))
	}
	var pin runtime.Pinner // C is told where the pixels are
	defer pin.Unpin()
	pin.Pin(unsafe.SliceData(p.Pix))
	s, err := n.lay(p)
	if err != nil {
		return err
	}
	defer raster.Free(s.arena)
	return n.advance(p.H, func(layer, from, to int) error {
		if layer == 0 {
			return parallel.Each(ctx, to-from, func(w, i int) {
				C.conv_stem_row(n.way, &s.stem, C.int(from+i), floatsOf(s.workers[w].scratch))
			})
		}
		step := &s.steps[layer]
		return parallel.Each(ctx, (to-from+1)/2, func(w, i int) {
			own, pair := &s.workers[w], from/2+i
			C.conv_rows(n.way, step, C.int(pair), floatsOf(own.scratch), floatsOf(own.maps))
			if step.head != nil {
				take(w, 4*pair, own.maps)
			}
		})
	})
}

// strip is how many rows of the first layer are computed at a time. With fewer the
// cores meet more often, with more each layer holds more.
const strip = 32

// advance calls compute with the rows of a layer that come next, until all layers
// are done.
func (n *Net) advance(height int, compute func(layer, from, to int) error) error {
	height = whole(height, 1<<n.deepest())
	done := make([]int, len(n.layers))
	for first := strip; done[len(done)-1] < height/2; first += strip {
		for i := range n.layers {
			l := &n.layers[i]
			to := height >> l.halved
			if i == 0 {
				to = min(to, first)
			}
			for _, v := range l.from {
				if done[v.layer] < height>>n.layers[v.layer].halved { // one row more is taken than computed
					to = min(to, (v.form.rows(done[v.layer])-1)&^1)
				}
			}
			if to > done[i] {
				if err := compute(i, done[i], to); err != nil {
					return err
				}
				done[i] = to
			}
		}
	}
	return nil
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
