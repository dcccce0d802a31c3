package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"traytally/grading"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// tuneOptions are the flags of the tune command.
type tuneOptions struct {
	folder     string
	out        string
	dpi, scale float64
	output
	colourFlags
	registerFlags
	queryFlags
	corrected bool
}

func newTuneCommand(u *ui) *cobra.Command {
	o := tuneOptions{}
	args := func(cmd *cobra.Command, args []string) error {
		if o.corrected && len(args) == 0 {
			return nil
		}
		return takesOne("folder", "sorted")(cmd, args)
	}
	cmd := newCommand("tune", cobra.MatchAll(args, excluding("dpi", "scale")), func(ctx context.Context, args []string) error {
		if len(args) > 0 {
			o.folder = args[0]
		}
		return runTune(ctx, o, u)
	})
	f := cmd.Flags()
	f.StringVarP(&o.out, "out", "o", "", "write the profile to `FILE`")
	o.addJSON(f)
	f.Var(&ranged{v: &o.dpi, min: 10, max: 20000}, "dpi", "resolution of the pictures in `DOTS` per inch, instead of the stored one")
	f.Var(&ranged{v: &o.scale, min: 0.5, max: 1000}, "scale", "the same in `PIXELS` per millimetre")
	o.addColours(f)
	f.BoolVar(&o.corrected, "corrections", false, "learn from the kernels that people looked at in the register")
	o.registerFlags.add(f)
	o.queryFlags.add(f)
	return cmd
}

func runTune(ctx context.Context, o tuneOptions, u *ui) error {
	if o.out != "" {
		if err := checkPlace(o.out); err != nil {
			return err
		}
	}
	base, _, err := o.load()
	if err != nil {
		return err
	}
	colours, err := o.patch()
	if err != nil {
		return err
	}
	colours.Limits = &base.Surface
	g := gradeOptions{dpi: o.dpi, scale: o.scale}
	how := g.measureOptions()
	how.Colour = colours
	var sorted []grading.Sorted
	if o.folder != "" {
		classes, err := sortedPictures(o.folder)
		if err != nil {
			return err
		}
		if sorted, err = measureSorted(ctx, classes, how, u); err != nil {
			return err
		}
	}
	if o.corrected {
		more, err := o.looked(ctx)
		if err != nil {
			return err
		}
		sorted = append(sorted, more...)
	}
	tuned, err := grading.Tune(sorted, base)
	if err != nil {
		return err
	}
	var files []outFile
	if o.out != "" {
		tuned.Profile.Name = strings.TrimSuffix(filepath.Base(o.out), filepath.Ext(o.out))
		files = append(files, outFile{o.out, tuned.Profile.Encode})
	}
	doc := struct {
		Schema string `json:"schema"`
		*grading.Tuned
	}{"traytally.tune/1", tuned}
	return u.answer(ctx, o.output, doc, func(w io.Writer) { tuneSummary(w, tuned, o.out) }, files...)
}

// looked returns the kernels that people looked at.
func (o *tuneOptions) looked(ctx context.Context) ([]grading.Sorted, error) {
	g, err := o.open(ctx, false)
	if err != nil {
		return nil, err
	}
	defer g.Close()
	out, err := g.Sorted(ctx, o.Query)
	if err == nil && len(out) == 0 {
		return nil, inputError(g.Where(), "holds no kernel of these samples that somebody looked at", "look at some on the page of traytally bench, or with traytally log amend CODE --corrections FILE")
	}
	return out, err
}

// A sortedClass is one subfolder.
type sortedClass struct {
	class    kernel.Flag
	pictures []string
}

