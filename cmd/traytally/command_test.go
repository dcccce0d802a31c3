package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// testUI returns a ui that speaks into two buffers.
func testUI() (u *ui, stdout, stderr *bytes.Buffer) {
	stdout, stderr = &bytes.Buffer{}, &bytes.Buffer{}
	return &ui{in: strings.NewReader(""), out: stdout, err: stderr}, stdout, stderr
}

// TestCommands checks what every command owes its user.
func TestCommands(t *testing.T) {
	u, _, _ := testUI()
	root := newRoot(u)
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	each(root, func(cmd *cobra.Command) {
		path := cmd.CommandPath()
		cobras := strings.HasPrefix(path, "traytally help") || strings.HasPrefix(path, "traytally completion")
		t.Run(strings.ReplaceAll(path, " ", "_"), func(t *testing.T) {
			assert.NotEmpty(t, cmd.Short)
			assert.NotEmpty(t, cmd.Long)
			if cobras {
				return
			}
			assert.NotEmpty(t, cmd.Example)
			assert.False(t, strings.HasSuffix(cmd.Short, "."), "Short ends with a full stop")
			for _, line := range strings.Split(cmd.Long, "\n") {
				assert.LessOrEqual(t, len([]rune(line)), 80, "%q is too wide", line)
			}
			if cmd.HasParent() && !cmd.Parent().HasParent() {
				assert.NotEmpty(t, cmd.GroupID, "in no group")
			}
			assert.NotNil(t, cmd.Args, "says nothing about arguments")

			// Shorthands: cobra panics on a duplicate when both sets are merged.
			assert.NotPanics(t, func() { cmd.InheritedFlags() })
			seen := map[string]string{}
			cmd.Flags().VisitAll(func(f *pflag.Flag) {
				assert.NotEmpty(t, f.Usage, "--%s has no description", f.Name)
				if f.Shorthand != "" {
					assert.Empty(t, seen[f.Shorthand], "-%s is taken", f.Shorthand)
					seen[f.Shorthand] = f.Name
				}
			})

			// Every line of the example names a command and flags that exist.
			for _, line := range strings.Split(cmd.Example, "\n") {
				line = strings.TrimSpace(line)
				if !strings.HasPrefix(line, "traytally") {
					continue
				}
				words, err := shellWords(line)
				require.NoError(t, err)
				found, rest, err := newRoot(u).Find(words[1:])
				require.NoError(t, err, line)
				assert.NoError(t, found.ParseFlags(rest), line)
			}
		})
	})
}

// TestManuals: every file of help/commands is the manual of a command or a part
// of one, and the parts of each are all there.
func TestManuals(t *testing.T) {
	u, _, _ := testUI()
	used := map[string]bool{"topics": true, "documents": true}
	each(newRoot(u), func(cmd *cobra.Command) {
		_, below, _ := strings.Cut(cmd.CommandPath(), " ")
		used[cmp.Or(strings.ReplaceAll(below, " ", "-"), "traytally")] = true
	})
	files, err := manuals.ReadDir("help/commands")
	require.NoError(t, err)
	part := regexp.MustCompile(`{{(.*?)}}`)
	for _, f := range files {
		data, err := manuals.ReadFile("help/commands/" + f.Name())
		require.NoError(t, err)
		for _, p := range part.FindAllStringSubmatch(string(data), -1) {
			used[p[1]] = true
		}
	}
	for _, f := range files {
		name := strings.TrimSuffix(f.Name(), ".txt")
		assert.True(t, used[name], "%s is nobody's", f.Name())
		require.NotPanics(t, func() { manual(name) }, f.Name())
		assert.NotContains(t, manual(name), "}}", f.Name())
	}
}

// shellWords splits a line as a shell would, with double quotes only.
func shellWords(line string) ([]string, error) {
	var words []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			words = append(words, part)
		} else {
			words = append(words, strings.Fields(part)...)
		}
	}
	if strings.Count(line, `"`)%2 != 0 {
		return nil, fmt.Errorf("%s: a quotation mark is missing", line)
	}
	return words, nil
}

// TestExitCodes: codes rise, and every help lists them.
func TestExitCodes(t *testing.T) {
	u, stdout, _ := testUI()
	require.Equal(t, exitDone, run(t.Context(), []string{"help"}, u))
	last := -1
	for _, c := range exitCodes {
		assert.Greater(t, c.code, last)
		last = c.code
		assert.Contains(t, stdout.String(), fmt.Sprintf("  %3d  %s\n", c.code, c.text))
	}
}

func TestPanicIsAnInternalError(t *testing.T) {
	u, stdout, stderr := testUI()
	root := &cobra.Command{
		Use:           "traytally",
		RunE:          func(*cobra.Command, []string) error { panic("boom") },
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	code := runRoot(context.Background(), root, []string{}, u)
	assert.Equal(t, exitInternal, code)
	assert.Empty(t, stdout.String())
	assert.Contains(t, stderr.String(), "traytally: error: a fault of the program: boom\n")
}

// TestInterruptedWhileMeasuring cancels at the first sign of progress.
func TestInterruptedWhileMeasuring(t *testing.T) {
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(context.Background())
	u, stdout, stderr := testUI()
	u.lively = true
	u.err = writerFunc(func(b []byte) (int, error) {
		cancel()
		return stderr.Write(b)
	})
	code := run(ctx, []string{
		"grade", tray(t, "tray.png"), tray(t, "second.jpg"),
		"--out", filepath.Join(dir, "out"), "--json", filepath.Join(dir, "result.json"),
	}, u)
	assert.Equal(t, exitInterrupted, code)
	assert.Empty(t, stdout.String())
	assert.Contains(t, stderr.String(), "measuring ")
	assert.True(t, strings.HasSuffix(stderr.String(), "\r\x1b[Ktraytally: error: interrupted; nothing was written\n"), stderr.String())
	assert.Empty(t, listing(t, dir))
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

// TestStdoutThatFails expects an error, not silence, when the result cannot be
// printed.
func TestStdoutThatFails(t *testing.T) {
	u, _, stderr := testUI()
	u.out = writerFunc(func([]byte) (int, error) { return 0, os.ErrClosed })
	code := run(context.Background(), []string{"grade", tray(t, "tray.png")}, u)
	assert.Equal(t, exitOutput, code)
	assert.Contains(t, stderr.String(), "traytally: error: standard output: cannot be written")
}
