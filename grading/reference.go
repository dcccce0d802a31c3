package grading

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"traytally/vision/kernel"
)

// How the reference length was found.
const (
	FromSample = "sample" // mean of the sample's own unbroken kernels, told apart by length and tips
	FromPicked = "picked" // plain mean of trays of picked whole kernels
	FromStated = "stated" // given by the user
)

const (
	fewUnbroken = 100  // ISO 11746:2020 measures two sets of 100 unbroken kernels
	maxCV       = 0.12 // no variety scatters so widely; 0.04 to 0.06 is usual (from memory)
	minWhole    = 0.10 // least share of unbroken pieces that the fit is trusted with
	leastGrown  = 0.35 // least share of unbroken kernels with two grown tips: below it they are pieces
	modesApart  = 0.10 // two most frequent lengths further apart are two kinds of rice
	maxShown    = 1.6  // pieces longer than this many most frequent lengths are no single kernels
)

// A Reference is the mean length of unbroken kernels that the classes go by.
type Reference struct {
	Length float64 // > 0, in the unit of the pieces
	SE     float64 // standard error of Length as an estimate of the lot's mean, >= 0
	N      float64 // unbroken kernels behind it (expected number, where told by a fit); 0 when stated
	Method string  // FromSample, FromPicked or FromStated
	// SD is the scatter of the unbroken kernels' lengths, 0 when stated.
	SD float64
	// SecondLength is another frequent length of unbroken-looking kernels,
	// more than 10 % from the first; 0 when there is none.
	SecondLength float64
	// TooLong counts the pieces left out of the fit because they exceed 1.6
	// times the most frequent length.
	TooLong int
}

// picked returns the plain mean of the lengths of whole kernels that someone
// picked out.
func picked(pieces []Piece, m LengthMeasure) Reference {
	n := float64(len(pieces))
	var sum float64
	for i := range pieces {
		sum += pieces[i].along(m)
	}
	mean := sum / n
	var ss float64
	for i := range pieces {
		d := pieces[i].along(m) - mean
		ss += d * d
	}
	r := Reference{Length: mean, N: n, Method: FromPicked}
	if n > 1 {
		r.SD = math.Sqrt(ss / (n - 1))
		r.SE = r.SD / math.Sqrt(n)
	} else {
		// One kernel says nothing of the scatter: take the prior's.
		r.SD = priorCV * mean
		r.SE = r.SD
	}
	return r
}

// along returns the length of p that m names.
func (p *Piece) along(m LengthMeasure) float64 {
	if m == Axis {
		return p.Axis
	}
	return p.Length
}

// The model of the fit. Lengths are in units of the most frequent one, z.
// Unbroken kernels are normal about mu with scatter s. Pieces have the density
// exp(b·z) up to the fraction top of their parent's length, softened by the
// parent's own scatter: what a smooth distribution of cuts looks like between
// fitFrom and the whole length. The two tips of each kind show intact or
// fractured with frequencies of their own, learned from the sample as well; a
// tip that was not judged says nothing. A break that cost little of the length
// may not show. All is fitted together by expectation and maximisation, from
// the most frequent length (a mode is what brokens disturb least: D.R. Bickel,
// R. Fruehwirth, Comput. Stat. Data Anal. 50 (2006) 3500-3530), under the weak
// priors below, which only speak up where the sample says little.
//
// TestReferenceBias with TRAYTALLY_LONG=1 prints what this reaches. Against
// the mean of the tray's own unbroken kernels, 60 to 3000 kernels, the mean
// error was within 0.3 % up to 30 % broken by count for every lot tried. At
// 60 % broken it was within 0.35 % for pieces of any length up to 0.97 of the
// whole, tips judged with 5 or 15 % errors or not at all, for pieces that end
// at 0.90 or gather about one half, and for a short tail of a tenth of the whole
// kernels; within 0.5 % for a variety that scatters by 6 % with tips judged as
// well as on drawn trays. Worse are, at 60 % broken: that variety with 5 % of
// its tips misjudged (0.7 %), half of the small breaks hidden (0.8 %), pieces
// that end at 0.90 with no tips judged (0.8 %), and fewer than some 20 unbroken
// kernels with no tips judged, where a chance heap of pieces may win.
const (
	fitFrom = 0.60 // shorter pieces are brokens whatever their tips: they only teach what a break looks like
	binW    = 0.004
	nBins   = 250 // (maxShown - fitFrom) / binW

	// stray is the density of lengths that belong to neither kind: it lets go
	// of what lies far above the unbroken kernels (beyond some 4.5 s).
	stray = 1e-4

	priorPieces = 0.5   // pieces' and wholes' worth of belief that both kinds exist
	priorCV     = 0.045 // usual scatter of whole-kernel length, 4 to 6 % (from memory)
	priorCVObs  = 4.0   // kernels' worth of belief in it
	priorTips   = 6.0   // pieces' worth of belief in priorWhole and priorBroken
	priorSlope  = 3.0   // standard deviation of b about 0

	// The longest remnant as a fraction of its parent: prior mean and standard
	// deviation, and the range it is held in.
	priorTop, priorTopSD = 0.96, 0.03
	minTop, maxTop       = 0.85, 1.0

	// See mixture.hidden; prior mean and standard deviation of unseen. None of
	// 600 pieces over 0.6 of the whole on rendered trays had both tips judged
	// intact, and 3 of 30 cut from photographed kernels.
	unseenFrom, unseenTo       = 0.85, 0.97
	priorUnseen, priorUnseenSD = 0.15, 0.2
)

