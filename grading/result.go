package grading

import (
	"math"

	"traytally/vision/kernel"
)

// Schema names the form of the JSON that a Result marshals to. A change that
// could break a reader changes the number.
const Schema = "traytally.grade/1"

// MethodVersion numbers the arithmetic of this package: the same kernels and
// parameters give the same figures as long as it stays.
const MethodVersion = "3"

// A Result is a graded sample. It marshals to the JSON that the tool writes:
// units in key names, no null lists, numbers rounded to four decimals (ratios
// to six), the same bytes for the same kernels and parameters.
type Result struct {
	Schema   string            `json:"schema"`
	Versions map[string]string `json:"versions"` // what took part; the caller adds its own
	Params   Params            `json:"params"`
	Pictures []Picture         `json:"pictures"`

	// ReferenceLengthMM is the whole-kernel length in mm; absent without a
	// scale and where it is not told. ReferenceLengthPx is the same in pixels, PxPerMM the scale; absent
	// where the pictures differ in scale, PxPerMM also without one.
	ReferenceLengthMM float64   `json:"reference_length_mm,omitempty"`
	ReferenceLengthPx float64   `json:"reference_length_px,omitempty"`
	PxPerMM           float64   `json:"px_per_mm,omitempty"`
	Reference         Reference `json:"reference"`

	Broken     BrokenResult     `json:"broken"`
	TradeClass *TradeClass      `json:"trade_class"`
	Shares     []ShareResult    `json:"shares"` // size classes, flags, foreign bodies, always in this order
	CutByEdge  int              `json:"cut_by_edge"`
	Unresolved UnresolvedResult `json:"unresolved"`
	// Grade is the outcome under a standard: what Evaluate returns for Sample,
	// set by the caller; null until then.
	Grade *Grade `json:"grade"`
	// ColourProfile is the one the flags were set by; set by the caller.
	ColourProfile *Profile `json:"colour_profile"`
	// Whiteness is how white the lot looks; null where no colour was measured.
	Whiteness   *Whiteness    `json:"whiteness"`
	NotAssessed []NotAssessed `json:"not_assessed"`
	Warnings    []Warning     `json:"warnings"`
	Kernels     []KernelRow   `json:"kernels"`

	// Sample holds the unrounded pieces behind the figures, for further limits.
	Sample *Sample `json:"-"`
}

// NotProven reports whether the interval leaves the outcome open: the grade, or
// without a standard the trade class.
func (r *Result) NotProven() bool {
	if g := r.Grade; g != nil {
		return g.Result != "not assessed" && (g.Proven != g.Grade || g.Grade == "" && g.NotExcluded != "")
	}
	return r.TradeClass != nil && r.TradeClass.Verdict == NotProven
}

// A Picture is what was found on one tray.
type Picture struct {
	Picture     string  `json:"picture"`
	WidthPx     int     `json:"width_px"`
	HeightPx    int     `json:"height_px"`
	PxPerMM     float64 `json:"px_per_mm,omitempty"`
	ScaleSource string  `json:"scale_source,omitempty"`
	Kernels     int     `json:"kernels"` // foreign bodies included
	CutByEdge   int     `json:"cut_by_edge"`
	Unresolved  int     `json:"unresolved"` // groups
	TooSmall    int     `json:"too_small"`
	// ColourBalance says where neutral was taken from; Calibrated that colours
	// are absolute.
	ColourBalance string `json:"colour_balance,omitempty"`
	Calibrated    bool   `json:"colour_calibrated"`
	Objects       int    `json:"objects"` // large things that are no rice, left out
}

// An Interval is an Estimate with its half width in points and the number of
// equal, independent kernels that would give it.
type Interval struct {
	Estimate
	HalfWidth  float64 `json:"half_width"`
	EffectiveN float64 `json:"effective_n"`
}

// Intervals are one share, by mass and by count, percent.
type Intervals struct {
	MassPct  Interval `json:"mass_pct"`
	CountPct Interval `json:"count_pct"`
}

