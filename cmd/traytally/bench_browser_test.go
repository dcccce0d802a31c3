package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/disintegration/imaging"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/vision/phantom"
)

// A tab is a window of a real browser with nothing of the user's.
type tab struct {
	testing.TB
	context.Context
	mu   sync.Mutex
	said []string // errors of the page's scripts
}

// chromium starts a headless browser; further windows share nothing with it.
func chromium(t testing.TB, width, height int) *tab {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Skip("no Chromium here: apt-get install chromium")
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(2*time.Minute),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.WindowSize(width, height))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), o...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	b := &tab{TB: t, Context: ctx}
	require.NoError(t, chromedp.Listen(ctx, func(e any) {
		switch e := e.(type) {
		case *runtime.EventExceptionThrown:
			b.mu.Lock()
			defer b.mu.Unlock()
			b.said = append(b.said, e.ExceptionDetails.Text)
		case *page.EventJavascriptDialogOpening:
			go chromedp.Call(ctx, page.HandleJavaScriptDialog, page.HandleJavaScriptDialogParams{Accept: true})
		}
	}))
	return b
}

func (b *tab) run(actions ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	require.NoError(b, chromedp.Do(b.Context, actions...))
}

// eval returns the value of an expression of the page.
func eval[V any](b *tab, js string) V {
	b.Helper()
	v, err := chromedp.Run(b.Context, chromedp.Evaluate[V](js))
	require.NoError(b, err, "%s", js)
	return v
}

func (b *tab) do(js string) {
	b.Helper()
	eval[chromedp.Void](b, js)
}

func (b *tab) text(selector string) string {
	b.Helper()
	return eval[string](b, fmt.Sprintf("(document.querySelector(%q)?.innerText ?? '').trim()", selector))
}

// until waits for an expression of the page to be true.
func (b *tab) until(what, js string) {
	b.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		// A page that is loading has no answer yet.
		if ok, err := chromedp.Run(b.Context, chromedp.Evaluate[bool]("Boolean("+js+")")); err == nil && ok {
			return
		}
		if time.Now().After(end) {
			body, _ := chromedp.Run(b.Context, chromedp.Evaluate[string]("document.body.innerText"))
			if png, err := chromedp.Run(b.Context, chromedp.CaptureScreenshot()); err == nil && os.Getenv("TRAYTALLY_SHOTS") != "" {
				os.WriteFile(filepath.Join(os.Getenv("TRAYTALLY_SHOTS"), "waiting.png"), png, 0o666)
			}
			require.FailNow(b, "waited a minute for "+what, "%s\n%v", body, b.said)
		}
	}
}

func (b *tab) open(url string) {
	b.Helper()
	b.run(chromedp.Navigate(url))
}

// sample opens a sample's page and waits for its kernels.
func (b *tab) sample(address, code string) {
	b.Helper()
	b.open(address + "/sample/" + code)
	b.until("the kernels", "document.querySelector('#loading')?.hidden && document.querySelector('#undo')")
	b.run(chromedp.ScrollIntoView(chromedp.CSS("#stage")))
}

// at returns where a place of the picture is in the window, while the whole
// picture is shown.
func (b *tab) at(p docPicture, x, y float64) (float64, float64) {
	b.Helper()
	r := eval[struct{ X, Y, Width, Height float64 }](b, "(() => { const r = document.querySelector('#stage').getBoundingClientRect(); return {X: r.x, Y: r.y, Width: r.width, Height: r.height} })()")
	scale := min(r.Width/p.Width, r.Height/p.Height)
	return r.X + r.Width/2 + scale*(x+0.5-p.Width/2), r.Y + r.Height/2 + scale*(y+0.5-p.Height/2)
}

// docPicture is what the test needs of a picture in the page's document.
type docPicture struct {
	Width, Height float64
	Kernels       []struct {
		ID      int
		At      [2]float64
		Class   string
		Outline []float64
	}
	Address string
}

func kernelsOf(t testing.TB, address, code string) (revision int, p docPicture) {
	t.Helper()
	resp, err := http.Get(address + "/sample/" + code + "/kernels")
	require.NoError(t, err)
	defer resp.Body.Close()
	var d struct {
		Revision int
		Pictures []docPicture
	}
	require.NoError(t, json.NewDecoder(resp.Body).Decode(&d))
	return d.Revision, d.Pictures[0]
}

