package main

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// saying writes s.
func saying(s string) func(io.Writer) error { return writeBytes([]byte(s)) }

// listing returns the names in dir, hidden ones included.
func listing(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	names := []string{}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func content(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(b)
}

func TestWriteSet(t *testing.T) {
	ctx := context.Background()
	broken := errors.New("the figures ran out")

	t.Run("new files", func(t *testing.T) {
		dir := t.TempDir()
		a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
		require.NoError(t, writeSet(ctx, []outFile{{a, saying("1")}, {b, saying("2")}}, false))
		assert.Equal(t, []string{"a", "b"}, listing(t, dir))
		assert.Equal(t, "1", content(t, a))
		assert.Equal(t, "2", content(t, b))
		info, err := os.Stat(a)
		require.NoError(t, err)
		assert.NotZero(t, info.Mode()&0o400)
		assert.Zero(t, info.Mode()&0o111)
	})
	t.Run("a writer that fails leaves nothing", func(t *testing.T) {
		dir := t.TempDir()
		err := writeSet(ctx, []outFile{
			{filepath.Join(dir, "a"), saying("1")},
			{filepath.Join(dir, "b"), func(w io.Writer) error {
				io.WriteString(w, "half")
				return broken
			}},
		}, true)
		assert.ErrorIs(t, err, broken)
		assert.Empty(t, listing(t, dir))
	})
	t.Run("one refusal refuses all", func(t *testing.T) {
		dir := t.TempDir()
		a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
		require.NoError(t, os.WriteFile(b, []byte("old"), 0o666))
		err := writeSet(ctx, []outFile{{a, saying("1")}, {b, saying("2")}}, false)
		assert.Equal(t, exitOutput, codeOf(err))
		assert.Equal(t, []string{"b"}, listing(t, dir))
		assert.Equal(t, "old", content(t, b))
	})
	t.Run("the same bytes are no refusal", func(t *testing.T) {
		dir := t.TempDir()
		a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
		require.NoError(t, os.WriteFile(b, []byte("2"), 0o666))
		before, err := os.Stat(b)
		require.NoError(t, err)
		require.NoError(t, writeSet(ctx, []outFile{{a, saying("1")}, {b, saying("2")}}, false))
		after, err := os.Stat(b)
		require.NoError(t, err)
		assert.True(t, os.SameFile(before, after), "the file was replaced")
		assert.Equal(t, []string{"a", "b"}, listing(t, dir))
	})
	t.Run("same length, other bytes", func(t *testing.T) {
		a := filepath.Join(t.TempDir(), "a")
		require.NoError(t, os.WriteFile(a, []byte("1"), 0o666))
		assert.Equal(t, exitOutput, codeOf(writeWhole(a, false, saying("2"))))
		require.NoError(t, writeWhole(a, true, saying("2")))
		assert.Equal(t, "2", content(t, a))
	})
	t.Run("a place that fails takes the others back", func(t *testing.T) {
		// The second file's place turns into a directory while the third is
		// being written, so its rename fails after the first one's was done.
		for _, force := range []bool{false, true} {
			dir := t.TempDir()
			a, b, c := filepath.Join(dir, "a"), filepath.Join(dir, "b"), filepath.Join(dir, "c")
			want := []string{"b"}
			if force {
				require.NoError(t, os.WriteFile(a, []byte("old"), 0o666))
				want = []string{"a", "b"}
			}
			err := writeSet(ctx, []outFile{{a, saying("1")}, {b, saying("2")}, {c, func(w io.Writer) error {
				return os.Mkdir(b, 0o777)
			}}}, force)
			assert.Equal(t, exitOutput, codeOf(err), "force %v: %v", force, err)
			assert.Equal(t, want, listing(t, dir), "force %v", force)
			if force {
				assert.Equal(t, "old", content(t, a))
			}
		}
	})
	t.Run("a link is followed", func(t *testing.T) {
		dir := t.TempDir()
		file, link := filepath.Join(dir, "file"), filepath.Join(dir, "link")
		require.NoError(t, os.WriteFile(file, []byte("old"), 0o666))
		require.NoError(t, os.Symlink(file, link))
		require.NoError(t, writeWhole(link, true, saying("new")))
		assert.Equal(t, "new", content(t, file))
		info, err := os.Lstat(link)
		require.NoError(t, err)
		assert.NotZero(t, info.Mode()&os.ModeSymlink)
	})
	t.Run("once cancelled nothing appears", func(t *testing.T) {
		dir := t.TempDir()
		ctx, cancel := context.WithCancel(ctx)
		err := writeSet(ctx, []outFile{{filepath.Join(dir, "a"), func(w io.Writer) error {
			cancel()
			return nil
		}}}, true)
		assert.Equal(t, exitInterrupted, codeOf(err))
		assert.Empty(t, listing(t, dir))
	})
}

func TestMakeDirUndo(t *testing.T) {
	dir := t.TempDir()
	undo, err := makeDir(filepath.Join(dir, "a", "b", "c"))
	require.NoError(t, err)
	assert.DirExists(t, filepath.Join(dir, "a", "b", "c"))
	undo()
	assert.Empty(t, listing(t, dir))

	// What was there before, or holds something, stays.
	require.NoError(t, os.Mkdir(filepath.Join(dir, "a"), 0o777))
	undo, err = makeDir(filepath.Join(dir, "a", "b"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "a", "b", "kept"), nil, 0o666))
	undo()
	assert.FileExists(t, filepath.Join(dir, "a", "b", "kept"))

	_, err = makeDir(filepath.Join(dir, "a", "b", "kept", "d"))
	assert.Equal(t, exitOutput, codeOf(err))
}
