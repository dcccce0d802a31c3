package vision

import (
	"context"
	"fmt"
	"math"
	"slices"

	"traytally/vision/internal/card"
	"traytally/vision/internal/geom"
	"traytally/vision/internal/segment"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Limits of a scale by a coin.
const (
	// The usual kernel by a believed scale, mm: milled rice of the kinds we know
	// of lies within (from memory). A scale that says otherwise is doubted, and a
	// round thing by which it would is not the coin.
	minUsualLengthMM, maxUsualLengthMM = 3.5, 10
	minUsualWidthMM, maxUsualWidthMM   = 1.2, 4
	// rimPx and rimShare are the standard uncertainty of where the outline of a
	// worn, rounded rim lies, across the coin: our own choice. On three photos of
	// one coin the diameter differed by up to 0.4 % with where the search began.
	rimPx, rimShare = 0.5, 0.002
	// maxCoinTilt is the tilt of the view, in degrees, from which on it is
	// doubted: at 12° lengths along and across it differ by 2.2 % (1/cos).
	maxCoinTilt = 12
	// A usual coin in a usual photo, mm: what is said of its height goes by them.
	coinThick, coinFrom = 2, 300
	// seekWider is how far beyond what could be the coin round things are looked
	// for, to tell a wrong diameter from a missing coin.
	seekWider = 1.5
)

// A coin is a round thing of known size in a picture.
type coin struct {
	card.Disc
	pxPerMM float64 // the mean over all directions
}

// relSD is the standard uncertainty of the scale, as a share.
func (c *coin) relSD() float64 {
	d := c.across()
	return math.Hypot(math.Hypot(c.SD, rimPx)/d, rimShare)
}

// across is the diameter of the circle with the outline's area, px.
func (c *coin) across() float64 {
	long, short := c.Axes()
	return math.Sqrt(long * short)
}

// tilt is the angle of the view off straight above, degrees: the diameter along
// it is seen shorter by its cosine.
func (c *coin) tilt() float64 {
	long, short := c.Axes()
	return math.Acos(short/long) * 180 / math.Pi
}

// coinOf finds the coin of so many mm among the round things in the picture:
// the one by which the usual kernel is of a usual size. What seemed to be rice
// on it is taken out of r.
func coinOf(ctx context.Context, p *Picture, r *segment.Result, mm float64) (*coin, error) {
	bad := func(hint, what string, a ...any) (*coin, error) { return nil, fault.New(p.Name, hint, what, a...) }
	least := mm / 2 * max(r.Model.Length/maxUsualLengthMM, r.Model.Width/maxUsualWidthMM)
	most := mm / 2 * min(r.Model.Length/minUsualLengthMM, r.Model.Width/minUsualWidthMM)
	px := card.Pixels(pixelsOf(p))
	var round []card.Disc
	for _, t := range r.Objects {
		w, h := float64(t.MaxX-t.MinX), float64(t.MaxY-t.MinY)
		if d, ok := px.Disc(card.Point{X: float64(t.MinX+t.MaxX-1) / 2, Y: float64(t.MinY+t.MaxY-1) / 2}, (w+h)/4); ok {
			round = append(round, d)
		}
	}
	if len(round) == 0 {
		var err error
		if round, err = card.Discs(ctx, px, least/seekWider, most*seekWider); err != nil {
			return nil, err
		}
	}
	if len(round) == 0 {
		return bad("lay the coin flat beside the rice, free of other things and of the picture's edge, on a ground of another brightness; check the diameter given with --coin; or give the scale with --scale",
			"no coin found: nothing of about its size is round with an outline that is clear all round")
	}
	var fit []coin
	for _, d := range round {
		c := coin{Disc: d}
		if c.pxPerMM = c.across() / mm; c.across() >= 2*least && c.across() <= 2*most {
			fit = append(fit, c)
		}
	}
	switch len(fit) {
	case 1:
	case 0:
		c := coin{Disc: round[0]}
		s := c.across() / mm
		return bad("check the diameter given with --coin; crop the picture to the coin and the rice; or give the scale with --scale",
			"no coin found: if the round thing at %.0f,%.0f measured %g mm, the usual kernel would be %.1f mm long and %.1f mm wide",
			c.Centre.X, c.Centre.Y, mm, r.Model.Length/s, r.Model.Width/s)
	default:
		return bad("crop the picture so that the coin is the only round thing beside the rice, or give the scale with --scale",
			"%d round things could be the coin of %g mm, at %.0f,%.0f and at %.0f,%.0f", len(fit), mm, fit[0].Centre.X, fit[0].Centre.Y, fit[1].Centre.X, fit[1].Centre.Y)
	}
	c := &fit[0]
	on := func(q segment.Piece) bool { return c.Off(geom.PolygonMoments(q.Outline).Centroid()) < 0 }
	r.Pieces, r.Unresolved = slices.DeleteFunc(r.Pieces, on), slices.DeleteFunc(r.Unresolved, on)
	return c, nil
}

// source says for people where the scale comes from.
func (c *coin) source(mm float64) string {
	return fmt.Sprintf("coin of %g mm (%.1f px across, ± %.2f %%, seen from %.0f° off straight above)", mm, c.across(), 100*c.relSD(), c.tilt())
}

// warnings are the doubts about a scale by a coin.
func (c *coin) warnings() []kernel.Warning {
	out := []kernel.Warning{doubt("coin_height", "", 0, 0,
		"take a thin coin, hold the camera farther away and zoom in, or use the printed card; a scan is free of this",
		"the coin's face lies above the tray by the coin's thickness, so that in a photo the scale reads too large and lengths too short: by %.1f %% for a coin %d mm thick seen from %d mm", 100*float64(coinThick)/coinFrom, coinThick, coinFrom)}
	if t := c.tilt(); t > maxCoinTilt {
		long, short := c.Axes()
		out = append(out, doubt("coin_tilted", "tilt of the view, degrees", t, maxCoinTilt,
			"hold the camera straight above the middle of the tray, or use the printed card, which takes the slant out",
			"the picture was taken at a slant: the coin is %.1f %% longer one way than the other, and so lengths depend on how kernels lie", 100*(long/short-1)))
	}
	return out
}
