package shrink

import (
	"context"
	"fmt"
	"image"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"
)

func speckled(w, h int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(r.IntN(256))
	}
	return pix
}

// OpenCV's resize by INTER_AREA gives the same, but for roundings at a half.
func TestAsOpenCV(t *testing.T) {
	for _, c := range [][4]int{
		{12, 8, 3, 2}, {120, 90, 37, 41}, {100, 70, 99, 69}, {100, 70, 100, 70}, {501, 33, 1, 1}, {33, 501, 33, 100},
		{640, 480, 213, 160}, {97, 89, 48, 88}, {300, 200, 299, 3},
	} {
		w, h, ow, oh := c[0], c[1], c[2], c[3]
		pix := speckled(w, h)
		src, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC3, pix)
		require.NoError(t, err)
		dst := gocv.NewMat()
		gocv.Resize(src, &dst, image.Pt(ow, oh), 0, 0, gocv.InterpolationArea)
		want := dst.ToBytes()
		got, err := Area(context.Background(), pix, w, h, ow, oh)
		require.NoError(t, err)
		require.Len(t, got, len(want))
		other := 0
		for i := range got {
			d := int(got[i]) - int(want[i])
			require.LessOrEqual(t, max(d, -d), 1, "%v", c)
			if d != 0 {
				other++
			}
		}
		assert.LessOrEqual(t, other, 1+len(got)/20, "%v: of %d", c, len(got))
		src.Close()
		dst.Close()
	}
}

// Means over whole blocks are known exactly.
func TestBlocks(t *testing.T) {
	const w, h, f = 12, 8, 4
	pix := make([]byte, 3*w*h)
	for i := range pix {
		pix[i] = byte(i * 37)
	}
	got, err := Area(context.Background(), pix, w, h, w/f, h/f)
	require.NoError(t, err)
	for y := range h / f {
		for x := range w / f {
			for c := range 3 {
				sum := 0
				for j := range f {
					for i := range f {
						sum += int(pix[3*((y*f+j)*w+x*f+i)+c])
					}
				}
				assert.Equal(t, byte((sum+f*f/2)/(f*f)), got[3*(y*w/f+x)+c])
			}
		}
	}
}

// The definition of the luma in whole numbers, at the places that stand for a
// square: all of it up to three pixels, then the middles of its thirds.
func TestLuma(t *testing.T) {
	const w, h = 47, 31
	pix := speckled(w, h)
	for step := 1; step <= 11; step++ {
		got, ow, oh, err := Luma(context.Background(), pix, w, h, step)
		require.NoError(t, err)
		require.Equal(t, [3]int{w / step, h / step, len(got)}, [3]int{ow, oh, ow * oh})
		n := min(step, 3)
		for y := range oh {
			for x := range ow {
				sum := 0
				for j := range n {
					for i := range n {
						q := pix[3*((y*step+(2*j+1)*step/(2*n))*w+x*step+(2*i+1)*step/(2*n)):]
						sum += 29*int(q[0]) + 150*int(q[1]) + 77*int(q[2])
					}
				}
				require.Equal(t, byte(sum/(256*n*n)), got[y*ow+x], "step %d at %d, %d", step, x, y)
			}
		}
	}
	_, _, _, err := Luma(context.Background(), pix, w, h, 0)
	assert.Error(t, err)
	none, _, _, err := Luma(context.Background(), pix, w, h, 32) // more than its height
	assert.NoError(t, err)
	assert.Empty(t, none)
}

func TestRefused(t *testing.T) {
	pix := make([]byte, 3*10*10)
	for _, c := range [][4]int{{10, 10, 11, 5}, {10, 10, 5, 11}, {10, 10, 0, 5}, {10, 10, 5, -1}, {10, 11, 5, 5}} {
		_, err := Area(context.Background(), pix, c[0], c[1], c[2], c[3])
		assert.Error(t, err, "%v", c)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Area(ctx, pix, 10, 10, 5, 5)
	assert.ErrorIs(t, err, context.Canceled)
}

// BenchmarkArea compares with OpenCV's.
//
//	go test -run xxx -bench Area ./vision/internal/shrink
func BenchmarkArea(b *testing.B) {
	const w, h = 4961, 2000
	pix := speckled(w, h)
	for _, f := range []float64{4.1, 7.05} {
		ow, oh := int(w/f), int(h/f)
		b.Run(fmt.Sprintf("OpenCV/%.1f", f), func(b *testing.B) {
			src, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC3, pix)
			require.NoError(b, err)
			defer src.Close()
			dst := gocv.NewMat()
			defer dst.Close()
			b.SetBytes(int64(len(pix)))
			for b.Loop() {
				gocv.Resize(src, &dst, image.Pt(ow, oh), 0, 0, gocv.InterpolationArea)
			}
		})
		b.Run(fmt.Sprintf("here/%.1f", f), func(b *testing.B) {
			b.SetBytes(int64(len(pix)))
			for b.Loop() {
				_, err := Area(context.Background(), pix, w, h, ow, oh)
				require.NoError(b, err)
			}
		})
	}
}
