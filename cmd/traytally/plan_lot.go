package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"

	"github.com/jedib0t/go-pretty/v6/table"

	"traytally/grading"
	"traytally/grading/lot"
	"traytally/grading/mill"
)

// A lotPlan is the JSON of plan --lot.
type lotPlan struct {
	head
	Bags     int     `json:"bags"`      // 0: bulk
	Tonnes   float64 `json:"tonnes"`    // 0: bags
	DrawFrom int     `json:"draw_from"` // bags, or points of a bulk load
	TakenKg  float64 `json:"taken_kg"`
	Source   string  `json:"source"`
	Kernels  int     `json:"kernels"`
	Trays    int     `json:"trays"`
	// Scatter is what the samples of the lot tell; null without them. Without
	// it the half widths hold the kernels' chance alone.
	Scatter *lot.Scatter `json:"scatter"`
	Rows    []lotRow     `json:"half_widths"`
}

// A lotRow is what drawing from some of the bags leaves, points (95 %).
type lotRow struct {
	From      int     `json:"draw_from"`
	Bags      float64 `json:"from_bags"`
	Kernels   float64 `json:"from_kernels"`
	HalfWidth float64 `json:"half_width"`
}

var lotForm = regexp.MustCompile(`^\s*(\d+(?:\.\d+)?)\s*(bags?|t)\s*$`)

// runPlanLot plans the sampling of a lot of bags or a bulk load; args are
// samples of single bags of it.
func runPlanLot(ctx context.Context, o planOptions, args []string, u *ui) error {
	const hint = "for example --lot 400bags or --lot 25t"
	m := lotForm.FindStringSubmatch(o.lot)
	if m == nil {
		return usageError(fmt.Sprintf("--lot: %q is no number of bags, nor tonnes", o.lot), hint)
	}
	size, err := strconv.ParseFloat(m[1], 64)
	bulk := m[2] == "t"
	if err != nil || size <= 0 || size > 1e7 || !bulk && size != math.Trunc(size) {
		return usageError(fmt.Sprintf("--lot: %s cannot be", o.lot), hint)
	}
	if o.given() || o.limit != 0 || o.factor != "" || o.chart != "" {
		return usageError("--lot with a limit or a chart", "plan the decision by itself, without --lot; the lot by --expect and --within")
	}
	doc := &lotPlan{head: headOf("lot"), TakenKg: lot.LaboratoryKg, Source: lot.IncrementsSource, Rows: []lotRow{}}
	if bulk {
		doc.Tonnes, doc.DrawFrom = size, lot.BulkPoints(size)
		if doc.DrawFrom == 0 {
			return usageError(fmt.Sprintf("no number of points is in hand for %g t in bulk", size), "divide the load into parts of up to 50 t, and plan each")
		}
	} else {
		doc.Bags, doc.DrawFrom = int(size), lot.Increments(int(size))
	}
	samples := sampleFlags{gradeOptions: gradeOptions{length: string(grading.Caliper)}}
	var figures []mill.Figure
	for _, arg := range args {
		f, _, err := samples.share(ctx, u, arg)
		if err != nil {
			return err
		}
		figures = append(figures, f)
	}
	if err := mill.Independent(samples.graded); err != nil {
		return err
	}
	between := 0.0
	if len(figures) > 0 {
		if doc.Scatter, err = lot.ScatterOf(figures); err != nil {
			return err
		}
		between = doc.Scatter.Between.Value
		o.ExpectPct = min(99, max(0.1, doc.Scatter.Mean.Value))
	}
	if o.HalfWidthPct == 0 && o.Kernels == 0 {
		o.HalfWidthPct = lotHalfWidth
	}
	within := o.HalfWidthPct
	if within > 0 && between > 0 && !bulk {
		// Half of the variance is left to the bags, half to the kernels.
		o.HalfWidthPct = within / math.Sqrt2
		doc.DrawFrom = max(doc.DrawFrom, lot.Within(doc.Bags, between, o.HalfWidthPct/z95))
	}
	o.GuardBand = nil // nothing is decided
	plan, err := grading.MakePlan(o.PlanOptions)
	if err != nil {
		return err
	}
	doc.Kernels, doc.Trays = plan.Kernels, plan.Trays
	for _, n := range lotRows(doc) {
		r := lotRow{From: n, Kernels: plan.HalfWidthPct}
		if doc.Scatter != nil {
			all := doc.Bags
			if bulk {
				all = math.MaxInt32
			}
			r.Bags = z95 * lot.Left(all, n, between)
		}
		r.HalfWidth = math.Hypot(r.Bags, r.Kernels)
		doc.Rows = append(doc.Rows, r)
	}
	return u.answer(ctx, o.output, doc, func(w io.Writer) { showLot(w, doc, within, len(samples.graded) > 0) })
}

