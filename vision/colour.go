package vision

import (
	"context"
	"fmt"

	"traytally/vision/internal/colour"
	"traytally/vision/internal/parallel"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
)

// A picture whose kernels have this share of pixels with a channel at the top
// of its range is burnt out: chalk and whiteness are cut off there. Our own
// choice: one pixel in fifty hides a twentieth of a mean at most.
const burntOut = 0.02

// surfaces measures the surface of each kernel and finds the usual one. It
// adds doubts about the exposure to the tray's warnings.
func surfaces(ctx context.Context, p *Picture, r *segment.Result, t *kernel.Tray, o MeasureOptions) error {
	px := colour.Pixels{Pix: p.Pix(), W: p.Width, H: p.Height}
	gain, from := neutral(r.TrayMean)
	t.Balance = from
	dec := colour.NewDecoder(gain)

	n := len(t.Kernels)
	patches := make([]colour.Patch, n)
	samplers := make([]*colour.Sampler, parallel.Workers())
	for i := range samplers {
		samplers[i] = colour.NewSampler(px, dec, r.BlurSigma)
	}
	if err := parallel.Each(ctx, n, func(w, i int) {
		patches[i] = samplers[w].Take(t.Kernels[i].Outline, t.Kernels[i].AngleRad)
	}); err != nil {
		return err
	}

	weight := make([]float64, n)
	pixels, burnt, chroma := 0, 0, 0.0
	for i := range patches {
		q, k := &patches[i], &t.Kernels[i]
		k.Lab = [3]float64{q.Mean.L, q.Mean.A, q.Mean.B}
		pixels += q.Pixels
		burnt += q.Burnt
		chroma = max(chroma, q.Mean.Chroma())
		// Small pieces show mostly rim, and what is larger than a kernel is none.
		if k.AreaPx2 > 0.3*r.Model.Area && k.AreaPx2 < 1.6*r.Model.Area {
			weight[i] = 1
		}
	}
	t.Grey = n > 0 && chroma < 0.5
	if pixels > 0 {
		t.BurntShare = float64(burnt) / float64(pixels)
	}
	if t.BurntShare > burntOut {
		t.Warnings = append(t.Warnings, kernel.Warning{
			Code:  "burnt_out",
			Text:  fmt.Sprintf("the picture is too bright: %.1f %% of the kernels' pixels are at the top of the range", 100*t.BurntShare),
			Hint:  "take it again with less light or a shorter exposure; chalk and whiteness cannot be told in burnt-out places",
			Value: t.BurntShare, Limit: burntOut, Metric: "share of kernel pixels with a channel at 254 or more of 255",
		})
	}
	t.Look.LengthPx, t.Look.WidthPx = r.Model.Length, r.Model.Width

	look, ok := colour.NewLook(patches, weight, p.Width, p.Height)
	if !ok {
		return nil
	}
	t.Look = kernel.Look{
		Lab:     [3]float64{look.Usual.L, look.Usual.A, look.Usual.B},
		SpreadL: look.SpreadL, SpreadB: look.SpreadB, Kernels: look.N,
		LengthPx: r.Model.Length, WidthPx: r.Model.Width,
	}
	chalk := make([]colour.Chalk, n)
	judges := make([]*colour.Judge, parallel.Workers())
	for i := range judges {
		judges[i] = colour.NewJudge(look, kernel.DefaultSurfaceLimits())
	}
	if err := parallel.Each(ctx, n, func(w, i int) {
		if len(patches[i].Cells) > 0 {
			t.Kernels[i].Surface, chalk[i] = judges[w].Measure(&patches[i])
		}
	}); err != nil {
		return err
	}
	opaque := colour.NewOpaque(look, chalk)
	for i := range t.Kernels {
		t.Kernels[i].ChalkShare = opaque.Share(chalk[i])
	}
	return nil
}

// neutral returns the gains for blue, green and red, and where they come from.
func neutral(tray [3]float64) ([3]float64, string) {
	return [3]float64{1, 1, 1}, "as recorded"
}
