package bench

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"image"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision"
)

// A Frame is what every page has around its own.
type Frame struct {
	Here      string // the page's name
	Folder    string
	Version   string
	Tag       string
	Note      string // that nobody checked the words
	Languages []words.Language
	By        string // who worked here last
	Words     *words.Words
	Asked     bool // a token is asked for
}

func (s *Server) frame(r *http.Request, here string) Frame {
	w := s.words(r)
	return Frame{
		Here: here, Folder: report.Visible(s.lab.Folder), Version: s.lab.Version, Tag: w.Tag(), Note: w.Note(),
		Languages: words.Languages(), By: report.Visible(cookie(r, cookieBy)), Words: w, Asked: s.o.Token != "",
	}
}

// funcs are the functions of templates, in a language.
func (s *Server) funcs(w *words.Words) template.FuncMap {
	return template.FuncMap{
		"t":        func(english string, a ...any) string { return w.T(english, a...) },
		"num":      w.Number,
		"pct":      func(v float64) string { return w.Number(v, 2) },
		"date":     w.Date,
		"datetime": w.DateTime,
		"clock":    w.Clock,
		"name":     func(code any) string { return wordsOf(w, fmt.Sprint(code)) },
		"letter":   func(c any) string { return report.Letter(grading.Class(fmt.Sprint(c))) },
		"seen":     report.Visible,
		"said":     func(stored string) string { return w.Said(report.Visible(stored)) },
		"reason": func(text string) string { // usual ones are kept in English
			if slices.Contains(correct.Reasons, text) || slices.Contains(usualReasons, text) {
				return w.T(text)
			}
			return report.Visible(text)
		},
		"base": baseName,
		"asset": func(name string) (string, error) {
			data, err := asset(name)
			if err != nil {
				return "", fmt.Errorf("%s: %w", name, err)
			}
			return "/static/" + name + "?v=" + samples.Sum(data)[:12], nil
		},
		"json": func(v any) (template.JS, error) {
			b, err := json.Marshal(v)
			return template.JS(b), err // Marshal writes < > and & as escapes
		},
		"add":  func(a, b int) int { return a + b },
		"join": func(sep string, list []string) string { return strings.Join(list, sep) },
	}
}

// usualReasons are those that the forms of a sample offer.
var usualReasons = []string{
	words.Key("code known after the scan"), words.Key("misread code"), words.Key("test scan"), words.Key("wrong tray"), words.Key("scanned twice"), words.Key("withdrawn by mistake"),
}

// wordsOf returns the words of a class or a flag.
func wordsOf(w *words.Words, code string) string {
	switch grading.Class(code) {
	case grading.Untold:
		return w.T("whole or broken not told")
	case grading.ForeignBody:
		return w.T("not rice")
	}
	return nameOfCode(w, code)
}

func baseName(path string) string { return report.Visible(filepath.Base(path)) }

// Signals of an Outcome, told by words and signs as well as by colour.
const (
	SignalKept   = "kept"   // proven to keep what it was judged by
	SignalOpen   = "open"   // the interval leaves it open
	SignalFailed = "failed" // in no grade of what it was judged by
	SignalNone   = "none"   // judged by nothing, or nothing could be told
)

// An Outcome is the result of a sample in a few words.
type Outcome struct {
	Row       samples.Row
	Signal    string
	Broken    string // "5.31", or "" where it is not told
	Low, High string // of the 95 % interval
	Outcome   string // grade or trade class
	Under     string // by what it was judged
	Limit     string // the limit that decides, and what was found
	Warnings  []grading.Warning
	Missing   []grading.NotAssessed
	Shares    []grading.ShareResult
	Limits    []grading.Line // assessed ones of the grade found, and those that keep it out of a better one
	Reference grading.Reference
	Groups    int // not taken apart
	CutByEdge int
	ByCount   grading.Interval
	Measured  *samples.AsMeasured // nil where nobody corrected
	Sheet     *grading.Sheet
}

