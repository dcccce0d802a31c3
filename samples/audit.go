package samples

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// What an Entry records.
const (
	ActionRegister = "register"
	ActionAmend    = "amend"
)

// An Entry is one link of the audit trail.
//
// Its hash is the SHA-256 of the JSON of all other fields, the hash of the
// entry before among them. So no entry, and no record that an entry vouches
// for by Body, can be changed, taken out or put in without every later hash
// changing. Who can write the whole database can still build the whole chain
// anew, or cut off its end: against that, keep the head's hash elsewhere, as
// every printed report does, and hand it to Verify.
type Entry struct {
	Seq      int64     `json:"seq"` // from 1
	At       time.Time `json:"at"`
	Action   string    `json:"action"`
	Code     string    `json:"code"`
	Revision int       `json:"revision"`
	Actor    string    `json:"actor"`
	Reason   string    `json:"reason,omitempty"`
	Body     string    `json:"body"` // SHA-256 of the record's JSON
	Prev     string    `json:"prev"` // hash of the entry before; of none, 64 zeros
	Hash     string    `json:"hash"`
}

var noEntry = strings.Repeat("0", 64)

func (e *Entry) computeHash() string {
	t := *e
	t.Hash = ""
	t.At = t.At.UTC()
	return Sum(mustJSON(t))
}

func (g *Register) addEntry(ctx context.Context, tx *sql.Tx, e Entry) error {
	err := tx.QueryRowContext(ctx, "SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1").Scan(&e.Seq, &e.Prev)
	if errors.Is(err, sql.ErrNoRows) {
		e.Seq, e.Prev = 0, noEntry
	} else if err != nil {
		return err
	}
	e.Seq++
	e.Hash = e.computeHash()
	_, err = tx.ExecContext(ctx, g.kind.sql("INSERT INTO audit (seq, at, action, code, revision, actor, reason, body, prev, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"),
		e.Seq, stamp(e.At), e.Action, e.Code, e.Revision, e.Actor, e.Reason, e.Body, e.Prev, e.Hash)
	return err
}

// History returns the entries of one sample, or with code "" of all, oldest
// first.
func (g *Register) History(ctx context.Context, code string) ([]Entry, error) {
	entries, err := g.history(ctx, g.db, code)
	return entries, g.fault(err)
}

func (g *Register) history(ctx context.Context, q querier, code string) ([]Entry, error) {
	query, args := "SELECT seq, at, action, code, revision, actor, reason, body, prev, hash FROM audit", []any{}
	if code != "" {
		query, args = query+" WHERE code = ?", append(args, code)
	}
	rows, err := q.QueryContext(ctx, g.kind.sql(query+" ORDER BY seq"), args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var at string
		if err := rows.Scan(&e.Seq, &at, &e.Action, &e.Code, &e.Revision, &e.Actor, &e.Reason, &e.Body, &e.Prev, &e.Hash); err != nil {
			return nil, err
		}
		// A time that cannot be read, or was written otherwise, stays zero, and
		// its hash fails in Verify.
		if t, err := time.Parse(time.RFC3339Nano, at); err == nil && stamp(t) == at {
			e.At = t
		}
		out = append(out, e)
	}
	return out, rows.Err()
}

// A Verification is what Verify found.
type Verification struct {
	Entries  int    `json:"entries"`
	Samples  int    `json:"samples"`
	Head     string `json:"head"` // hash of the last entry
	Problems []Flaw `json:"problems"`
}

// A Flaw is one place where the register does not hold together.
type Flaw struct {
	Seq  int64  `json:"seq,omitempty"`  // of the entry, where it is one
	Code string `json:"code,omitempty"` // of the sample
	What string `json:"what"`
}

// String returns the flaw with its place.
func (f Flaw) String() string {
	switch {
	case f.Seq > 0:
		return fmt.Sprintf("entry %d (%s): %s", f.Seq, f.Code, f.What)
	case f.Code != "":
		return fmt.Sprintf("sample %s: %s", f.Code, f.What)
	}
	return f.What
}

