package codec

/*
#cgo pkg-config: libjpeg
#include "jpeg.h"
*/
import "C"

import (
	"encoding/binary"
	"strings"
	"unsafe"

	"traytally/vision/internal/raster"
)

// jpegPixelsPerByte is how many pixels one byte of a JPEG can stand for at most: each
// 8×8 block takes a bit or more in at least one scan.
const jpegPixelsPerByte = 8 * 64

// readJPEG takes the resolution of JFIF (ECMA TR/98, 10.1: unit 0 is an aspect
// ratio, 1 dots per inch, 2 dots per centimetre) before that of EXIF.
func (in *Info) readJPEG(data []byte) error {
	var c C.jpeg_info
	if err := jpegError(data, C.jpeg_read(bytesOf(data), C.size_t(len(data)), &c, nil), &c); err != nil {
		return err
	}
	if err := in.setSize(int64(c.width), int64(c.height)); err != nil {
		return err
	}
	in.beside = int64(c.coefficients)
	var stated []density
	x, y := float64(c.density_x), float64(c.density_y)
	if x > 0 && y > 0 {
		switch c.density_unit {
		case 1:
			stated = append(stated, density{"JFIF", x / mmPerInch, y / mmPerInch})
		case 2:
			stated = append(stated, density{"JFIF", x / 10, y / 10})
		}
	}
	in.settle(in.addExif(exifOfJPEG(data), stated))
	if in.PxPerMMX == 0 && c.density_unit == 0 && x > 0 && y > 0 && x != y {
		in.notSquare(x, y)
	}
	return in.fits(data, jpegPixelsPerByte)
}

// exifOfJPEG returns the first EXIF block before the pixels, nil without one
// (ITU-T T.81, B.1.1; JEITA CP-3451, 4.7.2).
func exifOfJPEG(data []byte) []byte {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker, n := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
		switch {
		case marker == 0xff: // a fill byte
			at++
			continue
		case marker == 0xda || at+2+n > len(data): // the pixels
			return nil
		case marker == 0xe1 && n > 8 && string(data[at+4:at+9]) == "Exif\x00":
			return data[at+10 : at+2+n]
		}
		at += 2 + n
	}
	return nil
}

// decodeJPEG takes neither colour transforms nor roundings of its own: the
// library's accurate integer transform and its interpolation of coarse colour.
func decodeJPEG(data []byte, in *Info) (*raster.Image, error) {
	m, err := raster.New(in.Width, in.Height)
	if err != nil {
		return nil, err
	}
	c := C.jpeg_info{width: C.int(in.Width), height: C.int(in.Height)}
	end := C.jpeg_read(bytesOf(data), C.size_t(len(data)), &c, bytesOf(m.Bytes()))
	if err := jpegError(data, end, &c); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

func bytesOf(b []byte) *C.uchar { return (*C.uchar)(unsafe.Pointer(unsafe.SliceData(b))) }

func jpegError(data []byte, end C.int, c *C.jpeg_info) error {
	why := C.GoString(&c.why[0])
	switch {
	case end == C.JPEG_DONE:
		return nil
	case end == C.JPEG_ENDS_EARLY:
		return malformed("the file ends early: %d bytes, and the end mark of a JPEG is missing", len(data))
	case end == C.JPEG_NO_MEMORY:
		return errNoMemory
	case why == "CMYK":
		return unsupported("a CMYK JPEG: printing colours cannot be measured")
	case end == C.JPEG_UNSUPPORTED:
		return unsupported("a JPEG of a kind that is not supported: %s", lowerFirst(why))
	}
	return malformed("damaged JPEG: %s", strings.TrimPrefix(lowerFirst(why), "corrupt JPEG data: "))
}

// lowerFirst fits a library's sentence into ours.
func lowerFirst(s string) string {
	if len(s) > 1 && s[1] >= 'a' {
		return strings.ToLower(s[:1]) + s[1:]
	}
	return s
}
