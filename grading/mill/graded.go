package mill

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A Graded is a graded sample, reduced to what the mill's arithmetic asks of
// it.
type Graded struct {
	Name   string
	Broken Figure // percent by mass

	// ReferenceLength is the mean whole-kernel length that told whole from
	// broken, in ReferenceUnit ("mm" or "px").
	ReferenceLength float64
	ReferenceUnit   string
	// Cut is the fraction of it from which a piece is head rice.
	Cut float64
	// Pictures holds the SHA-256, in hexadecimal, of each picture, where known.
	Pictures []string
	// Sheet is what the register holds of the sample beside its pictures; nil
	// elsewhere.
	Sheet *grading.Sheet

	shares []grading.ShareResult
	unseen []kernel.Flag
	sample *grading.Sample // nil where the kernels are not known
}

// mostJSON bounds what ReadGraded reads: a million kernels.
const mostJSON = 512 << 20

// ReadGraded reads a result that the grade command wrote as JSON. name is used
// in messages. Errors are *fault.Error, or those of r.
//
// The doubt of single lengths near a limit is not in the JSON; the shares that
// are worked out again from its kernels (Share, Standard) go without that part
// of their intervals, Broken and Figure do not.
func ReadGraded(r io.Reader, name string) (*Graded, error) {
	bad := func(what string) (*Graded, error) {
		return nil, &fault.Error{
			Kind: fault.Usage, What: name + ": " + what,
			Hint: "give the file that 'traytally grade PICTURE --json FILE' wrote",
		}
	}
	data, err := io.ReadAll(io.LimitReader(r, mostJSON+1))
	if err != nil {
		return nil, err
	}
	if len(data) > mostJSON {
		return bad("more than 512 MiB")
	}
	// Outer fields take the place of embedded ones: what the standard said of it
	// is not read, the check sums of the pictures are.
	var f struct {
		grading.Result
		Grade    json.RawMessage `json:"grade"`
		Pictures []struct {
			grading.Picture
			SHA256 string `json:"sha256"`
		} `json:"pictures"`
		Broken *struct {
			grading.BrokenResult
			MassPct *grading.Interval `json:"mass_pct"`
		} `json:"broken"`
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return bad("cannot be read as a graded sample: " + err.Error())
	}
	if f.Schema != grading.Schema {
		return bad(fmt.Sprintf("is no graded sample (schema %q, want %q)", f.Schema, grading.Schema))
	}
	if f.Broken == nil || f.Broken.MassPct == nil {
		return bad("has no broken share by mass (broken.mass_pct)")
	}
	if !f.Reference.Told() {
		return nil, untold(name)
	}
	g := &Graded{
		Name: name, Broken: figureOf(f.Broken.MassPct.Estimate),
		ReferenceLength: f.Reference.Length, ReferenceUnit: f.Reference.Unit, Cut: f.Params.Cut,
		shares: f.Shares, unseen: f.Params.NotAssessed,
	}
	if err := g.check(); err != nil {
		return bad("damaged: " + err.Error())
	}
	res := f.Result
	res.Broken = f.Broken.BrokenResult
	res.Broken.MassPct = *f.Broken.MassPct
	for _, p := range f.Pictures {
		res.Pictures = append(res.Pictures, p.Picture)
		if p.SHA256 != "" {
			g.Pictures = append(g.Pictures, p.SHA256)
		}
	}
	if len(res.Kernels) > 0 {
		if err := grading.Reopen(&res); err != nil {
			return nil, &fault.Error{Kind: fault.Usage, What: name + ": " + err.Error(), Hint: fault.Of(err).Hint}
		}
		g.sample = res.Sample
	}
	return g, nil
}

// FromResult takes over a sample that was just graded, with the check sums of
// its pictures. r.Sample must be set.
func FromResult(r *grading.Result, name string, pictures []string) (*Graded, error) {
	if !r.Reference.Told() {
		return nil, untold(name)
	}
	return &Graded{
		Name: name, Pictures: pictures, Broken: figureOf(r.Broken.MassPct.Estimate),
		ReferenceLength: r.Reference.Length, ReferenceUnit: r.Reference.Unit, Cut: r.Params.Cut,
		shares: r.Shares, unseen: r.Params.NotAssessed, sample: r.Sample,
	}, nil
}

