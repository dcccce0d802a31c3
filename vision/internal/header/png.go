package header

import (
	"encoding/binary"
	"hash/crc32"
)

// A pngChunk is one chunk of a PNG file.
type pngChunk struct {
	kind string
	body []byte
	all  []byte // length, type, body and check sum
}

const pngSignature = 8 // bytes

// nextChunk returns the chunk at the start of rest, which begins at byte at of
// a file of size bytes.
func nextChunk(rest []byte, at, size int) (pngChunk, error) {
	if len(rest) < 12 {
		return pngChunk{}, malformed("the file ends early: %d bytes, and the end chunk of a PNG is missing", size)
	}
	n := int64(binary.BigEndian.Uint32(rest))
	if n > 1<<31-1 {
		return pngChunk{}, malformed("damaged PNG: a chunk of %d bytes at byte %d", n, at)
	}
	if n+12 > int64(len(rest)) {
		return pngChunk{}, endsEarly(int64(size), int64(at)+n+12)
	}
	return pngChunk{string(rest[4:8]), rest[8 : 8+n], rest[:n+12]}, nil
}

// chunks calls f for every chunk up to and including IEND.
func pngChunks(data []byte, f func(c pngChunk) error) error {
	for at := pngSignature; ; {
		c, err := nextChunk(data[at:], at, len(data))
		if err != nil {
			return err
		}
		if err := f(c); err != nil {
			return err
		}
		if c.kind == "IEND" {
			return nil
		}
		at += len(c.all)
	}
}

