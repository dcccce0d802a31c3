package report

import (
	"math"
	"slices"

	"traytally/grading"
	"traytally/grading/chart"
)

// A mark is a value on a scale with its name.
type mark struct {
	value float64
	name  string
}

// drawInterval draws the broken share with its interval on a scale with the
// limits, w × 16 mm.
func (v *view) drawInterval(c chart.Canvas, w float64) {
	e := v.res.Broken.MassPct.Estimate
	var limits []mark
	top := e.High * 1.15
	if g := v.res.Grade; g != nil {
		for i := range g.Lines {
			l := &g.Lines[i]
			if l.Factor == brokenFactor(g) {
				limits = append(limits, mark{l.LimitValue, l.Grade})
			}
		}
	} else {
		for _, t := range v.res.Params.TradeClasses {
			limits = append(limits, mark{t, v.T("%s %%", v.Number(t, -1))})
		}
	}
	// The scale ends after the first limit beyond the interval.
	for _, l := range limits {
		if l.value > e.High {
			top = max(top, l.value*1.12)
			break
		}
	}
	top = min(100, max(top, 2))
	const y = 8.0
	p := v.plot(chart.Plot{Canvas: c, Right: w, Bottom: y, X1: top})
	p.Columns(8, v.T("broken, %% by mass"))
	last := math.Inf(-1)
	for _, l := range limits {
		if l.value > top {
			continue
		}
		at := p.X(l.value)
		c.Line(at, y-4.6, at, y+1.6, 0.45, stop, 0)
		name := v.T("limit of %s", l.name)
		if v.res.Grade != nil {
			name = l.name
		}
		if at-last > 17 && at < w-8 {
			p.Note(at+0.8, y-3.2, name, -1, stop)
			last = at
		}
	}
	lo, hi := p.X(e.Low), p.X(e.High)
	c.Rect(lo, y-1.5, max(0.6, hi-lo), 1.5, bar)
	c.Line(lo, y-2, lo, y, 0.4, ink, 0)
	c.Line(hi, y-2, hi, y, 0.4, ink, 0)
	c.Circle(p.X(e.Value), y-0.75, 1.1, ink, nil)
}

// brokenFactor is the code of the factor that limits broken kernels, or "".
func brokenFactor(g *grading.Grade) string {
	for i := range g.Lines {
		if f := g.Lines[i].Factor; f == "broken" || f == "broken_total" {
			return f
		}
	}
	return ""
}

// length is the one that the classes go by, which may not be the caliper one.
func (v *view) length(k *grading.KernelRow) float64 {
	if ref := v.res.Reference.Length; ref > 0 {
		return k.LengthRatio * ref
	}
	return k.Length()
}

