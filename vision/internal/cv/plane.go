package cv

// #include "opencv.h"
import "C"

import (
	"errors"
	"fmt"
	"runtime"
	"sync"
	"unsafe"

	"traytally/vision/internal/raster"
)

// A Plane is one 8-bit value per pixel, row-major without padding, outside
// Go's heap.
type Plane struct {
	pix           []byte
	width, height int
}

// NewPlane returns a plane of zeros. The caller closes it.
func NewPlane(width, height int) (*Plane, error) {
	if width < 1 || height < 1 {
		return nil, fmt.Errorf("no plane of %d × %d pixels", width, height)
	}
	pix, err := raster.Alloc(width * height)
	if err != nil {
		return nil, err
	}
	return &Plane{pix, width, height}, nil
}

// Bytes returns the values; they are valid until Close.
func (p *Plane) Bytes() []byte { return p.pix }

// Close frees the plane; a second call does nothing.
func (p *Plane) Close() error {
	if p == nil || p.pix == nil {
		return nil
	}
	pix := p.pix
	p.pix = nil
	return raster.Free(pix)
}

// Dilate writes to dst the greatest value of src in the square of side 2·r+1
// around each pixel; pixels beyond the border count as 0. Bands of rows are
// shared out over the cores. src and dst must be of one size, and distinct.
func Dilate(src, dst *Plane, r int) error {
	if src.pix == nil || dst.pix == nil || src == dst || src.width != dst.width || src.height != dst.height || r < 1 {
		return fmt.Errorf("dilate: %d × %d onto %d × %d, reach %d", src.width, src.height, dst.width, dst.height, r)
	}
	bands := min(runtime.GOMAXPROCS(0), max(1, src.height/(4*r)))
	errs := make([]error, bands)
	var wg sync.WaitGroup
	for b := range bands {
		wg.Go(func() {
			errs[b] = failure(C.opencv_dilate(bytesOf(src.pix), bytesOf(dst.pix), C.int(src.width), C.int(src.height),
				C.int(src.height*b/bands), C.int(src.height*(b+1)/bands), C.int(r)))
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// Numbers are int32s outside Go's heap. The zero value holds none.
type Numbers struct {
	block []byte
}

// Zeros returns n zeros, which are valid until the next call or Close.
func (m *Numbers) Zeros(n int) []int32 {
	if 4*n > len(m.block) {
		m.Close()
		block, err := raster.Alloc(4 * n)
		if err != nil {
			panic(err) // told from the pixels before, see package memory
		}
		m.block = block
	} else {
		clear(m.block[:4*n])
	}
	return unsafe.Slice((*int32)(unsafe.Pointer(unsafe.SliceData(m.block))), n)
}

// Close frees them; a second call does nothing.
func (m *Numbers) Close() error {
	if m.block == nil {
		return nil
	}
	block := m.block
	m.block = nil
	return raster.Free(block)
}
