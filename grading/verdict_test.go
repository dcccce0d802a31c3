package grading

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading/standards"
	"traytally/vision/kernel"
)

func ptr[T any](x T) *T { return &x }

// fullUSSheet is a sheet with everything that the U.S. table asks beside what a
// picture decides, all of it within U.S. No. 1.
func fullUSSheet() *Sheet {
	return &Sheet{
		MoisturePct: ptr(13.0), OdourOK: ptr(true), Insects: ptr(standards.Whole(0)), InsectRefuse: ptr(false),
		ForeignMatterG: ptr(0.1), ForeignFromG: ptr(500.0),
		ByHand: map[string]HandValue{
			"chalky": {Number: 0.5}, "red_damaged": {Number: 0.2}, "damaged": {Number: 0.1},
			"seeds_heat_paddy": {Number: 1}, "heat_objectionable": {Number: 0},
			"broken_5plate": {Number: 0.01}, "broken_6plate": {Number: 0.05},
			"other_types": {Number: 0}, "other_types_whole": {Number: 0},
			"colour": {Word: "white or creamy"}, "milling": {Word: "well milled"},
		},
	}
}

func TestWordingIsNoStrongerThanWhatWasAssessed(t *testing.T) {
	s := heaped(heap{share: 3, length: 0.5})
	g := evaluate(t, s, "us-long", nil)
	assert.Equal(t, "U.S. No. 1", g.Grade)
	assert.Equal(t, "not better than U.S. No. 1", g.Result)
	assert.False(t, g.Complete)
	assert.Nil(t, g.NextGradeDistance)
	var missing []string
	for _, n := range g.NotAssessed {
		missing = append(missing, n.What)
	}
	assert.Contains(t, missing, "moisture")
	assert.Contains(t, missing, "chalky kernels")

	g = evaluate(t, s, "us-long", fullUSSheet())
	assert.Equal(t, "U.S. No. 1", g.Result)
	assert.True(t, g.Complete)
	assert.Empty(t, g.NotAssessed)

	assert.Equal(t, "nothing assessed is outside CXS 198", evaluate(t, s, "codex", nil).Result)
	assert.Equal(t, "outside CXS 198", evaluate(t, s, "codex", &Sheet{MoisturePct: ptr(15.5)}).Result)
	assert.Equal(t, "not better than grade 5 % broken", evaluate(t, s, "trade", nil).Result)
}

// Plates are for southern, sieves for western production (7 CFR 868.310): one
// set replaces the other.
func TestAlternativesReplaceEachOther(t *testing.T) {
	sheet := fullUSSheet()
	delete(sheet.ByHand, "broken_5plate")
	delete(sheet.ByHand, "broken_6plate")
	g := evaluate(t, heaped(), "us-long", sheet)
	assert.False(t, g.Complete)
	sheet.ByHand["broken_6sieve"] = HandValue{Number: 0.1}
	g = evaluate(t, heaped(), "us-long", sheet)
	assert.True(t, g.Complete, "%v", g.NotAssessed)
	sheet.ByHand["broken_6sieve"] = HandValue{Number: 0.2}
	assert.Equal(t, "U.S. No. 2", evaluate(t, heaped(), "us-long", sheet).Result)
}

func TestLimitingLineAndDistance(t *testing.T) {
	g := evaluate(t, heaped(heap{share: 9.3, length: 0.5}), "us-long", nil)
	assert.Equal(t, "not better than U.S. No. 3", g.Result)
	require.Len(t, g.Limiting, 1)
	l := g.Limiting[0]
	assert.Equal(t, "broken", l.Factor)
	assert.Equal(t, "U.S. No. 2", l.Grade)
	assert.Equal(t, "at most 7.0 %", l.LimitText)
	assert.Equal(t, "868.310, column 6", l.Clause)
	assert.False(t, l.FromMemory)
	assert.Equal(t, Fails, l.Verdict)
	require.NotNil(t, g.NextGradeDistance)
	assert.Equal(t, "U.S. No. 2", g.NextGradeDistance.Grade)
	assert.InDelta(t, -2.3, g.NextGradeDistance.Factors[0].By, 1e-4)
	require.NotNil(t, g.ClosestLimit)
	assert.Equal(t, "broken", g.ClosestLimit.Factor)
	assert.InDelta(t, 5.7, g.ClosestLimit.By, 1e-4)

	g = evaluate(t, heaped(heap{share: 60, length: 0.5}), "us-long", nil)
	assert.Equal(t, "U.S. Sample grade", g.Result)
	assert.Empty(t, g.Grade)
	assert.Equal(t, "U.S. No. 6", g.NextGradeDistance.Grade)
}

