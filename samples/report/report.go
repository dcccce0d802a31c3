// Package report makes the report of one sample, to be read, printed on A4 and
// signed: as one HTML file that needs no network, and as a PDF. Both come from
// the record alone and from the pictures behind it, and the same input gives
// the same bytes.
//
// The usual call is
//
//	err := report.HTML(w, report.Input{Record: rec, Trays: kernels.Trays, Photos: photos})
package report

import (
	"fmt"
	"image"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/grading/correct"
	"traytally/grading/standards"
	"traytally/samples"
	"traytally/samples/words"
	"traytally/vision/kernel"
)

// Input is what a report is made from.
type Input struct {
	Record *samples.Record
	// Trays are the kernels as stored, one tray for each picture of the record.
	Trays []kernel.Tray
	// Photos are the pictures, one for each tray. Where one is not at hand the
	// outlines are drawn on an empty ground, and the report says so.
	Photos []Photo
	// History is the sample's part of the audit trail, oldest first; may be
	// empty for a sample that is in no register.
	History []samples.Entry
	// Words are those of the report's language; nil is English. What stands in the
	// record in words of people, and the names of standards, stays as it is.
	Words *words.Words
	// Short leaves the first page alone, to be signed.
	Short bool
	// Command computes the result again from the pictures alone; may be empty.
	Command string
}

// A Photo is the picture of a tray at its full size, or why it is not at hand.
type Photo struct {
	Missing string // for people: "the file was moved"

	img   image.Image // of the tray's width and height; nil where not at hand
	shown func() (still, error)
}

// NewPhoto returns a picture. All reports that it goes to show one JPEG of it.
func NewPhoto(img image.Image) Photo {
	return Photo{img: img, shown: sync.OnceValues(func() (still, error) { return stillOf(reduced(img), overlayQuality) })}
}

// A pair is a label and its text.
type pair struct{ Label, Text string }

// A fact is one that people state of the sample.
type fact struct {
	pair
	Soft bool // not stated
	Wide bool // it takes the page's width
}

// A limitRow is a row of the table of limits.
type limitRow struct {
	Grade, Factor, Limit, Found, Interval, Clause, Mark, Note string

	Verdict  verdict
	Limiting bool
}

// A shareRow is a row of the table of shares.
type shareRow struct {
	Name, Found, Mass, MassInterval, Count, CountInterval string
	colour                                                *chart.Colour // nil: none is drawn
}

// Colour is the swatch's as HTML writes it, "" where there is none.
func (r shareRow) Colour() string {
	if r.colour == nil {
		return ""
	}
	return r.colour.String()
}

// A view is the report's content in words, the same for both forms.
type view struct {
	say
	in   Input
	rec  *samples.Record
	res  *grading.Result
	unit string // "mm" or "px"

	Title      string
	Code       string
	Revision   string
	Facts      []fact
	Broken     string // "6.4 %"
	Interval   string // "5.1 to 7.9 %"
	ByCount    string
	Outcome    string // the grade, or the trade class
	Under      string // the standard, or what a trade class is
	Because    []string
	changes    int    // how many of Because say what people changed
	Standing   string // proven, not excluded
	LimitTitle string
	Limits     []limitRow // of the grade shown, where something is known
	Unlisted   string     // how many more there are
	Key        string     // of the marks of verdicts
	AllLimits  []limitRow // of every grade
	Shares     []shareRow
	Method     []string
	Doubts     []string // warnings
	Missing    []grading.NotAssessed
	Notes      []string
	Caution    []string
	Origin     []pair
	History    []pair
	Signers    []string
	PhotoNotes []string
	First      first
}

func newView(in Input) (*view, error) {
	if in.Record == nil {
		return nil, fmt.Errorf("report: no record")
	}
	res, err := in.Record.Decode()
	if err != nil {
		return nil, err
	}
	n := 0
	for i := range in.Trays {
		n += len(in.Trays[i].Kernels)
	}
	if n != len(res.Kernels) || len(in.Trays) != len(res.Pictures) || len(in.Trays) != len(in.Record.Pictures) {
		return nil, fmt.Errorf("report: %d trays with %d kernels for a result with %d pictures and %d kernels", len(in.Trays), n, len(res.Pictures), len(res.Kernels))
	}
	for len(in.Photos) < len(in.Trays) {
		in.Photos = append(in.Photos, Photo{Missing: words.Key("the picture is not at hand")})
	}
	for i, p := range in.Photos {
		if t := &in.Trays[i]; p.img != nil && p.img.Bounds().Size() != image.Pt(t.WidthPx, t.HeightPx) {
			return nil, fmt.Errorf("report: picture %d has %v pixels, its tray %d × %d", i+1, p.img.Bounds().Size(), t.WidthPx, t.HeightPx)
		}
	}
	v := &view{say: say{in.Words}, in: in, rec: in.Record, res: res, unit: res.Reference.Unit}
	v.identity()
	v.verdict()
	if err := v.corrected(); err != nil {
		return nil, err
	}
	v.limits()
	v.Key = v.verdictKey(slices.Concat(v.Limits, v.AllLimits)...) // of all tables
	v.shares()
	v.method()
	v.fineprint()
	v.front()
	return v, nil
}

