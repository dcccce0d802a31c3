package samples_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"traytally/samples"
	"traytally/samples/internal/sampletest"
)

func number(t testing.TB, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// hostile are texts that do harm where they are not guarded.
var hostile = []string{
	`=HYPERLINK("https://example.invalid","x")`, "+1+1", "-2+3", "@SUM(A1)", "|calc", "%x", "  =1+1", "\t=1+1", "＝1+1",
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `a","=1+1`, "a;=1+1", "a; \u200b-1", "'=1+1", "</td>&amp;",
}

func hostileRows(t *testing.T) []samples.Row {
	g := open(t, filepath.Join(t.TempDir(), "register.db"))
	for i, h := range hostile {
		h = strings.ReplaceAll(h, "\t", " ")
		add(t, g, uint64(i), sampletest.Options{Kernels: 40, Facts: samples.Facts{Lot: h, Party: h, Variety: h, Line: h, Stage: h, Note: h}})
	}
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	require.Len(t, rows, len(hostile))
	return rows
}

// A spreadsheet takes a cell for a formula by its first character, blanks left
// aside (OWASP, "CSV Injection").
func isFormula(cell string) bool {
	s := strings.TrimSpace(cell)
	return s != "" && strings.ContainsRune("=+-@|%＝＋－＠", []rune(s)[0])
}

func TestCSVIsHarmless(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, samples.WriteCSV(&b, hostileRows(t)))
	text := b.String()
	// A program whose separator is the semicolon knows no quotes but those at
	// the beginning of its own cells, and parts the line anywhere else.
	for _, cell := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(";\n", r) }) {
		assert.False(t, isFormula(cell), "%q", cell)
	}
	records, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Len(t, records, len(hostile)+1)
	lot := 4
	require.Equal(t, "lot", records[0][lot])
	for i, r := range records[1:] {
		for _, cell := range r {
			assert.False(t, isFormula(cell), "%q", cell)
		}
		want := strings.TrimSpace(strings.ReplaceAll(hostile[i], "\t", " "))
		assert.Contains(t, strings.ReplaceAll(r[lot], "'", ""), strings.ReplaceAll(want, "'", ""), "the text itself is kept")
	}
}

func TestXLSXIsHarmless(t *testing.T) {
	rows := hostileRows(t)
	var a, b bytes.Buffer
	require.NoError(t, samples.WriteXLSX(&a, rows))
	require.NoError(t, samples.WriteXLSX(&b, rows))
	assert.Equal(t, a.Bytes(), b.Bytes(), "the same rows give the same bytes")

	z, err := zip.NewReader(bytes.NewReader(a.Bytes()), int64(a.Len()))
	require.NoError(t, err)
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		text, err := io.ReadAll(r)
		require.NoError(t, err)
		assert.NotContains(t, string(text), "<f>", f.Name)
		assert.NotContains(t, string(text), "<script", f.Name)
	}
	f, err := excelize.OpenReader(&a)
	require.NoError(t, err)
	defer f.Close()
	cells, err := f.GetRows("samples", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	require.Len(t, cells, len(hostile)+1)
	for i := range rows {
		for j, name := range cells[0] {
			formula, err := f.GetCellFormula("samples", cellName(t, j+1, i+2))
			require.NoError(t, err)
			assert.Empty(t, formula)
			if name == "lot" {
				assert.False(t, isFormula(cells[i+1][j]), "%q", cells[i+1][j])
			}
			if name == "broken_mass_pct" {
				assert.Equal(t, rows[i].BrokenMass.Value, number(t, cells[i+1][j]), "numbers stay numbers")
				kind, err := f.GetCellType("samples", cellName(t, j+1, i+2))
				require.NoError(t, err)
				assert.NotEqual(t, excelize.CellTypeInlineString, kind)
			}
		}
	}
}

func cellName(t *testing.T, col, row int) string {
	s, err := excelize.CoordinatesToCellName(col, row)
	require.NoError(t, err)
	return s
}

// What could not be graded stands at the end of the table, harmless too.
func TestRefusedInTheTable(t *testing.T) {
	rows := hostileRows(t)
	refused := []samples.Refusal{{Path: "/scans/=bad.jpg", Reason: "@reason", Hint: "scan again"}}
	var b bytes.Buffer
	require.NoError(t, samples.WriteCSV(&b, rows, refused...))
	table, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Len(t, table, len(rows)+2)
	cell := func(name string) string { return table[len(table)-1][slices.Index(table[0], name)] }
	assert.Equal(t, []string{"", "", "", "not graded", "'=bad.jpg", "'@reason"},
		[]string{cell("code"), cell("sampled_at"), cell("broken_mass_pct"), cell("grade"), cell("pictures"), cell("note")})
	b.Reset()
	require.NoError(t, samples.WriteXLSX(&b, rows, refused...))
	f, err := excelize.OpenReader(&b)
	require.NoError(t, err)
	defer f.Close()
	sheet, err := f.GetRows("samples")
	require.NoError(t, err)
	assert.Equal(t, "'=bad.jpg", sheet[len(sheet)-1][slices.Index(sheet[0], "pictures")])
}

