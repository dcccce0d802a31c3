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
