package grading

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// A Sheet holds what was found on the sample by other means than a picture.
// Everything is optional; what is absent is not assessed.
type Sheet struct {
	// MoisturePct is the moisture of the rice as received, percent by mass.
	MoisturePct *float64 `yaml:"moisture_pct" json:"moisture_pct,omitempty"`
	// OdourOK is true where no musty, sour or other bad odour was found.
	OdourOK *bool `yaml:"odour_ok" json:"odour_ok,omitempty"`
	// LiveInsects is the number of live insects in the sample as drawn.
	LiveInsects *standards.Whole `yaml:"live_insects" json:"live_insects,omitempty"`
	// Insects is the number of insects in the sample as drawn, live or dead.
	Insects *standards.Whole `yaml:"insects" json:"insects,omitempty"`
	// InsectRefuse is true where insect webbing or refuse was found.
	InsectRefuse *bool `yaml:"insect_refuse" json:"insect_refuse,omitempty"`
	// SampleMassG is the mass of the rice laid on the trays, g.
	SampleMassG *float64 `yaml:"sample_mass_g" json:"sample_mass_g,omitempty"`
	// ForeignMatterG is the foreign matter picked and weighed, g, of it
	// organic and inorganic; ForeignFromG the mass of rice it was picked from,
	// SampleMassG where absent.
	ForeignMatterG    *float64 `yaml:"foreign_matter_g" json:"foreign_matter_g,omitempty"`
	ForeignOrganicG   *float64 `yaml:"foreign_organic_g" json:"foreign_organic_g,omitempty"`
	ForeignInorganicG *float64 `yaml:"foreign_inorganic_g" json:"foreign_inorganic_g,omitempty"`
	ForeignFromG      *float64 `yaml:"foreign_from_g" json:"foreign_from_g,omitempty"`
	// PaddyCount is the number of paddy kernels counted in PaddyFromG grams.
	PaddyCount *standards.Whole `yaml:"paddy_count" json:"paddy_count,omitempty"`
	PaddyFromG *float64         `yaml:"paddy_from_g" json:"paddy_from_g,omitempty"`
	// Weighed holds shares that were sorted and weighed by hand, by the code of
	// the standard's factor; BalanceG is the standard uncertainty of one
	// weighing, g.
	Weighed  map[string]Weighing `yaml:"weighed" json:"weighed,omitempty"`
	BalanceG *float64            `yaml:"balance_u_g" json:"balance_u_g,omitempty"`
	// ByHand holds further figures by the code of the standard's factor, in the
	// factor's unit: chalky: 1.2, colour: white or creamy.
	ByHand map[string]HandValue `yaml:"by_hand" json:"by_hand,omitempty"`
}

// A Weighing is a part of the rice sorted out by hand, and what it came from.
type Weighing struct {
	G   float64 `yaml:"g" json:"g"`       // of the part
	OfG float64 `yaml:"of_g" json:"of_g"` // of all of it
}

// share is the share of the lot that was weighed. Its interval holds the chance
// of which kernels were drawn, by the masses that the plan takes (FactorModel,
// kernels of 18 mg), and the balance; not what the sorter overlooked.
func (w Weighing) share(std *standards.Standard, f *standards.Factor, balanceG float64) Share {
	model, err := FactorModel(std, f, 0)
	if err != nil {
		model = DefaultPieceModel()
	}
	o := DefaultPlanOptions()
	o.Model = model
	r := w.G / w.OfG
	kernels := 1000 * w.OfG / (o.WholeKernelMG * model.meanMass(r))
	s := *o.share(100*r, max(1, int(kernels))).share
	return s.widened(100 * balanceG / w.OfG * math.Hypot(1, r))
}

// ErrSheet is the cause of what is impossible or doubtful in a sample sheet.
var ErrSheet = errors.New("bad sample sheet")

// badEntry is about one entry of a sheet; field may be empty.
func badEntry(field, hint, format string, args ...any) *fault.Error {
	what := fmt.Sprintf(format, args...)
	if field != "" {
		what = field + ": " + what
	}
	return &fault.Error{What: what, Hint: hint, Err: ErrSheet}
}

