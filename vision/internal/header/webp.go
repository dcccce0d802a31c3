package header

import "encoding/binary"

// readWebP walks the RIFF chunks (RFC 9649). The picture is a VP8 or VP8L
// chunk; VP8X adds size, flags and an EXIF chunk, the only place for a
// resolution.
func (in *Info) readWebP(data []byte) error {
	le := binary.LittleEndian
	end := int64(le.Uint32(data[4:])) + 8
	if end > int64(len(data)) {
		return endsEarly(int64(len(data)), end)
	}
	if end < 20 {
		return malformed("damaged WebP: a body of %d bytes", end-8)
	}
	const (
		flagAnimated = 0x02
		flagAlpha    = 0x10
	)
	var (
		canvasW, canvasH int64
		seen             bool
		block            []byte
	)
	for at := int64(12); at+8 <= end; {
		kind := string(data[at : at+4])
		n := int64(le.Uint32(data[at+4:]))
		if at+8+n > end {
			return malformed("damaged WebP: a chunk of %d bytes at byte %d runs past the end", n, at)
		}
		b := data[at+8 : at+8+n]
		at += 8 + n + n&1
		switch kind {
		case "VP8X":
			if n < 10 || seen || canvasW != 0 {
				return malformed("damaged WebP: the extended header is out of place")
			}
			if b[0]&flagAnimated != 0 {
				return unsupported("an animated WebP, which is not supported")
			}
			if b[0]&flagAlpha != 0 {
				in.Transparency = Alpha
			}
			canvasW, canvasH = 1+int64(le24(b[4:])), 1+int64(le24(b[7:]))
		case "VP8 ", "VP8L":
			if seen {
				return malformed("damaged WebP: two pictures")
			}
			seen = true
			if err := in.readVP8(kind, b); err != nil {
				return err
			}
		case "ALPH":
			in.Transparency = Alpha
		case "ANIM", "ANMF":
			return unsupported("an animated WebP, which is not supported")
		case "EXIF":
			if block == nil {
				block = b
			}
		}
	}
	if !seen {
		return malformed("damaged WebP: no picture")
	}
	if canvasW != 0 && (canvasW != int64(in.Width) || canvasH != int64(in.Height)) {
		return malformed("damaged WebP: the picture has %d × %d pixels and its canvas %d × %d", in.Width, in.Height, canvasW, canvasH)
	}
	in.BitDepth, in.Colours = 8, 3
	stated, ex := in.addExif(block, nil)
	in.settle(stated, ex)
	return nil
}

// readVP8 reads the size of a lossy key frame (RFC 6386, 9.1) or a lossless
// picture (RFC 9649, 3.4).
func (in *Info) readVP8(kind string, b []byte) error {
	le := binary.LittleEndian
	if kind == "VP8L" {
		if len(b) < 5 || b[0] != 0x2f || b[4]>>5 != 0 {
			return malformed("damaged WebP: the lossless header is wrong")
		}
		v := le.Uint32(b[1:])
		if v>>28&1 != 0 {
			in.Transparency = Alpha
		}
		return in.setSize(int64(v&0x3fff)+1, int64(v>>14&0x3fff)+1)
	}
	if len(b) < 10 || b[0]&1 != 0 || b[3] != 0x9d || b[4] != 0x01 || b[5] != 0x2a {
		return malformed("damaged WebP: the lossy header is wrong")
	}
	if first := int64(le24(b)) >> 5; first > int64(len(b))-10 {
		return malformed("damaged WebP: the first part of the picture runs past its end")
	}
	return in.setSize(int64(le.Uint16(b[6:])&0x3fff), int64(le.Uint16(b[8:])&0x3fff))
}

func le24(b []byte) uint32 { return uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 }
