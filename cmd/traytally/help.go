package main

import (
	"embed"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/standards"
)

//go:embed help/*.md
var helpFiles embed.FS

// helpTopics are what help explains besides commands, in the order of a day;
// each is a file of help, whose first line is its title.
var helpTopics = []string{"picture", "method", "accuracy", "grades", "money", "laboratories", "day", "page", "register", "corrections", "mill", "json", "profile"}

// helpTopic returns the title of a topic and its text.
func helpTopic(name string) (title, text string, err error) {
	data, err := helpFiles.ReadFile("help/" + name + ".md")
	text = strings.TrimPrefix(string(data), "# ")
	title, _, _ = strings.Cut(text, "\n")
	return title, text, err
}

// topicList lists the topics for the help of the program.
func topicList() string {
	var b strings.Builder
	b.WriteString("Topics, explained by traytally help TOPIC:\n")
	for _, name := range helpTopics {
		title, _, err := helpTopic(name)
		if err != nil {
			panic(err) // a name that has no file
		}
		fmt.Fprintf(&b, "  %-13s %s\n", name, title)
	}
	return b.String()
}

// showTopic prints a topic as a terminal shows it; profile ends with the limits.
func showTopic(w io.Writer, name, text string) {
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "```") {
			io.WriteString(w, line)
		}
	}
	if name == "profile" {
		p := grading.DefaultProfile()
		p.Encode(w)
	}
}

func newHelpCommand(u *ui) *cobra.Command {
	cmd := newCommand("help", cobra.ArbitraryArgs, nil)
	cmd.ValidArgs = helpTopics
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 {
			if _, text, err := helpTopic(args[0]); err == nil {
				return u.print(func(w io.Writer) { showTopic(w, args[0], text) })
			}
		}
		found, rest, err := cmd.Root().Find(args)
		if err != nil || len(rest) > 0 {
			names := slices.Clone(helpTopics)
			for _, c := range cmd.Root().Commands() {
				names = append(names, c.Name())
			}
			return usageError(fmt.Sprintf("there is no command and no topic %q", strings.Join(args, " ")),
				didYouMean("traytally help ", args[0], names, "see traytally help for all commands and topics"))
		}
		found.InitDefaultHelpFlag()
		found.InitDefaultVersionFlag()
		return found.Help()
	}
	return cmd
}

// didYouMean is the way out of a slip in a name: the nearest of those that there
// are, else what is said otherwise.
func didYouMean(before, typed string, names []string, otherwise string) string {
	if near := standards.Nearest(typed, names); len(near) > 0 {
		return "did you mean " + before + near[0] + "?"
	}
	return otherwise
}
