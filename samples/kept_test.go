package samples_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/vision/kernel/fault"
)

// A register that is taken away under a program that works on it: the next
// sample stops it, nothing is written where the register was, and all that it
// had measured is registered at the next start, once.
func TestRegisterIsTakenAway(t *testing.T) {
	for name, take := range map[string]func(where, backup string) error{
		"removed":                func(where, _ string) error { return os.Remove(where) },
		"removed with its log":   func(where, _ string) error { return exec.Command("sh", "-c", "rm "+where+"*").Run() },
		"removed with directory": func(where, _ string) error { return os.RemoveAll(filepath.Dir(where)) },
		"moved away":             func(where, _ string) error { return os.Rename(where, where+".old") },
		"log removed":            func(where, _ string) error { return os.Remove(where + "-wal") },
		"backup moved over it":   func(where, backup string) error { return os.Rename(backup, where) },
		"backup, log removed": func(where, backup string) error {
			for _, ending := range []string{"-wal", "-shm"} {
				if err := os.Remove(where + ending); err != nil {
					return err
				}
			}
			return os.Rename(backup, where)
		},
	} {
		t.Run(name, func(t *testing.T) {
			where := filepath.Join(t.TempDir(), "data", "register.db")
			require.NoError(t, os.Mkdir(filepath.Dir(where), 0o777))
			first := open(t, where)
			add(t, first, 0, sampletest.Options{Kernels: 12})
			require.NoError(t, first.Close())
			backup := filepath.Join(t.TempDir(), "backup.db")
			data, err := os.ReadFile(where)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(backup, data, 0o666))

			g := open(t, where)
			var codes []string
			for seed := range uint64(4) {
				codes = append(codes, add(t, g, seed+1, sampletest.Options{Kernels: 12}).Code)
			}
			require.NoError(t, g.Present(t.Context()))
			require.NoError(t, take(where, backup))
			before, _ := os.ReadFile(where)

			_, err = g.Add(t.Context(), sampletest.Record(t, 9, sampletest.Options{Kernels: 12, Code: "K-9"}))
			wantError(t, err, samples.ErrGone, "was removed, moved or replaced")
			assert.Contains(t, err.Error(), "samples: 5, is kept in "+where+".kept")
			wantError(t, g.Present(t.Context()), samples.ErrGone, "samples: 5, is kept")
			wantError(t, g.Refuse(t.Context(), "k", samples.Refusal{}), samples.ErrGone, "samples: 5, is kept")
			g.Close()
			after, _ := os.ReadFile(where)
			if name != "log removed" { // there SQLite itself brings the log home
				assert.Equal(t, before, after, "the file that is there now is left alone")
			}

			g = open(t, where)
			_, err = os.Stat(where + ".kept")
			assert.ErrorIs(t, err, os.ErrNotExist)
			for seed := range uint64(4) {
				sum := samples.Sum([]byte(fmt.Sprint("tray", seed+1, 12, 0.12)))
				there, err := g.WithPicture(t.Context(), sum)
				require.NoError(t, err)
				assert.Equal(t, []string{codes[seed]}, there)
				history, err := g.History(t.Context(), codes[seed])
				require.NoError(t, err)
				if name != "log removed" { // no more of the old register comes back than what was kept
					assert.Equal(t, "kept while the register was gone", history[0].Reason)
				}
			}
			r, err := g.Get(t.Context(), "K-9", 0)
			require.NoError(t, err)
			history, err := g.History(t.Context(), r.Code)
			require.NoError(t, err)
			assert.Equal(t, "kept while the register was gone", history[0].Reason)
			v, err := g.Verify(t.Context(), "", nil)
			require.NoError(t, err)
			assert.Empty(t, v.Problems)
			left, err := filepath.Glob(where + "*")
			require.NoError(t, err)
			assert.NotContains(t, strings.Join(left, " "), "kept")
		})
	}
}

// A register that another took the place of, on a server or by copying over
// it, is told by the entries that the program made and that are not there.
func TestRegisterIsAnotherOne(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		add(t, g, 1, sampletest.Options{Kernels: 12})
		db := rawDB(t, where)
		if samples.IsPostgres(where) {
			_, err := db.Exec("DO $$ DECLARE s text = current_schema(); BEGIN EXECUTE format('DROP SCHEMA %I CASCADE', s); EXECUTE format('CREATE SCHEMA %I', s); END $$")
			require.NoError(t, err)
			add(t, open(t, where), 2, sampletest.Options{Kernels: 12})
		} else {
			m := statement("DELETE FROM audit; UPDATE samples SET code = code || 'x'")
			require.NoError(t, pastTriggers(t, m.do)(db))
		}
		_, err := g.Add(t.Context(), sampletest.Record(t, 3, sampletest.Options{Kernels: 12}))
		wantError(t, err, samples.ErrGone, "was removed, moved or replaced")
	})
}

