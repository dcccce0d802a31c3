package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/grading/correct"
	"traytally/grading/standards"
	"traytally/samples"
	"traytally/samples/words"
	"traytally/vision/phantom"
)

// A bank is a bench with one sample of an invented mill, and who works on it.
type bank struct {
	*http.Client
	t       testing.TB
	url     string
	lab     *Lab
	changed []string
	path    string // of the sample's picture
}

// drawTray draws a tray; the same seed gives the same one.
func drawTray(t testing.TB, seed uint64, n int) []byte {
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.DPI = seed, n, 150
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "tray.png", img, p.DPI, 0))
	return b.Bytes()
}

func newBank(t testing.TB, o Options) *bank {
	dir := t.TempDir()
	b := &bank{t: t, path: filepath.Join(dir, "tray.png")}
	require.NoError(t, os.WriteFile(b.path, drawTray(t, 5, 50), 0o666))
	g, err := samples.Open(t.Context(), filepath.Join(dir, "r.db"), samples.OpenOptions{Create: true, Actor: "bench"})
	require.NoError(t, err)
	t.Cleanup(func() { g.Close() })
	std, err := standards.Lookup("us-long")
	require.NoError(t, err)
	s, err := pipeline.Resolve(t.Context(), pipeline.Request{Params: grading.DefaultParams(), Profile: grading.DefaultProfile(), Standard: std}, pipeline.Options{})
	require.NoError(t, err)
	sample, err := s.Grade(t.Context(), pipeline.Files(b.path), nil, pipeline.Options{})
	require.NoError(t, err)
	rec, err := sample.Record("K-1", samples.Facts{Lot: "L-7", Line: "2"})
	require.NoError(t, err)
	_, err = g.Add(t.Context(), rec)
	require.NoError(t, err)
	b.lab = &Lab{
		Folder: "scans", Version: "test", Register: g, News: NewNews(),
		Find: func(p *samples.Picture) *pipeline.Source { return pipeline.Files(p.Path)[0] },
		Take: func(_ context.Context, name string, body io.Reader) (string, error) {
			_, err := io.Copy(io.Discard, body)
			return name, err
		},
		Report: func(_ context.Context, w io.Writer, rec *samples.Record, kind string, in *words.Words) error {
			_, err := fmt.Fprint(w, kind, " of ", rec.Code, " revision ", rec.Revision, " in ", in.Tag())
			return err
		},
		Label: func(w io.Writer, rec *samples.Record, kind string, _ *words.Words) error {
			_, err := fmt.Fprint(w, kind, rec.Code)
			return err
		},
		Changed: func(code string) { b.changed = append(b.changed, code) },
		Log:     func(err error) { t.Error("a fault inside:", err) },
	}
	server := httptest.NewUnstartedServer(nil)
	o.Hosts = append(o.Hosts, server.Listener.Addr().String())
	page, err := New(*b.lab, o)
	require.NoError(t, err)
	server.Config.Handler = page.Handler()
	server.Start()
	t.Cleanup(server.Close)
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	b.url = server.URL
	b.Client = &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return b
}

