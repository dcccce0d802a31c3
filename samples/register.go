package samples

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations
var migrations embed.FS

// applicationID marks an SQLite file as a register: "TryT" in ASCII.
const applicationID = 0x54727954

// busyWait is how long a writer waits for another one.
const busyWait = 20 * time.Second

// A Register holds samples. It may be used from several goroutines, and the
// same database from several processes at once; writers take turns.
type Register struct {
	db    *sql.DB
	where string // for people, without a password
	kind  dialect
	now   func() time.Time
	actor string
}

// OpenOptions says how a register is opened.
type OpenOptions struct {
	// Create makes a new register where there is none.
	Create bool
	// Actor is who stands in the audit trail; empty takes the user's name on
	// this machine.
	Actor string
	// Now is the clock; nil takes time.Now.
	Now func() time.Time
}

// A dialect is what the two databases differ in.
type dialect struct {
	name     string // directory of its migrations
	numbered bool   // parameters are $1, $2 … and not ?
	// snapshot is how a transaction sees one moment of the database.
	snapshot sql.IsolationLevel
	triggers string // the query for the names of its triggers
}

var (
	sqliteDialect   = dialect{name: "sqlite", triggers: "SELECT name FROM sqlite_master WHERE type = 'trigger'"}
	postgresDialect = dialect{name: "postgres", numbered: true, snapshot: sql.LevelRepeatableRead,
		triggers: `SELECT t.tgname FROM pg_catalog.pg_trigger t JOIN pg_catalog.pg_class c ON c.oid = t.tgrelid
JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = ANY (current_schemas(false)) AND NOT t.tgisinternal AND t.tgenabled <> 'D'`}
)

var createTrigger = regexp.MustCompile(`(?m)^CREATE TRIGGER (\w+)`)

// triggerNames returns the triggers that the migrations make.
func (d dialect) triggerNames() ([]string, error) {
	files, err := d.migrations()
	if err != nil {
		return nil, err
	}
	var out []string
	for _, name := range files {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return nil, err
		}
		for _, m := range createTrigger.FindAllStringSubmatch(string(text), -1) {
			out = append(out, m[1])
		}
	}
	return out, nil
}

// migrations returns the names of the migrations, oldest first.
func (d dialect) migrations() ([]string, error) {
	files, err := fs.Glob(migrations, "migrations/"+d.name+"/*.sql")
	slices.Sort(files)
	return files, err
}

