package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"traytally/grading"
	"traytally/samples"
	"traytally/samples/report"
)

// exitDiffers ends recheck and verify where something is not as it was
// registered.
const exitDiffers = 14

func newLogCommand(u *ui) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "log",
		Short: "Look into the register of samples, amend it, and check that it holds",
		Long: `Lists and finds registered samples, shows trends, exports them, measures them
again from their pictures, amends what people said of them, and verifies that
nothing was changed behind the register's back.

` + registerHelp,
		Example: "  traytally log list --last 20",
		GroupID: groupWork,
		Args:    unknownCommand,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		// A slip of two letters brings the name that was meant.
		SuggestionsMinimumDistance: 2,
	}
	cmd.AddCommand(
		newLogListCommand(u),
		newLogFindCommand(u),
		newLogShowCommand(u),
		newLogTrendCommand(u),
		newLogExportCommand(u),
		newLogRecheckCommand(u),
		newLogAmendCommand(u),
		newLogVerifyCommand(u),
	)
	return cmd
}

// queryFlags pick samples.
type queryFlags struct {
	samples.Query
	from, to             string
	brokenFrom, brokenTo float64 // broken share, percent; NaN: not given
}

func (q *queryFlags) add(f *pflag.FlagSet) {
	q.brokenFrom, q.brokenTo = math.NaN(), math.NaN()
	f.StringVar(&q.Lot, "lot", "", "only samples with this `TEXT` in the lot")
	f.StringVar(&q.Party, "party", "", "the same in the party")
	f.StringVar(&q.Line, "line", "", "the same in the line")
	f.StringVar(&q.Variety, "variety", "", "the same in the variety")
	f.StringVar(&q.Stage, "stage", "", "the same in the stage")
	f.StringVar(&q.Grade, "grade", "", "the same in the grade or the trade class")
	f.StringVar(&q.from, "from", "", "only samples from this `DATE` on, like 2026-11-25")
	f.StringVar(&q.to, "to", "", "only samples up to this `DATE`, all of that day included")
	f.Var(&sharePercent{&q.brokenFrom}, "broken-from", "only samples with at least this `PERCENT` broken by mass")
	f.Var(&sharePercent{&q.brokenTo}, "broken-to", "only samples with at most this `PERCENT`")
	f.Var(&wholeNumber{&q.Last}, "last", "only the newest `N`")
}

// A sharePercent is the value of a flag that takes a percentage; NaN is not given.
type sharePercent struct{ v *float64 }

func (p *sharePercent) String() string {
	if p.v == nil || math.IsNaN(*p.v) {
		return ""
	}
	return number(*p.v, -1)
}
func (p *sharePercent) Type() string { return "percent" }
func (p *sharePercent) Set(s string) error {
	return (&ranged{v: p.v, min: 0, max: 100}).Set(s)
}

// A wholeNumber is the value of a flag that takes a whole number from 1 on.
type wholeNumber struct{ v *int }

func (n *wholeNumber) String() string {
	if n.v == nil || *n.v == 0 {
		return ""
	}
	return fmt.Sprint(*n.v)
}
func (n *wholeNumber) Type() string { return "number" }
func (n *wholeNumber) Set(s string) error {
	var v int
	if _, err := fmt.Sscanf(s+"\n", "%d\n", &v); err != nil || v < 1 {
		return errors.New("want a whole number from 1 on")
	}
	*n.v = v
	return nil
}

// query returns what the flags say.
func (q *queryFlags) query() (samples.Query, error) {
	out := q.Query
	for _, t := range []struct {
		flag, text string
		to         *time.Time
	}{{"from", q.from, &out.From}, {"to", q.to, &out.To}} {
		if t.text == "" {
			continue
		}
		at, err := samples.ParseTime(t.text)
		if err != nil {
			return out, &usageError{what: "--" + t.flag + ": " + err.Error(), hint: hintOf(err)}
		}
		if t.flag == "to" { // List's end is exclusive
			if len(t.text) == len(time.DateOnly) {
				at = at.AddDate(0, 0, 1)
			} else {
				at = at.Add(time.Millisecond)
			}
		}
		*t.to = at
	}
	if !math.IsNaN(q.brokenFrom) {
		out.BrokenFrom = &q.brokenFrom
	}
	if !math.IsNaN(q.brokenTo) {
		out.BrokenTo = &q.brokenTo
	}
	return out, nil
}

