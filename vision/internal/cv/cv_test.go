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
		"resize to none":  func() error { _, err := Resize(make([]byte, 12), 2, 2, 0, 1); return err },
		"resize too wide": func() error { _, err := Resize(make([]byte, 12), 2, 2, raster.MaxSide+1, 1); return err },
		"resize nothing":  func() error { _, err := Resize(nil, 2, 2, 1, 1); return err },
	} {
		assert.Error(t, f(), name)
	}
}

// Averages over whole blocks are known exactly.
func TestResize(t *testing.T) {
	const w, h, f = 12, 8, 4
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(i * 37)
	}
	got, err := Resize(pix, w, h, w/f, h/f)
	require.NoError(t, err)
	for y := range h / f {
		for x := range w / f {
			for c := range 3 {
				sum := 0
				for j := range f {
					for i := range f {
						sum += int(pix[3*((y*f+j)*w+x*f+i)+c])
					}
				}
				assert.InDelta(t, float64(sum)/(f*f), got[3*(y*w/f+x)+c], 0.51, "rounded to a whole level")
			}
		}
	}
	one, err := Resize(pix, w, h, 5, 1) // no whole blocks
	require.NoError(t, err)
	assert.Len(t, one, 15)
}
