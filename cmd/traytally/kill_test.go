package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/report"
)

// killsVariable takes what share of the long form of TestKills is run, in
// percent; .ci/kills sets it.
const killsVariable = "TRAYTALLY_KILLS"

// Killed by signal 9 at any moment, no command loses or doubles what is
// registered, and none leaves a file half-written; what was passing is gone
// when the next one has ended.
func TestKills(t *testing.T) {
	t.Parallel()
	percent := 4
	if testing.Short() {
		percent = 1
	}
	if s := os.Getenv(killsVariable); s != "" {
		var err error
		percent, err = strconv.Atoi(s)
		require.NoError(t, err, killsVariable)
	}
	for i, kind := range []struct {
		name   string
		long   int // kills
		rounds func(k *killing)
	}{
		{"batch", 1000, killBatch}, {"watch", 1000, killWatch},
		{"amend", 200, killAmend}, {"export", 200, killExport}, {"report", 200, killReport}, {"save", 200, killSave},
	} {
		t.Run(kind.name, func(t *testing.T) {
			k := &killing{T: t, rng: rand.New(rand.NewPCG(9, uint64(i))), wanted: max(1, kind.long*percent/100), faults: map[string]int{}}
			kind.rounds(k)
			t.Logf("%s: %d kills by signal 9, %d of them while files were written, %d runs that ended before: lost %d, doubled %d, half-written %d, left lying %d",
				kind.name, k.kills, k.writing, k.ended, k.faults["lost"], k.faults["doubled"], k.faults["half-written"], k.faults["left lying"])
		})
	}
}

// A killing kills a command many times and counts what it did wrong.
type killing struct {
	*testing.T
	rng                  *rand.Rand
	out                  string // the directory that is written to
	wanted, kills, ended int
	writing              int // kills that left something passing
	faults               map[string]int
	// Of the register at hand: the pictures of the samples seen, and the head of
	// the trail, which must still be there after the next kill.
	seen map[string]string
	head string
}

func (k *killing) fault(kind, format string, a ...any) {
	k.faults[kind]++
	k.Errorf("after %d kills: %s: %s", k.kills, kind, fmt.Sprintf(format, a...))
}

func (k *killing) more() bool { return k.kills < k.wanted }

// run runs the program undisturbed, and returns how long that took.
func (k *killing) run(args ...string) time.Duration {
	cmd, said := program(k.T, args...)
	began := time.Now()
	require.NoError(k, cmd.Run(), "%s", said)
	return time.Since(began)
}

// kill begins a program and kills it: at any moment within the time given, or
// else while it writes its nth set of files, n up to sets. It reports whether
// that was before its end; else it must have ended well.
func (k *killing) kill(within time.Duration, sets int, args ...string) (killed bool) {
	left, seen := k.passing(), k.passing()
	cmd, said := program(k.T, args...)
	require.NoError(k, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	moment := time.After(time.Duration(k.rng.Int64N(int64(within))))
	var writing <-chan time.Time
	if sets > 0 && k.rng.IntN(2) == 0 {
		moment, writing = time.After(2*within), time.Tick(time.Millisecond) // there may be fewer sets
	}
	var err error
	for nth, running := 1+k.rng.IntN(max(1, sets)), true; running; {
		select {
		case err = <-ended:
			running = false
		case <-writing:
			for name := range k.passing() {
				if !seen[name] {
					seen[name] = true
					nth--
				}
			}
			if nth <= 0 {
				writing, moment = nil, time.After(time.Duration(k.rng.IntN(20))*time.Millisecond)
			}
		case <-moment:
			cmd.Process.Kill()
		}
	}
	if exit, ok := errors.AsType[*exec.ExitError](err); ok && exit.Sys().(syscall.WaitStatus).Signaled() {
		k.kills++
		for name := range k.passing() {
			if !left[name] { // left by this one
				k.writing++
				break
			}
		}
		return true
	}
	require.NoError(k, err, "%s", said)
	k.ended++
	return false
}

// passing returns the passing directories in the one written to.
func (k *killing) passing() map[string]bool {
	names := map[string]bool{}
	entries, _ := os.ReadDir(k.out)
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), passingPrefix) {
			names[e.Name()] = true
		}
	}
	return names
}

