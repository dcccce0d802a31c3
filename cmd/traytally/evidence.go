package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel"
)

// A document is the JSON that the grade command writes: the result, with the
// check sum of each picture.
type document struct {
	*grading.Result
	Pictures []documentPicture `json:"pictures"` // takes the place of Result.Pictures
	// AsMeasured is the result without corrections, where there are any.
	AsMeasured *samples.AsMeasured `json:"as_measured,omitempty"`
}

type documentPicture struct {
	grading.Picture
	SHA256 string `json:"sha256"`
}

func newDocument(r *grading.Result, pictures []samples.Picture) *document {
	d := &document{Result: r}
	for i, p := range r.Pictures {
		d.Pictures = append(d.Pictures, documentPicture{p, pictures[i].SHA256})
	}
	return d
}

// evidence holds what is drawn of the pictures of a sample.
type evidence struct {
	settings *pipeline.Settings
	shown    []shown // by the number of the picture
}

type shown struct {
	backdrop *vision.Backdrop
	crops    crops
}

// keep takes what is needed from an open picture.
func (e *evidence) keep(i int, p *vision.Picture, t *kernel.Tray) (err error) {
	s := &e.shown[i]
	if s.backdrop, err = vision.NewBackdrop(p, t); err == nil {
		s.crops, err = cropsOf(p, t, e.settings.Profile())
	}
	return err
}

// files returns what goes into the directory of the evidence.
func (e *evidence) files(dir string, d *document, sample *pipeline.Sample) ([]outFile, error) {
	var files []outFile
	var rows [][]grading.KernelRow // of each picture
	names, rest := map[string]bool{}, d.Kernels
	for i := range sample.Trays {
		t := &sample.Trays[i]
		rows, rest = append(rows, rest[:len(t.Kernels)]), rest[len(t.Kernels):]
		png, err := overlay(e.shown[i].backdrop, t, rows[i], d.Params.NotAssessed)
		if err != nil {
			return nil, fmt.Errorf("overlay of %s: %w", t.Picture, err)
		}
		e.shown[i].backdrop = nil
		files = append(files, outFile{filepath.Join(dir, overlayName(t.Picture, names)), writeBytes(png)})
	}
	png, err := gallery(d, rows, e.shown)
	if err != nil {
		return nil, fmt.Errorf("gallery: %w", err)
	}
	if png != nil {
		files = append(files, outFile{filepath.Join(dir, "gallery.png"), writeBytes(png)})
	}
	return append(files,
		outFile{filepath.Join(dir, "kernels.csv"), func(w io.Writer) error { return kernelTable(w, d.Result) }},
		outFile{filepath.Join(dir, "result.json"), func(w io.Writer) error { return indented(w, d) }},
	), nil
}

// overlayName returns the file name of a picture's overlay, and adds it to
// taken, which holds the names as file systems without case see them.
func overlayName(picture string, taken map[string]bool) string {
	base := filepath.Base(picture)
	stem := strings.TrimSuffix(base, filepath.Ext(base))
	name := stem + "-overlay.png"
	for n := 2; taken[samples.FoldName(name)]; n++ {
		name = fmt.Sprintf("%s-%d-overlay.png", stem, n)
	}
	taken[samples.FoldName(name)] = true
	return name
}

// overlayStyles shows the classes: the darker the trouble, the bolder.
var overlayStyles = map[grading.Class]vision.Style{
	grading.Head:         {Name: "head", Colour: vision.SkyBlue},
	grading.LargeBroken:  {Name: "large broken", Letter: "L", Colour: vision.Orange, Bold: true, Tint: true},
	grading.MediumBroken: {Name: "medium broken", Letter: "M", Colour: vision.Vermillion, Bold: true, Tint: true, Hatch: vision.HatchRising},
	grading.SmallBroken:  {Name: "small broken", Letter: "S", Colour: vision.ReddishPurple, Bold: true, Tint: true, Hatch: vision.HatchCrossed},
	grading.Chip:         {Name: "chip", Letter: "C", Colour: vision.Yellow, Bold: true, Tint: true},
	grading.AnyBroken:    {Name: "broken", Letter: "B", Colour: vision.Vermillion, Bold: true, Tint: true},
	grading.Untold:       {Name: "whole or broken not told", Letter: "?", Colour: vision.Yellow, Bold: true, Dashed: true},
	grading.ForeignBody:  {Name: "not rice", Letter: "X", Colour: vision.BluishGreen, Bold: true, Tint: true, Dashed: true},
}

// offColour is how a head kernel with a flag is drawn.
var offColour = vision.Style{Name: "head, flagged", Colour: vision.BluishGreen, Bold: true}

