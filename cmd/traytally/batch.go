package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"traytally/samples"
	"traytally/samples/report"
)

// folderOptions are the flags that batch and watch share.
type folderOptions struct {
	gradeOptions
	registerFlags
	folder  string
	list    string
	reports string
	again   bool
}

// listName is the list of samples that a folder may hold.
const listName = "samples.csv"

// outName is the directory below a folder that reports go to by default.
const outName = "traytally"

const folderHelp = `Each picture is one sample, unless a list says otherwise: FOLDER/` + listName + `,
or the file given with --list, is CSV whose first row names its columns:
picture, code, lot, party, line, variety, stage, drawn, received, moisture_pct,
sample_mass_g and the other fields of a sample sheet, note. Rows with one code
are pooled as one sample.

The same picture under the same settings is registered once, however often it is
seen. Pictures stay where they are; the register keeps their path, their SHA-256
and the measured kernels.`

func (o *folderOptions) add(cmd *cobra.Command) {
	o.length = "caliper"
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addBy(f)
	f.StringVar(&o.list, "list", "", "CSV `FILE` that tells the samples' codes and facts (default FOLDER/"+listName+", if there)")
	f.StringVarP(&o.out, "out", "o", "", "`DIR` for reports and summary (default FOLDER/"+outName+")")
	f.StringVar(&o.reports, "reports", "html,pdf", "`KINDS` of report to write for each sample: html, pdf, both or none")
	f.BoolVar(&o.again, "again", false, "measure again what could not be graded before")
	o.addSampleFlags(cmd)
	f.StringVar(&o.standard, "standard", "", "judge by the published standard with this `CODE`; see 'traytally standards list'")
	f.StringVar(&o.contract, "contract", "", "judge by the limits in `FILE`; see 'traytally standards template'")
}

// needsFolder refuses a command line without exactly one folder.
func needsFolder(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return &usageError{what: fmt.Sprintf("%s takes one folder, got %d", cmd.CommandPath(), len(args)), hint: "for example: " + cmd.CommandPath() + " scans"}
	}
	if err := oneOf(cmd, "dpi", "scale"); err != nil {
		return err
	}
	return oneOf(cmd, "whole-length", "whole-from")
}

// check refuses a folder that cannot be read.
func (o *folderOptions) check() error {
	info, err := os.Stat(o.folder)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return &inputError{path: o.folder, what: "no such folder", hint: "check the name"}
	case err != nil:
		return &inputError{path: o.folder, what: "cannot be opened: " + err.Error(), hint: "check who may read it"}
	case !info.IsDir():
		return &inputError{path: o.folder, what: "is a file, not a folder", hint: "to grade one picture: traytally grade " + shellWord(o.folder)}
	}
	return nil
}

// start loads the limits, and then opens the register and makes the directory
// of the outputs.
func (o *folderOptions) start(ctx context.Context, u *ui) (*work, error) {
	if o.out == "" {
		o.out = filepath.Join(o.folder, outName)
	}
	var kinds []string
	for _, k := range strings.Split(o.reports, ",") {
		switch k = strings.TrimSpace(k); k {
		case "html", "pdf":
			kinds = append(kinds, k)
		case "none":
		default:
			return nil, &usageError{what: fmt.Sprintf("there is no kind of report %q", k), hint: "--reports html, pdf, html,pdf or none"}
		}
	}
	grade := o.gradeOptions
	w, err := prepare(&grade, u)
	if err != nil {
		return nil, err
	}
	w.out, w.reports, w.again = o.out, kinds, o.again
	if w.register, err = o.open(ctx, true); err != nil {
		return nil, err
	}
	if _, err = makeDir(o.out); err != nil {
		w.register.Close()
		return nil, err
	}
	sweep(o.out)
	return w, nil
}

