package mill

import (
	"strings"

	"traytally/grading"
	"traytally/vision/kernel/fault"
)

// kernelMG is the mass of a whole kernel, mg, that a weighed sample's number
// of kernels is told by: what plan takes unless told otherwise.
var kernelMG = grading.DefaultPlanOptions().WholeKernelMG

// ParseWeighed reads a share that was picked by hand and weighed, part over
// whole: 1.42g/25.31g, or 1.42±0.02g/25.31g with the balance's doubt. The
// figure is percent by mass; its interval holds the balance and the chance of
// which kernels were in the portion, for pieces as model has them. ok is false
// where s has no such form. Errors are *fault.Error.
func ParseWeighed(s string, model grading.PieceModel) (f Figure, ok bool, err error) {
	s = strings.ReplaceAll(s, "+/-", "±")
	over, under, found := strings.Cut(s, "/")
	if !found || !strings.HasSuffix(strings.TrimSpace(over), "g") || !strings.HasSuffix(strings.TrimSpace(under), "g") {
		return Figure{}, false, nil
	}
	part, err := ParsePart(over)
	if err != nil {
		return Figure{}, true, err
	}
	whole, err := ParseMass(under)
	if err != nil {
		return Figure{}, true, err
	}
	if part.Value > whole.Value {
		return Figure{}, true, fault.Usagef("part over whole: 1.42g/25.31g", "%q: the part weighs more than the whole", s)
	}
	r := part.Value / whole.Value
	pieces := whole.Value * 1000 / kernelMG * (r/model.BrokenMean + 1 - r)
	n := pieces / max(0.01, model.K(max(r, 1/pieces))) // as many equal kernels would scatter alike
	low, high := grading.Jeffreys(r*n, n, 0.95)
	drawn := Figure{Value: r, Low: min(low, r), High: max(high, r)}
	return propagate([]Figure{part, whole, drawn}, func(x []float64) float64 {
		return 100 * (x[0]/x[1] + x[2] - r)
	}).within(0, 100), true, nil
}
