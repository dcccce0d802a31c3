package main

import (
	"context"
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
	of := vision.Versions()
	return fmt.Sprintf("traytally %s%s\ngrading method %s\nOpenCV %s\nnetwork %s\n%s %s/%s\n",
		version, revision(), grading.MethodVersion, of["opencv"], of["network"],
		runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

func newVersionCommand(u *ui) *cobra.Command {
	return newCommand("version", noArgs, func(context.Context, []string) error {
		return u.print(func(w io.Writer) { io.WriteString(w, versionText()) })
	})
}
