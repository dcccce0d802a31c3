package report

import (
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strings"

	"traytally/samples"
)

// Sizes of a control chart, mm.
const (
	chartW = 182.0
	chartH = 62.0
)

// TrendSVG writes the control charts, one below the other, as one SVG picture.
// Charts whose samples state their moisture have that beside it.
func TrendSVG(w io.Writer, charts []samples.Chart) error {
	var s svgCanvas
	y := 4.0
	for i := range charts {
		c := &charts[i]
		s.text(0, y, chartTitle(c), -1, 9.5, true, ink)
		y += 3
		drawChart(&shifted{&s, 0, y}, c, chartW, chartH)
		y += chartH + 2
		if c.Moisture != nil {
			drawMoisture(&shifted{&s, 0, y}, c, chartW, 50)
			y += 52
		}
		y += 6
	}
	for _, l := range folded(chartKey()+" Screening aid from pictures; no official grade.", 150) {
		s.text(0, y, l, -1, small, false, pale)
		y += 3.4
	}
	_, err := fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="-6 -4 %s %s" font-family="Helvetica, Arial, sans-serif"><rect x="-6" y="-4" width="100%%" height="100%%" fill="#fff"/>%s</svg>`+"\n",
		f2(chartW+12), f2(y+6), f2(chartW+12), f2(y+6), s.b.String())
	return err
}

// chartKey says what is drawn in a chart.
func chartKey() string {
	return strings.ToUpper(samples.ChartFormula[:1]) + samples.ChartFormula[1:] + ". Square: beyond a limit. Ring: " + strings.TrimPrefix(samples.RunRule, "run: ") + ". Grey bars: 95 % interval of each sample."
}

func chartTitle(c *samples.Chart) string {
	if c.By == "" {
		return "Broken share by mass, " + count(len(c.Points), "sample", "samples")
	}
	group := c.Group
	if group == "" {
		group = "not stated"
	}
	return "Broken share by mass, " + c.By + " " + visible(group) + ", " + count(len(c.Points), "sample", "samples")
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

// shifted draws on another canvas from a corner.
type shifted struct {
	canvas
	x, y float64
}

func (s *shifted) line(x1, y1, x2, y2, width float64, c rgb, dash float64) {
	s.canvas.line(s.x+x1, s.y+y1, s.x+x2, s.y+y2, width, c, dash)
}
func (s *shifted) rect(x, y, w, h float64, c rgb) { s.canvas.rect(s.x+x, s.y+y, w, h, c) }
func (s *shifted) circle(x, y, r float64, c rgb, stroke *rgb) {
	s.canvas.circle(s.x+x, s.y+y, r, c, stroke)
}
func (s *shifted) text(x, y float64, t string, at int, size float64, bold bool, c rgb) {
	s.canvas.text(s.x+x, s.y+y, t, at, size, bold, c)
}

// drawChart draws the samples in the order of their times, evenly spaced.
func drawChart(c canvas, ch *samples.Chart, w, h float64) {
	const left, right, top, bottom = 9.0, 26.0, 2.0, 10.0
	pw, ph := w-left-right, h-top-bottom
	hi := 0.0
	for _, p := range ch.Points {
		hi = max(hi, p.High)
	}
	if ch.Upper != nil {
		hi = max(hi, *ch.Upper)
	}
	hi = min(100, max(1, hi*1.06))
	y := func(v float64) float64 { return top + ph*(1-v/hi) }
	n := len(ch.Points)
	x := func(i int) float64 { return left + pw*(float64(i)+0.5)/float64(n) }
	for _, t := range ticks(0, hi, 5) {
		c.line(left, y(t), left+pw, y(t), 0.15, rule, 0)
		c.text(left-1.2, y(t)+0.9, tickText(t), 1, small, false, pale)
	}
	limit := func(v float64, name string, col rgb, dash float64) {
		c.line(left, y(v), left+pw, y(v), 0.35, col, dash)
		c.text(left+pw+1, y(v)+0.9, name+" "+num(v, 2)+" %", -1, small, false, col)
	}
	limit(ch.Mean, "mean", ink, 0)
	if ch.Upper != nil {
		limit(*ch.Upper, "upper", stop, 1.5)
		if *ch.Lower > 0 {
			limit(*ch.Lower, "lower", stop, 1.5)
		}
	}
	for i, p := range ch.Points {
		c.line(x(i), y(p.High), x(i), y(p.Low), min(1.2, pw/float64(n)*0.4), rgb{0xd6, 0xdd, 0xe4}, 0)
	}
	for i, p := range ch.Points {
		if i > 0 {
			c.line(x(i-1), y(ch.Points[i-1].Value), x(i), y(p.Value), 0.2, pale, 0)
		}
	}
	r := min(1, max(0.4, pw/float64(n)*0.3))
	named := math.Inf(-1)
	for i, p := range ch.Points {
		switch {
		case p.Out: // a square, so that it differs in shape too
			c.rect(x(i)-1.2, y(p.Value)-1.2, 2.4, 2.4, stop)
			if x(i)-named > 17 {
				c.text(min(x(i), left+pw-8), max(3, y(p.Value)-2), p.Code, 0, small, true, stop)
				named = x(i)
			}
		case p.Run:
			c.circle(x(i), y(p.Value), max(r, 0.8), rgb{255, 255, 255}, &stop)
		default:
			c.circle(x(i), y(p.Value), r, ink, nil)
		}
	}
	c.line(left, top+ph, left+pw, top+ph, 0.25, pale, 0)
	label := "2006-01-02"
	if n > 0 && ch.Points[0].At.Format(label) == ch.Points[n-1].At.Format(label) { // one day
		label = "15:04"
	}
	every := max(1, (n+5)/6)
	for i := 0; i < n; i += every {
		c.line(x(i), top+ph, x(i), top+ph+1.2, 0.25, pale, 0)
		c.text(x(i), top+ph+4.2, ch.Points[i].At.Format(label), 0, small, false, pale)
	}
	c.text(0, top+ph+8.4, "% by mass", -1, small, false, pale)
	if ch.Provisional {
		c.text(left+pw, top+ph+8.4, "limits are provisional: fewer than 20 samples", 1, small, false, doubt)
	}
}

// drawMoisture draws the broken share against the moisture.
func drawMoisture(c canvas, ch *samples.Chart, w, h float64) {
	const left, right, top, bottom = 9.0, 26.0, 2.0, 9.0
	pw, ph := w-left-right, h-top-bottom
	lo, hi, most := math.Inf(1), math.Inf(-1), 0.0
	for _, p := range ch.Points {
		if p.Moisture != nil {
			lo, hi, most = min(lo, *p.Moisture), max(hi, *p.Moisture), max(most, p.Value)
		}
	}
	pad := max(0.2, 0.08*(hi-lo))
	lo, hi, most = lo-pad, hi+pad, max(1, most*1.1)
	x := func(v float64) float64 { return left + pw*(v-lo)/(hi-lo) }
	y := func(v float64) float64 { return top + ph*(1-min(max(v, 0), most)/most) }
	for _, t := range ticks(0, most, 4) {
		c.line(left, y(t), left+pw, y(t), 0.15, rule, 0)
		c.text(left-1.2, y(t)+0.9, tickText(t), 1, small, false, pale)
	}
	for _, t := range ticks(lo, hi, 7) {
		c.line(x(t), top+ph, x(t), top+ph+1.2, 0.25, pale, 0)
		c.text(x(t), top+ph+4.2, tickText(t), 0, small, false, pale)
	}
	c.line(left, top+ph, left+pw, top+ph, 0.25, pale, 0)
	m := ch.Moisture
	// The part of the line that lies on the paper.
	const steps = 60
	for i := range steps {
		a, b := lo+(hi-lo)*float64(i)/steps, lo+(hi-lo)*float64(i+1)/steps
		va, vb := m.Intercept+m.Slope*a, m.Intercept+m.Slope*b
		if va >= 0 && vb >= 0 && va <= most && vb <= most {
			c.line(x(a), y(va), x(b), y(vb), 0.35, stop, 0)
		}
	}
	for _, p := range ch.Points {
		if p.Moisture != nil {
			c.circle(x(*p.Moisture), y(p.Value), 0.8, ink, nil)
		}
	}
	c.text(left+pw, top+ph+7.6, "moisture, % by mass", 1, small, false, pale)
	c.text(left+pw+1, top+4, num(m.Slope, 2)+" points", -1, small, true, stop)
	c.text(left+pw+1, top+7.4, "for each % moisture", -1, small, false, stop)
	c.text(left+pw+1, top+10.8, "("+num(m.SlopeLow, 2)+" to "+num(m.SlopeHigh, 2)+")", -1, small, false, stop)
	if !m.Proven() {
		c.text(left+pw+1, top+14.2, "not proven", -1, small, false, doubt)
	}
}

// An Index is what the page over a folder of samples shows.
type Index struct {
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

// WriteIndex writes the page. It fetches nothing.
func WriteIndex(w io.Writer, in Index) error {
	var b strings.Builder
	e := func(s string) string { return html.EscapeString(visible(s)) }
	b.WriteString("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n")
	b.WriteString(`<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">` + "\n")
	if in.RefreshS > 0 {
		fmt.Fprintf(&b, "<meta http-equiv=\"refresh\" content=\"%d\">\n", in.RefreshS)
	}
	fmt.Fprintf(&b, `<meta name="viewport" content="width=device-width, initial-scale=1"><title>%s</title><link rel="icon" href="data:,"><style>%s
body { max-width: 260mm; } td a { color: #0b4f8a; margin-right: 2mm; } .refused td { color: #b33a00; overflow-wrap: anywhere; min-width: 20mm; } .whole { white-space: nowrap; } .fact { overflow-wrap: anywhere; min-width: 14mm; }</style></head><body>
<header><div><p class="kind">Samples of broken kernels in milled rice</p><h1>%s</h1></div><div class="code"><p class="number">%d</p><p class="kind">%s</p></div></header>
`, e(in.Title), styleText, e(in.Title), len(in.Rows), map[bool]string{true: "sample", false: "samples"}[len(in.Rows) == 1])
	if len(in.Refused) > 0 {
		b.WriteString(`<section><h2>Pictures that could not be graded</h2><table class="refused"><thead><tr><th>Picture</th><th>Why</th><th>What to do</th></tr></thead><tbody>` + "\n")
		for _, r := range in.Refused {
			fmt.Fprintf(&b, "<tr><td>%s</td><td>%s</td><td>%s</td></tr>\n", e(r.Path), e(r.Reason), e(r.Hint))
		}
		b.WriteString("</tbody></table></section>\n")
	}
	if in.Chart != nil {
		fmt.Fprintf(&b, "<section><h2>%s</h2>%s<p class=\"key\">%s</p></section>\n", e(chartTitle(in.Chart)),
			drawing(chartW, chartH, "control chart of the broken share", func(c canvas) { drawChart(c, in.Chart, chartW, chartH) }), e(chartKey()))
	}
	// A fact has a column where some sample states it.
	stated := []struct {
		name string
		of   func(*samples.Row) string
	}{
		{"Picture", func(r *samples.Row) string { return strings.Join(r.Pictures, ", ") }},
		{"Lot", func(r *samples.Row) string { return r.Lot }}, {"Party", func(r *samples.Row) string { return r.Party }},
		{"Variety", func(r *samples.Row) string { return r.Variety }}, {"Line", func(r *samples.Row) string { return r.Line }},
	}
	stated = slices.DeleteFunc(stated, func(f struct {
		name string
		of   func(*samples.Row) string
	}) bool {
		return !slices.ContainsFunc(in.Rows, func(r IndexRow) bool { return f.of(&r.Row) != "" })
	})
	b.WriteString("<section><h2>Samples, newest first</h2><table><thead><tr><th>Sample</th><th>Report</th><th>Sampled</th>")
	for _, f := range stated {
		b.WriteString("<th>" + f.name + "</th>")
	}
	b.WriteString(`<th class="n">Kernels</th><th class="n">Broken by mass</th><th class="n">95 % interval</th><th>Outcome</th></tr></thead><tbody>` + "\n")
	for i := range in.Rows {
		r := &in.Rows[i]
		broken := pct(r.BrokenMass.Value)
		if r.Untold {
			broken = "not told"
		}
		links := ""
		if r.HTML != "" {
			links += fmt.Sprintf(`<a href="%s">report</a>`, e(r.HTML))
		}
		if r.PDF != "" {
			links += fmt.Sprintf(`<a href="%s">PDF</a>`, e(r.PDF))
		}
		whole := `<td class="whole">`
		if len(r.Code) > 16 {
			whole = `<td class="fact">`
		}
		fmt.Fprintf(&b, `<tr>%s%s</td><td class="whole">%s</td><td>%s</td>`, whole, e(r.Code), links, e(when(r.At)))
		for _, f := range stated {
			fmt.Fprintf(&b, `<td class="fact">%s</td>`, e(f.of(&r.Row)))
		}
		fmt.Fprintf(&b, `<td class="n">%d</td><td class="n"><b>%s</b></td><td class="n">%s</td><td>%s</td></tr>`+"\n",
			r.Kernels, e(broken), e(interval(r.BrokenMass)), e(r.Outcome()))
	}
	b.WriteString("</tbody></table></section>\n<section id=\"caution\"><h2>Caution</h2><p>Screening aids made from pictures. No official grade: that is given by licensed inspectors under the rules of the place.</p></section>\n</body></html>\n")
	_, err := io.WriteString(w, b.String())
	return err
}