// A picture shows suspects of chalk only where the rule is a cut cross-section
// (Visual Reference of the U.S. inspection service).
func TestHintsDecideNothing(t *testing.T) {
	s := heaped(heap{share: 30, length: 1, chalk: 0.6})
	g := evaluate(t, s, "us-long", nil)
	assert.Equal(t, "U.S. No. 1", g.Grade)
	l := lineOf(t, g, "U.S. No. 1", "chalky")
	assert.Equal(t, Unassessed, l.Verdict)
	assert.InDelta(t, 30, *l.Value, 1e-3)
	assert.Contains(t, l.Note, "suspects")
	// Where the surface is the rule, the same kernels decide: 6 % in Thai 5 %.
	assert.Equal(t, Fails, lineOf(t, evaluate(t, s, "thai-white", nil), "5 %", "chalky").Verdict)
	// Three quarters of the surface (Codex, from memory): 0.6 is not chalky.
	assert.InDelta(t, 0, *lineOf(t, evaluate(t, s, "codex", nil), "CXS 198", "chalky").Value, 1e-9)
}

// What a picture sees of a factor in part can fail it and cannot pass it.
func TestPartFigures(t *testing.T) {
	g := evaluate(t, heaped(heap{share: 2, length: 1, flags: []kernel.Flag{kernel.Red}}), "us-long", nil)
	assert.Equal(t, "U.S. No. 3", g.Grade, "2.0 % passes the 1.5 % of No. 2, column 3")
	assert.Equal(t, Fails, lineOf(t, g, "U.S. No. 1", "red_damaged").Verdict)
	within := lineOf(t, g, "U.S. No. 4", "red_damaged")
	assert.Equal(t, Unassessed, within.Verdict)
	assert.Contains(t, within.Note, "seen in part, 2.00 %: damage visible from above")
	g = evaluate(t, heaped(heap{share: 2, length: 1, flags: []kernel.Flag{kernel.Red}}), "us-long",
		&Sheet{ByHand: map[string]HandValue{"red_damaged": {Number: 1.2}}})
	assert.Equal(t, Meets, lineOf(t, g, "U.S. No. 2", "red_damaged").Verdict, "weighed by hand comes before the picture")
}

// Paddy counted by hand in more rice than lies on the tray counts for a limit
// on seeds, heat damage and paddy together: it can break it and not keep it.
func TestPaddyByHandCountsWithTheSeeds(t *testing.T) {
	sheet := &Sheet{PaddyCount: ptr(standards.Whole(5)), PaddyFromG: ptr(500.0)}
	g := evaluate(t, heaped(), "us-long", sheet)
	assert.Equal(t, "U.S. No. 3", g.Grade, "5 in 500 g pass the 4 of No. 2 (7 CFR 868.310, column 1)")
	within := lineOf(t, g, "U.S. No. 3", "seeds_heat_paddy")
	assert.Equal(t, Unassessed, within.Verdict, "seeds were not counted")
	assert.Contains(t, within.Note, "seen in part, 5 per 500 g")
}