// Prior frequencies of two tips intact, one, none: of an unbroken kernel and
// of a piece of more than 0.6 of its parent, which nearly always keeps one tip.
var (
	priorWhole  = [3]float64{0.90, 0.09, 0.01}
	priorBroken = [3]float64{0.05, 0.80, 0.15}
)

// Tip patterns: how many tips were judged, and how.
const (
	tipsII = iota // both intact
	tipsIB        // one intact, one broken
	tipsBB        // both broken
	tipsI         // one intact, one not judged
	tipsB         // one broken, one not judged
	tipsNone
	nTips
)

func tips(e [2]kernel.End) int {
	var intact, broken int
	for _, t := range e {
		switch t {
		case kernel.EndIntact:
			intact++
		case kernel.EndBroken:
			broken++
		}
	}
	switch {
	case intact == 2:
		return tipsII
	case broken == 2:
		return tipsBB
	case intact == 1 && broken == 1:
		return tipsIB
	case intact == 1:
		return tipsI
	case broken == 1:
		return tipsB
	}
	return tipsNone
}

// tipLik is the probability of each pattern given how many tips were judged,
// for frequencies q of two, one and no intact tips.
func tipLik(q [3]float64) [nTips]float64 {
	return [nTips]float64{q[0], q[1], q[2], q[0] + q[1]/2, q[2] + q[1]/2, 1}
}

