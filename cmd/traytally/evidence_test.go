package main

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading"
	"traytally/vision/kernel"
)

// Text that a spreadsheet takes for a formula: OWASP, "CSV Injection", lists
// cells that begin with = + - @, tab or carriage return.
func TestHarmless(t *testing.T) {
	for in, want := range map[string]string{
		"":            "",
		"tray.jpg":    "tray.jpg",
		"=1+1.jpg":    "'=1+1.jpg",
		"+tray.jpg":   "'+tray.jpg",
		"-tray.jpg":   "'-tray.jpg",
		"@tray.jpg":   "'@tray.jpg",
		"\ttray.jpg":  "'\ttray.jpg",
		"\rtray.jpg":  "'\rtray.jpg",
		"a=1.jpg":     "a=1.jpg",
		"dir/=1.jpg":  "dir/=1.jpg",
		"'quoted.jpg": "'quoted.jpg",
	} {
		assert.Equal(t, want, harmless(in))
	}
}

func TestKernelTableSurvivesAnyName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		r := &grading.Result{Kernels: []grading.KernelRow{{ID: 7, Picture: name, X: 1.5, Y: -0.25, LengthPx: 80}}}
		r.Reference.Unit = "px"
		var b bytes.Buffer
		require.NoError(t, kernelTable(&b, r))
		rows, err := csv.NewReader(&b).ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, 2)
		require.Len(t, rows[1], len(rows[0]))
		// encoding/csv reads a carriage return before a line feed as one.
		want := strings.ReplaceAll(harmless(name), "\r\n", "\n")
		assert.Equal(t, want, rows[1][0])
		assert.Equal(t, []string{"7", "1.5", "-0.25", "80"}, rows[1][1:5])
	})
}

func TestOverlayNames(t *testing.T) {
	taken := map[string]bool{}
	for _, c := range [][2]string{
		{"tray.jpg", "tray-overlay.png"},
		{"dir/tray.jpg", "tray-2-overlay.png"},
		{"dir/TRAY.png", "TRAY-3-overlay.png"},
		{"tray-2.jpg", "tray-2-2-overlay.png"},
		{"no-ending", "no-ending-overlay.png"},
		{"/a/b.c.d.tif", "b.c.d-overlay.png"},
		{"maß.jpg", "maß-overlay.png"},
		{"MASS.jpg", "MASS-2-overlay.png"},
		{"e\u0301.jpg", "e\u0301-overlay.png"},
		{"É.jpg", "É-2-overlay.png"},
	} {
		assert.Equal(t, c[1], overlayName(c[0], taken), c[0])
	}
}

// TestStylesDiffer: no two classes look alike, with or without colour.
func TestStylesDiffer(t *testing.T) {
	type look struct {
		letter       string
		bold, dashed bool
	}
	looks, letters := map[look]string{}, map[string]bool{}
	for class, s := range overlayStyles {
		l := look{s.Letter, s.Bold, s.Dashed}
		assert.Empty(t, looks[l], "%s", class)
		looks[l] = string(class)
		letters[s.Letter] = true
		assert.NotEmpty(t, s.Name)
	}
	for _, c := range append(grading.Classes[:], grading.ForeignBody) {
		assert.Contains(t, overlayStyles, c)
	}
	for _, g := range galleryGroups {
		if g.flag == kernel.Foreign { // drawn as its class
			assert.Equal(t, overlayStyles[grading.ForeignBody].Letter, g.letter)
			continue
		}
		assert.False(t, letters[g.letter], "%s is taken", g.letter)
		letters[g.letter] = true
	}
}

// TestPlain: a file name cannot move the cursor, colour the screen or begin a
// line that looks like a message.
func TestPlain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := plain(rapid.String().Draw(t, "text"))
		for _, r := range s {
			assert.False(t, r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r >= 0x202a && r <= 0x202e || r == 0x2028 || r == 0x2029, "%q", s)
		}
	})
	assert.Equal(t, "a�[31mb.jpg", plain("a\x1b[31mb.jpg"))
	assert.Equal(t, "Reis – 米.jpg", plain("Reis – 米.jpg"))
	for _, r := range "\u061c\u200e\u200f\u202a\u202e\u2066\u2069" { // Unicode 16, PropList: Bidi_Control
		assert.Equal(t, "\ufffd", plain(string(r)), "%U", r)
	}
}

func TestParagraph(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringMatching(`[a-z–]{1,40}`), 1, 40).Draw(t, "words")
		var b bytes.Buffer
		paragraph(&b, strings.Join(words, " "))
		assert.Equal(t, words, strings.Fields(b.String()))
		for _, line := range strings.Split(b.String(), "\n") {
			assert.LessOrEqual(t, len([]rune(line)), 79)
			assert.Equal(t, strings.TrimSpace(line), line)
		}
	})
}
