package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"traytally/grading"
	"traytally/samples"
)

func (v *view) method() {
	add := func(text string) { v.Method = append(v.Method, text) }
	res := v.res
	ref := &res.Reference
	if ref.Told() {
		origin := ""
		switch about := v.Number(ref.N, 0); ref.Method {
		case grading.FromSample:
			origin = v.T("the mean of this sample's own unbroken kernels (about %s of them)", about)
		case grading.FromPicked:
			origin = v.T("the mean of %s picked whole kernels", about)
		case grading.FromStated:
			origin = v.T("stated by the user")
		}
		by := v.T("the greatest caliper extent")
		if res.Params.Measure == grading.Axis {
			by = v.T("the extent along the kernel's axis")
		}
		add(v.T("A kernel shorter than %s of the whole-kernel length is broken. That length is %s %s ± %s (standard error), %s. Lengths are by %s.",
			v.Number(res.Params.Cut, -1), v.Number(ref.Length, 3), ref.Unit, v.Number(ref.SE, 3), origin, by))
	} else {
		add(v.T("The whole-kernel length cannot be told from this sample. A piece with a fracture at an end is called broken, one with two grown tips a head kernel; the others, %d pieces, are in the interval both ways.", res.Broken.Untold))
	}
	b := &res.Broken
	add(v.T("%d kernels were measured on %s, %d of them broken. The share by mass is that of solid volume as seen from above, an estimate of the weighed share.",
		len(res.Kernels), v.T("%d pictures", len(res.Pictures)), b.Found))
	add(v.T("The interval is for the lot: it holds the lot's true share in 95 of 100 samples, if kernels were drawn at random. Standard uncertainties in points: drawing of kernels %s, scatter of trays %s, lengths near the limit %s, whole-kernel length %s; groups not taken apart widen it by %s.",
		v.Number(b.Budget.Sampling, 2), v.Number(b.Budget.Trays, 2), v.Number(b.Budget.NearLimit, 2), v.Number(b.Budget.Reference, 2), v.Number(b.Budget.Unresolved, 2)))
	if o := b.Other; o != nil {
		add(v.T("By the other length (%s) the share would be %s by mass (%s).", v.Said(string(o.Measure)), v.Pct(o.MassPct.Value), v.Between(o.MassPct.Estimate)))
	}
	if wh := res.Whiteness; wh != nil {
		kind := v.T("absolute: colours were brought to a patch of known reflectance")
		if wh.Relative {
			kind = v.T("relative: compare it only with pictures taken alike")
		}
		add(v.T("Whiteness index %s ± %s (standard uncertainty among kernels), %s. %s.", v.Number(wh.Index, 1), v.Number(wh.SE, 1), kind, strings.TrimSuffix(wh.Formula, ".")))
	}
	var left []string
	if n := res.CutByEdge; n > 0 {
		left = append(left, v.T("%d pieces cut by the picture's edge", n))
	}
	if n := res.Unresolved.Clusters; n > 0 {
		left = append(left, v.T("%d touching groups that could not be taken apart (%s of the rice)", n, v.Pct(100*res.Unresolved.AreaShare)))
	}
	if len(left) > 0 {
		add(v.T("Left out of the count: %s.", strings.Join(left, "; ")))
	}
	if ref.Unit == "px" {
		add(v.T("The pictures have no scale: lengths are in pixels, and what needs millimetres is not assessed."))
	}
}