func outcomeOf(rec *samples.Record, w *words.Words) (*Outcome, error) {
	res, err := rec.Decode()
	if err != nil {
		return nil, err
	}
	row, err := rec.Row()
	if err != nil {
		return nil, err
	}
	e := res.Broken.MassPct
	o := &Outcome{
		Row: *row, Outcome: w.Said(report.Visible(row.Outcome())), Warnings: res.Warnings, Missing: res.NotAssessed, Shares: res.Shares,
		Reference: res.Reference, Groups: res.Unresolved.Clusters, CutByEdge: res.CutByEdge, ByCount: res.Broken.CountPct,
		Low: w.Number(e.Low, 2), High: w.Number(e.High, 2), Measured: row.AsMeasured, Signal: signalOf(res), Sheet: rec.Facts.Sheet,
	}
	if res.Reference.Told() {
		o.Broken = w.Number(e.Value, 2)
	}
	switch {
	case res.Grade != nil:
		o.judgedBy(res.Grade, w)
	case res.TradeClass != nil:
		c := res.TradeClass
		o.Under = w.T("trade class, common practice; no standard was applied")
		if c.LimitPct != nil {
			o.Limit = w.T("limit %s %%, found %s %%", w.Number(*c.LimitPct, -1), w.Number(e.Value, 2))
		}
	}
	return o, nil
}

func (o *Outcome) judgedBy(g *grading.Grade, w *words.Words) {
	o.Under = report.Visible(g.Title + ", " + g.Edition)
	o.Missing = append(slices.Clone(o.Missing), g.NotAssessed...)
	line := func(l *grading.Line) string {
		return w.T("%s: limit %s, found %s", w.Said(report.Visible(l.Limit)), w.Said(report.Visible(l.LimitText)), w.Said(report.Visible(l.ValueText)))
	}
	switch {
	case len(g.Limiting) > 0:
		o.Limit = line(&g.Limiting[0])
	case g.ClosestLimit != nil:
		c := g.ClosestLimit
		o.Limit = w.T("%s: limit %s, found %s", w.Said(report.Visible(c.Name)), w.Number(c.LimitValue, -1)+" "+c.Unit, w.Number(c.Value, 2)+" "+c.Unit)
	}
	for i := range g.Lines {
		l := &g.Lines[i]
		shown := l.Grade == g.Grade || slices.ContainsFunc(g.Limiting, func(x grading.Line) bool { return x.Grade == l.Grade && x.Factor == l.Factor })
		if shown && l.Value != nil {
			o.Limits = append(o.Limits, *l)
		}
	}
}

// signalOf returns the signal of a result.
func signalOf(res *grading.Result) string {
	switch g := res.Grade; {
	case g != nil && g.Result == "not assessed", g == nil && res.TradeClass == nil, !res.Reference.Told():
		return SignalNone
	case g != nil && g.Grade == "" && g.NotExcluded == "":
		return SignalFailed
	case res.NotProven():
		return SignalOpen
	case g != nil && g.Grade == "":
		return SignalFailed
	}
	return SignalKept
}

// Good reports whether a result gives no reason for a signal.
func Good(res *grading.Result) bool { return signalOf(res) != SignalFailed }

// Now is what happens just now.
type Now struct {
	Items   []Item
	Next    Next
	Last    *Outcome // the sample graded last
	At      time.Time
	Trouble string
	Lots    []string // of the last days, to choose from
	Lines   []string
	// Of today: graded, of them not proven or with a warning, and failed.
	Graded, Doubtful int
}

// midnight is the beginning of a day here.
func midnight(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.Local)
}

func (s *Server) nowData(ctx context.Context, w *words.Words) (Now, error) {
	n := Now{At: time.Now()}
	items, next, last, trouble := s.lab.News.state()
	n.Items, n.Next, n.Trouble = items, next, trouble
	for i := range n.Items {
		it := &n.Items[i]
		it.Reason, it.Hint = report.Visible(it.Reason), report.Visible(it.Hint)
	}
	today := midnight(n.At)
	rows, err := s.lab.Register.List(ctx, samples.Query{Last: 200})
	if err != nil {
		return n, err
	}
	var newest *samples.Row
	for i := range rows {
		r := &rows[i]
		if !r.Registered.Before(today) {
			n.Graded++
			if r.Doubts() != "" {
				n.Doubtful++
			}
		}
		if newest == nil || r.Registered.After(newest.Registered) {
			newest = r
		}
		for _, f := range []struct {
			to   *[]string
			text string
		}{{&n.Lots, r.Lot}, {&n.Lines, r.Line}} {
			if f.text != "" && !slices.Contains(*f.to, f.text) {
				*f.to = append(*f.to, f.text)
			}
		}
	}
	if last == "" && newest != nil {
		last = newest.Code
	}
	if last == "" {
		return n, nil
	}
	rec, err := s.lab.Register.Get(ctx, last, 0)
	if err != nil {
		return n, err
	}
	n.Last, err = outcomeOf(rec, w)
	return n, err
}

