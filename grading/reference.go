package grading

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// How the reference length was found.
const (
	FromSample = "sample" // mean of the sample's own unbroken kernels, told apart by length and tips
	FromPicked = "picked" // plain mean of trays of picked whole kernels
	FromStated = "stated" // given by the user
	NotTold    = "not_told"
)

const (
	fewUnbroken = 100  // ISO 11746:2020 measures two sets of 100 unbroken kernels
	maxCV       = 0.12 // no variety scatters so widely; 0.04 to 0.06 is usual (from memory)
	minWhole    = 0.10 // least share of unbroken pieces that the fit is trusted with
	leastGrown  = 0.35 // least share of unbroken kernels with two grown tips: below it they are pieces
	modesApart  = 0.10 // two most frequent lengths further apart are two kinds of rice
	maxShown    = 1.6  // pieces longer than this many most frequent lengths are no single kernels
)

// A Reference is the mean length of unbroken kernels that the classes go by,
// and how well it is known.
type Reference struct {
	Unit   string  `json:"unit"`             // "mm" or "px"
	Length float64 `json:"length,omitempty"` // > 0; 0 where it is not told
	SE     float64 `json:"se"`               // standard error of Length as an estimate of the lot's mean, >= 0
	SD     float64 `json:"sd,omitempty"`     // scatter of the unbroken kernels' lengths, 0 when stated
	// N counts the unbroken kernels behind it: the expected number, where told by
	// a fit; 0 when stated.
	N      float64 `json:"n_unbroken"`
	Method string  `json:"method"` // FromSample, FromPicked, FromStated or NotTold
	// Pictures names the pictures of picked whole kernels.
	Pictures []string `json:"pictures,omitempty"`

	// second is another frequent length of unbroken-looking kernels, more than
	// 10 % from the first; 0 when there is none.
	second float64
	// tooLong counts the pieces left out of the fit because they exceed 1.6
	// times the most frequent length.
	tooLong int
}

// Told reports whether the whole-kernel length is known, and so the size
// classes.
func (r *Reference) Told() bool { return r.Method != NotTold }

func (r Reference) rounded() Reference {
	r.Length, r.SE, r.SD, r.N = round(r.Length, 4), round(r.SE, 4), round(r.SD, 4), round(r.N, 1)
	return r
}

