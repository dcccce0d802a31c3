package samples

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Add registers a sample. It sets the record's code, revision and time, and
// returns once the sample is on the disk.
//
// Where the same pictures are registered under the same settings already,
// nothing is written: added is false, and rec.Code names the sample found.
// ErrCodeTaken is the cause where another sample has the code.
//
// ErrGone is the cause where the register is no longer what was opened, see
// Present; the record is then kept with what was added before.
func (g *Register) Add(ctx context.Context, rec *Record) (added bool, err error) {
	added, err = g.add(ctx, rec, "")
	if errors.Is(err, ErrGone) || err != nil && ctx.Err() == nil && g.moved() {
		return false, g.keep(ctx, rec)
	}
	return added, err
}

// add is Add with a reason for the trail, that keeps nothing.
func (g *Register) add(ctx context.Context, rec *Record, reason string) (added bool, err error) {
	if rec.kernels == nil {
		return false, errors.New("samples: the record was read without its kernels")
	}
	r := *rec
	var entry Entry
	err = g.write(ctx, func(tx *sql.Tx) error {
		code, err := g.lookup(ctx, tx, r.Key)
		if err != nil {
			return err
		}
		if code != "" {
			r.Code = code
			return nil
		}
		now := g.now().UTC().Truncate(time.Millisecond)
		codes, err := g.codes(ctx, tx)
		if err != nil {
			return err
		}
		taken := map[string]string{}
		for _, code := range codes {
			taken[FoldName(code)] = code
		}
		if r.Code == "" {
			r.Code = nextCode(taken, now)
		} else if other := taken[FoldName(r.Code)]; other != "" {
			e := &Error{What: fmt.Sprintf("the code %s belongs to another sample", r.Code), Hint: "give another code, or none; traytally log show " + other + " shows that sample", Err: ErrCodeTaken}
			if other != r.Code {
				e.What = fmt.Sprintf("the code %s is %s but for case", r.Code, other)
			}
			return e
		}
		r.Revision, r.Registered = 1, now
		var id int64
		err = tx.QueryRowContext(ctx, g.kind.sql("INSERT INTO samples (code, key, registered) VALUES (?, ?, ?) RETURNING id"),
			r.Code, r.Key, stamp(now)).Scan(&id)
		if err != nil {
			return err
		}
		if _, err = tx.ExecContext(ctx, g.kind.sql("INSERT INTO kernels (sample, kernels) VALUES (?, ?)"), id, r.kernels); err != nil {
			return err
		}
		for i, p := range r.allPictures() {
			if _, err = tx.ExecContext(ctx, g.kind.sql("INSERT INTO pictures (sample, position, sha256, path) VALUES (?, ?, ?, ?)"), id, i, p.SHA256, p.Path); err != nil {
				return err
			}
		}
		added = true
		entry, err = g.addRevision(ctx, tx, id, &r, ActionRegister, reason, now)
		return err
	})
	if err != nil {
		return false, g.fault(err)
	}
	if added {
		g.made(entry)
	}
	*rec = r
	return added, nil
}

// Amend makes a new revision of a sample: change is handed the present record
// and alters its facts. Where the sheet changed, the grade is computed anew.
// The reason must not be empty, and something must have changed.
func (g *Register) Amend(ctx context.Context, code, reason string, change func(*Facts) error) (*Record, error) {
	if strings.TrimSpace(reason) == "" {
		return nil, &Error{What: "an amendment needs a reason", Hint: "give it with --reason"}
	}
	if err := checkText("reason", reason, maxNote, false); err != nil {
		return nil, err
	}
	var out *Record
	var entry Entry
	err := g.write(ctx, func(tx *sql.Tx) error {
		id, r, err := g.read(ctx, tx, code, 0)
		if err != nil {
			return err
		}
		before := mustJSON(r.Facts)
		sheetBefore := mustJSON(r.Facts.Sheet)
		if err := change(&r.Facts); err != nil {
			return err
		}
		if err := r.Facts.Validate(); err != nil {
			return err
		}
		if bytes.Equal(before, mustJSON(r.Facts)) {
			return &Error{What: "the amendment changes nothing", Hint: "traytally log show " + code + " shows the sample as it stands"}
		}
		if r.Settings.Standard != "" && !bytes.Equal(sheetBefore, mustJSON(r.Facts.Sheet)) {
			if err := g.readKernels(ctx, tx, id, r); err != nil {
				return err
			}
			if err := r.Regrade(); err != nil {
				return err
			}
		}
		r.Revision++
		out = r
		entry, err = g.addRevision(ctx, tx, id, r, ActionAmend, reason, g.now().UTC().Truncate(time.Millisecond))
		return err
	})
	if err != nil {
		return nil, g.fault(err)
	}
	g.made(entry)
	return out, nil
}

