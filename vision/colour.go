package vision

import (
	"context"
	"fmt"
	"image"
	"slices"

	"traytally/vision/internal/colour"
	"traytally/vision/internal/parallel"
	"traytally/vision/internal/pixel"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A picture whose kernels have this share of pixels with a channel at the top
// of its range is burnt out: chalk and whiteness are cut off there. Our own
// choice: one pixel in fifty hides a twentieth of a mean at most.
const burntOut = 0.02

// streakScale is the scale in px per mm below which a red streak of 0.1 to
// 0.2 mm is as thin as a pixel, and the coarser colour of a JPEG dilutes it: on
// rendered JPEG trays of 150 dpi (5.9 px per mm) three in five streaked kernels
// stay unseen, of 200 dpi (7.9) one in four, of 300 dpi (11.8) one in fifty
// (TestThinStreaks).
const streakScale = 10

// lookSample is about how many kernels the usual one is found on.
const lookSample = 200

// surfaces measures the surface of each kernel and finds the usual one. It
// adds doubts about the exposure to the tray's warnings.
func surfaces(ctx context.Context, p *Picture, r *segment.Result, t *kernel.Tray, o MeasureOptions) error {
	px := pixelsOf(p)
	gain, from, absolute, err := o.Colour.balance(p, r)
	if err != nil {
		return err
	}
	t.Balance, t.Calibrated = from, absolute
	limits := kernel.DefaultSurfaceLimits()
	if o.Colour.Limits != nil {
		limits = *o.Colour.Limits
	}
	dec := colour.NewDecoder(gain)

	n := len(t.Kernels)
	samplers := make([]*colour.Sampler, parallel.Workers())
	for i := range samplers {
		samplers[i] = colour.NewSampler(px, dec, r.BlurSigma)
	}
	take := func(w, i int) colour.Patch {
		k := &t.Kernels[i]
		return samplers[w].Take(k.Outline, kernel.Point{X: k.X, Y: k.Y}, k.AngleRad)
	}

	// The usual kernel is found on some of them; their patches are kept.
	stride := 1 + n/lookSample
	patches := make([]colour.Patch, (n+stride-1)/stride)
	weight := make([]float64, len(patches))
	if err := parallel.Each(ctx, len(patches), func(w, i int) {
		k := &t.Kernels[i*stride]
		patches[i] = take(w, i*stride)
		patches[i].Cells = slices.Clone(patches[i].Cells)
		// Small pieces show mostly rim, and what is larger than a kernel is none.
		if k.AreaPx2 > 0.3*r.Model.Area && k.AreaPx2 < 1.6*r.Model.Area {
			weight[i] = 1
		}
	}); err != nil {
		return err
	}
	look, ok := colour.NewLook(patches, weight, p.Width, p.Height)
	size := kernel.Look{LengthPx: r.Model.Length, WidthPx: r.Model.Width}
	if like := o.Colour.Like; like != nil {
		look, ok, size = colour.Like(*like), true, *like
	}
	if ok {
		g := r.TrayMean
		look.Ground = dec.FromBGR(byte(g[0]+0.5), byte(g[1]+0.5), byte(g[2]+0.5)).Array()
		t.Look = look.Look
	}
	t.Look.LengthPx, t.Look.WidthPx = size.LengthPx, size.WidthPx

	chalk := make([]colour.Chalk, n)
	judges := make([]*colour.Judge, len(samplers))
	count := make([]struct {
		pixels, burnt int
		chroma        float64
	}, len(samplers))
	for i := range judges {
		judges[i] = colour.NewJudge(look, limits)
	}
	if err := parallel.Each(ctx, n, func(w, i int) {
		q := &patches[i/stride]
		if i%stride != 0 {
			fresh := take(w, i)
			q = &fresh
		}
		if len(q.Cells) == 0 {
			return
		}
		k, c := &t.Kernels[i], &count[w]
		k.Lab = q.Mean.Array()
		c.pixels += q.Pixels
		c.burnt += q.Burnt
		c.chroma = max(c.chroma, q.Mean.Chroma())
		if ok {
			k.Surface, chalk[i] = judges[w].Measure(q)
		}
	}); err != nil {
		return err
	}
	pixels, burnt, chroma := 0, 0, 0.0
	for _, c := range count {
		pixels, burnt, chroma = pixels+c.pixels, burnt+c.burnt, max(chroma, c.chroma)
	}
	t.Grey = n > 0 && chroma < 0.5
	if pixels > 0 {
		t.BurntShare = float64(burnt) / float64(pixels)
	}
	if t.BurntShare > burntOut {
		t.Warnings = append(t.Warnings, doubt("burnt_out", "share of kernel pixels with a channel at 254 or more of 255", t.BurntShare, burntOut,
			"take it again with less light or a shorter exposure; chalk and whiteness cannot be told in burnt-out places",
			"the picture is too bright: %.1f %% of the kernels' pixels are at the top of the range", 100*t.BurntShare))
	}
	if !ok {
		return nil
	}
	if scale := t.PxPerMM; scale > 0 && scale < streakScale {
		t.Warnings = append(t.Warnings, doubt("streaks_unsure", "pixels per mm", scale, streakScale,
			"scan at 300 dpi or more to have red-streaked kernels assessed",
			"red streaks thinner than %.2f mm are not all seen at %.1f pixels per mm", 1.5/scale, scale))
	}
	opaque := colour.NewOpaque(look, chalk)
	for i := range t.Kernels {
		t.Kernels[i].ChalkShare = opaque.Share(chalk[i])
	}
	return nil
}

// A ColourOptions changes how colours are measured. Its zero value takes
// neutral from a grey tray where there is one, the sample's own usual kernel
// as the yardstick, and kernel.DefaultSurfaceLimits.
type ColourOptions struct {
	// Limits are the limits between the parts of a surface; nil: the defaults.
	Limits *kernel.SurfaceLimits
	// GreyPatch is a place in the picture, in pixels, that is neutral grey or
	// white in truth; empty: there is none.
	GreyPatch image.Rectangle
	// GreyY is the luminous reflectance of that place, above 0 up to 1. With
	// it colours are absolute. 0: not known.
	GreyY float64
	// Like is the usual kernel to judge by instead of the sample's own, from
	// Tray.Look of a picture taken in the same light; nil: the sample's own.
	Like *kernel.Look
}

// A tray is taken for neutral where its encoded level is at least neutralFrom,
// below which one step of the encoding is more than a hundredth, and its
// channels differ, in linear light, by no more than neutralRatio. Our own
// choice.
const (
	neutralFrom  = 48
	neutralRatio = 1.35
)

// balance returns the gains for blue, green and red, where neutral was taken
// from, and whether colours are absolute.
func (o ColourOptions) balance(p *Picture, r *segment.Result) (gain [3]float64, from string, absolute bool, err error) {
	var level [3]float64
	switch {
	case p.balanced != "":
		return [3]float64{1, 1, 1}, p.balanced, p.absolute, nil
	case !o.GreyPatch.Empty():
		from = fmt.Sprintf("grey patch at %d,%d", o.GreyPatch.Min.X, o.GreyPatch.Min.Y)
		if level, err = patchLevel(p, o.GreyPatch); err != nil {
			return gain, "", false, err
		}
	case isNeutral(r.TrayMean):
		from = "the tray, taken for neutral grey"
		for i, v := range r.TrayMean {
			level[i] = pixel.Linear(v / 255)
		}
	default:
		return [3]float64{1, 1, 1}, "as recorded", false, nil
	}
	target := (level[0] + level[1] + level[2]) / 3
	if absolute = !o.GreyPatch.Empty() && o.GreyY > 0; absolute {
		target = o.GreyY
	}
	for i := range gain {
		gain[i] = target / level[i]
	}
	return gain, from, absolute, nil
}

func isNeutral(tray [3]float64) bool {
	low, high := min(tray[0], tray[1], tray[2]), max(tray[0], tray[1], tray[2])
	return low >= neutralFrom && pixel.Linear(high/255) <= neutralRatio*pixel.Linear(low/255)
}

// patchLevel returns the mean linear blue, green and red of a place.
func patchLevel(p *Picture, at image.Rectangle) (level [3]float64, err error) {
	bad := func(what, hint string) error {
		return fault.New(p.Name, hint, "the grey patch at %d,%d of %d × %d pixels %s", at.Min.X, at.Min.Y, at.Dx(), at.Dy(), what)
	}
	if !at.In(image.Rect(0, 0, p.Width, p.Height)) || at.Dx() < 4 || at.Dy() < 4 {
		return level, bad("does not lie in the picture", "give x,y,width,height of a grey or white place in the picture, 4 pixels wide or more")
	}
	pix := p.Pix()
	burnt := 0
	for y := at.Min.Y; y < at.Max.Y; y++ {
		for x := at.Min.X; x < at.Max.X; x++ {
			q := pix[3*(y*p.Width+x):]
			if max(q[0], q[1], q[2]) >= 254 {
				burnt++
			}
			for i := range level {
				level[i] += pixel.Linear(float64(q[i]) / 255)
			}
		}
	}
	n := float64(at.Dx() * at.Dy())
	for i := range level {
		level[i] /= n
	}
	switch {
	case float64(burnt) > 0.01*n:
		return level, bad("is burnt out", "choose a darker patch, or take the picture with less light")
	case min(level[0], level[1], level[2]) < pixel.Linear(neutralFrom/255.0):
		return level, bad("is too dark to take neutral from", "choose a lighter patch")
	}
	return level, nil
}
