package main

import (
	"context"
	"io"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
)

func newGradeCommand(u *ui) *cobra.Command {
	o := gradeOptions{}
	cmd := newCommand("grade", cobra.MatchAll(needsPicture, excluding("brief", "quiet")), func(ctx context.Context, args []string) error {
		o.pictures = args
		return runGrade(ctx, o, u)
	})
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
	r, err := o.request(true)
	if err != nil {
		return err
	}
	sheet, err := o.sampleSheet()
	if err != nil {
		return err
	}
	settings, err := pipeline.Resolve(ctx, r, o.options(u))
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
	doc := newDocument(sample.Result, sample.Pictures)
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
			paragraph(w, "Kernels were corrected by "+plain(o.corrections)+"; as measured "+measuredText(measured)+".")
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
