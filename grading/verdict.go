package grading

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"traytally/grading/standards"
)

// What a line's interval says of its limit, beside Meets and NotProven.
const (
	Fails = "fails" // the whole interval is on the wrong side of the limit
	// ByHand: the whole interval is on the wrong side, of a limit that cannot
	// contradict by itself (see Line.ByHand).
	ByHand     = "by_hand"
	Unassessed = "not_assessed" // neither the pictures nor the sample sheet decide it
)

// A Line is one limit of one grade with what was found.
type Line struct {
	Grade  string `json:"grade"`
	Factor string `json:"factor"` // code
	Limit  string `json:"limit"`  // what is limited, in words
	// Bound is at_most, below, at_least or above; LimitValue and Value are in
	// Unit, on Basis. For a factor judged in words they are positions in its
	// list, and LimitText and ValueText hold the words.
	Bound      standards.Bound `json:"bound"`
	LimitValue float64         `json:"limit_value"`
	LimitText  string          `json:"limit_text"`
	Unit       string          `json:"unit"`
	Basis      standards.Basis `json:"basis"`
	Clause     string          `json:"clause"`
	Source     string          `json:"source"`
	// Mark is how far the limit was read; FromMemory is the worst of it, under
	// the name that older records have.
	Mark       standards.Mark `json:"mark"`
	FromMemory bool           `json:"from_memory"`
	// Value is unrounded by the standard's rule; null where nothing is known.
	Value     *float64 `json:"value"`
	Low       *float64 `json:"low"`
	High      *float64 `json:"high"`
	ValueText string   `json:"value_text"`
	// Compared is Value after the standard's rounding: what is held against
	// LimitValue.
	Compared *float64 `json:"compared"`
	Verdict  string   `json:"verdict"` // Meets, Fails, NotProven, ByHand or Unassessed
	From     string   `json:"from"`    // FromPicture, FromSheet or empty
	Note     string   `json:"note"`    // why not assessed, or what to bear in mind

	limit   standards.Limit
	figure  figure
	decides bool // the point value takes part in finding the grade
	spared  bool // another factor does its work
}

// breaks reports whether the point value is on the wrong side.
func (l *Line) breaks() bool {
	return l.decides && !l.limit.Bound.Holds(*l.Compared, l.LimitValue)
}

// A Distance is how far the figures are from a grade.
type Distance struct {
	Grade   string `json:"grade"`
	Factors []Step `json:"factors"`
}

// A Step is how much one figure must fall or rise to come within a limit.
type Step struct {
	Factor     string  `json:"factor"`
	Name       string  `json:"name"`
	Value      float64 `json:"value"`
	LimitValue float64 `json:"limit_value"`
	By         float64 `json:"by"` // limit minus value: below zero where the figure must fall
	Unit       string  `json:"unit"`
}

// A Judge is the standard that a sample was held against.
type Judge struct {
	Standard string `json:"standard"` // code
	Title    string `json:"title"`
	Edition  string `json:"edition"`
	Status   string `json:"status"` // published, model, practice or contract
}

func judgeOf(std *standards.Standard) Judge {
	return Judge{std.Code, std.Title, std.Edition, std.Status}
}

// Remarks are what goes with every outcome.
type Remarks struct {
	NotAssessed []NotAssessed `json:"not_assessed"`
	Notes       []string      `json:"notes"`
	Caution     string        `json:"caution"`
	Sheet       *Sheet        `json:"sheet"` // the sample sheet used, null without one
}

// remarks are those on an outcome by the lines of one grade.
func (a *assessor) remarks(lines []Line) Remarks {
	return Remarks{unassessed(a.std, lines), a.notes(), a.std.Caution, a.sheet}
}

// A Grade is the outcome of one standard on one sample.
type Grade struct {
	Judge
	// Result is the outcome in the words that can be stood by: "not better than
	// U.S. No. 2" as long as a factor is not assessed.
	Result string `json:"result"`
	// Grade is the best grade whose assessed limits all hold by point value;
	// empty where none does, or where nothing could be assessed.
	Grade string `json:"grade"`
	// Mark is the least read of the limits that Result rests on: those assessed in
	// the grade found, and those that keep the sample out of the next better one.
	Mark standards.Mark `json:"mark"`
	// Complete reports that every factor of Grade was assessed.
	Complete bool `json:"complete"`
	// Proven is the best grade whose assessed limits all hold over the whole
	// interval; NotExcluded the best that no interval rules out. Either may be
	// empty.
	Proven            string    `json:"proven"`
	NotExcluded       string    `json:"not_excluded"`
	Limiting          []Line    `json:"limiting"` // what keeps it out of the next better grade
	NextGradeDistance *Distance `json:"next_grade_distance"`
	ClosestLimit      *Step     `json:"closest_limit"` // of Grade: the first to be passed
	Lines             []Line    `json:"lines"`         // every limit of every grade, best grade first
	Remarks
}

