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
	s, err := gather(trays)
	if err != nil {
		return nil, err
	}
	s.Params = params
	if s.Params.NotAssessed == nil {
		s.Params.NotAssessed = []kernel.Flag{}
	}
	if s.Params.TradeClasses == nil {
		s.Params.TradeClasses = []float64{}
	}
	r := &Result{
		Schema:      Schema,
		Versions:    map[string]string{"grading": MethodVersion},
		Params:      s.Params,
		Unresolved:  UnresolvedResult{AreaShare: round(s.Unresolved, 6)},
		NotAssessed: []NotAssessed{},
		Warnings:    []Warning{},
		Sample:      s,
	}
	for i := range trays {
		t := &trays[i]
		r.CutByEdge += t.CutByEdge
		r.Unresolved.Clusters += len(t.Unresolved)
		r.Pictures = append(r.Pictures, Picture{
			Picture: t.Picture, WidthPx: t.WidthPx, HeightPx: t.HeightPx,
			PxPerMM: round(t.PxPerMM, 6), ScaleSource: t.ScaleSource, Kernels: len(t.Kernels),
			CutByEdge: t.CutByEdge, Unresolved: len(t.Unresolved), TooSmall: t.TooSmall,
			ColourBalance: t.Balance, Calibrated: t.Calibrated, Objects: len(t.Objects),
		})
		for _, w := range t.Warnings {
			r.Warnings = append(r.Warnings, Warning{
				Code: w.Code, Text: w.Text, Hint: w.Hint, Picture: t.Picture,
				Value: round(w.Value, 4), Limit: round(w.Limit, 4), Metric: w.Metric,
			})
		}
	}
	if len(s.Pieces) == 0 {
		return nil, r.nothing()
	}
	var more []Warning
	if s.Reference, more, err = s.reference(params.Measure); err != nil {
		return nil, err
	}
	r.setReference(trays)
	r.Whiteness = whiteness(trays)
	mass := r.setBroken()
	r.setShares()
	r.Warnings = append(append(r.Warnings, more...), r.doubts(mass)...)
	r.Kernels = s.rows(trays)
	return r, nil
}

// setBroken fills in the broken share, which it returns by mass, and the trade
// class.
func (r *Result) setBroken() Share {
	s := r.Sample
	mass, count := s.Shares(Broken(s.Params.Cut))
	r.Broken = BrokenResult{Intervals: rounded(mass, count), Found: mass.Found, Budget: mass.Budget.rounded(), Other: s.otherMeasure()}
	if s.Told() {
		r.TradeClass = TradeClassOf(r.Broken.MassPct.Estimate, s.Params.TradeClasses)
	} else {
		m, c := s.byTips()
		r.Broken.MassPct.Estimate = r.Broken.MassPct.with(m)
		r.Broken.CountPct.Estimate = r.Broken.CountPct.with(c)
	}
	for i := range s.Pieces {
		if s.ClassOf(&s.Pieces[i]) == Untold {
			r.Broken.Untold++
		}
	}
	return mass
}

// doubts says what to bear in mind of the broken share.
func (r *Result) doubts(mass Share) (warnings []Warning) {
	s := r.Sample
	if mass.TraysDiffer {
		warnings = append(warnings, Warning{
			Code: "trays_differ", Value: round(mass.Budget.Trays, 4), Metric: "standard uncertainty from it, points",
			Text: "the trays differ in their broken share by more than chance explains",
			Hint: "mix and divide the sample again before spreading it; five trays or more give an interval that allows for it",
		})
	}
	if cut := float64(r.CutByEdge) / float64(len(s.Pieces)+len(s.Foreign)+r.CutByEdge); cut > edgeShare {
		warnings = append(warnings, Warning{
			Code: "cut_by_edge", Value: round(cut, 4), Limit: edgeShare, Metric: "share of the pieces",
			Text: numbered(r.CutByEdge, "%d piece was left out because the picture's edge cuts it; an edge cuts long ones more often, so broken reads a little high",
				"%d pieces were left out because the picture's edge cuts them; it cuts long ones more often, so broken reads a little high"),
			Hint: "spread the sample clear of the picture's edge",
		})
	}
	const part = "part these kernels on the tray and scan again"
	if s.Unresolved > 0 {
		warnings = append(warnings, Warning{
			Code: "unresolved", Value: round(s.Unresolved, 4), Metric: "share of the area of rice",
			Text: numbered(r.Unresolved.Clusters, "%d touching group was not taken apart; every interval is widened by its %.1f %% of the rice",
				"%d touching groups were not taken apart; every interval is widened by their %.1f %% of the rice", 100*s.Unresolved),
			Hint: part,
		})
	}
	if r.Broken.Untold > 0 && s.Told() {
		warnings = append(warnings, Warning{
			Code: "covered", Value: float64(r.Broken.Untold), Metric: "pieces",
			Text: numbered(r.Broken.Untold, "of %d piece that lies partly under others it cannot be told whether it is whole; every interval is widened by it",
				"of %d pieces that lie partly under others it cannot be told whether they are whole; every interval is widened by them"),
			Hint: part,
		})
	}
	return warnings
}