// untold refuses a sample of which only the tips tell what is broken.
func untold(name string) error {
	return &fault.Error{
		Kind: fault.Sample, What: name + ": whole and broken cannot be told apart well enough to reckon with: " + grading.ErrNoReference.Error(),
		Hint: "grade it with --whole-length or --whole-from",
		Err:  grading.ErrNoReference,
	}
}

func figureOf(e grading.Estimate) Figure { return Figure{Value: e.Value, Low: e.Low, High: e.High} }

// check refuses shares that cannot be, and size classes that do not add up.
func (g *Graded) check() error {
	sum, classes := 0.0, 0
	for _, s := range append(slices.Clone(g.shares), grading.ShareResult{
		Name:      "broken",
		Intervals: grading.Intervals{MassPct: grading.Interval{Estimate: grading.Estimate{Value: g.Broken.Value, Low: g.Broken.Low, High: g.Broken.High}}},
	}) {
		e := s.MassPct
		if !(e.Low >= 0 && e.Low <= e.Value && e.Value <= e.High && e.High <= 100) {
			return fmt.Errorf("share of %s: %g %%, interval %g to %g %%", s.Name, e.Value, e.Low, e.High)
		}
		if s.Kind == grading.KindClass {
			sum += e.Value
			classes++
		}
	}
	if classes > 0 && (sum < 99.9 || sum > 100.1) {
		return fmt.Errorf("the size classes add up to %.2f %%", sum)
	}
	if !plausible(g.ReferenceLength) {
		return fmt.Errorf("whole-kernel length of %g", g.ReferenceLength)
	}
	return nil
}

// brokenClasses are the size classes that are broken.
var brokenClasses = []string{string(grading.LargeBroken), string(grading.MediumBroken), string(grading.SmallBroken), string(grading.Chip)}

// sumTol is how far shares may be off their sum for having been rounded, points.
const sumTol = 0.1

// CheckSums returns a *fault.Error where shares of one stream, as typed, cannot
// be together: the classes of brokens are parts of all broken rice, and that
// and the head rice are parts of all rice. Shares by other codes are not
// looked at.
func CheckSums(stream string, shares map[string]Figure) error {
	var names []string
	parts, partsLow := 0.0, 0.0
	for _, c := range brokenClasses {
		if f, ok := shares[c]; ok {
			names = append(names, readable(c)+" "+trim(f.Value)+" %")
			parts += f.Value
			partsLow += f.Low
		}
	}
	too := func(what string) error {
		return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("stream %s: %s", stream, what), Hint: "shares are percent by mass of the whole stream, not of a part of it"}
	}
	sum := func() string {
		s := strings.Join(names, " and ")
		if len(names) > 1 {
			s += " make " + trim(parts) + " %"
		}
		return s
	}
	broken, ok := shares["broken"]
	if ok && partsLow > broken.High+sumTol {
		return too(fmt.Sprintf("%s, more than the %s %% broken in all", sum(), trim(broken.Value)))
	}
	if ok {
		names, parts, partsLow = []string{"broken " + trim(broken.Value) + " %"}, broken.Value, broken.Low
	}
	if head, ok := shares[string(grading.Head)]; ok {
		names = append(names, "head "+trim(head.Value)+" %")
		parts += head.Value
		partsLow += head.Low
	}
	if partsLow > 100+sumTol {
		return too(sum() + ", more than all of it")
	}
	return nil
}

// plausible reports whether v can be a measure of a kernel, in any unit.
func plausible(v float64) bool { return v > 1e-9 && v < 1e12 }

