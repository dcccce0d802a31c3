package vision

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"traytally/vision/internal/parallel"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// MeasureOptions changes how a picture is measured.
type MeasureOptions struct {
	// PxPerMM is the scale; 0 takes it from the coin, or the picture's stored
	// resolution, and where there is none lengths stay in pixels.
	PxPerMM float64
	// CoinMM is the diameter of a coin that lies beside the rice, mm; 0: there
	// is none. It counts where PxPerMM is 0.
	CoinMM float64 `json:",omitempty"`
	// ScaleSource says for people where PxPerMM comes from.
	ScaleSource string
	// Colour changes how colours are measured; the zero value is the usual way.
	Colour ColourOptions
}

// sameScale is up to which a scale given and a stored one pass for the same:
// devices round what they store. Our own choice.
const sameScale = 0.01

// Measure finds and measures the pieces on a tray. The tray may have any dark
// colour; its level and the fall-off of light are estimated from the picture.
//
// It fails with a *fault.Error where the picture cannot be a tray of rice:
// nothing on it, a bright ground, kernels too small to measure, or not the one
// coin that was promised. Doubts that
// leave a result standing come as Tray.Warnings.
func Measure(ctx context.Context, p *Picture, o MeasureOptions) (*kernel.Tray, error) {
	if p.Width < 16 || p.Height < 16 {
		return nil, fault.New(p.Name, "scan the tray at 300 dpi or more", "the picture is %d × %d pixels, too small to hold a kernel", p.Width, p.Height)
	}
	t := &kernel.Tray{Picture: p.Name, WidthPx: p.Width, HeightPx: p.Height, Warnings: slices.Clone(p.Warnings)}
	aspect := 1.0 // vertical over horizontal pixel size
	switch {
	case o.PxPerMM > 0:
		t.PxPerMM, t.ScaleSource = o.PxPerMM, o.ScaleSource
		if off := math.Abs(o.PxPerMM/p.PxPerMMX - 1); p.PxPerMMX > 0 && off > sameScale {
			t.Warnings = append(t.Warnings, doubt("scale_differs", "difference of the scales, %", 100*off, 100*sameScale,
				"give the scale of the picture as it is, or leave it out",
				"the scale given, %.4g dpi, is not the %s", o.PxPerMM*25.4, p.ScaleSource))
		}
	case o.CoinMM > 0: // once kernels tell which round thing it is
	case p.PxPerMMX > 0 && p.PxPerMMY > 0:
		t.PxPerMM, t.ScaleSource = p.PxPerMMX, p.ScaleSource
		if aspect = p.PxPerMMX / p.PxPerMMY; aspect != 1 {
			t.PixelAspect = aspect
		}
	}
	r, err := segment.Find(ctx, segment.Picture{Pixels: pixelsOf(p), Gain: p.gain})
	if errors.Is(err, segment.ErrFine) {
		return nil, &fault.Error{Path: p.Name, What: "shows so much fine detail that as kernels it would be tens of thousands", Hint: "scan at a lower resolution, a smaller area, or on a tray without a pattern", Err: err}
	} else if err != nil {
		return nil, err
	}
	if err := refuse(p, r, t.PxPerMM); err != nil {
		return nil, err
	}
	var c *coin
	if o.CoinMM > 0 && t.PxPerMM == 0 {
		if c, err = coinOf(ctx, p, r, o.CoinMM); err != nil {
			return nil, err
		}
		t.PxPerMM, t.ScaleSource = c.pxPerMM, c.source(o.CoinMM)
		t.Warnings = append(slices.DeleteFunc(t.Warnings, ofStoredScale), c.warnings()...)
	}
	setAside(r, t, c)
	inside := slices.DeleteFunc(r.Pieces, func(q segment.Piece) bool { return q.Edge })
	t.CutByEdge = len(r.Pieces) - len(inside)
	t.Kernels = make([]kernel.Kernel, len(inside))
	parts := make([]*piece, len(inside))
	if err := parallel.Each(ctx, len(inside), func(_, i int) {
		t.Kernels[i], parts[i] = measure(inside[i], aspect, r.Model.Width)
	}); err != nil {
		return nil, err
	}
	var long []endShape
	for i, k := range t.Kernels {
		t.KernelAreaPx2 += k.AreaPx2
		if k.LengthPx > 0.88*r.Model.Length {
			long = append(long, parts[i].ends[0], parts[i].ends[1])
		}
	}
	tip := tipShapeOf(long)
	pressed := tip.pressed(parts)
	for i, p := range parts {
		k, e := &t.Kernels[i], p.ends
		more := tip.missing(e[0], pressed) + tip.missing(e[1], pressed)
		k.LengthPx += more
		k.AxisLengthPx += more
		k.LengthSDPx = lengthSD(k)
		k.VolumePx3 = p.volume(fractured(k.Ends, k.LengthPx < 0.8*r.Model.Length), r.Model.Width)
	}
	for _, q := range r.Unresolved {
		t.KernelAreaPx2 += q.Area
		t.Unresolved = append(t.Unresolved, cluster(&q))
	}
	for _, q := range r.Heaps {
		t.KernelAreaPx2 += q.AreaPx2
		t.Unresolved = append(t.Unresolved, q)
	}
	t.TooSmall = r.Small
	if err := surfaces(ctx, p, r, t, o); err != nil {
		return nil, err
	}
	t.Warnings = append(t.Warnings, doubts(r, t.PxPerMM)...)
	readingOrder(t.Kernels, r.Model.Length)
	return t, nil
}

// readingOrder numbers kernels from the top left: rows one kernel length high,
// from left to right.
func readingOrder(ks []kernel.Kernel, row float64) {
	if row <= 0 {
		row = 1
	}
	slices.SortStableFunc(ks, func(a, b kernel.Kernel) int {
		if ra, rb := math.Floor(a.Y/row), math.Floor(b.Y/row); ra != rb {
			return int(ra - rb)
		}
		return cmp.Compare(a.X, b.X)
	})
	for i := range ks {
		ks[i].ID = i + 1
	}
}
