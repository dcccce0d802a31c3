package samples_test

import (
	"bytes"
	"compress/gzip"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A mutation is one change behind the register's back. Its kind is the
// statement, its name the values too.
type mutation struct {
	kind, name string
	do         func(*sql.DB) error
}

func statement(q string, args ...any) mutation {
	name := q
	if len(args) > 0 {
		name += fmt.Sprintf(" %.60q", args)
	}
	return mutation{q, name, func(db *sql.DB) error {
		_, err := db.Exec(q, args...)
		return err
	}}
}

// Every change of one row, of one column of a row, and of one object of the
// schema is seen, though whoever made it went past the triggers. What the test
// leaves out are the notes on pictures that could not be graded, which are no
// part of the trail.
func TestVerifySeesEveryMutation(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		t.Parallel() // the server of one works while the files of the other are written
		records := []*samples.Record{
			sampletest.Record(t, 1, sampletest.Options{Kernels: 12, Facts: someFacts, Standard: "us-long"}),
			picked(t), sampletest.Record(t, 3, sampletest.Options{Kernels: 12}),
		}
		head := ""
		fill := func() {
			g := open(t, where)
			defer g.Close()
			for _, r := range records {
				r := *r
				_, err := g.Add(t.Context(), &r)
				require.NoError(t, err)
			}
			_, err := g.Amend(t.Context(), "S2026-0002", "lot was left out", func(f *samples.Facts) error { f.Lot = "L-2"; return nil })
			require.NoError(t, err)
			corrected(t, g, "S2026-0003")
			_, err = g.Rename(t.Context(), "S2026-0003", "K-3", "code came late")
			require.NoError(t, err)
			_, err = g.Withdraw(t.Context(), "K-3", "test scan", true)
			require.NoError(t, err)
			history, err := g.History(t.Context(), "")
			require.NoError(t, err)
			head = history[len(history)-1].Hash
		}
		fill()
		var restore func() // to the schema of a new register, of SQLite with what was in it
		var schema []mutation
		server := samples.IsPostgres(where)
		var db *sql.DB
		if server { // neither triggers nor foreign keys stand in the way
			db = rawDB(t, where)
			db.SetMaxOpenConns(1)
			_, err := db.Exec("SET session_replication_role = replica")
			require.NoError(t, err)
		}
		raw := func() (*sql.DB, func() error) {
			if server {
				return db, func() error { return nil }
			}
			db := rawDB(t, where)
			db.SetMaxOpenConns(1)
			return db, db.Close
		}
		if server {
			schema = postgresMutations(t, db)
			restore = func() {
				_, err := db.Exec("DO $$ DECLARE s text = current_schema(); BEGIN EXECUTE format('DROP SCHEMA %I CASCADE', s); EXECUTE format('CREATE SCHEMA %I', s); END $$")
				require.NoError(t, err)
				require.NoError(t, open(t, where).Close())
			}
			head = ""
			restore()
		} else {
			db, done := raw()
			schema = sqliteMutations(t, db)
			require.NoError(t, done())
			whole, err := os.ReadFile(where)
			require.NoError(t, err)
			restore = func() {
				for _, ending := range []string{"", "-wal", "-shm"} {
					os.Remove(where + ending)
				}
				require.NoError(t, os.WriteFile(where, whole, 0o666))
			}
		}
		// The first mutation of each kind is tried, and of the others one in so many:
		// a whole register is verified after each, which takes a server three times
		// as long as SQLite.
		// TRAYTALLY_LONG=1 tries all.
		every := 5
		switch {
		case os.Getenv("TRAYTALLY_LONG") != "":
			every = 1
		case testing.Short(), server:
			every = 11
		}
		tried, unseen, impossible := map[string]int{}, 0, 0
		try := func(kind string, m mutation, undo func(changed bool)) {
			db, done := raw()
			err := m.do(db)
			require.NoError(t, done())
			if err != nil { // the database keeps it off, a server all of it
				impossible++
				undo(!server)
				return
			}
			tried[kind]++
			if !seen(t, where, head) {
				unseen++
				assert.Fail(t, "not seen", "%s: %s", kind, m.name)
			}
			undo(true)
		}
		for i, m := range schema {
			if i%every > 0 {
				continue
			}
			try("schema", m, func(changed bool) {
				if changed {
					restore()
				}
			})
		}
		if server {
			fill()
		}
		db, done := raw()
		rows := map[string][]mutation{}
		for _, table := range []string{"samples", "revisions", "kernels", "pictures", "audit"} {
			rows[table] = rowMutations(t, db, table)
		}
		require.NoError(t, done())
		for _, table := range []string{"samples", "revisions", "kernels", "pictures", "audit"} {
			kinds := map[string]bool{}
			for i, m := range rows[table] {
				if i%every > 0 && kinds[m.kind] {
					continue
				}
				kinds[m.kind] = true
				undo := func(bool) { restore() }
				if server {
					undo = keepTable(t, db, table)
				} else {
					m.do = pastTriggers(t, m.do)
				}
				try(table, m, undo)
			}
		}
		all := 0
		for _, n := range tried {
			all += n
		}
		t.Logf("%d mutations tried, %d seen; %d more are refused by the database itself; by place: %v", all, all-unseen, impossible, tried)
		for _, place := range []string{"schema", "samples", "revisions", "kernels", "pictures", "audit"} {
			assert.Greater(t, tried[place], 5, place)
		}
		require.True(t, !seen(t, where, head), "what was undone holds together")
	})
}

