package samples

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"iter"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/xuri/excelize/v2"
)

// Guard keeps a spreadsheet program from reading text as a formula: text that
// begins like one, blanks aside, gets an apostrophe in front (OWASP, "CSV
// Injection").
func Guard(s string) string {
	t := strings.TrimLeftFunc(s, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == '\ufeff' })
	if t != "" && strings.ContainsRune("=+-@|%＝＋－＠", []rune(t)[0]) || t != s && s != "" {
		return "'" + s
	}
	return s
}

// secondField is where a program that takes another character for the
// separator begins a new cell with what it reads as a formula.
var secondField = regexp.MustCompile(`([;\t\r\n][\s\pC]*)([=+\-@|%＝＋－＠])`)

// guardCSV is Guard for CSV, which programs in much of Europe part at
// semicolons: what would begin like a formula there is guarded too.
func guardCSV(s string) string { return secondField.ReplaceAllString(Guard(s), "$1'$2") }

// A column is one column of a table of samples.
type column struct {
	name  string
	width float64 // in a spreadsheet, characters
	value func(*Row) any
}

// columns holds text, numbers (float64, int), times and nil for nothing.
var columns = []column{
	{"code", 14, func(r *Row) any { return r.Code }},
	{"revision", 8, func(r *Row) any { return r.Revision }},
	{"sampled_at", 20, func(r *Row) any { return r.At }},
	{"registered_at", 20, func(r *Row) any { return r.Registered }},
	{"lot", 16, func(r *Row) any { return r.Lot }},
	{"party", 20, func(r *Row) any { return r.Party }},
	{"line", 10, func(r *Row) any { return r.Line }},
	{"variety", 16, func(r *Row) any { return r.Variety }},
	{"stage", 16, func(r *Row) any { return r.Stage }},
	{"moisture_pct", 12, func(r *Row) any { return optional(r.Moisture) }},
	{"sample_mass_g", 13, func(r *Row) any { return optional(r.MassG) }},
	{"kernels", 8, func(r *Row) any { return r.Kernels }},
	{"reference_length", 15, func(r *Row) any { return told(r, r.Reference) }},
	{"reference_unit", 13, func(r *Row) any { return r.Unit }},
	{"broken_mass_pct", 15, func(r *Row) any { return told(r, r.BrokenMass.Value) }},
	{"broken_mass_low", 15, func(r *Row) any { return r.BrokenMass.Low }},
	{"broken_mass_high", 15, func(r *Row) any { return r.BrokenMass.High }},
	{"broken_count_pct", 15, func(r *Row) any { return told(r, r.BrokenCount.Value) }},
	{"broken_count_low", 15, func(r *Row) any { return r.BrokenCount.Low }},
	{"broken_count_high", 15, func(r *Row) any { return r.BrokenCount.High }},
	{"trade_class", 14, func(r *Row) any { return r.TradeClass }},
	{"standard", 14, func(r *Row) any { return r.Standard }},
	{"grade", 26, func(r *Row) any { return r.Grade }},
	{"not_proven", 11, func(r *Row) any { return map[bool]string{true: "not proven"}[r.NotProven] }},
	{"warnings", 9, func(r *Row) any { return r.Warnings }},
	{"pictures", 28, func(r *Row) any { return strings.Join(r.Pictures, "; ") }},
	{"note", 30, func(r *Row) any { return r.Note }},
	{"corrected_kernels", 12, func(r *Row) any { return measured(r, r.Corrected) }},
	{"corrected_by", 16, func(r *Row) any { return strings.Join(r.By, "; ") }},
	{"measured_broken_mass_pct", 15, func(r *Row) any { return measured(r, asMeasured(r).BrokenMass.Value) }},
	{"measured_broken_mass_low", 15, func(r *Row) any { return measured(r, asMeasured(r).BrokenMass.Low) }},
	{"measured_broken_mass_high", 15, func(r *Row) any { return measured(r, asMeasured(r).BrokenMass.High) }},
	{"measured_outcome", 26, func(r *Row) any { return asMeasured(r).Outcome }},
	{"withdrawn", 10, func(r *Row) any {
		if r.Withdrawn {
			return "yes"
		}
		return nil
	}},
}

func asMeasured(r *Row) AsMeasured {
	if r.AsMeasured == nil {
		return AsMeasured{}
	}
	return *r.AsMeasured
}

// measured is v where somebody looked at kernels of the sample, else nothing.
func measured(r *Row, v any) any {
	if r.AsMeasured == nil {
		return nil
	}
	return v
}

// told is v, or nothing where the whole-kernel length is not told: the tips
// alone give bounds, and no figure to reckon with.
func told(r *Row, v float64) any {
	if r.Untold {
		return nil
	}
	return v
}

func optional(v *float64) any {
	if v == nil {
		return nil
	}
	return *v
}