// overlay draws the evidence of one picture; rows are those of its kernels.
func overlay(b *vision.Backdrop, t *kernel.Tray, rows []grading.KernelRow, notAssessed []kernel.Flag) ([]byte, error) {
	o := vision.OverlayOptions{
		Title: fmt.Sprintf("%s: %s", filepath.Base(t.Picture), count(len(t.Kernels), "kernel", "kernels")),
	}
	tags := map[string]int{}
	// Odd ones come last here, and what is not rice has a style of its own.
	for _, g := range slices.Concat(galleryGroups[1:], galleryGroups[:1]) {
		if g.flag != kernel.Foreign && !slices.Contains(notAssessed, g.flag) {
			tags[string(g.flag)] = len(o.Tags)
			o.Tags = append(o.Tags, vision.Tag{Name: className(string(g.flag)), Letter: g.letter})
		}
	}
	index, flagged := map[grading.Class]int{}, 0
	classes := append(slices.Clone(grading.Classes[:]), grading.AnyBroken, grading.Untold, grading.ForeignBody)
	for _, c := range classes {
		rare := c == grading.AnyBroken || c == grading.Untold
		if rare && !slices.ContainsFunc(rows, func(r grading.KernelRow) bool { return r.Class == c }) {
			continue
		}
		index[c] = len(o.Styles)
		o.Styles = append(o.Styles, overlayStyles[c])
		if c == grading.Head && len(o.Tags) > 0 {
			flagged = len(o.Styles)
			o.Styles = append(o.Styles, offColour)
		}
	}
	marks := make([]vision.Mark, len(rows))
	for i, r := range rows {
		marks[i] = vision.Mark{Kernel: i, Style: index[r.Class]}
		for _, f := range r.Flags {
			if g, ok := tags[f]; ok {
				marks[i].Tags = append(marks[i].Tags, g)
			}
		}
		if r.Class == grading.Head && len(marks[i].Tags) > 0 {
			marks[i].Style = flagged
		}
	}
	if t.CutByEdge > 0 {
		o.Notes = append(o.Notes, fmt.Sprintf("%s by the picture's edge: not counted, not outlined.", count(t.CutByEdge, "piece is cut", "pieces are cut")))
	}
	if n := len(t.Unresolved); n > 0 {
		o.Notes = append(o.Notes, fmt.Sprintf("%s not taken apart: boxed, not counted.", count(n, "touching group was", "touching groups were")))
	}
	if s := b.Scale(); s != 1 {
		o.Notes = append(o.Notes, fmt.Sprintf("Shown at %.0f %% of the picture's size; measured at its full size.", 100*s))
	}
	o.Notes = append(o.Notes, "Screening aid from a picture; not an official grade.")
	return b.Draw(t, marks, o)
}

// kernelTable writes one row per kernel, units in the header.
func kernelTable(w io.Writer, r *grading.Result) error {
	out := csv.NewWriter(w)
	unit := "px"
	if r.Reference.Unit == "mm" {
		unit = "mm"
	}
	// What fails is told by out.Error at the end.
	out.Write([]string{
		"picture", "id", "x_px", "y_px", "length_" + unit, "width_" + unit, "area_" + unit + "2", "volume_" + unit + "3",
		"length_ratio", "class", "end_1", "end_2", "tip_1", "tip_2", "fracture_chance_1", "fracture_chance_2", "covered_share", "flags", "lab_l", "lab_a", "lab_b", "chalk_share",
	})
	for i := range r.Kernels {
		k := &r.Kernels[i]
		l, wd, a, v := k.LengthPx, k.WidthPx, k.AreaPx2, k.VolumePx3
		if unit == "mm" {
			l, wd, a, v = k.LengthMM, k.WidthMM, k.AreaMM2, k.VolumeMM3
		}
		out.Write([]string{
			harmless(k.Picture), strconv.Itoa(k.ID), num(k.X), num(k.Y), num(l), num(wd), num(a), num(v),
			num(k.LengthRatio), string(k.Class), k.Ends[0], k.Ends[1],
			k.Tips[0], k.Tips[1], num(k.FractureChance[0]), num(k.FractureChance[1]), num(k.CoveredShare), harmless(strings.Join(k.Flags, " ")),
			num(k.Lab[0]), num(k.Lab[1]), num(k.Lab[2]), num(k.ChalkShare),
		})
	}
	out.Flush()
	return out.Error()
}

func num(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// harmless keeps a spreadsheet from reading text as a formula: text that
// begins like one gets an apostrophe in front (OWASP, "CSV Injection").
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) {
		return "'" + s
	}
	return s
}

// count returns n with the word for one or many.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
