package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"traytally/grading"
	"traytally/vision/kernel"
)

// caution goes with every result.
const caution = "A screening aid from a picture. The official grade belongs to a licensed inspector and the rules of the place."

// beyondPictures is what no picture shows.
var beyondPictures = []string{"moisture", "odour", "live insects"}

// summary prints a result for people.
func summary(w io.Writer, r *grading.Result, out string) {
	names := make([]string, len(r.Pictures))
	small, pieces := 0, 0
	for i, p := range r.Pictures {
		names[i] = plain(p.Picture)
		small += p.TooSmall
		pieces += p.Kernels
	}
	fmt.Fprintf(w, "%s: %s\n\n", sampleName(r), count(pieces, "kernel", "kernels"))

	figures := newTable(w, nil)
	if !r.Reference.Told() {
		paragraph(w, "Whole against broken is not told: no whole-kernel length can be found in this sample. What follows goes by the tips alone: a piece with a fracture at an end is broken. Give the length with --whole-length, or a picture of picked whole kernels with --whole-from.")
		fmt.Fprintln(w)
	}
	figures.AppendRow(table.Row{"Broken by mass", shareText(r.Broken.MassPct)})
	figures.AppendRow(table.Row{"  by count", shareText(r.Broken.CountPct)})
	if n := r.Broken.Untold; n > 0 {
		figures.AppendRow(table.Row{"  not told", count(n, "piece", "pieces") + ", in the interval both ways"})
	}
	if o := r.Broken.Other; o != nil {
		figures.AppendRow(table.Row{"  by mass, " + string(o.Measure) + " length", shareText(o.MassPct)})
	}
	if t := r.TradeClass; t != nil && r.Grade == nil {
		figures.AppendRow(table.Row{"Trade class", tradeText(t)})
	}
	render(w, figures)

	facts := newTable(w, nil)
	left := []string{fmt.Sprintf("%d cut by the edge", r.CutByEdge), unresolved(r)}
	if small > 0 {
		left = append(left, count(small, "speck too small", "specks too small"))
	}
	facts.AppendRow(table.Row{"Left out", strings.Join(left, ", ")})
	facts.AppendRow(table.Row{"Scale", scaleText(r)})
	facts.AppendRow(table.Row{"Whole kernel", lengthText(r)})
	if !r.Reference.Told() {
		facts.AppendRow(table.Row{"Lengths", lengthsText(r)})
	}
	render(w, facts)

	shares := newTable(w, table.Row{"Class", "Length", "Found", "Mass %", "95 % interval", "Count %"}, 3, 4, 5, 6)
	kind := ""
	for _, s := range r.Shares {
		if kind != "" && s.Kind != kind {
			shares.AppendSeparator()
		}
		kind = s.Kind
		shares.AppendRow(table.Row{
			className(s.Name), classLength(s.Name, r.Params), s.Found,
			percent(s.MassPct.Value), interval(s.MassPct), percent(s.CountPct.Value),
		})
	}
	render(w, shares)

	if len(names) > 1 {
		pictures := newTable(w, table.Row{"Picture", "Kernels", "Cut by edge", "Not taken apart", "Too small"}, 2, 3, 4, 5)
		for i, p := range r.Pictures {
			pictures.AppendRow(table.Row{names[i], p.Kernels, p.CutByEdge, p.Unresolved, p.TooSmall})
		}
		render(w, pictures)
	}

	if r.Grade != nil {
		showGrade(w, r.Grade)
	} else {
		paragraph(w, "Not assessed: "+strings.Join(notAssessed(r), ", ")+".")
	}
	if out != "" {
		paragraph(w, "Evidence: "+plain(out)+" (overlays, kernels.csv, result.json; gallery.png where kernels are flagged).")
	}
	paragraph(w, caution)
}

