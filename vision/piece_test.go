package vision_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// A piece measured from its outline has the measures that it was found with,
// and those of the drawing within the noise of an outline, also where pixels are
// not square.
func TestPieceOfFoundOutline(t *testing.T) {
	pic, truth := drawn(t, broken(params(phantom.Long, phantom.Loose, 300, 61), 0.3))
	tray := measured(t, pic, vision.MeasureOptions{})
	n, tips, off, found, again := 0, 0, 0.0, 0.0, 0.0
	for _, m := range matched(tray, truth) {
		k, want := m.k, m.t
		if k.Contacts > 0 {
			continue
		}
		p := vision.PieceOf(tray, k.Outline, nil, 0)
		require.InDelta(t, k.LengthPx, p.LengthPx, 1e-6)
		require.InDelta(t, k.WidthPx, p.WidthPx, 1e-6)
		require.InDelta(t, k.AreaPx2, p.AreaPx2, 1e-6)
		found, again = found+k.VolumePx3, again+p.VolumePx3
		assert.Equal(t, k.Outline, p.Outline)
		assert.Zero(t, p.Surface)
		off += p.LengthPx/tray.PxPerMM - want.Length
		for i := range k.Ends {
			if k.Ends[i] == p.Ends[i] {
				tips++
			}
		}
		n++
	}
	require.Greater(t, n, 100)
	assert.InDelta(t, 0, off/float64(n), 0.05, "mean error of the length, mm")
	assert.InEpsilon(t, found, again, 0.01, "volume of all: a tip may read otherwise without its corners")
	assert.Greater(t, float64(tips), 0.9*2*float64(n), "tips that read alike")
	t.Logf("%d pieces, mean error %.3f mm, %d of %d tips alike", n, off/float64(n), tips, 2*n)
}

// Pixels that are not square, and a picture in which the rice was measured at
// another scale, as beside a card.
func TestPieceOfOtherScales(t *testing.T) {
	outline := []kernel.Point{{X: 10, Y: 10}, {X: 90, Y: 10}, {X: 90, Y: 30}, {X: 10, Y: 30}} // 80 × 20
	flat := kernel.Tray{PxPerMM: 10, Look: kernel.Look{LengthPx: 80, WidthPx: 20}}
	k := vision.PieceOf(&flat, outline, nil, 0)
	assert.InDelta(t, 80.0, k.AxisLengthPx, 1e-6)
	assert.InDelta(t, 20.0, k.WidthPx, 1e-6)
	assert.Equal(t, [2]float64{50, 20}, [2]float64{k.X, k.Y})

	tall := flat
	tall.PixelAspect = 1.5
	k = vision.PieceOf(&tall, outline, nil, 0)
	assert.InDelta(t, 80.0, k.AxisLengthPx, 1e-6)
	assert.InDelta(t, 30.0, k.WidthPx, 1e-6)
	assert.Equal(t, 20.0, k.Y)

	beside := flat
	beside.ShownPxPerMM = 9
	beside.Kernels = []kernel.Kernel{
		{X: 40, Y: 60, AreaPx2: 1600 * 1.21, Outline: outline}, // 1.1 times as long as it is shown
		{X: 900, Y: 900, AreaPx2: 1600 * 4, Outline: outline},
	}
	k = vision.PieceOf(&beside, outline, nil, 0)
	assert.InDelta(t, 88, k.AxisLengthPx, 1e-6)
	assert.InDelta(t, 22, k.WidthPx, 1e-6)
	assert.InDelta(t, 50, k.X, 1e-9)
	assert.Equal(t, outline, k.Outline)
}

// An end that a person's line makes is hidden, as one that Measure parted.
func TestPieceOfHiddenEnd(t *testing.T) {
	tray := kernel.Tray{Look: kernel.Look{LengthPx: 80, WidthPx: 20}}
	outline := []kernel.Point{{X: 10, Y: 10}, {X: 90, Y: 10}, {X: 90, Y: 30}, {X: 10, Y: 30}}
	free := vision.PieceOf(&tray, outline, nil, 0)
	assert.Equal(t, [2]kernel.End{kernel.EndBroken, kernel.EndBroken}, free.Ends)
	k := vision.PieceOf(&tray, outline, []bool{false, true, true, false}, 1)
	assert.ElementsMatch(t, []kernel.End{kernel.EndUnknown, kernel.EndBroken}, k.Ends[:])
	assert.Equal(t, 1, k.Contacts)
	assert.Greater(t, k.LengthSDPx, free.LengthSDPx)
}
