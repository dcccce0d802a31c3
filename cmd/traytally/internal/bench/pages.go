package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
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
}

func (s *Server) frame(r *http.Request, here string) Frame {
	w := s.words(r)
	return Frame{
		Here: here, Folder: report.Visible(s.lab.Folder), Version: s.lab.Version, Tag: w.Tag(), Note: w.Note(),
		Languages: words.Languages(), By: report.Visible(cookie(r, cookieBy)), Words: w,
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

// An Outcome is the result of a sample with what it comes to.
type Outcome struct {
	*grading.Result
	Row     samples.Row
	Signal  string
	Under   string // by what it was judged
	Limit   string // the limit that decides, and what was found
	Missing []grading.NotAssessed
	Limits  []grading.Line // assessed ones of the grade found, and those that keep it out of a better one
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
	o := &Outcome{Result: res, Row: *row, Signal: signalOf(res), Missing: res.NotAssessed}
	switch {
	case res.Grade != nil:
		o.judgedBy(res.Grade, w)
	case res.TradeClass != nil:
		o.Under = w.T("trade class, common practice; no standard was applied")
		if limit := res.TradeClass.LimitPct; limit != nil {
			o.Limit = w.T("limit %s %%, found %s %%", w.Number(*limit, -1), w.Number(res.Broken.MassPct.Value, 2))
		}
	}
	return o, nil
}

func (o *Outcome) judgedBy(g *grading.Grade, w *words.Words) {
	o.Under = report.Visible(g.Title + ", " + g.Edition)
	o.Missing = slices.Concat(o.Missing, g.NotAssessed)
	said := func(text string) string { return w.Said(report.Visible(text)) }
	switch {
	case len(g.Limiting) > 0:
		l := &g.Limiting[0]
		o.Limit = w.T("%s: limit %s, found %s", said(l.Limit), said(l.LimitText), said(l.ValueText))
	case g.ClosestLimit != nil:
		c := g.ClosestLimit
		o.Limit = w.T("%s: limit %s, found %s", said(c.Name), w.Number(c.LimitValue, -1)+" "+c.Unit, w.Number(c.Value, 2)+" "+c.Unit)
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
			if r.Doubts(nil) != "" {
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
			told := []Ended{}
			for more := true; more; {
				if e != (Ended{}) {
					told = append(told, e)
				}
				select {
				case e = <-ended:
				default:
					more = false
				}
			}
			b, _ := json.Marshal(map[string][]Ended{"ended": told}) // plain data
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
	// The page's policy lets no style in but its own sheet, which has the
	// picture's one rule.
	picture, rest, _ := strings.Cut(svg.String(), "<style>")
	_, rest, _ = strings.Cut(rest, "</style>")
	return s.page(w, r, "trend.tmpl", "trend", struct {
		Frame
		Query  url.Values
		By     string
		Groups []string
		Charts []samples.Chart
		SVG    template.HTML
	}{s.frame(r, "trend"), v, v.Get("by"), samples.GroupBy, charts, template.HTML(picture + rest)})
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
