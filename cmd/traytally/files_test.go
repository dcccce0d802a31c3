package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// writeWhole writes one file.
func writeWhole(path string, force bool, fn func(io.Writer) error) error {
	return writeSet(context.Background(), []outFile{{path, fn}}, force)
}

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
	t.Run("nothing is written through a link", func(t *testing.T) {
		for _, force := range []bool{false, true} {
			dir, elsewhere := t.TempDir(), filepath.Join(t.TempDir(), "file")
			require.NoError(t, os.WriteFile(elsewhere, []byte("old"), 0o666))
			for _, target := range []string{elsewhere, filepath.Join(dir, "nowhere"), "a", os.DevNull} {
				link := filepath.Join(dir, "link")
				require.NoError(t, os.Symlink(target, link))
				err := writeSet(ctx, []outFile{{filepath.Join(dir, "a"), saying("1")}, {link, saying("new")}}, force)
				assert.Equal(t, exitOutput, codeOf(err), "%v", err)
				assert.ErrorContains(t, err, "link: is a link")
				assert.Equal(t, []string{"link"}, listing(t, dir))
				there, err := os.Readlink(link)
				require.NoError(t, err)
				assert.Equal(t, target, there)
				assert.Equal(t, "old", content(t, elsewhere))
				assert.Equal(t, exitOutput, codeOf(checkPlace(link)), "refused before the work")
				require.NoError(t, os.Remove(link))
			}
		}
	})
	t.Run("one name twice", func(t *testing.T) {
		for _, b := range []string{"é.html", "É.HTML", "e\u0301.html", "./x/../é.html"} {
			dir := t.TempDir()
			err := writeSet(ctx, []outFile{{filepath.Join(dir, "é.html"), saying("1")}, {dir + "/" + b, saying("2")}}, true)
			assert.Equal(t, exitOutput, codeOf(err), "%v", err)
			assert.ErrorContains(t, err, "is the name of another output")
			assert.Empty(t, listing(t, dir))
		}
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

// A refusing folder is one on a file system that lacks hard links, with files
// that another program holds open.
type refusing struct {
	*os.Root
	*refusals
}

type refusals struct {
	noLinks bool
	held    map[string]bool
	after   func(name string) // told of every rename that was not refused
}

// refuse makes writeSet write through refusing folders.
func refuse(t *testing.T, noLinks bool) *refusals {
	r := &refusals{noLinks: noLinks, held: map[string]bool{}}
	before := openFolder
	t.Cleanup(func() { openFolder = before })
	openFolder = func(dir string) (folder, error) {
		root, err := os.OpenRoot(dir)
		return refusing{root, r}, err
	}
	return r
}

func (r refusing) Link(from, to string) error {
	if r.noLinks {
		return &os.LinkError{Op: "link", Old: from, New: to, Err: syscall.EPERM}
	}
	return r.Root.Link(from, to)
}

func (r refusing) Rename(from, to string) error {
	if r.held[to] {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EBUSY}
	}
	err := r.Root.Rename(from, to)
	if err == nil && r.after != nil {
		r.after(to)
	}
	return err
}

// exFAT mounts a small file system of that kind: without links of either sort,
// and without case.
func exFAT(t *testing.T) string {
	t.Helper()
	image, dir := filepath.Join(t.TempDir(), "image"), t.TempDir()
	require.NoError(t, os.WriteFile(image, nil, 0o666))
	require.NoError(t, os.Truncate(image, 16<<20))
	command := func(name string, args ...string) string {
		said, err := exec.Command(name, args...).Output()
		if err != nil {
			t.Skipf("no exFAT could be mounted, which takes root, a loop device, exfat-fuse and exfatprogs: %s: %v", name, err)
		}
		return strings.TrimSpace(string(said))
	}
	command("mkfs.exfat", image)
	device := command("losetup", "-f", "--show", image)
	t.Cleanup(func() { exec.Command("losetup", "-d", device).Run() })
	command("mount.exfat-fuse", device, dir)
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	return dir
}

// hold makes a rename onto a file fail, as where another program holds it
// open: a file that something is mounted on is busy.
func hold(t *testing.T, path string) (release func()) {
	t.Helper()
	over := filepath.Join(t.TempDir(), "over")
	require.NoError(t, os.WriteFile(over, []byte(content(t, path)), 0o666))
	if said, err := exec.Command("mount", "--bind", over, path).CombinedOutput(); err != nil {
		t.Skipf("a file cannot be held, which takes root: %s", said)
	}
	release = sync.OnceFunc(func() { require.NoError(t, exec.Command("umount", "-l", path).Run()) })
	t.Cleanup(release)
	return release
}

// All files of a set are as they were where one cannot be put in its place,
// whatever the file system offers.
func TestAllOrNone(t *testing.T) {
	names := []string{"a", "b", "c"}
	check := func(t *testing.T, dir string, there, held int, hold func(path string) (release func())) {
		want := map[string]string{}
		for i := range there {
			want[names[i]] = "old " + names[i]
			require.NoError(t, os.WriteFile(filepath.Join(dir, names[i]), []byte(want[names[i]]), 0o640))
		}
		release := hold(filepath.Join(dir, names[held]))
		var files []outFile
		for _, n := range names {
			files = append(files, outFile{filepath.Join(dir, n), saying("new " + n)})
		}
		err := writeSet(t.Context(), files, true)
		require.Equal(t, exitOutput, codeOf(err), "%v", err)
		assert.Contains(t, err.Error(), names[held]+": cannot be written: device or resource busy")
		assert.Contains(t, hintOf(err), "close it")
		release()
		got := map[string]string{}
		for _, n := range listing(t, dir) {
			got[n] = content(t, filepath.Join(dir, n))
		}
		assert.Equal(t, want, got)
		require.NoError(t, writeSet(t.Context(), files, true), "let go, it is replaced")
		assert.Equal(t, names, listing(t, dir))
		for _, n := range names {
			assert.Equal(t, "new "+n, content(t, filepath.Join(dir, n)))
		}
	}
	for there := range len(names) + 1 {
		for held := range there {
			t.Run(fmt.Sprintf("%d there, %s held", there, names[held]), func(t *testing.T) {
				t.Run("held in truth", func(t *testing.T) {
					check(t, t.TempDir(), there, held, func(path string) func() { return hold(t, path) })
				})
				t.Run("exFAT", func(t *testing.T) {
					check(t, exFAT(t), there, held, func(path string) func() { return hold(t, path) })
				})
				for _, noLinks := range []bool{false, true} {
					t.Run(fmt.Sprintf("links refused %v", noLinks), func(t *testing.T) {
						r := refuse(t, noLinks)
						check(t, t.TempDir(), there, held, func(path string) func() {
							r.held[filepath.Base(path)] = true
							return func() { clear(r.held) }
						})
					})
				}
			})
		}
	}
	t.Run("without links nothing is replaced unasked", func(t *testing.T) {
		refuse(t, true)
		for _, dir := range []string{t.TempDir(), exFAT(t)} {
			a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
			err := writeSet(t.Context(), []outFile{{a, saying("1")}, {b, func(w io.Writer) error {
				return os.WriteFile(a, []byte("came meanwhile"), 0o666)
			}}}, false)
			assert.ErrorContains(t, err, "a: exists and holds something else")
			assert.Equal(t, []string{"a"}, listing(t, dir))
			assert.Equal(t, "came meanwhile", content(t, a))
		}
	})
	t.Run("what cannot be put back is kept and named", func(t *testing.T) {
		r, dir := refuse(t, false), t.TempDir()
		a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
		require.NoError(t, os.WriteFile(a, []byte("old a"), 0o666))
		require.NoError(t, os.WriteFile(b, []byte("old b"), 0o666))
		r.held["b"] = true
		r.after = func(name string) { r.held[name] = true } // taken hold of as soon as it is new
		err := writeSet(t.Context(), []outFile{{a, saying("new a")}, {b, saying("new b")}}, true)
		require.Equal(t, exitOutput, codeOf(err))
		where := regexp.MustCompile(`what was there is kept as (\S+)`).FindStringSubmatch(err.Error())
		require.NotNil(t, where, err)
		assert.Equal(t, "old a", content(t, where[1]))
		assert.Equal(t, "old b", content(t, b))
		clear(r.held)
		r.after = nil
		swept.Clear()
		require.NoError(t, writeWhole(filepath.Join(dir, "c"), false, saying("3")))
		assert.Equal(t, "old a", content(t, where[1]), "kept beyond the next start")
	})
}

// Passing files of a program that was killed go when the next one writes
// there; those of one that lives stay.
func TestPassingFilesGo(t *testing.T) {
	dir := t.TempDir()
	for _, left := range []string{".traytally-LEFT/0", ".traytally-LEFT/0.old"} {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, left)), 0o777))
		require.NoError(t, os.WriteFile(filepath.Join(dir, left), []byte("half"), 0o666))
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, ".traytally-OLDER"), []byte("half"), 0o666))
	kept := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(kept, "kept"), nil, 0o666))
	require.NoError(t, os.Symlink(kept, filepath.Join(dir, ".traytally-link")))
	a := filepath.Join(dir, "a")
	require.NoError(t, writeWhole(a, false, func(io.Writer) error {
		swept.Clear() // as if another program began meanwhile
		return writeWhole(filepath.Join(dir, "b"), false, saying("2"))
	}))
	assert.Equal(t, []string{".traytally-link", "a", "b"}, listing(t, dir))
	assert.Equal(t, []string{"kept"}, listing(t, kept))
}

// Where no lock can be had, age tells what was left.
func TestLeftBehindWithoutLocks(t *testing.T) {
	const oPath = 0x200000 // O_PATH of Linux, open(2): such a file takes no lock
	dir := t.TempDir()
	f, err := os.OpenFile(dir, oPath, 0)
	require.NoError(t, err)
	defer f.Close()
	require.ErrorIs(t, lock(f), syscall.EBADF)
	assert.False(t, leftBehind(f))
	before := time.Now().Add(-25 * time.Hour)
	require.NoError(t, os.Chtimes(dir, before, before))
	assert.True(t, leftBehind(f))
}

// Many programs that begin and write at once do not sweep each other's work.
func TestSweepWhileWriting(t *testing.T) {
	dir := t.TempDir()
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for j := range 50 {
				swept.Clear()
				assert.NoError(t, writeWhole(filepath.Join(dir, fmt.Sprintf("%d-%d", i, j)), true, saying("1")))
			}
		})
	}
	all.Wait()
	assert.Len(t, listing(t, dir), 8*50)
}
