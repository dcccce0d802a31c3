package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

func newStandardsCommand(u *ui) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "standards",
		Short: "List, show and check the limits that rice is graded by",
		Long: `Shows the published standards that traytally knows, checks a buyer's own limits
in the same form, and applies every definition of broken to one sample.

A limit was read in the text, read in a page that restates the text (†), or is
from memory (*). Check a marked one in the printed standard before a dispute
rests on it.`,
		Example: "  traytally standards list\n  traytally standards show us-long",
		Args:    unknownCommand,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		newStandardsListCommand(u), newStandardsShowCommand(u), newStandardsCheckCommand(u),
		newStandardsTemplateCommand(u), newStandardsCompareCommand(u),
	)
	return cmd
}

func newStandardsListCommand(u *ui) *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the standards by their codes",
		Long: `Lists the codes that --standard takes by the document behind them, with the
number of its limits that were read in the text, read in a page that restates
it, or are from memory. A limit for several kinds of rice counts once.`,
		Example: "  traytally standards list",
		RunE: func(*cobra.Command, []string) error {
			eds, err := standards.Editions()
			if err != nil {
				return err
			}
			return u.print(func(w io.Writer) { listEditions(w, eds) })
		},
	}
}

func listEditions(w io.Writer, eds []*standards.Edition) {
	t := newTable(w)
	t.AppendHeader(table.Row{"Document", "Codes", "Grades", "Read", "Restated", "Memory"})
	for _, e := range eds {
		var codes []string
		for _, v := range e.Variants {
			codes = append(codes, v.Code)
		}
		row := table.Row{text.WrapSoft(e.File.Edition, 16), text.WrapSoft(strings.Join(codes, ", "), 28), len(e.File.Grades), "", "", ""}
		if n := e.Standing(); n.Unmarked == 0 {
			row[3], row[4], row[5] = n.Read, n.Restated, n.Memory
		}
		t.AppendRow(row)
	}
	alignRight(t, 3, 4, 5, 6)
	t.Render()
	fmt.Fprintln(w)
	paragraph(w, "Show one with its limits and sources: traytally standards show CODE")
}

// standardFlags are the flags that choose the limits to judge by.
type standardFlags struct {
	standard, contract string
	sheet              string   // file, or empty
	moisture           string   // percent as typed, or empty
	found              []string // FIELD=VALUE, further entries of the sheet
}

func (s *standardFlags) add(f *pflag.FlagSet) {
	f.StringVar(&s.standard, "standard", "", "judge by the published standard with this `CODE`; see 'traytally standards list'")
	f.StringVar(&s.contract, "contract", "", "judge by the limits in `FILE`; see 'traytally standards template'")
	s.addSheet(f)
}

// addSheet adds the flags for what no picture shows.
func (s *standardFlags) addSheet(f *pflag.FlagSet) {
	f.StringVar(&s.sheet, "sheet", "", "sample sheet in `FILE` (YAML, or CSV with field,value rows): moisture, odour and what else no picture shows")
	f.StringVar(&s.moisture, "moisture", "", "moisture of the rice in `PERCENT`, as an entry of the sample sheet")
	f.StringArrayVar(&s.found, "found", nil, "any other entry of the sample sheet as `FIELD=VALUE`: odour_ok=yes, paddy_count=3; may be repeated")
}

func (s *standardFlags) given() bool { return s.standard != "" || s.contract != "" }

