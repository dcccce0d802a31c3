// Package bench serves the page in the browser on which a clerk sees pictures
// come in, looks at samples kernel by kernel, puts them right and prints their
// papers. It measures nothing by itself: the watching of the folder does, and
// the register and package correct hold and change what there is.
//
// The page needs no network and no other program: all that it is made of is
// embedded. It speaks to this server alone and is spoken to by its own pages
// alone: names of hosts that it was not started for are refused, and so is
// what another site's page sends.
package bench

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision/kernel/fault"
)

// A Lab is what the page works on.
type Lab struct {
	Folder   string // that pictures come into, as it is shown
	Version  string
	Register *samples.Register
	News     *News
	// Find returns a picture of a sample, nil where it is not at hand.
	Find func(*samples.Picture) *pipeline.Source
	// Take writes a picture into the folder under a name like this one, which
	// it returns.
	Take func(ctx context.Context, name string, body io.Reader) (string, error)
	// Report writes the report of a record, of kind html, pdf or page.
	Report func(ctx context.Context, w io.Writer, rec *samples.Record, kind string, in *words.Words) error
	// Label writes the label of a record, of kind code128 or qr, as SVG.
	Label func(w io.Writer, rec *samples.Record, kind string, in *words.Words) error
	// Changed is told of a sample that was changed, to write its files anew.
	Changed func(code string)
	// Log takes what goes wrong inside; nil drops it.
	Log func(error)
}

// Options say who may speak to the page.
type Options struct {
	// Hosts are the names and addresses, with their port, by which the page may
	// be called.
	Hosts []string
	// Token is asked for where it is not empty.
	Token string
	// Secure says that it is served over TLS.
	Secure bool
}

// A Server is the page.
type Server struct {
	lab       Lab
	o         Options
	gallery   *gallery
	templates *template.Template // never executed, so that they can be cloned
	ready     sync.Map           // those of each language and page, see template
	pictures  sync.Map           // of samples, by their code, see picturesOf
	secret    []byte             // of the cookie that stands for the token
	entering  sync.Mutex

	learning sync.Mutex
	learned  *samples.Agreement
	asOf     time.Time
}

//go:embed templates static
var files embed.FS

// Limits of what is sent to the page, and for how long it works. Our own
// choice: a sample with every kernel corrected has some hundred kB.
const (
	mostJSON    = 4 << 20
	mostForm    = 64 << 10
	wrongToken  = time.Second      // between two tries of a token
	heartbeat   = 20 * time.Second // so that a listener that is gone is noticed
	readHeader  = 10 * time.Second
	idle        = 2 * time.Minute
	learnEvery  = time.Minute
	cookieToken = "traytally-pass"
	cookieBy    = "traytally-by"
	cookieTag   = "traytally-language"
)

// New returns the page of a lab.
func New(lab Lab, o Options) (*Server, error) {
	s := &Server{lab: lab, o: o, gallery: newGallery(lab.Find)}
	if lab.Log == nil {
		s.lab.Log = func(error) {}
	}
	sum := sha256.Sum256([]byte("traytally bench " + o.Token))
	s.secret = sum[:]
	var err error
	// The functions of a page's language take the place of these.
	s.templates, err = template.New("").Funcs(s.funcs(words.In("en"))).ParseFS(files, "templates/*.tmpl")
	return s, err
}

// HTTP returns the server of the page, without its address. Its requests end
// with ctx.
func (s *Server) HTTP(ctx context.Context) *http.Server {
	return &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: readHeader, IdleTimeout: idle, MaxHeaderBytes: 64 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
}

// Handler returns all that is served, behind the checks of who asks.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	handle := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := h(w, r); err != nil {
				s.fail(w, r, err)
			}
		})
	}
	handleForm := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		handle(pattern, func(w http.ResponseWriter, r *http.Request) error {
			if err := form(w, r); err != nil {
				return err
			}
			return h(w, r)
		})
	}
	handle("GET /{$}", s.day)
	handle("GET /now", s.now)
	handle("GET /rows", s.rows)
	handle("GET /events", s.events)
	handle("GET /trend", s.trend)
	handle("GET /agreement", s.agreement)
	handle("GET /help", func(w http.ResponseWriter, r *http.Request) error {
		return s.page(w, r, "help.tmpl", "help", s.frame(r, "help"))
	})
	handle("POST /pictures", s.take)
	handleForm("POST /next", s.setNext)
	handleForm("POST /language", s.language)
	handle("GET /sample/{code}", s.sample)
	handle("GET /sample/{code}/kernels", s.kernels)
	handle("GET /sample/{code}/tile", s.tile)
	handle("GET /sample/{code}/crop", s.crop)
	handle("POST /sample/{code}/try", s.try)
	handle("POST /sample/{code}/save", s.save)
	handleForm("POST /sample/{code}/withdraw", s.withdraw)
	handleForm("POST /sample/{code}/rename", s.rename)
	handleForm("POST /sample/{code}/facts", s.facts)
	handle("GET /sample/{code}/report", s.report)
	handle("GET /sample/{code}/label", s.label)
	handle("GET /sample/{code}/corrections", s.corrections)
	handle("GET /static/{name}", s.static)
	handle("GET /login", s.login)
	handleForm("POST /login", s.enter)
	handle("/", func(http.ResponseWriter, *http.Request) error {
		return &refusal{status: http.StatusNotFound, text: "there is no such page", hint: "begin with the day"}
	})
	// Posts of other sites' pages are refused by Sec-Fetch-Site or Origin.
	return s.guard(http.NewCrossOriginProtection().Handler(mux))
}

