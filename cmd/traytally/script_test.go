package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"traytally/vision/phantom"
)

var update = flag.Bool("update", false, "rewrite the expected output in testdata and in the README")

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"traytally": scripted})
}

// TestScript runs testdata/script/*.txtar. Scripts find pictures of trays in
// $TRAYS.
func TestScript(t *testing.T) {
	t.Parallel()
	const scripts = "testdata/script"
	seen := filepath.Join(t.TempDir(), "seen")
	t.Cleanup(func() { // once the scripts, which run at once, have ended
		if !strings.Contains(flag.Lookup("test.run").Value.String(), "/") {
			seenAll(t, seen)
		}
	})
	testscript.Run(t, testscript.Params{
		Dir:                 scripts,
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			name := strings.TrimPrefix(filepath.Base(env.WorkDir), "script-") // as testscript names it
			dir, err := traysOf(filepath.Join(scripts, name+".txtar"))
			if err != nil {
				return err
			}
			env.Setenv("TRAYS", dir)
			env.Setenv("SCHEMAS_SEEN", seen)
			env.Setenv("FORGED", "a.jpg\ntraytally: error: forged")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exitcode":    exitcode,
			"oneline":     oneline,
			"interrupted": interrupted,
		},
	})
}

// exitcode N COMMAND... runs a command and fails unless it exits with N.
func exitcode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exitcode N COMMAND [ARG...]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d\nstdout:\n%s\nstderr:\n%s", got, want, ts.ReadFile("stdout"), ts.ReadFile("stderr"))
	}
}

// interrupted COMMAND... sends SIGINT to a command while it works and fails
// unless it exits with 130 and says so in one line. A signal that comes before
// the program listens, or after its end, is tried again sooner or later.
func interrupted(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: interrupted COMMAND [ARG...]")
	}
	wait := 200 * time.Millisecond
	for range 10 {
		var stdout, stderr bytes.Buffer
		cmd := exec.Command(args[0], args[1:]...)
		cmd.Dir, cmd.Env = ts.MkAbs("."), append(os.Environ(), "PATH="+ts.Getenv("PATH"))
		if path, err := lookPath(ts, args[0]); err == nil {
			cmd.Path, cmd.Err = path, nil
		}
		cmd.Stdout, cmd.Stderr = &stdout, &stderr
		ts.Check(cmd.Start())
		time.Sleep(wait)
		cmd.Process.Signal(os.Interrupt)
		err := cmd.Wait()
		exit, _ := errors.AsType[*exec.ExitError](err)
		switch {
		case err == nil:
			ts.Fatalf("the command ended within %v; give it more to do", wait)
		case exit == nil:
			ts.Fatalf("%v", err)
		case exit.ExitCode() == exitInterrupted:
			if stdout.Len() > 0 || stderr.String() != "traytally: error: interrupted; nothing was written\n" {
				ts.Fatalf("stdout:\n%s\nstderr:\n%s", &stdout, &stderr)
			}
			return
		case exit.ExitCode() >= 0:
			ts.Fatalf("exit code %d\n%s", exit.ExitCode(), &stderr)
		}
		wait += wait / 2 // killed before it listened
	}
	ts.Fatalf("the program never listened to the signal")
}

// lookPath finds a command on the script's PATH.
func lookPath(ts *testscript.TestScript, name string) (string, error) {
	for _, dir := range filepath.SplitList(ts.Getenv("PATH")) {
		path := filepath.Join(dir, name)
		if info, err := os.Stat(path); err == nil && info.Mode()&0o111 != 0 {
			return path, nil
		}
	}
	return "", exec.ErrNotFound
}

// oneline N fails unless the last command said N lines on stderr.
func oneline(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: oneline N")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	if got := bytes.Count([]byte(ts.ReadFile("stderr")), []byte("\n")); got != want {
		ts.Fatalf("%d lines on stderr, want %d:\n%s", got, want, ts.ReadFile("stderr"))
	}
}

// A trayPicture is drawn when it is asked for, and states so many dots per inch.
type trayPicture struct {
	dpi  float64
	draw func() *image.RGBA
}

