package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/jedib0t/go-pretty/v6/table"

	"traytally/grading/mill"
)

// A runFigure is a figure of one run of a machine or a mill, percent.
type runFigure struct {
	Code string `json:"code"`
	Name string `json:"name"`
	// One of the two, as the document has it.
	Value    *mill.Figure `json:"value"`
	ValuePct *mill.Figure `json:"value_pct"`
	Unit     string       `json:"unit"`
}

// A runDifference is how a figure differs from that of an earlier run.
type runDifference struct {
	Code       string      `json:"code"`
	Name       string      `json:"name"`
	Now        mill.Figure `json:"now"`
	Then       mill.Figure `json:"then"`
	Difference mill.Figure `json:"difference_points"`
	// Verdict is "more", "less" or "not_proven" by the difference's interval.
	Verdict string `json:"verdict"`
}

// against compares figures in percent with those of the JSON that an earlier
// run of the same command wrote: shift against shift. Without a path it has none.
func against(path, schema string, now []runFigure) ([]runDifference, error) {
	if path == "" {
		return nil, nil
	}
	data, err := readFile(path, 1<<20)
	if err != nil {
		return nil, err
	}
	var doc struct {
		Schema  string      `json:"schema"`
		Ratios  []runFigure `json:"ratios"`
		Figures []runFigure `json:"figures"`
	}
	if json.Unmarshal(data, &doc) != nil || doc.Schema != schema {
		return nil, inputError(path, "is no result of the same command ("+schema+")", "give what an earlier run wrote with --json FILE")
	}
	then := map[string]mill.Figure{}
	for _, f := range append(doc.Ratios, doc.Figures...) {
		switch {
		case f.ValuePct != nil:
			then[f.Code] = *f.ValuePct
		case f.Value != nil && f.Unit == "%":
			then[f.Code] = *f.Value
		}
	}
	out := []runDifference{}
	for _, f := range now {
		if old, ok := then[f.Code]; ok && f.Value != nil {
			d := runDifference{f.Code, f.Name, *f.Value, old, mill.Difference(*f.Value, old), "not_proven"}
			switch {
			case d.Difference.Bare:
			case d.Difference.Low > 0:
				d.Verdict = "more"
			case d.Difference.High < 0:
				d.Verdict = "less"
			}
			out = append(out, d)
		}
	}
	if len(out) == 0 {
		return nil, inputError(path, "has none of this run's figures", "compare runs with the same weighings and samples")
	}
	return out, nil
}

// showAgainst prints the differences, if there are any, the first two in words.
func showAgainst(w io.Writer, path string, ds []runDifference) {
	if len(ds) == 0 {
		return
	}
	for _, d := range ds[:min(2, len(ds))] {
		told := "which chance can make"
		if d.Verdict != "not_proven" {
			told = "more than chance explains"
		}
		paragraph(w, plain(fmt.Sprintf("%s: %s points against %s (%s), %s.", d.Name, signed(d.Difference.Value, 2), path, ends(d.Difference, 2), told)))
	}
	fmt.Fprintln(w)
	t := newTable(w, table.Row{"Against the earlier run", "Then %", "Now %", "Points", "95 % interval"}, 2, 3, 4, 5)
	for _, d := range ds {
		t.AppendRow(table.Row{d.Name, number(d.Then.Value, 2), number(d.Now.Value, 2), signed(d.Difference.Value, 2), ends(d.Difference, 2)})
	}
	render(w, t)
}