func (v *view) identity() {
	r := v.rec
	v.Title, v.Code = v.T("Broken kernels in milled rice"), r.Code
	v.Revision = v.T("revision %d", r.Revision)
	f := &r.Facts
	add := func(label, text string) {
		soft := text == ""
		if soft {
			text = v.T("not stated")
		}
		v.Facts = append(v.Facts, fact{pair: pair{label, Visible(text)}, Soft: soft})
	}
	add(v.T("Lot"), f.Lot)
	add(v.T("Party"), f.Party)
	add(v.T("Variety"), f.Variety)
	add(v.T("Line"), f.Line)
	add(v.T("Stage"), f.Stage)
	add(v.T("Drawn"), v.DateTime(f.Drawn))
	add(v.T("Received"), v.DateTime(f.Received))
	add(v.T("Registered"), v.DateTime(r.Registered))
	moisture, mass := "", ""
	if m := f.OnSheet().MoisturePct; m != nil {
		moisture = v.T("%s %% by mass", v.Number(*m, -1))
	}
	if m := f.OnSheet().SampleMassG; m != nil {
		mass = v.Number(*m, -1) + " g"
	}
	add(v.T("Moisture"), moisture)
	add(v.T("Rice on the trays"), mass)
	if f.Note != "" {
		v.Facts = append(v.Facts, fact{pair: pair{v.T("Note"), Visible(f.Note)}, Wide: true})
	}
}

func (v *view) verdict() {
	b := &v.res.Broken
	v.Broken = v.Pct(b.MassPct.Value)
	v.Interval = v.Between(b.MassPct.Estimate)
	v.ByCount = v.T("%s by count (%s)", v.Pct(b.CountPct.Value), v.Between(b.CountPct.Estimate))
	if !v.res.Reference.Told() {
		v.Broken = v.T("not told")
		v.Standing = v.T("The whole-kernel length cannot be told from this sample; the interval is what the tips of the kernels allow.")
	}
	if g := v.res.Grade; g != nil {
		v.Outcome = v.Said(g.Headline())
		v.Under = g.Title + ", " + g.Edition
		for i := range g.Limiting {
			l := &g.Limiting[i]
			v.Because = append(v.Because, v.T("kept out of %s by %s: %s, limit %s%s", l.Grade, v.Said(l.Limit), v.Said(l.ValueText), v.Said(l.LimitText), v.marked(l)))
		}
		switch {
		case g.Proven == "" && g.NotExcluded == "":
		case g.Proven == g.NotExcluded:
			v.Standing = v.T("The intervals of what was assessed prove %s and rule out better grades.", g.Proven)
		case g.Proven == "":
			v.Standing = v.T("The intervals of what was assessed prove no grade; the best they do not rule out is %s.", g.NotExcluded)
		default:
			v.Standing = v.T("The intervals of what was assessed prove %s; the best grade they do not rule out is %s.", g.Proven, g.NotExcluded)
		}
		return
	}
	if c := v.res.TradeClass; c != nil {
		v.Outcome = v.Said(c.Name)
		v.Under = v.T("trade class, common practice; no standard was applied")
		if c.NextBetterPct != nil {
			v.Because = append(v.Because, v.T("%s points over the class “%s %% broken”", v.Number(c.DistancePoints, 1), v.Number(*c.NextBetterPct, -1)))
		}
		if c.Verdict == grading.NotProven {
			v.Standing = v.T("The interval crosses the limit of this class: more kernels are needed to prove it.")
		} else {
			v.Standing = v.T("The whole interval lies on this side of the limit.")
		}
		return
	}
	v.Outcome, v.Under = v.T("no class asked for"), ""
	if !v.res.Reference.Told() {
		v.Outcome = v.T("no class: no whole-kernel length")
	}
}

// corrected says first what people changed of the sample, with the figures as
// measured.
func (v *view) corrected() error {
	row, err := v.rec.Row()
	if err != nil {
		return err
	}
	changed := v.Changed(row)
	v.Because, v.changes = append(changed, v.Because...), len(changed)
	if row.AsMeasured != nil {
		kinds := map[correct.Kind]int{}
		for _, c := range v.rec.Corrections {
			kinds[c.Do]++
		}
		var made []string
		for _, k := range correct.Kinds {
			if n := kinds[k]; n > 0 {
				made = append(made, v.T(correctionNames[k])+" "+strconv.Itoa(n))
			}
		}
		v.Method = append(v.Method, v.T("Kernels were looked at by a person, who said: %s. All figures were computed anew from the kernels as corrected; the command below gives those as measured.", strings.Join(made, ", ")))
	}
	return nil
}