// Limits that only the sheet decides, inside, on and outside.
func TestSheetLimits(t *testing.T) {
	for _, row := range []struct {
		name, code, source string
		sheet              Sheet
		want               string
	}{
		{"moisture on", "us-long", "7 CFR 868.310, Sample grade over 15.0", Sheet{MoisturePct: ptr(15.0)}, "U.S. No. 1"},
		{"moisture rounded in", "us-long", "7 CFR 868.308(a)", Sheet{MoisturePct: ptr(15.04)}, "U.S. No. 1"},
		{"moisture out", "us-long", "7 CFR 868.310", Sheet{MoisturePct: ptr(15.05)}, ""},
		{"moisture on", "ph", "NFA SOP BR-PR04", Sheet{MoisturePct: ptr(14.0)}, "Premium"},
		{"moisture out", "ph", "NFA SOP BR-PR04", Sheet{MoisturePct: ptr(14.01)}, ""},
		{"moisture on", "codex", "CXS 198, 3.2.1", Sheet{MoisturePct: ptr(15.0)}, "CXS 198"},
		{"moisture out", "codex", "CXS 198, 3.2.1", Sheet{MoisturePct: ptr(15.01)}, ""},
		{"one insect", "us-long", "7 CFR 868.310 (f), two or more", Sheet{Insects: ptr(standards.Whole(1))}, "U.S. No. 1"},
		{"two dead insects", "us-long", "7 CFR 868.310 (f), live or dead", Sheet{LiveInsects: ptr(standards.Whole(0)), Insects: ptr(standards.Whole(2))}, ""},
		{"two live insects", "us-long", "7 CFR 868.310 (f), live or dead", Sheet{LiveInsects: ptr(standards.Whole(2))}, ""},
		{"two dead insects", "us-second-head", "7 CFR 868.311 (f)", Sheet{Insects: ptr(standards.Whole(2))}, ""},
		{"webbing", "us-brewers", "7 CFR 868.313 (h)", Sheet{InsectRefuse: ptr(true)}, ""},
		{"one insect", "codex", "CXS 198, 3.1.2, none", Sheet{LiveInsects: ptr(standards.Whole(1))}, ""},
		{"odour", "us-long", "7 CFR 868.310", Sheet{OdourOK: ptr(false)}, ""},
		{"no odour", "us-long", "7 CFR 868.310", Sheet{OdourOK: ptr(true)}, "U.S. No. 1"},
		{"foreign on", "us-long", "7 CFR 868.310, 0.1 %", Sheet{ForeignMatterG: ptr(0.5), ForeignFromG: ptr(500.0)}, "U.S. No. 1"},
		{"foreign rounded in", "us-long", "7 CFR 868.310, 0.1 %", Sheet{ForeignMatterG: ptr(0.7), ForeignFromG: ptr(500.0)}, "U.S. No. 1"},
		{"foreign out", "us-long", "7 CFR 868.310, 0.1 %", Sheet{ForeignMatterG: ptr(0.75), ForeignFromG: ptr(500.0)}, ""},
		{"foreign on", "ph", "NFA/PNS, 0.10 in Grade 1", Sheet{ForeignMatterG: ptr(0.1), SampleMassG: ptr(100.0)}, "Grade 1"},
		{"foreign by parts", "ph", "NFA/PNS, 0.20 in Grade 2", Sheet{ForeignOrganicG: ptr(0.1), ForeignInorganicG: ptr(0.1), SampleMassG: ptr(100.0)}, "Grade 2"},
		{"paddy on", "thai-white", "5 per kg in 100 % A", Sheet{PaddyCount: ptr(standards.Whole(5)), PaddyFromG: ptr(1000.0)}, "100 % A"},
		{"paddy out", "thai-white", "5 per kg in 100 % A", Sheet{PaddyCount: ptr(standards.Whole(6)), PaddyFromG: ptr(1000.0)}, "100 % B"},
		{"colour", "us-long", "7 CFR 868.310, column 12", Sheet{ByHand: map[string]HandValue{"colour": {Word: "light gray"}}}, "U.S. No. 3"},
		{"milling", "us-long", "7 CFR 868.310, column 13", Sheet{ByHand: map[string]HandValue{"milling": {Word: "reasonably well milled"}}}, "U.S. No. 3"},
		{"seeds on", "us-long", "7 CFR 868.310, column 1", Sheet{ByHand: map[string]HandValue{"seeds_heat_paddy": {Number: 4}}}, "U.S. No. 2"},
		{"seeds out", "us-long", "7 CFR 868.310, column 1", Sheet{ByHand: map[string]HandValue{"seeds_heat_paddy": {Number: 5}}}, "U.S. No. 3"},
		{"5 plate on", "us-long", "7 CFR 868.308(b), 0.01 %", Sheet{ByHand: map[string]HandValue{"broken_5plate": {Number: 0.044}}}, "U.S. No. 1"},
		{"5 plate out", "us-long", "7 CFR 868.308(b), 0.01 %", Sheet{ByHand: map[string]HandValue{"broken_5plate": {Number: 0.045}}}, "U.S. No. 2"},
		{"damaged in No. 6", "us-long", "7 CFR 868.310, note 6", Sheet{ByHand: map[string]HandValue{"red_damaged": {Number: 14}, "damaged": {Number: 6.1}}}, ""},
		{"amber on", "eu-intervention-longb", "(EU) 1272/2009, 0.5", Sheet{ByHand: map[string]HandValue{"amber": {Number: 0.504}}}, "intervention quality"},
		{"amber out", "eu-intervention-longb", "(EU) 1272/2009, 0.5", Sheet{ByHand: map[string]HandValue{"amber": {Number: 0.505}}}, ""},
	} {
		t.Run(row.code+"/"+row.name, func(t *testing.T) {
			assert.Equal(t, row.want, evaluate(t, heaped(), row.code, &row.sheet).Grade, row.source)
		})
	}
}