// register looks whether a register holds all that it held before, each picture
// once, and holds together. It returns how many samples there are.
func (k *killing) register(where string) int {
	g := openRegister(k.T, where)
	defer g.Close()
	v, err := g.Verify(k.Context(), k.head, nil)
	require.NoError(k, err)
	for _, p := range v.Problems {
		k.fault("lost", "%s", p)
	}
	rows, err := g.List(k.Context(), samples.Query{})
	require.NoError(k, err)
	now := map[string]string{}
	for _, r := range rows {
		picture := r.Pictures[0]
		if now[picture] != "" {
			k.fault("doubled", "%s is %s and %s", picture, now[picture], r.Code)
		}
		now[picture] = r.Code
	}
	for picture, code := range k.seen {
		if now[picture] != code {
			k.fault("lost", "%s was %s and is %q", picture, code, now[picture])
		}
	}
	k.seen, k.head = now, ""
	if v.Entries > 0 {
		k.head = v.Head
	}
	return len(rows)
}

// output looks through a directory of reports: none is half-written, and once
// the work is complete there are those of all samples, the pages over all, and
// nothing else.
func (k *killing) output(dir, where string, complete bool) {
	g := openRegister(k.T, where)
	defer g.Close()
	names, err := g.FileNames(k.Context())
	require.NoError(k, err)
	wanted := map[string]bool{}
	for code, name := range names {
		rec, err := g.Get(k.Context(), code, 0)
		require.NoError(k, err)
		for _, ending := range []string{".html", ".pdf"} {
			document, err := os.ReadFile(filepath.Join(dir, name+ending))
			switch wanted[name+ending] = true; {
			case errors.Is(err, os.ErrNotExist):
				if complete {
					k.fault("lost", "there is no %s", name+ending)
				}
			case err != nil || !report.Whole(document, rec, nil):
				k.fault("half-written", "%s: %v", name+ending, err)
			}
		}
	}
	for name, whole := range map[string]func([]byte) bool{
		"index.html":  func(b []byte) bool { return bytes.HasSuffix(b, []byte("</html>\n")) },
		"summary.csv": func(b []byte) bool { return bytes.HasSuffix(b, []byte("\n")) },
		"summary.xlsx": func(b []byte) bool {
			f, err := excelize.OpenReader(bytes.NewReader(b))
			if err == nil {
				f.Close()
			}
			return err == nil
		},
	} {
		wanted[name] = true
		b, err := os.ReadFile(filepath.Join(dir, name))
		if errors.Is(err, os.ErrNotExist) {
			if complete {
				k.fault("lost", "there is no %s", name)
			}
		} else if err != nil || !whole(b) {
			k.fault("half-written", "%s: %v", name, err)
		}
	}
	if _, err := os.Stat(dir); err != nil && !complete {
		return
	}
	for _, name := range listing(k.T, dir) {
		if !wanted[name] && (complete || !strings.HasPrefix(name, passingPrefix) && !strings.HasPrefix(name, ".underway-")) {
			k.fault("left lying", "%s", name)
		}
	}
}

// fresh begins with a register of its own and no reports.
func (k *killing) fresh(out string) (where string) {
	require.NoError(k, os.RemoveAll(out))
	k.out, k.seen, k.head = out, nil, ""
	return filepath.Join(k.TempDir(), "register.db")
}

// killBatch measures --again what it was killed on three times in a row, which
// it would leave out.
func killBatch(k *killing) {
	const pictures = 6
	scans := tinyScans(k.T, pictures)
	out := filepath.Join(scans, outName)
	took := k.run("batch", scans, "--register", k.fresh(out))
	for k.more() {
		where := k.fresh(out)
		for k.kill(took, pictures+1, "batch", scans, "--again", "--register", where) && k.more() {
			k.register(where)
			k.output(out, where, false)
		}
		k.run("batch", scans, "--again", "--register", where)
		if n := k.register(where); n != pictures {
			k.fault("lost", "%d samples of %d pictures", n, pictures)
		}
		k.output(out, where, true)
	}
}

