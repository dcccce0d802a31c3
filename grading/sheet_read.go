package grading

import (
	"encoding/json"
	"fmt"
	"maps"
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

// LoadSheet reads a sample sheet: YAML, or CSV (by the file's ending) with one
// field and its value a row. The sheet is validated. Errors are
// standards.Problems, *fault.Error wrapping ErrSheet, or those of reading the file.
func LoadSheet(path string) (*Sheet, error) {
	data, err := standards.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return ParseSheet(path, data)
}

// ParseSheet is LoadSheet for bytes already read; name tells the form by its
// ending and is used in messages.
func ParseSheet(name string, data []byte) (*Sheet, error) {
	var s Sheet
	var err error
	switch {
	case len(data) > standards.MaxFileBytes:
		err = badEntry("", "this is no sample sheet", "more than 1 MiB")
	case strings.EqualFold(filepath.Ext(name), ".csv"):
		err = s.readCSV(name, data)
	default:
		if p := standards.Decode(name, data, &s); len(p) > 0 {
			return nil, p
		}
	}
	if err == nil {
		err = s.Validate()
	}
	if e := fault.Of(err); e != nil && e.Path == "" {
		e.Path = name
	}
	if err != nil {
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
	seen := map[string]bool{}
	const form = "one field and its value a row: moisture_pct,13.2"
	fail := func(line int, e *fault.Error) error {
		e.Path = fmt.Sprintf("%s:%d", name, line)
		return e
	}
	for row := range standards.Rows(data, ',', -1) {
		if row.Err != nil {
			return fail(row.Line, badEntry("", form, "%s", row.Err))
		}
		if len(row.Fields) != 2 {
			return fail(row.Line, badEntry("", form+" (decimal point, comma between)", "%d columns instead of two", len(row.Fields)))
		}
		field, value := row.Fields[0], row.Fields[1]
		if field == "field" && len(seen) == 0 {
			continue // heading
		}
		if seen[field] {
			return fail(row.Line, badEntry(field, "", "given twice"))
		}
		seen[field] = true
		if value == "" {
			continue
		}
		if err := s.Set(field, value); err != nil {
			return fail(row.Line, fault.Of(err))
		}
	}
	if len(seen) == 0 {
		return badEntry("", form, "no field in it")
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
		return badEntry(field, standards.DidYouMean(field, sheetFields(), "fields: "+fault.List(sheetFields()...)), "no such field")
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
		*p = new(standards.Whole(x))
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
	add := func(field string, value any) { out = append(out, fmt.Sprintf("%s=%v", field, value)) }
	v := reflect.ValueOf(s).Elem()
	for i, field := range sheetFields() {
		p := v.Field(i)
		switch {
		case p.Kind() != reflect.Pointer || p.IsNil():
		case p.Elem().Kind() == reflect.Bool:
			add(field, map[bool]string{true: "yes", false: "no"}[p.Elem().Bool()])
		default:
			add(field, p.Elem())
		}
	}
	for _, code := range slices.Sorted(maps.Keys(s.Weighed)) {
		w := s.Weighed[code]
		add("weighed."+code, fmt.Sprintf("%g/%g", w.G, w.OfG))
	}
	for _, code := range slices.Sorted(maps.Keys(s.ByHand)) {
		if h := s.ByHand[code]; h.Word != "" {
			add("by_hand."+code, h.Word)
		} else {
			add("by_hand."+code, h.Number)
		}
	}
	return out
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

// String writes the number or the word.
func (h HandValue) String() string {
	if h.Word != "" {
		return h.Word
	}
	return standards.FormatNumber(h.Number)
}

// MarshalJSON writes the number, or the word.
func (h HandValue) MarshalJSON() ([]byte, error) {
	if h.Word != "" {
		return json.Marshal(h.Word)
	}
	return []byte(h.String()), nil
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (h *HandValue) UnmarshalJSON(data []byte) error {
	if data[0] == '"' {
		return json.Unmarshal(data, &h.Word)
	}
	return json.Unmarshal(data, &h.Number)
}
