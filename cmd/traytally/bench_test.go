package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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
	o.folder, o.length, o.register, o.reports, o.card, o.language = scans, "caliper", where, "none", "auto", "en"
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

// Over TLS the page asks for its token, and its cookies go over TLS alone.
func TestBenchOverTLS(t *testing.T) {
	scans, dir := tinyScans(t, 1), t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	about := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"bench.example"}, NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, about, about, &key.PublicKey, key)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	file := func(name, kind string, data []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: data}), 0o600))
		return path
	}
	cert, keyFile := file("cert.pem", "CERTIFICATE", der), file("key.pem", "PRIVATE KEY", secret)
	token := filepath.Join(dir, "token")
	require.NoError(t, os.WriteFile(token, []byte("correct horse battery\nmore\n"), 0o600))
	cmd, address, said := startBench(t, scans, "--register", filepath.Join(dir, "r.db"), "--host", "bench.example",
		"--token-file", token, "--tls-cert", cert, "--tls-key", keyFile, "--reports", "none")
	t.Cleanup(func() { cmd.Process.Kill() })
	require.True(t, strings.HasPrefix(address, "https://127.0.0.1:"), address)
	trusted := x509.NewCertPool()
	trusted.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	here := strings.TrimPrefix(address, "https://")
	client := &http.Client{
		Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted, ServerName: "bench.example"}, DialContext: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, here)
		}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	_, port, err := net.SplitHostPort(here)
	require.NoError(t, err)
	named := "https://bench.example:" + port
	ask := func(method, path, body string, headers ...string) *http.Response {
		r, err := http.NewRequest(method, named+path, strings.NewReader(body))
		require.NoError(t, err)
		for pair := range slices.Chunk(headers, 2) {
			r.Header.Set(pair[0], pair[1])
		}
		resp, err := client.Do(r)
		require.NoError(t, err, "%s", said)
		resp.Body.Close()
		return resp
	}
	assert.Equal(t, http.StatusUnauthorized, ask("GET", "/rows", "").StatusCode)
	assert.Equal(t, http.StatusOK, ask("GET", "/rows", "", "Authorization", "Bearer correct horse battery").StatusCode)
	in := ask("POST", "/login", "token=correct+horse+battery", "Origin", named, "Content-Type", "application/x-www-form-urlencoded")
	assert.Equal(t, http.StatusSeeOther, in.StatusCode)
	require.Len(t, in.Cookies(), 1)
	assert.True(t, in.Cookies()[0].Secure && in.Cookies()[0].HttpOnly)
	assert.Equal(t, http.StatusForbidden, ask("POST", "/next", "lot=x", "Origin", "http://bench.example:"+port, "Authorization", "Bearer correct horse battery").StatusCode, "not over TLS")
	plain, err := http.Get("http://" + here + "/")
	require.NoError(t, err)
	plain.Body.Close()
	assert.Equal(t, http.StatusBadRequest, plain.StatusCode, "nothing without TLS")
}