// lotHalfWidth is the half width in points that the sampling of a lot is
// planned for where neither that nor a number of kernels is given. Our own
// choice.
const lotHalfWidth = 1

// z95 is the two-sided 95 % point of the normal distribution.
const z95 = 1.959963984540054

// lotRows are the numbers to draw from that are shown: half of the planned
// one, it, double, and all bags of a small lot.
func lotRows(p *lotPlan) []int {
	out := []int{max(1, p.DrawFrom/2), p.DrawFrom, 2 * p.DrawFrom}
	if p.Bags > 0 {
		for i := range out {
			out[i] = min(out[i], p.Bags)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func showLot(w io.Writer, p *lotPlan, within float64, pictures bool) {
	place := fmt.Sprintf("%d of the %d bags", p.DrawFrom, p.Bags)
	of := "bags"
	if p.Bags == 0 {
		place, of = fmt.Sprintf("%d points of the load of %g t", p.DrawFrom, p.Tonnes), "points"
	}
	paragraph(w, fmt.Sprintf("Draw from %s, about %.0f g from each: %g kg in all, half to test and half kept sealed.", place, 1000*p.TakenKg/float64(p.DrawFrom), p.TakenKg))
	at := p.Rows[slices.IndexFunc(p.Rows, func(r lotRow) bool { return r.From == p.DrawFrom })]
	if p.Scatter == nil {
		paragraph(w, fmt.Sprintf("Grade %d kernels of it (%s): ± %.2g points for the chance of kernels. What the %s differ comes on top and is not known.", p.Kernels, count(p.Trays, "tray", "trays"), at.HalfWidth, of))
	} else {
		paragraph(w, fmt.Sprintf("Grade %d kernels of it (%s): ± %.2g points, the scatter between %s counted in.", p.Kernels, count(p.Trays, "tray", "trays"), at.HalfWidth, of))
	}
	if within > 0 && at.HalfWidth > within*1.005 {
		paragraph(w, fmt.Sprintf("That is more than the %g points wanted.", within))
	}
	fmt.Fprintln(w)
	if s := p.Scatter; s != nil {
		uneven := "which may be chance"
		if s.Uneven() {
			uneven = "more than chance explains: the lot is uneven"
		}
		item(w, "Lot so far", fmt.Sprintf("%s %% broken, 95 %% interval %s, from %s, scatter between them counted in", number(s.Mean.Value, 2), ends(s.Mean, 2), count(s.Samples, "sample", "samples")))
		item(w, "Scatter", fmt.Sprintf("± %s points between %s (standard deviation, 95 %% interval %s), %s", number(s.Between.Value, 2), of, ends(s.Between, 2), uneven))
		fmt.Fprintln(w)
		t := newTable(w, table.Row{"Draw from", upperFirst(of) + " leave ±", "Kernels leave ±", "Together ±"}, 1, 2, 3, 4)
		for _, r := range p.Rows {
			t.AppendRow(table.Row{r.From, number(r.Bags, 2), number(r.Kernels, 2), number(r.HalfWidth, 2)})
		}
		render(w, t)
	}
	paragraph(w, "How many "+of+": "+p.Source+". How much rice: TCVN 8371:2018, 7.2 (about 4 kg, half kept). The contract and the rules of the place come first.")
	if pictures {
		paragraph(w, caution)
	}
	fmt.Fprintln(w)
	if p.Scatter == nil {
		paragraph(w, "Next: grade a sample of each of three "+of+" or more by itself, and give them here: the plan then knows how uneven the lot is.")
		return
	}
	paragraph(w, "Next: draw from "+of+" picked at random, not from those at the edge; mix and divide; seal and sign the kept half before anything is graded.")
}
