package samples

import (
	"bytes"
	"encoding/json"
	"fmt"

	"traytally/grading"
)

// EncodeResult returns the result as compact JSON, always the same bytes for
// the same result.
func EncodeResult(r *grading.Result) (json.RawMessage, error) {
	return encode(r)
}

// DecodeResult reads what EncodeResult wrote.
func DecodeResult(raw json.RawMessage) (*grading.Result, error) {
	// The sheet of the grade needs a reader of its own: outer fields of the
	// same JSON name take the place of embedded ones.
	var in struct {
		grading.Result
		Grade *struct {
			grading.Grade
			Sheet *sheet `json:"sheet"`
		} `json:"grade"`
	}
	if err := json.Unmarshal(raw, &in); err != nil {
		return nil, err
	}
	out := in.Result
	if in.Grade != nil {
		g := in.Grade.Grade
		g.Sheet = in.Grade.Sheet.plain()
		out.Grade = &g
	}
	return &out, nil
}

// A sheet reads the JSON of a grading.Sheet.
type sheet struct {
	grading.Sheet
	ByHand map[string]any `json:"by_hand"`
}

func (s *sheet) plain() *grading.Sheet {
	if s == nil {
		return nil
	}
	out := s.Sheet
	for code, v := range s.ByHand {
		if out.ByHand == nil {
			out.ByHand = map[string]grading.HandValue{}
		}
		switch v := v.(type) {
		case float64:
			out.ByHand[code] = grading.HandValue{Number: v}
		case string:
			out.ByHand[code] = grading.HandValue{Word: v}
		}
	}
	return &out
}

// UnmarshalJSON reads what the encoding of Facts writes.
func (f *Facts) UnmarshalJSON(data []byte) error {
	type plain Facts
	var in struct {
		plain
		Sheet *sheet `json:"sheet"`
	}
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	*f = Facts(in.plain)
	f.Sheet = in.Sheet.plain()
	return nil
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
