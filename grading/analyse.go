package grading

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Limits beyond which a warning is given.
const (
	wideCV    = 0.07 // scatter of unbroken kernels; a single variety has 4 to 6 % (from memory)
	farLength = 0.05 // given length against the sample's own
	edgeShare = 0.05 // pieces cut by the picture's edge, of all
)

// Analyse grades the kernels of one or more trays of one sample.
//
// Errors are *fault.Error wrapping ErrParams, ErrMeasure, ErrMixedScale,
// ErrNoScale, ErrNoKernels or, of pictures of picked kernels, ErrNoReference.
// A sample that does not tell its whole-kernel length gets all that can be told
// without one. The trays are not changed.
func Analyse(trays []kernel.Tray, params Params) (*Result, error) {
	if err := params.Validate(); err != nil {
		return nil, err
	}
	rice, foreign, mm, err := gather(trays)
	if err != nil {
		return nil, err
	}
	s := &Sample{Params: params, MM: mm, Pieces: rice, Foreign: foreign, Trays: len(trays)}
	clusters, cutByEdge := 0, 0
	var lost, area float64
	for i := range rice {
		area += rice[i].Area
	}
	for i := range trays {
		t := &trays[i]
		unit := 1.0
		if mm && t.PxPerMM > 0 {
			unit = t.PxPerMM
		}
		cutByEdge += t.CutByEdge
		clusters += len(t.Unresolved)
		for _, c := range t.Unresolved {
			lost += max(0, c.AreaPx2) / (unit * unit)
		}
	}
	if len(rice) == 0 {
		return nil, nothing(len(foreign), clusters, cutByEdge)
	}
	if lost > 0 {
		s.Unresolved = lost / (lost + area)
	}

	var warnings []Warning
	for i := range trays {
		for _, w := range trays[i].Warnings {
			warnings = append(warnings, Warning{
				Code: w.Code, Text: w.Text, Hint: w.Hint, Picture: trays[i].Picture,
				Value: round(w.Value, 4), Limit: round(w.Limit, 4), Metric: w.Metric,
			})
		}
	}
	ref, more, err := s.reference(params.Measure)
	if err != nil {
		return nil, err
	}
	s.Reference = ref
	warnings = append(warnings, more...)

	r := &Result{
		Schema:      Schema,
		Versions:    map[string]string{"grading": MethodVersion},
		Params:      params,
		CutByEdge:   cutByEdge,
		Unresolved:  UnresolvedResult{clusters, round(s.Unresolved, 6)},
		NotAssessed: []NotAssessed{},
		Sample:      s,
	}
	if r.Params.NotAssessed == nil {
		r.Params.NotAssessed = []kernel.Flag{}
	}
	if r.Params.TradeClasses == nil {
		r.Params.TradeClasses = []float64{}
	}
	r.setReference(trays)
	r.Whiteness = whiteness(trays)
	for i := range trays {
		t := &trays[i]
		r.Pictures = append(r.Pictures, Picture{
			Picture: t.Picture, WidthPx: t.WidthPx, HeightPx: t.HeightPx,
			PxPerMM: round(t.PxPerMM, 6), ScaleSource: t.ScaleSource, Kernels: len(t.Kernels),
			CutByEdge: t.CutByEdge, Unresolved: len(t.Unresolved), TooSmall: t.TooSmall,
			ColourBalance: t.Balance, Calibrated: t.Calibrated, Objects: len(t.Objects),
		})
	}

	mass := r.setBroken()
	r.setShares()
	r.Warnings = append(warnings, r.doubts(mass)...)
	if r.Warnings == nil {
		r.Warnings = []Warning{}
	}
	r.Kernels = s.rows(trays)
	return r, nil
}

// setBroken fills in the broken share, which it returns by mass, and the trade
// class.
func (r *Result) setBroken() Share {
	s := r.Sample
	mass, count := s.Shares(Broken(s.Params.Cut))
	r.Broken = BrokenResult{
		MassPct: mass.interval(), CountPct: count.interval(), Found: mass.Found, Budget: mass.Budget.rounded(),
	}
	if !s.Told() {
		m, c := s.byTips()
		r.Broken.MassPct.Estimate = r.Broken.MassPct.with(m)
		r.Broken.CountPct.Estimate = r.Broken.CountPct.with(c)
	}
	for i := range s.Pieces {
		if s.ClassOf(&s.Pieces[i]) == Untold {
			r.Broken.Untold++
		}
	}
	r.Broken.Other = s.otherMeasure()
	if s.Told() {
		r.TradeClass = TradeClassOf(r.Broken.MassPct.Estimate, s.Params.TradeClasses)
	}
	return mass
}

