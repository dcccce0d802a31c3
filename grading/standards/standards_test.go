package standards_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
)

func lookup(t testing.TB, code string) *standards.Standard {
	t.Helper()
	s, err := standards.Lookup(code)
	require.NoError(t, err)
	return s
}

func TestEmbeddedFilesAreSound(t *testing.T) {
	eds, err := standards.Editions()
	require.NoError(t, err)
	seen := map[string]bool{}
	for _, ed := range eds {
		_, problems := standards.Parse(ed.File.Edition, ed.Source)
		assert.Empty(t, problems, "%s", ed.File.Edition)
		for _, s := range ed.Variants {
			assert.False(t, seen[s.Code], "code %s is given twice", s.Code)
			seen[s.Code] = true
			for g, name := range s.Grades {
				for _, l := range s.Limits(g) {
					assert.Equal(t, name, l.Grade)
					assert.NotEmpty(t, l.Clause, "%s, %s, %s", s.Code, name, l.Factor.Name)
					assert.NotEmpty(t, l.Source.Title, "%s, %s, %s", s.Code, name, l.Factor.Name)
					if l.Source.Seen == "memory" {
						assert.Equal(t, standards.FromMemory, l.Mark, "%s, %s, %s", s.Code, name, l.Factor.Name)
					}
					if s.Status == "published" {
						assert.NotEmpty(t, l.Source.Year, "%s, %s, %s", s.Code, name, l.Factor.Name)
					}
				}
			}
		}
	}
	for _, code := range []string{
		"codex", "iso-7301", "us-long", "us-medium", "us-short", "us-mixed", "us-second-head", "us-screenings", "us-brewers",
		"thai-white", "ph", "eu-intervention-round", "eu-intervention-medium", "eu-intervention-longa", "eu-intervention-longb", "vn-white",
		"cn-indica", "cn-japonica", "in-central-raw-a", "in-central-parboiled-common", "in-agmark-medium", "in-agmark-fine", "in-agmark-dehradun",
		"us-long-parboiled", "us-brewers-granulated", "thai-parboiled", "thai-glutinous", "id-rice", "trade",
	} {
		assert.True(t, seen[code], "%s is missing", code)
	}
}

// Head rice from 8.0, 8.0, 8.0, 7.5, 7.0, 6.5 and 5.0 parts of ten (Thai Rice
// Standards, B.E. 2540, restated; partly from memory).
func TestThaiBrokenMovesWithTheGrade(t *testing.T) {
	s := lookup(t, "thai-white")
	for g, cut := range []float64{0.8, 0.8, 0.8, 0.75, 0.7, 0.65, 0.5, 0.5, 0.5, 0.5} {
		broken := func(length float64) bool {
			for _, p := range s.PartsOf(s.Broken(), g) {
				if p.Takes(length, 2, "") {
					return true
				}
			}
			return false
		}
		assert.False(t, broken(cut), "%s: %v parts are head rice", s.Grades[g], 10*cut)
		assert.True(t, broken(cut-0.001), "%s: under %v parts are broken", s.Grades[g], 10*cut)
	}
}

