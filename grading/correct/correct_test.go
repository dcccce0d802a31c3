package correct_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/grading/correct"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

type point = kernel.Point

// bar is a rectangle of a length along an angle round a place, 20 px wide, with
// corners every few px.
func bar(x, y, length, angle float64) []point {
	sin, cos := math.Sincos(angle)
	var out []point
	at := func(u, v float64) { out = append(out, point{X: x + u*cos - v*sin, Y: y + u*sin + v*cos}) }
	const n = 7
	for i := range n {
		at(-length/2+length*float64(i)/n, -10)
	}
	at(length/2, -10)
	for i := range n {
		at(length/2-length*float64(i)/n, 10)
	}
	at(-length/2, 10)
	return out
}

// plain measures by the outline's box along x and y, with its area.
func plain(t *kernel.Tray, p []point, hidden []bool, faces int) kernel.Kernel {
	k := kernel.Kernel{Outline: p, Contacts: faces, LengthSDPx: 0.3}
	low, high := p[0], p[0]
	for i, a := range p {
		b := p[(i+1)%len(p)]
		k.AreaPx2 += (a.X*b.Y - b.X*a.Y) / 2
		low, high = point{X: min(low.X, a.X), Y: min(low.Y, a.Y)}, point{X: max(high.X, a.X), Y: max(high.Y, a.Y)}
	}
	k.X, k.Y = (low.X+high.X)/2, (low.Y+high.Y)/2
	k.LengthPx, k.WidthPx = high.X-low.X, high.Y-low.Y
	k.AxisLengthPx, k.VolumePx3 = k.LengthPx, k.AreaPx2
	return k
}

// tray has bars of 80 px beside each other, every 100 px down, and a short one.
func tray() kernel.Tray {
	t := kernel.Tray{WidthPx: 600, HeightPx: 1000, Look: kernel.Look{LengthPx: 80, WidthPx: 20, Kernels: 9}}
	for i := range 9 {
		k := plain(&t, bar(100, 100*float64(i+1), 80, 0), nil, 0)
		k.ID = i + 1
		t.Kernels = append(t.Kernels, k)
	}
	return t
}

func find(t *kernel.Tray, id int) *kernel.Kernel {
	for i := range t.Kernels {
		if t.Kernels[i].ID == id {
			return &t.Kernels[i]
		}
	}
	return nil
}

type c = correct.Correction
type place = correct.Place

func apply(t *testing.T, tr kernel.Tray, list ...c) (kernel.Tray, []c) {
	t.Helper()
	out, done, err := correct.Apply([]kernel.Tray{tr}, list, plain)
	require.NoError(t, err)
	return out[0], done
}

// Each kind does what it says to the kernel that lies at the place, and to no
// other; the measured tray stays.
func TestKinds(t *testing.T) {
	before := tray()
	before.Kernels[2].Flags = []kernel.Flag{kernel.Chalky, kernel.Odd}
	before.Kernels[2].ChalkShare = 0.6
	got, done := apply(t, before,
		c{Do: correct.Right, At: place{100, 100}}, c{Do: correct.Broken, At: place{65, 205}},
		c{Do: correct.Unflag, Flag: kernel.Chalky, At: place{100, 300}}, c{Do: correct.Flag, Flag: kernel.Red, At: place{100, 300}},
		c{Do: correct.Whole, At: place{100, 400}}, c{Do: correct.NotRice, At: place{100, 500}}, c{Do: correct.Gone, At: place{100, 600}})
	assert.Equal(t, before.Kernels[0], *find(&got, 1))
	assert.Equal(t, kernel.CalledBroken, find(&got, 2).Called)
	assert.Equal(t, []kernel.Flag{kernel.Red}, find(&got, 3).Flags, "it has a name, and is no longer odd")
	assert.Zero(t, find(&got, 3).ChalkShare)
	assert.Equal(t, kernel.CalledWhole, find(&got, 4).Called)
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, find(&got, 5).Flags)
	assert.Nil(t, find(&got, 6))
	assert.Len(t, got.Kernels, 8)
	for i, want := range [][]int{{1}, {2}, {3}, {3}, {4}, {5}, {6}} {
		assert.Equal(t, want, done[i].Kernels)
	}
	assert.Empty(t, got.Warnings)
	again := tray()
	again.Kernels[2].Flags, again.Kernels[2].ChalkShare = []kernel.Flag{kernel.Chalky, kernel.Odd}, 0.6
	assert.Equal(t, again, before, "what was handed in stays")
}

