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
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/stdlib"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"traytally/vision/kernel/fault"
)

//go:embed migrations
var migrations embed.FS

// applicationID marks an SQLite file as a register: "TryT" in ASCII.
const applicationID = 0x54727954

// busyWait is how long a writer waits for another one.
const busyWait = 20 * time.Second

type actorKey struct{}

// By returns a context in which changes of a register are entered as made by
// somebody else than the register was opened for: where several people share
// one program.
func By(ctx context.Context, actor string) (context.Context, error) {
	if strings.TrimSpace(actor) == "" {
		return nil, &fault.Error{What: "nobody is named", Hint: "say who makes the change"}
	}
	if err := checkText("name", actor, maxText, false); err != nil {
		return nil, err
	}
	return context.WithValue(ctx, actorKey{}, strings.TrimSpace(actor)), nil
}

// by returns who makes changes in a context.
func (g *Register) by(ctx context.Context) string {
	if actor, ok := ctx.Value(actorKey{}).(string); ok {
		return actor
	}
	return g.actor
}

// A Register holds samples. It may be used from several goroutines, and the
// same database from several processes at once; writers take turns.
type Register struct {
	db    *sql.DB
	where string // for people, without a password
	kind  dialect
	now   func() time.Time
	actor string

	path   string   // absolute, of an SQLite file; else empty
	files  []placed // what an SQLite register is on the disk
	frozen bool     // read from a place where nothing can be written

	takenUp int
	mu      sync.Mutex
	head    Entry    // the last that this program made
	added   []string // codes of the samples that it added
	kept    int      // of them, what is kept beside the register
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
}

var (
	sqliteDialect   = dialect{name: "sqlite"}
	postgresDialect = dialect{name: "postgres", numbered: true, snapshot: sql.LevelRepeatableRead}
)

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

// Open opens the register in the SQLite file named by where, or in the
// PostgreSQL database whose address where is, as a URL postgres://… or as
// host=… dbname=…, and brings it to the current schema. Without Create, a
// register that may only be read is opened for reading.
//
// An SQLite file must lie on a disk of this machine: its write-ahead log does
// not work over a network. Several machines share a register by PostgreSQL.
//
// Errors are *fault.Error wrapping ErrNoRegister, ErrForeign, ErrNewer, ErrDamaged,
// ErrFull or ErrBusy where one of these is the cause. None holds a password.
func Open(ctx context.Context, where string, o OpenOptions) (*Register, error) {
	g, err := open(ctx, where, o)
	if err != nil || !o.Create || g.path == "" {
		return g, err
	}
	if err := g.takeUp(ctx); err != nil {
		g.Close()
		return nil, &fault.Error{What: fmt.Sprintf("what was kept in %s cannot be taken up: %v", g.path+keptEnding, err), Hint: "mend that, or put the file aside", Err: err}
	}
	return g, nil
}

// open is Open that takes nothing up.
func open(ctx context.Context, where string, o OpenOptions) (*Register, error) {
	g := &Register{where: where, now: o.Now, actor: o.Actor, kind: sqliteDialect}
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
		c, err := postgresConfig(where)
		if err != nil {
			return nil, err
		}
		g.where, g.kind = place(c), postgresDialect
		g.db = stdlib.OpenDB(*c)
		g.db.SetMaxOpenConns(4)
		if err := g.db.PingContext(ctx); err != nil {
			g.db.Close()
			return nil, &fault.Error{What: "the register " + g.where + " cannot be reached: " + reason(c, err),
				Hint: "check the server, the name of the database and the user's rights", Err: err}
		}
	} else if g.path, err = filepath.Abs(where); err == nil {
		err = g.openSQLite(ctx, where, o.Create)
	}
	if err != nil {
		return nil, g.fault(err)
	}
	if err := g.migrate(ctx, o.Create); err != nil {
		g.db.Close()
		return nil, g.fault(err)
	}
	if g.path != "" {
		g.files = placedAt(g.path)
	}
	return g, nil
}

func (g *Register) openSQLite(ctx context.Context, path string, create bool) error {
	abs := g.path
	info, err := os.Stat(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !create:
		return noRegister(path)
	case errors.Is(err, fs.ErrNotExist):
		dir := filepath.Dir(abs)
		if i, err := os.Stat(dir); err != nil || !i.IsDir() {
			return &fault.Error{What: fmt.Sprintf("there is no directory %s for the register", filepath.Dir(path)), Hint: "make it first, or name another place with --register", Err: ErrNoRegister}
		}
	case err != nil:
		return cannotOpen(path, err)
	case !info.Mode().IsRegular():
		return &fault.Error{What: path + " is not a file", Hint: "name the register's file with --register", Err: ErrForeign}
	case info.Size() > 0:
		// A file of another program is told before anything is written to it.
		if err := checkSQLite(ctx, abs, path); err != nil {
			return err
		}
	}
	// 64 MiB of pages stay in memory, so that a look through thousands of samples
	// costs each of them the same.
	const pragmas = "&_pragma=trusted_schema(OFF)&_pragma=cache_size(-65536)"
	busy := fmt.Sprintf("_pragma=busy_timeout(%d)", busyWait.Milliseconds())
	err = g.connect(ctx, abs, busy+"&_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(ON)"+pragmas, create)
	if create || !cannotWrite(err) {
		return err
	}
	// Reading a write-ahead log writes beside it. Where that cannot be, but the
	// file was closed whole, it is read as what nobody writes; each sees to it.
	if there := placedAt(abs); len(there) == 1 {
		g.files, g.frozen = there, true
		return g.connect(ctx, abs, "mode=ro&immutable=1"+pragmas, false)
	}
	return err
}

