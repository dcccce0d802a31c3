package standards

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
)

// Template is a contract file to fill in: it passes the check as it stands, and
// its comments say what each line means.
//
//go:embed template/contract.yaml
var Template string

// templateHead begins a contract that starts from an edition: its name and the
// standard's code go in.
const templateHead = `# A contract that starts from %s.
# Change what the contract changes; what is left as it is keeps its source and
# its mark "from memory". Use it with: --contract FILE --standard %s
`

// TemplateFrom returns the embedded edition that holds the standard with the
// given code as a contract file to change: the same text with another head.
// The error for an unknown code is a *fault.Error.
func TemplateFrom(code string) (string, error) {
	std, err := Lookup(code)
	if err != nil {
		return "", err
	}
	eds, err := Editions()
	if err != nil {
		return "", err
	}
	from := eds[slices.IndexFunc(eds, func(e *Edition) bool { return e.File == std.File })]
	text := strings.Replace(string(from.Source), "\nstatus: "+std.Status+"\n", "\nstatus: contract\n", 1)
	return fmt.Sprintf(templateHead, std.Edition, code) + text, nil
}