// readFlags are what all reading commands have.
type readFlags struct {
	registerFlags
	queryFlags
	json  string
	force bool
}

func (r *readFlags) add(f *pflag.FlagSet) {
	r.registerFlags.add(f)
	r.queryFlags.add(f)
	r.addJSON(f)
}

func (r *readFlags) addJSON(f *pflag.FlagSet) {
	f.StringVar(&r.json, "json", "", "write JSON to `FILE`, or to the standard output with -")
	f.BoolVar(&r.force, "force", false, "replace a file that holds something else")
}

// rows opens the register and returns the samples picked.
func (r *readFlags) rows(ctx context.Context) (*samples.Register, []samples.Row, error) {
	q, err := r.query()
	if err != nil {
		return nil, nil, err
	}
	if err := checkJSON(r.json); err != nil {
		return nil, nil, err
	}
	g, err := r.open(ctx, false)
	if err != nil {
		return nil, nil, err
	}
	rows, err := g.List(ctx, q)
	if err != nil {
		g.Close()
		return nil, nil, err
	}
	return g, rows, nil
}

func newLogListCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:         "list",
		Short:       "List registered samples",
		Long:        "Lists the registered samples in the order of their sampling: drawn, else\nreceived, else registered. Letters' case makes no difference.",
		Example:     "  traytally log list --last 20\n  traytally log list --variety long --from 2026-11-01 --broken-from 5",
		Annotations: showExitCodes,
		Args:        noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogList(cmd.Context(), o, u)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

func newLogFindCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:         "find TEXT",
		Short:       "Find samples by a text in their code, facts, note or picture's name",
		Long:        "Finds the registered samples with the text in their code, lot, party, line,\nvariety, stage, note or the name of a picture, or with a picture whose SHA-256\nbegins with it, 12 digits or more. Letters' case makes no difference.",
		Example:     "  traytally log find L-17\n  traytally log find scan-004.png\n  traytally log find heron --from 2026-11-01",
		Annotations: showExitCodes,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 || strings.TrimSpace(args[0]) == "" {
				return &usageError{what: "find takes one text", hint: "for example: traytally log find L-17; put several words between quotation marks"}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Text = args[0]
			return runLogList(cmd.Context(), o, u)
		},
	}
	o.add(cmd.Flags())
	return cmd
}

func runLogList(ctx context.Context, o readFlags, u *ui) error {
	g, rows, err := o.rows(ctx)
	if err != nil {
		return err
	}
	defer g.Close()
	if o.json != "" {
		doc := struct {
			Schema  string        `json:"schema"`
			Samples []samples.Row `json:"samples"`
		}{"traytally.log/1", rows}
		if err := writeJSON(ctx, u, o.json, o.force, doc); err != nil {
			return err
		}
		if o.json == "-" {
			return nil
		}
	}
	return u.print(func(w io.Writer) {
		if len(rows) > 0 {
			t := newTable(w)
			t.AppendHeader([]any{"Sample", "Kernels", "Broken % by mass", "95 % interval", "Outcome", "Sampled", "Lot", "Variety", "Line", "Pictures"})
			alignRight(t, 2, 3, 4)
			for i := range rows {
				r := &rows[i]
				t.AppendRow(append(rowCells(r), moment(r.At), plain(r.Lot), plain(r.Variety), plain(r.Line), plain(strings.Join(r.Pictures, ", "))))
			}
			t.Render()
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s in %s\n", count(len(rows), "sample", "samples"), plain(g.Where()))
	})
}

// moment writes a time for a table.
func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if h, m, s := t.Clock(); h == 0 && m == 0 && s == 0 {
		return t.Format(time.DateOnly)
	}
	return t.Format("2006-01-02 15:04")
}

// showOptions are the flags of log show.
type showOptions struct {
	registerFlags
	code     string
	revision int
	json     string
	force    bool
}

