package main

import (
	"context"
	"embed"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// manuals are the texts of commands, each a file of help/commands: its usage, a
// line for lists of commands, what it does, and examples. Some are parts that
// several share.
//
//go:embed help/commands/*.txt
var manuals embed.FS

// manual returns a manual whole: each {{part}} in it is a manual too, or a list.
// All are wanted at every start of the program, so nothing is parsed.
func manual(name string) string {
	data, err := manuals.ReadFile("help/commands/" + name + ".txt")
	if err != nil {
		panic(err) // a command without a manual
	}
	text := string(data)
	for {
		before, rest, more := strings.Cut(text, "{{")
		if !more {
			return text
		}
		part, after, _ := strings.Cut(rest, "}}")
		switch part {
		case "topics":
			part = topicList()
		case "documents":
			part = documentList()
		default:
			part = manual(part)
		}
		text = before + part + after
	}
}

// newCommand returns a command with its manual; name is its path below the program.
func newCommand(name string, args cobra.PositionalArgs, run func(ctx context.Context, args []string) error) *cobra.Command {
	use, rest, _ := strings.Cut(manual(strings.ReplaceAll(name, " ", "-")), "\n")
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
