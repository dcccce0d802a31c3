package vision_test

import (
	"bytes"
	"image"
	"image/png"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/phantom"
)

func TestGallery(t *testing.T) {
	p := params(phantom.Long, phantom.Touching, 300, 51)
	p.Count, p.Chalky = 60, 0.2
	pic, _ := drawn(t, p)
	tray := measured(t, pic, vision.MeasureOptions{})
	which := []int{0, 1, 2, 3, 4, 5, 6}
	crops, err := vision.NewCrops(pic, tray, which)
	require.NoError(t, err)
	require.Len(t, crops, len(which))
	sheet := func(n int) image.Image {
		groups := []vision.GalleryGroup{{Name: "chalky", Letter: "c", Colour: vision.SkyBlue, Note: "some"}}
		for i := range n {
			groups[0].Items = append(groups[0].Items, vision.GalleryItem{Crop: crops[i], Label: "1", Letters: "c"})
		}
		b, err := vision.DrawGallery("tray.jpg", groups, []string{"a note"})
		require.NoError(t, err)
		again, err := vision.DrawGallery("tray.jpg", groups, []string{"a note"})
		require.NoError(t, err)
		assert.Equal(t, b, again, "the same input gives the same bytes")
		img, err := png.Decode(bytes.NewReader(b))
		require.NoError(t, err)
		return img
	}
	// Five to a row: the sixth begins another one.
	five, six := sheet(5).Bounds(), sheet(6).Bounds()
	assert.Equal(t, five.Dx(), six.Dx())
	assert.Greater(t, six.Dy(), five.Dy())
	assert.Equal(t, six, sheet(7).Bounds())

	// The kernel lies level and bright in the middle of its cell, whatever way
	// it lay on the tray: the first cell's middle row has a long bright run.
	img := sheet(1)
	longest := 0
	for y := range img.Bounds().Dy() {
		run := 0
		for x := range 250 {
			r, g, b, _ := img.At(x, y).RGBA()
			if min(r, g, b) > 0x5800 && max(r, g, b) < 0xf800 {
				run++
				longest = max(longest, run)
			} else {
				run = 0
			}
		}
	}
	k := tray.Kernels[0]
	want := 176 * k.LengthPx / tray.Look.LengthPx // cropLength pixels to a usual kernel
	// the tips are darker and under the outline
	assert.InDelta(t, want, float64(longest), 0.15*want)

	_, err = vision.NewCrops(pic, tray, []int{len(tray.Kernels)})
	assert.Error(t, err)
	require.NoError(t, pic.Close())
	_, err = vision.NewCrops(pic, tray, which)
	assert.Error(t, err)
}

// Kernels cut out one by one and joined measure as they did on their tray.
func TestJoin(t *testing.T) {
	p := params(phantom.Long, phantom.Loose, 300, 52)
	p.Count = 40
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	whole := measured(t, reopened(t, img, 300), vision.MeasureOptions{})
	var ps []*vision.Picture
	for _, k := range whole.Kernels {
		at := image.Rect(int(k.X)-48, int(k.Y)-48, int(k.X)+48, int(k.Y)+48).Intersect(img.Bounds())
		ps = append(ps, reopened(t, img.SubImage(at), 300))
	}
	joined, places, err := vision.Join("all", ps)
	require.NoError(t, err)
	defer joined.Close()
	require.Len(t, places, len(ps))
	assert.InDelta(t, 300/25.4, joined.PxPerMMX, 1e-3)
	tray := measured(t, joined, vision.MeasureOptions{})
	found := 0
	for i, k := range whole.Kernels {
		for _, j := range tray.Kernels {
			if image.Pt(int(j.X), int(j.Y)).In(places[i]) && abs(j.LengthPx-k.LengthPx) < 0.5 {
				found++
				break
			}
		}
	}
	// a neighbour that the cut brings close enough to touch may spoil two or three
	assert.GreaterOrEqual(t, found, len(ps)-3)

	other := reopened(t, img, 600)
	_, _, err = vision.Join("all", []*vision.Picture{ps[0], other})
	assert.ErrorContains(t, err, "scale")
	_, _, err = vision.Join("all", nil)
	assert.Error(t, err)
}

func abs(x float64) float64 { return max(x, -x) }
