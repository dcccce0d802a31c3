package paper

import (
	"bytes"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const page = `<!DOCTYPE html><meta charset="utf-8"><style>@page { size: A4 }</style><p>a</p><img src="http://127.0.0.1:1/x.png">`

var at = time.Date(2026, 11, 24, 9, 30, 5, 0, time.UTC)

func TestPrint(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	if !slices.ContainsFunc(Browsers, func(b string) bool { _, err := exec.LookPath(b); return err == nil }) {
		t.Skip("no Chromium here: apt-get install chromium")
	}
	var a, b bytes.Buffer
	require.NoError(t, Print(t.Context(), &a, []byte(page), "aß", at))
	require.NoError(t, Print(t.Context(), &b, []byte(page), "", at))
	assert.Equal(t, a.Bytes(), b.Bytes(), "the same page gives the same bytes")
	assert.True(t, bytes.HasPrefix(a.Bytes(), []byte("%PDF-")))
	assert.Contains(t, a.String(), "D:20261124093005")
	assert.Regexp(t, `/MediaBox ?\[0 0 59[45]\.\d+ 84[12]\.\d+\]`, a.String())

	// A private letter that no font has is told, and nothing is written.
	var none bytes.Buffer
	var fonts *FontsError
	require.ErrorAs(t, Print(t.Context(), &none, []byte(page), "a\U0010fffd", at), &fonts)
	assert.Equal(t, "\U0010fffd", fonts.Letters)
	assert.Zero(t, none.Len())
}

func TestNoBrowser(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	var b bytes.Buffer
	assert.ErrorIs(t, Print(t.Context(), &b, []byte(page), "", at), ErrNoBrowser)
	assert.Zero(t, b.Len())
}

// Times keep their room, so that the places that a PDF counts stay.
func TestDated(t *testing.T) {
	old := "x /CreationDate (D:20260101000000+00'00')\n/ModDate (D:20260101000000Z) /Title (D:1)"
	now := string(dated([]byte(old), at))
	assert.Len(t, now, len(old))
	assert.Equal(t, 2, strings.Count(now, "D:20261124093005"))
	assert.Contains(t, now, "/Title (D:1)")
}
