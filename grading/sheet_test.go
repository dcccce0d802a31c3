package grading

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

const sheetYAML = `moisture_pct: 13.2
odour_ok: true
live_insects: 0
sample_mass_g: 51.3
foreign_matter_g: 0.12
foreign_from_g: 500
paddy_count: 3
paddy_from_g: 1000
by_hand:
  chalky: 1.2
  colour: white or creamy
`

const sheetCSV = "\ufefffield,value\n# sheet of an invented lot\nmoisture_pct,13.2\nodour_ok,yes\nlive_insects,0\nsample_mass_g,51.3\nforeign_matter_g,0.12\nforeign_from_g,500\npaddy_count,3\npaddy_from_g,1000\nby_hand.chalky,1.2\nby_hand.colour,white or creamy\n"

func TestSheetForms(t *testing.T) {
	fromYAML, err := ParseSheet("sheet.yaml", []byte(sheetYAML))
	require.NoError(t, err)
	fromCSV, err := ParseSheet("sheet.CSV", []byte(sheetCSV))
	require.NoError(t, err)
	assert.Equal(t, fromYAML, fromCSV)
	assert.Equal(t, 13.2, *fromYAML.MoisturePct)
	assert.Equal(t, HandValue{Word: "white or creamy"}, fromYAML.ByHand["colour"])
	x, ok := fromYAML.value("foreign_matter_pct")
	assert.True(t, ok)
	assert.InDelta(t, 0.024, x, 1e-12, "0.12 g in 500 g")
	path := filepath.Join(t.TempDir(), "s.yaml")
	require.NoError(t, os.WriteFile(path, []byte(sheetYAML), 0o600))
	loaded, err := LoadSheet(path)
	require.NoError(t, err)
	assert.Equal(t, fromYAML, loaded)
	_, err = LoadSheet(path + ".none")
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestSheetRefusesTheImpossible(t *testing.T) {
	for name, row := range map[string]struct{ file, data, want, hint string }{
		"moisture 140":         {"s.yaml", "moisture_pct: 140", "s.yaml: moisture_pct: moisture of 140 % is impossible", "12 to 14"},
		"moisture negative":    {"s.yaml", "moisture_pct: -1", "moisture of -1 % is impossible", "12 to 14"},
		"moisture fraction":    {"s.yaml", "moisture_pct: 0.14", "moisture of 0.14 % is a fraction, not percent", "did you mean 14?"},
		"moisture like paddy":  {"s.yaml", "moisture_pct: 60", "no milled rice has a moisture of 60 %", "12 to 14"},
		"moisture not finite":  {"s.yaml", "moisture_pct: .inf", "impossible", ""},
		"a sum":                {"s.yaml", "foreign_organic_g: 0.1\nforeign_inorganic_g: 0.05\nforeign_matter_g: 0.1\nsample_mass_g: 50", "organic and inorganic together are 0.15 g, more than all foreign matter, 0.1 g", ""},
		"insects":              {"s.yaml", "live_insects: -2", "-2 insects cannot be", ""},
		"half an insect":       {"s.yaml", "live_insects: 0.5", `s.yaml:1:15: "0.5" stands where a whole number is wanted`, ""},
		"mass zero":            {"s.yaml", "sample_mass_g: 0", "a mass of 0 g cannot be", "grams"},
		"more foreign":         {"s.yaml", "foreign_matter_g: 3\nforeign_from_g: 2", "3 g picked from 2 g of rice", ""},
		"foreign from nothing": {"s.yaml", "foreign_matter_g: 3", "picked from how much rice?", "foreign_from_g"},
		"parts over all":       {"s.yaml", "foreign_matter_g: 1\nforeign_organic_g: 0.7\nforeign_inorganic_g: 0.7\nforeign_from_g: 500", "more than all foreign matter", ""},
		"paddy without mass":   {"s.yaml", "paddy_count: 3", "needs the grams", "go together"},
		"by hand negative":     {"s.yaml", "by_hand: {chalky: -1}", "by_hand.chalky: -1 cannot be", ""},
		"unknown field":        {"s.yaml", "moisture: 13", `s.yaml:1:1: unknown key "moisture"`, "did you mean moisture_pct?"},
		"text for a number":    {"s.yaml", "moisture_pct: wet", `"wet" stands where a number is wanted`, ""},
		"list by hand":         {"s.yaml", "by_hand: {chalky: [1]}", "a number or a word", ""},
		"empty":                {"s.yaml", "", "the file is empty", ""},
		"csv unknown":          {"s.csv", "moistur_pct,13", "s.csv:1: moistur_pct: no such field", "did you mean moisture_pct?"},
		"csv decimal comma":    {"s.csv", "moisture_pct,13,2", "3 columns instead of two", "decimal point"},
		"csv text":             {"s.csv", "moisture_pct,wet", `"wet" cannot be read`, "13.2"},
		"csv twice":            {"s.csv", "moisture_pct,13\nmoisture_pct,14", "s.csv:2: moisture_pct: given twice", ""},
		"csv odour":            {"s.csv", "odour_ok,perhaps", `"perhaps" cannot be read`, "yes or no"},
		"csv impossible":       {"s.csv", "moisture_pct,0.13", "s.csv: moisture_pct: moisture of 0.13 % is a fraction", "did you mean 13?"},
		"csv empty":            {"s.csv", "# nothing\n", "no field in it", "moisture_pct,13.2"},
		"csv quote":            {"s.csv", "\"moisture_pct,13", "s.csv:1", ""},
		"csv block":            {"s.csv", "by_hand,1", `"1" cannot be read`, "by_hand.chalky,1.2"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseSheet(row.file, []byte(row.data))
			require.ErrorContains(t, err, row.want)
			var hint string
			if e := fault.Of(err); e != nil {
				hint = e.Hint
			} else {
				var problems standards.Problems
				require.ErrorAs(t, err, &problems)
				hint = problems.Hint()
			}
			assert.Contains(t, hint, row.hint)
		})
	}
}

