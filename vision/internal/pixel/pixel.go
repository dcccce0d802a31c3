// Package pixel is what all that looks at a picture shares: its pixels, their
// light, and how they are parted.
package pixel

import "math"

// Pixels are 8-bit blue, green and red, interleaved, row-major without
// padding: len(Pix) = 3·W·H.
type Pixels struct {
	Pix  []byte
	W, H int
}

// Luma returns 256 times the luma of a pixel of blue, green and red by Rec. 601
// (0.114, 0.587 and 0.299 in 256ths), 0..65280.
func Luma(bgr []byte) int { return 29*int(bgr[0]) + 150*int(bgr[1]) + 77*int(bgr[2]) }

// Linear returns the linear value, 0..1, of an encoded sample of 0..1 by the
// transfer function of IEC 61966-2-1.
func Linear(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// Light holds the linear value, 0..1, of each 8-bit sample.
var Light = func() *[256]float32 {
	t := new([256]float32)
	for i := range t {
		t[i] = float32(Linear(float64(i) / 255))
	}
	return t
}()

// Encode returns the sRGB value, 0..255, of a linear one of 0..1.
func Encode(v float64) float64 {
	switch {
	case v <= 0:
		return 0
	case v <= 0.0031308:
		return 255 * 12.92 * v
	}
	return 255 * (1.055*math.Pow(v, 1/2.4) - 0.055)
}
