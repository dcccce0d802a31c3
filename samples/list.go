package samples

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

// A Listed is a sample as a list of samples names it: its pictures and facts.
type Listed struct {
	Line     int // in the list, of the sample's first row
	Code     string
	Pictures []string // as written
	Facts    Facts
}

// byHand begins the column of a factor of the standard that was found by hand.
const byHand = "by_hand."

// decimalComma is a number with a comma where others have a point. One with
// three digits behind it may be thousands, and is left to be refused.
var decimalComma = regexp.MustCompile(`^(-?\d+),(\d{1,2}|\d{4,})$`)

// commaOf is what parts the head of a list, a comma or a semicolon.
func commaOf(data []byte) rune {
	for line := range strings.Lines(string(data[:min(len(data), 4096)])) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			if strings.Count(line, ";") > strings.Count(line, ",") {
				return ';'
			}
			break
		}
	}
	return ','
}

// maxListBytes is more than any list of samples has.
const maxListBytes = 16 << 20

// factColumns are the columns of a list beside picture, code, and the fields
// of a sample sheet.
var factColumns = []string{"lot", "party", "line", "variety", "stage", "drawn", "received", "note"}

// sheetColumns are the sample sheet's own, as grading.Sheet names them.
var sheetColumns = []string{
	"moisture_pct", "odour_ok", "live_insects", "insects", "insect_refuse", "sample_mass_g", "foreign_matter_g", "foreign_organic_g",
	"foreign_inorganic_g", "foreign_from_g", "paddy_count", "paddy_from_g",
}

// ParseList reads a list of samples: CSV with a head, a row for each picture,
// parted by commas, or by semicolons as in places where the comma is decimal;
// numbers may have either mark. Columns, in any order and any case: picture, which is required; code; lot, party, line,
// variety, stage, drawn, received, note; the fields of a sample sheet, like
// moisture_pct; and by_hand.CODE for a factor of the standard found by hand.
// Rows of one code are one sample: its facts stand in the first row, later ones
// leave them empty or repeat them. name stands for the file in messages.
func ParseList(name string, data []byte) ([]Listed, error) {
	if len(data) > maxListBytes {
		return nil, &fault.Error{What: fmt.Sprintf("%s: %d bytes are more than a list of samples has", name, len(data)), Hint: "name the CSV file with one row for each picture"}
	}
	comma := commaOf(bytes.TrimPrefix(data, []byte("\ufeff")))
	fail := func(line int, hint, format string, a ...any) error {
		return &fault.Error{What: fmt.Sprintf("%s:%d: ", name, line) + fmt.Sprintf(format, a...), Hint: hint}
	}
	const wanted = "the first row names the columns: picture, code, lot, party, line, variety, stage, drawn, received, moisture_pct, note"
	known := append(append([]string{"picture", "code"}, factColumns...), sheetColumns...)
	var head []string
	var out []Listed
	byCode := map[string]int{}
	pictures := map[string]int{}
	for r := range standards.Rows(data, comma, -1) {
		line, row := r.Line, r.Fields
		if r.Err != nil {
			return nil, fail(line, "save the list as CSV in UTF-8, with commas or semicolons between the fields", "%v", r.Err)
		}
		if head == nil {
			head = row
			for i, h := range head {
				if head[i] = strings.ToLower(h); strings.HasPrefix(head[i], byHand) {
					head[i] = byHand + h[len(byHand):] // a code, as the standard writes it
				}
				switch {
				case slices.Contains(head[:i], head[i]):
					return nil, fail(1, "each column has a name of its own", "two columns are named %q", head[i])
				case slices.Contains(known, head[i]) || strings.HasPrefix(head[i], byHand) && len(head[i]) > len(byHand):
				default:
					return nil, fail(1, standards.DidYouMean(head[i], known, wanted), "there is no column %q", head[i])
				}
			}
			if !slices.Contains(head, "picture") {
				return nil, fail(1, wanted, "no column is named picture")
			}
			continue
		}
		if len(row) > len(head) {
			return nil, fail(line, fmt.Sprintf("put texts with %q, and decimal commas, between quotation marks", comma), "%d fields, the head has %d", len(row), len(head))
		}
		fields := map[string]string{}
		for i, v := range row {
			if v != "" {
				fields[head[i]] = v
			}
		}
		if len(fields) == 0 {
			continue
		}
		picture := fields["picture"]
		if picture == "" {
			return nil, fail(line, "name the picture's file", "no picture in this row")
		}
		if before := pictures[filepath.Clean(picture)]; before > 0 {
			return nil, fail(line, "name each picture once", "%s stands in row %d already", picture, before)
		}
		pictures[filepath.Clean(picture)] = line
		l, err := listed(name, line, fields)
		if err != nil {
			return nil, err
		}
		if i, again := byCode[FoldName(l.Code)]; again && l.Code != "" {
			first := &out[i]
			if first.Code != l.Code {
				return nil, fail(line, "write a code the same way in all rows of a sample, or give another one", "the code %s is %s in row %d but for case", l.Code, first.Code, first.Line)
			}
			if string(mustJSON(l.Facts)) != string(mustJSON(Facts{})) && string(mustJSON(l.Facts)) != string(mustJSON(first.Facts)) {
				return nil, fail(line, "leave the facts empty in further rows of a sample, or give another code", "%s has other facts in row %d", l.Code, first.Line)
			}
			first.Pictures = append(first.Pictures, picture)
			continue
		}
		byCode[FoldName(l.Code)] = len(out)
		out = append(out, *l)
	}
	switch {
	case head == nil:
		return nil, fail(1, wanted, "the list is empty")
	case len(out) == 0:
		return nil, fail(1, wanted, "no sample is listed")
	}
	return out, nil
}

// listed makes one row's sample.
func listed(name string, line int, fields map[string]string) (*Listed, error) {
	l := &Listed{Line: line, Code: fields["code"], Pictures: []string{fields["picture"]}}
	wrap := func(err error) error {
		e := fault.Of(err)
		return &fault.Error{What: fmt.Sprintf("%s:%d: %s", name, line, e.What), Hint: e.Hint, Err: err}
	}
	if l.Code != "" {
		if err := CheckCode(l.Code); err != nil {
			return nil, wrap(err)
		}
	}
	f := &l.Facts
	for _, t := range f.Texts() {
		*t.Text = fields[t.Name]
	}
	for _, t := range []struct {
		column string
		to     *time.Time
	}{{"drawn", &f.Drawn}, {"received", &f.Received}} {
		if text := fields[t.column]; text != "" {
			at, err := ParseTime(text)
			if err != nil {
				return nil, wrap(err)
			}
			*t.to = at
		}
	}
	for _, column := range slices.Sorted(maps.Keys(fields)) {
		if slices.Contains(sheetColumns, column) || strings.HasPrefix(column, byHand) {
			f.Sheet = f.OnSheet()
			if err := f.Sheet.Set(column, decimalComma.ReplaceAllString(fields[column], "$1.$2")); err != nil {
				return nil, wrap(err)
			}
		}
	}
	if err := cmp.Or(f.OnSheet().Validate(), f.Validate()); err != nil {
		return nil, wrap(err)
	}
	return l, nil
}

// ParseTime reads a date, or a date and a time; without a zone it is that of
// this machine.
func ParseTime(s string) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, s, time.Local); err == nil {
			return t, nil
		}
	}
	return time.Time{}, &fault.Error{What: fmt.Sprintf("%q is no date", s), Hint: "write it as 2026-11-25 or 2026-11-25T14:30"}
}
