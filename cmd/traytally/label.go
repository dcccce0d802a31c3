package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples/report"
)

// labelOptions are the flags of the label command.
type labelOptions struct {
	registerFlags
	languageFlag
	codes  []string
	out    string
	kind   string
	sheet  string
	size   string
	margin float64 // mm
	skip   int
	force  bool
}

// Labels that fit most sheets and bags: three columns of eight on A4, as sheets of
// labels are sold by several makers (common practice, no source).
const (
	usualSheet = "8x3"
	usualSize  = "70x37"
)

func newLabelCommand(u *ui) *cobra.Command {
	o := labelOptions{kind: report.Code128}
	cmd := &cobra.Command{
		Use:   "label CODE...",
		Short: "Write labels with the samples' codes, to print and stick on bags",
		Long: `Writes a label for each sample: its code for a scanner and in letters, its lot,
and the day on which it was drawn, received or registered. Code 128 (--kind
code128) is read by every hand scanner and holds letters of ASCII; a QR code
(--kind qr) is read by telephones and holds all letters.

A .pdf holds sheets of A4, --sheet ROWSxCOLUMNS within a --margin, the first
--skip places left free where labels are gone; or with --size WIDTHxHEIGHT in mm
each label on a page of its own, as label printers take them. A .svg or .png
holds one label. Print at 100 % (actual size).

` + registerHelp,
		Example: `  traytally label S2026-0001 S2026-0002 --out labels.pdf
  traytally label S2026-0001 --kind qr --size 50x30 --out label.png
  traytally label S2026-0001 --sheet 10x4 --margin 8 --skip 5 --out labels.pdf`,
		Args: needsCode,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.codes = args
			return runLabel(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	o.registerFlags.add(f)
	o.languageFlag.add(f)
	f.StringVarP(&o.out, "out", "o", "labels.pdf", "`FILE` to write, which ends in .pdf, .svg or .png")
	f.StringVar(&o.kind, "kind", o.kind, "`KIND` of mark: code128 or qr")
	f.StringVar(&o.sheet, "sheet", "", "labels on a sheet of A4, as `ROWSxCOLUMNS` (default "+usualSheet+" in a .pdf without --size)")
	f.StringVar(&o.size, "size", "", "size of single labels in mm, as `WIDTHxHEIGHT` (default "+usualSize+" in a .svg or .png)")
	f.Var(&ranged{v: &o.margin, min: 0, max: 50}, "margin", "`MM` at all four sides of the sheet that hold no labels")
	f.IntVar(&o.skip, "skip", 0, "`NUMBER` of labels that are gone from the first sheet")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

// two reads "8x3".
func two(s string) (a, b float64, ok bool) {
	x, y, ok := strings.Cut(strings.ToLower(strings.ReplaceAll(s, "×", "x")), "x")
	a, errA := strconv.ParseFloat(x, 64)
	b, errB := strconv.ParseFloat(y, 64)
	return a, b, ok && errA == nil && errB == nil
}

// place checks where the labels go on paper.
func (o *labelOptions) place(ending string) (s report.Sheet, err error) {
	const mostLabels, most, least = 50, 300, 5 // rows or columns; mm of a label
	if o.sheet != "" && o.size != "" {
		return s, usageError("--sheet and --size cannot go together", "--sheet fills A4, --size makes single labels")
	}
	if o.sheet != "" && ending != ".pdf" {
		return s, usageError("a sheet of labels is a PDF", "let --out end in .pdf, or give the --size of a single label")
	}
	switch {
	case o.sheet != "" || o.size == "" && ending == ".pdf":
		if o.sheet == "" {
			o.sheet = usualSheet
		}
		rows, columns, ok := two(o.sheet)
		s.Rows, s.Columns, s.Margin, s.Skip = int(rows), int(columns), o.margin, o.skip
		if !ok || float64(s.Rows) != rows || float64(s.Columns) != columns || rows < 1 || columns < 1 || rows > mostLabels || columns > mostLabels {
			return s, usageError(fmt.Sprintf("--sheet %s cannot be read", o.sheet), "rows and columns of labels on A4, like --sheet "+usualSheet)
		}
		if o.skip < 0 || o.skip >= s.Rows*s.Columns {
			return s, usageError(fmt.Sprintf("--skip %d: a sheet has %d labels", o.skip, s.Rows*s.Columns), "give how many are gone from the first sheet")
		}
	default:
		if o.size == "" {
			o.size = usualSize
		}
		var ok bool
		if s.Wide, s.High, ok = two(o.size); !ok || !(s.Wide >= least && s.Wide <= most && s.High >= least && s.High <= most) {
			return s, usageError(fmt.Sprintf("--size %s cannot be read", o.size), fmt.Sprintf("width and height in mm, %d to %d, like --size 50x30", least, most))
		}
		if o.skip != 0 || o.margin != 0 {
			return s, usageError("--skip and --margin belong to a sheet", "leave them out, or give --sheet")
		}
	}
	return s, nil
}

func runLabel(ctx context.Context, o labelOptions, u *ui) error {
	w, err := o.words()
	if err != nil {
		return err
	}
	if o.kind != report.Code128 && o.kind != report.QR {
		return usageError(fmt.Sprintf("there is no kind of label %q", o.kind), "--kind code128 or qr")
	}
	ending := strings.ToLower(filepath.Ext(o.out))
	switch {
	case ending != ".pdf" && ending != ".svg" && ending != ".png":
		return usageError(fmt.Sprintf("%s: labels are written as PDF, SVG or PNG", o.out), "let the name end in .pdf, .svg or .png")
	case ending != ".pdf" && len(o.codes) > 1:
		return usageError(fmt.Sprintf("%s holds one label, not %d", o.out, len(o.codes)), "let --out end in .pdf")
	}
	sheet, err := o.place(ending)
	if err != nil {
		return err
	}
	if err := checkPlace(o.out); err != nil {
		return err
	}
	g, err := o.open(ctx, false)
	if err != nil {
		return err
	}
	defer g.Close()
	var labels []report.Label
	for _, code := range o.codes {
		rec, err := g.Get(ctx, code, 0)
		if err != nil {
			return err
		}
		row, err := rec.Row()
		if err != nil {
			return err
		}
		labels = append(labels, report.Label{Code: row.Code, Lot: row.Lot, Date: row.At, Kind: o.kind, Words: w})
	}
	wide, high := sheet.Size()
	write := map[string]func(io.Writer) error{
		".pdf": func(to io.Writer) error { return report.LabelsPDF(to, labels, sheet) },
		".svg": func(to io.Writer) error { return labels[0].SVG(to, wide, high) },
		".png": func(to io.Writer) error { return labels[0].PNG(to, wide, high) },
	}[ending]
	err = writeSet(ctx, []outFile{{o.out, write}}, o.force)
	if e, ok := errors.AsType[*report.LettersError](err); ok {
		return inputError(o.out, e.Error(), "a .svg of each label has all letters")
	} else if err != nil {
		return err
	}
	return u.print(func(to io.Writer) {
		fmt.Fprintf(to, "%s: %s; print at 100 %%\n", plain(o.out), count(len(labels), "label", "labels"))
	})
}