// What was found wrong or incomplete when the files were held against the text,
// beside the figures of documentLimits: the place or the word, and its source.
func TestHeldAgainstTheText(t *testing.T) {
	factor := func(code, name string) *standards.Factor {
		f := lookup(t, code).Factor(name)
		require.NotNil(t, f, "%s %s", code, name)
		return f
	}
	for _, code := range []string{"us-long", "us-second-head", "us-screenings", "us-brewers"} {
		f := factor(code, "insects") // 868.310 (f), .311 (f), .312 (g), .313 (h)
		assert.Contains(t, f.Name, "live or dead", code)
		assert.Equal(t, "insects", f.Sheet, code)
		assert.Equal(t, "hard milled", factor(code, "milling").Words[0], "868.306 since 2002: %s", code)
		assert.Equal(t, "868.302(p)", lookup(t, code).Sizes[0].Clause, code)
	}
	for code, ratio := range map[string]float64{"us-long": 3, "us-medium": 2.5, "us-short": 1.9} {
		sh := lookup(t, code).Shape // 868.302(m) holds no figures
		assert.Contains(t, sh.Clause, "FGIS instructions", code)
		assert.True(t, sh.FromMemory, code)
		iv, _ := sh.Ratio.At(0)
		assert.True(t, iv.Contains(ratio), code)
	}
	assert.Equal(t, "broken kernels through the 2 1/2 sieve", factor("us-brewers", "through_25sieve").Name, "868.313 (g)")
	assert.Nil(t, lookup(t, "us-brewers-granulated").Factor("through_30sieve"), "868.313, note 4")
	for _, code := range []string{"us-long-parboiled", "us-mixed-parboiled", "us-second-head-parboiled", "us-screenings-parboiled"} {
		for _, gone := range []string{"chalky", "colour", "heat_parboiled"} { // 868.315(c)
			assert.Nil(t, lookup(t, code).Factor(gone), "%s %s", code, gone)
		}
	}
	assert.Nil(t, lookup(t, "us-short-glutinous").Factor("chalky"), "868.315(e)")
	assert.Nil(t, lookup(t, "us-long-undermilled").Factor("milling"), "868.315(d)")

	// Regulation (EU) 1308/2013, Annex II Part I: kernel conditions in II.1 to 3,
	// classes in I.2: medium to a ratio of 3 inclusive, long A over 2 and under 3.
	eu := lookup(t, "eu-intervention-round")
	for _, z := range eu.Sizes {
		assert.Contains(t, z.Clause, "Annex II Part I, II.", z.Name)
	}
	for _, row := range []struct {
		code      string
		mm, ratio float64
		want      bool
	}{
		{"eu-intervention-medium", 5.8, 3.0, true}, {"eu-intervention-medium", 5.8, 3.1, false},
		{"eu-intervention-medium", 6.1, 2.5, false}, {"eu-intervention-medium", 5.2, 2.5, false},
		{"eu-intervention-longa", 6.1, 2.0, false}, {"eu-intervention-longa", 6.1, 2.1, true},
		{"eu-intervention-longa", 6.1, 3.0, false}, {"eu-intervention-longa", 6.0, 2.5, false},
		{"eu-intervention-longb", 6.1, 3.0, true}, {"eu-intervention-round", 5.2, 1.9, true},
	} {
		sh := lookup(t, row.code).Shape
		mm, _ := sh.LengthMM.At(0)
		ratio, _ := sh.Ratio.At(0)
		assert.Equal(t, row.want, mm.Contains(row.mm) && ratio.Contains(row.ratio), "%+v", row)
	}
	assert.Contains(t, factor("eu-intervention-round", "broken").Definition, "split lengthwise", "II.3(iv)")
	assert.Contains(t, eu.Caution, "split lengthwise")
	yellow := factor("eu-intervention-round", "yellow")
	assert.Contains(t, yellow.Definition, "over half of the grain", "II.9")
	assert.Equal(t, standards.PictureAtLeast, yellow.Picture, "how large a stain is, is not told")
	assert.Contains(t, eu.Edition, "2016/1238")

	assert.Nil(t, lookup(t, "in-central-raw-common").Factor("admixture"), "schedule: grade A only")
	assert.NotNil(t, lookup(t, "in-central-parboiled-a").Factor("admixture"))
	assert.Contains(t, lookup(t, "in-central-raw-a").Caution, "from 14.0 to 15.0 %", "schedule, note @")
	assert.Contains(t, lookup(t, "trade").Caution, "two thirds")
	ph := lookup(t, "ph")
	assert.Contains(t, ph.Caution, "Red-streaked kernels")
	assert.Contains(t, ph.Caution, "edition of 2025")
	assert.NotContains(t, ph.Factor("red").Pieces.Flags, "red_streaked")
}