// guard lets through only what is meant for this page, from who may see it.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; font-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !slices.Contains(s.o.Hosts, strings.ToLower(r.Host)) {
			// A name that somebody made lead here: DNS rebinding.
			http.Error(w, "this page is not served under this name", http.StatusMisdirectedRequest)
			return
		}
		if r.Method == http.MethodPost {
			// Browsers say where a post comes from; what says nothing is refused.
			if o := r.Header.Get("Origin"); o != s.origin(r) {
				http.Error(w, "this page takes only what its own pages send", http.StatusForbidden)
				return
			}
		}
		if !s.known(r) && r.URL.Path != "/login" && !strings.HasPrefix(r.URL.Path, "/static/") {
			if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
				http.Redirect(w, r, "/login", http.StatusSeeOther)
				return
			}
			http.Error(w, "a token is asked for", http.StatusUnauthorized)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) origin(r *http.Request) string {
	if s.o.Secure {
		return "https://" + strings.ToLower(r.Host)
	}
	return "http://" + strings.ToLower(r.Host)
}

// pass is what the cookie of somebody who knows the token holds.
func (s *Server) pass() string {
	m := hmac.New(sha256.New, s.secret)
	m.Write([]byte("pass"))
	return hex.EncodeToString(m.Sum(nil))
}

// known reports whether somebody gave the token, or none is asked for. A
// program may send it as a bearer token (RFC 6750).
func (s *Server) known(r *http.Request) bool {
	if s.o.Token == "" {
		return true
	}
	if c, err := r.Cookie(cookieToken); err == nil && same(c.Value, s.pass()) {
		return true
	}
	given, bearer := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return bearer && same(given, s.o.Token)
}

// same compares in a time that does not tell where two texts differ.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) error {
	if s.known(r) {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	return s.page(w, r, "login.tmpl", "login", s.frame(r, "login"))
}

// enter takes a token. Tries wait for each other, and a wrong one for a while:
// so many cannot be tried.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) error {
	s.entering.Lock()
	right := same(r.PostForm.Get("token"), s.o.Token) && s.o.Token != ""
	if !right {
		time.Sleep(wrongToken)
	}
	s.entering.Unlock()
	if !right {
		return &refusal{status: http.StatusForbidden, text: "this is not the token", hint: "ask whoever started the bench", back: "/login"}
	}
	s.setCookie(w, cookieToken, s.pass(), true)
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

func (s *Server) setCookie(w http.ResponseWriter, name, value string, secret bool) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: url.QueryEscape(value), Path: "/", MaxAge: 180 * 24 * 3600,
		HttpOnly: secret, Secure: s.o.Secure, SameSite: http.SameSiteStrictMode,
	})
}

func cookie(r *http.Request, name string) string {
	c, err := r.Cookie(name)
	if err != nil {
		return ""
	}
	v, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return v
}

func (s *Server) language(w http.ResponseWriter, r *http.Request) error {
	s.setCookie(w, cookieTag, words.In(r.PostForm.Get("language")).Tag(), false)
	http.Redirect(w, r, back(r), http.StatusSeeOther)
	return nil
}

// back is the page of ours that a form was on.
func back(r *http.Request) string {
	u, err := url.Parse(r.Referer())
	if err != nil || u.Host != r.Host || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	return (&url.URL{Path: u.Path, RawQuery: u.RawQuery}).String()
}

func (s *Server) words(r *http.Request) *words.Words {
	return words.In(cmp.Or(cookie(r, cookieTag), r.Header.Get("Accept-Language")))
}

// form reads a form of at most mostForm bytes.
func form(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		return &refusal{status: http.StatusBadRequest, text: "the form cannot be read", hint: "go back and send it again"}
	}
	return nil
}

