package cv

// #include "opencv.h"
import "C"

import (
	"context"
	"errors"
	"fmt"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/raster"
)

// maxWarpSide is the side below which OpenCV's remap keeps coordinates (16-bit
// signed).
const maxWarpSide = 32766

// warpBand is the number of rows whose coordinates are held at a time.
const warpBand = 32

// Warp returns a picture of outWidth × outHeight pixels that takes its pixels
// from places of pix, by cubic interpolation. For each of its rows, source
// fills in the places; what they have beyond pix is black. source is called
// from several goroutines; finish, which may be nil, is then called once for
// each row and may change its BGR values. The caller closes the Image.
func Warp(ctx context.Context, pix []byte, width, height, outWidth, outHeight int,
	source func(row int, xs, ys []float32), finish func(row int, bgr []byte)) (*raster.Image, error) {
	if outWidth < 1 || outHeight < 1 || int64(outWidth)*int64(outHeight) > raster.MaxPixels ||
		max(width, height, outWidth, outHeight) > maxWarpSide {
		return nil, fmt.Errorf("%d × %d pixels cannot be drawn anew as %d × %d: more than %d a side", width, height, outWidth, outHeight, maxWarpSide)
	}
	if err := check(pix, width, height); err != nil {
		return nil, err
	}
	m, err := raster.New(outWidth, outHeight)
	if err != nil {
		return nil, err
	}
	bands := (outHeight + warpBand - 1) / warpBand
	errs := make([]error, bands)
	err = parallel.Each(ctx, bands, func(_, b int) {
		y0, y1 := b*warpBand, min(outHeight, (b+1)*warpBand)
		xs, ys := make([]float32, outWidth*(y1-y0)), make([]float32, outWidth*(y1-y0))
		for y := range y1 - y0 {
			source(y0+y, xs[y*outWidth:(y+1)*outWidth], ys[y*outWidth:(y+1)*outWidth])
		}
		out := m.Bytes()[3*y0*outWidth : 3*y1*outWidth]
		errs[b] = failure(C.opencv_remap(bytesOf(pix), C.int(width), C.int(height), bytesOf(out), C.int(outWidth), C.int(y1-y0), floatsOf(xs), floatsOf(ys)))
		if finish != nil && errs[b] == nil {
			for y := range y1 - y0 {
				finish(y0+y, out[3*y*outWidth:3*(y+1)*outWidth])
			}
		}
	})
	if err = errors.Join(append(errs, err)...); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}
