package phantom

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"traytally/vision/kernel/fault"
)

// A Kind is a type of milled rice by size and shape.
type Kind string

// The kinds on offer. The sizes of Long, Medium and Short are the middles of
// the ranges for milled rice in Cereals Processing Technology (G. Owens ed.,
// Woodhead 2001), table 5.1; Slender has the size printed for the variety
// PR-106 by P. N. Ghadge and K. Prasad (6.61 × 1.75 × 1.40 mm). Bold is a
// nearly round kernel within the bold class (length over width 1.1 to 2.0) of
// the IRRI Standard Evaluation System; class limits from memory, size our
// choice.
const (
	Slender Kind = "slender"
	Long    Kind = "long"
	Medium  Kind = "medium"
	Short   Kind = "short"
	Bold    Kind = "bold"
)

// A size is that of a kernel lying flat, in millimetres.
type size struct{ length, width, thick float64 }

// milled and rough hold mean sizes; see Kind for the sources. Rough (paddy) of
// Long, Medium and Short: the same table; of the other two: milled plus the
// differences that the table shows between the forms (length +2.2, width
// +0.4, thickness +0.3 mm).
var (
	milled = map[Kind]size{
		Slender: {6.61, 1.75, 1.40},
		Long:    {7.0, 2.05, 1.65},
		Medium:  {5.7, 2.5, 1.8},
		Short:   {5.1, 2.7, 1.9},
		Bold:    {4.6, 2.95, 2.1},
	}
	rough = map[Kind]size{
		Slender: {8.8, 2.15, 1.7},
		Long:    {9.3, 2.4, 1.9},
		Medium:  {8.1, 3.05, 2.05},
		Short:   {7.25, 3.15, 2.15},
		Bold:    {6.8, 3.35, 2.4},
	}
)

// Light says how the tray is lit.
type Light string

const (
	LightEven     Light = "even"
	LightFallOff  Light = "falloff"  // weaker with the square of the distance from the middle
	LightGradient Light = "gradient" // weaker from one side to the other
)

// A Tray is the colour of what the kernels lie on.
type Tray string

const (
	TrayBlack Tray = "black"
	TrayBlue  Tray = "blue"
	TrayBrown Tray = "brown"
	TrayGrey  Tray = "grey"
	TraySky   Tray = "sky" // light blue
	TrayGreen Tray = "green"
)

// A Ground is the stuff of the tray; its colour is the Tray's.
type Ground string

const (
	GroundSheet   Ground = ""        // smooth but for a fine grain
	GroundCard    Ground = "card"    // matt, with clouds and short fibres
	GroundCloth   Ground = "cloth"   // woven, whatever Weave says
	GroundLeather Ground = "leather" // creased
	GroundWood    Ground = "wood"    // long grain and pores
)

// A Look is by what the picture is taken; see Params.Take.
type Look string

const (
	LookScan  Look = "scan"  // a flatbed scanner
	LookPhone Look = "phone" // a phone in the hand, over card
)

// Looks lists the looks.
func Looks() []Look { return []Look{LookScan, LookPhone} }

// A Contact is how closely the kernels lie; see Params.Crowd.
type Contact string

const (
	Loose    Contact = "loose"    // nothing touches
	Touching Contact = "touching" // about two thirds of the pieces touch another
	Dense    Contact = "dense"    // nearly all do, in large groups, pressed into each other
)

// Contacts lists the steps of crowding.
func Contacts() []Contact { return []Contact{Loose, Touching, Dense} }

// A Mix weighs the ways in which a piece is pushed against another one; only
// the ratios count. Each weight is >= 0; they may all be 0 where nothing
// touches.
type Mix struct {
	Any   float64 `json:"any"`   // any angle, any side
	Side  float64 `json:"side"`  // flank along flank, a long contact
	End   float64 `json:"end"`   // tip to tip in one line
	Tee   float64 `json:"tee"`   // tip against a flank
	Crook float64 `json:"crook"` // into the corner between two pieces that touch
	Face  float64 `json:"face"`  // cut face to cut face, where both pieces have one
	Ring  float64 `json:"ring"`  // across two pieces of a group, enclosing tray
}

