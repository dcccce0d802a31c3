package raster_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	ht "traytally/vision/internal/codec/codectest"
	"traytally/vision/internal/raster"
)

// Against the definition of the tag, pixel by pixel, on sizes about the squares
// that are copied at a time.
func TestTurn(t *testing.T) {
	held := raster.Held()
	for _, size := range [][2]int{{1, 1}, {31, 33}, {32, 64}, {70, 45}} {
		w, h := size[0], size[1]
		pix := ht.BGR(ht.Pattern(w, h))
		for o := range 9 {
			m, err := raster.New(w, h)
			require.NoError(t, err)
			copy(m.Bytes(), pix)
			require.NoError(t, m.Turn(o))
			want, wantW, wantH := ht.Turn(pix, w, h, max(1, o))
			assert.Equal(t, want, m.Bytes(), "%v, orientation %d", size, o)
			assert.Equal(t, [2]int{wantW, wantH}, [2]int{m.Width(), m.Height()})
			require.NoError(t, m.Close())
			require.NoError(t, m.Close())
			assert.Nil(t, m.Bytes())
		}
	}
	assert.Equal(t, held, raster.Held())
}

func TestSizesThatCannotBeHeld(t *testing.T) {
	for _, size := range [][2]int{{0, 1}, {1, 0}, {raster.MaxSide + 1, 1}, {30000, 30000}} {
		_, err := raster.New(size[0], size[1])
		assert.Error(t, err, "%v", size)
	}
	_, err := raster.Alloc(1 << 50)
	assert.ErrorContains(t, err, "no memory")
}