// Validate returns a *fault.Error for the first impossible value.
func (s *Sheet) Validate() error {
	if m := s.MoisturePct; m != nil {
		const form = "percent by mass; milled rice has about 12 to 14"
		switch {
		case !finite(*m) || *m < 0 || *m > 100:
			return badEntry("moisture_pct", form, "moisture of %g %% is impossible", *m)
		case *m > 0 && *m <= 1:
			return badEntry("moisture_pct", fmt.Sprintf("write percent: did you mean %.4g?", *m*100), "moisture of %g %% is a fraction, not percent", *m)
		case *m < 4 || *m > 35:
			return badEntry("moisture_pct", form, "no milled rice has a moisture of %g %%", *m)
		}
	}
	if n := s.LiveInsects; n != nil && *n < 0 {
		return badEntry("live_insects", "", "%d insects cannot be", *n)
	}
	if n := s.Insects; n != nil && (*n < 0 || s.LiveInsects != nil && *n < *s.LiveInsects) {
		return badEntry("insects", "insects counts the live and the dead ones", "%d insects cannot be", *n)
	}
	if n := s.PaddyCount; n != nil && *n < 0 {
		return badEntry("paddy_count", "", "%d paddy kernels cannot be", *n)
	}
	for _, m := range []struct {
		field  string
		v      *float64
		picked bool // out of foreignFrom
	}{
		{"sample_mass_g", s.SampleMassG, false}, {"foreign_from_g", s.ForeignFromG, false}, {"paddy_from_g", s.PaddyFromG, false},
		{"foreign_matter_g", s.ForeignMatterG, true}, {"foreign_organic_g", s.ForeignOrganicG, true}, {"foreign_inorganic_g", s.ForeignInorganicG, true},
	} {
		from := s.foreignFrom()
		switch {
		case m.v == nil:
		case !(*m.v >= 0 && *m.v <= 1e5) || !m.picked && *m.v < 0.01:
			return badEntry(m.field, "grams, up to 100000", "a mass of %g g cannot be", *m.v)
		case m.picked && from == nil:
			return badEntry(m.field, "add foreign_from_g: the grams of rice it was picked from", "picked from how much rice?")
		case m.picked && *m.v > *from:
			return badEntry(m.field, "", "%g g picked from %g g of rice", *m.v, *from)
		}
	}
	if sum := s.foreignParts(); s.ForeignMatterG != nil && sum > *s.ForeignMatterG*(1+1e-9) {
		return badEntry("foreign_matter_g", "", "organic and inorganic together are %.6g g, more than all foreign matter, %.6g g", sum, *s.ForeignMatterG)
	}
	if (s.PaddyCount == nil) != (s.PaddyFromG == nil) {
		return badEntry("paddy_count", "paddy_count and paddy_from_g go together", "a number of kernels needs the grams they were counted in")
	}
	for _, code := range slices.Sorted(maps.Keys(s.Weighed)) {
		w := s.Weighed[code]
		switch {
		case !(finite(w.OfG) && w.OfG >= 0.01 && w.OfG <= 1e5) || !(w.G >= 0 && w.G <= w.OfG):
			return badEntry("weighed."+code, weighedForm, "%g g of %g g cannot be", w.G, w.OfG)
		case s.BalanceG == nil:
			return badEntry("weighed."+code, "add balance_u_g, the standard uncertainty of one weighing in grams: about 0.01 for a balance that shows 0.01 g", "how well does the balance weigh?")
		}
	}
	if u := s.BalanceG; u != nil && !(*u >= 0 && *u <= 10) {
		return badEntry("balance_u_g", "grams, for example 0.01", "a balance that is off by %g g", *u)
	}
	for _, code := range slices.Sorted(maps.Keys(s.ByHand)) {
		if h := s.ByHand[code]; h.Word == "" && (!finite(h.Number) || h.Number < 0) {
			return badEntry("by_hand."+code, "", "%g cannot be", h.Number)
		}
	}
	return nil
}

func (s *Sheet) foreignFrom() *float64 {
	if s.ForeignFromG != nil {
		return s.ForeignFromG
	}
	return s.SampleMassG
}

// foreignParts is the mass of the foreign matter that was parted into organic
// and inorganic.
func (s *Sheet) foreignParts() (grams float64) {
	for _, part := range []*float64{s.ForeignOrganicG, s.ForeignInorganicG} {
		if part != nil {
			grams += *part
		}
	}
	return grams
}