func (m Mix) list() []float64 {
	return []float64{m.Any, m.Side, m.End, m.Tee, m.Crook, m.Face, m.Ring}
}

// Params says what lies on a tray and how the picture is taken. DefaultParams
// gives a legal start. The tags say what a field may hold (range, in the unit
// that its name or usage tells, or names), what sets it at the command line
// (flag) and what it means (usage). Shares are of 1.
type Params struct {
	Seed uint64 `json:"seed" flag:"seed" usage:"which tray of those that the other flags describe"`

	// What lies on the tray. Chalky to Paddy sum to 1 at most; what is chalky
	// and red is so by the shares of the surface in Codex CXS 198 (annex).
	// With the default pieces BrokenMass comes to no more than about 65, as
	// long ones do not count as broken: lower PieceMax for more.
	Kind        Kind    `json:"kind" names:"slender long medium short bold" flag:"type" usage:"kind of rice: slender, long, medium, short or bold"`
	Count       int     `json:"count" range:"0 20000" flag:"count" usage:"number of pieces, cut ones included"`
	LengthCV    float64 `json:"length_cv" range:"0 0.15" flag:"length-cv" usage:"scatter of the kernels' length, SD over mean"`
	WidthCV     float64 `json:"width_cv" range:"0 0.15" flag:"width-cv" usage:"scatter of the kernels' width"`
	Curve       float64 `json:"curve" range:"0 0.12" flag:"curve" usage:"greatest bow of a kernel, as a share of its length"`
	OnSideShare float64 `json:"on_side_share" range:"0 1" flag:"on-side" usage:"share of kernels that lie on their side"`
	BrokenShare float64 `json:"broken_share" range:"0 1" flag:"broken-share" usage:"chance of each piece to be cut from a kernel"`
	BrokenMass  float64 `json:"broken_mass_pct_wanted" range:"0 95" flag:"broken-mass" usage:"instead: wanted broken share by mass, in percent"`
	PieceMin    float64 `json:"piece_min" range:"0.05 1" flag:"piece-min" usage:"least share of the length that a cut piece keeps"`
	PieceMax    float64 `json:"piece_max" range:"0.05 1" flag:"piece-max" usage:"greatest share"`
	Splinters   float64 `json:"splinter_share" range:"0 1" flag:"splinters" usage:"share of the cut pieces that are split lengthwise"`
	Chalky      float64 `json:"chalky_share" range:"0 1" flag:"chalky" usage:"share of kernels with 3/4 or more of the surface chalky"`
	PartChalky  float64 `json:"part_chalky_share" range:"0 1" flag:"part-chalky" usage:"share of kernels with half to 3/4 chalky"`
	WhiteBelly  float64 `json:"white_belly_share" range:"0 1" flag:"white-belly" usage:"share of kernels with less than half chalky"`
	Yellow      float64 `json:"yellow_share" range:"0 1" flag:"yellow" usage:"share of yellow kernels"`
	Red         float64 `json:"red_share" range:"0 1" flag:"red" usage:"share of red kernels"`
	Streaked    float64 `json:"red_streaked_share" range:"0 1" flag:"red-streaked" usage:"share of red-streaked kernels"`
	Black       float64 `json:"black_share" range:"0 1" flag:"black" usage:"share of black kernels"`
	Spotted     float64 `json:"spotted_share" range:"0 1" flag:"spotted" usage:"share of kernels with dark spots"`
	Paddy       float64 `json:"paddy_share" range:"0 1" flag:"paddy" usage:"share of paddy kernels, in the husk and never cut"`
	Parboiled   bool    `json:"parboiled" flag:"parboiled" usage:"parboiled rice"`
	Stones      int     `json:"stones" range:"0 1000" flag:"stones" usage:"number of stones, beyond --count"`
	Husks       int     `json:"husks" range:"0 1000" flag:"husks" usage:"number of husks, beyond --count"`
	Seeds       int     `json:"seeds" range:"0 1000" flag:"seeds" usage:"number of dark seeds, beyond --count"`
	Dust        int     `json:"dust_specks" range:"0 100000" flag:"dust" usage:"number of dust specks, which the truth does not list"`
	CutByEdge   int     `json:"cut_by_edge" range:"0 1000" flag:"cut-by-edge" usage:"number of kernels that the picture's edge cuts, beyond --count"`

	// Where it lies. WidthMM and HeightMM are both 0, or both 20 to 1000.
	WidthMM    float64 `json:"picture_width_mm" flag:"width" usage:"width of the picture in mm (default as the rice needs)"`
	HeightMM   float64 `json:"picture_height_mm" flag:"height" usage:"height of the picture in mm"`
	Cover      float64 `json:"cover" range:"0.02 0.45" flag:"cover" usage:"share of the tray that the rice covers, where no size is given"`
	MarginMM   float64 `json:"margin_mm" range:"0 20" flag:"margin" usage:"free rim of the picture"`
	TouchShare float64 `json:"touch_share" range:"0 1" flag:"touch-share" usage:"share of pieces laid in groups that touch"`
	GroupMean  float64 `json:"group_mean" range:"2 200" flag:"group-mean" usage:"mean number of pieces in a group"`
	PressMM    float64 `json:"press_mm" range:"0.02 0.3" flag:"press" usage:"greatest depth of touching outlines in each other"`
	GapMM      float64 `json:"gap_mm" range:"0 5" flag:"gap" usage:"least distance of pieces that do not touch"`
	Mix        Mix     `json:"contact_mix"`

	// How the picture is taken. BlurEncoded moves the half-height of an edge:
	// between a kernel and a black tray the encoded half-height of blurred
	// light lies about 0.6 SD outside the outline, that of blurred values on it.
	DPI         float64 `json:"dpi" range:"100 1200" flag:"dpi" usage:"resolution, 100 to 1200"`
	Light       Light   `json:"light" names:"even falloff gradient" flag:"light" usage:"light: even, falloff or gradient"`
	LightDrop   float64 `json:"light_drop" range:"0 0.9" flag:"light-drop" usage:"share of light lost at the darkest place, unless --light is even"`
	Shadow      float64 `json:"shadow" range:"0 1" flag:"shadow" usage:"darkness of the shadows on the tray"`
	Tray        Tray    `json:"tray" names:"black blue brown grey sky green" flag:"tray" usage:"tray: black, blue, brown, grey, sky or green"`
	Weave       float64 `json:"weave" range:"0 1" flag:"weave" usage:"contrast of a woven tray"`
	Limb        float64 `json:"limb" range:"0 0.8" flag:"limb" usage:"darkening of kernels towards the rim"`
	Seam        float64 `json:"seam" range:"0 1" flag:"seam" usage:"darkness of the groove between touching kernels"`
	BlurPx      float64 `json:"blur_px" range:"0 8" flag:"blur" usage:"blur, SD in pixels"`
	BlurEncoded bool    `json:"blur_encoded" flag:"blur-encoded" usage:"blur the finished picture in place of the light; =false for the light"`
	Noise       float64 `json:"noise_levels" range:"0 30" flag:"noise" usage:"noise, SD in steps of the 8-bit values"`

	// As real rice and phones are. All default to 0, which leaves pictures and
	// truth files as they were before there were these.
	Natural    float64 `json:"natural,omitempty" range:"0 1" flag:"natural" usage:"how far kernels look as real ones do"`
	Pile       float64 `json:"pile_share,omitempty" range:"0 0.4" flag:"pile" usage:"share of pieces that lie on others"`
	Coins      int     `json:"coins,omitempty" range:"0 20" flag:"coins" usage:"number of invented coins"`
	Caps       int     `json:"caps,omitempty" range:"0 20" flag:"caps" usage:"number of bottle caps with invented print"`
	Ground     Ground  `json:"ground,omitempty" names:"card cloth leather wood" flag:"ground" usage:"stuff of the tray: card, cloth, leather or wood (default a smooth sheet)"`
	Stops      float64 `json:"exposure_stops,omitempty" range:"-4 3" flag:"stops" usage:"exposure over that of a scanner, in stops"`
	HandShadow float64 `json:"hand_shadow,omitempty" range:"0 0.9" flag:"hand-shadow" usage:"share of light lost in the shadow of the phone's hand"`
	Sharpen    float64 `json:"sharpen,omitempty" range:"0 3" flag:"sharpen" usage:"halo of a sharpened picture, 1 as of a phone"`
}

