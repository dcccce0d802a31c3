package vision

import (
	"crypto/sha256"
	"encoding/hex"
	"os"

	"traytally/vision/internal/cv"
	"traytally/vision/kernel"
)

// OpenOptions limits what Open accepts.
type OpenOptions struct {
	MaxPixels int64 // width × height; 0 means 200 million
}

// A Picture is a decoded picture as it is displayed.
type Picture struct {
	Name               string // as the user typed it
	Format             string
	Width, Height      int // as displayed, px
	SHA256             string
	PxPerMMX, PxPerMMY float64 // stored resolution along x and y as displayed; 0 means none
	ScaleSource        string
	Warnings           []kernel.Warning

	img *cv.Image
}

// Open reads and decodes a picture file.
func Open(path string, o OpenOptions) (*Picture, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, &InputError{Path: path, What: "cannot be read", Err: err}
	}
	return Decode(path, data, o)
}

// Decode decodes the bytes of a picture file.
func Decode(name string, data []byte, o OpenOptions) (*Picture, error) {
	img, err := cv.Decode(data)
	if err != nil {
		return nil, &InputError{Path: name, What: err.Error(), Err: err}
	}
	sum := sha256.Sum256(data)
	return &Picture{Name: name, Width: img.Width(), Height: img.Height(), SHA256: hex.EncodeToString(sum[:]), img: img}, nil
}

// Pix returns the pixels: 8-bit BGR, interleaved, row-major, rows of 3*Width
// bytes. They are valid until Close.
func (p *Picture) Pix() []byte { return p.img.Bytes() }

// Close frees the pixels; a second call does nothing.
func (p *Picture) Close() error { return p.img.Close() }
