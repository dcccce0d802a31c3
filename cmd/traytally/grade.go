package main

import (
	"context"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
)

func newGradeCommand(u *ui) *cobra.Command {
	o := gradeOptions{length: string(grading.Caliper)}
	cmd := &cobra.Command{
		Use:   "grade PICTURE...",
		Short: "Measure the kernels in pictures of a sample; tell what is broken",
		Long: `Measures every kernel in one or more pictures of a sample of milled rice on a
dark tray and tells the broken percentage by mass with its 95 % interval, the
size classes and the trade class. Several pictures are pooled as one sample.

A kernel shorter than three quarters of the mean whole-kernel length is broken.
That length is taken from the sample's own unbroken kernels, unless it is
stated (--whole-length) or taken from a picture of picked whole kernels
(--whole-from). Where the sample does not tell it, as one of nearly all brokens
does not, a warning says so and what can be told is given all the same: the
broken share goes by the tips alone, with the wide interval they allow, and
limits on whole and broken kernels are not assessed.

Millimetres need a scale: the printed card in the picture (see card), a coin
in it (--coin), the resolution stored in it, --dpi, --scale or --scale-profile.
Without one the broken percentage is told all the same, lengths are in pixels,
and what needs millimetres is not assessed.

With --corrections single kernels are put right by hand, as log amend --help
says; the figures as measured stand beside those as corrected.

With --standard or --contract the sample is graded by those limits: the grade,
the line that limits it, how far the next grade is, and what was not assessed.
--sheet adds what no picture shows.

Pictures are JPEG, PNG, TIFF, BMP or WebP. Scan at 300 dpi or more, kernels one
layer deep on a dark tray.`,
		Example: `  traytally grade tray.jpg
  traytally grade tray-1.jpg tray-2.jpg --out lot-17
  traytally grade photo.jpg --dpi 600 --json -
  traytally grade tray.jpg --whole-from picked.jpg
  traytally grade tray.jpg --standard us-long --sheet sheet.yaml`,
		Args: cobra.MatchAll(needsPicture, excluding("brief", "quiet")),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.pictures = args
			return runGrade(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.out, "out", "o", "", "write the evidence into `DIR`: an overlay of each picture, gallery.png, kernels.csv, result.json")
	o.addJSON(f)
	f.StringVar(&o.corrections, "corrections", "", "lay corrections of single kernels from `FILE` on the sample, as log amend does")
	f.BoolVar(&o.brief, "brief", false, "print the five lines that matter")
	o.addSampleFlags(cmd)
	o.standardFlags.add(f)
	return cmd
}

// runGrade measures the pictures, grades the sample and writes what o asks
// for: everything, or on any error nothing.
func runGrade(ctx context.Context, o gradeOptions, u *ui) error {
	if err := o.checkOutputs(); err != nil {
		return err
	}
	settings, sheet, err := o.resolve(ctx, u)
	if err != nil {
		return err
	}
	ev := &evidence{settings: settings, shown: make([]shown, len(o.pictures))}
	opts := o.options(u)
	if o.out != "" {
		opts.Keep = ev.keep
	}
	sample, err := settings.Grade(ctx, pipeline.Files(o.pictures...), sheet, opts)
	if err != nil {
		return inStandardWords(err, o.sheet)
	}
	var measured *samples.AsMeasured
	if o.corrections != "" {
		if measured, err = o.correct(sample, sheet); err != nil {
			return err
		}
	}
	doc := newDocument(sample)
	doc.AsMeasured = measured
	var files []outFile
	undo := func() {}
	if o.out != "" {
		u.progress("drawing overlays")
		if files, err = ev.files(o.out, doc, sample); err != nil {
			return err
		}
		if undo, err = makeDir(o.out); err != nil {
			return err
		}
	}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) {
		if o.brief {
			brief(w, sample.Result)
			return
		}
		summary(w, sample.Result, o.out)
		if measured != nil {
			before := samples.Row{BrokenMass: measured.BrokenMass, Untold: measured.Untold, TradeClass: measured.Outcome}
			paragraph(w, "Kernels were corrected by "+plain(o.corrections)+"; as measured "+strings.Replace(brokenText(&before), "  ", ", ", 1)+".")
		}
	}, files...); err != nil {
		undo()
		return err
	}
	tellWarnings(u, sample.Result)
	return nil
}

// correct lays the file of corrections on a sample, and returns what it had
// without them.
func (o *gradeOptions) correct(sample *pipeline.Sample, sheet *grading.Sheet) (*samples.AsMeasured, error) {
	file, err := readCorrections(o.corrections)
	if err != nil {
		return nil, err
	}
	measured, err := sample.Correct(file.Corrections, sheet)
	if err != nil {
		return nil, ofFile(err, o.corrections)
	}
	return measured, nil
}

// checkOutputs refuses, before any work, outputs that cannot come to be.
func (o *gradeOptions) checkOutputs() error {
	if err := o.output.check(); err != nil {
		return err
	}
	if info, err := os.Stat(o.json); err == nil {
		for _, p := range slices.Concat(o.pictures, o.wholeFrom) {
			if in, err := os.Stat(p); err == nil && os.SameFile(in, info) {
				return outputError(o.json, "is one of the pictures", "name another file for the result")
			}
		}
	}
	if o.out != "" {
		if info, err := os.Stat(o.out); err == nil && !info.IsDir() {
			return outputError(o.out, "is a file, not a directory", "name another directory")
		}
	}
	return nil
}

// writeBytes is the writing half of an outFile whose bytes are known.
func writeBytes(b []byte) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	}
}
