package samples

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"traytally/grading"
	"traytally/samples/words"
	"traytally/vision/kernel/fault"
)

// Lookup returns the code of the sample with the given key, or "".
func (g *Register) Lookup(ctx context.Context, key string) (string, error) {
	code, err := g.lookup(ctx, g.db, key)
	return code, g.fault(err)
}

func (g *Register) lookup(ctx context.Context, q querier, key string) (string, error) {
	var r Row
	err := g.each(ctx, q, "SELECT r.row FROM revisions r JOIN samples s ON s.id = r.sample WHERE s.key = ? ORDER BY r.revision DESC LIMIT 1", []any{key}, func(rows *sql.Rows) error {
		return scanRow(rows, &r)
	})
	return r.Code, err
}

// scanRow reads a Row, the first column, and what else was asked for.
func scanRow(rows *sql.Rows, r *Row, more ...any) error {
	var text []byte
	if err := rows.Scan(append([]any{&text}, more...)...); err != nil {
		return err
	}
	return json.Unmarshal(text, r)
}

// Get returns a revision of a sample with its kernels, revision 0 being the
// last. ErrNotFound is the cause where there is none.
func (g *Register) Get(ctx context.Context, code string, revision int) (*Record, error) {
	_, r, err := g.readWhole(ctx, g.db, code, revision)
	if err != nil {
		return nil, g.fault(err)
	}
	return r, nil
}

// readWhole is read with the kernels.
func (g *Register) readWhole(ctx context.Context, q querier, code string, revision int) (id int64, r *Record, err error) {
	if id, r, err = g.read(ctx, q, code, revision); err == nil {
		err = q.QueryRowContext(ctx, g.kind.sql("SELECT kernels FROM kernels WHERE sample = ?"), id).Scan(&r.kernels)
	}
	return id, r, err
}

func (g *Register) read(ctx context.Context, q querier, code string, revision int) (id int64, r *Record, err error) {
	was := code
	if code, err = g.registeredAs(ctx, q, code); err != nil {
		return 0, nil, err
	}
	var document []byte
	query := "SELECT s.id, r.document FROM samples s JOIN revisions r ON r.sample = s.id WHERE s.code = ? "
	args := []any{code}
	if revision > 0 {
		query += "AND r.revision = ?"
		args = append(args, revision)
	} else {
		query += "ORDER BY r.revision DESC LIMIT 1"
	}
	err = q.QueryRowContext(ctx, g.kind.sql(query), args...).Scan(&id, &document)
	if errors.Is(err, sql.ErrNoRows) {
		if has, err := g.has(ctx, q, code); err != nil {
			return 0, nil, err
		} else if has {
			return 0, nil, &fault.Error{What: fmt.Sprintf("sample %s has no revision %d", was, revision), Hint: "traytally log show " + was + " lists its revisions", Err: ErrNotFound}
		}
		meant, err := g.meant(ctx)
		if err != nil {
			return 0, nil, err
		}
		return 0, nil, notFound(code, meant)
	}
	if err != nil {
		return 0, nil, err
	}
	if r, _, err = decodeRecord(document); err != nil {
		return 0, nil, fmt.Errorf("sample %s: %w", code, err)
	}
	return id, r, nil
}

// meant returns the codes that a slip in one may have meant. They are asked for
// outside a transaction or not at all, since SQLite has one connection.
func (g *Register) meant(ctx context.Context) ([]string, error) {
	if g.kind == sqliteDialect && g.db.Stats().InUse > 0 {
		return nil, nil
	}
	codes, err := g.codes(ctx, g.db)
	return codes[max(0, len(codes)-5000):], err
}

// decodeRecord reads a document; plain is its JSON, also of a record that cannot be
// read.
func decodeRecord(document []byte) (r *Record, plain []byte, err error) {
	if plain, err = decompress(document); err != nil {
		return nil, nil, err
	}
	r = new(Record)
	if err = json.Unmarshal(plain, r); err == nil && r.Schema != Schema && r.Schema != schemaMore {
		err = fmt.Errorf("the record has the form %q, this program reads %q", r.Schema, Schema)
	}
	return r, plain, err
}