// seen reports whether the register is told not to be as it was.
func seen(t *testing.T, where, head string) bool {
	g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
	if err == nil {
		defer g.Close()
		var v *samples.Verification
		if v, err = g.Verify(t.Context(), head, nil); err == nil {
			return len(v.Problems) > 0
		}
	}
	_, plain := errors.AsType[*fault.Error](err)
	assert.True(t, plain, "%v", err)
	return true
}

// picked makes a record with a picture of picked kernels.
func picked(t *testing.T) *samples.Record {
	tray, whole := sampletest.Tray(2, 12, 0.2), sampletest.Tray(22, 12, 0)
	s := samples.Settings{Params: grading.DefaultParams()}
	s.Params.ReferenceFrom = []kernel.Tray{whole}
	res, err := grading.Analyse([]kernel.Tray{tray}, s.Params)
	require.NoError(t, err)
	p := samples.Picture{Path: "/scans/t.png", SHA256: samples.Sum([]byte("t")), Bytes: 7, Format: "PNG", WidthPx: tray.WidthPx, HeightPx: tray.HeightPx}
	q := p
	q.Path, q.SHA256 = "/scans/picked.png", samples.Sum([]byte("picked"))
	r, err := samples.NewRecord(samples.Input{Settings: s, Result: res, Trays: []kernel.Tray{tray}, Pictures: []samples.Picture{p}, Reference: []samples.Picture{q}})
	require.NoError(t, err)
	return r
}

// pastTriggers does something without the triggers of an SQLite register, and
// puts them back to the letter.
func pastTriggers(t *testing.T, do func(*sql.DB) error) func(*sql.DB) error {
	return func(db *sql.DB) error {
		made := column(t, db, "SELECT sql FROM sqlite_master WHERE type = 'trigger'")
		for _, name := range column(t, db, "SELECT name FROM sqlite_master WHERE type = 'trigger'") {
			if _, err := db.Exec("DROP TRIGGER " + name); err != nil {
				return err
			}
		}
		err := do(db)
		for _, s := range made {
			if _, err := db.Exec(s); err != nil {
				return err
			}
		}
		return err
	}
}

// keepTable returns what puts a table back as it is.
func keepTable(t *testing.T, db *sql.DB, table string) func(bool) {
	_, err := db.Exec("CREATE TEMP TABLE kept AS SELECT * FROM " + table)
	require.NoError(t, err)
	return func(bool) {
		_, err := db.Exec(fmt.Sprintf("DELETE FROM %[1]s; INSERT INTO %[1]s OVERRIDING SYSTEM VALUE SELECT * FROM kept; DROP TABLE kept", table))
		require.NoError(t, err)
	}
}