// sampleSheet returns the sheet's file with the entries of the command line in
// place of those in it, nil where there is neither.
func (s *standardFlags) sampleSheet() (*grading.Sheet, error) {
	if !s.given() && (s.sheet != "" || s.moisture != "" || len(s.found) > 0) {
		return nil, usageError("a sample sheet without a standard", "name the limits it is for: --standard CODE ('trade' for plain classes by broken share) or --contract FILE")
	}
	var sheet *grading.Sheet
	if s.sheet != "" {
		var err error
		if sheet, err = grading.LoadSheet(s.sheet); err != nil {
			return nil, inStandardWords(err, s.sheet)
		}
	}
	enter := func(flag, field, value string) error {
		if sheet == nil {
			sheet = &grading.Sheet{}
		}
		return typedEntry(flag, sheet.Set(field, value))
	}
	for _, entry := range s.found {
		field, value, ok := strings.Cut(entry, "=")
		if !ok {
			return nil, usageError(fmt.Sprintf("--found %s: no value", entry), "write FIELD=VALUE, for example --found odour_ok=yes")
		}
		if err := enter("--found", strings.TrimSpace(field), strings.TrimSpace(value)); err != nil {
			return nil, err
		}
	}
	if s.moisture != "" {
		if err := enter("--moisture", "moisture_pct", s.moisture); err != nil {
			return nil, err
		}
	}
	if sheet == nil {
		return nil, nil
	}
	return sheet, typedEntry("sample sheet", sheet.Validate())
}

// typedEntry turns an error about an entry from the command line into one of
// its use.
func typedEntry(flag string, err error) error {
	if errors.Is(err, grading.ErrSheet) {
		return usageError(flag+": "+fault.Of(err).What, fault.Of(err).Hint)
	}
	return err
}

// limits returns the standard that is named, and the contract's file where it
// stands in one.
func (s *standardFlags) limits(u *ui) (std *standards.Standard, contract []byte, err error) {
	if s.contract == "" {
		std, err := standards.Lookup(s.standard)
		return std, nil, err
	}
	ed, problems, err := standards.LoadContract(s.contract)
	if err == nil && ed == nil {
		err = problems.Errors()
	}
	if err != nil {
		return nil, nil, inStandardWords(err, s.contract)
	}
	for _, p := range problems {
		u.warn(p.String(), p.Hint)
	}
	var codes []string
	for _, v := range ed.Variants {
		codes = append(codes, v.Code)
		if v.Code == s.standard || s.standard == "" && len(ed.Variants) == 1 {
			return v, ed.Source, nil
		}
	}
	if s.standard == "" {
		return nil, nil, usageError(fmt.Sprintf("%s holds %d kinds of rice", s.contract, len(codes)), "choose one with --standard: "+strings.Join(codes, ", "))
	}
	return nil, nil, usageError(fmt.Sprintf("%s has no %q", s.contract, s.standard), "it has: "+strings.Join(codes, ", "))
}

// inStandardWords turns an error about limits or a sample sheet into one with
// an exit code; path names the file it came from.
func inStandardWords(err error, path string) error {
	if e := fault.Of(err); errors.Is(err, grading.ErrSheet) {
		return inputError(cmp.Or(e.Path, path, "sample sheet"), e.What, e.Hint)
	} else if e != nil {
		return err
	}
	if e, ok := errors.AsType[standards.Problems](err); ok && len(e) > 0 {
		p := e[0]
		what := p.Message
		if n := len(e) - 1; n > 0 {
			what += fmt.Sprintf(" (and %d more: traytally standards check %s)", n, shellWord(path))
		}
		if p.Line > 0 {
			path = fmt.Sprintf("%s:%d:%d", path, p.Line, p.Col)
		}
		return inputError(path, what, e.Hint())
	}
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return inputError(path, "cannot be read: "+e.Err.Error(), "check the name")
	}
	return err
}

func newStandardsShowCommand(u *ui) *cobra.Command {
	var flags standardFlags
	var to output
	cmd := &cobra.Command{
		Use:   "show [CODE]",
		Short: "Show the limits, definitions and sources of a standard",
		Long: `Shows one standard: its limits grade by grade, what counts under each, how far a
picture decides it, the size classes and the sources. --contract shows a
contract file in the same way.`,
		Example: "  traytally standards show thai-white\n  traytally standards show us-long --json -\n  traytally standards show --contract contract.yaml",
		Args:    atMostOne("standard", "see 'traytally standards list'"),
		RunE: func(cmd *cobra.Command, args []string) error {
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
			return u.answer(cmd.Context(), to, std.Table(), func(w io.Writer) { showStandard(w, std) })
		},
	}
	f := cmd.Flags()
	f.StringVar(&flags.contract, "contract", "", "show the contract in `FILE`")
	to.addJSON(f)
	return cmd
}

