package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"traytally/samples"
	"traytally/vision/kernel/fault"
)

// An outFile is a file to be written.
type outFile struct {
	path  string
	write func(io.Writer) error
}

// writeSet writes files that appear all or none: each is first written and
// synced in a passing directory beside its place; only then are they put in
// place, and taken back where a later one fails. A file that exists with the
// same bytes stays as it is; one that differs is refused, or replaced where
// force is set. A link is refused. Once ctx is done nothing is put in place.
func writeSet(ctx context.Context, files []outFile, force bool) (err error) {
	s := &set{force: force, dirs: map[string]*passing{}, names: map[string]bool{}}
	defer func() { err = s.end(err) }()
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := s.stage(f); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	for i, f := range s.files {
		if i == len(s.files)-1 { // nothing can fail after it
			break
		}
		if err := f.keep(); err != nil {
			return err
		}
	}
	for _, f := range s.files {
		if err := f.place(force); err != nil {
			return err
		}
	}
	return nil
}

// A folder is a directory that files are written in: what writing takes of
// os.Root, which leaves the directory by no link.
type folder interface {
	Open(name string) (*os.File, error)
	OpenFile(name string, flag int, perm fs.FileMode) (*os.File, error)
	Lstat(name string) (fs.FileInfo, error)
	Mkdir(name string, perm fs.FileMode) error
	Link(from, to string) error
	Rename(from, to string) error
	Remove(name string) error
	RemoveAll(name string) error
	Close() error
}

// openFolder opens a folder; tests put file systems in its place that refuse
// what some do.
var openFolder = func(dir string) (folder, error) { return os.OpenRoot(dir) }

// A passing directory holds what is not yet, or no longer, in its place. Its
// writer holds a lock on it, which a kill lets go.
type passing struct {
	folder        // that the files belong in
	dir    string // the folder as it was typed
	name   string // of the passing directory in it
	lock   *os.File
	keep   bool // it holds the only copy of something
}

// passingPrefix begins the names of passing directories.
const passingPrefix = ".traytally-"

// swept holds the directories that this process has swept.
var swept sync.Map

func newPassing(dir string) (*passing, error) {
	root, err := openFolder(dir)
	if err != nil {
		return nil, err
	}
	if _, before := swept.LoadOrStore(absOr(dir), true); !before {
		sweep(root)
	}
	for {
		p := &passing{folder: root, dir: dir, name: passingPrefix + rand.Text()}
		err := root.Mkdir(p.name, 0o700)
		if err == nil {
			p.lock, err = root.Open(p.name)
		}
		if err == nil {
			busy := errors.Is(lock(p.lock), syscall.EWOULDBLOCK)
			if _, err = root.Lstat(p.name); err == nil && !busy {
				return p, nil
			}
			p.lock.Close()
		}
		// Another program may have swept it before it was locked.
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			root.Close()
			return nil, err
		}
	}
}

// sweep removes what killed programs left in a folder.
func sweep(f folder) {
	d, err := f.Open(".")
	if err != nil {
		return
	}
	defer d.Close()
	entries, _ := d.ReadDir(-1)
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), passingPrefix) || !e.IsDir() && !e.Type().IsRegular() {
			continue
		}
		if left, err := f.Open(e.Name()); err == nil {
			if leftBehind(left) {
				f.RemoveAll(e.Name())
			}
			left.Close()
		}
	}
}

