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

	"traytally/grading/correct"
	"traytally/vision/kernel/fault"
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
		taken, err := g.taken(ctx, tx)
		if err != nil {
			return err
		}
		if r.Code == "" {
			r.Code = nextCode(taken, now)
		} else if err := refuseTaken(taken, r.Code, ""); err != nil {
			return err
		}
		r.FormerCodes = nil
		r.Revision, r.Registered = 1, now
		var id int64
		err = tx.QueryRowContext(ctx, g.kind.sql("INSERT INTO samples (code, key, registered) VALUES (?, ?, ?) RETURNING id"),
			r.Code, r.Key, stamp(now)).Scan(&id)
		if err != nil {
			return err
		}
		if err = g.exec(ctx, tx, "INSERT INTO kernels (sample, kernels) VALUES (?, ?)", id, r.kernels); err != nil {
			return err
		}
		for i, p := range r.allPictures() {
			if err = g.exec(ctx, tx, "INSERT INTO pictures (sample, position, sha256, path) VALUES (?, ?, ?, ?)", id, i, p.SHA256, p.Path); err != nil {
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

// Amend makes a new revision of a sample: change is handed the present facts
// and alters them. Where the sheet changed, the grade is computed anew.
// The reason must not be empty, and something must have changed.
func (g *Register) Amend(ctx context.Context, code, reason string, change func(*Facts) error) (*Record, error) {
	return g.revise(ctx, code, ActionAmend, reason, func(r *Record) error {
		sheet := mustJSON(r.Facts.Sheet)
		if err := change(&r.Facts); err != nil {
			return err
		}
		if err := r.Facts.Validate(); err != nil || bytes.Equal(sheet, mustJSON(r.Facts.Sheet)) || r.Settings.Standard == "" {
			return err
		}
		return r.Regrade()
	})
}

// Correct makes a new revision of a sample with these corrections of single
// kernels in place of those before; see Record.Correct. ErrChanged is the cause
// where the present revision is not the one that they were made on.
func (g *Register) Correct(ctx context.Context, code, reason string, revision int, list []correct.Correction, measure correct.Measure) (*Record, error) {
	return g.revise(ctx, code, ActionAmend, reason, func(r *Record) error {
		if r.Revision != revision {
			return &fault.Error{What: fmt.Sprintf("sample %s is at revision %d, and the corrections were made on revision %d", r.Code, r.Revision, revision),
				Hint: "traytally log show " + r.Code + " says what changed; traytally log corrections " + r.Code + " prints what holds now, to put yours in", Err: ErrChanged}
		}
		said := make([]correct.Correction, len(list))
		for i := range list {
			said[i] = list[i].Said() // who said it is not for the caller to say
		}
		return r.Correct(said, g.by(ctx), measure)
	})
}

// Withdraw makes a new revision of a sample that does not count, or, with
// withdrawn false, one that counts again. The sample stays in the register and
// in its trail.
func (g *Register) Withdraw(ctx context.Context, code, reason string, withdrawn bool) (*Record, error) {
	action := ActionWithdraw
	if !withdrawn {
		action = ActionRestore
	}
	return g.revise(ctx, code, action, reason, func(r *Record) error {
		r.Withdrawn = withdrawn
		return nil
	})
}

// Rename makes a new revision of a sample with another code. The one it had
// still leads to it and is given to no other. ErrCodeTaken is the cause where
// another sample has the new one.
func (g *Register) Rename(ctx context.Context, code, to, reason string) (*Record, error) {
	if err := CheckCode(to); err != nil {
		return nil, err
	}
	return g.revise(ctx, code, ActionRename, reason, func(r *Record) error {
		if to != r.Code {
			r.FormerCodes, r.Code = append(r.FormerCodes, r.Code), to
		}
		return nil
	})
}

// revise makes a new revision of a sample with its reason: change is handed the
// present one.
func (g *Register) revise(ctx context.Context, code, action, reason string, change func(*Record) error) (*Record, error) {
	if strings.TrimSpace(reason) == "" {
		return nil, &fault.Error{What: "an amendment needs a reason", Hint: "give it with --why"}
	}
	if err := checkText("reason", reason, maxNote, false); err != nil {
		return nil, err
	}
	var out *Record
	var entry Entry
	err := g.write(ctx, func(tx *sql.Tx) error {
		id, r, err := g.readWhole(ctx, tx, code, 0)
		if err != nil {
			return err
		}
		before, was, why := mustJSON(r), r.Code, reason
		if err := change(r); err != nil {
			return err
		}
		if bytes.Equal(before, mustJSON(r)) {
			return &fault.Error{What: "the amendment changes nothing", Hint: "traytally log show " + code + " shows the sample as it stands"}
		}
		if was != r.Code {
			taken, err := g.taken(ctx, tx)
			if err != nil {
				return err
			}
			if !slices.Contains(r.FormerCodes, r.Code) {
				if err := refuseTaken(taken, r.Code, was); err != nil {
					return err
				}
			}
			why = was + " is now " + r.Code + ": " + reason
		}
		r.Revision++
		r.Schema = r.form()
		out = r
		entry, err = g.addRevision(ctx, tx, id, r, action, why, g.now().UTC().Truncate(time.Millisecond))
		return err
	})
	if err != nil {
		return nil, g.fault(err)
	}
	g.made(entry)
	return out, nil
}

// taken returns all codes that samples have or had, by how file systems without
// case see them.
func (g *Register) taken(ctx context.Context, q querier) (map[string]string, error) {
	codes, err := g.codes(ctx, q)
	out := map[string]string{}
	for _, code := range codes {
		out[FoldName(code)] = code
	}
	return out, err
}

// refuseTaken refuses a code that a sample has or had, or that is such a one but
// for case; own is one whose case may be put right.
func refuseTaken(taken map[string]string, code, own string) error {
	other := taken[FoldName(code)]
	if other == "" || other == own {
		return nil
	}
	e := &fault.Error{What: fmt.Sprintf("the code %s belongs to another sample", code), Hint: "give another code, or none; traytally log show " + other + " shows that sample", Err: ErrCodeTaken}
	if other != code {
		e.What = fmt.Sprintf("the code %s is %s but for case", code, other)
	}
	return e
}

// addRevision writes a revision and its entry in the audit trail.
func (g *Register) addRevision(ctx context.Context, tx *sql.Tx, id int64, r *Record, action, reason string, now time.Time) (Entry, error) {
	res, err := r.Decode()
	if err != nil {
		return Entry{}, err
	}
	r.NotProven = res.NotProven()
	row, err := r.Row()
	if err != nil {
		return Entry{}, err
	}
	document := mustJSON(r)
	err = g.exec(ctx, tx, "INSERT INTO revisions (sample, revision, sampled_at, row, search, document) VALUES (?, ?, ?, ?, ?, ?)",
		id, r.Revision, stamp(row.At), string(mustJSON(row)), r.searchText(), compress(document))
	if err != nil {
		return Entry{}, err
	}
	return g.addEntry(ctx, tx, Entry{
		At: now, Action: action, Code: r.registeredAs(), Revision: r.Revision,
		Actor: g.by(ctx), Reason: reason, Body: Sum(document),
	})
}

// allPictures returns the pictures of the sample and then those of picked
// kernels, as the table of pictures numbers them.
func (r *Record) allPictures() []Picture {
	return slices.Concat(r.Pictures, r.Reference)
}

// searchText is what find looks through, in lower case.
func (r *Record) searchText() string {
	texts := []string{r.Code}
	for _, f := range r.Facts.Texts() {
		texts = append(texts, *f.Text)
	}
	texts = append(texts, r.FormerCodes...)
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
		return g.exec(ctx, tx, `INSERT INTO refused (key, path, at, reason, hint) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (key) DO UPDATE SET path = excluded.path, at = excluded.at, reason = excluded.reason, hint = excluded.hint`,
			key, text(r.Path), stamp(r.At), text(r.Reason), text(r.Hint))
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
