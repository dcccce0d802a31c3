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
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/grading/correct"
	"traytally/grading/standards"
	"traytally/samples"
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
	// Command computes the result again from the pictures alone; may be empty.
	Command string
}

// A Photo is the picture of a tray at its full size, or why it is not at hand.
type Photo struct {
	Image   image.Image // of the tray's width and height; nil where not at hand
	Missing string      // for people: "the file was moved"
}

// A look is how a class of kernels is drawn. Colours: M. Okabe and K. Ito,
// Color Universal Design, J*FLY, 2008, told apart by every kind of colour
// vision; letters tell them apart without colour.
type look struct {
	class  grading.Class
	name   string
	letter string
	colour chart.Colour
	width  float64 // of the outline, in kernel widths
}

// Colours of the report beside those of charts.
var (
	ground chart.Colour = 0xf3f5f7
	bar    chart.Colour = 0x9fb4c7 // unbroken kernels in the histogram
	darkBG chart.Colour = 0x141820

	ink, pale, rule, stop, good, doubt = chart.Ink, chart.Pale, chart.Rule, chart.Stop, chart.Good, chart.Doubt
)

var looks = []look{
	{grading.Head, "head", "", 0x56b4e9, 0.06},
	{grading.LargeBroken, "large broken", "L", 0xe69f00, 0.15},
	{grading.MediumBroken, "medium broken", "M", 0xd55e00, 0.15},
	{grading.SmallBroken, "small broken", "S", 0xcc79a7, 0.15},
	{grading.Chip, "chip", "C", 0xf0e442, 0.15},
	{grading.AnyBroken, "broken", "B", 0xd55e00, 0.15},
	{grading.Untold, "not told", "?", 0x999999, 0.15},
	{grading.ForeignBody, "not rice", "X", 0x009e73, 0.15},
}

func lookOf(c grading.Class) *look {
	for i := range looks {
		if looks[i].class == c {
			return &looks[i]
		}
	}
	return &looks[len(looks)-1]
}

// A legendItem is a class or flag with how many kernels have it.
type legendItem struct {
	Class, Name, Letter string
	Colour              chart.Colour
	N                   int
}

// legendOf counts the kernels of each class that occurs.
func legendOf(rows []grading.KernelRow) (out []legendItem) {
	for _, l := range looks {
		it := legendItem{Class: string(l.class), Name: l.name, Letter: l.letter, Colour: l.colour}
		for i := range rows {
			if rows[i].Class == l.class {
				it.N++
			}
		}
		if it.N > 0 {
			out = append(out, it)
		}
	}
	return out
}

// flagColours are for the colour plot and the gallery.
var flagColours = map[string]chart.Colour{
	"chalky": 0x56b4e9, "yellow": 0xe69f00, "red": 0xd55e00,
	"red_streaked": 0xcc79a7, "damaged": 0x0072b2, "paddy": 0x009e73, "odd": 0x808080, "foreign": 0x000000,
}

// words makes a code readable: red_streaked, large_broken.
func words(s string) string { return strings.ReplaceAll(s, "_", " ") }

// A pair is a label and its text.
type pair struct{ Label, Text string }

// A limitRow is a row of the table of limits.
type limitRow struct {
	Grade, Factor, Limit, Found, Interval, Verdict, Clause, Note string
	Limiting                                                     bool
}

// A shareRow is a row of the table of shares.
type shareRow struct {
	Name, Found, Mass, MassInterval, Count, CountInterval string
	Colour                                                string
}

// A view is the report's content in words, the same for both forms.
type view struct {
	in   Input
	rec  *samples.Record
	res  *grading.Result
	unit string // "mm" or "px"

	Title      string
	Code       string
	Revision   string
	Facts      []pair
	Broken     string // "6.4 %"
	Interval   string // "5.1 to 7.9 %"
	ByCount    string
	Outcome    string // the grade, or the trade class
	Under      string // the standard, or what a trade class is
	Because    []string
	Standing   string // proven, not excluded
	LimitTitle string
	Limits     []limitRow // of the grade shown, where something is known
	Unlisted   string     // how many more there are
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
		in.Photos = append(in.Photos, Photo{Missing: "the picture is not at hand"})
	}
	for i, p := range in.Photos {
		if t := &in.Trays[i]; p.Image != nil && p.Image.Bounds().Size() != image.Pt(t.WidthPx, t.HeightPx) {
			return nil, fmt.Errorf("report: picture %d has %v pixels, its tray %d × %d", i+1, p.Image.Bounds().Size(), t.WidthPx, t.HeightPx)
		}
	}
	v := &view{in: in, rec: in.Record, res: res, unit: res.Reference.Unit}
	v.identity()
	v.verdict()
	if err := v.corrected(); err != nil {
		return nil, err
	}
	v.limits()
	v.shares()
	v.method()
	v.fineprint()
	return v, nil
}