// Verify recomputes the whole audit trail: every link of the chain, the check
// sum of every revision of every record and of its kernels, that lists and the
// tables beside them show what the records say, that no row belongs to no
// sample, and that the triggers are there which refuse changes; of an SQLite
// file also its own structure. It sees one moment of the register: others may
// write meanwhile. head may be the hash of a head noted earlier, or the first
// 12 digits or more of it: it must still be in the chain.
func (g *Register) Verify(ctx context.Context, head string) (*Verification, error) {
	tx, err := g.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: g.kind.snapshot})
	if err != nil {
		return nil, g.fault(err)
	}
	defer tx.Rollback()
	v := &Verification{Problems: []Flaw{}, Head: noEntry}
	for _, check := range []func() error{
		func() error { return g.verifyTables(ctx, tx, v) },
		func() error { return g.verifyChain(ctx, tx, v, head) },
	} {
		if err := check(); err != nil {
			return nil, g.fault(err)
		}
	}
	return v, nil
}

// verifyTables checks what holds whatever the records say.
func (g *Register) verifyTables(ctx context.Context, q querier, v *Verification) error {
	flaw := func(format string, a ...any) {
		v.Problems = append(v.Problems, Flaw{What: fmt.Sprintf(format, a...)})
	}
	texts := func(query string) (out []string, err error) {
		rows, err := q.QueryContext(ctx, query)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			var s string
			if err := rows.Scan(&s); err != nil {
				return nil, err
			}
			out = append(out, s)
		}
		return out, rows.Err()
	}
	if g.kind == sqliteDialect {
		said, err := texts("PRAGMA integrity_check(5)")
		if err != nil {
			return err
		}
		for _, s := range said {
			if s != "ok" {
				flaw("the file is damaged: %s", s)
			}
		}
	}
	there, err := texts(g.kind.triggers)
	if err != nil {
		return err
	}
	wanted, err := g.kind.triggerNames()
	if err != nil {
		return err
	}
	for _, name := range wanted {
		if !slices.Contains(there, name) {
			flaw("the trigger %s, which refuses changes, is gone", name)
		}
	}
	for _, table := range []string{"revisions", "kernels", "pictures"} {
		ids, err := texts("SELECT DISTINCT sample FROM " + table + " t WHERE NOT EXISTS (SELECT 1 FROM samples WHERE id = t.sample)")
		if err != nil {
			return err
		}
		for _, id := range ids {
			flaw("%s are there of a sample %s that is not", table, id)
		}
	}
	return nil
}

