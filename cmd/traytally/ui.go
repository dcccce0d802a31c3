package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// A ui is how the program speaks: results on out; errors, warnings, hints and
// progress on err.
type ui struct {
	in       io.Reader
	out, err io.Writer
	lively   bool // err is a terminal, so progress may be shown
	mu       sync.Mutex
	shown    time.Time // when progress was last drawn; zero while none stands
}

func newUI(in, out, err *os.File) *ui {
	return &ui{in: in, out: out, err: err, lively: term.IsTerminal(int(err.Fd()))}
}

// fail says what ended the work, and the way out.
func (u *ui) fail(err error) {
	if codeOf(err) == exitInterrupted {
		u.say("error", "interrupted; nothing was written", "")
		return
	}
	u.say("error", err.Error(), hintOf(err))
}

// warn says a doubt that leaves the result standing.
func (u *ui) warn(text, hint string) { u.say("warning", text, hint) }

func (u *ui) say(kind, text, hint string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.clear()
	fmt.Fprintf(u.err, "traytally: %s: %s\n", kind, plain(text))
	if hint != "" {
		fmt.Fprintf(u.err, "traytally: hint: %s\n", plain(hint))
	}
}

// progress shows one line, at most ten times a second, on a terminal only.
func (u *ui) progress(format string, a ...any) {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := time.Now()
	if !u.lively || now.Sub(u.shown) < 100*time.Millisecond {
		return
	}
	u.shown = now
	fmt.Fprintf(u.err, "\r\x1b[K%s", plain(fmt.Sprintf(format, a...)))
}

// done takes the progress line away.
func (u *ui) done() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.clear()
}

func (u *ui) clear() {
	if !u.shown.IsZero() {
		fmt.Fprint(u.err, "\r\x1b[K")
		u.shown = time.Time{}
	}
}

// plain makes text harmless for a terminal: control characters, which a file
// name may hold, become �.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= '\u202a' && r <= '\u202e' {
			return '\ufffd'
		}
		return r
	}, s)
}
