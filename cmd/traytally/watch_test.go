package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
)

// until waits for a condition, for as long as a slow machine may take.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited a minute for %s", what)
		}
	}
}

func registered(t *testing.T, where string) int {
	g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
	if err != nil {
		return 0
	}
	defer g.Close()
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	return len(rows)
}

// A scanner writes slowly: a picture is read when it is whole, one that cannot
// be used is told and stands in the page, and graded when it is scanned again.
func TestWatch(t *testing.T) {
	t.Parallel()
	scans := tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "register.db")
	index := filepath.Join(scans, outName, "index.html")
	page := func() string { b, _ := os.ReadFile(index); return string(b) }

	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	u, stdout, stderr := testUI()
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"watch", scans, "--register", where, "--settle", "0.3"}, u) }()
	until(t, "the picture that was there", func() bool { return registered(t, where) == 1 })

	// Slowly, in four parts, with a pause longer than the time to settle.
	whole := filepath.Join(t.TempDir(), "whole.png")
	tinyScan(t, whole, 7)
	data, err := os.ReadFile(whole)
	require.NoError(t, err)
	slow, err := os.Create(filepath.Join(scans, "slow.png"))
	require.NoError(t, err)
	for i := range 4 {
		_, err := slow.Write(data[i*len(data)/4 : (i+1)*len(data)/4])
		require.NoError(t, err)
		time.Sleep([]time.Duration{120, 700, 120, 0}[i] * time.Millisecond)
	}
	require.NoError(t, slow.Close())
	until(t, "the slow scan", func() bool { return registered(t, where) == 2 })

	// Cut short for good, then scanned again under the same name.
	bad := filepath.Join(scans, "bad.png")
	require.NoError(t, os.WriteFile(bad, data[:len(data)/2], 0o666))
	until(t, "the broken scan in the page", func() bool { return containsAll(page(), "bad.png", "could not be graded") })
	assert.Equal(t, 2, registered(t, where))
	tinyScan(t, bad, 8)
	until(t, "the new scan", func() bool { return registered(t, where) == 3 })
	until(t, "the page without complaint", func() bool {
		return !containsAll(page(), "could not be graded") && containsAll(page(), "S2", ".html", ".pdf")
	})

	// A copy of a picture that is known, and one that is listed and never comes.
	require.NoError(t, os.WriteFile(filepath.Join(scans, "copy.png"), data, 0o666))
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte("picture\nnever.png\n"), 0o666))
	until(t, "the copy in the page", func() bool { return containsAll(page(), "never.png", "is not there yet") })

	stop()
	assert.Equal(t, exitDone, <-ended)
	said := stdout.String()
	assert.Contains(t, said, "slow.png")
	assert.Contains(t, said, "copy.png  a copy of slow.png, registered before\n")
	assert.Contains(t, said, "3 samples graded, ")
	assert.Contains(t, said, "1 copy; 0 not graded.\n  never.png: stands in row 2 of the list and is not there yet\n")
	for line := range strings.Lines(said + stderr.String()) {
		assert.Regexp(t, `^(\d\d:\d\d:\d\d  |  never)`, line, "the time on each line")
	}
	assert.Contains(t, stderr.String(), "bad.png")
	assert.NotContains(t, stderr.String(), "slow.png", "a scan that is still written is no error")
	assert.Equal(t, 3, reportsAreWhole(t, filepath.Join(scans, outName)))
	sound(t, where)
}

func containsAll(s string, parts ...string) bool {
	for _, p := range parts {
		if !strings.Contains(s, p) {
			return false
		}
	}
	return true
}

// An error of the system's watching, such as a queue that ran over, stops no
// events and is looked after at once.
func TestErrorsOfWatching(t *testing.T) {
	tell := &fsnotify.Watcher{Events: make(chan fsnotify.Event), Errors: make(chan error)}
	s := newWatcher(watchOptions{}, nil, nil)
	ended := make(chan struct{})
	go func() {
		s.passOn(tell)
		close(ended)
	}()
	for range 3 {
		tell.Errors <- fsnotify.ErrEventOverflow
		<-s.wake
		tell.Events <- fsnotify.Event{}
		<-s.wake
	}
	close(tell.Events)
	<-ended
}

// A list that cannot be read stops the grading, not the watching.
func TestWatchWithABadList(t *testing.T) {
	scans := tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "register.db")
	list := filepath.Join(scans, listName)
	require.NoError(t, os.WriteFile(list, []byte("picture,vareity\nscan-00.png,x\n"), 0o666))
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	u, _, stderr := testUI()
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"watch", scans, "--register", where, "--settle", "0.1", "-q"}, u) }()
	until(t, "the first page", func() bool { _, err := os.Stat(filepath.Join(scans, outName, "index.html")); return err == nil })
	time.Sleep(300 * time.Millisecond)
	assert.Zero(t, registered(t, where))
	require.NoError(t, os.WriteFile(list, []byte("picture,variety,code\nscan-00.png,long,K-1\n"), 0o666))
	until(t, "the sample", func() bool { return registered(t, where) == 1 })
	stop()
	assert.Equal(t, exitDone, <-ended)
	assert.Contains(t, stderr.String(), `there is no column "vareity"`)
	assert.Contains(t, stderr.String(), "did you mean variety?")
	g := openRegister(t, where)
	r, err := g.Get(t.Context(), "K-1", 0)
	require.NoError(t, err)
	assert.Equal(t, "long", r.Facts.Variety)
}

// A register that is removed or replaced while a program works on it ends the
// work with a word, whether or not more is to be done, and the next start has
// all that was measured.
func TestRegisterVanishes(t *testing.T) {
	// ready makes what takes the register away as soon as it is told to.
	for name, ready := range map[string]func(t *testing.T) (take func(where string) error){
		"removed": func(*testing.T) func(string) error { return os.Remove },
		"replaced": func(t *testing.T) func(string) error {
			other := filepath.Join(t.TempDir(), "other.db")
			require.NoError(t, openRegister(t, other).Close())
			return func(where string) error { return os.Rename(other, where) }
		},
	} {
		for _, command := range []string{"watch", "batch"} {
			t.Run(command+" "+name, func(t *testing.T) {
				take := ready(t)
				const pictures = 6 // after the first one, time enough to take the register away
				scans := tinyScans(t, pictures)
				where := filepath.Join(t.TempDir(), "register.db")
				args := []string{command, scans, "--register", where, "--reports", "none"}
				u, stdout, stderr := testUI()
				ended := make(chan int, 1)
				go func() { ended <- run(t.Context(), args, u) }()
				until(t, "the first sample", func() bool { return registered(t, where) > 0 })
				require.NoError(t, take(where))
				assert.Equal(t, exitInput, <-ended)
				assert.Contains(t, stderr.String(), "was removed, moved or replaced while it was in use; what was measured since")
				assert.NotContains(t, stderr.String(), "done and registered")
				assert.NotContains(t, stdout.String(), "graded,")

				u, stdout, stderr = testUI()
				require.Equal(t, exitDone, run(t.Context(), []string{"batch", scans, "--register", where, "--reports", "none"}, u), "%s", stderr)
				assert.Contains(t, stderr.String(), "measured while the register was gone: kept then, registered now")
				assert.NotContains(t, stdout.String(), "6 graded")
				assert.Equal(t, pictures, sound(t, where))
			})
		}
	}
}
