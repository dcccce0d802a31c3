//go:build matprofile

package vision_test

import (
	"runtime/pprof"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	ht "traytally/vision/internal/header/headertest"
)

// Nothing opened, closed or refused leaves pixels behind. Run with:
// go test -tags matprofile ./vision
func TestOpenLeavesNothing(t *testing.T) {
	held := pprof.Lookup("gocv.io/x/gocv.Mat") // what the build tag keeps
	require.NotNil(t, held)
	before := held.Count()
	m := ht.Pattern(40, 30)
	damaged := ht.JPEG(m)
	for i := len(damaged) / 2; i < len(damaged)/2+30; i++ {
		damaged[i] = 0
	}
	for _, data := range [][]byte{
		ht.PNG(m), ht.PNG(ht.TwoTone(9, 9, true)), ht.JPEG(m), ht.TIFFOf(m, 0), damaged, ht.PNG(m)[:200], nil, []byte("text, not a picture"),
	} {
		p, err := vision.Decode("tray", data, vision.OpenOptions{})
		if err == nil {
			assert.Equal(t, before+1, held.Count())
			p.Close()
		}
		assert.Equal(t, before, held.Count(), "%v", err)
	}
}
