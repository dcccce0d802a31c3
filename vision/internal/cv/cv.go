// Package cv is the one place of the program that calls OpenCV.
//
// An OpenCV assertion ends the process and no recover can stop it, so every
// function here checks emptiness, size and type before the call. No other
// package imports gocv.
//
// Pixels are 8-bit BGR, interleaved, row-major, in rows of 3*width bytes
// without padding. Functions that take pixels neither change nor keep them.
package cv

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"math"
	"runtime"

	"gocv.io/x/gocv"

	"traytally/vision/internal/header"
)

// Limits of the decoders and encoders behind OpenCV 4.6.0, below which its
// size assertions (2^20 per side, 2^30 pixels) and the int in which gocv keeps
// the length of a buffer hold.
const (
	MaxSide     = 1000000   // px; libpng's own limit on a side
	MaxPixels   = 700000000 // 3 bytes each stay below 2^31
	MaxFile     = math.MaxInt32
	maxJPEGSide = 65500 // JPEG_MAX_DIMENSION of libjpeg
)

// Version returns the version of the OpenCV library in use.
func Version() string { return gocv.OpenCVVersion() }

// An Image holds decoded pixels outside Go's heap. Close frees them.
type Image struct {
	mat           gocv.Mat
	pix           []byte
	width, height int
}

// Width returns the number of columns.
func (m *Image) Width() int { return m.width }

// Height returns the number of rows.
func (m *Image) Height() int { return m.height }

// Bytes returns the pixels, valid until Close, nil after it.
func (m *Image) Bytes() []byte { return m.pix }

// Close frees the pixels; a second call does nothing.
func (m *Image) Close() error {
	if m.pix == nil {
		return nil
	}
	m.pix = nil
	return m.mat.Close()
}

// Decode decodes a file whose header is in, turned the right way up by the
// orientation stored in it. Sixteen-bit samples become v·255/65535, rounded;
// grey becomes three equal samples; transparent pixels are laid over black,
// whatever colour they hide. The caller must have passed data and in through
// header.Complete, and closes the Image.
//
// At its peak it holds, beside data, a copy of data and 3 bytes per pixel; 4
// with an alpha channel, 9 with 16 bits, 11 with both, and 6 while a picture
// that lies on its side is turned.
func Decode(data []byte, in *header.Info) (*Image, error) {
	switch {
	case len(data) == 0 || int64(len(data)) > MaxFile:
		return nil, fmt.Errorf("%d bytes cannot be decoded", len(data))
	case in.Width < 1 || in.Height < 1 || in.Width > MaxSide || in.Height > MaxSide || in.Pixels() > MaxPixels:
		return nil, fmt.Errorf("%d × %d pixels cannot be decoded", in.Width, in.Height)
	}
	if in.Format == header.PNG && in.Untidy {
		data = header.Tidy(data)
	}
	// libtiff lays transparent pixels over black, rounds 16-bit colour (but cuts
	// 16-bit grey off) and turns the picture by itself; PNG and WebP leave all
	// of it to us.
	flags := gocv.IMReadColor
	want := gocv.MatTypeCV8UC3
	ours := in.Format != header.TIFF
	deep := in.BitDepth == 16 && (ours || in.Colours == 1)
	switch {
	case ours && in.Transparency == header.Alpha && deep:
		flags, want = gocv.IMReadUnchanged, gocv.MatTypeCV16UC4
	case ours && in.Transparency == header.Alpha:
		flags, want = gocv.IMReadUnchanged, gocv.MatTypeCV8UC4
	case deep && !ours:
		flags, want = gocv.IMReadGrayScale|gocv.IMReadAnyDepth, gocv.MatTypeCV16UC1
	case deep:
		flags, want = gocv.IMReadColor|gocv.IMReadAnyDepth, gocv.MatTypeCV16UC3
	}
	if flags != gocv.IMReadUnchanged { // which includes it
		flags |= gocv.IMReadIgnoreOrientation
	}
	mat, err := gocv.IMDecode(data, flags)
	if err != nil {
		return nil, err
	}
	if want == gocv.MatTypeCV8UC4 && mat.Type() == gocv.MatTypeCV8UC3 {
		want = gocv.MatTypeCV8UC3 // a WebP that promises alpha and has none
	}
	m := &Image{mat: mat, width: in.Width, height: in.Height}
	sideways := in.Orientation >= 5
	if !ours && sideways {
		m.width, m.height = m.height, m.width
	}
	if err := m.check(want); err != nil {
		mat.Close()
		return nil, err
	}
	if want == gocv.MatTypeCV8UC3 {
		err = m.take()
	} else {
		err = m.reduce(want, in)
	}
	if err == nil && in.Transparency == header.ColourKey && !deep {
		blackOut(m.pix, in.Key)
	}
	if err == nil && ours && in.Orientation > 1 {
		err = m.turn(in.Orientation)
	}
	if err != nil {
		m.mat.Close()
		return nil, err
	}
	return m, nil
}

