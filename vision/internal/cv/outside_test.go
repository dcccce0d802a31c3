package cv

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"

	"traytally/vision/internal/codec"
	ht "traytally/vision/internal/codec/codectest"
)

// The files that OpenCV writes are read as it reads them itself, byte for byte:
// JPEG baseline, progressive, with restart markers and with tables of its own;
// WebP lossy and lossless; TIFF in LZW. Cut anywhere they are refused.
func TestFilesOfOpenCV(t *testing.T) {
	p := ht.Pattern(131, 67)
	pix := ht.BGR(p)
	mat, err := gocv.NewMatFromBytes(67, 131, gocv.MatTypeCV8UC3, pix)
	require.NoError(t, err)
	defer mat.Close()
	const tiffCompression = 259 // IMWRITE_TIFF_COMPRESSION; 5 is LZW, 32946 deflate
	for _, c := range []struct {
		name     string
		ext      gocv.FileExt
		params   []int
		lossless bool
	}{
		{"JPEG", ".jpg", []int{gocv.IMWriteJpegQuality, 90}, false},
		{"JPEG optimised", ".jpg", []int{gocv.IMWriteJpegOptimize, 1}, false},
		{"JPEG progressive", ".jpg", []int{gocv.IMWriteJpegProgressive, 1}, false},
		{"JPEG progressive, best", ".jpg", []int{gocv.IMWriteJpegProgressive, 1, gocv.IMWriteJpegQuality, 100}, false},
		{"JPEG restarts", ".jpg", []int{gocv.IMWriteJpegRstInterval, 3}, false},
		{"JPEG progressive, restarts", ".jpg", []int{gocv.IMWriteJpegProgressive, 1, gocv.IMWriteJpegRstInterval, 5}, false},
		{"WebP", ".webp", []int{gocv.IMWriteWebpQuality, 80}, false},
		{"WebP lossless", ".webp", []int{gocv.IMWriteWebpQuality, 101}, true},
		{"TIFF LZW", ".tiff", []int{tiffCompression, 5}, true},
		{"TIFF deflate", ".tiff", []int{tiffCompression, 32946}, true},
		{"TIFF none", ".tiff", []int{tiffCompression, 1}, true},
		{"BMP", ".bmp", []int{0, 0}, true},
	} {
		buf, err := gocv.IMEncodeWithParams(c.ext, mat, c.params)
		require.NoError(t, err, c.name)
		data := bytes.Clone(buf.GetBytes())
		buf.Close()
		want, err := gocv.IMDecode(data, gocv.IMReadColor)
		require.NoError(t, err, c.name)
		theirs := bytes.Clone(want.ToBytes())
		want.Close()
		in, err := codec.Read(data)
		require.NoError(t, err, c.name)
		m, err := codec.Decode(data, in)
		require.NoError(t, err, c.name)
		assert.Equal(t, theirs, m.Bytes(), c.name)
		if c.lossless {
			assert.Equal(t, pix, m.Bytes(), c.name)
		}
		m.Close()
		for n := 1; n < 40; n++ {
			cut := data[:len(data)*n/40]
			in, err := codec.Read(cut)
			if err == nil {
				m, err = codec.Decode(cut, in)
			}
			if !assert.Error(t, err, "%s cut to %d of %d", c.name, len(cut), len(data)) {
				m.Close()
			}
		}
	}
}