// lock locks a file until it is closed.
func lock(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// leftBehind reports whether nobody has a lock on what a writer left, and
// locks it. Where the file system knows no locks, what is a day old counts as
// left: no writing takes that long.
func leftBehind(f *os.File) bool {
	err := lock(f)
	if err == nil || errors.Is(err, syscall.EWOULDBLOCK) {
		return err == nil
	}
	info, err := f.Stat()
	return err == nil && time.Since(info.ModTime()) > 24*time.Hour
}

// A set is the files of a writeSet.
type set struct {
	force bool
	dirs  map[string]*passing // by the absolute path
	names map[string]bool     // as file systems without case see them
	files []*staged           // that are to be put in their places
}

// A staged file waits in a passing directory.
type staged struct {
	in     *passing
	path   string // its place as typed
	name   string // its place in the folder
	new    string // the new bytes, until they are in place
	old    string // the ones that were there; empty without any
	placed bool
}

func (s *set) stage(f outFile) (err error) {
	dir := absOr(filepath.Dir(f.path))
	p := s.dirs[dir]
	if p == nil {
		if p, err = newPassing(filepath.Dir(f.path)); err != nil {
			return notWritten(f.path, err)
		}
		s.dirs[dir] = p
	}
	t := &staged{in: p, path: f.path, name: filepath.Base(f.path), new: filepath.Join(p.name, strconv.Itoa(len(s.names)))}
	// On a file system without case the second would replace the first.
	seen := filepath.Join(dir, samples.FoldName(t.name))
	if s.names[seen] {
		return outputError(f.path, "is the name of another output, or is but for case", "give each output a name of its own")
	}
	s.names[seen] = true
	there, err := t.look()
	if err != nil {
		return err
	}
	w, err := p.OpenFile(t.new, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return notWritten(f.path, err)
	}
	defer w.Close()
	var to io.Writer = w
	sum := sha256.New()
	if there {
		to = io.MultiWriter(w, sum)
	}
	buf := bufio.NewWriterSize(to, 1<<16)
	if err := f.write(buf); err != nil {
		if _, ok := errors.AsType[*fs.PathError](err); ok {
			return notWritten(f.path, err)
		}
		return err // no matter of the disk
	}
	if err := errors.Join(buf.Flush(), w.Sync(), w.Close()); err != nil {
		return notWritten(f.path, err)
	}
	if there {
		same, err := t.holds(sum.Sum(nil))
		switch {
		case err != nil:
			return notWritten(f.path, err)
		case same:
			return nil
		case !s.force:
			return exists(f.path)
		}
	}
	s.files = append(s.files, t)
	return nil
}

// look reports whether there is a file at the place; one that cannot be
// replaced is an error.
func (t *staged) look() (there bool, err error) {
	info, err := t.in.Lstat(t.name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, notWritten(t.path, err)
	}
	return true, ordinary(t.path, info)
}

// holds reports whether the file at the place has a check sum.
func (t *staged) holds(sum []byte) (bool, error) {
	f, err := t.in.Open(t.name)
	if err != nil {
		return false, err
	}
	defer f.Close()
	h := sha256.New()
	_, err = io.Copy(h, f)
	return bytes.Equal(h.Sum(nil), sum), err
}

// keep keeps what is at the place: under a second name, or as a copy where the
// file system has no links.
func (t *staged) keep() error {
	there, err := t.look()
	if err != nil || !there {
		return err
	}
	old := t.new + ".old"
	if t.in.Link(t.name, old) != nil {
		if err := t.copy(old); err != nil {
			return notWritten(t.path, err)
		}
	}
	t.old = old
	return nil
}

func (t *staged) copy(to string) error {
	from, err := t.in.Open(t.name)
	if err != nil {
		return err
	}
	defer from.Close()
	info, err := from.Stat()
	if err != nil {
		return err
	}
	w, err := t.in.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, info.Mode().Perm())
	if err != nil {
		return err
	}
	_, err = io.Copy(w, from)
	return errors.Join(err, w.Sync(), w.Close())
}

// place puts the file where it belongs.
func (t *staged) place(force bool) error {
	if !force {
		// A link never replaces a file that came meanwhile.
		err := t.in.Link(t.new, t.name)
		if err == nil {
			t.placed = true
			return nil
		}
		if _, err := t.in.Lstat(t.name); err == nil {
			return exists(t.path)
		}
		// This file system has no links: go on with a rename.
	}
	if err := t.in.Rename(t.new, t.name); err != nil {
		e := notWritten(t.path, err)
		e.Hint = "close it where another program holds it open, and check the rights of its directory"
		return e
	}
	t.placed = true
	return nil
}