// atMostOne refuses a second argument.
func atMostOne(what, hint string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > 1 {
			return usageError(fmt.Sprintf("one %s at a time, got %d", what, len(args)), hint)
		}
		return nil
	}
}

// gradeWidth is the width to which the names of grades are broken into lines, so
// that a table of six fits the 80 columns of a terminal.
const gradeWidth = 7

// showLimits prints a table of the limits of some grades, in halves where it would
// be wider than a terminal.
func showLimits(w io.Writer, s *standards.Standard, grades []int, marks *markSet) {
	var b bytes.Buffer
	t := newTable(&b)
	header := table.Row{"Factor", "Limit"}
	var limits []int
	for i, g := range grades {
		header, limits = append(header, broken(plain(s.Grades[g]), gradeWidth)), append(limits, 3+i)
	}
	t.AppendHeader(header)
	alignRight(t, limits...)
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

// item prints a label with text that hangs to its right.
func item(w io.Writer, label, s string) {
	const indent, width = 22, 78
	lines := strings.Split(text.WrapSoft(plain(s), width-indent), "\n")
	if len(label) > indent-4 {
		for _, line := range strings.Split(text.WrapSoft(plain(label), width-2), "\n") {
			fmt.Fprintf(w, "  %s\n", strings.TrimRight(line, " "))
		}
		label = ""
	}
	for i, line := range lines {
		if i > 0 {
			label = ""
		}
		fmt.Fprintf(w, "  %-*s%s\n", indent-2, plain(label), strings.TrimRight(line, " "))
	}
}

// join joins the parts that are not empty.
func join(sep string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), sep)
}

func newStandardsCheckCommand(u *ui) *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE",
		Short: "Check a file of limits before anything is judged by it",
		Long: `Reads a contract file as strictly as grading does and lists everything wrong
with it, each with its line and column: unknown words, limits in fractions where
percent are meant, size classes or grades that leave a gap or overlap, grades
out of order.`,
		Example: "  traytally standards check contract.yaml",
		Args:    takesOne("file", "contract.yaml"),
		RunE: func(_ *cobra.Command, args []string) error {
			path := args[0]
			ed, problems, err := standards.LoadContract(path)
			if err != nil {
				return inStandardWords(err, path)
			}
			for _, p := range problems {
				if p.Warning || ed == nil && len(problems.Errors()) > 1 {
					kind := "error"
					if p.Warning {
						kind = "warning"
					}
					u.say(kind, p.String(), p.Hint)
				}
			}
			if ed == nil {
				errs := problems.Errors()
				if len(errs) == 1 {
					return inStandardWords(errs, path)
				}
				return inputError(path, fmt.Sprintf("%d errors", len(errs)), "mend them from the top; later ones may follow from earlier ones")
			}
			return u.print(func(w io.Writer) {
				for _, v := range ed.Variants {
					fmt.Fprintf(w, "%s: in order: %s (%s), grades %s\n", plain(path), plain(v.Title), v.Code, plain(strings.Join(v.Grades, ", ")))
				}
			})
		},
	}
}

func newStandardsTemplateCommand(u *ui) *cobra.Command {
	o := templateOptions{}
	cmd := &cobra.Command{
		Use:   "template [CODE]",
		Short: "Print a contract file to fill in",
		Long: `Prints a file of limits with comments, to fill in with a buyer's own. With a
code it starts from that standard, so that only what the contract changes needs
to be changed.`,
		Example: "  traytally standards template --out contract.yaml\n  traytally standards template us-long",
		Args:    atMostOne("standard", "see 'traytally standards list'"),
		RunE: func(cmd *cobra.Command, args []string) error {
			file := standards.Template
			if len(args) == 1 {
				var err error
				if file, err = standards.TemplateFrom(args[0]); err != nil {
					return err
				}
			}
			return o.write(cmd.Context(), u, file, "Fill it in, then: traytally standards check %s")
		},
	}
	o.add(cmd.Flags())
	return cmd
}

// templateOptions say where a file to fill in goes.
type templateOptions struct {
	out   string
	force bool
}