// A cut by a line halves a bar; its parts join to the bar again.
func TestCutAndJoin(t *testing.T) {
	cut := c{Do: correct.Cut, At: place{100, 100}, Line: []place{{90, 80}, {90, 120}}}
	got, done := apply(t, tray(), cut, c{Do: correct.Broken, At: place{70, 100}})
	require.Len(t, got.Kernels, 10)
	require.Len(t, done[0].Made, 2)
	assert.Equal(t, []int{1}, done[0].Kernels)
	assert.Empty(t, done[1].Kernels, "of a piece that was made, not measured")
	assert.Equal(t, kernel.CalledBroken, find(&got, 10).Called)
	lengths := []float64{find(&got, 10).LengthPx, find(&got, 11).LengthPx}
	assert.ElementsMatch(t, []float64{30, 50}, []float64{math.Round(lengths[0]), math.Round(lengths[1])})
	assert.Equal(t, 1, find(&got, 10).Contacts)
	require.Len(t, got.Warnings, 1)
	assert.Equal(t, "colour_by_hand", got.Warnings[0].Code)

	got, done = apply(t, tray(), cut, c{Do: correct.Join, At: place{70, 100}, With: place{120, 100}})
	require.Len(t, got.Kernels, 9)
	k := find(&got, 12)
	assert.InDelta(t, 80, k.LengthPx, 1e-9)
	assert.InDelta(t, 1600, k.AreaPx2, 1e-6)
	assert.Zero(t, k.Contacts)

	// What was made is laid on again without being measured.
	again, _, err := correct.Apply([]kernel.Tray{tray()}, done, nil)
	require.NoError(t, err)
	assert.Equal(t, got, again[0])
	done[0].Made = done[0].Made[:1]
	_, _, err = correct.Apply([]kernel.Tray{tray()}, done, nil)
	assert.ErrorContains(t, err, "1 pieces are kept of it, and 2 come of it")
}

// However a bar lies and is cut, the parts have its area together, and join to
// it again within the step of a pixel to which outlines are joined.
func TestPartsJoinAgain(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		angle := rapid.Float64Range(0, math.Pi).Draw(r, "angle")
		at := rapid.Float64Range(-28, 28).Draw(r, "at")
		slant := rapid.Float64Range(-0.8, 0.8).Draw(r, "slant")
		tr := kernel.Tray{WidthPx: 400, HeightPx: 400, Look: kernel.Look{LengthPx: 80, WidthPx: 20}}
		k := plain(&tr, bar(200, 200, 80, angle), nil, 0)
		k.ID = 1
		tr.Kernels = []kernel.Kernel{k}
		sin, cos := math.Sincos(angle)
		along := func(u, v float64) place { return place{200 + u*cos - v*sin, 200 + u*sin + v*cos} }
		cut := c{Do: correct.Cut, At: place{200, 200}, Line: []place{along(at-14*slant, -14), along(at+14*slant, 14)}}
		out, _, err := correct.Apply([]kernel.Tray{tr}, []c{cut}, plain)
		require.NoError(r, err)
		require.Len(r, out[0].Kernels, 2)
		require.InDelta(r, 1600, out[0].Kernels[0].AreaPx2+out[0].Kernels[1].AreaPx2, 1e-6)
		out, _, err = correct.Apply([]kernel.Tray{tr}, []c{cut, {Do: correct.Join, At: along(-38, 0), With: along(38, 0)}}, plain)
		require.NoError(r, err)
		require.Len(r, out[0].Kernels, 1)
		require.InDelta(r, 1600, out[0].Kernels[0].AreaPx2, 3, "px²")
	})
}

// Pieces of a kernel with a crack between them are one kernel across it.
func TestJoinAcrossGap(t *testing.T) {
	tr := tray()
	for i, x := range []float64{380, 420.0} {
		k := plain(&tr, bar(x, 100, 37, 0), nil, 0) // 3 px apart
		k.ID = 10 + i
		tr.Kernels = append(tr.Kernels, k)
	}
	got, _ := apply(t, tr, c{Do: correct.Join, At: place{380, 100}, With: place{420, 100}})
	assert.InDelta(t, 77, find(&got, 12).LengthPx, 1e-9)
	assert.InDelta(t, 77*20, find(&got, 12).AreaPx2, 20)
}