// Figure returns the share by mass of a size class or flag as the sample
// reports it, or of "broken". ok is false where it has none.
func (g *Graded) Figure(code string) (f Figure, ok bool) {
	if code == "broken" {
		return g.Broken, true
	}
	for _, s := range g.shares {
		if s.Name == code {
			return figureOf(s.MassPct.Estimate), true
		}
	}
	return Figure{}, false
}

// Codes lists what Figure knows.
func (g *Graded) Codes() []string {
	out := []string{"broken"}
	for _, s := range g.shares {
		out = append(out, s.Name)
	}
	return out
}

// Unseen reports whether a flag was not assessed in the sample's pictures, so
// that its share says nothing.
func (g *Graded) Unseen(code string) bool { return slices.Contains(g.unseen, kernel.Flag(code)) }

// Share returns the share by mass of everything on the trays that carries one
// of the flags; a kernel with several counts once. Errors are *fault.Error.
func (g *Graded) Share(flags ...kernel.Flag) (Figure, error) {
	for _, f := range flags {
		if slices.Contains(g.unseen, f) {
			return Figure{}, &fault.Error{
				Kind: fault.Usage, What: fmt.Sprintf("%s: %s was not assessed in these pictures", g.Name, readable(string(f))),
				Hint: "grade a colour picture, or count without it",
			}
		}
	}
	if g.sample == nil {
		return Figure{}, &fault.Error{
			Kind: fault.Usage, What: fmt.Sprintf("%s: the list of kernels is missing", g.Name),
			Hint: "give the file as 'traytally grade PICTURE --json FILE' wrote it",
		}
	}
	all := *g.sample
	all.Pieces = append(slices.Clone(all.Pieces), all.Foreign...)
	if len(all.Pieces) == 0 {
		return Figure{}, &fault.Error{Kind: fault.Usage, What: g.Name + ": no kernel in it", Hint: "grade a picture with rice on it"}
	}
	share, _ := all.Shares(func(p *grading.Piece, _ float64) bool {
		return slices.ContainsFunc(flags, p.Has)
	})
	return figureOf(share.Estimate), nil
}

// AtLength judges the sample by another whole-kernel length, mm: what is broken,
// and every size class. It is a *fault.Error where the kernels or their scale are
// not known.
func (g *Graded) AtLength(mm float64) error {
	if g.sample == nil || !g.sample.MM {
		return &fault.Error{
			Kind: fault.Usage, What: g.Name + ": cannot be judged by another whole-kernel length, its kernels are not known in millimetres",
			Hint: "grade the picture again with that length: --whole-length",
		}
	}
	if !plausible(mm) {
		return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("whole-kernel length of %g mm", mm), Hint: "give millimetres, for example 7.0"}
	}
	s := *g.sample
	s.Reference = grading.Reference{Length: mm, Method: grading.FromStated}
	g.sample, g.ReferenceLength, g.ReferenceUnit = &s, mm, "mm"
	broken, _ := s.Shares(grading.Broken(g.Cut))
	g.Broken = figureOf(broken.Estimate)
	g.shares = slices.Clone(g.shares)
	for i := range g.shares {
		if row := &g.shares[i]; row.Kind == grading.KindClass {
			mass, _ := s.SharesOf(row.Kind, row.Name)
			row.MassPct.Estimate = mass.Estimate
		}
	}
	return nil
}

// apartLength is the difference of whole-kernel lengths, of the greater, from
// which on two samples are taken for different rice. A mean over 100 kernels
// that scatter by 5 % is known to 1 % (two standard errors), so 3 % is no
// chance.
const apartLength = 0.03

// Alike returns a doubt, in words, about comparing or mixing samples that do
// not call the same thing broken: another cut, or another whole-kernel length
// in millimetres. It is empty where there is none.
func Alike(samples []*Graded) string {
	for i, g := range samples {
		for _, h := range samples[:i] {
			switch {
			case g.Cut != h.Cut:
				return fmt.Sprintf("%s calls kernels whole from %s of the length, %s from %s: their broken shares are not the same thing",
					h.Name, trim(h.Cut), g.Name, trim(g.Cut))
			case g.ReferenceUnit == "mm" && h.ReferenceUnit == "mm" &&
				math.Abs(g.ReferenceLength-h.ReferenceLength) > apartLength*max(g.ReferenceLength, h.ReferenceLength):
				return fmt.Sprintf("%s was judged by whole kernels of %.2f mm, %s of %.2f mm: one of them may be the mean of pieces, or another rice",
					h.Name, h.ReferenceLength, g.Name, g.ReferenceLength)
			}
		}
	}
	return ""
}

