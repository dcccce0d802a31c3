package grading

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// simple makes a kernel of the given length and width in mm at 10 px/mm, box
// shaped, with grown tips.
func simple(id int, length, width float64, flags ...kernel.Flag) kernel.Kernel {
	const s = 10
	return kernel.Kernel{
		ID: id, X: 10 * float64(id), Y: 5,
		LengthPx: length * s, AxisLengthPx: length * s, WidthPx: width * s,
		AreaPx2: length * width * s * s, VolumePx3: length * width * width * s * s * s,
		LengthSDPx: 0.1, Solidity: 1, Ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact},
		Lab: [3]float64{70, 0.5, 12}, Flags: flags,
	}
}

// tray of 200 whole kernels of 7 × 2 mm and, of each, ten of 5 (large), 3
// (medium) and 1.5 × 2 (small), and ten of 1.5 × 1 mm (chips).
func simpleTray() kernel.Tray {
	t := kernel.Tray{Picture: "simple.png", WidthPx: 3000, HeightPx: 2000, PxPerMM: 10, ScaleSource: "--dpi 254"}
	add := func(n int, length, width float64) {
		for range n {
			k := simple(len(t.Kernels)+1, length, width)
			if length < 7 {
				k.Ends[0] = kernel.EndBroken
			}
			t.Kernels = append(t.Kernels, k)
		}
	}
	add(200, 7, 2)
	add(10, 5, 2)
	add(10, 3, 2)
	add(10, 1.5, 2)
	add(10, 1.5, 1)
	return t
}

func share(t *testing.T, r *Result, name string) ShareResult {
	t.Helper()
	for _, s := range r.Shares {
		if s.Name == name {
			return s
		}
	}
	require.Fail(t, "no share", name)
	return ShareResult{}
}

// TestAnalyseByHand: volumes 200·28 = 5600 whole; 10·20 large, 10·12 medium,
// 10·6 small, 10·1.5 chips; 5995 together, of them 395 broken.
func TestAnalyseByHand(t *testing.T) {
	r, err := Analyse([]kernel.Tray{simpleTray()}, DefaultParams())
	require.NoError(t, err)
	assert.InDelta(t, 7, r.ReferenceLengthMM, 0.001)
	assert.InDelta(t, 70, r.ReferenceLengthPx, 0.01)
	assert.Equal(t, 10.0, r.PxPerMM)
	assert.InDelta(t, 200, r.Reference.N, 1)
	assert.InDelta(t, 100*395.0/5995, r.Broken.MassPct.Value, 1e-4)
	assert.InDelta(t, 100*40.0/240, r.Broken.CountPct.Value, 1e-4)
	assert.Equal(t, 40, r.Broken.Found)
	for name, volume := range map[Class]float64{Head: 5600, LargeBroken: 200, MediumBroken: 120, SmallBroken: 60, Chip: 15} {
		got := share(t, r, string(name))
		assert.InDelta(t, 100*volume/5995, got.MassPct.Value, 1e-4, name)
		assert.Equal(t, KindClass, got.Kind)
	}
	assert.Equal(t, "10 % broken", r.TradeClass.Name)
	require.Len(t, r.Kernels, 240)
	assert.Equal(t, KernelRow{
		ID: 201, Picture: "simple.png", X: 2010, Y: 5, LengthMM: 5, WidthMM: 2, AreaMM2: 10, VolumeMM3: 20,
		LengthRatio: r.Kernels[200].LengthRatio, Class: LargeBroken, Ends: [2]string{"broken", "intact"},
		Tips: [2]string{"broken", "intact"}, FractureChance: [2]float64{0.95, 0.05},
		Flags: []string{}, Lab: [3]float64{70, 0.5, 12},
	}, r.Kernels[200])
	assert.InDelta(t, 5.0/7, r.Kernels[200].LengthRatio, 1e-4)
	assert.Empty(t, r.Warnings)
	assert.Empty(t, r.NotAssessed)
}