// Evaluate judges the sample by a standard. sheet may be nil.
//
// The grade is the best one whose assessed limits all hold by point value
// after the standard's rounding. Every line also carries what its 95 %
// interval proves, with both ends rounded in the same way. A number per
// kilogram counts by point value only where a kilogram was looked at; from
// less rice it counts where its whole interval is beyond the limit. The error
// is a *fault.Error where the sheet holds a figure the standard has no use for.
func Evaluate(s *Sample, std *standards.Standard, sheet *Sheet) (*Grade, error) {
	a, err := newAssessor(s, std, sheet)
	if err != nil {
		return nil, err
	}
	out := &Grade{Judge: judgeOf(std), Limiting: []Line{}}
	byGrade := make([][]Line, len(std.Grades))
	grade, proven, notExcluded := -1, -1, -1
	assessed := false
	for g := range std.Grades {
		lines := a.lines(g, confidence)
		byGrade[g] = lines
		out.Lines = append(out.Lines, lines...)
		broken, failing, open := false, false, false
		for i := range lines {
			l := &lines[i]
			assessed = assessed || l.decides
			broken = broken || l.breaks() || !l.decides && l.Verdict == Fails
			failing = failing || l.Verdict == Fails
			open = open || l.Verdict == NotProven || l.Verdict == ByHand
		}
		if grade < 0 && !broken {
			grade = g
		}
		if notExcluded < 0 && !failing {
			notExcluded = g
		}
		if proven < 0 && !failing && !open {
			proven = g
		}
	}
	if proven >= 0 && assessed {
		out.Proven = std.Grades[proven]
	}
	if notExcluded >= 0 && assessed {
		out.NotExcluded = std.Grades[notExcluded]
	}
	shown := len(std.Grades) - 1
	switch {
	case !assessed:
		out.Result = "not assessed"
	case grade < 0:
		out.Result = std.BelowAll
		out.blockedBy(byGrade[shown])
	default:
		shown = grade
		out.Grade = std.Grades[grade]
		if grade > 0 {
			out.blockedBy(byGrade[grade-1])
		}
		out.ClosestLimit = closest(byGrade[grade])
	}
	for _, l := range append(slices.Clone(byGrade[shown]), out.Limiting...) {
		if l.decides || l.Verdict == Fails {
			out.Mark = out.Mark.Worse(l.Mark)
		}
	}
	out.Remarks = a.remarks(byGrade[shown])
	out.Complete = out.Grade != "" && len(out.NotAssessed) == 0
	if out.Grade != "" {
		out.Result = wording(std, out.Grade, out.Complete)
	}
	return out, nil
}

// Headline is Result with the mark of the limits that it rests on, where one of
// them was not read in its text.
func (g *Grade) Headline() string {
	if m := g.Mark.String(); m != "" && g.Result != "not assessed" {
		return g.Result + " (by limits in part " + m + ")"
	}
	return g.Result
}

// wording is what can be said of a lot whose assessed limits hold.
func wording(std *standards.Standard, grade string, complete bool) string {
	switch single := len(std.Grades) == 1; {
	case single && complete:
		return "within " + grade
	case single:
		return "nothing assessed is outside " + grade
	case complete:
		return spoken(grade)
	}
	return "not better than " + spoken(grade)
}

// spoken is a grade's name within a sentence: "5 %" alone reads as a figure.
func spoken(grade string) string {
	if grade != "" && grade[0] >= '0' && grade[0] <= '9' {
		return "grade " + grade
	}
	return grade
}

