package codec_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/internal/codec"
	ht "traytally/vision/internal/codec/codectest"
	"traytally/vision/internal/raster"
	"traytally/vision/kernel/fault"
)

// sound returns pictures of all types, those in testdata (written by OpenCV:
// JPEG progressive and with restart markers, WebP lossy, TIFF in LZW) included.
func sound(t testing.TB) map[string][]byte {
	all := samples()
	files, err := filepath.Glob("testdata/*.*")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		all[filepath.Base(f)] = data
	}
	return all
}

// Pictures with bytes changed, taken out, doubled, cut or mixed with others are
// read whole or refused, in time, and leave nothing behind. Of each picture
// TRAYTALLY_MUTATIONS, without it 3300: over 50,000 in all; 100 in short runs.
func TestMutations(t *testing.T) {
	each := 3300
	if testing.Short() {
		each = 100
	}
	if s := os.Getenv("TRAYTALLY_MUTATIONS"); s != "" {
		var err error
		each, err = strconv.Atoi(s)
		require.NoError(t, err)
	}
	all := sound(t)
	var others [][]byte
	for _, data := range all {
		others = append(others, data)
	}
	held, slowest, tried, passed := raster.Held(), time.Duration(0), 0, 0
	for name, data := range all {
		r := rand.New(rand.NewPCG(1, uint64(len(data))))
		for i := range each {
			b := mutate(r, data, others)
			if bytes.HasPrefix(b, []byte("\x89PNG")) && i%4 != 0 {
				b = ht.FixSums(b) // so that changes reach the decoder
			}
			start := time.Now()
			if !try(t, b) {
				passed++
			}
			took := time.Since(start)
			slowest = max(slowest, took)
			require.Less(t, took, 5*time.Second, "%s, mutation %d", name, i)
			tried++
		}
	}
	assert.Equal(t, held, raster.Held())
	t.Logf("%d mutations of %d pictures: %d refused, %d read, slowest %v", tried, len(all), tried-passed, passed, slowest.Round(time.Millisecond))
}

// mutate changes a copy of data in one to four places.
func mutate(r *rand.Rand, data []byte, others [][]byte) []byte {
	b := bytes.Clone(data)
	for range 1 + r.IntN(4) {
		if len(b) < 16 {
			break
		}
		at := r.IntN(len(b))
		if r.IntN(2) == 0 {
			at = r.IntN(min(len(b), 200)) // headers are short
		}
		n := min(1+r.IntN(8), len(b)-at)
		switch r.IntN(7) {
		case 0: // a bit
			b[at] ^= 1 << r.IntN(8)
		case 1: // bytes
			for i := range n {
				b[at+i] = byte(r.Uint32())
			}
		case 2: // the greatest or least number
			for i := range n {
				b[at+i] = byte(-(r.IntN(2)))
			}
		case 3: // taken out
			b = append(b[:at], b[at+n:]...)
		case 4: // doubled
			b = bytes.Join([][]byte{b[:at], b[at : at+n], b[at:]}, nil)
		case 5: // cut
			if r.IntN(4) == 0 {
				b = b[:at]
			}
		case 6: // the end of another
			if r.IntN(4) == 0 {
				o := others[r.IntN(len(others))]
				b = append(b[:at], o[min(at, len(o)):]...)
			}
		}
	}
	return b
}

// fuzz asks of one reader for no crash, no endless loop, a *fault.Error for whatever bytes
// come, and all pixels or none.
func fuzz(f *testing.F, format string) {
	for _, data := range sound(f) {
		if in, err := codec.Read(data); err == nil && in.Format == format {
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if format == "PNG" {
			data = ht.FixSums(data)
		}
		try(t, data)
	})
}

func FuzzJPEG(f *testing.F) { fuzz(f, "JPEG") }
func FuzzPNG(f *testing.F)  { fuzz(f, "PNG") }
func FuzzTIFF(f *testing.F) { fuzz(f, "TIFF") }
func FuzzBMP(f *testing.F)  { fuzz(f, "BMP") }
func FuzzWebP(f *testing.F) { fuzz(f, "WebP") }

// try reads whatever bytes come.
func try(t *testing.T, data []byte) (refused bool) {
	in, err := codec.Read(data)
	if err == nil {
		if in.Width < 1 || in.Height < 1 || in.Orientation < 1 || in.Orientation > 8 || in.PxPerMMX < 0 || (in.PxPerMMX == 0) != (in.PxPerMMY == 0) {
			t.Fatalf("impossible header %+v", in)
		}
		if in.Pixels() > 1e6 { // as its caller refuses large pictures
			return true
		}
		var m *raster.Image
		if m, err = codec.Decode(data, in); err == nil {
			if len(m.Bytes()) != 3*in.Width*in.Height || m.Width()*m.Height() != in.Width*in.Height {
				t.Fatalf("%d bytes for %d × %d", len(m.Bytes()), m.Width(), m.Height())
			}
			m.Close()
		}
	}
	if _, ok := errors.AsType[*fault.Error](err); err != nil && !ok {
		t.Fatalf("%T: %v", err, err)
	}
	return err != nil
}
