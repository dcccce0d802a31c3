package cv

import (
	"fmt"
	"image"
	"runtime"
	"sync"
	"unsafe"

	"gocv.io/x/gocv"
)

// A Plane is one 8-bit value per pixel, row-major without padding, in memory
// that OpenCV owns.
type Plane struct {
	mat           gocv.Mat
	pix           []byte
	width, height int
}

// NewPlane returns a plane with undefined content. The caller closes it.
func NewPlane(width, height int) (*Plane, error) {
	if width < 1 || height < 1 {
		return nil, fmt.Errorf("no plane of %d × %d pixels", width, height)
	}
	// of all that make a matrix, this does not fill it
	p := &Plane{mat: gocv.NewMatWithSizes([]int{height, width}, gocv.MatTypeCV8U), width: width, height: height}
	pix, err := p.mat.DataPtrUint8()
	if err != nil || len(pix) != width*height {
		p.mat.Close()
		return nil, fmt.Errorf("no memory for a plane of %d × %d pixels", width, height)
	}
	p.pix = pix
	return p, nil
}

// Bytes returns the values; they are valid until Close.
func (p *Plane) Bytes() []byte { return p.pix }

// Close frees the plane; a second call does nothing.
func (p *Plane) Close() error {
	if p == nil || p.pix == nil {
		return nil
	}
	p.pix = nil
	return p.mat.Close()
}

// Dilate writes to dst the greatest value of src in the square of side 2·r+1
// around each pixel; pixels beyond the border count as 0. Bands of rows are
// shared out over the cores. src and dst must be of one size, and distinct.
func Dilate(src, dst *Plane, r int) error {
	if src.pix == nil || dst.pix == nil || src == dst || src.width != dst.width || src.height != dst.height || r < 1 {
		return fmt.Errorf("dilate: %d × %d onto %d × %d, reach %d", src.width, src.height, dst.width, dst.height, r)
	}
	k := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(2*r+1, 2*r+1))
	defer k.Close()
	bands := min(runtime.GOMAXPROCS(0), max(1, src.height/(4*r)))
	var wg sync.WaitGroup
	for b := range bands {
		// A band is a window into the whole: the filter reads the rows
		// around it, since windows are not isolated from their picture.
		at := image.Rect(0, src.height*b/bands, src.width, src.height*(b+1)/bands)
		wg.Go(func() {
			s, d := src.mat.Region(at), dst.mat.Region(at)
			gocv.Dilate(s, &d, k)
			s.Close()
			d.Close()
		})
	}
	wg.Wait()
	return nil
}

// Numbers are int32s in memory that OpenCV owns: so large a block among Go's
// own would let as much garbage again heap up beside it. The zero value holds
// none.
type Numbers struct {
	mat gocv.Mat
	all []int32
}

// Zeros returns n zeros, which are valid until the next call or Close.
func (m *Numbers) Zeros(n int) []int32 {
	if n <= len(m.all) {
		clear(m.all[:n])
		return m.all[:n]
	}
	m.Close()
	const row = 1 << 16 // neither side of the matrix may pass an int32
	m.mat = gocv.NewMatWithSizes([]int{(n + row - 1) / row, row}, gocv.MatTypeCV32S)
	b, err := m.mat.DataPtrUint8()
	if err != nil {
		panic(err) // a new matrix has no gaps
	}
	m.all = unsafe.Slice((*int32)(unsafe.Pointer(unsafe.SliceData(b))), len(b)/4)
	clear(m.all[:n])
	return m.all[:n]
}

// Close frees them; a second call does nothing.
func (m *Numbers) Close() error {
	if m.all == nil {
		return nil
	}
	m.all = nil
	return m.mat.Close()
}
