package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"traytally/vision"
)

// cardOptions are the flags of the card command.
type cardOptions struct {
	vision.CardSheet
	out   string
	field string // dark or open
	force bool
}

// Ways to make the field of a card dark.
const (
	fieldDark = "dark"
	fieldOpen = "open"
)

func newCardCommand(u *ui) *cobra.Command {
	o := cardOptions{CardSheet: vision.CardSheet{Paper: "a4"}, field: fieldDark}
	cmd := &cobra.Command{
		Use:   "card --out FILE",
		Short: "Write a card to print that gives photos scale, square and white",
		Long: `Writes a card to be printed at exact size, as PDF or SVG by the ending of the
file. Rice laid on it and photographed with the whole card in the picture gets
millimetres, straightened outlines and colours under known light.

Print at 100 % (actual size, not fitted to the page) on matt white paper, and
measure the line on the print with a ruler: it must be 150 mm long. Give what
you measure to grade (--card-ruler). The field must be 150 mm wide and 197 mm
high; a printer that stretches the page is not always seen in the photo.

The field for the rice is printed black (--field dark) or left open for matt
dark paper to be laid in (--field open). --strip makes a card to be cut out and
laid beside the rice on a dark tray.

Hold the camera straight above, far enough for the whole card, in even light
without your own shadow; zoom in rather than go near.`,
		Example: `  traytally card --out card.pdf
  traytally card --paper letter --field open --out card.svg
  traytally card --strip --out strip.pdf`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runCard(cmd.Context(), o, u)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.out, "out", "o", "", "write the card to this `FILE`, which ends in .pdf or .svg")
	f.StringVar(&o.Paper, "paper", o.Paper, "`PAPER` to print on: "+strings.Join(vision.Papers(), " or "))
	f.StringVar(&o.field, "field", o.field, "how the field gets dark: printed `dark`, or open for dark paper")
	f.BoolVar(&o.Strip, "strip", false, "the card that lies beside the rice")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

func runCard(ctx context.Context, o cardOptions, u *ui) error {
	known := false
	for _, p := range vision.Papers() {
		known = known || p == o.Paper
	}
	switch {
	case o.out == "":
		return usageError("no file given", "for example: traytally card --out card.pdf")
	case !known:
		return usageError(fmt.Sprintf("there is no paper %q", o.Paper), "take "+strings.Join(vision.Papers(), " or "))
	case o.field != fieldDark && o.field != fieldOpen:
		return usageError(fmt.Sprintf("there is no field %q", o.field), "take dark or open")
	case o.Strip && o.field == fieldOpen:
		return usageError("the strip card has no field", "leave --field out")
	}
	o.OpenField = o.field == fieldOpen
	switch ending := strings.ToLower(filepath.Ext(o.out)); ending {
	case ".pdf":
		o.Format = vision.CardPDF
	case ".svg":
		o.Format = vision.CardSVG
	default:
		return usageError(fmt.Sprintf("%s: a card is written as PDF or SVG", o.out), "let the name end in .pdf or .svg")
	}
	if err := checkPlace(o.out); err != nil {
		return err
	}
	err := writeSet(ctx, []outFile{{o.out, func(w io.Writer) error { return vision.WriteCard(w, o.CardSheet) }}}, o.force)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(u.out, "%s: print at 100 %% and measure the line: it must be %d mm long\n", plain(o.out), vision.CardRulerMM)
	return err
}
