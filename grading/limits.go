package grading

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
	"traytally/vision/kernel"
)

// How a figure was obtained.
const (
	FromPicture  = "picture"
	FromSheet    = "sheet"
	FromWeighing = "weighed" // sorted and weighed by hand
)

// A figure is what is known of one factor in one grade.
type figure struct {
	known    bool
	estimate Estimate // in the factor's unit; Low = High = Value from the sheet
	share    *Share   // behind it, for percentages from the picture
	counted  *counted // behind it, for numbers per portion
	from     string   // FromPicture, FromSheet, FromWeighing
	why      string   // where not known: the reason
	// partial: the true value can be higher than the estimate, by what a
	// picture does not show.
	partial bool
	// hint: only suspects; no verdict rests on it.
	hint bool
	note string
}

// A counted is a number of kernels found in a mass of rice.
type counted struct {
	n        int
	grams    float64
	portionG float64 // the mass the limit refers to
}

// enough reports whether as much rice was looked at as the limit refers to.
func (c *counted) enough() bool { return c.grams >= c.portionG*(1-1e-9) }

// estimate returns the number per portion with its interval at the given
// level: exact for a Poisson count (F. Garwood, Biometrika 28 (1936) 437-442,
// in its chi-squared form); nothing found gives the one-sided upper limit, as
// Jeffreys does.
func (c *counted) estimate(level float64) Estimate {
	f := c.portionG / c.grams
	e := Estimate{Value: float64(c.n) * f}
	if c.n == 0 {
		e.High = -math.Log(1-level) * f
		return e
	}
	a := (1 - level) / 2
	e.Low, e.High = poissonLimit(c.n, a)*f, poissonLimit(c.n+1, 1-a)*f
	return e
}

// poissonLimit is the mean of a Poisson count with which n or more are found
// with probability p.
func poissonLimit(n int, p float64) float64 {
	return distuv.ChiSquared{K: 2 * float64(n)}.Quantile(p) / 2
}

// An assessor measures the factors of one standard on one sample.
type assessor struct {
	sample *Sample
	std    *standards.Standard
	sheet  *Sheet // may be nil
	shares map[string]Share
	// looked is the mass of rice on the trays in grams, 0 where not known.
	looked float64
}

func newAssessor(s *Sample, std *standards.Standard, sheet *Sheet) (*assessor, error) {
	if sheet != nil {
		if err := sheet.Validate(); err != nil {
			return nil, err
		}
		if err := sheet.check(std); err != nil {
			return nil, err
		}
	}
	a := &assessor{sample: s, std: std, sheet: sheet, shares: map[string]Share{}}
	switch {
	case sheet != nil && sheet.SampleMassG != nil:
		a.looked = *sheet.SampleMassG
	case s.MM:
		var mm3 float64
		for i := range s.Pieces {
			mm3 += s.Pieces[i].Mass
		}
		a.looked = mm3 * milledDensity / 1000
	}
	return a, nil
}

// figure measures the factor f as the grade with index g defines it.
func (a *assessor) figure(f *standards.Factor, g int) figure {
	if fig, ok := a.bySheet(f); ok {
		return fig
	}
	fig, counted := a.paddyByHand(f)
	if !counted {
		fig = a.byPicture(f, g)
	}
	fig.note = f.PictureNote
	fig.partial = f.Picture == standards.PictureAtLeast
	fig.hint = f.Picture == standards.PictureHints
	return fig
}

func (a *assessor) bySheet(f *standards.Factor) (figure, bool) {
	if a.sheet == nil {
		return figure{}, false
	}
	exact := func(x float64) (figure, bool) {
		return figure{known: true, estimate: Estimate{x, x, x}, from: FromSheet}, true
	}
	if h, ok := a.sheet.ByHand[f.Code]; ok {
		if f.Basis == standards.ByWords {
			return exact(float64(slices.Index(f.Words, h.Word) + 1))
		}
		return exact(h.Number)
	}
	if w, ok := a.sheet.Weighed[f.Code]; ok {
		share := w.share(a.std, f, *a.sheet.BalanceG)
		return figure{known: true, estimate: share.Estimate, share: &share, from: FromWeighing}, true
	}
	if f.Sheet == "paddy_per_kg" {
		if fig, ok := a.paddyByHand(f); ok {
			return fig, true
		}
	}
	if x, ok := a.sheet.value(f.Sheet); ok {
		return exact(x)
	}
	if x, ok := a.sheet.value("live_insects"); ok && f.Sheet == "insects" {
		fig, _ := exact(x)
		fig.partial, fig.note = true, "dead insects are not on the sheet (insects)"
		return fig, true
	}
	return figure{}, false
}