// check reports whether the decoded matrix is what the header announced.
func (m *Image) check(want gocv.MatType) error {
	switch {
	case m.mat.Empty():
		return errors.New("the decoder found its data damaged")
	case m.mat.Type() != want:
		return fmt.Errorf("the decoder gave pixels of type %v for %v", m.mat.Type(), want)
	case m.mat.Cols() != m.width || m.mat.Rows() != m.height:
		return fmt.Errorf("the decoder gave %d × %d pixels for %d × %d", m.mat.Cols(), m.mat.Rows(), m.width, m.height)
	case !m.mat.IsContinuous():
		return errors.New("the decoder gave pixels with gaps")
	}
	return nil
}

// take makes the matrix, BGR of 8 bits, the picture.
func (m *Image) take() (err error) {
	m.pix, err = m.mat.DataPtrUint8()
	return err
}

// reduce turns a matrix of 16 bits or with alpha into BGR of 8 bits.
func (m *Image) reduce(typ gocv.MatType, in *header.Info) error {
	if typ == gocv.MatTypeCV8UC4 {
		b, err := m.mat.DataPtrUint8()
		if err != nil {
			return err
		}
		// In place: the three bytes of a pixel never overtake its four.
		m.pix = flatten(b)
		return nil
	}
	deep, err := m.mat.DataPtrUint16()
	if err != nil {
		return err
	}
	out := gocv.NewMatWithSize(m.height, m.width, gocv.MatTypeCV8UC3)
	if out.Empty() || !out.IsContinuous() {
		out.Close()
		return errors.New("no memory for the picture")
	}
	pix, err := out.DataPtrUint8()
	if err != nil {
		out.Close()
		return err
	}
	switch {
	case typ == gocv.MatTypeCV16UC1:
		spread(pix, deep, in.WhiteIsZero)
	case typ == gocv.MatTypeCV16UC4:
		flattenDeep(pix, deep)
	case in.Transparency == header.ColourKey:
		narrow(pix, deep, &in.Key)
	default:
		narrow(pix, deep, nil)
	}
	err = m.mat.Close()
	m.mat, m.pix = out, pix
	return err
}

// flatten lays BGRA over black and returns the BGR that now fills the first
// three quarters of it.
func flatten(b []byte) []byte {
	n := len(b) / 4
	for i := range n {
		p, q := b[4*i:4*i+4:4*i+4], b[3*i:3*i+3:3*i+3]
		a := uint32(p[3])
		if a == 255 {
			q[0], q[1], q[2] = p[0], p[1], p[2]
			continue
		}
		q[0], q[1], q[2] = byte((uint32(p[0])*a+127)/255), byte((uint32(p[1])*a+127)/255), byte((uint32(p[2])*a+127)/255)
	}
	return b[: 3*n : 3*n]
}

// flattenDeep lays 16-bit BGRA over black: c·a/65535 · 255/65535, rounded.
func flattenDeep(dst []byte, src []uint16) {
	const full = 65535 * 257
	for i := range len(dst) / 3 {
		p, q := src[4*i:4*i+4:4*i+4], dst[3*i:3*i+3:3*i+3]
		a := uint64(p[3])
		for c := range q {
			q[c] = byte((uint64(p[c])*a + full/2) / full)
		}
	}
}

// narrow brings 16-bit BGR to 8 bits, v·255/65535 rounded, and the see-through
// colour, if there is one, to black.
func narrow(dst []byte, src []uint16, key *[3]uint16) {
	for i := range len(dst) / 3 {
		p, q := src[3*i:3*i+3:3*i+3], dst[3*i:3*i+3:3*i+3]
		if key != nil && p[2] == key[0] && p[1] == key[1] && p[0] == key[2] {
			q[0], q[1], q[2] = 0, 0, 0
			continue
		}
		for c := range q {
			q[c] = byte((uint32(p[c]) + 128) / 257)
		}
	}
}

// spread brings 16-bit grey to 8-bit BGR, v·255/65535 rounded.
func spread(dst []byte, src []uint16, whiteIsZero bool) {
	for i, v := range src {
		if whiteIsZero {
			v = ^v
		}
		g := byte((uint32(v) + 128) / 257)
		q := dst[3*i : 3*i+3 : 3*i+3]
		q[0], q[1], q[2] = g, g, g
	}
}

// blackOut turns the see-through colour (red, green, blue) of BGR pixels black.
func blackOut(pix []byte, key [3]uint16) {
	for i := 0; i+3 <= len(pix); i += 3 {
		if uint16(pix[i+2]) == key[0] && uint16(pix[i+1]) == key[1] && uint16(pix[i]) == key[2] {
			pix[i], pix[i+1], pix[i+2] = 0, 0, 0
		}
	}
}