// A limit's mark is the least read of its figure, its source and what counts
// under it.
func TestMarks(t *testing.T) {
	assert.Equal(t, standards.FromMemory, standards.Restated.Worse(standards.FromMemory))
	assert.Equal(t, standards.Restated, standards.Restated.Worse(standards.Read))
	assert.Equal(t, standards.Read, standards.Unmarked.Worse(standards.Read))
	eds, err := standards.Editions()
	require.NoError(t, err)
	for _, e := range eds {
		n := e.Standing()
		assert.Positive(t, n.Read+n.Restated+n.Memory+n.Unmarked, e.File.Edition)
		assert.Equal(t, e.File.Status == "practice", n.Unmarked > 0, e.File.Edition)
	}
}

// The three columns of the Philippine table leave nothing over: 95.00 + 4.90 +
// 0.10 and so on (the table itself is from memory; its sums speak for it).
func TestPhilippineColumnsAddUp(t *testing.T) {
	s := lookup(t, "ph")
	for g, name := range s.Grades {
		sum := 0.0
		for _, l := range s.Limits(g) {
			if slices.Contains([]string{"head", "broken", "brewers"}, l.Factor.Code) {
				sum += l.Value
			}
		}
		assert.InDelta(t, 100, sum, 1e-9, name)
	}
}

// The examples of 7 CFR 868.308(a), and the plain cases around them.
func TestRounding(t *testing.T) {
	up := standards.Rule{Mode: "half_up", Digits: 1}
	for _, row := range [][2]float64{{6.36, 6.4}, {0.35, 0.4}, {2.45, 2.5}, {6.34, 6.3}, {2.4499, 2.4}, {4.05, 4.1}, {4.049, 4.0}, {-2.45, -2.5}, {0, 0}, {100, 100}} {
		assert.InDelta(t, row[1], up.Round(row[0]), 1e-12, "%v", row[0])
	}
	even := standards.Rule{Mode: "half_even", Digits: 0}
	for _, row := range [][2]float64{{0.5, 0}, {1.5, 2}, {2.5, 2}, {2.51, 3}, {-2.5, -2}} {
		assert.InDelta(t, row[1], even.Round(row[0]), 1e-12, "%v", row[0])
	}
	assert.Equal(t, 4.0499, standards.Rule{Mode: "none"}.Round(4.0499))
	assert.InDelta(t, 0.05, standards.Rule{Mode: "half_up", Digits: 2}.Round(0.045), 1e-12)
}

// Five plate brokens in U.S. Nos. 1 and 2 are recorded to 0.01 %, everything
// else to 0.1 % (7 CFR 868.308(b)).
func TestRoundingDiffersByLimit(t *testing.T) {
	s := lookup(t, "us-long")
	for g := range s.Grades {
		for _, l := range s.Limits(g) {
			switch {
			case l.Factor.Code == "broken_5plate" && g < 2:
				assert.Equal(t, standards.Rule{Mode: "half_up", Digits: 2}, l.Round)
			case l.Unit == "%":
				assert.Equal(t, standards.Rule{Mode: "half_up", Digits: 1}, l.Round, l.Factor.Code)
			}
		}
	}
}

// Every length, width and state of the ends belongs to exactly one size.
func TestEveryPieceHasOneSize(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(all).Draw(t, "standard")
		g := rapid.IntRange(0, len(s.Grades)-1).Draw(t, "grade")
		length := rapid.Float64Range(0.001, 1.6).Draw(t, "length")
		if rapid.Bool().Draw(t, "round") { // hit the bounds too
			length = float64(int(length*40)+1) / 40
		}
		sieve := rapid.Float64Range(0, 4).Draw(t, "sieve")
		ends := rapid.SampledFrom([]string{"", standards.EndsGrown, standards.EndsFractured}).Draw(t, "ends")
		var takers []string
		for _, p := range s.Ladder(g) {
			if p.Takes(length, sieve, ends) {
				takers = append(takers, p.Name)
			}
		}
		if len(takers) != 1 {
			t.Fatalf("%s, %s: length %v, sieve %v mm, ends %q: %v", s.Code, s.Grades[g], length, sieve, ends, takers)
		}
	})
}

