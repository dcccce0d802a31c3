// Package samples keeps graded samples: the record of one sample, the register
// that holds many, its audit trail, and what is made from it (tables, trends,
// exports). Reports are in package report below it.
//
// The usual call is
//
//	reg, err := samples.Open(ctx, "register.db", samples.OpenOptions{Create: true})
//	rec, err := samples.NewRecord(facts, pictures, settings, result, trays)
//	added, err := reg.Add(ctx, rec)
//
// A register is an SQLite file or, for several laboratories, a PostgreSQL
// database. Nothing in it is ever overwritten: an amendment is a new revision
// with its reason, and every registration and amendment is an entry of an
// audit trail whose entries are chained by SHA-256.
//
// Registers written by any released version stay readable: they are brought to
// the current schema when opened. One written by a newer version is refused.
package samples

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Schema names the form of the JSON that a Record marshals to, and schemaMore
// that of one which says what older versions would lose: that it was corrected,
// withdrawn or renamed.
const (
	Schema     = "traytally.sample/1"
	schemaMore = "traytally.sample/2"
)

// A Record is one graded sample, with everything that its result depends on.
type Record struct {
	Schema string `json:"schema"`
	// Key is the identity of the measurement, see Key.
	Key string `json:"key"`
	// Code names the sample in its register; Add gives one where it is empty.
	Code string `json:"code"`
	// FormerCodes are those that it had before, the first by which it was
	// registered. They stay its own.
	FormerCodes []string `json:"former_codes,omitempty"`
	// Withdrawn says that it does not count: a test scan, the wrong tray.
	Withdrawn bool `json:"withdrawn,omitempty"`
	// Revision is 1 when registered and grows by one with each amendment.
	Revision   int       `json:"revision"`
	Registered time.Time `json:"registered"` // UTC, of revision 1
	Facts      Facts     `json:"facts"`
	Pictures   []Picture `json:"pictures"`
	// Reference holds the pictures of picked whole kernels, if any.
	Reference []Picture `json:"reference_pictures,omitempty"`
	Settings  Settings  `json:"settings"`
	// MeasuredSHA256 is the check sum of the kernels as measured, to the last
	// bit; KernelsSHA256 that of the kernels as stored, whose outlines are
	// thinned (see Kernels).
	MeasuredSHA256 string `json:"measured_sha256"`
	KernelsSHA256  string `json:"kernels_sha256"`
	// Corrections are what people said of single kernels, and Measured is the
	// result without them; neither is there where nobody did.
	Corrections []correct.Correction `json:"corrections,omitempty"`
	Measured    json.RawMessage      `json:"measured_result,omitempty"`
	// NotProven says that the interval leaves the outcome open; it is false in
	// records of older versions, which do not say it.
	NotProven bool `json:"not_proven,omitempty"`
	// Result is the graded result, byte for byte as it was computed.
	Result json.RawMessage `json:"result"`

	kernels []byte // Kernels, encoded; nil where not read
	decoded *grading.Result
}

// Facts is what people say of a sample. All of it is optional, and all of it
// can be amended.
type Facts struct {
	Lot     string `json:"lot,omitempty"`
	Party   string `json:"party,omitempty"`   // seller, buyer, grower: whose rice it is
	Line    string `json:"line,omitempty"`    // production line
	Variety string `json:"variety,omitempty"` // as the trade calls it
	Stage   string `json:"stage,omitempty"`   // of the mill: "after whitener 2"
	// Drawn and Received are when the sample was taken from the lot and when it
	// came in; zero where not stated.
	Drawn    time.Time `json:"drawn,omitzero"`
	Received time.Time `json:"received,omitzero"`
	Note     string    `json:"note,omitempty"`
	// Sheet holds moisture, mass and what else was found by other means.
	Sheet *grading.Sheet `json:"sheet,omitempty"`
}

// A FactText is a fact in words with its name, as JSON has it.
type FactText struct {
	Name string
	Text *string
	most int // characters
}

