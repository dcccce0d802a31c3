package report

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html"
	"html/template"
	"image"
	"io"
	"strconv"
	"strings"
	"sync"

	"traytally/grading"
	"traytally/grading/chart"
	"traytally/vision/kernel"
)

//go:embed report.html.tmpl
var pageText string

//go:embed report.css
var styleText string

//go:embed report.js
var scriptText string

var page = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("report").Funcs(template.FuncMap{
		"join":   strings.Join,
		"colour": func(c grading.Class) string { return lookOf(c).colour.String() },
		"f2":     chart.F2,
		"points": points,
		"ref":    ref,
		"add":    func(a, b int) int { return a + b },
		"photo": func(img image.Image) (template.URL, error) {
			s, err := stillOf(img, cropQuality)
			return s.url(), err
		},
	}).Parse(pageText))
})

// What the page's template asks for beside the view's own texts.

func (v *view) Share(share float64) string { return v.Number(100*share, 0) }

// LongCode reports whether the code is set small.
func (v *view) LongCode() bool { return codeSize(v.Code) < codeSize("") }

// Size writes a length, of which one is 0.
func (v *view) Size(mm, px float64) string {
	if mm > 0 {
		return v.Number(mm, 2)
	}
	return v.Number(px, 1)
}

// A htmlTray is a tray's part of the page.
type htmlTray struct {
	Number      int
	Name        string
	Note        string
	Width       int
	Height      int
	Photo       template.URL // empty where the picture is not at hand
	Shapes      template.HTML
	Description string
}

// A htmlKernel is a row of the table of kernels.
type htmlKernel struct {
	Tray int // index
	grading.KernelRow
}

// pageFoot is the style that prints the sample and the number of the page at the
// foot of each. A code holds only letters, digits, dots, dashes and underscores.
func pageFoot(v *view) string {
	const font = "font: 7pt sans-serif; color: #5b6470;"
	before, rest, _ := strings.Cut(v.T("page %s of %s", "\x00", "\x01"), "\x00")
	between, after, _ := strings.Cut(rest, "\x01")
	foot := fmt.Sprintf("@page { @bottom-right { content: %q counter(page) %q counter(pages) %q; %s } }\n", before, between, after, font)
	if v.Code != "" {
		foot += fmt.Sprintf("@page { @bottom-left { content: %q; %s } }\n", v.Code+" "+v.Revision, font)
	}
	return foot
}

// HTML writes the report as one file. It loads nothing, and the page forbids
// itself to.
func HTML(w io.Writer, in Input) error {
	v, err := newView(in)
	if err != nil {
		return err
	}
	data := struct {
		*view
		Policy        string
		Style         template.CSS
		Script        template.JS
		IntervalChart template.HTML
		Histogram     template.HTML
		Colour        template.HTML // empty where no colour was measured
		Trays         []htmlTray
		Legend        []legendItem
		Flags         []legendItem
		Crops         []crop
		More          int
		Kernels       []htmlKernel
		ManyTrays     bool
		LengthUnit    string
		AllSettings   string // JSON
		Short         bool
		Widths        []float64 // of the limits on the first page, mm
	}{view: v, Short: in.Short, Widths: limitWidths, Style: template.CSS(styleText + pageFoot(v)), Script: template.JS(scriptText), ManyTrays: len(in.Trays) > 1, LengthUnit: v.unit}
	settings, err := json.MarshalIndent(&in.Record.Settings, "", " ")
	if err != nil {
		return err
	}
	data.AllSettings = Visible(string(settings))
	data.Policy = fmt.Sprintf("default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src '%s'; base-uri 'none'; form-action 'none'", scriptHash(scriptText))
	data.IntervalChart = template.HTML(chart.Inline(182, 16, v.T("the broken share with its interval and the limits"), func(c chart.Canvas) { v.drawInterval(c, 182) }))
	data.Histogram = template.HTML(chart.Inline(182, 62, v.T("how many kernels have which length"), func(c chart.Canvas) { v.drawHistogram(c, 182, 62) }))
	if v.hasColour() {
		data.Colour = template.HTML(chart.Inline(182, 58, v.T("lightness and yellowness of every kernel"), func(c chart.Canvas) { v.drawColour(c, 182, 58) }))
	}
	for i := range in.Trays {
		tray, err := v.htmlTray(i)
		if err != nil {
			return err
		}
		data.Trays = append(data.Trays, tray)
		for _, r := range v.rows(i) {
			data.Kernels = append(data.Kernels, htmlKernel{i, r})
		}
	}
	data.Legend = v.legendOf(v.res.Kernels)
	data.Flags = v.flagLegend()
	data.Crops, data.More = v.gallery()
	var out bytes.Buffer
	if err := page().Execute(&out, &data); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return writeSealed(w, out.Bytes(), in, "<!-- %s -->", "</html>")
}

