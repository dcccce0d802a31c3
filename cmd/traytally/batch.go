package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"traytally/samples"
)

func newBatchCommand(u *ui) *cobra.Command {
	o := &folderOptions{}
	cmd := o.command("batch", func(ctx context.Context) error { return runBatch(ctx, o, u) })
	placeVar(cmd.Flags(), &o.json, "json", "write the summary as JSON to `FILE`, or to the standard output with -")
	return cmd
}

func runBatch(ctx context.Context, o *folderOptions, u *ui) error {
	list, err := o.listed()
	if err != nil {
		return err
	}
	names, err := o.found()
	if err != nil {
		return err
	}
	jobs, waiting := o.jobs(names, list)
	if len(jobs)+len(waiting) == 0 {
		return inputError(o.folder, "holds no picture", "pictures end in "+strings.Join(pictureEndings, ", "))
	}
	w, err := o.start(ctx, u)
	if err != nil {
		return err
	}
	defer w.register.Close()

	outcomes := make([]outcome, len(jobs))
	done, graded := 0, 0
	began := time.Now()
	u.progress("%d samples", len(jobs))
	err = w.each(ctx, jobs, func(i int, out outcome) error {
		outcomes[i] = out
		done++
		if out.State != stateKnown {
			graded++
		}
		out.warn(u)
		u.progress("%d of %d samples%s, %s", done, len(jobs), pace(graded, len(jobs)-done, time.Since(began)), printed(jobs[i].pictures))
		return nil
	})
	for _, out := range waiting {
		out.warn(u)
	}
	outcomes = append(outcomes, waiting...)
	u.done()
	if err == nil {
		err = w.register.Present(ctx)
	}
	if err != nil {
		if codeOf(err) == exitInterrupted {
			u.say("error", fmt.Sprintf("interrupted: %d of %d samples are done and registered", done, len(jobs)), "run the same command again to go on")
			return &answer{exitInterrupted}
		}
		if done > 0 && !errors.Is(err, samples.ErrGone) {
			u.warn(fmt.Sprintf("%d of %d samples are done and registered", done, len(jobs)), "run the same command again to go on")
		}
		return err
	}
	files, err := w.summary(filepath.Base(absOr(o.folder)), outcomes, 0)
	if err != nil {
		return err
	}
	refused, worst := 0, exitInput
	for _, out := range outcomes {
		if out.State == stateRefused {
			refused++
			if out.code == exitMemory {
				worst = exitMemory // the same picture may be measured elsewhere
			}
		}
	}
	doc := struct {
		Schema   string    `json:"schema"`
		Register string    `json:"register"`
		Samples  []outcome `json:"samples"`
	}{"traytally.batch/1", w.register.Where(), outcomes}
	o.force = true // the outputs are the program's own
	if err := u.answer(ctx, o.output, doc, func(out io.Writer) { batchTable(out, outcomes, w) }, files...); err != nil {
		return err
	}
	if refused > 0 {
		u.say("error", fmt.Sprintf("%d of %d samples could not be graded", refused, len(outcomes)), "mend or scan again and run the same command again; with --again the same pictures are measured anew")
		return &answer{worst}
	}
	return nil
}

func absOr(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}

// pace tells the rate and the time left, once a few are done.
func pace(graded, left int, t time.Duration) string {
	if graded < 2 || t <= 0 {
		return ""
	}
	each := t / time.Duration(graded)
	s := fmt.Sprintf(", %.0f a minute", float64(time.Minute)/float64(each))
	if left > 0 {
		s += ", " + (each * time.Duration(left)).Round(time.Second).String() + " left"
	}
	return s
}

// batchTable prints the outcomes.
func batchTable(w io.Writer, outcomes []outcome, wk *intake) {
	t := newSampleTable(w)
	n, untold := map[string]int{}, 0
	for _, o := range outcomes {
		n[o.State]++
		if o.Sample == nil {
			t.add(nil, printed(o.Pictures), o.State)
			continue
		}
		if o.Sample.Untold {
			untold++
		}
		said := []string{}
		if o.State == stateKnown {
			said = append(said, o.State)
		}
		if o.Reason != "" && o.Hint == "" {
			said = append(said, o.Reason)
		}
		t.add(o.Sample, printed(o.Pictures), said...)
	}
	t.Render()
	parted := false
	for _, o := range outcomes {
		if o.Sample == nil || len(standing(o.Sample)) == 0 {
			continue
		}
		if !parted {
			fmt.Fprintln(w)
			parted = true
		}
		tellStanding(w, o.Sample, "")
	}
	for _, o := range outcomes {
		o.tellWarnings(w)
	}
	fmt.Fprintf(w, "\n%s: %d graded, %d registered before, %d not graded.\n", count(len(outcomes), "sample", "samples"), n[stateGraded], n[stateKnown], n[stateRefused])
	if untold > 0 {
		fmt.Fprintf(w, "%s without a whole-kernel length: whole against broken is not told.\n", count(untold, "sample", "samples"))
	}
	fmt.Fprintf(w, "Register: %s\n", plain(wk.register.Where()))
	fmt.Fprintf(w, "Reports, summary.csv, summary.xlsx and index.html: %s\n\n", plain(wk.out))
	paragraph(w, caution)
}
