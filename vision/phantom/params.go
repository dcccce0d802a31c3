package phantom

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
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

// Kinds lists the kinds from the most slender to the roundest.
func Kinds() []Kind { return []Kind{Slender, Long, Medium, Short, Bold} }

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

// Lights lists the ways to light a tray.
func Lights() []Light { return []Light{LightEven, LightFallOff, LightGradient} }

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

// Trays lists the tray colours.
func Trays() []Tray {
	return []Tray{TrayBlack, TrayBlue, TrayBrown, TrayGrey, TraySky, TrayGreen}
}

// A Ground is the stuff of the tray; its colour is the Tray's.
type Ground string

const (
	GroundSheet   Ground = ""        // smooth but for a fine grain
	GroundCard    Ground = "card"    // matt, with clouds and short fibres
	GroundCloth   Ground = "cloth"   // woven, whatever Weave says
	GroundLeather Ground = "leather" // creased
	GroundWood    Ground = "wood"    // long grain and pores
)

// Grounds lists the grounds.
func Grounds() []Ground {
	return []Ground{GroundSheet, GroundCard, GroundCloth, GroundLeather, GroundWood}
}

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
// gives a legal start; the range stands behind each field.
type Params struct {
	// same Params, same tray
	Seed uint64 `json:"seed"`

	// What lies on the tray.

	// default Long
	Kind Kind `json:"kind"`
	// rice pieces lying whole in the picture; 0..20000, default 250
	Count int `json:"count"`
	// scatter of whole-kernel length, SD/mean; 0..0.15, default 0.045
	LengthCV float64 `json:"length_cv"`
	// the same of width; 0..0.15, default 0.045
	WidthCV float64 `json:"width_cv"`
	// greatest bow of the axis, as a share of the length; 0..0.12, default 0.03
	Curve float64 `json:"curve"`
	// kernels lying on their side, so that thickness is seen as width; 0..1, default 0
	OnSideShare float64 `json:"on_side_share"`
	// chance of each piece to be cut from a kernel; 0..1, default 0.1
	BrokenShare float64 `json:"broken_share"`
	// > 0: instead of BrokenShare, as many cut pieces as bring broken_mass_pct of the truth
	// nearest to this; 0..95 %, default 0. With the default pieces no more than about 65 %
	// come about, as long ones do not count as broken: lower PieceMax for more
	BrokenMass float64 `json:"broken_mass_pct_wanted"`
	// least share of the length that a cut piece keeps; 0.05..1, default 0.2
	PieceMin float64 `json:"piece_min"`
	// greatest; PieceMin..1, default 0.92
	PieceMax float64 `json:"piece_max"`
	// share of the cut pieces that are split lengthwise too; 0..1, default 0.03
	Splinters float64 `json:"splinter_share"`
	// share of pieces with 3/4 or more of the surface chalky (Codex CXS 198 annex); this and
	// the shares up to Paddy: 0..1, sum at most 1, default 0
	Chalky float64 `json:"chalky_share"`
	// with half to under 3/4 chalky, in patches
	PartChalky float64 `json:"part_chalky_share"`
	// with a tenth to 0.45 chalky: below every limit
	WhiteBelly float64 `json:"white_belly_share"`
	// yellow to amber all over
	Yellow float64 `json:"yellow_share"`
	// red bran on over 1/4 of the surface
	Red float64 `json:"red_share"`
	// red streaks, at least half as long as the piece, on under 1/4 of the surface
	Streaked float64 `json:"red_streaked_share"`
	// black or dark brown
	Black float64 `json:"black_share"`
	// one or two dark spots
	Spotted float64 `json:"spotted_share"`
	// in the husk; of rough-rice size, never cut
	Paddy float64 `json:"paddy_share"`
	// the whole sample is amber and glassy
	Parboiled bool `json:"parboiled"`
	// this and Husks, Seeds: foreign bodies beyond Count; 0..1000, default 0
	Stones int `json:"stones"`
	Husks  int `json:"husks"`
	Seeds  int `json:"seeds"`
	// specks of 0.05 to 0.25 mm; not in the truth's list; 0..100000, default 0
	Dust int `json:"dust_specks"`
	// kernels beyond Count that the picture's edge cuts; 0..1000, default 0
	CutByEdge int `json:"cut_by_edge"`
	// 0: as wide as Cover asks for, else 20..1000; default 0
	WidthMM float64 `json:"picture_width_mm"`
	// 0 exactly where WidthMM is, else 20..1000; default 0
	HeightMM float64 `json:"picture_height_mm"`
	// share of the picture that the pieces cover where no size is given; 0.02..0.45, default
	// 0.22
	Cover float64 `json:"cover"`
	// free rim inside the picture's edge; 0..20, default 2
	MarginMM float64 `json:"margin_mm"`
	// share of pieces laid in groups that touch; 0..1, default 0
	TouchShare float64 `json:"touch_share"`
	// mean number of pieces in such a group; 2..200, default 3
	GroupMean float64 `json:"group_mean"`
	// greatest depth to which outlines press into each other; 0.02..0.3, default 0.08
	PressMM float64 `json:"press_mm"`
	// least distance between pieces that do not touch; 0..5, default 0.5
	GapMM float64 `json:"gap_mm"`
	// how pieces touch
	Mix Mix `json:"contact_mix"`
	// 100..1200, default 300
	DPI float64 `json:"dpi"`
	// default LightEven
	Light Light `json:"light"`
	// share of light lost at the darkest corner or side; 0..0.9, default 0.4, without effect
	// under LightEven
	LightDrop float64 `json:"light_drop"`
	// darkness of the soft shadow that pieces cast on the tray; 0..1, default 0
	Shadow float64 `json:"shadow"`
	// default TrayBlack
	Tray Tray `json:"tray"`
	// contrast of a woven texture of the tray; 0..1, default 0
	Weave float64 `json:"weave"`
	// how much darker a kernel is at its rim than on its back; 0..0.8, default 0.3
	Limb float64 `json:"limb"`
	// darkness of the groove where pieces touch, at most, as it differs by contact; 0..1,
	// default 0.35
	Seam float64 `json:"seam"`
	// SD of the Gaussian blur in pixels; 0..8, default 0.7
	BlurPx float64 `json:"blur_px"`
	// blur the encoded values, as the resampling of a finished picture does, in place of the
	// light, as a lens does; default true. It moves the half-height of an edge: between a kernel and a
	// black tray the encoded half-height of a blurred light lies about 0.6 SD outside the
	// outline, that of blurred values on it
	BlurEncoded bool `json:"blur_encoded"`
	// SD of the noise, in steps of the 8-bit encoded values; 0..30, default 1.5
	Noise float64 `json:"noise_levels"`

	// As real rice and phones are. All default to 0, which leaves pictures and truth files as
	// they were before there were these.

	// how far a kernel looks as real ones do: rim darker or brighter, clear and chalky zones,
	// glint, furrow, germ notch, shaded face of a fracture; the ground's colour, the white balance and the
	// lamp's place vary by picture; 0..1
	Natural float64 `json:"natural,omitempty"`
	// share of the pieces that lie on others; 0..0.4
	Pile float64 `json:"pile_share,omitempty"`
	// this and Caps: things that are no rice, listed in Truth.Objects; 0..20
	Coins int `json:"coins,omitempty"`
	Caps  int `json:"caps,omitempty"`
	// default GroundSheet
	Ground Ground `json:"ground,omitempty"`
	// exposure over that of a scanner, which shows the tray's and the kernels' own colours; -4..3 stops
	Stops float64 `json:"exposure_stops,omitempty"`
	// share of light lost in the shadow of the hand that holds the phone; 0..0.9
	HandShadow float64 `json:"hand_shadow,omitempty"`
	// halo of a sharpened picture: what of the difference from a mean of about 5 pixels across is
	// added to the brightness; 0..3
	Sharpen float64 `json:"sharpen,omitempty"`
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

// A ParamError says which parameter is out of its range.
type ParamError struct {
	Field string // as in the struct
	Value string
	Want  string
}

func (e *ParamError) Error() string {
	return fmt.Sprintf("%s is %s, want %s", e.Field, e.Value, e.Want)
}

// faults are parameters out of their range.
type faults []error

func (f *faults) bad(field string, v any, want string) {
	*f = append(*f, &ParamError{Field: field, Value: fmt.Sprint(v), Want: want})
}

func (f *faults) between(field string, v, low, high float64) {
	if !(v >= low && v <= high) {
		f.bad(field, v, fmt.Sprintf("%g to %g", low, high))
	}
}

// ErrNoRoom is the cause where the pieces do not fit on the tray.
var ErrNoRoom = errors.New("no room on the tray")

// maxPixels keeps one picture within the memory of a small machine (1.2 GB).
const maxPixels = 300e6

// Validate returns nil, or the parameters that are out of range, each as a
// *ParamError, joined.
func (p Params) Validate() error {
	var f faults
	bad, between := f.bad, f.between
	whole := func(field string, v, high int) {
		if v < 0 || v > high {
			bad(field, v, fmt.Sprintf("0 to %d", high))
		}
	}
	if !slices.Contains(Kinds(), p.Kind) {
		bad("Kind", fmt.Sprintf("%q", p.Kind), oneOf(Kinds()))
	}
	whole("Count", p.Count, 20000)
	between("LengthCV", p.LengthCV, 0, 0.15)
	between("WidthCV", p.WidthCV, 0, 0.15)
	between("Curve", p.Curve, 0, 0.12)
	between("OnSideShare", p.OnSideShare, 0, 1)
	between("BrokenShare", p.BrokenShare, 0, 1)
	between("BrokenMass", p.BrokenMass, 0, 95)
	between("PieceMin", p.PieceMin, 0.05, 1)
	between("PieceMax", p.PieceMax, 0.05, 1)
	if p.PieceMax < p.PieceMin {
		bad("PieceMax", p.PieceMax, "at least PieceMin")
	}
	between("Splinters", p.Splinters, 0, 1)
	for _, d := range p.defects() {
		between(d.field, d.share, 0, 1)
	}
	if sum := p.defectSum(); sum > 1+1e-9 {
		bad("sum of defect shares", sum, "at most 1")
	}
	whole("Stones", p.Stones, 1000)
	whole("Husks", p.Husks, 1000)
	whole("Seeds", p.Seeds, 1000)
	whole("Dust", p.Dust, 100000)
	whole("CutByEdge", p.CutByEdge, 1000)
	if p.WidthMM != 0 || p.HeightMM != 0 {
		between("WidthMM", p.WidthMM, 20, 1000)
		between("HeightMM", p.HeightMM, 20, 1000)
	}
	between("Cover", p.Cover, 0.02, 0.45)
	between("MarginMM", p.MarginMM, 0, 20)
	between("TouchShare", p.TouchShare, 0, 1)
	between("GroupMean", p.GroupMean, 2, 200)
	between("PressMM", p.PressMM, 0.02, 0.3)
	between("GapMM", p.GapMM, 0, 5)
	sum := 0.0
	for _, w := range p.Mix.list() {
		if !(w >= 0 && w <= 1e6) {
			bad("Mix", w, "weights of 0 to 1e6")
		}
		sum += w
	}
	if p.TouchShare > 0 && sum <= 0 {
		bad("Mix", "all 0", "one weight above 0 where pieces are to touch")
	}
	between("DPI", p.DPI, 100, 1200)
	if !slices.Contains(Lights(), p.Light) {
		bad("Light", fmt.Sprintf("%q", p.Light), oneOf(Lights()))
	}
	between("LightDrop", p.LightDrop, 0, 0.9)
	between("Shadow", p.Shadow, 0, 1)
	if !slices.Contains(Trays(), p.Tray) {
		bad("Tray", fmt.Sprintf("%q", p.Tray), oneOf(Trays()))
	}
	between("Weave", p.Weave, 0, 1)
	between("Limb", p.Limb, 0, 0.8)
	between("Seam", p.Seam, 0, 1)
	between("BlurPx", p.BlurPx, 0, 8)
	between("Noise", p.Noise, 0, 30)
	between("Natural", p.Natural, 0, 1)
	between("Pile", p.Pile, 0, 0.4)
	whole("Coins", p.Coins, 20)
	whole("Caps", p.Caps, 20)
	if !slices.Contains(Grounds(), p.Ground) {
		bad("Ground", fmt.Sprintf("%q", p.Ground), oneOf(Grounds()[1:]))
	}
	between("Stops", p.Stops, -4, 3)
	between("HandShadow", p.HandShadow, 0, 0.9)
	between("Sharpen", p.Sharpen, 0, 3)
	if len(f) == 0 {
		if w, h := p.sizeMM(); p.px(w)*p.px(h) > maxPixels {
			bad("picture", fmt.Sprintf("%.0f megapixels", p.px(w)*p.px(h)/1e6),
				fmt.Sprintf("at most %.0f: a lower DPI or a smaller picture", maxPixels/1e6))
		}
	}
	return errors.Join(f...)
}

func oneOf[T ~string](names []T) string {
	s := make([]string, len(names))
	for i, n := range names {
		s[i] = string(n)
	}
	last := len(s) - 1
	return strings.Join(s[:last], ", ") + " or " + s[last]
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

// A defect is how a piece differs from sound rice; the text is that of the
// truth file.
type defect string

const (
	sound    defect = "none"
	chalky   defect = "chalky"
	yellow   defect = "yellow"
	red      defect = "red"
	streaked defect = "streaked"
	black    defect = "black"
	spot     defect = "spot"
	paddy    defect = "paddy"
	stone    defect = "stone"
	husk     defect = "husk"
	seed     defect = "seed"

	coin      defect = "coin"
	bottleCap defect = "cap"
)

func (d defect) foreign() bool {
	return d == stone || d == husk || d == seed || d == coin || d == bottleCap
}

type defectShare struct {
	field     string
	share     float64
	defect    defect
	low, high float64 // share of the surface that is chalky
}

// defects lists the shares in the order in which they are drawn.
func (p Params) defects() []defectShare {
	return []defectShare{
		{"Chalky", p.Chalky, chalky, 0.78, 1},
		{"PartChalky", p.PartChalky, sound, 0.52, 0.73},
		{"WhiteBelly", p.WhiteBelly, sound, 0.1, 0.45},
		{"Yellow", p.Yellow, yellow, 0, 0},
		{"Red", p.Red, red, 0, 0},
		{"Streaked", p.Streaked, streaked, 0, 0},
		{"Black", p.Black, black, 0, 0},
		{"Spotted", p.Spotted, spot, 0, 0},
		{"Paddy", p.Paddy, paddy, 0, 0},
	}
}

func (p Params) defectSum() float64 {
	sum := 0.0
	for _, d := range p.defects() {
		sum += d.share
	}
	return sum
}
