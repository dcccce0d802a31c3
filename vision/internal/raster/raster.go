// Package raster holds pixels in memory outside Go's heap: so large a block
// among Go's own would let as much garbage again heap up beside it.
package raster

import (
	"fmt"
	"sync/atomic"
	"syscall"
)

// Most sides and pixels of an Image. OpenCV refuses sides of 2^20 and 2^30
// pixels; 3 bytes each stay below 2^31.
const (
	MaxSide   = 1000000
	MaxPixels = 700000000
)

// held counts the blocks that were not freed.
var held atomic.Int64

// Held returns how many blocks are held. Tests require it to return to where
// it was.
func Held() int64 { return held.Load() }

// Alloc returns n zero bytes. They are no longer there after Free. An error
// says that the system has no room for them.
func Alloc(n int) ([]byte, error) {
	b, err := syscall.Mmap(-1, 0, n, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_ANON|syscall.MAP_PRIVATE)
	if err != nil {
		return nil, fmt.Errorf("no memory for %d bytes: %w", n, err)
	}
	held.Add(1)
	return b, nil
}

// Free gives back what Alloc returned.
func Free(b []byte) error {
	held.Add(-1)
	return syscall.Munmap(b)
}

// An Image holds 8-bit BGR pixels, interleaved, row-major, in rows of 3*width
// bytes without padding. Close frees them.
type Image struct {
	pix           []byte
	width, height int
}

// New returns a black picture.
func New(width, height int) (*Image, error) {
	if width < 1 || height < 1 || width > MaxSide || height > MaxSide || int64(width)*int64(height) > MaxPixels {
		return nil, fmt.Errorf("%d × %d pixels cannot be held", width, height)
	}
	pix, err := Alloc(3 * width * height)
	if err != nil {
		return nil, err
	}
	go populate(pix)
	return &Image{pix, width, height}, nil
}

// populate has the system lay out a picture's pages while its first ones are
// already written. Systems that cannot do so lay each out when it is written.
func populate(pix []byte) {
	const atOnce, populateWrite = 4 << 20, 23 // bytes; MADV_POPULATE_WRITE, Linux 5.14
	for len(pix) > 0 {
		some := pix[:min(atOnce, len(pix))]
		if syscall.Madvise(some, populateWrite) != nil {
			return
		}
		pix = pix[len(some):]
	}
}

// Width returns the number of columns.
func (m *Image) Width() int { return m.width }

// Height returns the number of rows.
func (m *Image) Height() int { return m.height }

// Bytes returns the pixels, valid until Close, nil after it.
func (m *Image) Bytes() []byte { return m.pix }

// Close frees the pixels; a second call does nothing.
func (m *Image) Close() error {
	if m.pix == nil {
		return nil
	}
	pix := m.pix
	m.pix = nil
	return Free(pix)
}

// turnBlock is the side of the squares that Turn copies at a time, so that the
// rows and columns it touches stay in the cache. Chosen among 16, 32 and 64.
const turnBlock = 32

// Turn sets a picture upright whose stored first row and column lie in the
// scene as orientation, 1 to 8, says (JEITA CP-3451, tag 274).
func (m *Image) Turn(orientation int) error {
	if orientation <= 1 {
		return nil
	}
	w, h := m.width, m.height
	if orientation >= 5 {
		w, h = h, w
	}
	out, err := New(w, h)
	if err != nil {
		return err
	}
	// Where the stored pixel (0, 0) goes, and one step along a row and a column.
	x, y, rowX, rowY, colX, colY := 0, 0, 1, 0, 0, 1
	switch orientation {
	case 2: // mirrored left to right
		x, rowX = w-1, -1
	case 3: // upside down
		x, y, rowX, colY = w-1, h-1, -1, -1
	case 4: // mirrored top to bottom
		y, colY = h-1, -1
	case 5: // mirrored along the falling diagonal
		rowX, rowY, colX, colY = 0, 1, 1, 0
	case 6: // a quarter turn clockwise sets it upright
		x, rowX, rowY, colX, colY = w-1, 0, 1, -1, 0
	case 7: // mirrored along the rising diagonal
		x, y, rowX, rowY, colX, colY = w-1, h-1, 0, -1, -1, 0
	case 8: // a quarter turn counter-clockwise sets it upright
		y, rowX, rowY, colX, colY = h-1, 0, -1, 1, 0
	}
	start, step, down := 3*(y*w+x), 3*(rowY*w+rowX), 3*(colY*w+colX)
	for by := 0; by < m.height; by += turnBlock {
		for bx := 0; bx < m.width; bx += turnBlock {
			for i := by; i < min(by+turnBlock, m.height); i++ {
				src := m.pix[3*(i*m.width+bx) : 3*(i*m.width+min(bx+turnBlock, m.width))]
				for to := start + i*down + bx*step; len(src) > 0; to += step {
					copy(out.pix[to:to+3], src)
					src = src[3:]
				}
			}
		}
	}
	old := *m
	*m = *out
	return old.Close()
}