// doubts says what to bear in mind of the broken share.
func (r *Result) doubts(mass Share) (warnings []Warning) {
	s := r.Sample
	if mass.TraysDiffer {
		warnings = append(warnings, Warning{
			Code:   "trays_differ",
			Text:   "the trays differ in their broken share by more than chance explains",
			Hint:   "mix and divide the sample again before spreading it; five trays or more give an interval that allows for it",
			Value:  round(mass.Budget.Trays, 4),
			Metric: "standard uncertainty from it, points",
		})
	}
	if n := len(s.Pieces) + len(s.Foreign); float64(r.CutByEdge) > edgeShare*float64(n+r.CutByEdge) {
		warnings = append(warnings, Warning{
			Code:  "cut_by_edge",
			Text:  fmt.Sprintf("%d pieces were left out because the picture's edge cuts them; it cuts long ones more often, so broken reads a little high", r.CutByEdge),
			Hint:  "spread the sample clear of the picture's edge",
			Value: round(float64(r.CutByEdge)/float64(n+r.CutByEdge), 4), Limit: edgeShare, Metric: "share of the pieces",
		})
	}
	if s.Unresolved > 0 {
		warnings = append(warnings, Warning{
			Code:  "unresolved",
			Text:  fmt.Sprintf("%d touching groups were not taken apart; every interval is widened by their %.1f %% of the rice", r.Unresolved.Clusters, 100*s.Unresolved),
			Hint:  "part these kernels on the tray and scan again",
			Value: round(s.Unresolved, 4), Metric: "share of the area of rice",
		})
	}
	if r.Broken.Untold > 0 && s.Told() {
		warnings = append(warnings, Warning{
			Code:  "covered",
			Text:  fmt.Sprintf("of %d pieces that lie partly under others it cannot be told whether they are whole; every interval is widened by them", r.Broken.Untold),
			Hint:  "part these kernels on the tray and scan again",
			Value: float64(r.Broken.Untold), Metric: "pieces",
		})
	}
	return warnings
}

// nothing says why there is no rice to grade.
func nothing(foreign, clusters, cutByEdge int) error {
	what, hint := "no kernels found", "check that the picture shows the tray with rice on it, kernels apart, and in focus"
	switch {
	case foreign > 0:
		what = fmt.Sprintf("all %d pieces look like foreign bodies, none like rice", foreign)
		hint = "check the light and colours of the picture"
	case clusters > 0:
		what = fmt.Sprintf("every kernel lies in one of %d touching groups that could not be taken apart", clusters)
		hint = "spread the kernels so that most lie free, and scan again"
	case cutByEdge > 0:
		what = fmt.Sprintf("all %d pieces are cut by the picture's edge", cutByEdge)
		hint = "spread the sample clear of the picture's edge"
	}
	return caused(fault.Sample, ErrNoKernels, what, hint)
}

