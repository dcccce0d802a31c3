package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// An outFile is a file to be written.
type outFile struct {
	path  string
	write func(io.Writer) error
}

// writeWhole writes one file so that it appears whole or not at all. An
// existing file that differs is refused with an *outputError, or replaced
// where force is set.
func writeWhole(path string, force bool, fn func(io.Writer) error) error {
	return writeSet(context.Background(), []outFile{{path, fn}}, force)
}

// writeSet writes files that appear all or none: each is first written beside
// its place, under a name that begins with a dot, and synced; only then are
// they put in place, and taken back where a later one fails. A file that
// exists with the same bytes stays as it is; one that differs is refused, or
// replaced where force is set. Once ctx is done nothing is put in place.
func writeSet(ctx context.Context, files []outFile, force bool) (err error) {
	staged := make([]*stagedFile, 0, len(files))
	defer func() {
		for _, s := range staged {
			if err != nil {
				s.undo()
			}
			s.clean()
		}
	}()
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		s, err := stage(f)
		if err != nil {
			return err
		}
		staged = append(staged, s)
		if err := s.compare(force); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	dirs := map[string]bool{}
	for _, s := range staged {
		if err := s.place(force); err != nil {
			return err
		}
		dirs[filepath.Dir(s.path)] = true
	}
	for d := range dirs {
		syncDir(d)
	}
	return nil
}

// A stagedFile is a file that waits beside its place.
type stagedFile struct {
	path   string // its place, links followed
	temp   string // the new bytes; empty once they are in place
	backup string // a second name of the file that was there; empty without one
	same   bool   // the file at path has the same bytes already
	placed bool
}

// beside returns a name for a passing file in the directory of path.
func beside(path string) string {
	return filepath.Join(filepath.Dir(path), ".traytally-"+rand.Text())
}

func stage(f outFile) (_ *stagedFile, err error) {
	s := &stagedFile{path: f.path}
	if real, err := filepath.EvalSymlinks(f.path); err == nil {
		s.path = real
	}
	if info, err := os.Stat(s.path); err == nil && !info.Mode().IsRegular() {
		return nil, notOrdinary(f.path, info)
	}
	s.temp = beside(s.path)
	w, err := os.OpenFile(s.temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, notWritten(f.path, err)
	}
	defer func() {
		if err != nil {
			w.Close()
			os.Remove(s.temp)
		}
	}()
	buf := bufio.NewWriterSize(w, 1<<16)
	if err := f.write(buf); err != nil {
		return nil, writeCause(f.path, err)
	}
	if err := buf.Flush(); err != nil {
		return nil, notWritten(f.path, err)
	}
	if err := w.Sync(); err != nil {
		return nil, notWritten(f.path, err)
	}
	if err := w.Close(); err != nil {
		return nil, notWritten(f.path, err)
	}
	return s, nil
}

// compare looks at what is at the place already.
func (s *stagedFile) compare(force bool) error {
	_, err := os.Stat(s.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		s.same, err = sameBytes(s.path, s.temp)
	}
	if err != nil {
		return notWritten(s.path, err)
	}
	if !s.same && !force {
		return exists(s.path)
	}
	return nil
}

// place puts the file where it belongs.
func (s *stagedFile) place(force bool) error {
	if s.same {
		return nil
	}
	if !force {
		// A link never replaces a file that came meanwhile.
		err := os.Link(s.temp, s.path)
		if err == nil {
			s.placed = true
			return nil
		}
		if errors.Is(err, fs.ErrExist) {
			return exists(s.path)
		}
		if _, err := os.Lstat(s.path); err == nil {
			return exists(s.path)
		}
		// This file system has no links: go on with a rename.
	} else if b := beside(s.path); os.Link(s.path, b) == nil {
		s.backup = b
	}
	if err := os.Rename(s.temp, s.path); err != nil {
		return notWritten(s.path, err)
	}
	s.temp, s.placed = "", true
	return nil
}

