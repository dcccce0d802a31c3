package main

import (
	"context"
	"fmt"
	"image"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
)

// gradeOptions are the flags of the grade command.
type gradeOptions struct {
	pictures    []string
	out         string  // directory of the evidence, or empty
	dpi         float64 // 0: not given
	scale       float64 // px/mm, 0: not given
	wholeLength float64 // mm, 0: from the sample
	wholeFrom   []string
	length      string             // a grading.LengthMeasure
	settings    *pipeline.Settings // see measured
	brief       bool               // five lines instead of all
	corrections string             // file of corrections of single kernels, or empty
	output
	standardFlags
	colourFlags
	scaleFlags
}

// needsPicture refuses a command line without pictures.
func needsPicture(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return usageError("no picture given", "name one, for example: "+cmd.CommandPath()+" tray.jpg")
	}
	for _, path := range args {
		if info, err := os.Stat(path); err == nil && info.IsDir() {
			return inputError(path, "is a folder, not a picture", "to grade every picture in it: traytally batch "+shellWord(path))
		}
	}
	return excluding("dpi", "scale", "whole-length", "whole-from")(cmd, args)
}

// addSampleFlags adds the flags that say how the pictures of a sample are to
// be measured.
func (o *gradeOptions) addSampleFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Var(&ranged{v: &o.dpi, min: 10, max: 20000}, "dpi", "resolution of the pictures in `DOTS` per inch, instead of the stored one")
	f.Var(&ranged{v: &o.scale, min: 0.5, max: 1000}, "scale", "the same in `PIXELS` per millimetre")
	f.Var(&ranged{v: &o.wholeLength, min: 1, max: 20}, "whole-length", "mean length of a whole kernel in `MM`, instead of the sample's own")
	f.StringArrayVar(&o.wholeFrom, "whole-from", nil, "take that length from a `PICTURE` of picked whole kernels; may be repeated")
	f.StringVar(&o.length, "length", string(grading.Caliper), "length that the classes go by: `caliper` (greatest extent) or axis (along the kernel)")
	f.BoolVarP(&o.quiet, "quiet", "q", false, "print no summary and no progress")
	o.addColours(f)
	o.addScale(f)
}

// request reads every file that the flags name, once. judge: by the standard or
// contract, where one is named.
func (o *gradeOptions) request(judge bool) (r pipeline.Request, err error) {
	note := func(path string, data []byte) {
		if data != nil {
			r.Files = append(r.Files, samples.SettingsFile{Path: absOr(path), SHA256: samples.Sum(data)})
		}
	}
	r.Params, r.Picked = grading.DefaultParams(), o.wholeFrom
	r.Params.Measure, r.Params.WholeLengthMM = grading.LengthMeasure(o.length), o.wholeLength
	if judge && o.given() {
		if r.Standard, r.Contract, err = o.limits(); err != nil {
			return r, err
		}
		note(o.contract, r.Contract)
		// Broken is what it is there, where one cut holds for all grades.
		if cut, ok := r.Standard.Cut(); ok {
			r.Params.Cut = cut
		}
	}
	if err := r.Params.Validate(); err != nil {
		return r, err
	}
	if r.Method, err = o.method(); err != nil {
		return r, err
	}
	var data []byte
	if r.Profile, data, err = o.colourFlags.load(); err != nil {
		return r, err
	}
	note(o.profile, data)
	if r.Method.Colour, err = o.patch(); err != nil || o.device == "" {
		return r, err
	}
	file, data, all, err := o.loadProfiles()
	if err != nil {
		return r, err
	}
	note(file, data)
	r.Method.Device = o.device
	r.Method.Profile, err = profileNamed(file, all, o.device)
	return r, err
}

// measured grades pictures as one sample, without a verdict. The settings are
// resolved at the first call and hold for the later ones.
func (o *gradeOptions) measured(ctx context.Context, u *ui, pictures ...string) (*pipeline.Sample, error) {
	if o.settings == nil {
		r, err := o.request(false)
		if err != nil {
			return nil, err
		}
		if o.settings, err = pipeline.Resolve(ctx, r, o.options(u)); err != nil {
			return nil, err
		}
	}
	return o.settings.Grade(ctx, pipeline.Files(pictures...), nil, o.options(u))
}

