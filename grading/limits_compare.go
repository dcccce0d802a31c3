package grading

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"traytally/grading/standards"
)

// A Comparison is one definition of broken applied to a sample.
type Comparison struct {
	// Definition is what counts as broken, in words: "under 0.75 of the
	// whole-kernel length".
	Definition string `json:"definition"`
	// Standards lists the codes that define it so, with their grades where the
	// definition moves with the grade.
	Standards  []string `json:"standards"`
	FromMemory bool     `json:"from_memory"` // none of them was read in a text
	// MassPct is null where the definition cannot be applied; Why says why.
	MassPct *Estimate `json:"mass_pct"`
	Found   int       `json:"found"`
	Why     string    `json:"why,omitempty"`

	cut float64
}

// Compare applies every definition of broken among the standards to the same
// kernels, the strictest view of a whole kernel last.
func Compare(s *Sample, stds []*standards.Standard) ([]Comparison, error) {
	var out []Comparison
	rows := map[string]int{}
	for _, std := range stds {
		a, err := newAssessor(s, std, nil)
		if err != nil {
			return nil, err
		}
		f := std.Broken()
		grades := map[string][]string{}
		var order []string
		for g, name := range std.Grades {
			parts := std.PartsOf(f, g)
			text, cut := definition(parts)
			if _, ok := grades[text]; !ok {
				order = append(order, text)
			}
			grades[text] = append(grades[text], name)
			memory := std.DefinitionMark(f, g) == standards.FromMemory
			if i, ok := rows[text]; ok {
				out[i].FromMemory = out[i].FromMemory && memory
				continue
			}
			c := Comparison{Definition: text, FromMemory: memory, cut: cut}
			if fig := a.figure(f, g); fig.known {
				e := Estimate{round(fig.estimate.Value, 4), round(fig.estimate.Low, 4), round(fig.estimate.High, 4)}
				c.MassPct, c.Found = &e, fig.share.Found
			} else {
				c.Why = fig.why
			}
			rows[text] = len(out)
			out = append(out, c)
		}
		for _, text := range order {
			label := std.Code
			if len(order) > 1 {
				label += " (" + strings.Join(grades[text], ", ") + ")"
			}
			i := rows[text]
			out[i].Standards = append(out[i].Standards, label)
		}
	}
	slices.SortStableFunc(out, func(a, b Comparison) int {
		return cmp.Or(cmp.Compare(a.cut, b.cut), cmp.Compare(a.Definition, b.Definition))
	})
	return out, nil
}

// definition puts the size classes that make up broken into words. cut is the
// length fraction from which a piece is no longer broken, 1 where that goes by
// the ends.
func definition(parts []standards.Part) (text string, cut float64) {
	iv := standards.Interval{Lo: math.Inf(1), Hi: math.Inf(-1)}
	var held []string
	through := map[float64]bool{}
	byEnds := 0.0
	for _, p := range parts {
		if p.Ends != "" {
			byEnds = p.Length.Lo
			continue
		}
		if p.Length.Lo < iv.Lo {
			iv.Lo, iv.LoIncluded = p.Length.Lo, p.Length.LoIncluded
		}
		if p.Length.Hi > iv.Hi {
			iv.Hi, iv.HiIncluded = p.Length.Hi, p.Length.HiIncluded
		}
		through[p.ThroughMM] = true
	}
	for _, p := range parts {
		// What a sieve holds and what it passes together need no sieve.
		if mm := standards.FormatNumber(p.HeldMM); p.HeldMM > 0 && !through[p.HeldMM] && !slices.Contains(held, mm) {
			held = append(held, mm)
		}
	}
	text = iv.String() + " of the whole-kernel length"
	cut = iv.Hi
	if byEnds > 0 {
		text, cut = fmt.Sprintf("an end broken off, or under %s of the whole-kernel length", standards.FormatNumber(byEnds)), 1
	}
	if len(held) > 0 {
		text += ", held on " + strings.Join(held, " and ") + " mm"
	}
	return text, cut
}
