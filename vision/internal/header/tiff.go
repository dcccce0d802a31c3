package header

import (
	"encoding/binary"
)

// Compression schemes of TIFF 6.0 and its later registrations.
const (
	compNone     = 1
	compLZW      = 5
	compJPEG     = 7
	compDeflate  = 8
	compPackBits = 32773
	compOldZip   = 32946 // deflate under its first number
)

// compRatio is how many bytes one compressed byte can stand for at most: LZW
// 4096-byte strings in 9-bit codes, deflate as in completePNG, PackBits 128
// bytes in two; JPEG is checked by its own walk (64 samples in two bits).
var compRatio = map[uint32]int64{compNone: 1, compLZW: 4096, compJPEG: 256, compDeflate: 1032, compOldZip: 1032, compPackBits: 64}

// tileStep divides the sides of every tile that goes to the decoder. TIFF 6.0
// (section 15) allows multiples of 16; OpenCV 4.6.0 reads multiples of 32 only,
// as found by trying 16, 32, 48, 64, 80 and 128.
const tileStep = 32

// maxTile bounds the side of a tile, of which the decoder holds a whole one
// however small the picture is. Writers use 128 to 1024.
const maxTile = 4096

// maxStrip is OpenCV's limit on a strip, in bytes (MAX_TILE_SIZE).
const maxStrip = 1 << 30

// A tiffLayout is where the pixels of a TIFF lie.
type tiffLayout struct {
	order             binary.ByteOrder
	compression       uint32
	samples           int  // per pixel, alpha included
	separate          bool // one plane per sample
	tiled             bool
	blockW, blockH    int    // strip or tile, in pixels
	rowsPerStrip      uint32 // as stored, 0 for tiles
	offsets, counts   []uint32
	tables            []byte // JPEG tables shared by the blocks
	bits              int
	width, height     int
	blocksX, blocksY  int
	blocksPerPlane    int
	samplesPerStorage int // samples per pixel within a block
}

// rawSize returns the bytes of block i once decompressed.
func (l *tiffLayout) rawSize(i int) int64 {
	rows := int64(l.blockH)
	if !l.tiled {
		if y := i % l.blocksPerPlane * l.blockH; y+l.blockH > l.height {
			rows = int64(l.height - y)
		}
	}
	return l.rowSize() * rows
}

func (l *tiffLayout) rowSize() int64 {
	return (int64(l.blockW)*int64(l.samplesPerStorage)*int64(l.bits) + 7) / 8
}

// readTIFF reads the first directory (TIFF 6.0, Adobe 1992).
func (in *Info) readTIFF(data []byte) error {
	order := byteOrder(data)
	off := order.Uint32(data[4:])
	if int64(off)+2 > int64(len(data)) {
		return endsEarly(int64(len(data)), int64(off)+2)
	}
	d, ok := readIFD(data, order, off)
	if !ok {
		if n := int64(order.Uint16(data[off:])); off >= 8 && n > 0 {
			return endsEarly(int64(len(data)), int64(off)+6+12*n)
		}
		return malformed("damaged TIFF: the directory at byte %d is empty or overlaps the header", off)
	}
	if d.has(tagDNGVersion) {
		return unsupported("a camera raw file (DNG), which is not supported")
	}
	if d.uint(tagNewSubfileType, 0)&1 != 0 {
		return unsupported("a TIFF whose first page is a preview of another, which is not supported")
	}
	if err := in.setSize(int64(d.uint(tagImageWidth, 0)), int64(d.uint(tagImageLength, 0))); err != nil {
		return err
	}
	if err := in.readTIFFKind(&d); err != nil {
		return err
	}
	if err := in.readTIFFLayout(&d); err != nil {
		return err
	}
	if d.next != 0 {
		in.warn("more_pages", "split the file to measure the other pages", "the TIFF holds more than one page; the first was read")
	}
	in.Orientation = d.orientation()
	var stated []density
	if s, ok := d.density("TIFF"); ok {
		stated = append(stated, s)
	} else if x, y := d.rational(tagXResolution), d.rational(tagYResolution); x != y && x > 0 && y > 0 {
		in.warn("pixels_not_square", "scan again with the same resolution in both directions",
			"the file says that its pixels are not square (%g : %g)", x, y)
	}
	var ex exif
	ex.readSub(&d)
	in.settle(stated, ex)
	return nil
}

