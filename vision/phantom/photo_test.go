package phantom

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"traytally/vision/internal/card"
	"traytally/vision/internal/pixel"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

func smallPhoto(change func(*Photo)) Photo {
	p := DefaultPhoto()
	p.Width, p.Height = 1500, 2000
	p.Rice.Count, p.Width, p.Height = 0, 600, 800
	change(&p)
	return p
}

// A place on the card, seen and looked back at along its ray, is the place.
func TestViewThereAndBack(t *testing.T) {
	for _, p := range []Photo{
		smallPhoto(func(p *Photo) {}),
		smallPhoto(func(p *Photo) { p.TiltDeg, p.LeanDeg, p.TurnDeg, p.K1, p.K2 = 30, 130, 40, 0.08, -0.03 }),
		smallPhoto(func(p *Photo) { p.TiltDeg, p.LeanDeg, p.TurnDeg, p.K1 = 20, -70, 200, -0.1 }),
	} {
		v := newView(&p, kernel.Point{X: 95, Y: 120})
		for _, axes := range [][2]r3.Vec{{v.right, v.down}, {v.right, v.forward}, {v.down, v.forward}} {
			assert.InDelta(t, 0, r3.Dot(axes[0], axes[1]), 1e-12)
		}
		for _, q := range [][3]float64{{95, 120, 0}, {10, 10, 0}, {180, 240, 0}, {60, 200, 1.7}} {
			s := v.see(q[0], q[1], q[2])
			d := v.ray(s.X, s.Y)
			k := (q[2] - v.at.Z) / d.Z
			assert.InDelta(t, q[0], v.at.X+k*d.X, 1e-6)
			assert.InDelta(t, q[1], v.at.Y+k*d.Y, 1e-6)
		}
	}
	// From straight above the scale is the focal length over the distance, and
	// the picture is not mirrored.
	p := smallPhoto(func(p *Photo) {})
	v := newView(&p, kernel.Point{X: 95, Y: 120})
	a, b, c := v.see(95, 120, 0), v.see(96, 120, 0), v.see(95, 121, 0)
	assert.InDelta(t, 0.75*800/300, b.X-a.X, 1e-9)
	assert.InDelta(t, 0.75*800/300, c.Y-a.Y, 1e-9)
	assert.InDelta(t, 299.5, a.X, 1e-9)
	// What is higher is larger by the distance over the distance less.
	assert.InDelta(t, 300.0/298, (v.see(96, 120, 2).X-a.X)/(b.X-a.X), 1e-9)
}

// The colours of paper, toner and patches are recorded as the light has it.
func TestPhotoColours(t *testing.T) {
	img, truth, err := DrawPhoto(smallPhoto(func(p *Photo) {
		p.Rice.BlurPx, p.Rice.Noise = 0, 0
		p.Exposure, p.Cast = 0.5, [3]float64{1, 0.8, 0.6}
	}))
	require.NoError(t, err)
	at := func(q kernel.Point) [3]float64 {
		s := truth.ToPicture(q, 0)
		c := img.RGBAAt(int(math.Round(s.X)), int(math.Round(s.Y)))
		return [3]float64{float64(c.R), float64(c.G), float64(c.B)}
	}
	l := card.Layouts[0]
	want := func(share float64) [3]float64 {
		return [3]float64{pixel.Encode(0.5 * share), pixel.Encode(0.4 * share), pixel.Encode(0.3 * share)}
	}
	for _, q := range l.White {
		assert.InDeltaSlice(t, slice(want(1)), slice(at(q)), 0.6, "%v", q)
	}
	for _, q := range append(l.Dots, l.Marks[:]...) {
		assert.InDeltaSlice(t, slice(want(card.TonerY/card.PaperY)), slice(at(q)), 0.6)
	}
	for _, q := range l.Patches {
		assert.InDeltaSlice(t, slice(want(card.Reflectance(q.Grey, card.PaperY)/card.PaperY)), slice(at(q.Middle())), 0.6)
	}
	// Each sector of each mark is what its code says.
	for i, m := range l.Marks {
		for s := range card.Sectors {
			sin, cos := math.Sincos(card.SectorAngle(s) + math.Pi/card.Sectors)
			r := (card.CodeInR + card.CodeOutR) / 2
			got := at(kernel.Point{X: m.X + r*cos, Y: m.Y + r*sin})
			assert.Equal(t, card.Black(0, i, s), got[0] < 120, "mark %d sector %d", i, s)
		}
	}
}