// ask sends a request as the page's own scripts do, unless change says
// otherwise.
func (b *bank) ask(method, path, body string, change func(*http.Request)) (int, http.Header, string) {
	b.t.Helper()
	r, err := http.NewRequestWithContext(b.t.Context(), method, b.url+path, strings.NewReader(body))
	require.NoError(b.t, err)
	if method == http.MethodPost {
		r.Header.Set("Origin", b.url)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if change != nil {
		change(r)
	}
	resp, err := b.Do(r)
	require.NoError(b.t, err)
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	require.NoError(b.t, err)
	return resp.StatusCode, resp.Header, string(data)
}

func (b *bank) get(path string) string {
	b.t.Helper()
	code, _, body := b.ask("GET", path, "", nil)
	require.Equal(b.t, http.StatusOK, code, "%s: %s", path, body)
	return body
}

func (b *bank) document(code string) (d document) {
	b.t.Helper()
	require.NoError(b.t, json.Unmarshal([]byte(b.get("/sample/"+code+"/kernels")), &d))
	return d
}

func (b *bank) post(path string, doc any) (int, map[string]any) {
	b.t.Helper()
	raw, err := json.Marshal(doc)
	require.NoError(b.t, err)
	code, _, body := b.ask("POST", path, string(raw), nil)
	out := map[string]any{}
	require.NoError(b.t, json.Unmarshal([]byte(body), &out), body)
	return code, out
}

// What is not meant for the page, or comes from another one, gets nothing, also
// where a browser was led here under a foreign name.
func TestGuard(t *testing.T) {
	b := newBank(t, Options{})
	host := strings.TrimPrefix(b.url, "http://")
	form := "code=N-1"
	for name, x := range map[string]struct {
		method, path string
		change       func(*http.Request)
		want         int
	}{
		"own page":             {"GET", "/", nil, 200},
		"rebound name":         {"GET", "/", func(r *http.Request) { r.Host = "evil.example:" + strings.Split(host, ":")[1] }, 421},
		"rebound name, post":   {"POST", "/next", func(r *http.Request) { r.Host = "evil.example" }, 421},
		"name without port":    {"GET", "/", func(r *http.Request) { r.Host = "127.0.0.1" }, 421},
		"no name":              {"GET", "/", func(r *http.Request) { r.Host = " " }, 421},
		"own post":             {"POST", "/next", nil, 303},
		"foreign origin":       {"POST", "/next", func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403},
		"other port":           {"POST", "/next", func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }, 403},
		"other scheme":         {"POST", "/next", func(r *http.Request) { r.Header.Set("Origin", "https://"+host) }, 403},
		"opaque origin":        {"POST", "/next", func(r *http.Request) { r.Header.Set("Origin", "null") }, 403},
		"no origin":            {"POST", "/next", func(r *http.Request) { r.Header.Del("Origin") }, 403},
		"cross-site fetch":     {"POST", "/next", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403},
		"picture from outside": {"POST", "/pictures?name=a.png", func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403},
		"save from outside":    {"POST", "/sample/K-1/save", func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403},
		"another method":       {"DELETE", "/sample/K-1", nil, 404},
		"no such page":         {"GET", "/etc/passwd", nil, 404},
		"out of the files":     {"GET", "/static/..%2f..%2fserver.go", nil, 404},
		"a folder":             {"GET", "/static/", nil, 404},
		"out of the samples":   {"GET", "/sample/..%2F..%2Fr.db", nil, 404},
		"no such sample":       {"GET", "/sample/K-2/kernels", nil, 404},
		"no such revision":     {"GET", "/sample/K-1?revision=9", nil, 404},
		"no revision":          {"GET", "/sample/K-1?revision=x", nil, 400},
		"no such picture":      {"GET", "/sample/K-1/tile?picture=2&level=0&x=0&y=0", nil, 404},
	} {
		t.Run(name, func(t *testing.T) {
			code, h, body := b.ask(x.method, x.path, form, x.change)
			assert.Equal(t, x.want, code, body)
			if code != 400 { // refused before any page
				assert.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
				assert.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
				assert.Empty(t, h.Get("Access-Control-Allow-Origin"))
			}
			if code == 403 || code == 421 {
				assert.NotContains(t, body, "K-1")
			}
		})
	}
}

// Without the token there is nothing but the page that asks for it.
func TestToken(t *testing.T) {
	const token = "a long and secret one"
	b := newBank(t, Options{Token: token})
	for _, path := range []string{"/", "/now", "/rows", "/events", "/sample/K-1", "/sample/K-1/kernels", "/sample/K-1/tile?picture=1&level=0&x=0&y=0", "/trend"} {
		code, _, body := b.ask("GET", path, "", nil)
		assert.Equal(t, http.StatusUnauthorized, code, path)
		assert.NotContains(t, body, "K-1")
		code, h, _ := b.ask("GET", path, "", func(r *http.Request) { r.Header.Set("Accept", "text/html") })
		assert.Equal(t, http.StatusSeeOther, code, path)
		assert.Equal(t, "/login", h.Get("Location"))
	}
	code, _, _ := b.ask("POST", "/next", "code=N-1", nil)
	assert.Equal(t, http.StatusUnauthorized, code)
	code, _, _ = b.ask("GET", "/", "", func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) })
	assert.Equal(t, http.StatusOK, code)
	code, _, _ = b.ask("GET", "/", "", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: cookieToken, Value: token}) })
	assert.Equal(t, http.StatusUnauthorized, code, "the cookie is not the token")

	assert.Contains(t, b.get("/login"), `name="token"`)
	code, _, _ = b.ask("POST", "/login", "token=wrong", nil)
	assert.Equal(t, http.StatusForbidden, code)
	code, h, _ := b.ask("POST", "/login", url.Values{"token": {token}}.Encode(), nil)
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Regexp(t, `HttpOnly; SameSite=Strict`, h.Get("Set-Cookie"))
	assert.NotContains(t, h.Get("Set-Cookie"), token)
	assert.Contains(t, b.get("/rows"), "K-1")
}