// rowMutations takes out each row, doubles it under another key, and changes
// each of its columns in each way that its kind allows.
func rowMutations(t *testing.T, db *sql.DB, table string) (out []mutation) {
	// The columns of which one or more must differ in a second row.
	keys := map[string][][]string{
		"samples": {{"id", "code", "key"}}, "revisions": {{"sample"}, {"revision"}}, "kernels": {{"sample"}},
		"pictures": {{"sample"}, {"position"}}, "audit": {{"seq", "hash"}},
	}[table]
	rows, err := db.Query(fmt.Sprintf("SELECT * FROM %s ORDER BY 1, 2", table))
	require.NoError(t, err)
	columns, err := rows.Columns()
	require.NoError(t, err)
	var all [][]any
	for rows.Next() {
		row, to := make([]any, len(columns)), make([]any, len(columns))
		for i := range row {
			to[i] = &row[i]
		}
		require.NoError(t, rows.Scan(to...))
		all = append(all, row)
	}
	require.NoError(t, rows.Err())
	quoted := func(c string) string { return `"` + c + `"` }
	var names, params []string
	for i, c := range columns {
		names, params = append(names, quoted(c)), append(params, fmt.Sprintf("$%d", i+1))
	}
	insert := fmt.Sprintf("INSERT INTO %s (%s) VALUES (%s)", table, strings.Join(names, ", "), strings.Join(params, ", "))
	if _, err := db.Exec("SELECT ctid FROM " + table); err == nil { // PostgreSQL
		insert = strings.Replace(insert, ") VALUES", ") OVERRIDING SYSTEM VALUE VALUES", 1)
	}
	for _, row := range all {
		where := []string{}
		var is []any
		for i := range min(2, len(columns)) { // the first two tell every row from the others
			is = append(is, row[i])
			where = append(where, fmt.Sprintf("%s = $%d", quoted(columns[i]), i+1))
		}
		only := " WHERE " + strings.Join(where, " AND ")
		out = append(out, statement("DELETE FROM "+table+only, is...))
		for _, set := range keys {
			again := slices.Clone(row)
			for _, c := range set {
				i := slices.Index(columns, c)
				again[i] = changes(c, row[i])[0]
			}
			out = append(out, statement(insert, again...))
		}
		for i, c := range columns {
			values := changes(c, row[i])
			for _, other := range all {
				if fmt.Sprint(other[i]) != fmt.Sprint(row[i]) {
					values = append(values, other[i])
				}
			}
			for _, v := range values {
				out = append(out, statement(fmt.Sprintf("UPDATE %s SET %s = $%d%s", table, quoted(c), len(is)+1, only), append(slices.Clone(is), v)...))
			}
		}
	}
	return out
}

// changes returns other values for one of a column, the first of them one that
// no row has.
func changes(column string, v any) (out []any) {
	switch v := v.(type) {
	case int64:
		return []any{v + 100, v + 1, v - 1}
	case string:
		out = []any{v + "x", "", strings.ToUpper(v), strings.ToLower(v), " " + v, v + " ", strings.Replace(v, "0", "1", 1)}
		if v != "" {
			out = append(out, v[1:], v[:len(v)-1])
		}
		if column == "row" {
			for _, s := range jsonChanges([]byte(v)) {
				out = append(out, string(s))
			}
		}
	case []byte:
		out = []any{append(slices.Clone(v), 'x'), []byte{}, v[:len(v)-1], v[1:], append(slices.Clone(v), zipped(nil)...), append(slices.Clone(v), v...)}
		for i := range v {
			if i < 32 || i >= len(v)-16 || i%97 == 0 {
				c := slices.Clone(v)
				c[i] ^= 0xff
				out = append(out, c)
			}
		}
		if column == "document" {
			z, err := gzip.NewReader(bytes.NewReader(v))
			if err != nil {
				panic(err)
			}
			plain, err := io.ReadAll(z)
			if err != nil {
				panic(err)
			}
			for _, s := range jsonChanges(plain) {
				out = append(out, zipped(s))
			}
		}
	default:
		panic(fmt.Sprintf("%T", v))
	}
	return slices.DeleteFunc(out, func(w any) bool { return fmt.Sprint(w) == fmt.Sprint(v) })
}

func zipped(plain []byte) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	z.Write(plain)
	z.Close()
	return b.Bytes()
}

// jsonChanges takes each key of an object away, empties it, and puts one in.
func jsonChanges(data []byte) (out [][]byte) {
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(data, &fields); err != nil {
		panic(err)
	}
	for _, key := range slices.Sorted(maps.Keys(fields)) {
		for _, put := range []string{"", `null`, `"x"`, `1e3`} {
			other := maps.Clone(fields)
			if delete(other, key); put != "" {
				other[key] = json.RawMessage(put)
			}
			b, err := json.Marshal(other)
			if err != nil {
				panic(err)
			}
			out = append(out, b)
		}
	}
	return append(out, []byte("{}"), []byte("null"), []byte(strings.Replace(string(data), "{", `{"more":1,`, 1)), append(data, ' '))
}

func column(t *testing.T, db *sql.DB, query string) (out []string) {
	rows, err := db.Query(query)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var s string
		require.NoError(t, rows.Scan(&s))
		out = append(out, s)
	}
	require.NoError(t, rows.Err())
	return out
}

