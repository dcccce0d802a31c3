package cv

import (
	"errors"
	"fmt"
	"image"
	"runtime"
	"sync"
	"unsafe"

	"gocv.io/x/gocv"

	"traytally/vision/internal/raster"
)

// A Plane is one 8-bit value per pixel, row-major without padding, outside
// Go's heap.
type Plane struct {
	mat           gocv.Mat
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
	mat, err := gocv.NewMatFromBytes(height, width, gocv.MatTypeCV8U, pix)
	if err != nil {
		raster.Free(pix)
		return nil, err
	}
	return &Plane{mat, pix, width, height}, nil
}

// Bytes returns the values; they are valid until Close.
func (p *Plane) Bytes() []byte { return p.pix }

// Close frees the plane; a second call does nothing.
func (p *Plane) Close() error {
	if p == nil || p.pix == nil {
		return nil
	}
	err := errors.Join(p.mat.Close(), raster.Free(p.pix))
	p.pix = nil
	return err
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