// A kernel is called broken: tried, nothing is saved; saved, the new figures
// stand beside those as measured; taken back, the first are there exactly.
func TestCorrecting(t *testing.T) {
	b := newBank(t, Options{})
	d := b.document("K-1")
	require.Len(t, d.Pictures, 1)
	p := d.Pictures[0]
	require.Equal(t, 1, d.Revision)
	assert.True(t, d.Present)
	var whole []docKernel
	for _, k := range p.Kernels {
		if k.Class == string(grading.Head) {
			whole = append(whole, k)
		}
		assert.NotEmpty(t, k.Why)
		assert.NotEmpty(t, k.Measures)
	}
	require.Greater(t, len(whole), 10)
	first, err := b.lab.Register.Get(t.Context(), "K-1", 0)
	require.NoError(t, err)
	w := wish{Revision: 1, Corrections: []correct.Correction{
		{Do: correct.Broken, Picture: 1, At: whole[0].At[:]}, {Do: correct.Gone, Picture: 1, At: whole[1].At[:]},
	}}
	code, out := b.post("/sample/K-1/try", w)
	require.Equal(t, http.StatusOK, code, out)
	assert.Contains(t, out["result"], "corrected")
	kernels := out["kernels"].(map[string]any)["pictures"].([]any)[0].(map[string]any)["kernels"].([]any)
	assert.Len(t, kernels, len(p.Kernels)-1)
	assert.Equal(t, 1, b.document("K-1").Revision, "nothing was saved")

	code, out = b.post("/sample/K-1/save", w)
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Equal(t, "nobody is named", out["error"])
	w.By = "A. Clerk (invented)"
	code, out = b.post("/sample/K-1/save", w)
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, out["error"], "needs a reason")
	w.Why = "misjudged"
	code, out = b.post("/sample/K-1/save", w)
	require.Equal(t, http.StatusOK, code, out)
	assert.EqualValues(t, 2, out["revision"])
	assert.Equal(t, []string{"K-1"}, b.changed)
	d = b.document("K-1")
	require.Len(t, d.Corrections, 2)
	assert.Equal(t, "A. Clerk (invented)", d.Corrections[0].By)
	hands := map[string]string{}
	for _, k := range d.Pictures[0].Kernels {
		hands[fmt.Sprint(k.ID)] = k.Hand
	}
	assert.Equal(t, "corrected", hands[fmt.Sprint(whole[0].ID)])
	assert.Contains(t, b.get("/rows"), "2 kernels corrected by A. Clerk (invented); as measured")
	yaml := b.get("/sample/K-1/corrections")
	assert.Contains(t, yaml, "do: broken")
	assert.Contains(t, yaml, "revision: 2")

	// Somebody who looked at the first revision is told, and nothing is lost.
	code, out = b.post("/sample/K-1/save", wish{Revision: 1, Corrections: w.Corrections[:1], Why: "misjudged", By: "B. Clerk (invented)"})
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, out["error"], "A. Clerk (invented)")
	assert.EqualValues(t, 2, out["revision"])
	assert.Len(t, b.document("K-1").Corrections, 2)

	// What cannot be is refused with a way out, and nothing is saved.
	for _, bad := range []wish{
		{Revision: 2, Corrections: []correct.Correction{{Do: correct.Broken, Picture: 1, At: correct.Place{-9, -9}}}},
		{Revision: 2, Corrections: []correct.Correction{{Do: correct.Broken, Picture: 7, At: whole[2].At[:]}}},
		{Revision: 2, Corrections: []correct.Correction{{Do: "paint", Picture: 1, At: whole[2].At[:]}}},
	} {
		bad.By, bad.Why = "A. Clerk (invented)", "misjudged"
		for _, path := range []string{"/sample/K-1/try", "/sample/K-1/save"} {
			code, out = b.post(path, bad)
			assert.Equal(t, http.StatusUnprocessableEntity, code, out)
			assert.NotEmpty(t, out["hint"])
		}
	}
	w.Revision, w.Corrections = 2, []correct.Correction{}
	code, out = b.post("/sample/K-1/save", w)
	require.Equal(t, http.StatusOK, code, out)
	last, err := b.lab.Register.Get(t.Context(), "K-1", 0)
	require.NoError(t, err)
	assert.Equal(t, string(first.Result), string(last.Result))
	v, err := b.lab.Register.Verify(t.Context(), "", nil)
	require.NoError(t, err)
	assert.Empty(t, v.Problems)
	assert.Equal(t, 3, v.Entries)
}