// TestAnalyseWithoutScale: the same in pixels, without chips.
func TestAnalyseWithoutScale(t *testing.T) {
	tray := simpleTray()
	scaled, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	tray.PxPerMM = 0
	r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	assert.Zero(t, r.ReferenceLengthMM)
	assert.InDelta(t, 70, r.ReferenceLengthPx, 0.01)
	assert.Equal(t, scaled.Broken.MassPct, r.Broken.MassPct)
	assert.Equal(t, 50.0, r.Kernels[200].LengthPx)
	assert.Zero(t, r.Kernels[200].LengthMM)
	assert.Equal(t, 20, share(t, r, string(SmallBroken)).Found, "chips are among the small brokens")
	require.Len(t, r.NotAssessed, 1)
	assert.Equal(t, "chip", r.NotAssessed[0].What)
	raw, err := json.Marshal(r.Kernels)
	require.NoError(t, err)
	assert.NotContains(t, string(raw), "_mm")
}

func TestForeignIsNoRice(t *testing.T) {
	tray := simpleTray()
	before, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	// A stone of 5995/99 mm³ is 1 % of everything.
	stone := simple(241, 3, 2, kernel.Foreign)
	stone.VolumePx3 = 5995.0 / 99 * 1000
	tray.Kernels = slices.Insert(tray.Kernels, 100, stone)
	r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	assert.Equal(t, before.Broken.MassPct, r.Broken.MassPct)
	got := share(t, r, "foreign")
	assert.Equal(t, KindForeign, got.Kind)
	assert.InDelta(t, 1, got.MassPct.Value, 1e-4)
	assert.Equal(t, ForeignBody, r.Kernels[100].Class, "in its place among the kernels")
	assert.Equal(t, 241, r.Kernels[100].ID)
	assert.Equal(t, []string{"foreign"}, r.Kernels[100].Flags)
}

func TestFlags(t *testing.T) {
	tray := simpleTray()
	tray.Kernels[0].Flags = []kernel.Flag{kernel.Chalky, kernel.Yellow}
	tray.Kernels[1].Flags = []kernel.Flag{kernel.Chalky}
	p := DefaultParams()
	p.NotAssessed = []kernel.Flag{kernel.Red, kernel.RedStreaked}
	r, err := Analyse([]kernel.Tray{tray}, p)
	require.NoError(t, err)
	assert.InDelta(t, 100*56.0/5995, share(t, r, "chalky").MassPct.Value, 1e-4)
	assert.InDelta(t, 100*28.0/5995, share(t, r, "yellow").MassPct.Value, 1e-4)
	paddy := share(t, r, "paddy")
	assert.Zero(t, paddy.MassPct.Value)
	assert.Greater(t, paddy.MassPct.High, 0.5, "none found is an upper limit")
	for _, s := range r.Shares {
		assert.False(t, strings.HasPrefix(s.Name, "red"), s.Name)
	}
	assert.Equal(t, []NotAssessed{{"red", "the picture does not show it"}, {"red_streaked", "the picture does not show it"}}, r.NotAssessed)
}

func TestStatedLength(t *testing.T) {
	p := DefaultParams()
	p.WholeLengthMM, p.WholeLengthSEMM = 7.1, 0.05
	r, err := Analyse([]kernel.Tray{simpleTray()}, p)
	require.NoError(t, err)
	assert.Equal(t, Reference{Unit: "mm", Length: 7.1, SE: 0.05, Method: FromStated}, r.Reference)
	assert.Empty(t, r.Warnings)
	// 5/0.75 = 6.67: at a stated 6.5 mm the large brokens are head rice, and the
	// sample's own 7 mm is too far from it to pass unmentioned.
	p.WholeLengthMM = 6.5
	r, err = Analyse([]kernel.Tray{simpleTray()}, p)
	require.NoError(t, err)
	assert.Equal(t, 30, r.Broken.Found)
	require.Len(t, r.Warnings, 1)
	assert.Equal(t, "length_differs", r.Warnings[0].Code)
}