// A Row is what lists and trends show of a sample.
type Row struct {
	Code       string    `json:"code"`
	Revision   int       `json:"revision"`
	Registered time.Time `json:"registered"`
	// At is when the rice was sampled, as far as it is known: drawn, else
	// received, else registered.
	At       time.Time `json:"at"`
	Lot      string    `json:"lot,omitempty"`
	Party    string    `json:"party,omitempty"`
	Line     string    `json:"line,omitempty"`
	Variety  string    `json:"variety,omitempty"`
	Stage    string    `json:"stage,omitempty"`
	Note     string    `json:"note,omitempty"`
	Moisture *float64  `json:"moisture_pct,omitempty"`
	MassG    *float64  `json:"sample_mass_g,omitempty"`
	// BrokenMass and BrokenCount are percentages with their 95 % intervals.
	BrokenMass  grading.Estimate `json:"broken_mass_pct"`
	BrokenCount grading.Estimate `json:"broken_count_pct"`
	EffectiveN  float64          `json:"effective_n"`
	Kernels     int              `json:"kernels"`
	Reference   float64          `json:"reference_length"` // 0 where it is not told
	Unit        string           `json:"reference_unit"`   // "mm" or "px"
	// Untold is set where no whole-kernel length is known. The broken share is
	// then what the tips tell, in a wide interval, and no figure to reckon with.
	Untold     bool     `json:"whole_length_not_told,omitempty"`
	TradeClass string   `json:"trade_class,omitempty"`
	Standard   string   `json:"standard,omitempty"`
	Grade      string   `json:"grade,omitempty"`      // in the words that can be stood by
	NotProven  bool     `json:"not_proven,omitempty"` // the outcome is left open by the interval
	Warnings   int      `json:"warnings"`
	Pictures   []string `json:"pictures"` // file names
	// Withdrawn samples do not count.
	Withdrawn bool `json:"withdrawn,omitempty"`
	// Corrected is the number of kernels that people judged otherwise, By who
	// they are; AsMeasured is what came out without them, nil where nobody looked.
	Corrected  int         `json:"corrected_kernels,omitempty"`
	By         []string    `json:"corrected_by,omitempty"`
	AsMeasured *AsMeasured `json:"as_measured,omitempty"`
}

// AsMeasured is what a corrected sample had without its corrections.
type AsMeasured struct {
	BrokenMass  grading.Estimate `json:"broken_mass_pct"`
	BrokenCount grading.Estimate `json:"broken_count_pct"`
	Untold      bool             `json:"whole_length_not_told,omitempty"`
	Outcome     string           `json:"outcome"`
}

// Outcome is the grade, the trade class, or why there is neither.
func (r *Row) Outcome() string {
	switch {
	case r.Untold && r.Grade == "":
		return "no whole-kernel length"
	case r.Grade == "":
		return r.TradeClass
	}
	return r.Grade
}

// Doubts says what to bear in mind of the outcome; empty where there is nothing.
func (r *Row) Doubts(w *words.Words) string {
	var parts []string
	if r.NotProven {
		parts = append(parts, w.T("not proven"))
	}
	if r.Warnings > 0 {
		parts = append(parts, w.T("%d warnings", r.Warnings))
	}
	return strings.Join(parts, ", ")
}

// Row returns what lists show of the record.
func (r *Record) Row() (*Row, error) {
	res, err := r.Decode()
	if err != nil {
		return nil, err
	}
	f := &r.Facts
	row := &Row{
		Code: r.Code, Revision: r.Revision, Registered: r.Registered,
		At:  r.sampledAt(),
		Lot: f.Lot, Party: f.Party, Line: f.Line, Variety: f.Variety, Stage: f.Stage, Note: f.Note,
		BrokenMass: res.Broken.MassPct.Estimate, BrokenCount: res.Broken.CountPct.Estimate, EffectiveN: res.Broken.MassPct.EffectiveN,
		Kernels: len(res.Kernels), Reference: res.Reference.Length, Unit: res.Reference.Unit,
		Untold:   !res.Reference.Told(),
		Moisture: f.OnSheet().MoisturePct, MassG: f.OnSheet().SampleMassG,
		Standard: r.Settings.Standard, NotProven: r.NotProven, Warnings: len(res.Warnings), Withdrawn: r.Withdrawn,
	}
	row.judged(res)
	for _, p := range r.Pictures {
		row.Pictures = append(row.Pictures, filepath.Base(p.Path))
	}
	if r.Corrections == nil {
		return row, nil
	}
	measured, err := r.AsMeasured()
	if err != nil {
		return nil, err
	}
	looks := r.looks(measured, res)
	for i := range looks {
		if looks[i].changed() {
			row.Corrected++
		}
	}
	for _, c := range r.Corrections {
		if !slices.Contains(row.By, c.By) {
			row.By = append(row.By, c.By)
		}
	}
	before := Row{Untold: !measured.Reference.Told()}
	before.judged(measured)
	row.AsMeasured = &AsMeasured{measured.Broken.MassPct.Estimate, measured.Broken.CountPct.Estimate, before.Untold, before.Outcome()}
	return row, nil
}

// judged fills in the trade class and the grade.
func (r *Row) judged(res *grading.Result) {
	if res.TradeClass != nil {
		r.TradeClass = res.TradeClass.Name
	}
	if res.Grade != nil {
		r.Grade = res.Grade.Result
	}
}