func (v *view) identity() {
	r := v.rec
	v.Title, v.Code = "Broken kernels in milled rice", r.Code
	v.Revision = fmt.Sprintf("revision %d", r.Revision)
	f := &r.Facts
	add := func(label, text string) {
		if text == "" {
			text = "not stated"
		}
		v.Facts = append(v.Facts, pair{label, visible(text)})
	}
	add("Lot", f.Lot)
	add("Party", f.Party)
	add("Variety", f.Variety)
	add("Line", f.Line)
	add("Stage", f.Stage)
	add("Drawn", when(f.Drawn))
	add("Received", when(f.Received))
	add("Registered", when(r.Registered))
	moisture, mass := "", ""
	if m, ok := f.Moisture(); ok {
		moisture = num(m, -1) + " % by mass"
	}
	if m, ok := f.MassG(); ok {
		mass = num(m, -1) + " g"
	}
	add("Moisture", moisture)
	add("Rice on the trays", mass)
	if f.Note != "" {
		add("Note", f.Note)
	}
}

func (v *view) verdict() {
	b := &v.res.Broken
	v.Broken = pct(b.MassPct.Value)
	v.Interval = interval(b.MassPct.Estimate)
	v.ByCount = fmt.Sprintf("%s by count (%s)", pct(b.CountPct.Value), interval(b.CountPct.Estimate))
	if !v.res.Reference.Told() {
		v.Broken = "not told"
		v.Standing = "The whole-kernel length cannot be told from this sample; the interval is what the tips of the kernels allow."
	}
	if g := v.res.Grade; g != nil {
		v.Outcome = g.Headline()
		v.Under = g.Title + ", " + g.Edition
		for i := range g.Limiting {
			l := &g.Limiting[i]
			v.Because = append(v.Because, fmt.Sprintf("kept out of %s by %s: %s, limit %s%s", l.Grade, l.Limit, l.ValueText, l.LimitText, marked(l)))
		}
		switch {
		case g.Proven == "" && g.NotExcluded == "":
		case g.Proven == g.NotExcluded:
			v.Standing = fmt.Sprintf("The intervals of what was assessed prove %s and rule out better grades.", g.Proven)
		case g.Proven == "":
			v.Standing = fmt.Sprintf("The intervals of what was assessed prove no grade; the best they do not rule out is %s.", g.NotExcluded)
		default:
			v.Standing = fmt.Sprintf("The intervals of what was assessed prove %s; the best grade they do not rule out is %s.", g.Proven, g.NotExcluded)
		}
		return
	}
	if c := v.res.TradeClass; c != nil {
		v.Outcome = c.Name
		v.Under = "trade class, common practice; no standard was applied"
		if c.NextBetterPct != nil {
			v.Because = append(v.Because, fmt.Sprintf("%s points over the class “%s %% broken”", num(c.DistancePoints, 1), num(*c.NextBetterPct, -1)))
		}
		if c.Verdict == grading.NotProven {
			v.Standing = "The interval crosses the limit of this class: more kernels are needed to prove it."
		} else {
			v.Standing = "The whole interval lies on this side of the limit."
		}
		return
	}
	v.Outcome, v.Under = "no class asked for", ""
	if !v.res.Reference.Told() {
		v.Outcome = "no class: no whole-kernel length"
	}
}

// corrected says first what people changed of the sample, with the figures as
// measured.
func (v *view) corrected() error {
	row, err := v.rec.Row()
	if err != nil {
		return err
	}
	var first []string
	if row.Withdrawn {
		first = append(first, "withdrawn: this sample does not count")
	}
	if m := row.AsMeasured; m != nil {
		broken := pct(m.BrokenMass.Value)
		if m.Untold {
			broken = "not told"
		}
		first = append(first, fmt.Sprintf("%s corrected by hand by %s; as measured: broken %s (%s), %s",
			count(row.Corrected, "kernel", "kernels"), visible(strings.Join(row.By, ", ")), broken, interval(m.BrokenMass), m.Outcome))
		kinds := map[correct.Kind]int{}
		for _, c := range v.rec.Corrections {
			kinds[c.Do]++
		}
		var made []string
		for _, k := range correct.Kinds {
			if n := kinds[k]; n > 0 {
				made = append(made, fmt.Sprintf("%s %d", words(string(k)), n))
			}
		}
		v.Method = append(v.Method, "Kernels were looked at by a person, who said: "+strings.Join(made, ", ")+". All figures were computed anew from the kernels as corrected; the command below gives those as measured.")
	}
	v.Because = append(first, v.Because...)
	return nil
}

