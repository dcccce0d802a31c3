package header

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"sync"

	"golang.org/x/image/tiff/lzw"
)

// A huffman is a Huffman table of ITU-T T.81, annex C, for decoding.
type huffman struct {
	// short maps the next 9 bits to code length << 8 | symbol; 0 where the
	// code is longer.
	short   [1 << shortBits]uint16
	last    [17]int32 // greatest code of each length, -1 for none
	offset  [17]int32 // add to a code to get its place in symbols
	symbols []byte
}

const shortBits = 9

func newHuffman(counts, symbols []byte) (*huffman, error) {
	h := &huffman{symbols: symbols}
	code, place := int32(0), int32(0)
	for l := 1; l <= 16; l++ {
		n := int32(counts[l-1])
		h.offset[l] = place - code
		h.last[l] = code + n - 1
		if n == 0 {
			h.last[l] = -1
		}
		if code+n > 1<<l {
			return nil, malformed("damaged JPEG: a Huffman table with too many codes")
		}
		for i := range n {
			if l > shortBits {
				break
			}
			first := (code + i) << (shortBits - l)
			for j := range int32(1) << (shortBits - l) {
				h.short[first+j] = uint16(l)<<8 | uint16(symbols[place+i])
			}
		}
		code, place = (code+n)<<1, place+n
	}
	return h, nil
}

// A bitReader reads the bits between two markers.
type bitReader struct {
	rest []byte
	acc  uint64 // next bits, from the top
	n    int    // how many of them are read; below 0 after the end
}

// fill makes at least 57 bits ready where the data has them.
func (r *bitReader) fill() {
	if len(r.rest) >= 8 {
		w := binary.BigEndian.Uint64(r.rest)
		// No byte of w is 0xff: none of its complement is 0.
		if v := ^w; (v-0x0101010101010101)&^v&0x8080808080808080 == 0 {
			k := (64 - r.n) >> 3
			r.acc |= w >> r.n
			r.n += k * 8
			r.rest = r.rest[k:]
			return
		}
	}
	for r.n <= 56 && len(r.rest) > 0 {
		c := r.rest[0]
		r.rest = r.rest[1:]
		if c == 0xff && len(r.rest) > 0 {
			r.rest = r.rest[1:] // the 0 stuffed after it
		}
		r.acc |= uint64(c) << (56 - r.n)
		r.n += 8
	}
}

// need makes k bits ready, k <= 32.
func (r *bitReader) need(k int) {
	if r.n < k && r.n >= 0 {
		r.fill()
	}
}

func (r *bitReader) skip(k int) {
	r.acc <<= uint(k)
	r.n -= k
}

func (r *bitReader) bits(k int) int {
	r.need(k)
	v := int(r.acc >> 1 >> (63 - uint(k)))
	r.skip(k)
	return v
}

// symbol returns the next symbol of h, -1 where the bits are no code of it,
// and leaves 16 bits ready.
func (r *bitReader) symbol(h *huffman) int {
	r.need(32)
	if e := h.short[r.acc>>(64-shortBits)]; e != 0 {
		r.skip(int(e >> 8))
		return int(e & 255)
	}
	for l := shortBits + 1; l <= 16; l++ {
		code := int32(r.acc >> (64 - uint(l)))
		if code <= h.last[l] {
			r.skip(l)
			if i := code + h.offset[l]; i >= 0 {
				return int(h.symbols[i])
			}
			return -1
		}
	}
	return -1
}

// A jpegCheck decodes the entropy-coded data of a JPEG and forgets it.
type jpegCheck struct {
	maxW, maxH int
	frame      *jpegFrame
	dc, ac     [4]*huffman
	quant      [4]bool
	interval   int // MCUs between restart markers, 0 for none
	planes     []jpegPlane
}

// A jpegPlane is one component: its size in blocks, alone and padded to whole
// MCUs, and for a progressive picture which coefficients of each block are not
// zero so far, which decides how many bits a refining scan holds.
type jpegPlane struct {
	w, h, padW int
	set        []uint64
	seen       bool
}

var errBits = malformed("damaged JPEG: the compressed data does not follow its own code")

// maxExtra is how many bytes may follow the last pixel before a marker. Some
// cameras leave a few; damage leaves more.
const maxExtra = 16

