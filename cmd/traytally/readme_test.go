package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"fmt"
	"image"
	"image/draw"
	_ "image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const root = "../.."

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, "README.md"))
	require.NoError(t, err)
	return string(b)
}

// inRoot runs a command line of the README at the top of the repository.
func inRoot(t *testing.T, line string) (stdout, stderr string, code int) {
	t.Helper()
	words, err := shellWords(line)
	require.NoError(t, err)
	require.Equal(t, "traytally", words[0])
	t.Chdir(root)
	u, out, errs := testUI()
	code = run(context.Background(), words[1:], u)
	return out.String(), errs.String(), code
}

var sessionBlock = regexp.MustCompile("(?s)```\n\\$ (traytally [^\n]*)\n(.*?)```\n")

// TestReadmeSession runs every session in the README and compares what it
// prints. With -update the README is rewritten.
func TestReadmeSession(t *testing.T) {
	text := readme(t)
	blocks := sessionBlock.FindAllStringSubmatch(text, -1)
	require.NotEmpty(t, blocks)
	for _, b := range blocks {
		t.Run(b[1], func(t *testing.T) {
			stdout, stderr, code := inRoot(t, b[1])
			assert.Equal(t, exitDone, code)
			got := stdout + stderr
			for _, line := range strings.Split(got, "\n") {
				assert.LessOrEqual(t, utf8.RuneCountInString(line), 80, "%q is too wide", line)
			}
			if *update {
				text = strings.Replace(text, b[0], "```\n$ "+b[1]+"\n"+got+"```\n", 1)
				return
			}
			assert.Equal(t, b[2], got)
		})
	}
	if *update {
		require.NoError(t, os.WriteFile(filepath.Join(root, "README.md"), []byte(text), 0o666))
	}
}

// TestReadmePictures draws the two pictures of the README anew: a part of the
// demo tray, and the same part of its overlay.
func TestReadmePictures(t *testing.T) {
	part := image.Rect(320, 290, 900, 770)
	tray := openPicture(t, filepath.Join(root, "testdata", "demo-tray.jpg"))
	dir := t.TempDir()
	u, _, stderr := testUI()
	code := run(context.Background(), []string{"grade", "-q", filepath.Join(root, "testdata", "demo-tray.jpg"), "--out", dir}, u)
	require.Equal(t, exitDone, code, stderr.String())
	overlay := openPicture(t, filepath.Join(dir, "demo-tray-overlay.png"))
	require.Equal(t, tray.Bounds().Dx(), overlay.Bounds().Dx(), "the overlay is as large as the picture")
	for name, src := range map[string]image.Image{"readme-tray.png": tray, "readme-overlay.png": overlay} {
		got := image.NewRGBA(image.Rectangle{Max: part.Size()})
		draw.Draw(got, got.Rect, src, part.Min, draw.Src)
		path := filepath.Join(root, "testdata", name)
		if *update {
			var b bytes.Buffer
			enc := png.Encoder{CompressionLevel: png.BestCompression}
			require.NoError(t, enc.Encode(&b, got))
			require.NoError(t, os.WriteFile(path, b.Bytes(), 0o666))
			noteSum(t, name, b.Bytes())
			continue
		}
		want := openPicture(t, path)
		require.Equal(t, got.Rect, want.Bounds(), name)
		// JPEG decoders may differ by a step or two in a value; outlines that
		// moved by a pixel change many values by much more.
		sum := 0
		for y := range part.Dy() {
			for x := range part.Dx() {
				a := got.RGBAAt(x, y)
				r, g, b, _ := want.At(x, y).RGBA()
				sum += apart(a.R, r) + apart(a.G, g) + apart(a.B, b)
			}
		}
		mean := float64(sum) / float64(3*part.Dx()*part.Dy())
		assert.Less(t, mean, 0.5, "%s: mean difference of a value; look at the new picture, then run with -update", name)
	}
	text := readme(t)
	assert.Contains(t, text, "testdata/readme-tray.png")
	assert.Contains(t, text, "testdata/readme-overlay.png")
}

// noteSum writes the sum of a file into the list in testdata.
func noteSum(t *testing.T, name string, data []byte) {
	t.Helper()
	list := filepath.Join(root, "testdata", "SHA256SUMS")
	old, err := os.ReadFile(list)
	require.NoError(t, err)
	lines := slices.DeleteFunc(strings.Split(strings.TrimSpace(string(old)), "\n"), func(l string) bool {
		return strings.HasSuffix(l, "  "+name)
	})
	lines = append(lines, fmt.Sprintf("%x  %s", sha256.Sum256(data), name))
	slices.SortFunc(lines, func(a, b string) int { return strings.Compare(a[64:], b[64:]) })
	require.NoError(t, os.WriteFile(list, []byte(strings.Join(lines, "\n")+"\n"), 0o666))
}

func apart(a uint8, b uint32) int {
	d := int(a) - int(b>>8)
	return max(d, -d)
}

func openPicture(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	img, _, err := image.Decode(f)
	require.NoError(t, err)
	return img
}