// options are those of measuring at this terminal.
func (o *gradeOptions) options(u *ui) pipeline.Options {
	if o.quiet {
		u.lively = false
	}
	return pipeline.Options{Progress: u.progress}
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

// scaleFlags say where the scale of pictures comes from, beside --dpi and
// --scale.
type scaleFlags struct {
	card       string // a vision.CardMode
	cardRuler  float64
	cardWhite  float64 // percent
	coin       float64 // diameter, mm; 0: none
	device     string  // name of a scale profile
	deviceFile string
}

func (s *scaleFlags) addScale(f *pflag.FlagSet) {
	s.card = string(vision.CardAuto)
	f.StringVar(&s.card, "card", s.card, "look for a printed card in the picture: auto, on (fail without one) or `off`")
	f.Var(&ranged{v: &s.cardRuler, min: 50, max: 300}, "card-ruler", "length in `MM` of the 150 mm line on the printed card, as measured with a ruler")
	f.Var(&ranged{v: &s.cardWhite, min: 50, max: 100}, "card-white", "reflectance in `PERCENT` of the card's paper, instead of 86")
	f.Var(&ranged{v: &s.coin, min: 5, max: 100}, "coin", "take the scale from a coin of this diameter in `MM` that lies beside the rice")
	f.StringVar(&s.device, "scale-profile", "", "take the scale of the device from the profile with this `NAME`, see calibrate")
	s.addProfiles(f)
}

func (s *scaleFlags) addProfiles(f *pflag.FlagSet) {
	f.StringVar(&s.deviceFile, "profiles", "", "`FILE` of scale profiles, instead of the user's own")
}

// method returns how the pictures of a sample are to be measured, less what is
// read from files.
func (o *gradeOptions) method() (vision.Method, error) {
	m := vision.Method{MeasureOptions: o.measureOptions(),
		ScaleOptions: vision.ScaleOptions{Card: vision.CardMode(o.card), Ruler: o.cardRuler, White: o.cardWhite / 100}}
	m.CoinMM = o.coin
	given := ""
	for _, g := range []struct {
		flag string
		is   bool
	}{{"--dpi", o.dpi > 0}, {"--scale", o.scale > 0}, {"--scale-profile", o.device != ""}} {
		switch {
		case g.is && given != "":
			return m, usageError(given+" and "+g.flag+" exclude each other", "give one of them")
		case g.is:
			given = g.flag
		}
	}
	switch m.Card {
	case "", vision.CardAuto, vision.CardOff, vision.CardOn:
	default:
		return m, usageError(fmt.Sprintf("--card is %q", o.card), "take auto, on or off")
	}
	switch {
	case given != "" && m.Card == vision.CardOn:
		return m, usageError(given+" and --card on exclude each other", "a card in the picture gives the scale by itself")
	case given != "" && o.cardRuler > 0:
		return m, usageError(given+" and --card-ruler exclude each other", "a card in the picture gives the scale by itself")
	case m.Card == vision.CardOff && o.cardRuler > 0:
		return m, usageError("--card off and --card-ruler exclude each other", "give one of them")
	case o.cardWhite > 0 && (given != "" || m.Card == vision.CardOff):
		return m, usageError("--card-white without a card", "give it where a card in the picture gives the scale")
	case o.coin > 0 && given != "":
		return m, usageError(given+" and --coin exclude each other", "give one of them")
	case o.coin > 0 && (m.Card == vision.CardOn || o.cardRuler > 0 || o.cardWhite > 0):
		return m, usageError("a card and --coin exclude each other", "a card in the picture gives the better scale; for the coin leave out --card, --card-ruler and --card-white")
	}
	return m, nil
}

// colourFlags are the flags that say how colours are measured and judged.
type colourFlags struct {
	profile     string // file, or empty for the default
	grey        string // x,y,width,height of a grey patch, or empty
	greyPercent float64
}

func (c *colourFlags) addColours(f *pflag.FlagSet) {
	f.StringVar(&c.profile, "profile", "", "judge colours by the limits in `FILE` (traytally tune writes one)")
	f.StringVar(&c.grey, "grey", "", "a neutral grey or white place in the pictures, `X,Y,WIDTH,HEIGHT` in pixels, to take neutral from")
	f.Var(&ranged{v: &c.greyPercent, min: 1, max: 100}, "grey-percent", "its luminous reflectance in `PERCENT`; colours are absolute then")
}

// patch returns how colours are measured: by the grey place, where one is given.
func (c *colourFlags) patch() (o vision.ColourOptions, err error) {
	if c.grey == "" {
		if c.greyPercent > 0 {
			return o, usageError("--grey-percent without --grey", "say where the grey patch lies, for example --grey 40,40,200,200")
		}
		return o, nil
	}
	var v [4]int
	parts := strings.Split(c.grey, ",")
	bad := usageError(fmt.Sprintf("--grey %q is no place in a picture", c.grey), "give x,y,width,height in pixels, for example --grey 40,40,200,200")
	if len(parts) != len(v) {
		return o, bad
	}
	for i, p := range parts {
		n, err := strconv.Atoi(strings.TrimSpace(p))
		if err != nil || n < 0 || n > 1<<20 || i > 1 && n == 0 {
			return o, bad
		}
		v[i] = n
	}
	o.GreyPatch, o.GreyY = image.Rect(v[0], v[1], v[0]+v[2], v[1]+v[3]), c.greyPercent/100
	return o, nil
}

// load reads the profile of colours; data is nil for the default.
func (c *colourFlags) load() (p grading.Profile, data []byte, err error) {
	if c.profile == "" {
		return grading.DefaultProfile(), nil, nil
	}
	if data, err = readFile(c.profile, grading.MaxProfileBytes); err == nil {
		p, err = grading.DecodeProfile(c.profile, data)
	}
	return p, data, err
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

// readFile reads a file of at most limit bytes.
func readFile(path string, limit int64) ([]byte, error) {
	const hint = "check the name, and who may read it"
	f, err := os.Open(path)
	if err != nil {
		return nil, notRead(path, err, hint)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	switch {
	case err != nil:
		return nil, notRead(path, err, hint)
	case int64(len(data)) > limit:
		return nil, inputError(path, fmt.Sprintf("more than %d MB", limit>>20), "this is not the file that is wanted here")
	}
	return data, nil
}
