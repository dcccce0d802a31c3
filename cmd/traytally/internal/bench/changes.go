package bench

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/vision"
)

// A wish is what the page asks to be laid on a sample.
type wish struct {
	Revision    int                  `json:"revision"` // that was looked at
	Corrections []correct.Correction `json:"corrections"`
	Why         string               `json:"why"`
	By          string               `json:"by"`
}

// try lays corrections on a sample without saving them.
func (s *Server) try(w http.ResponseWriter, r *http.Request) error {
	var in wish
	if err := read(w, r, &in); err != nil {
		return err
	}
	rec, err := s.lab.Register.Get(r.Context(), r.PathValue("code"), in.Revision)
	if err != nil {
		return err
	}
	said := make([]correct.Correction, len(in.Corrections))
	for i, c := range in.Corrections {
		said[i] = c.Said()
	}
	if err := rec.Correct(said, cmp.Or(strings.TrimSpace(in.By), "?"), vision.PieceOf); err != nil {
		return err
	}
	lang := s.words(r)
	d, err := documentOf(rec, lang, s.learnedAgreement(r.Context()))
	if err != nil {
		return err
	}
	d.Corrections = in.Corrections
	o, err := outcomeOf(rec, lang)
	if err != nil {
		return err
	}
	html, err := s.executed(lang, "result", "", o)
	if err != nil {
		return err
	}
	return answer(w, http.StatusOK, struct {
		Kernels *document `json:"kernels"`
		Result  string    `json:"result"`
	}{d, string(html)})
}

// save lays corrections on a sample for good, as a new revision.
func (s *Server) save(w http.ResponseWriter, r *http.Request) error {
	var in wish
	if err := read(w, r, &in); err != nil {
		return err
	}
	code := r.PathValue("code")
	rec, err := s.change(w, r, in.By, in.Why, func(ctx context.Context, why string) (*samples.Record, error) {
		return s.lab.Register.Correct(ctx, code, why, in.Revision, in.Corrections, vision.PieceOf)
	})
	if errors.Is(err, samples.ErrChanged) {
		return s.conflict(r, code, err)
	}
	if err != nil {
		return err
	}
	return answer(w, http.StatusOK, map[string]any{"revision": rec.Revision, "code": rec.Code})
}

// conflict tells who was quicker.
func (s *Server) conflict(r *http.Request, code string, cause error) error {
	lang := s.words(r)
	f := &refusal{status: http.StatusConflict, text: cause.Error(), hint: lang.T("nothing was saved; load the sample anew and put your corrections in")}
	history, err := s.lab.Register.History(r.Context(), code)
	if err == nil && len(history) > 0 {
		last := history[len(history)-1]
		f.text = lang.T("%s changed this sample in the meantime: %s", last.Actor, last.Reason)
		f.more = map[string]any{"revision": last.Revision, "by": last.Actor, "at": lang.DateTime(last.At.Local())}
	}
	return f
}

// change makes a change of the register in somebody's name, and tells of it.
func (s *Server) change(w http.ResponseWriter, r *http.Request, by, why string, do func(ctx context.Context, why string) (*samples.Record, error)) (*samples.Record, error) {
	lang := s.words(r)
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	switch {
	case by == "":
		return nil, &refusal{status: http.StatusUnprocessableEntity, text: lang.T("nobody is named"), hint: lang.T("say who makes the change")}
	case why == "":
		return nil, &refusal{status: http.StatusUnprocessableEntity, text: lang.T("a change of the register needs a reason"), hint: lang.T("choose one, or write your own")}
	}
	ctx, err := samples.By(r.Context(), by)
	if err != nil {
		return nil, err
	}
	rec, err := do(ctx, why)
	if err != nil {
		return nil, err
	}
	s.setCookie(w, cookieBy, by, false)
	s.learning.Lock()
	s.asOf = s.asOf.Add(-learnEvery)
	s.learning.Unlock()
	s.lab.Changed(rec.Code)
	s.lab.News.Changed(rec.Code)
	return rec, nil
}

// changeByForm is change for a form: it leads back to the sample.
func (s *Server) changeByForm(w http.ResponseWriter, r *http.Request, do func(ctx context.Context, why string) (*samples.Record, error)) error {
	rec, err := s.change(w, r, r.PostForm.Get("by"), cmp.Or(strings.TrimSpace(r.PostForm.Get("other")), r.PostForm.Get("why")), do)
	if err != nil {
		return err
	}
	http.Redirect(w, r, "/sample/"+url.PathEscape(rec.Code), http.StatusSeeOther)
	return nil
}

