package report

import (
	"math"

	"traytally/grading"
)

// A canvas takes a drawing in millimetres, y downwards.
type canvas interface {
	line(x1, y1, x2, y2, width float64, c rgb, dash float64)
	rect(x, y, w, h float64, fill rgb)
	circle(x, y, r float64, fill rgb, stroke *rgb)
	// text writes a line whose base line is at y; at is its place relative to
	// x: -1 left, 0 middle, 1 right. size is in points.
	text(x, y float64, s string, at int, size float64, bold bool, c rgb)
}

const small = 7.0 // pt, letters of charts

// ticks returns round numbers from lo to hi, about n of them.
func ticks(lo, hi float64, n int) []float64 {
	if !(hi > lo) {
		return nil
	}
	raw := (hi - lo) / float64(n)
	p := math.Pow(10, math.Floor(math.Log10(raw)))
	step := p
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if step = m * p; step >= raw*0.999 {
			break
		}
	}
	var out []float64
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, i*step)
	}
	return out
}

func tickText(v float64) string {
	return num(math.Round(v*1e6)/1e6, -1)
}

// A mark is a value on a scale with its name.
type mark struct {
	value float64
	name  string
}

// drawInterval draws the broken share with its interval on a scale with the
// limits, w × 16 mm.
func (v *view) drawInterval(c canvas, w float64) {
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
			limits = append(limits, mark{t, num(t, -1) + " %"})
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
	x := func(p float64) float64 { return w * p / top }
	c.line(0, y, w, y, 0.25, pale, 0)
	for _, t := range ticks(0, top, 8) {
		c.line(x(t), y, x(t), y+1.2, 0.25, pale, 0)
		c.text(x(t), y+4.4, tickText(t), 0, small, false, pale)
	}
	c.text(w, y+7.4, "broken, % by mass", 1, small, false, pale)
	last := math.Inf(-1)
	for _, l := range limits {
		if l.value > top {
			continue
		}
		c.line(x(l.value), y-4.6, x(l.value), y+1.6, 0.45, stop, 0)
		name := "limit of " + l.name
		if v.res.Grade != nil {
			name = l.name
		}
		if at := x(l.value); at-last > 17 && at < w-8 {
			c.text(at+0.8, y-3.2, name, -1, small, false, stop)
			last = at
		}
	}
	lo, hi := x(e.Low), x(e.High)
	c.rect(lo, y-1.5, max(0.6, hi-lo), 1.5, bar)
	c.line(lo, y-2, lo, y, 0.4, ink, 0)
	c.line(hi, y-2, hi, y, 0.4, ink, 0)
	c.circle(x(e.Value), y-0.75, 1.1, ink, nil)
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
func (v *view) drawHistogram(c canvas, w, h float64) {
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
	const left, right, top, bottom = 9.0, 2.0, 9.0, 9.0
	pw, ph := w-left-right, h-top-bottom
	x := func(l float64) float64 { return left + pw*l/(float64(bins)*step) }
	y := func(k float64) float64 { return top + ph*(1-k/float64(max(1, most))) }
	for _, t := range ticks(0, float64(most), 4) {
		if t != math.Trunc(t) {
			continue
		}
		c.line(left, y(t), left+pw, y(t), 0.15, rule, 0)
		c.text(left-1.2, y(t)+0.9, tickText(t), 1, small, false, pale)
	}
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
			c.rect(x(float64(b)*step)+0.15, y(base+float64(k)), pw/float64(bins)-0.3, y(base)-y(base+float64(k)), col)
			base += float64(k)
		}
	}
	c.line(left, top+ph, left+pw, top+ph, 0.25, pale, 0)
	for _, t := range ticks(0, float64(bins)*step, 8) {
		c.line(x(t), top+ph, x(t), top+ph+1.2, 0.25, pale, 0)
		c.text(x(t), top+ph+4.2, tickText(t), 0, small, false, pale)
	}
	c.text(left+pw, top+ph+7.8, "length, "+v.unit, 1, small, false, pale)
	c.text(left, 3, "kernels", 0, small, false, pale)
	if limit == 0 {
		return
	}
	c.line(x(limit), 5, x(limit), top+ph, 0.5, stop, 0)
	c.text(x(limit)-1, 7.4, "limit "+num(limit, 2)+" "+v.unit+" ("+num(v.res.Params.Cut, -1)+" of whole)", 1, small, true, stop)
	ref := v.res.Reference.Length
	c.line(x(ref), 3.6, x(ref), top+ph, 0.3, ink, 1.2)
	c.text(min(x(ref)+1, left+pw-24), 3, "whole kernel "+num(ref, 2)+" "+v.unit, -1, small, false, ink)
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
func (v *view) drawColour(c canvas, w, h float64) {
	const left, right, top, bottom = 9.0, 2.0, 4.0, 9.0
	pw, ph := w-left-right, h-top-bottom
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
	x := func(b float64) float64 { return left + pw*(b-lo[0])/(hi[0]-lo[0]) }
	y := func(l float64) float64 { return top + ph*(1-(l-lo[1])/(hi[1]-lo[1])) }
	for _, t := range ticks(lo[1], hi[1], 5) {
		c.line(left, y(t), left+pw, y(t), 0.15, rule, 0)
		c.text(left-1.2, y(t)+0.9, tickText(t), 1, small, false, pale)
	}
	for _, t := range ticks(lo[0], hi[0], 6) {
		c.line(x(t), top, x(t), top+ph, 0.15, rule, 0)
		c.text(x(t), top+ph+4.2, tickText(t), 0, small, false, pale)
	}
	c.text(left+pw, top+ph+7.8, "b*: blue to yellow", 1, small, false, pale)
	c.text(0, 2.4, "L*: lightness", -1, small, false, pale)
	for _, flagged := range [...]bool{false, true} {
		for i := range ks {
			k := &ks[i]
			if (len(k.Flags) > 0) != flagged {
				continue
			}
			if !flagged {
				c.circle(x(k.Lab[2]), y(k.Lab[0]), 0.55, bar, nil)
				continue
			}
			white := rgb{255, 255, 255}
			c.circle(x(k.Lab[2]), y(k.Lab[0]), 0.95, flagColours[k.Flags[0]], &white)
		}
	}
}

// flagsSeen lists the flags that kernels carry, in the order of the result.
func (v *view) flagsSeen() []string {
	var out []string
	for _, s := range v.res.Shares {
		if s.Found > 0 && (s.Kind == grading.KindFlag || s.Kind == grading.KindForeign) {
			out = append(out, s.Name)
		}
	}
	return out
}
