package header

import (
	"bytes"
	"encoding/binary"
)

// Markers of ITU-T T.81 (ISO/IEC 10918-1), table B.1.
const (
	mSOF0 = 0xc0 // baseline
	mSOF1 = 0xc1 // extended sequential
	mSOF2 = 0xc2 // progressive
	mDHT  = 0xc4
	mJPG  = 0xc8
	mDAC  = 0xcc
	mRST0 = 0xd0
	mRST7 = 0xd7
	mSOI  = 0xd8
	mEOI  = 0xd9
	mSOS  = 0xda
	mDNL  = 0xdc
	mDRI  = 0xdd
	mAPP0 = 0xe0
	mAPP1 = 0xe1
	mTEM  = 0x01
)

// maxScans bounds the passes over a progressive picture, each of which costs
// time in proportion to its pixels however few bytes it has. Encoders write
// about ten.
const maxScans = 100

// A jpegReader steps over the segments of a JPEG stream.
type jpegReader struct {
	data []byte
	pos  int
}

// next returns the next marker and its segment without the length, which is
// empty for SOI and EOI.
func (r *jpegReader) next() (marker byte, seg []byte, err error) {
	for {
		if r.pos+2 > len(r.data) {
			return 0, nil, malformed("the file ends early: %d bytes, and the end mark of a JPEG is missing", len(r.data))
		}
		if r.data[r.pos] != 0xff {
			return 0, nil, malformed("damaged JPEG: no marker where one belongs, at byte %d", r.pos)
		}
		marker = r.data[r.pos+1]
		if marker == 0xff { // fill byte
			r.pos++
			continue
		}
		r.pos += 2
		if marker == 0 || marker == mTEM || marker >= mRST0 && marker <= mRST7 {
			return 0, nil, malformed("damaged JPEG: stray marker %02x at byte %d", marker, r.pos-2)
		}
		break
	}
	if marker == mSOI || marker == mEOI {
		return marker, nil, nil
	}
	if r.pos+2 > len(r.data) {
		return 0, nil, endsEarly(int64(len(r.data)), int64(r.pos)+2)
	}
	n := int(binary.BigEndian.Uint16(r.data[r.pos:]))
	if n < 2 {
		return 0, nil, malformed("damaged JPEG: a segment of length %d at byte %d", n, r.pos)
	}
	if r.pos+n > len(r.data) {
		return 0, nil, endsEarly(int64(len(r.data)), int64(r.pos+n))
	}
	seg = r.data[r.pos+2 : r.pos+n]
	r.pos += n
	return marker, seg, nil
}

// entropy returns the compressed data after a scan header, restart markers
// included, and steps to the marker that ends it.
func (r *jpegReader) entropy() []byte {
	start := r.pos
	for {
		i := bytes.IndexByte(r.data[r.pos:], 0xff)
		if i < 0 || r.pos+i+1 >= len(r.data) {
			r.pos = len(r.data)
			return r.data[start:]
		}
		r.pos += i
		switch m := r.data[r.pos+1]; {
		case m == 0 || m >= mRST0 && m <= mRST7:
			r.pos += 2
		case m == 0xff:
			r.pos++
		default:
			return r.data[start:r.pos]
		}
	}
}

// A jpegFrame is a frame header (SOF).
type jpegFrame struct {
	progressive   bool
	width, height int
	comps         []jpegComp
	hMax, vMax    int
}

type jpegComp struct {
	id    byte
	h, v  byte // sampling factors, 1..4
	quant byte // quantisation table, 0..3
}

// isSOF reports whether marker starts a frame of any process.
func isSOF(marker byte) bool {
	return marker >= mSOF0 && marker <= 0xcf && marker != mDHT && marker != mJPG && marker != mDAC
}

