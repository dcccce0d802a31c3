package samples_test

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/samples"
	"traytally/samples/internal/sampletest"
)

// On a file system without case the reports of such codes would be one file.
func TestCodesThatDifferByCaseAlone(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		for seed, code := range []string{"a1", "Straße-É", "s2026-0004"} {
			add(t, g, uint64(seed+1), sampletest.Options{Code: code})
		}
		for code, want := range map[string]string{
			"A1":              "the code A1 is a1 but for case",
			"STRASSE-É":       "the code STRASSE-É is Straße-É but for case",
			"Straße-E\u0301":  "is Straße-É but for case",
			"a1":              "the code a1 belongs to another sample",
			"strasse-e\u0301": "is Straße-É but for case",
			"S2026-0004":      "the code S2026-0004 is s2026-0004 but for case",
		} {
			_, err := g.Add(t.Context(), sampletest.Record(t, 9, sampletest.Options{Code: code}))
			wantError(t, err, samples.ErrCodeTaken, want)
		}
		assert.Equal(t, "S2026-0005", add(t, g, 4, sampletest.Options{}).Code, "a code given by the register is no exception")
	})
}

// Each sample has files of its own, and keeps them.
func TestFileNames(t *testing.T) {
	where := filepath.Join(t.TempDir(), "r.db")
	g := open(t, where)
	add(t, g, 1, sampletest.Options{Code: "Index"})
	add(t, g, 2, sampletest.Options{Code: "a1"})
	names, err := g.FileNames(t.Context())
	require.NoError(t, err)
	assert.Equal(t, map[string]string{"Index": "Index~2", "a1": "a1"}, names)

	// A register of an older version may have codes that differ by case alone.
	db, err := sql.Open("sqlite", where)
	require.NoError(t, err)
	defer db.Close()
	for _, code := range []string{"A1", "b", "index"} {
		_, err = db.Exec("INSERT INTO samples (code, key, registered) VALUES (?1, ?1, ?1)", code)
		require.NoError(t, err)
	}
	names, err = g.FileNames(t.Context())
	require.NoError(t, err)
	assert.Equal(t, map[string]string{"Index": "Index~2", "a1": "a1", "A1": "A1~2", "b": "b", "index": "index~3"}, names)
	for code := range names {
		assert.Error(t, samples.CheckCode(code+"~2"), "what makes names differ is in no code")
	}
}

// The fast way for ASCII gives what the general one gives.
func TestFoldName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[ -~]{0,20}`).Draw(t, "name")
		folded := samples.FoldName(s)
		assert.Equal(t, folded+"é", samples.FoldName(s+"É"))
		assert.Equal(t, folded, samples.FoldName(strings.ToUpper(s)))
	})
}
