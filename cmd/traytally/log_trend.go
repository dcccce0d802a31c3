package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/samples"
	"traytally/samples/report"
)

func newLogTrendCommand(u *ui) *cobra.Command {
	var o readFlags
	group, chart := "", ""
	cmd := o.command("log trend", noArgs, func(ctx context.Context, g *samples.Register, _ []string) error {
		if chart != "" && !strings.EqualFold(filepath.Ext(chart), ".svg") {
			return usageError(fmt.Sprintf("the chart %s does not end in .svg", chart), "charts are drawn as SVG, which browsers and text programs show")
		}
		if group != "" && !slices.Contains(samples.GroupBy, group) {
			return usageError(fmt.Sprintf("samples cannot be parted by %q", group), "--by "+strings.Join(samples.GroupBy, ", --by "))
		}
		rows, err := g.List(ctx, o.Query)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return inputError(g.Where(), "no sample fits", "traytally log list shows all samples")
		}
		charts, err := samples.TrendOf(rows, group)
		if err != nil {
			return err
		}
		var files []outFile
		if chart != "" {
			files = append(files, outFile{chart, func(w io.Writer) error { return report.TrendSVG(w, charts) }})
		}
		doc := struct {
			Schema  string          `json:"schema"`
			Formula string          `json:"limits_formula"`
			Run     string          `json:"run_rule"`
			Charts  []samples.Chart `json:"charts"`
		}{"traytally.trend/1", samples.ChartFormula, samples.RunRule, charts}
		return u.answer(ctx, o.output, doc, func(w io.Writer) { showTrend(w, charts) }, files...)
	})
	f := cmd.Flags()
	f.StringVar(&group, "by", "", "one chart for each `KIND`: "+strings.Join(samples.GroupBy, ", "))
	placeVar(f, &chart, "chart", "draw the charts into `FILE.svg`")
	return cmd
}

func showTrend(w io.Writer, charts []samples.Chart) {
	t := newTable(w, table.Row{"Group", "Samples", "Mean %", "Limits", "Scatter", "of it\nsampling", "Be-\nyond", "In\nruns", "Per 1 %\nmoisture"}, 2, 3, 4, 5, 6, 7, 8, 9)
	provisional := false
	var marked []string
	for i := range charts {
		c := &charts[i]
		name := "all"
		if c.By != "" {
			name = c.By + " " + c.Group
			if c.Group == "" {
				name = c.By + " not stated"
			}
		}
		limits, scatter := "", ""
		if c.Lower != nil {
			limits, scatter = number(*c.Lower, 2)+" to "+number(*c.Upper, 2), number(c.Sigma, 2)
		}
		beyond, runs := 0, 0
		for _, p := range c.Points {
			what := ""
			switch {
			case p.Out && p.Value > c.Mean:
				what = "above the upper limit"
			case p.Out:
				what = "below the lower limit"
			case p.Run:
				what = "eighth or later on one side of the mean"
			}
			if p.Out {
				beyond++
			}
			if p.Run {
				runs++
			}
			if what != "" {
				marked = append(marked, fmt.Sprintf("%s  %s  %s %% (%s to %s): %s", p.Code, moment(p.At), number(p.Value, 2), number(p.Low, 2), number(p.High, 2), what))
			}
		}
		moisture := ""
		if m := c.Moisture; m != nil {
			moisture = signed(m.Slope, 2) + " (" + signed(m.SlopeLow, 2) + " to " + signed(m.SlopeHigh, 2) + ")"
			if !m.Proven() {
				moisture += ", not proven"
			}
		}
		provisional = provisional || c.Provisional
		t.AppendRow([]any{plain(name), len(c.Points), number(c.Mean, 2), limits, scatter, number(c.Sampling, 2), beyond, runs, moisture})
	}
	render(w, t)
	for _, m := range marked {
		fmt.Fprintln(w, plain(m))
	}
	if len(marked) > 0 {
		fmt.Fprintln(w)
	}
	paragraph(w, "Shares by mass in percent, scatter as a standard deviation in points. "+samples.ChartFormula+". "+samples.RunRule+".")
	if provisional {
		paragraph(w, "Limits from fewer than 20 samples are provisional.")
	}
}

func newLogAgreementCommand(u *ui) *cobra.Command {
	var o readFlags
	return o.command("log agreement", noArgs, func(ctx context.Context, g *samples.Register, _ []string) error {
		a, err := g.Agreement(ctx, o.Query)
		if err != nil {
			return err
		}
		doc := struct {
			Schema string `json:"schema"`
			*samples.Agreement
		}{"traytally.agreement/1", a}
		return u.answer(ctx, o.output, doc, func(w io.Writer) { showAgreement(w, a) })
	})
}

func showAgreement(w io.Writer, a *samples.Agreement) {
	if a.Looked == 0 {
		paragraph(w, "Nobody looked at kernels of these samples: there are no corrections. traytally log amend CODE --corrections FILE makes some.")
		return
	}
	t := newTable(w, table.Row{"Measured as", "Looked at", "Changed", "Changed %", "95 % interval"}, 2, 3, 4, 5)
	for i, c := range a.Calls {
		if i > 0 && a.Calls[i-1].Kind != c.Kind {
			t.AppendSeparator()
		}
		name := className(c.Name)
		switch c.Kind {
		case samples.CallAll:
			name = "all kernels"
		case samples.CallNoFlag:
			name = "not " + name
		}
		e := c.ChangedPct
		t.AppendRow([]any{name, c.Looked, c.Changed, number(e.Value, 1), number(e.Low, 1) + " to " + number(e.High, 1)})
	}
	render(w, t)
	paragraph(w, fmt.Sprintf("%s with kernels that people looked at; %s outlined by hand. These are the kernels that they chose to look at: of all kernels fewer are misjudged.",
		count(a.Samples, "sample", "samples"), count(a.Missed, "missed kernel", "missed kernels")))
}
