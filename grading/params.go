package grading

import (
	"fmt"

	"traytally/vision/kernel"
)

// A LengthMeasure names which length of a piece a rule uses.
type LengthMeasure string

const (
	// Caliper is the greatest caliper (Feret) diameter, what a micrometer
	// laid over the longest extent reads. On a square-cut piece it is the
	// diagonal, so it flatters brokens by about one percent of a length.
	Caliper LengthMeasure = "caliper"
	// Axis is the extent along the piece's own axis.
	Axis LengthMeasure = "axis"
)

// Params holds what a grading depends on besides the kernels. Start from
// DefaultParams; zero values are not defaults.
type Params struct {
	// Cut is the least fraction of the reference length that is still head
	// rice, 0.5..0.95. Default 0.75 (Codex CXS 198, ISO 7301, 7 CFR 868.302).
	Cut float64 `json:"cut"`
	// Measure is the length the classes go by. Default Caliper.
	Measure LengthMeasure `json:"length_measure"`
	// WholeLengthMM states the mean length of a whole kernel in mm instead of
	// taking it from the sample; 0 takes it from the sample. Needs a scale.
	WholeLengthMM float64 `json:"whole_length_mm,omitempty"`
	// WholeLengthSEMM is the standard error of WholeLengthMM, >= 0.
	WholeLengthSEMM float64 `json:"whole_length_se_mm,omitempty"`
	// ReferenceFrom holds trays of picked whole kernels of the same rice; the
	// reference length is then their plain mean. Not with WholeLengthMM.
	ReferenceFrom []kernel.Tray `json:"-"`
	// ChipHoleMM is the diameter of the round sieve hole that a chip passes,
	// mm, > 0. Default 1.4 (ISO's rice method).
	ChipHoleMM float64 `json:"chip_hole_mm"`
	// TradeClasses are the upper limits in percent broken by which lots are
	// called in the trade, rising, each in (0, 100). Default 5, 10, 15, 25:
	// common practice, no source.
	TradeClasses []float64 `json:"trade_classes"`
	// NotAssessed lists flags that the pictures could not decide (colours on a
	// grey scan): they get no share and are named as not assessed.
	NotAssessed []kernel.Flag `json:"not_assessed"`
}

// DefaultParams returns the parameters the tool starts from.
func DefaultParams() Params {
	return Params{
		Cut:          0.75,
		Measure:      Caliper,
		ChipHoleMM:   1.4,
		TradeClasses: []float64{5, 10, 15, 25},
		NotAssessed:  []kernel.Flag{},
	}
}

// Validate returns a *fault.Error wrapping ErrParams for the first parameter
// out of its range, or nil.
func (p *Params) Validate() error {
	switch {
	case !(p.Cut >= 0.5 && p.Cut <= 0.95):
		return badParam(fmt.Sprintf("cut of %g", p.Cut), "give a fraction of the whole-kernel length from 0.5 to 0.95, for example 0.75")
	case p.Measure != Caliper && p.Measure != Axis:
		return badParam(fmt.Sprintf("length measure %q", p.Measure), "use caliper or axis")
	case !finite(p.WholeLengthMM) || p.WholeLengthMM < 0 || p.WholeLengthMM > 100:
		return badParam(fmt.Sprintf("whole-kernel length of %g mm", p.WholeLengthMM), "give it in millimetres, for example --whole-length 6.9")
	case !finite(p.WholeLengthSEMM) || p.WholeLengthSEMM < 0 || (p.WholeLengthMM > 0 && p.WholeLengthSEMM >= p.WholeLengthMM/2):
		return badParam(fmt.Sprintf("standard error of the whole-kernel length of %g mm", p.WholeLengthSEMM), "give it in millimetres, for example 0.03")
	case p.WholeLengthSEMM > 0 && p.WholeLengthMM == 0:
		return badParam("standard error of a whole-kernel length that is not stated", "give the length too, for example --whole-length 6.9")
	case p.WholeLengthMM > 0 && len(p.ReferenceFrom) > 0:
		return badParam("whole-kernel length both stated and taken from a picture", "give either --whole-length or --whole-from")
	case !finite(p.ChipHoleMM) || p.ChipHoleMM <= 0:
		return badParam(fmt.Sprintf("chip sieve hole of %g mm", p.ChipHoleMM), "give the hole's diameter in millimetres, for example 1.4")
	}
	last := 0.0
	for _, c := range p.TradeClasses {
		if !(c > last && c < 100) {
			return badParam(fmt.Sprintf("trade class of %g %%", c), "give rising percentages between 0 and 100, for example 5,10,15,25")
		}
		last = c
	}
	return nil
}
