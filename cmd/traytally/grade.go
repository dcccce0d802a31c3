package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"strconv"
	"sync"
	"sync/atomic"

	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/vision"
	"traytally/vision/kernel"
)

// gradeOptions are the flags of the grade command.
type gradeOptions struct {
	pictures    []string
	json        string  // file, "-" for the standard output, or empty
	out         string  // directory of the evidence, or empty
	force       bool    // replace what exists
	dpi         float64 // 0: not given
	scale       float64 // px/mm, 0: not given
	wholeLength float64 // mm, 0: from the sample
	wholeFrom   []string
	length      string // a grading.LengthMeasure
	quiet       bool
	standardFlags
	colourFlags
	scaleFlags
}

func newGradeCommand(u *ui) *cobra.Command {
	o := gradeOptions{length: string(grading.Caliper)}
	cmd := &cobra.Command{
		Use:   "grade PICTURE...",
		Short: "Measure the kernels in pictures of one sample and tell what is broken",
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
		GroupID:     groupWork,
		Annotations: showExitCodes,
		Args:        needsPicture,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.pictures = args
			return runGrade(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.json, "json", "", "write the result as JSON to `FILE`, or to the standard output with -")
	f.StringVarP(&o.out, "out", "o", "", "write the evidence into `DIR`: an overlay of each picture, gallery.png, kernels.csv, result.json")
	f.BoolVar(&o.force, "force", false, "replace output files that hold something else")
	o.addSampleFlags(cmd)
	o.standardFlags.add(f)
	return cmd
}

// A ranged is the value of a flag that takes a number within a range.
type ranged struct {
	v        *float64
	min, max float64
}

func (r *ranged) String() string {
	if r.v == nil || *r.v == 0 {
		return ""
	}
	return strconv.FormatFloat(*r.v, 'g', -1, 64)
}

func (r *ranged) Type() string { return "number" }

func (r *ranged) Set(s string) error {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v >= r.min && v <= r.max) {
		return fmt.Errorf("want a number from %g to %g", r.min, r.max)
	}
	*r.v = v
	return nil
}

// measureOptions returns the scale that the command line gives.
func (o *gradeOptions) measureOptions() vision.MeasureOptions {
	switch {
	case o.dpi > 0:
		return vision.MeasureOptions{PxPerMM: o.dpi / 25.4, ScaleSource: fmt.Sprintf("given (--dpi %g)", o.dpi)}
	case o.scale > 0:
		return vision.MeasureOptions{PxPerMM: o.scale, ScaleSource: fmt.Sprintf("given (--scale %g)", o.scale)}
	}
	return vision.MeasureOptions{}
}

// runGrade measures the pictures, grades the sample and writes what o asks
// for: everything, or on any error nothing.
func runGrade(ctx context.Context, o gradeOptions, u *ui) error {
	std, sheet, err := o.load(u)
	if err != nil {
		return err
	}
	if err := o.checkOutputs(); err != nil {
		return err
	}
	result, seen, err := o.analyse(ctx, std, u)
	if err != nil {
		return err
	}
	if std != nil {
		grade, err := grading.Evaluate(result.Sample, std, sheet)
		if err != nil {
			return inStandardWords(err, o.sheet)
		}
		result.Grade = grade
	}
	doc := newDocument(result, seen)

	if err := o.write(ctx, doc, seen, u); err != nil {
		return err
	}
	u.done()
	switch {
	case o.json == "-":
		err = doc.write(u.out)
	case !o.quiet:
		var b bytes.Buffer
		summary(&b, result, o.out)
		_, err = u.out.Write(b.Bytes())
	}
	if err != nil {
		return &outputError{path: "standard output", what: "cannot be written: " + err.Error(), err: err}
	}
	tellWarnings(u, result)
	return nil
}

