package card

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/internal/pixel"
)

// The definition, pixel by pixel: half way between the least and the greatest of
// the blocks of 8 × 8 up to three away.
func TestDark(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &small{w: rapid.IntRange(1, 70).Draw(t, "w"), h: rapid.IntRange(1, 70).Draw(t, "h"), step: 1}
		s.v = make([]byte, s.w*s.h)
		some := rapid.SliceOfN(rapid.Byte(), 1, 64).Draw(t, "values")
		spread := rapid.IntRange(1, 40).Draw(t, "spread") // every so many pixels differ
		for i := range s.v {
			s.v[i] = 100
			if i%spread == 0 {
				s.v[i] = some[i/spread%len(some)]
			}
		}
		got, err := s.dark(context.Background())
		require.NoError(t, err)
		for y := range s.h {
			for x := range s.w {
				low, high := byte(255), byte(0)
				for v := max(0, (y/8-3)*8); v < min(s.h, (y/8+4)*8); v++ {
					for u := max(0, (x/8-3)*8); u < min(s.w, (x/8+4)*8); u++ {
						low, high = min(low, s.v[v*s.w+u]), max(high, s.v[v*s.w+u])
					}
				}
				black := high-low >= flat && int(s.v[y*s.w+x]) < (int(low)+int(high))/2
				require.Equal(t, pixel.Bit(black), got[y*s.w+x], "at %d, %d", x, y)
			}
		}
	})
}
