package cv

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/raster"
)

// Sizes that are wrong, what OpenCV asserts and what it throws come back as
// errors.
func TestGuards(t *testing.T) {
	for name, f := range map[string]func() error{
		"resize to none":  func() error { _, err := Enlarge(make([]byte, 12), 2, 2, 0, 1); return err },
		"resize too wide": func() error { _, err := Enlarge(make([]byte, 12), 2, 2, raster.MaxSide+1, 1); return err },
		"resize nothing":  func() error { _, err := Enlarge(nil, 2, 2, 1, 1); return err },
	} {
		assert.Error(t, f(), name)
	}
}

// A ramp goes on as one between its pixels, whose middles lie at halves.
func TestEnlarge(t *testing.T) {
	const w, h, f = 12, 8, 3
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(i/3%w*12 + i/3/w*6 + i%3)
	}
	got, err := Enlarge(pix, w, h, f*w, f*h)
	require.NoError(t, err)
	for y := 2 * f; y < f*(h-2); y++ {
		for x := 2 * f; x < f*(w-2); x++ {
			for c := range 3 {
				want := ((float64(x)+0.5)/f-0.5)*12 + ((float64(y)+0.5)/f-0.5)*6 + float64(c)
				assert.InDelta(t, want, got[3*(y*f*w+x)+c], 1)
			}
		}
	}
}