// checkOutputs refuses, before any work, outputs that cannot come to be.
func (o *gradeOptions) checkOutputs() error {
	if o.json != "" && o.json != "-" {
		if err := checkPlace(o.json); err != nil {
			return err
		}
		if info, err := os.Stat(o.json); err == nil {
			for _, p := range append(append([]string{}, o.pictures...), o.wholeFrom...) {
				if in, err := os.Stat(p); err == nil && os.SameFile(in, info) {
					return &outputError{path: o.json, what: "is one of the pictures", hint: "name another file for the result"}
				}
			}
		}
	}
	if o.out != "" {
		if info, err := os.Stat(o.out); err == nil && !info.IsDir() {
			return &outputError{path: o.out, what: "is a file, not a directory", hint: "name another directory"}
		}
	}
	return nil
}

// A measured is a picture after measurement.
type measured struct {
	tray     kernel.Tray
	sha256   string
	backdrop *vision.Backdrop // nil where no overlay is wanted
	crops    crops            // of what the gallery shows, likewise
}

// largePixels is the picture size from which only one is measured at a time:
// measuring takes up to 12 bytes a pixel.
const largePixels = 60_000_000

// measureAll opens and measures the pictures, two at a time, and tells of the
// first one in order that cannot be used.
func measureAll(ctx context.Context, names []string, overlay func(int) bool, o vision.Method, profile grading.Profile, u *ui) ([]measured, error) {
	out := make([]measured, len(names))
	errs := make([]error, len(names))
	var next, finished atomic.Int64
	var failed atomic.Bool
	var large sync.Mutex
	var workers sync.WaitGroup
	for range min(2, len(names)) {
		workers.Go(func() {
			for !failed.Load() {
				i := int(next.Add(1)) - 1
				if i >= len(names) {
					return
				}
				u.progress("measuring %s (%d of %d)", names[i], finished.Load()+1, len(names))
				out[i], errs[i] = measureOne(ctx, names[i], overlay(i), o, profile, &large)
				if errs[i] != nil {
					failed.Store(true)
				}
				finished.Add(1)
			}
		})
	}
	workers.Wait()
	// Pictures are begun in order, so every one before a failed one is done.
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

func measureOne(ctx context.Context, name string, overlay bool, o vision.Method, profile grading.Profile, large *sync.Mutex) (measured, error) {
	if err := ctx.Err(); err != nil {
		return measured{}, err
	}
	p, err := vision.Open(name, vision.OpenOptions{})
	if err != nil {
		return measured{}, err
	}
	defer p.Close()
	if int64(p.Width)*int64(p.Height) > largePixels {
		large.Lock()
		defer large.Unlock()
	}
	t, err := vision.MeasureBy(ctx, p, o)
	if err != nil {
		return measured{}, err
	}
	m := measured{tray: *t, sha256: p.SHA256}
	if overlay {
		if m.backdrop, err = vision.NewBackdrop(p, t); err == nil {
			m.crops, err = cropsOf(p, t, profile)
		}
	}
	return m, err
}

// refuseTwice refuses the same picture given twice: its kernels would count
// double and the interval would come out too narrow.
func refuseTwice(seen []measured) error {
	first := map[string]string{}
	for _, m := range seen {
		name := m.tray.Picture
		if before, ok := first[m.sha256]; ok {
			what := "is given twice"
			if before != name {
				what = "is the same picture as " + before
			}
			return &inputError{path: name, what: what, hint: "name each picture once; its kernels would count double"}
		}
		first[m.sha256] = name
	}
	return nil
}

func traysOf(seen []measured) []kernel.Tray {
	var out []kernel.Tray
	for _, m := range seen {
		out = append(out, m.tray)
	}
	return out
}

// write writes the files that o asks for, all or none.
func (o *gradeOptions) write(ctx context.Context, doc *document, seen []measured, u *ui) error {
	var files []outFile
	if o.json != "" && o.json != "-" {
		files = append(files, outFile{o.json, doc.write})
	}
	undo := func() {}
	if o.out != "" {
		u.progress("drawing overlays")
		evidence, err := evidenceFiles(o.out, doc, seen)
		if err != nil {
			return err
		}
		files = append(files, evidence...)
		if undo, err = makeDir(o.out); err != nil {
			return err
		}
	}
	if err := writeSet(ctx, files, o.force); err != nil {
		undo()
		return err
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
