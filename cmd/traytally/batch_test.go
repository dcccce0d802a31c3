package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"image"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/phantom"
)

// tinyScans fills a folder with small trays that are measured in a moment.
func tinyScans(t *testing.T, n int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "scans")
	require.NoError(t, os.Mkdir(dir, 0o777))
	for i := range n {
		tinyScan(t, filepath.Join(dir, fmt.Sprintf("scan-%02d.png", i)), uint64(100+i))
	}
	return dir
}

func tinyScan(t *testing.T, path string, seed uint64) {
	t.Helper()
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.DPI = seed, 45, 150
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, path, img, p.DPI, 0))
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o666))
}

// program returns this test program as the command traytally in a process of
// its own.
func program(t testing.TB, args ...string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	if _, err := os.Stat("/proc/self/exe"); err != nil {
		t.Skip("needs /proc/self/exe to run this program again")
	}
	var out bytes.Buffer
	cmd := &exec.Cmd{Path: "/proc/self/exe", Args: append([]string{"traytally"}, args...), Env: os.Environ(), Stdout: &out, Stderr: &out}
	return cmd, &out
}

func openRegister(t testing.TB, where string) *samples.Register {
	t.Helper()
	g, err := samples.Open(context.Background(), where, samples.OpenOptions{Create: true})
	require.NoError(t, err)
	t.Cleanup(func() { g.Close() })
	return g
}

// sound asserts that the register holds each of n pictures at most once, and
// holds together; it returns how many samples there are.
func sound(t *testing.T, where string) int {
	t.Helper()
	g := openRegister(t, where)
	defer g.Close()
	v, err := g.Verify(t.Context(), "", nil)
	require.NoError(t, err)
	require.Empty(t, v.Problems)
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	seen := map[string]bool{}
	for _, r := range rows {
		require.False(t, seen[r.Pictures[0]], "%s is registered twice", r.Pictures[0])
		seen[r.Pictures[0]] = true
	}
	return len(rows)
}

// reportsAreWhole asserts that no report was left half-written.
func reportsAreWhole(t *testing.T, dir string) (n int) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.html"))
	require.NoError(t, err)
	for _, name := range names {
		b, err := os.ReadFile(name)
		require.NoError(t, err)
		require.True(t, bytes.HasSuffix(b, []byte("</html>\n")), "%s is cut short", name)
		if filepath.Base(name) != "index.html" {
			n++
		}
	}
	return n
}

// Two batches over one folder share the work.
func TestTwoBatches(t *testing.T) {
	scans := tinyScans(t, 5)
	where := filepath.Join(t.TempDir(), "register.db")
	var both sync.WaitGroup
	for range 2 {
		cmd, said := program(t, "batch", scans, "--register", where)
		require.NoError(t, cmd.Start())
		both.Go(func() { assert.NoError(t, cmd.Wait(), "%s", said) })
	}
	both.Wait()
	assert.Equal(t, 5, sound(t, where))
}

// Progress is for terminals: it tells how far, how fast and how long still.
func TestBatchProgress(t *testing.T) {
	scans := tinyScans(t, 6)
	for _, lively := range []bool{false, true} {
		u, stdout, stderr := testUI()
		u.lively = lively
		code := run(context.Background(), []string{"batch", scans, "--register", filepath.Join(t.TempDir(), "r.db"), "--reports", "none"}, u)
		require.Equal(t, exitDone, code, stderr)
		assert.Contains(t, stdout.String(), "6 samples: 6 graded")
		if !lively {
			assert.Empty(t, stderr.String())
		} else {
			assert.Contains(t, stderr.String(), "\r\x1b[K6 samples")
		}
	}
	assert.Equal(t, ", 120 a minute, 5s left", pace(4, 10, 2*time.Second))
	assert.Empty(t, pace(1, 10, time.Second))
}

