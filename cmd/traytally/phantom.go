package main

import (
	"errors"
	"fmt"
	"image"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/vision/kernel"
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
	cast    []float64
	covered []float64
	torn    []float64
}

// Places of the rice in a photo.
const (
	sceneCard   = "card"
	sceneBeside = "beside"
)

// A photoFlag is a flag of a photo that is one number.
type photoFlag struct {
	field, name string // of the parameter and of the flag
	v           *float64
	usage       string
}

func photoFlags(p *phantom.Photo) []photoFlag {
	return []photoFlag{
		{"Focal", "focal", &p.Focal, "focal length over the longer side of the photo"},
		{"TiltDeg", "tilt", &p.TiltDeg, "angle of the camera's axis from straight down, degrees"},
		{"LeanDeg", "lean", &p.LeanDeg, "direction in which it leans, clockwise from right, degrees"},
		{"TurnDeg", "turn", &p.TurnDeg, "roll of the camera, degrees"},
		{"DistanceMM", "distance", &p.DistanceMM, "from the lens to the point aimed at"},
		{"AimX", "aim-x", &p.AimX, "that point, right of the middle of the card"},
		{"AimY", "aim-y", &p.AimY, "that point, below the middle of the card"},
		{"K1", "k1", &p.K1, "lens: a ray at radius r of the picture, 1 at its corners, comes from 1 + k1·r² + k2·r⁴ times that of a pinhole"},
		{"K2", "k2", &p.K2, "see --k1"},
		{"Exposure", "exposure", &p.Exposure, "linear value of paper in the best light"},
		{"Lamp", "lamp", &p.Lamp, "share of the light that comes from a lamp near by"},
		{"Vignette", "vignette", &p.Vignette, "darkening towards the corners of the photo, 1 as of a simple lens"},
		{"ShadowDepth", "shade", &p.ShadowDepth, "share of light lost in a shadow over the left part of the card"},
		{"ShadowTopMM", "shade-top", &p.ShadowTopMM, "where its edge crosses the card's upper side"},
		{"ShadowBottomMM", "shade-bottom", &p.ShadowBottomMM, "where its edge crosses the lower side"},
		{"PrintScale", "print-scale", &p.PrintScale, "size of the print over the design's"},
		{"PrintStretch", "print-stretch", &p.PrintStretch, "height of the print over its width, by the design's"},
		{"Bulge", "bulge", &p.Bulge, "height at which the bent sheet's middle line stands off the table"},
		{"OpenRimMM", "open-rim", &p.OpenRimMM, "width of the rim of the field that shows paper"},
	}
}

// phantomFlag names the flag of each parameter, by its field.
var phantomFlag = map[string]string{
	"Seed": "seed", "Kind": "type", "Count": "count", "LengthCV": "length-cv", "WidthCV": "width-cv",
	"Curve": "curve", "OnSideShare": "on-side", "BrokenShare": "broken-share", "BrokenMass": "broken-mass",
	"PieceMin": "piece-min", "PieceMax": "piece-max", "Splinters": "splinters",
	"Chalky": "chalky", "PartChalky": "part-chalky", "WhiteBelly": "white-belly", "Yellow": "yellow",
	"Red": "red", "Streaked": "red-streaked", "Black": "black", "Spotted": "spotted", "Paddy": "paddy",
	"Parboiled": "parboiled", "Stones": "stones", "Husks": "husks", "Seeds": "seeds", "Dust": "dust",
	"CutByEdge": "cut-by-edge", "WidthMM": "width", "HeightMM": "height", "Cover": "cover", "MarginMM": "margin",
	"TouchShare": "touch-share", "GroupMean": "group-mean", "PressMM": "press", "GapMM": "gap",
	"DPI": "dpi", "Light": "light", "LightDrop": "light-drop", "Shadow": "shadow", "Tray": "tray",
	"Weave": "weave", "Limb": "limb", "Seam": "seam", "BlurPx": "blur", "BlurEncoded": "blur-encoded", "Noise": "noise",
	"Natural": "natural", "Pile": "pile", "Coins": "coins", "Caps": "caps", "Ground": "ground",
	"Stops": "stops", "HandShadow": "hand-shadow", "Sharpen": "sharpen",
}