func TestGuard(t *testing.T) {
	for _, s := range []string{"", "L-17", "a=b", "3.5", "ä", "<b>"} {
		assert.Equal(t, s, samples.Guard(s))
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		g := samples.Guard(s)
		if isFormula(g) || g != s && g != "'"+s {
			t.Fatalf("%q becomes %q", s, g)
		}
	})
}

func TestJSONExportReadsBack(t *testing.T) {
	g := open(t, filepath.Join(t.TempDir(), "register.db"))
	in := add(t, g, 1, sampletest.Options{Facts: someFacts, Standard: "us-long"})
	var b bytes.Buffer
	second := add(t, g, 2, sampletest.Options{Kernels: 12})
	require.NoError(t, samples.WriteJSON(&b, g.Records(t.Context(), samples.Query{})))
	// What comes one by one is what an encoder makes of all of them.
	var whole bytes.Buffer
	e := json.NewEncoder(&whole)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	require.NoError(t, e.Encode([]*samples.Record{in, second}))
	assert.Equal(t, whole.String(), b.String())
	var out []*samples.Record
	require.NoError(t, json.Unmarshal(b.Bytes(), &out))
	require.Len(t, out, 2)
	assert.Equal(t, someFacts.Sheet, out[0].Facts.Sheet)
	var compact bytes.Buffer
	require.NoError(t, json.Compact(&compact, out[0].Result))
	assert.Equal(t, string(in.Result), compact.String())
	b.Reset()
	require.NoError(t, samples.WriteJSON(&b, g.Records(t.Context(), samples.Query{Last: 1})))
	require.NoError(t, json.Unmarshal(b.Bytes(), &out))
	require.Len(t, out, 1)
	assert.Equal(t, second.Code, out[0].Code)
	b.Reset()
	require.NoError(t, samples.WriteJSON(&b, g.Records(t.Context(), samples.Query{Lot: "none"})))
	assert.Equal(t, "[]\n", b.String())
}

// An export holds one record at a time, and ends when it is told to.
func TestJSONExportIsAStream(t *testing.T) {
	g := open(t, filepath.Join(t.TempDir(), "register.db"))
	const n = 300
	record := sampletest.Record(t, 1, sampletest.Options{Kernels: 100})
	for i := range n {
		r := *record
		r.Key = samples.Sum([]byte(fmt.Sprint(i)))
		_, err := g.Add(t.Context(), &r)
		require.NoError(t, err)
	}
	ctx, stop := context.WithCancel(t.Context())
	size := 0
	err := samples.WriteJSON(writerFunc(func(p []byte) (int, error) {
		if size += len(p); size > 2<<20 {
			stop()
		}
		return len(p), nil
	}), g.Records(ctx, samples.Query{}))
	require.ErrorIs(t, err, context.Canceled)
	assert.Greater(t, size, 2<<20)
	assert.Less(t, size, 2<<20+2*len(record.Result), "not more than the record that it was at")
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

func BenchmarkRegister(b *testing.B) {
	record, err := sampletest.Make(1, sampletest.Options{Kernels: 40})
	require.NoError(b, err)
	for _, n := range []int{250, 500, 1000, 2000} {
		where := filepath.Join(b.TempDir(), fmt.Sprintf("%d.db", n))
		g := open(b, where)
		for i := range n {
			r := *record
			r.Code, r.Pictures = "", []samples.Picture{record.Pictures[0]}
			r.Key = samples.Sum([]byte(fmt.Sprint(i)))
			r.Facts = samples.Facts{Lot: fmt.Sprintf("L-%d", i%50), Line: fmt.Sprint(i % 3)}
			if _, err := g.Add(b.Context(), &r); err != nil {
				b.Fatal(err)
			}
		}
		for _, job := range []struct {
			name string
			run  func() error
		}{
			{"list", func() error { _, err := g.List(b.Context(), samples.Query{}); return err }},
			{"find", func() error { _, err := g.List(b.Context(), samples.Query{Text: "l-17"}); return err }},
			{"trend", func() error {
				rows, err := g.List(b.Context(), samples.Query{})
				if err == nil {
					_, err = samples.TrendOf(rows, "line")
				}
				return err
			}},
			{"verify", func() error { _, err := g.Verify(b.Context(), "", nil); return err }},
		} {
			b.Run(fmt.Sprintf("%s/samples=%d", job.name, n), func(b *testing.B) {
				for b.Loop() {
					if err := job.run(); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*n), "µs/sample")
			})
		}
	}
}