func (v *view) limits() {
	g := v.res.Grade
	if g == nil && !v.res.Reference.Told() {
		return
	}
	if g == nil {
		v.LimitTitle = "Limits of the trade classes (common practice)"
		e := v.res.Broken.MassPct.Estimate
		for _, limit := range v.res.Params.TradeClasses {
			verdict := grading.Proof(e, limit)
			if verdict == grading.Exceeds {
				verdict = grading.Fails
			}
			v.Limits = append(v.Limits, limitRow{
				Grade: num(limit, -1) + " % broken", Factor: "broken kernels", Limit: "at most " + num(limit, -1) + " %",
				Found: pct(e.Value), Interval: interval(e), Verdict: verdict,
			})
		}
		return
	}
	shown := g.Grade
	if shown == "" && len(g.Lines) > 0 {
		shown = g.Lines[len(g.Lines)-1].Grade
	}
	v.LimitTitle = "Limits of " + shown
	for i := range g.Limiting {
		row := v.limit(&g.Limiting[i])
		row.Limiting = true
		v.Limits = append(v.Limits, row)
	}
	if len(g.Limiting) > 0 && g.Limiting[0].Grade != shown {
		v.LimitTitle += ", and what keeps the sample out of " + g.Limiting[0].Grade
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
		v.Unlisted = fmt.Sprintf("Of %s nothing is known here: see “Not assessed”.", count(unknown, "further limit", "further limits"))
	}
}

func (v *view) limit(l *grading.Line) limitRow {
	row := limitRow{
		Grade: l.Grade, Factor: l.Limit, Limit: l.LimitText, Found: l.ValueText, Verdict: l.Verdict, Clause: l.Clause, Note: l.Note,
	}
	row.Clause += marked(l)
	if row.Found == "" {
		row.Found = "–"
	}
	switch {
	case l.From == grading.FromSheet:
		row.Interval = "from the sheet"
	case l.Low != nil && l.High != nil:
		row.Interval = num(*l.Low, 2) + " – " + num(*l.High, 2)
	default:
		row.Interval = "–"
	}
	return row
}

// marked is the mark beside a limit: " (from memory)". Records of older versions
// know no other.
func marked(l *grading.Line) string {
	m := l.Mark
	if l.FromMemory {
		m = standards.FromMemory
	}
	if m.String() == "" {
		return ""
	}
	return " (" + m.String() + ")"
}

func (v *view) shares() {
	for _, s := range v.res.Shares {
		row := shareRow{
			Name: words(s.Name), Found: strconv.Itoa(s.Found),
			Mass: pct(s.MassPct.Value), MassInterval: interval(s.MassPct.Estimate),
			Count: pct(s.CountPct.Value), CountInterval: interval(s.CountPct.Estimate),
		}
		switch s.Kind {
		case grading.KindClass:
			row.Colour = lookOf(grading.Class(s.Name)).colour.String()
		case grading.KindForeign:
			row.Name = "not rice, of everything on the tray"
			row.Colour = lookOf(grading.ForeignBody).colour.String()
		}
		v.Shares = append(v.Shares, row)
	}
}

