package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"traytally/grading/standards"
)

func newStandardsShowCommand(u *ui) *cobra.Command {
	var flags standardFlags
	var to output
	cmd := newCommand("standards show", atMostOne("standard", "see 'traytally standards list'"), func(ctx context.Context, args []string) error {
		if len(args) == 1 {
			flags.standard = args[0]
		}
		if !flags.given() {
			return usageError("no standard given", "name one, for example: traytally standards show us-long")
		}
		std, _, err := flags.limits()
		if err != nil {
			return err
		}
		to.quiet = to.json != ""
		return u.answer(ctx, to, std.Table(), func(w io.Writer) { showStandard(w, std) })
	})
	f := cmd.Flags()
	f.StringVar(&flags.contract, "contract", "", "show the contract in `FILE`")
	to.addJSON(f)
	return cmd
}

// gradeWidth is the width to which the names of grades are broken into lines, so
// that a table of six fits the 80 columns of a terminal.
const gradeWidth = 7

// showLimits prints a table of the limits of some grades, in halves where it would
// be wider than a terminal.
func showLimits(w io.Writer, s *standards.Standard, grades []int, marks *markSet) {
	var b bytes.Buffer
	header := table.Row{"Factor", "Limit"}
	var limits []int
	for i, g := range grades {
		header, limits = append(header, strings.Join(wrapped(s.Grades[g], gradeWidth), "\n")), append(limits, 3+i)
	}
	t := newTable(&b, header, limits...)
	for i := range s.Factors {
		f := &s.Factors[i]
		if !f.HasLimit() {
			continue
		}
		row := table.Row{f.Code, ""}
		var bounds []string
		for _, g := range grades {
			cell := ""
			for _, l := range s.Limits(g) {
				if l.Factor.Code != f.Code {
					continue
				}
				if !slices.Contains(bounds, boundWord(l.Bound)) {
					bounds = append(bounds, boundWord(l.Bound))
				}
				if cell != "" {
					cell += " / "
				}
				cell += limitCell(l)
				marks.add(l.Mark)
			}
			row = append(row, cell)
		}
		row[1] = join(" ", strings.Join(bounds, "/"), f.Basis.Unit())
		if f.Basis == standards.ByWords {
			row[1] = "worst step"
		}
		if len(bounds) > 0 {
			t.AppendRow(row)
		}
	}
	t.Render()
	if n := len(grades); n > 1 && text.LongestLineLen(b.String()) > 80 {
		showLimits(w, s, grades[:(n+1)/2], marks)
		fmt.Fprintln(w)
		showLimits(w, s, grades[(n+1)/2:], marks)
		return
	}
	w.Write(b.Bytes())
}

func showStandard(w io.Writer, s *standards.Standard) {
	paragraph(w, fmt.Sprintf("%s (%s)", plain(s.Title), s.Code))
	paragraph(w, plain(join(", ", s.Document, s.Body, s.Edition)))
	fmt.Fprintf(w, "Limits: %s.\n\n", standingText(s))

	var marks markSet
	every := make([]int, len(s.Grades))
	for i := range every {
		every[i] = i
	}
	showLimits(w, s, every, &marks)
	fmt.Fprintln(w)
	if len(marks) > 0 {
		marks.explain(w)
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w, "What a picture does")
	for _, use := range pictureUses {
		if names := limitedBy(s, use.use); len(names) > 0 {
			item(w, use.heads, strings.Join(names, "; "))
		}
	}
	fmt.Fprintln(w)
	fmt.Fprintf(w, "A lot that meets no grade: %s\n\n", plain(s.BelowAll))

	fmt.Fprintln(w, "What counts")
	for i := range s.Factors {
		f := &s.Factors[i]
		item(w, f.Code, factorText(f))
	}
	fmt.Fprintln(w, "\nSizes, as parts of the reference length")
	showSizes(w, s)
	fmt.Fprintln(w)
	item(w, "Reference length", s.Reference.Text)
	if s.OneDefect() {
		item(w, "Several defects", "a kernel counts for the one with the lowest limit")
	}
	for _, n := range s.NotInFile {
		item(w, "Not held here", n)
	}
	fmt.Fprintln(w, "\nSources")
	for _, k := range slices.Sorted(maps.Keys(s.Sources)) {
		src := s.Sources[k]
		item(w, k, join("; ", join(", ", src.Title, src.Year), seenText[src.Seen], src.Note))
	}
	if s.Caution != "" {
		fmt.Fprintln(w)
		paragraph(w, plain(s.Caution))
	}
	fmt.Fprintln(w)
	paragraph(w, "Grade by it: traytally grade PICTURE... --standard "+s.Code)
}

