package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/spf13/pflag"
	"golang.org/x/term"
)

// A ui is how the program speaks: results on out; errors, warnings, hints and
// progress on err.
type ui struct {
	in       io.Reader
	out, err io.Writer
	lively   bool // err is a terminal, so progress may be shown
	timed    bool // each line begins with the time of day
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
	fmt.Fprintf(u.err, "%straytally: %s: %s\n", u.time(), kind, plain(text))
	if hint != "" {
		fmt.Fprintf(u.err, "%straytally: hint: %s\n", u.time(), plain(hint))
	}
}

// time is what a line begins with where its time is wanted.
func (u *ui) time() string {
	if !u.timed {
		return ""
	}
	return time.Now().Format("15:04:05  ")
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

// plain makes text harmless for a terminal: control characters and marks of
// direction, which a file name may hold, become �.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if harmful(r) {
			return '\ufffd'
		}
		return r
	}, s)
}

// harmful reports whether a character works on the terminal or on the text
// around it: a control character, a line's end, a mark that turns the direction.
func harmful(r rune) bool {
	return unicode.In(r, unicode.Cc, unicode.Zl, unicode.Zp, unicode.Bidi_Control)
}

// print writes a result for people to the standard output in one piece.
func (u *ui) print(fn func(io.Writer)) error {
	var b bytes.Buffer
	fn(&b)
	u.done()
	_, err := u.out.Write(b.Bytes()) // runRoot tells of an error
	return err
}

// An output says where the result of a command goes besides the terminal.
type output struct {
	json  string // file, "-" for the standard output, or empty
	force bool   // replace what exists
	quiet bool
}

func (o *output) addJSON(f *pflag.FlagSet) {
	placeVar(f, &o.json, "json", "write the result as JSON to `FILE`, or to the standard output with -")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
}

// placeVar adds a flag that names a file to be written. One that cannot come to
// be is refused before any work.
func placeVar(f *pflag.FlagSet, to *string, name, usage string) {
	f.Func(name, usage, func(path string) error {
		if *to = path; path == "" || path == "-" {
			return nil
		}
		return checkPlace(path)
	})
}

// answer gives the result of a command: doc as JSON where that is asked for,
// together with other files all or none, and what show prints unless JSON takes
// its place.
func (u *ui) answer(ctx context.Context, o output, doc any, show func(io.Writer), files ...outFile) error {
	encode := func(w io.Writer) error { return indented(w, doc) }
	if o.json != "" && o.json != "-" {
		files = append(files, outFile{o.json, encode})
	}
	if err := writeSet(ctx, files, o.force); err != nil {
		return err
	}
	u.done()
	switch {
	case o.json == "-":
		return encode(u.out)
	case o.quiet:
		return nil
	}
	return u.print(show)
}

// indented writes v as JSON for people and machines. What is harmful on a
// terminal, and stands in texts only, is written as its number.
func indented(w io.Writer, v any) error {
	var b, out bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(v); err != nil {
		return err
	}
	for _, r := range b.String() {
		if r >= 0x7f && harmful(r) {
			fmt.Fprintf(&out, `\u%04x`, r)
		} else {
			out.WriteRune(r)
		}
	}
	_, err := out.WriteTo(w)
	return err
}