// reference finds the reference length for the measure m, and what should be
// said about it.
func (s *Sample) reference(m LengthMeasure) (Reference, []Warning, error) {
	unit := "px"
	if s.MM {
		unit = "mm"
	}
	own, ownErr := fitReference(s.Pieces, m)
	p := &s.Params
	switch {
	case p.WholeLengthMM > 0:
		if !s.MM {
			return Reference{}, nil, caused(fault.Sample, ErrNoScale,
				fmt.Sprintf("a whole-kernel length of %g mm cannot be used on pictures without a scale", p.WholeLengthMM),
				"give the resolution of the pictures, for example --dpi 300, or take the length from a picture of picked whole kernels with --whole-from")
		}
		ref := Reference{Length: p.WholeLengthMM, SE: p.WholeLengthSEMM, Method: FromStated}
		return ref, far(ref, own, ownErr, unit), nil
	case len(p.ReferenceFrom) > 0:
		ref, warnings, err := s.pickedReference(m, unit)
		if err != nil {
			return Reference{}, nil, err
		}
		return ref, append(warnings, far(ref, own, ownErr, unit)...), nil
	case ownErr != nil:
		hint := "give the whole-kernel length with --whole-length, or a picture of picked whole kernels with --whole-from"
		if !s.MM {
			hint = "give a picture of picked whole kernels with --whole-from"
		}
		return Reference{Method: NotTold}, []Warning{{
			Code: "whole_length_not_told",
			Text: fmt.Sprintf("the whole-kernel length cannot be told from this sample (%s): whole and broken are told by the tips alone, and no size class",
				strings.TrimPrefix(ownErr.Error(), ErrNoReference.Error()+": ")),
			Hint: hint,
		}}, nil
	}
	var w []Warning
	if own.N < fewUnbroken {
		w = append(w, Warning{
			Code:  "few_unbroken",
			Text:  fmt.Sprintf("the whole-kernel length rests on about %.0f unbroken kernels", own.N),
			Hint:  "scan more of the sample; the usual reference is the mean of two sets of 100 (ISO 11746)",
			Value: round(own.N, 1), Limit: fewUnbroken, Metric: "unbroken kernels",
		})
	}
	const mixed = "if the sample mixes two kinds of rice no single length fits; give the one to go by with --whole-length or --whole-from"
	if own.SecondLength > 0 {
		w = append(w, Warning{
			Code:  "two_lengths",
			Text:  fmt.Sprintf("two lengths are frequent, %.2f and %.2f %s", own.Length, own.SecondLength, unit),
			Hint:  mixed,
			Value: round(math.Abs(own.SecondLength/own.Length-1), 4), Limit: modesApart, Metric: "distance, share of the whole-kernel length",
		})
	} else if cv := own.SD / own.Length; cv > wideCV {
		w = append(w, Warning{
			Code:  "wide_lengths",
			Text:  fmt.Sprintf("unbroken kernels scatter by %.1f %% of their length, more than one kind of rice usually does", 100*cv),
			Hint:  mixed,
			Value: round(cv, 4), Limit: wideCV, Metric: "standard deviation, share of the whole-kernel length",
		})
	}
	if own.TooLong > 0 {
		w = append(w, Warning{
			Code:  "long_pieces",
			Text:  fmt.Sprintf("%d pieces are longer than %g times the usual kernel and were kept out of the whole-kernel length", own.TooLong, maxShown),
			Hint:  "look at them in the overlay: they may be kernels lying end to end",
			Value: float64(own.TooLong), Metric: "pieces",
		})
	}
	return own, w, nil
}

// pickedReference takes the reference length from the trays of picked whole
// kernels.
func (s *Sample) pickedReference(m LengthMeasure, unit string) (Reference, []Warning, error) {
	trays := s.Params.ReferenceFrom
	pieces, _, mm, err := gather(trays)
	if err != nil {
		return Reference{}, nil, err
	}
	if len(pieces) == 0 {
		return Reference{}, nil, caused(fault.Sample, ErrNoReference,
			fmt.Sprintf("%s: no kernels to take the whole-kernel length from", name(&trays[0], 0)),
			"scan picked whole kernels, lying apart")
	}
	if mm != s.MM {
		return Reference{}, nil, caused(fault.Sample, ErrMixedScale,
			fmt.Sprintf("%s and the sample do not both have a scale", name(&trays[0], 0)),
			"give the resolution of the pictures, for example --dpi 300")
	}
	ref := picked(pieces, m)
	var w []Warning
	if ref.N < fewUnbroken {
		w = append(w, Warning{
			Code:  "few_unbroken",
			Text:  fmt.Sprintf("the whole-kernel length rests on %.0f picked kernels", ref.N),
			Hint:  "pick more; the usual reference is the mean of two sets of 100 (ISO 11746)",
			Value: ref.N, Limit: fewUnbroken, Metric: "picked kernels",
		})
	}
	if !mm {
		w = append(w, Warning{
			Code:   "no_scale",
			Text:   "the picked kernels and the sample have no scale; their lengths compare only if both pictures were taken alike",
			Hint:   "give the resolution of the pictures, for example --dpi 300",
			Metric: "",
		})
	}
	return ref, w, nil
}

