package vision

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"traytally/vision/internal/card"
	"traytally/vision/internal/card/print"
)

// Papers lists what WriteCard can print on.
func Papers() []string {
	var out []string
	for _, p := range card.Papers {
		out = append(out, p.Name)
	}
	return out
}

// A CardFormat is the kind of file that WriteCard writes.
type CardFormat string

// The formats of a card.
const (
	CardPDF CardFormat = "pdf"
	CardSVG CardFormat = "svg"
)

// CardSheet says what WriteCard prints.
type CardSheet struct {
	Paper string // one of Papers
	// Strip is the card that is cut out and laid beside the rice, instead of
	// the one on which the rice lies.
	Strip bool
	// OpenField leaves the field white for dark paper to be laid in.
	OpenField bool
	Format    CardFormat
}

// WriteCard writes a tray card to be printed at exact size. Same sheet, same
// bytes.
func WriteCard(w io.Writer, s CardSheet) error {
	i := slices.IndexFunc(card.Papers, func(p card.Paper) bool { return p.Name == s.Paper })
	if i < 0 {
		return fmt.Errorf("paper %q, want one of %s", s.Paper, strings.Join(Papers(), ", "))
	}
	o := print.Options{Layout: card.Layouts[0], Paper: card.Papers[i], OpenField: s.OpenField, Title: "traytally tray card"}
	if s.Strip {
		o.Layout, o.Title = card.Layouts[1], "traytally strip card"
	}
	switch s.Format {
	case CardPDF:
		return print.PDF(w, o)
	case CardSVG:
		return print.SVG(w, o)
	}
	return fmt.Errorf("format %q, want %s or %s", s.Format, CardPDF, CardSVG)
}
