// Package cv is the one place of the program that calls OpenCV.
//
// An OpenCV assertion ends the process and no recover can stop it, so every
// function here checks emptiness, size and type before the call. No other
// package imports gocv.
//
// Pixels are 8-bit BGR, interleaved, row-major, in rows of 3*width bytes
// without padding. Functions that take pixels neither change nor keep them.
package cv

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"runtime"

	"gocv.io/x/gocv"

	"traytally/vision/internal/raster"
)

// Version returns the version of the OpenCV library in use.
func Version() string { return gocv.OpenCVVersion() }

// wrap returns a matrix over pix, which stays the caller's. The matrix must be
// closed before unpin is called.
func wrap(pix []byte, width, height int) (m gocv.Mat, unpin func(), err error) {
	if width < 1 || height < 1 || width > raster.MaxSide || height > raster.MaxSide ||
		int64(width)*int64(height) > raster.MaxPixels || len(pix) != 3*width*height {
		return gocv.Mat{}, nil, fmt.Errorf("%d bytes are not %d × %d pixels", len(pix), width, height)
	}
	var pin runtime.Pinner
	pin.Pin(&pix[0])
	m, err = gocv.NewMatFromBytes(height, width, gocv.MatTypeCV8UC3, pix)
	if err != nil {
		pin.Unpin()
		return gocv.Mat{}, nil, err
	}
	return m, pin.Unpin, nil
}

// Resize returns BGR pixels brought to outWidth × outHeight: by averaging over
// areas where both sides shrink, else by cubic interpolation.
func Resize(pix []byte, width, height, outWidth, outHeight int) ([]byte, error) {
	if outWidth < 1 || outHeight < 1 || outWidth > raster.MaxSide || outHeight > raster.MaxSide || int64(outWidth)*int64(outHeight) > raster.MaxPixels {
		return nil, fmt.Errorf("%d × %d pixels cannot be brought to %d × %d", width, height, outWidth, outHeight)
	}
	how := gocv.InterpolationCubic
	if outWidth <= width && outHeight <= height {
		how = gocv.InterpolationArea
	}
	src, unpin, err := wrap(pix, width, height)
	if err != nil {
		return nil, err
	}
	defer unpin()
	defer src.Close()
	dst := gocv.NewMat()
	defer dst.Close()
	gocv.Resize(src, &dst, image.Pt(outWidth, outHeight), 0, 0, how)
	if dst.Empty() || dst.Cols() != outWidth || dst.Rows() != outHeight || dst.Type() != gocv.MatTypeCV8UC3 || !dst.IsContinuous() {
		return nil, errors.New("the picture could not be resized")
	}
	b, err := dst.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	return bytes.Clone(b), nil
}