// cannotWrite reports whether SQLite has no right or no room to write.
func cannotWrite(err error) bool {
	e, ok := errors.AsType[*sqlite.Error](err)
	if !ok {
		return false
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return true
	}
	return false
}

// connect opens the file, and reads or with write begins to write it.
func (g *Register) connect(ctx context.Context, abs, query string, write bool) (err error) {
	if g.db, err = sql.Open("sqlite", dsn(abs, query)); err != nil {
		return err
	}
	g.db.SetMaxOpenConns(1) // one writer; reads are short
	// While one program begins the write-ahead log of a new file, another is
	// refused at once, however long the busy timeout.
	for start := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		if write {
			err = g.write(ctx, func(*sql.Tx) error { return nil })
		} else {
			_, err = g.texts(ctx, g.db, "PRAGMA schema_version")
		}
		if err == nil {
			return nil
		}
		if e, ok := errors.AsType[*sqlite.Error](err); !ok || e.Code()&0xff != sqlite3.SQLITE_BUSY || time.Since(start) > busyWait {
			g.db.Close()
			return err
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
		return cannotOpen(path, err)
	}
	defer f.Close()
	// The header of an SQLite file: https://www.sqlite.org/fileformat2.html,
	// section 1.3.
	head := make([]byte, 100)
	if n, _ := f.ReadAt(head, 0); n < len(head) || string(head[:16]) != "SQLite format 3\x00" {
		return &fault.Error{What: path + " is not a register", Hint: "name the register's file with --register", Err: ErrForeign}
	}
	be32 := func(i int) uint32 {
		return uint32(head[i])<<24 | uint32(head[i+1])<<16 | uint32(head[i+2])<<8 | uint32(head[i+3])
	}
	// A register whose first pages still lie in the log has neither mark yet.
	if id, tables := be32(68), be32(40); id != applicationID && tables != 0 {
		return &fault.Error{What: path + " is a database of another program", Hint: "name the register's file with --register", Err: ErrForeign}
	}
	return nil
}

// Close closes the register.
func (g *Register) Close() error { return g.db.Close() }

// Where returns the register's place for people, without a password.
func (g *Register) Where() string { return g.where }

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
			return &fault.Error{
				What: fmt.Sprintf("the register %s was written by a newer version of traytally (schema %d, this one knows %d)", g.where, v, schemaVersion()),
				Hint: "use that version; the register was left as it is", Err: ErrNewer,
			}
		case v == 0 && !create:
			return noRegister("in " + g.where)
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

// each runs a query and hands its rows to fn, one after the other.
func (g *Register) each(ctx context.Context, q querier, query string, args []any, fn func(*sql.Rows) error) error {
	rows, err := q.QueryContext(ctx, g.kind.sql(query), args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := fn(rows); err != nil {
			return err
		}
	}
	if g.frozen {
		was := g.files[0].info
		if info, err := os.Stat(g.path); err != nil || info.Size() != was.Size() || !info.ModTime().Equal(was.ModTime()) || len(placedAt(g.path)) > 1 {
			return &fault.Error{What: "the register " + g.where + " was written while it was read", Hint: "run the same command again", Err: ErrBusy}
		}
	}
	return rows.Err()
}

// exec runs a statement in a transaction.
func (g *Register) exec(ctx context.Context, tx *sql.Tx, statement string, args ...any) error {
	_, err := tx.ExecContext(ctx, g.kind.sql(statement), args...)
	return err
}

// texts returns the only column of a query.
func (g *Register) texts(ctx context.Context, q querier, query string, args ...any) (out []string, err error) {
	err = g.each(ctx, q, query, args, func(rows *sql.Rows) error {
		var s string
		err := rows.Scan(&s)
		out = append(out, s)
		return err
	})
	return out, err
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
		err := q.QueryRowContext(ctx, "SELECT coalesce(max(version), 0) FROM traytally_schema").Scan(&v)
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
		if err := g.exec(ctx, tx, s); err != nil {
			return err
		}
	}
	return nil
}

// advisoryLock is the number by which writers of a PostgreSQL register take
// turns: an arbitrary one.
const advisoryLock = applicationID

// write runs fn in a transaction that no other writer overlaps. The error
// wraps ErrGone where what was written is in no register.
func (g *Register) write(ctx context.Context, fn func(*sql.Tx) error) error {
	if g.moved() {
		return ErrGone
	}
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
			if err := g.exec(ctx, tx, s); err != nil {
				return err
			}
		}
	}
	if err := fn(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	if g.moved() {
		return ErrGone
	}
	return nil
}
