package report_test

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/samples/report"
	"traytally/samples/words"
)

// pageMark begins a page of a PDF, and mediaBox says its size.
var pageMark = regexp.MustCompile(`/Type ?/Page\b[^s]`)

var mediaBox = regexp.MustCompile(`/MediaBox ?\[([^\]]*)\]`)

// sheets are samples whose first page is hard to fill, or hard to keep on one.
func sheets(t testing.TB) map[string]report.Input {
	out := map[string]report.Input{}
	long := strings.Repeat("Wide lot name 17, ", 7)[:120]
	full := samples.Facts{Lot: long, Party: long, Line: long, Variety: long, Stage: long, Drawn: facts.Drawn, Received: facts.Drawn, Note: strings.Repeat("a long note ", 333), Sheet: facts.Sheet}
	for _, standard := range []string{"", "thai-white", "in-agmark-medium", "cn-indica"} {
		for _, broken := range []float64{0.5} {
			in := input(t, sampletest.Options{Facts: facts, Standard: standard, Kernels: 80, Broken: broken}, false)
			out[fmt.Sprintf("%s %g", standard, broken)] = in
			full := input(t, sampletest.Options{Facts: full, Standard: standard, Kernels: 80, Broken: broken, Code: strings.Repeat("K", 64)}, false)
			out[fmt.Sprintf("%s %g full", standard, broken)] = full
		}
	}
	in := input(t, sampletest.Options{Facts: full, Standard: "thai-white", Kernels: 80, Broken: 0.5}, false)
	ks := in.Trays[0].Kernels
	require.NoError(t, in.Record.Correct([]correct.Correction{
		{Do: correct.Broken, At: correct.Place{ks[0].X, ks[0].Y}}, {Do: correct.NotRice, At: correct.Place{ks[5].X, ks[5].Y}},
	}, "A. Clerk, whose name is as long as names are in some places (invented)", nil))
	var err error
	in.Trays, err = in.Record.Trays()
	require.NoError(t, err)
	in.Record.Withdrawn = true
	out["corrected, withdrawn"] = in
	return out
}

// The first page is one page, of the browser and of the PDF, in every language.
func TestFirstPageIsOnePage(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	ctx := browser(t)
	file := filepath.Join(t.TempDir(), "report.html")
	samples := sheets(t)
	for n, name := range slices.Sorted(maps.Keys(samples)) {
		in := samples[name]
		in.Short = true
		for i, l := range words.Languages() {
			in.Words = words.In(l.Tag)
			if in.Record.Corrections == nil && i != n%len(words.Languages()) { // by turns; the fullest in all
				continue
			}
			t.Run(name+" "+l.Tag, func(t *testing.T) {
				page := htmlOf(t, in)
				require.NoError(t, os.WriteFile(file, []byte(page), 0o666))
				require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("file://"+file), chromedp.WaitVisible(chromedp.CSS("#seal"))))
				pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
				require.NoError(t, err)
				high, err := chromedp.Run(ctx, chromedp.Evaluate[int](`Math.round(document.querySelector(".first").offsetHeight * 25.4 / 96)`))
				require.NoError(t, err)
				assert.Equal(t, 1, len(pageMark.FindAll(pdf, -1)), "pages of the HTML, which would be %d mm high", high)
				var b bytes.Buffer
				switch err := report.PDF(&b, in); l.Tag {
				case "th", "hi", "zh":
					assert.ErrorAs(t, err, new(*report.LettersError))
				default:
					require.NoError(t, err)
					assert.Equal(t, 1, len(pageMark.FindAll(b.Bytes(), -1)), "pages of the PDF")
				}
			})
		}
	}
}