// numbered writes a text whose first value is a number, in the words for one or for
// several. What a warning says is in samples/words/stored.txt too, and in en.json
// of one.
func numbered(n int, one, several string, more ...any) string {
	text := several
	if n == 1 {
		text = one
	}
	return fmt.Sprintf(text, append([]any{n}, more...)...)
}

// nothing says why there is no rice to grade.
func (r *Result) nothing() error {
	what, hint := "no kernels found", "check that the picture shows the tray with rice on it, kernels apart, and in focus"
	switch foreign := len(r.Sample.Foreign); {
	case foreign > 0:
		what = numbered(foreign, "nothing is there but %d piece that looks like a foreign body", "all %d pieces look like foreign bodies, none like rice")
		hint = "check the light and colours of the picture"
	case r.Unresolved.Clusters > 0:
		what = numbered(r.Unresolved.Clusters, "every kernel lies in %d touching group that could not be taken apart", "every kernel lies in one of %d touching groups that could not be taken apart")
		hint = "spread the kernels so that most lie free, and scan again"
	case r.CutByEdge > 0:
		what = numbered(r.CutByEdge, "nothing is there but %d piece that the picture's edge cuts", "all %d pieces are cut by the picture's edge")
		hint = "spread the sample clear of the picture's edge"
	}
	return caused(fault.Sample, ErrNoKernels, what, hint)
}

const dpiHint = "give the resolution of the pictures, for example --dpi 300"

// unit is the unit of lengths.
func (s *Sample) unit() string {
	if s.MM {
		return "mm"
	}
	return "px"
}

// reference finds the reference length for the measure m, and what should be
// said about it.
func (s *Sample) reference(m LengthMeasure) (ref Reference, warnings []Warning, err error) {
	p := &s.Params
	own, ownErr := fitReference(s.Pieces, m)
	own.Unit = s.unit()
	switch {
	case p.WholeLengthMM > 0 && !s.MM:
		return Reference{}, nil, caused(fault.Sample, ErrNoScale,
			fmt.Sprintf("a whole-kernel length of %g mm cannot be used on pictures without a scale", p.WholeLengthMM),
			dpiHint+", or take the length from a picture of picked whole kernels with --whole-from")
	case p.WholeLengthMM > 0:
		ref = Reference{Unit: own.Unit, Length: p.WholeLengthMM, SE: p.WholeLengthSEMM, Method: FromStated}
	case len(p.ReferenceFrom) > 0:
		if ref, warnings, err = s.pickedReference(m); err != nil {
			return Reference{}, nil, err
		}
	case ownErr != nil:
		hint := "give the whole-kernel length with --whole-length, or a picture of picked whole kernels with --whole-from"
		if !s.MM {
			hint = "give a picture of picked whole kernels with --whole-from"
		}
		return Reference{Unit: own.Unit, Method: NotTold}, []Warning{{
			Code: "whole_length_not_told",
			Text: fmt.Sprintf("the whole-kernel length cannot be told from this sample (%s): whole and broken are told by the tips alone, and no size class",
				strings.TrimPrefix(ownErr.Error(), ErrNoReference.Error()+": ")),
			Hint: hint,
		}}, nil
	default:
		return own, own.doubts(), nil
	}
	if ownErr == nil {
		warnings = append(warnings, far(ref, own)...)
	}
	return ref, warnings, nil
}

// doubts says what to bear in mind of a reference that the sample gave itself.
func (r *Reference) doubts() (w []Warning) {
	if r.N < fewUnbroken {
		w = append(w, Warning{
			Code: "few_unbroken", Value: round(r.N, 1), Limit: fewUnbroken, Metric: "unbroken kernels",
			Text: fmt.Sprintf("the whole-kernel length rests on about %.0f unbroken kernels", r.N),
			Hint: "scan more of the sample; the usual reference is the mean of two sets of 100 (ISO 11746)",
		})
	}
	const mixed = "if the sample mixes two kinds of rice no single length fits; give the one to go by with --whole-length or --whole-from"
	if r.second > 0 {
		w = append(w, Warning{
			Code: "two_lengths", Value: round(math.Abs(r.second/r.Length-1), 4), Limit: modesApart, Metric: "distance, share of the whole-kernel length",
			Text: fmt.Sprintf("two lengths are frequent, %.2f and %.2f %s", r.Length, r.second, r.Unit),
			Hint: mixed,
		})
	} else if cv := r.SD / r.Length; cv > wideCV {
		w = append(w, Warning{
			Code: "wide_lengths", Value: round(cv, 4), Limit: wideCV, Metric: "standard deviation, share of the whole-kernel length",
			Text: fmt.Sprintf("unbroken kernels scatter by %.1f %% of their length, more than one kind of rice usually does", 100*cv),
			Hint: mixed,
		})
	}
	if r.tooLong > 0 {
		hint := "look at them in the overlay: they may be kernels lying end to end"
		if r.tooLong == 1 {
			hint = "look at it in the overlay: it may be kernels lying end to end"
		}
		w = append(w, Warning{
			Code: "long_pieces", Value: float64(r.tooLong), Metric: "pieces",
			Text: numbered(r.tooLong, "%d piece is longer than %g times the usual kernel and was kept out of the whole-kernel length",
				"%d pieces are longer than %g times the usual kernel and were kept out of the whole-kernel length", maxShown),
			Hint: hint,
		})
	}
	return w
}