func TestPickedLength(t *testing.T) {
	ref := kernel.Tray{Picture: "picked.png", PxPerMM: 20} // another scale than the sample's
	for i := range 120 {
		k := simple(i+1, 7+0.1*float64(i%3-1), 2)
		k.LengthPx, k.AxisLengthPx, k.WidthPx = 2*k.LengthPx, 2*k.AxisLengthPx, 2*k.WidthPx
		ref.Kernels = append(ref.Kernels, k)
	}
	p := DefaultParams()
	p.ReferenceFrom = []kernel.Tray{ref}
	r, err := Analyse([]kernel.Tray{simpleTray()}, p)
	require.NoError(t, err)
	assert.InDelta(t, 7, r.ReferenceLengthMM, 1e-9)
	assert.Equal(t, FromPicked, r.Reference.Method)
	assert.Equal(t, 120.0, r.Reference.N)
	assert.Equal(t, []string{"picked.png"}, r.Reference.Pictures)
	// Lengths 6.9, 7, 7.1 in equal numbers: variance 0.02/3·120/119, over 120.
	assert.InDelta(t, math.Sqrt(0.02/3/119), r.Reference.SE, 5e-5)
	assert.Empty(t, r.Warnings)
	p.ReferenceFrom[0].Kernels = ref.Kernels[:30]
	r, err = Analyse([]kernel.Tray{simpleTray()}, p)
	require.NoError(t, err)
	require.Len(t, r.Warnings, 1)
	assert.Equal(t, "few_unbroken", r.Warnings[0].Code)
}

// TestAxisMeasure: pieces of 5.3 mm caliper and 5.2 mm along the axis are head
// rice by the one (0.757) and broken by the other (0.743).
func TestAxisMeasure(t *testing.T) {
	tray := simpleTray()
	for i := 200; i < 210; i++ {
		tray.Kernels[i].LengthPx, tray.Kernels[i].AxisLengthPx = 53, 52
	}
	p := DefaultParams()
	caliper, err := Analyse([]kernel.Tray{tray}, p)
	require.NoError(t, err)
	p.Measure = Axis
	axis, err := Analyse([]kernel.Tray{tray}, p)
	require.NoError(t, err)
	assert.Equal(t, 30, caliper.Broken.Found)
	assert.Equal(t, 40, axis.Broken.Found)
	require.NotNil(t, caliper.Broken.Other)
	assert.Equal(t, Axis, caliper.Broken.Other.Measure)
	assert.Equal(t, axis.Broken.MassPct, caliper.Broken.Other.MassPct)
	assert.Equal(t, caliper.Broken.CountPct, axis.Broken.Other.CountPct)
}

func TestUnresolvedAndEdge(t *testing.T) {
	tray := simpleTray()
	var area float64
	for _, k := range tray.Kernels {
		area += k.AreaPx2
	}
	tray.Unresolved = []kernel.Cluster{{AreaPx2: area / 36}, {AreaPx2: area / 12}} // a tenth of all
	tray.CutByEdge = 20
	tray.Warnings = []kernel.Warning{{Code: "blurred", Text: "the picture is blurred", Value: 1.23456, Limit: 2}}
	r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	assert.Equal(t, UnresolvedResult{Clusters: 2, AreaShare: 0.1}, r.Unresolved)
	assert.Equal(t, 20, r.CutByEdge)
	assert.GreaterOrEqual(t, r.Broken.MassPct.High-r.Broken.MassPct.Value, 9.0)
	var codes []string
	for _, w := range r.Warnings {
		codes = append(codes, w.Code)
	}
	assert.Equal(t, []string{"blurred", "cut_by_edge", "unresolved"}, codes)
	assert.Equal(t, "simple.png", r.Warnings[0].Picture)
	assert.Equal(t, 1.2346, r.Warnings[0].Value)
	assert.Contains(t, r.Warnings[2].Text, "2 touching groups were not taken apart; every interval is widened by their 10.0 %")

	tray.Unresolved, tray.Warnings = tray.Unresolved[:1], nil
	r, err = Analyse([]kernel.Tray{tray}, DefaultParams())
	require.NoError(t, err)
	assert.Contains(t, r.Warnings[1].Text, "1 touching group was not taken apart; every interval is widened by its 2.7 %")
}

func TestTraysOfDifferentScale(t *testing.T) {
	a, b := simpleTray(), simpleTray()
	b.Picture, b.PxPerMM = "double.png", 20
	for i := range b.Kernels {
		k := &b.Kernels[i]
		k.LengthPx, k.AxisLengthPx, k.WidthPx, k.LengthSDPx = 2*k.LengthPx, 2*k.AxisLengthPx, 2*k.WidthPx, 2*k.LengthSDPx
		k.AreaPx2, k.VolumePx3 = 4*k.AreaPx2, 8*k.VolumePx3
	}
	r, err := Analyse([]kernel.Tray{a, b}, DefaultParams())
	require.NoError(t, err)
	assert.InDelta(t, 7, r.ReferenceLengthMM, 0.001)
	assert.Zero(t, r.ReferenceLengthPx, "has no meaning here")
	assert.Zero(t, r.PxPerMM)
	assert.InDelta(t, 100*395.0/5995, r.Broken.MassPct.Value, 1e-4)
	assert.Equal(t, r.Kernels[201].VolumeMM3, r.Kernels[441].VolumeMM3)
}

