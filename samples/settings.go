package samples

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// Settings is what was asked for: everything a result depends on besides the
// pictures, the facts and the program.
type Settings struct {
	// PxPerMM is the scale given, 0 where the picture's own was taken.
	PxPerMM     float64 `json:"px_per_mm,omitempty"`
	ScaleSource string  `json:"scale_source,omitempty"`
	// Params are those asked for; what a picture could not decide is found on
	// measuring and stands in the result.
	Params grading.Params `json:"params"`
	// Standard is the code of the standard graded by, empty without one.
	// StandardSHA256 is the check sum of its file.
	Standard       string `json:"standard,omitempty"`
	Edition        string `json:"edition,omitempty"`
	StandardSHA256 string `json:"standard_sha256,omitempty"`
	// Contract is the whole file where the standard is a contract's own.
	Contract string `json:"contract,omitempty"`
	// ColourProfile holds the limits of the flags; nil stands for the defaults.
	ColourProfile *grading.Profile `json:"colour_profile,omitempty"`
	// Measuring holds the options of the picture side, as its own JSON.
	Measuring json.RawMessage `json:"measuring,omitempty"`
	// Files are the files that all this was read from, as they were then.
	Files []SettingsFile `json:"files,omitempty"`
}

// A SettingsFile is a file that settings were read from.
type SettingsFile struct {
	Path   string `json:"path"` // absolute
	SHA256 string `json:"sha256"`
}

// SetStandard sets the standard to one of the program's own editions, or to
// one read from a contract file.
func (s *Settings) SetStandard(std *standards.Standard, contract []byte) error {
	source := contract
	if contract == nil {
		editions, err := standards.Editions()
		if err != nil {
			return err
		}
		if e, _ := variant(editions, std.Code); e != nil {
			source = e.Source
		}
	}
	s.Standard, s.Edition, s.StandardSHA256, s.Contract = std.Code, std.Edition, Sum(source), string(contract)
	return nil
}

// LoadStandard returns the standard that was graded by, nil without one. An
// edition that the program no longer holds in the same words is a *fault.Error.
func (s *Settings) LoadStandard() (*standards.Standard, error) {
	if s.Standard == "" {
		return nil, nil
	}
	editions, err := standards.Editions()
	if err != nil {
		return nil, err
	}
	if s.Contract != "" {
		ed, problems := standards.Parse("contract of the sample", []byte(s.Contract))
		if ed == nil {
			return nil, problems
		}
		editions = []*standards.Edition{ed}
	}
	e, v := variant(editions, s.Standard)
	switch {
	case v == nil:
		return nil, &fault.Error{What: fmt.Sprintf("this program does not hold the standard %s (%s)", s.Standard, s.Edition), Hint: "use the version that graded the sample", Err: ErrStandard}
	case Sum(e.Source) != s.StandardSHA256:
		return nil, &fault.Error{
			What: fmt.Sprintf("the standard %s (%s) was worded differently when the sample was graded", s.Standard, s.Edition),
			Hint: "grade the picture anew to judge it by the present edition",
			Err:  ErrStandard,
		}
	}
	return v, nil
}

// variant finds a standard by its code, with the edition that holds it.
func variant(editions []*standards.Edition, code string) (*standards.Edition, *standards.Standard) {
	for _, e := range editions {
		for _, v := range e.Variants {
			if v.Code == code {
				return e, v
			}
		}
	}
	return nil, nil
}

// Key returns the identity of a measurement: the same pictures under the same
// settings have the same key, in whatever order they are named. Facts and the
// version of the program take no part. Of parameters and profile only what
// differs from the defaults counts, and of the picture side's options what is
// not empty, so that a later version with more of them gives the same key.
func Key(pictures, reference []string, s *Settings) string {
	p := s.Params
	p.NotAssessed = nil
	defaults := grading.DefaultParams()
	defaults.NotAssessed = nil
	var profile any
	if s.ColourProfile != nil {
		profile = different(generic(s.ColourProfile), generic(grading.DefaultProfile()))
	}
	var measuring any
	if len(s.Measuring) > 0 {
		measuring = generic(s.Measuring)
	}
	return Sum(mustJSON(map[string]any{
		"pictures":  slices.Sorted(slices.Values(pictures)),
		"reference": slices.Sorted(slices.Values(reference)),
		"px_per_mm": s.PxPerMM,
		"params":    different(generic(p), generic(defaults)),
		"profile":   filled(profile),
		"measuring": filled(measuring),
		"standard":  s.Standard + " " + s.StandardSHA256,
	}))
}

// generic returns v as maps, lists and plain values; nil where its JSON cannot
// be read.
func generic(v any) any {
	var out any
	if b, err := encode(v); err != nil || json.Unmarshal(b, &out) != nil {
		return nil
	}
	return out
}

// different returns the fields of a, in depth, that are not as in b; nil where
// there is none.
func different(a, b any) any {
	m, ok := a.(map[string]any)
	n, both := b.(map[string]any)
	if !ok || !both {
		if bytes.Equal(mustJSON(a), mustJSON(b)) {
			return nil
		}
		return a
	}
	out := map[string]any{}
	for k, v := range m {
		if d := different(v, n[k]); d != nil {
			out[k] = d
		}
	}
	return orNil(out)
}

// filled returns v without its empty fields: 0, "", false, null and what holds
// nothing else. It returns nil where nothing is left.
func filled(v any) any {
	switch t := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, e := range t {
			if f := filled(e); f != nil {
				out[k] = f
			}
		}
		return orNil(out)
	case []any:
		if len(t) == 0 {
			return nil
		}
	case float64, string, bool:
		if reflect.ValueOf(t).IsZero() {
			return nil
		}
	}
	return v
}

func orNil(m map[string]any) any {
	if len(m) == 0 {
		return nil
	}
	return m
}

func sums(ps []Picture) []string {
	out := make([]string, len(ps))
	for i, p := range ps {
		out[i] = p.SHA256
	}
	return out
}

// Sum returns the SHA-256 of data in hexadecimal.
func Sum(data []byte) string {
	s := sha256.Sum256(data)
	return hex.EncodeToString(s[:])
}