// A kernel that is added in a group that was not taken apart goes off it.
func TestAddInGroup(t *testing.T) {
	tr := tray()
	tr.Unresolved = []kernel.Cluster{{MinX: 300, MinY: 300, MaxX: 500, MaxY: 400, AreaPx2: 3300}}
	ring := func(x, y float64) c {
		return c{Do: correct.Add, Outline: []place{{x - 40, y - 10}, {x - 40, y + 10}, {x + 40, y + 10}, {x + 40, y - 10}}} // against the clock
	}
	got, done := apply(t, tr, ring(400, 330))
	assert.InDelta(t, 1600, done[0].Made[0].AreaPx2, 1e-9)
	assert.InDelta(t, 1700, got.Unresolved[0].AreaPx2, 1e-9)
	got, _ = apply(t, tr, ring(400, 330), ring(400, 360))
	assert.Empty(t, got.Unresolved)
	assert.Len(t, got.Kernels, 11)
	got, _ = apply(t, tr, ring(400, 700))
	assert.Equal(t, tr.Unresolved, got.Unresolved)
}

// What cannot be is refused with a way out.
func TestRefused(t *testing.T) {
	foreign := tray()
	foreign.Kernels[0].Flags = []kernel.Flag{kernel.Foreign}
	foreign.Kernels[1].Flags = []kernel.Flag{kernel.Paddy}
	long := tray()
	long.Kernels = append(long.Kernels, plain(&long, bar(400, 100, 200, 0), nil, 0), plain(&long, bar(400, 121, 200, 0), nil, 0))
	for name, x := range map[string]struct {
		in   kernel.Tray
		c    c
		want string
	}{
		"nothing there":   {tray(), c{Do: correct.Gone, At: place{300, 100}}, "no kernel lies at 300,100"},
		"other picture":   {tray(), c{Do: correct.Gone, Picture: 2, At: place{100, 100}}, "no picture 2"},
		"line beside":     {tray(), c{Do: correct.Cut, At: place{100, 100}, Line: []place{{0, 0}, {10, 0}}}, "crosses its outline 0 times"},
		"line ends in it": {tray(), c{Do: correct.Cut, At: place{100, 100}, Line: []place{{100, 80}, {100, 100}}}, "crosses its outline 1 times"},
		"line too far":    {tray(), c{Do: correct.Cut, At: place{100, 100}, Line: []place{{60.2, 80}, {60.2, 120}}}, "too little to measure"},
		"not beside":      {tray(), c{Do: correct.Join, At: place{100, 100}, With: place{100, 200}}, "80 px apart, more than 5"},
		"with itself":     {tray(), c{Do: correct.Join, At: place{100, 100}, With: place{110, 100}}, "both places lie in kernel 1"},
		"too large":       {long, c{Do: correct.Join, At: place{400, 100}, With: place{400, 121}}, "no single kernel's"},
		"outline outside": {tray(), c{Do: correct.Add, Outline: []place{{-5, 0}, {50, 0}, {50, 30}}}, "outside of the picture"},
		"outline crossed": {tray(), c{Do: correct.Add, Outline: []place{{300, 300}, {350, 350}, {350, 300}, {300, 350}}}, "crosses itself"},
		"outline small":   {tray(), c{Do: correct.Add, Outline: []place{{300, 300}, {303, 300}, {303, 303}}}, "too small"},
		"outline large":   {tray(), c{Do: correct.Add, Outline: []place{{300, 300}, {500, 300}, {500, 500}, {300, 500}}}, "no single kernel's"},
		"outline on it":   {tray(), c{Do: correct.Add, Outline: []place{{90, 90}, {170, 90}, {170, 112}, {90, 112}}}, "lies on kernel 1"},
		"no rice":         {foreign, c{Do: correct.Broken, At: place{100, 100}}, "kernel 1 is not rice"},
		"paddy":           {foreign, c{Do: correct.Flag, Flag: kernel.Red, At: place{100, 200}}, "kernel 2 is paddy"},
		"no flag":         {tray(), c{Do: correct.Flag, Flag: "blue", At: place{100, 100}}, `no flag "blue"`},
		"no kind":         {tray(), c{Do: "paint", At: place{100, 100}}, `"paint" is nothing that can be done`},
		"no place":        {tray(), c{Do: correct.Gone}, "gone needs at"},
		"too much":        {tray(), c{Do: correct.Gone, At: place{100, 100}, Flag: kernel.Red}, "gone takes no flag"},
		"half a place":    {tray(), c{Do: correct.Gone, At: place{100}}, "is no place"},
		"beyond numbers":  {tray(), c{Do: correct.Gone, At: place{math.NaN(), 1}}, "is no place"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := correct.Apply([]kernel.Tray{x.in}, []c{x.c}, plain)
			require.ErrorContains(t, err, x.want)
			e, ok := err.(*fault.Error)
			require.True(t, ok)
			assert.NotEmpty(t, e.Hint)
		})
	}
	_, _, err := correct.Apply([]kernel.Tray{tray(), tray()}, []c{{Do: correct.Gone, At: place{100, 100}}}, plain)
	assert.ErrorContains(t, err, "several pictures")
}