// turn applies an EXIF orientation, 2..8 (JEITA CP-3451, tag 274: where the
// stored first row and column lie in the scene).
func (m *Image) turn(orientation int) error {
	src, unpin, err := wrap(m.pix, m.width, m.height)
	if err != nil {
		return err
	}
	defer unpin()
	defer src.Close()
	dst := gocv.NewMat()
	w, h := m.width, m.height
	if orientation >= 5 {
		w, h = h, w
	}
	switch orientation {
	case 2: // mirrored left to right
		gocv.Flip(src, &dst, 1)
	case 3: // upside down
		gocv.Flip(src, &dst, -1)
	case 4: // mirrored top to bottom
		gocv.Flip(src, &dst, 0)
	case 5: // mirrored along the falling diagonal
		gocv.Transpose(src, &dst)
	case 6: // a quarter turn clockwise sets it upright
		gocv.Rotate(src, &dst, gocv.Rotate90Clockwise)
	case 7: // mirrored along the rising diagonal
		gocv.Transpose(src, &dst)
		gocv.Flip(dst, &dst, -1)
	case 8: // a quarter turn counter-clockwise sets it upright
		gocv.Rotate(src, &dst, gocv.Rotate90CounterClockwise)
	}
	if err := m.mat.Close(); err != nil {
		dst.Close()
		return err
	}
	m.mat, m.pix, m.width, m.height = dst, nil, w, h
	if err := m.check(gocv.MatTypeCV8UC3); err != nil {
		return err
	}
	return m.take()
}

// wrap returns a matrix over pix, which stays the caller's. The matrix must be
// closed before unpin is called.
func wrap(pix []byte, width, height int) (m gocv.Mat, unpin func(), err error) {
	if width < 1 || height < 1 || width > MaxSide || height > MaxSide ||
		int64(width)*int64(height) > MaxPixels || len(pix) != 3*width*height {
		return gocv.Mat{}, nil, fmt.Errorf("%d bytes are not %d × %d pixels", len(pix), width, height)
	}
	var pin runtime.Pinner
	pin.Pin(&pix[0])
	m, err = gocv.NewMatFromBytes(height, width, gocv.MatTypeCV8UC3, pix)
	if err != nil {
		pin.Unpin()
		return gocv.Mat{}, nil, err
	}
	return m, pin.Unpin, nil
}

// EncodePNG encodes BGR pixels. level is 0 (fast, large) to 9 (slow, small).
func EncodePNG(pix []byte, width, height, level int) ([]byte, error) {
	if level < 0 || level > 9 {
		return nil, fmt.Errorf("PNG compression level %d is not 0 to 9", level)
	}
	return encode(gocv.PNGFileExt, pix, width, height, gocv.IMWritePngCompression, level)
}

// EncodeJPEG encodes BGR pixels. quality is 1 to 100.
func EncodeJPEG(pix []byte, width, height, quality int) ([]byte, error) {
	if quality < 1 || quality > 100 {
		return nil, fmt.Errorf("JPEG quality %d is not 1 to 100", quality)
	}
	if width > maxJPEGSide || height > maxJPEGSide {
		return nil, fmt.Errorf("%d × %d pixels are more than a JPEG can hold (%d a side)", width, height, maxJPEGSide)
	}
	return encode(gocv.JPEGFileExt, pix, width, height, gocv.IMWriteJpegQuality, quality)
}

func encode(ext gocv.FileExt, pix []byte, width, height, param, value int) ([]byte, error) {
	m, unpin, err := wrap(pix, width, height)
	if err != nil {
		return nil, err
	}
	defer unpin()
	defer m.Close()
	buf, err := gocv.IMEncodeWithParams(ext, m, []int{param, value})
	if err != nil {
		return nil, err
	}
	defer buf.Close()
	out := bytes.Clone(buf.GetBytes())
	if len(out) == 0 {
		return nil, fmt.Errorf("the %s encoder gave nothing", ext)
	}
	return out, nil
}

// Resize returns BGR pixels brought to outWidth × outHeight: by averaging over
// areas where both sides shrink, else by cubic interpolation.
func Resize(pix []byte, width, height, outWidth, outHeight int) ([]byte, error) {
	if outWidth < 1 || outHeight < 1 || outWidth > MaxSide || outHeight > MaxSide || int64(outWidth)*int64(outHeight) > MaxPixels {
		return nil, fmt.Errorf("%d × %d pixels cannot be brought to %d × %d", width, height, outWidth, outHeight)
	}
	how := gocv.InterpolationCubic
	if outWidth <= width && outHeight <= height {
		how = gocv.InterpolationArea
	}
	src, unpin, err := wrap(pix, width, height)
	if err != nil {
		return nil, err
	}
	defer unpin()
	defer src.Close()
	dst := gocv.NewMat()
	defer dst.Close()
	gocv.Resize(src, &dst, image.Pt(outWidth, outHeight), 0, 0, how)
	if dst.Empty() || dst.Cols() != outWidth || dst.Rows() != outHeight || dst.Type() != gocv.MatTypeCV8UC3 || !dst.IsContinuous() {
		return nil, errors.New("the picture could not be resized")
	}
	b, err := dst.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	return bytes.Clone(b), nil
}