func (o *templateOptions) add(f *pflag.FlagSet) {
	f.StringVarP(&o.out, "out", "o", "", "write it to `FILE` instead of the standard output")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
}

// write prints text or writes it to the file, and then says what comes next,
// with the file's name for its %s.
func (o *templateOptions) write(ctx context.Context, u *ui, text, next string) error {
	if o.out == "" {
		return u.print(func(w io.Writer) { io.WriteString(w, text) })
	}
	if err := writeSet(ctx, []outFile{{o.out, writeBytes([]byte(text))}}, o.force); err != nil {
		return err
	}
	return u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s written. "+next+"\n", plain(o.out), shellWord(o.out))
	})
}

func newStandardsCompareCommand(u *ui) *cobra.Command {
	o := gradeOptions{length: string(grading.Caliper)}
	var contract string
	cmd := &cobra.Command{
		Use:   "compare PICTURE...",
		Short: "Apply every definition of broken to the same kernels",
		Long: `Measures the pictures of one sample and tells its broken percentage by mass by
the definition of every standard, side by side. The same kernels can be 3 %
broken in one country and 6 % in another.`,
		Example: "  traytally standards compare tray.jpg\n  traytally standards compare tray.jpg --json -",
		Args:    needsPicture,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.pictures = args
			return runCompare(cmd.Context(), o, contract, u)
		},
	}
	o.addSampleFlags(cmd)
	f := cmd.Flags()
	f.StringVar(&contract, "contract", "", "compare with the contract in `FILE` too")
	o.addJSON(f)
	return cmd
}

func runCompare(ctx context.Context, o gradeOptions, contract string, u *ui) error {
	stds, err := standards.All()
	if err != nil {
		return err
	}
	stds = slices.Clone(stds)
	if contract != "" {
		ed, problems, err := standards.LoadContract(contract)
		if err == nil && ed == nil {
			err = problems.Errors()
		}
		if err != nil {
			return inStandardWords(err, contract)
		}
		stds = append(stds, ed.Variants...)
	}
	if err := o.checkOutputs(); err != nil {
		return err
	}
	sample, err := o.measured(ctx, u, o.pictures...)
	if err != nil {
		return err
	}
	result := sample.Result
	rows, err := grading.Compare(result.Sample, stds)
	if err != nil {
		return err
	}
	doc := struct {
		Schema   string               `json:"schema"`
		Pictures []string             `json:"pictures"`
		Rows     []grading.Comparison `json:"broken"`
	}{"traytally.compare/1", o.pictures, rows}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) { showComparison(w, result, rows) }); err != nil {
		return err
	}
	tellWarnings(u, result)
	return nil
}

func showComparison(w io.Writer, r *grading.Result, rows []grading.Comparison) {
	fmt.Fprintf(w, "%s: broken by mass under each definition\n\n", sampleName(r))
	t := newTable(w)
	t.AppendHeader(table.Row{"Broken is", "Found", "Mass %", "95 % interval", "Used by"})
	marked := false
	for _, c := range rows {
		definition := c.Definition
		if c.FromMemory {
			definition += limitMarks[standards.FromMemory]
			marked = true
		}
		used := text.WrapSoft(strings.Join(c.Standards, ", "), 27)
		definition = text.WrapSoft(definition, 18)
		if c.MassPct == nil {
			t.AppendRow(table.Row{definition, "", "", text.WrapSoft(c.Why, 14), used})
			continue
		}
		t.AppendRow(table.Row{definition, c.Found, percent(c.MassPct.Value), percent(c.MassPct.Low) + " to " + percent(c.MassPct.High), used})
	}
	alignRight(t, 2, 3, 4)
	t.Render()
	fmt.Fprintln(w)
	if marked {
		markSet{standards.FromMemory: true}.explain(w)
	}
	paragraph(w, caution)
}

// sampleName says what was looked at.
func sampleName(r *grading.Result) string {
	if len(r.Pictures) == 1 {
		return plain(r.Pictures[0].Picture)
	}
	return count(len(r.Pictures), "picture", "pictures") + " pooled as one sample"
}
