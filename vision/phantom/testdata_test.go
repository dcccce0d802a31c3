package phantom

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"image"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const testdata = "../../testdata"

// TestSums holds the shared test data against SHA256SUMS, both ways.
func TestSums(t *testing.T) {
	f, err := os.Open(filepath.Join(testdata, "SHA256SUMS"))
	require.NoError(t, err)
	defer f.Close()
	listed := map[string]string{}
	for s := bufio.NewScanner(f); s.Scan(); {
		sum, name, ok := strings.Cut(s.Text(), "  ")
		require.True(t, ok, s.Text())
		listed[name] = sum
	}
	for _, pattern := range []string{"*.jpg", "*.png", "*.json"} {
		files, err := filepath.Glob(filepath.Join(testdata, pattern))
		require.NoError(t, err)
		for _, file := range files {
			name := filepath.Base(file)
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			sum := sha256.Sum256(data)
			assert.Equal(t, hex.EncodeToString(sum[:]), listed[name], name)
			delete(listed, name)
		}
	}
	assert.Empty(t, listed, "listed, but not there")
}

// TestDemoTrays draws the demo trays again from the parameters in their truth.
func TestDemoTrays(t *testing.T) {
	for _, name := range []string{"demo-tray", "demo-tray-2"} {
		data, err := os.ReadFile(filepath.Join(testdata, name+".truth.json"))
		require.NoError(t, err)
		var stored Truth
		require.NoError(t, json.Unmarshal(data, &stored))
		img, truth := mustDraw(t, stored.Params)

		// Another kind of processor may round the last digits otherwise.
		require.Equal(t, len(stored.Kernels), len(truth.Kernels))
		assert.InDelta(t, stored.MeanWholeLength, truth.MeanWholeLength, 1e-6)
		assert.InDelta(t, stored.BrokenMass, truth.BrokenMass, 1e-6)
		assert.Equal(t, stored.CutByEdge, truth.CutByEdge)
		for i, k := range stored.Kernels {
			again := truth.Kernels[i]
			assert.InDelta(t, k.X, again.X, 1e-6)
			assert.InDelta(t, k.Y, again.Y, 1e-6)
			assert.InDelta(t, k.Length, again.Length, 1e-6)
			assert.InDelta(t, k.Volume, again.Volume, 1e-6)
			assert.Equal(t, k.Defect, again.Defect)
			assert.Equal(t, k.Intact, again.Intact)
		}

		// What the demo promises.
		assert.InDelta(t, 5, truth.BrokenMass, 1)
		assert.Greater(t, truth.Touching, 80)

		data, err = os.ReadFile(filepath.Join(testdata, name+".jpg"))
		require.NoError(t, err)
		assert.Less(t, len(data), 500_000)
		stale, _, err := image.Decode(bytes.NewReader(data))
		require.NoError(t, err)
		require.Equal(t, img.Rect, stale.Bounds())
		sum := 0.0
		for y := 0; y < img.Rect.Dy(); y += 2 {
			for x := range img.Rect.Dx() {
				_, want, _, _ := img.At(x, y).RGBA()
				_, got, _, _ := stale.At(x, y).RGBA()
				sum += math.Abs(float64(want)-float64(got)) / 257
			}
		}
		// JPEG at the default quality is out by about one level.
		assert.Less(t, sum/float64(img.Rect.Dx()*img.Rect.Dy()/2), 2.0, "the picture is of the truth")
	}
}