// What was kept goes under another code where its own was given away meanwhile.
func TestKeptCodeIsTaken(t *testing.T) {
	where := filepath.Join(t.TempDir(), "register.db")
	g := open(t, where)
	add(t, g, 1, sampletest.Options{Kernels: 12, Code: "A"})
	require.NoError(t, os.Remove(where))
	wantError(t, g.Present(t.Context()), samples.ErrGone, "samples: 1, is kept")
	g.Close()
	kept := where + ".kept"
	require.NoError(t, os.Rename(kept, kept+"2"))
	g = open(t, where)
	add(t, g, 2, sampletest.Options{Kernels: 12, Code: "A"})
	require.NoError(t, g.Close())
	require.NoError(t, os.Rename(kept+"2", kept))
	g = open(t, where)
	assert.Equal(t, 1, g.TakenUp())
	history, err := g.History(t.Context(), "S2026-0002")
	require.NoError(t, err)
	assert.Equal(t, "kept while the register was gone, then as A", history[0].Reason)
	// A damaged one is told, and stays where it is.
	g.Close()
	require.NoError(t, os.WriteFile(kept, []byte("no register"), 0o666))
	_, err = samples.Open(t.Context(), where, samples.OpenOptions{Create: true})
	wantError(t, err, samples.ErrForeign, "cannot be taken up")
	assert.FileExists(t, kept)
}

// A register on a place that cannot be written is listed, verified and read
// like any, and says so where it would have to be written.
func TestReadOnlyRegister(t *testing.T) {
	look := func(t *testing.T, where string) {
		g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
		require.NoError(t, err)
		defer g.Close()
		rows, err := g.List(t.Context(), samples.Query{})
		require.NoError(t, err)
		require.Len(t, rows, 2)
		v, err := g.Verify(t.Context(), "", nil)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
		r, err := g.Get(t.Context(), rows[0].Code, 0)
		require.NoError(t, err)
		k, err := r.Kernels()
		require.NoError(t, err)
		assert.Len(t, k.Trays, 1)
		_, err = g.Amend(t.Context(), r.Code, "a slip", func(f *samples.Facts) error { f.Lot = "L-9"; return nil })
		assert.Error(t, err)
	}
	fill := func(t *testing.T, where string) *samples.Register {
		g := open(t, where)
		add(t, g, 1, sampletest.Options{Kernels: 12})
		add(t, g, 2, sampletest.Options{Kernels: 12})
		return g
	}
	t.Run("a disk", func(t *testing.T) {
		dir := t.TempDir()
		if out, err := exec.Command("mount", "-t", "tmpfs", "tmpfs", dir).CombinedOutput(); err != nil {
			t.Skipf("no disk could be mounted, which takes root: %s", out)
		}
		t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
		remount := func(how string) { require.NoError(t, exec.Command("mount", "-o", "remount,"+how, dir).Run()) }
		where := filepath.Join(dir, "register.db")
		require.NoError(t, fill(t, where).Close())
		remount("ro")
		look(t, where)
		_, err := samples.Open(t.Context(), where, samples.OpenOptions{Create: true})
		wantError(t, err, nil, "cannot be written")

		// One whose log was left beside it, as by a copy while it was in use.
		remount("rw")
		g := open(t, where)
		add(t, g, 3, sampletest.Options{Kernels: 12})
		copied := filepath.Join(dir, "copy.db")
		for _, ending := range []string{"", "-wal"} {
			data, err := os.ReadFile(where + ending)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(copied+ending, data, 0o666))
		}
		require.NoError(t, g.Close())
		remount("ro")
		_, err = samples.Open(t.Context(), copied, samples.OpenOptions{})
		wantError(t, err, nil, "cannot be written")
		assert.Contains(t, err.(*fault.Error).Hint, "copy them")
	})
	t.Run("rights", func(t *testing.T) {
		if os.Getuid() == 0 {
			t.Skip("root may write everything")
		}
		where := filepath.Join(t.TempDir(), "register.db")
		require.NoError(t, fill(t, where).Close())
		require.NoError(t, os.Chmod(where, 0o444))
		require.NoError(t, os.Chmod(filepath.Dir(where), 0o555))
		look(t, where)
		require.NoError(t, os.Chmod(filepath.Dir(where), 0o755))
	})
	t.Run("a server", func(t *testing.T) {
		where := postgresSchema(t)
		fill(t, where)
		look(t, where+"&default_transaction_read_only=on")
	})
}