func (v *view) fineprint() {
	for _, w := range v.res.Warnings {
		text := v.Said(w.Text)
		if w.Picture != "" && len(v.res.Pictures) > 1 {
			text = baseName(w.Picture) + ": " + text
		}
		if w.Hint != "" {
			text += " (" + v.Said(w.Hint) + ")"
		}
		v.Doubts = append(v.Doubts, text)
	}
	seen := map[grading.NotAssessed]bool{}
	add := func(list []grading.NotAssessed) {
		for _, n := range list {
			n.What, n.Why = v.NameOf(n.What), v.Said(n.Why)
			if !seen[n] {
				seen[n] = true
				v.Missing = append(v.Missing, n)
			}
		}
	}
	add(v.res.NotAssessed)
	if g := v.res.Grade; g != nil {
		add(g.NotAssessed)
		for _, n := range g.Notes {
			v.Notes = append(v.Notes, v.Said(n))
		}
	}
	if v.rec.Facts.OnSheet().MoisturePct == nil && v.res.Grade == nil {
		add([]grading.NotAssessed{{What: v.T("moisture"), Why: v.T("not stated; a picture does not show it")}})
	}
	add([]grading.NotAssessed{
		{What: v.T("odour, taste, live insects, cracks inside kernels, the underside of kernels"), Why: v.T("a picture from above does not show them")},
	})

	v.Caution = []string{
		v.T("This is a screening aid made from a picture. It is no official grade and no certificate: an official grade is given by licensed inspectors under the rules of the place, which go before anything said here."),
		v.T("In a dispute, and wherever food safety is in question, draw and divide a new sample as the contract says and have it inspected."),
	}
	if g := v.res.Grade; g != nil && g.Caution != "" {
		v.Caution = append(v.Caution, strings.TrimSpace(g.Caution))
	}
	v.Signers = []string{v.T("Measured by: name, date, signature"), v.T("Checked by: name, date, signature"), v.T("For the party: name, date, signature")}

	r := v.rec
	for i, p := range r.Pictures {
		text := fmt.Sprintf("%s, %s, %d × %d px, %s; SHA-256 %s", baseName(p.Path), p.Format, p.WidthPx, p.HeightPx, v.scaleText(&v.res.Pictures[i]), p.SHA256)
		v.Origin = append(v.Origin, pair{v.T("Picture %d", i+1), text})
	}
	for i, p := range r.Reference {
		v.Origin = append(v.Origin, pair{v.T("Picked kernels %d", i+1), fmt.Sprintf("%s; SHA-256 %s", baseName(p.Path), p.SHA256)})
	}
	if r.Settings.Standard != "" {
		v.Origin = append(v.Origin, pair{v.T("Standard"), v.T("%s, edition %s; SHA-256 of its table %s", r.Settings.Standard, r.Settings.Edition, r.Settings.StandardSHA256)})
	}
	v.Origin = append(v.Origin, pair{v.T("Settings"), v.settingsText(&r.Settings)})
	var versions []string
	for _, name := range slices.Sorted(maps.Keys(v.res.Versions)) {
		versions = append(versions, name+" "+v.res.Versions[name])
	}
	v.Origin = append(v.Origin, pair{v.T("Versions"), strings.Join(versions, ", ")}, pair{v.T("Kernels as measured"), "SHA-256 " + r.MeasuredSHA256})
	if n := len(v.in.History); n > 0 {
		last := v.in.History[n-1]
		v.Origin = append(v.Origin, pair{v.T("Audit entry"), v.T("no. %d, hash %s", int(last.Seq), last.Hash)})
		for _, e := range v.in.History {
			text := v.T(actionNames[e.Action], e.Actor)
			if e.Reason != "" {
				text += ": " + e.Reason
			}
			v.History = append(v.History, pair{v.DateTime(e.At), Visible(text)})
		}
	}
	if v.in.Command != "" {
		v.Origin = append(v.Origin, pair{v.T("To recompute it"), Visible(v.in.Command)})
	}
	if r.Code != "" {
		v.Origin = append(v.Origin, pair{v.T("In the register"), "traytally log recheck " + r.Code})
	}
	for _, p := range v.in.Photos {
		note := ""
		if p.img == nil {
			note = v.T("Outlines only: %s.", v.Said(p.Missing))
		}
		v.PhotoNotes = append(v.PhotoNotes, note)
	}
}

func (v *view) scaleText(p *grading.Picture) string {
	if p.PxPerMM == 0 {
		return v.T("no scale")
	}
	return fmt.Sprintf("%s px/mm, %s", v.Number(p.PxPerMM, 3), v.Said(p.ScaleSource))
}

func (v *view) settingsText(s *samples.Settings) string {
	parts := []string{v.T("cut %s, length by %s", v.Number(s.Params.Cut, -1), v.Said(string(s.Params.Measure)))}
	if s.Params.WholeLengthMM > 0 {
		parts = append(parts, v.T("whole-kernel length %s mm", v.Number(s.Params.WholeLengthMM, -1)))
	}
	if s.PxPerMM > 0 {
		parts = append(parts, v.T("scale %s px/mm", v.Number(s.PxPerMM, 3)))
	}
	if p := s.ColourProfile; p != nil {
		parts = append(parts, v.T("colour profile %s", p.Name))
	}
	return strings.Join(parts, "; ")
}