// undo takes the file back from its place.
func (t *staged) undo() error {
	if t.old != "" {
		return t.in.Rename(t.old, t.name)
	}
	return t.in.Remove(t.name)
}

// end takes the files back where err is not nil, and removes what was passing.
func (s *set) end(err error) error {
	for _, t := range s.files {
		if err == nil || !t.placed {
			continue
		}
		if cause := t.undo(); cause != nil {
			what := fmt.Sprintf("was written and cannot be taken back, %s, after %v", reason(cause), err)
			if t.old != "" {
				kept := t.name + ".kept-" + rand.Text()[:8]
				if t.in.Rename(t.old, kept) != nil {
					kept, t.in.keep = t.old, true
				}
				what += "; what was there is kept as " + filepath.Join(t.in.dir, kept)
			}
			err = &fault.Error{Kind: fault.Output, Path: t.path, What: what, Hint: hintOf(err), Err: err}
		}
	}
	for _, p := range s.dirs {
		if !p.keep {
			p.RemoveAll(p.name)
		}
		p.lock.Close()
		syncDir(p.folder)
		p.Close()
	}
	return err
}

// syncDir makes new names in a directory last; some file systems cannot, and
// then the names last a moment later.
func syncDir(f folder) {
	if d, err := f.Open("."); err == nil {
		d.Sync()
		d.Close()
	}
}

// makeDir makes dir and what is missing above it. undo removes what was missing,
// as far as it is empty.
func makeDir(dir string) (undo func(), err error) {
	var missing []string
	for d := filepath.Clean(dir); ; d = filepath.Dir(d) {
		if _, err := os.Stat(d); !errors.Is(err, fs.ErrNotExist) {
			break
		}
		missing = append(missing, d)
	}
	undo = func() {
		for _, d := range missing {
			os.Remove(d)
		}
	}
	err = os.MkdirAll(dir, 0o777)
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		undo()
		if errors.Is(err, syscall.ENOTDIR) {
			return undo, outputError(e.Path, "is a file, not a directory", "name another directory")
		}
		return undo, notWritten(e.Path, err)
	}
	return undo, err
}

// checkPlace refuses early, before long work, a file that cannot come to be.
func checkPlace(path string) error {
	if info, err := os.Lstat(path); err == nil {
		if err := ordinary(path, info); err != nil {
			return err
		}
	}
	dir := filepath.Dir(path)
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return outputError(path, fmt.Sprintf("there is no directory %s", dir), "make the directory first, or name another place")
	case err != nil:
		return notWritten(path, err)
	case !info.IsDir():
		return outputError(path, fmt.Sprintf("%s is a file, not a directory", dir), "name another place")
	}
	return nil
}

// ordinary refuses what is at a place and is no ordinary file.
func ordinary(path string, info fs.FileInfo) error {
	switch {
	case info.Mode().IsRegular():
		return nil
	case info.IsDir():
		return outputError(path, "is a directory", "name a file in it")
	case info.Mode()&fs.ModeSymlink != 0:
		return outputError(path, "is a link, and nothing is written through one", "name the file itself, or take the link away; a lone - stands for the standard output")
	}
	return outputError(path, "is not an ordinary file", "name a file; a lone - stands for the standard output")
}

func exists(path string) error {
	return outputError(path, "exists and holds something else", "name another place, or add --force to replace it")
}

func notWritten(path string, err error) *fault.Error {
	return &fault.Error{Kind: fault.Output, Path: path, What: "cannot be written: " + reason(err), Hint: "check the place, its rights and the room on it", Err: err}
}

func notRead(path string, err error, hint string) error {
	return &fault.Error{Path: path, What: "cannot be read: " + reason(err), Hint: hint, Err: err}
}

// reason is what went wrong, without the names that only the program knows.
func reason(err error) string {
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return e.Err.Error()
	} else if e, ok := errors.AsType[*os.LinkError](err); ok {
		return e.Err.Error()
	}
	return err.Error()
}
