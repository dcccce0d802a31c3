package words

import (
	"cmp"
	_ "embed"
	"regexp"
	"slices"
	"strings"
	"sync"
)

//go:embed stored.txt
var storedText string

// stored are the texts that the program writes into records.
var stored = sync.OnceValue(func() (keys []string) {
	for line := range strings.Lines(storedText) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			keys = append(keys, line)
		}
	}
	return keys
})

// A pattern finds a stored text and what differs in it.
type pattern struct {
	key string
	re  *regexp.Regexp
}

// patterns are those of stored, what holds most of its own letters first.
var patterns = sync.OnceValue(func() []pattern {
	var out []pattern
	for _, key := range stored() {
		re := strings.ReplaceAll(regexp.QuoteMeta(strings.ReplaceAll(key, "%%", "%")), "%s", "(.+)")
		out = append(out, pattern{key, regexp.MustCompile("^" + re + "$")})
	}
	slices.SortStableFunc(out, func(a, b pattern) int { return cmp.Compare(len(b.key), len(a.key)) })
	return out
})

var decimal = regexp.MustCompile(`^-?\d+\.\d+$`)

// Said returns what the program wrote into a record in English, in the language
// of w; what it does not know, like the words of a contract, stays as it is. Parts
// between semicolons are looked up one by one.
func (w *Words) Said(english string) string {
	if w = w.orEnglish(); w == all()[0] || english == "" {
		return english
	}
	if decimal.MatchString(english) {
		return strings.Replace(english, ".", w.point, 1)
	}
	for _, p := range patterns() {
		m := p.re.FindStringSubmatch(english)
		if m == nil {
			continue
		}
		var values []any
		for _, v := range m[1:] {
			values = append(values, w.Said(v))
		}
		return w.T(p.key, values...)
	}
	if parts := strings.Split(english, "; "); len(parts) > 1 {
		for i := range parts {
			parts[i] = w.Said(parts[i])
		}
		return strings.Join(parts, "; ")
	}
	return english
}
