package codec

/*
#cgo pkg-config: libwebp
#include <webp/decode.h>
*/
import "C"

import (
	"encoding/binary"
	"image"

	"traytally/vision/internal/raster"
)

// readWebP asks the library for the size and walks the RIFF chunks (RFC 9649)
// for EXIF, the only place for a resolution.
func (in *Info) readWebP(data []byte) error {
	le := binary.LittleEndian
	end := int64(le.Uint32(data[4:])) + 8
	if end > int64(len(data)) {
		return endsEarly(int64(len(data)), end)
	}
	var f C.WebPBitstreamFeatures
	if s := C.WebPGetFeatures((*C.uint8_t)(bytesOf(data)), C.size_t(len(data)), &f); s != C.VP8_STATUS_OK {
		return malformed("damaged WebP: its header cannot be read")
	}
	if f.has_animation != 0 {
		return unsupported("an animated WebP, which is not supported")
	}
	if err := in.setSize(int64(f.width), int64(f.height)); err != nil {
		return err
	}
	in.alpha = f.has_alpha != 0
	in.beside = in.Pixels() * 5 // lossless ones: 4 for the pixels, codes, filters
	var block []byte
	for at := int64(12); at+8 <= end; {
		n := int64(le.Uint32(data[at+4:]))
		if at+8+n > end {
			return malformed("damaged WebP: a chunk of %d bytes at byte %d runs past the end", n, at)
		}
		if block == nil && string(data[at:at+4]) == "EXIF" {
			block = data[at+8 : at+8+n]
		}
		at += 8 + n + n&1
	}
	in.settle(in.addExif(block, nil))
	return nil
}

func decodeWebP(data []byte, in *Info) (*raster.Image, error) {
	m, err := raster.New(in.Width, in.Height)
	if err != nil {
		return nil, err
	}
	size, from := C.size_t(len(data)), (*C.uint8_t)(bytesOf(data))
	ok := false
	if in.alpha {
		var rgba []byte
		if rgba, err = raster.Alloc(4 * in.Width * in.Height); err == nil {
			ok = C.WebPDecodeRGBAInto(from, size, (*C.uint8_t)(bytesOf(rgba)), C.size_t(len(rgba)), C.int(4*in.Width)) != nil
			see := &image.NRGBA{Pix: rgba, Stride: 4 * in.Width, Rect: image.Rect(0, 0, in.Width, in.Height)}
			for y := range in.Height {
				flatten(m.Bytes()[3*in.Width*y:3*in.Width*(y+1)], see, y)
			}
			raster.Free(rgba)
		}
	} else {
		ok = C.WebPDecodeBGRInto(from, size, (*C.uint8_t)(bytesOf(m.Bytes())), C.size_t(len(m.Bytes())), C.int(3*in.Width)) != nil
	}
	if err == nil && !ok {
		err = malformed("damaged WebP: its pixels cannot be unpacked")
	}
	if err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}
