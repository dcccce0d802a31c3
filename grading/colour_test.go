package grading

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// sound is a usual kernel of a tray whose usual kernel is soundLook.
func soundKernel() kernel.Kernel {
	return kernel.Kernel{
		LengthPx: 80, WidthPx: 24, AxisLengthPx: 80, AreaPx2: 0.8 * 80 * 24, VolumePx3: 20000, LengthSDPx: 0.2, Solidity: 0.99,
		Ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact}, Lab: [3]float64{70, -0.5, 8},
		Surface: kernel.Surface{Pixels: 1000, Light: 1, EvenLab: [3]float64{71, -0.5, 8}},
	}
}

var soundLook = kernel.Look{Lab: [3]float64{71, -0.5, 8}, SpreadL: 2, SpreadB: 1, LengthPx: 80, WidthPx: 24, Kernels: 200}

func flagsOf(t *testing.T, k kernel.Kernel, change func(*kernel.Tray, *Profile)) []kernel.Flag {
	t.Helper()
	trays := []kernel.Tray{{Look: soundLook, Kernels: []kernel.Kernel{k}}}
	p := DefaultProfile()
	if change != nil {
		change(&trays[0], &p)
	}
	trays, _ = Flag(trays, p)
	return trays[0].Kernels[0].Flags
}

// tinted is a usual kernel whose colour differs by a tint.
func tinted(x tint) kernel.Kernel {
	k := soundKernel()
	level := soundLook.Lab[0] + 16
	l := level + x[0]
	k.Surface.EvenLab = [3]float64{l - 16, (soundLook.Lab[1] + x[1]) * l / level, (soundLook.Lab[2] + x[2]) * l / level}
	k.Surface.DeltaE00 = x.length() / 1.5
	return k
}

// One kernel just under, on and just over each limit.
func TestFlagLimits(t *testing.T) {
	type set func(k *kernel.Kernel, x float64)
	yellow := tinted(tint{-4, 2, 14})
	for _, c := range []struct {
		name  string
		flag  kernel.Flag
		limit float64
		over  bool // the limit itself does not count
		set   set
	}{
		{"chalk share", kernel.Chalky, 0.5, false, func(k *kernel.Kernel, x float64) { k.ChalkShare = x }},
		{"plainly odd", kernel.Yellow, 5, false, func(k *kernel.Kernel, x float64) { *k = yellow; k.Surface.DeltaE00 = x }},
		{"red share", kernel.Red, 0.25, false, func(k *kernel.Kernel, x float64) { k.Surface.RedShare, k.Surface.RedLength = x, 0.9 }},
		{"streak", kernel.RedStreaked, 0.5, false, func(k *kernel.Kernel, x float64) { k.Surface.RedShare, k.Surface.RedLength = 0.1, x }},
		{"dark share", kernel.Damaged, 0.006, false, func(k *kernel.Kernel, x float64) { k.Surface.DarkShare = 3 * x }},
		{"spot", kernel.Damaged, 0.006, false, func(k *kernel.Kernel, x float64) { k.Surface.SpotShare = x }},
		{"stain", kernel.Damaged, 0.12, false, func(k *kernel.Kernel, x float64) { k.Surface.StainShare = x }},
		{"paddy by size", kernel.Paddy, 1.15, false, func(k *kernel.Kernel, x float64) { *k = yellow; k.LengthPx, k.WidthPx = 80*x, 1.1*24 }},
		{"chance, odd colour", kernel.Foreign, 0.8, false, func(k *kernel.Kernel, x float64) { *k = tinted(tint{-15, -8, 6}); k.ForeignChance = x }},
		{"chance, usual colour", kernel.Foreign, 0.95, false, func(k *kernel.Kernel, x float64) { k.ForeignChance = x }},
		{"too long", kernel.Foreign, 1.8, true, func(k *kernel.Kernel, x float64) { *k = tinted(tint{-15, -8, 6}); k.LengthPx = 80 * x }},
		{"too wide", kernel.Foreign, 1.6, true, func(k *kernel.Kernel, x float64) { *k = tinted(tint{-15, -8, 6}); k.WidthPx = 24 * x }},
	} {
		for _, d := range []float64{-1e-6, 0, 1e-6} {
			k := soundKernel()
			c.set(&k, c.limit+d)
			got := flagsOf(t, k, nil)
			want := d > 0 || d == 0 && !c.over
			assert.Equal(t, want, contains(got, c.flag), "%s at %g%+g: %v", c.name, c.limit, d, got)
		}
	}
	assert.Empty(t, flagsOf(t, soundKernel(), nil))
	// A piece of the sample's own colour is rice however large: kernels that
	// were not taken apart.
	large := soundKernel()
	large.LengthPx, large.WidthPx = 200, 60
	assert.Empty(t, flagsOf(t, large, nil))
}

