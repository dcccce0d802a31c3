package report_test

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/samples/report"
)

func ptr[T any](v T) *T { return &v }

// input makes the report's input for an invented, registered sample.
func input(t testing.TB, o sampletest.Options, photo bool) report.Input {
	t.Helper()
	g, err := samples.Open(t.Context(), filepath.Join(t.TempDir(), "register.db"),
		samples.OpenOptions{Create: true, Actor: "A. Clerk (invented)", Now: sampletest.Clock()})
	require.NoError(t, err)
	defer g.Close()
	r := sampletest.Record(t, 5, o)
	_, err = g.Add(t.Context(), r)
	require.NoError(t, err)
	r, err = g.Get(t.Context(), r.Code, 0)
	require.NoError(t, err)
	k, err := r.Kernels()
	require.NoError(t, err)
	history, err := g.History(t.Context(), r.Code)
	require.NoError(t, err)
	in := report.Input{Record: r, Trays: k.Trays, History: history, Photos: []report.Photo{{Missing: "the file was moved"}}}
	if photo {
		in.Photos[0] = report.NewPhoto(sampletest.Picture(&k.Trays[0]))
	}
	return in
}

var facts = samples.Facts{
	Lot: "L-17", Party: "Blue Heron Traders (invented)", Line: "2", Variety: "long, invented", Stage: "after grader",
	Drawn: time.Date(2026, 11, 24, 9, 30, 0, 0, time.FixedZone("", 7*3600)),
	Note:  "second draw", Sheet: &grading.Sheet{MoisturePct: ptr(13.2), SampleMassG: ptr(5.1)},
}

func htmlOf(t testing.TB, in report.Input) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, report.HTML(&b, in))
	return b.String()
}

func pdfOf(t testing.TB, in report.Input) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, report.PDF(&b, in))
	return b.Bytes()
}

func TestHTML(t *testing.T) {
	in := input(t, sampletest.Options{Facts: facts, Standard: "us-long", Kernels: 220}, true)
	page := htmlOf(t, in)
	assert.Equal(t, page, htmlOf(t, in), "the same input gives the same bytes")
	res, err := in.Record.Decode()
	require.NoError(t, err)
	for _, want := range []string{
		"S2026-0001", "L-17", "Blue Heron Traders (invented)", "13.2 % by mass", "2026-11-24 09:30 &#43;07:00",
		res.Grade.Result, "Not assessed", "licensed inspectors", "name, date, signature", in.Record.Pictures[0].SHA256,
		in.History[0].Hash, "traytally log recheck S2026-0001", "data:image/jpeg;base64,",
	} {
		assert.Contains(t, page, want)
	}
	// Verdict first, and the order of what follows.
	last := 0
	for _, id := range []string{"verdict", "limits", "shares", "picture", "sign", "seal", "overlay", "lengths", "colour", "gallery", "missing", "caution", "origin", "kernels"} {
		at := strings.Index(page, `id="`+id+`"`)
		require.Greater(t, at, last, id)
		last = at
	}
	assert.Equal(t, 220, strings.Count(page, `<g class="kernel"`))
	assert.Equal(t, 220, strings.Count(page, `<tr id="k1-`))
	// Nothing is fetched: every address is a name in the page or data.
	for _, m := range regexp.MustCompile(`(?:href|src|url)\s*=\s*"([^"]*)"`).FindAllStringSubmatch(page, -1) {
		assert.Regexp(t, `^(#|data:)`, m[1][:min(40, len(m[1]))])
	}
	assert.NotContains(t, page, "ZgotmplZ", "the template refused a value")
	assert.NotRegexp(t, `https?://`, page)
}

// Whatever is cut off, added or changed in a report is seen, and so is one of
// another sample or revision.
func TestWhole(t *testing.T) {
	in := input(t, sampletest.Options{Facts: facts, Kernels: 40}, true)
	for kind, document := range map[string][]byte{"html": []byte(htmlOf(t, in)), "pdf": pdfOf(t, in)} {
		t.Run(kind, func(t *testing.T) {
			require.True(t, report.Whole(document, in.Record, nil))
			assert.False(t, report.Whole(nil, in.Record, nil))
			rng := rand.New(rand.NewPCG(1, 2))
			for range 2000 {
				damaged := bytes.Clone(document)
				at := rng.IntN(len(damaged))
				if rng.IntN(4) == 0 { // the seal itself
					at = len(damaged) - 1 - rng.IntN(200)
				}
				switch rng.IntN(3) {
				case 0:
					damaged[at] ^= 1 << rng.IntN(8)
				case 1:
					damaged = damaged[:at]
				case 2:
					damaged = slices.Insert(damaged, at, byte(rng.IntN(256)))
				}
				require.False(t, report.Whole(damaged, in.Record, nil), "at %d of %d", at, len(document))
			}
			other := *in.Record
			other.Revision++
			assert.False(t, report.Whole(document, &other, nil))
			other = *in.Record
			other.Code += "1"
			assert.False(t, report.Whole(document, &other, nil))
		})
	}
}

func TestMissingPictureIsSaid(t *testing.T) {
	in := input(t, sampletest.Options{}, false)
	page := htmlOf(t, in)
	assert.Contains(t, page, "Outlines only: the file was moved.")
	assert.NotContains(t, page, "data:image")
	assert.NotEmpty(t, pdfOf(t, in))
}

