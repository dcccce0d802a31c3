package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/samples"
)

// folderOptions are the flags that batch and watch share.
type folderOptions struct {
	gradeOptions
	registerFlags
	languageFlag
	folder  string
	list    string
	reports string
	again   bool
}

// listName is the list of samples that a folder may hold.
const listName = "samples.csv"

// outName is the directory below a folder that reports go to by default.
const outName = "traytally"

// command returns a command that works through a folder, and its flags.
func (o *folderOptions) command(name string, run func(ctx context.Context) error) *cobra.Command {
	cmd := newCommand(name, needsFolder, func(ctx context.Context, args []string) error {
		o.folder = args[0]
		if err := o.check(); err != nil {
			return err
		}
		return run(ctx)
	})
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addBy(f)
	o.languageFlag.add(f)
	f.StringVar(&o.list, "list", "", "CSV `FILE` that tells the samples' codes and facts (default FOLDER/"+listName+", if there)")
	f.StringVarP(&o.out, "out", "o", "", "`DIR` for reports and summary (default FOLDER/"+outName+")")
	f.StringVar(&o.reports, "reports", "html,pdf", "`KINDS` of report to write for each sample: html, pdf, both or none")
	f.BoolVar(&o.again, "again", false, "measure again what could not be graded before")
	o.addSampleFlags(cmd)
	o.addLimits(f)
	return cmd
}

// needsFolder refuses a command line without exactly one folder.
var needsFolder = cobra.MatchAll(takesOne("folder", "scans"), excluding("dpi", "scale", "whole-length", "whole-from"))

// check refuses a folder that cannot be read.
func (o *folderOptions) check() error {
	info, err := os.Stat(o.folder)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return inputError(o.folder, "no such folder", "check the name")
	case err != nil:
		return inputError(o.folder, "cannot be opened: "+err.Error(), "check who may read it")
	case !info.IsDir():
		return inputError(o.folder, "is a file, not a folder", "to grade one picture: traytally grade "+shellWord(o.folder))
	}
	return nil
}

// start resolves the settings, and then opens the register and makes the
// directory of the outputs.
func (o *folderOptions) start(ctx context.Context, u *ui) (*intake, error) {
	if o.out == "" {
		o.out = filepath.Join(o.folder, outName)
	}
	var kinds []string
	for _, k := range strings.Split(o.reports, ",") {
		switch k = strings.TrimSpace(k); k {
		case "html", "pdf":
			kinds = append(kinds, k)
		case "both":
			kinds = append(kinds, "html", "pdf")
		case "none":
		default:
			return nil, usageError(fmt.Sprintf("there is no kind of report %q", k), "--reports html, pdf, html,pdf or none")
		}
	}
	say, err := o.words()
	if err != nil {
		return nil, err
	}
	r, err := o.request(true)
	if err != nil {
		return nil, err
	}
	w := &intake{reports: kinds, words: say, out: o.out, again: o.again, noPDF: map[string]bool{}}
	if w.settings, err = pipeline.Resolve(ctx, r, o.options(u)); err != nil {
		return nil, err
	}
	if w.register, err = o.open(ctx, true); err != nil {
		return nil, err
	}
	if n := w.register.TakenUp(); n > 0 {
		u.warn(count(n, "sample", "samples")+" measured while the register was gone: kept then, registered now", "")
	}
	if _, err = makeDir(o.out); err != nil {
		w.register.Close()
		return nil, err
	}
	return w, nil
}

// found returns the names of the picture files in the folder, in order.
func (o *folderOptions) found() ([]string, error) {
	entries, err := os.ReadDir(o.folder)
	if err != nil {
		return nil, inputError(o.folder, "cannot be read: "+err.Error(), "check who may read it")
	}
	var out []string
	for _, e := range entries {
		if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") && isPicture(e.Name()) {
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
// waiting are the listed samples of which a picture is not there yet.
func (o *folderOptions) jobs(names []string, list []samples.Listed) (jobs, waiting []*job) {
	there := map[string]bool{}
	for _, n := range names {
		there[n] = true
	}
	taken := map[string]bool{}
	for _, l := range list {
		j := &job{code: l.Code, facts: l.Facts}
		var missing []string
		for _, p := range l.Pictures {
			p = filepath.Clean(p)
			taken[p] = true
			path := p
			if !filepath.IsAbs(p) {
				path = filepath.Join(o.folder, p)
			}
			if _, err := os.Stat(path); !there[p] && err != nil {
				missing = append(missing, p)
			}
			j.Pictures = append(j.Pictures, path)
		}
		if missing == nil {
			jobs = append(jobs, j)
			continue
		}
		j.refuse(fmt.Sprintf("%s: stands in row %d of the list and is not there yet", strings.Join(missing, ", "), l.Line), "scan it, or correct its name in the list")
		waiting = append(waiting, j)
	}
	for _, n := range names {
		if !taken[n] {
			jobs = append(jobs, &job{Pictures: []string{filepath.Join(o.folder, n)}})
		}
	}
	return jobs, waiting
}