// readTIFFKind reads what the samples mean and refuses what the decoder would
// get wrong.
func (in *Info) readTIFFKind(d *ifd) error {
	comp := d.uint(tagCompression, compNone)
	if compRatio[comp] == 0 {
		name := ""
		switch comp {
		case 2, 3, 4:
			e := unsupported("a TIFF in fax compression, which holds black and white only")
			e.Hint = "scan in colour"
			return e
		case 6:
			name = "old-style JPEG"
		case 34712:
			name = "JPEG 2000"
		case 34925:
			name = "LZMA"
		case 50000:
			name = "Zstandard"
		case 50001:
			name = "WebP"
		default:
			return unsupported("a TIFF in compression %d, which is not supported", comp)
		}
		return unsupported("a TIFF in %s compression, which is not supported", name)
	}
	samples := int(d.uint(tagSamplesPerPixel, 1))
	bits := d.uints(tagBitsPerSample)
	if bits == nil {
		bits = []uint32{1}
	}
	if len(bits) == 1 && samples > 1 && samples <= 4 {
		for len(bits) < samples { // a common slip of writers
			bits = append(bits, bits[0])
		}
	}
	if samples < 1 || len(bits) < samples {
		return malformed("damaged TIFF: %d samples per pixel with %d depths", samples, len(bits))
	}
	for _, b := range bits[:samples] {
		if b != bits[0] {
			return unsupported("a TIFF whose samples differ in depth, which is not supported")
		}
	}
	in.BitDepth = int(bits[0])
	for _, f := range d.uints(tagSampleFormat) {
		if f != 1 && f != 4 {
			return unsupported("a TIFF of signed or floating-point samples, which is not supported")
		}
	}
	if d.uint(tagPredictor, 1) > 2 {
		return unsupported("a TIFF of floating-point samples, which is not supported")
	}
	if d.uint(tagFillOrder, 1) != 1 {
		return unsupported("a TIFF with its bits in reverse order, which is not supported")
	}

	const noPhotometric = 1 << 16
	photo := d.uint(tagPhotometric, noPhotometric)
	switch photo {
	case 0, 1, 3:
		in.Colours = 1
		if photo == 3 && (samples != 1 || in.BitDepth != 8) {
			return unsupported("a TIFF palette with %d samples of %d bits, which is not supported", samples, in.BitDepth)
		}
		if photo == 3 && len(d.uints(tagColorMap)) != 3*256 {
			return malformed("damaged TIFF: the palette is missing")
		}
	case 2:
		in.Colours = 3
	case 6:
		in.Colours = 3
		if comp != compJPEG {
			return unsupported("a TIFF in YCbCr without JPEG compression, which is not supported")
		}
	case 5:
		return unsupported("a CMYK TIFF: printing colours cannot be measured")
	case noPhotometric:
		return malformed("damaged TIFF: it does not say what its samples mean")
	case 8, 9, 10:
		return unsupported("a TIFF in CIELAB, which is not supported")
	case 32803, 34892:
		return unsupported("a camera raw file, which is not supported")
	default:
		return unsupported("a TIFF of photometric kind %d, which is not supported", photo)
	}
	switch in.BitDepth {
	case 8:
	case 16:
		if comp == compJPEG {
			return unsupported("a TIFF of 16-bit JPEG, which is not supported")
		}
	case 1:
		if in.Colours != 1 || samples != 1 || comp == compJPEG || d.uint(tagPredictor, 1) != 1 {
			return unsupported("a TIFF of %d samples of %d bits, which is not supported", samples, in.BitDepth)
		}
	default:
		return unsupported("a TIFF of %d bits per sample, which is not supported", in.BitDepth)
	}
	switch extra := samples - in.Colours; {
	case extra < 0:
		return malformed("damaged TIFF: %d samples per pixel for %d colours", samples, in.Colours)
	case extra == 1:
		kind := d.uint(tagExtraSamples, 0)
		if in.Colours == 1 && (kind == 2 || in.BitDepth == 16) {
			return unsupported("a grey TIFF with a second sample, which is not supported")
		}
		in.Transparency = [...]Transparency{Opaque, Multiplied, Alpha}[min(kind, 2)]
	case extra > 1:
		return unsupported("a TIFF of %d samples per pixel, which is not supported", samples)
	}
	if photo == 3 {
		in.Colours = 3
	}
	in.WhiteIsZero = photo == 0
	return nil
}

