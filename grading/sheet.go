package grading

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

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

const weighedForm = "grams of the part and of all the rice: 4.1/98.7"

// ParseWeighing reads GRAMS/GRAMS, the part and the whole: 4.1/98.7. The error
// is a *fault.Error.
func ParseWeighing(text string) (Weighing, error) {
	part, of, found := strings.Cut(text, "/")
	g, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
	ofG, err2 := strconv.ParseFloat(strings.TrimSpace(of), 64)
	if !found || err != nil || err2 != nil {
		return Weighing{}, badEntry("weighed", weighedForm, "%q cannot be read", text)
	}
	return Weighing{g, ofG}, nil
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

// A HandValue is a figure or a word from the sheet.
type HandValue struct {
	Number float64
	Word   string // set where the value is no number
}

// UnmarshalYAML reads a number or a text.
func (h *HandValue) UnmarshalYAML(node ast.Node) error {
	switch n := node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		return yaml.NodeToValue(n, &h.Number)
	case *ast.StringNode:
		h.Word = n.Value
		return nil
	}
	return fmt.Errorf("%q stands where a number or a word is wanted", node.String())
}

// MarshalJSON writes the number, or the word.
func (h HandValue) MarshalJSON() ([]byte, error) {
	if h.Word != "" {
		return []byte(strconv.Quote(h.Word)), nil
	}
	return []byte(strconv.FormatFloat(h.Number, 'f', -1, 64)), nil
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (h *HandValue) UnmarshalJSON(data []byte) error {
	if data[0] == '"' {
		return json.Unmarshal(data, &h.Word)
	}
	return json.Unmarshal(data, &h.Number)
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

// LoadSheet reads a sample sheet: YAML, or CSV (by the file's ending) with one
// field and its value a row. The sheet is validated. Errors are
// standards.Problems, *fault.Error wrapping ErrSheet, or those of reading the file.
func LoadSheet(path string) (*Sheet, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	const most = 1 << 20
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if len(data) > most {
		return nil, &fault.Error{Path: path, What: "more than 1 MiB", Hint: "this is no sample sheet", Err: ErrSheet}
	}
	return ParseSheet(path, data)
}

// ParseSheet is LoadSheet for bytes already read; name tells the form by its
// ending and is used in messages.
func ParseSheet(name string, data []byte) (*Sheet, error) {
	var s Sheet
	if strings.EqualFold(filepath.Ext(name), ".csv") {
		if err := s.readCSV(name, data); err != nil {
			return nil, err
		}
	} else if p := standards.Decode(name, data, &s); len(p) > 0 {
		return nil, p
	}
	if err := s.Validate(); err != nil {
		fault.Of(err).Path = name
		return nil, err
	}
	return &s, nil
}

// sheetFields returns the YAML keys of Sheet, in order.
func sheetFields() []string {
	var out []string
	for f := range reflect.TypeFor[Sheet]().Fields() {
		out = append(out, f.Tag.Get("yaml"))
	}
	return out
}

func (s *Sheet) readCSV(name string, data []byte) error {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	r.Comment = '#'
	r.TrimLeadingSpace = true
	r.FieldsPerRecord = -1
	seen := map[string]bool{}
	const form = "one field and its value a row: moisture_pct,13.2"
	for {
		row, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var pe *csv.ParseError
			if errors.As(err, &pe) {
				return &fault.Error{Path: fmt.Sprintf("%s:%d", name, pe.Line), What: pe.Err.Error(), Hint: form, Err: ErrSheet}
			}
			return err
		}
		line, _ := r.FieldPos(0)
		fail := func(e *fault.Error) error {
			e.Path = fmt.Sprintf("%s:%d", name, line)
			return e
		}
		if len(row) != 2 {
			return fail(badEntry("", form+" (decimal point, comma between)", "%d columns instead of two", len(row)))
		}
		field, value := strings.TrimSpace(row[0]), strings.TrimSpace(row[1])
		if field == "field" && len(seen) == 0 {
			continue // heading
		}
		if seen[field] {
			return fail(badEntry(field, "", "given twice"))
		}
		seen[field] = true
		if value == "" {
			continue
		}
		if err := s.Set(field, value); err != nil {
			return fail(fault.Of(err))
		}
	}
	if len(seen) == 0 {
		return &fault.Error{Path: name, What: "no field in it", Hint: form, Err: ErrSheet}
	}
	return nil
}

// Set enters one figure under its field's name, as a row of a CSV sheet does:
// Set("moisture_pct", "13.2"), Set("by_hand.chalky", "1.2"). It replaces what
// was there. The error is a *fault.Error.
func (s *Sheet) Set(field, value string) error {
	unreadable := func(way string) error {
		return badEntry(field, way, "%q cannot be read", value)
	}
	if code, found := strings.CutPrefix(field, "by_hand."); found && code != "" {
		h := HandValue{Word: value}
		if x, err := strconv.ParseFloat(value, 64); err == nil && finite(x) {
			h = HandValue{Number: x}
		}
		if s.ByHand == nil {
			s.ByHand = map[string]HandValue{}
		}
		s.ByHand[code] = h
		return nil
	}
	if code, found := strings.CutPrefix(field, "weighed."); found && code != "" {
		w, err := ParseWeighing(value)
		if err != nil {
			return unreadable(weighedForm)
		}
		if s.Weighed == nil {
			s.Weighed = map[string]Weighing{}
		}
		s.Weighed[code] = w
		return nil
	}
	i := slices.Index(sheetFields(), field)
	if i < 0 {
		way := standards.DidYouMean(field, sheetFields(), "fields: "+strings.Join(sheetFields(), ", "))
		return badEntry(field, way, "no such field")
	}
	switch p := reflect.ValueOf(s).Elem().Field(i).Addr().Interface().(type) {
	case **float64:
		x, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return unreadable("a number with a decimal point, like 13.2")
		}
		*p = &x
	case **standards.Whole:
		x, err := strconv.Atoi(value)
		if err != nil {
			return unreadable("a whole number")
		}
		n := standards.Whole(x)
		*p = &n
	case **bool:
		x := slices.Contains([]string{"true", "yes", "ok"}, strings.ToLower(value))
		if !x && !slices.Contains([]string{"false", "no"}, strings.ToLower(value)) {
			return unreadable("yes or no")
		}
		*p = &x
	default:
		return unreadable("one row a figure: by_hand.chalky,1.2 or weighed.chalky,0.6/50")
	}
	return nil
}

