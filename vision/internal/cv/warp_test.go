package cv

import (
	"context"
	"image"
	"image/color"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"

	"traytally/vision/internal/shrink"
)

func speckled(w, h int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(r.IntN(256))
	}
	return pix
}

// The same places handed over leave the picture as it is.
func TestWarpIdentity(t *testing.T) {
	const w, h = 57, 83
	pix := speckled(w, h)
	m, err := Warp(context.Background(), pix, w, h, w, h, func(y int, xs, ys []float32) {
		for x := range xs {
			xs[x], ys[x] = float32(x), float32(y)
		}
	}, nil)
	require.NoError(t, err)
	defer m.Close()
	assert.Equal(t, pix, m.Bytes())
}

// A homography, against OpenCV's own warpPerspective. Both keep positions to
// 1/32 pixel and interpolate alike, but round them at different stages, so a
// steep speckle may differ by a few of 255.
func TestWarpAgainstWarpPerspective(t *testing.T) {
	const w, h, ow, oh = 90, 70, 60, 100
	pix := speckled(w, h)
	gentle, err := shrink.Area(context.Background(), pix, w, h, w/3, h/3) // smoother
	require.NoError(t, err)
	const gw, gh = w / 3, h / 3
	to := [9]float64{0.31, 0.04, 3, -0.02, 0.18, 2, 0.0004, 0.0007, 1} // out to in
	m, err := Warp(context.Background(), gentle, gw, gh, ow, oh, func(y int, xs, ys []float32) {
		for x := range xs {
			fx, fy := float64(x), float64(y)
			z := to[6]*fx + to[7]*fy + to[8]
			xs[x], ys[x] = float32((to[0]*fx+to[1]*fy+to[2])/z), float32((to[3]*fx+to[4]*fy+to[5])/z)
		}
	}, nil)
	require.NoError(t, err)
	defer m.Close()

	src, err := gocv.NewMatFromBytes(gh, gw, gocv.MatTypeCV8UC3, gentle)
	require.NoError(t, err)
	defer src.Close()
	mat := gocv.NewMatWithSize(3, 3, gocv.MatTypeCV64F)
	defer mat.Close()
	for i, v := range to {
		mat.SetDoubleAt(i/3, i%3, v)
	}
	want := gocv.NewMat()
	defer want.Close()
	const inverse = 16 // cv::WARP_INVERSE_MAP
	gocv.WarpPerspectiveWithParams(src, &want, mat, image.Pt(ow, oh), gocv.InterpolationCubic|inverse, gocv.BorderConstant, color.RGBA{})
	ref, err := want.DataPtrUint8()
	require.NoError(t, err)
	require.Len(t, m.Bytes(), len(ref))
	worst := 0
	for i, v := range m.Bytes() {
		worst = max(worst, max(int(v)-int(ref[i]), int(ref[i])-int(v)))
	}
	assert.LessOrEqual(t, worst, 6)
}

func TestWarpBeyondIsBlackAndFinished(t *testing.T) {
	pix := speckled(20, 20)
	rows := make([]bool, 70)
	m, err := Warp(context.Background(), pix, 20, 20, 5, 70, func(y int, xs, ys []float32) {
		for x := range xs {
			xs[x], ys[x] = -50, float32(y)
		}
	}, func(y int, bgr []byte) {
		rows[y] = true
		assert.Equal(t, make([]byte, 15), bgr)
		bgr[0] = byte(y)
	})
	require.NoError(t, err)
	defer m.Close()
	for y, done := range rows {
		assert.True(t, done)
		assert.Equal(t, byte(y), m.Bytes()[15*y])
	}
}

func TestWarpRefuses(t *testing.T) {
	pix := speckled(20, 20)
	same := func(y int, xs, ys []float32) {}
	for _, c := range [][4]int{{20, 20, 0, 5}, {20, 20, 5, -1}, {20, 21, 5, 5}, {0, 0, 5, 5}, {20, 20, 40000, 1}, {20, 20, 1, 40000}, {40000, 1, 5, 5}} {
		_, err := Warp(context.Background(), pix, c[0], c[1], c[2], c[3], same, nil)
		assert.Error(t, err, "%v", c)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Warp(ctx, pix, 20, 20, 5, 5, same, nil)
	assert.ErrorIs(t, err, context.Canceled)
}