// lines judges every limit of the grade with index g.
func (a *assessor) lines(g int, level float64) []Line {
	limits := a.std.Limits(g)
	lines := make([]Line, 0, len(limits))
	for _, lim := range limits {
		lines = append(lines, a.line(lim, level))
	}
	for i := range lines {
		l := &lines[i]
		if l.Verdict != Unassessed || l.decides {
			continue
		}
		for _, other := range lines {
			if other.decides && slices.Contains(l.limit.Factor.Unless, other.Factor) {
				l.spared = true
				l.Note = "not asked for: " + other.Limit + " does its work"
			}
		}
	}
	return lines
}

func (a *assessor) line(lim standards.Limit, level float64) Line {
	f := lim.Factor
	l := Line{
		Grade: lim.Grade, Factor: f.Code, Limit: f.Name,
		Bound: lim.Bound, LimitValue: lim.Value, Unit: lim.Unit, Basis: lim.Basis,
		Clause: lim.Clause, Source: sourceText(lim.Source), Mark: lim.Mark, FromMemory: lim.Mark == standards.FromMemory,
		limit: lim, Verdict: Unassessed,
	}
	l.LimitText = limitText(lim)
	l.figure = a.figure(f, lim.GradeIndex)
	fig := &l.figure
	l.From, l.Note = fig.from, fig.note
	if !fig.known {
		l.Note = fig.why
		return l
	}
	e := fig.at(level)
	l.Value, l.Low, l.High = new(round(e.Value, 4)), new(round(e.Low, 4)), new(round(e.High, 4))
	l.Compared = new(round(lim.Round.Round(e.Value), 9))
	l.ValueText = valueText(f, e.Value)
	if fig.hint {
		l.Note = fmt.Sprintf("suspects only, %s: %s", l.ValueText, fig.note)
		return l
	}
	l.settle(judge(e, lim))
	return l
}

// settle takes over what an interval says of the limit, as far as the figure
// carries it: a count in less rice than the limit is for, and a figure that can be
// greater than it looks, can speak against a lot and not for it.
func (l *Line) settle(verdict string) {
	fig := &l.figure
	l.Note = fig.note
	if verdict == Fails && l.byHand() != "" {
		verdict = ByHand
		l.Note = join(l.Note, l.byHand())
	}
	against := verdict == Fails || verdict == ByHand
	l.Verdict, l.decides = verdict, true
	if c := fig.counted; c != nil && !c.enough() {
		l.decides = false
		if !against {
			l.Verdict = Unassessed
		}
		l.Note = join(l.Note, fmt.Sprintf("found %d in %s of rice; the limit is for %g g", c.n, gramsText(c.grams), c.portionG))
	}
	if fig.partial && !against && !l.breaks() {
		// More can be there than the picture shows.
		l.Verdict, l.decides = Unassessed, false
		l.Note = l.inPart()
	}
}

// byHand says what to look up or do by hand before anybody is contradicted by l;
// empty where it can contradict by itself.
func (l *Line) byHand() string {
	switch {
	case l.Mark == standards.FromMemory:
		return "look the limit up in the printed standard"
	case l.limit.Sieved && l.From == FromPicture:
		return "outlines stood in for a sieve; sieve it by hand"
	}
	return ""
}

// inPart is the note on a figure that a picture shows in part.
func (l *Line) inPart() string {
	return fmt.Sprintf("seen in part, %s: %s", l.ValueText, l.figure.note)
}

// judge returns Meets, Fails or NotProven for an estimate against a limit,
// with the interval's ends rounded as the standard rounds its figures.
func judge(e Estimate, l standards.Limit) string {
	bad, good := e.Low, e.High // the ends that must fail, and must hold
	if !l.Bound.Upper() {
		bad, good = e.High, e.Low
	}
	switch {
	case l.Bound.Holds(l.Round.Round(good), l.Value):
		return Meets
	case !l.Bound.Holds(l.Round.Round(bad), l.Value):
		return Fails
	}
	return NotProven
}

func (g *Grade) blockedBy(lines []Line) {
	d := &Distance{Grade: lines[0].Grade}
	for i := range lines {
		l := &lines[i]
		if !l.breaks() && (l.decides || l.Verdict != Fails) {
			continue
		}
		g.Limiting = append(g.Limiting, *l)
		d.Factors = append(d.Factors, step(l))
	}
	g.NextGradeDistance = d
}

func step(l *Line) Step {
	return Step{l.Factor, l.Limit, *l.Value, l.LimitValue, round(l.LimitValue-*l.Value, 4), l.Unit}
}

