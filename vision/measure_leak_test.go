package vision_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/internal/raster"
	"traytally/vision/phantom"
)

// Measuring leaves no pixels behind, whether it ends well, is refused or is
// stopped.
func TestMeasureLeavesNothing(t *testing.T) {
	before := raster.Held()
	p := params(phantom.Long, phantom.Dense, 300, 91)
	p.Count = 60
	pic, _ := drawn(t, p)
	opened := raster.Held()
	assert.Equal(t, before+1, opened)
	_, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
	require.NoError(t, err)
	assert.Equal(t, opened, raster.Held(), "after measuring")

	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err = vision.Measure(ctx, pic, vision.MeasureOptions{})
	require.Error(t, err)
	assert.Equal(t, opened, raster.Held(), "after a stop")

	_, err = vision.Measure(context.Background(), pic, vision.MeasureOptions{PxPerMM: 1}) // kernels 20 mm wide
	require.Error(t, err)
	assert.Equal(t, opened, raster.Held(), "after a refusal")
	require.NoError(t, pic.Close())
	assert.Equal(t, before, raster.Held(), "after closing")
}