// A limit for a kilogram says little from a tray: 5 paddy per kg is 0.3 of a
// kernel in 58 g.
func TestCountsPerPortion(t *testing.T) {
	s := heaped(heap{share: 0.05, length: 1, flags: []kernel.Flag{kernel.Paddy}, n: 1})
	g := evaluate(t, s, "thai-white", nil)
	assert.Equal(t, "100 % A", g.Grade, "one paddy kernel on a tray proves nothing about a kilogram")
	l := lineOf(t, g, "100 % A", "paddy")
	assert.Equal(t, Unassessed, l.Verdict)
	assert.InDelta(t, 1000/58.0, *l.Value, 0.01, "40000 mm³ of rice at 1.45 g/cm³ are 58 g")
	assert.Contains(t, l.Note, "58.0 g of rice; the limit is for 1000 g")
	assert.Contains(t, g.NotAssessed, NotAssessed{"paddy", l.Note})

	many := heaped(heap{share: 1, length: 1, flags: []kernel.Flag{kernel.Paddy}, n: 40})
	assert.Equal(t, "below Thai 45 % white rice", evaluate(t, many, "thai-white", nil).Result, "40 in 58 g are 690 a kg")

	none := lineOf(t, evaluate(t, heaped(), "thai-white", nil), "100 % A", "paddy")
	assert.Equal(t, Unassessed, none.Verdict)
	assert.InDelta(t, 2.996*1000/58, *none.High, 0.1, "none in 58 g allows 52 a kg")
	weighed := evaluate(t, heaped(), "thai-white", &Sheet{SampleMassG: ptr(1000.0)})
	assert.Equal(t, Meets, lineOf(t, weighed, "100 % A", "paddy").Verdict, "none in 1 kg allows 3")

	s.MM = false
	assert.Contains(t, lineOf(t, evaluate(t, s, "thai-white", nil), "100 % A", "paddy").Note, "sample_mass_g")
}