// verifyChain checks the audit trail, and the records by it.
func (g *Register) verifyChain(ctx context.Context, q querier, v *Verification, head string) error {
	entries, err := g.history(ctx, q, "")
	if err != nil {
		return err
	}
	v.Entries = len(entries)
	flaw := func(e *Entry, format string, a ...any) {
		v.Problems = append(v.Problems, Flaw{e.Seq, e.Code, fmt.Sprintf(format, a...)})
	}
	type revision struct {
		code string
		n    int
	}
	vouched := map[revision]*Entry{}
	found := false
	for i := range entries {
		e := &entries[i]
		if e.Seq != int64(i+1) {
			flaw(e, "the entry before it is missing or out of order")
		}
		if e.Prev != v.Head {
			flaw(e, "does not follow on the entry before it")
		}
		if e.computeHash() != e.Hash {
			flaw(e, "was changed")
		}
		v.Head = e.Hash
		found = found || head != "" && strings.HasPrefix(e.Hash, strings.ToLower(head))
		k := revision{e.Code, e.Revision}
		if vouched[k] != nil {
			flaw(e, "vouches a second time for revision %d", e.Revision)
		}
		vouched[k] = e
	}
	if head != "" && (len(head) < 12 || !found) {
		v.Problems = append(v.Problems, Flaw{What: fmt.Sprintf("the head %q is not in the chain: entries that were there are gone or were rewritten", head)})
	}
	kernels, err := g.storedKernelSums(ctx, q)
	if err != nil {
		return err
	}
	pictures, err := g.storedPictures(ctx, q)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	err = g.eachRevision(ctx, q, func(s storedRevision) error {
		seen[s.code] = true
		k := revision{s.code, s.revision}
		e := vouched[k]
		delete(vouched, k)
		bad := func(format string, a ...any) {
			v.Problems = append(v.Problems, Flaw{Code: s.code, What: fmt.Sprintf("revision %d ", s.revision) + fmt.Sprintf(format, a...)})
		}
		if e == nil {
			bad("stands in no entry of the audit trail")
			return nil
		}
		plain, err := decompress(s.document)
		if err != nil || Sum(plain) != e.Body {
			bad("was changed after it was entered")
			return nil
		}
		r, err := decodeRecord(s.document)
		if err != nil {
			bad("cannot be read: %v", err)
			return nil
		}
		row, err := r.Row()
		if err != nil {
			bad("cannot be read: %v", err)
			return nil
		}
		if r.Code != s.code || r.Revision != s.revision || r.Key != s.key ||
			stamp(r.Registered) != s.registered || !json.Valid([]byte(s.row)) || different(generic(json.RawMessage(s.row)), generic(row)) != nil || stamp(row.At) != s.at || r.searchText() != s.search {
			bad("is listed differently from what its record says")
		}
		if sum, ok := kernels[s.id]; !ok || sum != r.KernelsSHA256 {
			bad("has other kernels than it was registered with")
		}
		var named []string
		for i, p := range r.allPictures() {
			named = append(named, storedPicture(i, p.SHA256, p.Path))
		}
		if !slices.Equal(named, pictures[s.id]) {
			bad("has other pictures than it was registered with")
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, e := range entries {
		if vouched[revision{e.Code, e.Revision}] != nil {
			flaw(&e, "revision %d, for which it vouches, is gone", e.Revision)
			delete(vouched, revision{e.Code, e.Revision})
		}
	}
	v.Samples = len(seen)
	return nil
}

type storedRevision struct {
	id                                     int64
	code, key, registered, at, row, search string
	revision                               int
	document                               []byte
}

func (g *Register) eachRevision(ctx context.Context, q querier, fn func(storedRevision) error) error {
	rows, err := q.QueryContext(ctx, "SELECT s.id, s.code, s.key, s.registered, r.revision, r.sampled_at, r.row, r.search, r.document FROM samples s LEFT JOIN revisions r ON r.sample = s.id ORDER BY s.id, r.revision")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var s storedRevision
		var n *int
		var at, row, search *string
		if err := rows.Scan(&s.id, &s.code, &s.key, &s.registered, &n, &at, &row, &search, &s.document); err != nil {
			return err
		}
		if n != nil {
			s.revision, s.at, s.row, s.search = *n, *at, *row, *search
		}
		if err := fn(s); err != nil {
			return err
		}
	}
	return rows.Err()
}

// storedKernelSums returns the check sums of the kernels, by sample.
func (g *Register) storedKernelSums(ctx context.Context, q querier) (map[int64]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT sample, kernels FROM kernels")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64]string{}
	for rows.Next() {
		var id int64
		var data []byte
		if err := rows.Scan(&id, &data); err != nil {
			return nil, err
		}
		out[id] = Sum(data)
	}
	return out, rows.Err()
}

// storedPictures returns the rows of the table of pictures, by sample.
func (g *Register) storedPictures(ctx context.Context, q querier) (map[int64][]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT sample, position, sha256, path FROM pictures ORDER BY sample, position")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64][]string{}
	for rows.Next() {
		var id int64
		var position int
		var sha256, path string
		if err := rows.Scan(&id, &position, &sha256, &path); err != nil {
			return nil, err
		}
		out[id] = append(out[id], storedPicture(position, sha256, path))
	}
	return out, rows.Err()
}

// storedPicture writes a row of the table of pictures in one text.
func storedPicture(position int, sha256, path string) string {
	return fmt.Sprintf("%d %s %s", position, sha256, path)
}