// scriptHash is the script's name in a content security policy (W3C, Content
// Security Policy Level 3, 2.3.1).
func scriptHash(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// url returns the picture's JPEG in an address.
func (s still) url() template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(s.jpeg))
}

func ref(tray, id int) string { return "k" + strconv.Itoa(tray+1) + "-" + strconv.Itoa(id) }

func points(pts []kernel.Point) string {
	var b strings.Builder
	for i, p := range pts {
		if i > 0 {
			b.WriteByte(' ')
		}
		// Pixel centres are integers in the outline, and halves in the picture's
		// box.
		b.WriteString(strconv.FormatFloat(p.X+0.5, 'f', 1, 64) + "," + strconv.FormatFloat(p.Y+0.5, 'f', 1, 64))
	}
	return b.String()
}

func (v *view) htmlTray(i int) (htmlTray, error) {
	t, rows := &v.in.Trays[i], v.rows(i)
	var photo template.URL
	if p := &v.in.Photos[i]; p.img != nil {
		s, err := p.shown()
		if err != nil {
			return htmlTray{}, err
		}
		photo = s.url()
	}
	out := htmlTray{
		Number: i + 1, Name: baseName(v.rec.Pictures[i].Path), Note: v.PhotoNotes[i],
		Width: t.WidthPx, Height: t.HeightPx, Photo: photo,
		Description: v.T("outlines of %d kernels", len(t.Kernels)),
	}
	w := usualWidth(t)
	var b strings.Builder
	for j := range rows {
		r, k := &rows[j], &t.Kernels[j]
		l := lookOf(r.Class)
		fmt.Fprintf(&b, `<g class="kernel" data-ref="%s" data-class="%s" data-flags="%s"><polygon points="%s" stroke="%s" style="stroke-width:calc(%spx*var(--fat,1))"/>`,
			ref(i, r.ID), html.EscapeString(string(r.Class)), html.EscapeString(strings.Join(r.Flags, " ")), points(k.Outline), l.colour, chart.F2(max(1.2, w*l.width)))
		if label := strconv.Itoa(r.ID) + l.letter; l.letter != "" || len(r.Flags) > 0 {
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s">%s</text>`, chart.F2(k.X+0.5), chart.F2(k.Y+0.5+w*0.2), chart.F2(w*0.55), html.EscapeString(label))
		}
		b.WriteString("</g>\n")
	}
	for _, c := range t.Unresolved {
		fmt.Fprintf(&b, `<rect class="unresolved" x="%d" y="%d" width="%d" height="%d" stroke-width="%s"/>`, c.MinX, c.MinY, c.MaxX-c.MinX, c.MaxY-c.MinY, chart.F2(w*0.12))
	}
	out.Shapes = template.HTML(b.String())
	return out, nil
}

// Caption names a kernel of the gallery and gives its length.
func (v *view) Caption(c crop) string {
	id := strconv.Itoa(c.Row.ID)
	if len(v.in.Trays) > 1 {
		id = strconv.Itoa(c.Tray+1) + "/" + id
	}
	return id + " · " + v.Number(v.length(c.Row), 1) + " " + v.unit
}