// sweep removes what a killed program left half-written in a directory.
func sweep(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		info, err := e.Info()
		if err == nil && strings.HasPrefix(e.Name(), ".traytally-") && time.Since(info.ModTime()) > time.Hour {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// found returns the names of the picture files in the folder, in order.
func (o *folderOptions) found() ([]string, error) {
	entries, err := os.ReadDir(o.folder)
	if err != nil {
		return nil, &inputError{path: o.folder, what: "cannot be read: " + err.Error(), hint: "check who may read it"}
	}
	var out []string
	for _, e := range entries {
		if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") && slices.Contains(pictureEndings, strings.ToLower(filepath.Ext(e.Name()))) {
			out = append(out, e.Name())
		}
	}
	return out, nil
}

// listed reads the list of samples; nil where there is none.
func (o *folderOptions) listed() ([]samples.Listed, error) {
	path := o.list
	if path == "" {
		path = filepath.Join(o.folder, listName)
		if _, err := os.Stat(path); err != nil {
			return nil, nil
		}
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, inStandardWords(err, path)
	}
	return samples.ParseList(path, data)
}

// jobs makes the samples out of the pictures that are there and the list.
// waiting holds listed pictures that are not there.
func (o *folderOptions) jobs(names []string, list []samples.Listed) (jobs []job, waiting []string) {
	there := map[string]bool{}
	for _, n := range names {
		there[n] = true
	}
	taken := map[string]bool{}
	for _, l := range list {
		j := job{code: l.Code, facts: l.Facts}
		whole := true
		for _, p := range l.Pictures {
			p = filepath.Clean(p)
			taken[p] = true
			path := p
			if !filepath.IsAbs(p) {
				path = filepath.Join(o.folder, p)
			}
			if _, err := os.Stat(path); !there[p] && err != nil {
				waiting = append(waiting, p)
				whole = false
			}
			j.pictures = append(j.pictures, path)
		}
		if whole {
			jobs = append(jobs, j)
		}
	}
	for _, n := range names {
		if !taken[n] {
			jobs = append(jobs, job{pictures: []string{filepath.Join(o.folder, n)}})
		}
	}
	return jobs, waiting
}

// each does the jobs on both cores and hands every outcome to tell, one at a
// time. The first error that ends all work ends it.
func (w *work) each(ctx context.Context, jobs []job, tell func(int, outcome)) error {
	var next atomic.Int64
	var mu sync.Mutex
	var first error
	var workers sync.WaitGroup
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	// Codes run in the order of the jobs: each waits until the one before it is
	// registered or will not be. Jobs are begun in order, so none waits for one
	// that was not begun.
	done := make([]chan struct{}, len(jobs)+1)
	for i := range done {
		done[i] = make(chan struct{})
	}
	close(done[0])
	for range min(2, len(jobs)) {
		workers.Go(func() {
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= len(jobs) {
					return
				}
				over := sync.OnceFunc(func() {
					go func() {
						<-done[i]
						close(done[i+1])
					}()
				})
				out, err := w.do(ctx, jobs[i], func() { <-done[i] }, over)
				mu.Lock()
				if err != nil {
					if first == nil {
						first = err
						stop(err)
					}
				} else {
					tell(i, out)
				}
				mu.Unlock()
			}
		})
	}
	workers.Wait()
	if first == nil {
		first = ctx.Err()
	}
	return first
}

// batchOptions are the flags of the batch command.
type batchOptions struct {
	folderOptions
}

func newBatchCommand(u *ui) *cobra.Command {
	o := batchOptions{}
	cmd := &cobra.Command{
		Use:   "batch FOLDER",
		Short: "Grade and register all pictures in a folder, with reports and a summary",
		Long: `Grades every picture in a folder on both cores, registers each sample, writes
its report, and ends with a table of all: on the standard output, and in the
output directory as summary.csv, summary.xlsx and index.html.

A picture that cannot be graded never stops the rest: it is named with the
reason. After a kill or a crash, the same command goes on where it ended, and
what is registered is neither lost nor doubled.

` + folderHelp + `

` + registerHelp,
		Example: `  traytally batch scans
  traytally batch scans --standard us-long --list today.csv --out reports
  traytally batch scans --register postgres://lab@server/rice --json -`,
		GroupID:     groupWork,
		Annotations: showExitCodes,
		Args:        needsFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.folder = args[0]
			return runBatch(cmd.Context(), o, u)
		},
	}
	o.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.json, "json", "", "write the summary as JSON to `FILE`, or to the standard output with -")
	return cmd
}