// undo takes the file back from its place.
func (s *stagedFile) undo() {
	switch {
	case s.placed && s.backup != "":
		if os.Rename(s.backup, s.path) == nil {
			s.backup = ""
		}
	case s.placed:
		os.Remove(s.path)
	}
}

// clean removes the passing names.
func (s *stagedFile) clean() {
	for _, name := range []string{s.temp, s.backup} {
		if name != "" {
			os.Remove(name)
		}
	}
}

// syncDir makes new names in a directory last; some file systems cannot, and
// then the names last a moment later.
func syncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		d.Sync()
		d.Close()
	}
}

// sameBytes reports whether two files hold the same bytes.
func sameBytes(a, b string) (bool, error) {
	ia, err := os.Stat(a)
	if err != nil {
		return false, err
	}
	ib, err := os.Stat(b)
	if err != nil {
		return false, err
	}
	if ia.Size() != ib.Size() {
		return false, nil
	}
	fa, err := os.Open(a)
	if err != nil {
		return false, err
	}
	defer fa.Close()
	fb, err := os.Open(b)
	if err != nil {
		return false, err
	}
	defer fb.Close()
	pa, pb := make([]byte, 1<<16), make([]byte, 1<<16)
	for {
		na, ea := io.ReadFull(fa, pa)
		nb, eb := io.ReadFull(fb, pb)
		if na != nb || !bytes.Equal(pa[:na], pb[:nb]) {
			return false, nil
		}
		if ea != nil || eb != nil {
			if end(ea) && end(eb) {
				return true, nil
			}
			return false, errors.Join(ea, eb)
		}
	}
}

func end(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }

// makeDir makes dir and what is missing above it. undo removes what it made,
// as far as it is empty.
func makeDir(dir string) (undo func(), err error) {
	var made []string
	undo = func() {
		for i := len(made) - 1; i >= 0; i-- {
			os.Remove(made[i])
		}
	}
	var missing []string
	for d := filepath.Clean(dir); ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err == nil && !info.IsDir() {
			return undo, &outputError{path: d, what: "is a file, not a directory", hint: "name another directory"}
		}
		if err == nil {
			break
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return undo, notWritten(d, err)
		}
		missing = append(missing, d)
	}
	for i := len(missing) - 1; i >= 0; i-- {
		if err := os.Mkdir(missing[i], 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
			undo()
			return func() {}, notWritten(missing[i], err)
		} else if err == nil {
			made = append(made, missing[i])
		}
	}
	return undo, nil
}

// checkPlace refuses early, before long work, a file that cannot come to be.
func checkPlace(path string) error {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return notOrdinary(path, info)
	}
	dir := filepath.Dir(path)
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &outputError{path: path, what: fmt.Sprintf("there is no directory %s", dir), hint: "make the directory first, or name another place"}
	case err != nil:
		return notWritten(path, err)
	case !info.IsDir():
		return &outputError{path: path, what: fmt.Sprintf("%s is a file, not a directory", dir), hint: "name another place"}
	}
	return nil
}

func notOrdinary(path string, info fs.FileInfo) error {
	if info.IsDir() {
		return &outputError{path: path, what: "is a directory", hint: "name a file in it"}
	}
	return &outputError{path: path, what: "is not an ordinary file", hint: "name a file; a lone - stands for the standard output"}
}

func exists(path string) error {
	return &outputError{path: path, what: "exists and holds something else", hint: "name another place, or add --force to replace it"}
}

// writeCause keeps an error that is no matter of the disk as it is.
func writeCause(path string, err error) error {
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return notWritten(path, err)
	}
	return err
}

func notWritten(path string, err error) error {
	reason := err.Error()
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		reason = e.Err.Error()
	} else if e, ok := errors.AsType[*os.LinkError](err); ok {
		reason = e.Err.Error()
	}
	return &outputError{path: path, what: "cannot be written: " + reason, hint: "check the place, its rights and the room on it", err: err}
}