// paddyByHand is the number of paddy kernels on the sheet, for a factor per
// portion that they count for: alone, or with seeds and others.
func (a *assessor) paddyByHand(f *standards.Factor) (figure, bool) {
	paddy := f.Sheet == "paddy_per_kg" || f.Pieces != nil && slices.Contains(f.Pieces.Flags, string(kernel.Paddy))
	portion := f.Basis.SamplePortionG()
	if a.sheet == nil || a.sheet.PaddyCount == nil || !paddy || portion == 0 {
		return figure{}, false
	}
	c := &counted{int(*a.sheet.PaddyCount), *a.sheet.PaddyFromG, portion}
	return figure{known: true, estimate: c.estimate(confidence), counted: c, from: FromSheet}, true
}

func (a *assessor) byPicture(f *standards.Factor, g int) figure {
	unknown := func(why string) figure { return figure{why: why} }
	if f.Picture != standards.PictureNone && len(a.sample.Pieces) == 0 {
		return unknown("no picture was given, and it was not weighed")
	}
	if f.Picture == standards.PictureNone {
		if f.Sheet != "" {
			return unknown("not on the sample sheet")
		}
		return unknown("no picture shows it; by hand")
	}
	for _, flag := range f.Pieces.Flags {
		if slices.Contains(a.sample.Params.NotAssessed, kernel.Flag(flag)) {
			return unknown("this picture does not show it")
		}
	}
	if f.Pieces.ChalkFrom > 0 && slices.Contains(a.sample.Params.NotAssessed, kernel.Chalky) {
		return unknown("this picture does not show it")
	}
	if f.Pieces.LengthMM.Given() && !a.sample.MM {
		return unknown("no scale: lengths in millimetres are not known")
	}
	in, decided := a.predicate(f, g, 0)
	if !decided {
		return unknown("no scale: what a sieve of so many millimetres takes is not known")
	}
	if f.Pieces.OfWhole && !a.sample.Told() || a.sample.hangs(in) {
		return unknown(noLength)
	}
	if portion := f.Basis.SamplePortionG(); portion > 0 {
		if a.looked == 0 {
			return unknown("no scale and no sample_mass_g on the sheet: how much rice was looked at is not known")
		}
		c := &counted{grams: a.looked, portionG: portion}
		for i := range a.sample.Pieces {
			p := &a.sample.Pieces[i]
			if in(p, a.sample.Ratio(p)) {
				c.n++
			}
		}
		return figure{known: true, estimate: c.estimate(confidence), counted: c, from: FromPicture}
	}
	share, ok := a.share(f, g, in)
	if !ok {
		return unknown("no whole kernel in the sample")
	}
	return figure{known: true, estimate: share.Estimate, share: &share, from: FromPicture}
}

// share returns the share of the pieces that in holds for. Grades that define
// a factor alike share one computation.
func (a *assessor) share(f *standards.Factor, g int, in Predicate) (Share, bool) {
	parts := a.std.PartsOf(f, g)
	iv, _ := f.Pieces.LengthMM.At(g)
	key := fmt.Sprint(f.Code, parts, iv)
	if a.std.OneDefect() {
		key += fmt.Sprint(g)
	}
	if sh, ok := a.shares[key]; ok {
		return sh, true
	}
	s := a.sample
	switch {
	case f.Pieces.OfWhole:
		whole := *s
		whole.Pieces = a.whole(g)
		if len(whole.Pieces) == 0 {
			return Share{}, false
		}
		s = &whole
	case slices.Contains(f.Pieces.Flags, string(kernel.Foreign)):
		with := *s
		with.Pieces = append(slices.Clone(s.Pieces), s.Foreign...)
		s = &with
	}
	mass, count := s.Shares(in)
	sh := mass
	if f.Basis == standards.ByCount {
		sh = count
	}
	if a.std.Sieved(f, g) {
		sh = sh.widened(a.sieveDoubt(s, f, g))
	}
	a.shares[key] = sh
	return sh, true
}

// sieveDoubtMM is the standard uncertainty with which the width of an outline
// stands in for a round hole, mm: an edge found to half a pixel at 300 dpi on
// either side, a hole that is new or worn, a piece that stands on end. Our own
// choice.
const sieveDoubtMM = 0.1

// sieveDoubt is the standard uncertainty in points that this leaves in the share
// by mass of f.
func (a *assessor) sieveDoubt(s *Sample, f *standards.Factor, g int) float64 {
	all := 0.0
	for i := range s.Pieces {
		all += s.Pieces[i].Mass
	}
	share := func(off float64) (points float64) {
		in, _ := a.predicate(f, g, off)
		for i := range s.Pieces {
			if p := &s.Pieces[i]; in(p, s.Ratio(p)) {
				points += 100 * p.Mass / all
			}
		}
		return points
	}
	return math.Abs(share(sieveDoubtMM)-share(-sieveDoubtMM)) / 2
}