// sql writes a statement's parameters, which are ?, as the database wants
// them. No statement holds a ? otherwise.
func (d dialect) sql(q string) string {
	if !d.numbered {
		return q
	}
	var b strings.Builder
	n := 0
	for _, r := range q {
		if r == '?' {
			n++
			b.WriteString("$" + strconv.Itoa(n))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// IsPostgres reports whether where names a PostgreSQL database and not a file.
func IsPostgres(where string) bool {
	return strings.HasPrefix(where, "postgres://") || strings.HasPrefix(where, "postgresql://")
}

// Redacted returns where without a password, for messages.
func Redacted(where string) string {
	if !IsPostgres(where) {
		return where
	}
	u, err := url.Parse(where)
	if err != nil {
		return "postgres://…"
	}
	if u.User != nil {
		u.User = url.User(u.User.Username())
	}
	u.RawQuery, u.Fragment = "", ""
	return u.String()
}

// Open opens the register in the SQLite file named by where, or in the
// PostgreSQL database that where names as a URL postgres://…, and brings it to
// the current schema.
//
// An SQLite file must lie on a disk of this machine: its write-ahead log does
// not work over a network. Several machines share a register by PostgreSQL.
//
// Errors are *Error wrapping ErrNoRegister, ErrForeign, ErrNewer, ErrDamaged,
// ErrFull or ErrBusy where one of these is the cause.
func Open(ctx context.Context, where string, o OpenOptions) (*Register, error) {
	g := &Register{where: Redacted(where), now: o.Now, actor: o.Actor}
	if g.now == nil {
		g.now = time.Now
	}
	if g.actor == "" {
		g.actor = "unknown"
		if u, err := user.Current(); err == nil {
			g.actor = u.Username
		}
	}
	if err := checkText("name", g.actor, maxText, false); err != nil {
		return nil, err
	}
	var err error
	if IsPostgres(where) {
		g.kind = postgresDialect
		g.db, err = sql.Open("pgx", where)
		if err == nil {
			g.db.SetMaxOpenConns(4)
			if err = g.db.PingContext(ctx); err != nil {
				g.db.Close()
				return nil, &Error{What: "the register " + g.where + " cannot be reached: " + pgReason(err),
					Hint: "check the server, the name of the database and the user's rights", Err: err}
			}
		}
	} else {
		g.kind = sqliteDialect
		g.db, err = openSQLite(ctx, where, o.Create)
	}
	if err != nil {
		return nil, g.fault(err)
	}
	if err := g.migrate(ctx, o.Create); err != nil {
		g.db.Close()
		return nil, g.fault(err)
	}
	return g, nil
}

// pgReason returns the server's or the network's words in one line, which hold
// no password.
func pgReason(err error) string {
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		return e.Message
	}
	if _, ok := errors.AsType[*pgconn.ParseConfigError](err); ok {
		return "its address cannot be read"
	}
	var last string
	for e := err; e != nil; e = errors.Unwrap(e) {
		last = e.Error()
	}
	last, _, _ = strings.Cut(last, "\n")
	return last
}

func openSQLite(ctx context.Context, path string, create bool) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !create:
		return nil, &Error{What: "there is no register " + path, Hint: "traytally batch or watch begins one; another one is named with --register", Err: ErrNoRegister}
	case errors.Is(err, fs.ErrNotExist):
		dir := filepath.Dir(abs)
		if i, err := os.Stat(dir); err != nil || !i.IsDir() {
			return nil, &Error{What: fmt.Sprintf("there is no directory %s for the register", filepath.Dir(path)), Hint: "make it first, or name another place with --register", Err: ErrNoRegister}
		}
	case err != nil:
		return nil, &Error{What: fmt.Sprintf("the register %s cannot be opened: %v", path, pathCause(err)), Hint: "check who may read and write it", Err: err}
	case !info.Mode().IsRegular():
		return nil, &Error{What: path + " is not a file", Hint: "name the register's file with --register", Err: ErrForeign}
	case info.Size() > 0:
		// A file of another program is told before anything is written to it.
		if err := checkSQLite(ctx, abs, path); err != nil {
			return nil, err
		}
	}
	// 64 MiB of pages stay in memory, so that a look through thousands of samples
	// costs each of them the same.
	db, err := sql.Open("sqlite", dsn(abs, fmt.Sprintf("_txlock=immediate&_pragma=busy_timeout(%d)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(ON)&_pragma=trusted_schema(OFF)&_pragma=cache_size(-65536)", busyWait.Milliseconds())))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1) // one writer; reads are short
	// While one program begins the write-ahead log of a new file, another is
	// refused at once, however long the busy timeout.
	for start := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		err := db.PingContext(ctx)
		if err == nil {
			return db, nil
		}
		if e, ok := errors.AsType[*sqlite.Error](err); !ok || e.Code()&0xff != sqlite3.SQLITE_BUSY || time.Since(start) > busyWait {
			db.Close()
			return nil, err
		}
	}
}

func dsn(abs, query string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(abs)}).EscapedPath() + "?" + query
}

// checkSQLite refuses a file that is no register, without changing it.
func checkSQLite(ctx context.Context, abs, path string) error {
	f, err := os.Open(abs)
	if err != nil {
		return &Error{What: fmt.Sprintf("the register %s cannot be opened: %v", path, pathCause(err)), Hint: "check who may read and write it", Err: err}
	}
	defer f.Close()
	// The header of an SQLite file: https://www.sqlite.org/fileformat2.html,
	// section 1.3.
	head := make([]byte, 100)
	if n, _ := f.ReadAt(head, 0); n < len(head) || string(head[:16]) != "SQLite format 3\x00" {
		return &Error{What: path + " is not a register", Hint: "name the register's file with --register", Err: ErrForeign}
	}
	be32 := func(i int) uint32 {
		return uint32(head[i])<<24 | uint32(head[i+1])<<16 | uint32(head[i+2])<<8 | uint32(head[i+3])
	}
	// A register whose first pages still lie in the log has neither mark yet.
	if id, tables := be32(68), be32(40); id != applicationID && tables != 0 {
		return &Error{What: path + " is a database of another program", Hint: "name the register's file with --register", Err: ErrForeign}
	}
	return nil
}

func pathCause(err error) error {
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return e.Err
	}
	return err
}

// Close closes the register.
func (g *Register) Close() error { return g.db.Close() }

// Where returns the register's place for people, without a password.
func (g *Register) Where() string { return g.where }