func killWatch(k *killing) {
	const pictures = 5
	scans := tinyScans(k.T, pictures)
	out := filepath.Join(scans, outName)
	args := func(where string) []string {
		return []string{"watch", scans, "--settle", "0.1", "--again", "--register", where}
	}
	// complete watches until all is done, and returns how long that took.
	complete := func(where string) time.Duration {
		index := filepath.Join(out, "index.html")
		os.Remove(index)
		began := time.Now()
		cmd, said := program(k.T, args(where)...)
		require.NoError(k, cmd.Start())
		until(k.T, "all pictures", func() bool {
			page, _ := os.ReadFile(index)
			return bytes.Count(page, []byte(".pdf\"")) >= pictures
		})
		took := time.Since(began)
		require.NoError(k, cmd.Process.Signal(syscall.SIGTERM))
		require.NoError(k, cmd.Wait(), "%s", said)
		return took
	}
	took := complete(k.fresh(out))
	for k.more() {
		where := k.fresh(out)
		for n := 0; n < 6 && k.more(); n++ {
			k.kill(took, 4, args(where)...)
			k.register(where)
			k.output(out, where, false)
		}
		complete(where)
		if n := k.register(where); n != pictures {
			k.fault("lost", "%d samples of %d pictures", n, pictures)
		}
		k.output(out, where, true)
	}
}

// registeredScans returns a register with n samples, and their codes.
func (k *killing) registeredScans(n int) (where string, codes []string) {
	scans := tinyScans(k.T, n)
	where = k.fresh(filepath.Join(scans, outName))
	k.run("batch", scans, "--register", where, "--reports", "none")
	k.register(where)
	for _, code := range k.seen {
		codes = append(codes, code)
	}
	slices.Sort(codes)
	return where, codes
}

func killAmend(k *killing) {
	where, codes := k.registeredScans(1)
	amend := func(i int) []string {
		return []string{"log", "amend", codes[0], "--register", where, "--reason", fmt.Sprint("slip ", i), "--note", fmt.Sprint("note ", i)}
	}
	took := k.run(amend(0)...)
	done := map[string]bool{"slip 0": true} // amendments that must be there
	for i := 1; k.more(); i++ {
		killed := k.kill(took, 0, amend(i)...)
		k.register(where)
		g := openRegister(k.T, where)
		history, err := g.History(k.Context(), codes[0])
		require.NoError(k, err)
		rec, err := g.Get(k.Context(), codes[0], 0)
		require.NoError(k, err)
		require.NoError(k, g.Close())
		times := map[string]int{}
		for _, e := range history {
			times[e.Reason]++
		}
		if !killed {
			done[fmt.Sprint("slip ", i)] = true
		}
		for reason := range done {
			if times[reason] == 0 {
				k.fault("lost", "the amendment %q", reason)
			}
		}
		for reason, n := range times {
			if n > 1 {
				k.fault("doubled", "%d amendments %q", n, reason)
			}
			done[reason] = true
		}
		last := history[len(history)-1]
		if rec.Revision != len(history) || rec.Facts.Note != strings.Replace(last.Reason, "slip", "note", 1) {
			k.fault("half-written", "revision %d of %d, note %q after %q", rec.Revision, len(history), rec.Facts.Note, last.Reason)
		}
	}
}

// killSave kills the bench while somebody saves corrections on its page. Every
// save that was answered is there once, and none is half there: the corrections
// of each revision are those that were sent with its reason.
func killSave(k *killing) {
	scans := tinyScans(k.T, 1)
	where := k.fresh(filepath.Join(scans, outName))
	k.run("batch", scans, "--register", where, "--reports", "none")
	k.register(where)
	code := slices.Collect(maps.Values(k.seen))[0]
	places := k.places(where, code)

	sent := map[string][]correct.Correction{} // by their reason
	answered := map[string]bool{}
	for round := 0; k.more(); round++ {
		cmd, address, said := startBench(k.T, scans, "--register", where, "--reports", "html")
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		moment := time.Now().Add(time.Duration(k.rng.IntN(400)) * time.Millisecond)
		time.AfterFunc(time.Until(moment), func() { cmd.Process.Kill() })
		for n := 0; ; n++ {
			revision, err := revisionOf(address, code)
			if err != nil {
				break
			}
			why := fmt.Sprintf("round %d save %d", round, n)
			list := []correct.Correction{}
			for i, at := range places[:20] {
				if k.rng.IntN(2) == 0 {
					list = append(list, correct.Correction{Do: []correct.Kind{correct.Broken, correct.Whole, correct.Right, correct.Gone}[i%4], Picture: 1, At: at})
				}
			}
			sent[why] = list
			switch err := save(address, code, revision, why, list); {
			case err == nil:
				answered[why] = true
			case errors.Is(err, errRefused):
				k.Error(err)
			}
		}
		require.Error(k, <-ended, "%s", said)
		k.kills++

		k.register(where)
		g := openRegister(k.T, where)
		history, err := g.History(k.Context(), code)
		require.NoError(k, err)
		times := map[string]int{}
		for i, e := range history {
			if i == 0 {
				continue
			}
			times[e.Reason]++
			if i < len(history)-3 { // looked at before
				continue
			}
			rec, err := g.Get(k.Context(), code, e.Revision)
			require.NoError(k, err)
			var said []correct.Correction
			for _, c := range rec.Corrections {
				said = append(said, c.Said())
			}
			if len(said) != len(sent[e.Reason]) || len(said) > 0 && !reflect.DeepEqual(said, sent[e.Reason]) {
				k.fault("half-written", "revision %d, %q", e.Revision, e.Reason)
			}
		}
		require.NoError(k, g.Close())
		for why := range answered {
			if times[why] == 0 {
				k.fault("lost", "the corrections of %q", why)
			}
		}
		for why, n := range times {
			if n > 1 {
				k.fault("doubled", "%d times %q", n, why)
			}
		}
	}
}