// A List is the samples that a query picks.
type List struct {
	Rows  []ListRow
	Of    int        // how many there are, shown or not
	Query url.Values // that picked them
	Sort  string
	Down  bool
	Today bool
	Lot   string // of the pictures that come next, else of the sample that came last
	Line  string
}

// With returns the address of the list with filters changed: names and values
// in turn, an empty value takes a filter out.
func (l List) With(changes ...string) string {
	v := url.Values{}
	for name, values := range l.Query {
		v[name] = values
	}
	for i := 0; i+1 < len(changes); i += 2 {
		if v.Set(changes[i], changes[i+1]); changes[i+1] == "" {
			v.Del(changes[i])
		}
	}
	return strings.TrimSuffix("/?"+v.Encode(), "?")
}

// By returns the address of the list sorted by a column, the other way round
// where it is that already.
func (l List) By(column string) string {
	down := "1"
	if l.Sort == column && l.Down {
		down = ""
	}
	return l.With("sort", column, "down", down)
}

// Order returns how the list is sorted by a column, as ARIA has it.
func (l List) Order(column string) string {
	switch {
	case l.Sort != column:
		return "none"
	case l.Down:
		return "descending"
	}
	return "ascending"
}

// All reports whether no day, lot or line is picked.
func (l List) All() bool {
	return l.Query.Get("day")+l.Query.Get("lot")+l.Query.Get("line") == ""
}

// A ListRow is a sample in the list.
type ListRow struct {
	samples.Row
	Outcome  string
	Doubts   []string
	Standing []string
}

// mostRows is how many samples a list shows at once. Our own choice: more are
// found by searching.
const mostRows = 200

// listQuery reads the filters of an address: text, day (today), from, to, lot,
// line, party, variety, grade, withdrawn.
func listQuery(v url.Values) (samples.Query, error) {
	q := samples.Query{
		Text: v.Get("text"), Lot: v.Get("lot"), Line: v.Get("line"), Party: v.Get("party"), Variety: v.Get("variety"),
		Grade: v.Get("grade"), Withdrawn: v.Get("withdrawn") != "",
	}
	if v.Get("day") == "today" {
		q.From = midnight(time.Now())
	}
	for name, to := range map[string]*time.Time{"from": &q.From, "to": &q.To} {
		if text := v.Get(name); text != "" {
			at, err := samples.ParseTime(text)
			if err != nil {
				return q, err
			}
			*to = at
			if name == "to" && len(text) == len(time.DateOnly) {
				*to = at.AddDate(0, 0, 1) // the whole day
			}
		}
	}
	return q, nil
}

// sorts are what the list can be sorted by.
var sorts = map[string]func(a, b *samples.Row) int{
	"time":    func(a, b *samples.Row) int { return a.At.Compare(b.At) },
	"code":    func(a, b *samples.Row) int { return strings.Compare(a.Code, b.Code) },
	"lot":     func(a, b *samples.Row) int { return strings.Compare(a.Lot, b.Lot) },
	"line":    func(a, b *samples.Row) int { return strings.Compare(a.Line, b.Line) },
	"broken":  func(a, b *samples.Row) int { return cmp.Compare(a.BrokenMass.Value, b.BrokenMass.Value) },
	"kernels": func(a, b *samples.Row) int { return cmp.Compare(a.Kernels, b.Kernels) },
	"outcome": func(a, b *samples.Row) int { return strings.Compare(a.Outcome(), b.Outcome()) },
}

func (s *Server) list(r *http.Request) (List, error) {
	v := r.URL.Query()
	l := List{Query: v, Sort: "time", Down: true, Today: v.Get("day") == "today"}
	if by := v.Get("sort"); sorts[by] != nil {
		l.Sort, l.Down = by, v.Get("down") != ""
	}
	q, err := listQuery(v)
	if err != nil {
		return l, err
	}
	rows, err := s.lab.Register.List(r.Context(), q)
	if err != nil {
		return l, err
	}
	slices.SortStableFunc(rows, func(a, b samples.Row) int {
		c := sorts[l.Sort](&a, &b)
		if l.Down {
			return -c
		}
		return c
	})
	l.Of = len(rows)
	if err := s.current(r.Context(), &l); err != nil {
		return l, err
	}
	w := s.words(r)
	for i := range rows[:min(len(rows), mostRows)] {
		l.Rows = append(l.Rows, listRow(&rows[i], w))
	}
	return l, nil
}