// Exact 95 % limits of a Poisson count: 0 gives 3.00 (rule of three, one-sided),
// 1 gives 0.0253 to 5.572, 10 gives 4.795 to 18.390 (E.S. Pearson, H.O.
// Hartley, Biometrika Tables for Statisticians, Table 40; from memory).
func TestPoissonLimits(t *testing.T) {
	for _, row := range []struct {
		n         int
		low, high float64
	}{{0, 0, 2.996}, {1, 0.0253, 5.572}, {10, 4.795, 18.390}} {
		e := (&counted{row.n, 1000, 1000}).estimate(0.95)
		assert.InDelta(t, row.low, e.Low, 0.0005)
		assert.InDelta(t, row.high, e.High, 0.001)
	}
	e := (&counted{1, 250, 1000}).estimate(0.95)
	assert.InDelta(t, 4, e.Value, 1e-9)
	assert.InDelta(t, 4*5.572, e.High, 0.002)
}

func TestIntervalVerdicts(t *testing.T) {
	for _, row := range []struct {
		low, value, high float64
		bound            standards.Bound
		want             string
	}{
		{3, 4, 4.99, standards.AtMost, Meets}, {3, 4, 5, standards.AtMost, Meets}, {3, 4, 5.01, standards.AtMost, NotProven},
		{5, 6, 7, standards.AtMost, NotProven}, {5.01, 6, 7, standards.AtMost, Fails},
		{3, 4, 5, standards.Below, NotProven}, {5, 6, 7, standards.Below, Fails},
		{5, 6, 7, standards.AtLeast, Meets}, {4.9, 6, 7, standards.AtLeast, NotProven}, {3, 4, 4.9, standards.AtLeast, Fails}, {3, 4, 5, standards.AtLeast, NotProven},
		{5, 6, 7, standards.Above, NotProven}, {3, 4, 5, standards.Above, Fails}, {5.1, 6, 7, standards.Above, Meets},
	} {
		e := Estimate{row.value, row.low, row.high}
		assert.Equal(t, row.want, judge(e, standards.Limit{Bound: row.bound, Value: 5}), "%v %s 5", e, row.bound)
	}
	rounded := standards.Limit{Bound: standards.AtMost, Value: 5, Round: standards.Rule{Mode: "half_up", Digits: 1}}
	assert.Equal(t, Meets, judge(Estimate{4.5, 4, 5.049}, rounded))
	assert.Equal(t, NotProven, judge(Estimate{4.5, 4, 5.05}, rounded))
	assert.Equal(t, NotProven, judge(Estimate{5.5, 5.049, 6}, rounded))
	assert.Equal(t, Fails, judge(Estimate{5.5, 5.05, 6}, rounded))
}

func TestProvenAndNotExcluded(t *testing.T) {
	g := evaluate(t, heaped(heap{share: 7.2, length: 0.5}), "us-long", nil)
	assert.Equal(t, "U.S. No. 3", g.Grade)
	assert.Equal(t, "U.S. No. 2", g.NotExcluded, "7.2 %% from 2400 kernels does not exclude 7.0")
	assert.Equal(t, "U.S. No. 3", g.Proven)
}

// Without a scale the sieve classes are closed, and what needs no sieve is not.
func TestWithoutAScale(t *testing.T) {
	s := heaped(heap{share: 6, length: 0.5})
	s.MM = false
	g := evaluate(t, s, "ph", nil)
	assert.Equal(t, Unassessed, lineOf(t, g, "Grade 1", "broken").Verdict)
	assert.Contains(t, lineOf(t, g, "Grade 1", "broken").Note, "no scale")
	assert.Equal(t, Meets, lineOf(t, g, "Grade 1", "head").Verdict, "head rice needs no sieve")
	thai := evaluate(t, s, "thai-white", nil)
	assert.InDelta(t, 6, *lineOf(t, thai, "10 %", "broken").Value, 1e-3, "brokens and C1 together need no sieve")
	assert.Contains(t, lineOf(t, thai, "10 %", "long_class_1").Note, "no scale")
	assert.InDelta(t, 6, *lineOf(t, evaluate(t, heaped(heap{share: 6, length: 0.5, width: 1.2}), "ph", nil), "Grade 1", "brewers").Value, 1e-3)
}

