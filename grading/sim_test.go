package grading

import (
	"math"
	"math/rand/v2"

	"traytally/vision/kernel"
)

// A lot is a make-believe heap of rice that samples are drawn from. Lengths in
// millimetres.
type lot struct {
	mean, cv float64 // whole kernels
	pieces   float64 // share of pieces by count, whatever their length
	// cut draws the fraction of its parent that a piece keeps.
	cut func(r *rand.Rand) float64
	// tipErr is how often a judged tip is judged wrongly; noTips leaves every
	// tip unjudged; hidden is the share of tips a neighbour hides.
	tipErr, hidden float64
	noTips         bool
	lengthSD       float64                    // measuring noise of a length, mm
	whole          func(r *rand.Rand) float64 // draws z of a whole kernel in units of mean; nil: normal
	chipTip        func(f float64) float64    // probability that a broken tip at fraction f looks intact, besides tipErr
}

func uniform(lo, hi float64) func(*rand.Rand) float64 {
	return func(r *rand.Rand) float64 { return lo + (hi-lo)*r.Float64() }
}

// draw returns one kernel: true length in mm, true relative mass, tips.
func (l *lot) draw(r *rand.Rand) (length, mass float64, ends [2]kernel.End, unbroken bool) {
	z := 1 + l.cv*r.NormFloat64()
	if l.whole != nil {
		z = l.whole(r)
	}
	parent := l.mean * z
	mass = parent * math.Exp(0.1*r.NormFloat64())
	length = parent
	unbroken = r.Float64() >= l.pieces
	ends = [2]kernel.End{kernel.EndIntact, kernel.EndIntact}
	if !unbroken {
		f := l.cut(r)
		length *= f
		mass *= f
		ends[0] = kernel.EndBroken
		if r.Float64() < 0.5 && f < 0.6 {
			ends[1] = kernel.EndBroken
		}
		if l.chipTip != nil && r.Float64() < l.chipTip(f) {
			ends[0] = kernel.EndIntact
		}
	}
	for i := range ends {
		if r.Float64() < l.tipErr {
			ends[i] = kernel.EndIntact + kernel.EndBroken - ends[i]
		}
		if l.noTips || r.Float64() < l.hidden {
			ends[i] = kernel.EndUnknown
		}
	}
	return length, mass, ends, unbroken
}

// tray draws n kernels and returns them with the mean true length of those of
// them that are unbroken, and the share of them shorter than 3/4 of the lot's
// mean.
func (l *lot) tray(r *rand.Rand, n int) (t kernel.Tray, meanUnbroken, broken float64) {
	const scale = 12
	t = kernel.Tray{Picture: "sim", WidthPx: 2000, HeightPx: 2000, PxPerMM: scale, Kernels: make([]kernel.Kernel, n)}
	var sum, nu float64
	for i := range t.Kernels {
		length, mass, ends, unbroken := l.draw(r)
		if unbroken {
			sum += length
			nu++
		}
		if length < 0.75*l.mean {
			broken++
		}
		seen := max(0.3, length+l.lengthSD*r.NormFloat64())
		w := min(seen, 2.1)
		t.Kernels[i] = kernel.Kernel{
			ID: i + 1, X: float64(i%50) * 40, Y: float64(i/50) * 40,
			LengthPx: seen * scale, AxisLengthPx: seen * scale * 0.995, WidthPx: w * scale,
			AreaPx2: seen * w * 0.8 * scale * scale, VolumePx3: mass * 2 * scale * scale * scale,
			LengthSDPx: l.lengthSD * scale, Solidity: 1, Ends: ends,
		}
	}
	return t, sum / nu, broken / float64(n)
}