func parseSOF(marker byte, seg []byte) (f jpegFrame, err error) {
	if marker > mSOF2 {
		switch marker {
		case 0xc9, 0xca:
			return f, unsupported("a JPEG with arithmetic coding, which is not supported")
		case 0xc3, 0xcb:
			return f, unsupported("a lossless JPEG, which is not supported")
		}
		return f, unsupported("a hierarchical JPEG, which is not supported")
	}
	if len(seg) < 6 || len(seg) != 6+3*int(seg[5]) {
		return f, malformed("damaged JPEG: the frame header has %d bytes", len(seg))
	}
	if seg[0] != 8 {
		return f, unsupported("a JPEG of %d bits per sample, which is not supported", seg[0])
	}
	f.progressive = marker == mSOF2
	f.height, f.width = int(binary.BigEndian.Uint16(seg[1:])), int(binary.BigEndian.Uint16(seg[3:]))
	if f.height == 0 && f.width > 0 {
		return f, unsupported("a JPEG that gives its height after the picture, which is not supported")
	}
	switch seg[5] {
	case 1, 3:
	case 4:
		return f, unsupported("a CMYK JPEG: printing colours cannot be measured")
	default:
		return f, unsupported("a JPEG of %d components, which is not supported", seg[5])
	}
	for c := seg[6:]; len(c) > 0; c = c[3:] {
		k := jpegComp{c[0], c[1] >> 4, c[1] & 15, c[2]}
		if k.quant > 3 {
			return f, malformed("damaged JPEG: quantisation table %d", k.quant)
		}
		if k.h < 1 || k.h > 4 || k.v < 1 || k.v > 4 {
			return f, malformed("damaged JPEG: sampling factors %d × %d", k.h, k.v)
		}
		for _, o := range f.comps {
			if o.id == k.id {
				return f, malformed("damaged JPEG: two components named %d", k.id)
			}
		}
		f.comps = append(f.comps, k)
		f.hMax, f.vMax = max(f.hMax, int(k.h)), max(f.vMax, int(k.v))
	}
	return f, nil
}

// readJPEG reads up to the first scan. Resolution: JFIF APP0 (ECMA TR/98,
// 10.1: units 0 is an aspect ratio, 1 dots per inch, 2 dots per centimetre)
// before EXIF.
func (in *Info) readJPEG(data []byte) error {
	r := jpegReader{data, 2}
	var (
		frame  *jpegFrame
		stated []density
		block  []byte
		aspect [2]float64
	)
	for {
		marker, seg, err := r.next()
		if err != nil {
			return err
		}
		if isSOF(marker) {
			if frame != nil {
				return malformed("damaged JPEG: two frame headers")
			}
			f, err := parseSOF(marker, seg)
			if err != nil {
				return err
			}
			frame = &f
			continue
		}
		switch marker {
		case mSOI, mEOI, mDNL:
			return malformed("damaged JPEG: marker %02x before the picture", marker)
		case mDAC:
			return unsupported("a JPEG with arithmetic coding, which is not supported")
		case mAPP0:
			if stated != nil || len(seg) < 12 || string(seg[:5]) != "JFIF\x00" {
				continue
			}
			x, y := float64(binary.BigEndian.Uint16(seg[8:])), float64(binary.BigEndian.Uint16(seg[10:]))
			if x == 0 || y == 0 {
				continue
			}
			switch seg[7] {
			case 0:
				aspect = [2]float64{x, y}
			case 1:
				stated = append(stated, density{"JFIF", x / mmPerInch, y / mmPerInch})
			case 2:
				stated = append(stated, density{"JFIF", x / 10, y / 10})
			}
		case mAPP1:
			if block == nil && bytes.HasPrefix(seg, []byte("Exif\x00")) && len(seg) > 6 {
				block = seg[6:]
			}
		case mSOS:
			if frame == nil {
				return malformed("damaged JPEG: a scan before the frame header")
			}
			if err := in.setSize(int64(frame.width), int64(frame.height)); err != nil {
				return err
			}
			in.BitDepth, in.Colours = 8, len(frame.comps)
			stated, ex := in.addExif(block, stated)
			in.settle(stated, ex)
			if in.PxPerMMX == 0 && aspect[0] != aspect[1] {
				in.warn("pixels_not_square", "scan again with the same resolution in both directions",
					"the file says that its pixels are not square (%g : %g)", aspect[0], aspect[1])
			}
			return nil
		}
	}
}

// completeJPEG looks for the end mark and for enough compressed data: each
// 8×8 block of at least one component takes two codes of a bit or more (one in
// a progressive picture).
func completeJPEG(data []byte, in *Info) error {
	r := jpegReader{data, 2}
	var compressed int64
	bitsPerBlock := int64(2)
	for scans := 0; ; {
		marker, seg, err := r.next()
		if err != nil {
			return err
		}
		switch marker {
		case mSOI:
			return malformed("damaged JPEG: a second picture starts within the first")
		case mSOF2:
			bitsPerBlock = 1
		case mSOS:
			if scans++; scans > maxScans {
				return unsupported("a progressive JPEG of more than %d scans, which is not supported", maxScans)
			}
			if len(seg) == 0 {
				return malformed("damaged JPEG: an empty scan header")
			}
			compressed += int64(len(r.entropy()))
		case mEOI:
			blocks := (int64(in.Width) + 7) / 8 * ((int64(in.Height) + 7) / 8)
			if want := blocks * bitsPerBlock / 8; compressed < want {
				return malformed("damaged JPEG: %d bytes of compressed data cannot hold %d × %d pixels", compressed, in.Width, in.Height)
			}
			return nil
		}
	}
}