// Texts returns the facts in words.
func (f *Facts) Texts() []FactText {
	return []FactText{
		{"lot", &f.Lot, maxText}, {"party", &f.Party, maxText}, {"line", &f.Line, maxText}, {"variety", &f.Variety, maxText}, {"stage", &f.Stage, maxText}, {"note", &f.Note, maxNote},
	}
}

// IsZero reports whether nothing is stated.
func (f *Facts) IsZero() bool { return string(mustJSON(f)) == "{}" }

// Differ returns the names of the facts in which f and other differ, as JSON
// has them.
func (f *Facts) Differ(other *Facts) []string {
	a, b := generic(f), generic(other)
	names := map[string]any{}
	for _, d := range []any{different(a, b), different(b, a)} {
		fields, _ := d.(map[string]any)
		maps.Copy(names, fields)
	}
	return slices.Sorted(maps.Keys(names))
}

// OnSheet returns the sample sheet, an empty one where there is none.
func (f *Facts) OnSheet() *grading.Sheet { return cmp.Or(f.Sheet, &grading.Sheet{}) }

// The greatest lengths of texts, in characters.
const (
	maxText = 120
	maxNote = 4000
)

// Validate returns a *fault.Error for the first fact that cannot be.
func (f *Facts) Validate() error {
	for _, t := range f.Texts() {
		if err := checkText(t.Name, *t.Text, t.most, t.Name == "note"); err != nil {
			return err
		}
	}
	for _, t := range []struct {
		name string
		at   time.Time
	}{{"drawn", f.Drawn}, {"received", f.Received}} {
		if y := t.at.Year(); !t.at.IsZero() && (y < 1950 || y > 2200) {
			return &fault.Error{What: fmt.Sprintf("%s: the year %d cannot be", t.name, y), Hint: "write the date as 2026-11-25 or 2026-11-25T14:30"}
		}
	}
	if !f.Drawn.IsZero() && !f.Received.IsZero() && f.Received.Before(f.Drawn) && !sameDay(f.Received, f.Drawn) {
		return &fault.Error{What: "the sample was received before it was drawn", Hint: "check the two dates"}
	}
	if f.Sheet != nil {
		return f.Sheet.Validate()
	}
	return nil
}

func sameDay(a, b time.Time) bool {
	return a.Format(time.DateOnly) == b.Format(time.DateOnly)
}

func checkText(name, text string, most int, lines bool) error {
	switch {
	case !utf8.ValidString(text):
		return &fault.Error{What: name + ": is not text in UTF-8", Hint: "write it again"}
	case utf8.RuneCountInString(text) > most:
		return &fault.Error{What: fmt.Sprintf("%s: %d characters are more than %d", name, utf8.RuneCountInString(text), most), Hint: "shorten it"}
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && !(lines && (r == '\n' || r == '\t')) }):
		return &fault.Error{What: name + ": holds a control character", Hint: "write it again without"}
	}
	return nil
}

// CheckCode refuses a sample code that could not be a part of a file name.
func CheckCode(code string) error {
	bad := code == "" || utf8.RuneCountInString(code) > 64 || strings.HasPrefix(code, ".") || strings.HasPrefix(code, "-")
	for _, r := range code {
		bad = bad || !(unicode.IsLetter(r) || unicode.IsMark(r) || unicode.IsDigit(r) || strings.ContainsRune("._-", r))
	}
	if bad {
		return &fault.Error{What: fmt.Sprintf("%q cannot be the code of a sample", code), Hint: "use letters, digits, dot, dash and underscore, up to 64, beginning with a letter or digit"}
	}
	return nil
}

// A Picture is a picture file that a sample was measured on.
type Picture struct {
	Path     string `json:"path"` // absolute, where it was when measured
	SHA256   string `json:"sha256"`
	Bytes    int64  `json:"bytes"`
	Format   string `json:"format"` // "JPEG", "PNG", …
	WidthPx  int    `json:"width_px"`
	HeightPx int    `json:"height_px"`
}