func (b *tab) click(p docPicture, x, y float64) {
	b.Helper()
	u, v := b.at(p, x, y)
	b.run(chromedp.MouseClickXY(u, v))
}

// key presses a key in the picture.
func (b *tab) key(keys string) {
	b.Helper()
	b.run(chromedp.Focus(chromedp.CSS("#stage")), chromedp.KeyEvent(keys))
}

// unsaved waits until so many steps count.
func (b *tab) unsaved(n int) {
	b.Helper()
	b.until(fmt.Sprint(n, " steps"), fmt.Sprintf("document.querySelector('#result').ariaBusy !== 'true' && document.querySelectorAll('#unsaved li').length === %d", n))
	assert.Empty(b, b.text("#edits-error"))
}

// save saves what was corrected, with who and why.
func (b *tab) save(who, why string) {
	b.Helper()
	b.run(chromedp.SetValue(chromedp.CSS("#save [name=by]"), who), chromedp.SetValue(chromedp.CSS("#save [name=why]"), why), chromedp.Click(chromedp.CSS("#save button.act")))
}

func (b *tab) revision(n int) {
	b.Helper()
	b.until(fmt.Sprint("revision ", n), fmt.Sprintf("document.querySelector('#sample')?.dataset.revision === '%d' && document.querySelector('#loading').hidden", n))
	b.run(chromedp.ScrollIntoView(chromedp.CSS("#stage")))
}

// command runs a command of the program and returns what it printed.
func command(t testing.TB, args ...string) string {
	t.Helper()
	u, stdout, stderr := testUI()
	require.Zero(t, run(t.Context(), args, u), "%v: %s", args, stderr)
	return stdout.String()
}

