package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
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
	cmd := newCommand("card", noArgs, func(ctx context.Context, _ []string) error { return runCard(ctx, o, u) })
	f := cmd.Flags()
	f.StringVarP(&o.out, "out", "o", "", "write the card to this `FILE`, which ends in .pdf or .svg")
	f.StringVar(&o.Paper, "paper", o.Paper, "`PAPER` to print on: "+strings.Join(vision.Papers(), " or "))
	f.StringVar(&o.field, "field", o.field, "how the field gets dark: printed `dark`, or open for dark paper")
	f.BoolVar(&o.Strip, "strip", false, "the card that lies beside the rice")
	f.BoolVar(&o.force, "force", false, "replace a file that holds something else")
	return cmd
}

func runCard(ctx context.Context, o cardOptions, u *ui) error {
	switch {
	case o.out == "":
		return usageError("no file given", "for example: traytally card --out card.pdf")
	case !slices.Contains(vision.Papers(), o.Paper):
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