// Input is what NewRecord makes a Record from.
type Input struct {
	Code      string // empty: the register gives one
	Facts     Facts
	Pictures  []Picture // one for each tray
	Reference []Picture // one for each tray in Settings.Params.ReferenceFrom
	Settings  Settings
	Result    *grading.Result
	Trays     []kernel.Tray
}

// NewRecord checks the parts of a record and puts them together. The trays are
// not changed.
func NewRecord(in Input) (*Record, error) {
	if in.Code != "" {
		if err := CheckCode(in.Code); err != nil {
			return nil, err
		}
	}
	if err := in.Facts.Validate(); err != nil {
		return nil, err
	}
	if len(in.Pictures) == 0 || len(in.Pictures) != len(in.Trays) || len(in.Reference) != len(in.Settings.Params.ReferenceFrom) {
		return nil, fmt.Errorf("%d pictures for %d trays, %d for %d of picked kernels",
			len(in.Pictures), len(in.Trays), len(in.Reference), len(in.Settings.Params.ReferenceFrom))
	}
	result, err := EncodeResult(in.Result)
	if err != nil {
		return nil, err
	}
	k := Kernels{Trays: in.Trays, Reference: in.Settings.Params.ReferenceFrom}
	r := &Record{
		Schema: Schema, Code: in.Code, Facts: in.Facts,
		Pictures: textPaths(in.Pictures), Reference: textPaths(in.Reference), Settings: in.Settings, Result: result,
	}
	if r.MeasuredSHA256, err = k.MeasuredSHA256(); err != nil {
		return nil, err
	}
	r.Settings.Params.NotAssessed = []kernel.Flag{}
	r.Key = Key(sums(r.Pictures), sums(r.Reference), &r.Settings)
	if r.kernels, err = k.encode(); err != nil {
		return nil, err
	}
	r.KernelsSHA256 = Sum(r.kernels)
	return r, nil
}

// textPaths returns the pictures with paths that are text. One whose path was
// not is found again by its check sum.
func textPaths(ps []Picture) []Picture {
	out := slices.Clone(ps)
	for i := range out {
		out[i].Path = text(out[i].Path)
	}
	return out
}

// Kernels returns the kernels as measured and stored. They are nil in a record
// that was read without them.
func (r *Record) Kernels() (*Kernels, error) {
	if r.kernels == nil {
		return nil, nil
	}
	return decodeKernels(r.kernels)
}

// Decode returns the result, without the unrounded pieces behind it.
func (r *Record) Decode() (*grading.Result, error) {
	if r.decoded == nil {
		res, err := DecodeResult(r.Result)
		if err != nil {
			return nil, fmt.Errorf("result of sample %s: %w", r.Code, err)
		}
		r.decoded = res
	}
	return r.decoded, nil
}

// Trays returns the trays that Result was made from: as stored, the corrections
// laid on. They are nil in a record that was read without kernels.
func (r *Record) Trays() ([]kernel.Tray, error) {
	k, err := r.Kernels()
	if err != nil || k == nil {
		return nil, err
	}
	trays, _, err := correct.Apply(k.Trays, r.Corrections, nil)
	return trays, err
}

// Correct puts corrections in place of those that the record has, and computes
// the result anew; an empty list gives the result as measured. New pieces are
// measured by measure. Corrections that name nobody are by whoever said the same
// before, else by by.
func (r *Record) Correct(list []correct.Correction, by string, measure correct.Measure) error {
	k, err := r.Kernels()
	if err != nil {
		return err
	}
	list = slices.Clone(list)
	for i := range list {
		for _, old := range r.Corrections {
			if list[i].By == "" && reflect.DeepEqual(old.Said(), list[i].Said()) {
				list[i].By = old.By
			}
		}
		list[i].By = cmp.Or(list[i].By, by)
	}
	_, done, err := correct.Apply(k.Trays, list, measure)
	if err != nil {
		return err
	}
	if r.Corrections = done; len(done) == 0 {
		r.Corrections = nil
	}
	return r.Regrade()
}

