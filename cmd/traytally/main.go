// Command traytally measures milled rice in pictures of a dark tray and tells
// the broken percentage by mass, with its uncertainty.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/vision/kernel/fault"
)

func main() {
	debug.SetGCPercent(50) // beside pictures garbage is what costs memory: 12 MiB less of 247 on an A4 scan, in no more time
	os.Exit(start(newUI(os.Stdin, os.Stdout, os.Stderr)))
}

// start carries out the command line of the process.
func start(u *ui) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	return run(ctx, os.Args[1:], u)
}

// run carries out one command line and returns the exit code.
func run(ctx context.Context, args []string, u *ui) int {
	return runRoot(ctx, newRoot(u), args, u)
}

func runRoot(ctx context.Context, root *cobra.Command, args []string, u *ui) (code int) {
	defer func() {
		if r := recover(); r != nil {
			u.fail(fmt.Errorf("a fault of the program: %v", r))
			fmt.Fprintf(u.err, "%s", debug.Stack())
			code = exitInternal
		}
	}()
	root.SetArgs(args)
	// What goes wrong before a command starts its work is the command line.
	started := false
	root.PersistentPreRun = func(*cobra.Command, []string) { started = true }
	out := &checkedWriter{w: u.out}
	u.out = out
	root.SetOut(silent{out})
	cmd, err := root.ExecuteContextC(ctx)
	if out.err != nil { // whatever was printed last, such as a help
		err = notWritten("standard output", out.err)
	}
	if err == nil {
		return exitDone
	}
	if !started && codeOf(err) == exitInternal {
		err = usageError(firstLine(err.Error()), seeHelp(cmd))
	}
	if _, ok := errors.AsType[*answer](err); !ok {
		u.fail(err)
	}
	return codeOf(err)
}

// newRoot returns the whole command tree.
func newRoot(u *ui) *cobra.Command {
	root := group("traytally")
	root.SilenceErrors, root.SilenceUsage = true, true
	root.SetIn(u.in)
	root.SetErr(u.err)
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if e := fault.Of(err); e != nil { // the value's own words
			return e
		}
		what, hint := firstLine(err.Error()), seeHelp(cmd)
		if typed, unknown := strings.CutPrefix(what, "unknown flag: --"); unknown {
			var names []string
			cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
			hint = didYouMean("--", typed, names, hint)
		}
		return usageError(what, hint)
	})
	root.Version = version
	root.SetVersionTemplate(versionText())
	root.SetHelpTemplate(helpTemplate)
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", ".FlagUsagesWrapped 80"))
	root.AddGroup(
		&cobra.Group{ID: "work", Title: "Work on samples:"},
		&cobra.Group{ID: "help", Title: "Practice and help:"},
	)
	root.SetCompletionCommandGroupID("help")
	add := func(group string, commands ...*cobra.Command) {
		for _, c := range commands {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add("work", newGradeCommand(u), newBatchCommand(u), newWatchCommand(u), newBenchCommand(u), newLogCommand(u), newReportCommand(u), newLabelCommand(u),
		newVerifyCommand(u), newSettleCommand(u), newAgreeCommand(u), newPlanCommand(u), newTuneCommand(u), newYieldCommand(u), newStagesCommand(u),
		newBlendCommand(u), newSorterCommand(u), newCardCommand(u), newCalibrateCommand(u))
	help := newHelpCommand(u)
	root.SetHelpCommand(help)
	add("help", newStandardsCommand(u), newPhantomCommand(), newSchemaCommand(u), newVersionCommand(u), help)
	each(root, func(cmd *cobra.Command) {
		cmd.Annotations = map[string]string{"exitcodes": "yes"} // its help lists them
		cmd.SuggestionsMinimumDistance = 2                      // a slip of two letters brings the name that was meant
	})
	return root
}

// What helpTemplate calls is known to all of the process, so it is told once.
func init() {
	cobra.AddTemplateFunc("topics", topicList)
	cobra.AddTemplateFunc("exitStatus", exitStatus)
}

// helpTemplate is cobra's own with the topics and the exit codes below it.
const helpTemplate = `{{with (or .Long .Short)}}{{. | trimTrailingWhitespaces}}

{{end}}{{if or .Runnable .HasSubCommands}}{{.UsageString}}{{end}}{{if not .HasParent}}
{{topics}}{{end}}{{if .Annotations.exitcodes}}
{{exitStatus}}{{end}}`

// unknownCommand refuses words that are no command.
func unknownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	word := args[0]
	hint := seeHelp(cmd)
	if near := cmd.SuggestionsFor(word); len(near) > 0 {
		hint = "did you mean " + cmd.CommandPath() + " " + near[0] + "?"
	} else if slices.Contains(helpTopics, word) {
		hint = "see traytally help " + word
	} else if isPicture(word) {
		hint = "to grade a picture: " + cmd.CommandPath() + " grade " + shellWord(word)
	}
	return usageError(fmt.Sprintf("there is no command %q", word), hint)
}

var pictureEndings = []string{".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp"}

// isPicture reports whether a file is a picture by its name.
func isPicture(name string) bool {
	return slices.Contains(pictureEndings, strings.ToLower(filepath.Ext(name)))
}

// shellWord returns s so that a shell reads it as one word.
func shellWord(s string) string {
	if strings.ContainsFunc(s, func(r rune) bool { return strings.ContainsRune(" \t\n'\"\\$`*?[]()<>|&;#~!{}", r) }) {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

// checkedWriter remembers the first error of a writer, so that text can be
// printed freely and judged once.
type checkedWriter struct {
	w   io.Writer
	err error
}

// silent keeps the error of a checkedWriter from cobra, which would print it.
type silent struct{ *checkedWriter }

func (s silent) Write(p []byte) (int, error) {
	s.checkedWriter.Write(p)
	return len(p), nil
}

func (c *checkedWriter) Write(p []byte) (int, error) {
	if c.err != nil {
		return 0, c.err
	}
	n, err := c.w.Write(p)
	c.err = err
	return n, err
}
