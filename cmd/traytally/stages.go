package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading/mill"
	"traytally/samples"
)

func newStagesCommand(u *ui) *cobra.Command {
	o := sampleFlags{}
	cmd := newCommand("stages", func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return usageError("no stage given", "for example: traytally stages husker=husker.json whitener=whitener.json")
		}
		return nil
	}, func(ctx context.Context, args []string) error { return runStages(ctx, o, args, u) })
	o.addSampleFlags(cmd)
	o.addJSON(cmd.Flags())
	return cmd
}

// A stageSample is one sample as it was given.
type stageSample struct {
	Stage  string      `json:"stage"`
	Sample string      `json:"sample"` // file, or what was typed
	Broken mill.Figure `json:"broken_pct"`
}

func runStages(ctx context.Context, o sampleFlags, args []string, u *ui) error {
	var stages []mill.Stage
	var inputs []stageSample
	for _, arg := range args {
		in := stageSample{Sample: arg}
		var err error
		if !strings.Contains(arg, "=") {
			in.Stage, in.Broken, err = o.tagged(ctx, arg)
		} else if in.Stage, in.Sample, err = oneName("stage", arg, "husker=husker.json"); err == nil {
			in.Broken, _, err = o.share(ctx, u, in.Sample)
		}
		if err != nil {
			return err
		}
		inputs = append(inputs, in)
		if n := len(stages); n > 0 && stages[n-1].Name == in.Stage {
			stages[n-1].Broken = append(stages[n-1].Broken, in.Broken)
			continue
		}
		stages = append(stages, mill.Stage{Name: in.Stage, Broken: []mill.Figure{in.Broken}})
	}
	if err := mill.Independent(o.graded); err != nil {
		return err
	}
	res, err := mill.CompareStages(stages)
	if err != nil {
		return err
	}
	doc := struct {
		head
		Samples []stageSample `json:"samples"`
		*mill.StagesResult
	}{headOf("stages"), inputs, res}
	if err := u.answer(ctx, o.output, doc, func(w io.Writer) {
		showStages(w, res)
		if len(o.graded) > 0 {
			paragraph(w, caution)
		}
	}); err != nil {
		return err
	}
	o.warnAlike(u)
	for _, s := range res.Stages {
		if s.Unsteady {
			u.warn(fmt.Sprintf("the samples of %s differ by more than chance explains: the stream is not steady, or they were not drawn alike", s.Stage),
				"draw more samples of it, over a longer time")
		}
	}
	return nil
}

// tagged returns the stage that the sample of the register with a code was
// registered with, and its broken share.
func (o *sampleFlags) tagged(ctx context.Context, code string) (stage string, broken mill.Figure, err error) {
	if isTyped(code) || filepath.Ext(code) != "" || filepath.Base(code) != code {
		return "", broken, usageError(fmt.Sprintf("stage %q is not NAME=VALUE", code), "for example husker=husker.json; only codes of the register bring their stage with them")
	}
	g, stage, err := o.registered(ctx, code)
	switch {
	case errors.Is(err, samples.ErrNoRegister) || errors.Is(err, samples.ErrNotFound) || errors.Is(err, errNoHome):
		return "", broken, inputError(code, "names no stage, and is no sample of the register: "+err.Error(), "write STAGE=SAMPLE, for example husker=husker.json")
	case err != nil:
		return "", broken, err
	case stage == "":
		return "", broken, usageError(fmt.Sprintf("sample %s was registered without a stage", code), "name it, husker="+code+", or add it with 'traytally log amend'")
	}
	return stage, g.Broken, nil
}

var stageVerdicts = map[string]string{
	mill.StageFirst:    "(start)",
	mill.StageBreaks:   "BREAKS",
	mill.StageRemoves:  "takes out",
	mill.StageNoProof:  "not proven",
	mill.StageUnjudged: "no interval",
}

func showStages(w io.Writer, r *mill.StagesResult) {
	breaks, unjudged, single := 0, 0, false
	for i := range r.Stages {
		s := &r.Stages[i]
		switch s.Verdict {
		case mill.StageBreaks:
			breaks++
			worst := ""
			if s.Stage == r.Worst {
				worst = "; the worst"
			}
			paragraph(w, fmt.Sprintf("%s breaks more than chance explains: %s points, %s %% of the whole grain fed to it%s.",
				plain(s.Stage), signed(s.Added.Value, 1), number(s.OfWhole.Value, 1), worst))
		case mill.StageUnjudged:
			unjudged++
		}
		single = single || s.Samples == 1
	}
	switch {
	case r.Compared == 0:
		paragraph(w, "No verdict: the shares were given without intervals.")
	case breaks == 0:
		paragraph(w, "No stage is proven to break more than chance explains.")
	}
	fmt.Fprintln(w)
	t := newTable(w, table.Row{"Stage", "Broken % (95 %)", "Added points (95 %)", "Of whole", "Verdict"}, 2, 3, 4)
	for i := range r.Stages {
		s := &r.Stages[i]
		row := table.Row{shorten(s.Stage, 20), withEnds(number(s.Broken.Value, 1), s.Broken), "", "", stageVerdicts[s.Verdict]}
		if s.Samples > 1 {
			row[0] = fmt.Sprintf("%s ×%d", shorten(s.Stage, 16), s.Samples)
		}
		if s.Added != nil {
			row[2] = withEnds(signed(s.Added.Value, 1), *s.Added)
		}
		if s.OfWhole != nil && s.OfWhole.Value >= 0 {
			row[3] = number(s.OfWhole.Value, 1) + " %"
		}
		t.AppendRow(row)
	}
	render(w, t)
	paragraph(w, fmt.Sprintf("From the first stage to the last: %s points. \"Of whole\" is the part of the whole grain fed to a stage that it breaks.", withEnds(signed(r.Total.Value, 1), r.Total)))
	if r.Compared > 1 {
		paragraph(w, fmt.Sprintf("Verdicts are for all %d differences together (Holm 1979): a steady mill that breaks nothing is blamed anywhere in no more than %g of 100 such comparisons. Each interval is a 95 %% interval by itself: of several one may leave zero out by chance, so a stage can be not proven although its own interval does.", r.Compared, 100*r.Alpha))
	}
	if r.Widened > 1 {
		paragraph(w, fmt.Sprintf("Samples of one stage scatter by more than their intervals explain: all intervals are %s times as wide for it.", number(r.Widened, 2)))
	}
	if unjudged > 0 {
		paragraph(w, "No verdict where a share has no interval: type it as 4.6±0.8, or give the graded sample.")
	}
	if x, ok := mill.LookFirst(r.Worst); ok {
		paragraph(w, fmt.Sprintf("%s: look first at %s (%s).", plain(upperFirst(r.Worst)), x.Look, x.Source))
	}
	if single {
		paragraph(w, "One sample knows the doubt of its kernels only, not how the stream swings: draw two or more of each stage before a machine is taken apart.")
	}
}

// withEnds writes a number with its interval behind it.
func withEnds(value string, f mill.Figure) string {
	if f.Bare {
		return value
	}
	return value + " (" + ends(f, 1) + ")"
}
