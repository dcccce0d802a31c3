package mill

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/vision/kernel"
)

// heap draws trays of n kernels each from a make-believe heap: whole kernels
// of 7 mm, pieces of them, some flagged, a few foreign bodies.
func heap(seed uint64, pieces float64, trays, n int) []kernel.Tray {
	r := rand.New(rand.NewPCG(seed, 0))
	const scale = 12.0
	var out []kernel.Tray
	for t := range trays {
		tray := kernel.Tray{Picture: "tray-" + string(rune('a'+t)) + ".png", WidthPx: 3000, HeightPx: 2000, PxPerMM: scale, ScaleSource: "given"}
		for i := range n {
			length, width := 7+0.3*r.NormFloat64(), 2+0.1*r.NormFloat64()
			ends := [2]kernel.End{kernel.EndIntact, kernel.EndIntact}
			if r.Float64() < pieces {
				length *= 0.15 + 0.7*r.Float64()
				ends[0] = kernel.EndBroken
			}
			k := kernel.Kernel{
				ID: i + 1, X: float64(i), Y: 10, LengthPx: length * scale, AxisLengthPx: length * scale, WidthPx: min(width, length) * scale,
				AreaPx2: 0.8 * length * width * scale * scale, VolumePx3: length * width * width * scale * scale * scale,
				LengthSDPx: 0.01 * scale, Ends: ends, Lab: [3]float64{70, 1, 12}, ChalkShare: 0.1 * r.Float64(), Solidity: 0.97,
			}
			switch u := r.Float64(); {
			case u < 0.02:
				k.Flags = []kernel.Flag{kernel.Yellow}
			case u < 0.03:
				k.Flags = []kernel.Flag{kernel.Yellow, kernel.Damaged}
			case u < 0.04:
				k.Flags = []kernel.Flag{kernel.Red}
			case u < 0.05:
				k.Flags = []kernel.Flag{kernel.Foreign}
			}
			tray.Kernels = append(tray.Kernels, k)
		}
		out = append(out, tray)
	}
	return out
}

func analysed(t *testing.T, params grading.Params) (*grading.Result, []byte) {
	t.Helper()
	r, err := grading.Analyse(heap(4, 0.3, 2, 600), params)
	require.NoError(t, err)
	b, err := json.Marshal(r)
	require.NoError(t, err)
	return r, b
}

