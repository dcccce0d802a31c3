package samples_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/internal/sampletest"
)

// fillVariable makes the test program a writer that can be killed: it holds
// the register to fill, and TestMain then runs fill.
const fillVariable = "TRAYTALLY_TEST_FILL"

const toFill = 60 // samples

func TestMain(m *testing.M) {
	if where := os.Getenv(fillVariable); where != "" {
		if err := fill(where); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// fill registers the samples that are missing, as a resumed batch does, corrects
// a kernel of each, and says both once they are on the disk.
func fill(where string) error {
	ctx := context.Background()
	g, err := samples.Open(ctx, where, samples.OpenOptions{Create: true, Actor: "test"})
	if err != nil {
		return err
	}
	defer g.Close()
	for seed := range uint64(toFill) {
		r, err := sampletest.Make(seed, sampletest.Options{Kernels: 40})
		if err != nil {
			return err
		}
		if _, err := g.Add(ctx, r); err != nil {
			return err
		}
		fmt.Println(r.Pictures[0].SHA256, r.Code)
		k := sampletest.Tray(seed, 40, 0.12).Kernels[0]
		_, err = g.Correct(ctx, r.Code, "touching kernels", 1, []correct.Correction{{Do: correct.Cut, At: at(&k), Line: across(&k)}}, piece)
		if err != nil && !errors.Is(err, samples.ErrChanged) { // that was done before
			return err
		}
		fmt.Println(r.Code, "corrected")
	}
	return nil
}

// A writer killed at any moment loses no sample that it reported, leaves none
// half-written, and doubles none when it goes on.
func TestKilledWriters(t *testing.T) {
	if _, err := os.Stat("/proc/self/exe"); err != nil {
		t.Skip("needs /proc/self/exe to run this program again")
	}
	kills := 200
	if testing.Short() {
		kills = 30
	}
	rng := rand.New(rand.NewPCG(7, 7))
	where := filepath.Join(t.TempDir(), "register.db")
	told, fixed := map[string]string{}, map[string]bool{}
	round := 0
	check := func() {
		g, err := samples.Open(t.Context(), where, samples.OpenOptions{Create: true})
		require.NoError(t, err)
		defer g.Close()
		for sum, code := range told {
			require.Equal(t, []string{code}, withPicture(t, g, sum), "after kill %d", round)
		}
		for code := range fixed {
			r, err := g.Get(t.Context(), code, 0)
			require.NoError(t, err)
			require.Equal(t, 2, r.Revision, "after kill %d", round)
			require.Len(t, r.Corrections, 1)
		}
		v, err := g.Verify(t.Context(), "", nil)
		require.NoError(t, err)
		require.Empty(t, v.Problems, "after kill %d", round)
	}
	for ; round < kills; round++ {
		if round%50 == 49 { // begin anew, so that the first steps are hit too
			check()
			clear(told)
			clear(fixed)
			where = filepath.Join(t.TempDir(), fmt.Sprintf("register-%d.db", round))
		}
		out := runFill(t, where, time.Duration(rng.IntN(40_000))*time.Microsecond)
		s := bufio.NewScanner(bytes.NewReader(out))
		for s.Scan() {
			// The last line may be cut: it was not fully told.
			if sum, code, ok := strings.Cut(s.Text(), " "); ok && len(code) == len("S2026-0001") {
				if before, known := told[sum]; known {
					require.Equal(t, before, code)
				}
				told[sum] = code
			} else if code == "corrected" {
				fixed[sum] = true
			}
		}
		if round%10 == 0 {
			check()
		}
	}
	out := runFill(t, where, 0)
	assert.Len(t, strings.Split(strings.TrimSpace(string(out)), "\n"), 2*toFill)
	check()
	g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
	require.NoError(t, err)
	defer g.Close()
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	assert.Len(t, rows, toFill)
}

// runFill runs fill in a process of its own and kills it after the given time,
// or with 0 lets it end.
func runFill(t *testing.T, where string, kill time.Duration) []byte {
	t.Helper()
	cmd := exec.Command("/proc/self/exe")
	cmd.Env = append(os.Environ(), fillVariable+"="+where)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	require.NoError(t, cmd.Start())
	if kill > 0 {
		time.Sleep(kill)
		cmd.Process.Kill() // SIGKILL; it may have ended by itself
		cmd.Wait()
		require.Empty(t, errs.String())
		return out.Bytes()
	}
	require.NoError(t, cmd.Wait(), errs.String())
	return out.Bytes()
}

// Two processes fill the same register at once.
func TestTwoProcesses(t *testing.T) {
	if _, err := os.Stat("/proc/self/exe"); err != nil {
		t.Skip("needs /proc/self/exe to run this program again")
	}
	where := filepath.Join(t.TempDir(), "register.db")
	done := make(chan []byte, 1)
	go func() { done <- runFill(t, where, 0) }()
	a := runFill(t, where, 0)
	b := <-done
	assert.Equal(t, string(a), string(b), "both are told the same codes")
	g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
	require.NoError(t, err)
	defer g.Close()
	v, err := g.Verify(t.Context(), "", nil)
	require.NoError(t, err)
	assert.Empty(t, v.Problems)
	assert.Equal(t, toFill, v.Samples)
}

// A disk without room: told as such, nothing half-registered, and it goes on
// once there is room.
func TestDiskFull(t *testing.T) {
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no small disk could be mounted, which takes root: %s", bytes.TrimSpace(out))
	}
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	where := filepath.Join(dir, "register.db")
	g := open(t, where)
	var full error
	registered := 0
	for seed := uint64(0); seed < 100 && full == nil; seed++ {
		_, full = g.Add(t.Context(), sampletest.Record(t, seed, sampletest.Options{Kernels: 100}))
		if full == nil {
			registered++
		}
	}
	require.Positive(t, registered)
	wantError(t, full, samples.ErrFull, "no room is left")
	v, err := g.Verify(t.Context(), "", nil)
	require.NoError(t, err)
	assert.Empty(t, v.Problems)
	assert.Equal(t, registered, v.Samples)

	require.NoError(t, exec.Command("mount", "-o", "remount,size=8m", dir).Run())
	add(t, g, 1000, sampletest.Options{})
	require.NoError(t, g.Close())
	g = open(t, where)
	v, err = g.Verify(t.Context(), "", nil)
	require.NoError(t, err)
	assert.Empty(t, v.Problems)
	assert.Equal(t, registered+1, v.Samples)
	require.NoError(t, g.Close())
}