func TestAnalyseErrors(t *testing.T) {
	with := func(edit func(*kernel.Tray, *Params)) ([]kernel.Tray, Params) {
		tray, p := simpleTray(), DefaultParams()
		edit(&tray, &p)
		return []kernel.Tray{tray}, p
	}
	none := func(t *kernel.Tray) { t.Kernels = nil }
	for _, c := range []struct {
		name string
		edit func(*kernel.Tray, *Params)
		want error
		says string
		hint string
	}{
		{"empty tray", func(t *kernel.Tray, _ *Params) { none(t) }, ErrNoKernels, "no kernels found", "picture"},
		{"all unresolved", func(t *kernel.Tray, _ *Params) {
			none(t)
			t.Unresolved = make([]kernel.Cluster, 3)
		}, ErrNoKernels, "one of 3 touching groups", "spread"},
		{"one unresolved", func(t *kernel.Tray, _ *Params) {
			none(t)
			t.Unresolved = make([]kernel.Cluster, 1)
		}, ErrNoKernels, "in 1 touching group that", "spread"},
		{"all cut", func(t *kernel.Tray, _ *Params) { none(t); t.CutByEdge = 4 }, ErrNoKernels, "all 4 pieces are cut", "edge"},
		{"one cut", func(t *kernel.Tray, _ *Params) { none(t); t.CutByEdge = 1 }, ErrNoKernels, "but 1 piece that the picture's edge cuts", "edge"},
		{"all foreign", func(t *kernel.Tray, _ *Params) {
			t.Kernels = []kernel.Kernel{simple(1, 3, 3, kernel.Foreign)}
		}, ErrNoKernels, "but 1 piece that looks like a foreign body", "light"},
		{"length stated without scale", func(t *kernel.Tray, p *Params) {
			t.PxPerMM, p.WholeLengthMM = 0, 7
		}, ErrNoScale, "7 mm", "--dpi"},
		{"picked kernels without scale", func(t *kernel.Tray, p *Params) {
			ref := simpleTray()
			ref.PxPerMM = 0
			p.ReferenceFrom = []kernel.Tray{ref}
		}, ErrMixedScale, "scale", "--dpi"},
		{"no picked kernels", func(t *kernel.Tray, p *Params) {
			p.ReferenceFrom = []kernel.Tray{{Picture: "empty.png", PxPerMM: 10}}
		}, ErrNoReference, "empty.png", "whole kernels"},
		{"impossible length", func(t *kernel.Tray, _ *Params) { t.Kernels[7].LengthPx = math.NaN() }, ErrMeasure, "simple.png, kernel 8", "again"},
		{"impossible volume", func(t *kernel.Tray, _ *Params) { t.Kernels[7].VolumePx3 = 0 }, ErrMeasure, "volume is 0", "again"},
		{"impossible colour", func(t *kernel.Tray, _ *Params) { t.Kernels[7].Lab[1] = math.Inf(1) }, ErrMeasure, "colour", "again"},
		{"impossible scale", func(t *kernel.Tray, _ *Params) { t.PxPerMM = -1 }, ErrMeasure, "-1 px/mm", "--dpi"},
		{"cut", func(_ *kernel.Tray, p *Params) { p.Cut = 75 }, ErrParams, "cut of 75", "0.75"},
		{"measure", func(_ *kernel.Tray, p *Params) { p.Measure = "arc" }, ErrParams, "arc", "caliper"},
		{"negative length", func(_ *kernel.Tray, p *Params) { p.WholeLengthMM = -1 }, ErrParams, "-1 mm", "--whole-length"},
		{"lone error", func(_ *kernel.Tray, p *Params) { p.WholeLengthSEMM = 0.1 }, ErrParams, "not stated", "--whole-length"},
		{"two references", func(_ *kernel.Tray, p *Params) {
			p.WholeLengthMM, p.ReferenceFrom = 7, []kernel.Tray{simpleTray()}
		}, ErrParams, "both", "either"},
		{"chip hole", func(_ *kernel.Tray, p *Params) { p.ChipHoleMM = 0 }, ErrParams, "0 mm", "1.4"},
		{"classes fall", func(_ *kernel.Tray, p *Params) { p.TradeClasses = []float64{10, 5} }, ErrParams, "5 %", "rising"},
	} {
		t.Run(c.name, func(t *testing.T) {
			trays, p := with(c.edit)
			r, err := Analyse(trays, p)
			require.Nil(t, r)
			var in *fault.Error
			require.ErrorAs(t, err, &in)
			assert.ErrorIs(t, err, c.want)
			assert.Contains(t, err.Error(), c.says)
			assert.Contains(t, in.Hint, c.hint)
		})
	}
	t.Run("mixed scales", func(t *testing.T) {
		a, b := simpleTray(), simpleTray()
		b.Picture, b.PxPerMM = "bare.png", 0
		_, err := Analyse([]kernel.Tray{a, b}, DefaultParams())
		assert.ErrorIs(t, err, ErrMixedScale)
		assert.Contains(t, err.Error(), "bare.png")
	})
	t.Run("no trays", func(t *testing.T) {
		_, err := Analyse(nil, DefaultParams())
		assert.ErrorIs(t, err, ErrNoKernels)
	})
}