// tipCounts turns expected counts of patterns into expected counts of the
// three full patterns, sharing out those with one tip judged.
func tipCounts(c [nTips]float64, q [3]float64) (out [3]float64) {
	out[0], out[1], out[2] = c[tipsII], c[tipsIB], c[tipsBB]
	l := tipLik(q)
	out[0] += c[tipsI] * q[0] / l[tipsI]
	out[1] += c[tipsI] * q[1] / 2 / l[tipsI]
	out[2] += c[tipsB] * q[2] / l[tipsB]
	out[1] += c[tipsB] * q[1] / 2 / l[tipsB]
	return out
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

// A cell gathers the pieces of one length bin with one tip pattern.
type cell struct {
	bin, tips    int
	n, sum, sum2 float64 // count, sum and sum of squares of z
}

// A mixture is the state of the fit.
type mixture struct {
	mu, s, w    float64 // w: unbroken share of the pieces from fitFrom on
	b, top      float64
	qw, qb      [3]float64     // tips of unbroken kernels, and of pieces whose break shows
	unseen      float64        // share of the breaks of the longest pieces that do not show
	whole, part [nBins]float64 // densities at the bins' centres
	rim         [nBins]float64 // derivative of log part by top, up to a constant
	// Means, variances and covariance of z and rim among the pieces.
	partZ, partRim, varZ, varRim, cov float64
}

func centre(bin int) float64 { return fitFrom + (float64(bin)+0.5)*binW }

// tabulate fills the densities for the current parameters.
func (m *mixture) tabulate() {
	inv := 1 / (m.s * math.Sqrt(2*math.Pi))
	var s0, sz, szz, sg, sgg, szg float64
	for i := range m.whole {
		z := centre(i)
		m.whole[i] = 0
		if d := (z - m.mu) / m.s; math.Abs(d) < 8 {
			m.whole[i] = inv * math.Exp(-d*d/2)
		}
		t := (m.top*m.mu - z) / (m.top * m.s)
		p, g := 0.0, 0.0
		if t > -6 {
			c := normalCDF(t)
			p = math.Exp(m.b*(z-0.8)) * c
			if t < 6 {
				g = math.Exp(-t*t/2) / (math.Sqrt(2*math.Pi) * c) * z / (m.top * m.top * m.s)
			}
		}
		m.part[i], m.rim[i] = p, g
		s0 += p
		sz += p * z
		szz += p * z * z
		sg += p * g
		sgg += p * g * g
		szg += p * z * g
	}
	m.partZ, m.partRim = sz/s0, sg/s0
	m.varZ = szz/s0 - m.partZ*m.partZ
	m.varRim = sgg/s0 - m.partRim*m.partRim
	m.cov = szg/s0 - m.partZ*m.partRim
	inv = 1 / (s0 * binW)
	for i := range m.part {
		m.part[i] *= inv
	}
}

// hidden is the probability that the break of a piece of length z does not
// show: none up to unseenFrom of a whole kernel, rising evenly to m.unseen
// where only the rim of a tip is lost.
func (m *mixture) hidden(z float64) float64 {
	return m.unseen * min(1, max(0, (z/m.mu-unseenFrom)/(unseenTo-unseenFrom)))
}

func normalCDF(t float64) float64 {
	switch {
	case t > 6:
		return 1
	case t < -6:
		return 0
	}
	return math.Erfc(-t/math.Sqrt2) / 2
}

// modeLength returns the most frequent length of unbroken-looking pieces: the
// peak of a smoothed histogram of log-length in which a piece counts by how
// whole its tips look.
func modeLength(length []float64, tip []uint8) float64 {
	const step = 0.005
	lo, hi := math.Inf(1), 0.0
	for _, l := range length {
		lo, hi = min(lo, l), max(hi, l)
	}
	lo = max(lo, hi/100) // a range of 1:100 holds any piece worth the name
	weight := [nTips]float64{tipsII: 1, tipsI: 0.8, tipsNone: 0.6, tipsIB: 0.2, tipsB: 0.15, tipsBB: 0.05}
	const pad = 24
	h := make([]float64, int(math.Log(hi/lo)/step)+2*pad+2)
	logLo := math.Log(lo)
	for i, l := range length {
		if l < lo {
			continue
		}
		// Linear sharing between two bins: no jump when a length crosses a border.
		f := (math.Log(l)-logLo)/step + pad
		j := int(f)
		f -= float64(j)
		h[j] += weight[tip[i]] * (1 - f)
		h[j+1] += weight[tip[i]] * f
	}
	// Three running means of 9 bins: nearly a Gaussian of 4.5 bins, 2.2 %.
	g := make([]float64, len(h))
	for range 3 {
		var run float64
		for i := range h {
			run += h[i]
			if i >= 9 {
				run -= h[i-9]
			}
			if c := i - 4; c >= 0 {
				g[c] = run
			}
		}
		for i := len(h) - 4; i < len(h); i++ {
			g[i] = 0
		}
		h, g = g, h
	}
	best := 0
	for i := range h {
		if h[i] > h[best]*(1+1e-12) {
			best = i
		}
	}
	return math.Exp(logLo + float64(best-pad)*step)
}

// fitReference finds the mean length of the unbroken kernels among pieces.
// The error wraps ErrNoReference.
func fitReference(pieces []Piece, measure LengthMeasure) (Reference, error) {
	length := make([]float64, len(pieces))
	tip := make([]uint8, len(pieces))
	for i := range pieces {
		length[i] = pieces[i].along(measure)
		tip[i] = uint8(tips(pieces[i].Ends))
	}
	unit := modeLength(length, tip)

	ref := Reference{Method: FromSample}
	var grid [nBins][nTips]cell
	var below [nTips]float64
	for i, l := range length {
		z := l / unit
		if z < fitFrom {
			below[tip[i]]++
			continue
		}
		bin := int((z - fitFrom) / binW)
		if bin >= nBins {
			ref.TooLong++
			continue
		}
		c := &grid[bin][tip[i]]
		c.n++
		c.sum += z
		c.sum2 += z * z
	}
	cells := make([]cell, 0, min(len(pieces), nBins*nTips))
	for bin := range grid {
		for t := range grid[bin] {
			if c := grid[bin][t]; c.n > 0 {
				c.bin, c.tips = bin, t
				cells = append(cells, c)
			}
		}
	}

	// What breaks look like on the surely broken teaches the prior for the rest.
	tipPrior := frequencies(tipCounts(below, priorBroken), priorBroken, priorTips)
	m := mixture{mu: 1, s: 0.05, w: 0.5, top: priorTop, qw: priorWhole, qb: tipPrior, unseen: priorUnseen}
	var r []float64
	m, r = em(m, cells, tipPrior)

	var nw float64
	for i, c := range cells {
		nw += r[i] * c.n
	}
	ref.Length = m.mu * unit
	ref.SD = m.s * unit
	ref.N = nw
	ref.SE = unit * m.standardError(cells, r, nw)

	all := float64(len(pieces))
	switch {
	case m.s/m.mu > maxCV:
		return ref, fmt.Errorf("%w: lengths gather about no value (scatter %.0f %% of the length)", ErrNoReference, 100*m.s/m.mu)
	case nw < 0.5:
		return ref, fmt.Errorf("%w: no piece looks unbroken", ErrNoReference)
	case nw < minWhole*all:
		return ref, fmt.Errorf("%w: only %.0f %% of the pieces look unbroken", ErrNoReference, 100*nw/all)
	case m.qw[0] < leastGrown:
		return ref, fmt.Errorf("%w: the pieces of the most frequent length have broken ends", ErrNoReference)
	}
	ref.SecondLength = unit * m.secondMode(&grid)
	return ref, nil
}

// em runs the fit from m and returns it with each cell's probability of being
// unbroken.
func em(m mixture, cells []cell, tipPrior [3]float64) (mixture, []float64) {
	r := make([]float64, len(cells))
	for range 300 {
		m.tabulate()
		lw, lb := tipLik(m.qw), tipLik(m.qb)
		var nw, nb, sw, sw2, sb, sg, su, hu float64
		var cw, cb [nTips]float64
		for i := range cells {
			c := &cells[i]
			h := m.hidden(centre(c.bin))
			a := m.w * m.whole[c.bin] * lw[c.tips]
			shown := (1 - h) * lb[c.tips]
			hid := h * lw[c.tips]
			b := (1 - m.w) * m.part[c.bin] * (shown + hid)
			total := a + b + stray
			p, q := a/total, b/total*c.n
			r[i] = p
			p *= c.n
			nw += p
			sw += r[i] * c.sum
			sw2 += r[i] * c.sum2
			cw[c.tips] += p
			nb += q
			sb += q / c.n * c.sum
			sg += q * m.rim[c.bin]
			hid /= shown + hid
			cb[c.tips] += q * (1 - hid)
			if h > 0 {
				// Score of unseen times itself, and its expected square.
				su += q * (hid - h) / (1 - h)
				hu += q * h / (1 - h)
			}
		}
		if nw < 1e-6 {
			break
		}
		old := m
		m.mu = sw / nw
		ss := max(0, sw2-nw*m.mu*m.mu)
		prior := priorCV * m.mu
		m.s = math.Sqrt((ss + priorCVObs*prior*prior) / (nw + priorCVObs))
		m.w = (nw + priorPieces) / (nw + nb + 2*priorPieces)
		m.qw = frequencies(tipCounts(cw, old.qw), priorWhole, priorTips)
		cq := tipCounts(cb, old.qb)
		// The surely broken weigh twice: or short unbroken kernels would teach
		// that breaks look like grown tips.
		m.qb = frequencies(cq, tipPrior, priorTips+2*(cq[0]+cq[1]+cq[2]))
		const iu = 1 / (priorUnseenSD * priorUnseenSD)
		m.unseen = min(0.98, max(0.02, m.unseen+
			(su/m.unseen-(m.unseen-priorUnseen)*iu)/(hu/(m.unseen*m.unseen)+iu)))
		// One step of Fisher scoring for slope and top of the pieces.
		gb := sb - nb*m.partZ - m.b/(priorSlope*priorSlope)
		gt := sg - nb*m.partRim - (m.top-priorTop)/(priorTopSD*priorTopSD)
		hb := nb*m.varZ + 1/(priorSlope*priorSlope)
		ht := nb*m.varRim + 1/(priorTopSD*priorTopSD)
		hc := nb * m.cov
		det := hb*ht - hc*hc
		m.b += (gb*ht - gt*hc) / det
		m.top = min(maxTop, max(minTop, m.top+(gt*hb-gb*hc)/det))
		if math.Abs(m.mu-old.mu) < 1e-6 && math.Abs(m.w-old.w) < 1e-5 && math.Abs(m.s-old.s) < 1e-5 {
			break
		}
	}
	return m, r
}

// standardError returns the standard error of mu, in z, as an estimate of the
// lot's mean: the inverse of the information that the scores of the pieces and
// the priors carry about mu, log s, w, b, top and unseen together, tip
// frequencies taken as known; never less than the scatter over the root of the
// number of unbroken kernels.
func (m *mixture) standardError(cells []cell, r []float64, nw float64) float64 {
	const k = 6
	var sum [k][k]float64
	var known float64 // information about mu if the lengths scatter as s says
	lw, lb := tipLik(m.qw), tipLik(m.qb)
	for i := range cells {
		c := &cells[i]
		z := centre(c.bin)
		p, d := r[i], (z-m.mu)/m.s
		h := m.hidden(z)
		hid := h * lw[c.tips] / (h*lw[c.tips] + (1-h)*lb[c.tips])
		score := [k]float64{
			p * d / m.s,
			p * (d*d - 1),
			p - m.w,
			(1 - p) * (z - m.partZ),
			(1 - p) * (m.rim[c.bin] - m.partRim),
			(1 - p) * (hid - h) / (1 - h) / m.unseen,
		}
		for a := range score {
			for b := a; b < k; b++ {
				sum[a][b] += c.n * score[a] * score[b]
			}
		}
		known += c.n * p * p / (m.s * m.s)
	}
	// Lengths that are all but equal have no scores to speak of.
	if sum[0][0] < known/2 {
		sum[0][0] = known
	}
	prior := [k]float64{
		0, 2 * priorCVObs, 2 * priorPieces * m.w * (1 - m.w),
		1 / (priorSlope * priorSlope), 1 / (priorTopSD * priorTopSD), 1 / (priorUnseenSD * priorUnseenSD),
	}
	info := mat.NewSymDense(k, nil)
	for a := range sum {
		for b := a; b < k; b++ {
			info.SetSym(a, b, sum[a][b])
		}
		info.SetSym(a, a, sum[a][a]+prior[a])
	}
	least := m.s / math.Sqrt(max(nw, 1))
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		return least
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, mat.NewVecDense(k, []float64{1, 0, 0, 0, 0, 0})); err != nil {
		return least
	}
	return max(least, math.Sqrt(max(0, x.AtVec(0))))
}

