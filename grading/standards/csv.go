package standards

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"iter"
	"strings"
)

// A Row is one of a CSV file, its fields without blanks around them, or what is
// wrong in its place.
type Row struct {
	Line   int // from 1, on which it begins
	Fields []string
	Err    error
}

// Rows reads CSV, up to what is none: with or without a byte order mark, comments
// behind #. columns is how many fields each row has, -1 where they may differ.
func Rows(data []byte, comma rune, columns int) iter.Seq[Row] {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	r.Comma, r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = comma, '#', true, columns
	return func(yield func(Row) bool) {
		for {
			fields, err := r.Read()
			if err == io.EOF {
				return
			}
			if e, ok := errors.AsType[*csv.ParseError](err); ok { // bytes have no other
				yield(Row{Line: e.Line, Err: e.Err})
				return
			}
			for i := range fields {
				fields[i] = strings.TrimSpace(fields[i])
			}
			if line, _ := r.FieldPos(0); !yield(Row{Line: line, Fields: fields}) {
				return
			}
		}
	}
}