// A refusal is a request that cannot be carried out.
type refusal struct {
	status     int
	text, hint string
	back       string
	more       map[string]any // for the page's own scripts
}

func (e *refusal) Error() string { return e.text }

// fail answers with what went wrong: as a page, or as JSON to a script.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return // nobody listens any more
	}
	f, ok := errors.AsType[*refusal](err)
	if !ok {
		f = &refusal{status: http.StatusUnprocessableEntity, text: err.Error()}
		if e := fault.Of(err); e != nil {
			f.hint = e.Hint
		}
		_, gone := errors.AsType[*goneError](err)
		switch {
		case errors.Is(err, samples.ErrNotFound), gone:
			f.status = http.StatusNotFound
		case errors.Is(err, samples.ErrChanged), errors.Is(err, samples.ErrCodeTaken):
			f.status = http.StatusConflict
		case errors.Is(err, samples.ErrFull):
			f.status = http.StatusInsufficientStorage
		case errors.Is(err, samples.ErrBusy):
			f.status = http.StatusServiceUnavailable
		}
		if _, big := errors.AsType[*http.MaxBytesError](err); big {
			f.status, f.text, f.hint = http.StatusRequestEntityTooLarge, "this is too large", "send less"
		}
		if f.hint == "" && f.status == http.StatusUnprocessableEntity {
			s.lab.Log(err)
		}
	}
	text, hint := report.Visible(s.words(r).Said(f.text)), report.Visible(s.words(r).Said(f.hint))
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		data := struct {
			Frame
			Text, Hint, Back string
		}{s.frame(r, ""), text, hint, cmp.Or(f.back, back(r))}
		if s.render(w, r, f.status, "error.tmpl", "error", data) == nil {
			return
		}
	}
	doc := map[string]any{"error": text, "hint": hint}
	for k, v := range f.more {
		doc[k] = v
	}
	answer(w, f.status, doc)
}

// answer writes JSON.
func answer(w http.ResponseWriter, status int, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(b) // who went away needs no answer
	return nil
}

// read reads JSON of at most mostJSON bytes, of known fields only.
func read(w http.ResponseWriter, r *http.Request, v any) error {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostJSON))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil && d.More() {
		err = fmt.Errorf("more follows")
	}
	if err != nil {
		if _, big := errors.AsType[*http.MaxBytesError](err); big {
			return err
		}
		return &refusal{status: http.StatusBadRequest, text: "the request cannot be read: " + err.Error(), hint: "load the page again"}
	}
	return nil
}

// static serves the page's own files. Their address holds their check sum, so
// they may be kept for ever.
func (s *Server) static(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("name")
	data, err := asset(name)
	if err != nil {
		return &refusal{status: http.StatusNotFound, text: "there is no such file"}
	}
	types := map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml", ".json": "application/json"}
	w.Header().Set("Content-Type", types[filepath.Ext(name)])
	if r.URL.Query().Get("v") == samples.Sum(data)[:12] {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Write(data)
	return nil
}

func asset(name string) ([]byte, error) {
	if !fs.ValidPath(name) || strings.Contains(name, "/") {
		return nil, fs.ErrNotExist
	}
	if name == "words.js" {
		return []byte(words.Script), nil
	}
	return files.ReadFile("static/" + name)
}

// page writes a whole page.
func (s *Server) page(w http.ResponseWriter, r *http.Request, file, main string, data any) error {
	return s.render(w, r, http.StatusOK, file, main, data)
}

// render executes a template file whose block of that name is a page's main
// part, or with main empty the block that file names alone.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, file, main string, data any) error {
	b, err := s.executed(s.words(r), file, main, data)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(b)
	return nil
}

func (s *Server) executed(in *words.Words, file, main string, data any) ([]byte, error) {
	t, err := s.template(in, file, main)
	if err != nil {
		return nil, err
	}
	name := "layout"
	if main == "" {
		name = file
	}
	var b bytes.Buffer
	err = t.ExecuteTemplate(&b, name, data)
	return b.Bytes(), err
}

// template returns the templates in a language, with the main part of a page
// where main is not empty. They are made when they are first asked for.
func (s *Server) template(in *words.Words, file, main string) (*template.Template, error) {
	key := in.Tag()
	if main != "" {
		key += "/" + file
	}
	if t, ok := s.ready.Load(key); ok {
		return t.(*template.Template), nil
	}
	t, err := s.templates.Clone()
	if err != nil {
		return nil, err
	}
	t.Funcs(s.funcs(in))
	if main != "" { // every page's file defines "main": the one that is asked for last counts
		if t, err = t.ParseFS(files, "templates/"+file); err != nil {
			return nil, err
		}
	}
	s.ready.Store(key, t)
	return t, nil
}
