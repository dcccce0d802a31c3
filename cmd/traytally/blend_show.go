package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"traytally/grading/mill"
)

func showBlend(w io.Writer, d *blendDocument) {
	b := d.Blend
	target := "the limits typed"
	if d.Grade != "" {
		target = fmt.Sprintf("%s, %s", d.Standard, d.Grade)
	}
	if !b.Feasible {
		fmt.Fprintf(w, "NO BLEND of these streams keeps %s.\n", plain(target))
		showConflicts(w, b)
		showNotPlanned(w, d.NotPlanned)
		return
	}
	fmt.Fprintf(w, "Blend for %s: %s kg\n\n", plain(target), strconv.FormatFloat(b.BatchKg, 'f', -1, 64))
	stock := slices.ContainsFunc(b.Streams, func(s mill.BlendStream) bool { return s.HaveKg != nil })
	header := table.Row{"Stream", "Share %", "kg", "Bears more kg", "Bears less kg"}
	if stock {
		header = append(header, "In stock kg")
	}
	t := newTable(w, header, 2, 3, 4, 5, 6)
	for _, s := range b.Streams {
		row := table.Row{shorten(s.Name, 24), number(s.SharePct, 2), number(s.MassKg, decimalsOf(b.StepKg)), "any", "any"}
		if s.MoreKg != nil {
			row[3] = kilograms(*s.MoreKg)
		}
		if s.LessKg != nil {
			row[4] = kilograms(*s.LessKg)
		}
		if s.MassKg == 0 {
			row[4] = ""
		}
		if s.HaveKg != nil {
			row = append(row, kilograms(*s.HaveKg))
		}
		t.AppendRow(row)
	}
	render(w, t)

	t = newTable(w, table.Row{"Limit", "Allowed", "Blend %", "95 % interval", "Guarded", "Risk"}, 3, 4, 5, 6)
	var binding, notes []string
	for i := range b.Lines {
		l := &b.Lines[i]
		risk := "-"
		if l.BeyondPct != nil {
			risk = beyondText(*l.BeyondPct)
		}
		t.AppendRow(table.Row{shorten(l.Label, 24), fmt.Sprintf("%s %g", boundWord(l.Bound()), l.Value), number(l.Blend.Value, 2), ends(l.Blend, 2), number(l.Guarded, 2), risk})
		if l.Binding {
			binding = append(binding, l.Limit.String())
		}
		if l.Note != "" {
			notes = append(notes, l.Label+": "+l.Note)
		}
	}
	render(w, t)

	most := fmt.Sprintf("The blend with most %s", className(b.Maximise))
	if b.Maximise == mill.ByGain {
		most = "The blend that gains most"
	}
	for _, s := range b.Streams {
		if s.HaveKg != nil && s.MassKg > *s.HaveKg-1e-3 {
			binding = append(binding, "the stock of "+s.Name)
		}
	}
	if len(binding) > 0 {
		most += "; it goes as far as these limits let it: " + strings.Join(binding, "; ")
	} else {
		most += "; no limit stops it"
	}
	paragraph(w, plain(most)+".")
	if b.WorthPerKg != nil {
		s := fmt.Sprintf("Its streams would bring %s per kg by themselves", number(*b.WorthPerKg, 4))
		if b.GainPerKg != nil {
			what, gain := "gains", *b.GainPerKg
			if gain < 0 {
				what, gain = "LOSES", -gain
			}
			s += fmt.Sprintf("; at the price given the blend %s %s per kg, %s on the batch", what, number(gain, 4), number(gain*b.BatchKg, 2))
		}
		paragraph(w, s+".")
	}
	if b.Guard > 0 {
		paragraph(w, fmt.Sprintf("Guard: every limit is kept with %s standard uncertainties to spare, the samples' doubt and dosing to ± %g %% counted (Guarded). Risk is the chance that the blend is beyond the limit all the same.", number(b.Guard, 3), b.DosingPct))
	} else {
		paragraph(w, "No guard: a blend at its limit is beyond it in half of all cases. Risk is the chance of that.")
	}
	paragraph(w, "\"Bears more\" and \"bears less\" tell by how much one stream alone may run over or short until the blend's own figures, without guard, reach a limit.")
	for _, n := range notes {
		paragraph(w, plain(n)+".")
	}
	showNotPlanned(w, d.NotPlanned)
	fmt.Fprintln(w)
	paragraph(w, "Grade a sample of the finished blend before it is sold: streams are never mixed as evenly as figures are. "+caution)
}

func showConflicts(w io.Writer, b *mill.Blend) {
	if !b.Single {
		fmt.Fprintln(w, "These cannot hold together, though any one fewer could:")
	}
	fmt.Fprintln(w)
	header := table.Row{"Forbidden by", "Best reached", "With guard"}
	if !b.Single {
		header[1] = "With the others kept"
	}
	t := newTable(w, header, 2, 3)
	guardOnly, byFigures := false, false
	for _, c := range b.Conflicts {
		row := table.Row{text.WrapSoft(plain(c.What), 44), "", ""}
		if c.Best != nil {
			row[1], row[2] = number(*c.Best, 2)+" "+c.Unit, number(*c.BestGuarded, 2)+" "+c.Unit
			// The guard moves a figure towards its limit, and here over it.
			if (*c.Best-*c.Limit)*(*c.BestGuarded-*c.Limit) < 0 {
				guardOnly = true
			} else {
				byFigures = true
			}
		}
		t.AppendRow(row)
	}
	render(w, t)
	if b.Single && guardOnly {
		what := "The figures alone would keep it, only the guard would not: "
		if byFigures || len(b.Conflicts) > 1 {
			what = "Where the best figure is within the limit, only the guard forbids it: "
		}
		paragraph(w, what+"more rice in the samples narrows it; --guard takes a greater risk; --leave-out leaves a limit to the finished blend.")
	}
	if byFigures || !b.Single {
		paragraph(w, "Add a better stream, or ask for another grade.")
	}
	fmt.Fprintln(w)
}

func showNotPlanned(w io.Writer, not []mill.NotPlanned) {
	if len(not) == 0 {
		return
	}
	fmt.Fprintln(w, "Not planned for; judge the blend itself:")
	for _, n := range not {
		item(w, n.What, n.Why)
	}
}

// decimalsOf returns how many decimals multiples of a power of ten have.
func decimalsOf(step float64) int { return max(0, -int(math.Round(math.Log10(step)))) }

// kilograms writes a mass in kg with decimals to its size.
func kilograms(v float64) string {
	if v >= 999.95 {
		return number(v, 0)
	}
	return number(v, 1)
}

// shorten cuts s to at most n characters.
func shorten(s string, n int) string {
	r := []rune(plain(s))
	if len(r) <= n {
		return string(r)
	}
	return strings.TrimRight(string(r[:n-1]), " ,") + "…"
}

// beyondText writes a chance in percent.
func beyondText(p float64) string {
	switch {
	case p < 0.05:
		return "<0.1 %"
	case p > 99.95:
		return ">99.9 %"
	}
	return number(p, 1) + " %"
}
