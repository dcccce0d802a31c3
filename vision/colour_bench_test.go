package vision

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// BenchmarkSurfaces times the colour stage alone: the metric ns/kernel is wall
// time over the kernels of one tray.
//
//	go test -run xxx -bench Surfaces ./vision
func BenchmarkSurfaces(b *testing.B) {
	for _, dpi := range []float64{150, 300, 600} {
		b.Run(fmt.Sprintf("dpi=%.0f", dpi), func(b *testing.B) {
			p := phantom.DefaultParams()
			p.DPI, p.Count = dpi, 400
			p.Crowd(phantom.Touching)
			p.Chalky, p.WhiteBelly, p.Yellow, p.Red, p.Streaked, p.Spotted = 0.05, 0.05, 0.02, 0.02, 0.02, 0.02
			img, _, err := phantom.Draw(p)
			require.NoError(b, err)
			var buf bytes.Buffer
			require.NoError(b, phantom.Encode(&buf, "tray.jpg", img, dpi, 92))
			pic, err := Decode("tray", buf.Bytes(), OpenOptions{})
			require.NoError(b, err)
			defer pic.Close()
			r, err := segment.Find(context.Background(), segment.Picture{Pixels: pixelsOf(pic)})
			require.NoError(b, err)
			t, err := Measure(context.Background(), pic, MeasureOptions{})
			require.NoError(b, err)
			b.ReportAllocs()
			for b.Loop() {
				again := kernel.Tray{Kernels: slices.Clone(t.Kernels)}
				require.NoError(b, surfaces(context.Background(), pic, r, &again, MeasureOptions{}))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(t.Kernels)), "ns/kernel")
		})
	}
}
