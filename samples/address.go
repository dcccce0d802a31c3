package samples

import (
	"errors"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"traytally/vision/kernel/fault"
)

// addressForm is how an address of a database begins: a scheme, or a keyword
// and its value (PostgreSQL manual, "Connection Strings"). No file is made of
// what looks like that, since it may hold a password.
var addressForm = regexp.MustCompile(`(?i)^\s*([a-z][a-z0-9+.:-]+://|postgres(ql)?:|[a-z_]\w*\s*=)`)

// settingForm is how PostgreSQL's settings are named.
var settingForm = regexp.MustCompile(`^[A-Za-z_][\w.]*$`)

// IsPostgres reports whether where is the address of a database and not the
// name of a file.
func IsPostgres(where string) bool { return addressForm.MatchString(where) }

// postgresConfig reads an address. The error says nothing of what is in it.
func postgresConfig(where string) (*pgx.ConnConfig, error) {
	bad := &fault.Error{
		What: "the address of the register cannot be read as one of a PostgreSQL database; it is not shown, since it may hold a password",
		Hint: "write postgres://USER@HOST/DATABASE, in a password %40 for @, %2F for / and so on, or host=HOST dbname=DATABASE user=USER; a file of such a name is ./NAME", Err: ErrNoRegister,
	}
	where = strings.TrimSpace(where)
	if scheme, rest, url := strings.Cut(where, "://"); url && !strings.Contains(scheme, "=") {
		// An @ further behind ends a password with a / in it, whose parts would
		// pass for the host and the database.
		end := strings.IndexAny(rest, "/?#")
		scheme = strings.ToLower(scheme)
		if scheme != "postgres" && scheme != "postgresql" || end >= 0 && strings.Contains(rest[end:], "@") {
			return nil, bad
		}
		where = scheme + "://" + rest
	}
	c, err := pgx.ParseConfig(where)
	if err != nil {
		return nil, bad
	}
	for name := range c.RuntimeParams {
		if !settingForm.MatchString(name) {
			return nil, bad
		}
	}
	return c, nil
}

// place returns the database for people, without a password.
func place(c *pgx.ConnConfig) string {
	u := url.URL{Scheme: "postgres", User: url.User(c.User), Host: c.Host, Path: "/" + c.Database}
	if strings.HasPrefix(c.Host, "/") { // the directory of a socket
		u.Host = ""
	} else if c.Port != 5432 { // PostgreSQL's own
		u.Host += ":" + strconv.Itoa(int(c.Port))
	}
	return u.String()
}

// reason returns why a database is out of reach, in the server's or the
// network's words, in one line without the password.
func reason(c *pgx.ConnConfig, err error) string {
	var last string
	if e, ok := errors.AsType[*pgconn.PgError](err); !ok {
		for e := err; e != nil; e = errors.Unwrap(e) {
			last = e.Error()
		}
	} else if last = e.Message; strings.HasPrefix(e.Code, "42") { // it names what may be a piece of the password
		last = "the server does not know a setting in its address"
	}
	last, _, _ = strings.Cut(last, "\n")
	if c.Password != "" {
		last = strings.ReplaceAll(last, c.Password, "…")
	}
	return last
}
