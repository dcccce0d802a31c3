package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel"
)

// exitDiffers ends recheck and verify where something is not as it was
// registered.
const exitDiffers = 14

func newLogVerifyCommand(u *ui) *cobra.Command {
	var o struct {
		registerFlags
		output
		head string
	}
	cmd := o.command("log verify", noArgs, func(ctx context.Context, g *samples.Register, _ []string) error {
		if o.head != "" && (len(o.head) < 12 || strings.Trim(strings.ToLower(o.head), "0123456789abcdef") != "") {
			return usageError(fmt.Sprintf("%q is no hash of an entry", o.head), "give 12 digits or more, as log verify, log show and the reports print them")
		}
		v, err := g.Verify(ctx, o.head, func(done, of int) { u.progress("checked %d of %s", done, count(of, "revision", "revisions")) })
		u.done()
		if err != nil {
			return err
		}
		doc := struct {
			Schema string `json:"schema"`
			*samples.Verification
		}{"traytally.trail/1", v}
		err = u.answer(ctx, o.output, doc, func(w io.Writer) {
			for _, p := range v.Problems {
				fmt.Fprintln(w, plain(p.String()))
			}
			verdict := "the register holds together"
			if len(v.Problems) > 0 {
				verdict = "the register does not hold together: " + count(len(v.Problems), "fault", "faults")
			}
			fmt.Fprintf(w, "%s: %s, %s\nHead %s\n", verdict, count(v.Samples, "sample", "samples"), count(v.Entries, "entry", "entries"), v.Head)
		})
		return endWith(err, exitDiffers, len(v.Problems) > 0)
	})
	cmd.Flags().StringVar(&o.head, "head", "", "`HASH` noted before, 12 digits or more, that must be in the chain")
	o.addJSON(cmd.Flags())
	return cmd
}

func newLogRecheckCommand(u *ui) *cobra.Command {
	var o struct {
		registerFlags
		output
		all      bool
		pictures []string
	}
	cmd := o.command("log recheck", func(_ *cobra.Command, args []string) error {
		if o.all != (len(args) == 0) {
			return usageError("recheck takes the codes of samples, or --all", "for example: traytally log recheck S2026-0001")
		}
		return nil
	}, func(ctx context.Context, g *samples.Register, codes []string) error {
		if o.all {
			rows, err := g.List(ctx, samples.Query{})
			if err != nil {
				return err
			}
			for _, r := range rows {
				codes = append(codes, r.Code)
			}
		}
		var all []*recheck
		err := pipeline.InOrder(ctx, len(codes), func(ctx context.Context, i int) (*recheck, error) {
			u.progress("measuring %s again (%d of %d)", codes[i], i+1, len(codes))
			return recheckOne(ctx, g, codes[i], o.pictures)
		}, func(_ context.Context, _ int, r *recheck) error {
			all = append(all, r)
			return nil
		})
		if err != nil {
			return err
		}
		doc := struct {
			Schema  string     `json:"schema"`
			Samples []*recheck `json:"samples"`
		}{"traytally.recheck/1", all}
		err = u.answer(ctx, o.output, doc, func(w io.Writer) { showRechecks(w, all) })
		return endWith(err, exitDiffers, slices.ContainsFunc(all, func(r *recheck) bool { return !r.Like }))
	})
	f := cmd.Flags()
	f.BoolVar(&o.all, "all", false, "recheck every sample")
	f.StringArrayVar(&o.pictures, "pictures", nil, "`DIR` to look for pictures that were moved; may be repeated")
	o.addJSON(f)
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

func showRechecks(w io.Writer, all []*recheck) {
	agree, like := 0, 0
	for _, r := range all {
		fmt.Fprintf(w, "%s: %s\n", plain(r.Code), plain(r.State))
		for _, p := range r.Pictures {
			if p.State != pictureSame {
				fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("  %s: %s %s", plain(p.Picture), p.State, plain(p.Path)), " "))
			}
		}
		switch {
		case r.Agrees:
			agree++
		case r.Like:
			like++
		}
	}
	fmt.Fprintf(w, "%d of %s agree bit for bit", agree, count(len(all), "sample", "samples"))
	if like > 0 {
		fmt.Fprintf(w, ", %d more in every kernel", like)
	}
	fmt.Fprintln(w)
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
	missing := false
	find := func(ps []samples.Picture, trays []kernel.Tray) (files []*pipeline.Source) {
		for i := range ps {
			f, source := locate(&ps[i], dirs)
			r.Pictures = append(r.Pictures, f)
			if source == nil {
				missing = true
				continue
			}
			source.Name = trays[i].Picture // results and warnings name it
			files = append(files, source)
		}
		return files
	}
	k, err := rec.Kernels()
	if err != nil {
		return nil, err
	}
	files, picked := find(rec.Pictures, k.Trays), find(rec.Reference, k.Reference)
	if missing {
		r.State = "cannot be measured again: a picture is gone or was changed; name its directory with --pictures"
		return r, nil
	}
	again, err := measureAgain(ctx, rec, files, picked)
	if err != nil {
		if ctx.Err() != nil {
			return nil, err
		}
		r.State = "cannot be measured again: " + err.Error()
		return r, nil
	}
	if rec.Corrections != nil {
		if err := again.Correct(rec.Corrections, "", vision.PieceOf); err != nil {
			r.State = "differs: the corrections do not fit what is measured now: " + err.Error()
			return r, nil
		}
	}
	now, err := again.Decode()
	if err != nil {
		return nil, err
	}
	r.Now, r.NewVersions = &now.Broken.MassPct.Estimate, now.Versions
	same := string(again.Result) == string(rec.Result) && sameJSON(again.Corrections, rec.Corrections)
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

