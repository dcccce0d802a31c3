package cv

import (
	"errors"
	"fmt"

	"gocv.io/x/gocv"
)

// A Net is a trained network that runs on the CPU. One goroutine at a time
// may use it.
type Net struct {
	net           gocv.Net
	in            gocv.Mat
	blob          []float32
	width, height int
}

// NewNet reads a network in the ONNX format. A damaged one ends the process:
// hand over only what is embedded in the program.
func NewNet(onnx []byte) (*Net, error) {
	if len(onnx) == 0 {
		return nil, errors.New("no network")
	}
	n, err := gocv.ReadNetFromONNXBytes(onnx)
	if err != nil {
		return nil, err
	}
	if n.Empty() {
		n.Close()
		return nil, errors.New("the network cannot be read")
	}
	return &Net{net: n}, nil
}

// netStep is what a side of a network's input must be a multiple of: it halves
// its picture up to five times.
const netStep = 32

// Forward runs the network on BGR pixels, value/255 - 1/2, both sides of which
// are multiples of 32, and returns its maps, each of outWidth × outHeight, row
// by row. They are valid until release is called, which must be.
func (n *Net) Forward(pix []byte, width, height int) (maps [][]float32, outWidth, outHeight int, release func(), err error) {
	const most = 4096
	if width < netStep || height < netStep || width > most || height > most || width%netStep != 0 || height%netStep != 0 || len(pix) != 3*width*height {
		return nil, 0, 0, nil, fmt.Errorf("%d bytes are not %d × %d pixels for a network", len(pix), width, height)
	}
	if n.width != width || n.height != height {
		n.Rest()
		n.in = gocv.NewMatWithSizes([]int{1, 3, height, width}, gocv.MatTypeCV32F)
		n.width, n.height = width, height
		if n.blob, err = n.in.DataPtrFloat32(); err != nil || len(n.blob) != 3*width*height {
			n.in.Close()
			n.width = 0
			return nil, 0, 0, nil, errors.New("no memory for a network's picture")
		}
	}
	size := width * height
	b, g, r := n.blob[:size], n.blob[size:2*size], n.blob[2*size:]
	for i := range size {
		q := pix[3*i : 3*i+3 : 3*i+3]
		b[i], g[i], r[i] = float32(q[0])/255-0.5, float32(q[1])/255-0.5, float32(q[2])/255-0.5
	}
	n.net.SetInput(n.in, "")
	out := n.net.Forward("")
	fail := func(what string) ([][]float32, int, int, func(), error) {
		out.Close()
		return nil, 0, 0, nil, errors.New(what)
	}
	dims := out.Size()
	if out.Empty() || len(dims) != 4 || dims[0] != 1 || out.Type() != gocv.MatTypeCV32F {
		return fail(fmt.Sprintf("the network gave %v values of type %v", dims, out.Type()))
	}
	all, err := out.DataPtrFloat32()
	if err != nil || len(all) != dims[1]*dims[2]*dims[3] {
		return fail("the network's maps have gaps")
	}
	outHeight, outWidth = dims[2], dims[3]
	for i := range dims[1] {
		maps = append(maps, all[i*outWidth*outHeight:(i+1)*outWidth*outHeight])
	}
	return maps, outWidth, outHeight, func() { out.Close() }, nil
}

// Rest frees what the network holds of its last picture.
func (n *Net) Rest() {
	if n.width > 0 {
		n.in.Close()
		n.width, n.blob = 0, nil
	}
}

// Close frees the network.
func (n *Net) Close() error {
	n.Rest()
	return n.net.Close()
}
