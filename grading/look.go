package grading

// Prior frequencies of two tips intact, one, none: of an unbroken kernel and
// of a piece of more than 0.6 of its parent, which nearly always keeps one tip.
var (
	priorWhole  = [3]float64{0.90, 0.09, 0.01}
	priorBroken = [3]float64{0.05, 0.80, 0.15}
)

// A look is how much likelier what the tips of a piece look like is with none,
// one and both of them fractured than with none; see kernel.Kernel.Odds.
type look [3]float64

func lookOf(odds [2]float64) look {
	return look{1, (odds[0] + odds[1]) / 2, odds[0] * odds[1]}
}

// of returns the likelihood of the look for frequencies q of no, one and two
// fractured tips, and adds weight's share of each to count.
func (l look) of(q [3]float64) float64 { return l[0]*q[0] + l[1]*q[1] + l[2]*q[2] }

func (l look) count(count *[3]float64, q [3]float64, weight float64) {
	weight /= l.of(q)
	for i := range count {
		count[i] += weight * l[i] * q[i]
	}
}

// broken is how many times likelier the look is for a broken piece than for an
// unbroken kernel.
func (l look) broken() float64 { return l.of(priorBroken) / l.of(priorWhole) }

// grown is the chance that both tips are grown, if pieces and unbroken kernels
// are equally many.
func (l look) grown() float64 {
	w, b := l.of(priorWhole), l.of(priorBroken)
	return (l[0]*priorWhole[0] + l[0]*priorBroken[0]) / (w + b)
}

// frequencies is the mean of a Dirichlet posterior with the given prior mean
// and weight.
func frequencies(count, prior [3]float64, weight float64) (q [3]float64) {
	total := weight + count[0] + count[1] + count[2]
	for i := range q {
		q[i] = (count[i] + weight*prior[i]) / total
	}
	return q
}