// soundTray is a tray of n kernels whose colours and marks vary by bells and by
// even dying away.
func soundTray(n int, r *rand.Rand) kernel.Tray {
	t := kernel.Tray{Look: soundLook}
	for range n {
		k := tinted(tint{3 * r.NormFloat64(), 0.5 * r.NormFloat64(), 1.5 * r.NormFloat64()})
		k.Surface.DeltaE00 = 10 // all are plainly off: the rate alone decides
		k.Surface.StainShare, k.Surface.RedLength = 0.1*r.ExpFloat64(), 0.4*r.ExpFloat64()
		t.Kernels = append(t.Kernels, k)
	}
	return t
}

// The rate of the profile is that of the false alarms, for colours and for each
// kind of mark, whatever sound kernels vary by.
func TestRate(t *testing.T) {
	for _, rate := range []float64{0.05, 0.01, 0.002} {
		p := DefaultProfile()
		p.Odd.Rate = rate
		r := rand.New(rand.NewPCG(5, 6))
		odd, yellow, stained, streaked, n := 0.0, 0.0, 0.0, 0.0, 0.0
		for range 40 {
			tray := soundTray(500, r)
			y := newYardstick(&tray.Look, tray.Kernels, rate)
			for i := range tray.Kernels {
				k := &tray.Kernels[i]
				m := marksOf(&k.Surface)
				n++
				if distance(y.inverse, tintOf(&tray.Look, &k.Surface)) > y.colour {
					odd++
				}
				if y.yellowed(tintOf(&tray.Look, &k.Surface)) {
					yellow++
				}
				if m[markStain] > y.mark[markStain] {
					stained++
				}
				if m[markStreak] > y.mark[markStreak] {
					streaked++
				}
			}
		}
		// Marks as stated, give or take a third: the prior's share, and three
		// standard deviations at the lowest rate (40 of 20,000). Bells die away
		// faster than the tail allows for: no more than stated.
		assert.InDelta(t, rate, stained/n, 0.34*rate+3*math.Sqrt(rate/n), "stains at %g", rate)
		assert.InDelta(t, rate, streaked/n, 0.34*rate+3*math.Sqrt(rate/n), "streaks at %g", rate)
		assert.LessOrEqual(t, odd/n, rate+3*math.Sqrt(rate/n), "colours at %g", rate)
		assert.LessOrEqual(t, yellow/n, rate, "yellow at %g", rate)
	}
}

// A third of the kernels off colour do not move the yardstick so far that they
// pass, and on few kernels the prior stands.
func TestYardstickHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for _, n := range []int{15, 100, 400} {
		tray := soundTray(n, r)
		for i := range tray.Kernels {
			k := &tray.Kernels[i]
			k.Surface.DeltaE00, k.Surface.StainShare, k.Surface.RedLength = 1, 0, 0
			if i%3 == 0 {
				*k = tinted(tint{-5, 4, 20})
			} else if i%3 == 1 {
				k.Surface.SpotShare = 0.02
			}
		}
		trays := []kernel.Tray{tray}
		trays, _ = Flag(trays, DefaultProfile())
		for i, k := range trays[0].Kernels {
			var want []kernel.Flag
			switch i % 3 {
			case 0:
				want = []kernel.Flag{kernel.Yellow}
			case 1:
				want = []kernel.Flag{kernel.Damaged}
			}
			require.Equal(t, want, k.Flags, "%d of %d", i, n)
		}
	}
}

// A colour between two names, and one that is none, is odd and nothing else.
func TestOddIsNotNamed(t *testing.T) {
	for name, x := range map[string]tint{
		"between yellow and red":  {-15, 12, 18},
		"between yellow and husk": {-13.5, 7.5, 29},
		"greenish":                {-3, -9, 6},
	} {
		assert.Equal(t, []kernel.Flag{kernel.Odd}, flagsOf(t, tinted(x), nil), name)
	}
	// What shines through from the ground is no oddity of the kernel.
	blue := tinted(tint{-7, 3, -10})
	onBlue := func(tr *kernel.Tray, _ *Profile) { tr.Look.Ground = [3]float64{45, 25, -60} }
	assert.Empty(t, flagsOf(t, blue, onBlue))
}