// Regrade computes the sample again from its stored kernels, with its
// corrections, its settings and its present sheet. It is a *fault.Error where the
// figures as measured do not come out as registered, as they may not in a later
// version of the arithmetic.
func (r *Record) Regrade() error {
	std, err := r.Settings.LoadStandard()
	if err != nil || std == nil && r.Corrections == nil && r.Measured == nil {
		return err
	}
	k, err := r.Kernels()
	if err != nil {
		return err
	}
	old, err := r.AsMeasured()
	if err != nil {
		return err
	}
	p := r.Settings.Params
	p.ReferenceFrom, p.NotAssessed = k.Reference, old.Params.NotAssessed
	grade := func(trays []kernel.Tray) (*grading.Result, error) {
		res, err := grading.Analyse(trays, p)
		if err == nil && std != nil {
			res.Grade, err = grading.Evaluate(res.Sample, std, r.Facts.Sheet)
		}
		return res, err
	}
	res, err := grade(k.Trays)
	if err != nil {
		return err
	}
	if string(mustJSON(res.Broken)) != string(mustJSON(old.Broken)) || string(mustJSON(res.Shares)) != string(mustJSON(old.Shares)) {
		return &fault.Error{
			What: fmt.Sprintf("sample %s was graded by another version of the arithmetic (%s, this is %s), so its grade cannot be amended", r.Code, old.Versions["grading"], grading.MethodVersion),
			Hint: "grade its picture anew with the new facts",
		}
	}
	measured := *old
	measured.Grade, measured.Warnings = res.Grade, slices.Clone(old.Warnings)
	measured.CheckMass(r.Facts.Sheet)
	raw, err := EncodeResult(&measured)
	if err != nil {
		return err
	}
	r.Result, r.Measured, r.decoded = raw, nil, nil
	if r.Corrections == nil {
		return nil
	}
	trays, _, err := correct.Apply(k.Trays, r.Corrections, nil)
	if err != nil {
		return err
	}
	if res, err = grade(trays); err != nil {
		return err
	}
	res.Versions, res.ColourProfile = old.Versions, old.ColourProfile
	res.CheckMass(r.Facts.Sheet)
	r.Measured = raw
	r.Result, err = EncodeResult(res)
	return err
}

// AsMeasured returns the result without the corrections.
func (r *Record) AsMeasured() (*grading.Result, error) {
	if r.Measured == nil {
		return r.Decode()
	}
	res, err := DecodeResult(r.Measured)
	if err != nil {
		return nil, fmt.Errorf("measured result of sample %s: %w", r.Code, err)
	}
	return res, nil
}

// registeredAs is the code by which the sample was registered.
func (r *Record) registeredAs() string {
	return slices.Concat(r.FormerCodes, []string{r.Code})[0]
}

// form is the form of the record: older versions refuse one that says what they
// would lose.
func (r *Record) form() string {
	if r.Corrections != nil || r.FormerCodes != nil || r.Withdrawn {
		return schemaMore
	}
	return Schema
}

// EncodeResult returns the result as compact JSON, always the same bytes for
// the same result.
func EncodeResult(r *grading.Result) (json.RawMessage, error) {
	return encode(r)
}

// DecodeResult reads what EncodeResult wrote.
func DecodeResult(raw json.RawMessage) (*grading.Result, error) {
	r := new(grading.Result)
	return r, json.Unmarshal(raw, r)
}

// encode returns v as compact JSON without escapes for HTML.
func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// mustJSON encodes what consists of plain finite data.
func mustJSON(v any) []byte {
	b, err := encode(v)
	if err != nil {
		panic(fmt.Sprintf("samples: %v", err))
	}
	return b
}
