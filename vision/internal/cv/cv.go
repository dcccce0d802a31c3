// Package cv is the one place of the program that calls OpenCV, of which it
// loads the modules core and imgproc alone.
//
// What OpenCV throws comes back as an error; sizes are checked here, since they
// say how much memory is read.
//
// Pixels are 8-bit BGR, interleaved, row-major, in rows of 3*width bytes
// without padding. Functions that take pixels neither change nor keep them.
package cv

/*
#cgo pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11
#cgo LDFLAGS: -Wl,--as-needed
#include <stdlib.h>
#include "opencv.h"
*/
import "C"

import (
	"errors"
	"fmt"
	"unsafe"

	"traytally/vision/internal/raster"
)

// Version returns the version of the OpenCV library in use.
func Version() string { return C.GoString(C.opencv_version()) }

// failure makes what a call returned an error.
func failure(why *C.char) error {
	if why == nil {
		return nil
	}
	defer C.free(unsafe.Pointer(why))
	return errors.New(C.GoString(why))
}

func bytesOf(b []byte) *C.uint8_t { return (*C.uint8_t)(unsafe.SliceData(b)) }

func floatsOf(f []float32) *C.float { return (*C.float)(unsafe.SliceData(f)) }

// check refuses pixels that are not of this size.
func check(pix []byte, width, height int) error {
	if width < 1 || height < 1 || width > raster.MaxSide || height > raster.MaxSide ||
		int64(width)*int64(height) > raster.MaxPixels || len(pix) != 3*width*height {
		return fmt.Errorf("%d bytes are not %d × %d pixels", len(pix), width, height)
	}
	return nil
}

// Resize returns BGR pixels brought to outWidth × outHeight: by averaging over
// areas where both sides shrink, else by cubic interpolation.
func Resize(pix []byte, width, height, outWidth, outHeight int) ([]byte, error) {
	if outWidth < 1 || outHeight < 1 || outWidth > raster.MaxSide || outHeight > raster.MaxSide || int64(outWidth)*int64(outHeight) > raster.MaxPixels {
		return nil, fmt.Errorf("%d × %d pixels cannot be brought to %d × %d", width, height, outWidth, outHeight)
	}
	if err := check(pix, width, height); err != nil {
		return nil, err
	}
	area := C.int(0)
	if outWidth <= width && outHeight <= height {
		area = 1
	}
	out := make([]byte, 3*outWidth*outHeight)
	err := failure(C.opencv_resize(bytesOf(pix), C.int(width), C.int(height), bytesOf(out), C.int(outWidth), C.int(outHeight), area))
	if err != nil {
		return nil, err
	}
	return out, nil
}