// TestFewKernels: a handful is graded, with a wide interval and a warning.
func TestFewKernels(t *testing.T) {
	for _, n := range []int{1, 2, 5} {
		tray := simpleTray()
		tray.Kernels = tray.Kernels[:n]
		r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
		require.NoError(t, err)
		assert.InDelta(t, 7, r.ReferenceLengthMM, 0.02)
		assert.Greater(t, r.Broken.MassPct.High, 40.0)
		require.NotEmpty(t, r.Warnings)
		assert.Equal(t, "few_unbroken", r.Warnings[0].Code)
	}
}

// TestJSON: the keys that outside checks read, no null lists, the same bytes
// twice and the input untouched.
func TestJSON(t *testing.T) {
	trays := []kernel.Tray{simpleTray()}
	first, err := Analyse(trays, DefaultParams())
	require.NoError(t, err)
	a, err := json.Marshal(first)
	require.NoError(t, err)
	second, err := Analyse([]kernel.Tray{simpleTray()}, DefaultParams())
	require.NoError(t, err)
	b, err := json.Marshal(second)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(a, b), "not the same bytes")
	assert.Equal(t, simpleTray(), trays[0])

	var got map[string]any
	require.NoError(t, json.Unmarshal(a, &got))
	for _, path := range []string{
		"schema", "versions.grading", "params.cut", "reference_length_mm", "reference_length_px", "px_per_mm",
		"reference.length", "reference.se", "reference.n_unbroken", "reference.method", "reference.unit",
		"broken.mass_pct.value", "broken.mass_pct.low", "broken.mass_pct.high", "broken.mass_pct.half_width",
		"broken.mass_pct.effective_n", "broken.count_pct.value", "broken.other_measure.length_measure",
		"broken.budget.sampling", "trade_class.name", "cut_by_edge", "unresolved.clusters", "unresolved.area_share",
		"shares", "grade", "not_assessed", "warnings", "kernels", "pictures",
	} {
		var at any = got
		for _, key := range strings.Split(path, ".") {
			m, ok := at.(map[string]any)
			require.True(t, ok, path)
			at, ok = m[key]
			require.True(t, ok, "no key %s", path)
		}
	}
	for _, key := range []string{"shares", "not_assessed", "warnings", "kernels", "pictures"} {
		assert.IsType(t, []any{}, got[key], key)
	}
	k := got["kernels"].([]any)[0].(map[string]any)
	for _, key := range []string{
		"id", "picture", "x_px", "y_px", "length_mm", "width_mm", "area_mm2", "volume_mm3", "length_ratio",
		"class", "flags", "lab", "chalk_share",
	} {
		assert.Contains(t, k, key)
	}
	assert.IsType(t, []any{}, k["flags"])
	assert.NotContains(t, string(a), "-0,")
}

func TestRound(t *testing.T) {
	assert.Equal(t, 1.2346, round(1.23456, 4))
	assert.Equal(t, -1.2346, round(-1.23456, 4))
	for _, v := range []float64{math.NaN(), math.Inf(1), -0.00001} {
		got := round(v, 4)
		assert.Zero(t, got)
		assert.False(t, math.Signbit(got))
	}
}