// whole returns the pieces that count as whole in the grade with index g.
func (a *assessor) whole(g int) (out []Piece) {
	ladder := a.std.Ladder(g)
	for _, p := range a.sample.Pieces {
		ratio := a.sample.Ratio(&p)
		for _, part := range ladder {
			if part.Whole && part.Takes(ratio, a.sieve(&p), ends(&p)) {
				out = append(out, p)
				break
			}
		}
	}
	return out
}

// sieve is the dimension that stands in for the one that decides whether p
// passes a round hole, in mm: its least width seen. 0 without a scale.
func (a *assessor) sieve(p *Piece) float64 {
	if !a.sample.MM {
		return 0
	}
	return p.Width
}

func ends(p *Piece) string {
	switch {
	case p.Ends[0] == kernel.EndBroken || p.Ends[1] == kernel.EndBroken:
		return standards.EndsFractured
	case p.Ends[0] == kernel.EndIntact && p.Ends[1] == kernel.EndIntact:
		return standards.EndsGrown
	}
	return ""
}

// predicate returns the predicate for the pieces of factor f in the grade with
// index g. decided is false where it hangs on a sieve and the sample has no
// scale.
//
// offMM is added to what stands in for a sieve.
func (a *assessor) predicate(f *standards.Factor, g int, offMM float64) (in Predicate, decided bool) {
	parts := a.std.PartsOf(f, g)
	takes := func(p *Piece, ratio, sieve float64) bool {
		e := ends(p)
		for i := range parts {
			if parts[i].Takes(ratio, sieve, e) {
				return true
			}
		}
		return false
	}
	if !a.sample.MM && slices.ContainsFunc(parts, standards.Part.Sieved) {
		// A union of sieve classes needs no sieve where it takes what passes
		// and what is held alike.
		const passes, held = 1e-6, 1e6
		for i := range a.sample.Pieces {
			p := &a.sample.Pieces[i]
			if r := a.sample.Ratio(p); takes(p, r, passes) != takes(p, r, held) {
				return nil, false
			}
		}
	}
	earlier := a.earlierDefects(f, g)
	length, hasLength := f.Pieces.LengthMM.At(g)
	return func(p *Piece, ratio float64) bool {
		foreign := p.Has(kernel.Foreign)
		hit := !foreign && len(parts) > 0 && takes(p, ratio, a.sieve(p)+offMM) ||
			hasLength && length.Contains(p.along(a.sample.Params.Measure)) ||
			hasDefect(f, p)
		if !hit {
			return false
		}
		for _, e := range earlier {
			if hasDefect(e, p) {
				return false
			}
		}
		return true
	}, true
}

func hasDefect(f *standards.Factor, p *Piece) bool {
	for _, flag := range f.Pieces.Flags {
		if p.Has(kernel.Flag(flag)) {
			return true
		}
	}
	return f.Pieces.ChalkFrom > 0 && !p.Has(kernel.Foreign) && p.ChalkShare >= f.Pieces.ChalkFrom*(1-ratioEps)
}

// earlierDefects returns the defects that take a kernel before f does, where a
// kernel with several defects counts for the one with the lowest limit only.
func (a *assessor) earlierDefects(f *standards.Factor, g int) []*standards.Factor {
	if !a.std.OneDefect() || len(f.Pieces.Flags) == 0 && f.Pieces.ChalkFrom == 0 {
		return nil
	}
	var out []*standards.Factor
	mine, before := math.Inf(1), true
	if x, ok := f.AtMost.At(g); ok {
		mine = x
	}
	for i := range a.std.Factors {
		other := &a.std.Factors[i]
		if other.Code == f.Code {
			before = false
			continue
		}
		if other.Pieces == nil || other.Picture == standards.PictureHints || len(other.Pieces.Flags) == 0 && other.Pieces.ChalkFrom == 0 {
			continue
		}
		if x, ok := other.AtMost.At(g); ok && (x < mine || x == mine && before) {
			out = append(out, other)
		}
	}
	return out
}

// scaled returns s as if it rested on times as many kernels of the same lot.
func (s Share) scaled(times float64) Share {
	s.EffectiveN *= times
	s.shift.constant /= times
	s.shift.square /= times
	return s
}

// at returns the estimate of fig at another confidence level.
func (fig *figure) at(level float64) Estimate {
	switch {
	case fig.share != nil:
		return fig.share.At(level)
	case fig.counted != nil:
		return fig.counted.estimate(level)
	}
	return fig.estimate
}
