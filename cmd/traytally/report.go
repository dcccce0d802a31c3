package main

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"traytally/samples"
)

// reportOptions are the flags of the report command.
type reportOptions struct {
	registerFlags
	codes    []string
	out      string
	kind     string
	pictures []string
	revision int
	force    bool
}

func newReportCommand(u *ui) *cobra.Command {
	o := reportOptions{}
	cmd := &cobra.Command{
		Use:   "report CODE...",
		Short: "Write the report of registered samples, to read, print on A4 and sign",
		Long: `Writes CODE.html and CODE.pdf for each sample: the verdict, the limits with what
was found and its interval, every kernel on the picture, lengths, colours, the
broken and flagged kernels one by one, what was not assessed, the caution, and
lines to sign. The HTML file needs no network: hover over a kernel to see its
measures, and choose the classes to show.

The picture is read from where it was, or found by its SHA-256 in the
directories given with --pictures. Where it is gone or was changed, the report
says so and shows the outlines alone. Its figures come from the register.

` + registerHelp,
		Example: `  traytally report S2026-0001
  traytally report S2026-0001 S2026-0002 --kind pdf --out signed
  traytally report S2026-0001 --pictures /archive/2026`,
		GroupID:     groupWork,
		Annotations: showExitCodes,
		Args:        needsCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.codes = args
			return runReport(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.StringVarP(&o.out, "out", "o", ".", "`DIR` to write into")
	f.StringVar(&o.kind, "kind", "both", "`KIND` of report: html, pdf or both")
	f.StringArrayVar(&o.pictures, "pictures", nil, "`DIR` to look for pictures that were moved; may be repeated")
	f.IntVar(&o.revision, "revision", 0, "`NUMBER` of the revision to report (default the last)")
	f.BoolVar(&o.force, "force", false, "replace files that hold something else")
	return cmd
}

// needsCode refuses a command line without the code of a sample.
func needsCode(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return &usageError{what: "no sample named", hint: "give its code, for example: " + cmd.CommandPath() + " S2026-0001; traytally log list shows all"}
	}
	return nil
}

func runReport(ctx context.Context, o reportOptions, u *ui) error {
	var kinds []string
	switch o.kind {
	case "both":
		kinds = []string{"html", "pdf"}
	case "html", "pdf":
		kinds = []string{o.kind}
	default:
		return &usageError{what: fmt.Sprintf("there is no kind of report %q", o.kind), hint: "--kind html, pdf or both"}
	}
	if o.revision < 0 {
		return &usageError{what: fmt.Sprintf("there is no revision %d", o.revision), hint: "traytally log show CODE lists the revisions of a sample"}
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	var files []outFile
	for _, code := range o.codes {
		rec, err := g.Get(ctx, code, o.revision)
		if err != nil {
			return err
		}
		u.progress("report of %s", code)
		more, err := o.files(ctx, g, rec, kinds, u)
		if err != nil {
			return err
		}
		files = append(files, more...)
	}
	undo, err := makeDir(o.out)
	if err != nil {
		return err
	}
	if err := writeSet(ctx, files, o.force); err != nil {
		undo()
		return err
	}
	u.done()
	return nil
}

func (o *reportOptions) files(ctx context.Context, g *samples.Register, rec *samples.Record, kinds []string, u *ui) ([]outFile, error) {
	var paths []string
	for i := range rec.Pictures {
		f := locate(&rec.Pictures[i], o.pictures)
		if f.Path == "" {
			u.warn(fmt.Sprintf("%s: the picture %s was %s: the report shows outlines only", rec.Code, f.Picture, map[string]string{pictureGone: "not found", pictureChanged: "changed since it was measured"}[f.State]),
				"name the directory that holds it with --pictures")
			f.Path = f.Picture
		}
		paths = append(paths, f.Path)
	}
	in, err := reportInput(ctx, g, rec, func(i int) string { return paths[i] })
	if err != nil {
		return nil, err
	}
	return reportFiles(in, func(ending string) string { return filepath.Join(o.out, rec.Code+"."+ending) }, kinds), nil
}
