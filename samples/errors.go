package samples

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5/pgconn"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// The causes a caller may branch on with errors.Is.
var (
	ErrNotFound   = errors.New("no such sample")
	ErrNoRegister = errors.New("no register")
	ErrNewer      = errors.New("register of a newer version")
	ErrForeign    = errors.New("not a register")
	ErrDamaged    = errors.New("damaged register")
	ErrFull       = errors.New("no room left")
	ErrGone       = errors.New("register gone")
	ErrBusy       = errors.New("register in use")
	ErrCodeTaken  = errors.New("code in use")
	ErrChanged    = errors.New("changed meanwhile")
	ErrStandard   = errors.New("standard not at hand")
)

// noRegister is about a place without one.
func noRegister(where string) error {
	return &fault.Error{What: "there is no register " + where, Hint: "traytally batch or watch begins one; another one is named with --register", Err: ErrNoRegister}
}

// cannotOpen is about a file that is there.
func cannotOpen(path string, err error) error {
	cause := err
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		cause = e.Err
	}
	return &fault.Error{What: fmt.Sprintf("the register %s cannot be opened: %v", path, cause), Hint: "check who may read and write it", Err: err}
}

// notFound is about a code that is none of those meant by it.
func notFound(code string, meant []string) error {
	return &fault.Error{What: fmt.Sprintf("there is no sample %q in the register", code), Hint: standards.DidYouMean(code, meant, "traytally log list shows all samples"), Err: ErrNotFound}
}

// fault makes an error of the database one that says what to do.
func (g *Register) fault(err error) error {
	if _, ok := errors.AsType[*fault.Error](err); ok || err == nil || errors.Is(err, context.Canceled) {
		return err
	}
	if errors.Is(err, ErrGone) {
		return g.keep(context.Background())
	}
	if cannotWrite(err) {
		return &fault.Error{What: "the register " + g.where + " cannot be written", Hint: "check who may write the file and its directory; to look into one of an older version, or with a file " + g.where + "-wal beside it, copy them where they can be written", Err: err}
	}
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return &fault.Error{Kind: fault.Output, What: "no room is left on the disk of the register " + g.where, Hint: "make room and run it again; what is registered stays, the rest is taken up where it ended", Err: errors.Join(ErrFull, err)}
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			return &fault.Error{What: fmt.Sprintf("another program kept the register %s for %s", g.where, busyWait), Hint: "end the other program, or try again later", Err: errors.Join(ErrBusy, err)}
		case sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR: // the last: a table or column is missing
			return &fault.Error{What: "the register " + g.where + " is damaged", Hint: "put the file aside, bring back the last copy, and run traytally log verify", Err: errors.Join(ErrDamaged, err)}
		case sqlite3.SQLITE_IOERR:
			if e.Code() == sqlite3.SQLITE_IOERR_WRITE { // a quota or a limit on files, where the disk is sound
				return &fault.Error{Kind: fault.Output, What: fmt.Sprintf("the register %s cannot be written further: a quota or a limit is reached, or the disk failed: %v", g.where, err), Hint: "make room or check the disk, and run it again; what is registered stays", Err: errors.Join(ErrFull, err)}
			}
			return &fault.Error{What: fmt.Sprintf("the disk of the register %s failed: %v", g.where, err), Hint: "check the disk; nothing half-written is kept", Err: err}
		}
	}
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		out := &fault.Error{What: fmt.Sprintf("the register %s refused: %s", g.where, e.Message), Hint: "check the server and the user's rights", Err: err}
		switch e.Code { // PostgreSQL manual, appendix A
		case "53100":
			out.Kind, out.Err = fault.Output, errors.Join(ErrFull, err)
		case "55P03", "57014":
			out.Err = errors.Join(ErrBusy, err)
		}
		return out
	}
	return fmt.Errorf("register %s: %w", g.where, err)
}
