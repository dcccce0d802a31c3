package report

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// Letters that the font lacks lose their marks, or are a box, and the report
// then says so. The font's glyph lists (golang.org/x/image/font/gofont) have
// Latin, Greek and Cyrillic.
func TestLettersOfTheFont(t *testing.T) {
	font, err := sfnt.Parse(goregular.TTF)
	require.NoError(t, err)
	for in, want := range map[string]struct {
		text  string
		lossy bool
	}{
		"Lô 17, Ω, Ж": {"Lô 17, Ω, Ж", false}, "a\nb": {"a b", false},
		"gạo trắng": {"gao trang", true}, "大米": {"□□", true}, "😀": {"□", true},
	} {
		p := &pdfPage{font: font}
		assert.Equal(t, want.text, p.plain(in), in)
		assert.Equal(t, want.lossy, p.lossy, in)
	}
}
