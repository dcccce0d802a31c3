package vision_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"testing"

	"github.com/stretchr/testify/require"

	"traytally/vision"
	"traytally/vision/phantom"
)

func rotate90(img *image.RGBA) *image.RGBA {
	b := img.Bounds()
	out := image.NewRGBA(image.Rect(0, 0, b.Dy(), b.Dx()))
	for y := range b.Dy() {
		for x := range b.Dx() {
			out.SetRGBA(b.Dy()-1-y, x, img.RGBAAt(x, y))
		}
	}
	return out
}

// scans are the trays of the benchmarks, from a snapshot to a full A4 bed.
func scans() []phantom.Params {
	var out []phantom.Params
	for _, c := range []struct {
		dpi           float64
		contact       phantom.Contact
		count         int
		width, height float64
	}{
		{300, phantom.Loose, 100, 85, 85},
		{300, phantom.Loose, 300, 140, 120},
		{300, phantom.Dense, 300, 0, 0},
		{600, phantom.Touching, 1500, 210, 297}, // A4, 35 megapixels
		{600, phantom.Dense, 1500, 0, 0},
		{1200, phantom.Touching, 1500, 210, 297}, // A4, 139 megapixels
		{300, phantom.Touching, 5000, 0, 0},
	} {
		p := phantom.DefaultParams()
		p.DPI, p.Count = c.dpi, c.count
		p.Crowd(c.contact)
		p.WidthMM, p.HeightMM = c.width, c.height
		out = append(out, p)
	}
	return out
}

func encoded(b *testing.B, p phantom.Params) ([]byte, *phantom.Truth) {
	img, truth, err := phantom.Draw(p)
	require.NoError(b, err)
	var buf bytes.Buffer
	require.NoError(b, phantom.Encode(&buf, "tray.jpg", img, p.DPI, 92))
	return buf.Bytes(), truth
}

// BenchmarkAnalysis compares, picture by picture, decoding alone with decoding
// and measuring; the metric x-decode is their ratio in one run.
//
//	go test -run xxx -bench Analysis ./vision
func BenchmarkAnalysis(b *testing.B) {
	for _, p := range scans() {
		data, truth := encoded(b, p)
		mp := float64(truth.Width) * float64(truth.Height)
		name := fmt.Sprintf("%.1fMP/%d/touch=%.2f", mp/1e6, p.Count, p.TouchShare)
		var alone float64
		b.Run(name+"/decode", func(b *testing.B) {
			b.SetBytes(int64(3 * mp))
			for b.Loop() {
				pic, err := vision.Decode("tray", data, vision.OpenOptions{})
				require.NoError(b, err)
				pic.Close()
			}
			alone = float64(b.Elapsed().Nanoseconds()) / float64(b.N)
		})
		b.Run(name+"/all", func(b *testing.B) {
			b.SetBytes(int64(3 * mp))
			b.ReportAllocs()
			found := 0
			for b.Loop() {
				pic, err := vision.Decode("tray", data, vision.OpenOptions{})
				require.NoError(b, err)
				t, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
				require.NoError(b, err)
				found = len(t.Kernels)
				pic.Close()
			}
			all := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			b.ReportMetric(all/alone, "x-decode")
			b.ReportMetric((all-alone)/float64(found), "ns/kernel")
		})
	}
}