func contains(fs []kernel.Flag, f kernel.Flag) bool {
	for _, g := range fs {
		if g == f {
			return true
		}
	}
	return false
}

func TestFlagsAddUp(t *testing.T) {
	k := soundKernel()
	k.ChalkShare, k.Surface.DarkShare, k.Surface.SpotShare, k.Surface.RedLength = 0.9, 0.03, 0.03, 0.6
	assert.Equal(t, []kernel.Flag{kernel.Chalky, kernel.RedStreaked, kernel.Damaged}, flagsOf(t, k, nil))

	// Flags set before go.
	k = soundKernel()
	k.Flags = []kernel.Flag{kernel.Yellow}
	assert.Empty(t, flagsOf(t, k, nil))
}

func TestBodies(t *testing.T) {
	straw := tinted(tint{-18, 10, 33})
	husk := straw
	husk.WidthPx, husk.AreaPx2 = 15, 0.75*80*15
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, flagsOf(t, husk, nil))
	assert.Equal(t, []kernel.Flag{kernel.Paddy}, flagsOf(t, straw, nil), "as brown as husk, and as wide as a kernel")

	onSide := tinted(tint{-8, 5, 26}) // yellow rice lying on its side is 0.8 wide
	onSide.WidthPx = 19.4
	assert.Equal(t, []kernel.Flag{kernel.Yellow}, flagsOf(t, onSide, nil))

	// Rough rice is 1.3 times as long and 1.15 as wide as milled.
	paddy := tinted(tint{-5, 4, 22})
	assert.Equal(t, []kernel.Flag{kernel.Yellow}, flagsOf(t, paddy, nil))
	paddy.LengthPx, paddy.WidthPx = 104, 27.6
	assert.Equal(t, []kernel.Flag{kernel.Paddy}, flagsOf(t, paddy, nil))

	seed := tinted(tint{-50, 4, 6})
	seed.LengthPx, seed.WidthPx = 24, 22
	seed.AreaPx2 = math.Pi / 4 * 24 * 22
	seed.Ends = [2]kernel.End{kernel.EndBroken, kernel.EndBroken}
	seed.Surface.DarkShare, seed.Surface.SpotShare, seed.Surface.Spots = 1, 1, 1
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, flagsOf(t, seed, nil))

	black := seed // a piece of a black kernel: one end grown, the other broken
	black.LengthPx, black.AreaPx2 = 34, 0.75*34*22
	black.Ends[0] = kernel.EndIntact
	assert.Equal(t, []kernel.Flag{kernel.Damaged}, flagsOf(t, black, nil))

	round := seed // a seed is round whatever its ends look like
	round.Ends[0], round.Solidity = kernel.EndIntact, 0.99
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, flagsOf(t, round, nil))

	// A grey piece as short and full as a stone; one as long as rice may be a
	// clear kernel on a dark tray, and on a light one is odd.
	stone := tinted(tint{-22, 3, -1})
	stone.LengthPx, stone.AreaPx2 = 30, 0.95*math.Pi/4*30*24
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, flagsOf(t, stone, nil))
	stone.LengthPx, stone.AreaPx2 = 80, 0.95*math.Pi/4*80*24
	assert.Empty(t, flagsOf(t, stone, nil))
	onWhite := func(tr *kernel.Tray, _ *Profile) { tr.Look.Ground = [3]float64{95, 0, 0} }
	assert.Equal(t, []kernel.Flag{kernel.Odd}, flagsOf(t, stone, onWhite))

	blue := tinted(tint{-26, 5, -48})
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, flagsOf(t, blue, nil))
}

