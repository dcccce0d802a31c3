package main

import (
	"fmt"
	"image"
	"io"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
	"traytally/vision/phantom"
)

// phantomOptions are the flags of the phantom command.
type phantomOptions struct {
	params  phantom.Params
	look    string
	contact string
	out     string
	truth   string
	quality int
	force   bool

	scene   string // sceneCard, sceneBeside, or empty for a scan
	photo   phantom.Photo
	ofPhoto *pflag.FlagSet // those that only a photo has
	cast    []float64
	covered []float64
	torn    []float64
}

// Places of the rice in a photo.
const (
	sceneCard   = "card"
	sceneBeside = "beside"
)

func newPhantomCommand() *cobra.Command {
	o := &phantomOptions{}
	cmd := newCommand("phantom", noArgs, nil)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return runPhantom(cmd, o) }
	o.addFlags(cmd.Flags())
	return cmd
}

func (o *phantomOptions) addFlags(f *pflag.FlagSet) {
	o.params, o.photo = phantom.DefaultParams(), phantom.DefaultPhoto()
	f.SortFlags = false
	f.StringVarP(&o.out, "out", "o", "", "picture to write, .png or .jpg")
	f.StringVar(&o.truth, "truth", "", "truth to write (default NAME.truth.json beside the picture)")
	f.BoolVar(&o.force, "force", false, "replace files that exist")
	f.IntVar(&o.quality, "quality", phantom.DefaultQuality, "JPEG quality, 1 to 100")
	f.StringVar(&o.contact, "contact", string(phantom.Loose), "how closely the kernels lie: loose, touching or dense")
	f.StringVar(&o.look, "look", string(phantom.LookScan), "kernels and picture as from a scanner or a phone: scan or phone")
	addParams(f, &o.params)

	f.StringVar(&o.scene, "photo", "", "a photo with the rice on the card or beside it: card or beside")
	o.ofPhoto = pflag.NewFlagSet("photo", pflag.ContinueOnError)
	o.ofPhoto.SortFlags = false
	addParams(o.ofPhoto, &o.photo)
	o.ofPhoto.Float64SliceVar(&o.cast, "cast", o.photo.Cast[:], "red, green and blue of light and camera together")
	o.ofPhoto.Float64SliceVar(&o.covered, "covered", nil, "left, top, right and bottom of what hides a part of the card; may be repeated")
	o.ofPhoto.Float64SliceVar(&o.torn, "torn", nil, "where the card is torn across, and how far the lower part lies to the right and down")
	f.AddFlagSet(o.ofPhoto)
}

// addParams adds a flag for each single value of the struct pointed to whose
// tag names one.
func addParams(f *pflag.FlagSet, params any) {
	for field, v := range reflect.ValueOf(params).Elem().Fields() {
		name, usage := field.Tag.Get("flag"), field.Tag.Get("usage")
		if usage == "" {
			continue
		}
		switch p := v.Addr().Interface().(type) {
		case *bool:
			f.BoolVar(p, name, *p, usage)
		case *int:
			f.IntVar(p, name, *p, usage)
		case *uint64:
			f.Uint64Var(p, name, *p, usage)
		case *float64:
			f.Float64Var(p, name, *p, usage)
		default: // a name
			s := v.Addr().Convert(reflect.TypeFor[*string]()).Interface().(*string)
			f.StringVar(s, name, *s, usage)
		}
	}
}

func phantomUsage(format string, a ...any) error {
	return usageError(fmt.Sprintf(format, a...), "see traytally phantom --help")
}

