package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/grading/mill"
	"traytally/samples"
	"traytally/vision/kernel/fault"
)

// What yield, stages, blend and sorter share.

// isTyped reports whether s is a figure typed on the command line, and not the
// name of a file or a code such as 2026-0412: it has a digit, no letter, and
// no dash but in +-.
func isTyped(s string) bool {
	digit := false
	s = strings.NewReplacer("+/-", "±", "+-", "±").Replace(s)
	if strings.LastIndexAny(s, "-/") > 0 {
		return false
	}
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digit = true
		case !strings.ContainsRune(" .,%±+-/", r):
			return false
		}
	}
	return digit
}

// A head is what every document begins with.
type head struct {
	Schema   string            `json:"schema"`
	Versions map[string]string `json:"versions"`
}

func headOf(name string) head {
	return head{"traytally." + name + "/1", map[string]string{"traytally": version}}
}

// figureVar adds a flag with a figure that parse reads; to is nil without it.
func figureVar(f *pflag.FlagSet, to **mill.Figure, parse func(string) (mill.Figure, error), name, usage string) {
	f.Func(name, usage, func(s string) error {
		if *to = nil; s == "" {
			return nil
		}
		v, err := parse(s)
		*to = &v
		return inFlag(err, name)
	})
}

// inFlag names the flag that an error is about.
func inFlag(err error, flag string) error {
	if e := fault.Of(err); e != nil && e.Kind == fault.Usage {
		return usageError("--"+flag+": "+e.Error(), e.Hint)
	}
	return err
}

// sampleFlags are the flags that say how samples are read.
type sampleFlags struct {
	gradeOptions
	registerFlags
	graded []*mill.Graded // what was read so far
}

func (o *sampleFlags) addSampleFlags(cmd *cobra.Command) {
	o.registerFlags.add(cmd.Flags())
	o.gradeOptions.addSampleFlags(cmd)
}

// registered returns the sample with a code of the register, worked out from
// its stored kernels, and the stage of the mill that it is tagged with.
func (o *sampleFlags) registered(ctx context.Context, code string) (sample *mill.Graded, stage string, err error) {
	r, rec, err := o.reopen(ctx, code)
	if err != nil {
		return nil, "", err
	}
	if sample, err = mill.FromResult(r, code, pipeline.Sums(rec.Pictures)); err != nil {
		return nil, "", err
	}
	sample.Sheet = rec.Facts.Sheet
	o.graded = append(o.graded, sample)
	return sample, rec.Facts.Stage, nil
}

// reopen returns the result of the sample with a code of the register, worked out
// from its stored kernels, and its record.
func (o *sampleFlags) reopen(ctx context.Context, code string) (*grading.Result, *samples.Record, error) {
	g, err := o.open(ctx, false)
	if err != nil {
		return nil, nil, err
	}
	defer g.Close()
	rec, err := g.Get(ctx, code, 0)
	if err != nil {
		return nil, nil, err
	}
	if rec.Withdrawn {
		return nil, nil, inputError(code, "the sample was withdrawn", "traytally log show "+rec.Code+" says why; name another sample")
	}
	k, err := rec.Kernels()
	if err != nil {
		return nil, nil, err
	}
	trays, err := rec.Trays()
	if err != nil {
		return nil, nil, err
	}
	old, err := rec.Decode()
	if err != nil {
		return nil, nil, err
	}
	p := rec.Settings.Params
	p.ReferenceFrom, p.NotAssessed = k.Reference, old.Params.NotAssessed
	r, err := grading.Analyse(trays, p)
	if err != nil {
		return nil, nil, err
	}
	r.Versions = old.Versions // it was measured by these
	return r, rec, nil
}

// result returns the graded sample that the arguments name: pictures, pooled as
// one sample; the JSON that grade wrote; or a code of the register. unsure tells
// that the doubt of single lengths is not known.
func (o *sampleFlags) result(ctx context.Context, u *ui, req pipeline.Request, args []string) (d *document, unsure bool, err error) {
	one := args[0]
	_, statErr := os.Stat(one)
	isJSON := strings.EqualFold(filepath.Ext(one), ".json")
	isCode := errors.Is(statErr, fs.ErrNotExist) && filepath.Ext(one) == "" && filepath.Base(one) == one
	if !isJSON && !isCode {
		settings, err := pipeline.Resolve(ctx, req, o.options(u))
		if err != nil {
			return nil, false, err
		}
		sample, err := settings.Grade(ctx, pipeline.Files(args...), nil, o.options(u))
		if err != nil {
			return nil, false, err
		}
		return newDocument(sample.Result, sample.Pictures), false, nil
	}
	switch {
	case len(args) > 1:
		return nil, false, usageError(fmt.Sprintf("%s and %d more", one, len(args)-1), "give pictures of one sample, or one result, or one code of the register")
	case o.dpi > 0 || o.scale > 0 || o.wholeLength > 0 || len(o.wholeFrom) > 0:
		return nil, false, usageError(one+" is graded already: the scale and the whole-kernel length are in it", "leave out --dpi, --scale, --whole-length and --whole-from, or give the pictures")
	case isCode:
		r, rec, err := o.reopen(ctx, one)
		if err != nil {
			return nil, false, notHere(err, one)
		}
		return newDocument(r, rec.Pictures), false, nil
	}
	d, err = readResult(one)
	return d, true, err
}

