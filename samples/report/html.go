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
	}).Parse(pageText))
})

// What the page's template asks for beside the view's own texts.

func (v *view) Shown(code string) verdict        { return v.verdictOf(code) }
func (v *view) ClassName(c grading.Class) string { return v.className(string(c)) }
func (v *view) Share(share float64) string       { return v.Number(100*share, 0) }
func (v *view) End(e string) string              { return v.Said(e) }
func (v *view) Named(flags []string) string {
	names := make([]string, len(flags))
	for i, f := range flags {
		names[i] = v.className(f)
	}
	return strings.Join(names, ", ")
}

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

type htmlCrop struct {
	View    string // the viewBox, px of the picture
	X, Y, S string
	Photo   template.URL
	Points  string
	Colour  string
	Stroke  string
	Caption string
	Why     string
	Ref     string // id of the kernel's row
}

// A htmlKernel is a row of the table of kernels.
type htmlKernel struct {
	Ref  string
	Tray int
	*grading.KernelRow
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
		Crops         []htmlCrop
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
	data.AllSettings = visible(string(settings))
	data.Policy = fmt.Sprintf("default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src '%s'; base-uri 'none'; form-action 'none'", scriptHash(scriptText))
	data.IntervalChart = template.HTML(chart.Inline(182, 16, v.T("the broken share with its interval and the limits"), func(c chart.Canvas) { v.drawInterval(c, 182) }))
	data.Histogram = template.HTML(chart.Inline(182, 62, v.T("how many kernels have which length"), func(c chart.Canvas) { v.drawHistogram(c, 182, 62) }))
	if v.hasColour() {
		data.Colour = template.HTML(chart.Inline(182, 58, v.T("lightness and yellowness of every kernel"), func(c chart.Canvas) { v.drawColour(c, 182, 58) }))
	}
	row := 0
	for i := range in.Trays {
		t := &v.in.Trays[i]
		rows := v.res.Kernels[row : row+len(t.Kernels)]
		ht, err := v.htmlTray(i, t, rows)
		if err != nil {
			return err
		}
		data.Trays = append(data.Trays, ht)
		for j := range rows {
			data.Kernels = append(data.Kernels, htmlKernel{ref(i, rows[j].ID), i + 1, &rows[j]})
		}
		row += len(rows)
	}
	data.Legend = v.legendOf(v.res.Kernels)
	data.Flags = v.flagLegend()
	crops, more := v.gallery()
	data.More = more
	for i := range crops {
		c, err := v.htmlCrop(&crops[i])
		if err != nil {
			return err
		}
		data.Crops = append(data.Crops, c)
	}
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

// dataURL returns the picture as a JPEG in an address, "" for nil.
func dataURL(img image.Image, quality int) (template.URL, error) {
	if img == nil {
		return "", nil
	}
	jpeg, err := encodeJPEG(img, quality)
	if err != nil {
		return "", err
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpeg)), nil
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

func (v *view) htmlTray(i int, t *kernel.Tray, rows []grading.KernelRow) (htmlTray, error) {
	photo, err := dataURL(reduced(v.in.Photos[i].Image), overlayQuality)
	if err != nil {
		return htmlTray{}, err
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

func (v *view) htmlCrop(c *crop) (htmlCrop, error) {
	photo, err := dataURL(c.img, cropQuality)
	t := &v.in.Trays[c.tray]
	k, r := &t.Kernels[c.kernel], &v.res.Kernels[c.row]
	return htmlCrop{
		View: chart.F2(c.x) + " " + chart.F2(c.y) + " " + chart.F2(c.side) + " " + chart.F2(c.side),
		X:    chart.F2(c.x), Y: chart.F2(c.y), S: chart.F2(c.side), Photo: photo,
		Points: points(k.Outline), Colour: lookOf(r.Class).colour.String(), Stroke: chart.F2(c.side / 90),
		Caption: v.caption(c), Why: c.why, Ref: ref(c.tray, r.ID),
	}, err
}

// caption names a kernel of the gallery and gives its length.
func (v *view) caption(c *crop) string {
	r := &v.res.Kernels[c.row]
	id := strconv.Itoa(r.ID)
	if len(v.in.Trays) > 1 {
		id = strconv.Itoa(c.tray+1) + "/" + id
	}
	return id + " · " + v.Number(v.length(r), 1) + " " + v.unit
}