func slice(v [3]float64) []float64 { return v[:] }

// A kernel in the photo lies where the truth says: the mean place of bright
// pixels round it is its own.
func TestPhotoKernelsLieWhereTheTruthSays(t *testing.T) {
	p := smallPhoto(func(p *Photo) {
		p.Rice.Count, p.Rice.GapMM, p.Rice.Noise, p.Rice.Limb = 30, 4, 0, 0
		p.Width, p.Height, p.TiltDeg, p.LeanDeg = 1200, 1600, 15, 60
	})
	img, truth, err := DrawPhoto(p)
	require.NoError(t, err)
	require.Len(t, truth.Kernels, 30)
	for _, k := range truth.Kernels {
		var x, y, n float64
		reach := 6 * truth.PxPerMM
		for v := int(k.Y - reach); v <= int(k.Y+reach); v++ {
			for u := int(k.X - reach); u <= int(k.X+reach); u++ {
				if img.RGBAAt(u, v).G > 100 && inside(grown(k.Outline, 3), kernel.Point{X: float64(u), Y: float64(v)}) {
					x, y, n = x+float64(u), y+float64(v), n+1
				}
			}
		}
		require.Greater(t, n, 20.0)
		// Pieces are not symmetric about half of their height when seen from
		// the side: a quarter of the 0.8 mm that they are high, at most.
		assert.InDelta(t, 0, math.Hypot(x/n-k.X, y/n-k.Y)/truth.PxPerMM, 0.2)
	}
}

func TestPhotoIsRepeatable(t *testing.T) {
	p := smallPhoto(func(p *Photo) { p.Rice.Count = 5; p.Width, p.Height = 300, 400 })
	a, ta, err := DrawPhoto(p)
	require.NoError(t, err)
	b, tb, err := DrawPhoto(p)
	require.NoError(t, err)
	assert.Equal(t, a.Pix, b.Pix)
	assert.Equal(t, ta.Kernels, tb.Kernels)
}

func TestPhotoParams(t *testing.T) {
	require.NoError(t, DefaultPhoto().Validate())
	for field, change := range map[string]func(*Photo){
		"Width": func(p *Photo) { p.Width = 10 }, "Height": func(p *Photo) { p.Height = 99999 },
		"Focal": func(p *Photo) { p.Focal = 0 }, "TiltDeg": func(p *Photo) { p.TiltDeg = 61 },
		"LeanDeg": func(p *Photo) { p.LeanDeg = math.NaN() }, "TurnDeg": func(p *Photo) { p.TurnDeg = 999 },
		"DistanceMM": func(p *Photo) { p.DistanceMM = 1 }, "AimX": func(p *Photo) { p.AimX = 101 }, "AimY": func(p *Photo) { p.AimY = -101 },
		"K1": func(p *Photo) { p.K1 = 1 }, "K2": func(p *Photo) { p.K2 = -1 },
		"Exposure": func(p *Photo) { p.Exposure = 0 }, "Cast": func(p *Photo) { p.Cast[1] = 0 },
		"Lamp": func(p *Photo) { p.Lamp = 2 }, "Vignette": func(p *Photo) { p.Vignette = -1 }, "ShadowDepth": func(p *Photo) { p.ShadowDepth = 1 },
		"PrintScale": func(p *Photo) { p.PrintScale = 2 }, "Bulge": func(p *Photo) { p.Bulge = 30 }, "PrintStretch": func(p *Photo) { p.PrintStretch = 0 }, "OpenRimMM": func(p *Photo) { p.OpenRimMM = 21 },
		"Count": func(p *Photo) { p.Rice.Count = -1 },
		"Pile":  func(p *Photo) { p.Rice.Pile = 0.1 }, "Coins": func(p *Photo) { p.Rice.Coins = 1 }, "Caps": func(p *Photo) { p.Rice.Caps = 1 },
	} {
		p := DefaultPhoto()
		p.Width, p.Height = 1500, 2000
		change(&p)
		_, _, err := DrawPhoto(p)
		require.NotNil(t, fault.Of(err), field)
		assert.Contains(t, fault.Of(err).What, named(field)+" is ")
	}
	p := DefaultPhoto()
	p.Width, p.Height = 1500, 2000
	p.Rice.Count = 5000
	_, _, err := DrawPhoto(p)
	assert.ErrorIs(t, err, ErrNoRoom)
}