// closest returns the percentage of the grade that is nearest to its limit, in
// points; a limit of zero or one stated in words does not take part.
func closest(lines []Line) *Step {
	var best *Step
	for i := range lines {
		l := &lines[i]
		if !l.decides || l.Unit != standards.ByMass.Unit() || l.From != FromPicture || l.LimitValue == 0 {
			continue
		}
		if s := step(l); best == nil || math.Abs(s.By) < math.Abs(best.By) {
			best = &s
		}
	}
	return best
}

// unassessed lists what of one grade's limits neither the pictures nor the
// sheet decide.
func unassessed(std *standards.Standard, lines []Line) []NotAssessed {
	out := []NotAssessed{}
	for i := range lines {
		if l := &lines[i]; l.Verdict == Unassessed && !l.spared {
			out = append(out, NotAssessed{l.Limit, l.Note})
		}
	}
	for _, what := range std.NotInFile {
		out = append(out, NotAssessed{what, "the limit is not known here"})
	}
	return out
}

// notes says what the reader should bear in mind whatever the grade.
func (a *assessor) notes() []string {
	out := []string{a.sheet.moistureNote(), a.shapeNote()}
	if want := a.std.Reference.Kernels; want > 0 && a.sample.Told() && a.sample.Reference.Method != FromStated && a.sample.Reference.N < float64(want) {
		out = append(out, fmt.Sprintf("the whole-kernel length rests on about %.0f kernels, the standard asks for %d", a.sample.Reference.N, want))
	}
	return slices.DeleteFunc(out, func(s string) bool { return s == "" })
}

// shapeNote warns where the mean whole kernel is not of the standard's type.
func (a *assessor) shapeNote() string {
	sh := a.std.Shape
	if sh == nil || !a.sample.Told() {
		return ""
	}
	var n, length, width float64
	for _, p := range a.whole(0) {
		n++
		length += p.Length
		width += p.Width
	}
	if n == 0 {
		return ""
	}
	rule := standards.Rule{Mode: "half_up", Digits: int(sh.Digits)}
	ratio, mm := rule.Round(length/width), rule.Round(a.sample.Reference.Length)
	var wrong []string
	if iv, ok := sh.Ratio.At(0); ok && !iv.Contains(ratio) {
		wrong = append(wrong, fmt.Sprintf("whole kernels are %s times as long as wide, it is for %s", standards.FormatNumber(ratio), iv))
	}
	if iv, ok := sh.LengthMM.At(0); ok && a.sample.MM && !iv.Contains(mm) {
		wrong = append(wrong, fmt.Sprintf("whole kernels are %s mm long, it is for %s mm", standards.FormatNumber(mm), iv))
	}
	if len(wrong) == 0 {
		return ""
	}
	note := fmt.Sprintf("%s may be the wrong standard: %s", a.std.Code, strings.Join(wrong, "; "))
	if sh.FromMemory {
		note += " (from memory)"
	}
	return note
}

func limitText(l standards.Limit) string {
	f := l.Factor
	switch {
	case f.Basis == standards.ByWords:
		return f.Words[int(l.Value)-1]
	case l.Value == 0 && l.Bound == standards.AtMost:
		return "none"
	}
	return strings.TrimSpace(l.Bound.String() + " " + l.Round.Format(l.Value) + " " + l.Unit)
}

func valueText(f *standards.Factor, x float64) string {
	switch {
	case f.Basis == standards.ByWords:
		return f.Words[min(max(int(x), 1), len(f.Words))-1]
	case x == 0 && (f.Basis == standards.YesNo || f.Basis == standards.InSample):
		return "none"
	case f.Basis == standards.YesNo:
		return "present"
	case f.Basis == standards.InSample:
		return fmt.Sprintf("%.0f", x)
	case f.Basis.SamplePortionG() > 0:
		return fmt.Sprintf("%.3g %s", x, f.Basis.Unit())
	}
	return fmt.Sprintf("%.2f %s", x, f.Basis.Unit())
}

func sourceText(s standards.Source) string {
	if s.Year == "" {
		return s.Title
	}
	return s.Title + " (" + s.Year + ")"
}

func gramsText(g float64) string {
	if g < 100 {
		return fmt.Sprintf("%.1f g", g)
	}
	return fmt.Sprintf("%.0f g", g)
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}
