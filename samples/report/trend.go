package report

import (
	"bytes"
	_ "embed"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"traytally/grading/chart"
	"traytally/samples"
	"traytally/samples/words"
)

// Sizes of a control chart, mm.
const (
	chartW = 182.0
	chartH = 62.0
)

// TrendSVG writes the control charts, one below the other, as one SVG picture.
// Charts whose samples state their moisture have that beside it.
func TrendSVG(w io.Writer, charts []samples.Chart) error {
	var s chart.SVG
	y := 4.0
	for i := range charts {
		c := &charts[i]
		s.Text(0, y, english.ChartTitle(c), -1, 9.5, true, ink)
		y += 3
		s.At(y, func(to chart.Canvas) { english.drawChart(to, c, chartW, chartH) })
		y += chartH + 2
		if c.Moisture != nil {
			s.At(y, func(to chart.Canvas) { english.drawMoisture(to, c, chartW, 50) })
			y += 52
		}
		y += 6
	}
	for _, l := range folded(english.ChartKey()+" Screening aid from pictures; no official grade.", 150) {
		s.Text(0, y, l, -1, chart.Small, false, pale)
		y += 3.4
	}
	return s.Document(w, chartW, y-2, "broken share by mass, sample by sample")
}

// ChartKey says what is drawn in a chart, in the words of samples.ChartFormula and
// samples.RunRule.
func (v say) ChartKey() string {
	return v.T("Limits: mean ± 3·(mean moving range)/1.128, not below 0 %% nor above 100 %% (chart of individual values; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). Square: beyond a limit. Ring: eight samples in a row on one side of the mean (Western Electric rules; NIST/SEMATECH e-Handbook, 6.3.2). Grey bars: 95 %% interval of each sample.")
}

// ChartTitle names a chart, with what it is of.
func (v say) ChartTitle(c *samples.Chart) string {
	if c.By == "" {
		return v.T("Broken share by mass, %d samples", len(c.Points))
	}
	group := c.Group // of a chart that English alone draws
	if group == "" {
		group = "not stated"
	}
	return "Broken share by mass, " + c.By + " " + Visible(group) + ", " + v.T("%d samples", len(c.Points))
}

// folded breaks a text into lines of at most n letters.
func folded(s string, n int) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && len([]rune(line))+1+len([]rune(word)) > n {
			out, line = append(out, line), ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	return append(out, line)
}

// drawChart draws the samples in the order of their times, evenly spaced.
func (v say) drawChart(c chart.Canvas, ch *samples.Chart, w, h float64) {
	hi := 0.0
	for _, p := range ch.Points {
		hi = max(hi, p.High)
	}
	if ch.Upper != nil {
		hi = max(hi, *ch.Upper)
	}
	n := len(ch.Points)
	// Point i stands in the middle of the stretch from i to i + 1.
	p := v.plot(chart.Plot{Canvas: c, Left: 9, Right: w - 26, Top: 2, Bottom: h - 10, X0: -0.5, X1: float64(n) - 0.5, Y1: min(100, max(1, hi*1.06))})
	wide := (p.Right - p.Left) / float64(n)
	x := func(i int) float64 { return p.X(float64(i)) }
	p.Rows(5, false)
	p.Level(ch.Mean, v.T("mean %s %%", v.Number(ch.Mean, 2)), ink, 0)
	if ch.Upper != nil {
		p.Level(*ch.Upper, v.T("upper %s %%", v.Number(*ch.Upper, 2)), stop, 1.5)
		if *ch.Lower > 0 {
			p.Level(*ch.Lower, v.T("lower %s %%", v.Number(*ch.Lower, 2)), stop, 1.5)
		}
	}
	for i, q := range ch.Points {
		c.Line(x(i), p.Y(q.High), x(i), p.Y(q.Low), min(1.2, wide*0.4), chart.Reach, 0)
	}
	for i := 1; i < n; i++ {
		c.Line(x(i-1), p.Y(ch.Points[i-1].Value), x(i), p.Y(ch.Points[i].Value), 0.2, pale, 0)
	}
	r := min(1, max(0.4, wide*0.3))
	named := math.Inf(-1)
	for i, q := range ch.Points {
		y := p.Y(q.Value)
		switch {
		case q.Out: // a square, so that it differs in shape too
			c.Rect(x(i)-1.2, y-1.2, 2.4, 2.4, stop)
			if x(i)-named > 17 {
				c.Text(min(x(i), p.Right-8), max(3, y-2), q.Code, 0, chart.Small, true, stop)
				named = x(i)
			}
		case q.Run:
			c.Circle(x(i), y, max(r, 0.8), chart.White, &stop)
		default:
			c.Circle(x(i), y, r, ink, nil)
		}
	}
	label := v.Date
	if n > 0 && v.Date(ch.Points[0].At) == v.Date(ch.Points[n-1].At) {
		label = func(t time.Time) string { return t.Format("15:04") } // of one day, by the clock of the sample
	}
	for i := 0; i < n; i += max(1, (n+5)/6) {
		p.Column(x(i), label(ch.Points[i].At))
	}
	p.Foot("")
	p.Note(0, p.Bottom+8.4, v.T("%% by mass"), -1, pale)
	if ch.Provisional {
		p.Note(p.Right, p.Bottom+8.4, v.T("limits are provisional: fewer than 20 samples"), 1, doubt)
	}
}

