package report

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"strings"
	"unicode"

	"golang.org/x/text/width"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/samples/words"
)

// A first is the first page of a report, which is complete by itself on one A4
// page, to be signed: what does not fit stands in the long report.
type first struct {
	Because  []string
	Facts    []fact
	Cut      bool // a fact was shortened
	Limits   []limitRow
	Key      string // of their marks
	Unlisted string // how many limits the page leaves out
	left     int
	Shares   []shareRow
	Notes    []pair // doubts, what was not assessed, and the caution
	Seal     string
}

// How much of a text the first page takes, in letters of usual width; our own
// choice. Where the longest that a record may hold would leave fewer than
// leastLimits rows of limits, it takes less (TestFirstPageIsOnePage).
const (
	mostFact    = 40  // a fact, of up to 120
	mostNote    = 170 // what people noted, doubts, what was not assessed
	mostWhy     = 110 // what keeps the sample out of a better grade
	mostCell    = 60  // a cell of the limits
	mostReasons = 2   // of what keeps it out; the limits say the others too
	mostRows    = 9   // of the table of shares
	leastLimits = 4
	leastRows   = 6   // of the shares, beside the least picture
	leastNote   = 110 // a line
	leastFact   = 34  // two lines
)

// letters is the width of a text in widths of a usual Latin letter: one of the
// Far East takes two, a capital one and a half, a mark none.
func letters(s string) int {
	halves := 0
	for _, r := range s {
		switch k := width.LookupRune(r).Kind(); {
		case unicode.In(r, unicode.Mn, unicode.Me):
		case k == width.EastAsianWide || k == width.EastAsianFullwidth:
			halves += 4
		case unicode.IsUpper(r):
			halves += 3
		default:
			halves += 2
		}
	}
	return (halves + 1) / 2
}

// cut shortens a text to so many letters, and reports whether it did.
func cut(s string, most int) (string, bool) {
	s = strings.Join(strings.Fields(s), " ")
	if letters(s) <= most {
		return s, false
	}
	// More runes are never narrower: the most that fit are found by halving.
	r := []rune(s)
	short := func(n int) string { return strings.TrimRight(string(r[:n]), " ,;.:(") + "…" }
	return short(sort.Search(len(r), func(n int) bool { return letters(short(n+1)) > most })), true
}

// linesHigh is how high a text stands in a column w mm wide, at a size in points,
// mm. A usual letter is 0.53 of the size wide: about that of English in Noto Sans, which
// is wider than the report's other fonts.
func linesHigh(s string, w, size float64) float64 {
	mm := size * chart.MMPerPt
	return math.Ceil(float64(letters(s))*mm*0.53/w) * mm * 1.42
}

// Heights on the first page, mm, as report.css and pages.go have them, whichever is
// higher.
const (
	sheetHigh   = pageH - 14 - 16 // between the margins of the page
	headHigh    = 16
	titleHigh   = 9 // of a section
	theadHigh   = 6
	shareHigh   = 5.6 // of a row of shares
	signHigh    = 19
	pictureHigh = 40
	spareHigh   = 3 // for fonts that are wider
)

// front fills in the first page from the rest of the view.
func (v *view) front() {
	for _, part := range []float64{1, 0.8, 0.6, 0.45} { // of the texts
		v.First = first{}
		if v.First.fill(v, part); len(v.First.Limits) >= leastLimits || v.First.left == 0 {
			break
		}
	}
}

// fill takes the given part of the lengths of texts. What people changed always
// stands on the page.
func (f *first) fill(v *view, part float64) {
	most := func(letters int) int { return int(float64(letters) * part) }
	f.Because = slices.Clone(v.Because)
	n := v.changes + max(most(mostReasons), 1)
	if most(mostReasons) == 0 && v.changes > 0 { // the table of limits says them too
		f.Because = f.Because[:v.changes]
	} else if len(f.Because) > n {
		f.Because = append(f.Because[:n], v.T("and %d more reasons", len(f.Because)-n))
	}
	for i, b := range f.Because {
		if i >= v.changes { // figures as measured stay whole
			f.Because[i], _ = cut(b, most(mostWhy))
		}
	}
	for _, p := range v.Facts {
		n := max(leastFact, most(mostFact))
		if p.Wide {
			n = most(mostNote)
		}
		var short bool
		p.Text, short = cut(p.Text, n)
		f.Facts, f.Cut = append(f.Facts, p), f.Cut || short
	}
	f.shares(v, max(leastRows, most(mostRows)))
	note := func(label string, texts []string) {
		if len(texts) > 0 {
			text, _ := cut(strings.Join(texts, "; "), max(leastNote, most(mostNote)))
			f.Notes = append(f.Notes, pair{label, text})
		}
	}
	note(v.T("To bear in mind"), v.Doubts)
	var missing []string
	for _, m := range v.Missing {
		missing = append(missing, m.What)
	}
	note(v.T("Not assessed"), missing)
	f.Notes = append(f.Notes, pair{v.T("Caution"), v.Caution[0]})
	f.Seal = v.T("in no register: the audit trail does not seal this report")
	if n := len(v.in.History); n > 0 {
		last := v.in.History[n-1]
		actor, _ := cut(Visible(last.Actor), mostFact)
		f.Seal = v.T("Entry no. %d of the audit trail, %s, by %s; seal %s", int(last.Seq), v.DateTime(last.At), actor, short(last.Hash))
	}
	for i, p := range v.rec.Pictures[:min(2, len(v.rec.Pictures))] { // sums of others stand in the long report
		f.Seal += " · " + v.T("Picture %d", i+1) + " " + short(p.SHA256)
	}
	f.limits(v, sheetHigh-f.high(v))
}

