package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Without a browser, letters that the PDF's font lacks are told: batch writes the
// HTML alone, without a way to a PDF in its index, and report writes nothing unless
// the HTML alone is asked for.
func TestReportWithoutBrowser(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	scans := tinyScans(t, 1)
	pictures, err := filepath.Glob(filepath.Join(scans, "*.png"))
	require.NoError(t, err)
	require.Len(t, pictures, 1)
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte("picture,code,lot\n"+filepath.Base(pictures[0])+",K-1,ข้าว\n"), 0o666))
	t.Setenv(registerVariable, filepath.Join(t.TempDir(), "r.db"))

	u, _, stderr := testUI()
	require.Equal(t, exitDone, run(t.Context(), []string{"batch", scans}, u), stderr)
	assert.Regexp(t, "warning: K-1: .*lacks letters: ขว.*: no PDF is written", stderr)
	out := filepath.Join(scans, outName)
	assert.FileExists(t, filepath.Join(out, "K-1.html"))
	assert.NoFileExists(t, filepath.Join(out, "K-1.pdf"))
	index, err := os.ReadFile(filepath.Join(out, "index.html"))
	require.NoError(t, err)
	assert.Contains(t, string(index), `href="K-1.html"`)
	assert.NotContains(t, string(index), "K-1.pdf")

	dir := filepath.Join(t.TempDir(), "rep")
	u, _, stderr = testUI()
	assert.Equal(t, exitInput, run(t.Context(), []string{"report", "K-1", "--out", dir}, u))
	assert.Regexp(t, "error: K-1: .*lacks letters: ขว", stderr)
	assert.Contains(t, stderr.String(), "hint: the HTML report has them: --kind html")
	assert.NoDirExists(t, dir)
	assert.Equal(t, exitDone, run(t.Context(), []string{"report", "K-1", "--out", dir, "--kind", "html"}, u))
	assert.FileExists(t, filepath.Join(dir, "K-1.html"))
}