func (v *view) limits() {
	g := v.res.Grade
	if g == nil && !v.res.Reference.Told() {
		return
	}
	if g == nil {
		v.LimitTitle = v.T("Limits of the trade classes (common practice)")
		e := v.res.Broken.MassPct.Estimate
		for _, limit := range v.res.Params.TradeClasses {
			verdict := grading.Proof(e, limit)
			if verdict == grading.Exceeds {
				verdict = grading.Fails
			}
			v.Limits = append(v.Limits, limitRow{
				Grade: v.T("%s %% broken", v.Number(limit, -1)), Factor: v.T("broken kernels"), Limit: v.T("at most %s", v.T("%s %%", v.Number(limit, -1))),
				Found: v.Pct(e.Value), Interval: v.Between(e), Verdict: v.verdictOf(verdict),
			})
		}
		return
	}
	shown := g.Grade
	if shown == "" && len(g.Lines) > 0 {
		shown = g.Lines[len(g.Lines)-1].Grade
	}
	v.LimitTitle = v.T("Limits of %s", shown)
	for i := range g.Limiting {
		row := v.limit(&g.Limiting[i])
		row.Limiting = true
		v.Limits = append(v.Limits, row)
	}
	if len(g.Limiting) > 0 && g.Limiting[0].Grade != shown {
		v.LimitTitle = v.T("Limits of %s, and what keeps the sample out of %s", shown, g.Limiting[0].Grade)
	}
	unknown := 0
	for i := range g.Lines {
		l := &g.Lines[i]
		row := v.limit(l)
		v.AllLimits = append(v.AllLimits, row)
		twice := slices.ContainsFunc(g.Limiting, func(m grading.Line) bool { return m.Grade == l.Grade && m.Factor == l.Factor })
		switch {
		case l.Grade != shown || twice:
		case l.Value == nil:
			unknown++
		default:
			v.Limits = append(v.Limits, row)
		}
	}
	if unknown > 0 {
		v.Unlisted = v.T("Of %d further limits nothing is known here: see “Not assessed”.", unknown)
	}
}

func (v *view) limit(l *grading.Line) limitRow {
	row := limitRow{
		Grade: l.Grade, Factor: v.Said(l.Limit), Limit: v.Said(l.LimitText), Found: v.Said(l.ValueText), Verdict: v.verdictOf(l.Verdict), Clause: l.Clause, Note: v.Said(l.Note),
	}
	row.Mark = v.marked(l)
	row.Clause += row.Mark
	if row.Found == "" {
		row.Found = "–"
	}
	switch {
	case l.From == grading.FromSheet:
		row.Interval = v.T("from the sheet")
	case l.Low != nil && l.High != nil:
		row.Interval = v.Number(*l.Low, 2) + " – " + v.Number(*l.High, 2)
	default:
		row.Interval = "–"
	}
	return row
}

// marked is the mark beside a limit: " (from memory)". Records of older versions
// know no other.
func (v *view) marked(l *grading.Line) string {
	m := l.Mark
	if l.FromMemory {
		m = standards.FromMemory
	}
	if m.String() == "" {
		return ""
	}
	return " (" + v.Said(m.String()) + ")"
}

func (v *view) shares() {
	for _, s := range v.res.Shares {
		row := shareRow{
			Name: v.NameOf(s.Name), Found: strconv.Itoa(s.Found),
			Mass: v.Pct(s.MassPct.Value), MassInterval: v.Between(s.MassPct.Estimate),
			Count: v.Pct(s.CountPct.Value), CountInterval: v.Between(s.CountPct.Estimate),
		}
		switch s.Kind {
		case grading.KindClass:
			row.colour = &lookOf(grading.Class(s.Name)).colour
		case grading.KindForeign:
			row.Name = v.T("not rice, of everything on the tray")
			row.colour = &lookOf(grading.ForeignBody).colour
		}
		v.Shares = append(v.Shares, row)
	}
}

// baseName is the name of a picture's file, for people.
func baseName(path string) string { return Visible(filepath.Base(path)) }

// rows are the result's kernels of one tray.
func (v *view) rows(tray int) []grading.KernelRow {
	from := 0
	for i := range tray {
		from += len(v.in.Trays[i].Kernels)
	}
	return v.res.Kernels[from : from+len(v.in.Trays[tray].Kernels)]
}