// sqliteMutations changes the schema with the statements of SQL, and takes
// each word by itself out of what each object was made with.
func sqliteMutations(t *testing.T, db *sql.DB) (out []mutation) {
	for _, name := range column(t, db, "SELECT name FROM sqlite_master WHERE sql IS NOT NULL") {
		kind := column(t, db, "SELECT type FROM sqlite_master WHERE name = '"+name+"'")[0]
		text := column(t, db, "SELECT sql FROM sqlite_master WHERE name = '"+name+"'")[0]
		out = append(out, statement("DROP "+kind+" "+name))
		words := strings.Fields(text)
		set := func(text string) mutation {
			return statement(fmt.Sprintf("PRAGMA writable_schema = ON; UPDATE sqlite_master SET sql = '%s' WHERE name = '%s'", strings.ReplaceAll(text, "'", "''"), name))
		}
		if kind == "trigger" {
			out = append(out,
				statement(fmt.Sprintf("DROP TRIGGER %s; %s", name, text[:strings.Index(text, "BEGIN")]+"BEGIN SELECT 1; END")),
				statement(fmt.Sprintf("DROP TRIGGER %s; %s", name, strings.Replace(text, "BEGIN", "WHEN 0 BEGIN", 1))))
		}
		if kind != "table" {
			for i := range words {
				out = append(out, set(strings.Join(slices.Delete(slices.Clone(words), i, i+1), " ")))
			}
			continue
		}
		lines := strings.SplitAfter(text, "\n")
		for i, line := range lines { // the comments hold no SQL
			sqlPart, comment, _ := strings.Cut(line, "--")
			words := strings.Fields(sqlPart)
			for j := range words {
				less := strings.Join(slices.Delete(slices.Clone(words), j, j+1), " ")
				all := slices.Clone(lines)
				all[i] = less + " --" + strings.TrimSuffix(comment, "\n") + "\n"
				out = append(out, set(strings.Join(all, "")))
			}
		}
		out = append(out, statement("ALTER TABLE "+name+" RENAME TO other"), statement("ALTER TABLE "+name+" ADD COLUMN more TEXT"),
			statement("CREATE INDEX more ON "+name+" (rowid)"), statement("CREATE TRIGGER more AFTER INSERT ON "+name+" BEGIN SELECT 1; END"),
			statement("CREATE TRIGGER more BEFORE INSERT ON "+name+" BEGIN DELETE FROM audit; END"))
		for _, c := range column(t, db, "SELECT name FROM pragma_table_info('"+name+"')") {
			out = append(out, statement(fmt.Sprintf("ALTER TABLE %s RENAME COLUMN %s TO other", name, c)),
				statement(fmt.Sprintf("ALTER TABLE %s DROP COLUMN %s", name, c)), statement(fmt.Sprintf("CREATE INDEX more ON %s (%s)", name, c)))
		}
	}
	return append(out, statement("CREATE TABLE more (x)"), statement("CREATE VIEW more AS SELECT 1"), statement("ANALYZE"),
		statement("PRAGMA application_id = 1"), statement("PRAGMA user_version = 1"), statement("PRAGMA user_version = 0"), statement("PRAGMA user_version = 3"))
}

