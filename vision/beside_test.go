package vision_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/kernel"
)

// Pictures that nobody of this project drew lie beside a checkout, where there
// are any: ../shared/real holds photographs with points set by eye (sets under
// the MIT licence, named there), ../shared/trays pictures of another renderer.
// They judge; nothing is trained on them or tuned to single kernels.

// beside returns the truths of a folder beside the checkout.
func beside(t *testing.T, folder string) []string {
	t.Helper()
	if testing.Short() {
		t.Skip("many pictures")
	}
	truths, err := filepath.Glob(filepath.Join("..", "..", "shared", folder, "*.json"))
	require.NoError(t, err)
	if len(truths) == 0 {
		t.Skipf("NOT CHECKED: no pictures in ../shared/%s", folder)
	}
	return truths
}

// besideTray measures the picture that belongs to a truth, which it decodes.
func besideTray(t *testing.T, path string, truth any) *kernel.Tray {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(data, truth))
	pictures, err := filepath.Glob(strings.TrimSuffix(path, ".json") + ".[jp][pn]g")
	require.NoError(t, err)
	require.Len(t, pictures, 1)
	pic, err := vision.Open(pictures[0], vision.OpenOptions{})
	require.NoError(t, err)
	defer pic.Close()
	tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
	require.NoError(t, err)
	return tray
}

// nearestPairs matches points to kernels, the nearest first, within reach.
func nearestPairs(points []kernel.Point, ks []kernel.Kernel, reach float64) map[int]int {
	pairs, taken := map[int]int{}, map[int]bool{}
	for {
		best, at, with := reach, -1, -1
		for i, p := range points {
			if _, done := pairs[i]; done {
				continue
			}
			for j := range ks {
				if d := p.Dist(kernel.Point{X: ks[j].X, Y: ks[j].Y}); !taken[j] && d < best {
					best, at, with = d, i, j
				}
			}
		}
		if at < 0 {
			return pairs
		}
		pairs[at], taken[with] = with, true
	}
}

// TestRealPhotographs finds the rice on real photographs, and nothing else.
// Points are right to 2 in a picture.
func TestRealPhotographs(t *testing.T) {
	var found, lost, spare int
	for _, path := range beside(t, "real") {
		var truth struct {
			Points []struct {
				X, Y float64
				Cut  bool
			}
			Objects []struct{ X0, Y0, X1, Y1 float64 }
		}
		tray := besideTray(t, path, &truth)
		points := make([]kernel.Point, len(truth.Points))
		for i, p := range truth.Points {
			points[i] = kernel.Point{X: p.X, Y: p.Y}
		}
		length := tray.Look.LengthPx
		pairs := nearestPairs(points, tray.Kernels, 0.4*length)
		matched := map[int]bool{}
		f, l := 0, 0
		for i, p := range truth.Points {
			j, ok := pairs[i]
			matched[j] = matched[j] || ok
			switch {
			case p.Cut:
			case ok:
				f++
			default:
				l++
			}
		}
		n := 0
		for j, k := range tray.Kernels {
			at := kernel.Point{X: k.X, Y: k.Y}
			for _, o := range truth.Objects {
				assert.False(t, k.X > o.X0 && k.X < o.X1 && k.Y > o.Y0 && k.Y < o.Y1, "%s: a piece on a thing that is no rice, at %.0f, %.0f", path, k.X, k.Y)
			}
			cut := false // what the edge cuts may be seen or not
			for i, p := range truth.Points {
				cut = cut || p.Cut && points[i].Dist(at) < length/2
			}
			if !matched[j] && !cut {
				n++
			}
		}
		t.Logf("%s: %d found, %d lost, %d false, %d groups not told apart", filepath.Base(path), f, l, n, len(tray.Unresolved))
		assert.GreaterOrEqual(t, f1(f+n, f+l, f), 0.96, path)
		found, lost, spare = found+f, lost+l, spare+n
	}
	all := f1(found+spare, found+lost, found)
	t.Logf("all: F1 %.4f", all)
	assert.GreaterOrEqual(t, all, 0.985)
}

// TestTraysOfAnotherRenderer finds the kernels of drawn trays, crowded ones
// included, and measures their lengths.
func TestTraysOfAnotherRenderer(t *testing.T) {
	for _, path := range beside(t, "trays") {
		var truth struct {
			PxPerMM float64 `json:"px_per_mm"`
			Kernels []struct {
				X, Y   float64
				Length float64 `json:"length_mm"`
				Defect string
			}
		}
		tray := besideTray(t, path, &truth)
		var points []kernel.Point
		var lengths []float64
		bodies := 0
		for _, k := range truth.Kernels {
			if k.Defect == "stone" || k.Defect == "husk" || k.Defect == "seed" {
				bodies++ // found or not, they are no kernels
				continue
			}
			points, lengths = append(points, kernel.Point{X: k.X, Y: k.Y}), append(lengths, k.Length)
		}
		good, bias := 0, 0.0
		for i, j := range nearestPairs(points, tray.Kernels, truth.PxPerMM) {
			d := tray.Kernels[j].LengthPx/truth.PxPerMM - lengths[i]
			if math.Abs(d) < math.Max(0.6, 0.12*lengths[i]) {
				good++
				bias += d
			}
		}
		pieces := max(good, len(tray.Kernels)-bodies)
		f := f1(pieces, len(points), good)
		t.Logf("%s: F1 %.4f, length bias %+.4f mm", filepath.Base(path), f, bias/float64(good))
		assert.GreaterOrEqual(t, f, 0.995, path)
		if !strings.HasPrefix(filepath.Base(path), "real-") { // no true scale
			assert.InDelta(t, 0, bias/float64(good), 0.02, path)
		}
	}
}