// addRevision writes a revision and its entry in the audit trail.
func (g *Register) addRevision(ctx context.Context, tx *sql.Tx, id int64, r *Record, action, reason string, now time.Time) (Entry, error) {
	row, err := r.Row()
	if err != nil {
		return Entry{}, err
	}
	document := mustJSON(r)
	_, err = tx.ExecContext(ctx, g.kind.sql("INSERT INTO revisions (sample, revision, sampled_at, row, search, document) VALUES (?, ?, ?, ?, ?, ?)"),
		id, r.Revision, stamp(row.At), string(mustJSON(row)), r.searchText(), compress(document))
	if err != nil {
		return Entry{}, err
	}
	return g.addEntry(ctx, tx, Entry{
		At: now, Action: action, Code: r.Code, Revision: r.Revision,
		Actor: g.actor, Reason: reason, Body: Sum(document),
	})
}

// allPictures returns the pictures of the sample and then those of picked
// kernels, as the table of pictures numbers them.
func (r *Record) allPictures() []Picture {
	return slices.Concat(r.Pictures, r.Reference)
}

// searchText is what find looks through, in lower case.
func (r *Record) searchText() string {
	f := &r.Facts
	texts := []string{r.Code, f.Lot, f.Party, f.Line, f.Variety, f.Stage, f.Note}
	for _, p := range r.Pictures {
		texts = append(texts, filepath.Base(p.Path))
	}
	return strings.ToLower(strings.Join(texts, "\n"))
}

// nextCode returns the year and a running number: S2026-0001.
func nextCode(taken map[string]string, now time.Time) string {
	for n := len(taken) + 1; ; n++ {
		code := fmt.Sprintf("S%d-%04d", now.Year(), n)
		if taken[FoldName(code)] == "" {
			return code
		}
	}
}

func (g *Register) has(ctx context.Context, q querier, code string) (bool, error) {
	var n int
	err := q.QueryRowContext(ctx, g.kind.sql("SELECT count(*) FROM samples WHERE code = ?"), code).Scan(&n)
	return n > 0, err
}

// A Refusal is a picture that could not be graded.
type Refusal struct {
	Path   string    `json:"path"`
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
	Hint   string    `json:"hint,omitempty"`
}

// Refuse notes that the picture with this key could not be graded. A later
// note on the same key takes the place of the earlier one: this is no part of
// the audit trail.
func (g *Register) Refuse(ctx context.Context, key string, r Refusal) error {
	return g.fault(g.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, g.kind.sql(`INSERT INTO refused (key, path, at, reason, hint) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (key) DO UPDATE SET path = excluded.path, at = excluded.at, reason = excluded.reason, hint = excluded.hint`),
			key, text(r.Path), stamp(r.At), text(r.Reason), text(r.Hint))
		return err
	}))
}

// text makes bytes that are not UTF-8, as a file's name may have, U+FFFD:
// neither JSON nor PostgreSQL holds them.
func text(s string) string { return string([]rune(s)) }

// Refused returns the note on a key, or nil.
func (g *Register) Refused(ctx context.Context, key string) (*Refusal, error) {
	var r Refusal
	var at string
	err := g.db.QueryRowContext(ctx, g.kind.sql("SELECT path, at, reason, hint FROM refused WHERE key = ?"), key).Scan(&r.Path, &at, &r.Reason, &r.Hint)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err == nil {
		r.At, err = time.Parse(time.RFC3339Nano, at)
	}
	if err != nil {
		return nil, g.fault(err)
	}
	return &r, nil
}

// stamp writes a time so that text order is time order.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

func compress(data []byte) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	z.Write(data) // a bytes.Buffer does not fail
	z.Close()
	return b.Bytes()
}

// gzipHead is how each document begins: RFC 1952, without name or time.
const gzipHead = "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"

// decompress reads what compress wrote, and nothing else: no other head, and
// no more behind.
func decompress(data []byte) ([]byte, error) {
	from := bytes.NewReader(data)
	z, err := gzip.NewReader(from)
	if err != nil {
		return nil, err
	}
	z.Multistream(false)
	plain, err := io.ReadAll(io.LimitReader(z, maxKernelsBytes))
	if err == nil && (from.Len() > 0 || !bytes.HasPrefix(data, []byte(gzipHead))) {
		err = gzip.ErrHeader
	}
	return plain, err
}