// readTIFFLayout reads where the strips or tiles lie.
func (in *Info) readTIFFLayout(d *ifd) error {
	l := &tiffLayout{
		order:       d.order,
		compression: d.uint(tagCompression, compNone),
		samples:     int(d.uint(tagSamplesPerPixel, 1)),
		separate:    d.uint(tagPlanarConfig, 1) == 2,
		tiled:       d.has(tagTileWidth),
		bits:        in.BitDepth,
		width:       in.Width,
		height:      in.Height,
		tables:      d.bytes(tagJPEGTables),
	}
	l.samplesPerStorage = l.samples
	planes := 1
	if l.separate {
		planes, l.samplesPerStorage = l.samples, 1
		if l.tiled || l.compression == compJPEG || in.Transparency != Opaque {
			return unsupported("a TIFF with its samples in separate planes and with tiles, JPEG or transparency, which is not supported")
		}
	}
	word := "strips"
	if l.tiled {
		word = "tiles"
		w, h := d.uint(tagTileWidth, 0), d.uint(tagTileLength, 0)
		if w == 0 || h == 0 || w%16 != 0 || h%16 != 0 || w > maxTile || h > maxTile {
			return malformed("damaged TIFF: tiles of %d × %d pixels", w, h)
		}
		if w%tileStep != 0 || h%tileStep != 0 {
			return unsupported("a TIFF in tiles of %d × %d pixels, which is not supported", w, h)
		}
		l.blockW, l.blockH = int(w), int(h)
		l.offsets, l.counts = d.uints(tagTileOffsets), d.uints(tagTileByteCounts)
	} else {
		rows := d.uint(tagRowsPerStrip, 1<<32-1)
		if rows == 0 {
			return malformed("damaged TIFF: strips of no rows")
		}
		l.rowsPerStrip = rows
		l.blockW, l.blockH = in.Width, int(min(int64(rows), int64(in.Height)))
		l.offsets, l.counts = d.uints(tagStripOffsets), d.uints(tagStripByteCounts)
	}
	l.blocksX = (in.Width + l.blockW - 1) / l.blockW
	l.blocksY = (in.Height + l.blockH - 1) / l.blockH
	if want := int64(l.blocksX) * int64(l.blocksY) * int64(planes); int64(len(l.offsets)) != want || int64(len(l.counts)) != want {
		return malformed("damaged TIFF: the picture needs %d %s, and the file lists %d places and %d lengths of them",
			want, word, len(l.offsets), len(l.counts))
	}
	l.blocksPerPlane = l.blocksX * l.blocksY
	in.tiff = l
	return nil
}

// completeTIFF compares the place and length of every strip or tile with the
// file, and its length with what it must hold.
func completeTIFF(data []byte, in *Info) error {
	l := in.tiff
	// More rows than the picture has are allowed (2^32-1 stands for "all"), but
	// OpenCV takes any other number as the height of its buffer.
	if r := l.rowsPerStrip; r != 1<<32-1 && int64(r)*int64(in.Width)*int64(l.samples)*int64(l.bits+7)/8 >= maxStrip {
		return unsupported("a TIFF in strips of %d rows, which is not supported", r)
	}
	end, sum := int64(0), int64(0)
	for i, o := range l.offsets {
		end = max(end, int64(o)+int64(l.counts[i]))
		sum += int64(l.counts[i])
	}
	if end > int64(len(data)) {
		return endsEarly(int64(len(data)), end)
	}
	if sum > int64(len(data)) { // a bomb: the same bytes again and again
		return malformed("damaged TIFF: its strips or tiles overlap")
	}
	for i := range l.offsets {
		if want := l.rawSize(i); int64(l.counts[i])*compRatio[l.compression] < want {
			return malformed("damaged TIFF: %d bytes at byte %d cannot hold their %d bytes of pixels", l.counts[i], l.offsets[i], want)
		}
	}
	return nil
}
