package vision

import (
	"context"

	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// colour fills Lab of each kernel from the picture and returns warnings about
// the exposure.
func colour(ctx context.Context, p *Picture, r *segment.Result, t *kernel.Tray) error {
	return ctx.Err()
}
