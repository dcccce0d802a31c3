package samples

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// FoldName returns a name as a file system sees it that has no case and keeps
// no apart how letters with marks are composed: two names that fold to the
// same may be one file there.
func FoldName(name string) string {
	if !strings.ContainsFunc(name, func(r rune) bool { return r >= utf8.RuneSelf }) {
		return strings.ToLower(name) // as the rest would, ten times as fast
	}
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(name)))
}

// codes returns all codes that samples have or had: those by which they were
// registered, in that order, and then those given later.
func (g *Register) codes(ctx context.Context, q querier) ([]string, error) {
	codes, err := g.texts(ctx, q, "SELECT code FROM samples ORDER BY id")
	if err != nil {
		return nil, err
	}
	given, err := g.given(ctx, q)
	for _, c := range given {
		codes = append(codes, c.code)
	}
	return codes, err
}

// A given is a code that was given to a sample after it was registered.
type given struct{ code, registeredAs string }

func (g *Register) given(ctx context.Context, q querier) (out []given, err error) {
	err = g.each(ctx, q, `SELECT r.row, a.code FROM audit a JOIN samples s ON s.code = a.code JOIN revisions r ON r.sample = s.id AND r.revision = a.revision
WHERE a.action = ? ORDER BY a.seq`, []any{ActionRename}, func(rows *sql.Rows) error {
		var r Row
		var registeredAs string
		err := scanRow(rows, &r, &registeredAs)
		out = append(out, given{r.Code, registeredAs})
		return err
	})
	return out, err
}

// registeredAs returns the code by which the sample that has or had this one was
// registered, or the same where there is no such sample.
func (g *Register) registeredAs(ctx context.Context, q querier, code string) (string, error) {
	if has, err := g.has(ctx, q, code); has || err != nil || code == "" {
		return code, err
	}
	given, err := g.given(ctx, q)
	for _, c := range given {
		if c.code == code {
			return c.registeredAs, nil
		}
	}
	return code, err
}

func (g *Register) has(ctx context.Context, q querier, code string) (bool, error) {
	there, err := g.texts(ctx, q, "SELECT code FROM samples WHERE code = ?", code)
	return len(there) > 0, err
}

// FileNames returns, by code, the names of the files that samples have to
// themselves, without an ending: the code, and with a tilde and a number where
// that is the name of a page over all samples, or of an earlier sample on a
// file system without case. A name stays as it is whatever is registered later.
func (g *Register) FileNames(ctx context.Context) (map[string]string, error) {
	codes, err := g.codes(ctx, g.db)
	if err != nil {
		return nil, g.fault(err)
	}
	names, taken := map[string]string{}, map[string]bool{"index": true}
	for _, code := range codes {
		if names[code] != "" { // given, taken back and given again
			continue
		}
		name := code
		for n := 2; taken[FoldName(name)]; n++ {
			name = fmt.Sprintf("%s~%d", code, n) // no code has a tilde
		}
		taken[FoldName(name)] = true
		names[code] = name
	}
	return names, nil
}
