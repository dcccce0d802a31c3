package grading

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// A whole kernel of U.S. long grain weighs some 18 to 21 mg (1000-kernel mass of
// milled rice in handbooks, from memory), and is 6.9 × 2.2 × 1.75 mm.
func TestCheckMass(t *testing.T) {
	const ellipsoid = 3.14159 / 6 * 6.9 * 2.2 * 1.75 // mm³
	assert.InDelta(t, 20, ellipsoid*milledDensity, 2, "mg")
	for _, c := range []struct {
		grams  float64
		hidden float64 // share of the rice that was not taken apart
		warned bool
	}{
		{20, 0, false}, {39, 0, false}, {45, 0, true}, {11, 0, false}, {9, 0, true}, {45, 0.2, false},
	} {
		r := &Result{Kernels: make([]KernelRow, 1001), Unresolved: UnresolvedResult{AreaShare: c.hidden}}
		for i := range r.Kernels {
			r.Kernels[i].VolumeMM3 = ellipsoid
		}
		r.Kernels[1000] = KernelRow{VolumeMM3: 1e6, Class: ForeignBody} // a stone is no rice
		r.CheckMass(&Sheet{SampleMassG: &c.grams})
		assert.Equal(t, c.warned, len(r.Warnings) == 1, "%g g", c.grams)
	}
	r := &Result{Kernels: make([]KernelRow, 10)}
	grams := 20.0
	r.CheckMass(nil)
	r.CheckMass(&Sheet{SampleMassG: &grams})
	assert.Empty(t, r.Warnings, "without a scale nothing is known")
}
