package header

import (
	"bytes"
	"encoding/binary"
	"math"
)

// TIFF 6.0 (Adobe, 1992) tags and those of EXIF (JEITA CP-3451) read here.
const (
	tagNewSubfileType  = 254
	tagImageWidth      = 256
	tagImageLength     = 257
	tagBitsPerSample   = 258
	tagCompression     = 259
	tagPhotometric     = 262
	tagFillOrder       = 266
	tagStripOffsets    = 273
	tagOrientation     = 274
	tagSamplesPerPixel = 277
	tagRowsPerStrip    = 278
	tagStripByteCounts = 279
	tagXResolution     = 282
	tagYResolution     = 283
	tagPlanarConfig    = 284
	tagResolutionUnit  = 296
	tagPredictor       = 317
	tagColorMap        = 320
	tagTileWidth       = 322
	tagTileLength      = 323
	tagTileOffsets     = 324
	tagTileByteCounts  = 325
	tagExtraSamples    = 338
	tagSampleFormat    = 339
	tagJPEGTables      = 347
	tagExifIFD         = 34665
	tagDNGVersion      = 50706

	exifExposureTime = 0x829a
	exifFNumber      = 0x829d
	exifFocalLength  = 0x920a
	exifWidth        = 0xa002
	exifHeight       = 0xa003
	exifFileSource   = 0xa300
)

// An entry is one field of an image file directory.
type entry struct {
	typ   uint16
	count uint32
	at    int // position of the value field in the data
}

// An ifd is an image file directory; a field that comes twice counts once, as
// first met.
type ifd struct {
	data    []byte
	order   binary.ByteOrder
	entries map[uint16]entry
	next    uint32 // offset of the next directory, 0 for none
}

// byteOrder returns the order that the first two bytes name, nil for none.
func byteOrder(data []byte) binary.ByteOrder {
	switch {
	case bytes.HasPrefix(data, []byte("II")):
		return binary.LittleEndian
	case bytes.HasPrefix(data, []byte("MM")):
		return binary.BigEndian
	}
	return nil
}

// readIFD reads the directory at off. ok is false when it does not lie within
// the data.
func readIFD(data []byte, order binary.ByteOrder, off uint32) (d ifd, ok bool) {
	if int64(off)+2 > int64(len(data)) || off < 8 {
		return ifd{}, false
	}
	n := int(order.Uint16(data[off:]))
	at := int(off) + 2
	if n == 0 || at+n*12+4 > len(data) {
		return ifd{}, false
	}
	d = ifd{data: data, order: order, entries: make(map[uint16]entry, n)}
	for i := range n {
		e := data[at+12*i:]
		tag := order.Uint16(e)
		if _, twice := d.entries[tag]; !twice {
			d.entries[tag] = entry{order.Uint16(e[2:]), order.Uint32(e[4:]), at + 12*i + 8}
		}
	}
	d.next = order.Uint32(data[at+n*12:])
	return d, true
}

func (d *ifd) has(tag uint16) bool { _, ok := d.entries[tag]; return ok }

// size returns the bytes per value of a field type, 0 for one not read here.
func fieldSize(typ uint16) int {
	switch typ {
	case 1, 2, 6, 7: // BYTE, ASCII, SBYTE, UNDEFINED
		return 1
	case 3, 8: // SHORT, SSHORT
		return 2
	case 4, 9, 13: // LONG, SLONG, IFD
		return 4
	case 5, 10: // RATIONAL, SRATIONAL
		return 8
	}
	return 0
}

// bytes returns the value bytes of a field, nil when the field is missing, of
// an odd type or outside the data.
func (d *ifd) bytes(tag uint16) []byte {
	e, ok := d.entries[tag]
	if !ok {
		return nil
	}
	n := int64(e.count) * int64(fieldSize(e.typ))
	at := int64(e.at)
	if n > 4 {
		at = int64(d.order.Uint32(d.data[e.at:]))
	}
	if n == 0 || at+n > int64(len(d.data)) {
		return nil
	}
	return d.data[at : at+n]
}

