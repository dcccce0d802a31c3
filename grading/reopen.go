package grading

import (
	"fmt"
	"math"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Reopen makes the Sample of a result that was read back from its JSON, and
// checks that what the result says of it follows from its kernels. The doubt of
// single lengths near a limit is not in the JSON, and not in the Sample. Errors
// are *fault.Error.
func Reopen(r *Result) error {
	s, err := r.sample()
	if err == nil {
		err = r.follows(s)
	}
	if err != nil {
		return &fault.Error{Kind: fault.Sample, What: "a damaged result: " + err.Error(), Hint: "give the file as 'traytally grade PICTURE --json FILE' wrote it"}
	}
	r.Sample = s
	return nil
}

// plausible reports whether v can be a measure of a kernel, in any unit.
func plausible(v float64) bool { return v > 1e-9 && v < 1e12 }

func (r *Result) sample() (*Sample, error) {
	ref := &r.Reference
	switch {
	case len(r.Kernels) == 0:
		return nil, fmt.Errorf("the list of kernels is missing")
	case !(r.Unresolved.AreaShare >= 0 && r.Unresolved.AreaShare < 1):
		return nil, fmt.Errorf("unresolved area share of %g", r.Unresolved.AreaShare)
	case ref.Told() && !(plausible(ref.Length) && ref.SE >= 0 && ref.SE < ref.Length):
		return nil, fmt.Errorf("whole-kernel length of %g with a standard error of %g", ref.Length, ref.SE)
	}
	if err := r.Params.Validate(); err != nil {
		return nil, err
	}
	s := &Sample{
		Params: r.Params, MM: ref.Unit == "mm", Trays: max(1, len(r.Pictures)), Unresolved: r.Unresolved.AreaShare,
		Reference: r.Reference,
	}
	if !ref.Told() {
		s.Reference.Length = 0
	}
	tray := map[string]int{}
	for i := len(r.Pictures) - 1; i >= 0; i-- {
		tray[r.Pictures[i].Picture] = i
	}
	ends := map[string]kernel.End{kernel.EndIntact.String(): kernel.EndIntact, kernel.EndBroken.String(): kernel.EndBroken}
	for i := range r.Kernels {
		k := &r.Kernels[i]
		p := Piece{
			Tray:   tray[k.Picture],
			Length: k.LengthMM, Width: k.WidthMM, Area: k.AreaMM2, Mass: k.VolumeMM3,
			Ends:    [2]kernel.End{ends[k.Ends[0]], ends[k.Ends[1]]},
			Covered: k.CoveredShare, ChalkShare: k.ChalkShare, Called: k.Called,
		}
		if !s.MM {
			p.Length, p.Width, p.Area, p.Mass = k.LengthPx, k.WidthPx, k.AreaPx2, k.VolumePx3
		}
		if !plausible(p.Length) || !plausible(p.Width) || !plausible(p.Mass) || s.Told() && !plausible(k.LengthRatio) {
			return nil, fmt.Errorf("kernel %d of %s: length %g, width %g, volume %g, ratio %g", k.ID, k.Picture, p.Length, p.Width, p.Mass, k.LengthRatio)
		}
		for end, c := range k.FractureChance {
			c = min(max(c, 0.01), 0.99) // as it was rounded
			p.Odds[end] = c / (1 - c)
		}
		p.heed()
		// The ratio is by the measure that the classes go by; the other measure
		// is not used.
		p.Axis = p.Length
		if s.Told() && s.Params.Measure == Axis {
			p.Axis = k.LengthRatio * ref.Length
		}
		for _, f := range k.Flags {
			p.Flags = append(p.Flags, kernel.Flag(f))
		}
		if p.Has(kernel.Foreign) || k.Class == ForeignBody {
			s.Foreign = append(s.Foreign, p)
		} else {
			s.Pieces = append(s.Pieces, p)
		}
	}
	if len(s.Pieces) == 0 {
		return nil, fmt.Errorf("no kernel of rice in it")
	}
	return s, nil
}

// sharesAlike is by how many points shares worked out again may differ for
// having been written with four decimals, and ends of intervals may be farther
// in for what the JSON does not hold.
const sharesAlike = 0.01

// follows returns an error where the header of r does not follow from s, the
// sample of its kernels.
func (r *Result) follows(s *Sample) error {
	if !s.Told() {
		return nil // the broken share goes by what the tips look like
	}
	for i := range r.Kernels {
		k := &r.Kernels[i]
		if p := k.Length() / s.Reference.Length; s.Params.Measure == Caliper && math.Abs(p-k.LengthRatio) > 1e-3*p {
			return fmt.Errorf("kernel %d of %s is %.3f of the whole-kernel length, and %.3f is written", k.ID, k.Picture, p, k.LengthRatio)
		}
	}
	mass, _ := s.Shares(Broken(s.Params.Cut))
	if err := mass.like("broken", r.Broken.MassPct, r.Broken.Found); err != nil {
		return err
	}
	for _, row := range r.Shares {
		mass, _ = s.SharesOf(row.Kind, row.Name)
		if err := mass.like(row.Name, row.MassPct, row.Found); err != nil {
			return err
		}
	}
	return nil
}

// like returns an error where a share is not what is written of it.
func (s Share) like(what string, written Interval, found int) error {
	switch {
	case s.Found != found:
		return fmt.Errorf("%d %s are written, %d follow from the kernels", found, what, s.Found)
	case math.Abs(s.Value-written.Value) > sharesAlike:
		return fmt.Errorf("%.2f %% %s are written, %.2f %% follow from the kernels", written.Value, what, s.Value)
	case written.Low > s.Low+sharesAlike || written.High < s.High-sharesAlike:
		return fmt.Errorf("%s: an interval of %.2f to %.2f %% is written, %.2f to %.2f %% follows from the kernels", what, written.Low, written.High, s.Low, s.High)
	}
	return nil
}