func newLogShowCommand(u *ui) *cobra.Command {
	o := showOptions{}
	cmd := &cobra.Command{
		Use:         "show CODE",
		Short:       "Show one sample with its history",
		Long:        "Shows what is registered of one sample, its pictures and its audit trail. With\n--json the whole record comes, kernels' table included.",
		Example:     "  traytally log show S2026-0001\n  traytally log show S2026-0001 --revision 1 --json -",
		Annotations: showExitCodes,
		Args:        oneCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogShow(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.Var(&wholeNumber{&o.revision}, "revision", "`NUMBER` of the revision to show (default the last)")
	f.StringVar(&o.json, "json", "", "write the record as JSON to `FILE`, or to the standard output with -")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

// oneCode refuses a command line without exactly one sample.
func oneCode(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return &usageError{what: fmt.Sprintf("%s takes one sample, got %d", cmd.CommandPath(), len(args)), hint: "give its code, for example: " + cmd.CommandPath() + " S2026-0001"}
	}
	return nil
}

func runLogShow(ctx context.Context, o showOptions, u *ui) error {
	if err := checkJSON(o.json); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Get(ctx, o.code, o.revision)
	if err != nil {
		return err
	}
	history, err := g.History(ctx, o.code)
	if err != nil {
		return err
	}
	res, err := rec.Decode()
	if err != nil {
		return err
	}
	if o.json != "" {
		doc := struct {
			*samples.Record
			History []samples.Entry `json:"history"`
		}{rec, history}
		if err := writeJSON(ctx, u, o.json, o.force, doc); err != nil || o.json == "-" {
			return err
		}
	}
	return u.print(func(w io.Writer) {
		fmt.Fprintf(w, "Sample %s, revision %d, registered %s\n", plain(rec.Code), rec.Revision, moment(rec.Registered))
		f := &rec.Facts
		line := func(label, text string) {
			if text != "" {
				fmt.Fprintf(w, "%-13s %s\n", label, plain(text))
			}
		}
		line("Lot", f.Lot)
		line("Party", f.Party)
		line("Line", f.Line)
		line("Variety", f.Variety)
		line("Stage", f.Stage)
		line("Drawn", moment(f.Drawn))
		line("Received", moment(f.Received))
		if m, ok := f.Moisture(); ok {
			line("Moisture", number(m, -1)+" % by mass")
		}
		if m, ok := f.MassG(); ok {
			line("Mass", number(m, -1)+" g")
		}
		line("Note", f.Note)
		for i, p := range rec.Pictures {
			line(fmt.Sprintf("Picture %d", i+1), p.Path)
			line("", "SHA-256 "+p.SHA256)
		}
		if rec.Settings.Standard != "" {
			line("Standard", rec.Settings.Standard+", "+rec.Settings.Edition)
		}
		fmt.Fprintln(w)
		summary(w, res, "")
		fmt.Fprintln(w)
		t := newTable(w)
		t.AppendHeader([]any{"Entry", "When", "What", "By", "Reason", "Hash"})
		for _, e := range history {
			t.AppendRow([]any{e.Seq, moment(e.At), e.Action, plain(e.Actor), plain(e.Reason), e.Hash[:min(12, len(e.Hash))]})
		}
		t.Render()
	})
}

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
		Short: "Show how the broken share goes, with control limits, and against moisture",
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
		Example:     "  traytally log trend --by line --from 2026-11-01\n  traytally log trend --variety long --chart trend.svg",
		Annotations: showExitCodes,
		Args:        noArgs,
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
			return &usageError{what: fmt.Sprintf("the chart %s does not end in .svg", o.chart), hint: "charts are drawn as SVG, which browsers and text programs show"}
		}
		if err := checkPlace(o.chart); err != nil {
			return err
		}
	}
	if o.group != "" && !slices.Contains(samples.GroupBy, o.group) {
		return &usageError{what: fmt.Sprintf("samples cannot be parted by %q", o.group), hint: "--by " + strings.Join(samples.GroupBy, ", --by ")}
	}
	g, rows, err := o.rows(ctx)
	if err != nil {
		return err
	}
	defer g.Close()
	if len(rows) == 0 {
		return &inputError{path: g.Where(), what: "no sample fits", hint: "traytally log list shows all samples"}
	}
	charts, err := samples.TrendOf(rows, o.group)
	if err != nil {
		return err
	}
	if o.chart != "" {
		if err := writeWhole(o.chart, o.force, func(w io.Writer) error { return report.TrendSVG(w, charts) }); err != nil {
			return err
		}
	}
	if o.json != "" {
		doc := struct {
			Schema  string          `json:"schema"`
			Formula string          `json:"limits_formula"`
			Run     string          `json:"run_rule"`
			Charts  []samples.Chart `json:"charts"`
		}{"traytally.trend/1", samples.ChartFormula, samples.RunRule, charts}
		if err := writeJSON(ctx, u, o.json, o.force, doc); err != nil || o.json == "-" {
			return err
		}
	}
	return u.print(func(w io.Writer) { showTrend(w, charts) })
}

