package main

import (
	"fmt"
	"io"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/vision"
)

// version is the version of the program.
var version = pipeline.Version

// revision returns the commit that the program was built from, or "".
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	rev, changed := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			rev = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = ", changed"
		}
	}
	if rev == "" {
		return ""
	}
	return " (" + rev + changed + ")"
}

// versionText is what version and --version print.
func versionText() string {
	return fmt.Sprintf("traytally %s%s\ngrading method %s\nOpenCV %s\nnetwork %s\n%s %s/%s\n",
		version, revision(), grading.MethodVersion, vision.OpenCVVersion(), vision.NetworkVersion(),
		runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

func newVersionCommand(u *ui) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Print the versions that results depend on",
		Long:    "Prints the version of traytally, of its arithmetic, of the library that reads\npictures, and the SHA-256 of the network that finds the rice. Every result\ncarries them too.",
		Example: "  traytally version",
		RunE: func(*cobra.Command, []string) error {
			return u.print(func(w io.Writer) { io.WriteString(w, versionText()) })
		},
	}
}

// noArgs refuses arguments.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError(fmt.Sprintf("%s takes no argument, got %q", cmd.CommandPath(), args[0]), "see "+cmd.CommandPath()+" --help")
	}
	return nil
}
