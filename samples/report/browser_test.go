package report_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/samples/report"
)

// browser starts a headless Chromium that has nothing of the user's.
func browser(t *testing.T) context.Context {
	var path string
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
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.WindowSize(1100, 900))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), o...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, stop = context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(stop)
	return ctx
}

func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	ctx := browser(t)
	in := input(t, sampletest.Options{Facts: facts, Standard: "us-long", Kernels: 200}, true)
	file := filepath.Join(t.TempDir(), "report.html")
	require.NoError(t, os.WriteFile(file, []byte(htmlOf(t, in)), 0o666))

	var mu sync.Mutex
	var complaints, fetched []string
	note := func(list *[]string, s string) {
		mu.Lock()
		defer mu.Unlock()
		*list = append(*list, s)
	}
	require.NoError(t, chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			note(&complaints, e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			note(&complaints, "console."+string(e.Type))
		case *log.EventEntryAdded:
			note(&complaints, e.Entry.Text)
		case *network.EventRequestWillBeSent:
			if !strings.HasPrefix(e.Request.URL, "data:") {
				note(&fetched, e.Request.URL)
			}
		}
	}))
	do := func(steps ...chromedp.Action[chromedp.Void]) { require.NoError(t, chromedp.Do(ctx, steps...)) }
	_, err := chromedp.Call(ctx, network.Enable, network.EnableParams{})
	require.NoError(t, err)
	_, err = chromedp.Call(ctx, log.Enable, cdp.Empty{})
	require.NoError(t, err)
	do(chromedp.Navigate("file://"+file), chromedp.WaitVisible(chromedp.CSS("#verdict")))

	count := func(js string) int {
		n, err := chromedp.Run(ctx, chromedp.Evaluate[int](js))
		require.NoError(t, err)
		return n
	}
	text := func(js string) string {
		s, err := chromedp.Run(ctx, chromedp.Evaluate[string](js))
		require.NoError(t, err)
		return s
	}
	const kernelsShown = `Array.from(document.querySelectorAll(".kernel")).filter(g => getComputedStyle(g).display !== "none").length`
	assert.Equal(t, 200, count(kernelsShown))

	// Hover: a kernel lights its row and tells its measures.
	large := count(`document.querySelectorAll('.kernel[data-class="large_broken"]').length`)
	require.Positive(t, large)
	do(chromedp.ScrollIntoView(chromedp.CSS(`.kernel[data-class="large_broken"]`)))
	x := count(`(() => { const b = document.querySelector('.kernel[data-class="large_broken"] polygon').getBoundingClientRect(); return Math.round(b.x + b.width/2) })()`)
	y := count(`(() => { const b = document.querySelector('.kernel[data-class="large_broken"] polygon').getBoundingClientRect(); return Math.round(b.y + b.height/2) })()`)
	do(chromedp.MouseEvent("mouseMoved", float64(x), float64(y)))
	assert.Equal(t, 1, count(`document.querySelectorAll("tr.lit").length`))
	assert.Equal(t, text(`document.querySelector('.kernel[data-class="large_broken"]').dataset.ref`), text(`document.querySelector("tr.lit").id`))
	tip := text(`document.getElementById("tip").innerText`)
	assert.Contains(t, tip, "Class: large broken")
	assert.Regexp(t, `Length, mm: \d\.\d\d`, tip)
	// A click brings the row into view.
	do(chromedp.MouseClickXY(float64(x), float64(y)))
	assert.Equal(t, 1, count(`(() => { const b = document.querySelector("tr.lit").getBoundingClientRect(); return b.top > 0 && b.bottom < innerHeight ? 1 : 0 })()`))

	// The filter takes a class out of the picture and of the table.
	do(chromedp.Click(chromedp.CSS(`[data-show="large_broken"]`)))
	assert.Equal(t, 200-large, count(kernelsShown))
	assert.Equal(t, 200-large, count(`document.querySelectorAll(".kernels tbody tr:not(.off)").length`))
	do(chromedp.Click(chromedp.CSS(`[data-show="large_broken"]`)))
	do(chromedp.Click(chromedp.CSS(`[data-flag="chalky"]`)))
	chalky := count(`document.querySelectorAll('tr[data-flags~="chalky"]').length`)
	require.Positive(t, chalky)
	assert.Equal(t, chalky, count(kernelsShown))
	assert.Equal(t, text(`document.getElementById("shown").textContent`), text(`"`+strconv.Itoa(chalky)+` of 200 shown"`))

	// Paper: A4, everything on it whatever the filter, the table only on demand.
	pages := func() (string, int) {
		pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
		require.NoError(t, err)
		boxes := regexp.MustCompile(`/MediaBox ?\[([^\]]*)\]`).FindAllSubmatch(pdf, -1)
		require.NotEmpty(t, boxes)
		return string(boxes[0][1]), len(boxes)
	}
	box, n := pages()
	assert.Regexp(t, `^0 0 59[45]\.\d+ 84[12]\.\d+$`, box) // 210 × 297 mm in points, rounded to Chromium's pixels
	assert.LessOrEqual(t, n, 6)
	do(chromedp.Click(chromedp.CSS("#printtable")))
	_, with := pages()
	assert.Greater(t, with, n)

	mu.Lock()
	defer mu.Unlock()
	assert.Empty(t, complaints)
	assert.Equal(t, []string{"file://" + file}, fetched, "the report fetches nothing")
}

// Long texts stay on the page, of a report and of the index.
func TestLongTextsInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	ctx := browser(t)
	long, code := strings.Repeat("W", 120), strings.Repeat("K", 64)
	f := samples.Facts{Lot: long, Party: long, Line: long, Variety: long, Stage: long, Note: strings.Repeat("X", 4000)}
	in := input(t, sampletest.Options{Facts: f, Standard: "us-long", Kernels: 40, Code: code}, true)
	in.Record.Pictures[0].Path = "/scans/" + long + ".png"
	in.Command = "traytally grade " + long + ".png"
	row, err := in.Record.Row()
	require.NoError(t, err)
	var index bytes.Buffer
	require.NoError(t, report.WriteIndex(&index, report.Index{
		Title: long, Rows: []report.IndexRow{{Row: *row, HTML: "a.html", PDF: "a.pdf"}},
		Refused: []samples.Refusal{{Path: long, Reason: long, Hint: long}},
	}))
	for name, page := range map[string]string{"report": htmlOf(t, in), "index": index.String()} {
		file := filepath.Join(t.TempDir(), name+".html")
		require.NoError(t, os.WriteFile(file, []byte(page), 0o666))
		require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("file://"+file), chromedp.WaitVisible(chromedp.CSS("#caution"))))
		over, err := chromedp.Run(ctx, chromedp.Evaluate[int]("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
		require.NoError(t, err)
		assert.Zero(t, over, "px that the %s sticks out", name)
	}
}
