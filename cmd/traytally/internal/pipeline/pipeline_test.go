package pipeline

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/vision/phantom"
)

// Things are taken in order, one at a time, however long each takes to make, and
// few are made ahead.
func TestInOrder(t *testing.T) {
	const n = 40
	var made, taken atomic.Int64
	var got []int
	err := InOrder(t.Context(), n, func(_ context.Context, i int) (int, error) {
		ahead := made.Add(1) - taken.Load()
		assert.LessOrEqual(t, ahead, int64(atOnce+2), "made ahead")
		time.Sleep(time.Duration(i*7%5) * time.Millisecond)
		return i * i, nil
	}, func(_ context.Context, i, v int) error {
		assert.Equal(t, i*i, v)
		got = append(got, i)
		taken.Add(1)
		return nil
	})
	require.NoError(t, err)
	require.Len(t, got, n)
	for i, v := range got {
		assert.Equal(t, i, v)
	}
}

// The first error ends all, of whichever half.
func TestInOrderEnds(t *testing.T) {
	full := errors.New("disk full")
	for _, half := range []string{"produce", "take"} {
		var begun atomic.Int64
		err := InOrder(t.Context(), 1000, func(context.Context, int) (int, error) {
			if begun.Add(1) == 5 && half == "produce" {
				return 0, full
			}
			return 0, nil
		}, func(_ context.Context, i, _ int) error {
			if i == 3 && half == "take" {
				return full
			}
			return nil
		})
		assert.ErrorIs(t, err, full, half)
		assert.Less(t, begun.Load(), int64(20), half)
	}
	ctx, cancel := context.WithCancel(t.Context())
	err := InOrder(ctx, 1000, func(context.Context, int) (int, error) { return 0, nil }, func(_ context.Context, i, _ int) error {
		if i == 2 {
			cancel()
		}
		return nil
	})
	assert.ErrorIs(t, err, context.Canceled)
}

// A file that grows while it is read is not taken for whole.
func TestReadOfAGrowingFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "scan.png")
	f, err := os.Create(path)
	require.NoError(t, err)
	defer f.Close()
	require.NoError(t, f.Truncate(64<<20))
	_, err = f.Seek(0, 2)
	require.NoError(t, err)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 2000 {
			f.Write([]byte("more"))
		}
	}()
	seen := false
	for growing := true; growing; {
		select {
		case <-done:
			growing = false
		default:
		}
		err := Files(path)[0].Read()
		seen = seen || errors.Is(err, ErrChanging)
		if err != nil {
			assert.ErrorIs(t, err, ErrChanging)
			assert.False(t, OfPicture(err))
		}
	}
	assert.True(t, seen, "no reading met the writing")
	require.NoError(t, Files(path)[0].Read(), "it stands still now")
}

func tray(t *testing.T, seed uint64) []byte {
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.DPI = seed, 45, 150
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "t.png", img, p.DPI, 0))
	return b.Bytes()
}

func settings(t *testing.T, picked ...string) (*Settings, error) {
	return Resolve(t.Context(), Request{Params: grading.DefaultParams(), Profile: grading.DefaultProfile(), Picked: picked}, Options{})
}

// What is recorded measures the same again, to the last bit.
func TestRecordedMeasuresTheSame(t *testing.T) {
	dir := t.TempDir()
	path, picked := filepath.Join(dir, "tray.png"), filepath.Join(dir, "picked.png")
	require.NoError(t, os.WriteFile(path, tray(t, 1), 0o666))
	require.NoError(t, os.WriteFile(picked, tray(t, 2), 0o666))
	s, err := settings(t, picked)
	require.NoError(t, err)
	g, err := s.Grade(t.Context(), Files(path), nil, Options{})
	require.NoError(t, err)
	rec, err := g.Record("A-1", samples.Facts{})
	require.NoError(t, err)
	files := Files(path)
	require.NoError(t, Read(files))
	assert.Equal(t, rec.Key, s.Key(files))
	assert.Equal(t, "PNG", rec.Reference[0].Format)

	again, err := Recorded(t.Context(), rec, Files(picked))
	require.NoError(t, err)
	g, err = again.Grade(t.Context(), Files(path), nil, Options{})
	require.NoError(t, err)
	second, err := g.Record("A-1", samples.Facts{})
	require.NoError(t, err)
	assert.Equal(t, rec.MeasuredSHA256, second.MeasuredSHA256)
	assert.Equal(t, string(rec.Result), string(second.Result))

	// One picture in two places, also as sample and as picked kernels.
	for _, twice := range [][]string{{path, path}, {picked}} {
		_, err = s.Grade(t.Context(), Files(twice...), nil, Options{})
		require.ErrorContains(t, err, "is ")
		assert.False(t, OfPicture(err), "the list's fault, not the picture's")
	}
}

// What a picture shows is its own fault; what disk, place or user did is not.
func TestOfPicture(t *testing.T) {
	dir := t.TempDir()
	s, err := settings(t)
	require.NoError(t, err)
	grade := func(name string, data []byte) error {
		path := filepath.Join(dir, name)
		if data != nil {
			require.NoError(t, os.WriteFile(path, data, 0o666))
		}
		_, err := s.Grade(t.Context(), Files(path), nil, Options{})
		require.Error(t, err)
		return err
	}
	whole := tray(t, 3)
	var blank bytes.Buffer
	require.NoError(t, png.Encode(&blank, image.NewGray(image.Rect(0, 0, 600, 400))))
	assert.True(t, OfPicture(grade("cut.png", whole[:len(whole)/2])))
	assert.True(t, OfPicture(grade("blank.png", blank.Bytes())))
	assert.False(t, OfPicture(grade("gone.png", nil)))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.png"), 0o777))
	assert.False(t, OfPicture(grade("folder.png", nil)))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tray.png"), whole, 0o666))
	_, err = s.Grade(ctx, Files(filepath.Join(dir, "tray.png")), nil, Options{})
	assert.ErrorIs(t, err, context.Canceled)
	assert.False(t, OfPicture(err))
}