// Code, facts and whether it counts are changed by forms, each with who and why.
func TestForms(t *testing.T) {
	b := newBank(t, Options{})
	form := func(path string, v url.Values) (int, string) {
		v.Set("by", "A. Clerk (invented)")
		code, h, body := b.ask("POST", path, v.Encode(), nil)
		return code, h.Get("Location") + body
	}
	code, to := form("/sample/K-1/facts", url.Values{"why": {"slip"}, "lot": {"L-8"}, "moisture": {"13,4"}, "mass": {"1"}, "note": {"two\r\nlines"}})
	require.Equal(t, http.StatusSeeOther, code, to)
	assert.Equal(t, "/sample/K-1", to)
	rec, err := b.lab.Register.Get(t.Context(), "K-1", 0)
	require.NoError(t, err)
	assert.Equal(t, "L-8", rec.Facts.Lot)
	assert.Equal(t, "2", rec.Facts.Line, "what the form lacks stays")
	assert.Equal(t, "two\nlines", rec.Facts.Note)
	assert.InDelta(t, 13.4, *rec.Facts.OnSheet().MoisturePct, 1e-12)
	code, text := form("/sample/K-1/facts", url.Values{"why": {"slip"}, "moisture": {"dry"}})
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, text, "is no number")
	code, _ = form("/sample/K-1/facts", url.Values{"why": {"slip"}, "moisture": {""}, "mass": {""}})
	assert.Equal(t, http.StatusSeeOther, code)
	rec, err = b.lab.Register.Get(t.Context(), "K-1", 0)
	require.NoError(t, err)
	assert.Nil(t, rec.Facts.Sheet)

	code, to = form("/sample/K-1/rename", url.Values{"why": {"code came late"}, "to": {"N-101"}})
	require.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "/sample/N-101", to)
	assert.Contains(t, b.get("/sample/K-1"), "N-101", "the old code leads to it")
	code, _ = form("/sample/N-101/withdraw", url.Values{"why": {""}})
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	code, _ = form("/sample/N-101/withdraw", url.Values{"why": {"test scan"}})
	require.Equal(t, http.StatusSeeOther, code)
	assert.NotContains(t, b.get("/rows"), "N-101")
	assert.Contains(t, b.get("/rows?withdrawn=1"), "N-101")
	code, _ = form("/sample/N-101/withdraw", url.Values{"why": {""}, "other": {"the right tray"}, "undo": {"1"}})
	require.Equal(t, http.StatusSeeOther, code)
	assert.NotContains(t, b.get("/rows?text=l-7"), "N-101", "L-7 was its lot before")
	history, err := b.lab.Register.History(t.Context(), "N-101")
	require.NoError(t, err)
	for _, e := range history[1:] {
		assert.Equal(t, "A. Clerk (invented)", e.Actor)
	}
}

