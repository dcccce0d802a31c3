package grading

import (
	"fmt"
	"math"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// A PieceModel says how the masses of kernels and pieces scatter, which decides
// how far a mass share scatters. Masses are relative to the mean whole kernel.
type PieceModel struct {
	WholeCV    float64 `json:"whole_cv"`    // scatter of whole kernels' mass, 0..1
	BrokenMean float64 `json:"broken_mean"` // mean mass of a broken piece, in (0, 1]
	BrokenSD   float64 `json:"broken_sd"`   // its standard deviation, >= 0
	From       string  `json:"from"`        // "model" or "sample"
	// Rest: the share is that of what these pieces leave, such as head rice.
	Rest bool `json:"rest,omitempty"`
	// Of is the least part of the kernels that the share is taken of, 0 for all.
	Of float64 `json:"of,omitempty"`
	// SieveRel is the standard uncertainty of the share, of itself, with which
	// outlines stand in for a sieve.
	SieveRel float64 `json:"sieve_rel,omitempty"`
}

// wholeCV is the scatter of whole kernels' mass in a model: length by 4.5,
// width and thickness by 5 %.
const wholeCV = 0.084

// DefaultPieceModel takes brokens as evenly spread between 0.15 and 0.75 of a
// whole kernel's mass and whole kernels as scattering by 8.4 %. It is a model,
// not a measurement.
func DefaultPieceModel() PieceModel { return piecesFrom(0.15, 0.75) }

func piecesFrom(lo, hi float64) PieceModel {
	return PieceModel{WholeCV: wholeCV, BrokenMean: round((lo+hi)/2, 4), BrokenSD: round((hi-lo)/math.Sqrt(12), 4), From: "model"}
}

// sieveLengthMM is the whole kernel, mm, by which a hole is turned into a part
// of its length: the middle of the classes of Thai white rice, 6.2 to 7.0.
const sieveLengthMM = 6.6

// wholeShare is the least part of the kernels that is taken for whole where a
// share is taken of those; Thai grades ask for 55 to 60 % in their better half.
const wholeShare = 0.5

// FactorModel is the model for the pieces that a factor of a standard counts,
// in the grade with index g: kernels with a defect weigh what others weigh;
// pieces of a size are evenly spread over its lengths, from a fifth of its
// upper end at the least, as DefaultPieceModel has it, which stands for a
// broken share that goes by the ends too. What passes a hole, or is held, is no
// longer, or no shorter, than the hole is wide. Head rice is what the shorter
// pieces leave. It is a *fault.Error where the factor is no share.
func FactorModel(std *standards.Standard, f *standards.Factor, g int) (PieceModel, error) {
	parts := std.PartsOf(f, g)
	like := PieceModel{WholeCV: wholeCV, BrokenMean: 1, BrokenSD: wholeCV, From: "model"}
	switch {
	case f.Basis == standards.ByCount:
		return PieceModel{BrokenMean: 1, From: "model"}, nil // all count alike
	case f.Basis != standards.ByMass:
		return PieceModel{}, badParam(f.Name+" is no share of the rice", "plan for a share or for a number per portion")
	case f.Pieces != nil && f.Pieces.OfWhole:
		like.Of = wholeShare
		return like, nil
	case len(parts) == 0:
		return like, nil
	}
	lo, hi, hole := math.Inf(1), 0.0, 0.0
	for _, p := range parts {
		from, to := p.Length.Lo, p.Length.Hi
		if p.ThroughMM > 0 {
			to = min(to, p.ThroughMM/sieveLengthMM)
		}
		if p.HeldMM > 0 {
			from = max(from, p.HeldMM/sieveLengthMM)
		}
		lo, hi, hole = min(lo, from), max(hi, to), max(hole, p.ThroughMM, p.HeldMM)
	}
	m := DefaultPieceModel()
	switch {
	case hi > 0 && hi <= 1:
		m = piecesFrom(max(lo, hi/5), hi)
	case f != std.Broken():
		m = piecesFrom(lo/5, lo)
		m.Rest = true
	}
	if std.Sieved(f, g) {
		m.SieveRel = round(2*sieveDoubtMM/hole, 4) // mass goes with length, and its upper end moves
	}
	return m, nil
}

// fewPieces is the number of brokens and of wholes below which a sample says
// too little of its own masses.
const fewPieces = 20

// PieceModel returns the masses of the sample itself, whole and broken told
// apart at Params.Cut. It fails with a *fault.Error where there are fewer than
// 20 of either.
func (s *Sample) PieceModel() (PieceModel, error) {
	var n [2]float64 // of whole kernels, of brokens
	var masses [2]powers
	for i := range s.Pieces {
		p := &s.Pieces[i]
		k := 1
		switch s.ClassOf(p) {
		case Untold:
			continue
		case Head:
			k = 0
		}
		n[k]++
		masses[k].add(p.Mass)
	}
	if n[0] < fewPieces || n[1] < fewPieces {
		return PieceModel{}, &fault.Error{
			Kind: fault.Sample, What: fmt.Sprintf("%.0f whole and %.0f broken kernels say too little of their masses", n[0], n[1]),
			Hint: fmt.Sprintf("plan from a sample with %d of either, or without one", fewPieces),
		}
	}
	mean := [2]float64{masses[0].sum / n[0], masses[1].sum / n[1]}
	sd := func(k int) float64 { return math.Sqrt(max(0, masses[k].squares/n[k]-mean[k]*mean[k])) }
	return PieceModel{
		WholeCV: round(sd(0)/mean[0], 4), BrokenMean: round(mean[1]/mean[0], 4), BrokenSD: round(sd(1)/mean[0], 4), From: "sample",
	}, nil
}

// K is the factor k in u² = k·R(1-R)/n, the variance of a share R of what the
// model is for, in (0, 1), by mass among n pieces. It is the linearised ratio variance
// [R²·Σ m²(whole) + (1-R)²·Σ m²(broken)] / (Σ m)² (R.S. Woodruff, J. Am. Stat.
// Assoc. 66 (1971) 411-414) for the masses of the model. k = 1 is the binomial
// variance of a count.
func (m PieceModel) K(r float64) float64 {
	if m.Rest {
		r = 1 - r
	}
	p := m.count(r)
	mean := (1 - p) + p*m.BrokenMean
	whole := 1 + m.WholeCV*m.WholeCV
	broken := m.BrokenMean*m.BrokenMean + m.BrokenSD*m.BrokenSD
	return (r*r*(1-p)*whole + (1-r)*(1-r)*p*broken) / (mean * mean * r * (1 - r)) / m.of()
}

func (m PieceModel) of() float64 {
	if m.Of > 0 {
		return m.Of
	}
	return 1
}

// count is the share by number of pieces that have the share r by mass.
func (m PieceModel) count(r float64) float64 { return r / (r + m.BrokenMean*(1-r)) }

// meanMass is the mean mass of a piece at the share r.
func (m PieceModel) meanMass(r float64) float64 {
	if m.Rest {
		r = 1 - r
	}
	p := m.count(r)
	return (1 - p) + p*m.BrokenMean
}