// A day at the bench in a real browser: a scan dropped onto the page is graded;
// kernels are called broken, cut, joined, added, called no rice; a sample gets
// its code and is withdrawn. Register, reports and exports hold both figures, and
// all of it taken back gives the first ones exactly.
func TestBenchInBrowser(t *testing.T) {
	t.Parallel()
	b := chromium(t, 1280, 1000)
	scans := filepath.Join(t.TempDir(), "scans")
	require.NoError(t, os.Mkdir(scans, 0o777))
	where := filepath.Join(t.TempDir(), "register.db")
	cmd, address, said := startBench(t, scans, "--register", where, "--settle", "0.1", "--standard", "us-long")
	t.Cleanup(func() { cmd.Process.Kill() })
	path := filepath.Join(t.TempDir(), "scan.png")
	tinyScan(t, path, 17)
	picture, err := os.ReadFile(path)
	require.NoError(t, err)

	b.open(address + "/")
	b.until("the page's scripts", "document.querySelector('form')")
	b.do(fmt.Sprintf(`(() => {
		const bytes = Uint8Array.from(atob(%q), (c) => c.charCodeAt(0)), data = new DataTransfer();
		data.items.add(new File([bytes], "scan.png", { type: "image/png" }));
		for (const kind of ["dragenter", "dragover", "drop"]) { document.body.dispatchEvent(new DragEvent(kind, { dataTransfer: data, bubbles: true, cancelable: true })); }
	})()`, base64.StdEncoding.EncodeToString(picture)))
	b.until("the result", "document.querySelector('[href^=\"/sample/S\"]')")
	g := openRegister(t, where)
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	code := rows[0].Code
	assert.Contains(t, b.text("main"), code)
	first, err := g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	record := func() *samples.Record {
		rec, err := g.Get(t.Context(), code, 0)
		require.NoError(t, err)
		return rec
	}

	// A kernel is clicked, called broken, and saved with a reason.
	b.sample(address, code)
	_, p := kernelsOf(t, address, code)
	heads := []int{}
	for i, k := range p.Kernels {
		if k.Class == string(grading.Head) && k.At[1] > p.Height/4 { // not where the hints are
			heads = append(heads, i)
		}
	}
	require.Greater(t, len(heads), 8)
	k := p.Kernels[heads[0]]
	b.click(p, k.At[0], k.At[1])
	b.until("the chosen kernel", fmt.Sprintf("document.querySelector('#chosen-head').innerText.includes(%q)", fmt.Sprint(k.ID)))
	b.run(chromedp.Click(chromedp.CSS("[data-do=broken]")))
	b.unsaved(1)
	assert.Contains(t, b.text("#chosen-head"), "broken")
	assert.Contains(t, b.text("#result"), "measured")
	assert.Equal(t, 1, record().Revision, "not yet saved")
	b.run(chromedp.Click(chromedp.CSS("#undo")))
	b.unsaved(0)
	b.run(chromedp.Click(chromedp.CSS("#redo")))
	b.unsaved(1)
	b.save("A. Clerk (invented)", "misjudged")
	b.revision(2)
	rec := record()
	require.Len(t, rec.Corrections, 1)
	assert.Equal(t, "A. Clerk (invented)", rec.Corrections[0].By)
	row, err := rec.Row()
	require.NoError(t, err)
	require.NotNil(t, row.AsMeasured)
	assert.Greater(t, row.BrokenMass.Value, row.AsMeasured.BrokenMass.Value)
	both := []string{number(row.BrokenMass.Value, 2), number(row.AsMeasured.BrokenMass.Value, 2)}
	for _, figure := range both {
		assert.Contains(t, b.text("#result"), figure)
		assert.Contains(t, command(t, "log", "list", "--register", where), figure)
		assert.Contains(t, command(t, "log", "show", code, "--register", where), figure)
	}
	shown := command(t, "log", "show", code, "--register", where, "--json", "-")
	assert.Contains(t, shown, `"measured_result": {`)
	assert.Contains(t, shown, `"do": "broken"`)
	exported := filepath.Join(t.TempDir(), "all.csv")
	command(t, "log", "export", exported, "--register", where)
	table, err := os.ReadFile(exported)
	require.NoError(t, err)
	assert.Contains(t, string(table), "A. Clerk (invented)")
	report := filepath.Join(scans, outName, code+".html")
	until(t, "the report of revision 2", func() bool {
		html, _ := os.ReadFile(report)
		return wholeReport(report, rec, nil) && bytes.Contains(html, []byte("A. Clerk (invented)"))
	})
	assert.Contains(t, command(t, "log", "verify", "--register", where), "the register holds together")
	assert.Contains(t, command(t, "log", "recheck", code, "--register", where), "agrees bit for bit")

	// Taken back in a further revision: the first result, to the byte.
	b.do("document.querySelector('#held').open = true")
	b.run(chromedp.Click(chromedp.CSS("#saved li button:last-of-type")))
	b.unsaved(1)
	b.save("A. Clerk (invented)", "checked by hand")
	b.revision(3)
	assert.Equal(t, string(first.Result), string(record().Result))

	// Cut right across, join again, no rice, not there, a flag, and the one
	// that is not there outlined by taps round it. The picture goes where it
	// is sent at once, as for a user who likes no motion.
	b.shows("prefers-reduced-motion", "reduce")
	drag := func(x0, y0, x1, y1 float64) {
		u0, v0 := b.at(p, x0, y0)
		u1, v1 := b.at(p, x1, y1)
		b.run(chromedp.DragAndDropXY(u0, v0, u1, v1, 8))
	}
	choose := func(x, y float64) {
		b.key("0")
		b.click(p, x, y)
		b.until("a chosen kernel", "!document.querySelector('#chosen-body').hidden")
	}
	whole := func() { b.key("0") } // the tool brings its kernel near
	k = p.Kernels[heads[1]]
	across := narrow(k.Outline)
	choose(k.At[0], k.At[1])
	b.key("c")
	whole()
	drag(across[0], across[1], across[2], across[3])
	b.unsaved(1)
	k = p.Kernels[heads[2]]
	choose(k.At[0], k.At[1])
	b.key("n")
	b.unsaved(2)
	k = p.Kernels[heads[3]]
	choose(k.At[0], k.At[1])
	b.key("g")
	b.unsaved(3)
	k = p.Kernels[heads[4]]
	choose(k.At[0], k.At[1])
	b.key("1") // the first flag: chalky
	b.unsaved(4)
	b.run(chromedp.Click(chromedp.CSS("[data-do=add]")))
	whole()
	missed := p.Kernels[heads[3]].Outline // which is no kernel's now
	for i := range 6 {
		n := 2 * (i * (len(missed) / 2) / 6)
		b.click(p, missed[n], missed[n+1])
	}
	b.run(chromedp.Click(chromedp.CSS("#mode-done")))
	b.unsaved(5)
	b.save("A. Clerk (invented)", "checked by hand")
	b.revision(4)
	kinds := ""
	for _, c := range record().Corrections {
		kinds += string(c.Do) + " "
	}
	assert.Equal(t, "cut not_rice gone flag add ", kinds)
	_, now := kernelsOf(t, address, code)
	assert.Len(t, now.Kernels, len(p.Kernels)+1) // one more by the cut, one less, one added

	// The two parts are joined again.
	var parts [][2]float64
	for _, n := range now.Kernels {
		if inside(p.Kernels[heads[1]].Outline, n.At[0], n.At[1]) {
			parts = append(parts, n.At)
		}
	}
	require.Len(t, parts, 2)
	b.sample(address, code)
	choose(parts[0][0], parts[0][1])
	b.key("j")
	whole()
	b.click(p, parts[1][0], parts[1][1])
	b.unsaved(1)
	b.save("A. Clerk (invented)", "touching kernels")
	b.revision(5)
	_, now = kernelsOf(t, address, code)
	assert.Len(t, now.Kernels, len(p.Kernels))
	assert.Contains(t, command(t, "log", "recheck", code, "--register", where), "agrees bit for bit")

	// It gets its code, and is withdrawn and counts again.
	b.do("document.querySelector('#rename').open = true")
	b.run(chromedp.SetValue(chromedp.CSS("#rename [name=to]"), "N-101"), chromedp.SetValue(chromedp.CSS("#rename [name=by]"), "A. Clerk (invented)"), chromedp.SetValue(chromedp.CSS("#rename [name=other]"), "code came late"))
	b.do("document.querySelector('#rename [name=why]').required = false")
	b.run(chromedp.Click(chromedp.CSS("#rename button.act")))
	b.until("the new code", "location.pathname === '/sample/N-101'")
	code = "N-101"
	b.revision(6)
	b.do("document.querySelector('#withdraw').open = true")
	b.run(chromedp.SetValue(chromedp.CSS("#withdraw [name=by]"), "A. Clerk (invented)"), chromedp.SetValue(chromedp.CSS("#withdraw [name=why]"), "test scan"), chromedp.Click(chromedp.CSS("#withdraw button.act")))
	b.revision(7)
	assert.True(t, record().Withdrawn)
	b.open(address + "/")
	assert.NotContains(t, b.text(".rows, .empty"), code)
	assert.Contains(t, command(t, "log", "verify", "--register", where), "the register holds together: 1 sample, 7 entries")
	assert.Empty(t, b.said, "errors of the page's scripts")
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	require.NoError(t, cmd.Wait(), "%s", said)
}