// An interrupted batch tells how far it came.
func TestInterruptedBatch(t *testing.T) {
	scans := tinyScans(t, 6)
	ctx, cancel := context.WithCancel(context.Background())
	u, _, stderr := testUI()
	u.lively = true
	u.err = writerFunc(func(b []byte) (int, error) {
		cancel()
		return stderr.Write(b)
	})
	where := filepath.Join(t.TempDir(), "r.db")
	code := run(ctx, []string{"batch", scans, "--register", where}, u)
	assert.Equal(t, exitInterrupted, code)
	assert.Contains(t, stderr.String(), "traytally: error: interrupted: ")
	assert.Contains(t, stderr.String(), "traytally: hint: run the same command again to go on")
	assert.NotContains(t, stderr.String(), "nothing was written")
	sound(t, where)
}

// A full disk is told in one line, and what is registered stays.
func TestBatchOnAFullDisk(t *testing.T) {
	scans := tinyScans(t, 6)
	disk := t.TempDir()
	if said, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", disk).CombinedOutput(); err != nil {
		t.Skipf("no small disk could be mounted, which takes root: %s", bytes.TrimSpace(said))
	}
	t.Cleanup(func() { exec.Command("umount", "-l", disk).Run() })
	where := filepath.Join(disk, "register.db")
	u, stdout, stderr := testUI()
	code := run(context.Background(), []string{"batch", scans, "--register", where, "--out", filepath.Join(disk, "out")}, u)
	assert.Equal(t, exitOutput, code)
	assert.Empty(t, stdout.String())
	assert.Regexp(t, "no room is left|no space left on device", stderr.String())
	n := sound(t, where)
	require.NoError(t, exec.Command("mount", "-o", "remount,size=64m", disk).Run())
	u, _, stderr = testUI()
	code = run(context.Background(), []string{"batch", scans, "--register", where, "--out", filepath.Join(disk, "out")}, u)
	assert.Equal(t, exitDone, code, stderr)
	assert.Less(t, n, 6)
	assert.Equal(t, 6, sound(t, where))
	assert.Equal(t, 6, reportsAreWhole(t, filepath.Join(disk, "out")))
}

// What is no ordinary file is named and left: a pipe would be waited for, a
// huge file be read through, for nothing.
func TestBatchLeavesWhatIsNoFile(t *testing.T) {
	scans := tinyScans(t, 1)
	require.NoError(t, syscall.Mkfifo(filepath.Join(scans, "pipe.png"), 0o666))
	require.NoError(t, os.Symlink(filepath.Join(scans, "nowhere"), filepath.Join(scans, "link.png")))
	huge, err := os.Create(filepath.Join(scans, "huge.png"))
	require.NoError(t, err)
	require.NoError(t, huge.Truncate(1<<40)) // sparse
	require.NoError(t, huge.Close())
	cmd, said := program(t, "batch", scans, "--register", filepath.Join(t.TempDir(), "r.db"), "--reports", "none")
	require.NoError(t, cmd.Start())
	stop := time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
	defer stop.Stop()
	var exit *exec.ExitError
	require.ErrorAs(t, cmd.Wait(), &exit, said)
	assert.Equal(t, exitInput, exit.ExitCode(), said)
	assert.Contains(t, said.String(), "pipe.png: is not an ordinary file")
	assert.Contains(t, said.String(), "link.png: is a link to a file that is not there")
	assert.Contains(t, said.String(), "huge.png: the file has 1099511627776 bytes, more than the limit")
	assert.Contains(t, said.String(), "4 samples: 1 graded, 0 registered before, 3 not graded")
}

