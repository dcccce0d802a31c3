package vision

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/raster"
	"traytally/vision/phantom"
)

// Nothing straightened, measured or refused leaves pixels behind.
func TestCardLeavesNothing(t *testing.T) {
	ctx := context.Background()
	for _, count := range []int{0, 80} { // on an empty card there is nothing to measure
		pic, _ := photo(t, func(p *phantom.Photo) { p.Rice.Count, p.Rice.Kind = count, phantom.Bold })
		before := raster.Held()
		c, err := FindCard(ctx, pic, CardOptions{RulerMM: 150})
		require.NoError(t, err)
		assert.Equal(t, before, raster.Held())
		_, err = MeasureOnCard(ctx, pic, c, MeasureOptions{})
		assert.Equal(t, count == 0, err != nil, "%v", err)
		assert.Equal(t, before, raster.Held())
		flat, err := c.Straighten(ctx, pic)
		require.NoError(t, err)
		assert.Equal(t, before+1, raster.Held())
		flat.Close()
		gone, cancel := context.WithCancel(ctx)
		cancel()
		_, err = c.Straighten(gone, pic)
		require.ErrorIs(t, err, context.Canceled)
		assert.Equal(t, before, raster.Held())
	}
}
