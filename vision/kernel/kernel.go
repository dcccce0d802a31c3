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

import "math"

// A Point is a position in the picture; see the package comment for the frame.
type Point struct{ X, Y float64 }

// Sub returns p-q.
func (p Point) Sub(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

// Dist returns the distance of p and q in pixels.
func (p Point) Dist(q Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }

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
	// with elliptic sections: (π/4)·κ·Σ w(x)²·dx, κ = thickness/width taken
	// from handbook tables by shape. Only ratios of it enter mass shares, so κ
	// cancels there.
	VolumePx3 float64
	// LengthSDPx is the standard uncertainty of LengthPx (> 0): edge noise for
	// a free-lying kernel, more where a neighbour hid part of the outline.
	LengthSDPx float64

	// AngleRad is the direction of the axis, in (-π/2, π/2].
	AngleRad float64
	// Solidity is area over convex-hull area, in (0, 1].
	Solidity float64
	// Ends holds the state of the two tips (order without meaning).
	Ends [2]End
	// Contacts is the number of cut faces, places where the outline is a
	// dividing line towards a touching neighbour; 0 for a free-lying kernel.
	Contacts int

	// Lab is the mean colour in CIELAB (D65, 2°): L* 0..100, a*, b*.
	Lab [3]float64
	// ChalkShare is the share of the visible surface that is opaque white, 0..1.
	ChalkShare float64
	Flags      []Flag

	Outline []Point // closed sub-pixel polygon, last point not repeated
}

// Has reports whether k carries the flag f.
func (k *Kernel) Has(f Flag) bool {
	for _, g := range k.Flags {
		if g == f {
			return true
		}
	}
	return false
}

// Intact reports whether both tips were judged and look grown, not fractured.
func (k *Kernel) Intact() bool { return k.Ends[0] == EndIntact && k.Ends[1] == EndIntact }

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
	Picture       string // as the user named it
	WidthPx       int
	HeightPx      int
	PxPerMM       float64 // scale; 0 means not known
	ScaleSource   string  // where PxPerMM came from, for people: "stored resolution (JFIF, 300 dpi)"
	Kernels       []Kernel
	CutByEdge     int       // pieces left out because the picture's edge cuts through them
	Unresolved    []Cluster // touching groups that were not separated
	TooSmall      int       // specks below the least measurable piece, left out
	KernelAreaPx2 float64   // area of everything taken for rice, unresolved clusters included
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