// fault makes an error of the database one that says what to do.
func (g *Register) fault(err error) error {
	if _, ok := errors.AsType[*Error](err); ok || err == nil || errors.Is(err, context.Canceled) {
		return err
	}
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return &Error{What: "no room is left on the disk of the register " + g.where, Hint: "make room and run it again; what is registered stays, the rest is taken up where it ended", Err: errors.Join(ErrFull, err)}
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			return &Error{What: fmt.Sprintf("another program kept the register %s for %s", g.where, busyWait), Hint: "end the other program, or try again later", Err: errors.Join(ErrBusy, err)}
		case sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT:
			return &Error{What: "the register " + g.where + " is damaged", Hint: "put the file aside, bring back the last copy, and run traytally log verify", Err: errors.Join(ErrDamaged, err)}
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
			return &Error{What: "the register " + g.where + " cannot be written", Hint: "check who may write the file and its directory", Err: err}
		case sqlite3.SQLITE_IOERR:
			if e.Code() == sqlite3.SQLITE_IOERR_WRITE { // a quota or a limit on files, where the disk is sound
				return &Error{What: fmt.Sprintf("the register %s cannot be written further: a quota or a limit is reached, or the disk failed: %v", g.where, err), Hint: "make room or check the disk, and run it again; what is registered stays", Err: errors.Join(ErrFull, err)}
			}
			return &Error{What: fmt.Sprintf("the disk of the register %s failed: %v", g.where, err), Hint: "check the disk; nothing half-written is kept", Err: err}
		}
	}
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		out := &Error{What: fmt.Sprintf("the register %s refused: %s", g.where, e.Message), Hint: "check the server and the user's rights", Err: err}
		switch e.Code { // PostgreSQL manual, appendix A
		case "53100":
			out.Err = errors.Join(ErrFull, err)
		case "55P03", "57014":
			out.Err = errors.Join(ErrBusy, err)
		}
		return out
	}
	return fmt.Errorf("register %s: %w", g.where, err)
}

// schemaVersion is the number of the newest migration.
func schemaVersion() int {
	files, err := sqliteDialect.migrations()
	if err != nil || len(files) == 0 {
		panic("samples: no migrations embedded")
	}
	return len(files)
}

// migrate brings the database to the current schema, in one transaction.
func (g *Register) migrate(ctx context.Context, create bool) error {
	if v, err := g.version(ctx, g.db); err != nil {
		return err
	} else if v == schemaVersion() {
		return nil
	}
	return g.write(ctx, func(tx *sql.Tx) error {
		v, err := g.version(ctx, tx) // another process may have been quicker
		if err != nil {
			return err
		}
		switch {
		case v > schemaVersion():
			return &Error{
				What: fmt.Sprintf("the register %s was written by a newer version of traytally (schema %d, this one knows %d)", g.where, v, schemaVersion()),
				Hint: "use that version; the register was left as it is", Err: ErrNewer,
			}
		case v == 0 && !create:
			return &Error{What: "there is no register in " + g.where, Hint: "traytally batch or watch begins one; another one is named with --register", Err: ErrNoRegister}
		}
		files, err := g.kind.migrations()
		if err != nil {
			return err
		}
		for _, name := range files[v:] {
			text, err := migrations.ReadFile(name)
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, string(text)); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		return g.setVersion(ctx, tx, len(files))
	})
}

type querier interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
}

// version returns the schema of the database, 0 for an empty one.
func (g *Register) version(ctx context.Context, q querier) (int, error) {
	v := 0
	if g.kind == postgresDialect {
		// Asked of the catalogue's rows: to_regclass may answer from a cache that
		// does not know yet what another process has just made.
		var there bool
		if err := q.QueryRowContext(ctx, "SELECT EXISTS (SELECT FROM pg_catalog.pg_tables WHERE tablename = 'traytally_schema' AND schemaname = ANY (current_schemas(false)))").Scan(&there); err != nil || !there {
			return 0, err
		}
		err := q.QueryRowContext(ctx, "SELECT version FROM traytally_schema").Scan(&v)
		return v, err
	}
	err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v)
	return v, err
}

func (g *Register) setVersion(ctx context.Context, tx *sql.Tx, v int) error {
	statements := []string{fmt.Sprintf("PRAGMA application_id = %d", applicationID), fmt.Sprintf("PRAGMA user_version = %d", v)}
	if g.kind == postgresDialect {
		statements = []string{
			"CREATE TABLE IF NOT EXISTS traytally_schema (version BIGINT NOT NULL)",
			"DELETE FROM traytally_schema",
			fmt.Sprintf("INSERT INTO traytally_schema VALUES (%d)", v),
		}
	}
	for _, s := range statements {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

// advisoryLock is the number by which writers of a PostgreSQL register take
// turns: an arbitrary one.
const advisoryLock = applicationID

// write runs fn in a transaction that no other writer overlaps.
func (g *Register) write(ctx context.Context, fn func(*sql.Tx) error) error {
	tx, err := g.db.BeginTx(ctx, nil) // SQLite: immediate, by the DSN
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if g.kind == postgresDialect {
		for _, s := range []string{
			fmt.Sprintf("SET LOCAL lock_timeout = %d", busyWait.Milliseconds()),
			fmt.Sprintf("SELECT pg_advisory_xact_lock(%d)", advisoryLock),
		} {
			if _, err := tx.ExecContext(ctx, s); err != nil {
				return err
			}
		}
	}
	if err := fn(tx); err != nil {
		return err
	}
	return tx.Commit()
}
