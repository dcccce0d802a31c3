package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// topLevel is all that the top of the repository holds beside dot files.
var topLevel = map[string]bool{
	"cmd": true, "vision": true, "grading": true, "samples": true, "testdata": true,
	"go.mod": true, "go.sum": true, "README.md": true, "DEVELOPERS.md": true,
}

func TestTopLevel(t *testing.T) {
	out, err := exec.Command("git", "-C", "../..", "ls-files", "--cached", "--others", "--exclude-standard").Output()
	var names []string
	if err == nil {
		for _, path := range strings.Fields(string(out)) {
			name, _, _ := strings.Cut(path, "/")
			names = append(names, name)
		}
	} else { // no git here, as in a source archive
		entries, err := os.ReadDir("../..")
		require.NoError(t, err)
		for _, e := range entries {
			names = append(names, e.Name())
		}
	}
	require.NotEmpty(t, names)
	for _, name := range names {
		assert.True(t, topLevel[name] || strings.HasPrefix(name, "."), "%s does not belong at the top level", name)
	}
}

// TestRooms holds the rooms to what each may import.
func TestRooms(t *testing.T) {
	for _, room := range []struct {
		name    string
		pattern string
		never   []string // import paths and what lies below them
		except  []string
	}{
		{"kernel", "../../vision/kernel", []string{"gocv.io", "traytally", "github.com", "golang.org", "gonum.org"}, []string{"traytally/vision/kernel"}},
		{"grading", "../../grading/...", []string{"gocv.io", "traytally/vision", "traytally/samples", "traytally/cmd"}, []string{"traytally/vision/kernel", "traytally/vision/kernel/fault"}},
		{"samples", "../../samples/...", []string{"gocv.io", "traytally/vision", "traytally/cmd"}, []string{"traytally/vision/kernel", "traytally/vision/kernel/fault"}},
		{"phantom", "../../vision/phantom", []string{"traytally/vision/internal/cv", "traytally/vision/internal/codec", "traytally/grading", "traytally/samples"}, nil},
		{"pipeline", "./internal/pipeline", []string{"github.com/spf13", "golang.org/x/term"}, nil},
		{"vision", "../../vision", []string{"traytally/grading", "traytally/samples", "traytally/cmd", "traytally/vision/phantom"}, nil},
	} {
		t.Run(room.name, func(t *testing.T) {
			cmd := exec.Command("go", "list", "-deps", room.pattern)
			cmd.Stderr = os.Stderr
			out, err := cmd.Output()
			require.NoError(t, err)
			deps := strings.Fields(string(out))
			if room.name != "samples" {
				require.NotEmpty(t, deps)
			}
			for _, dep := range deps {
				for _, never := range room.never {
					if dep == never || strings.HasPrefix(dep, never+"/") {
						assert.Contains(t, room.except, dep, "%s imports %s", room.name, dep)
					}
				}
			}
		})
	}
}

// The OpenCV binding links nearly all of OpenCV, so it serves tests alone.
func TestProgramWithoutBinding(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	require.NoError(t, err)
	assert.Contains(t, string(out), "traytally/vision/internal/cv\n")
	assert.NotContains(t, string(out), "gocv.io")
}