// DefaultParams returns a loose tray of 250 long kernels at 300 dpi, one piece
// in ten cut.
func DefaultParams() Params {
	p := Params{
		Seed: 1, Kind: Long, Count: 250,
		BrokenShare: 0.1, PieceMin: 0.2, PieceMax: 0.92, Splinters: 0.03,
		MarginMM: 2, DPI: 300, Limb: 0.3, Seam: 0.35,
	}
	p.Take(LookScan)
	p.Crowd(Loose)
	return p
}

// Take sets how kernels scatter, the tray and all about light and camera to
// one of two ways to take a picture. It does nothing for any other value. The
// phone's numbers are chosen by eye on real photographs of rice on blue card.
func (p *Params) Take(l Look) {
	switch l {
	case LookScan:
		p.LengthCV, p.WidthCV, p.Curve, p.Natural = 0.045, 0.045, 0.03, 0
		p.Tray, p.Ground = TrayBlack, GroundSheet
		p.Light, p.LightDrop, p.Shadow, p.HandShadow, p.Stops = LightEven, 0.4, 0, 0, 0
		p.BlurPx, p.BlurEncoded, p.Noise, p.Sharpen = 0.7, true, 1.5, 0
	case LookPhone:
		p.LengthCV, p.WidthCV, p.Curve, p.Natural = 0.06, 0.07, 0.04, 1
		p.Tray, p.Ground = TrayBlue, GroundCard
		p.Light, p.LightDrop, p.Shadow, p.HandShadow, p.Stops = LightGradient, 0.3, 0.85, 0.4, 1.1
		p.BlurPx, p.BlurEncoded, p.Noise, p.Sharpen = 1, false, 1.5, 1
	}
}