// pickedReference takes the reference length from the trays of picked whole
// kernels.
func (s *Sample) pickedReference(m LengthMeasure) (ref Reference, w []Warning, err error) {
	trays := s.Params.ReferenceFrom
	p, err := gather(trays)
	switch {
	case err != nil:
		return ref, nil, err
	case len(p.Pieces) == 0:
		return ref, nil, caused(fault.Sample, ErrNoReference,
			fmt.Sprintf("%s: no kernels to take the whole-kernel length from", name(&trays[0], 0)), "scan picked whole kernels, lying apart")
	case p.MM != s.MM:
		return ref, nil, caused(fault.Sample, ErrMixedScale,
			fmt.Sprintf("%s and the sample do not both have a scale", name(&trays[0], 0)), dpiHint)
	}
	ref = picked(p.Pieces, m)
	ref.Unit = p.unit()
	for i := range trays {
		ref.Pictures = append(ref.Pictures, name(&trays[i], i))
	}
	if ref.N < fewUnbroken {
		w = append(w, Warning{
			Code: "few_unbroken", Value: ref.N, Limit: fewUnbroken, Metric: "picked kernels",
			Text: fmt.Sprintf("the whole-kernel length rests on %.0f picked kernels", ref.N),
			Hint: "pick more; the usual reference is the mean of two sets of 100 (ISO 11746)",
		})
	}
	if !p.MM {
		w = append(w, Warning{
			Code: "no_scale",
			Text: "the picked kernels and the sample have no scale; their lengths compare only if both pictures were taken alike",
			Hint: dpiHint,
		})
	}
	return ref, w, nil
}

// far warns where a given reference is far from the sample's own.
func far(ref, own Reference) []Warning {
	d := math.Abs(own.Length/ref.Length - 1)
	if d <= farLength || math.Abs(own.Length-ref.Length) <= 2*math.Hypot(own.SE, ref.SE) {
		return nil
	}
	return []Warning{{
		Code: "length_differs", Value: round(d, 4), Limit: farLength, Metric: "distance, share of the given length",
		Text: fmt.Sprintf("the given whole-kernel length is %.2f %s, the sample's own unbroken kernels have %.2f %s", ref.Length, own.Unit, own.Length, own.Unit),
		Hint: "check that the length belongs to this rice and that the scale is right",
	}}
}

// setReference tells the reference and the scale, where the trays have one.
func (r *Result) setReference(trays []kernel.Tray) {
	r.Reference = r.Sample.Reference.rounded()
	if !r.Sample.MM {
		r.ReferenceLengthPx = r.Reference.Length
		return
	}
	r.ReferenceLengthMM = r.Reference.Length
	var scales []float64
	for i := range trays {
		if scale := trays[i].PxPerMM; scale > 0 && !slices.Contains(scales, scale) {
			scales = append(scales, scale)
		}
	}
	if len(scales) == 1 {
		r.PxPerMM = round(scales[0], 6)
		r.ReferenceLengthPx = round(r.Sample.Reference.Length*scales[0], 4)
	}
}

// setShares fills the shares of classes, flags and foreign bodies, and what
// could not be assessed of them.
func (r *Result) setShares() {
	s := r.Sample
	add := func(kind, name, unseen string) {
		if unseen != "" {
			r.NotAssessed = append(r.NotAssessed, NotAssessed{name, unseen})
			return
		}
		mass, count := s.SharesOf(kind, name)
		r.Shares = append(r.Shares, ShareResult{name, kind, mass.Found, rounded(mass, count)})
	}
	for _, c := range Classes {
		unseen := ""
		if !s.Told() {
			unseen = noLength
		} else if c == Chip && !s.MM {
			unseen = "no scale, and chips are told by a sieve hole in millimetres; they are among the small brokens"
		}
		add(KindClass, string(c), unseen)
	}
	for _, f := range append(flagOrder[:], kernel.Foreign) {
		kind, unseen := KindFlag, ""
		if f == kernel.Foreign {
			kind = KindForeign
		}
		if slices.Contains(s.Params.NotAssessed, f) {
			unseen = "the picture does not show it"
		}
		add(kind, string(f), unseen)
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
	var err error
	if o.Reference, _, err = o.reference(o.Params.Measure); err != nil || !o.Told() {
		return nil
	}
	mass, count := o.Shares(Broken(o.Params.Cut))
	return &OtherMeasure{o.Params.Measure, round(o.Reference.Length, 4), rounded(mass, count)}
}
