package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
)

// startBench starts the bench in a process of its own, and returns its address
// without the slash at the end. What it says later goes to said.
func startBench(t testing.TB, args ...string) (cmd *exec.Cmd, address string, said *bytes.Buffer) {
	t.Helper()
	cmd, said = program(t, append([]string{"bench", "--listen", "127.0.0.1:0"}, args...)...)
	cmd.Stdout = nil
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewReader(out)
	for address == "" {
		line, err := lines.ReadString('\n')
		require.NoError(t, err, "%s", said)
		if _, at, ok := strings.Cut(line, "The bench is at "); ok {
			address = strings.TrimSuffix(strings.TrimSpace(at), "/")
		}
	}
	go io.Copy(io.Discard, lines)
	return cmd, address, said
}

// send posts to a bench as its page does, and returns status and answer.
func send(t *testing.T, address, path string, body io.Reader) (int, string) {
	t.Helper()
	r, err := http.NewRequest("POST", address+path, body)
	require.NoError(t, err)
	r.Header.Set("Origin", address)
	resp, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(text)
}

// A picture that is sent to the page lies in the folder whole, under a name that
// nothing had, nowhere else, and is graded; one that is none is refused there or
// by the watching, and nothing of it is left.
func TestBenchTakesPictures(t *testing.T) {
	scans := tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "register.db")
	var said bytes.Buffer
	u := &ui{in: strings.NewReader(""), out: io.Discard, err: &said}
	o := benchOptions{watchOptions: watchOptions{settle: 0.1}}
	o.folder, o.length, o.register, o.reports, o.card = scans, "caliper", where, "none", "auto"
	w, err := o.start(t.Context(), u)
	require.NoError(t, err)
	defer w.register.Close()
	d := &desk{o: o, s: newWatcher(o.watchOptions, w, u)}
	picture, err := os.ReadFile(filepath.Join(scans, "scan-00.png"))
	require.NoError(t, err)
	for _, x := range []struct{ name, want string }{
		{"scan-00.png", "scan-00-2.png"}, {"scan-00.png", "scan-00-3.png"}, {"../../up.png", "up.png"}, {`C:\scans\w.PNG`, "w.PNG"},
		{"a<b>:c|d.png", "a_b__c_d.png"}, {"..png", "picture.png"}, {"-rf.png", "rf.png"}, {strings.Repeat("ü", 300) + ".png", strings.Repeat("ü", 75) + ".png"},
	} {
		name, err := d.take(t.Context(), x.name, bytes.NewReader(picture))
		require.NoError(t, err, x.name)
		assert.Equal(t, x.want, name)
		got, err := os.ReadFile(filepath.Join(scans, name))
		require.NoError(t, err)
		assert.Equal(t, picture, got)
	}
	before := listing(t, scans)
	for _, bad := range []string{"notes.txt", "samples.csv", "png", "", "a.png/x"} {
		_, err := d.take(t.Context(), bad, bytes.NewReader(picture))
		assert.Error(t, err, bad)
		assert.NotEmpty(t, hintOf(err))
	}
	_, err = d.take(t.Context(), "empty.png", strings.NewReader(""))
	assert.ErrorContains(t, err, "is empty")
	_, err = d.take(t.Context(), "broken-off.png", io.MultiReader(bytes.NewReader(picture[:100]), failing{}))
	assert.Error(t, err)
	assert.Equal(t, before, listing(t, scans), "nothing is left of what was refused")
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// Who may speak to the page is settled before it is there.
func TestBenchRefuses(t *testing.T) {
	scans := tinyScans(t, 1)
	dir := t.TempDir()
	short, token := filepath.Join(dir, "short"), filepath.Join(dir, "token")
	require.NoError(t, os.WriteFile(short, []byte("abc\n"), 0o600))
	require.NoError(t, os.WriteFile(token, []byte("correct horse battery\n"), 0o600))
	for name, x := range map[string]struct {
		args []string
		code int
		said string
	}{
		"no token":       {[]string{"--listen", "0.0.0.0:0"}, exitUsage, "lets other machines in, and no token is set"},
		"short token":    {[]string{"--token-file", short}, exitInput, "fewer than 12 characters"},
		"no token file":  {[]string{"--token-file", filepath.Join(dir, "none")}, exitInput, "cannot be read"},
		"half a TLS":     {[]string{"--tls-cert", token}, exitUsage, "belong together"},
		"no certificate": {[]string{"--tls-cert", token, "--tls-key", token}, exitInput, "cannot be used as a certificate"},
		"no port":        {[]string{"--listen", "127.0.0.1"}, exitUsage, "no address with a port"},
		"no address":     {[]string{"--listen", "192.0.2.1:1", "--token-file", token}, exitUsage, "cannot be served"}, // TEST-NET-1, RFC 5737
	} {
		t.Run(name, func(t *testing.T) {
			u, _, stderr := testUI()
			where := filepath.Join(t.TempDir(), "register.db")
			assert.Equal(t, x.code, run(t.Context(), append([]string{"bench", scans, "--register", where}, x.args...), u))
			assert.Contains(t, stderr.String(), x.said)
			assert.Contains(t, stderr.String(), "hint: ")
			assert.NoFileExists(t, where)
		})
	}
}

// The code that was typed before a scan, and the lot of the shift, stand with
// the sample; the next one has the lot alone. Ended in order, the bench leaves
// reports and index as watch does.
func TestBenchDay(t *testing.T) {
	scans := filepath.Join(t.TempDir(), "scans")
	require.NoError(t, os.Mkdir(scans, 0o777))
	where := filepath.Join(t.TempDir(), "register.db")
	cmd, address, said := startBench(t, scans, "--register", where, "--settle", "0.1", "--reports", "html")
	next := func(code string) {
		status, text := send(t, address, "/next", strings.NewReader("")) // no form: nothing is set
		assert.Less(t, status, 400, text)
		r, err := http.NewRequest("POST", address+"/next", strings.NewReader("code="+code+"&lot=L-1"))
		require.NoError(t, err)
		r.Header.Set("Origin", address)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		resp, err := http.DefaultTransport.RoundTrip(r)
		require.NoError(t, err)
		resp.Body.Close()
		assert.Equal(t, http.StatusSeeOther, resp.StatusCode)
	}
	shot := func(seed uint64) {
		path := filepath.Join(t.TempDir(), "shot.png")
		tinyScan(t, path, seed)
		picture, err := os.ReadFile(path)
		require.NoError(t, err)
		status, text := send(t, address, "/pictures?name=shot.png", bytes.NewReader(picture))
		require.Equal(t, http.StatusCreated, status, text)
	}
	next("N-7")
	shot(1)
	until(t, "the first sample", func() bool { return registered(t, where) == 1 })
	shot(2)
	until(t, "the second sample", func() bool { return registered(t, where) == 2 })
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	require.NoError(t, cmd.Wait(), "%s", said)
	g := openRegister(t, where)
	rows, err := g.List(context.Background(), samples.Query{})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	second := fmt.Sprintf("S%s-0002", time.Now().UTC().Format("2006"))
	assert.ElementsMatch(t, []string{"N-7", second}, []string{rows[0].Code, rows[1].Code})
	for _, r := range rows {
		assert.Equal(t, "L-1", r.Lot)
	}
	index, err := os.ReadFile(filepath.Join(scans, outName, "index.html"))
	require.NoError(t, err)
	assert.Contains(t, string(index), "N-7")
	assert.FileExists(t, filepath.Join(scans, outName, "N-7.html"))
}
