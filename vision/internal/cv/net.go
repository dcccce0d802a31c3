package cv

// #include "opencv.h"
import "C"

import (
	"errors"
	"fmt"
	"unsafe"
)

// A Net is a trained network that runs on the CPU. One goroutine at a time
// may use it.
type Net struct {
	net  *C.opencv_net
	blob []float32 // the picture as planes
}

// NewNet reads a network in the ONNX format.
func NewNet(onnx []byte) (*Net, error) {
	if len(onnx) == 0 {
		return nil, errors.New("no network")
	}
	n := &Net{}
	if err := failure(C.opencv_net_new(unsafe.Pointer(unsafe.SliceData(onnx)), C.size_t(len(onnx)), &n.net)); err != nil {
		return nil, err
	}
	return n, nil
}

// netStep is what a side of a network's input must be a multiple of: it halves
// its picture up to five times.
const netStep = 32

// Forward runs the network on BGR pixels, value/255 - 1/2, both sides of which
// are multiples of 32, and returns its maps, each of outWidth × outHeight, row
// by row. They are valid until the next call or Close.
func (n *Net) Forward(pix []byte, width, height int) (maps [][]float32, outWidth, outHeight int, err error) {
	const most = 4096
	if width < netStep || height < netStep || width > most || height > most || width%netStep != 0 || height%netStep != 0 || len(pix) != 3*width*height {
		return nil, 0, 0, fmt.Errorf("%d bytes are not %d × %d pixels for a network", len(pix), width, height)
	}
	if len(n.blob) != 3*width*height {
		n.blob = make([]float32, 3*width*height)
	}
	size := width * height
	b, g, r := n.blob[:size], n.blob[size:2*size], n.blob[2*size:]
	for i := range size {
		q := pix[3*i : 3*i+3 : 3*i+3]
		b[i], g[i], r[i] = float32(q[0])/255-0.5, float32(q[1])/255-0.5, float32(q[2])/255-0.5
	}
	var out *C.float
	var count C.int
	var sides [2]C.int
	if err := failure(C.opencv_net_forward(n.net, floatsOf(n.blob), C.int(width), C.int(height), &out, &count, &sides[0])); err != nil {
		return nil, 0, 0, err
	}
	outHeight, outWidth = int(sides[0]), int(sides[1])
	all := unsafe.Slice((*float32)(out), int(count)*outWidth*outHeight)
	for i := range int(count) {
		maps = append(maps, all[i*outWidth*outHeight:(i+1)*outWidth*outHeight])
	}
	return maps, outWidth, outHeight, nil
}

// Close frees the network.
func (n *Net) Close() error {
	C.opencv_net_free(n.net)
	n.net = nil
	return nil
}
