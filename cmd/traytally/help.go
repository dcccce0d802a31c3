package main

import (
	"bytes"
	"embed"
	"fmt"
	"io"
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

// helpTopic returns the title of a topic and its text as a terminal shows it.
func helpTopic(name string) (title, text string, err error) {
	data, err := helpFiles.ReadFile("help/" + name + ".md")
	if err != nil {
		return "", "", err
	}
	var b bytes.Buffer
	for line := range strings.Lines(string(data)) {
		if title == "" {
			title, line = strings.TrimSpace(strings.TrimPrefix(line, "# ")), strings.TrimPrefix(line, "# ")
		}
		if !strings.HasPrefix(line, "```") {
			b.WriteString(line)
		}
	}
	if name == "profile" {
		p := grading.DefaultProfile()
		err = p.Encode(&b)
	}
	return title, b.String(), err
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

func newHelpCommand(u *ui) *cobra.Command {
	return &cobra.Command{
		Use:       "help [COMMAND | TOPIC]",
		Short:     "Explain a command or a topic, such as how to take the picture",
		Long:      "Explains a command as its --help does, or a topic.\n\n" + topicList(),
		Example:   "  traytally help picture\n  traytally help log trend",
		ValidArgs: helpTopics,
		Args:      cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				if _, text, err := helpTopic(args[0]); err == nil {
					return u.print(func(w io.Writer) { io.WriteString(w, text) })
				}
			}
			found, rest, err := cmd.Root().Find(args)
			if err != nil || len(rest) > 0 {
				hint := "see traytally help for all commands and topics"
				names := append([]string{}, helpTopics...)
				for _, c := range cmd.Root().Commands() {
					names = append(names, c.Name())
				}
				if near := standards.Nearest(args[0], names); len(near) > 0 {
					hint = "did you mean traytally help " + near[0] + "?"
				}
				return usageError(fmt.Sprintf("there is no command and no topic %q", strings.Join(args, " ")), hint)
			}
			found.InitDefaultHelpFlag()
			found.InitDefaultVersionFlag()
			return found.Help()
		},
	}
}