// Crowd sets everything about contact (Cover, TouchShare, GroupMean, PressMM,
// GapMM and Mix) to one of three steps. It does nothing for any other value.
func (p *Params) Crowd(c Contact) {
	switch c {
	case Loose:
		p.Cover, p.TouchShare, p.GroupMean, p.PressMM, p.GapMM = 0.22, 0, 3, 0.08, 0.5
		p.Mix = Mix{Any: 1}
	case Touching:
		p.Cover, p.TouchShare, p.GroupMean, p.PressMM, p.GapMM = 0.24, 0.66, 3, 0.1, 0.25
		p.Mix = Mix{Any: 4, Side: 2, End: 1, Tee: 2, Crook: 1, Face: 0.5, Ring: 0.5}
	case Dense:
		p.Cover, p.TouchShare, p.GroupMean, p.PressMM, p.GapMM = 0.42, 0.97, 25, 0.16, 0.06
		p.Mix = Mix{Any: 3, Side: 3, End: 1, Tee: 2, Crook: 2, Face: 1, Ring: 2}
	}
}

// faults are parameters out of their range, by their flags.
type faults []error

func (f *faults) bad(name string, v any, want string) {
	*f = append(*f, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("%s is %v, want %s", name, v, want), Hint: "see traytally phantom --help"})
}

// check holds each field of a struct against its tag: the range of a number, or
// the names on offer, beside which a field with omitempty may have none.
func (f *faults) check(params any) {
	for field, v := range reflect.ValueOf(params).Fields() {
		name := "--" + field.Tag.Get("flag")
		if tag := field.Tag.Get("range"); tag != "" {
			var low, high float64
			if _, err := fmt.Sscan(tag, &low, &high); err != nil {
				panic(fmt.Sprintf("range of %s: %v", field.Name, err))
			}
			if x := v.Convert(reflect.TypeFor[float64]()).Float(); !(x >= low && x <= high) {
				f.bad(name, v, fmt.Sprintf("%g to %g", low, high))
			}
		}
		names := strings.Fields(field.Tag.Get("names"))
		if len(names) == 0 || v.IsZero() && strings.Contains(field.Tag.Get("json"), "omitempty") {
			continue
		}
		if last := len(names) - 1; !slices.Contains(names, v.String()) {
			f.bad(name, strconv.Quote(v.String()), strings.Join(names[:last], ", ")+" or "+names[last])
		}
	}
}