// verifyJPEG decodes every scan of a picture of at most maxW × maxH pixels.
// tables, if not nil, is a stream of tables only that belongs before data, as
// TIFF has it.
func verifyJPEG(data, tables []byte, maxW, maxH int) error {
	c := jpegCheck{maxW: maxW, maxH: maxH}
	if tables != nil {
		if err := c.walk(tables); err != nil {
			return err
		}
	}
	if err := c.walk(data); err != nil {
		return err
	}
	if c.frame == nil {
		return malformed("damaged JPEG: no picture in it")
	}
	for _, p := range c.planes {
		if !p.seen {
			return malformed("damaged JPEG: a colour is missing")
		}
	}
	return nil
}

func (c *jpegCheck) walk(data []byte) error {
	if len(data) < 2 || data[0] != 0xff || data[1] != mSOI {
		return malformed("damaged JPEG: it does not start as one")
	}
	r := jpegReader{data, 2}
	for scans := 0; ; {
		marker, seg, err := r.next()
		if err != nil {
			return err
		}
		switch {
		case marker == mEOI:
			return nil
		case marker == mDHT:
			err = c.readDHT(seg)
		case marker == 0xdb: // DQT
			for len(seg) > 0 {
				n := 65 + 64*int(seg[0]>>4)
				if seg[0]&15 > 3 || seg[0]>>4 > 1 || len(seg) < n {
					return malformed("damaged JPEG: a quantisation table is wrong")
				}
				c.quant[seg[0]&15] = true
				seg = seg[n:]
			}
		case marker == mDRI:
			if len(seg) != 2 {
				return malformed("damaged JPEG: a restart interval of %d bytes", len(seg))
			}
			c.interval = int(binary.BigEndian.Uint16(seg))
		case isSOF(marker):
			if c.frame != nil {
				return malformed("damaged JPEG: two frame headers")
			}
			err = c.start(marker, seg)
		case marker == mSOS:
			if scans++; scans > maxScans {
				return unsupported("a progressive JPEG of more than %d scans, which is not supported", maxScans)
			}
			err = c.scan(seg, r.entropy())
		}
		if err != nil {
			return err
		}
	}
}

func (c *jpegCheck) readDHT(seg []byte) error {
	for len(seg) > 0 {
		n := 0
		if len(seg) >= 17 {
			for _, k := range seg[1:17] {
				n += int(k)
			}
		}
		if len(seg) < 17+n || n > 256 || seg[0]&15 > 3 || seg[0]>>4 > 1 {
			return malformed("damaged JPEG: a Huffman table is wrong")
		}
		h, err := newHuffman(seg[1:17], seg[17:17+n])
		if err != nil {
			return err
		}
		if seg[0]>>4 == 0 {
			c.dc[seg[0]&15] = h
		} else {
			c.ac[seg[0]&15] = h
		}
		seg = seg[17+n:]
	}
	return nil
}

func ceilDiv(a, b int) int { return (a + b - 1) / b }

func (c *jpegCheck) start(marker byte, seg []byte) error {
	f, err := parseSOF(marker, seg)
	if err != nil {
		return err
	}
	if f.width > c.maxW || f.height > c.maxH {
		return malformed("damaged JPEG: %d × %d pixels where %d × %d belong", f.width, f.height, c.maxW, c.maxH)
	}
	c.frame = &f
	mcusX, mcusY := ceilDiv(f.width, 8*f.hMax), ceilDiv(f.height, 8*f.vMax)
	for _, k := range f.comps {
		p := jpegPlane{
			w:    ceilDiv(ceilDiv(f.width*int(k.h), f.hMax), 8),
			h:    ceilDiv(ceilDiv(f.height*int(k.v), f.vMax), 8),
			padW: mcusX * int(k.h),
		}
		if f.progressive {
			p.set = make([]uint64, p.padW*mcusY*int(k.v))
		}
		c.planes = append(c.planes, p)
	}
	return nil
}

// A scanPart is a component's share in a scan.
type scanPart struct {
	plane  *jpegPlane
	h, v   int // blocks per MCU
	dc, ac *huffman
}