// readResult reads the JSON that grade wrote, with the sample of its kernels.
func readResult(path string) (*document, error) {
	data, err := readFile(path, 512<<20)
	if err != nil {
		return nil, err
	}
	var head struct {
		Schema   string            `json:"schema"`
		Pictures []documentPicture `json:"pictures"`
	}
	if json.Unmarshal(data, &head) != nil || head.Schema != grading.Schema {
		return nil, inputError(path, "is no result of a graded sample", "give the file that 'traytally grade ... --json FILE' wrote")
	}
	r, err := samples.DecodeResult(data)
	if err != nil {
		return nil, inputError(path, "is a damaged result: "+err.Error(), "give the file as 'traytally grade ... --json FILE' wrote it")
	}
	if err := grading.Reopen(r); err != nil {
		return nil, inputError(path, fault.Of(err).What, fault.Of(err).Hint)
	}
	return &document{Result: r, Pictures: head.Pictures}, nil
}

// read reads a graded sample: the JSON that grade wrote, a picture that is
// graded here and now, or, where there is no such file, a sample of the
// register by its code.
func (o *sampleFlags) read(ctx context.Context, u *ui, path string) (*mill.Graded, error) {
	if isPicture(path) {
		s, err := o.measured(ctx, u, path)
		if err != nil {
			return nil, err
		}
		u.done()
		tellWarnings(u, s.Result)
		g, err := mill.FromResult(s.Result, path, pipeline.Sums(s.Pictures))
		return o.keep(g, asInput(err, path))
	}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) && filepath.Ext(path) == "" && filepath.Base(path) == path {
		g, _, err := o.registered(ctx, path)
		return g, notHere(err, path)
	}
	if err != nil {
		return nil, notRead(path, err, "give the file that 'traytally grade ... --json FILE' wrote, a picture, a code of the register, or a share like 4.6±0.8")
	}
	defer f.Close()
	g, err := mill.ReadGraded(f, path)
	return o.keep(g, asInput(err, path))
}

// keep notes a sample that was read.
func (o *sampleFlags) keep(g *mill.Graded, err error) (*mill.Graded, error) {
	if err == nil {
		o.graded = append(o.graded, g)
	}
	return g, err
}

// notHere is the error for what is neither a file nor, without a register, a code.
func notHere(err error, name string) error {
	if errors.Is(err, samples.ErrNoRegister) {
		return inputError(name, "is no file here, and "+err.Error(), "check the name, or name the register that has it: --register")
	}
	return err
}

// share returns the broken share of what read reads, or one typed in its place,
// which has no sample.
func (o *sampleFlags) share(ctx context.Context, u *ui, s string) (mill.Figure, *mill.Graded, error) {
	if isTyped(s) {
		f, err := mill.ParseShare(s)
		return f, nil, err
	}
	g, err := o.read(ctx, u, s)
	if err != nil {
		return mill.Figure{}, nil, err
	}
	return g.Broken, g, nil
}

// asInput gives an error about a file its exit code.
func asInput(err error, path string) error {
	if e := fault.Of(err); e != nil && e.Kind == fault.Usage {
		return inputError(path, strings.TrimPrefix(e.Error(), path+": "), e.Hint)
	}
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return notRead(path, err, "check the name")
	}
	return err
}

// warnAlike says where the samples read do not call the same thing broken.
func (o *sampleFlags) warnAlike(u *ui) {
	if doubt := mill.Alike(o.graded); doubt != "" {
		u.warn(doubt, "grade them all with the same length: --whole-length MM, or --whole-from a picture of picked whole kernels")
	}
}

// oneName takes NAME=VALUE apart.
func oneName(flag, s, example string) (name, value string, err error) {
	name, value, ok := strings.Cut(s, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if !ok || name == "" || value == "" {
		return "", "", usageError(fmt.Sprintf("%s %q is not NAME=VALUE", flag, s), "for example "+example)
	}
	return name, value, nil
}

// number writes v with the given decimals, without a minus before nothing.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// signed is number with a plus before what is above nothing.
func signed(v float64, decimals int) string {
	s := number(v, decimals)
	if !strings.HasPrefix(s, "-") && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// ends writes the interval of f.
func ends(f mill.Figure, decimals int) string {
	if f.Bare {
		return "no interval"
	}
	return number(f.Low, decimals) + " to " + number(f.High, decimals)
}
