package phantom

import (
	"encoding/json"
	"io"
	"math"
	"slices"

	"traytally/vision/kernel"
)

// wholeShare is the share of the mean whole-kernel length below which a piece
// counts as broken in a truth: three quarters, the cut of Codex CXS 198 and of
// 7 CFR 868.302(a).
const wholeShare = 0.75

// A Truth is what lies on a tray. Marshalled to JSON it has the keys given
// here.
type Truth struct {
	Seed    uint64  `json:"seed"`
	Kind    Contact `json:"kind"` // by the share of pieces that touch
	Type    Kind    `json:"type"`
	Width   int     `json:"width_px"` // of the picture
	Height  int     `json:"height_px"`
	DPI     float64 `json:"dpi"`
	PxPerMM float64 `json:"px_per_mm"`

	N               int     `json:"n"`                    // number of Kernels, foreign bodies included
	MeanWholeLength float64 `json:"mean_whole_length_mm"` // of the uncut kernels without paddy; 0 where there is none
	BrokenMass      float64 `json:"broken_mass_pct"`      // pieces shorter than wholeShare of that mean; 0..100 % of the rice
	BrokenCount     float64 `json:"broken_count_pct"`
	CutByEdge       int     `json:"cut_by_edge"`      // kernels that the picture's edge cuts; not in Kernels
	Touching        int     `json:"touching_kernels"` // pieces in a group of two or more

	Params  Params   `json:"params"`
	Kernels []Kernel `json:"kernels"` // in reading order of their centres
	Objects []Object `json:"objects,omitempty"`
}

// An Object is a round thing among the kernels that is no rice.
type Object struct {
	Kind     string  `json:"kind"` // coin or cap
	X        float64 `json:"x"`    // centre, px
	Y        float64 `json:"y"`
	Diameter float64 `json:"diameter_mm"`
}

// A Kernel is the truth of one piece, foreign bodies included. Positions are
// in pixels of the picture, pixel centres at integers; lengths in
// millimetres.
type Kernel struct {
	X        float64 `json:"x"` // centre of the area inside the outline, px
	Y        float64 `json:"y"`
	Length   float64 `json:"length_mm"`      // greatest caliper diameter of the outline
	Width    float64 `json:"width_mm"`       // least caliper diameter
	Axis     float64 `json:"axis_length_mm"` // extent along the direction of the greatest second moment
	Area     float64 `json:"area_mm2"`
	Volume   float64 `json:"volume_mm3"`
	Intact   bool    `json:"intact"`   // not cut from a kernel
	Fraction float64 `json:"fraction"` // Length over the mean whole length; 0 where there is none
	// Defect is none, chalky, yellow, red, streaked, black, spot or paddy; or
	// stone, husk or seed, which are foreign bodies.
	Defect   string    `json:"defect"`
	Chalk    float64   `json:"chalk"`     // share of the visible surface, 0..1
	Group    int       `json:"group"`     // equal for pieces that touch, directly or through others
	Contacts int       `json:"contacts"`  // pieces that this one touches
	Angle    float64   `json:"angle_rad"` // of the axis, -π/2 to π/2
	Solidity float64   `json:"solidity"`  // area over hull area
	Ends     [2]string `json:"ends"`      // "intact" or "broken"; both broken where split lengthwise
	// Depth in mm, across the kernel, to which the notch or flat of the germ cuts into each of
	// the Ends; 0 where there is none, where the end is broken off, and where Params.Natural is 0.
	Notch [2]float64 `json:"notch_mm,omitzero"`
	// Whether the piece lies on others, and what share of its area others hide; no and 0 where
	// Params.Pile is 0. All measures are of the whole piece.
	OnTop   bool           `json:"on_top,omitempty"`
	Covered float64        `json:"covered,omitempty"`
	Outline []kernel.Point `json:"-"`   // closed polygon, px; not stored in the file
	Lab     [3]float64     `json:"lab"` // colour of the material in full light, CIELAB D65; see Draw for shading
}

// Foreign reports whether k is no rice.
func (k *Kernel) Foreign() bool {
	return slices.Contains([]string{stone, husk, seed, coin, bottleCap}, k.Defect)
}

// Encode writes t as indented JSON.
func (t *Truth) Encode(w io.Writer) error { return encodeJSON(w, t) }

func encodeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(v)
}

// brokenShares returns the mean whole-kernel length in mm and the shares of
// the rice that are broken by mass and by count, in percent.
func brokenShares(all []*piece) (mean, massPct, countPct float64) {
	rice := slices.DeleteFunc(slices.Clone(all), func(k *piece) bool { return k.Foreign() })
	if len(rice) == 0 {
		return 0, 0, 0
	}
	wholes := 0.0
	for _, k := range rice {
		if k.Intact && k.Defect != paddy {
			mean += k.Length
			wholes++
		}
	}
	mean /= max(1, wholes)
	var mass, brokenMass, broken float64
	for _, k := range rice {
		mass += k.Volume
		if k.Length < wholeShare*mean {
			brokenMass += k.Volume
			broken++
		}
	}
	return mean, 100 * brokenMass / mass, 100 * broken / float64(len(rice))
}

// truth writes down what the pieces are.
func (p Params) truth(all []*piece) *Truth {
	w, h := p.sizeMM()
	t := &Truth{
		Seed: p.Seed, Type: p.Kind, DPI: p.DPI, PxPerMM: p.pxPerMM(),
		Width: int(p.px(w)), Height: int(p.px(h)),
		N: len(all), Params: p, Kernels: make([]Kernel, len(all)),
	}
	t.MeanWholeLength, t.BrokenMass, t.BrokenCount = brokenShares(all)
	for i, k := range all {
		tk := &t.Kernels[i]
		*tk = k.Kernel
		tk.X, tk.Y, tk.Angle = p.toPx(k.at.X), p.toPx(k.at.Y), math.Remainder(k.axisOnTray(), math.Pi)
		tk.Contacts, tk.Lab = len(k.contacts), k.paint.lab(k.Chalk)
		tk.Outline = mapped(k.onTray(k.outline...), func(q point) point { return point{X: p.toPx(q.X), Y: p.toPx(q.Y)} })
		if t.MeanWholeLength > 0 {
			tk.Fraction = k.Length / t.MeanWholeLength
		}
		if len(k.contacts) > 0 {
			t.Touching++
		}
	}
	t.Kind = Loose
	if share := float64(t.Touching) / float64(max(1, t.N)); share >= 0.85 {
		t.Kind = Dense
	} else if share > 0 {
		t.Kind = Touching
	}
	return t
}

// toPx turns a position on the tray in mm into one in the picture, whose left
// and upper edges lie half a pixel before the first pixel centres.
func (p Params) toPx(mm float64) float64 { return mm*p.pxPerMM() - 0.5 }