// A piece stuck in a hole counts as held (ISO model document for rice, Annex A).
func TestStuckInTheSieveIsHeld(t *testing.T) {
	s := lookup(t, "codex")
	var held, through standards.Part
	for _, p := range s.Ladder(0) {
		switch p.Name {
		case "small broken":
			held = p
		case "chips":
			through = p
		}
	}
	assert.True(t, held.Takes(0.2, 1.4, ""))
	assert.False(t, through.Takes(0.2, 1.4, ""))
	assert.True(t, through.Takes(0.2, 1.39, ""))
	assert.False(t, through.Takes(0.2, 0, ""), "without a scale nothing passes")
}

func TestBounds(t *testing.T) {
	for _, row := range []struct {
		b                  standards.Bound
		under, on, over    bool
		upper, includesOwn bool
	}{
		{standards.AtMost, true, true, false, true, true},
		{standards.Below, true, false, false, true, false},
		{standards.AtLeast, false, true, true, false, true},
		{standards.Above, false, false, true, false, false},
	} {
		assert.Equal(t, []bool{row.under, row.on, row.over}, []bool{row.b.Holds(24.9, 25), row.b.Holds(25, 25), row.b.Holds(25.1, 25)}, row.b)
		assert.Equal(t, []bool{row.upper, row.includesOwn}, []bool{row.b.Upper(), row.b.Inclusive()}, row.b)
	}
}

func TestGradeNames(t *testing.T) {
	for _, row := range []struct{ code, typed, want string }{
		{"us-long", "U.S. No. 2", "U.S. No. 2"},
		{"us-long", "us no 2", "U.S. No. 2"},
		{"us-long", "2", "U.S. No. 2"},
		{"thai-white", "5%", "5 %"},
		{"thai-white", "25 %", "25 %"},
		{"thai-white", "25% SUPER", "25 % super"},
		{"thai-white", "b", "100 % B"},
		{"trade", "5", "5 % broken"},
		{"ph", "premium", "Premium"},
	} {
		s := lookup(t, row.code)
		g, err := s.Grade(row.typed)
		require.NoError(t, err, row.typed)
		assert.Equal(t, row.want, s.Grades[g])
	}
	for _, typed := range []string{"", "%", "U.S.", "No. 7", "grade"} {
		_, err := lookup(t, "us-long").Grade(typed)
		require.NotNil(t, fault.Of(err), typed)
		assert.Contains(t, fault.Of(err).Hint, "U.S. No. 6")
	}
}

func TestUnknownStandardNamesTheNearest(t *testing.T) {
	for typed, near := range map[string]string{"us-lnog": "us-long", "thai-whte": "thai-white", "codx": "codex", "US-LONG": "us-long", "eu-longb": "eu-intervention-longb"} {
		_, err := standards.Lookup(typed)
		require.NotNil(t, fault.Of(err), typed)
		assert.Regexp(t, "^did you mean "+near+`[,?]`, fault.Of(err).Hint, typed)
	}
	_, err := standards.Lookup("zzzzzz")
	require.NotNil(t, fault.Of(err))
	assert.Regexp(t, "^'traytally standards list' shows all", fault.Of(err).Hint)
}

