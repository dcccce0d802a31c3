package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"traytally/cmd/traytally/internal/paper"
	"traytally/cmd/traytally/internal/pipeline"
	"traytally/grading"
	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
	"traytally/vision"
	"traytally/vision/kernel/fault"
)

func newReportCommand(u *ui) *cobra.Command {
	var o struct {
		registerFlags
		languageFlag
		out, kind    string
		pictures     []string
		revision     int
		short, force bool
	}
	cmd := o.registerFlags.command("report", needsCode, func(ctx context.Context, g *samples.Register, codes []string) error {
		kinds := []string{o.kind}
		switch o.kind {
		case "both":
			kinds = []string{"html", "pdf"}
		case "html", "pdf":
		default:
			return usageError(fmt.Sprintf("there is no kind of report %q", o.kind), "--kind html, pdf or both")
		}
		if o.revision < 0 {
			return usageError(fmt.Sprintf("there is no revision %d", o.revision), "traytally log show CODE lists the revisions of a sample")
		}
		in, err := o.words()
		if err != nil {
			return err
		}
		names, err := g.FileNames(ctx)
		if err != nil {
			return err
		}
		var files []outFile
		for _, code := range codes {
			rec, err := g.Get(ctx, code, o.revision)
			if err != nil {
				return err
			}
			u.progress("report of %s", code)
			input, err := reportInput(ctx, g, rec, findPhotos(rec, o.pictures, u))
			if err != nil {
				return err
			}
			name := names[rec.Code]
			if input.Words, input.Short = in, o.short; o.short {
				name += shortMark
			}
			files = append(files, reportFiles(ctx, input, filepath.Join(o.out, name), kinds)...)
		}
		undo, err := makeDir(o.out)
		if err != nil {
			return err
		}
		if err := writeSet(ctx, files, o.force); err != nil {
			undo()
			return err
		}
		return u.print(func(w io.Writer) {
			for _, f := range files {
				fmt.Fprintln(w, plain(f.path))
			}
		})
	})
	f := cmd.Flags()
	f.StringVarP(&o.out, "out", "o", ".", "`DIR` to write into")
	f.StringVar(&o.kind, "kind", "both", "`KIND` of report: html, pdf or both")
	f.StringArrayVar(&o.pictures, "pictures", nil, "`DIR` to look for pictures that were moved; may be repeated")
	f.IntVar(&o.revision, "revision", 0, "`NUMBER` of the revision to report (default the last)")
	f.BoolVar(&o.short, "short", false, "the page to sign alone, as CODE~page")
	o.languageFlag.add(f)
	f.BoolVar(&o.force, "force", false, "replace files that hold something else")
	return cmd
}

// needsCode refuses a command line without the code of a sample.
func needsCode(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return usageError("no sample named", "give its code, for example: "+cmd.CommandPath()+" S2026-0001; traytally log list shows all")
	}
	return nil
}

// findPhotos looks for the pictures of a sample and tells which are missing. It
// returns what opens each for the report.
func findPhotos(rec *samples.Record, dirs []string, u *ui) func(*samples.Picture) report.Photo {
	found := map[*samples.Picture]*pipeline.Source{}
	for i := range rec.Pictures {
		p := &rec.Pictures[i]
		f, source := locate(p, dirs)
		if found[p] = source; source == nil {
			u.warn(fmt.Sprintf("%s: the picture %s was %s: the report shows outlines only", rec.Code, f.Picture, map[string]string{pictureGone: "not found", pictureChanged: "changed since it was measured"}[f.State]),
				"name the directory that holds it with --pictures")
		}
	}
	return func(p *samples.Picture) report.Photo { return photo(found[p], p) }
}

// shortMark ends the name of the page to sign; no code holds it.
const shortMark = "~page"

// reportFiles are the files of a report, its path without the ending.
func reportFiles(ctx context.Context, in report.Input, path string, endings []string) []outFile {
	var files []outFile
	for _, e := range endings {
		write := report.HTML
		if e == "pdf" {
			write = func(w io.Writer, in report.Input) error { return reportPDF(ctx, w, in) }
		}
		files = append(files, outFile{path + "." + e, func(w io.Writer) error { return write(w, in) }})
	}
	return files
}

// reportPDF writes a report as a PDF. Where its font lacks letters, a browser
// prints the HTML; without one the error wraps a *report.LettersError.
func reportPDF(ctx context.Context, w io.Writer, in report.Input) error {
	err := report.PDF(w, in)
	lacks, ok := errors.AsType[*report.LettersError](err)
	if !ok {
		return err
	}
	var page, document bytes.Buffer
	if err := report.HTML(&page, in); err != nil {
		return err
	}
	refuse := func(why, hint string) error {
		return &fault.Error{Path: in.Record.Code, What: lacks.Error() + why, Hint: hint, Err: lacks}
	}
	err = paper.Print(ctx, &document, page.Bytes(), lacks.Letters, in.Record.Registered)
	fonts, _ := errors.AsType[*paper.FontsError](err)
	switch {
	case err == nil:
		return report.Seal(w, document.Bytes(), in)
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, paper.ErrNoBrowser):
		return refuse("", lettersHint+"; or install Chromium, which prints it")
	case fonts != nil:
		return refuse("; no font on this machine has "+report.Few(fonts.Letters), lettersHint+"; or install a font that has them, like Noto Sans")
	}
	return refuse("; "+err.Error(), lettersHint)
}