// uints returns the values of a whole-number field, nil when it has none.
func (d *ifd) uints(tag uint16) []uint32 {
	b := d.bytes(tag)
	if b == nil {
		return nil
	}
	size := fieldSize(d.entries[tag].typ)
	out := make([]uint32, len(b)/size)
	for i := range out {
		switch size {
		case 1:
			out[i] = uint32(b[i])
		case 2:
			out[i] = uint32(d.order.Uint16(b[2*i:]))
		case 4:
			out[i] = d.order.Uint32(b[4*i:])
		default:
			return nil
		}
	}
	return out
}

// uint returns the first value of a whole-number field, or def without one.
func (d *ifd) uint(tag uint16, def uint32) uint32 {
	b := d.bytes(tag)
	if b == nil {
		return def
	}
	switch fieldSize(d.entries[tag].typ) {
	case 1:
		return uint32(b[0])
	case 2:
		return uint32(d.order.Uint16(b))
	case 4:
		return d.order.Uint32(b)
	}
	return def
}

// rational returns the first value of a RATIONAL field, 0 when it has none or
// is not a positive number.
func (d *ifd) rational(tag uint16) float64 {
	b := d.bytes(tag)
	if b == nil || d.entries[tag].typ != 5 {
		return 0
	}
	v := float64(d.order.Uint32(b)) / float64(d.order.Uint32(b[4:]))
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// density returns the resolution that tags 282, 283 and 296 state. TIFF 6.0,
// section 8: unit 1 is none (a ratio only), 2 inch (the default), 3 centimetre.
func (d *ifd) density(source string) (density, bool) {
	x, y := d.rational(tagXResolution), d.rational(tagYResolution)
	if x == 0 || y == 0 {
		return density{}, false
	}
	switch d.uint(tagResolutionUnit, 2) {
	case 2:
		return density{source, x / mmPerInch, y / mmPerInch}, true
	case 3:
		return density{source, x / 10, y / 10}, true
	}
	return density{}, false
}

// orientation returns tag 274 where it is one of the eight defined values,
// else 1.
func (d *ifd) orientation() int {
	if o := d.uint(tagOrientation, 1); o >= 1 && o <= 8 {
		return int(o)
	}
	return 1
}

// An exif is what an EXIF block adds to a picture.
type exif struct {
	orientation   int // 1..8, 0 without a block
	density       density
	hasDensity    bool
	camera        bool // taken with a lens, at an unknown distance
	width, height int  // pixels when taken; 0 when not said
}

// parseExif reads an EXIF block: a TIFF file of its own, with or without the
// "Exif\0\0" before it. ok is false when it cannot be read.
func parseExif(data []byte) (x exif, ok bool) {
	data = bytes.TrimPrefix(data, []byte("Exif\x00\x00"))
	order := byteOrder(data)
	if order == nil || len(data) < 8 || order.Uint16(data[2:]) != 42 {
		return exif{}, false
	}
	d, ok := readIFD(data, order, order.Uint32(data[4:]))
	if !ok {
		return exif{}, false
	}
	x.orientation = d.orientation()
	x.density, x.hasDensity = d.density("EXIF")
	x.readSub(&d)
	return x, true
}

// readSub reads the camera's own directory that d points to.
func (x *exif) readSub(d *ifd) {
	sub, ok := readIFD(d.data, d.order, d.uint(tagExifIFD, 0))
	if !ok {
		return
	}
	x.width, x.height = int(sub.uint(exifWidth, 0)), int(sub.uint(exifHeight, 0))
	// FileSource 1 and 2 are scanners, 3 a digital still camera.
	source := sub.uint(exifFileSource, 0)
	lens := sub.has(exifExposureTime) || sub.has(exifFNumber) || sub.has(exifFocalLength)
	x.camera = source == 3 || source == 0 && lens
}

// addExif takes over what the EXIF block says and returns its resolution after
// those stated elsewhere.
func (in *Info) addExif(block []byte, stated []density) ([]density, exif) {
	if block == nil {
		return stated, exif{}
	}
	x, ok := parseExif(block)
	if !ok {
		in.warn("exif_damaged", "check that the picture is the right way up, and state the resolution of the scan",
			"the EXIF block cannot be read, so its orientation and resolution are not known")
		return stated, exif{}
	}
	in.Orientation = x.orientation
	if x.hasDensity {
		stated = append(stated, x.density)
	}
	return stated, x
}
