package main

import (
	"cmp"
	"context"
	"maps"

	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision"
)

// Exit codes of the commands whose answer is a verdict.
const (
	exitContradicts = 10
	exitNotProven   = 11
)

// needsPicture refuses a command line without pictures.
func needsPicture(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return &usageError{what: "no picture given", hint: "name one, for example: " + cmd.CommandPath() + " tray.jpg"}
	}
	return cmp.Or(oneOf(cmd, "dpi", "scale"), oneOf(cmd, "whole-length", "whole-from"))
}

// addSampleFlags adds the flags that say how the pictures of a sample are to
// be measured.
func (o *gradeOptions) addSampleFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Var(&ranged{v: &o.dpi, min: 10, max: 20000}, "dpi", "resolution of the pictures in `DOTS` per inch, instead of the stored one")
	f.Var(&ranged{v: &o.scale, min: 0.5, max: 1000}, "scale", "the same in `PIXELS` per millimetre")
	f.Var(&ranged{v: &o.wholeLength, min: 1, max: 20}, "whole-length", "mean length of a whole kernel in `MM`, instead of the sample's own")
	f.StringArrayVar(&o.wholeFrom, "whole-from", nil, "take that length from a `PICTURE` of picked whole kernels; may be repeated")
	f.StringVar(&o.length, "length", o.length, "length that the classes go by: `caliper` (greatest extent) or axis (along the kernel)")
	f.BoolVarP(&o.quiet, "quiet", "q", false, "print no summary and no progress")
	o.addColours(f)
	o.addScale(f)
}

// params are those of the grading, before the pictures are seen. Broken is what
// it is in std where one is given and one cut holds for all its grades.
func (o *gradeOptions) params(std *standards.Standard) grading.Params {
	p := grading.DefaultParams()
	if std != nil {
		if cut, ok := std.Cut(); ok {
			p.Cut = cut
		}
	}
	p.Measure = grading.LengthMeasure(o.length)
	p.WholeLengthMM = o.wholeLength
	return p
}

// analyse measures the pictures and works out the shares. seen holds the
// sample's pictures, without those of --whole-from.
func (o *gradeOptions) analyse(ctx context.Context, std *standards.Standard, u *ui) (result *grading.Result, seen []measured, err error) {
	if o.quiet {
		u.lively = false
	}
	params := o.params(std)
	if err := params.Validate(); err != nil {
		return nil, nil, err
	}
	profile, colours, err := o.loadColours()
	if err != nil {
		return nil, nil, err
	}
	all := append(append([]string{}, o.pictures...), o.wholeFrom...)
	n := len(o.pictures)
	how, err := o.method()
	if err != nil {
		return nil, nil, err
	}
	how.Colour = colours
	seen, err = measureAll(ctx, all, func(i int) bool { return o.out != "" && i < n }, how, profile, u)
	if err != nil {
		return nil, nil, err
	}
	if err := refuseTwice(seen); err != nil {
		return nil, nil, err
	}
	trays := traysOf(seen[:n])
	params.ReferenceFrom = traysOf(seen[n:])
	params.NotAssessed = grading.Flag(trays, profile)
	result, err = grading.Analyse(trays, params)
	if err != nil {
		return nil, nil, err
	}
	result.ColourProfile = &profile
	result.Versions["traytally"] = version
	maps.Copy(result.Versions, vision.Versions())
	return result, seen[:n], nil
}