// On a dark tray a black kernel may come apart; its pieces are no seeds, which
// are smaller together than a kernel.
func TestPiecesOfOneBlackKernel(t *testing.T) {
	piece := soundKernel()
	piece.LengthPx, piece.WidthPx, piece.AreaPx2, piece.Solidity = 28, 22, math.Pi/4*28*22, 1
	piece.Surface.DarkShare, piece.Surface.SpotShare, piece.Surface.Spots = 1, 1, 1
	piece.Surface.EvenLab, piece.Surface.DeltaE00 = [3]float64{20, 4, 6}, 40
	pieces := []kernel.Kernel{piece, piece, piece, piece}
	pieces[1].X, pieces[3].X = 26, 500
	pieces[2].X, pieces[2].AreaPx2, pieces[2].LengthPx = 50, 800, 40
	trays := []kernel.Tray{{Look: soundLook, Kernels: pieces}}
	trays, _ = Flag(trays, DefaultProfile())
	for i, want := range []kernel.Flag{kernel.Damaged, kernel.Damaged, kernel.Damaged, kernel.Foreign} {
		assert.Equal(t, []kernel.Flag{want}, trays[0].Kernels[i].Flags, i)
	}
	// Two small seeds side by side stay seeds.
	small := piece
	small.LengthPx, small.WidthPx, small.AreaPx2 = 16, 14, math.Pi/4*16*14
	other := small
	other.X = 15
	trays = []kernel.Tray{{Look: soundLook, Kernels: []kernel.Kernel{small, other}}}
	trays, _ = Flag(trays, DefaultProfile())
	assert.Equal(t, []kernel.Flag{kernel.Foreign}, trays[0].Kernels[0].Flags)
}

func TestNotAssessed(t *testing.T) {
	k := soundKernel()
	k.ChalkShare, k.Surface.RedShare, k.Surface.StainShare = 0.9, 1, 1
	trays := []kernel.Tray{{Look: soundLook, Grey: true, Kernels: []kernel.Kernel{k}}}
	trays, not := Flag(trays, DefaultProfile())
	assert.Equal(t, []kernel.Flag{kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Paddy}, not)
	assert.Equal(t, []kernel.Flag{kernel.Chalky}, trays[0].Kernels[0].Flags)

	trays = []kernel.Tray{{Kernels: []kernel.Kernel{k}}}
	trays, not = Flag(trays, DefaultProfile())
	assert.Len(t, not, 8)
	assert.Empty(t, trays[0].Kernels[0].Flags)

	_, not = Flag([]kernel.Tray{{}}, DefaultProfile())
	assert.Empty(t, not, "an empty tray decides nothing")
}

// What is handed in keeps the flags that it had.
func TestFlagChangesNothing(t *testing.T) {
	k, red := soundKernel(), soundKernel()
	k.Flags, red.Surface.RedShare = []kernel.Flag{kernel.Damaged}, 1
	trays := []kernel.Tray{{Look: soundLook, Kernels: []kernel.Kernel{k, red}}}
	got, _ := Flag(trays, DefaultProfile())
	assert.Equal(t, []kernel.Kernel{k, red}, trays[0].Kernels)
	assert.Empty(t, got[0].Kernels[0].Flags)
	assert.Equal(t, []kernel.Flag{kernel.Red}, got[0].Kernels[1].Flags)
}

func TestAbsoluteYellowOnlyWhenCalibrated(t *testing.T) {
	k := soundKernel()
	k.Lab[2] = 22
	rule := func(calibrated bool) []kernel.Flag {
		return flagsOf(t, k, func(tr *kernel.Tray, p *Profile) { tr.Calibrated, p.Yellow.AbsoluteB = calibrated, 20 })
	}
	assert.Empty(t, rule(false))
	assert.Equal(t, []kernel.Flag{kernel.Yellow}, rule(true))
}

// Written out and read back a profile is the same, and every limit of the
// struct stands in the table.
func TestProfileFile(t *testing.T) {
	p := DefaultProfile()
	require.NoError(t, p.Validate())
	for i := range ProfileLimits {
		l := &ProfileLimits[i]
		assert.NotEmpty(t, l.Origin, l.Key)
		assert.NotEmpty(t, l.Unit, l.Key)
		assert.True(t, l.Low <= l.Default && l.Default <= l.High && l.Low < l.High, l.Key)
		l.Set(&p, l.Low+0.37*(l.High-l.Low))
	}
	p.Name = "changed: all \"of it\""
	var b bytes.Buffer
	require.NoError(t, p.Encode(&b))
	got, err := DecodeProfile("p.yaml", b.Bytes())
	require.NoError(t, err)
	assert.Equal(t, p, got)

	zero := Profile{Name: "x"}
	for i := range ProfileLimits {
		ProfileLimits[i].Set(&zero, 1)
	}
	b.Reset()
	require.NoError(t, zero.Encode(&b))
	assert.NotContains(t, b.String(), ": 0\n", "a field without a place in the table")
	assert.Equal(t, kernel.DefaultSurfaceLimits(), DefaultProfile().Surface)

	got, err = DecodeProfile("mine.yaml", []byte("red:\n  share: 0.3\n"))
	require.NoError(t, err)
	want := DefaultProfile()
	want.Name, want.Red.Share = "mine.yaml", 0.3
	assert.Equal(t, want, got, "what is left out keeps its default")
}