func (s *Server) withdraw(w http.ResponseWriter, r *http.Request) error {
	return s.changeByForm(w, r, func(ctx context.Context, why string) (*samples.Record, error) {
		return s.lab.Register.Withdraw(ctx, r.PathValue("code"), why, r.PostForm.Get("undo") == "")
	})
}

func (s *Server) rename(w http.ResponseWriter, r *http.Request) error {
	return s.changeByForm(w, r, func(ctx context.Context, why string) (*samples.Record, error) {
		return s.lab.Register.Rename(ctx, r.PathValue("code"), strings.TrimSpace(r.PostForm.Get("to")), why)
	})
}

// facts changes the facts that a form holds; those that it lacks stay.
func (s *Server) facts(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	number := func(name string, to **float64) error {
		text := strings.TrimSpace(strings.Replace(f.Get(name), ",", ".", 1)) // a decimal comma is one
		if text == "" {
			*to = nil
			return nil
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return &refusal{status: http.StatusUnprocessableEntity, text: s.words(r).T("%s is no number", f.Get(name)), hint: s.words(r).T("write it like 13.4")}
		}
		*to = &v
		return nil
	}
	return s.changeByForm(w, r, func(ctx context.Context, why string) (*samples.Record, error) {
		return s.lab.Register.Amend(ctx, r.PathValue("code"), why, func(facts *samples.Facts) error {
			for _, t := range facts.Texts() {
				if f.Has(t.Name) {
					*t.Text = strings.TrimSpace(strings.ReplaceAll(f.Get(t.Name), "\r\n", "\n"))
				}
			}
			if !f.Has("moisture") && !f.Has("mass") {
				return nil
			}
			var sheet grading.Sheet
			if facts.Sheet != nil {
				sheet = *facts.Sheet
			}
			for name, to := range map[string]**float64{"moisture": &sheet.MoisturePct, "mass": &sheet.SampleMassG} {
				if f.Has(name) {
					if err := number(name, to); err != nil {
						return err
					}
				}
			}
			facts.Sheet = &sheet
			if len(sheet.Entries()) == 0 && sheet.SampleMassG == nil {
				facts.Sheet = nil
			}
			return nil
		})
	})
}

// report writes a report of the revision that is asked for.
func (s *Server) report(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.record(r)
	if err != nil {
		return err
	}
	kind := cmp.Or(r.URL.Query().Get("kind"), "html")
	ending, mime := kind, "application/pdf"
	switch kind {
	case "html", "page":
		ending, mime = "html", "text/html; charset=utf-8"
	case "pdf":
	default:
		return &refusal{status: http.StatusNotFound, text: "there is no such kind of report"}
	}
	var b bytes.Buffer
	if err := s.lab.Report(r.Context(), &b, rec, kind, s.words(r)); err != nil {
		return err
	}
	if ending == "html" {
		// The report's own policy, in the document, is as strict, and lets its
		// own styles and its one script in.
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'")
	}
	w.Header().Set("Content-Type", mime)
	w.Header().Set("Content-Disposition", "inline; filename*=UTF-8''"+url.PathEscape(rec.Code+"."+ending))
	w.Write(b.Bytes())
	return nil
}

func (s *Server) label(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.record(r)
	if err != nil {
		return err
	}
	kind := cmp.Or(r.URL.Query().Get("kind"), "code128")
	if kind != "code128" && kind != "qr" {
		return &refusal{status: http.StatusNotFound, text: "there is no such kind of label"}
	}
	var b bytes.Buffer
	if err := s.lab.Label(&b, rec, kind, s.words(r)); err != nil {
		return err
	}
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Write(b.Bytes())
	return nil
}

// corrections writes those that hold as a file for log amend.
func (s *Server) corrections(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.record(r)
	if err != nil {
		return err
	}
	f := correct.File{Sample: rec.Code, Revision: rec.Revision, Corrections: rec.Corrections}
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Content-Disposition", "attachment; filename*=UTF-8''"+url.PathEscape(rec.Code+"-corrections.yaml"))
	w.Write(f.Encode())
	return nil
}
