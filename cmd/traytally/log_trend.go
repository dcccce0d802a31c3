package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples"
	"traytally/samples/report"
)

// trendOptions are the flags of log trend.
type trendOptions struct {
	readFlags
	group string
	chart string
}

func newLogTrendCommand(u *ui) *cobra.Command {
	o := trendOptions{}
	cmd := &cobra.Command{
		Use:   "trend",
		Short: "Show how the broken share goes, with limits and against moisture",
		Long: `Shows a control chart of the broken share by mass: of all samples, or with --by
of each line, variety or party by itself.

The limits are the mean ± 3 times the mean step from sample to sample over
1.128, not below 0 % nor above 100 % (chart of individual values:
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). A sample beyond them,
or the eighth in a row on one side of the mean (Western Electric rules), is
marked: look for a cause. With fewer than 20 samples the limits are provisional.

Beside the scatter stands the part of it that the number of kernels counted
explains. Where samples state their moisture, the straight line of the broken
share on it is given with the interval of its slope.`,
		Example: "  traytally log trend --by line --from 2026-11-01\n  traytally log trend --variety long --chart trend.svg",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogTrend(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.readFlags.add(f)
	f.StringVar(&o.group, "by", "", "one chart for each `KIND`: "+strings.Join(samples.GroupBy, ", "))
	f.StringVar(&o.chart, "chart", "", "draw the charts into `FILE.svg`")
	return cmd
}

func runLogTrend(ctx context.Context, o trendOptions, u *ui) error {
	if o.chart != "" {
		if !strings.EqualFold(filepath.Ext(o.chart), ".svg") {
			return usageError(fmt.Sprintf("the chart %s does not end in .svg", o.chart), "charts are drawn as SVG, which browsers and text programs show")
		}
		if err := checkPlace(o.chart); err != nil {
			return err
		}
	}
	if o.group != "" && !slices.Contains(samples.GroupBy, o.group) {
		return usageError(fmt.Sprintf("samples cannot be parted by %q", o.group), "--by "+strings.Join(samples.GroupBy, ", --by "))
	}
	g, rows, err := o.rows(ctx)
	if err != nil {
		return err
	}
	defer g.Close()
	if len(rows) == 0 {
		return inputError(g.Where(), "no sample fits", "traytally log list shows all samples")
	}
	charts, err := samples.TrendOf(rows, o.group)
	if err != nil {
		return err
	}
	var files []outFile
	if o.chart != "" {
		files = append(files, outFile{o.chart, func(w io.Writer) error { return report.TrendSVG(w, charts) }})
	}
	doc := struct {
		Schema  string          `json:"schema"`
		Formula string          `json:"limits_formula"`
		Run     string          `json:"run_rule"`
		Charts  []samples.Chart `json:"charts"`
	}{"traytally.trend/1", samples.ChartFormula, samples.RunRule, charts}
	return u.answer(ctx, o.output, doc, func(w io.Writer) { showTrend(w, charts) }, files...)
}

func showTrend(w io.Writer, charts []samples.Chart) {
	t := newTable(w)
	t.AppendHeader([]any{"Group", "Samples", "Mean %", "Limits", "Scatter", "of it\nsampling", "Be-\nyond", "In\nruns", "Per 1 %\nmoisture"})
	alignRight(t, 2, 3, 4, 5, 6, 7, 8, 9)
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
	t.Render()
	fmt.Fprintln(w)
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