// sortedPictures lists the pictures of each class, classes in their usual
// order.
func sortedPictures(folder string) ([]sortedClass, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		what := "cannot be read as a folder"
		if errors.Is(err, fs.ErrNotExist) {
			what = "no such folder"
		}
		return nil, inputError(folder, what, "name a folder with a subfolder for each class")
	}
	names := fault.List(grading.TuneClasses[:]...)
	found := map[kernel.Flag]bool{}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || !e.IsDir() {
			continue
		}
		class := kernel.Flag(e.Name())
		if !slices.Contains(grading.TuneClasses[:], class) {
			return nil, inputError(filepath.Join(folder, e.Name()), "is no class", "call subfolders "+names)
		}
		found[class] = true
	}
	var out []sortedClass
	for _, c := range grading.TuneClasses {
		if !found[c] {
			continue
		}
		dir := filepath.Join(folder, string(c))
		files, err := os.ReadDir(dir)
		if err != nil {
			return nil, inputError(dir, "cannot be read", "check who may read it")
		}
		s := sortedClass{class: c}
		for _, f := range files {
			if !f.IsDir() && isPicture(f.Name()) {
				s.pictures = append(s.pictures, filepath.Join(dir, f.Name()))
			}
		}
		if len(s.pictures) == 0 {
			return nil, inputError(dir, "holds no picture", "put JPEG, PNG, TIFF, BMP or WebP pictures of kernels of this class there, or remove the folder")
		}
		out = append(out, s)
	}
	if len(out) == 0 || out[0].class != grading.Accept {
		return nil, inputError(folder, "has no subfolder accept", "sort sound kernels into "+filepath.Join(folder, "accept")+", faulty ones beside it into "+names)
	}
	return out, nil
}

// joinBelow is the size in pixels below which pictures are joined into one
// tray: a picture of one kernel gives no yardstick.
const joinBelow = 400_000

// measureSorted measures all pictures against the usual kernel of the accepted
// ones.
func measureSorted(ctx context.Context, classes []sortedClass, how vision.MeasureOptions, u *ui) ([]grading.Sorted, error) {
	var sorted []grading.Sorted
	var usual *kernel.Look
	for _, c := range classes {
		u.progress("measuring %s (%s)", c.class, count(len(c.pictures), "picture", "pictures"))
		o := how
		if c.class != grading.Accept {
			o.Colour.Like = usual
		}
		trays, err := measureClass(ctx, c, o)
		if err != nil {
			return nil, err
		}
		if c.class == grading.Accept {
			for i := range trays {
				if l := &trays[i].Look; l.Kernels > 0 && (usual == nil || l.Kernels > usual.Kernels) {
					usual = l
				}
			}
			if usual == nil {
				return nil, inputError(filepath.Dir(c.pictures[0]), "shows too few kernels that are alike to tell what a usual one looks like", "put a scan of some fifty sound kernels there, or a small picture of each of twenty or more")
			}
		}
		for i := range trays {
			t := &trays[i]
			if t.Look.Kernels == 0 { // an accepted picture too poor to be its own yardstick
				continue
			}
			for _, k := range t.Kernels {
				if k.Surface.Pixels > 0 {
					sorted = append(sorted, grading.Sorted{Class: c.class, Tray: t, Kernel: k})
				}
			}
		}
	}
	return sorted, nil
}

// measureClass measures the pictures of one class, small ones joined.
func measureClass(ctx context.Context, c sortedClass, o vision.MeasureOptions) (trays []kernel.Tray, err error) {
	var small []*vision.Picture
	defer func() {
		for _, p := range small {
			p.Close()
		}
	}()
	measure := func(p *vision.Picture) error {
		t, err := vision.Measure(ctx, p, o)
		if err == nil {
			trays = append(trays, *t)
		}
		return err
	}
	for _, name := range c.pictures {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p, err := vision.Open(name, vision.OpenOptions{})
		if err != nil {
			return nil, err
		}
		if p.Width*p.Height < joinBelow {
			small = append(small, p)
			continue
		}
		err = measure(p)
		p.Close()
		if err != nil {
			return nil, err
		}
	}
	if len(small) > 0 {
		joined, places, err := vision.Join(filepath.Dir(c.pictures[0])+string(filepath.Separator)+"*", small)
		if err != nil {
			return nil, err
		}
		defer joined.Close()
		if err := measure(joined); err != nil {
			return nil, err
		}
		t := &trays[len(trays)-1]
		t.Kernels = shownWhole(t, places)
	}
	return trays, nil
}

