package grading

import (
	"fmt"
	"slices"
)

// massUnlikely is the code of the warning that CheckMass gives.
const massUnlikely = "mass_unlikely"

// milledDensity is the density of a milled kernel, g/cm³: 1.38 to 1.52 in handbooks,
// most often 1.45 (from memory). With that the ellipsoids of the handbook's sizes
// weigh what kernels weigh: its masses give 1.41 to 1.46 (Cereals Processing
// Technology, Woodhead 2001, Table 5.1). It tells only how much rice was looked at.
const milledDensity = 1.45

// likelyMass is how many times more or less than by its kernels' volume a sample
// may be said to weigh. One view tells a volume to a tenth or two, and kernels
// cut by the edge are not seen; two is a slip of the pen, a mass of all the rice
// and not of what lies on the tray, or a wrong scale. Our own choice.
const likelyMass = 2

// CheckMass adds a warning where the mass that the sheet states, of the rice on
// the trays, cannot be that of the kernels seen.
func (r *Result) CheckMass(sheet *Sheet) {
	r.Warnings = slices.DeleteFunc(r.Warnings, func(w Warning) bool { return w.Code == massUnlikely })
	if sheet == nil || sheet.SampleMassG == nil || r.Unresolved.AreaShare >= 1 {
		return
	}
	mm3 := 0.0
	for i := range r.Kernels {
		if k := &r.Kernels[i]; k.Class != ForeignBody {
			mm3 += k.VolumeMM3 // 0 without a scale
		}
	}
	seen := mm3 / 1000 * milledDensity / (1 - r.Unresolved.AreaShare)
	if seen == 0 {
		return
	}
	if times := *sheet.SampleMassG / seen; times > likelyMass || times < 1./likelyMass {
		r.Warnings = append(r.Warnings, Warning{
			Code:  massUnlikely,
			Text:  fmt.Sprintf("the mass stated, %.4g g, cannot be that of the rice in the pictures, about %.2g g by its volume", *sheet.SampleMassG, seen),
			Hint:  "state the mass of the rice that lies on the trays, sample_mass_g, and check the scale; numbers per kg hang on it",
			Value: round(times, 3), Limit: likelyMass, Metric: "mass stated over mass by volume",
		})
	}
}