func showTrend(w io.Writer, charts []samples.Chart) {
	t := newTable(w)
	t.AppendHeader([]any{"Group", "Samples", "Mean %", "Limits", "Scatter", "of it sampling", "Beyond", "In runs", "Points for 1 % moisture"})
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

func newLogExportCommand(u *ui) *cobra.Command {
	o := readFlags{}
	cmd := &cobra.Command{
		Use:   "export FILE",
		Short: "Write samples as CSV, XLSX or JSON",
		Long: `Writes the samples picked to FILE, in the form that its ending tells: .csv and
.xlsx hold one row for each sample, .json the whole records. Texts that a
spreadsheet would read as a formula get an apostrophe in front.`,
		Example:     "  traytally log export november.xlsx --from 2026-11-01 --to 2026-11-30\n  traytally log export all.json",
		Annotations: showExitCodes,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &usageError{what: fmt.Sprintf("export takes one file, got %d", len(args)), hint: "for example: traytally log export samples.xlsx"}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return runLogExport(cmd.Context(), o, args[0])
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.queryFlags.add(f)
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

func runLogExport(ctx context.Context, o readFlags, path string) error {
	ending := strings.ToLower(filepath.Ext(path))
	if ending != ".csv" && ending != ".xlsx" && ending != ".json" {
		return &usageError{what: fmt.Sprintf("%s does not end in .csv, .xlsx or .json", path), hint: "the ending tells the form"}
	}
	if err := checkPlace(path); err != nil {
		return err
	}
	g, rows, err := o.rows(ctx)
	if err != nil {
		return err
	}
	defer g.Close()
	return writeWhole(path, o.force, func(w io.Writer) error {
		switch ending {
		case ".csv":
			return samples.WriteCSV(w, rows)
		case ".xlsx":
			return samples.WriteXLSX(w, rows)
		}
		var records []*samples.Record
		for _, r := range rows {
			rec, err := g.Get(ctx, r.Code, 0)
			if err != nil {
				return err
			}
			records = append(records, rec)
		}
		return samples.WriteJSON(w, records)
	})
}

// recheckOptions are the flags of log recheck.
type recheckOptions struct {
	registerFlags
	codes    []string
	all      bool
	pictures []string
	json     string
	force    bool
}

func newLogRecheckCommand(u *ui) *cobra.Command {
	o := recheckOptions{}
	cmd := &cobra.Command{
		Use:   "recheck CODE...",
		Short: "Measure registered samples again from their pictures and compare",
		Long: `Measures and grades registered samples again, from their pictures and with their
own settings, and says whether the result agrees bit for bit, or by how much
the figures differ. The pictures are known by their SHA-256: one that was moved
is found in the directories given with --pictures, one that was changed is told.

Another processor, or another version of OpenCV, may round differently: a result
with the same kernels, classes and flags agrees then, and that it is not to the
last bit is told. The versions stand beside a result that differs.`,
		Example:     "  traytally log recheck S2026-0001\n  traytally log recheck --all --pictures /archive/2026 --json recheck.json",
		Annotations: showExitCodes,
		Args: func(cmd *cobra.Command, args []string) error {
			if o.all != (len(args) == 0) {
				return &usageError{what: "recheck takes the codes of samples, or --all", hint: "for example: traytally log recheck S2026-0001"}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.codes = args
			return runLogRecheck(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.BoolVar(&o.all, "all", false, "recheck every sample")
	f.StringArrayVar(&o.pictures, "pictures", nil, "`DIR` to look for pictures that were moved; may be repeated")
	f.StringVar(&o.json, "json", "", "write the findings as JSON to `FILE`, or to the standard output with -")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

// A recheck is what came of measuring a sample again.
type recheck struct {
	Code   string `json:"code"`
	Agrees bool   `json:"agrees_bit_for_bit"`
	// Like: every kernel has the class and the flags that it had, and lengths
	// and shares differ by rounding alone.
	Like     bool      `json:"agrees_in_kernels"`
	State    string    `json:"state"`
	Pictures []finding `json:"pictures"`
	// Registered and Now are the broken share by mass; Now is null where the
	// sample could not be measured again.
	Registered  grading.Estimate  `json:"registered_broken_mass_pct"`
	Now         *grading.Estimate `json:"now_broken_mass_pct"`
	OldVersions map[string]string `json:"registered_versions"`
	NewVersions map[string]string `json:"now_versions"`
}

func runLogRecheck(ctx context.Context, o recheckOptions, u *ui) error {
	if err := checkJSON(o.json); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	if o.all {
		rows, err := g.List(ctx, samples.Query{})
		if err != nil {
			return err
		}
		for _, r := range rows {
			o.codes = append(o.codes, r.Code)
		}
	}
	var all []recheck
	agree, like := 0, 0
	for i, code := range o.codes {
		u.progress("measuring %s again (%d of %d)", code, i+1, len(o.codes))
		r, err := recheckOne(ctx, g, code, o.pictures)
		if err != nil {
			return err
		}
		if r.Agrees {
			agree++
		}
		if r.Like {
			like++
		}
		all = append(all, *r)
	}
	u.done()
	if o.json != "" {
		doc := struct {
			Schema  string    `json:"schema"`
			Samples []recheck `json:"samples"`
		}{"traytally.recheck/1", all}
		if err := writeJSON(ctx, u, o.json, o.force, doc); err != nil {
			return err
		}
	}
	if o.json != "-" {
		err := u.print(func(w io.Writer) {
			for _, r := range all {
				fmt.Fprintf(w, "%s: %s\n", plain(r.Code), plain(r.State))
				for _, p := range r.Pictures {
					if p.State != pictureSame {
						fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("  %s: %s %s", plain(p.Picture), p.State, plain(p.Path)), " "))
					}
				}
			}
			fmt.Fprintf(w, "%d of %s agree bit for bit", agree, count(len(all), "sample", "samples"))
			if like > agree {
				fmt.Fprintf(w, ", %d more in every kernel", like-agree)
			}
			fmt.Fprintln(w)
		})
		if err != nil {
			return err
		}
	}
	if like < len(all) {
		return &answer{exitDiffers}
	}
	return nil
}

func recheckOne(ctx context.Context, g *samples.Register, code string, dirs []string) (*recheck, error) {
	rec, err := g.Get(ctx, code, 0)
	if err != nil {
		return nil, err
	}
	old, err := rec.Decode()
	if err != nil {
		return nil, err
	}
	r := &recheck{Code: code, Registered: old.Broken.MassPct.Estimate, OldVersions: old.Versions}
	find := func(ps []samples.Picture) (paths []string) {
		for i := range ps {
			f := locate(&ps[i], dirs)
			r.Pictures = append(r.Pictures, f)
			paths = append(paths, f.Path)
		}
		return paths
	}
	paths, reference := find(rec.Pictures), find(rec.Reference)
	if slices.Contains(append(slices.Clone(paths), reference...), "") {
		r.State = "cannot be measured again: a picture is gone or was changed; name its directory with --pictures"
		return r, nil
	}
	again, err := recompute(ctx, rec, paths, reference)
	if err != nil {
		if ctx.Err() != nil {
			return nil, err
		}
		r.State = "cannot be measured again: " + err.Error()
		return r, nil
	}
	now, err := again.Decode()
	if err != nil {
		return nil, err
	}
	r.Now, r.NewVersions = &now.Broken.MassPct.Estimate, now.Versions
	same := string(again.Result) == string(rec.Result)
	switch {
	case again.MeasuredSHA256 == rec.MeasuredSHA256 && same:
		r.Agrees, r.Like, r.State = true, true, "agrees bit for bit"
	case sameKernels(old, now):
		r.Like, r.State = true, "agrees in every kernel, not to the last bit: "+difference(old, now)
	case again.MeasuredSHA256 == rec.MeasuredSHA256:
		r.State = "the kernels agree bit for bit, what was made of them differs: " + difference(old, now)
	default:
		r.State = "differs: " + difference(old, now)
	}
	return r, nil
}

// What two processors may differ by, whose network sums in another order: a
// share in points, a length in whole kernels. Ten times what rounding to the
// digits shown does; our own choice.
const (
	likeShare  = 0.01
	likeLength = 0.001
)

// sameKernels reports whether two results agree in every kernel and in the broken share.
func sameKernels(old, now *grading.Result) bool {
	return len(old.Kernels) == len(now.Kernels) &&
		math.Abs(old.Broken.MassPct.Value-now.Broken.MassPct.Value) <= likeShare &&
		slices.EqualFunc(old.Kernels, now.Kernels, func(a, b grading.KernelRow) bool {
			return a.Class == b.Class && slices.Equal(a.Flags, b.Flags) && math.Abs(a.LengthRatio-b.LengthRatio) <= likeLength
		})
}

// difference says in figures how two results differ.
func difference(old, now *grading.Result) string {
	parts := []string{fmt.Sprintf("broken %s %% then, %s %% now", number(old.Broken.MassPct.Value, 4), number(now.Broken.MassPct.Value, 4))}
	if a, b := len(old.Kernels), len(now.Kernels); a != b {
		parts = append(parts, fmt.Sprintf("%d kernels then, %d now", a, b))
	} else {
		most := 0.0
		for i := range old.Kernels {
			most = max(most, math.Abs(old.Kernels[i].LengthRatio-now.Kernels[i].LengthRatio))
		}
		parts = append(parts, fmt.Sprintf("lengths by up to %s of a whole kernel", number(most, 6)))
	}
	for _, name := range []string{"traytally", "grading", "opencv", "network"} {
		if old.Versions[name] != now.Versions[name] {
			parts = append(parts, fmt.Sprintf("%s %s then, %s now", name, old.Versions[name], now.Versions[name]))
		}
	}
	return strings.Join(parts, "; ")
}

// amendOptions are the flags of log amend.
type amendOptions struct {
	registerFlags
	code, reason                     string
	lot, party, line, variety, stage string
	drawn, received, note, sheet     string
	moisture, grams                  float64
}

func newLogAmendCommand(u *ui) *cobra.Command {
	o := amendOptions{}
	var cmd *cobra.Command
	cmd = &cobra.Command{
		Use:   "amend CODE --reason TEXT",
		Short: "Correct what people said of a sample; the earlier record stays",
		Long: `Makes a new revision of a sample with other facts, and enters who did it, when
and why into the audit trail. The earlier revision stays. An empty text takes a
fact away. Where moisture or the sample sheet changed, the grade is worked out
anew from the stored kernels.

What was measured cannot be amended: grade the picture anew.`,
		Example:     "  traytally log amend S2026-0001 --reason \"slip in the lot\" --lot L-18\n  traytally log amend S2026-0001 --reason \"measured later\" --moisture 13.2",
		Annotations: showExitCodes,
		Args:        oneCode,
		RunE: func(_ *cobra.Command, args []string) error {
			o.code = args[0]
			return runLogAmend(cmd.Context(), o, cmd.Flags().Changed, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.addBy(f)
	f.StringVar(&o.reason, "reason", "", "why, as a `TEXT` for the audit trail")
	for _, t := range []struct {
		to          *string
		name, usage string
	}{
		{&o.lot, "lot", "lot"}, {&o.party, "party", "party"}, {&o.line, "line", "production line"}, {&o.variety, "variety", "variety"},
		{&o.stage, "stage", "stage of the mill"}, {&o.note, "note", "note"},
	} {
		f.StringVar(t.to, t.name, "", "`TEXT` of the "+t.usage)
	}
	f.StringVar(&o.drawn, "drawn", "", "`DATE` on which the sample was drawn, like 2026-11-25T14:30")
	f.StringVar(&o.received, "received", "", "`DATE` on which it was received")
	f.Var(&ranged{v: &o.moisture, min: 4, max: 35}, "moisture", "moisture in `PERCENT` by mass")
	f.Var(&ranged{v: &o.grams, min: 0.01, max: 100000}, "mass", "`GRAMS` of rice on the trays")
	f.StringVar(&o.sheet, "sheet", "", "whole sample sheet from `FILE`, in place of the one before")
	return cmd
}

func runLogAmend(ctx context.Context, o amendOptions, given func(string) bool, u *ui) error {
	if strings.TrimSpace(o.reason) == "" {
		return &usageError{what: "an amendment needs a reason", hint: "give it with --reason"}
	}
	var sheet *grading.Sheet
	var err error
	if o.sheet != "" {
		if sheet, err = grading.LoadSheet(o.sheet); err != nil {
			return inStandardWords(err, o.sheet)
		}
	}
	times := map[string]time.Time{}
	for name, text := range map[string]string{"drawn": o.drawn, "received": o.received} {
		if text == "" {
			continue
		}
		at, err := samples.ParseTime(text)
		if err != nil {
			return &usageError{what: "--" + name + ": " + err.Error(), hint: hintOf(err)}
		}
		times[name] = at
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	rec, err := g.Amend(ctx, o.code, o.reason, func(f *samples.Facts) error {
		for _, t := range []struct {
			name string
			from string
			to   *string
		}{{"lot", o.lot, &f.Lot}, {"party", o.party, &f.Party}, {"line", o.line, &f.Line}, {"variety", o.variety, &f.Variety}, {"stage", o.stage, &f.Stage}, {"note", o.note, &f.Note}} {
			if given(t.name) {
				*t.to = t.from
			}
		}
		if given("drawn") {
			f.Drawn = times["drawn"]
		}
		if given("received") {
			f.Received = times["received"]
		}
		if given("sheet") {
			f.Sheet = sheet
		}
		if given("moisture") || given("mass") {
			var s grading.Sheet
			if f.Sheet != nil {
				s = *f.Sheet
			}
			if given("moisture") {
				s.MoisturePct = &o.moisture
			}
			if given("mass") {
				s.SampleMassG = &o.grams
			}
			f.Sheet = &s
		}
		return nil
	})
	if err != nil {
		return inStandardWords(err, o.sheet)
	}
	row, err := rec.Row()
	if err != nil {
		return err
	}
	return u.print(func(w io.Writer) {
		fmt.Fprintf(w, "%s is now revision %d: %s\n", plain(row.Code), rec.Revision, brokenText(row))
	})
}

// verifyLogOptions are the flags of log verify.
type verifyLogOptions struct {
	registerFlags
	head  string
	json  string
	force bool
}

func newLogVerifyCommand(u *ui) *cobra.Command {
	o := verifyLogOptions{}
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check that nothing in the register was changed, taken out or put in",
		Long: `Recomputes the audit trail, whose entries are chained by SHA-256, and the check
sums of every revision and its kernels. The last entry's hash, the head, is
printed: note it elsewhere. Whoever can write the whole register could build the
chain anew or cut off its end; then a head noted before is no longer in it.
--head checks that. Every report prints the hash of its sample's entry.`,
		Example:     "  traytally log verify\n  traytally log verify --head 3f6c2a9d1b40",
		Annotations: showExitCodes,
		Args:        noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runLogVerify(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	f.StringVar(&o.head, "head", "", "`HASH` noted before, 12 digits or more, that must be in the chain")
	f.StringVar(&o.json, "json", "", "write the findings as JSON to `FILE`, or to the standard output with -")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

func runLogVerify(ctx context.Context, o verifyLogOptions, u *ui) error {
	if o.head != "" && (len(o.head) < 12 || strings.Trim(strings.ToLower(o.head), "0123456789abcdef") != "") {
		return &usageError{what: fmt.Sprintf("%q is no hash of an entry", o.head), hint: "give 12 digits or more, as log verify, log show and the reports print them"}
	}
	if err := checkJSON(o.json); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	v, err := g.Verify(ctx, o.head)
	if err != nil {
		return err
	}
	if o.json != "" {
		if err := writeJSON(ctx, u, o.json, o.force, v); err != nil {
			return err
		}
	}
	if o.json != "-" {
		err := u.print(func(w io.Writer) {
			for _, p := range v.Problems {
				fmt.Fprintln(w, plain(p.String()))
			}
			verdict := "the register holds together"
			if len(v.Problems) > 0 {
				verdict = "the register does not hold together: " + count(len(v.Problems), "fault", "faults")
			}
			fmt.Fprintf(w, "%s: %s, %s\nHead %s\n", verdict, count(v.Samples, "sample", "samples"), count(v.Entries, "entry", "entries"), v.Head)
		})
		if err != nil {
			return err
		}
	}
	if len(v.Problems) > 0 {
		return &answer{exitDiffers}
	}
	return nil
}