// notGraded stands in the column grade of a picture that could not be graded;
// the reason then stands in the column note.
const notGraded = "not graded"

// lines returns the cells of the table: the samples, then what was refused.
func lines(rows []Row, refused []Refusal) [][]any {
	out := make([][]any, 0, len(rows)+len(refused))
	for i := range rows {
		line := make([]any, len(columns))
		for j, c := range columns {
			line[j] = c.value(&rows[i])
		}
		out = append(out, line)
	}
	for _, r := range refused {
		line := make([]any, len(columns))
		for j, c := range columns {
			switch c.name {
			case "grade":
				line[j] = notGraded
			case "pictures":
				line[j] = filepath.Base(r.Path)
			case "note":
				line[j] = r.Reason
			}
		}
		out = append(out, line)
	}
	return out
}

// WriteCSV writes one row for each sample, numbers with a decimal point, times
// in RFC 3339, and then one for each picture that was refused. Texts are
// guarded, see Guard.
func WriteCSV(w io.Writer, rows []Row, refused ...Refusal) error {
	out := csv.NewWriter(w)
	record := make([]string, len(columns))
	for i, c := range columns {
		record[i] = c.name
	}
	out.Write(record) // Error tells whatever failed
	for _, line := range lines(rows, refused) {
		for j, v := range line {
			switch v := v.(type) {
			case nil:
				record[j] = ""
			case string:
				record[j] = guardCSV(v)
			case int:
				record[j] = strconv.Itoa(v)
			case float64:
				record[j] = strconv.FormatFloat(v, 'f', -1, 64)
			case time.Time:
				record[j] = v.Format(time.RFC3339)
			}
		}
		out.Write(record)
	}
	out.Flush()
	return out.Error()
}

// WriteXLSX writes the same table as a workbook, the same bytes for the same
// rows. Every cell is a number, a date or a text, none a formula; texts are
// guarded all the same, for whoever saves the sheet as CSV.
func WriteXLSX(w io.Writer, rows []Row, refused ...Refusal) error {
	f := excelize.NewFile()
	defer f.Close()
	const sheet = "samples"
	head, err := f.NewStyle(&excelize.Style{
		Font: &excelize.Font{Bold: true}, Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"E7E9EC"}},
		Border: []excelize.Border{{Type: "bottom", Color: "555555", Style: 1}},
	})
	if err != nil {
		return err
	}
	format := "yyyy-mm-dd hh:mm"
	date, err := f.NewStyle(&excelize.Style{CustomNumFmt: &format})
	if err != nil {
		return err
	}
	if err := f.SetSheetName("Sheet1", sheet); err != nil {
		return err
	}
	s, err := f.NewStreamWriter(sheet)
	if err != nil {
		return err
	}
	names := make([]any, len(columns))
	for i, c := range columns {
		names[i] = excelize.Cell{StyleID: head, Value: c.name}
		err = errors.Join(err, s.SetColWidth(i+1, i+1, c.width))
	}
	err = errors.Join(err,
		s.SetPanes(&excelize.Panes{Freeze: true, XSplit: 1, YSplit: 1, TopLeftCell: "B2", ActivePane: "bottomRight"}),
		s.SetRow("A1", names))
	for i, line := range lines(rows, refused) {
		for j, v := range line {
			switch v := v.(type) {
			case string:
				line[j] = cellText(Guard(v))
			case time.Time:
				// The sheet has no time zones: the wall clock as recorded.
				line[j] = excelize.Cell{StyleID: date, Value: time.Date(v.Year(), v.Month(), v.Day(), v.Hour(), v.Minute(), v.Second(), 0, time.UTC)}
			}
		}
		err = errors.Join(err, s.SetRow("A"+strconv.Itoa(i+2), line))
	}
	// No date of making: the same rows give the same bytes.
	err = errors.Join(err, s.Flush(), f.SetDocProps(&excelize.DocProperties{Creator: "traytally", Created: "2000-01-01T00:00:00Z", Modified: "2000-01-01T00:00:00Z"}))
	if err != nil {
		return err
	}
	return f.Write(w)
}

// cellText cuts a text to what a cell may hold.
func cellText(s string) string {
	if r := []rune(s); len(r) > excelize.TotalCellChars {
		return string(r[:excelize.TotalCellChars])
	}
	return s
}

// WriteJSON writes records as an indented JSON array, each as registered and
// as soon as it comes.
func WriteJSON(w io.Writer, records iter.Seq2[*Record, error]) error {
	before := "[\n "
	for r, err := range records {
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, before); err != nil {
			return err
		}
		var b bytes.Buffer
		if err := json.Indent(&b, mustJSON(r), " ", " "); err != nil {
			return err
		}
		if _, err := b.WriteTo(w); err != nil {
			return err
		}
		before = ",\n "
	}
	end := "\n]\n"
	if before[0] == '[' {
		end = "[]\n"
	}
	_, err := io.WriteString(w, end)
	return err
}