// A BrokenResult is the share of pieces shorter than the cut; where the
// whole-kernel length is not told, that of pieces with a fracture.
type BrokenResult struct {
	Intervals
	Found int `json:"found"`
	// Untold counts the pieces that may be whole or broken: they are in the
	// interval, not in the value.
	Untold int    `json:"untold"`
	Budget Budget `json:"budget"` // of the share by mass
	// Other is the same by the other length measure: what the choice between
	// caliper and axis does. Null where that gives no reference length.
	Other *OtherMeasure `json:"other_measure"`
}

// An OtherMeasure is the broken share by the length measure not chosen.
type OtherMeasure struct {
	Measure         LengthMeasure `json:"length_measure"`
	ReferenceLength float64       `json:"reference_length"` // in the unit of Reference
	Intervals
}

// Kinds of ShareResult.
const (
	KindClass   = "class"   // share of the rice; the classes add up to all of it
	KindFlag    = "flag"    // share of the rice; a kernel may carry several
	KindForeign = "foreign" // share of everything on the trays
)

// A ShareResult is the share of one class or flag.
type ShareResult struct {
	Name  string `json:"name"`
	Kind  string `json:"kind"`
	Found int    `json:"found"`
	Intervals
}

// An UnresolvedResult counts what could not be taken apart.
type UnresolvedResult struct {
	Clusters  int     `json:"clusters"`
	AreaShare float64 `json:"area_share"` // of the area of all rice, 0..1
}

// A NotAssessed is something that was asked for and could not be decided.
type NotAssessed struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

// A Warning is a doubt that the user should hear.
type Warning struct {
	Code    string  `json:"code"` // stable, for machines
	Text    string  `json:"text"` // for people, lower case, no full stop
	Hint    string  `json:"hint,omitempty"`
	Picture string  `json:"picture,omitempty"` // where it concerns one picture
	Value   float64 `json:"value"`
	Limit   float64 `json:"limit"`
	Metric  string  `json:"metric"` // what Value measures, with unit
}

// A KernelRow is one piece, measures in mm where there is a scale, else in px.
type KernelRow struct {
	ID        int     `json:"id"`
	Picture   string  `json:"picture"`
	X         float64 `json:"x_px"`
	Y         float64 `json:"y_px"`
	LengthMM  float64 `json:"length_mm,omitempty"`
	WidthMM   float64 `json:"width_mm,omitempty"`
	AreaMM2   float64 `json:"area_mm2,omitempty"`
	VolumeMM3 float64 `json:"volume_mm3,omitempty"`
	LengthPx  float64 `json:"length_px,omitempty"`
	WidthPx   float64 `json:"width_px,omitempty"`
	AreaPx2   float64 `json:"area_px2,omitempty"`
	VolumePx3 float64 `json:"volume_px3,omitempty"`
	// LengthRatio is by the measure chosen, to the reference; absent without one.
	LengthRatio float64 `json:"length_ratio,omitempty"`
	Class       Class   `json:"class"`
	// Ends says "intact" or "broken" where that is fairly sure, else "unknown";
	// Tips their likeliest forms: "rounded", "pointed" or "germ" where grown,
	// "square" or "oblique" where fractured, "chipped" where a fracture left a
	// head kernel, "unknown" where hidden. FractureChance is that of a fracture,
	// 0.01..0.99, at even odds before the look; 0.5 where hidden.
	Ends           [2]string  `json:"ends"`
	Tips           [2]string  `json:"tips"`
	FractureChance [2]float64 `json:"fracture_chance"`
	CoveredShare   float64    `json:"covered_share"`
	Flags          []string   `json:"flags"`
	Lab            [3]float64 `json:"lab"`
	ChalkShare     float64    `json:"chalk_share"`
	// Called is what a person called it, "whole" or "broken".
	Called kernel.Call `json:"called,omitempty"`
	// ChalkZone is where the chalk lies; empty where there is none.
	ChalkZone kernel.ChalkZone `json:"chalk_zone,omitempty"`
}