// narrow is a line right across an outline's middle, from side to side.
func narrow(outline []float64) [4]float64 {
	var cx, cy, xx, xy, yy float64
	n := float64(len(outline) / 2)
	for i := 0; i < len(outline); i += 2 {
		cx, cy = cx+outline[i]/n, cy+outline[i+1]/n
	}
	for i := 0; i < len(outline); i += 2 {
		x, y := outline[i]-cx, outline[i+1]-cy
		xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
	}
	// The side with the least extent, of 36 directions.
	best, out := 1e18, [4]float64{}
	for i := range 36 {
		s, c := sincos(float64(i) * 5)
		if v := c*c*xx + 2*s*c*xy + s*s*yy; v < best {
			best = v
			l := 25.0 // px: well outside of a kernel at 150 dpi
			out = [4]float64{cx - l*c, cy - l*s, cx + l*c, cy + l*s}
		}
	}
	return out
}

func inside(outline []float64, x, y float64) bool {
	in := false
	for i, j := 0, len(outline)-2; i < len(outline); j, i = i, i+2 {
		if (outline[i+1] > y) != (outline[j+1] > y) && x < (outline[j]-outline[i])*(y-outline[i+1])/(outline[j+1]-outline[i+1])+outline[i] {
			in = !in
		}
	}
	return in
}

