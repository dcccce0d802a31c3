package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"traytally/samples"
	"traytally/samples/report"
	"traytally/samples/words"
)

// Labels that fit most sheets and bags: three columns of eight on A4, as sheets of
// labels are sold by several makers (common practice, no source).
const (
	usualSheet = "8x3"
	usualSize  = "70x37"
)

// labelFlags say what labels look like.
type labelFlags struct {
	out, kind, sheet, size string
	margin                 float64 // mm
	skip                   int
}

func newLabelCommand(u *ui) *cobra.Command {
	var o struct {
		registerFlags
		languageFlag
		labelFlags
		force bool
	}
	cmd := o.registerFlags.command("label", needsCode, func(ctx context.Context, g *samples.Register, codes []string) error {
		words, err := o.words()
		if err != nil {
			return err
		}
		ending, sheet, err := o.place(len(codes))
		if err != nil {
			return err
		}
		var labels []report.Label
		for _, code := range codes {
			rec, err := g.Get(ctx, code, 0)
			if err != nil {
				return err
			}
			l, err := labelOf(rec, o.kind, words)
			if err != nil {
				return err
			}
			labels = append(labels, l)
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
	})
	f := cmd.Flags()
	o.languageFlag.add(f)
	f.StringVarP(&o.out, "out", "o", "labels.pdf", "`FILE` to write, which ends in .pdf, .svg or .png")
	f.StringVar(&o.kind, "kind", report.Code128, "`KIND` of mark: code128 or qr")
	f.StringVar(&o.sheet, "sheet", "", "labels on a sheet of A4, as `ROWSxCOLUMNS` (default "+usualSheet+" in a .pdf without --size)")
	f.StringVar(&o.size, "size", "", "size of single labels in mm, as `WIDTHxHEIGHT` (default "+usualSize+" in a .svg or .png)")
	f.Var(&ranged{v: &o.margin, min: 0, max: 50}, "margin", "`MM` at all four sides of the sheet that hold no labels")
	f.IntVar(&o.skip, "skip", 0, "`NUMBER` of labels that are gone from the first sheet")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

// labelOf is the label of a registered sample.
func labelOf(rec *samples.Record, kind string, w *words.Words) (report.Label, error) {
	row, err := rec.Row()
	if err != nil {
		return report.Label{}, err
	}
	return report.Label{Code: row.Code, Lot: row.Lot, Date: row.At, Kind: kind, Words: w}, nil
}

// two reads "8x3".
func two(s string) (a, b float64, ok bool) {
	x, y, ok := strings.Cut(strings.ToLower(strings.ReplaceAll(s, "×", "x")), "x")
	a, errA := strconv.ParseFloat(x, 64)
	b, errB := strconv.ParseFloat(y, 64)
	return a, b, ok && errA == nil && errB == nil
}

// place checks the flags, and returns the kind of file that so many labels go
// into, and where on paper.
func (o *labelFlags) place(labels int) (ending string, s report.Sheet, err error) {
	const mostLabels, most, least = 50, 300, 5 // rows or columns; mm of a label
	ending = strings.ToLower(filepath.Ext(o.out))
	onSheet := o.sheet != "" || o.size == "" && ending == ".pdf"
	rows, columns, readable := two(cmp.Or(o.sheet, usualSheet))
	wide, high, sized := two(cmp.Or(o.size, usualSize))
	if onSheet {
		s = report.Sheet{Rows: int(rows), Columns: int(columns), Margin: o.margin, Skip: o.skip}
	} else {
		s = report.Sheet{Wide: wide, High: high}
	}
	within := func(v, least, most float64) bool { return v >= least && v <= most }
	switch {
	case o.kind != report.Code128 && o.kind != report.QR:
		err = usageError(fmt.Sprintf("there is no kind of label %q", o.kind), "--kind code128 or qr")
	case ending != ".pdf" && ending != ".svg" && ending != ".png":
		err = usageError(fmt.Sprintf("%s: labels are written as PDF, SVG or PNG", o.out), "let the name end in .pdf, .svg or .png")
	case ending != ".pdf" && labels > 1:
		err = usageError(fmt.Sprintf("%s holds one label, not %d", o.out, labels), "let --out end in .pdf")
	case o.sheet != "" && o.size != "":
		err = usageError("--sheet and --size cannot go together", "--sheet fills A4, --size makes single labels")
	case o.sheet != "" && ending != ".pdf":
		err = usageError("a sheet of labels is a PDF", "let --out end in .pdf, or give the --size of a single label")
	case onSheet && !(readable && rows == float64(s.Rows) && columns == float64(s.Columns) && within(rows, 1, mostLabels) && within(columns, 1, mostLabels)):
		err = usageError(fmt.Sprintf("--sheet %s cannot be read", o.sheet), "rows and columns of labels on A4, like --sheet "+usualSheet)
	case onSheet && (o.skip < 0 || o.skip >= s.Rows*s.Columns):
		err = usageError(fmt.Sprintf("--skip %d: a sheet has %d labels", o.skip, s.Rows*s.Columns), "give how many are gone from the first sheet")
	case !onSheet && !(sized && within(wide, least, most) && within(high, least, most)):
		err = usageError(fmt.Sprintf("--size %s cannot be read", o.size), fmt.Sprintf("width and height in mm, %d to %d, like --size 50x30", least, most))
	case !onSheet && (o.skip != 0 || o.margin != 0):
		err = usageError("--skip and --margin belong to a sheet", "leave them out, or give --sheet")
	default:
		err = checkPlace(o.out)
	}
	return ending, s, err
}