// Independent returns a *fault.Error where a picture is in two of the samples,
// or twice in one of them: they are then not two samples, and the arithmetic
// would take one doubt for two that may cancel.
func Independent(samples []*Graded) error {
	in := map[string]*Graded{}
	for _, g := range samples {
		for _, sum := range g.Pictures {
			other, seen := in[sum]
			switch {
			case !seen:
				in[sum] = g
				continue
			case other == g:
				return &fault.Error{Kind: fault.Usage, What: g.Name + " counts one picture twice", Hint: "grade each picture once"}
			}
			what := g.Name + " is given twice: it is one sample, not two"
			if other.Name != g.Name {
				what = fmt.Sprintf("%s and %s hold the same picture: they are one sample, not two", other.Name, g.Name)
			}
			return &fault.Error{Kind: fault.Usage, What: what, Hint: "give each sample once, and a sample of its own for each stage or stream"}
		}
	}
	return nil
}

// A NotPlanned is a limit that took no part, and why.
type NotPlanned struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

// StandardLimits returns the limits of one grade that follow from the mass
// shares of what is mixed. Limits on kernels counted, on words or on a share
// of a part of the rice are named as not planned.
func StandardLimits(std *standards.Standard, grade int) (limits []Limit, not []NotPlanned) {
	for _, l := range std.Limits(grade) {
		f := l.Factor
		var why string
		switch {
		case l.Basis == standards.PerKg || l.Basis == standards.Per500g:
			why = "counted in a portion of rice, not seen in pictures of some grams"
		case l.Basis != standards.ByMass:
			why = "no share by mass"
		case f.Pieces == nil:
			why = "no picture shows it"
		case f.Pieces.OfWhole:
			why = "a share of the whole kernels, not of all rice"
		case f.Picture == standards.PictureHints:
			why = "pictures show suspects only"
		}
		if why != "" {
			not = append(not, NotPlanned{f.Name, why})
			continue
		}
		note := f.PictureNote
		if f.Picture == standards.PictureAtLeast {
			note = "only a part is seen: " + note
		}
		if mark := l.Mark.String(); mark != "" {
			note = strings.TrimSuffix("limit "+mark+"; "+note, "; ")
		}
		limits = append(limits, Limit{
			Code: f.Code, Label: f.Name, AtLeast: !l.Bound.Upper(), Value: l.Value, Unit: l.Unit,
			Strict: !l.Bound.Inclusive(), Note: note,
		})
	}
	for _, what := range std.NotInFile {
		not = append(not, NotPlanned{what, "the limit is not known here"})
	}
	return limits, not
}

// Standard returns the figures of the sample under one grade of a standard, by
// the code of the limit, as that grade defines what counts.
func (g *Graded) Standard(std *standards.Standard, grade int) (map[string]Figure, error) {
	if g.sample == nil {
		return nil, &fault.Error{
			Kind: fault.Usage, What: fmt.Sprintf("%s: the list of kernels is missing", g.Name),
			Hint: "give the file as 'traytally grade PICTURE --json FILE' wrote it",
		}
	}
	graded, err := grading.Evaluate(g.sample, std, nil)
	if err != nil {
		return nil, err
	}
	out := map[string]Figure{}
	for _, l := range graded.Lines {
		if l.Grade == std.Grades[grade] && l.Value != nil {
			out[l.Factor] = Figure{Value: *l.Value, Low: *l.Low, High: *l.High}
		}
	}
	return out, nil
}

// readable writes a code as words.
func readable(code string) string { return strings.ReplaceAll(code, "_", " ") }