// benchOfOne starts the bench over a folder with one sample.
func benchOfOne(t *testing.T) (scans, address string, g *samples.Register, code string) {
	scans = tinyScans(t, 1)
	where := filepath.Join(t.TempDir(), "register.db")
	command(t, "batch", scans, "--register", where, "--reports", "none")
	cmd, address, _ := startBench(t, scans, "--register", where, "--reports", "none")
	t.Cleanup(func() { cmd.Process.Kill() })
	g = openRegister(t, where)
	rows, err := g.List(t.Context(), samples.Query{})
	require.NoError(t, err)
	return scans, address, g, rows[0].Code
}

// Two people correct one sample at once: the second is told who was quicker, and
// lays hers on again; nothing is lost.
func TestBenchTwoAtOnce(t *testing.T) {
	t.Parallel()
	b := chromium(t, 1280, 1000)
	_, address, g, code := benchOfOne(t)
	ctx, stop := chromedp.NewContext(b.Context, chromedp.WithNewBrowserContext())
	defer stop()
	c := &tab{TB: t, Context: ctx}
	_, p := kernelsOf(t, address, code)
	for i, who := range []*tab{b, c} {
		who.sample(address, code)
		who.click(p, p.Kernels[i].At[0], p.Kernels[i].At[1])
		who.until("a chosen kernel", "!document.querySelector('#chosen-body').hidden")
		who.run(chromedp.Click(chromedp.CSS("[data-do=right]")))
		who.unsaved(1)
	}
	b.save("A. Clerk (invented)", "checked by hand")
	b.revision(2)
	c.until("the news", "!document.querySelector('#stale').hidden")
	c.save("B. Clerk (invented)", "misjudged")
	c.until("who was quicker", "!document.querySelector('#quicker').hidden")
	assert.Contains(t, c.text("#quicker"), "A. Clerk (invented)")
	rec, err := g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	assert.Len(t, rec.Corrections, 1)
	c.run(chromedp.Click(chromedp.CSS("#again")))
	c.revision(2)
	c.unsaved(1)
	c.save("B. Clerk (invented)", "misjudged")
	c.revision(3)
	rec, err = g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	require.Len(t, rec.Corrections, 2)
	assert.Equal(t, "A. Clerk (invented)", rec.Corrections[0].By)
	assert.Equal(t, "B. Clerk (invented)", rec.Corrections[1].By)
}

// A page of another site cannot post to the bench, nor read what it has.
func TestBenchAgainstForeignPage(t *testing.T) {
	t.Parallel()
	b := chromium(t, 1280, 1000)
	scans, address, g, code := benchOfOne(t)
	foreign := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, `<!DOCTYPE html><form method="post" action="%[1]s/sample/%[2]s/withdraw"><input name="why" value="x"><input name="by" value="y"><button>go</button></form>
<iframe src="%[1]s/"></iframe>
<script>
window.answers = [];
for (const mode of ["cors", "no-cors"]) {
  for (const [path, body] of [["/sample/%[2]s/save", '{"revision":1,"corrections":[],"by":"x","why":"y"}'], ["/pictures?name=evil.png", "x"], ["/sample/%[2]s/kernels", null]]) {
    fetch("%[1]s" + path, { method: body === null ? "GET" : "POST", mode, credentials: "include", body: body ?? undefined })
      .then((r) => answers.push(r.type === "opaque" ? "" : "read"), () => answers.push(""));
  }
}
</script>`, address, code)
	}))
	defer foreign.Close()
	before := listing(t, scans)
	b.open(foreign.URL)
	b.until("all answers", "answers.length === 6")
	assert.Empty(t, eval[string](b, "answers.join('')"), "nothing was read")
	b.run(chromedp.Click(chromedp.CSS("button")))
	b.until("the refusal", "document.body.innerText.includes('only what its own pages send')")
	rec, err := g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	assert.Equal(t, 1, rec.Revision)
	assert.Equal(t, before, listing(t, scans))
}

