// Package shrink makes small pictures of large ones.
package shrink

// #cgo CFLAGS: -O3 -std=c11
// #include "shrink.h"
import "C"

import (
	"context"
	"fmt"
	"unsafe"

	"traytally/vision/internal/parallel"
)

// bandRows is about how many rows of the original are worked on at a time.
const bandRows = 128

// Area returns BGR pixels brought to outWidth × outHeight, neither of which is
// greater than before: each is the mean over the area that it stands for.
func Area(ctx context.Context, pix []byte, width, height, outWidth, outHeight int) ([]byte, error) {
	if outWidth < 1 || outHeight < 1 || outWidth > width || outHeight > height || len(pix) != 3*width*height {
		return nil, fmt.Errorf("%d bytes of %d × %d pixels cannot be shrunk to %d × %d", len(pix), width, height, outWidth, outHeight)
	}
	out := make([]byte, 3*outWidth*outHeight)
	lines := make([][]float32, parallel.Workers())
	rows := max(1, bandRows*outHeight/height)
	err := parallel.Each(ctx, (outHeight+rows-1)/rows, func(w, band int) {
		if lines[w] == nil {
			lines[w] = make([]float32, 3*width)
		}
		C.shrink_rows(bytesOf(pix), C.int(width), C.int(height), bytesOf(out), C.int(outWidth), C.int(outHeight),
			C.int(band*rows), C.int(min(outHeight, (band+1)*rows)), (*C.float)(unsafe.SliceData(lines[w])))
	})
	return out, err
}

// Luma returns the luma, by Rec. 601, of BGR pixels of the given width, brought to
// one value for each square of step pixels: the mean of up to 3 × 3 places in it.
// What is left over at the right and at the bottom is not looked at.
func Luma(ctx context.Context, pix []byte, width, height, step int) (luma []byte, w, h int, err error) {
	if step < 1 || len(pix) != 3*width*height {
		return nil, 0, 0, fmt.Errorf("%d bytes of %d × %d pixels cannot be shrunk by %d", len(pix), width, height, step)
	}
	w, h = width/step, height/step
	luma = make([]byte, w*h)
	lines := make([][]uint16, parallel.Workers())
	rows := max(1, bandRows/step)
	err = parallel.Each(ctx, (h+rows-1)/rows, func(worker, band int) {
		if lines[worker] == nil {
			lines[worker] = make([]uint16, 3*width)
		}
		C.shrink_luma(bytesOf(pix), C.int(width), bytesOf(luma), C.int(w), C.int(step),
			C.int(band*rows), C.int(min(h, (band+1)*rows)), (*C.uint16_t)(unsafe.SliceData(lines[worker])))
	})
	return luma, w, h, err
}

func bytesOf(b []byte) *C.uint8_t { return (*C.uint8_t)(unsafe.SliceData(b)) }