// trays are the files that the scripts work on, all in one directory, and how to
// get the path of each: what is asked for first is drawn and written then.
var trays = sync.OnceValues(func() (map[string]func() (string, error), error) {
	dir, err := os.MkdirTemp("", "traytally-trays-")
	files := map[string]func() (string, error){}
	file := func(name string, content func() ([]byte, error)) {
		files[name] = sync.OnceValues(func() (string, error) {
			path := filepath.Join(dir, name)
			b, err := content()
			return path, errors.Join(err, os.WriteFile(path, b, 0o666))
		})
	}
	for _, pictures := range []map[string]trayPicture{loosePictures(), cardPictures()} {
		for name, p := range pictures {
			file(name, func() ([]byte, error) {
				var b bytes.Buffer
				if p.dpi == 0 { // the standard encoder writes no resolution
					err := png.Encode(&b, p.draw())
					return b.Bytes(), err
				}
				err := phantom.Encode(&b, name, p.draw(), p.dpi, 0)
				return b.Bytes(), err
			})
		}
	}
	half := func(of string) func() ([]byte, error) {
		return func() ([]byte, error) {
			path, err := files[of]()
			if err != nil {
				return nil, err
			}
			b, err := os.ReadFile(path)
			return b[:len(b)/2], err
		}
	}
	these := func(b []byte) func() ([]byte, error) { return func() ([]byte, error) { return b, nil } }
	file("empty.jpg", these(nil))
	file("notes.jpg", these([]byte("moisture 12.8 %, drawn at the mill gate\n")))
	file("truncated.png", half("no-scale.png"))
	file("truncated.jpg", half("second.jpg"))
	file("huge.png", these(hugePNG()))
	return files, err
})

// tray returns the path of one of the trays.
func tray(t testing.TB, name string) string {
	t.Helper()
	files, err := trays()
	require.NoError(t, err)
	require.Contains(t, files, name)
	path, err := files[name]()
	require.NoError(t, err)
	return path
}

var trayInScript = regexp.MustCompile(`\$TRAYS/([\w.-]+)`)

// traysOf draws what a script names and returns the directory.
func traysOf(script string) (dir string, err error) {
	text, err := os.ReadFile(script)
	if err != nil {
		return "", err
	}
	files, err := trays()
	if err != nil {
		return "", err
	}
	names := []string{"notes.jpg"} // so that the directory is known
	for _, found := range trayInScript.FindAllStringSubmatch(string(text), -1) {
		names = append(names, found[1])
	}
	for _, name := range names {
		if files[name] == nil {
			return "", fmt.Errorf("%s: there is no $TRAYS/%s", script, name)
		}
		path, err := files[name]()
		if err != nil {
			return "", err
		}
		dir = filepath.Dir(path)
	}
	return dir, nil
}

// smallTray is a loose tray that is quick to measure.
func smallTray(seed uint64) phantom.Params {
	p := phantom.DefaultParams()
	p.Seed, p.Count = seed, 130
	return p
}

// drawn draws a phantom once, whoever asks.
func drawn(p phantom.Params) func() *image.RGBA {
	return sync.OnceValue(func() *image.RGBA {
		img, _, err := phantom.Draw(p)
		if err != nil {
			panic(err)
		}
		return img
	})
}