func TestProfileErrors(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"unknown key":  {"yellow:\n  shade: 1\n", "p.yaml:2:3"},
		"older key":    {"foreign:\n  husk_width: 0.9\n", "husk_width"},
		"out of range": {"chalky:\n  share: 1.5\n", "chalky.share is 1.5"},
		"not a number": {"chalky:\n  share: .nan\n", "chalky.share is NaN"},
		"text":         {"chalky:\n  share: half\n", "p.yaml:2:"},
		"not yaml":     {"\x00\x01 {", "p.yaml"},
		"empty":        {"", "p.yaml"},
		"a list":       {"- 1\n", "p.yaml"},
	} {
		_, err := DecodeProfile("p.yaml", []byte(c.text))
		require.ErrorIs(t, err, ErrProfile, name)
		assert.Contains(t, err.Error(), c.says, name)
		var e *fault.Error
		require.ErrorAs(t, err, &e)
		assert.NotEmpty(t, e.Hint, name)
	}
}

func FuzzDecodeProfile(f *testing.F) {
	p := DefaultProfile()
	var b bytes.Buffer
	if err := p.Encode(&b); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add([]byte("red: {share: 0.3}\nname: &a [*a]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := DecodeProfile("f", data)
		if err != nil {
			return
		}
		var b bytes.Buffer
		require.NoError(t, p.Encode(&b))
		again, err := DecodeProfile("f", b.Bytes())
		require.NoError(t, err)
		assert.Equal(t, p, again)
	})
}

// Two kernels of areas 1 and 3 and known colours, by hand: white at 100 and a
// grey of L* 60 give (1·100 + 3·60)/4 = 70; their scatter over the weights is
// sqrt(1·30² + 9·10²)/4 = 10.61.
func TestWhiteness(t *testing.T) {
	a, b := soundKernel(), soundKernel()
	a.AreaPx2, a.Lab = 1, [3]float64{100, 0, 0}
	b.AreaPx2, b.Lab = 3, [3]float64{60, 0, 0}
	foreign := soundKernel()
	foreign.Flags, foreign.AreaPx2 = []kernel.Flag{kernel.Foreign}, 1000
	w := whiteness([]kernel.Tray{{Kernels: []kernel.Kernel{a, b, foreign}}})
	require.NotNil(t, w)
	assert.InDelta(t, 70, w.Index, 1e-9)
	assert.InDelta(t, 10.61, w.SE, 0.01)
	assert.Equal(t, 2, w.Kernels)
	assert.True(t, w.Relative)

	// 100 - sqrt(30² + 3² + 4²) = 69.585
	b.Lab = [3]float64{70, 3, 4}
	w = whiteness([]kernel.Tray{{Calibrated: true, Kernels: []kernel.Kernel{b}}})
	assert.InDelta(t, 69.59, w.Index, 0.005)
	assert.False(t, w.Relative)

	assert.Nil(t, whiteness([]kernel.Tray{{Kernels: []kernel.Kernel{foreign}}}))
}

// Half the light leaves the judgement as it is: L*+16, a* and b* shrink by the
// cube root (CIE 15:2018, 8.2.1).
func TestLessLight(t *testing.T) {
	k := math.Cbrt(0.5)
	shrink := func(lab [3]float64) [3]float64 {
		return [3]float64{(lab[0]+16)*k - 16, lab[1] * k, lab[2] * k}
	}
	piece := tinted(tint{-18, 10, 33})
	look := soundLook
	want := tintOf(&look, &piece.Surface)
	look.Lab, piece.Surface.EvenLab = shrink(look.Lab), shrink(piece.Surface.EvenLab)
	got := tintOf(&look, &piece.Surface)
	for i := range want {
		assert.InDelta(t, want[i], got[i], 1e-9)
	}
}