// The EU has no three-quarter rule: 0.9 of a kernel with its end gone is
// broken there and whole in the U.S.
func TestEUGoesByTheEnds(t *testing.T) {
	s := heaped(heap{share: 10, length: 0.9}) // one end broken, as heaped makes them
	rows, err := Compare(s, []*standards.Standard{lookup(t, "us-long"), lookup(t, "eu-intervention-longb")})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.Equal(t, "under 0.75 of the whole-kernel length", rows[0].Definition)
	assert.InDelta(t, 0, rows[0].MassPct.Value, 1e-9)
	assert.Equal(t, "an end broken off, or under 0.5 of the whole-kernel length", rows[1].Definition)
	assert.InDelta(t, 10, rows[1].MassPct.Value, 1e-3)
	for i := range s.Pieces {
		s.Pieces[i].Ends = [2]kernel.End{}
	}
	rows, err = Compare(s, []*standards.Standard{lookup(t, "eu-intervention-longb")})
	require.NoError(t, err)
	assert.InDelta(t, 0, rows[0].MassPct.Value, 1e-9, "0.9 with hidden ends is taken as whole")
}

func TestCompareListsEveryDefinitionOnce(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	rows, err := Compare(heaped(heap{share: 5, length: 0.72}, heap{share: 4, length: 0.78}), all)
	require.NoError(t, err)
	byText := map[string]Comparison{}
	names := map[string]int{}
	for _, r := range rows {
		byText[r.Definition] = r
		for _, s := range r.Standards {
			names[strings.Fields(s)[0]]++
		}
	}
	assert.Len(t, byText, len(rows))
	for _, s := range all {
		assert.Positive(t, names[s.Code], s.Code)
	}
	usual := byText["under 0.75 of the whole-kernel length"]
	assert.InDelta(t, 5, usual.MassPct.Value, 1e-3)
	assert.False(t, usual.FromMemory, "the U.S. definition was read")
	assert.Contains(t, usual.Standards, "thai-white (5 %)")
	assert.InDelta(t, 9, byText["under 0.8 of the whole-kernel length, held on 1.4 mm"].MassPct.Value, 1e-3)
	assert.InDelta(t, 9, byText["under 0.8 of the whole-kernel length"].MassPct.Value, 1e-3, "Thai 100 %")
	assert.InDelta(t, 0, byText["under 0.7 of the whole-kernel length"].MassPct.Value, 1e-9)
}

// A kernel with several defects counts for the one whose maximum is lowest
// (ISO model document for rice, Annex A): heat damage 2.0 before damage 3.0
// before chalk 5.0.
func TestOneDefectPerKernel(t *testing.T) {
	both := []kernel.Flag{kernel.Yellow, kernel.Damaged}
	s := heaped(heap{share: 1, length: 1, flags: both, chalk: 0.9}, heap{share: 1.5, length: 1, chalk: 0.9})
	g := evaluate(t, s, "iso-7301", nil)
	assert.InDelta(t, 1, *lineOf(t, g, "ISO 7301 model", "heat_damaged").Value, 1e-3)
	assert.InDelta(t, 0, *lineOf(t, g, "ISO 7301 model", "damaged").Value, 1e-9)
	assert.InDelta(t, 1.5, *lineOf(t, g, "ISO 7301 model", "chalky").Value, 1e-3)
	assert.InDelta(t, 2.5, *lineOf(t, evaluate(t, s, "codex", nil), "CXS 198", "chalky").Value, 1e-3, "Codex has no such rule")
}

