package main

import (
	"context"
	"embed"
	"fmt"
	"slices"
	"strings"
	"text/template"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"
)

//go:embed help/commands/*.txt
var manualFiles embed.FS

// manuals are the texts of commands, each a file of help/commands: its usage, a
// line for lists of commands, what it does, and examples. Some hold parts that
// several share.
var manuals = template.Must(template.New("").Funcs(template.FuncMap{
	"topics":    topicList,
	"documents": func() string { return text.WrapSoft(strings.Join(schemaDocuments, ", "), 78) },
}).ParseFS(manualFiles, "help/commands/*.txt"))

func manual(name string) string {
	var b strings.Builder
	if err := manuals.ExecuteTemplate(&b, strings.ReplaceAll(name, " ", "-")+".txt", nil); err != nil {
		panic(err) // a command without a manual
	}
	return b.String()
}

// newCommand returns a command with its manual; name is its path below the program.
func newCommand(name string, args cobra.PositionalArgs, run func(ctx context.Context, args []string) error) *cobra.Command {
	use, rest, _ := strings.Cut(manual(name), "\n")
	short, rest, _ := strings.Cut(rest, "\n")
	long, example, _ := strings.Cut(rest, "\nExamples:\n")
	return &cobra.Command{
		Use: use, Short: short, Long: strings.TrimSpace(long), Example: strings.TrimRight(example, "\n"), Args: args,
		RunE: func(cmd *cobra.Command, args []string) error { return run(cmd.Context(), args) },
	}
}

// group returns a command that does nothing but hold others.
func group(name string, commands ...*cobra.Command) *cobra.Command {
	cmd := newCommand(name, unknownCommand, nil)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
	cmd.AddCommand(commands...)
	return cmd
}

// each calls f for a command and all below it.
func each(cmd *cobra.Command, f func(*cobra.Command)) {
	f(cmd)
	for _, sub := range cmd.Commands() {
		each(sub, f)
	}
}

// seeHelp is the way out of most slips in a command line.
func seeHelp(cmd *cobra.Command) string { return "see " + cmd.CommandPath() + " --help" }

// noArgs refuses arguments.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError(fmt.Sprintf("%s takes no argument, got %q", cmd.CommandPath(), args[0]), seeHelp(cmd))
	}
	return nil
}

// takesOne refuses a command line without exactly one argument.
func takesOne(what, example string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != 1 || strings.TrimSpace(args[0]) == "" {
			return usageError(fmt.Sprintf("%s takes one %s, got %d", cmd.CommandPath(), what, len(args)), "for example: "+cmd.CommandPath()+" "+example)
		}
		return nil
	}
}

// oneOf refuses flags that exclude each other.
func oneOf(cmd *cobra.Command, a, b string) error {
	if cmd.Flags().Changed(a) && cmd.Flags().Changed(b) {
		return usageError(fmt.Sprintf("--%s and --%s exclude each other", a, b), "give one of them")
	}
	return nil
}

// excluding refuses flags that exclude each other, two by two.
func excluding(pairs ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, _ []string) error {
		for pair := range slices.Chunk(pairs, 2) {
			if err := oneOf(cmd, pair[0], pair[1]); err != nil {
				return err
			}
		}
		return nil
	}
}