// readPNG reads all chunks but the pixels (PNG specification, third edition,
// W3C 2025, clause 11). Resolution: pHYs (unit 1 is the metre) before eXIf.
func (in *Info) readPNG(data []byte) error {
	var (
		stated    []density
		block     []byte
		aspect    [2]uint32
		colour    byte
		palette   int
		seenData  bool
		seenFirst bool
	)
	err := pngChunks(data, func(c pngChunk) error {
		if !seenFirst {
			seenFirst = true
			return in.readIHDR(c, &colour)
		}
		switch c.kind {
		case "IHDR":
			return malformed("damaged PNG: two headers")
		case "PLTE":
			if n := len(c.body); n == 0 || n%3 != 0 || n > 3<<in.BitDepth && colour == 3 {
				return malformed("damaged PNG: a palette of %d bytes", n)
			}
			if seenData {
				return malformed("damaged PNG: the palette comes after the pixels")
			}
			palette = len(c.body) / 3
			in.Untidy = in.Untidy || colour != 3
		case "tRNS":
			return in.readTRNS(c.body, colour, palette, seenData)
		case "IDAT":
			seenData = true
		case "IEND", "tEXt", "tIME":
		case "pHYs":
			if len(c.body) != 9 || seenData || stated != nil {
				in.Untidy = true
				return nil
			}
			x, y := binary.BigEndian.Uint32(c.body), binary.BigEndian.Uint32(c.body[4:])
			switch {
			case x == 0 || y == 0:
			case c.body[8] == 1:
				stated = append(stated, density{"PNG pHYs", float64(x) / 1000, float64(y) / 1000})
			default:
				aspect = [2]uint32{x, y}
			}
		default:
			in.Untidy = true
			switch {
			case c.kind == "eXIf":
				block = c.body
			case c.kind == "acTL":
				in.warn("animated", "", "the PNG is animated; its first picture was read")
			case c.kind[0]&0x20 == 0: // a critical chunk nobody knows
				return unsupported("a PNG with an unknown chunk %q, which is not supported", c.kind)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if !seenData {
		return malformed("damaged PNG: no pixels")
	}
	if colour == 3 && palette == 0 {
		return malformed("damaged PNG: the palette is missing")
	}
	stated, ex := in.addExif(block, stated)
	in.settle(stated, ex)
	if in.PxPerMMX == 0 && aspect[0] != aspect[1] {
		in.warn("pixels_not_square", "scan again with the same resolution in both directions",
			"the file says that its pixels are not square (%d : %d)", aspect[0], aspect[1])
	}
	return nil
}

func (in *Info) readIHDR(c pngChunk, colour *byte) error {
	if c.kind != "IHDR" || len(c.body) != 13 {
		return malformed("damaged PNG: the header is missing")
	}
	b := c.body
	if err := in.setSize(int64(binary.BigEndian.Uint32(b)), int64(binary.BigEndian.Uint32(b[4:]))); err != nil {
		return err
	}
	depth := b[8]
	*colour = b[9]
	ok := false
	switch *colour { // table 9 of the specification
	case 0:
		ok = depth == 1 || depth == 2 || depth == 4 || depth == 8 || depth == 16
	case 3:
		ok = depth == 1 || depth == 2 || depth == 4 || depth == 8
	case 2, 4, 6:
		ok = depth == 8 || depth == 16
	}
	if !ok || b[10] != 0 || b[11] != 0 || b[12] > 1 {
		return malformed("damaged PNG: the header gives colour type %d, %d bits, methods %d, %d, %d", *colour, depth, b[10], b[11], b[12])
	}
	in.BitDepth = int(depth)
	in.Colours = 3
	if *colour == 0 || *colour == 4 {
		in.Colours = 1
	}
	if *colour >= 4 {
		in.Transparency = Alpha
	}
	return nil
}

// readTRNS reads the transparency of a picture without an alpha channel.
func (in *Info) readTRNS(b []byte, colour byte, palette int, late bool) error {
	in.Untidy = in.Untidy || colour != 3
	if late {
		return malformed("damaged PNG: the transparency comes after the pixels")
	}
	wide := func(b []byte) uint16 {
		v := binary.BigEndian.Uint16(b)
		if in.BitDepth < 16 {
			v = v & (1<<in.BitDepth - 1) * (255 / (1<<min(in.BitDepth, 8) - 1))
		}
		return v
	}
	switch {
	case colour == 0 && len(b) == 2:
		in.Transparency = ColourKey
		in.Key = [3]uint16{wide(b), wide(b), wide(b)}
	case colour == 2 && len(b) == 6:
		in.Transparency = ColourKey
		in.Key = [3]uint16{wide(b), wide(b[2:]), wide(b[4:])}
	case colour == 3 && len(b) >= 1 && len(b) <= palette:
		in.Transparency = Alpha
	default:
		return malformed("damaged PNG: a transparency of %d bytes with colour type %d", len(b), colour)
	}
	return nil
}

// completePNG compares every chunk with its check sum and asks for enough
// compressed data: deflate shrinks to no less than 1/1032 (zlib, "Technical
// details", maximum expansion factor).
func completePNG(data []byte, in *Info) error {
	var packed int64
	err := pngChunks(data, func(c pngChunk) error {
		end := len(c.all) - 4
		if crc32.ChecksumIEEE(c.all[4:end]) != binary.BigEndian.Uint32(c.all[end:]) {
			return malformed("damaged PNG: the chunk %s fails its check sum", printable(c.kind))
		}
		if c.kind == "IDAT" {
			packed += int64(len(c.body))
		}
		return nil
	})
	if err != nil {
		return err
	}
	rows := (int64(in.Width)*int64(in.BitDepth) + 7) / 8 * int64(in.Height)
	if packed < rows/1032 {
		return malformed("damaged PNG: %d bytes of compressed data cannot hold %d × %d pixels", packed, in.Width, in.Height)
	}
	return nil
}

func printable(kind string) string {
	for _, r := range []byte(kind) {
		if r < 'A' || r > 'z' {
			return "with no name"
		}
	}
	return kind
}

// Tidy returns a PNG with the same pixels and none of the chunks that do not
// bear on them, such as colour profiles, over which the decoder would print
// warnings of its own. The result shares nothing with data.
func Tidy(data []byte) []byte {
	out := make([]byte, 0, len(data))
	out = append(out, data[:pngSignature]...)
	indexed := false
	pngChunks(data, func(c pngChunk) error {
		switch c.kind {
		case "IHDR":
			indexed = len(c.body) == 13 && c.body[9] == 3
			out = append(out, c.all...)
		case "PLTE", "tRNS":
			if indexed {
				out = append(out, c.all...)
			}
		case "IDAT", "IEND":
			out = append(out, c.all...)
		}
		return nil
	})
	return out
}