// drawHistogram draws the lengths of the rice, w × h mm, with the limit and
// the whole-kernel length where they are told.
func (v *view) drawHistogram(c chart.Canvas, w, h float64) {
	var lengths []float64
	var classes []grading.Class
	longest := 0.0
	for i := range v.res.Kernels {
		k := &v.res.Kernels[i]
		if k.Class == grading.ForeignBody {
			continue
		}
		l := v.length(k)
		lengths, classes = append(lengths, l), append(classes, k.Class)
		longest = max(longest, l)
	}
	longest = max(longest, v.res.Reference.Length*1.1) * 1.02
	// Forty bins of a round width, with the limit on an edge of one, so that
	// every bar is on one side of it.
	limit := v.res.Params.Cut * v.res.Reference.Length
	step := longest / 40
	if limit > 0 {
		step = limit / math.Max(1, math.Round(limit/(longest/40)))
	}
	bins := int(math.Ceil(longest / step))
	n := make([][]int, bins)
	for i := range n {
		n[i] = make([]int, len(looks))
	}
	most := 0
	for i, l := range lengths {
		b := min(bins-1, int(math.Floor(l/step+1e-9)))
		if broken := classes[i] != grading.Head; broken && limit > 0 && float64(b)*step >= limit-1e-9 && classes[i] != grading.Untold {
			b = max(0, b-1) // rounding at the limit's own edge
		}
		for j := range looks {
			if looks[j].class == classes[i] {
				n[b][j]++
			}
		}
		sum := 0
		for _, k := range n[b] {
			sum += k
		}
		most = max(most, sum)
	}
	p := v.plot(chart.Plot{Canvas: c, Left: 9, Right: w - 2, Top: 9, Bottom: h - 9, X1: float64(bins) * step, Y1: float64(max(1, most))})
	p.Rows(4, true)
	wide := (p.Right - p.Left) / float64(bins)
	for b := range n {
		base := 0.0
		for j, k := range n[b] {
			if k == 0 {
				continue
			}
			col := looks[j].colour
			if looks[j].class == grading.Head {
				col = bar
			}
			top := p.Y(base + float64(k))
			c.Rect(p.X(float64(b)*step)+0.15, top, wide-0.3, p.Y(base)-top, col)
			base += float64(k)
		}
	}
	p.Columns(8, v.T("length, %s", v.unit))
	p.Note(p.Left, 3, v.T("kernels"), 0, pale)
	if limit == 0 {
		return
	}
	c.Line(p.X(limit), 5, p.X(limit), p.Bottom, 0.5, stop, 0)
	c.Text(p.X(limit)-1, 7.4, v.T("limit %s %s (%s of whole)", v.Number(limit, 2), v.unit, v.Number(v.res.Params.Cut, -1)), 1, chart.Small, true, stop)
	ref := v.res.Reference.Length
	c.Line(p.X(ref), 3.6, p.X(ref), p.Bottom, 0.3, ink, 1.2)
	p.Note(min(p.X(ref)+1, p.Right-24), 3, v.T("whole kernel %s %s", v.Number(ref, 2), v.unit), -1, ink)
}

// hasColour reports whether any kernel's colour was measured.
func (v *view) hasColour() bool {
	for i := range v.res.Kernels {
		if v.res.Kernels[i].Lab != [3]float64{} {
			return true
		}
	}
	return false
}

// drawColour draws every kernel by its yellowness b* and lightness L*, w × h
// mm; flagged kernels stand out.
func (v *view) drawColour(c chart.Canvas, w, h float64) {
	ks := v.res.Kernels
	lo, hi := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for i := range ks {
		for j, x := range [2]float64{ks[i].Lab[2], ks[i].Lab[0]} {
			lo[j], hi[j] = min(lo[j], x), max(hi[j], x)
		}
	}
	for j, least := range [2]float64{10, 20} { // a narrow cloud is not blown up
		pad := max(0.06*(hi[j]-lo[j]), (least-(hi[j]-lo[j]))/2)
		lo[j], hi[j] = lo[j]-pad, hi[j]+pad
	}
	p := v.plot(chart.Plot{Canvas: c, Left: 9, Right: w - 2, Top: 4, Bottom: h - 9, X0: lo[0], X1: hi[0], Y0: lo[1], Y1: hi[1]})
	p.Rows(5, false)
	p.Columns(6, v.T("b*: blue to yellow"))
	p.Note(0, 2.4, v.T("L*: lightness"), -1, pale)
	for _, flagged := range [...]bool{false, true} {
		for i := range ks {
			k := &ks[i]
			if (len(k.Flags) > 0) != flagged {
				continue
			}
			x, y := p.X(k.Lab[2]), p.Y(k.Lab[0])
			if flagged {
				c.Circle(x, y, 0.95, flagColours[k.Flags[0]], &chart.White)
			} else {
				c.Circle(x, y, 0.55, bar, nil)
			}
		}
	}
}

// flagLegend counts the kernels of each flag that some carry, in the order of the
// result.
func (v *view) flagLegend() (out []legendItem) {
	for _, s := range v.res.Shares {
		if s.Found > 0 && (s.Kind == grading.KindFlag || s.Kind == grading.KindForeign) {
			n := 0
			for i := range v.res.Kernels {
				if slices.Contains(v.res.Kernels[i].Flags, s.Name) {
					n++
				}
			}
			out = append(out, legendItem{s.Name, v.className(s.Name), "", flagColours[s.Name], n})
		}
	}
	return out
}