// picked returns the plain mean of the lengths of whole kernels that someone
// picked out.
func picked(pieces []Piece, m LengthMeasure) Reference {
	lengths := make([]float64, len(pieces))
	for i := range pieces {
		lengths[i] = pieces[i].along(m)
	}
	r := Reference{N: float64(len(pieces)), Method: FromPicked}
	if r.Length, r.SD = stat.MeanStdDev(lengths, nil); len(pieces) == 1 {
		r.SD = priorCV * r.Length // one kernel says nothing of the scatter
	}
	r.SE = r.SD / math.Sqrt(r.N)
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
// fitFrom and the whole length. The two tips of each kind are grown or
// fractured with frequencies of their own, learned from the sample as well;
// each tip speaks with the odds of its look (kernel.Kernel.Odds), and one that
// was not judged says nothing. A break that cost little of the length may not
// show. What lies beyond the unbroken kernels, longer by three scatters and
// more, is a longer rice or kernels lying end to end, of any length. All is
// fitted together by expectation and maximisation, from
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

	// stray is the density of lengths that belong to neither kind, and
	// priorLonger how many pieces' worth of belief there is in a longer rice.
	stray       = 1e-4
	priorLonger = 0.2

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

// A seen is a piece as the fit sees it: its length, in units of the most
// frequent one, and the bin of that.
type seen struct {
	z    float64
	bin  int
	look look
}

// A mixture is the state of the fit.
type mixture struct {
	mu, s, w    float64 // w: unbroken share of the pieces from fitFrom on
	longer      float64 // share of a longer rice
	b, top      float64
	qw, qb      [3]float64     // tips of unbroken kernels, and of pieces whose break shows
	unseen      float64        // share of the breaks of the longest pieces that do not show
	whole, part [nBins]float64 // densities at the bins' centres
	far         [nBins]float64 // density of a longer rice
	rim         [nBins]float64 // derivative of log part by top, up to a constant
	// Means, variances and covariance of z and rim among the pieces.
	partZ, partRim, varZ, varRim, cov float64
}

func centre(bin int) float64 { return fitFrom + (float64(bin)+0.5)*binW }

// tabulate fills the densities for the current parameters.
func (m *mixture) tabulate() {
	inv := 1 / (m.s * math.Sqrt(2*math.Pi))
	var s0, sz, szz, sg, sgg, szg, sf float64
	for i := range m.whole {
		z := centre(i)
		m.whole[i] = 0
		if d := (z - m.mu) / m.s; math.Abs(d) < 8 {
			m.whole[i] = inv * math.Exp(-d*d/2)
		}
		t := (m.top*m.mu - z) / (m.top * m.s)
		p, g := 0.0, 0.0
		if t > -6 {
			c := distuv.UnitNormal.CDF(t)
			p = math.Exp(m.b*(z-0.8)) * c
			if t < 6 {
				g = math.Exp(-t*t/2) / (math.Sqrt(2*math.Pi) * c) * z / (m.top * m.top * m.s)
			}
		}
		m.part[i], m.rim[i] = p, g
		m.far[i] = distuv.UnitNormal.CDF((z-m.mu)/m.s - 3)
		sf += m.far[i]
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
		m.far[i] /= max(1, sf) * binW
	}
}

// hidden is the probability that the break of a piece of length z does not
// show: none up to unseenFrom of a whole kernel, rising evenly to m.unseen
// where only the rim of a tip is lost.
func (m *mixture) hidden(z float64) float64 {
	return m.unseen * min(1, max(0, (z/m.mu-unseenFrom)/(unseenTo-unseenFrom)))
}

// asBroken takes c for a piece: how likely its look is, and the chance that its
// break does not show, before and after the look.
func (m *mixture) asBroken(c *seen) (likely, before, after float64) {
	before = m.hidden(centre(c.bin))
	hid := before * c.look.of(m.qw)
	likely = hid + (1-before)*c.look.of(m.qb)
	return likely, before, hid / likely
}

// modeLength returns the most frequent length of unbroken-looking pieces: the
// peak of a smoothed histogram of log-length in which a piece counts by how
// whole its tips look.
func modeLength(pieces []seen) float64 {
	const step = 0.005
	lo, hi := math.Inf(1), 0.0
	for i := range pieces {
		lo, hi = min(lo, pieces[i].z), max(hi, pieces[i].z)
	}
	lo = max(lo, hi/100) // a range of 1:100 holds any piece worth the name
	const pad = 24
	h := make([]float64, int(math.Log(hi/lo)/step)+2*pad+2)
	logLo := math.Log(lo)
	for i := range pieces {
		if pieces[i].z < lo {
			continue
		}
		// Linear sharing between two bins: no jump when a length crosses a border.
		f := (math.Log(pieces[i].z)-logLo)/step + pad
		j := int(f)
		f -= float64(j)
		w := pieces[i].look.grown()
		h[j] += w * (1 - f)
		h[j+1] += w * f
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

// fitReference finds the mean length of the unbroken kernels among pieces. Of
// one that another covers the length counts only where both tips show.
// The error wraps ErrNoReference.
func fitReference(pieces []Piece, measure LengthMeasure) (Reference, error) {
	ref := Reference{Method: FromSample}
	var in []seen
	for i := range pieces {
		if p := &pieces[i]; !p.covered() {
			in = append(in, seen{z: p.along(measure), look: lookOf(p.Odds)})
		}
	}
	if len(in) == 0 {
		return ref, fmt.Errorf("%w: no piece lies open", ErrNoReference)
	}
	all, unit := float64(len(in)), modeLength(in)
	var below [3]float64
	fitted := in[:0]
	for _, c := range in {
		c.z /= unit
		c.bin = int((c.z - fitFrom) / binW)
		switch {
		case c.z < fitFrom:
			c.look.count(&below, priorBroken, 1)
		case c.bin >= nBins:
			ref.tooLong++
		default:
			fitted = append(fitted, c)
		}
	}
	in = fitted

	// What breaks look like on the surely broken teaches the prior for the rest.
	tipPrior := frequencies(below, priorBroken, priorTips)
	m := mixture{mu: 1, s: 0.05, w: 0.5, top: priorTop, qw: priorWhole, qb: tipPrior, unseen: priorUnseen}
	m, r := em(m, in, tipPrior)

	nw := floats.Sum(r)
	ref.Length, ref.SD, ref.N = m.mu*unit, m.s*unit, nw
	ref.SE = unit * m.standardError(in, r, nw)
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
	ref.second = unit * m.secondMode(in, r)
	return ref, nil
}

// em runs the fit from m and returns it with each piece's probability of being
// unbroken.
func em(m mixture, in []seen, tipPrior [3]float64) (mixture, []float64) {
	r := make([]float64, len(in))
	for range 300 {
		m.tabulate()
		var nw, nb, nl, sw, sw2, sb, sg, su, hu float64
		var cw, cb [3]float64
		for i := range in {
			c := &in[i]
			lw := c.look.of(m.qw)
			broken, h, hid := m.asBroken(c)
			a := m.w * m.whole[c.bin] * lw
			b := (1 - m.w) * m.part[c.bin] * broken
			l := m.longer * m.far[c.bin] * lw
			total := a + b + l + stray
			p, q := a/total, b/total
			r[i] = p
			nw += p
			sw += p * c.z
			sw2 += p * c.z * c.z
			c.look.count(&cw, m.qw, p)
			nb += q
			nl += l / total
			sb += q * c.z
			sg += q * m.rim[c.bin]
			c.look.count(&cb, m.qb, q*(1-hid))
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
		m.longer = (nl + priorLonger) / (float64(len(in)) + 2*priorPieces)
		m.qw = frequencies(cw, priorWhole, priorTips)
		// The surely broken weigh twice: or short unbroken kernels would teach
		// that breaks look like grown tips.
		m.qb = frequencies(cb, tipPrior, priorTips+2*(cb[0]+cb[1]+cb[2]))
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
func (m *mixture) standardError(in []seen, r []float64, nw float64) float64 {
	const k = 6
	info := mat.NewSymDense(k, nil)
	var known float64 // information about mu if the lengths scatter as s says
	for i := range in {
		c := &in[i]
		z := centre(c.bin)
		p, d := r[i], (z-m.mu)/m.s
		_, h, hid := m.asBroken(c)
		info.SymRankOne(info, 1, mat.NewVecDense(k, []float64{
			p * d / m.s,
			p * (d*d - 1),
			p - m.w,
			(1 - p) * (z - m.partZ),
			(1 - p) * (m.rim[c.bin] - m.partRim),
			(1 - p) * (hid - h) / (1 - h) / m.unseen,
		}))
		known += p * p / (m.s * m.s)
	}
	// Lengths that are all but equal have no scores to speak of.
	if info.At(0, 0) < known/2 {
		info.SetSym(0, 0, known)
	}
	for a, prior := range [k]float64{
		0, 2 * priorCVObs, 2 * priorPieces * m.w * (1 - m.w),
		1 / (priorSlope * priorSlope), 1 / (priorTopSD * priorTopSD), 1 / (priorUnseenSD * priorUnseenSD),
	} {
		info.SetSym(a, a, info.At(a, a)+prior)
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
// kernels near a length is estimated from the tips alone where these tell, so
// that a heap of pieces broken at one place is no second mode: with g the
// chance that both tips are grown, and q and p its means over unbroken kernels
// and pieces, it is the sum of (g-p)/(q-p). Else every piece counts.
func (m *mixture) secondMode(in []seen, r []float64) float64 {
	var q, p, nq, np float64
	for i := range in {
		g := in[i].look.grown()
		q, nq = q+r[i]*g, nq+r[i]
		p, np = p+(1-r[i])*g, np+1-r[i]
	}
	q, p = q/max(nq, 1e-9), p/max(np, 1e-9)
	// Running sums over ±3 % of the length.
	const half = 7
	var sum, sum2 [nBins]float64
	for i := range in {
		w := 1.0
		if q-p > 0.2 {
			w = (in[i].look.grown() - p) / (q - p)
		}
		for j := max(0, in[i].bin-half); j <= min(nBins-1, in[i].bin+half); j++ {
			sum[j] += w
			sum2[j] += w * w
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
