package samples

import (
	"context"
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

// codes returns the codes of all samples in the order of their registration.
func (g *Register) codes(ctx context.Context, q querier) (codes []string, err error) {
	rows, err := q.QueryContext(ctx, "SELECT code FROM samples ORDER BY id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var code string
		if err := rows.Scan(&code); err != nil {
			return nil, err
		}
		codes = append(codes, code)
	}
	return codes, rows.Err()
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
		name := code
		for n := 2; taken[FoldName(name)]; n++ {
			name = fmt.Sprintf("%s~%d", code, n) // no code has a tilde
		}
		taken[FoldName(name)] = true
		names[code] = name
	}
	return names, nil
}