// far warns where a given reference is far from the sample's own.
func far(ref, own Reference, ownErr error, unit string) []Warning {
	if ownErr != nil {
		return nil
	}
	d := own.Length/ref.Length - 1
	if math.Abs(d) <= farLength || math.Abs(own.Length-ref.Length) <= 2*math.Hypot(own.SE, ref.SE) {
		return nil
	}
	return []Warning{{
		Code:  "length_differs",
		Text:  fmt.Sprintf("the given whole-kernel length is %.2f %s, the sample's own unbroken kernels have %.2f %s", ref.Length, unit, own.Length, unit),
		Hint:  "check that the length belongs to this rice and that the scale is right",
		Value: round(math.Abs(d), 4), Limit: farLength, Metric: "distance, share of the given length",
	}}
}

// setReference fills what the result says about the reference and the scale.
func (r *Result) setReference(trays []kernel.Tray) {
	s := r.Sample
	ref := s.Reference
	r.Reference = ReferenceResult{
		Unit: "px", Length: round(ref.Length, 4), SE: round(ref.SE, 4), SD: round(ref.SD, 4),
		NUnbroken: round(ref.N, 1), Method: ref.Method,
	}
	for i := range s.Params.ReferenceFrom {
		r.Reference.Pictures = append(r.Reference.Pictures, name(&s.Params.ReferenceFrom[i], i))
	}
	if !s.MM {
		r.ReferenceLengthPx = r.Reference.Length
		return
	}
	r.Reference.Unit = "mm"
	r.ReferenceLengthMM = r.Reference.Length
	scale, same := 0.0, true
	for i := range trays {
		switch t := trays[i].PxPerMM; {
		case t == 0 || t == scale:
		case scale == 0:
			scale = t
		default:
			same = false
		}
	}
	if same {
		r.PxPerMM = round(scale, 6)
		r.ReferenceLengthPx = round(ref.Length*scale, 4)
	}
}

// setShares fills the shares of classes, flags and foreign bodies, and what
// could not be assessed of them.
func (r *Result) setShares() {
	s := r.Sample
	add := func(name, kind string, mass, count Share) {
		r.Shares = append(r.Shares, ShareResult{name, kind, mass.Found, mass.interval(), count.interval()})
	}
	for _, c := range Classes {
		if !s.Told() {
			r.NotAssessed = append(r.NotAssessed, NotAssessed{string(c), noLength})
			continue
		}
		if c == Chip && !s.MM {
			r.NotAssessed = append(r.NotAssessed, NotAssessed{string(Chip), "no scale, and chips are told by a sieve hole in millimetres; they are among the small brokens"})
			continue
		}
		mass, count := s.Shares(func(p *Piece, ratio float64) bool { return s.Class(p, ratio) == c })
		add(string(c), KindClass, mass, count)
	}
	skip := func(f kernel.Flag) bool {
		if slices.Contains(s.Params.NotAssessed, f) {
			r.NotAssessed = append(r.NotAssessed, NotAssessed{string(f), "the picture does not show it"})
			return true
		}
		return false
	}
	for _, f := range flagOrder {
		if skip(f) {
			continue
		}
		mass, count := s.Shares(func(p *Piece, _ float64) bool { return p.Has(f) })
		add(string(f), KindFlag, mass, count)
	}
	if !skip(kernel.Foreign) {
		mass, count := s.ForeignShares()
		add(string(kernel.Foreign), KindForeign, mass, count)
	}
}

// otherMeasure is the broken share by the length measure not chosen, or nil
// where that has no reference length.
func (s *Sample) otherMeasure() *OtherMeasure {
	if !s.Told() {
		return nil
	}
	o := *s
	o.Params.Measure = Axis
	if s.Params.Measure == Axis {
		o.Params.Measure = Caliper
	}
	ref, _, err := o.reference(o.Params.Measure)
	if err != nil || ref.Method == NotTold {
		return nil
	}
	o.Reference = ref
	mass, count := o.Shares(Broken(o.Params.Cut))
	return &OtherMeasure{o.Params.Measure, round(ref.Length, 4), mass.interval(), count.interval()}
}