// secondMode looks for a second frequent length of unbroken kernels more than
// modesApart from mu, and returns it in z, or 0. The number of unbroken
// kernels near a length is estimated from the tips alone where most are
// judged, so that a heap of pieces broken at one place is no second mode: with
// shares q and p of two intact tips among unbroken kernels and pieces, it is
// the sum of (1-p)/(q-p) over pieces with two intact tips less p/(q-p) over
// the others. Else every piece counts.
func (m *mixture) secondMode(grid *[nBins][nTips]cell) float64 {
	var judged, all float64
	for i := range grid {
		for t := range grid[i] {
			all += grid[i][t].n
			if t <= tipsBB {
				judged += grid[i][t].n
			}
		}
	}
	weight := [nTips]float64{1, 1, 1, 1, 1, 1}
	if q, p := m.qw[0], m.qb[0]; judged > all/2 && q-p > 0.2 {
		weight = [nTips]float64{tipsII: (1 - p) / (q - p), tipsIB: -p / (q - p), tipsBB: -p / (q - p)}
	}
	// Running sums over ±3 % of the length.
	const half = 7
	var sum, sum2 [nBins]float64
	for i := range sum {
		for j := max(0, i-half); j <= min(nBins-1, i+half); j++ {
			for t := range weight {
				sum[i] += weight[t] * grid[j][t].n
				sum2[i] += weight[t] * weight[t] * grid[j][t].n
			}
		}
	}
	main := min(nBins-1, max(0, int((m.mu-fitFrom)/binW)))
	best, second := 0.0, 0.0
	for _, dir := range [...]int{-1, 1} {
		valley := main
		for i := main; i >= half && i < nBins-half; i += dir {
			if sum[i] < sum[valley] {
				valley = i
			}
			if math.Abs(centre(i)-m.mu) <= modesApart*m.mu {
				continue
			}
			rise := (sum[i] - sum[valley]) / math.Sqrt(max(1, sum2[i]+sum2[valley]))
			if rise > 3.5 && sum[i] > 0.05*sum[main] && rise > best {
				best, second = rise, centre(i)
			}
		}
	}
	return second
}
