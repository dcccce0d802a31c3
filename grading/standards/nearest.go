package standards

import (
	"cmp"
	"slices"
	"strings"
)

// Nearest returns up to three of the names that look like what was typed,
// nearest first: few changed letters, one contained in the other, or every
// hyphenated part of what was typed in the name.
func Nearest(typed string, names []string) []string {
	typed = strings.ToLower(strings.TrimSpace(typed))
	if typed == "" {
		return nil
	}
	most := max(1, len(typed)/3)
	if len(typed) >= 4 {
		most = max(2, most) // two letters swapped
	}
	type candidate struct {
		name string
		dist int
	}
	var found []candidate
	for _, n := range names {
		low := strings.ToLower(n)
		d := editDistance(typed, low)
		if strings.HasPrefix(low, typed) || strings.Contains(typed, low) {
			d = min(d, 1)
		}
		if strings.Contains(typed, "-") && !slices.ContainsFunc(strings.Split(typed, "-"), func(part string) bool { return !strings.Contains(low, part) }) {
			d = min(d, 2)
		}
		if d <= most {
			found = append(found, candidate{n, d})
		}
	}
	slices.SortStableFunc(found, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.dist, b.dist), cmp.Compare(a.name, b.name))
	})
	var out []string
	for _, c := range found[:min(3, len(found))] {
		out = append(out, c.name)
	}
	return out
}

// DidYouMean is the way out of a slip in a name: the names that look like it, else
// what is said otherwise.
func DidYouMean(typed string, names []string, otherwise string) string {
	if near := Nearest(typed, names); len(near) > 0 {
		return "did you mean " + strings.Join(near, ", ") + "?"
	}
	return otherwise
}

// editDistance is the Levenshtein distance in runes: the least number of
// letters to insert, delete or change.
func editDistance(a, b string) int {
	s, t := []rune(a), []rune(b)
	row := make([]int, len(t)+1)
	for j := range row {
		row[j] = j
	}
	for i, x := range s {
		diagonal := row[0]
		row[0] = i + 1
		for j, y := range t {
			change := diagonal
			if x != y {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, diagonal+1)
		}
	}
	return row[len(t)]
}