// places are in the kernels of a sample.
func (k *killing) places(where, code string) (out []correct.Place) {
	g := openRegister(k.T, where)
	defer g.Close()
	rec, err := g.Get(k.Context(), code, 0)
	require.NoError(k, err)
	trays, err := rec.Trays()
	require.NoError(k, err)
	for i := range trays[0].Kernels {
		out = append(out, correct.Inside(trays[0].Kernels[i].Outline))
	}
	return out
}

// revisionOf asks a bench for the revision of a sample.
func revisionOf(address, code string) (int, error) {
	resp, err := http.Get(address + "/sample/" + code + "/kernels")
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var d struct{ Revision int }
	return d.Revision, json.NewDecoder(resp.Body).Decode(&d)
}

// save sends corrections to a bench, as its page does.
func save(address, code string, revision int, why string, list []correct.Correction) error {
	body, err := json.Marshal(map[string]any{"revision": revision, "corrections": list, "why": why, "by": "A. Clerk (invented)"})
	if err != nil {
		return err
	}
	r, err := http.NewRequest("POST", address+"/sample/"+code+"/save", bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Origin", address)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%w: %s: %s", errRefused, resp.Status, text)
	}
	return err
}

var errRefused = errors.New("the bench refused corrections")

// replace kills commands that replace what the directory of their files holds.
// write[i] writes one of two contents; each file must hold either, whole, and
// once a command has ended well, its own.
func (k *killing) replace(dir string, write [2][]string) {
	k.out = dir
	var want [2]map[string]string
	var took time.Duration
	for i := range write {
		took = max(took, k.run(write[i]...))
		want[i] = map[string]string{}
		for _, name := range listing(k.T, dir) {
			want[i][name] = content(k.T, filepath.Join(dir, name))
		}
	}
	look := func(complete bool, i int) {
		for name := range want[0] {
			b, err := os.ReadFile(filepath.Join(dir, name))
			is := string(b)
			if err != nil {
				k.fault("lost", "%v", err)
			} else if is != want[i][name] && (complete || is != want[1-i][name]) {
				k.fault("half-written", "%s has %d bytes", name, len(b))
			}
		}
		for _, name := range listing(k.T, dir) {
			if want[0][name] == "" && (complete || !strings.HasPrefix(name, passingPrefix)) {
				k.fault("left lying", "%s", name)
			}
		}
	}
	for n := 0; k.more(); n++ {
		i := n % 2
		for range 3 {
			if k.kill(took, 1, write[i]...) {
				look(false, i)
			} else {
				look(true, i)
			}
		}
		k.run(write[i]...)
		look(true, i)
	}
}

func killExport(k *killing) {
	where, _ := k.registeredScans(6)
	for i, ending := range []string{".csv", ".xlsx", ".json"} {
		all := k.wanted
		k.wanted = all * (i + 1) / 3
		file := filepath.Join(k.TempDir(), "all"+ending)
		export := []string{"log", "export", file, "--register", where, "--force", "--last"}
		k.replace(filepath.Dir(file), [2][]string{append(export[:len(export):len(export)], "6"), append(export[:len(export):len(export)], "4")})
		k.wanted = all
	}
	k.register(where)
}

func killReport(k *killing) {
	where, codes := k.registeredScans(1)
	k.run("log", "amend", codes[0], "--register", where, "--reason", "another revision", "--note", "n")
	dir := k.TempDir()
	write := []string{"report", codes[0], "--register", where, "--out", dir, "--force", "--revision"}
	k.replace(dir, [2][]string{append(write[:len(write):len(write)], "1"), append(write[:len(write):len(write)], "2")})
	k.register(where)
}