// brief prints the five lines of a result that matter: what was seen, the broken
// share, the outcome, the doubts and the caution.
func brief(w io.Writer, r *grading.Result) {
	say := func(s string) { fmt.Fprintln(w, text.Snip(plain(s), 80, "…")) }
	pieces := 0
	for _, p := range r.Pictures {
		pieces += p.Kernels
	}
	seen := fmt.Sprintf(": %s, %s not taken apart, %d cut by the edge", count(pieces, "kernel", "kernels"), count(r.Unresolved.Clusters, "group", "groups"), r.CutByEdge)
	say(text.Snip(sampleName(r), 80-utf8.RuneCountInString(seen), "…") + seen)
	mass := "Broken by mass " + strings.Replace(shareText(r.Broken.MassPct), "   ", ", ", 1)
	if !r.Reference.Told() {
		mass += ", by the tips alone"
	}
	say(mass)
	outcome := "No outcome: whole against broken is not told"
	switch {
	case r.Grade != nil:
		outcome = upperFirst(r.Grade.Headline())
		if r.NotProven() {
			outcome += ", not proven"
		}
	case r.TradeClass != nil:
		outcome, _, _ = strings.Cut(tradeText(r.TradeClass), "\n")
	}
	say(outcome)
	n := len(r.Warnings)
	if r.Reference.Unit != "mm" {
		n++ // no scale, which is told as one
	}
	if n > 0 {
		say(count(n, "warning", "warnings") + ", told below")
	} else {
		say("No warning")
	}
	say("A screening aid from a picture; the official grade is an inspector's.")
}

// newTable returns a table without frame whose headers, if any, stay as written;
// right are the columns, counted from 1, that are aligned to the right.
func newTable(w io.Writer, header table.Row, right ...int) table.Writer {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	s := table.StyleLight
	s.Format.Header = text.FormatDefault
	s.Options.DrawBorder = false
	s.Options.SeparateColumns = false
	s.Box.PaddingLeft, s.Box.PaddingRight = "  ", ""
	t.SetStyle(s)
	t.SuppressTrailingSpaces()
	if header != nil {
		t.AppendHeader(header)
	}
	var c []table.ColumnConfig
	for _, n := range right {
		c = append(c, table.ColumnConfig{Number: n, Align: text.AlignRight, AlignHeader: text.AlignRight})
	}
	t.SetColumnConfigs(c)
	return t
}

// render prints a table and an empty line.
func render(w io.Writer, t table.Writer) {
	t.Render()
	fmt.Fprintln(w)
}

func unresolved(r *grading.Result) string {
	s := count(r.Unresolved.Clusters, "group", "groups") + " not taken apart"
	if r.Unresolved.Clusters > 0 {
		s += fmt.Sprintf(" (%.1f %% of the rice)", 100*r.Unresolved.AreaShare)
	}
	return s
}

func scaleText(r *grading.Result) string {
	if r.Reference.Unit != "mm" {
		return "none: lengths in pixels, nothing in millimetres"
	}
	if r.PxPerMM == 0 {
		return "differs by picture"
	}
	s := strconv.FormatFloat(r.PxPerMM, 'f', 3, 64) + " px/mm"
	source := r.Pictures[0].ScaleSource
	for _, p := range r.Pictures {
		if p.ScaleSource != source {
			source = "sources differ by picture"
		}
	}
	if source != "" {
		s += ", " + source
	}
	return s
}

func lengthText(r *grading.Result) string {
	ref := &r.Reference
	decimals := 3
	if ref.Unit == "px" {
		decimals = 1
	}
	s := fmt.Sprintf("%.*f %s ± %.*f (standard error)", decimals, ref.Length, ref.Unit, decimals, ref.SE)
	switch ref.Method {
	case grading.NotTold:
		return "not told"
	case grading.FromStated:
		return fmt.Sprintf("%.3f mm, as stated", ref.Length)
	case grading.FromPicked:
		return s + fmt.Sprintf(", %.0f picked kernels", ref.N)
	}
	return s + fmt.Sprintf(", about %.0f unbroken kernels", ref.N)
}

// lengthsText gives the range and the middle of the lengths of the rice.
func lengthsText(r *grading.Result) string {
	var l []float64
	for i := range r.Kernels {
		if k := &r.Kernels[i]; k.Class != grading.ForeignBody {
			l = append(l, k.Length())
		}
	}
	slices.Sort(l)
	return fmt.Sprintf("%.2f to %.2f %s, half of them under %.2f", l[0], l[len(l)-1], r.Reference.Unit, l[len(l)/2])
}