// Length returns the caliper length, in mm where there is a scale, else in px.
func (k *KernelRow) Length() float64 { return max(k.LengthMM, k.LengthPx) }

// flagOrder is the order in which flags are reported.
var flagOrder = [...]kernel.Flag{
	kernel.Chalky, kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Damaged, kernel.Paddy, kernel.Odd,
}

// round returns v with the given number of decimals; what is not a finite
// number becomes 0, and so does -0.
func round(v float64, decimals int) float64 {
	p := math.Pow10(decimals)
	v = math.Round(v*p) / p
	if !finite(v) || v == 0 {
		return 0
	}
	return v
}

func (v Interval) rounded() Interval {
	return Interval{
		Estimate:   Estimate{round(v.Value, 4), round(v.Low, 4), round(v.High, 4)},
		HalfWidth:  round(v.HalfWidth, 4),
		EffectiveN: round(v.EffectiveN, 1),
	}
}

// rounded takes the two returned by Sample.Shares.
func rounded(mass, count Share) Intervals {
	return Intervals{mass.Interval.rounded(), count.Interval.rounded()}
}

func (b Budget) rounded() Budget {
	return Budget{round(b.Sampling, 4), round(b.Trays, 4), round(b.NearLimit, 4), round(b.Reference, 4), round(b.Unresolved, 4)}
}

// rows lists the pieces of all trays in their order, foreign bodies included.
func (s *Sample) rows(trays []kernel.Tray) []KernelRow {
	var rows []KernelRow
	rice, foreign := s.Pieces, s.Foreign
	for i := range trays {
		for j := range trays[i].Kernels {
			k := &trays[i].Kernels[j]
			if k.Has(kernel.Foreign) {
				rows = append(rows, s.row(trays[i].Picture, k, &foreign[0], ForeignBody))
				foreign = foreign[1:]
			} else {
				rows = append(rows, s.row(trays[i].Picture, k, &rice[0], s.ClassOf(&rice[0])))
				rice = rice[1:]
			}
		}
	}
	return rows
}

// row tells of the kernel k, which p was made from.
func (s *Sample) row(picture string, k *kernel.Kernel, p *Piece, class Class) KernelRow {
	row := KernelRow{
		ID: k.ID, Picture: picture, X: round(k.X, 4), Y: round(k.Y, 4),
		LengthRatio: round(s.measured(p), 6), Class: class,
		Ends:         [2]string{k.Ends[0].String(), k.Ends[1].String()},
		CoveredShare: round(k.CoveredShare, 4),
		Flags:        make([]string, 0, len(k.Flags)),
		Lab:          [3]float64{round(k.Lab[0], 4), round(k.Lab[1], 4), round(k.Lab[2], 4)},
		ChalkShare:   round(k.ChalkShare, 4), Called: k.Called,
	}
	for i, t := range k.Tips {
		row.Tips[i] = t.Form.String()
		if t.Form == kernel.TipHidden { // or measured before tips had a form
			row.Tips[i] = k.Ends[i].String()
		} else if class == Head && t.Form.Fractured() {
			row.Tips[i] = "chipped"
		}
		row.FractureChance[i] = round(k.Odds(i)/(1+k.Odds(i)), 4)
	}
	for _, f := range k.Flags {
		row.Flags = append(row.Flags, string(f))
	}
	if row.ChalkShare > 0 {
		row.ChalkZone = k.Surface.ChalkZone
	}
	l, w, a, v := round(p.Length, 4), round(p.Width, 4), round(p.Area, 4), round(p.Mass, 4)
	if s.MM {
		row.LengthMM, row.WidthMM, row.AreaMM2, row.VolumeMM3 = l, w, a, v
	} else {
		row.LengthPx, row.WidthPx, row.AreaPx2, row.VolumePx3 = l, w, a, v
	}
	return row
}
