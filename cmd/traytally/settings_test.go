package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
	"traytally/vision/phantom"
)

// pickedScan writes a small picture of whole kernels alone.
func pickedScan(t *testing.T, path string, seed uint64, kind phantom.Kind) {
	t.Helper()
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.DPI, p.BrokenShare, p.Kind = seed, 45, 150, 0, kind
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, path, img, p.DPI, 0))
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o666))
}

func write(t *testing.T, path, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, []byte(text), 0o666))
}

// Whatever becomes of the files that the settings came from while samples are
// taken in, every sample is measured by what is recorded of it.
func TestSettingsOfAStartHoldToItsEnd(t *testing.T) {
	scans, dir := tinyScans(t, 1), t.TempDir()
	where := filepath.Join(dir, "r.db")
	profile, picked, scales := filepath.Join(dir, "p.yaml"), filepath.Join(dir, "picked.png"), filepath.Join(dir, "scales.yaml")
	write(t, profile, "chalky: {share: 0.9}\n")
	scale := "schema: 1\nprofiles:\n  office: {made: 2026-01-02T03:04:05Z, method: m, px_per_mm_x: %s, px_per_mm_y: %s, stored_px_per_mm_x: 5.9, stored_px_per_mm_y: 5.9, width_px: 10, height_px: 10, sha256: x}\n"
	write(t, scales, replaceAll(scale, "%s", "5.9"))
	pickedScan(t, picked, 1, phantom.Long)
	kept := filepath.Join(dir, "kept")
	require.NoError(t, os.Mkdir(kept, 0o777))
	data, err := os.ReadFile(picked)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(kept, "picked.png"), data, 0o666))

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	u, _, stderr := testUI()
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"watch", scans, "--register", where, "--settle", "0.2", "--reports", "none", "-q",
			"--profile", profile, "--whole-from", picked, "--scale-profile", "office", "--profiles", scales}, u)
	}()
	until(t, "the first sample", func() bool { return registered(t, where) == 1 || stderr.Len() > 0 })
	require.Empty(t, stderr.String())

	// All three are replaced, the profile by one that is half saved.
	write(t, profile, "chalky: {sha")
	pickedScan(t, picked, 2, phantom.Bold)
	write(t, scales, replaceAll(scale, "%s", "7.3"))
	tinyScan(t, filepath.Join(scans, "later.png"), 9)
	until(t, "the second sample", func() bool { return registered(t, where) == 2 })
	stop()
	require.Equal(t, exitDone, <-ended, stderr)
	assert.Empty(t, stderr.String())

	u, stdout, stderr := testUI()
	code := run(t.Context(), []string{"log", "recheck", "--all", "--register", where, "--pictures", kept}, u)
	assert.Equal(t, exitDone, code, "%s%s", stdout, stderr)
	assert.Contains(t, stdout.String(), "2 of 2 samples agree bit for bit")

	// The files are in the record as they were.
	g := openRegister(t, where)
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	for _, r := range rows {
		rec, err := g.Get(t.Context(), r.Code, 0)
		require.NoError(t, err)

		assert.Equal(t, samples.Sum(data), rec.Reference[0].SHA256)
		require.Len(t, rec.Settings.Files, 2)
		assert.Equal(t, profile, rec.Settings.Files[0].Path)
		assert.Equal(t, samples.Sum([]byte("chalky: {share: 0.9}\n")), rec.Settings.Files[0].SHA256)
		assert.Equal(t, scales, rec.Settings.Files[1].Path)
	}
}

func replaceAll(s, old, new string) string {
	return string(bytes.ReplaceAll([]byte(s), []byte(old), []byte(new)))
}

// A fault of the list is not noted under the picture: with the list mended the
// picture is graded, without --again.
func TestFaultOfTheListIsNotThePictures(t *testing.T) {
	scans := tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "r.db")
	list := filepath.Join(scans, listName)
	batch := func(want int) string {
		u, stdout, stderr := testUI()
		code := run(t.Context(), []string{"batch", scans, "--register", where, "--reports", "none", "--standard", "us-long"}, u)
		require.Equal(t, want, code, stderr)
		return stdout.String() + stderr.String()
	}
	write(t, list, "picture,by_hand.colour\nscan-00.png,mauve\n")
	assert.Contains(t, batch(exitInput), "mauve")
	write(t, list, "picture,by_hand.colour\nscan-00.png,white or creamy\n")
	assert.Contains(t, batch(exitDone), "1 graded")
}

// A picture of picked kernels that cannot be used is told before any work, and
// not held against the samples.
func TestBadReferenceIsToldAtTheStart(t *testing.T) {
	scans := tinyScans(t, 2)
	dir := t.TempDir()
	where, picked := filepath.Join(dir, "r.db"), filepath.Join(dir, "picked.png")
	write(t, picked, "half a file")
	u, stdout, stderr := testUI()
	assert.Equal(t, exitInput, run(t.Context(), []string{"batch", scans, "--register", where, "--whole-from", picked}, u))
	assert.Contains(t, stderr.String(), "picked.png")
	assert.NotContains(t, stderr.String(), "scan-0")
	assert.Empty(t, stdout.String())
	assert.NoFileExists(t, where)
}

// Samples are measured at once and share one picture of picked kernels.
func TestBatchWholeFrom(t *testing.T) {
	scans := tinyScans(t, 4)
	dir := t.TempDir()
	where, picked := filepath.Join(dir, "r.db"), filepath.Join(dir, "picked.png")
	pickedScan(t, picked, 1, phantom.Long)
	u, stdout, stderr := testUI()
	require.Equal(t, exitDone, run(t.Context(), []string{"batch", scans, "--register", where, "--whole-from", picked}, u), stderr)
	assert.Contains(t, stdout.String(), "4 samples: 4 graded")
	g := openRegister(t, where)
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	for i, r := range rows {
		assert.Equal(t, filepath.Base(r.Pictures[0]), r.Pictures[0])
		assert.Contains(t, r.Pictures[0], string(rune('0'+i)), "codes run in the order of the pictures")
	}
}

// A standard output that fails ends watching: nothing is measured unseen.
func TestWatchEndsWithItsOutput(t *testing.T) {
	scans := tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "r.db")
	u, _, stderr := testUI()
	lines := 0
	u.out = writerFunc(func(b []byte) (int, error) {
		if lines++; lines > 1 {
			return 0, os.ErrClosed
		}
		return len(b), nil
	})
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	assert.Equal(t, exitOutput, run(ctx, []string{"watch", scans, "--register", where, "--settle", "0.1", "--reports", "none"}, u))
	assert.Contains(t, stderr.String(), "standard output: cannot be written")
}

// Help that cannot be printed is an error too.
func TestHelpThatCannotBePrinted(t *testing.T) {
	for _, args := range [][]string{{"--help"}, {}, {"grade", "--help"}, {"help", "grade"}, {"log"}, {"version"}, {"completion", "bash"}} {
		u, _, stderr := testUI()
		u.out = writerFunc(func([]byte) (int, error) { return 0, os.ErrClosed })
		assert.Equal(t, exitOutput, run(t.Context(), args, u), args)
		assert.Regexp(t, `^traytally: error: standard output: cannot be written: .*\ntraytally: hint: .*\n$`, stderr.String(), args)
	}
}
