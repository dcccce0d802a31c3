package samples

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"traytally/vision/kernel/fault"
)

// keptEnding is the ending of the register beside a register that holds what
// was measured while that one was gone.
const keptEnding = ".kept"

// A placed is a place on the disk, and what was found there.
type placed struct {
	path string
	info fs.FileInfo
}

// there reports whether the same file is there still.
func (p placed) there() bool {
	info, err := os.Stat(p.path)
	return err == nil && os.SameFile(info, p.info)
}

// placedAt looks at the register's file and its write-ahead log.
func placedAt(path string) (out []placed) {
	for _, p := range []string{path, path + "-wal"} {
		if info, err := os.Stat(p); err == nil {
			out = append(out, placed{p, info})
		}
	}
	return out
}

// moved reports whether an SQLite register is no longer the file that was
// opened. What is written to that one then is in no file with a name.
func (g *Register) moved() bool {
	return slices.ContainsFunc(g.files, func(p placed) bool { return !p.there() })
}

// Present returns a *fault.Error wrapping ErrGone where the register is no longer
// what was opened: its file was removed, moved or replaced, or the entries that
// g made are not in it. What g has added to an SQLite register is then kept in
// a register of its own beside it; Open with Create takes it up again.
func (g *Register) Present(ctx context.Context) error {
	if g.moved() {
		return g.keep(ctx)
	}
	return nil
}

// keep puts what g has added, and more records, into the register beside its
// own, and returns the error that says so.
func (g *Register) keep(ctx context.Context, more ...*Record) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	out := &fault.Error{
		What: fmt.Sprintf("the register %s was removed, moved or replaced while it was in use", g.where),
		Hint: "put it back, or let a new one begin, and run the same command again", Err: ErrGone,
	}
	defer g.setLogAside()
	if g.path == "" || len(g.added)+len(more)+g.kept == 0 {
		return out
	}
	if err := g.rescue(context.WithoutCancel(ctx), more); err != nil {
		out.What += fmt.Sprintf("; what was measured could not all be kept: %v", err)
		out.Hint += "; the pictures are then measured again"
		return out
	}
	out.What += fmt.Sprintf("; what was measured since, samples: %d, is kept in %s", g.kept, g.path+keptEnding)
	out.Hint += "; what is kept is taken up then"
	return out
}

// setLogAside renames the write-ahead log of a file that no longer lies at its
// place: SQLite would take it for that of the file which lies there now, and
// put pages of the one into the other.
func (g *Register) setLogAside() {
	if len(g.files) < 2 || g.files[0].there() || !g.files[1].there() {
		return
	}
	os.Rename(g.files[1].path, g.path+".gone-wal")
	os.Remove(g.path + "-shm")
}

func (g *Register) rescue(ctx context.Context, more []*Record) error {
	if err := os.MkdirAll(filepath.Dir(g.path), 0o777); err != nil { // it may be gone with the register
		return err
	}
	side, err := open(ctx, g.path+keptEnding, OpenOptions{Create: true, Actor: g.actor, Now: g.now})
	if err != nil {
		return err
	}
	defer side.Close()
	var first error
	for _, code := range g.added {
		r, err := g.Get(ctx, code, 0) // the file is there as long as it is open
		if err != nil {
			first = cmp.Or(first, err)
			continue
		}
		more = append(more, r)
	}
	for _, r := range more {
		if _, err := side.Add(ctx, r); err != nil {
			first = cmp.Or(first, err)
			continue
		}
		g.kept++
	}
	g.added = nil
	return first
}

// takeUp registers what was kept beside the register.
func (g *Register) takeUp(ctx context.Context) error {
	path := g.path + keptEnding
	if _, err := os.Stat(path); err != nil {
		return nil
	}
	side, err := open(ctx, path, OpenOptions{Actor: g.actor})
	if err != nil {
		return err
	}
	defer side.Close()
	codes, err := side.texts(ctx, side.db, "SELECT code FROM samples ORDER BY id")
	if err != nil {
		return side.fault(err)
	}
	for _, code := range codes {
		r, err := side.Get(ctx, code, 0)
		if err != nil {
			return err
		}
		added, err := g.add(ctx, r, "kept while the register was gone")
		if errors.Is(err, ErrCodeTaken) {
			r.Code = ""
			added, err = g.add(ctx, r, "kept while the register was gone, then as "+code)
		}
		if err != nil {
			return err
		}
		if added {
			g.takenUp++
		}
	}
	if err := side.Close(); err != nil {
		return err
	}
	return os.Remove(path)
}

// TakenUp returns how many samples Open found kept beside the register, and
// registered.
func (g *Register) TakenUp() int { return g.takenUp }
