// Package paper prints a page of HTML as a PDF by a browser that is installed: it
// has letters of all scripts and sets them as they should stand.
package paper

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"time"
)

// ErrNoBrowser says that none of Browsers is installed.
var ErrNoBrowser = errors.New("no browser is installed that prints to PDF")

// Browsers are the programs that Print looks for.
var Browsers = []string{"chromium", "chromium-browser", "google-chrome"}

// limit is how long a page may take. A report of 500 kernels takes about two
// seconds; a cold start on a busy machine many more. Our own choice.
const limit = time.Minute

// A FontsError says which letters no font of this machine has.
type FontsError struct{ Letters string }

func (e *FontsError) Error() string { return "no font on this machine has the letters " + e.Letters }

// Print writes the page as a PDF on paper of the size that the page asks for. The
// browser starts with an empty profile and reaches no network. letters are those
// that must not be missing; where no font here has one of them, nothing is written
// and the error is a *FontsError. at stands in the PDF as the time when it was
// made, so that one page gives the same bytes.
func Print(ctx context.Context, w io.Writer, page []byte, letters string, at time.Time) error {
	browser := ""
	for _, name := range Browsers {
		if path, err := exec.LookPath(name); err == nil {
			browser = path
			break
		}
	}
	if browser == "" {
		return ErrNoBrowser
	}
	dir, err := os.MkdirTemp("", "traytally-paper-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	ctx, stop := context.WithTimeout(ctx, limit)
	defer stop()
	asked, err := json.Marshal(letters)
	if err != nil {
		return err
	}
	seen, err := run(ctx, browser, dir, fmt.Appendf(nil, lettersPage, asked), "--dump-dom")
	if err != nil {
		return err
	}
	if m := lacking.FindSubmatch(seen); m == nil {
		return fmt.Errorf("%s did not say which letters it has", filepath.Base(browser))
	} else if len(m[1]) > 0 {
		return &FontsError{html.UnescapeString(string(m[1]))}
	}
	out := filepath.Join(dir, "page.pdf")
	said, err := run(ctx, browser, dir, page, "--no-pdf-header-footer", "--print-to-pdf="+out)
	if err != nil {
		return err
	}
	document, err := os.ReadFile(out)
	if err != nil {
		return fmt.Errorf("%s did not print the page: %s", filepath.Base(browser), bytes.TrimSpace(said[max(0, len(said)-300):]))
	}
	_, err = w.Write(dated(document, at))
	return err
}

// lettersPage is a page that draws letters and U+10FFFF, which no font has, and
// names those that look the same.
const lettersPage = `<!DOCTYPE html><meta charset="utf-8"><p id="lacking">?</p><script>
const c = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
function look(s) { c.clearRect(0, 0, 90, 90); c.font = "40px sans-serif"; c.fillText(s, 20, 60); return c.getImageData(0, 0, 90, 90).data.join(); }
const none = look("\u{10FFFF}");
document.getElementById("lacking").textContent = Array.from(%s).filter(s => look(s) === none).join("");
</script>`

var lacking = regexp.MustCompile(`<p id="lacking">([^<?]*)</p>`)

// run lets the browser do one thing with a page and returns what it says.
func run(ctx context.Context, browser, dir string, page []byte, what ...string) ([]byte, error) {
	file := filepath.Join(dir, "page.html")
	if err := os.WriteFile(file, page, 0o600); err != nil {
		return nil, err
	}
	args := append([]string{
		"--headless", "--disable-gpu", "--no-first-run", "--no-default-browser-check", "--disable-extensions", "--disable-sync",
		"--disable-background-networking", "--disable-component-update", "--host-resolver-rules=MAP * ~NOTFOUND", "--proxy-server=127.0.0.1:9",
		"--user-data-dir=" + filepath.Join(dir, "profile"),
	}, what...)
	if os.Geteuid() == 0 { // its sandbox refuses to run as root
		args = append(args, "--no-sandbox")
	}
	cmd := exec.CommandContext(ctx, browser, append(args, (&url.URL{Scheme: "file", Path: file}).String())...)
	cmd.Env = append(os.Environ(), "HOME="+dir, "XDG_CONFIG_HOME="+dir, "XDG_CACHE_HOME="+dir)
	cmd.WaitDelay = time.Second // of what it started and left behind
	said, err := cmd.Output()
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("%s did not print the page: %w", filepath.Base(browser), ctx.Err())
	case err != nil:
		return nil, fmt.Errorf("%s did not print the page: %w", filepath.Base(browser), err)
	}
	return said, nil
}

var dates = regexp.MustCompile(`/(CreationDate|ModDate) ?\(D:[^)]*\)`)

// dated sets the times in a document, which keep their lengths so that all else
// stays in its place.
func dated(document []byte, at time.Time) []byte {
	return dates.ReplaceAllFunc(document, func(old []byte) []byte {
		open := bytes.IndexByte(old, '(')
		stamp := at.UTC().Format("D:20060102150405+00'00'")
		room := len(old) - open - 2
		stamp = (stamp + "                        ")[:room]
		return append(append(append([]byte{}, old[:open+1]...), stamp...), ')')
	})
}
