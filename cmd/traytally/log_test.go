package main

import (
	"path/filepath"
	"testing"
	"time"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Marks that turn the direction of writing (Unicode, property Bidi_Control)
// never reach a terminal as such.
func TestDirectionMarks(t *testing.T) {
	where := filepath.Join(t.TempDir(), "register.db")
	say := func(args ...string) string {
		u, stdout, stderr := testUI()
		require.Equal(t, exitDone, run(t.Context(), append(args, "--register", where), u), "%s", stderr)
		for _, r := range stdout.String() + stderr.String() {
			require.False(t, unicode.Is(unicode.Bidi_Control, r), "%U", r)
		}
		return stdout.String()
	}
	say("batch", tinyScans(t, 1), "--reports", "none", "-q")
	marks := "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
	code := time.Now().UTC().Format("S2006-") + "0001"
	say("log", "amend", code, "--reason", "slip"+marks, "--lot", "L-"+marks, "--by", "clerk"+marks)
	assert.Contains(t, say("log", "show", code), "L-\ufffd\ufffd")
	assert.Contains(t, say("log", "show", code, "--json", "-"), `"lot": "L-\u061c\u200e`)
	say("log", "list")
	say("log", "trend", "--by", "line")
}
