package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
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

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
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

// toldFiles returns the files that explain the program: the README and the topics
// of help.
func toldFiles(t *testing.T) []string {
	t.Helper()
	topics, err := filepath.Glob(filepath.Join("help", "*.md"))
	require.NoError(t, err)
	require.Len(t, topics, len(helpTopics), "a file for each topic and no other")
	files := []string{filepath.Join(root, "README.md")}
	for _, f := range topics {
		files = append(files, f)
	}
	for i := range files {
		files[i], err = filepath.Abs(files[i])
		require.NoError(t, err)
	}
	return files
}

// TestSessions runs every session in the README and in the topics of help and
// compares what it prints. With -update the files are rewritten.
func TestSessions(t *testing.T) {
	sessions := 0
	for _, file := range toldFiles(t) {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		text := string(data)
		for _, b := range sessionBlock.FindAllStringSubmatch(text, -1) {
			sessions++
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
			require.NoError(t, os.WriteFile(file, []byte(text), 0o666))
		}
	}
	assert.Equal(t, 2, sessions)
}

// TestToldIsThere: what the README and the topics name, commands, flags and
// tests, exists; the README is short, and a topic fits a terminal.
func TestToldIsThere(t *testing.T) {
	commands, flags := map[string]bool{}, map[string]bool{}
	u, _, _ := testUI()
	each(newRoot(u), func(cmd *cobra.Command) {
		commands[strings.TrimPrefix(cmd.CommandPath(), "traytally ")] = true
		cmd.InitDefaultHelpFlag()
		cmd.Flags().VisitAll(func(f *pflag.Flag) { flags[f.Name] = true })
	})
	for _, file := range toldFiles(t) {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		text := string(data)
		if lines := strings.Count(text, "\n"); strings.HasSuffix(file, "README.md") {
			assert.LessOrEqual(t, lines, 200, "lines of the README")
		} else {
			for line := range strings.Lines(text) {
				if !strings.HasPrefix(line, "$ ") {
					assert.LessOrEqual(t, utf8.RuneCountInString(line), 80+1, "%s: %q is too wide", file, line)
				}
			}
		}
		for _, m := range regexp.MustCompile("traytally ([a-z]{3,})").FindAllStringSubmatch(text, -1) {
			if !slices.Contains([]string{"takes", "has", "tells"}, m[1]) {
				assert.True(t, commands[m[1]], "%s names a command %q", file, m[0])
			}
		}
		for _, m := range regexp.MustCompile("[ (`]--([a-z][a-z-]+)").FindAllStringSubmatch(text, -1) {
			assert.True(t, flags[m[1]], "%s names a flag --%s", file, m[1])
		}
		for _, m := range regexp.MustCompile("go test [^`\n)]*-(?:run|bench) '?([^ ']*)'?[^`\n)]*?((?: \\./[a-z/]+)+)").FindAllStringSubmatch(text, -1) {
			pattern := strings.ReplaceAll(m[1], "\\|", "|") // as a table has it
			if pattern == "xxx" {
				pattern = regexp.MustCompile("-bench ([A-Z][a-z]*)").FindStringSubmatch(m[0])[1]
			}
			for _, dir := range strings.Fields(m[2]) {
				assert.True(t, hasTest(t, filepath.Join(root, dir), pattern), "%s: %s: no such test", file, m[0])
			}
		}
	}
}

// TestHelpFits: no help is wider than a terminal.
func TestHelpFits(t *testing.T) {
	u, _, _ := testUI()
	each(newRoot(u), func(cmd *cobra.Command) {
		u, stdout, stderr := testUI()
		args := append(strings.Fields(cmd.CommandPath())[1:], "--help")
		require.Equal(t, exitDone, run(t.Context(), args, u), stderr)
		for line := range strings.Lines(stdout.String()) {
			if !strings.HasPrefix(line, "  traytally ") { // an example, in one line
				assert.LessOrEqual(t, utf8.RuneCountInString(line), 80+1, "%s: %q", cmd.CommandPath(), line)
			}
		}
	})
}

// hasTest reports whether a package has a test or benchmark of that name.
func hasTest(t *testing.T, dir, pattern string) bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*_test.go"))
	require.NoError(t, err)
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`(?m)^func ((?:Test|Benchmark)\w+)\(`).FindAllSubmatch(data, -1) {
			if regexp.MustCompile(pattern).Match(m[1]) {
				return true
			}
		}
	}
	return false
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
