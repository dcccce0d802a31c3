package samples

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
)

// What an Entry records.
const (
	ActionRegister = "register"
	ActionAmend    = "amend" // facts, or corrections of single kernels
	ActionWithdraw = "withdraw"
	ActionRestore  = "restore" // of a sample that was withdrawn
	ActionRename   = "rename"
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
	Seq int64 `json:"seq"` // from 1; the order of the trail
	// At is when it was made by the clock of the machine, or the time of the
	// entry before it where that is later: clocks are set back, the trail never
	// runs backwards.
	At       time.Time `json:"at"`
	Action   string    `json:"action"`
	Code     string    `json:"code"` // by which the sample was registered, whatever it is called later
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

// addEntry adds an entry to the trail and returns it as it stands there.
// ErrGone is the cause where the trail is not the one that g wrote to before.
func (g *Register) addEntry(ctx context.Context, tx *sql.Tx, e Entry) (Entry, error) {
	g.mu.Lock()
	before := g.head
	g.mu.Unlock()
	if before.Seq > 0 {
		there, err := g.texts(ctx, tx, "SELECT hash FROM audit WHERE seq = ?", before.Seq)
		if err != nil {
			return e, err
		}
		if !slices.Equal(there, []string{before.Hash}) {
			return e, ErrGone
		}
	}
	var last string
	err := tx.QueryRowContext(ctx, "SELECT seq, at, hash FROM audit ORDER BY seq DESC LIMIT 1").Scan(&e.Seq, &last, &e.Prev)
	if errors.Is(err, sql.ErrNoRows) {
		e.Seq, e.Prev = 0, noEntry
	} else if err != nil {
		return e, err
	}
	// Where the clock was set back, an entry has the time of the one before it.
	if t, err := time.Parse(time.RFC3339Nano, last); err == nil && t.After(e.At) {
		e.At = t
	}
	e.Seq++
	e.Hash = e.computeHash()
	return e, g.exec(ctx, tx, "INSERT INTO audit (seq, at, action, code, revision, actor, reason, body, prev, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
		e.Seq, stamp(e.At), e.Action, e.Code, e.Revision, e.Actor, e.Reason, e.Body, e.Prev, e.Hash)
}

// made notes an entry that is on the disk.
func (g *Register) made(e Entry) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if e.Seq > g.head.Seq {
		g.head = e
	}
	if e.Action == ActionRegister {
		g.added = append(g.added, e.Code)
	}
}

// History returns the entries of one sample, or with code "" of all, oldest
// first.
func (g *Register) History(ctx context.Context, code string) ([]Entry, error) {
	code, err := g.registeredAs(ctx, g.db, code)
	if err != nil {
		return nil, g.fault(err)
	}
	entries, err := g.history(ctx, g.db, code)
	return entries, g.fault(err)
}

func (g *Register) history(ctx context.Context, q querier, code string) (out []Entry, err error) {
	query, args := "SELECT seq, at, action, code, revision, actor, reason, body, prev, hash FROM audit", []any{}
	if code != "" {
		query, args = query+" WHERE code = ?", append(args, code)
	}
	err = g.each(ctx, q, query+" ORDER BY seq", args, func(rows *sql.Rows) error {
		var e Entry
		var at string
		if err := rows.Scan(&e.Seq, &at, &e.Action, &e.Code, &e.Revision, &e.Actor, &e.Reason, &e.Body, &e.Prev, &e.Hash); err != nil {
			return err
		}
		// A time that cannot be read, or was written otherwise, stays zero, and
		// its hash fails in Verify.
		if t, err := time.Parse(time.RFC3339Nano, at); err == nil && stamp(t) == at {
			e.At = t
		}
		out = append(out, e)
		return nil
	})
	return out, err
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
// tables beside them show what the records say and nothing else, that no row is
// missing and none belongs to no sample, and that tables, columns, constraints,
// indexes, triggers and functions are those of a new register; of an SQLite
// file also its own structure. It sees one moment of the register: others may
// write meanwhile. head may be the hash of a head noted earlier, or the first
// 12 digits or more of it: it must still be in the chain. tell, where not nil,
// is told how many of how many revisions were looked at; several processors
// share the work.
func (g *Register) Verify(ctx context.Context, head string, tell func(done, of int)) (*Verification, error) {
	tx, err := g.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: g.kind.snapshot})
	if err != nil {
		return nil, g.fault(err)
	}
	defer tx.Rollback()
	if tell == nil {
		tell = func(int, int) {}
	}
	v := &Verification{Problems: []Flaw{}, Head: noEntry}
	for _, check := range []func() error{
		func() error { return g.verifySchema(ctx, tx, v) },
		func() error { return g.verifyTables(ctx, tx, v) },
		func() error { return g.verifyChain(ctx, tx, v, head, tell) },
	} {
		err := check()
		if err != nil && ctx.Err() == nil && len(v.Problems) > 0 { // such as a table that is gone
			v.Problems = append(v.Problems, Flaw{What: "what is in the register cannot be read through: " + g.fault(err).Error()})
			return v, nil
		}
		if err != nil {
			return nil, g.fault(err)
		}
	}
	return v, nil
}

func (v *Verification) flaw(format string, a ...any) {
	v.Problems = append(v.Problems, Flaw{What: fmt.Sprintf(format, a...)})
}