// Tiles put together are the picture, at full size and at each smaller one.
func TestTiles(t *testing.T) {
	b := newBank(t, Options{})
	p := b.document("K-1").Pictures[0]
	whole, _, err := image.Decode(bytes.NewReader(drawTray(t, 5, 50)))
	require.NoError(t, err)
	require.Equal(t, image.Pt(p.Width, p.Height), whole.Bounds().Size())
	w, h := p.Width, p.Height
	for n := range p.Levels {
		off, pixels := 0.0, 0
		for y := 0; y*p.Tile < h; y++ {
			for x := 0; x*p.Tile < w; x++ {
				img, err := jpeg.Decode(strings.NewReader(b.get(fmt.Sprintf("%s&level=%d&x=%d&y=%d", p.Address, n, x, y))))
				require.NoError(t, err)
				assert.Equal(t, image.Pt(min(p.Tile, w-x*p.Tile), min(p.Tile, h-y*p.Tile)), img.Bounds().Size())
				for v := 0; v < img.Bounds().Dy(); v += 7 {
					for u := 0; u < img.Bounds().Dx(); u += 7 {
						r, g, bl, _ := img.At(u, v).RGBA()
						// The middle of what a pixel of this size covers.
						r0, g0, b0 := mean(whole, (x*p.Tile+u)<<n, (y*p.Tile+v)<<n, 1<<n)
						off += math.Abs(float64(r>>8)-r0) + math.Abs(float64(g>>8)-g0) + math.Abs(float64(bl>>8)-b0)
						pixels += 3
					}
				}
			}
		}
		assert.Less(t, off/float64(pixels), 3.0, "level %d: grey values, by what JPEG does to them", n)
		w, h = (w+1)/2, (h+1)/2
	}
	assert.LessOrEqual(t, max((p.Width>>(p.Levels-1)), (p.Height>>(p.Levels-1))), p.Tile)
	k := p.Kernels[0]
	img, err := jpeg.Decode(strings.NewReader(b.get(fmt.Sprintf("%s&x=%d&y=%d&w=60&h=40&to=120", p.Crop, int(k.At[0])-30, int(k.At[1])-20))))
	require.NoError(t, err)
	assert.LessOrEqual(t, max(img.Bounds().Dx(), img.Bounds().Dy()), 120)
	for _, bad := range []string{"&level=9&x=0&y=0", "&level=0&x=99&y=0", "&level=-1&x=0&y=0", "&level=0&x=-1&y=0", "&level=a&x=0&y=0", ""} {
		code, _, _ := b.ask("GET", p.Address+bad, "", nil)
		assert.GreaterOrEqual(t, code, 400, bad)
		assert.Less(t, code, 500, bad)
	}

	// A picture that is another one now is not shown as this sample's.
	c := newBank(t, Options{})
	require.NoError(t, os.WriteFile(c.path, drawTray(t, 6, 50), 0o666))
	code, _, body := c.ask("GET", "/sample/K-1/tile?picture=1&level=0&x=0&y=0", "", nil)
	assert.Equal(t, http.StatusNotFound, code, body)
	assert.Contains(t, body, "changed since it was measured")
	assert.NotEmpty(t, c.document("K-1").Pictures[0].Kernels, "its kernels are shown all the same")
}

func mean(img image.Image, x, y, n int) (r, g, b float64) {
	count := 0.0
	for v := y; v < min(y+n, img.Bounds().Max.Y); v++ {
		for u := x; u < min(x+n, img.Bounds().Max.X); u++ {
			p, q, s, _ := img.At(u, v).RGBA()
			r, g, b = r+float64(p>>8), g+float64(q>>8), b+float64(s>>8)
			count++
		}
	}
	return r / count, g / count, b / count
}

// Every page is whole in every language, holds no script or style of its own
// (which its policy would refuse), and names no address but its own.
func TestPages(t *testing.T) {
	b := newBank(t, Options{})
	b.lab.News.Put(Item{Pictures: []string{"a<b>.png"}, State: Waiting})
	b.lab.News.Put(Item{Pictures: []string{"bad.png"}, State: Refused, Reason: "bad.png: <script>alert(1)</script>", Hint: "scan again"})
	d := b.document("K-1")
	code, _ := b.post("/sample/K-1/save", wish{Revision: 1, Why: "<i>x</i>", By: "A. Clerk (invented)", Corrections: []correct.Correction{{Do: correct.Broken, Picture: 1, At: d.Pictures[0].Kernels[0].At[:]}}})
	require.Equal(t, http.StatusOK, code)
	own := regexp.MustCompile(`(?i)<script(?: [^>]*)?>\s*[^<\s]|<style|\sstyle=|\son[a-z]+=|javascript:`)
	for _, l := range words.Languages() {
		for _, path := range []string{"/", "/?day=today&sort=broken&text=k", "/sample/K-1", "/sample/K-1?revision=1", "/trend", "/trend?by=line", "/agreement", "/help"} {
			code, _, body := b.ask("GET", path, "", func(r *http.Request) { r.Header.Set("Accept-Language", l.Tag) })
			require.Equal(t, http.StatusOK, code, "%s %s", path, body)
			assert.Contains(t, body, `lang="`+l.Tag+`"`)
			assert.NotContains(t, body, "<script>alert")
			assert.NotContains(t, body, "<i>x")
			body = regexp.MustCompile(`(?s)<script type="application/json".*?</script>`).ReplaceAllString(body, "")
			body = regexp.MustCompile(`(?s)<svg.*?</svg>`).ReplaceAllString(body, "")
			assert.Empty(t, own.FindString(body), "%s in %s", path, l.Tag)
			assert.NotRegexp(t, `(?:src|href|action)="(?:https?:)?//`, body)
			assert.NotContains(t, body, "%!", "a message's values do not fit it")
			if !l.Checked {
				assert.Contains(t, body, words.In(l.Tag).Note())
			}
		}
	}
	for _, path := range []string{"/sample/K-1/report?kind=html", "/sample/K-1/report?kind=pdf", "/sample/K-1/report?kind=page", "/sample/K-1/label?kind=qr"} {
		assert.Contains(t, b.get(path), "K-1")
	}
}

