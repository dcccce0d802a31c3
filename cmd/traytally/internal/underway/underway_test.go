package underway

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// begun starts a process that measures a picture for ever, and kills it.
func begun(t *testing.T, dir, picture string, whileAlive func()) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run", "^TestMeasuring$")
	cmd.Env = append(os.Environ(), "UNDERWAY_DIR="+dir, "UNDERWAY_PICTURE="+picture)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "begun\n", line)
	whileAlive()
	require.NoError(t, cmd.Process.Kill())
	assert.Error(t, cmd.Wait())
}

// TestMeasuring is the process of begun.
func TestMeasuring(t *testing.T) {
	dir := os.Getenv("UNDERWAY_DIR")
	if dir == "" {
		t.Skip("run by others")
	}
	_, err := Dir(dir).Begin(os.Getenv("UNDERWAY_PICTURE"))
	require.NoError(t, err)
	os.Stdout.WriteString("begun\n")
	time.Sleep(time.Minute)
}

func TestKilledRunsAreCounted(t *testing.T) {
	dir, picture := t.TempDir(), filepath.Join(t.TempDir(), "a.jpg")
	require.NoError(t, os.WriteFile(picture, []byte("picture"), 0o644))
	d := Dir(dir)
	assert.Zero(t, d.Times(picture))
	for n := 1; n <= Enough; n++ {
		begun(t, dir, picture, func() {
			assert.Zero(t, d.Times(picture), "its process is alive")
		})
		assert.Equal(t, n, d.Times(picture))
	}
	end, err := d.Begin(picture)
	require.NoError(t, err)
	end()
	assert.Zero(t, d.Times(picture), "measured in the end")
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestChangedPictureIsAnother(t *testing.T) {
	dir, picture := t.TempDir(), filepath.Join(t.TempDir(), "a.jpg")
	require.NoError(t, os.WriteFile(picture, []byte("picture"), 0o644))
	begun(t, dir, picture, func() {})
	require.Equal(t, 1, Dir(dir).Times(picture))
	require.NoError(t, os.WriteFile(picture, []byte("scanned again"), 0o644))
	assert.Zero(t, Dir(dir).Times(picture))
}

// A note that was cut short as it was written still counts.
func TestCutNote(t *testing.T) {
	dir, picture := t.TempDir(), filepath.Join(t.TempDir(), "a.jpg")
	require.NoError(t, os.WriteFile(picture, nil, 0o644))
	name, err := Dir(dir).file(picture)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(name, nil, 0o644))
	assert.Equal(t, 1, Dir(dir).Times(picture))
	assert.Zero(t, Dir(dir).Times(filepath.Join(dir, "none.jpg")))
	_, err = Dir(dir).Begin(filepath.Join(dir, "none.jpg"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}
