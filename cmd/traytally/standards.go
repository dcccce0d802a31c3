package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/grading/standards"
)

func newStandardsCommand(u *ui) *cobra.Command {
	return group("standards", newStandardsListCommand(u), newStandardsShowCommand(u), newStandardsCheckCommand(u),
		newStandardsTemplateCommand(u), newStandardsCompareCommand(u))
}

func newStandardsListCommand(u *ui) *cobra.Command {
	return newCommand("standards list", noArgs, func(context.Context, []string) error {
		eds, err := standards.Editions()
		if err != nil {
			return err
		}
		return u.print(func(w io.Writer) { listEditions(w, eds) })
	})
}

func listEditions(w io.Writer, eds []*standards.Edition) {
	t := newTable(w, table.Row{"Document", "Codes", "Grades", "Read", "Restated", "Memory"}, 3, 4, 5, 6)
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
	render(w, t)
	paragraph(w, "Show one with its limits and sources: traytally standards show CODE")
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

// item prints a label with text that hangs to its right.
func item(w io.Writer, label, s string) {
	const indent, width = 22, 78
	if len(label) > indent-4 {
		for _, line := range wrapped(label, width-2) {
			fmt.Fprintf(w, "  %s\n", line)
		}
		label = ""
	}
	hang(w, fmt.Sprintf("%-*s", indent-2, plain(label)), s, width-indent)
}

// bullet prints a text that hangs to the right of a sign.
func bullet(w io.Writer, sign, s string) { hang(w, sign+" ", s, 74) }

// hang prints a text, in lines of a width, that hangs to the right of a label.
func hang(w io.Writer, label, s string, width int) {
	for i, line := range wrapped(s, width) {
		if i > 0 {
			label = strings.Repeat(" ", utf8.RuneCountInString(label))
		}
		fmt.Fprintf(w, "  %s%s\n", label, line)
	}
}

// wrapped breaks a text between words into lines of a width.
func wrapped(s string, width int) []string {
	lines := strings.Split(text.WrapSoft(plain(s), width), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return lines
}

// join joins the parts that are not empty.
func join(sep string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), sep)
}

func newStandardsCheckCommand(u *ui) *cobra.Command {
	return newCommand("standards check", takesOne("file", "contract.yaml"), func(_ context.Context, args []string) error {
		path := args[0]
		ed, err := standards.LoadContract(path)
		if problems, ok := errors.AsType[standards.Problems](err); ok && len(problems) > 1 {
			for _, p := range problems {
				u.say("error", p.String(), p.Hint)
			}
			return inputError(path, fmt.Sprintf("%d errors", len(problems)), "mend them from the top; later ones may follow from earlier ones")
		}
		if err != nil {
			return inStandardWords(err, path)
		}
		return u.print(func(w io.Writer) {
			for _, v := range ed.Variants {
				fmt.Fprintf(w, "%s: in order: %s (%s), grades %s\n", plain(path), plain(v.Title), v.Code, plain(strings.Join(v.Grades, ", ")))
			}
		})
	})
}

func newStandardsTemplateCommand(u *ui) *cobra.Command {
	var o templateOptions
	cmd := newCommand("standards template", atMostOne("standard", "see 'traytally standards list'"), func(ctx context.Context, args []string) error {
		file := standards.Template
		if len(args) == 1 {
			var err error
			if file, err = standards.TemplateFrom(args[0]); err != nil {
				return err
			}
		}
		return o.write(ctx, u, file, "Fill it in, then: traytally standards check %s")
	})
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

// sampleName says what was looked at.
func sampleName(r *grading.Result) string {
	if len(r.Pictures) == 1 {
		return plain(r.Pictures[0].Picture)
	}
	return count(len(r.Pictures), "picture", "pictures") + " pooled as one sample"
}
