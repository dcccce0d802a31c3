package words

import (
	"cmp"
	_ "embed"
	"regexp"
	"slices"
	"strconv"
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

// A pattern finds a stored text, as it is written of one thing or of several, and
// what differs in it.
type pattern struct {
	key   string
	verbs []string // of the key: %s, or %d of a number that changes the words
	re    *regexp.Regexp
}

// patterns are those of stored, what holds most of its own letters first.
var patterns = sync.OnceValue(func() []pattern {
	var out []pattern
	verb, anything := regexp.MustCompile("%[sd]"), strings.NewReplacer("%s", "(.+)", "%d", `(\d+)`)
	for _, key := range stored() {
		// Of one thing too, older records have the words for several.
		texts := []string{key}
		if one := all()[0].messages[key]["one"]; one != "" {
			texts = append(texts, one)
		}
		for _, text := range texts {
			re := anything.Replace(regexp.QuoteMeta(strings.ReplaceAll(text, "%%", "%")))
			out = append(out, pattern{key, verb.FindAllString(strings.ReplaceAll(key, "%%", ""), -1), regexp.MustCompile("^" + re + "$")})
		}
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
		values := make([]any, len(m)-1)
		for i, text := range m[1:] {
			values[i] = w.Said(text)
			if p.verbs[i] == "%d" {
				values[i], _ = strconv.Atoi(text) // digits alone
			}
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