func newPhantomCommand() *cobra.Command {
	o := &phantomOptions{}
	cmd := &cobra.Command{
		Use:   "phantom --out PICTURE",
		Short: "Draw a tray of invented rice whose truth is known",
		Long: `Draws a picture of milled rice on a tray and writes the truth of every kernel
beside it, to practise with and to check any measurement against. Nothing in
the picture is real: sizes come from handbook tables, everything else is
invented. The same flags draw the same picture.

Shares are between 0 and 1. The three steps of --contact set how closely the
kernels lie; --cover, --touch-share, --group-mean, --press and --gap change
them one by one. Lengths are in millimetres.

With --look phone kernels and picture look as real ones do: rims, clear and
chalky zones, germ notches, furrows, shaded fractures; card, the hand's shadow,
sharpening. --length-cv, --width-cv, --curve, --natural and the flags from
--light to --sharpen change it one by one. --pile lays kernels on others; the
truth says how much of each is covered, and lists --coins and --caps as
objects.

With --photo the picture is a phone's, in perspective: the rice lies on the
printed card (see card) or beside it. Its size in mm, --dpi, --light,
--light-drop, --shadow, --hand-shadow and --stops do not count then; the flags
after --photo do.`,
		Example: `  traytally phantom --out tray.png
  traytally phantom --out hard.jpg --type slender --contact dense --broken-mass 8 --seed 7
  traytally phantom --out defects.png --chalky 0.05 --yellow 0.02 --red 0.01 --stones 2
  traytally phantom --out real.jpg --look phone --contact touching --pile 0.1 --coins 1
  traytally phantom --out photo.jpg --photo card --tilt 12 --lean 40 --k1 0.03 --lamp 0.5`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runPhantom(cmd, o)
		},
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func (o *phantomOptions) addFlags(f *pflag.FlagSet) {
	p := &o.params
	*p = phantom.DefaultParams()
	f.SortFlags = false
	f.StringVarP(&o.out, "out", "o", "", "picture to write, .png or .jpg")
	f.StringVar(&o.truth, "truth", "", "truth to write (default NAME.truth.json beside the picture)")
	f.BoolVar(&o.force, "force", false, "replace files that exist")
	f.IntVar(&o.quality, "quality", phantom.DefaultQuality, "JPEG quality, 1 to 100")
	f.Uint64Var(&p.Seed, "seed", p.Seed, "which tray of those that the other flags describe")

	f.StringVar((*string)(&p.Kind), "type", string(p.Kind), "kind of rice: slender, long, medium, short or bold")
	f.IntVar(&p.Count, "count", p.Count, "number of pieces, cut ones included")
	f.Float64Var(&p.BrokenShare, "broken-share", p.BrokenShare, "chance of each piece to be cut from a kernel")
	f.Float64Var(&p.BrokenMass, "broken-mass", 0, "instead: wanted broken share by mass, in percent")
	f.Float64Var(&p.PieceMin, "piece-min", p.PieceMin, "least share of the length that a cut piece keeps")
	f.Float64Var(&p.PieceMax, "piece-max", p.PieceMax, "greatest share")
	f.Float64Var(&p.Splinters, "splinters", p.Splinters, "share of the cut pieces that are split lengthwise")
	f.Float64Var(&p.LengthCV, "length-cv", p.LengthCV, "scatter of the kernels' length, SD over mean")
	f.Float64Var(&p.WidthCV, "width-cv", p.WidthCV, "scatter of the kernels' width")
	f.Float64Var(&p.Curve, "curve", p.Curve, "greatest bow of a kernel, as a share of its length")
	f.Float64Var(&p.OnSideShare, "on-side", 0, "share of kernels that lie on their side")
	f.BoolVar(&p.Parboiled, "parboiled", false, "parboiled rice")
	f.Float64Var(&p.Chalky, "chalky", 0, "share of kernels with 3/4 or more of the surface chalky")
	f.Float64Var(&p.PartChalky, "part-chalky", 0, "share of kernels with half to 3/4 chalky")
	f.Float64Var(&p.WhiteBelly, "white-belly", 0, "share of kernels with less than half chalky")
	f.Float64Var(&p.Yellow, "yellow", 0, "share of yellow kernels")
	f.Float64Var(&p.Red, "red", 0, "share of red kernels")
	f.Float64Var(&p.Streaked, "red-streaked", 0, "share of red-streaked kernels")
	f.Float64Var(&p.Black, "black", 0, "share of black kernels")
	f.Float64Var(&p.Spotted, "spotted", 0, "share of kernels with dark spots")
	f.Float64Var(&p.Paddy, "paddy", 0, "share of paddy kernels")
	f.IntVar(&p.Stones, "stones", 0, "number of stones")
	f.IntVar(&p.Husks, "husks", 0, "number of husks")
	f.IntVar(&p.Seeds, "seeds", 0, "number of dark seeds")
	f.IntVar(&p.Dust, "dust", 0, "number of dust specks")
	f.IntVar(&p.CutByEdge, "cut-by-edge", 0, "number of kernels that the picture's edge cuts")

	f.StringVar(&o.contact, "contact", string(phantom.Loose), "how closely the kernels lie: loose, touching or dense")
	f.Float64Var(&p.Cover, "cover", p.Cover, "share of the tray that the rice covers, where no size is given")
	f.Float64Var(&p.TouchShare, "touch-share", p.TouchShare, "share of pieces laid in groups that touch")
	f.Float64Var(&p.GroupMean, "group-mean", p.GroupMean, "mean number of pieces in a group")
	f.Float64Var(&p.PressMM, "press", p.PressMM, "greatest depth of touching outlines in each other")
	f.Float64Var(&p.GapMM, "gap", p.GapMM, "least distance of pieces that do not touch")
	f.Float64Var(&p.Pile, "pile", 0, "share of pieces that lie on others")
	f.IntVar(&p.Coins, "coins", 0, "number of invented coins")
	f.IntVar(&p.Caps, "caps", 0, "number of bottle caps with invented print")
	f.Float64Var(&p.WidthMM, "width", 0, "width of the picture in mm (default as the rice needs)")
	f.Float64Var(&p.HeightMM, "height", 0, "height of the picture in mm")
	f.Float64Var(&p.MarginMM, "margin", p.MarginMM, "free rim of the picture")

	f.Float64Var(&p.DPI, "dpi", p.DPI, "resolution, 100 to 1200")
	f.StringVar(&o.look, "look", string(phantom.LookScan), "kernels and picture as from a scanner or a phone: scan or phone")
	f.Float64Var(&p.Natural, "natural", 0, "how far kernels look as real ones do")
	f.StringVar((*string)(&p.Light), "light", string(p.Light), "light: even, falloff or gradient")
	f.Float64Var(&p.LightDrop, "light-drop", p.LightDrop, "share of light lost at the darkest place")
	f.Float64Var(&p.Shadow, "shadow", 0, "darkness of the shadows on the tray")
	f.Float64Var(&p.HandShadow, "hand-shadow", 0, "share of light lost in the shadow of the phone's hand")
	f.Float64Var(&p.Stops, "stops", 0, "exposure over that of a scanner, in stops")
	f.StringVar((*string)(&p.Tray), "tray", string(p.Tray), "tray: black, blue, brown, grey, sky or green")
	f.StringVar((*string)(&p.Ground), "ground", "", "stuff of the tray: card, cloth, leather or wood (default a smooth sheet)")
	f.Float64Var(&p.Weave, "weave", 0, "contrast of a woven tray")
	f.Float64Var(&p.Limb, "limb", p.Limb, "darkening of kernels towards the rim")
	f.Float64Var(&p.Seam, "seam", p.Seam, "darkness of the groove between touching kernels")
	f.Float64Var(&p.BlurPx, "blur", p.BlurPx, "blur, SD in pixels")
	f.BoolVar(&p.BlurEncoded, "blur-encoded", p.BlurEncoded, "blur the finished picture in place of the light; =false for the light")
	f.Float64Var(&p.Noise, "noise", p.Noise, "noise, SD in steps of the 8-bit values")
	f.Float64Var(&p.Sharpen, "sharpen", 0, "halo of a sharpened picture, 1 as of a phone")

	o.photo = phantom.DefaultPhoto()
	f.StringVar(&o.scene, "photo", "", "a photo with the rice on the card or beside it: card or beside")
	f.IntVar(&o.photo.Width, "photo-width", o.photo.Width, "width of the photo in pixels")
	f.IntVar(&o.photo.Height, "photo-height", o.photo.Height, "height of the photo in pixels")
	for _, n := range photoFlags(&o.photo) {
		f.Float64Var(n.v, n.name, *n.v, n.usage)
	}
	f.Float64SliceVar(&o.cast, "cast", o.photo.Cast[:], "red, green and blue of light and camera together")
	f.Float64SliceVar(&o.covered, "covered", nil, "left, top, right and bottom of what hides a part of the card; may be repeated")
	f.Float64SliceVar(&o.torn, "torn", nil, "where the card is torn across, and how far the lower part lies to the right and down")
}

func phantomUsage(format string, a ...any) error {
	return &usageError{what: fmt.Sprintf(format, a...), hint: "see traytally phantom --help"}
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
	given := givenFlags(f)
	p.Take(look)
	p.Crowd(contact)
	if o.scene != "" { // a lens does not picture as a scanner does
		usual := phantom.DefaultPhoto().Rice
		p.MarginMM, p.Noise, p.BlurPx, p.BlurEncoded = usual.MarginMM, usual.Noise, usual.BlurPx, usual.BlurEncoded
	}
	if err := given(); err != nil {
		return err
	}
	if p.TouchShare > 0 && o.contact == string(phantom.Loose) {
		// Loose names no ways to touch beyond any.
		touching := *p
		touching.Crowd(phantom.Touching)
		p.Mix = touching.Mix
	}
	if f.Changed("broken-share") && f.Changed("broken-mass") {
		return &usageError{
			what: "--broken-share and --broken-mass both say how much is broken",
			hint: "give one of them",
		}
	}
	if err := o.completePhoto(f); err != nil {
		return err
	}
	if o.out == "" {
		return &usageError{what: "no picture to write", hint: "name it: --out tray.png"}
	}
	if !phantom.CanEncode(o.out) {
		return &usageError{
			what: fmt.Sprintf("--out %s: unknown kind of picture", o.out),
			hint: "end the name in .png or .jpg",
		}
	}
	if o.quality < 1 || o.quality > 100 {
		return phantomUsage("--quality is %d, want 1 to 100", o.quality)
	}
	if o.truth == "" {
		o.truth = strings.TrimSuffix(o.out, filepath.Ext(o.out)) + ".truth.json"
	}
	if filepath.Clean(o.truth) == filepath.Clean(o.out) {
		return &usageError{what: "--out and --truth name the same file", hint: "name the truth something like tray.truth.json"}
	}
	return nil
}

// givenFlags keeps the single values given on the command line; what it
// returns sets them again.
func givenFlags(f *pflag.FlagSet) func() error {
	given := map[*pflag.Flag]string{}
	f.Visit(func(fl *pflag.Flag) {
		if _, list := fl.Value.(pflag.SliceValue); !list {
			given[fl] = fl.Value.String()
		}
	})
	return func() error {
		for fl, v := range given {
			if err := fl.Value.Set(v); err != nil {
				return err
			}
		}
		return nil
	}
}

// completePhoto settles what a photo needs.
func (o *phantomOptions) completePhoto(f *pflag.FlagSet) error {
	p := &o.photo
	switch o.scene {
	case sceneCard, sceneBeside:
		p.Beside = o.scene == sceneBeside
	case "":
		names := []string{"photo-width", "photo-height", "cast", "covered", "torn"}
		for _, n := range photoFlags(p) {
			names = append(names, n.name)
		}
		for _, n := range names {
			if f.Changed(n) {
				return phantomUsage("--%s without --photo", n)
			}
		}
		return nil
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
	if err != nil {
		return phantomError(err)
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

// phantomError puts an error of the drawing in terms of the flags.
func phantomError(err error) error {
	if errors.Is(err, phantom.ErrNoRoom) {
		what, _, _ := strings.Cut(err.Error(), ":")
		return &usageError{what: what, hint: "give fewer pieces with --count, or a larger tray with --width and --height, or a lower --cover"}
	}
	if e, ok := errors.AsType[*phantom.ParamError](err); ok {
		name := e.Field
		if flag := phantomFlag[e.Field]; flag != "" {
			name = "--" + flag
		}
		if flag, ok := map[string]string{"Width": "photo-width", "Height": "photo-height", "Cast": "cast"}[e.Field]; ok {
			name = "--" + flag
		}
		for _, n := range photoFlags(new(phantom.Photo)) {
			if n.field == e.Field {
				name = "--" + n.name
			}
		}
		return phantomUsage("%s is %s, want %s", name, e.Value, e.Want)
	}
	return err
}