// drawMoisture draws the broken share against the moisture.
func (v say) drawMoisture(c chart.Canvas, ch *samples.Chart, w, h float64) {
	lo, hi, most := math.Inf(1), math.Inf(-1), 0.0
	for _, p := range ch.Points {
		if p.Moisture != nil {
			lo, hi, most = min(lo, *p.Moisture), max(hi, *p.Moisture), max(most, p.Value)
		}
	}
	pad := max(0.2, 0.08*(hi-lo))
	p := v.plot(chart.Plot{Canvas: c, Left: 9, Right: w - 26, Top: 2, Bottom: h - 9, X0: lo - pad, X1: hi + pad, Y1: max(1, most*1.1)})
	p.Rows(4, false)
	p.Columns(7, v.T("moisture, %% by mass"))
	m := ch.Moisture
	// The part of the line that lies on the paper.
	from, to := p.X0, p.X1
	for _, edge := range [2]float64{p.Y0, p.Y1} {
		if at := (edge - m.Intercept) / m.Slope; (edge == p.Y0) == (m.Slope > 0) {
			from = max(from, at)
		} else {
			to = min(to, at)
		}
	}
	if m.Slope == 0 {
		from, to = p.X0, p.X1
	}
	if from < to {
		c.Line(p.X(from), p.Y(m.Intercept+m.Slope*from), p.X(to), p.Y(m.Intercept+m.Slope*to), 0.35, stop, 0)
	}
	for _, q := range ch.Points {
		if q.Moisture != nil {
			c.Circle(p.X(*q.Moisture), p.Y(q.Value), 0.8, ink, nil)
		}
	}
	side := p.Right + 1
	c.Text(side, p.Top+4, v.T("%s points", v.Number(m.Slope, 2)), -1, chart.Small, true, stop)
	p.Note(side, p.Top+7.4, v.T("for each %% moisture"), -1, stop)
	p.Note(side, p.Top+10.8, v.T("(%s to %s)", v.Number(m.SlopeLow, 2), v.Number(m.SlopeHigh, 2)), -1, stop)
	if !m.Proven() {
		p.Note(side, p.Top+14.2, v.T("not proven"), -1, doubt)
	}
}

// An Index is what the page over a folder of samples shows.
type Index struct {
	Words *words.Words // nil is English
	Title string
	Rows  []IndexRow // newest first
	// Refused are pictures that could not be graded.
	Refused []samples.Refusal
	Chart   *samples.Chart // nil with fewer than two samples
	// RefreshS makes the page load itself again after so many seconds; 0: not.
	RefreshS int
}

// An IndexRow is one sample with the addresses of its reports, relative to the
// page.
type IndexRow struct {
	samples.Row
	HTML, PDF string // empty without one
}

//go:embed index.html.tmpl
var indexText string

var indexPage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("index").Funcs(template.FuncMap{
		"seen": Visible, "fact": factOf,
	}).Parse(indexText))
})

// indexFacts are the columns of facts that an index has where a sample states
// them.
var indexFacts = []string{words.Key("Picture"), words.Key("Lot"), words.Key("Party"), words.Key("Variety"), words.Key("Line")}

// factOf returns one of a sample's facts by the name of its column.
func factOf(name string, r IndexRow) string {
	return map[string]string{"Picture": strings.Join(r.Pictures, ", "), "Lot": r.Lot, "Party": r.Party, "Variety": r.Variety, "Line": r.Line}[name]
}

// An indexView is what the template of the index is filled from.
type indexView struct {
	say
	Index
	Style template.CSS
	Facts []string // those that some sample states
}

// Outcome says the outcome of a sample.
func (v *indexView) Outcome(r IndexRow) string { return Visible(v.Said(r.Outcome())) }

// Draw draws the chart of all samples.
func (v *indexView) Draw() template.HTML {
	return template.HTML(chart.Inline(chartW, chartH, v.T("control chart of the broken share"), func(c chart.Canvas) { v.drawChart(c, v.Chart, chartW, chartH) }))
}

// WriteIndex writes the page. It fetches nothing.
func WriteIndex(w io.Writer, in Index) error {
	data := indexView{say: say{in.Words}, Index: in, Style: template.CSS(styleText)}
	for _, name := range indexFacts {
		if slices.ContainsFunc(in.Rows, func(r IndexRow) bool { return factOf(name, r) != "" }) {
			data.Facts = append(data.Facts, name)
		}
	}
	var b bytes.Buffer
	if err := indexPage().Execute(&b, &data); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
