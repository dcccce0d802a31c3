package samples

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
)

// A circle of radius 20: the thinned outline stays within the stated tolerance
// and the step of the grid, and keeps far fewer corners.
func TestThinCircle(t *testing.T) {
	var circle []kernel.Point
	for i := range 400 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 400)
		circle = append(circle, kernel.Point{X: 50 + 20*c, Y: 50 + 20*s})
	}
	k := Kernels{Trays: []kernel.Tray{{Kernels: []kernel.Kernel{{ID: 1, Outline: circle}}}}}
	data, err := k.encode()
	require.NoError(t, err)
	back, err := decodeKernels(data)
	require.NoError(t, err)
	out := back.Trays[0].Kernels[0].Outline
	assert.Less(t, len(out), 40)
	for _, p := range circle {
		nearest := math.Inf(1)
		for i, a := range out {
			nearest = min(nearest, p.DistToLine(a, out[(i+1)%len(out)]))
		}
		// Half a diagonal of the grid's cell comes on top.
		assert.Less(t, nearest, outlineTolerance+math.Sqrt2/2/outlineGrid)
	}
	assert.Equal(t, circle, k.Trays[0].Kernels[0].Outline, "the trays handed in stay as they are")
}

func TestMeasuredSumSeesEveryBit(t *testing.T) {
	k := Kernels{Trays: []kernel.Tray{{Kernels: []kernel.Kernel{{ID: 1, LengthPx: 80, Outline: []kernel.Point{{X: 1, Y: 2}}}}}}}
	a, err := k.MeasuredSHA256()
	require.NoError(t, err)
	k.Trays[0].Picture = "renamed"
	b, err := k.MeasuredSHA256()
	require.NoError(t, err)
	assert.Equal(t, a, b)
	k.Trays[0].Kernels[0].LengthPx = math.Nextafter(80, 81)
	b, err = k.MeasuredSHA256()
	require.NoError(t, err)
	assert.NotEqual(t, a, b)
	k.Trays[0].Kernels[0].LengthPx = math.NaN()
	_, err = k.MeasuredSHA256()
	assert.Error(t, err)
}

// Whatever bytes stand in a register, reading them gives kernels or an error.
func FuzzDecodeKernels(f *testing.F) {
	k := Kernels{Trays: []kernel.Tray{{Kernels: []kernel.Kernel{{ID: 1, Outline: []kernel.Point{{X: 1, Y: 2}, {X: 3, Y: 4}}}}}}}
	data, err := k.encode()
	require.NoError(f, err)
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add(compress([]byte(`{"Trays":[{"Kernels":[{}],"Outlines":[[1]]}]}`)))
	f.Add(compress([]byte(`{"Trays":[{"Kernels":[{}]}]}`)))
	f.Fuzz(func(t *testing.T, data []byte) {
		k, err := decodeKernels(data)
		if (k == nil) == (err == nil) {
			t.Fatalf("kernels %v, error %v", k, err)
		}
	})
}