// Entries returns what the sheet holds as Set takes it, FIELD=VALUE, in the
// order of the fields.
func (s *Sheet) Entries() []string {
	var out []string
	add := func(field, value string) { out = append(out, field+"="+value) }
	v := reflect.ValueOf(s).Elem()
	for i, field := range sheetFields() {
		switch p := v.Field(i).Interface().(type) {
		case *float64:
			if p != nil {
				add(field, strconv.FormatFloat(*p, 'g', -1, 64))
			}
		case *standards.Whole:
			if p != nil {
				add(field, strconv.Itoa(int(*p)))
			}
		case *bool:
			if p != nil {
				add(field, map[bool]string{true: "yes", false: "no"}[*p])
			}
		}
	}
	for _, code := range slices.Sorted(maps.Keys(s.Weighed)) {
		w := s.Weighed[code]
		add("weighed."+code, fmt.Sprintf("%g/%g", w.G, w.OfG))
	}
	for _, code := range sortedKeys(s.ByHand) {
		value := s.ByHand[code].Word
		if value == "" {
			value = strconv.FormatFloat(s.ByHand[code].Number, 'g', -1, 64)
		}
		add("by_hand."+code, value)
	}
	return out
}

// Validate returns a *fault.Error for the first impossible value.
func (s *Sheet) Validate() error {
	if m := s.MoisturePct; m != nil {
		switch {
		case !finite(*m) || *m < 0 || *m > 100:
			return badEntry("moisture_pct", "percent by mass; milled rice has about 12 to 14", "moisture of %g %% is impossible", *m)
		case *m > 0 && *m <= 1:
			return badEntry("moisture_pct", fmt.Sprintf("write percent: did you mean %.4g?", *m*100), "moisture of %g %% is a fraction, not percent", *m)
		case *m < 4 || *m > 35:
			return badEntry("moisture_pct", "percent by mass; milled rice has about 12 to 14", "no milled rice has a moisture of %g %%", *m)
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
	masses := []struct {
		field string
		v     *float64
		least float64
	}{
		{"sample_mass_g", s.SampleMassG, 0.01}, {"foreign_from_g", s.ForeignFromG, 0.01}, {"paddy_from_g", s.PaddyFromG, 0.01},
		{"foreign_matter_g", s.ForeignMatterG, 0}, {"foreign_organic_g", s.ForeignOrganicG, 0}, {"foreign_inorganic_g", s.ForeignInorganicG, 0},
	}
	for _, m := range masses {
		if m.v != nil && !(finite(*m.v) && *m.v >= m.least && *m.v <= 1e5) {
			return badEntry(m.field, "grams, up to 100000", "a mass of %g g cannot be", *m.v)
		}
	}
	for _, f := range []struct {
		field string
		v     *float64
	}{{"foreign_matter_g", s.ForeignMatterG}, {"foreign_organic_g", s.ForeignOrganicG}, {"foreign_inorganic_g", s.ForeignInorganicG}} {
		if f.v == nil {
			continue
		}
		from := s.foreignFrom()
		if from == nil {
			return badEntry(f.field, "add foreign_from_g: the grams of rice it was picked from", "picked from how much rice?")
		}
		if *f.v > *from {
			return badEntry(f.field, "", "%g g picked from %g g of rice", *f.v, *from)
		}
	}
	if sum := deref(s.ForeignOrganicG) + deref(s.ForeignInorganicG); s.ForeignMatterG != nil && sum > *s.ForeignMatterG*(1+1e-9) {
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
	for _, code := range sortedKeys(s.ByHand) {
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

// check validates the figures by hand against the factors of std.
func (s *Sheet) check(std *standards.Standard) error {
	var codes []string
	for i := range std.Factors {
		codes = append(codes, std.Factors[i].Code)
	}
	unknown := func(field, code string) error {
		way := standards.DidYouMean(code, codes, "its factors: "+strings.Join(codes, ", "))
		return badEntry(field+code, way, "%s has no such factor", std.Code)
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
	for _, code := range sortedKeys(s.ByHand) {
		h := s.ByHand[code]
		f := std.Factor(code)
		bad := func(way, format string, args ...any) error {
			return badEntry("by_hand."+code, way, format, args...)
		}
		if f == nil {
			return unknown("by_hand.", code)
		}
		switch isWord := h.Word != ""; {
		case f.Basis == standards.ByWords && !slices.Contains(f.Words, h.Word):
			return bad("one of: "+strings.Join(f.Words, ", "), "%q is no step of %s", h.String(), f.Name)
		case f.Basis != standards.ByWords && isWord:
			return bad("write the figure", "%q is no number", h.Word)
		case f.Sheet != "":
			return bad("use "+strings.Join(sheetFieldsOf(f.Sheet), " and "), "%s has a field of its own", f.Name)
		case (f.Basis == standards.ByMass || f.Basis == standards.ByCount) && h.Number > 100:
			return bad("percent, 0 to 100", "%g %% is more than all of it", h.Number)
		}
	}
	return nil
}

// sheetFieldsOf names the fields of Sheet behind a field that a standard asks
// for.
func sheetFieldsOf(asked string) []string {
	switch asked {
	case "foreign_matter_pct":
		return []string{"foreign_matter_g", "foreign_from_g"}
	case "foreign_organic_pct":
		return []string{"foreign_organic_g", "foreign_from_g"}
	case "foreign_inorganic_pct":
		return []string{"foreign_inorganic_g", "foreign_from_g"}
	case "paddy_per_kg":
		return []string{"paddy_count", "paddy_from_g"}
	}
	return []string{asked}
}

// String writes the number or the word.
func (h HandValue) String() string {
	if h.Word != "" {
		return h.Word
	}
	return standards.FormatNumber(h.Number)
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
		if s.MoisturePct != nil {
			return *s.MoisturePct, true
		}
	case "odour_ok":
		if s.OdourOK != nil {
			if *s.OdourOK {
				return 0, true
			}
			return 1, true
		}
	case "live_insects":
		if s.LiveInsects != nil {
			return float64(*s.LiveInsects), true
		}
	case "insects":
		if s.Insects != nil {
			return float64(*s.Insects), true
		}
	case "insect_refuse":
		if s.InsectRefuse != nil {
			if *s.InsectRefuse {
				return 1, true
			}
			return 0, true
		}
	case "foreign_matter_pct":
		if s.ForeignMatterG == nil && s.ForeignOrganicG != nil && s.ForeignInorganicG != nil {
			sum := *s.ForeignOrganicG + *s.ForeignInorganicG
			return share(&sum)
		}
		return share(s.ForeignMatterG)
	case "foreign_organic_pct":
		return share(s.ForeignOrganicG)
	case "foreign_inorganic_pct":
		return share(s.ForeignInorganicG)
	}
	return 0, false
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

func deref(x *float64) float64 {
	if x == nil {
		return 0
	}
	return *x
}

func sortedKeys(m map[string]HandValue) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