func TestHostileText(t *testing.T) {
	for _, bad := range []string{`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `'-alert(1)-'`, `</style><script>alert(1)</script>`, `{{.Code}}`, `=1+1`} {
		f := samples.Facts{Lot: bad, Party: bad, Variety: bad, Line: bad, Stage: bad, Note: bad}
		in := input(t, sampletest.Options{Facts: f, Kernels: 40}, false)
		in.History[0].Actor, in.History[0].Reason = bad, bad
		in.Record.Pictures[0].Path = "/scans/" + strings.ReplaceAll(bad, "/", "∕")
		page := htmlOf(t, in)
		assert.Equal(t, 1, strings.Count(page, "<script"))
		assert.NotContains(t, page, "<img")
		assert.NotContains(t, page, `onerror=alert(1)>"`)
		assert.NotEmpty(t, pdfOf(t, in))
	}
}

// Marks that turn the direction of what follows, and controls, are seen.
func TestUnseenCharactersAreSeen(t *testing.T) {
	in := input(t, sampletest.Options{Facts: samples.Facts{Lot: "L\u202egpj", Party: "شركة", Note: "a\u2066b"}, Kernels: 40}, false)
	in.Record.Pictures[0].Path = "/scans/x\x1b[31m\u202egpj.png"
	in.History[0].Reason = "r\u202d"
	page := htmlOf(t, in)
	assert.NotContains(t, page, "\x1b")
	assert.False(t, strings.ContainsAny(page, "\u202d\u202e\u2066"))
	assert.Contains(t, page, "L\ufffdgpj")
	assert.Contains(t, page, "شركة")
	assert.Contains(t, page, "x\ufffd[31m\ufffdgpj.png")
}

// Each sheet of paper says which sample it belongs to, and the page holds all
// settings and the command to compute it again.
func TestReportStandsAlone(t *testing.T) {
	in := input(t, sampletest.Options{Facts: facts, Standard: "us-long", Kernels: 40, Code: "K-1.a"}, true)
	in.Command = "traytally grade tray.png --standard us-long"
	page := htmlOf(t, in)
	for _, want := range []string{
		`content: "K-1.a revision 1"`, "<dd>" + in.Command + "</dd>", in.Record.Pictures[0].SHA256, in.Record.MeasuredSHA256,
		in.Record.Settings.StandardSHA256, "L-17", "Blue Heron Traders (invented)", "13.2 % by mass", "&#34;length_measure&#34;: &#34;caliper&#34;",
	} {
		assert.Contains(t, page, want)
	}
}

func TestPDF(t *testing.T) {
	in := input(t, sampletest.Options{Facts: facts, Standard: "us-long", Kernels: 220}, true)
	a := pdfOf(t, in)
	assert.Equal(t, a, pdfOf(t, in), "the same input gives the same bytes")
	assert.True(t, bytes.HasPrefix(a, []byte("%PDF-")))
	assert.Contains(t, string(a), "/MediaBox [0 0 595.28 841.89]") // A4 in points
}

// Letters that the PDF's font lacks are told, and nothing is written; the page has
// them.
func TestLetters(t *testing.T) {
	for lot, lacking := range map[string]string{"gạo trắng hạt dài": "", "ข้าวขาว": "ขวา้", "大米": "大米", "😀": "😀"} {
		in := input(t, sampletest.Options{Facts: samples.Facts{Lot: lot}, Kernels: 40}, false)
		assert.Contains(t, htmlOf(t, in), lot)
		var b bytes.Buffer
		err := report.PDF(&b, in)
		if lacking == "" {
			assert.NoError(t, err)
			continue
		}
		var e *report.LettersError
		require.ErrorAs(t, err, &e)
		assert.Equal(t, lacking, e.Letters)
		assert.Zero(t, b.Len())
	}
}

func TestInputIsChecked(t *testing.T) {
	in := input(t, sampletest.Options{Kernels: 40}, true)
	bad := in
	bad.Trays = nil
	assert.Error(t, report.HTML(&bytes.Buffer{}, bad))
	other := sampletest.Tray(9, 60, 0.1)
	bad = in
	bad.Photos = []report.Photo{report.NewPhoto(sampletest.Picture(&other))}
	assert.Error(t, report.PDF(&bytes.Buffer{}, bad))
	assert.Error(t, report.HTML(&bytes.Buffer{}, report.Input{}))
}

// Nothing is written where writing fails halfway.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, os.ErrClosed }

func TestWriteFails(t *testing.T) {
	in := input(t, sampletest.Options{Kernels: 40}, false)
	assert.ErrorIs(t, report.HTML(failing{}, in), os.ErrClosed)
	assert.ErrorIs(t, report.PDF(failing{}, in), os.ErrClosed)
}

func BenchmarkReport(b *testing.B) {
	in := input(b, sampletest.Options{Facts: facts, Standard: "us-long", Kernels: 400}, true)
	b.Run("html", func(b *testing.B) {
		for b.Loop() {
			htmlOf(b, in)
		}
	})
	b.Run("pdf", func(b *testing.B) {
		for b.Loop() {
			pdfOf(b, in)
		}
	})
}
