package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/vision/phantom"
)

// gradedFile grades one picture as a user does and reads the JSON.
func gradedFile(t *testing.T, path string) grading.Result {
	t.Helper()
	u, stdout, stderr := testUI()
	require.Equal(t, exitDone, run(t.Context(), []string{"grade", path, "--json", "-"}, u), stderr)
	var doc grading.Result
	require.NoError(t, json.Unmarshal(stdout.Bytes(), &doc))
	return doc
}

// nearestRows pairs places, px, with kernels, the nearest first, within reach.
func nearestRows(places [][2]float64, ks []grading.KernelRow, reach float64) map[int]int {
	type pair struct {
		d    float64
		i, j int
	}
	var all []pair
	for i, p := range places {
		for j := range ks {
			if d := math.Hypot(p[0]-ks[j].X, p[1]-ks[j].Y); d < reach {
				all = append(all, pair{d, i, j})
			}
		}
	}
	slices.SortFunc(all, func(a, b pair) int { return int(math.Copysign(1, a.d-b.d)) })
	pairs, taken := map[int]int{}, map[int]bool{}
	for _, p := range all {
		if _, done := pairs[p.i]; !done && !taken[p.j] {
			pairs[p.i], taken[p.j] = p.j, true
		}
	}
	return pairs
}

// TestRealPhotographsByEye holds what is called broken, and what is flagged, to
// the eye on real photographs, where such lie beside the checkout.
func TestRealPhotographsByEye(t *testing.T) {
	if testing.Short() {
		t.Skip("many pictures")
	}
	truths, err := filepath.Glob(filepath.Join(root, "..", "shared", "real", "*.json"))
	require.NoError(t, err)
	if len(truths) == 0 {
		t.Skip("NOT CHECKED: no pictures in ../shared/real")
	}
	var sure, alike, sound, flagged, foreign int
	for _, path := range truths {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		var truth struct {
			Points []struct {
				X, Y          float64
				Class, Defect string
				Cut           bool
			}
		}
		require.NoError(t, json.Unmarshal(data, &truth))
		pictures, err := filepath.Glob(strings.TrimSuffix(path, ".json") + ".[jp][pn]g")
		require.NoError(t, err)
		require.Len(t, pictures, 1)
		doc := gradedFile(t, pictures[0])
		places := make([][2]float64, len(truth.Points))
		for i, p := range truth.Points {
			places[i] = [2]float64{p.X, p.Y}
		}
		lengths := make([]float64, len(doc.Kernels))
		for i, k := range doc.Kernels {
			lengths[i] = 2 * math.Sqrt(k.AreaPx2/math.Pi) // of a round thing as large
			if k.LengthPx > 0 {
				lengths[i] = k.LengthPx
			}
			if k.LengthMM > 0 {
				lengths[i] = k.LengthMM * doc.PxPerMM
			}
		}
		slices.Sort(lengths)
		pairs := nearestRows(places, doc.Kernels, 0.4*lengths[len(lengths)/2])
		all, broken := 0, 0
		for i, p := range truth.Points {
			if p.Cut || p.Class == "unsure" {
				continue
			}
			all++
			if p.Class == "broken" {
				broken++
			}
			j, ok := pairs[i]
			if !ok {
				continue
			}
			k := doc.Kernels[j]
			if p.Defect == "none" {
				sound++
				if len(k.Flags) > 0 {
					flagged++
				}
				if slices.Contains(k.Flags, "foreign") {
					foreign++
				}
			}
			if k.Class == "untold" {
				continue
			}
			sure++
			if (p.Class == "broken") == (k.Class != "head") {
				alike++
			}
		}
		eye, ours := 100*float64(broken)/float64(all), doc.Broken.CountPct.Value
		t.Logf("%s: broken by count %.1f %%, by eye %.1f %%", filepath.Base(pictures[0]), ours, eye)
		if all > 50 {
			assert.InDelta(t, eye, ours, 2, path) // one kernel is up to 1.6 points
		}
	}
	t.Logf("whole and broken as by eye: %d of %d; %d of %d sound kernels flagged, %d called not rice", alike, sure, flagged, sound, foreign)
	assert.GreaterOrEqual(t, float64(alike)/float64(sure), 0.98)
	assert.LessOrEqual(t, float64(flagged)/float64(sound), 0.03)
	assert.Zero(t, foreign)
}

// TestPiles counts what is lost where kernels lie on others.
func TestPiles(t *testing.T) {
	if testing.Short() {
		t.Skip("large pictures")
	}
	dir := t.TempDir()
	pieces, lost, spare := 0, 0, 0
	for seed := range 3 {
		picture, truthFile := filepath.Join(dir, fmt.Sprint(seed, ".jpg")), filepath.Join(dir, fmt.Sprint(seed, ".json"))
		u, _, stderr := testUI()
		require.Equal(t, exitDone, run(t.Context(), []string{"phantom", "--out", picture, "--truth", truthFile, "--look", "phone", "--pile", "0.25", "--seed", fmt.Sprint(seed + 1)}, u), stderr)
		data, err := os.ReadFile(truthFile)
		require.NoError(t, err)
		var truth phantom.Truth
		require.NoError(t, json.Unmarshal(data, &truth))
		doc := gradedFile(t, picture)
		places := make([][2]float64, len(truth.Kernels))
		for i, k := range truth.Kernels {
			places[i] = [2]float64{k.X, k.Y}
		}
		n := len(nearestRows(places, doc.Kernels, 2*truth.PxPerMM))
		t.Logf("seed %d: %d pieces, %d found, %d of them right", seed+1, len(places), len(doc.Kernels), n)
		pieces, lost, spare = pieces+len(places), lost+len(places)-n, spare+len(doc.Kernels)-n
	}
	t.Logf("of %d pieces %d lost, of %d found %d false", pieces, lost, pieces-lost+spare, spare)
	assert.LessOrEqual(t, float64(lost)/float64(pieces), 0.1)
	assert.LessOrEqual(t, float64(spare)/float64(pieces-lost+spare), 0.1)
}