func TestNotes(t *testing.T) {
	note := func(code string, sheet *Sheet, s *Sample) string {
		return strings.Join(evaluate(t, s, code, sheet).Notes, "\n")
	}
	assert.Contains(t, note("trade", &Sheet{MoisturePct: ptr(14.5)}, heaped()), "wet grain is crushed")
	assert.Contains(t, note("trade", &Sheet{MoisturePct: ptr(11.5)}, heaped()), "dry grain cracks")
	for _, m := range []float64{12, 13, 14} {
		assert.NotContains(t, note("trade", &Sheet{MoisturePct: ptr(m)}, heaped()), "moisture")
	}
	// 7.2 by 2.1 mm is 3.4 times as long as wide: long grain.
	assert.NotContains(t, note("us-long", nil, heaped()), "wrong standard")
	assert.Contains(t, note("us-medium", nil, heaped()), "us-medium may be the wrong standard: whole kernels are 3.4 times as long as wide, it is for 2 to 2.9 (from memory)")
	assert.Contains(t, note("eu-intervention-round", nil, heaped()), "whole kernels are 7.2 mm long")
	few := heaped()
	few.Reference.N = 120
	assert.Contains(t, note("iso-7301", nil, few), "about 120 kernels, the standard asks for 200")
}

func TestFlagsThePictureDoesNotShow(t *testing.T) {
	s := heaped(heap{share: 5, length: 1, flags: []kernel.Flag{kernel.Yellow}})
	s.Params.NotAssessed = []kernel.Flag{kernel.Yellow}
	l := lineOf(t, evaluate(t, s, "thai-white", nil), "5 %", "yellow")
	assert.Equal(t, Unassessed, l.Verdict)
	assert.Nil(t, l.Value)
	assert.Equal(t, "this picture does not show it", l.Note)
}

func TestNothingAssessed(t *testing.T) {
	g := evaluate(t, heaped(), "us-brewers", nil)
	assert.Equal(t, "U.S. brewers milled rice", g.Title)
	std, problems := standards.Parse("c.yaml", []byte(strings.Replace(strings.Replace(standards.Template, "at_most: [5.0, 10.0]", "", 1), "at_most: [6.0, 8.0]", "", 1)))
	require.Empty(t, problems)
	g, err := Evaluate(heaped(), std.Variants[0], nil)
	require.NoError(t, err)
	assert.Equal(t, "not assessed", g.Result, "only the moisture has a limit, and there is no sheet")
	assert.Empty(t, g.Proven)
}

// The JSON has the documented keys, and no figure is invented for what was not
// assessed.
func TestGradeJSON(t *testing.T) {
	data, err := json.Marshal(evaluate(t, heaped(heap{share: 9.3, length: 0.5}), "us-long", &Sheet{MoisturePct: ptr(13.0)}))
	require.NoError(t, err)
	var got map[string]any
	require.NoError(t, json.Unmarshal(data, &got))
	for _, key := range []string{"standard", "edition", "result", "grade", "complete", "limiting", "lines", "next_grade_distance", "not_assessed", "notes", "sheet"} {
		assert.Contains(t, got, key)
	}
	for _, l := range got["lines"].([]any) {
		line := l.(map[string]any)
		for _, key := range []string{"grade", "limit", "clause", "value", "low", "high", "limit_value", "verdict", "from_memory"} {
			assert.Contains(t, line, key)
		}
		if line["from"] == "" {
			assert.Nil(t, line["value"], line["limit"])
		}
		assert.Contains(t, []any{Meets, Fails, NotProven, Unassessed}, line["verdict"])
	}
	assert.NotContains(t, string(data), "null,\"not_assessed\"")
}

func TestSizesAddUpToAllOfIt(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	s := heaped(heap{share: 11, length: 0.72}, heap{share: 7, length: 0.55, width: 1.3}, heap{share: 3, length: 0.3, width: 1.6}, heap{share: 2, length: 0.1, width: 0.9})
	for _, std := range all {
		a, err := newAssessor(s, std, nil)
		require.NoError(t, err)
		for g := range std.Grades {
			sum := 0.0
			for _, part := range std.Ladder(g) {
				mass, _ := s.Shares(func(p *Piece, ratio float64) bool { return part.Takes(ratio, a.sieve(p), ends(p)) })
				sum += mass.Value
			}
			assert.InDelta(t, 100, sum, 1e-6, "%s, %s", std.Code, std.Grades[g])
		}
	}
}

