// Package kernel holds the measured rice kernel: plain data that the picture
// side (vision) writes and the judging side (grading, samples) reads. It
// imports nothing but the standard library and knows neither pixels' values
// nor trade rules.
//
// # Frame and units
//
// Positions are in the picture as it is displayed (stored orientation already
// applied): x grows to the right, y downwards, and pixel centres lie at
// integers, so the picture covers [-0.5, width-0.5) × [-0.5, height-0.5).
// Measures carry their unit in the name: Px, Px2 and Px3 are pixels, square
// and cubic pixels of the picture's horizontal pixel pitch. Divide by
// Tray.PxPerMM (its square, its cube) for millimetres.
package kernel

import (
	"math"
	"slices"
)

// A Point is a position in the picture; see the package comment for the frame.
type Point struct{ X, Y float64 }

// Sub returns p-q.
func (p Point) Sub(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

// Dist returns the distance of p and q in pixels.
func (p Point) Dist(q Point) float64 {
	x, y := p.X-q.X, p.Y-q.Y
	return math.Sqrt(x*x + y*y) // math.Hypot guards against overflow, at several times the cost
}

// End says how one tip of a kernel looks.
type End uint8

// The zero value is EndUnknown.
const (
	EndUnknown End = iota // not judged: hidden by a neighbour or too small
	EndIntact             // rounded or pointed as a grown tip
	EndBroken             // a fracture runs across the kernel
)

// String returns "unknown", "intact" or "broken".
func (e End) String() string {
	switch e {
	case EndIntact:
		return "intact"
	case EndBroken:
		return "broken"
	}
	return "unknown"
}

// A Form says what one tip of a kernel most likely is.
type Form uint8

// The zero value is TipHidden.
const (
	TipHidden  Form = iota // a neighbour lies before it, or nothing was judged
	TipRounded             // grown
	TipPointed             // grown, narrower than an ellipse ends
	TipGerm                // grown, with the oblique flat or notch where the germ sat
	TipSquare              // a fracture across the kernel
	TipOblique             // a slanting fracture: what is left is pointed at one side
)

// String returns the form in one word.
func (f Form) String() string {
	return [...]string{"hidden", "rounded", "pointed", "germ", "square", "oblique"}[min(f, TipOblique)]
}

// Fractured reports whether f is a fracture's.
func (f Form) Fractured() bool { return f == TipSquare || f == TipOblique }

// A Tip is what the picture shows of one tip.
type Tip struct {
	Form Form
	// Fracture is the chance, 0..1, that a fracture runs across it, if as many
	// tips are fractured as grown; it says nothing where the tip is hidden.
	Fracture float64
}

// A Flag names something seen on a kernel that is not its size.
type Flag string

// The flags a kernel can carry. Which of them is a defect, and from which
// share on, is a matter of the standard in use, not of this package.
const (
	Chalky      Flag = "chalky"
	Yellow      Flag = "yellow"
	Red         Flag = "red"
	RedStreaked Flag = "red_streaked"
	Damaged     Flag = "damaged"
	Paddy       Flag = "paddy"
	Foreign     Flag = "foreign" // not rice: stone, seed, husk
	Odd         Flag = "odd"     // unlike the sample's sound kernels, kind not told
)

// A Call says what a person called a piece. Which size a broken one has follows
// from its length.
type Call string

// The calls.
const (
	CalledWhole  Call = "whole"
	CalledBroken Call = "broken"
)

// A Kernel is one piece found on a tray: a whole kernel, a broken piece or a
// foreign body.
type Kernel struct {
	ID   int     // from 1, in reading order within its tray
	X, Y float64 // centroid of the outline, px

	// LengthPx is the greatest caliper (Feret) diameter of the outline and
	// WidthPx the least; both > 0, LengthPx >= WidthPx.
	LengthPx, WidthPx float64
	// AxisLengthPx is the extent along the piece's own principal axis. On an
	// intact kernel it equals LengthPx within a percent; on a square-cut piece
	// it is less, because the caliper reads the diagonal.
	AxisLengthPx float64
	// AreaPx2 is the projected area inside the outline.
	AreaPx2 float64
	// VolumePx3 is the solid volume from the width profile w(x) along the axis
	// with elliptic sections: (π/4)·κ·Σ w(x)²·dx, κ = thickness/width from a
	// handbook table. Where a fracture narrows a piece the section is what is
	// left of the kernel's ellipse. Only ratios enter mass shares, so κ cancels
	// there.
	VolumePx3 float64
	// LengthSDPx is the standard uncertainty of LengthPx (> 0): edge noise for
	// a free-lying kernel, more where a fracture is ragged or a neighbour hid
	// part of the outline.
	LengthSDPx float64

	// AngleRad is the direction of the axis, in (-π/2, π/2].
	AngleRad float64
	// Solidity is area over convex-hull area, in (0, 1].
	Solidity float64
	// ForeignChance is the network's own chance that the body is no rice, 0..1.
	ForeignChance float64
	// Ends holds the state of the two tips (order without meaning): broken or
	// intact where Tips leave little doubt.
	Ends [2]End
	Tips [2]Tip // in the order of Ends
	// Contacts is the number of cut faces, places where the outline is a
	// dividing line towards a touching neighbour; 0 for a free-lying kernel.
	Contacts int

	// CoveredShare is the mean chance, 0..1, that another kernel lies over the
	// piece's rim; 0 where nothing does or nothing tells.
	CoveredShare float64

	// Lab is the mean colour in CIELAB (D65, 2°): L* 0..100, a*, b*, of the
	// mean of the linear values, in the light that falls on its place.
	Lab [3]float64
	// ChalkShare is the share of the visible surface that is opaque white, 0..1.
	ChalkShare float64
	Surface    Surface
	// Flags are none as measured; the judging side returns kernels that have
	// theirs.
	Flags []Flag
	// Called is what a person called the piece, whatever it measures; empty where
	// nobody did.
	Called Call `json:",omitempty"`

	Outline []Point // closed sub-pixel polygon, last point not repeated
}

// A Surface is what the picture shows on the upper side of a piece, measured
// against the usual kernel of the same sample (Tray.Look). Shares are of the
// visible surface, 0..1. It is all zero where Pixels is 0: nothing could be
// measured.
type Surface struct {
	Pixels     int     // taken for colour
	BurntShare float64 // share of them with a channel at the top of its range
	Light      float64 // light at its place over that at the usual kernel, > 0
	// EvenLab is the median colour of the inner part, as it would be in the
	// mean light of the tray: L*, a*, b*.
	EvenLab [3]float64
	// DeltaE00 is the CIEDE2000 difference of EvenLab from the usual kernel.
	DeltaE00 float64

	// ChalkStep is how much lighter, in L*, the opaque part is than the rest
	// of the same kernel; 0 where the surface is of one kind.
	ChalkStep float64
	ChalkZone ChalkZone // where that part lies
	// YellowShare is coloured yellow to brown, RedShare red, DarkShare dark
	// (spots, stains, black); RedLength is the total length of the red marks
	// along the kernel over the kernel's length, and can pass 1.
	YellowShare, RedShare, RedLength, DarkShare float64
	// StainShare is the largest place that is yellow to brown against its own
	// kernel.
	StainShare float64
	// Spots is the number of separate dark spots, SpotShare the largest one.
	Spots     int
	SpotShare float64
}

// A ChalkZone says where the opaque part of a kernel lies. From above belly and
// back look alike: both are a side.
type ChalkZone string

// The zero value says that the surface is of one kind.
const (
	ChalkCore  ChalkZone = "core"
	ChalkSide  ChalkZone = "side"
	ChalkEnd   ChalkZone = "end"
	ChalkWhole ChalkZone = "whole"
)

// SurfaceLimits say from which difference on a place of the surface counts as
// coloured, dark or opaque. They belong to the measurement, as the half height
// of an edge does to a length; which share of the surface then makes a kernel
// red, damaged or chalky is not decided here. Where usual kernels vary so much
// at that place that four of their standard deviations are more, that counts.
type SurfaceLimits struct {
	// YellowShift is the least rise of b*, at equal lightness, 2..40. Default
	// 6: chroma 6 above the usual one is visibly yellow (trade experience, from
	// memory).
	YellowShift float64 `yaml:"yellow_shift" json:"yellow_shift"`
	// RedShift is the least rise of a*, 2..40. Default 5 (from memory: red bran
	// reads a* above 5); on rendered trays full bran has 26.
	RedShift float64 `yaml:"red_shift" json:"red_shift"`
	// DarkDrop is how much lower L* is in a spot than on the kernel around it,
	// 8..60. Default 15: half of the luminance is lost (L* 72 to 54).
	DarkDrop float64 `yaml:"dark_drop" json:"dark_drop"`
	// ChalkStep is the least difference in L* between an opaque and a
	// translucent part of one kernel, 3..30. Default 6: half of the 12 that
	// chalk is lighter on a dark tray (rendered trays).
	ChalkStep float64 `yaml:"chalk_step" json:"chalk_step"`
}

// DefaultSurfaceLimits returns the limits given with each field.
func DefaultSurfaceLimits() SurfaceLimits {
	return SurfaceLimits{YellowShift: 6, RedShift: 5, DarkDrop: 15, ChalkStep: 6}
}

// A Look is the usual kernel of a sample: the yardstick of all Surfaces.
type Look struct {
	Lab    [3]float64 // colour in the mean light of the tray
	Ground [3]float64 // colour of the tray, L*, a*, b*
	// SpreadL and SpreadB are robust standard deviations among usual kernels:
	// of L*, and of b* at equal lightness; > 0.
	SpreadL, SpreadB float64
	// NoiseL and NoiseA are the usual standard deviations of L* and a* over
	// the surface of one kernel, shading taken off.
	NoiseL, NoiseA float64
	// Shade is how L*+16 falls from the inner part of a kernel to its flanks
	// and tips, as a share: eight equal steps from the flank to the middle, and
	// that four times, from the middle of its length to the tips. Uneven holds
	// the standard deviations of L*, a* and b* there among usual kernels.
	Shade  [32]float64
	Uneven [32][3]float32

	LengthPx, WidthPx float64 // of a whole kernel
	Kernels           int     // it rests on; 0: there is no yardstick
}

// Has reports whether k carries the flag f.
func (k *Kernel) Has(f Flag) bool {
	return slices.Contains(k.Flags, f)
}

// Intact reports whether both tips were judged and look grown, not fractured.
func (k *Kernel) Intact() bool { return k.Ends[0] == EndIntact && k.Ends[1] == EndIntact }

// Odds returns how many times likelier the look of tip i is where a fracture
// runs across it than where it is grown; 1 where it was not judged, and 19 or
// 1/19 in kernels measured before tips had a chance.
func (k *Kernel) Odds(i int) float64 {
	switch t := k.Tips[i]; {
	case t.Form != TipHidden:
		f := min(0.99, max(0.01, t.Fracture))
		return f / (1 - f)
	case k.Ends[i] == EndBroken:
		return 19
	case k.Ends[i] == EndIntact:
		return 1.0 / 19
	}
	return 1
}

// A Cluster is a group of touching pieces that could not be told apart with
// confidence. It is reported, and never counted as a kernel.
type Cluster struct {
	X, Y    float64 // centroid, px
	AreaPx2 float64
	// Bounds is the bounding box in whole pixels, half-open.
	MinX, MinY, MaxX, MaxY int
}

// A Tray is everything measured on one picture.
type Tray struct {
	Picture  string // as the user named it
	WidthPx  int
	HeightPx int
	PxPerMM  float64 // scale; 0 means not known
	// ShownPxPerMM is the scale of the picture as displayed, in its middle,
	// where the measures were taken in a straightened picture of another scale
	// (PxPerMM); else 0. Positions and outlines are in the picture as displayed.
	ShownPxPerMM float64
	// PixelAspect is the height of a pixel over its width; 0 stands for 1.
	PixelAspect   float64 `json:",omitempty"`
	ScaleSource   string  // where PxPerMM came from, for people: "stored resolution (JFIF, 300 dpi)"
	Kernels       []Kernel
	CutByEdge     int       // pieces left out because the picture's edge cuts through them
	Unresolved    []Cluster // touching groups that were not separated
	Objects       []Cluster // large things that are no rice (a cap, a ruler), left out with what belongs to them
	TooSmall      int       // specks below the least measurable piece, left out
	KernelAreaPx2 float64   // area of everything taken for rice, unresolved clusters included
	Look          Look      // the usual kernel
	Balance       string    // where neutral was taken from, for people
	Grey          bool      // the picture holds no colour: hue and chroma say nothing
	Calibrated    bool      // colours are absolute: brought to a patch of known reflectance
	BurntShare    float64   // share of the kernels' pixels with a channel at the top of its range
	Warnings      []Warning
}

// A Warning is a doubt about a picture that the user should hear.
type Warning struct {
	Code   string // stable, for machines: "blurred", "burnt_out", "small_kernels", …
	Text   string // for people, one sentence, lower case
	Hint   string // what to do about it
	Value  float64
	Limit  float64
	Metric string // what Value measures, with unit
}