// verifySchema compares the tables and all that belongs to them with those of
// a new register.
func (g *Register) verifySchema(ctx context.Context, q querier, v *Verification) error {
	wanted, err := g.wanted(ctx)
	if err != nil {
		return err
	}
	there, err := g.objects(ctx, q)
	if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(wanted)) {
		if is, ok := there[name]; !ok {
			v.flaw("the %s is gone", name)
		} else if is != wanted[name] {
			v.flaw("the %s was changed", name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(there)) {
		if _, ok := wanted[name]; !ok {
			v.flaw("the %s was put in", name)
		}
	}
	return nil
}

// verifyTables checks what holds whatever the records say.
func (g *Register) verifyTables(ctx context.Context, q querier, v *Verification) error {
	if g.kind == sqliteDialect {
		said, err := g.texts(ctx, q, "PRAGMA integrity_check(5)")
		if err != nil {
			return err
		}
		for _, s := range said {
			if s != "ok" {
				v.flaw("the file is damaged: %s", s)
			}
		}
	}
	for _, table := range []string{"revisions", "kernels", "pictures"} {
		ids, err := g.texts(ctx, q, "SELECT DISTINCT sample FROM "+table+" t WHERE NOT EXISTS (SELECT 1 FROM samples WHERE id = t.sample)")
		if err != nil {
			return err
		}
		for _, id := range ids {
			v.flaw("%s are there of a sample %s that is not", table, id)
		}
	}
	return nil
}

// verifyChain checks the audit trail, and the records by it.
func (g *Register) verifyChain(ctx context.Context, q querier, v *Verification, head string, tell func(done, of int)) error {
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
		v.flaw("the head %q is not in the chain: entries that were there are gone or were rewritten", head)
	}
	pictures := map[int64][]string{}
	err = g.each(ctx, q, "SELECT sample, position, sha256, path FROM pictures ORDER BY sample, position", nil, func(rows *sql.Rows) error {
		var id int64
		var p Picture
		var position int
		err := rows.Scan(&id, &position, &p.SHA256, &p.Path)
		pictures[id] = append(pictures[id], p.stored(position))
		return err
	})
	if err != nil {
		return err
	}

	// One goroutine reads, all processors check.
	var workers errgroup.Group
	workers.SetLimit(runtime.GOMAXPROCS(0))
	var flaws []*[]Flaw // in the order of reading
	seen := map[string]bool{}
	err = g.each(ctx, q, `SELECT s.id, s.code, s.key, s.registered, coalesce(r.revision, 0), coalesce(r.sampled_at, ''), coalesce(r.row, ''), coalesce(r.search, ''), r.document, k.kernels
FROM samples s LEFT JOIN revisions r ON r.sample = s.id LEFT JOIN kernels k ON k.sample = s.id ORDER BY s.id, r.revision`, nil, func(rows *sql.Rows) error {
		var s storedRevision
		var id int64
		if err := rows.Scan(&id, &s.code, &s.key, &s.registered, &s.revision, &s.at, &s.row, &s.search, &s.document, &s.kernels); err != nil {
			return err
		}
		k := revision{s.code, s.revision}
		s.entry, s.pictures = vouched[k], pictures[id]
		delete(vouched, k)
		seen[s.code] = true
		found := new([]Flaw)
		flaws = append(flaws, found)
		workers.Go(func() error { *found = s.flaws(); return nil })
		tell(len(flaws), len(entries))
		return nil
	})
	workers.Wait() // none of them fails
	for _, found := range flaws {
		v.Problems = append(v.Problems, *found...)
	}
	if err != nil {
		return err
	}
	for i := range entries {
		k := revision{entries[i].Code, entries[i].Revision}
		if vouched[k] != nil {
			flaw(&entries[i], "revision %d, for which it vouches, is gone", k.n)
			delete(vouched, k)
		}
	}
	v.Samples = len(seen)
	return nil
}

// A storedRevision is all that the tables hold of a revision.
type storedRevision struct {
	code, key, registered string // of the sample
	revision              int    // 0 where the sample has none
	at, row, search       string
	document, kernels     []byte
	pictures              []string
	entry                 *Entry // that vouches for it; nil without one
}

// flaws compares what the tables hold with the record and that with its entry.
func (s *storedRevision) flaws() (out []Flaw) {
	bad := func(format string, a ...any) {
		out = append(out, Flaw{Code: s.code, What: fmt.Sprintf("revision %d ", s.revision) + fmt.Sprintf(format, a...)})
	}
	if s.entry == nil {
		bad("stands in no entry of the audit trail")
		return out
	}
	r, plain, err := decodeRecord(s.document)
	if Sum(plain) != s.entry.Body {
		bad("was changed after it was entered")
		return out
	}
	var row *Row
	if err == nil {
		row, err = r.Row()
	}
	if err != nil {
		bad("cannot be read: %v", err)
		return out
	}
	if r.registeredAs() != s.code || r.Revision != s.revision || r.Key != s.key || stamp(r.Registered) != s.registered ||
		s.row != string(mustJSON(row)) || stamp(row.At) != s.at || r.searchText() != s.search {
		bad("is listed differently from what its record says")
	}
	if Sum(s.kernels) != r.KernelsSHA256 {
		bad("has other kernels than it was registered with")
	}
	var named []string
	for i, p := range r.allPictures() {
		named = append(named, p.stored(i))
	}
	if !slices.Equal(named, s.pictures) {
		bad("has other pictures than it was registered with")
	}
	return out
}

// stored writes a row of the table of pictures in one text.
func (p *Picture) stored(position int) string {
	return fmt.Sprintf("%d %s %s", position, p.SHA256, p.Path)
}
