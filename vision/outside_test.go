package vision_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/phantom"
)

// Checks against the outside: scikit-image (van der Walt et al. 2014, PeerJ
// 2:e453), as Debian's python3-skimage has it, on the same picture.

const python = "/usr/bin/python3"

// needsScikitImage skips where the library is not installed; .ci/run installs it.
func needsScikitImage(t testing.TB) {
	t.Helper()
	if err := exec.Command(python, "-c", "import skimage.measure, scipy.ndimage").Run(); err != nil {
		t.Skip("NOT CHECKED against scikit-image: install Debian's python3-skimage and python3-scipy")
	}
}

// A textbookPiece is a region as the pipeline below measures it.
type textbookPiece struct {
	X, Y, Area, Feret float64
	Lab               [3]float64
}

type textbookResult struct {
	Seconds float64 // without reading the file
	Pieces  []textbookPiece
}

// textbook is the pipeline that the library's own documentation teaches for
// touching objects: Otsu's threshold, distance transform, one seed per peak,
// watershed, region properties.
const textbook = `import sys, json, time, warnings
import numpy as np
warnings.simplefilter('ignore')
from scipy import ndimage as ndi
from skimage import io, color, filters, measure, morphology, segmentation, feature
rgb = io.imread(sys.argv[1])[..., :3]
lab = '--lab' in sys.argv
t = time.perf_counter()
gray = color.rgb2gray(rgb)
mask = morphology.remove_small_objects(gray > filters.threshold_otsu(gray), 64)
dist = ndi.distance_transform_edt(mask)
smooth = filters.gaussian(dist, 1.5)
peaks = feature.peak_local_max(smooth, min_distance=int(sys.argv[2]), labels=measure.label(mask), exclude_border=False)
seeds = np.zeros(mask.shape, int); seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
labels = segmentation.watershed(-smooth, seeds, mask=mask)
out = []
regions = measure.regionprops(labels)
for r in regions:
    y, x = r.centroid
    out.append(dict(X=x, Y=y, Area=float(r.area), Feret=float(r.feret_diameter_max)))
t = time.perf_counter() - t
if lab:
    # inside the region, three pixels from its rim; the mean is taken of the light
    lin = np.where(rgb / 255. <= .04045, rgb / 255. / 12.92, ((rgb / 255. + .055) / 1.055) ** 2.4)
    for r, o in zip(regions, out):
        m = np.pad(r.image, 1)
        m = ndi.binary_erosion(m, iterations=3)[1:-1, 1:-1]
        if m.sum() < 30: o['Lab'] = [0, 0, 0]; continue
        c = lin[r.slice][m].mean(0)
        s = np.where(c <= .0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - .055)
        o['Lab'] = list(map(float, color.rgb2lab(s.reshape(1, 1, 3)).ravel()))
json.dump(dict(Seconds=t, Pieces=out), sys.stdout)
`

func runTextbook(t testing.TB, picture string, args ...string) textbookResult {
	t.Helper()
	cmd := exec.Command(python, append([]string{"-c", textbook, picture}, args...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	require.NoError(t, err)
	var r textbookResult
	require.NoError(t, json.Unmarshal(out, &r))
	return r
}

// onDisk draws a tray and writes it as a PNG.
func onDisk(t testing.TB, p phantom.Params) (string, *phantom.Truth) {
	t.Helper()
	img, truth, err := phantom.Draw(p)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "tray.png")
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, phantom.Encode(f, path, img, p.DPI, 0))
	require.NoError(t, f.Close())
	return path, truth
}

// TestAsScikitImageMeasures: on a loose tray at 600 dpi, area and greatest
// caliper agree with regionprops. Its Feret diameter runs round the pixels'
// outer sides (scikit-image PR 4379), so it is up to a pixel longer; its
// threshold is one for the whole picture and not half-way for each kernel.
func TestAsScikitImageMeasures(t *testing.T) {
	needsScikitImage(t)
	p := params(phantom.Long, phantom.Loose, 600, 71)
	p.Count, p.Noise, p.Limb = 60, 0.5, 0
	path, _ := onDisk(t, p)
	want := runTextbook(t, path, "60")
	pic, err := vision.Open(path, vision.OpenOptions{})
	require.NoError(t, err)
	defer pic.Close()
	tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
	require.NoError(t, err)
	require.Len(t, tray.Kernels, p.Count)
	var area, length []float64
	for _, k := range tray.Kernels {
		for _, q := range want.Pieces {
			// pieces that the watershed cut in two agree in neither
			if math.Hypot(k.X-q.X, k.Y-q.Y) < 1.5 {
				area = append(area, k.AreaPx2/q.Area)
				length = append(length, k.LengthPx-q.Feret)
			}
		}
	}
	require.Greater(t, len(area), p.Count*3/4)
	slices.Sort(area)
	slices.Sort(length)
	n := len(area)
	t.Logf("area ratio median %.4f (%.4f to %.4f), length difference median %+.2f px (%+.2f to %+.2f)",
		area[n/2], area[n/20], area[n-1-n/20], length[n/2], length[n/20], length[n-1-n/20])
	assert.InDelta(t, 1, area[n/2], 0.01, "area")
	assert.InDelta(t, -0.4, length[n/2], 0.6, "greatest caliper, px")
}

// BenchmarkTextbook compares with the textbook pipeline of scikit-image on the
// same pictures in one run: x-faster is its time over ours, both without
// reading the file; F1 is ours, textbook-F1 its.
//
//	go test -run xxx -bench Textbook ./vision
func BenchmarkTextbook(b *testing.B) {
	needsScikitImage(b)
	for _, p := range []phantom.Params{
		params(phantom.Long, phantom.Loose, 300, 81),
		params(phantom.Long, phantom.Dense, 300, 82),
		params(phantom.Slender, phantom.Dense, 300, 83),
		params(phantom.Short, phantom.Dense, 600, 84),
	} {
		b.Run(string(p.Kind)+"/"+map[bool]string{true: "dense", false: "loose"}[p.TouchShare > 0.9], func(b *testing.B) {
			path, truth := onDisk(b, p)
			half := map[float64]string{300: "10", 600: "20"}[p.DPI]
			other := runTextbook(b, path, half)
			pic, err := vision.Open(path, vision.OpenOptions{})
			require.NoError(b, err)
			defer pic.Close()
			var f float64
			for b.Loop() {
				tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
				require.NoError(b, err)
				f = f1(len(tray.Kernels), truth.N, len(matched(tray, truth)))
			}
			found := 0
			for _, q := range truth.Kernels {
				for _, k := range other.Pieces {
					if math.Hypot(k.X-q.X, k.Y-q.Y) < truth.PxPerMM && math.Abs(k.Feret/truth.PxPerMM-q.Length) < math.Max(0.6, 0.12*q.Length) {
						found++
						break
					}
				}
			}
			b.ReportMetric(other.Seconds*1e9/(float64(b.Elapsed().Nanoseconds())/float64(b.N)), "x-faster")
			b.ReportMetric(f, "F1")
			b.ReportMetric(f1(len(other.Pieces), truth.N, found), "textbook-F1")
		})
	}
}