func TestTemplatesPassTheirOwnCheck(t *testing.T) {
	ed, problems := standards.Parse("contract.yaml", []byte(standards.Template))
	assert.Empty(t, problems)
	require.Len(t, ed.Variants, 1)
	all, err := standards.All()
	require.NoError(t, err)
	for _, s := range all {
		text, err := standards.TemplateFrom(s.Code)
		require.NoError(t, err)
		ed, problems := standards.Parse(s.Code, []byte(text))
		require.Empty(t, problems, s.Code)
		i := slices.IndexFunc(ed.Variants, func(v *standards.Standard) bool { return v.Code == s.Code })
		require.GreaterOrEqual(t, i, 0, s.Code)
		assert.Equal(t, "contract", ed.Variants[i].Status)
		assert.Equal(t, s.Grades, ed.Variants[i].Grades)
	}
	_, err = standards.TemplateFrom("nothing")
	assert.Error(t, err)
}

// One fault at a time in a sound contract, with the place and the way out it
// must be reported with.
func TestFaultsAreFoundAtTheirPlace(t *testing.T) {
	for name, row := range map[string]struct {
		old, new   string
		want, hint string
	}{
		"unknown key":    {"picture: decides", "pictur: decides", `c.yaml:42:5: unknown key "pictur"`, "did you mean picture"},
		"doubled key":    {"status: contract", "status: contract\nstatus: contract", `already defined`, ""},
		"too few limits": {"at_most: [5.0, 10.0]", "at_most: [5.0]", "c.yaml:44:14: 1 values for 2 grades", "one entry per grade"},
		"stricter when worse": {"at_most: [5.0, 10.0]", "at_most: [5.0, 4.0]",
			"c.yaml:44:20: broken kernels: 4 of grade second is stricter than 5 of the better grade first", "best to worst"},
		"fraction for percent": {"at_most: [5.0, 10.0]", "at_most: [0.05, 0.1]", "c.yaml:44:15: broken kernels: a limit of 0.05 %", "did you mean 5?"},
		"moisture a fraction":  {"at_most: 14.0", "at_most: 0.14", "moisture: a limit of 0.14 %", "did you mean 14?"},
		"over 100":             {"at_most: [5.0, 10.0]", "at_most: [5.0, 110]", "c.yaml:44:20: broken kernels: 110 % is more than all of it", "0 to 100"},
		"negative":             {"at_most: [5.0, 10.0]", "at_most: [-1, 10]", "c.yaml:44:15: broken kernels: a limit below zero", ""},
		"no number":            {"at_most: [5.0, 10.0]", "at_most: [five, 10]", `c.yaml:44:15: "five" stands where a number is wanted`, ""},
		"not finite":           {"at_most: [5.0, 10.0]", "at_most: [.nan, 10]", "c.yaml:44:15", ""},
		"gap between bands": {"at_most: [5.0, 10.0]", "at_most: [5.0, 10.0]\n    at_least: [~, 6.0]",
			"gap: broken kernels between 5 % and 6 % fits neither grade first nor grade second", "write above: 5 in grade second"},
		"overlap of bands": {"at_most: [5.0, 10.0]", "at_most: [5.0, 10.0]\n    above: [~, 4.0]",
			"overlap: broken kernels of 4 % fits both grade first and grade second", "write above: 5 in grade second"},
		"bands touch twice": {"at_most: [5.0, 10.0]", "at_most: [5.0, 10.0]\n    at_least: [~, 5.0]", "overlap: broken kernels of 5 %", "write above: 5"},
		"no room":           {"at_most: [5.0, 10.0]", "at_most: [5.0, 10.0]\n    above: [~, 12.0]", "cannot both hold", ""},
		"gap between sizes": {"{below: 0.75}", "{below: 0.7}",
			"gap: no size takes pieces of 0.7 to 0.75 of the reference length", "below: 0.5 beside from: 0.5"},
		"overlap of sizes":        {"{below: 0.75}", "{up_to: 0.75}", "overlap: both whole and broken take pieces of 0.75", "below: 0.5 beside from: 0.5"},
		"percent for length":      {"{below: 0.75}", "{below: 75}", "length 75 is no fraction of the reference length", "did you mean 0.75?"},
		"chalk in percent":        {"chalk_from: 0.5", "chalk_from: 50", "chalk_from 50 is no share of the surface", "did you mean 0.5?"},
		"unknown size":            {"sizes: [broken]", "sizes: [brokn]", `there is no size "brokn"`, ""},
		"unknown source":          {"source: contract\n    picture: decides", "source: letter\n    picture: decides", `there is no source "letter"`, "the sources are contract"},
		"unknown basis":           {"basis: mass\n    clause", "basis: weight\n    clause", `basis "weight" is not known`, "one of mass, count"},
		"bad code":                {"code: contract", "code: My Contract", "cannot be typed", "single hyphens"},
		"newer form":              {"schema: 1", "schema: 9", "schema 9 is not known", "newer than this program"},
		"no form":                 {"schema: 1", "schema: one", `"one" stands where a whole number is wanted`, ""},
		"anchor":                  {"[5.0, 10.0]", "&a [5.0, 10.0]", "anchors and aliases are not used here", "write the plain value out"},
		"tag":                     {"at_most: [5.0, 10.0]", "at_most: !list [5.0, 10.0]", "nor are tags", "write the plain value out"},
		"broken flow list":        {"[5.0, 10.0]", "[5.0, 10.0", "c.yaml:", ""},
		"no broken factor":        {"broken: broken", "broken: chalky", `no factor "chalky" with sizes`, "broken: CODE"},
		"rounding without digits": {"rounding: {mode: none}", "rounding: {mode: half_up, stage: result}", "rounding without digits", "digits: 1"},
		"grade twice":             {"grades: [first, second]", "grades: [first, first]", `grade "first" is given twice`, ""},
	} {
		t.Run(name, func(t *testing.T) {
			text := strings.Replace(standards.Template, row.old, row.new, 1)
			require.NotEqual(t, standards.Template, text, "the fault was not put in")
			ed, problems := standards.Parse("c.yaml", []byte(text))
			assert.True(t, ed == nil, "the fault was not found")
			require.NotEmpty(t, problems)
			assert.Contains(t, problems.Error(), row.want)
			assert.Contains(t, problems.Hint(), row.hint)
			assert.NotContains(t, problems.Error(), "\n", "one line")
		})
	}
	for name, data := range map[string][]byte{
		"empty": nil, "blank": []byte(" \n"), "binary": {0x89, 'P', 'N', 'G', 0}, "two documents": []byte("a: 1\n---\nb: 2\n"),
		"only comments": []byte("# nothing\n"), "too large": []byte(strings.Repeat("#", 1<<20+1)),
	} {
		ed, problems := standards.Parse("c.yaml", data)
		assert.True(t, ed == nil, name)
		assert.Len(t, problems, 1, name)
	}
}

// With one decimal kept, "up to 5.0" and "from 5.1" join.
func TestBandsJoinOnTheRoundingGrid(t *testing.T) {
	text := strings.Replace(standards.Template, "at_most: [5.0, 10.0]", "at_most: [5.0, 10.0]\n    at_least: [~, 5.1]", 1)
	_, problems := standards.Parse("c.yaml", []byte(text))
	assert.NotEmpty(t, problems, "unrounded figures fall between 5.0 and 5.1")
	text = strings.Replace(text, "rounding: {mode: none}", "rounding: {mode: half_up, stage: result, digits: 1}", 1)
	_, problems = standards.Parse("c.yaml", []byte(text))
	assert.Empty(t, problems)
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(standards.Template))
	eds, err := standards.Editions()
	require.NoError(f, err)
	for _, ed := range eds {
		f.Add(ed.Source)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		ed, problems := standards.Parse("f.yaml", data)
		if (ed == nil) != (len(problems) > 0) {
			t.Fatalf("edition %v with problems %v", ed, problems)
		}
		if ed == nil {
			return
		}
		for _, s := range ed.Variants {
			for g := range s.Grades {
				s.Limits(g)
				s.PartsOf(s.Broken(), g)
			}
		}
	})
}