func runBatch(ctx context.Context, o batchOptions, u *ui) error {
	if err := checkJSON(o.json); err != nil {
		return err
	}
	if o.quiet {
		u.lively = false
	}
	if err := o.check(); err != nil {
		return err
	}
	list, err := o.listed()
	if err != nil {
		return err
	}
	names, err := o.found()
	if err != nil {
		return err
	}
	jobs, waiting := o.jobs(names, list)
	if len(waiting) > 0 {
		return &inputError{path: o.folder, what: fmt.Sprintf("%s of the list: not there", count(len(waiting), "picture", "pictures")) + ": " + strings.Join(waiting[:min(len(waiting), 5)], ", "), hint: "check the names in the list"}
	}
	if len(jobs) == 0 {
		return &inputError{path: o.folder, what: "holds no picture", hint: "pictures end in " + strings.Join(pictureEndings, ", ")}
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
	err = w.each(ctx, jobs, func(i int, out outcome) {
		outcomes[i] = out
		done++
		if out.State != stateKnown {
			graded++
		}
		out.warn(u)
		u.progress("%d of %d samples%s, %s", done, len(jobs), pace(graded, len(jobs)-done, time.Since(began)), printed(jobs[i].pictures))
	})
	u.done()
	if err != nil {
		if codeOf(err) == exitInterrupted {
			u.say("error", fmt.Sprintf("interrupted: %d of %d samples are done and registered", done, len(jobs)), "run the same command again to go on")
			return &answer{exitInterrupted}
		}
		if done > 0 {
			u.warn(fmt.Sprintf("%d of %d samples are done and registered", done, len(jobs)), "run the same command again to go on")
		}
		return err
	}
	files, err := w.summary(filepath.Base(absOr(o.folder)), outcomes, 0)
	if err != nil {
		return err
	}
	refused := 0
	for _, out := range outcomes {
		if out.State == stateRefused {
			refused++
		}
	}
	doc := struct {
		Schema   string    `json:"schema"`
		Register string    `json:"register"`
		Samples  []outcome `json:"samples"`
	}{"traytally.batch/1", w.register.Where(), outcomes}
	if o.json != "" && o.json != "-" {
		files = append(files, outFile{o.json, func(w io.Writer) error { return indented(w, doc) }})
	}
	if err := writeSet(ctx, files, true); err != nil {
		return err
	}
	switch {
	case o.json == "-":
		err = u.print(func(w io.Writer) { indented(w, doc) })
	case !o.quiet:
		err = u.print(func(out io.Writer) { batchTable(out, outcomes, w) })
	}
	if err != nil {
		return err
	}
	if refused > 0 {
		u.say("error", fmt.Sprintf("%d of %d samples could not be graded", refused, len(jobs)), "mend or scan again and run the same command again; with --again the same pictures are measured anew")
		return &answer{exitInput}
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

// summary returns the files that sum up a folder.
func (w *work) summary(title string, outcomes []outcome, refresh int) ([]outFile, error) {
	var rows []samples.Row
	in := report.Index{Title: title, RefreshS: refresh}
	listed := map[string]bool{} // a picture may lie there twice
	for _, o := range outcomes {
		if o.Sample != nil {
			if !listed[o.Sample.Code] {
				listed[o.Sample.Code] = true
				rows = append(rows, *o.Sample)
			}
		} else if o.State == stateRefused {
			in.Refused = append(in.Refused, samples.Refusal{Path: printed(o.Pictures), Reason: plain(o.Reason), Hint: plain(o.Hint)})
		}
	}
	slices.SortStableFunc(rows, func(a, b samples.Row) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return strings.Compare(a.Code, b.Code)
	})
	if len(rows) > 1 {
		charts, err := samples.TrendOf(rows, "")
		if err != nil {
			return nil, err
		}
		in.Chart = &charts[0]
	}
	for _, r := range slices.Backward(rows) {
		ir := report.IndexRow{Row: r}
		for _, e := range w.reports {
			name := url.PathEscape(r.Code + "." + e)
			if e == "html" {
				ir.HTML = name
			} else {
				ir.PDF = name
			}
		}
		in.Rows = append(in.Rows, ir)
	}
	return []outFile{
		{filepath.Join(w.out, "summary.csv"), func(out io.Writer) error { return samples.WriteCSV(out, rows, in.Refused...) }},
		{filepath.Join(w.out, "summary.xlsx"), func(out io.Writer) error { return samples.WriteXLSX(out, rows, in.Refused...) }},
		{filepath.Join(w.out, "index.html"), func(out io.Writer) error { return report.WriteIndex(out, in) }},
	}, nil
}

// batchTable prints the outcomes.
func batchTable(w io.Writer, outcomes []outcome, wk *work) {
	t := newTable(w)
	t.AppendHeader([]any{"Picture", "Sample", "Kernels", "Broken % by mass", "95 % interval", "Outcome", ""})
	alignRight(t, 3, 4, 5)
	n, untold := map[string]int{}, 0
	for _, o := range outcomes {
		n[o.State]++
		if o.Sample == nil {
			t.AppendRow([]any{printed(o.Pictures), "", "", "", "", "", o.State})
			continue
		}
		if o.Sample.Untold {
			untold++
		}
		state := o.State
		if o.Reason != "" && o.Hint == "" {
			state += ", " + o.Reason
		}
		t.AppendRow(append([]any{printed(o.Pictures)}, append(rowCells(o.Sample), state)...))
	}
	t.Render()
	fmt.Fprintf(w, "\n%s: %d graded, %d registered before, %d not graded.\n", count(len(outcomes), "sample", "samples"), n[stateGraded], n[stateKnown], n[stateRefused])
	if untold > 0 {
		fmt.Fprintf(w, "%s without a whole-kernel length: whole against broken is not told.\n", count(untold, "sample", "samples"))
	}
	fmt.Fprintf(w, "Register: %s\n", plain(wk.register.Where()))
	fmt.Fprintf(w, "Reports, summary.csv, summary.xlsx and index.html: %s\n\n", plain(wk.out))
	paragraph(w, caution)
}

// indented writes v as JSON for people and machines.
func indented(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(v)
}

// brokenText says the broken share and the outcome in one line.
func brokenText(r *samples.Row) string {
	c := rowCells(r)
	if r.Untold {
		return fmt.Sprintf("broken not told (by the tips %s %% by mass)  %s", c[3], c[4])
	}
	return fmt.Sprintf("broken %s %% by mass (%s)  %s", c[2], c[3], c[4])
}

// rowCells are the columns that all tables of samples have in common.
func rowCells(r *samples.Row) []any {
	e := r.BrokenMass
	broken := number(e.Value, 2)
	if r.Untold {
		broken = "not told"
	}
	return []any{plain(r.Code), r.Kernels, broken, number(e.Low, 2) + " to " + number(e.High, 2), plain(r.Outcome())}
}
