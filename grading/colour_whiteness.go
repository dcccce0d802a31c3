package grading

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"traytally/vision/kernel"
)

// WhitenessFormula is the index that Whiteness tells: the distance from white
// in CIELAB (D65), the form that goes back to D. B. Judd and G. Wyszecki; see
// R. Hirschler, Whiteness, yellowness, and browning in food colorimetry.
const WhitenessFormula = "100 - sqrt((100 - L*)^2 + a*^2 + b*^2)"

// A Whiteness is how white the rice of the trays looks. Single kernels on a
// dark tray let it show through, so that the figure lies below that of the
// same rice in a thick layer, and does not compare with it.
type Whiteness struct {
	Index float64 `json:"index"` // 100 for a perfect white
	// SE is the standard uncertainty from the scatter among kernels and, with
	// several trays, among trays. It says nothing about the light.
	SE       float64 `json:"se"`
	Kernels  int     `json:"kernels"`
	Relative bool    `json:"relative"` // pictures not calibrated: compare only with pictures taken alike
	Formula  string  `json:"formula"`
}

// whiteness returns the area-weighted mean index of the rice on the trays,
// paddy left out; nil where no colour was measured.
func whiteness(trays []kernel.Tray) *Whiteness {
	w := &Whiteness{Formula: WhitenessFormula}
	var x, area, means []float64
	for i := range trays {
		first := len(x)
		for j := range trays[i].Kernels {
			k := &trays[i].Kernels[j]
			if k.Surface.Pixels == 0 || k.Has(kernel.Foreign) || k.Has(kernel.Paddy) {
				continue
			}
			x, area = append(x, 100-math.Sqrt((100-k.Lab[0])*(100-k.Lab[0])+k.Lab[1]*k.Lab[1]+k.Lab[2]*k.Lab[2])), append(area, k.AreaPx2)
		}
		if len(x) > first {
			means = append(means, stat.Mean(x[first:], area[first:]))
			w.Relative = w.Relative || !trays[i].Calibrated
		}
	}
	if len(x) == 0 {
		return nil
	}
	mean, squares := stat.Mean(x, area), 0.0
	for i := range x {
		squares += area[i] * area[i] * (x[i] - mean) * (x[i] - mean)
	}
	se := math.Sqrt(squares) / floats.Sum(area)
	if n := float64(len(means)); n > 1 {
		between := 0.0
		for _, m := range means {
			between += (m - mean) * (m - mean)
		}
		se = math.Max(se, math.Sqrt(between/(n*(n-1))))
	}
	w.Kernels, w.Index, w.SE = len(x), round(mean, 2), round(se, 3)
	return w
}