// current finds the lot and the line that are worked on.
func (s *Server) current(ctx context.Context, l *List) error {
	_, next, last, _ := s.lab.News.state()
	l.Lot, l.Line = next.Lot, next.Line
	if last == "" || l.Lot != "" && l.Line != "" {
		return nil
	}
	rec, err := s.lab.Register.Get(ctx, last, 0)
	if errors.Is(err, samples.ErrNotFound) {
		return nil
	}
	if err == nil {
		l.Lot, l.Line = cmp.Or(l.Lot, rec.Facts.Lot), cmp.Or(l.Line, rec.Facts.Line)
	}
	return err
}

func listRow(r *samples.Row, w *words.Words) ListRow {
	out := ListRow{Row: *r, Outcome: w.Said(report.Visible(r.Outcome()))}
	if r.NotProven {
		out.Doubts = append(out.Doubts, w.T("not proven"))
	}
	if r.Warnings > 0 {
		out.Doubts = append(out.Doubts, w.T("%d warnings", r.Warnings))
	}
	if r.Withdrawn {
		out.Standing = append(out.Standing, w.T("withdrawn, does not count"))
	}
	if m := r.AsMeasured; m != nil {
		before := w.Number(m.BrokenMass.Value, 2) + " %"
		if m.Untold {
			before = w.T("not told")
		}
		out.Standing = append(out.Standing, w.T("%d kernels corrected by %s; as measured %s, %s", r.Corrected, report.Visible(strings.Join(r.By, ", ")), before, w.Said(report.Visible(m.Outcome))))
	}
	return out
}

func (s *Server) day(w http.ResponseWriter, r *http.Request) error {
	now, err := s.nowData(r.Context(), s.words(r))
	if err != nil {
		return err
	}
	list, err := s.list(r)
	if err != nil {
		return err
	}
	return s.page(w, r, "day.tmpl", "day", struct {
		Frame
		Now  Now
		List List
	}{s.frame(r, "day"), now, list})
}

func (s *Server) now(w http.ResponseWriter, r *http.Request) error {
	now, err := s.nowData(r.Context(), s.words(r))
	if err != nil {
		return err
	}
	return s.page(w, r, "now", "", now)
}

func (s *Server) rows(w http.ResponseWriter, r *http.Request) error {
	list, err := s.list(r)
	if err != nil {
		return err
	}
	return s.page(w, r, "rows", "", list)
}

// events tells a page of all that changes, as server-sent events (HTML living
// standard, 9.2).
func (s *Server) events(w http.ResponseWriter, r *http.Request) error {
	ended, stop := s.lab.News.listen()
	defer stop()
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	fmt.Fprint(w, "retry: 2000\n\n")
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		if err := out.Flush(); err != nil {
			return nil // gone
		}
		select {
		case <-r.Context().Done():
			return nil
		case <-beat.C:
			fmt.Fprint(w, ":\n\n")
		case e := <-ended:
			doc := struct {
				Ended []Ended `json:"ended"`
			}{[]Ended{}}
			for more := true; more; {
				if e != (Ended{}) {
					doc.Ended = append(doc.Ended, e)
				}
				select {
				case e = <-ended:
				default:
					more = false
				}
			}
			b, _ := json.Marshal(doc) // plain data
			fmt.Fprintf(w, "event: changed\ndata: %s\n\n", b)
		}
	}
}

func (s *Server) trend(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	q, err := listQuery(v)
	if err != nil {
		return err
	}
	q.Withdrawn = false
	rows, err := s.lab.Register.List(r.Context(), q)
	if err != nil {
		return err
	}
	charts, err := samples.TrendOf(rows, v.Get("by"))
	if err != nil {
		return err
	}
	var svg bytes.Buffer
	if len(charts) > 0 {
		if err := report.TrendSVG(&svg, charts); err != nil {
			return err
		}
	}
	_, picture, _ := strings.Cut(svg.String(), "<svg") // without the prolog of a file
	if picture != "" {
		// The page's policy lets no style in but its own sheet, which has the
		// picture's one rule.
		before, rest, _ := strings.Cut(picture, "<style>")
		_, rest, _ = strings.Cut(rest, "</style>")
		picture = "<svg" + before + rest
	}
	return s.page(w, r, "trend.tmpl", "trend", struct {
		Frame
		Query  url.Values
		By     string
		Groups []string
		Charts []samples.Chart
		SVG    template.HTML
	}{s.frame(r, "trend"), v, v.Get("by"), samples.GroupBy, charts, template.HTML(picture)})
}