// TestAnalyseProperties: what holds for any tray that can be graded.
func TestAnalyseProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := usual()
		l.pieces = rapid.Float64Range(0, 0.6).Draw(t, "pieces")
		l.noTips = rapid.Bool().Draw(t, "noTips")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		tray, _, _ := l.tray(r, rapid.IntRange(40, 150).Draw(t, "n"))
		p := DefaultParams()
		p.Cut = rapid.SampledFrom([]float64{0.5, 0.65, 0.75, 0.8, 0.9}).Draw(t, "cut")
		res, err := Analyse([]kernel.Tray{tray}, p)
		if err != nil {
			require.ErrorIs(t, err, ErrNoReference)
			return
		}
		raw, err := json.Marshal(res)
		require.NoError(t, err, "what is no number never reaches JSON")
		require.NotContains(t, string(raw), "null,\"low")
		var sum float64
		for _, s := range res.Shares {
			if s.Kind == KindClass {
				sum += s.MassPct.Value
			}
		}
		require.InDelta(t, 100, sum, 0.0005)
		require.InDelta(t, 100-res.Broken.MassPct.Value, res.Shares[0].MassPct.Value, 0.0002)

		// The order of the kernels does not matter.
		shuffled := tray
		shuffled.Kernels = slices.Clone(tray.Kernels)
		r.Shuffle(len(shuffled.Kernels), func(i, j int) {
			shuffled.Kernels[i], shuffled.Kernels[j] = shuffled.Kernels[j], shuffled.Kernels[i]
		})
		again, err := Analyse([]kernel.Tray{shuffled}, p)
		require.NoError(t, err)
		require.InDelta(t, res.ReferenceLengthMM, again.ReferenceLengthMM, 0.0001)
		require.InDelta(t, res.Broken.MassPct.Value, again.Broken.MassPct.Value, 1e-4)
		require.InDelta(t, res.Broken.MassPct.High, again.Broken.MassPct.High, 1e-3)

		// Nor does the scale: the same kernels at double resolution.
		double := tray
		double.PxPerMM *= 2
		double.Kernels = slices.Clone(tray.Kernels)
		for i := range double.Kernels {
			k := &double.Kernels[i]
			k.LengthPx, k.AxisLengthPx, k.WidthPx, k.LengthSDPx = 2*k.LengthPx, 2*k.AxisLengthPx, 2*k.WidthPx, 2*k.LengthSDPx
			k.AreaPx2, k.VolumePx3 = 4*k.AreaPx2, 8*k.VolumePx3
		}
		again, err = Analyse([]kernel.Tray{double}, p)
		require.NoError(t, err)
		require.Equal(t, res.Broken.MassPct, again.Broken.MassPct)
		require.Equal(t, res.ReferenceLengthMM, again.ReferenceLengthMM)
	})
}

func BenchmarkAnalyse(b *testing.B) {
	for _, n := range []int{300, 3000, 30000} {
		for _, pieces := range []float64{0.1, 0.6} {
			b.Run(fmt.Sprintf("kernels=%d/pieces=%g", n, pieces), func(b *testing.B) {
				l := usual()
				l.pieces = pieces
				tray, _, _ := l.tray(rand.New(rand.NewPCG(1, 2)), n)
				p := DefaultParams()
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Analyse([]kernel.Tray{tray}, p); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/kernel")
			})
		}
	}
}

func ExampleAnalyse() {
	tray := simpleTray() // as the picture side measures it
	result, err := Analyse([]kernel.Tray{tray}, DefaultParams())
	if err != nil {
		fmt.Println(err)
		return
	}
	m := result.Broken.MassPct
	fmt.Printf("whole kernel %.2f mm, broken %.1f %% by mass (%.1f to %.1f)\n", result.ReferenceLengthMM, m.Value, m.Low, m.High)
	// Any other limit gets its share the same way.
	short, _ := result.Sample.Shares(Broken(0.5))
	fmt.Printf("under half a kernel %.1f %%\n", short.Value)
	// Output:
	// whole kernel 7.00 mm, broken 6.6 % by mass (4.5 to 9.5)
	// under half a kernel 3.3 %
}
