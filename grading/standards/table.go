package standards

import "maps"

// A Table is a standard in a form to be printed or written as JSON.
type Table struct {
	Schema    string            `json:"schema"`
	Code      string            `json:"code"`
	Title     string            `json:"title"`
	Document  string            `json:"document"`
	Body      string            `json:"body"`
	Edition   string            `json:"edition"`
	Status    string            `json:"status"`
	Caution   string            `json:"caution"`
	Grades    []string          `json:"grades"` // best first
	BelowAll  string            `json:"below_all"`
	Reference string            `json:"reference_length"`
	Rounding  Rule              `json:"rounding"` // where a limit has no rule of its own
	OneDefect bool              `json:"one_defect_per_kernel"`
	Sizes     []TableSize       `json:"sizes"`
	Limits    []TableLimit      `json:"limits"`
	Reported  []string          `json:"reported_only"` // factors without a limit
	NotInFile []string          `json:"not_in_file"`
	Sources   map[string]Source `json:"sources"`
}

// A TableSize is a size class in one grade.
type TableSize struct {
	Grade      string  `json:"grade"`
	Name       string  `json:"name"`
	Whole      bool    `json:"whole"`
	Length     string  `json:"length"` // in words, fractions of the reference length
	ThroughMM  float64 `json:"through_mm"`
	HeldMM     float64 `json:"held_mm"`
	Ends       string  `json:"ends"`
	FromMemory bool    `json:"from_memory"`
}

// A TableLimit is one limit with all that belongs to it.
type TableLimit struct {
	Grade       string     `json:"grade"`
	Factor      string     `json:"factor"`
	Name        string     `json:"name"`
	Definition  string     `json:"definition"`
	Bound       Bound      `json:"bound"`
	Inclusive   bool       `json:"inclusive"`
	Value       float64    `json:"value"`
	Word        string     `json:"word"` // for basis words
	Unit        string     `json:"unit"`
	Basis       Basis      `json:"basis"`
	Clause      string     `json:"clause"`
	Rounding    Rule       `json:"rounding"`
	Source      string     `json:"source"`
	Mark        Mark       `json:"mark"` // read, restated, memory; empty for usage and contracts
	Picture     PictureUse `json:"picture"`
	PictureNote string     `json:"picture_note"`
	Sheet       string     `json:"sheet"`
}

// Table lays s out.
func (s *Standard) Table() Table {
	t := Table{
		Schema: "traytally.standard/2",
		Code:   s.Code, Title: s.Title, Document: s.Document, Body: s.Body, Edition: s.Edition, Status: s.Status,
		Caution: s.Caution, Grades: s.Grades, BelowAll: s.BelowAll, Reference: s.Reference.Text,
		Rounding: s.Rounding.rule(0), OneDefect: s.OneDefect(), Sizes: []TableSize{}, Limits: []TableLimit{}, Reported: []string{},
		NotInFile: append([]string{}, s.NotInFile...), Sources: map[string]Source{},
	}
	maps.Copy(t.Sources, s.Sources)
	for i := range s.Factors {
		if f := &s.Factors[i]; !f.HasLimit() {
			t.Reported = append(t.Reported, f.Code)
		}
	}
	for g, grade := range s.Grades {
		for _, p := range s.Ladder(g) {
			t.Sizes = append(t.Sizes, TableSize{
				Grade: grade, Name: p.Name, Whole: p.Whole, Length: p.Length.String(),
				ThroughMM: p.ThroughMM, HeldMM: p.HeldMM, Ends: p.Ends, FromMemory: p.FromMemory.In(grade),
			})
		}
		for _, l := range s.Limits(g) {
			row := TableLimit{
				Grade: grade, Factor: l.Factor.Code, Name: l.Factor.Name, Definition: l.Factor.Definition,
				Bound: l.Bound, Inclusive: l.Bound.Inclusive(), Value: l.Value, Unit: l.Unit, Basis: l.Basis,
				Clause: l.Clause, Rounding: l.Round, Source: l.Factor.Source, Mark: l.Mark,
				Picture: l.Factor.Picture, PictureNote: l.Factor.PictureNote, Sheet: l.Factor.Sheet,
			}
			if l.Basis == ByWords {
				row.Word = l.Factor.Words[int(l.Value)-1]
			}
			t.Limits = append(t.Limits, row)
		}
	}
	return t
}

// A Standing counts limits by their marks.
type Standing struct{ Read, Restated, Memory, Unmarked int }

// Standing counts the limits of s, one for each figure of each grade.
func (s *Standard) Standing() Standing {
	n := map[Mark]int{}
	for g := range s.Grades {
		for _, l := range s.Limits(g) {
			n[l.Mark]++
		}
	}
	return Standing{n[Read], n[Restated], n[FromMemory], n[Unmarked]}
}

// Standing counts the limits of the file; one that holds for several kinds of
// rice counts once.
func (e *Edition) Standing() Standing {
	return (&Standard{File: e.File, Factors: e.File.Factors}).Standing()
}