// sameJSON reports whether two values are written alike.
func sameJSON(a, b any) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && string(x) == string(y)
}

// measureAgain measures and grades a registered sample from its pictures, with
// its own settings, and returns the record as it would be registered now.
func measureAgain(ctx context.Context, rec *samples.Record, files, picked []*pipeline.Source) (*samples.Record, error) {
	settings, err := pipeline.Recorded(ctx, rec, picked)
	if err != nil {
		return nil, err
	}
	sample, err := settings.Grade(ctx, files, rec.Facts.Sheet, pipeline.Options{})
	if err != nil {
		return nil, err
	}
	return sample.Record(rec.Code, rec.Facts)
}

// A finding is what happened to a picture since a sample was measured on it.
type finding struct {
	Picture string `json:"picture"` // where it was
	Path    string `json:"path"`    // where it is; empty where it was not found
	State   string `json:"state"`
}

// States of a picture.
const (
	pictureSame    = "unchanged"
	pictureMoved   = "moved, unchanged"
	pictureChanged = "changed since"
	pictureGone    = "not found"
)

// locate looks for the picture where it was and then, by its check sum, in
// dirs and in the directory where it was. The source is nil where it is found
// nowhere as it was.
func locate(p *samples.Picture, dirs []string) (finding, *pipeline.Source) {
	look := func(path string) (*pipeline.Source, bool) {
		f := pipeline.Files(path)[0]
		err := f.Read()
		return f, err == nil && f.Picture.SHA256 == p.SHA256
	}
	out := finding{Picture: p.Path, State: pictureGone}
	f, same := look(p.Path)
	if same {
		return finding{p.Path, p.Path, pictureSame}, f
	}
	if f.Picture.SHA256 != "" {
		out.State = pictureChanged
	}
	for _, dir := range append(slices.Clone(dirs), filepath.Dir(p.Path)) {
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			info, err := e.Info()
			if err != nil || !info.Mode().IsRegular() || info.Size() != p.Bytes {
				continue
			}
			path := filepath.Join(dir, e.Name())
			if f, same := look(path); same {
				return finding{p.Path, path, pictureMoved}, f
			}
		}
	}
	return out, nil
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