// The command in a report computes the registered result again, from the
// picture alone.
func TestCommandInTheReport(t *testing.T) {
	for _, test := range []struct{ flags, want string }{
		{"", "traytally grade scan-00.png"},
		{"--scale 5.9 --length axis --whole-length 6.8", "traytally grade scan-00.png --scale 5.9 --length axis --whole-length 6.8"},
		{"--dpi 151 --card off --standard us-long", "traytally grade scan-00.png --scale 5.94488188976378 --card off --standard us-long"},
	} {
		scans := tinyScans(t, 1)
		t.Chdir(scans)
		where := filepath.Join(t.TempDir(), "r.db")
		u, _, stderr := testUI()
		args := append([]string{"batch", ".", "--register", where}, strings.Fields(test.flags)...)
		require.Equal(t, exitDone, run(t.Context(), args, u), stderr)
		g := openRegister(t, where)
		rows, err := g.List(t.Context(), samples.Query{})
		require.NoError(t, err)
		rec, err := g.Get(t.Context(), rows[0].Code, 0)
		require.NoError(t, err)
		command := gradeCommand(rec)
		assert.Equal(t, test.want, command)
		page, err := os.ReadFile(filepath.Join(outName, rec.Code+".html"))
		require.NoError(t, err)
		assert.Contains(t, string(page), "<dd>"+command+"</dd>")

		u, stdout, stderr := testUI()
		require.Equal(t, exitDone, run(t.Context(), append(strings.Fields(command)[1:], "--json", "-"), u), stderr)
		var now, then struct{ Reference, Broken, Shares, Kernels any }
		require.NoError(t, json.Unmarshal(stdout.Bytes(), &now))
		require.NoError(t, json.Unmarshal(rec.Result, &then))
		require.NotNil(t, then.Broken)
		assert.Equal(t, then, now)
	}
	measuring, err := json.Marshal(vision.Method{
		MeasureOptions: vision.MeasureOptions{Colour: vision.ColourOptions{GreyPatch: image.Rect(1, 2, 31, 42), GreyY: 0.18}},
		ScaleOptions:   vision.ScaleOptions{Card: vision.CardOn, Ruler: 149.5},
	})
	require.NoError(t, err)
	coin, err := json.Marshal(vision.Method{MeasureOptions: vision.MeasureOptions{CoinMM: 24.25}, ScaleOptions: vision.ScaleOptions{Card: vision.CardOff}})
	require.NoError(t, err)
	assert.Equal(t, "traytally grade a.png --coin 24.25 --card off", gradeCommand(&samples.Record{
		Pictures: []samples.Picture{{Path: "/s/a.png"}}, Settings: samples.Settings{Params: grading.DefaultParams(), Measuring: coin},
	}))
	moisture := 13.2
	assert.Equal(t, "traytally grade ./-rf.jpg 'a b.png' --card on --card-ruler 149.5 --grey 1,2,30,40 --grey-percent 18 --whole-from ./-p.png --standard us-long --found moisture_pct=13.2 --found 'by_hand.colour=slightly gray'", gradeCommand(&samples.Record{
		Facts:     samples.Facts{Sheet: &grading.Sheet{MoisturePct: &moisture, ByHand: map[string]grading.HandValue{"colour": {Word: "slightly gray"}}}},
		Pictures:  []samples.Picture{{Path: "/s/-rf.jpg"}, {Path: "/s/a b.png"}},
		Reference: []samples.Picture{{Path: "/s/-p.png"}},
		Settings:  samples.Settings{Params: grading.DefaultParams(), Standard: "us-long", Measuring: measuring},
	}))
}

// Several laboratories share a register by PostgreSQL: two batches at once.
func TestBatchOnPostgres(t *testing.T) {
	base := os.Getenv("TRAYTALLY_POSTGRES")
	if base == "" {
		t.Skip("TRAYTALLY_POSTGRES names no PostgreSQL server, for example postgres://postgres@127.0.0.1:5432/postgres")
	}
	schema := fmt.Sprintf("batch%d", time.Now().UnixNano())
	db, err := sql.Open("pgx", base)
	require.NoError(t, err)
	_, err = db.Exec("CREATE SCHEMA " + schema)
	require.NoError(t, err)
	t.Cleanup(func() {
		db.Exec("DROP SCHEMA " + schema + " CASCADE")
		db.Close()
	})
	u, err := url.Parse(base)
	require.NoError(t, err)
	q := u.Query()
	q.Set("search_path", schema)
	u.RawQuery = q.Encode()
	scans := tinyScans(t, 4)
	var both sync.WaitGroup
	for i := range 2 {
		cmd, said := program(t, "batch", scans, "--register", u.String(), "--out", filepath.Join(t.TempDir(), fmt.Sprint("out", i)))
		require.NoError(t, cmd.Start())
		both.Go(func() { assert.NoError(t, cmd.Wait(), "%s", said) })
	}
	both.Wait()
	assert.Equal(t, 4, sound(t, u.String()))
}
