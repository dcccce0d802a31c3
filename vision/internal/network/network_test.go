package network

import (
	"bytes"
	"context"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"

	"traytally/vision/internal/raster"
)

const riceFile = "../segment/rice.onnx"

func rice(t testing.TB) *Net {
	t.Helper()
	file, err := os.ReadFile(riceFile)
	require.NoError(t, err)
	n, err := New(file)
	require.NoError(t, err)
	t.Cleanup(n.Close)
	return n
}

// picture has edges, plain places and noise.
func picture(w, h int) []byte {
	r := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	pix := make([]byte, 3*w*h)
	for y := range h {
		for x := range w {
			v := 40.0
			if math.Hypot(float64(x%60-30)/3, float64(y%40-20)) < 8 {
				v = 190
			}
			for c := range 3 {
				pix[3*(y*w+x)+c] = byte(v + 20*float64(c) + 6*r.Float64())
			}
		}
	}
	return pix
}

// run returns the maps, one after the other.
func run(t testing.TB, n *Net, pix []byte, w, h int) []float32 {
	t.Helper()
	out := make([]float32, n.Maps()*w*h)
	require.NoError(t, n.Run(context.Background(), Picture{pix, w, h, 3 * w}, func(_, y int, maps []float32) {
		for k := range n.Maps() {
			copy(out[(k*h+y)*w:(k*h+min(h, y+4))*w], maps[4*k*w:])
		}
	}))
	return out
}

// OpenCV's own engine on the same file gives the same maps, on every size
// of picture and every kind of vector: to 1e-3, where a chance of the program is told
// to 1/255 and comes of a map in steps of 1/32.
func TestAsOpenCV(t *testing.T) {
	theirs := gocv.ReadNetFromONNX(riceFile)
	defer theirs.Close()
	n := rice(t)
	for _, size := range [][2]int{{32, 32}, {64, 32}, {32, 96}, {96, 64}, {160, 224}, {480, 512}, {544, 64}, {832, 608}, {64, 1312}} {
		w, h := size[0], size[1]
		pix := picture(w, h)
		mat, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC3, pix)
		require.NoError(t, err)
		blob := gocv.BlobFromImage(mat, 1.0/255, image.Pt(w, h), gocv.NewScalar(127.5, 127.5, 127.5, 0), false, false)
		theirs.SetInput(blob, "")
		out := theirs.Forward("")
		want, err := out.DataPtrFloat32()
		require.NoError(t, err)
		for way := range n.ways {
			got := run(t, n, pix, w, h)
			worst := 0.0
			for k := range n.Maps() {
				for y := range h {
					for x := range w {
						v := want[((4*k+y%2*2+x%2)*h/2+y/2)*w/2+x/2]
						worst = max(worst, math.Abs(float64(v-got[(k*h+y)*w+x])))
					}
				}
			}
			assert.Less(t, worst, 1e-3, "%d × %d, %s", w, h, way)
		}
		mat.Close()
		blob.Close()
		out.Close()
	}
}

// The same pixels give the same maps to the bit, whatever the number of cores
// and whatever was looked at before; nothing is left behind.
func TestSameBits(t *testing.T) {
	before := raster.Held()
	n := rice(t)
	const w, h = 224, 160
	pix := picture(w, h)
	want := run(t, n, pix, w, h)
	for _, cores := range []int{1, 2, 3, 5} {
		was := runtime.GOMAXPROCS(cores)
		run(t, n, picture(96, 320), 96, 320)
		got := run(t, n, pix, w, h)
		runtime.GOMAXPROCS(was)
		require.Equal(t, want, got, "%d cores", cores)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	assert.ErrorIs(t, n.Run(ctx, Picture{pix, w, h, 3 * w}, nil), context.Canceled)
	assert.Equal(t, before, raster.Held())
}

// A picture that does not fill the network's steps, or is part of a wider one, is
// seen as one that goes on as it ends.
func TestGoesOnAsItEnds(t *testing.T) {
	n := rice(t)
	const w, h = 96, 128
	whole := picture(w, h)
	for _, size := range [][2]int{{96, 128}, {93, 128}, {96, 97}, {65, 126}, {70, 101}} {
		filled := make([]byte, 0, 3*w*h)
		for y := range h {
			for x := range w {
				at := 3 * (min(y, size[1]-1)*w + min(x, size[0]-1))
				filled = append(filled, whole[at:at+3]...)
			}
		}
		want := run(t, n, filled, w, h)
		got := make([]float32, len(want))
		require.Equal(t, w, n.Width(size[0]))
		require.NoError(t, n.Run(context.Background(), Picture{whole, size[0], size[1], 3 * w}, func(_, y int, maps []float32) {
			for k := range n.Maps() {
				copy(got[(k*h+y)*w:(k*h+min(h, y+4))*w], maps[4*k*w:])
			}
		}))
		require.Equal(t, want, got, "%v", size)
	}
}

func TestSizesRefused(t *testing.T) {
	n := rice(t)
	pix := make([]byte, 3*32*32)
	for _, p := range []Picture{{pix, 0, 32, 96}, {pix, 32, -32, 96}, {pix, 33, 31, 96}, {pix, 32, 33, 96}, {nil, 32, 32, 96}, {make([]byte, 3*(MaxWidth+1)), MaxWidth + 1, 1, 3 * (MaxWidth + 1)}} {
		assert.Error(t, n.Run(context.Background(), p, nil), "%d × %d", p.W, p.H)
	}
}

// What is no network, or one that cannot be computed here, is refused, and a
// damaged file never ends the program.
func TestFilesRefused(t *testing.T) {
	file, err := os.ReadFile(riceFile)
	require.NoError(t, err)
	for name, bad := range map[string][]byte{
		"nothing":  nil,
		"no file":  []byte("no network at all"),
		"cut":      file[:len(file)/2],
		"other op": bytes.Replace(file, []byte("MaxPool"), []byte("AvgPool"), 1),
		"no ReLU":  bytes.Replace(file, []byte("Relu"), []byte("Conv"), 1),
	} {
		_, err := New(bad)
		assert.Error(t, err, name)
	}
	r := rand.New(rand.NewPCG(1, 1))
	for range 300 {
		bad := bytes.Clone(file)
		at := r.IntN(len(bad)) // anywhere, and where the graph is told
		if r.IntN(2) == 0 {
			at = r.IntN(4000)
		}
		bad[at] ^= 1 << r.IntN(8)
		if n, err := New(bad); err == nil {
			n.Close()
		}
	}
}

// BenchmarkRun compares with OpenCV's engine on the same picture.
//
//	go test -run xxx -bench Run ./vision/internal/network
func BenchmarkRun(b *testing.B) {
	const w, h = 480, 512
	pix := picture(w, h)
	b.Run("OpenCV", func(b *testing.B) {
		theirs := gocv.ReadNetFromONNX(riceFile)
		defer theirs.Close()
		mat, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC3, pix)
		require.NoError(b, err)
		defer mat.Close()
		blob := gocv.BlobFromImage(mat, 1.0/255, image.Pt(w, h), gocv.NewScalar(127.5, 127.5, 127.5, 0), false, false)
		defer blob.Close()
		b.SetBytes(3 * w * h)
		for b.Loop() {
			theirs.SetInput(blob, "")
			out := theirs.Forward("")
			out.Close()
		}
	})
	n := rice(b)
	for way := range n.ways {
		b.Run(way, func(b *testing.B) {
			b.SetBytes(3 * w * h)
			for b.Loop() {
				require.NoError(b, n.Run(context.Background(), Picture{pix, w, h, 3 * w}, func(int, int, []float32) {}))
			}
		})
	}
}