// short is the beginning of a check sum, enough to find it by.
func short(sum string) string { return sum[:min(16, len(sum))] }

// shares takes the classes and, of the flags, the greatest.
func (f *first) shares(v *view, rows int) {
	var flags []int
	for i, s := range v.res.Shares {
		if s.Kind == grading.KindClass {
			f.Shares = append(f.Shares, v.Shares[i])
		} else if s.Found > 0 {
			flags = append(flags, i)
		}
	}
	if most := max(0, rows-len(f.Shares)); len(flags) > most {
		slices.SortStableFunc(flags, func(a, b int) int { return cmp.Compare(v.res.Shares[b].MassPct.Value, v.res.Shares[a].MassPct.Value) })
		flags = slices.Sorted(slices.Values(flags[:most]))
	}
	for _, i := range flags {
		f.Shares = append(f.Shares, v.Shares[i])
	}
}

// high is how high the page stands without rows of limits.
func (f *first) high(v *view) float64 {
	const right = 98.0 // of the verdict
	said := linesHigh(v.Under, right, 7.5) + linesHigh(v.Outcome, right, 16) + linesHigh(v.Standing, right, 9) + linesHigh(v.T(noGrade), right, 9) + 4
	for _, b := range f.Because {
		said += linesHigh(b, right, 9) + 0.6
	}
	const pads, scale = 8, 13 // around the verdict, and of the scale with the limits
	h := headHigh + max(0, linesHigh(v.Code, 80, codeSize(v.Code))-8) + pads + max(30, said) + scale + spareHigh
	if v.Note() != "" {
		h += 4
	}
	most := 0.0
	for i, p := range f.Facts {
		if p.Wide {
			h += most + 5 + linesHigh(p.Text, textW, 8)
			most = 0
			continue
		}
		most = max(most, 5+linesHigh(p.Text, 33, 8))
		if i%5 == 4 {
			h, most = h+most, 0
		}
	}
	h += most
	h += titleHigh + max(pictureHigh, theadHigh+shareHigh*float64(len(f.Shares)))
	for _, p := range f.Notes {
		h += linesHigh(p.Text, textW-36, 6.6) + 0.6
	}
	return h + signHigh + linesHigh(f.Seal, textW, 7.5)
}

// codeSize is the size of the sample's code, points: a long one is smaller, so that
// it takes no more than two lines.
func codeSize(code string) float64 {
	if letters(code) > 24 {
		return 9
	}
	return 15
}

// noGrade stands beside every verdict.
var noGrade = words.Key("Screening aid from a picture; no official grade. See “Caution”.")

// limits takes what fits into so many mm: first what speaks against the sample,
// then what is open, then what holds. What nobody assessed stands in Notes.
func (f *first) limits(v *view, room float64) {
	ranks := []string{grading.Fails, grading.ByHand, grading.NotProven, grading.Meets}
	var order []int
	for i := range v.Limits {
		if slices.Contains(ranks, v.Limits[i].Verdict.Code) {
			order = append(order, i)
		}
	}
	told := len(order)
	rank := func(i int) int {
		if l := &v.Limits[i]; !l.Limiting {
			return 1 + slices.Index(ranks, l.Verdict.Code)
		}
		return 0
	}
	slices.SortStableFunc(order, func(a, b int) int { return rank(a) - rank(b) })
	all := make([]limitRow, len(order))
	for n, i := range order {
		all[n] = v.Limits[i]
	}
	room -= titleHigh + theadHigh + linesHigh(v.verdictKey(all...), textW, 7.5) + 6
	kept := map[int]limitRow{}
	for _, i := range order {
		l := v.Limits[i]
		l.Factor, l.Clause = l.Factor+l.Mark, "" // of the limit that is marked; clauses stand in the long report
		for _, text := range []*string{&l.Grade, &l.Factor, &l.Limit} {
			*text, _ = cut(*text, mostCell)
		}
		if l.Note, _ = cut(l.Note, mostCell); rank(i) > 2 {
			l.Note = ""
		}
		h := 1.8 + max(linesHigh(l.Factor, limitWidths[1]-3, 8.5), linesHigh(l.Grade, limitWidths[0]-3, 8.5), linesHigh(l.Limit, limitWidths[2]-3, 8.5))
		h += linesHigh(l.Note, limitWidths[1]-3, 7)
		if room -= h; room < 0 && len(kept) > 0 {
			break
		}
		kept[i] = l
	}
	for i := range v.Limits {
		if l, ok := kept[i]; ok {
			f.Limits = append(f.Limits, l)
		}
	}
	f.Key = v.verdictKey(f.Limits...)
	f.Unlisted = v.Unlisted
	if f.left = told - len(kept); f.left > 0 {
		f.Unlisted = v.T("%d more limits are in the long report.", f.left)
	}
}

// limitWidths are the widths of the columns of the table of limits, mm.
var limitWidths = []float64{24, 58, 33, 20, 22, 25}