func (s *Server) agreement(w http.ResponseWriter, r *http.Request) error {
	q, err := listQuery(r.URL.Query())
	if err != nil {
		return err
	}
	a, err := s.lab.Register.Agreement(r.Context(), q)
	if err != nil {
		return err
	}
	return s.page(w, r, "agreement.tmpl", "agreement", struct {
		Frame
		Agreement *samples.Agreement
		Query     url.Values
	}{s.frame(r, "agreement"), a, r.URL.Query()})
}

// setNext says what is entered with the pictures that come next.
func (s *Server) setNext(w http.ResponseWriter, r *http.Request) error {
	if err := form(w, r); err != nil {
		return err
	}
	f := r.PostForm
	n := Next{
		Code: strings.TrimSpace(f.Get("code")), Lot: strings.TrimSpace(f.Get("lot")), Line: strings.TrimSpace(f.Get("line")),
		Party: strings.TrimSpace(f.Get("party")), Variety: strings.TrimSpace(f.Get("variety")),
	}
	if n.Code != "" {
		if err := samples.CheckCode(n.Code); err != nil {
			return err
		}
		switch _, err := s.lab.Register.Get(r.Context(), n.Code, 0); {
		case err == nil:
			return &refusal{status: http.StatusConflict, text: s.words(r).T("the code %s belongs to a sample already", n.Code), hint: s.words(r).T("read the code of the sample that is scanned next")}
		case !errors.Is(err, samples.ErrNotFound):
			return err
		}
	}
	facts := samples.Facts{Lot: n.Lot, Line: n.Line, Party: n.Party, Variety: n.Variety}
	if err := facts.Validate(); err != nil {
		return err
	}
	s.lab.News.SetNext(n)
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

// take takes a picture that was dropped on the page or made with a camera.
func (s *Server) take(w http.ResponseWriter, r *http.Request) error {
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		return s.takeForm(w, r)
	}
	name := r.URL.Query().Get("name")
	name, err := s.lab.Take(r.Context(), name, http.MaxBytesReader(w, r.Body, vision.MaxFileBytes))
	if err != nil {
		return err
	}
	return answer(w, http.StatusCreated, map[string]string{"name": name})
}