func (c *jpegCheck) scan(seg, data []byte) error {
	wrong := malformed("damaged JPEG: a scan header is wrong")
	if c.frame == nil || len(seg) < 1 || seg[0] < 1 || seg[0] > 4 || len(seg) != 4+2*int(seg[0]) {
		return wrong
	}
	s := jpegScan{wide: seg[0] > 1, interval: c.interval}
	tail := seg[len(seg)-3:]
	s.from, s.to, s.refine = int(tail[0]), int(tail[1]), tail[2]>>4 != 0
	if c.frame.progressive {
		if s.to > 63 || s.from > s.to || s.from == 0 && s.to != 0 || s.from > 0 && s.wide {
			return wrong
		}
	} else {
		s.from, s.to, s.refine = 0, 63, false
	}
	for part := seg[1 : len(seg)-3]; len(part) > 0; part = part[2:] {
		i := 0
		for i < len(c.frame.comps) && c.frame.comps[i].id != part[0] {
			i++
		}
		if i == len(c.frame.comps) || part[1]>>4 > 3 || part[1]&15 > 3 {
			return wrong
		}
		k := c.frame.comps[i]
		p := scanPart{&c.planes[i], int(k.h), int(k.v), c.dc[part[1]>>4], c.ac[part[1]&15]}
		if (p.dc == nil && s.from == 0 && !s.refine) || (p.ac == nil && s.to > 0) {
			return malformed("damaged JPEG: a Huffman table is missing")
		}
		if !c.quant[k.quant] {
			return malformed("damaged JPEG: a quantisation table is missing")
		}
		for _, q := range s.parts {
			if q.plane == p.plane {
				return wrong
			}
		}
		p.plane.seen = true
		s.parts = append(s.parts, p)
	}
	mcusX, mcusY := ceilDiv(c.frame.width, 8*c.frame.hMax), ceilDiv(c.frame.height, 8*c.frame.vMax)
	if !s.wide {
		p := &s.parts[0]
		p.h, p.v = 1, 1
		mcusX, mcusY = p.plane.w, p.plane.h
	}
	return s.decode(data, mcusX, mcusY, c.frame.progressive)
}

// A jpegScan is one pass over some components.
type jpegScan struct {
	parts    []scanPart
	wide     bool // several components, interleaved
	from, to int  // first and last coefficient
	refine   bool
	interval int
	bits     bitReader
	eobRun   int
}

// decode walks all MCUs of the scan.
func (s *jpegScan) decode(data []byte, mcusX, mcusY int, progressive bool) error {
	rest := data
	next := func() { // takes the data up to the next restart marker
		end := len(rest)
		for i := 0; i < len(rest); {
			j := bytes.IndexByte(rest[i:], 0xff)
			if j < 0 || i+j+1 >= len(rest) {
				break
			}
			i += j
			if m := rest[i+1]; m >= mRST0 && m <= mRST7 {
				end = i
				break
			} else if m == 0 {
				i += 2
			} else {
				i++
			}
		}
		n := end
		for n > 0 && rest[n-1] == 0xff { // fill bytes
			n--
		}
		s.bits = bitReader{rest: rest[:n]}
		rest = rest[end:]
		s.eobRun = 0
	}
	next()
	left, restarts := s.interval, byte(0)
	for y := range mcusY {
		for x := range mcusX {
			if s.interval > 0 && left == 0 {
				if err := s.atEnd(); err != nil {
					return err
				}
				if len(rest) < 2 || rest[1] != mRST0+restarts&7 {
					return malformed("damaged JPEG: a restart marker is missing")
				}
				rest = rest[2:]
				restarts++
				left = s.interval
				next()
			}
			left--
			for i := range s.parts {
				p := &s.parts[i]
				for v := range p.v {
					for h := range p.h {
						ok := false
						if progressive {
							ok = s.pass(p, &p.plane.set[(y*p.v+v)*p.plane.padW+x*p.h+h])
						} else {
							ok = s.block(p)
						}
						if !ok {
							return errBits
						}
					}
				}
			}
			if s.bits.n < 0 {
				return malformed("damaged JPEG: the compressed data ends in row %d of %d blocks", y+1, mcusY)
			}
		}
	}
	if err := s.atEnd(); err != nil {
		return err
	}
	if len(rest) > 0 {
		return malformed("damaged JPEG: more compressed data than pixels")
	}
	return nil
}

// atEnd checks that the data is used up.
func (s *jpegScan) atEnd() error {
	if extra := s.bits.n/8 + len(s.bits.rest); extra > maxExtra {
		return malformed("damaged JPEG: %d bytes too many in the compressed data", extra)
	}
	return nil
}

// block reads one block of a sequential picture.
func (s *jpegScan) block(p *scanPart) bool {
	r := &s.bits
	n := r.symbol(p.dc)
	if n < 0 || n > 15 {
		return false
	}
	r.skip(n)
	ac := p.ac
	for k := 1; k < 64; k++ {
		sym := r.symbol(ac)
		if sym < 0 {
			return false
		}
		if n := sym & 15; n != 0 {
			k += sym >> 4
			r.skip(n)
		} else if sym == 0xf0 {
			k += 15
		} else {
			return true
		}
		if k > 63 {
			return false
		}
	}
	return true
}

