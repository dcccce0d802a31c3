package bench

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"traytally/samples"
)

// A List is the samples that a query picks.
type List struct {
	Rows  []samples.Row
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
	l.Rows, l.Of = rows[:min(len(rows), mostRows)], len(rows)
	return l, s.current(r.Context(), &l)
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