// randomSample draws pieces without defects.
func randomSample(t *rapid.T) *Sample {
	s := heaped()
	n := rapid.IntRange(20, 80).Draw(t, "pieces")
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	broken := rapid.Float64Range(0, 0.6).Draw(t, "broken")
	s.Pieces = nil
	for range n {
		ratio := 1 + 0.045*rng.NormFloat64()
		if rng.Float64() < broken {
			ratio = 0.1 + 0.8*rng.Float64()
		}
		s.Pieces = append(s.Pieces, Piece{
			Length: ratio * 7.2, Axis: ratio * 7.2, Width: 2.1, Area: 11 * ratio, Mass: 17 * ratio * (0.8 + 0.4*rng.Float64()),
			Ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact},
		})
	}
	return s
}

// The longest kernel is broken in place of being whole, its mass kept: a piece
// that comes on top would dilute what else is limited, such as crumbs, and one
// whole kernel fewer of another length would change the mix of lengths.
func TestOneMoreBrokenNeverImprovesTheGrade(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		s := randomSample(t)
		std := rapid.SampledFrom(all).Draw(t, "standard")
		if strings.HasPrefix(std.Code, "us-second") || strings.HasPrefix(std.Code, "us-screen") || strings.HasPrefix(std.Code, "us-brew") {
			t.Skip("classes of broken rice: they limit the whole kernels")
		}
		before, err := Evaluate(s, std, nil)
		if err != nil {
			t.Fatal(err)
		}
		more := *s
		more.Pieces = slices.Clone(s.Pieces)
		longest := 0
		for i := range s.Pieces {
			if s.Pieces[i].Length > s.Pieces[longest].Length {
				longest = i
			}
		}
		// Shorter than every cut and not a crumb, one end broken.
		broken := &more.Pieces[longest]
		broken.Length, broken.Axis = 0.45*7.2, 0.45*7.2
		broken.Ends = [2]kernel.End{kernel.EndIntact, kernel.EndBroken}
		after, err := Evaluate(&more, std, nil)
		if err != nil {
			t.Fatal(err)
		}
		rank := func(g *Grade) int {
			if i := slices.Index(std.Grades, g.Grade); i >= 0 {
				return i
			}
			return len(std.Grades)
		}
		if rank(after) < rank(before) {
			t.Fatalf("%s: %s became %s", std.Code, before.Result, after.Result)
		}
	})
}

func TestOrderOfKernelsNeverMatters(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		s := randomSample(t)
		std := rapid.SampledFrom(all).Draw(t, "standard")
		before, err := Evaluate(s, std, nil)
		if err != nil {
			t.Fatal(err)
		}
		mixed := *s
		mixed.Pieces = slices.Clone(s.Pieces)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "shuffle"), 2)).Shuffle(len(mixed.Pieces), func(i, j int) {
			mixed.Pieces[i], mixed.Pieces[j] = mixed.Pieces[j], mixed.Pieces[i]
		})
		after, err := Evaluate(&mixed, std, nil)
		if err != nil {
			t.Fatal(err)
		}
		a, _ := json.Marshal(before)
		b, _ := json.Marshal(after)
		if string(a) != string(b) {
			t.Fatalf("%s\n%s", a, b)
		}
	})
}

// The flags of the data files are those of the kernels.
func TestStandardsKnowTheFlags(t *testing.T) {
	want := []string{string(kernel.Foreign)}
	for _, f := range flagOrder {
		if f != kernel.Odd { // no standard has a limit for what has no name
			want = append(want, string(f))
		}
	}
	assert.ElementsMatch(t, want, standards.PieceFlags)
	for _, f := range standards.SheetFields {
		for _, own := range sheetFieldsOf(f) {
			assert.Contains(t, sheetFields(), own)
		}
	}
}