func (v *view) method() {
	add := func(format string, a ...any) { v.Method = append(v.Method, fmt.Sprintf(format, a...)) }
	res := v.res
	ref := &res.Reference
	origin := map[string]string{
		grading.FromSample: fmt.Sprintf("the mean of this sample's own unbroken kernels (about %s of them)", num(ref.NUnbroken, 0)),
		grading.FromPicked: fmt.Sprintf("the mean of %s picked whole kernels", num(ref.NUnbroken, 0)),
		grading.FromStated: "stated by the user",
	}[ref.Method]
	if ref.Told() {
		add("A kernel shorter than %s of the whole-kernel length is broken. That length is %s %s ± %s (standard error), %s. Lengths are by %s.",
			num(res.Params.Cut, -1), num(ref.Length, 3), ref.Unit, num(ref.SE, 3), origin,
			map[grading.LengthMeasure]string{grading.Caliper: "the greatest caliper extent", grading.Axis: "the extent along the kernel's axis"}[res.Params.Measure])
	} else {
		add("The whole-kernel length cannot be told from this sample. A piece with a fracture at an end is called broken, one with two grown tips a head kernel; the others, %s, are in the interval both ways.", count(res.Broken.Untold, "piece", "pieces"))
	}
	b := &res.Broken
	add("%s kernels were measured on %s, %s of them broken. The share by mass is that of solid volume as seen from above, an estimate of the weighed share.",
		strconv.Itoa(len(res.Kernels)), count(len(res.Pictures), "picture", "pictures"), strconv.Itoa(b.Found))
	add("The interval is for the lot: it holds the lot's true share in 95 of 100 samples, if kernels were drawn at random. Standard uncertainties in points: drawing of kernels %s, scatter of trays %s, lengths near the limit %s, whole-kernel length %s; groups not taken apart widen it by %s.",
		num(b.Budget.Sampling, 2), num(b.Budget.Trays, 2), num(b.Budget.NearLimit, 2), num(b.Budget.Reference, 2), num(b.Budget.Unresolved, 2))
	if o := b.Other; o != nil {
		add("By the other length (%s) the share would be %s by mass (%s).", o.Measure, pct(o.MassPct.Value), interval(o.MassPct.Estimate))
	}
	if wh := res.Whiteness; wh != nil {
		kind := "absolute: colours were brought to a patch of known reflectance"
		if wh.Relative {
			kind = "relative: compare it only with pictures taken alike"
		}
		add("Whiteness index %s ± %s (standard uncertainty among kernels), %s. %s.", num(wh.Index, 1), num(wh.SE, 1), kind, strings.TrimSuffix(wh.Formula, "."))
	}
	var left []string
	if n := res.CutByEdge; n > 0 {
		left = append(left, count(n, "piece", "pieces")+" cut by the picture's edge")
	}
	if n := res.Unresolved.Clusters; n > 0 {
		left = append(left, fmt.Sprintf("%s that could not be taken apart (%s of the rice)", count(n, "touching group", "touching groups"), pct(100*res.Unresolved.AreaShare)))
	}
	if len(left) > 0 {
		add("Left out of the count: %s.", strings.Join(left, "; "))
	}
	if ref.Unit == "px" {
		add("The pictures have no scale: lengths are in pixels, and what needs millimetres is not assessed.")
	}
}

func (v *view) fineprint() {
	for _, w := range v.res.Warnings {
		text := w.Text
		if w.Picture != "" && len(v.res.Pictures) > 1 {
			text = baseName(w.Picture) + ": " + text
		}
		if w.Hint != "" {
			text += " (" + w.Hint + ")"
		}
		v.Doubts = append(v.Doubts, text)
	}
	seen := map[grading.NotAssessed]bool{}
	add := func(list []grading.NotAssessed) {
		for _, n := range list {
			n.What = words(n.What)
			if !seen[n] {
				seen[n] = true
				v.Missing = append(v.Missing, n)
			}
		}
	}
	add(v.res.NotAssessed)
	if g := v.res.Grade; g != nil {
		add(g.NotAssessed)
		v.Notes = g.Notes
	}
	if _, ok := v.rec.Facts.Moisture(); !ok && v.res.Grade == nil {
		add([]grading.NotAssessed{{What: "moisture", Why: "not stated; a picture does not show it"}})
	}
	add([]grading.NotAssessed{
		{What: "odour, taste, live insects, cracks inside kernels, the underside of kernels", Why: "a picture from above does not show them"},
	})

	v.Caution = []string{
		"This is a screening aid made from a picture. It is no official grade and no certificate: an official grade is given by licensed inspectors under the rules of the place, which go before anything said here.",
		"In a dispute, and wherever food safety is in question, draw and divide a new sample as the contract says and have it inspected.",
	}
	if g := v.res.Grade; g != nil && g.Caution != "" {
		v.Caution = append(v.Caution, strings.TrimSpace(g.Caution))
	}
	v.Signers = []string{"Measured by", "Checked by", "For the party"}

	r := v.rec
	for i, p := range r.Pictures {
		text := fmt.Sprintf("%s, %s, %d × %d px, %s; SHA-256 %s", baseName(p.Path), p.Format, p.WidthPx, p.HeightPx, scaleText(&v.res.Pictures[i]), p.SHA256)
		v.Origin = append(v.Origin, pair{"Picture " + strconv.Itoa(i+1), text})
	}
	for i, p := range r.Reference {
		v.Origin = append(v.Origin, pair{"Picked kernels " + strconv.Itoa(i+1), fmt.Sprintf("%s; SHA-256 %s", baseName(p.Path), p.SHA256)})
	}
	if r.Settings.Standard != "" {
		v.Origin = append(v.Origin, pair{"Standard", fmt.Sprintf("%s, edition %s; SHA-256 of its table %s", r.Settings.Standard, r.Settings.Edition, r.Settings.StandardSHA256)})
	}
	v.Origin = append(v.Origin, pair{"Settings", settingsText(v.res, &r.Settings)})
	var versions []string
	for _, name := range slices.Sorted(maps.Keys(v.res.Versions)) {
		versions = append(versions, name+" "+v.res.Versions[name])
	}
	v.Origin = append(v.Origin, pair{"Versions", strings.Join(versions, ", ")}, pair{"Kernels as measured", "SHA-256 " + r.MeasuredSHA256})
	if n := len(v.in.History); n > 0 {
		last := v.in.History[n-1]
		v.Origin = append(v.Origin, pair{"Audit entry", fmt.Sprintf("no. %d, hash %s", last.Seq, last.Hash)})
		for _, e := range v.in.History {
			text := fmt.Sprintf("%s, by %s", map[string]string{samples.ActionRegister: "registered", samples.ActionAmend: "amended", samples.ActionWithdraw: "withdrawn",
				samples.ActionRestore: "taken back", samples.ActionRename: "renamed"}[e.Action], e.Actor)
			if e.Reason != "" {
				text += ": " + e.Reason
			}
			v.History = append(v.History, pair{when(e.At), visible(text)})
		}
	}
	if v.in.Command != "" {
		v.Origin = append(v.Origin, pair{"To recompute it", visible(v.in.Command)})
	}
	if r.Code != "" {
		v.Origin = append(v.Origin, pair{"In the register", "traytally log recheck " + r.Code})
	}
	for _, p := range v.in.Photos {
		note := ""
		if p.Image == nil {
			note = "Outlines only: " + p.Missing + "."
		}
		v.PhotoNotes = append(v.PhotoNotes, note)
	}
}