// ErrNoRoom is the cause where the pieces do not fit on the tray.
var ErrNoRoom = errors.New("no room on the tray")

// maxPixels keeps one picture within the memory of a small machine (1.2 GB).
const maxPixels = 300e6

// Validate returns nil, or the parameters that are out of range, each as a
// *fault.Error, joined.
func (p Params) Validate() error {
	var f faults
	f.check(p)
	if p.PieceMax < p.PieceMin {
		f.bad("--piece-max", p.PieceMax, "at least PieceMin")
	}
	sum := 0.0
	for _, d := range p.defects() {
		sum += d.share
	}
	if sum > 1+1e-9 {
		f.bad("sum of defect shares", sum, "at most 1")
	}
	if p.WidthMM != 0 || p.HeightMM != 0 {
		f.check(struct {
			WidthMM  float64 `range:"20 1000" flag:"width"`
			HeightMM float64 `range:"20 1000" flag:"height"`
		}{p.WidthMM, p.HeightMM})
	}
	sum = 0
	for _, w := range p.Mix.list() {
		if !(w >= 0 && w <= 1e6) {
			f.bad("a weight of the contacts", w, "0 to 1e6")
		}
		sum += w
	}
	if p.TouchShare > 0 && sum <= 0 {
		f.bad("the weight of each contact", 0, "one above 0 where pieces are to touch")
	}
	if len(f) == 0 {
		if w, h := p.sizeMM(); p.px(w)*p.px(h) > maxPixels {
			f.bad("picture", fmt.Sprintf("%.0f megapixels", p.px(w)*p.px(h)/1e6),
				fmt.Sprintf("at most %.0f: a lower DPI or a smaller picture", maxPixels/1e6))
		}
	}
	return errors.Join(f...)
}

const mmPerInch = 25.4

// pxPerMM returns the scale.
func (p Params) pxPerMM() float64 { return p.DPI / mmPerInch }

// px returns a length of the picture in whole pixels.
func (p Params) px(mm float64) float64 { return math.Round(mm * p.pxPerMM()) }

// sizeMM returns the size of the picture. Where none is given it has the
// proportions of a sheet of paper (√2), and the area that makes Cover true
// for kernels of the mean size.
func (p Params) sizeMM() (w, h float64) {
	if p.WidthMM != 0 {
		return p.WidthMM, p.HeightMM
	}
	s := milled[p.Kind]
	kernel := 0.83 * s.length * s.width // fuller than an ellipse, see shape.go
	n := float64(p.Count+p.Stones+p.Husks+p.Seeds) + float64(p.CutByEdge)/2
	// A coin or cap asks for three squares about it: room to lie apart.
	area := n*kernel/p.Cover + 3*(float64(p.Coins)*sq(coinMM[1])+float64(p.Caps)*sq(capMM[1]))
	h = math.Sqrt(area / math.Sqrt2)
	return max(30, h*math.Sqrt2) + 2*p.MarginMM, max(22, h) + 2*p.MarginMM
}

// How a piece differs from sound rice, as the truth file has it.
const (
	sound     = "none"
	chalky    = "chalky"
	yellow    = "yellow"
	red       = "red"
	streaked  = "streaked"
	black     = "black"
	spot      = "spot"
	paddy     = "paddy"
	stone     = "stone"
	husk      = "husk"
	seed      = "seed"
	coin      = "coin"
	bottleCap = "cap"
)

type defectShare struct {
	share     float64
	defect    string
	low, high float64 // share of the surface that is chalky
}

// defects lists the shares in the order in which they are drawn.
func (p Params) defects() []defectShare {
	return []defectShare{
		{p.Chalky, chalky, 0.78, 1},
		{p.PartChalky, sound, 0.52, 0.73},
		{p.WhiteBelly, sound, 0.1, 0.45},
		{p.Yellow, yellow, 0, 0},
		{p.Red, red, 0, 0},
		{p.Streaked, streaked, 0, 0},
		{p.Black, black, 0, 0},
		{p.Spotted, spot, 0, 0},
		{p.Paddy, paddy, 0, 0},
	}
}
