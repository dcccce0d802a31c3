package header

import "encoding/binary"

// readBMP reads the file header and the information header in its lengths of
// 12 (OS/2), 40, 52, 56, 108 and 124 bytes, as Microsoft documents them
// (BITMAPCOREHEADER, BITMAPINFOHEADER, BITMAPV4HEADER, BITMAPV5HEADER), and
// compares the pixels' place with the file.
func (in *Info) readBMP(data []byte) error {
	le := binary.LittleEndian
	size := int64(len(data))
	if size < 14+12 {
		return endsEarly(size, 14+12)
	}
	pixels := int64(le.Uint32(data[10:]))
	head := int64(le.Uint32(data[14:]))
	switch head {
	case 12, 40, 52, 56, 108, 124:
	default:
		return unsupported("a BMP with a header of %d bytes, which is not supported", head)
	}
	if size < 14+head {
		return endsEarly(size, 14+head)
	}
	d := data[14 : 14+head]
	var w, h int64
	var planes, bits uint16
	var compression, colours uint32
	if head == 12 {
		w, h = int64(le.Uint16(d[4:])), int64(le.Uint16(d[6:]))
		planes, bits = le.Uint16(d[8:]), le.Uint16(d[10:])
	} else {
		w, h = int64(int32(le.Uint32(d[4:]))), int64(int32(le.Uint32(d[8:])))
		planes, bits = le.Uint16(d[12:]), le.Uint16(d[14:])
		compression, colours = le.Uint32(d[16:]), le.Uint32(d[32:])
	}
	if h < 0 { // rows from top to bottom
		h = -h
	}
	if err := in.setSize(w, h); err != nil {
		return err
	}
	if planes != 1 {
		return malformed("damaged BMP: %d planes", planes)
	}
	masks := int64(0)
	switch compression {
	case 0: // BI_RGB
	case 3: // BI_BITFIELDS
		if bits != 32 {
			return unsupported("a BMP of %d bits with masks, which is not supported", bits)
		}
		if head == 40 {
			masks = 12
		}
		if size < 14+40+12 {
			return endsEarly(size, 14+40+12)
		}
		m := data[14+40:]
		if le.Uint32(m) != 0xff0000 || le.Uint32(m[4:]) != 0xff00 || le.Uint32(m[8:]) != 0xff {
			return unsupported("a BMP with an odd order of its colours, which is not supported")
		}
		if head >= 56 && le.Uint32(m[12:]) != 0 {
			return unsupported("a BMP with transparency, which is not supported")
		}
	default:
		return unsupported("a compressed BMP, which is not supported")
	}
	palette := int64(0)
	switch bits {
	case 1, 4, 8:
		n := int64(colours)
		if n > 1<<bits {
			return malformed("damaged BMP: %d colours in %d bits", n, bits)
		}
		if n == 0 {
			n = 1 << bits
		}
		palette = n * 4
		if head == 12 {
			palette = (1 << bits) * 3
		}
		in.BitDepth = int(bits)
	case 24, 32:
		in.BitDepth = 8
	default:
		return unsupported("a BMP of %d bits per pixel, which is not supported", bits)
	}
	in.Colours = 3
	if least := 14 + head + masks + palette; pixels < least {
		return malformed("damaged BMP: the pixels start at byte %d, within the header of %d bytes", pixels, least)
	}
	row := (w*int64(bits) + 31) / 32 * 4
	if end := pixels + row*h; end > size {
		return endsEarly(size, end)
	}
	if head >= 40 {
		x, y := int32(le.Uint32(d[24:])), int32(le.Uint32(d[28:]))
		if x > 0 && y > 0 { // pixels per metre
			in.settle([]density{{"BMP", float64(x) / 1000, float64(y) / 1000}}, exif{})
		}
	}
	return nil
}