// postgresMutations changes each object of the schema in each way that a
// statement of SQL has.
func postgresMutations(t *testing.T, db *sql.DB) (out []mutation) {
	const mine = " FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
	const here = " n.nspname = current_schema() AND c.relname <> 'traytally_schema' "
	each := func(query string, statements ...string) {
		names := column(t, db, query)
		require.NotEmpty(t, names, query)
		for _, name := range names {
			a, b, _ := strings.Cut(name, ".")
			for _, s := range statements {
				out = append(out, statement(strings.NewReplacer("$1", `"`+a+`"`, "$2", `"`+b+`"`).Replace(s)))
			}
		}
	}
	each("SELECT relname"+mine+"WHERE relkind = 'r' AND"+here,
		"ALTER TABLE $1 RENAME TO other", "DROP TABLE $1 CASCADE", "ALTER TABLE $1 ADD COLUMN more TEXT", "ALTER TABLE $1 SET UNLOGGED", "ALTER TABLE $1 SET (fillfactor = 50)",
		"ALTER TABLE $1 ENABLE ROW LEVEL SECURITY", "ALTER TABLE $1 FORCE ROW LEVEL SECURITY",
		"CREATE POLICY more ON $1", "CREATE RULE more AS ON INSERT TO $1 DO ALSO NOTHING", "CREATE RULE more AS ON INSERT TO $1 DO INSTEAD NOTHING",
		"ALTER TABLE $1 ADD CONSTRAINT more CHECK (true)", "CREATE TABLE more () INHERITS ($1)",
		"CREATE TRIGGER more BEFORE INSERT ON $1 EXECUTE FUNCTION register_stays()", "CREATE TRIGGER more AFTER DELETE ON $1 EXECUTE FUNCTION register_stays()")
	each("SELECT relname"+mine+"WHERE relkind = 'r' AND relname <> 'refused' AND"+here, "ALTER TABLE $1 DISABLE TRIGGER ALL", "ALTER TABLE $1 DISABLE TRIGGER USER")
	each("SELECT relname || '.' || attname"+mine+"JOIN pg_attribute a ON attrelid = c.oid WHERE relkind = 'r' AND attnum > 0 AND"+here,
		"ALTER TABLE $1 RENAME $2 TO other", "ALTER TABLE $1 DROP $2 CASCADE", "ALTER TABLE $1 ALTER $2 DROP NOT NULL",
		"ALTER TABLE $1 ALTER $2 SET DEFAULT '1'", "ALTER TABLE $1 ALTER $2 TYPE VARCHAR", "ALTER TABLE $1 ALTER $2 TYPE NUMERIC", `ALTER TABLE $1 ALTER $2 TYPE TEXT COLLATE "C"`,
		"ALTER TABLE $1 ALTER $2 DROP IDENTITY", "ALTER TABLE $1 ALTER $2 SET GENERATED BY DEFAULT", "CREATE INDEX more ON $1 ($2)", "CREATE UNIQUE INDEX more ON $1 ($2)",
		"ALTER TABLE $1 ADD UNIQUE ($2)")
	each("SELECT relname || '.' || conname"+mine+"JOIN pg_constraint ON conrelid = c.oid WHERE"+here,
		"ALTER TABLE $1 DROP CONSTRAINT $2 CASCADE", "ALTER TABLE $1 RENAME CONSTRAINT $2 TO other", "ALTER TABLE $1 ALTER CONSTRAINT $2 DEFERRABLE")
	each("SELECT relname"+mine+"WHERE relkind = 'i' AND"+here, "DROP INDEX $1", "ALTER INDEX $1 RENAME TO other", "UPDATE pg_index SET indisvalid = false WHERE indexrelid = '$1'::regclass")
	each("SELECT relname || '.' || tgname"+mine+"JOIN pg_trigger ON tgrelid = c.oid WHERE NOT tgisinternal AND"+here,
		"DROP TRIGGER $2 ON $1", "ALTER TABLE $1 DISABLE TRIGGER $2", "ALTER TABLE $1 ENABLE REPLICA TRIGGER $2", "ALTER TABLE $1 ENABLE ALWAYS TRIGGER $2", "ALTER TRIGGER $2 ON $1 RENAME TO other",
		"CREATE OR REPLACE TRIGGER $2 BEFORE UPDATE OR DELETE ON $1 EXECUTE FUNCTION register_stays()",
		"CREATE OR REPLACE TRIGGER $2 BEFORE UPDATE OR DELETE OR TRUNCATE ON $1 WHEN (false) EXECUTE FUNCTION register_stays()",
		"CREATE OR REPLACE TRIGGER $2 AFTER UPDATE OR DELETE OR TRUNCATE ON $1 EXECUTE FUNCTION register_stays()")
	for _, s := range []string{
		"CREATE OR REPLACE FUNCTION register_stays() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NULL; END $$",
		"ALTER FUNCTION register_stays() SECURITY DEFINER", "ALTER FUNCTION register_stays() SET search_path = pg_catalog", "ALTER FUNCTION register_stays() STABLE",
		"ALTER FUNCTION register_stays() RENAME TO other", "DROP FUNCTION register_stays() CASCADE",
		"CREATE FUNCTION register_stays(int) RETURNS int LANGUAGE sql AS 'SELECT 1'", "CREATE FUNCTION now() RETURNS int LANGUAGE sql AS 'SELECT 1'",
		"CREATE TABLE more (x int)", "CREATE VIEW more AS SELECT 1", "CREATE MATERIALIZED VIEW more AS SELECT 1 AS x", "CREATE SEQUENCE more",
		"INSERT INTO traytally_schema VALUES (2)", "DELETE FROM traytally_schema", "UPDATE traytally_schema SET version = 1", "UPDATE traytally_schema SET version = 3", "DROP TABLE traytally_schema",
	} {
		out = append(out, statement(s))
	}
	return out
}