func scaleText(p *grading.Picture) string {
	if p.PxPerMM == 0 {
		return "no scale"
	}
	return fmt.Sprintf("%s px/mm, %s", num(p.PxPerMM, 3), p.ScaleSource)
}

func settingsText(res *grading.Result, s *samples.Settings) string {
	parts := []string{fmt.Sprintf("cut %s, length by %s", num(s.Params.Cut, -1), s.Params.Measure)}
	if s.Params.WholeLengthMM > 0 {
		parts = append(parts, "whole-kernel length "+num(s.Params.WholeLengthMM, -1)+" mm")
	}
	if s.PxPerMM > 0 {
		parts = append(parts, "scale "+num(s.PxPerMM, 3)+" px/mm")
	}
	if p := s.ColourProfile; p != nil {
		parts = append(parts, "colour profile "+p.Name)
	}
	return strings.Join(parts, "; ")
}

// visible makes characters that are not seen, or that turn the direction of
// what follows, seen: they become U+FFFD. Breaks of lines stay.
func visible(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && (unicode.IsControl(r) || r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069) {
			return '\ufffd'
		}
		return r
	}, s)
}

// baseName is the name of a picture's file, for people.
func baseName(path string) string { return visible(filepath.Base(path)) }

// when writes a time as it was stated, with its zone.
func when(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if h, m, s := t.Clock(); h == 0 && m == 0 && s == 0 {
		return t.Format(time.DateOnly)
	}
	return t.Format("2006-01-02 15:04 -07:00")
}

// pct writes a percentage: one decimal, two below one percent.
func pct(v float64) string {
	if v > 0 && v < 1 {
		return num(v, 2) + " %"
	}
	return num(v, 1) + " %"
}

func interval(e grading.Estimate) string {
	d := 1
	if e.High < 1 {
		d = 2
	}
	return num(e.Low, d) + " – " + num(e.High, d) + " %"
}

// num writes a number with the given decimals, or with -1 as few as it needs.
func num(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if s == "-0" || strings.Trim(s, "-0.") == "" && math.Signbit(v) {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// A verdict is how the verdict on a limit is shown, in words and by shape.
type verdict struct {
	Word, Mark string
	colour     chart.Colour
}

func verdictOf(v string) verdict {
	switch v {
	case grading.Meets:
		return verdict{"meets", "●", good}
	case grading.Fails:
		return verdict{"fails", "■", stop}
	case grading.NotProven:
		return verdict{"not proven", "○", doubt}
	}
	return verdict{"not assessed", "–", pale}
}