func percent(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func interval(i grading.Interval) string {
	if i.Value == 0 {
		return "at most " + percent(i.High)
	}
	return percent(i.Low) + " to " + percent(i.High)
}

func shareText(i grading.Interval) string {
	if i.Value == 0 {
		return fmt.Sprintf("none found; at most %s %% (95 %%)", percent(i.High))
	}
	return fmt.Sprintf("%s %%   95 %% interval %s %%", percent(i.Value), interval(i))
}

// tradeText names the trade class and says what decides it.
func tradeText(t *grading.TradeClass) string {
	s := t.Name
	limit := t.LimitPct
	if limit == nil {
		limit = t.NextBetterPct
	}
	switch {
	case limit == nil:
	case t.Verdict == grading.Meets:
		s += fmt.Sprintf(", proven: the whole interval is within %g %%", *limit)
	case t.Verdict == grading.Exceeds:
		s += fmt.Sprintf(", proven: the whole interval is over %g %%", *limit)
	default:
		s += fmt.Sprintf(", not proven: %g %% lies inside the interval", *limit)
	}
	if t.NextBetterPct != nil && t.LimitPct != nil {
		s += fmt.Sprintf("\n%s points over %g %%", percent(t.DistancePoints), *t.NextBetterPct)
	}
	return s
}

func className(s string) string {
	switch s {
	case string(grading.ForeignBody):
		return "not rice"
	case string(kernel.Odd):
		return "odd, unnamed"
	}
	return strings.ReplaceAll(s, "_", " ")
}

// classLength says which lengths belong to a class, as parts of a whole kernel.
func classLength(name string, p grading.Params) string {
	cut := fraction(p.Cut)
	switch grading.Class(name) {
	case grading.Head:
		return cut + " and longer"
	case grading.LargeBroken:
		return "1/2 to " + cut
	case grading.MediumBroken:
		return "1/4 to 1/2"
	case grading.SmallBroken:
		return "up to 1/4"
	case grading.Chip:
		return fmt.Sprintf("up to 1/4, under %g mm", p.ChipHoleMM)
	}
	return ""
}

func fraction(f float64) string {
	usual := map[float64]string{0.75: "3/4", 0.8: "4/5", 0.5: "1/2"}
	return cmp.Or(usual[f], strconv.FormatFloat(f, 'g', -1, 64))
}

func notAssessed(r *grading.Result) []string {
	out := append([]string{}, beyondPictures...)
	for _, n := range r.NotAssessed {
		out = append(out, className(n.What))
	}
	if r.Reference.Unit != "mm" {
		out = append(out, "lengths in millimetres")
	}
	return out
}

// paragraph prints text in lines of at most 79 characters; a longer word has a
// line to itself.
func paragraph(w io.Writer, s string) {
	line := ""
	for _, word := range strings.Fields(s) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > 79:
			fmt.Fprintln(w, line)
			line = word
		default:
			line += " " + word
		}
	}
	fmt.Fprintln(w, line)
}

// tellWarnings says the doubts about a result, with what was measured.
func tellWarnings(u *ui, r *grading.Result) {
	if r.Reference.Unit != "mm" {
		u.warn("no scale: lengths are in pixels, and what needs millimetres is not assessed",
			"give the resolution, for example --dpi 300")
	}
	for _, w := range r.Warnings {
		u.warn(warningText(w), w.Hint)
	}
}

// warningText says a doubt, its picture and what was measured.
func warningText(w grading.Warning) string {
	s := strings.TrimSuffix(w.Text, ".")
	if w.Picture != "" {
		s = w.Picture + ": " + s
	}
	if w.Metric != "" {
		s += fmt.Sprintf(" (%s: %.3g", w.Metric, w.Value)
		if w.Limit != 0 {
			s += fmt.Sprintf(", limit %.3g", w.Limit)
		}
		s += ")"
	}
	return s
}