// alone is the size, in usual kernel lengths, up to which a picture shows one
// kernel, and by chance some of its neighbours.
const alone = 2.2

// shownWhole returns the kernels of a joined tray that its pictures mean to
// show: none that is cut by its picture's edge, and of a picture that has room
// for one kernel the one nearest to its middle.
func shownWhole(t *kernel.Tray, places []image.Rectangle) []kernel.Kernel {
	const rim = 2 // px, in which an outline counts as cut
	var out []kernel.Kernel
	for _, at := range places {
		inner := at.Inset(rim)
		best, nearest := -1, math.Inf(1)
		for i := range t.Kernels {
			k := &t.Kernels[i]
			if !image.Pt(int(k.X), int(k.Y)).In(at) || slices.ContainsFunc(k.Outline, func(p kernel.Point) bool {
				return p.X < float64(inner.Min.X) || p.Y < float64(inner.Min.Y) || p.X > float64(inner.Max.X-1) || p.Y > float64(inner.Max.Y-1)
			}) {
				continue
			}
			if float64(max(at.Dx(), at.Dy())) > alone*t.Look.LengthPx {
				out = append(out, *k)
				continue
			}
			mid := kernel.Point{X: float64(at.Min.X+at.Max.X-1) / 2, Y: float64(at.Min.Y+at.Max.Y-1) / 2}
			if d := mid.Dist(kernel.Point{X: k.X, Y: k.Y}); d < nearest {
				best, nearest = i, d
			}
		}
		if best >= 0 {
			out = append(out, t.Kernels[best])
		}
	}
	return out
}

// tuneSummary prints what was learned, for people.
func tuneSummary(w io.Writer, t *grading.Tuned, out string) {
	was, all := t.Base.Right()
	now, _ := t.Validated.Right()
	fmt.Fprintf(w, "%s sorted by hand\n\n", count(all, "kernel", "kernels"))
	fmt.Fprintf(w, "  Sorted alike by the profile started from   %d of %d\n", was, all)
	fmt.Fprintf(w, "  by limits learned without the kernel       %d of %d   (%d parts)\n\n", now, all, t.Folds)
	head := table.Row{"By hand"}
	figures := []int{}
	for _, c := range t.Validated.Classes {
		head = append(head, className(string(c)))
	}
	head = append(head, "Found %", "Right %")
	for n := range head[1:] {
		figures = append(figures, n+2)
	}
	tab := newTable(w, head, figures...)
	for i, c := range t.Validated.Classes {
		row := table.Row{className(string(c))}
		for j := range t.Validated.Classes {
			row = append(row, t.Validated.Count[i][j])
		}
		r, p := t.Validated.Recall(i), t.Validated.Precision(i)
		row = append(row, fmt.Sprintf("%.1f (%.0f to %.0f)", r.Value, r.Low, r.High), fmt.Sprintf("%.1f (%.0f to %.0f)", p.Value, p.Low, p.High))
		tab.AppendRow(row)
	}
	tab.Render()
	fmt.Fprintln(w, "\nColumns: the class that limits learned without the kernel give. Found: of those")
	fmt.Fprintln(w, "sorted there by hand; right: of those put there; with 95 % intervals.")
	switch {
	case len(t.Changed) == 0:
		fmt.Fprintln(w, "\nNo limit moved: the profile started from sorts these kernels as well as any.")
	default:
		fmt.Fprintln(w, "\nLimits that moved:")
		for i := range grading.ProfileLimits {
			l := &grading.ProfileLimits[i]
			if slices.Contains(t.Changed, l.Key) {
				fmt.Fprintf(w, "  %-20s %.3g   (default %g; %s)\n", l.Key, l.Value(&t.Profile), l.Default, l.Unit)
			}
		}
	}
	if out != "" {
		fmt.Fprintf(w, "\nProfile: %s. Use it with: traytally grade PICTURE --profile %s\n", out, shellWord(out))
	} else {
		fmt.Fprintln(w, "\nNothing was written; --out FILE writes the profile.")
	}
}