// TestReadmeNamesEveryKey holds the README's list of keys to what is written.
func TestReadmeNamesEveryKey(t *testing.T) {
	_, section, ok := strings.Cut(readme(t), "## The JSON")
	require.True(t, ok)
	section, _, _ = strings.Cut(section, "\n## ")
	named := map[string]bool{}
	for _, m := range regexp.MustCompile("`([a-z0-9_]+)`").FindAllStringSubmatch(section, -1) {
		named[m[1]] = true
	}
	trays := trayDir(t)
	for _, args := range [][]string{
		{filepath.Join(trays, "tray.png"), "--whole-length", "7"},
		{filepath.Join(trays, "blurred.png"), "--whole-from", filepath.Join(trays, "picked.png")},
		{filepath.Join(trays, "no-scale.png"), filepath.Join(trays, "no-scale-2.png")},
	} {
		u, stdout, stderr := testUI()
		code := run(context.Background(), append([]string{"grade", "--json", "-"}, args...), u)
		require.Equal(t, exitDone, code, stderr.String())
		var doc any
		require.NoError(t, json.Unmarshal(stdout.Bytes(), &doc))
		keys := map[string]bool{}
		collect(doc, keys)
		require.Greater(t, len(keys), 50)
		for k := range keys {
			assert.True(t, named[k], "the README does not explain the key %q", k)
		}
	}
}

// The same for what the commands on the register write.
func TestReadmeNamesEveryKeyOfTheRegister(t *testing.T) {
	_, section, ok := strings.Cut(readme(t), "### Of the register")
	require.True(t, ok)
	_, all, _ := strings.Cut(readme(t), "## The JSON")
	all, _, _ = strings.Cut(all, "\n## ")
	require.Contains(t, all, section[:40])
	named := map[string]bool{}
	for _, m := range regexp.MustCompile("`([a-z0-9_]+)`").FindAllStringSubmatch(all, -1) {
		named[m[1]] = true
	}
	scans := tinyScans(t, 5)
	list := "picture,code,lot,party,line,variety,stage,drawn,received,moisture_pct,sample_mass_g,note\n"
	for i := range 4 {
		list += fmt.Sprintf("scan-%02d.png,K-%d,L,P,A,long,s,2026-11-2%d,2026-11-24,%d,20,n\n", i, i, i, 11+i)
	}
	require.NoError(t, os.WriteFile(filepath.Join(scans, listName), []byte(list), 0o666))
	require.NoError(t, os.WriteFile(filepath.Join(scans, "scan-04.png"), []byte("text"), 0o666))
	where := filepath.Join(t.TempDir(), "r.db")
	command := func(want int, args ...string) string {
		u, stdout, stderr := testUI()
		require.Equal(t, want, run(t.Context(), append(args, "--register", where), u), stderr)
		return stdout.String()
	}
	docs := []string{command(exitInput, "batch", scans, "--reports", "none", "--json", "-", "--whole-from", filepath.Join(trayDir(t), "picked.png"))}
	command(exitDone, "log", "amend", "K-1", "--reason", "slip", "--lot", "M")
	docs = append(docs,
		command(exitDone, "log", "list", "--json", "-"), command(exitDone, "log", "show", "K-1", "--json", "-"),
		command(exitDone, "log", "trend", "--by", "line", "--json", "-"), command(exitDone, "log", "recheck", "K-1", "--json", "-"))
	raw := rawRegister(t, where)
	_, err := raw.Exec("INSERT INTO samples VALUES (9, 'NEW', 'k', 'x')")
	require.NoError(t, err)
	docs = append(docs, command(exitDiffers, "log", "verify", "--json", "-"))
	for _, text := range docs {
		var doc map[string]any
		require.NoError(t, json.Unmarshal([]byte(text), &doc))
		if s, ok := doc["settings"].(map[string]any); ok {
			s["measuring"] = nil // the picture side's own, for recheck
		}
		keys := map[string]bool{}
		collect(doc, keys)
		for _, versions := range []string{"traytally", "grading", "opencv", "network"} {
			delete(keys, versions)
		}
		require.Greater(t, len(keys), 5)
		for k := range keys {
			assert.True(t, named[k], "the README does not explain the key %q", k)
		}
	}
}

func collect(v any, keys map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, w := range v {
			keys[k] = true
			collect(w, keys)
		}
	case []any:
		for _, w := range v {
			collect(w, keys)
		}
	}
}

// TestReadmeCommands keeps the two commands of the README within the
// repository.
func TestReadmeCommands(t *testing.T) {
	text := readme(t)
	for _, line := range []string{
		"    sh .ci/setup && go run ./cmd/traytally grade testdata/demo-tray.jpg --out out\n",
		"    bash .ci/run\n",
	} {
		assert.Contains(t, text, line)
	}
	for _, path := range []string{".ci/setup", ".ci/run", "testdata/demo-tray.jpg", "DEVELOPERS.md"} {
		assert.FileExists(t, filepath.Join(root, path))
	}
}

// rawRegister opens the file of a register, past the register's own code.
func rawRegister(t *testing.T, where string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", where)
	require.NoError(t, err)
	t.Cleanup(func() { db.Close() })
	return db
}
