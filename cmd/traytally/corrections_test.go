package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// Kernels that touch and were parted are joined along their dividing line, and
// two that are joined are cut there again: by a person's line the pieces have
// the lengths that they were found with, tips that the picture side makes up for
// aside.
func TestJoinAndCutTouching(t *testing.T) {
	p := phantom.DefaultParams()
	p.Seed, p.Count = 81, 150
	p.Crowd(phantom.Touching)
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "tray.png", img, p.DPI, 0))
	pic, err := vision.Decode("tray.png", b.Bytes(), vision.OpenOptions{})
	require.NoError(t, err)
	defer pic.Close()
	tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
	require.NoError(t, err)

	pairs, joined, cut := 0, 0, 0
	pieces, alike := 0, 0
	for i := range tray.Kernels {
		a := &tray.Kernels[i]
		for j := i + 1; j < len(tray.Kernels); j++ {
			b := &tray.Kernels[j]
			if a.Contacts == 0 || b.Contacts == 0 || math.Hypot(a.X-b.X, a.Y-b.Y) > (a.LengthPx+b.LengthPx)/2 {
				continue
			}
			from, to, n := shared(a.Outline, b.Outline)
			if n < 2 || from.Dist(to) < 5 { // a line, no corner
				continue
			}
			pairs++
			join := correct.Correction{Do: correct.Join, At: inner(a), With: inner(b)}
			trays, _, err := correct.Apply([]kernel.Tray{*tray}, []correct.Correction{join}, vision.PieceOf)
			if err != nil {
				t.Log(err)
				continue
			}
			one := &trays[0].Kernels[len(trays[0].Kernels)-1]
			assert.InEpsilon(t, a.AreaPx2+b.AreaPx2, one.AreaPx2, 0.03)
			joined++

			const out = 60 // px: a person draws it well across
			d := to.Sub(from)
			l := math.Hypot(d.X, d.Y)
			line := []correct.Place{{from.X - out*d.X/l, from.Y - out*d.Y/l}, {to.X + out*d.X/l, to.Y + out*d.Y/l}}
			two, _, err := correct.Apply([]kernel.Tray{*tray}, []correct.Correction{join, {Do: correct.Cut, At: inner(a), Line: line}}, vision.PieceOf)
			if err != nil {
				t.Log(err)
				continue
			}
			cut++
			for _, k := range two[0].Kernels[len(two[0].Kernels)-2:] {
				nearer := a
				if math.Hypot(k.X-b.X, k.Y-b.Y) < math.Hypot(k.X-a.X, k.Y-a.Y) {
					nearer = b
				}
				if pieces++; math.Abs(k.LengthPx-nearer.LengthPx) < 0.1*tray.PxPerMM {
					alike++
				}
			}
		}
	}
	t.Logf("%d pairs that touch, %d joined, %d cut again; %d of %d pieces as long as they were found, to 0.1 mm", pairs, joined, cut, alike, pieces)
	require.Greater(t, pairs, 15)
	assert.GreaterOrEqual(t, joined, pairs*9/10)
	assert.GreaterOrEqual(t, cut, joined*9/10)
	assert.GreaterOrEqual(t, alike, pieces*8/10, "a line that runs on may take the edge of the other one along")
}

// shared returns the ends of the line along which two outlines run side by
// side, and how many corners lie there.
func shared(a, b []kernel.Point) (from, to kernel.Point, n int) {
	for _, p := range a {
		for _, q := range b {
			if p.Dist(q) > 1 {
				continue
			}
			if n++; n == 1 {
				from, to = p, p
			}
			if p.Dist(from) > to.Dist(from) {
				to = p
			}
			break
		}
	}
	for _, p := range a { // from may have been in the middle of it
		for _, q := range b {
			if p.Dist(q) <= 1 && p.Dist(to) > from.Dist(to) {
				from = p
			}
		}
	}
	return from, to, n
}

// inner is a place in a kernel.
func inner(k *kernel.Kernel) correct.Place { return correct.Place{k.X, k.Y} }

// Kernels that people looked at teach like those sorted into folders: from the
// flags that they left, the limits come out as from folders of the same kernels.
func TestTuneFromCorrections(t *testing.T) {
	dir := t.TempDir()
	scans := filepath.Join(dir, "scans")
	require.NoError(t, os.Mkdir(scans, 0o777))
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.Chalky = 91, 120, 0.25
	img, _, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "tray.png", img, p.DPI, 0))
	require.NoError(t, os.WriteFile(filepath.Join(scans, "tray.png"), b.Bytes(), 0o666))
	where := filepath.Join(dir, "r.db")
	u, _, stderr := testUI()
	require.Zero(t, run(t.Context(), []string{"batch", scans, "--register", where, "--reports", "none", "-q"}, u), stderr)
	g, err := samples.Open(t.Context(), where, samples.OpenOptions{})
	require.NoError(t, err)
	defer g.Close()
	rec, err := g.Get(t.Context(), "S"+time.Now().UTC().Format("2006")+"-0001", 0)
	require.NoError(t, err)
	trays, err := rec.Trays()
	require.NoError(t, err)
	want := map[kernel.Flag]int{}
	var list []correct.Correction
	for i := range trays[0].Kernels {
		k := &trays[0].Kernels[i]
		c := correct.Correction{Do: correct.Right, At: correct.Inside(k.Outline)}
		switch {
		case i == 0: // both flags: it is in no class
			list = append(list, correct.Correction{Do: correct.Flag, Flag: kernel.Yellow, At: c.At}, correct.Correction{Do: correct.Flag, Flag: kernel.Red, At: c.At})
		case i == 1: // nothing is there
			c.Do = correct.Gone
			list = append(list, c)
		case i%10 == 2: // nobody looked
		case k.Has(kernel.Chalky):
			want[kernel.Chalky]++
			list = append(list, c)
		case len(k.Flags) == 0:
			want[grading.Accept]++
			list = append(list, c)
		}
	}
	_, err = g.Correct(t.Context(), rec.Code, "checked by hand", 1, list, vision.PieceOf)
	require.NoError(t, err)
	sorted, err := g.Sorted(t.Context(), samples.Query{})
	require.NoError(t, err)
	got := map[kernel.Flag]int{}
	for _, s := range sorted {
		got[s.Class]++
	}
	assert.Equal(t, want, got)
	require.Greater(t, want[kernel.Chalky], 15)

	u, stdout, stderr := testUI()
	out := filepath.Join(dir, "ours.yaml")
	require.Zero(t, run(t.Context(), []string{"tune", "--corrections", "--register", where, "--out", out}, u), stderr)
	assert.Contains(t, stdout.String(), fmt.Sprintf("%d kernels sorted by hand", len(sorted)))
	assert.FileExists(t, out)
	u, _, stderr = testUI()
	assert.Equal(t, exitInput, run(t.Context(), []string{"tune", "--corrections", "--register", where, "--lot", "none of them"}, u))
	assert.Contains(t, stderr.String(), "holds no kernel of these samples that somebody looked at")
}