// Pages fit windows of a desk, a tablet and a phone in light and dark, in a
// language of long words and in one of other letters: nothing scrolls sideways,
// and what is to be tapped is large enough.
func TestBenchFits(t *testing.T) {
	t.Parallel()
	b := chromium(t, 1280, 1000)
	scans := tinyScans(t, 2)
	where := filepath.Join(t.TempDir(), "register.db")
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte("picture,code,lot,party,line,variety\nscan-00.png,A-VERY-LONG-CODE-OF-A-SAMPLE-THAT-SOMEBODY-GAVE-IT-0001,Lot of a harvest with a long name 2026,A party with a long name (invented),Line 2,Long grain\n"), 0o666))
	command(t, "batch", scans, "--register", where, "--reports", "none", "--standard", "us-long")
	cmd, address, _ := startBench(t, scans, "--register", where, "--reports", "none", "--standard", "us-long")
	t.Cleanup(func() { cmd.Process.Kill() })
	shots := os.Getenv("TRAYTALLY_SHOTS")
	for _, size := range []struct{ w, h int64 }{{1280, 1000}, {800, 1100}, {400, 900}} {
		for _, scheme := range []string{"light", "dark"} {
			for _, language := range []string{"en", "fr", "th"} {
				for name, path := range map[string]string{
					"day": "/", "sample": "/sample/A-VERY-LONG-CODE-OF-A-SAMPLE-THAT-SOMEBODY-GAVE-IT-0001", "trend": "/trend", "agreement": "/agreement", "help": "/help",
				} {
					if language == "th" && scheme == "dark" { // letters do not hang on it
						continue
					}
					b.run(chromedp.EmulateViewport(size.w, size.h))
					b.shows("prefers-color-scheme", scheme)
					b.speaks(language, address)
					b.open(address + path)
					if name == "sample" {
						b.until("the kernels", "document.querySelector('#loading')?.hidden")
					}
					wide := eval[[]string](b, `[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && e.checkVisibility() && !e.closest(".unseen, .strip, svg, .scrolls")).slice(0, 5).map((e) => e.outerHTML.slice(0, 90))`)
					over := eval[int](b, "document.scrollingElement.scrollWidth - innerWidth")
					assert.LessOrEqual(t, over, 0, "%s %d px %s %s: %s", name, size.w, scheme, language, strings.Join(wide, "\n"))
					small := eval[[]string](b, `[...document.querySelectorAll("button, input:not([type=hidden], [type=file], [type=checkbox]), select, summary, nav a, a.button")].filter((e) => e.checkVisibility() && !e.closest(".unseen") && e.getBoundingClientRect().height > 1 && e.getBoundingClientRect().height < 43.5).map((e) => e.outerHTML.slice(0, 90))`)
					assert.Empty(t, small, "%s %d px: less than 44 px high", name, size.w)
					if shots != "" {
						png, err := chromedp.Run(b.Context, chromedp.FullScreenshot(100))
						require.NoError(t, err)
						require.NoError(t, os.WriteFile(filepath.Join(shots, fmt.Sprintf("%s-%d-%s-%s.png", name, size.w, scheme, language)), png, 0o666))
					}
				}
			}
		}
	}
	assert.Empty(t, b.said)
}

func sincos(degrees float64) (s, c float64) { return math.Sincos(degrees * math.Pi / 180) }

// shows makes pages appear as to a user with a preference, as CSS names it.
func (b *tab) shows(preference, value string) {
	b.Helper()
	_, err := chromedp.Call(b.Context, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: preference, Value: value}}})
	require.NoError(b, err)
}

func (b *tab) speaks(tag, address string) {
	b.Helper()
	_, err := chromedp.Call(b.Context, network.SetCookie, network.SetCookieParams{Name: "traytally-language", Value: tag, URL: address})
	require.NoError(b, err)
}

