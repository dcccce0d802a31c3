package vision

import (
	"io"

	"traytally/vision/internal/card/print"
)

// CardSheet says what WriteCard prints.
type CardSheet = print.Sheet

// The formats of a card.
const (
	CardPDF = print.PDF
	CardSVG = print.SVG
)

// Papers lists what WriteCard can print on.
func Papers() []string { return print.Papers() }

// WriteCard writes a tray card to be printed at exact size. Same sheet, same
// bytes.
func WriteCard(w io.Writer, s CardSheet) error { return s.Write(w) }
