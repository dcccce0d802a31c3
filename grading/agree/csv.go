package agree

import (
	"fmt"
	"slices"
	"strings"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// studyColumns is the heading of a study's file.
var studyColumns = []string{"sample", "hand", "picture"}

// ReadPairs reads a study: CSV with the columns sample, hand and picture, one
// row for each result; rows of one sample are repeats, and a cell may be
// empty. read turns a cell into a figure: a number, for pictures perhaps the
// name of a file. Samples stay in the order in which they first appear. Errors
// are *fault.Error with the line, or those of read.
func ReadPairs(data []byte, read func(column, cell string) (float64, error)) ([]Pair, error) {
	const form = "three columns, decimal points: sample,hand,picture and then L-1,4.2,4.6"
	bad := func(line int, what string) error {
		return fault.Usagef(form, "line %d: %s", line, what)
	}
	var pairs []Pair
	headed := false
	for r := range standards.Rows(data, ',', len(studyColumns)) {
		line, row := r.Line, r.Fields
		if r.Err != nil {
			return nil, bad(line, r.Err.Error())
		}
		if !headed {
			headed = true
			if !slices.Equal(row, studyColumns) {
				return nil, bad(line, fmt.Sprintf("its columns are %s", strings.Join(row, ", ")))
			}
			continue
		}
		if row[0] == "" || row[1] == "" && row[2] == "" {
			return nil, bad(line, "no sample's name, or no figure")
		}
		i := slices.IndexFunc(pairs, func(p Pair) bool { return p.Sample == row[0] })
		if i < 0 {
			i = len(pairs)
			pairs = append(pairs, Pair{Sample: row[0], Hand: []float64{}, Picture: []float64{}})
		}
		for k, to := range []*[]float64{&pairs[i].Hand, &pairs[i].Picture} {
			if row[k+1] == "" {
				continue
			}
			v, err := read(studyColumns[k+1], row[k+1])
			if e := fault.Of(err); e != nil && e.Kind == fault.Usage {
				return nil, fault.Usagef(e.Hint, "line %d: %s: %s", line, studyColumns[k+1], e.Error())
			}
			if err != nil {
				return nil, err
			}
			*to = append(*to, v)
		}
	}
	return pairs, nil
}
