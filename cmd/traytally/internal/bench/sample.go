package bench

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"traytally/grading/correct"
	"traytally/samples"
)

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