// pass reads one block of a progressive scan (ITU-T T.81, annex G); set has a
// bit for each coefficient known not to be zero.
func (s *jpegScan) pass(p *scanPart, set *uint64) bool {
	r := &s.bits
	if s.from == 0 {
		if s.refine {
			r.bits(1)
			return true
		}
		n := r.symbol(p.dc)
		if n < 0 || n > 15 {
			return false
		}
		r.skip(n)
		return true
	}
	k := s.from
	if s.eobRun == 0 {
		for ; k <= s.to; k++ {
			sym := r.symbol(p.ac)
			if sym < 0 {
				return false
			}
			run, n := sym>>4, sym&15
			if n == 0 && run < 15 {
				s.eobRun = 1<<run + r.bits(run)
				break
			}
			if s.refine {
				if n > 1 {
					return false
				}
				r.skip(n)
				k = s.skipRefined(k, run, *set)
			} else {
				k += run
				r.skip(n)
			}
			if k > s.to {
				return false
			}
			if n != 0 {
				*set |= 1 << uint(k)
			}
		}
	}
	if s.eobRun > 0 {
		s.eobRun--
		if s.refine {
			s.skipRefined(k, 64, *set)
		}
	}
	return true
}

// skipRefined steps from coefficient k over zeros zeros, reading the
// correction bit of every coefficient that is not zero, and returns where it
// stops: at the next zero, or after the band.
func (s *jpegScan) skipRefined(k, zeros int, set uint64) int {
	for ; k <= s.to; k++ {
		if set>>uint(k)&1 != 0 {
			s.bits.bits(1)
			continue
		}
		if zeros == 0 {
			break
		}
		zeros--
	}
	return k
}

// verifyTIFF unpacks every strip or tile, on all cores, and asks for as many
// bytes as its pixels take. It returns the error nearest to the start.
func verifyTIFF(data []byte, in *Info) error {
	l := in.tiff
	if l.compression == compNone {
		return nil // its lengths say all there is
	}
	errs := make([]error, min(runtime.GOMAXPROCS(0), len(l.offsets)))
	var wg sync.WaitGroup
	for k := range errs {
		wg.Go(func() {
			n := len(l.offsets)
			errs[k] = l.verifyBlocks(data, n*k/len(errs), n*(k+1)/len(errs))
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// verifyBlocks checks the strips or tiles from from up to to.
func (l *tiffLayout) verifyBlocks(data []byte, from, to int) error {
	var inflate io.ReadCloser
	for i := from; i < to; i++ {
		b := data[l.offsets[i] : int64(l.offsets[i])+int64(l.counts[i])]
		want := l.rawSize(i)
		var err error
		switch l.compression {
		case compJPEG:
			err = verifyJPEG(b, l.tables, l.blockW, l.blockH)
		case compPackBits:
			err = unpackBits(b, want)
		case compLZW:
			if len(b) >= 2 && b[0] == 0 && b[1]&1 != 0 {
				return unsupported("a TIFF in old-style LZW compression, which is not supported")
			}
			err = unpacked(lzw.NewReader(bytes.NewReader(b), lzw.MSB, 8), want)
		case compDeflate, compOldZip:
			if inflate == nil {
				inflate, err = zlib.NewReader(bytes.NewReader(b))
			} else {
				err = inflate.(zlib.Resetter).Reset(bytes.NewReader(b), nil)
			}
			if err == nil {
				err = unpacked(inflate, want)
			}
		}
		if err != nil {
			if e, ok := errors.AsType[*Error](err); ok {
				return e
			}
			return malformed("damaged TIFF: the pixels at byte %d cannot be unpacked", l.offsets[i])
		}
	}
	return nil
}

// unpacked reads want bytes from r and, where they are all, its check sum.
func unpacked(r io.Reader, want int64) error {
	if _, err := io.CopyN(io.Discard, r, want); err != nil {
		return err
	}
	if _, err := io.ReadFull(r, make([]byte, 1)); errors.Is(err, zlib.ErrChecksum) {
		return err
	}
	return nil
}

// unpackBits checks PackBits data (TIFF 6.0, section 9).
func unpackBits(b []byte, want int64) error {
	for want > 0 {
		if len(b) < 2 {
			return io.ErrUnexpectedEOF
		}
		n := int(b[0])
		switch {
		case n < 128:
			if len(b) < n+2 {
				return io.ErrUnexpectedEOF
			}
			want -= int64(n + 1)
			b = b[n+2:]
		case n == 128:
			b = b[1:]
		default:
			want -= int64(257 - n)
			b = b[2:]
		}
	}
	return nil
}