// takeForm takes the pictures of a form that a browser without scripts sends.
func (s *Server) takeForm(w http.ResponseWriter, r *http.Request) error {
	parts, err := r.MultipartReader()
	for err == nil {
		var part *multipart.Part
		if part, err = parts.NextPart(); err == nil && part.FileName() != "" {
			_, err = s.lab.Take(r.Context(), part.FileName(), http.MaxBytesReader(w, part, vision.MaxFileBytes))
		}
	}
	if err != io.EOF {
		return err
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

// A SamplePage is the page of one sample.
type SamplePage struct {
	Frame
	Code        string
	Revision    int
	Present     bool // nothing came after it
	Result      *Outcome
	Record      *samples.Record
	History     []samples.Entry
	Reasons     []string
	Pictures    []string
	Corrections []correct.Correction
}

// record returns the revision of a sample that a request asks for, and the
// number of its last one.
func (s *Server) record(r *http.Request) (rec *samples.Record, last int, err error) {
	code := r.PathValue("code")
	n := 0
	if text := r.URL.Query().Get("revision"); text != "" {
		if n, err = strconv.Atoi(text); err != nil || n < 0 {
			return nil, 0, &refusal{status: http.StatusBadRequest, text: "there is no revision " + text}
		}
	}
	if rec, err = s.lab.Register.Get(r.Context(), code, 0); err != nil {
		return nil, 0, err
	}
	last = rec.Revision
	if n != 0 && n != last {
		rec, err = s.lab.Register.Get(r.Context(), code, n)
	}
	return rec, last, err
}

func (s *Server) sample(w http.ResponseWriter, r *http.Request) error {
	rec, last, err := s.record(r)
	if err != nil {
		return err
	}
	go func() { // it is asked for in a moment
		s.gallery.load(&rec.Pictures[0])
	}()
	in := s.words(r)
	o, err := outcomeOf(rec, in)
	if err != nil {
		return err
	}
	history, err := s.lab.Register.History(r.Context(), rec.Code)
	if err != nil {
		return err
	}
	p := SamplePage{
		Frame: s.frame(r, "sample"), Code: rec.Code, Revision: rec.Revision, Present: rec.Revision == last, Result: o, Record: rec,
		History: history, Reasons: correct.Reasons, Corrections: rec.Corrections,
	}
	for i := range rec.Pictures {
		p.Pictures = append(p.Pictures, baseName(rec.Pictures[i].Path))
	}
	return s.page(w, r, "sample.tmpl", "sample", p)
}

// learnedAgreement returns what people changed so far, as of a minute ago at
// most.
func (s *Server) learnedAgreement(ctx context.Context) *samples.Agreement {
	s.learning.Lock()
	defer s.learning.Unlock()
	if time.Since(s.asOf) > learnEvery {
		a, err := s.lab.Register.Agreement(ctx, samples.Query{})
		if err != nil {
			s.lab.Log(err)
			return s.learned
		}
		s.learned, s.asOf = a, time.Now()
	}
	return s.learned
}

func (s *Server) kernels(w http.ResponseWriter, r *http.Request) error {
	rec, last, err := s.record(r)
	if err != nil {
		return err
	}
	d, err := documentOf(rec, s.words(r), s.learnedAgreement(r.Context()))
	if err != nil {
		return err
	}
	d.Present = rec.Revision == last
	return answer(w, http.StatusOK, d)
}

// picturesOf returns the pictures of a sample. They never change, and a code that
// a sample had leads to no other, so that a tile costs no look into the register.
func (s *Server) picturesOf(ctx context.Context, code string) ([]samples.Picture, error) {
	if p, ok := s.pictures.Load(code); ok {
		return p.([]samples.Picture), nil
	}
	rec, err := s.lab.Register.Get(ctx, code, 0)
	if err != nil {
		return nil, err
	}
	s.pictures.Store(code, rec.Pictures)
	return rec.Pictures, nil
}

// whichPicture returns the picture that a request asks for.
func (s *Server) whichPicture(r *http.Request) (*samples.Picture, error) {
	all, err := s.picturesOf(r.Context(), r.PathValue("code"))
	if err != nil {
		return nil, err
	}
	n, err := strconv.Atoi(r.URL.Query().Get("picture"))
	if err != nil || n < 1 || n > len(all) {
		return nil, &refusal{status: http.StatusNotFound, text: "the sample has no such picture"}
	}
	return &all[n-1], nil
}

func (s *Server) tile(w http.ResponseWriter, r *http.Request) error {
	n, err := numbers(r, "level", "x", "y")
	if err != nil {
		return err
	}
	p, err := s.whichPicture(r)
	if err != nil {
		return err
	}
	b, err := s.gallery.tile(p, n[0], n[1], n[2])
	return picture(w, r, b, err)
}

func (s *Server) crop(w http.ResponseWriter, r *http.Request) error {
	n, err := numbers(r, "x", "y", "w", "h", "to")
	if err != nil {
		return err
	}
	p, err := s.whichPicture(r)
	if err != nil {
		return err
	}
	if n[2] < 1 || n[3] < 1 || n[4] < 16 || n[4] > 2048 {
		return noPart()
	}
	b, err := s.gallery.crop(p, image.Rect(n[0], n[1], n[0]+n[2], n[1]+n[3]), n[4])
	return picture(w, r, b, err)
}

// numbers reads whole numbers of an address, within what a picture can have.
func numbers(r *http.Request, names ...string) ([]int, error) {
	out := make([]int, len(names))
	for i, name := range names {
		n, err := strconv.Atoi(r.URL.Query().Get(name))
		if err != nil || n < -1<<20 || n > 1<<20 {
			return nil, noPart()
		}
		out[i] = n
	}
	return out, nil
}

// picture writes a part of a picture. Its address holds the picture's check
// sum, so it may be kept.
func picture(w http.ResponseWriter, r *http.Request, b []byte, err error) error {
	if err != nil {
		return err
	}
	if r.URL.Query().Get("v") != "" {
		w.Header().Set("Cache-Control", "private, max-age=86400")
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Write(b)
	return nil
}