func TestSheetAgainstTheStandard(t *testing.T) {
	for name, row := range map[string]struct {
		code string
		hand map[string]HandValue
		want string
		hint string
	}{
		"unknown factor":  {"us-long", map[string]HandValue{"chalk": {Number: 1}}, "us-long has no such factor", "did you mean chalky?"},
		"unknown word":    {"us-long", map[string]HandValue{"colour": {Word: "pink"}}, `"pink" is no step of colour`, "white or creamy"},
		"number for word": {"us-long", map[string]HandValue{"colour": {Number: 2}}, `"2" is no step of colour`, "white or creamy"},
		"word for number": {"us-long", map[string]HandValue{"chalky": {Word: "few"}}, `"few" is no number`, "figure"},
		"own field":       {"us-long", map[string]HandValue{"moisture": {Number: 13}}, "moisture has a field of its own", "moisture_pct"},
		"over 100":        {"us-long", map[string]HandValue{"chalky": {Number: 120}}, "120 % is more than all of it", "percent"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Evaluate(heaped(), lookup(t, row.code), &Sheet{ByHand: row.hand})
			require.ErrorIs(t, err, ErrSheet)
			assert.ErrorContains(t, err, row.want)
			assert.Contains(t, fault.Of(err).Hint, row.hint)
		})
	}
}

func FuzzParseSheet(f *testing.F) {
	f.Add("s.yaml", []byte(sheetYAML))
	f.Add("s.csv", []byte(sheetCSV))
	std, err := standards.Lookup("us-long")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		s, err := ParseSheet(name, data)
		if (s == nil) == (err == nil) {
			t.Fatalf("sheet %v with error %v", s, err)
		}
		if s == nil {
			return
		}
		for _, field := range standards.SheetFields {
			if x, ok := s.value(field); ok && (x < 0 || field != "live_insects" && x > 100) {
				t.Fatalf("%s is %g", field, x)
			}
		}
		_ = s.check(std)
	})
}

// What Entries returns fills an empty sheet with the same.
func TestSheetEntries(t *testing.T) {
	full, err := ParseSheet("sheet.csv", []byte(sheetCSV+"foreign_organic_g,0.07\nforeign_inorganic_g,0.05\nby_hand.milling,well milled\ninsects,3\ninsect_refuse,no\nweighed.broken,4.1/98.7\nbalance_u_g,0.01\n"))
	require.NoError(t, err)
	entries := full.Entries()
	assert.Contains(t, entries, "moisture_pct=13.2")
	assert.Contains(t, entries, "odour_ok=yes")
	assert.Contains(t, entries, "by_hand.colour=white or creamy")
	assert.Contains(t, entries, "weighed.broken=4.1/98.7")
	var again Sheet
	for _, e := range entries {
		field, value, _ := strings.Cut(e, "=")
		require.NoError(t, again.Set(field, value))
	}
	assert.Equal(t, full, &again)
	for f := range reflect.TypeFor[Sheet]().Fields() {
		if f.Type.Kind() != reflect.Map {
			assert.True(t, slices.ContainsFunc(entries, func(e string) bool { return strings.HasPrefix(e, f.Tag.Get("yaml")+"=") }), f.Name)
		}
	}
	assert.Empty(t, (&Sheet{}).Entries())
}
