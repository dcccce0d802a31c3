package vision_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"traytally/vision"
	ht "traytally/vision/internal/codec/codectest"
	"traytally/vision/internal/raster"
)

// Nothing opened, closed or refused leaves pixels behind.
func TestOpenLeavesNothing(t *testing.T) {
	before := raster.Held()
	m := ht.Pattern(40, 30)
	damaged := ht.JPEG(m)
	for i := len(damaged) / 2; i < len(damaged)/2+30; i++ {
		damaged[i] = 0
	}
	for _, data := range [][]byte{
		ht.PNG(m), ht.PNG(ht.SeeThrough(9, 9)), ht.JPEG(m), ht.TIFFOf(m, 0), damaged, ht.PNG(m)[:200], nil, []byte("text, not a picture"),
	} {
		p, err := vision.Decode("tray", data, vision.OpenOptions{})
		if err == nil {
			assert.Equal(t, before+1, raster.Held())
			p.Close()
		}
		assert.Equal(t, before, raster.Held(), "%v", err)
	}
}
