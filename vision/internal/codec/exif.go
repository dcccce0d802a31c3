package codec

import (
	"bytes"
	"io"
	"strings"

	"github.com/bep/imagemeta"
)

// Tags are the fields of a TIFF directory and of the EXIF directory that it
// points to (TIFF 6.0, Adobe 1992; JEITA CP-3451), by name.
type tags map[string]any

// readTags reads a TIFF file or an EXIF block, which is one. ok is false where
// a field lies outside it or is of a kind that nobody knows.
func readTags(data []byte) (t tags, ok bool) {
	t = tags{}
	r := edgeReader{Reader: bytes.NewReader(data)}
	_, err := imagemeta.Decode(imagemeta.Options{
		R: &r, ImageFormat: imagemeta.TIFF, Sources: imagemeta.EXIF,
		ShouldHandleTag: func(i imagemeta.TagInfo) bool {
			return i.Namespace == "IFD0" || strings.HasPrefix(i.Namespace, "IFD0/ExifIFD")
		},
		HandleTag: func(i imagemeta.TagInfo) error {
			if _, twice := t[i.Tag]; !twice {
				t[i.Tag] = i.Value
			}
			return nil
		},
	})
	return t, err == nil && !r.beyond && len(t) > 0
}

// An edgeReader notes whether somebody asked for bytes beyond the end, which
// the library takes for the end of the fields.
type edgeReader struct {
	*bytes.Reader
	beyond bool
}

func (r *edgeReader) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	r.beyond = r.beyond || err == io.EOF
	return n, err
}

func (t tags) has(name string) bool { _, ok := t[name]; return ok }

// number returns a field of whole numbers, or the first of them; def without.
func (t tags) number(name string, def int) int {
	v := t[name]
	if all, ok := v.([]any); ok && len(all) > 0 {
		v = all[0]
	}
	switch v := v.(type) {
	case uint8:
		return int(v)
	case uint16:
		return int(v)
	case uint32:
		return int(v)
	}
	return def
}

// ratio returns a RATIONAL field, 0 when it has none or is no number.
func (t tags) ratio(name string) float64 {
	if v, ok := t[name].(imagemeta.Rat[uint32]); ok && v.Den() != 0 {
		return float64(v.Num()) / float64(v.Den())
	}
	return 0
}

// density returns the resolution. TIFF 6.0, section 8: unit 1 is none (a ratio
// only), 2 inch (the default), 3 centimetre.
func (t tags) density(source string) (d density, ok bool) {
	d = density{source, t.ratio("XResolution"), t.ratio("YResolution")}
	if d.x == 0 || d.y == 0 {
		return density{}, false
	}
	switch t.number("ResolutionUnit", 2) {
	case 2:
		return density{source, d.x / mmPerInch, d.y / mmPerInch}, true
	case 3:
		return density{source, d.x / 10, d.y / 10}, true
	}
	return d, false
}

// orientation returns one of the eight defined values, 1 where there is none.
func (t tags) orientation() int {
	if o := t.number("Orientation", 1); o >= 1 && o <= 8 {
		return o
	}
	return 1
}

// camera reports whether the picture was taken with a lens, at an unknown
// distance. FileSource 1 and 2 are scanners, 3 a digital still camera.
func (t tags) camera() bool {
	source := t.number("FileSource", 0)
	return source == 3 || source == 0 && (t.has("ExposureTime") || t.has("FNumber") || t.has("FocalLength"))
}

// addExif takes over what an EXIF block says, which may be nil, and returns its
// resolution after those stated elsewhere.
func (in *Info) addExif(block []byte, stated []density) ([]density, tags) {
	if block == nil {
		return stated, nil
	}
	t, ok := readTags(bytes.TrimPrefix(block, []byte("Exif\x00\x00")))
	if !ok {
		in.warn("exif_damaged", "check that the picture is the right way up, and state the resolution of the scan",
			"the EXIF block cannot be read, so its orientation and resolution are not known")
	}
	in.Orientation = t.orientation()
	if d, ok := t.density("EXIF"); ok {
		stated = append(stated, d)
	}
	return stated, t
}