// BenchmarkPage opens the page of an A4 scan of 1500 kernels, 600 dpi, in a real
// browser: from the click until the picture and its outlines are seen (ms), the
// slowest frame while it is moved and zoomed, and the same without the first
// (ms). The bench has the picture on its disk alone.
func BenchmarkPage(b *testing.B) {
	scans, where := filepath.Join(b.TempDir(), "scans"), filepath.Join(b.TempDir(), "register.db")
	require.NoError(b, os.Mkdir(scans, 0o777))
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.DPI, p.WidthMM, p.HeightMM = 5, 1500, 600, 210, 297
	p.Crowd(phantom.Touching)
	img, _, err := phantom.Draw(p)
	require.NoError(b, err)
	var data bytes.Buffer
	require.NoError(b, phantom.Encode(&data, "a4.jpg", img, p.DPI, 92))
	require.NoError(b, os.WriteFile(filepath.Join(scans, "a4.jpg"), data.Bytes(), 0o666))
	command(b, "batch", scans, "--register", where, "--reports", "none", "-q")
	rows, err := openRegister(b, where).List(b.Context(), samples.Query{})
	require.NoError(b, err)
	code := rows[0].Code
	c := chromium(b, 1280, 1000)
	var first, slowest, late []float64
	for b.Loop() {
		cmd, address, _ := startBench(b, scans, "--register", where, "--reports", "none")
		c.open(address + "/")
		began := time.Now()
		c.run(chromedp.Click(chromedp.CSS(fmt.Sprintf("[href=%q]", "/sample/"+code))))
		c.until("the picture", "document.querySelector('#stage')?.ariaBusy === 'false'")
		first = append(first, float64(time.Since(began).Microseconds())/1000)
		c.run(chromedp.ScrollIntoView(chromedp.CSS("#stage")))
		c.do(`(async () => {
			const stage = document.querySelector("#stage"), r = stage.getBoundingClientRect(), frames = [];
			let last = performance.now(), on = true;
			const frame = (now) => { frames.push(now - last); last = now; if (on) { requestAnimationFrame(frame); } };
			requestAnimationFrame(frame);
			const wait = (ms) => new Promise((done) => setTimeout(done, ms));
			for (const delta of [-120, 120, -120, -120, 120]) {
				for (let i = 0; i < 12; i++) {
					stage.dispatchEvent(new WheelEvent("wheel", { deltaY: delta, clientX: r.x + r.width * 0.4, clientY: r.y + r.height * 0.6, bubbles: true, cancelable: true }));
					await wait(25);
				}
			}
			on = false;
			window.frames_ = frames.sort((a, b) => b - a);
		})()`)
		c.until("the moving", "window.frames_")
		f := eval[[]float64](c, "frames_.slice(0, 2)")
		slowest, late = append(slowest, f[0]), append(late, f[1])
		require.NoError(b, cmd.Process.Kill())
		cmd.Wait()
	}
	for name, v := range map[string][]float64{"ms-to-picture": first, "ms-slowest-frame": slowest, "ms-second-slowest": late} {
		slices.Sort(v)
		b.ReportMetric(v[len(v)/2], name)
	}
}

// The page that the manual shows is what the bench makes of the demo trays; with
// -update it is photographed anew.
func TestReadmePage(t *testing.T) {
	assert.Contains(t, readme(t), "testdata/readme-page.png")
	if !*update {
		assert.FileExists(t, filepath.Join(root, "testdata", "readme-page.png"))
		return
	}
	b := chromium(t, 1280, 1130)
	scans := filepath.Join(t.TempDir(), "scans")
	require.NoError(t, os.Mkdir(scans, 0o777))
	data, err := os.ReadFile(filepath.Join(root, "testdata", "demo-tray-2.jpg"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(scans, "tray.jpg"), data, 0o666))
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte("picture,code,lot,line,variety,party\ntray.jpg,H-0413,L-17,2,long grain,Heron (invented)\n"), 0o666))
	where := filepath.Join(t.TempDir(), "register.db")
	command(t, "batch", scans, "--register", where, "--reports", "none", "--standard", "us-long")
	cmd, address, _ := startBench(t, scans, "--register", where, "--reports", "none", "--standard", "us-long")
	t.Cleanup(func() { cmd.Process.Kill() })
	b.run(chromedp.EmulateViewport(1280, 1130))
	b.sample(address, "H-0413")
	b.key("d") // the most doubtful kernel
	time.Sleep(2 * time.Second)
	b.do("scrollTo(0, 0)")
	time.Sleep(time.Second)
	shot, err := chromedp.Run(b.Context, chromedp.CaptureScreenshot())
	require.NoError(t, err)
	img, err := imaging.Decode(bytes.NewReader(shot))
	require.NoError(t, err)
	var small bytes.Buffer
	require.NoError(t, imaging.Encode(&small, imaging.Resize(img, 1000, 0, imaging.Lanczos), imaging.PNG))
	require.NoError(t, os.WriteFile(filepath.Join(root, "testdata", "readme-page.png"), small.Bytes(), 0o666))
	noteSum(t, "readme-page.png", small.Bytes())
}