func (r *Record) sampledAt() time.Time {
	return cmp.Or(r.Facts.Drawn, r.Facts.Received, r.Registered)
}

// A Query picks samples. The zero value picks all.
type Query struct {
	// Text must occur in the code, a fact, the note or a picture's name, or be
	// the first 12 digits or more of a picture's SHA-256.
	Text string
	// Lot, Party, Line, Variety and Stage must occur in the fact of that name.
	Lot, Party, Line, Variety, Stage string
	// Grade must occur in the grade or the trade class.
	Grade string
	// From and To bound the time of sampling: From <= t < To; zero is no bound.
	From, To time.Time
	// BrokenFrom and BrokenTo bound the broken share by mass, percent; nil is
	// no bound. With one, samples whose whole-kernel length is not told are left
	// out.
	BrokenFrom, BrokenTo *float64
	// Last keeps the newest so many; 0 keeps all.
	Last int
	// Withdrawn picks withdrawn samples too.
	Withdrawn bool
}

// List returns the present revisions of the samples that q picks, in the order
// of their sampling. Letters' case makes no difference.
func (g *Register) List(ctx context.Context, q Query) ([]Row, error) {
	out := []Row{}
	err := g.pick(ctx, q, "row, NULL", func(r *Row, _ []byte) error {
		out = append(out, *r)
		return nil
	})
	if err != nil {
		return nil, g.fault(err)
	}
	if q.Last > 0 && len(out) > q.Last {
		out = slices.Clone(out[len(out)-q.Last:])
	}
	return out, nil
}

// Records returns the records of the samples that List lists, each without its
// kernels and as soon as it is read.
func (g *Register) Records(ctx context.Context, q Query) iter.Seq2[*Record, error] {
	return func(yield func(*Record, error) bool) {
		skip := 0
		if q.Last > 0 {
			last := q.Last
			q.Last = 0
			rows, err := g.List(ctx, q)
			if err != nil {
				yield(nil, err)
				return
			}
			skip = len(rows) - last
		}
		enough := errors.New("enough")
		err := g.pick(ctx, q, "row, document", func(_ *Row, document []byte) error {
			if skip--; skip >= 0 {
				return nil
			}
			if err := ctx.Err(); err != nil { // the rows' own end comes some records later
				return err
			}
			r, _, err := decodeRecord(document)
			if err == nil && !yield(r, nil) {
				return enough
			}
			return err
		})
		if err != nil && err != enough {
			yield(nil, g.fault(err))
		}
	}
}

// pick reads columns of the present revisions that q picks, Last aside.
func (g *Register) pick(ctx context.Context, q Query, columns string, fn func(*Row, []byte) error) error {
	query := "SELECT " + columns + " FROM revisions r WHERE revision = (SELECT max(revision) FROM revisions WHERE sample = r.sample)"
	var args []any
	and := func(s string, a ...any) {
		query += " AND " + s
		args = append(args, a...)
	}
	if q.Text != "" {
		text := strings.ToLower(q.Text)
		like := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(text) + "%"
		if len(text) >= 12 && strings.Trim(text, "0123456789abcdef") == "" {
			and(`(search LIKE ? ESCAPE '\' OR EXISTS (SELECT 1 FROM pictures p WHERE p.sample = r.sample AND p.sha256 LIKE ?))`, like, text+"%")
		} else {
			and(`search LIKE ? ESCAPE '\'`, like)
		}
	}
	if !q.From.IsZero() {
		and("sampled_at >= ?", stamp(q.From))
	}
	if !q.To.IsZero() {
		and("sampled_at < ?", stamp(q.To))
	}
	query += " ORDER BY sampled_at, sample"
	return g.each(ctx, g.db, query, args, func(rows *sql.Rows) error {
		var document []byte
		var r Row
		if err := scanRow(rows, &r, &document); err != nil || !q.picks(&r) {
			return err
		}
		return fn(&r, document)
	})
}

func (q *Query) picks(r *Row) bool {
	in := func(text, part string) bool {
		return part == "" || strings.Contains(strings.ToLower(text), strings.ToLower(part))
	}
	return (q.Withdrawn || !r.Withdrawn) && in(r.Lot, q.Lot) && in(r.Party, q.Party) && in(r.Line, q.Line) && in(r.Variety, q.Variety) && in(r.Stage, q.Stage) &&
		(in(r.Grade, q.Grade) || in(r.TradeClass, q.Grade)) &&
		(!r.Untold || q.BrokenFrom == nil && q.BrokenTo == nil) &&
		(q.BrokenFrom == nil || r.BrokenMass.Value >= *q.BrokenFrom) && (q.BrokenTo == nil || r.BrokenMass.Value <= *q.BrokenTo)
}
