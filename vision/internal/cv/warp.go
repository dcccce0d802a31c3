package cv

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"

	"gocv.io/x/gocv"

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
	src, unpin, err := wrap(pix, width, height)
	if err != nil {
		return nil, err
	}
	defer unpin()
	defer src.Close()
	m, err := raster.New(outWidth, outHeight)
	if err != nil {
		return nil, err
	}
	out, unpinOut, err := wrap(m.Bytes(), outWidth, outHeight)
	if err != nil {
		m.Close()
		return nil, err
	}
	defer unpinOut()
	defer out.Close()
	bands := (outHeight + warpBand - 1) / warpBand
	errs := make([]error, bands)
	err = parallel.Each(ctx, bands, func(_, b int) {
		errs[b] = warpRows(src, out, b*warpBand, min(outHeight, (b+1)*warpBand), source)
		if finish != nil && errs[b] == nil {
			for y := b * warpBand; y < min(outHeight, (b+1)*warpBand); y++ {
				finish(y, m.Bytes()[3*y*outWidth:3*(y+1)*outWidth])
			}
		}
	})
	if err = errors.Join(append(errs, err)...); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

func warpRows(src, out gocv.Mat, y0, y1 int, source func(row int, xs, ys []float32)) error {
	at := [2]gocv.Mat{}
	width := out.Cols()
	var xy [2][]float32
	for i := range at {
		at[i] = gocv.NewMatWithSize(y1-y0, width, gocv.MatTypeCV32F)
		defer at[i].Close()
		var err error
		if xy[i], err = at[i].DataPtrFloat32(); err != nil {
			return err
		}
		if len(xy[i]) != width*(y1-y0) {
			return errors.New("no memory for coordinates")
		}
	}
	for y := y0; y < y1; y++ {
		from, to := (y-y0)*width, (y-y0+1)*width
		source(y, xy[0][from:to], xy[1][from:to])
	}
	// remap writes in place where size and type are right already.
	band := out.Region(image.Rect(0, y0, width, y1))
	defer band.Close()
	gocv.Remap(src, &band, &at[0], &at[1], gocv.InterpolationCubic, gocv.BorderConstant, color.RGBA{})
	if band.Rows() != y1-y0 || band.Cols() != width {
		return errors.New("the picture could not be drawn anew")
	}
	return nil
}