// check validates the figures by hand against the factors of std.
func (s *Sheet) check(std *standards.Standard) error {
	var codes []string
	for i := range std.Factors {
		codes = append(codes, std.Factors[i].Code)
	}
	unknown := func(field, code string) error {
		return badEntry(field+code, standards.DidYouMean(code, codes, "its factors: "+fault.List(codes...)), "%s has no such factor", std.Code)
	}
	for _, code := range slices.Sorted(maps.Keys(s.Weighed)) {
		_, twice := s.ByHand[code]
		switch f := std.Factor(code); {
		case f == nil:
			return unknown("weighed.", code)
		case f.Basis != standards.ByMass:
			return badEntry("weighed."+code, "enter it under by_hand", "%s is no share by mass", f.Name)
		case twice:
			return badEntry("weighed."+code, "give it once", "given under by_hand too")
		}
	}
	for _, code := range slices.Sorted(maps.Keys(s.ByHand)) {
		h, field := s.ByHand[code], "by_hand."+code
		switch f := std.Factor(code); {
		case f == nil:
			return unknown("by_hand.", code)
		case f.Basis == standards.ByWords && !slices.Contains(f.Words, h.Word):
			return badEntry(field, "one of: "+strings.Join(f.Words, ", "), "%q is no step of %s", h.String(), f.Name)
		case f.Basis != standards.ByWords && h.Word != "":
			return badEntry(field, "write the figure", "%q is no number", h.Word)
		case f.Sheet != "":
			return badEntry(field, "use "+strings.Join(sheetFieldsOf(f.Sheet), " and "), "%s has a field of its own", f.Name)
		case (f.Basis == standards.ByMass || f.Basis == standards.ByCount) && h.Number > 100:
			return badEntry(field, "percent, 0 to 100", "%g %% is more than all of it", h.Number)
		}
	}
	return nil
}

// sheetFieldsOf names the fields of Sheet behind a field that a standard asks
// for.
func sheetFieldsOf(asked string) []string {
	if asked == "paddy_per_kg" {
		return []string{"paddy_count", "paddy_from_g"}
	}
	if part, found := strings.CutSuffix(asked, "_pct"); found && part != "moisture" {
		return []string{part + "_g", "foreign_from_g"}
	}
	return []string{asked}
}

// held is the figure of a field, and whether the sheet holds it.
func held[T float64 | standards.Whole](x *T) (float64, bool) {
	if x == nil {
		return 0, false
	}
	return float64(*x), true
}

// faulty is 1 where a field says what is bad, 0 where it says the contrary.
func faulty(x *bool, bad bool) (float64, bool) {
	if x != nil && *x == bad {
		return 1, true
	}
	return 0, x != nil
}

// value returns the figure that the sheet holds for one of
// standards.SheetFields other than paddy_per_kg.
func (s *Sheet) value(field string) (float64, bool) {
	if s == nil {
		return 0, false
	}
	share := func(part *float64) (float64, bool) {
		from := s.foreignFrom()
		if part == nil || from == nil {
			return 0, false
		}
		return 100 * *part / *from, true
	}
	switch field {
	case "moisture_pct":
		return held(s.MoisturePct)
	case "odour_ok":
		return faulty(s.OdourOK, false)
	case "live_insects":
		return held(s.LiveInsects)
	case "insects":
		return held(s.Insects)
	case "insect_refuse":
		return faulty(s.InsectRefuse, true)
	case "foreign_matter_pct":
		if s.ForeignMatterG == nil && s.ForeignOrganicG != nil && s.ForeignInorganicG != nil {
			return share(new(s.foreignParts()))
		}
		return share(s.ForeignMatterG)
	case "foreign_organic_pct":
		return share(s.ForeignOrganicG)
	case "foreign_inorganic_pct":
		return share(s.ForeignInorganicG)
	}
	return 0, false
}

// Figure returns what the sheet holds of one factor that no picture shows, by
// its usual code (moisture, foreign_matter, foreign_organic, foreign_inorganic
// in percent by mass, paddy_per_kg) or by the code of a figure entered by
// hand. known is false where it has no interval: only a count has one.
func (s *Sheet) Figure(code string) (e Estimate, known, ok bool) {
	if s == nil {
		return Estimate{}, false, false
	}
	if code == "paddy_per_kg" && s.PaddyCount != nil && s.PaddyFromG != nil {
		c := counted{n: int(*s.PaddyCount), grams: *s.PaddyFromG, portionG: 1000}
		return c.estimate(confidence), true, true
	}
	v, ok := s.value(code + "_pct")
	if h, byHand := s.ByHand[code]; byHand && h.Word == "" {
		v, ok = h.Number, true
	}
	return Estimate{Value: v, Low: v, High: v}, false, ok
}

// usualMoisture is the range in which rice is milled and its milling tested:
// 12 to 14 % for the head-rice test, 14 % ideal in the mill (IRRI Rice
// Knowledge Bank and IRRI service laboratory).
var usualMoisture = [2]float64{12, 14}

// moistureNote says what moisture outside the usual range does, or "".
func (s *Sheet) moistureNote() string {
	if s == nil || s.MoisturePct == nil {
		return ""
	}
	switch m := *s.MoisturePct; {
	case m > usualMoisture[1]:
		return fmt.Sprintf("moisture %g %% is above the usual 12 to 14 %%: wet grain is crushed in milling and does not keep", m)
	case m < usualMoisture[0]:
		return fmt.Sprintf("moisture %g %% is below the usual 12 to 14 %%: dry grain cracks, and breaks again on the way", m)
	}
	return ""
}
