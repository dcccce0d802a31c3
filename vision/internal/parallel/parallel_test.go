package parallel

import (
	"context"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestEachOnce(t *testing.T) {
	for _, n := range []int{0, 1, 2, 1000} {
		done := make([]atomic.Int32, n)
		require.NoError(t, Each(context.Background(), n, func(w, i int) {
			assert.Less(t, w, Workers())
			done[i].Add(1)
		}))
		for i := range done {
			assert.EqualValues(t, 1, done[i].Load())
		}
	}
}

func TestEachStops(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	var n atomic.Int32
	err := Each(ctx, 1000, func(_, i int) {
		if n.Add(1) == 5 {
			cancel()
		}
	})
	assert.ErrorIs(t, err, context.Canceled)
	assert.Less(t, n.Load(), int32(1000))
}