// What comes into the folder is told to every page that listens.
func TestEvents(t *testing.T) {
	b := newBank(t, Options{})
	resp, err := b.Get(b.url + "/events")
	require.NoError(t, err)
	defer resp.Body.Close()
	assert.Equal(t, "text/event-stream", resp.Header.Get("Content-Type"))
	line := make(chan string, 10)
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := resp.Body.Read(buf)
			if n > 0 {
				line <- string(buf[:n])
			}
			if err != nil {
				close(line)
				return
			}
		}
	}()
	assert.Contains(t, <-line, "retry:")
	b.lab.News.Put(Item{Pictures: []string{"x.png"}, State: Measuring})
	assert.Contains(t, <-line, "event: changed\ndata: {\"ended\":[]}")
	b.lab.News.Graded([]string{"x.png"}, "K-1", false)
	assert.Contains(t, <-line, `{"ended":[{"code":"K-1","good":false,"refused":false}]}`)
	b.lab.News.Put(Item{Pictures: []string{"y.png"}, State: Refused, Reason: "y.png: is empty"})
	assert.Contains(t, <-line, `"refused":true`)
	assert.Contains(t, b.get("/now"), "y.png: is empty")
}

// The code typed before a scan goes to the one picture that comes next, the lot
// to all; a code that a sample has is refused while it can still be mended.
func TestNext(t *testing.T) {
	b := newBank(t, Options{})
	code, _, _ := b.ask("POST", "/next", "code=N-2&lot=L-9", nil)
	require.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, Next{Code: "N-2", Lot: "L-9"}, b.lab.News.Take())
	assert.Equal(t, Next{Lot: "L-9"}, b.lab.News.Take())
	code, _, body := b.ask("POST", "/next", "code=K-1", nil)
	assert.Equal(t, http.StatusConflict, code, body)
	code, _, _ = b.ask("POST", "/next", "code=..%2Fx", nil)
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Equal(t, Next{Lot: "L-9"}, b.lab.News.Take())
}

// Whatever is sent, the answer is one of a page's: no panic, no fault inside,
// and the register holds together.
func FuzzHandlers(f *testing.F) {
	for _, s := range []struct{ method, path, body string }{
		{"GET", "/", ""}, {"GET", "/rows?text=%00&sort=x&from=2026", ""}, {"GET", "/sample/K-1/tile?picture=1&level=0&x=0&y=0", ""},
		{"GET", "/sample/K-1/crop?picture=1&x=-5&y=9&w=100000&h=1&to=2048", ""}, {"GET", "/sample/K-1?revision=-1", ""}, {"GET", "/static/bench.css?v=", ""},
		{"POST", "/sample/K-1/try", `{"revision":1,"corrections":[{"do":"cut","picture":1,"at":[1,2],"line":[[0,0],[9,9]]}]}`},
		{"POST", "/sample/K-1/save", `{"revision":1,"corrections":[{"do":"add","picture":1,"outline":[[1,1],[1e308,2],[3,3]]}],"by":"x","why":"y"}`},
		{"POST", "/sample/K-1/facts", "moisture=1e400&why=x&by=y"}, {"POST", "/next", "code=%ff&lot=%00"}, {"POST", "/language", "language=zz-%00"},
		{"POST", "/sample/K-1/rename", "to=../../x&why=x&by=y"}, {"GET", "/trend?by=lot&from=0000", ""}, {"POST", "/pictures?name=..%2f..%2fa.png", "\xff\xd8"},
	} {
		f.Add(s.method, s.path, s.body)
	}
	b := newBank(f, Options{})
	f.Fuzz(func(t *testing.T, method, path, body string) {
		if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "/events") {
			return
		}
		u, err := url.Parse(b.url + path)
		if err != nil || u.Host != strings.TrimPrefix(b.url, "http://") {
			return
		}
		r, err := http.NewRequest(method, u.String(), strings.NewReader(body))
		if err != nil {
			return
		}
		r.Header.Set("Origin", b.url)
		if strings.Contains(body, "=") {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		resp, err := b.Do(r)
		if err != nil {
			return // the client itself refused it
		}
		defer resp.Body.Close()
		if resp.StatusCode >= 500 && resp.StatusCode != http.StatusNotImplemented {
			text, _ := io.ReadAll(resp.Body)
			t.Fatalf("%s %s: %d %s", method, path, resp.StatusCode, text)
		}
	})
}