// standingText counts the limits of s by how far they were read.
func standingText(s *standards.Standard) string {
	n := s.Standing()
	if n.Unmarked > 0 {
		return map[bool]string{true: "the contract's own", false: "common practice, no source"}[s.Status == "contract"]
	}
	return fmt.Sprintf("%d read in the text, %d read in a restatement, %d from memory", n.Read, n.Restated, n.Memory)
}

// pictureUses are what a picture can do about a limit, best first: heading a
// list of limits, and said of one.
var pictureUses = []struct {
	use         standards.PictureUse
	heads, says string
}{
	{standards.PictureDecides, "decides", "The picture decides it"},
	{standards.PictureEstimates, "estimates", "The picture estimates it"},
	{standards.PictureAtLeast, "shows in part", "The picture shows a part of it"},
	{standards.PictureHints, "shows suspects of", "The picture shows suspects"},
	{standards.PictureNone, "does not show", "No picture shows it"},
}

// limitedBy names the limited factors that a picture is of such use for.
func limitedBy(s *standards.Standard, use standards.PictureUse) (names []string) {
	for i := range s.Factors {
		f := &s.Factors[i]
		if !f.HasLimit() || f.Picture != use {
			continue
		}
		name := f.Name
		switch {
		case use == standards.PictureNone && f.Sheet != "":
			name += " (sheet)"
		case use == standards.PictureNone:
			name += " (by hand)"
		case s.Sieved(f, 0):
			name += " (outlines for a sieve)"
		}
		names = append(names, name)
	}
	return names
}

var seenText = map[string]string{
	"read": "read", "secondary": "read in a page that restates it", "memory": "not opened: from memory",
	"practice": "", "contract": "",
}

// boundWord names the side that a limit allows, for a narrow column.
func boundWord(b standards.Bound) string {
	return cmp.Or(map[standards.Bound]string{standards.AtMost: "max", standards.AtLeast: "min"}[b], b.String())
}

func limitCell(l standards.Limit) string {
	cell := l.Round.Format(l.Value)
	switch l.Basis {
	case standards.ByWords:
		cell = standards.FormatNumber(l.Value)
	case standards.YesNo:
		cell = "none"
	}
	return cell + limitMarks[l.Mark]
}

// factorText says what a factor is, what decides it, and where it stands.
func factorText(f *standards.Factor) string {
	s := f.Name
	if f.Definition != "" {
		s += ": " + f.Definition
	}
	if len(f.Words) > 0 {
		var steps []string
		for i, word := range f.Words {
			steps = append(steps, fmt.Sprintf("%d %s", i+1, word))
		}
		s += ": " + strings.Join(steps, ", ")
	}
	how := "From the sample sheet"
	for _, u := range pictureUses {
		if u.use == f.Picture && (u.use != standards.PictureNone || f.Sheet == "") {
			how = u.says
		}
	}
	s += ". " + how
	if f.PictureNote != "" {
		s += ": " + f.PictureNote
	}
	if f.Clause != "" {
		s += ". [" + f.Clause + "]"
	}
	if !f.HasLimit() {
		s += " Reported only."
	}
	return s
}

// showSizes lists the sizes; one whose bounds move with the grade has several
// lines.
func showSizes(w io.Writer, s *standards.Standard) {
	for i := range s.Sizes {
		z := &s.Sizes[i]
		var order []string
		grades := map[string][]string{}
		for g, name := range s.Grades {
			for _, p := range s.Ladder(g) {
				if p.Name != z.Name {
					continue
				}
				d := sizeText(p)
				if z.FromMemory.In(name) {
					d += limitMarks[standards.FromMemory]
				}
				if grades[d] == nil {
					order = append(order, d)
				}
				grades[d] = append(grades[d], name)
			}
		}
		label := z.Name
		for _, d := range order {
			if len(order) > 1 {
				d += " (" + strings.Join(grades[d], ", ") + ")"
			}
			item(w, label, d)
			label = ""
		}
	}
}

func sizeText(p standards.Part) string {
	d := p.Length.String()
	if p.Ends != "" {
		d += ", ends " + p.Ends
	}
	if p.ThroughMM > 0 {
		d += fmt.Sprintf(", through round holes of %s mm", standards.FormatNumber(p.ThroughMM))
	}
	if p.HeldMM > 0 {
		d += fmt.Sprintf(", held on round holes of %s mm", standards.FormatNumber(p.HeldMM))
	}
	return d
}