// TestReadGraded: what is read back from the JSON gives the same figures as
// the result it was written from.
func TestReadGraded(t *testing.T) {
	params := grading.DefaultParams()
	r, b := analysed(t, params)
	g, err := ReadGraded(bytes.NewReader(b), "lot.json")
	require.NoError(t, err)
	direct, err := FromResult(r, "lot", nil)
	require.NoError(t, err)

	assert.Equal(t, r.Broken.MassPct.Value, g.Broken.Value)
	assert.Equal(t, r.Broken.MassPct.Low, g.Broken.Low)
	assert.Equal(t, r.Broken.MassPct.High, g.Broken.High)
	assert.Equal(t, g.Broken, direct.Broken)
	assert.Equal(t, 0.75, g.Cut)
	for _, s := range r.Shares {
		f, ok := g.Figure(s.Name)
		require.True(t, ok, s.Name)
		assert.Equal(t, s.MassPct.Value, f.Value)
	}
	assert.Contains(t, g.Codes(), "small_broken")

	// A single flag among the rice: the JSON's own share is of the rice, Share
	// of everything; the foreign bodies are 1 %.
	one, err := g.Share(kernel.Foreign)
	require.NoError(t, err)
	own, _ := g.Figure("foreign")
	assert.InDelta(t, own.Value, one.Value, 2e-4)
	assert.InDelta(t, own.Low, one.Low, 2e-4)
	assert.InDelta(t, own.High, one.High, 2e-4)

	// Kernels with two flags count once.
	both, err := g.Share(kernel.Yellow, kernel.Damaged)
	require.NoError(t, err)
	yellow, err := g.Share(kernel.Yellow)
	require.NoError(t, err)
	assert.Equal(t, yellow, both, "every damaged kernel here is yellow too")
	more, err := g.Share(kernel.Yellow, kernel.Red)
	require.NoError(t, err)
	assert.Greater(t, more.Value, yellow.Value)

	// Under a standard: the same as from the result itself, but for the doubt
	// of lengths near a limit, which the JSON does not hold.
	std, err := standards.Lookup("thai-white")
	require.NoError(t, err)
	got, err := g.Standard(std, 3)
	require.NoError(t, err)
	want, err := direct.Standard(std, 3)
	require.NoError(t, err)
	require.Equal(t, len(want), len(got))
	require.Contains(t, got, std.Broken().Code)
	for code, w := range want {
		assert.InDelta(t, w.Value, got[code].Value, 5e-3, code)
		assert.InDelta(t, w.Low, got[code].Low, 0.05, code)
		assert.InDelta(t, w.High, got[code].High, 0.05, code)
	}

	// The axis measure, and pixels.
	params.Measure = grading.Axis
	_, b = analysed(t, params)
	g, err = ReadGraded(bytes.NewReader(b), "lot.json")
	require.NoError(t, err)
	got, err = g.Standard(std, 3)
	require.NoError(t, err)
	assert.InDelta(t, want[std.Broken().Code].Value, got[std.Broken().Code].Value, 5e-3)
	trays := heap(4, 0.3, 1, 600)
	trays[0].PxPerMM = 0
	px, err := grading.Analyse(trays, grading.DefaultParams())
	require.NoError(t, err)
	b, err = json.Marshal(px)
	require.NoError(t, err)
	g, err = ReadGraded(bytes.NewReader(b), "px.json")
	require.NoError(t, err)
	assert.Equal(t, "px", g.ReferenceUnit)
}

func TestReadGradedRefusals(t *testing.T) {
	_, good := analysed(t, grading.DefaultParams())
	edit := func(f func(m map[string]any)) []byte {
		var m map[string]any
		require.NoError(t, json.Unmarshal(good, &m))
		f(m)
		b, err := json.Marshal(m)
		require.NoError(t, err)
		return b
	}
	share := func(m map[string]any) map[string]any {
		return m["broken"].(map[string]any)["mass_pct"].(map[string]any)
	}
	for what, data := range map[string][]byte{
		"cannot be read as a graded sample":      []byte("broken: 5"),
		"is no graded sample (schema \"\"":       []byte("{}"),
		"schema \"traytally.plan/1\"":            []byte(`{"schema":"traytally.plan/1"}`),
		"has no broken share by mass":            edit(func(m map[string]any) { delete(m, "broken") }),
		"share of broken: 130 %":                 edit(func(m map[string]any) { share(m)["value"], share(m)["high"] = 130, 140 }),
		"share of broken: 20 %, interval 30 to ": edit(func(m map[string]any) { share(m)["value"], share(m)["low"] = 20, 30 }),
		"the size classes add up to":             edit(func(m map[string]any) { m["shares"] = m["shares"].([]any)[1:] }),
		"whole-kernel length of 0":               edit(func(m map[string]any) { m["reference"].(map[string]any)["length"] = 0 }),
		"12.00 % broken are written":             edit(func(m map[string]any) { share(m)["value"], share(m)["low"], share(m)["high"] = 12, 11, 13 }),
		"broken are written, ":                   edit(func(m map[string]any) { m["broken"].(map[string]any)["found"] = 1 }),
		"an interval of ":                        edit(func(m map[string]any) { share(m)["low"] = share(m)["value"] }),
		"of the whole-kernel length, and":        edit(func(m map[string]any) { m["kernels"].([]any)[5].(map[string]any)["length_mm"] = 4.2 }),
		"yellow are written": edit(func(m map[string]any) {
			for _, k := range m["kernels"].([]any) {
				k.(map[string]any)["flags"] = []any{}
			}
		}),
		"volume -1": edit(func(m map[string]any) { m["kernels"].([]any)[5].(map[string]any)["volume_mm3"] = -1 }),
	} {
		_, err := ReadGraded(bytes.NewReader(data), "x.json")
		e := requireFault(t, err)
		assert.Contains(t, e.Error(), what)
		assert.True(t, strings.HasPrefix(e.What, "x.json: "), e.What)
		assert.Contains(t, e.Hint, "--json FILE")
	}

	// Another whole-kernel length makes another share, the one that grading by it
	// gives; by its own nothing changes but the doubt that is not in the file.
	g, err := ReadGraded(bytes.NewReader(good), "x.json")
	require.NoError(t, err)
	own := g.Broken.Value
	require.NoError(t, g.AtLength(g.ReferenceLength))
	assert.InDelta(t, own, g.Broken.Value, 0.01)
	require.NoError(t, g.AtLength(8))
	p := grading.DefaultParams()
	p.WholeLengthMM = 8
	longer, _ := analysed(t, p)
	assert.InDelta(t, longer.Broken.MassPct.Value, g.Broken.Value, 0.01)
	head, _ := g.Figure("head")
	assert.InDelta(t, 100-g.Broken.Value, head.Value, 0.01)

	_, err = ReadGraded(brokenPipe{}, "x.json")
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)

	bare, err := ReadGraded(bytes.NewReader(edit(func(m map[string]any) { m["kernels"] = []any{} })), "x.json")
	require.NoError(t, err)
	_, err = bare.Share(kernel.Yellow)
	assert.Contains(t, requireFault(t, err).What, "the list of kernels is missing")
	std, err := standards.Lookup("trade")
	require.NoError(t, err)
	_, err = bare.Standard(std, 0)
	requireFault(t, err)

	grey := grading.DefaultParams()
	grey.NotAssessed = []kernel.Flag{kernel.Yellow}
	_, b := analysed(t, grey)
	g, err = ReadGraded(bytes.NewReader(b), "grey.json")
	require.NoError(t, err)
	_, err = g.Share(kernel.Red, kernel.Yellow)
	assert.Contains(t, requireFault(t, err).What, "grey.json: yellow was not assessed")
}

