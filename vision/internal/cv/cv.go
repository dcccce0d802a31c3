// Package cv is the one place of the program that calls OpenCV.
//
// An OpenCV assertion ends the process and no recover can stop it, so every
// function here checks emptiness, size and type before the call. No other
// package imports gocv.
//
// Pixels are 8-bit BGR, interleaved, row-major, rows of 3*width bytes without
// padding.
package cv

import (
	"errors"

	"gocv.io/x/gocv"
)

// An Image holds decoded pixels outside Go's heap. Close frees them.
type Image struct {
	mat           gocv.Mat
	pix           []byte
	width, height int
	closed        bool
}

// Decode decodes the bytes of a JPEG, PNG, TIFF, BMP or WebP file.
func Decode(data []byte) (*Image, error) {
	if len(data) == 0 {
		return nil, errors.New("no bytes to decode")
	}
	m, err := gocv.IMDecode(data, gocv.IMReadColor|gocv.IMReadIgnoreOrientation)
	if err != nil {
		return nil, err
	}
	if m.Empty() || m.Type() != gocv.MatTypeCV8UC3 || !m.IsContinuous() {
		m.Close()
		return nil, errors.New("the decoder found no picture in it")
	}
	pix, err := m.DataPtrUint8()
	if err != nil {
		m.Close()
		return nil, err
	}
	return &Image{mat: m, pix: pix, width: m.Cols(), height: m.Rows()}, nil
}

// Width returns the number of columns.
func (m *Image) Width() int { return m.width }

// Height returns the number of rows.
func (m *Image) Height() int { return m.height }

// Bytes returns the pixels; they are valid until Close.
func (m *Image) Bytes() []byte { return m.pix }

// Close frees the pixels; a second call does nothing.
func (m *Image) Close() error {
	if m.closed {
		return nil
	}
	m.closed, m.pix = true, nil
	return m.mat.Close()
}