// complete settles what depends on several flags.
func (o *phantomOptions) complete(f *pflag.FlagSet) error {
	p := &o.params
	look, contact := phantom.Look(o.look), phantom.Contact(o.contact)
	if !slices.Contains(phantom.Looks(), look) {
		return phantomUsage("--look is %q, want scan or phone", o.look)
	}
	if !slices.Contains(phantom.Contacts(), contact) {
		return phantomUsage("--contact is %q, want loose, touching or dense", o.contact)
	}
	// What is given one by one wins over what the steps set.
	given := map[*pflag.Flag]string{}
	f.Visit(func(fl *pflag.Flag) {
		if _, list := fl.Value.(pflag.SliceValue); !list {
			given[fl] = fl.Value.String()
		}
	})
	p.Take(look)
	p.Crowd(contact)
	if o.scene != "" { // a lens does not picture as a scanner does
		usual := phantom.DefaultPhoto().Rice
		p.MarginMM, p.Noise, p.BlurPx, p.BlurEncoded = usual.MarginMM, usual.Noise, usual.BlurPx, usual.BlurEncoded
	}
	for fl, v := range given {
		if err := fl.Value.Set(v); err != nil {
			return err
		}
	}
	if p.TouchShare > 0 && o.contact == string(phantom.Loose) {
		// Loose names no ways to touch beyond any.
		touching := *p
		touching.Crowd(phantom.Touching)
		p.Mix = touching.Mix
	}
	if f.Changed("broken-share") && f.Changed("broken-mass") {
		return usageError("--broken-share and --broken-mass both say how much is broken", "give one of them")
	}
	if err := o.completePhoto(f); err != nil {
		return err
	}
	if o.out == "" {
		return usageError("no picture to write", "name it: --out tray.png")
	}
	if !phantom.CanEncode(o.out) {
		return usageError(fmt.Sprintf("--out %s: unknown kind of picture", o.out), "end the name in .png or .jpg")
	}
	if o.quality < 1 || o.quality > 100 {
		return phantomUsage("--quality is %d, want 1 to 100", o.quality)
	}
	if o.truth == "" {
		o.truth = strings.TrimSuffix(o.out, filepath.Ext(o.out)) + ".truth.json"
	}
	if filepath.Clean(o.truth) == filepath.Clean(o.out) {
		return usageError("--out and --truth name the same file", "name the truth something like tray.truth.json")
	}
	return nil
}

// completePhoto settles what a photo needs.
func (o *phantomOptions) completePhoto(f *pflag.FlagSet) error {
	p := &o.photo
	switch o.scene {
	case sceneCard, sceneBeside:
		p.Beside = o.scene == sceneBeside
	case "":
		var err error
		o.ofPhoto.VisitAll(func(fl *pflag.Flag) {
			if fl.Changed {
				err = phantomUsage("--%s without --photo", fl.Name)
			}
		})
		return err
	default:
		return phantomUsage("--photo is %q, want card or beside", o.scene)
	}
	switch {
	case len(o.cast) != 3:
		return phantomUsage("--cast has %d numbers, want 3", len(o.cast))
	case len(o.covered)%4 != 0:
		return phantomUsage("--covered has %d numbers, want 4", len(o.covered))
	case f.Changed("torn") && len(o.torn) != 3:
		return phantomUsage("--torn has %d numbers, want 3", len(o.torn))
	}
	copy(p.Cast[:], o.cast)
	for c := o.covered; len(c) > 0; c = c[4:] {
		p.Covered = append(p.Covered, phantom.Rect{X0: c[0], Y0: c[1], X1: c[2], Y1: c[3]})
	}
	if len(o.torn) == 3 {
		p.TornMM, p.Torn = o.torn[0], kernel.Point{X: o.torn[1], Y: o.torn[2]}
	}
	p.Rice = o.params
	return nil
}

// placeholderDPI is what cameras store for want of a resolution.
const placeholderDPI = 72

func runPhantom(cmd *cobra.Command, o *phantomOptions) error {
	if err := o.complete(cmd.Flags()); err != nil {
		return err
	}
	for _, path := range []string{o.out, o.truth} {
		if err := checkPlace(path); err != nil {
			return err
		}
	}
	var (
		img    image.Image
		truth  *phantom.Truth
		encode func(io.Writer) error
		err    error
		dpi    = o.params.DPI
	)
	if o.look == string(phantom.LookPhone) {
		dpi = placeholderDPI
	}
	if o.scene == "" {
		if img, truth, err = phantom.Draw(o.params); err == nil {
			encode = truth.Encode
		}
	} else {
		var t *phantom.PhotoTruth
		if img, t, err = phantom.DrawPhoto(o.photo); err == nil {
			truth, encode, dpi = &t.Truth, t.Encode, placeholderDPI
		}
	}
	if e := fault.Of(err); e != nil { // of several the first
		return e
	} else if err != nil {
		return err
	}
	err = writeSet(cmd.Context(), []outFile{
		{o.out, func(w io.Writer) error { return phantom.Encode(w, o.out, img, dpi, o.quality) }},
		{o.truth, encode},
	}, o.force)
	if err != nil {
		return err
	}
	out := cmd.OutOrStdout()
	fmt.Fprintf(out, "%s: %d × %d px, %d pieces", o.out, truth.Width, truth.Height, truth.N)
	if n := len(truth.Objects); n > 0 {
		fmt.Fprintf(out, ", %s", count(n, "object", "objects"))
	}
	if truth.CutByEdge > 0 {
		fmt.Fprintf(out, " and %d cut by the edge", truth.CutByEdge)
	}
	fmt.Fprintf(out, "\n%s: mean whole kernel %.2f mm, broken %.2f %% by mass, %.2f %% by count; %d pieces touch\n",
		o.truth, truth.MeanWholeLength, truth.BrokenMass, truth.BrokenCount, truth.Touching)
	return nil
}