// loosePictures are trays of loose kernels, and what was made of the first.
func loosePictures() map[string]trayPicture {
	first := drawn(smallTray(1))
	picked, blurred, small := smallTray(3), smallTray(4), smallTray(5)
	picked.BrokenShare = 0
	blurred.BlurPx = 6
	small.DPI, small.Kind = 100, phantom.Slender
	coin := func() *image.RGBA { // of 20 mm
		img := wider(first(), 700)
		disc(img, 350, 300, 20)
		return img
	}
	return map[string]trayPicture{
		"tray.png":         {300, first},
		"second.jpg":       {300, drawn(smallTray(2))},
		"no-scale.png":     {0, first},
		"no-scale-2.png":   {0, drawn(smallTray(6))},
		"coin.png":         {placeholderDPI, coin},
		"picked.png":       {300, drawn(picked)},
		"blurred.png":      {300, drawn(blurred)},
		"tiny-kernels.png": {100, drawn(small)},
		"coin-and-lid.png": {placeholderDPI, func() *image.RGBA { // the lid of 22 mm
			img := coin()
			disc(img, 350, 600, 22)
			return img
		}},
		"burnt.png": {300, func() *image.RGBA {
			return recolour(first(), func(v uint8) uint8 { return uint8(min(255, 2*int(v))) })
		}},
		"light-tray.png": {300, func() *image.RGBA { return recolour(first(), func(v uint8) uint8 { return 255 - v }) }},
		"heap.png":       {300, func() *image.RGBA { return heap(first()) }},
		"blank.png": {300, func() *image.RGBA {
			img := image.NewRGBA(image.Rect(0, 0, 900, 700))
			r := rand.New(rand.NewPCG(1, 2))
			for i := 0; i < len(img.Pix); i += 4 {
				v := uint8(20 + r.IntN(5))
				copy(img.Pix[i:], []uint8{v, v, v, 255})
			}
			return img
		}},
		"one-pixel.png": {300, func() *image.RGBA { return image.NewRGBA(image.Rect(0, 0, 1, 1)) }},
	}
}

func recolour(src *image.RGBA, f func(uint8) uint8) *image.RGBA {
	out := image.NewRGBA(src.Rect)
	for i, v := range src.Pix {
		if i%4 != 3 {
			v = f(v)
		}
		out.Pix[i] = v
	}
	return out
}

// wider is a tray with so much more of its ground to the right, px.
func wider(src *image.RGBA, by int) *image.RGBA {
	w := src.Rect.Dx()
	out := image.NewRGBA(image.Rect(0, 0, w+by, src.Rect.Dy()))
	for y := range src.Rect.Dy() {
		for x := range w + by {
			if x < w {
				out.SetRGBA(x, y, src.RGBAAt(x, y))
			} else {
				out.SetRGBA(x, y, src.RGBAAt(w-1-(x-w)%8, y))
			}
		}
	}
	return out
}

// disc lays a grey disc of so many mm, at 300 dpi, on a tray; x is counted from
// the right, px.
func disc(img *image.RGBA, x, y, mm float64) {
	x = float64(img.Rect.Dx()) - x
	for j := range img.Rect.Dy() {
		for i := range img.Rect.Dx() {
			in := min(1, max(0, mm/2*300/25.4+0.5-math.Hypot(float64(i)-x, float64(j)-y))) // share of the pixel
			c := img.RGBAAt(i, j)
			mix := func(v uint8) uint8 { return uint8(in*120 + (1-in)*float64(v)) }
			img.SetRGBA(i, j, color.RGBA{mix(c.R), mix(c.G), mix(c.B), 255})
		}
	}
}

// heap throws the kernels of a tray upon each other in the middle of it.
func heap(src *image.RGBA) *image.RGBA {
	w, h := src.Rect.Dx(), src.Rect.Dy()
	out := recolour(src, func(uint8) uint8 { return 20 })
	r := rand.New(rand.NewPCG(3, 4))
	for range 40 {
		dx, dy := r.IntN(w), r.IntN(h)
		for y := range h {
			for x := range w {
				u, v := float64(x-w/2)/float64(w/4), float64(y-h/2)/float64(h/4)
				if u*u+v*v > 1 {
					continue
				}
				c := src.RGBAAt((x+dx)%w, (y+dy)%h)
				if c.R > out.RGBAAt(x, y).R {
					out.SetRGBA(x, y, color.RGBA{c.R, c.G, c.B, 255})
				}
			}
		}
	}
	return out
}

// hugePNG is a PNG file whose header says 60000 × 60000 pixels.
func hugePNG() []byte {
	b := []byte("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		b = binary.BigEndian.AppendUint32(b, uint32(len(data)))
		body := append([]byte(kind), data...)
		b = append(b, body...)
		b = binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(body))
	}
	ihdr := binary.BigEndian.AppendUint32(nil, 60000)
	ihdr = binary.BigEndian.AppendUint32(ihdr, 60000)
	chunk("IHDR", append(ihdr, 8, 2, 0, 0, 0))
	chunk("IDAT", []byte{0x78, 0x9c, 0x03, 0x00, 0x00, 0x00, 0x00, 0x01})
	chunk("IEND", nil)
	return b
}