// lettersHint is the way out for who has no browser that prints.
const lettersHint = "the HTML report has them: --kind html, of batch and watch --reports html"

// wholeReport reports whether a file is the report of a revision in these words,
// undamaged.
func wholeReport(path string, rec *samples.Record, w *words.Words) bool {
	if info, err := os.Lstat(path); err != nil || !info.Mode().IsRegular() {
		return false
	}
	document, err := os.ReadFile(path)
	return err == nil && report.Whole(document, rec, w)
}

// reportInput gathers what a report is made from. photo returns each picture;
// one that is gone or changed is said in the report.
func reportInput(ctx context.Context, g *samples.Register, rec *samples.Record, photo func(*samples.Picture) report.Photo) (report.Input, error) {
	trays, err := rec.Trays()
	if err != nil {
		return report.Input{}, err
	}
	history, err := g.History(ctx, rec.Code)
	if err != nil {
		return report.Input{}, err
	}
	in := report.Input{Record: rec, Trays: trays, Command: gradeCommand(rec)}
	for _, e := range history {
		if e.Revision <= rec.Revision {
			in.History = append(in.History, e)
		}
	}
	for i := range rec.Pictures {
		in.Photos = append(in.Photos, photo(&rec.Pictures[i]))
	}
	return in, nil
}

// gradeCommand is the command by which whoever has the pictures, but not the
// register, computes a sample's result again. The contract or the colour profile
// that a flag takes from a file stands in the report's settings.
func gradeCommand(rec *samples.Record) string {
	s := &rec.Settings
	words := []string{"traytally", "grade"}
	flag := func(name, value string) {
		if value != "" {
			words = append(words, name, value)
		}
	}
	positive := func(name string, v float64) {
		if v > 0 {
			flag(name, number(v, -1))
		}
	}
	file := func(path string) string { // a name that is no flag
		if base := filepath.Base(path); strings.HasPrefix(base, "-") {
			return "./" + base
		}
		return filepath.Base(path)
	}
	for _, p := range rec.Pictures {
		words = append(words, file(p.Path))
	}
	var m vision.Method
	if json.Unmarshal(s.Measuring, &m) != nil {
		m.PxPerMM = s.PxPerMM
	}
	switch {
	case m.Profile != nil:
		flag("--scale-profile", m.Device)
	case m.PxPerMM > 0:
		flag("--scale", strconv.FormatFloat(m.PxPerMM, 'g', -1, 64))
	}
	positive("--coin", m.CoinMM)
	if m.Card != vision.CardAuto {
		flag("--card", string(m.Card))
	}
	positive("--card-ruler", m.Ruler)
	if r := m.Colour.GreyPatch; !r.Empty() {
		flag("--grey", fmt.Sprintf("%d,%d,%d,%d", r.Min.X, r.Min.Y, r.Dx(), r.Dy()))
		positive("--grey-percent", m.Colour.GreyY*100)
	}
	if s.Params.Measure != grading.Caliper {
		flag("--length", string(s.Params.Measure))
	}
	positive("--whole-length", s.Params.WholeLengthMM)
	for _, p := range rec.Reference {
		flag("--whole-from", file(p.Path))
	}
	if s.ColourProfile != nil && s.ColourProfile.Name != grading.DefaultProfile().Name {
		flag("--profile", "PROFILE.yaml")
	}
	if s.Contract != "" {
		flag("--contract", "CONTRACT.yaml")
	}
	flag("--standard", s.Standard) // of a contract for several kinds of rice, the one
	if s.Standard != "" && rec.Facts.Sheet != nil {
		for _, entry := range rec.Facts.Sheet.Entries() {
			flag("--found", entry)
		}
	}
	for i, w := range words {
		words[i] = shellWord(w)
	}
	return strings.Join(words, " ")
}

// photo decodes a picture for a report; f is nil where it was not found.
func photo(f *pipeline.Source, want *samples.Picture) report.Photo {
	if f == nil {
		f = pipeline.Files(want.Path)[0]
	}
	p, err := f.Decode()
	if err != nil {
		return report.Photo{Missing: "the picture cannot be opened: " + strings.TrimPrefix(err.Error(), f.Name+": ")}
	}
	defer p.Close()
	if p.SHA256 != want.SHA256 {
		return report.Photo{Missing: "the file was changed since the sample was measured"}
	}
	return report.NewPhoto(toNRGBA(p))
}

// toNRGBA copies a picture into Go's own form.
func toNRGBA(p *vision.Picture) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, p.Width, p.Height))
	src := p.Pix()
	for i, j := 0, 0; i < len(src); i, j = i+3, j+4 {
		s, d := src[i:][:3:3], img.Pix[j:][:4:4]
		d[0], d[1], d[2], d[3] = s[2], s[1], s[0], 0xff
	}
	return img
}