// FuzzReadGraded: whatever the file holds, the figures are in order or the
// error is a *fault.Error.
func FuzzReadGraded(f *testing.F) {
	r, err := grading.Analyse(heap(4, 0.3, 1, 40), grading.DefaultParams())
	if err != nil {
		f.Fatal(err)
	}
	b, err := json.Marshal(r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"schema":"traytally.grade/1","params":{"cut":0.75,"length_measure":"axis","chip_hole_mm":1},"reference":{"unit":"mm","length":7},"broken":{"mass_pct":{"value":5,"low":4,"high":6}},"kernels":[{"length_mm":5,"width_mm":2,"volume_mm3":9,"length_ratio":0.7}]}`))
	std, err := standards.Lookup("trade")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		g, err := ReadGraded(bytes.NewReader(data), "x.json")
		if err != nil {
			requireFault(t, err)
			return
		}
		ordered := func(f Figure) bool { return f.Low >= 0 && f.Low <= f.Value && f.Value <= f.High && f.High <= 100+1e-9 }
		assert.True(t, ordered(g.Broken))
		if f, err := g.Share(kernel.Yellow, kernel.Foreign); err == nil {
			assert.True(t, ordered(f), "%+v", f)
		}
		if fs, err := g.Standard(std, 0); err == nil {
			for _, f := range fs {
				assert.True(t, ordered(f), "%+v", f)
			}
		}
	})
}

type brokenPipe struct{}

func (brokenPipe) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

func TestAlike(t *testing.T) {
	g := func(name string, length, cut float64) *Graded {
		return &Graded{Name: name, ReferenceLength: length, ReferenceUnit: "mm", Cut: cut}
	}
	assert.Empty(t, Alike([]*Graded{g("a", 7, 0.75), g("b", 7.15, 0.75)}))
	assert.Contains(t, Alike([]*Graded{g("a", 7, 0.75), g("b", 4.9, 0.75)}), "a was judged by whole kernels of 7.00 mm, b of 4.90 mm")
	assert.Contains(t, Alike([]*Graded{g("a", 7, 0.75), g("b", 7, 0.8)}), "a calls kernels whole from 0.75 of the length, b from 0.8")
	px := g("b", 84, 0.75)
	px.ReferenceUnit = "px"
	assert.Empty(t, Alike([]*Graded{g("a", 7, 0.75), px}))
}

func TestIndependent(t *testing.T) {
	read := func(name, sum string) *Graded {
		g, err := ReadGraded(strings.NewReader(`{"schema":"traytally.grade/1","broken":{"mass_pct":{"value":5,"low":4,"high":6}},
			"reference":{"unit":"mm","length":7},"pictures":[{"picture":"p.png","sha256":"`+sum+`"}]}`), name)
		require.NoError(t, err)
		return g
	}
	assert.NoError(t, Independent([]*Graded{read("a", "01"), read("b", "02"), read("c", "")}))
	assert.NoError(t, Independent([]*Graded{read("a", ""), read("b", "")}), "not known")
	err := Independent([]*Graded{read("a", "01"), read("b", "02"), read("c", "01")})
	assert.Equal(t, "a and c hold the same picture: they are one sample, not two", requireFault(t, err).What)
	err = Independent([]*Graded{{Name: "a", Pictures: []string{"01", "01"}}})
	assert.Equal(t, "a counts one picture twice", requireFault(t, err).What)
}

func TestCheckSums(t *testing.T) {
	for _, c := range []struct {
		shares map[string]Figure
		what   string // empty: they can be
	}{
		{map[string]Figure{"broken": pm(5, 1), "head": pm(95, 1)}, ""},
		{map[string]Figure{"broken": pm(5, 1), "head": pm(96, 1)}, ""}, // within their doubt
		{map[string]Figure{"broken": bare(5), "head": bare(97)}, "broken 5 % and head 97 % make 102 %, more than all of it"},
		{map[string]Figure{"broken": pm(5, 1), "large_broken": pm(20, 2)}, "large broken 20 %, more than the 5 % broken in all"},
		{map[string]Figure{"broken": bare(60), "large_broken": bare(40), "chip": bare(25)}, "large broken 40 % and chip 25 % make 65 %, more than the 60 % broken in all"},
		{map[string]Figure{"small_broken": bare(60), "head": bare(50)}, "small broken 60 % and head 50 % make 110 %, more than all of it"},
		{map[string]Figure{"chalky": bare(100), "yellow": bare(100)}, ""}, // one kernel can be both
	} {
		err := CheckSums("a", c.shares)
		if c.what == "" {
			assert.NoError(t, err, "%v", c.shares)
			continue
		}
		assert.Equal(t, "stream a: "+c.what, requireFault(t, err).What)
	}
}

// TestStandardLimits: every limit of every grade is planned or named as not
// planned, and the broken limit of every standard that sets one by mass is
// planned.
func TestStandardLimits(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	require.NotEmpty(t, all)
	for _, std := range all {
		for i := range std.Grades {
			limits, not := StandardLimits(std, i)
			assert.Equal(t, len(std.Limits(i))+len(std.NotInFile), len(limits)+len(not), "%s %s", std.Code, std.Grades[i])
			if b := std.Broken(); b != nil && b.Basis == standards.ByMass && b.AtMost.Given() {
				if _, ok := b.AtMost.At(i); ok {
					found := false
					for _, l := range limits {
						found = found || l.Code == b.Code && !l.AtLeast
					}
					assert.True(t, found, "%s %s", std.Code, std.Grades[i])
				}
			}
		}
	}
}

// TestWithoutOpenCV: the package stays what its users may build without cgo.
func TestWithoutOpenCV(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("no go command")
	}
	require.NoError(t, err)
	for _, dep := range strings.Fields(string(out)) {
		assert.False(t, strings.HasPrefix(dep, "gocv.io"), dep)
		if strings.HasPrefix(dep, "traytally/vision") {
			assert.Contains(t, []string{"traytally/vision/kernel", "traytally/vision/kernel/fault"}, dep)
		}
	}
}