// A file says what it was written from, and reads back as it was.
func TestFile(t *testing.T) {
	f := correct.File{Sample: "K-1", Revision: 3, Corrections: []c{
		{Do: correct.Whole, At: place{1.5, 2}}, {Do: correct.Flag, Flag: kernel.RedStreaked, Picture: 2, At: place{1, 2}},
		{Do: correct.Cut, At: place{1, 2}, Line: []place{{0, 0}, {3, 4.25}}}, {Do: correct.Join, At: place{1, 2}, With: place{5, 6}},
		{Do: correct.Add, Outline: []place{{0, 0}, {9, 0}, {9, 9}}},
	}}
	got, err := correct.Decode("c.yaml", f.Encode())
	require.NoError(t, err)
	assert.Equal(t, f, *got)
	got, err = correct.Decode("c.yaml", (&correct.File{Revision: 2}).Encode())
	require.NoError(t, err)
	assert.Empty(t, got.Corrections)

	for text, want := range map[string]string{
		"":                            "empty",
		"corrections: []":             "which revision",
		"revision: 1":                 "no list of corrections",
		"revision: 1\ncorrection: []": "correction",
		"revision: 1\ncorrections: [{do: gone, at: [1, 2, 3]}]":             "correction 1: [1 2 3] is no place",
		"revision: 1\ncorrections: [{do: gone, at: 7}]":                     "c.yaml",
		"revision: 1\ncorrections: [{do: gone, at: [.nan, 1]}]":             "is no place",
		"revision: 1\ncorrections: [{do: cut, at: [1, 2], line: [[1, 2]]}]": "two ends",
		"revision: 1\ncorrections: [{do: add, outline: [[1, 2]]}]":          "3 to 2000 corners",
		"revision: 1\ncorrections: [{do: gone, picture: -1, at: [1, 2]}]":   "no picture -1",
	} {
		_, err := correct.Decode("c.yaml", []byte(text))
		require.Error(t, err, text)
		assert.ErrorContains(t, err, want, text)
		assert.NotEmpty(t, err.(*fault.Error).Hint, text)
	}
}

// Whatever bytes a file has, it is read or refused; what is read is written and
// read as the same, and laid on a tray or refused.
func FuzzDecode(f *testing.F) {
	f.Add([]byte("sample: K\nrevision: 1\ncorrections:\n  - {do: cut, at: [100, 100], line: [[90, 80], [90, 120]]}\n  - {do: add, outline: [[300, 300], [380, 300], [380, 320]]}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := correct.Decode("f", data)
		if err != nil {
			return
		}
		again, err := correct.Decode("f", file.Encode())
		if err != nil || !assert.ObjectsAreEqual(file.Corrections, again.Corrections) && len(file.Corrections) > 0 {
			t.Fatalf("%v\n%s", err, file.Encode())
		}
		if _, _, err = correct.Apply([]kernel.Tray{tray()}, file.Corrections, plain); err != nil && strings.TrimSpace(err.(*fault.Error).Hint) == "" {
			t.Fatal(err)
		}
	})
}

// A line along the notch between two kernels grazes the outline besides: it cuts on
// its longest way through.
func TestLineGrazes(t *testing.T) {
	tr := tray()
	// 80 × 20, with a hook on top that the line crosses, too.
	k := plain(&tr, []point{{X: 60, Y: 90}, {X: 95, Y: 90}, {X: 95, Y: 80}, {X: 102, Y: 80}, {X: 102, Y: 84}, {X: 98, Y: 84}, {X: 98, Y: 90}, {X: 140, Y: 90}, {X: 140, Y: 110}, {X: 60, Y: 110}}, nil, 0)
	k.ID = 1
	tr.Kernels[0] = k
	got, done := apply(t, tr, c{Do: correct.Cut, At: place{80, 100}, Line: []place{{100, 60}, {100, 140}}})
	require.Len(t, done[0].Made, 2)
	areas := []float64{find(&got, 10).AreaPx2, find(&got, 11).AreaPx2}
	assert.InDelta(t, k.AreaPx2, areas[0]+areas[1], 1e-6)
	assert.InDelta(t, 800, min(areas[0], areas[1]), 1e-6)
}
