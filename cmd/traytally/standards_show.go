package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
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
		std, _, err := flags.limits(u)
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
		header, limits = append(header, broken(plain(s.Grades[g]), gradeWidth)), append(limits, 3+i)
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

// broken breaks a text between words into lines of a width.
func broken(s string, width int) string {
	lines := strings.Split(text.WrapSoft(s, width), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return strings.Join(lines, "\n")
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
			item(w, use.text, strings.Join(names, "; "))
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
	for _, z := range sizeTexts(s) {
		item(w, z[0], z[1])
	}
	fmt.Fprintln(w)
	item(w, "Reference length", s.Reference.Text)
	if s.OneDefect {
		item(w, "Several defects", "a kernel counts for the one with the lowest limit")
	}
	for _, n := range s.NotInFile {
		item(w, "Not held here", n)
	}
	fmt.Fprintln(w, "\nSources")
	keys := make([]string, 0, len(s.Sources))
	for k := range s.Sources {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
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

// pictureUses are what a picture can do about a limit, best first.
var pictureUses = []struct {
	use  standards.PictureUse
	text string
}{
	{standards.PictureDecides, "decides"}, {standards.PictureEstimates, "estimates"},
	{standards.PictureAtLeast, "shows in part"}, {standards.PictureHints, "shows suspects of"},
	{standards.PictureNone, "does not show"},
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

func boundWord(b standards.Bound) string {
	switch b {
	case standards.AtMost:
		return "max"
	case standards.AtLeast:
		return "min"
	}
	return b.String()
}

func limitCell(l standards.Limit) string {
	cell := standards.FormatNumber(l.Value)
	if l.Round.Mode != "none" && l.Round.Mode != "" && l.Basis != standards.ByWords {
		cell = fmt.Sprintf("%.*f", l.Round.Digits, l.Value)
	}
	if l.Basis == standards.YesNo {
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
	how := map[standards.PictureUse]string{
		standards.PictureNone: "no picture shows it", standards.PictureDecides: "the picture decides it",
		standards.PictureEstimates: "the picture estimates it", standards.PictureAtLeast: "the picture shows a part of it",
		standards.PictureHints: "the picture shows suspects",
	}[f.Picture]
	if f.Sheet != "" && f.Picture == standards.PictureNone {
		how = "from the sample sheet"
	}
	s += ". " + strings.ToUpper(how[:1]) + how[1:]
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

// sizeTexts lists the sizes; one whose bounds move with the grade has several
// lines.
func sizeTexts(s *standards.Standard) [][2]string {
	var out [][2]string
	for _, z := range s.Sizes {
		var order []string
		grades := map[string][]string{}
		for g, name := range s.Grades {
			for _, p := range s.Ladder(g) {
				if p.Name != z.Name {
					continue
				}
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
				if z.FromMemory.In(name) {
					d += limitMarks[standards.FromMemory]
				}
				if _, ok := grades[d]; !ok {
					order = append(order, d)
				}
				grades[d] = append(grades[d], name)
			}
		}
		for i, d := range order {
			label := z.Name
			if i > 0 {
				label = ""
			}
			if len(order) > 1 {
				d += " (" + strings.Join(grades[d], ", ") + ")"
			}
			out = append(out, [2]string{label, d})
		}
	}
	return out
}
