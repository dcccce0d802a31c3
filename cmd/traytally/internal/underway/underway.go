// Package underway keeps beside a folder's outputs which pictures are being
// measured, so that a picture on which a run was killed, by the system for its
// memory or by a fault in a library, is known at the next start.
//
// From [Enough] times on it is left out, so that the rest is done, until the
// user asks for it again:
//
//	end, err := dir.Begin(path)
//	... measure ...
//	end()
package underway

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// Enough runs in a row that ended while one picture was measured show that it
// is the picture. Chosen: a kill by hand may meet the same picture twice.
const Enough = 3

// A Dir is the directory of the outputs.
type Dir string

// file returns where a picture is noted. One that was changed since is another.
func (d Dir) file(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	info, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%d\n%d", abs, info.Size(), info.ModTime().UnixNano()))
	return filepath.Join(string(d), ".underway-"+hex.EncodeToString(sum[:8])), nil
}

// Times returns how many runs in a row ended while the picture was measured; 0
// too for one that a living process measures, or that cannot be read.
func (d Dir) Times(path string) int {
	name, err := d.file(path)
	if err != nil {
		return 0
	}
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return 0
	}
	defer f.Close()
	if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil {
		return 0
	}
	return times(name)
}

// times reads a note. One that was cut short counts as the first.
func times(name string) int {
	b, err := os.ReadFile(name)
	if err != nil {
		return 0
	}
	word, _, _ := strings.Cut(string(b), "\n")
	if n, err := strconv.Atoi(word); err == nil && n > 0 {
		return n
	}
	return 1
}

// Begin notes that a picture is being measured, until end is called or this
// process ends.
func (d Dir) Begin(path string) (end func(), err error) {
	name, err := d.file(path)
	if err != nil {
		return nil, err
	}
	before := times(name)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	// Held while the process lives. Where locks are not known every note looks
	// like one of a living process: nothing is left out then.
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n%s\n", before+1, path), 0)
		if err != nil {
			f.Close()
			os.Remove(name)
			return nil, err
		}
	}
	return func() {
		os.Remove(name)
		f.Close()
	}, nil
}
