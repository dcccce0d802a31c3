package mill

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func weigh(mass Figure) *Weighing { return &Weighing{Mass: mass} }

func ratioOf(t require.TestingT, y *Yield, code string) YieldRatio {
	for _, r := range y.Ratios {
		if r.Code == code {
			return r
		}
	}
	require.Fail(t, "no ratio "+code)
	return YieldRatio{}
}

// TestYieldHandbook: the round fractions of IRRI's Rice Knowledge Bank
// (milling): 20 % husk, of the range 8 to 12 % bran the middle, 70 % milled.
func TestYieldHandbook(t *testing.T) {
	y, err := ComputeYield(YieldInput{
		Paddy: weigh(pm(150, 0.05)), Husk: weigh(pm(30, 0.05)), Husked: weigh(pm(120, 0.05)),
		Bran: weigh(pm(15, 0.05)), Milled: weigh(pm(105, 0.05)), BrokenShare: ptr(pm(20, 1)),
		Mill: "laboratory", BasisPct: DefaultBasisPct,
	})
	require.NoError(t, err)
	for code, want := range map[string]float64{
		"hulling_yield":     80,
		"milling_recovery":  70,
		"bran_removed":      12.5, // 15 of 120: the middle of 8..12 of 80
		"milling_degree":    87.5,
		"head_rice_yield":   56, // 70 × 0.8
		"brokens_of_paddy":  14,
		"head_rice_content": 80,
		"broken_share":      20,
	} {
		r := ratioOf(t, y, code)
		assert.InDelta(t, want, r.Value.Value, 1e-9, code)
		assert.Less(t, r.Value.Low, want, code)
		assert.Greater(t, r.Value.High, want, code)
	}
	assert.False(t, y.DryMatter)
	require.Len(t, y.Balances, 2)
	for _, b := range y.Balances {
		assert.InDelta(t, 0, b.Missing.Value, 1e-9)
		assert.Equal(t, Closes, b.Verdict)
	}
	assert.Equal(t, HeadGraded, y.HeadFrom)
	assert.InDelta(t, 84, y.Masses[len(y.Masses)-1].Weighed.Value, 1e-9, "head rice from the graded sample")
}

// TestYieldContentIsNotYield: a head rice yield of 50 % at a recovery of 68 %
// is a head rice content of 73.5 % (worked example: the ratio of IRRI's lower
// ends).
func TestYieldContentIsNotYield(t *testing.T) {
	y, err := ComputeYield(YieldInput{
		Paddy: weigh(pm(200, 0.05)), Milled: weigh(pm(136, 0.05)), HeadMass: ptr(pm(100, 0.05)),
		Mill: "laboratory", BasisPct: 14,
	})
	require.NoError(t, err)
	assert.InDelta(t, 68, ratioOf(t, y, "milling_recovery").Value.Value, 1e-9)
	assert.InDelta(t, 50, ratioOf(t, y, "head_rice_yield").Value.Value, 1e-9)
	content := ratioOf(t, y, "head_rice_content")
	assert.InDelta(t, 73.5, content.Value.Value, 0.05)
	assert.Equal(t, 73.5, content.Usual[0].Low)
}

// TestYieldUsual: where head rice is usually 73.5 to 80.6 % of the milled rice,
// brokens are the rest.
func TestYieldUsual(t *testing.T) {
	in := YieldInput{Paddy: weigh(pm(150, 0.05)), Milled: weigh(pm(102, 0.05)), BrokenShare: ptr(pm(24, 1)), BasisPct: 14, Mill: "laboratory"}
	y, err := ComputeYield(in)
	require.NoError(t, err)
	usual := ratioOf(t, y, "broken_share").Usual
	require.Len(t, usual, 1)
	assert.Equal(t, 19.4, usual[0].Low)
	assert.Equal(t, 26.5, usual[0].High)
	assert.Equal(t, Usual{Low: 0, High: 40}, Usual{Low: 60}.rest(), "no upper end stated")
}

// TestYieldTiny: a gram for a kilogram.
func TestYieldTiny(t *testing.T) {
	_, err := ComputeYield(YieldInput{Paddy: weigh(pm(150_000, 50)), Milled: weigh(pm(102.9, 0.05)), BasisPct: 14, Mill: "modern"})
	require.ErrorIs(t, err, ErrBalance)
	assert.Equal(t, "hulling and whitening: 0.1029 kg milled rice out of 150 kg paddy is 0.069 %", requireFault(t, err).What)
	none := Figure{0, 0, 0.05, false}
	y, err := ComputeYield(YieldInput{Paddy: weigh(pm(150, 0.05)), Milled: weigh(pm(102.9, 0.05)), BrokenMass: &none, BasisPct: 14, Mill: "modern"})
	require.NoError(t, err)
	assert.Empty(t, y.Doubts, "nothing broken is no slip")
	few := pm(0.05, 0.01)
	y, err = ComputeYield(YieldInput{Paddy: weigh(pm(150, 0.05)), Milled: weigh(pm(102.9, 0.05)), BrokenMass: &few, BasisPct: 14, Mill: "modern"})
	require.NoError(t, err)
	assert.Len(t, y.Doubts, 1)
}

// TestYieldWithin: intervals of shares end at 0 and 100 %, whatever the doubt.
func TestYieldWithin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		half := rapid.Float64Range(0, 0.9)
		of := func(m float64) *Weighing { return &Weighing{Mass: pm(m, m*half.Draw(t, "half"))} }
		broken := pm(50, 50)
		y, err := ComputeYield(YieldInput{Paddy: of(150), Husked: of(119), Milled: of(103), BrokenShare: &broken, BasisPct: 14, Mill: "modern"})
		require.NoError(t, err)
		for _, r := range y.Ratios {
			assert.True(t, 0 <= r.Value.Low && r.Value.Low <= r.Value.Value && r.Value.Value <= r.Value.High && r.Value.High <= 100, "%+v", r)
		}
	})
}

// TestYieldDryMatter, by hand: 150.0 g paddy at 13.0 % is 130.5 g dry, 102.0 g
// milled at 12.0 % is 89.76 g dry; 89.76/130.5 = 68.7816 %. At 14 % the masses
// are 151.7442 and 104.3721 g.
func TestYieldDryMatter(t *testing.T) {
	in := YieldInput{
		Paddy:  &Weighing{pm(150, 0.05), ptr(pm(13, 0.5))},
		Milled: &Weighing{pm(102, 0.05), ptr(pm(12, 0.5))},
		Mill:   "laboratory", BasisPct: 14,
	}
	y, err := ComputeYield(in)
	require.NoError(t, err)
	r := ratioOf(t, y, "milling_recovery")
	assert.InDelta(t, 68.7816, r.Value.Value, 5e-5)
	assert.InDelta(t, 68, r.AsWeighed.Value, 1e-9)
	assert.InDelta(t, 151.7442, y.Masses[0].OnBasis.Value, 5e-5)
	assert.InDelta(t, 104.3721, y.Masses[1].OnBasis.Value, 5e-5)
	// Half width by hand: 68.78·√((0.5/87)² + (0.5/88)² + (0.05/150)² +
	// (0.05/102)²) = 0.558.
	assert.InDelta(t, 0.558, r.Value.HalfWidth(), 1e-3)
	assert.Less(t, r.AsWeighed.HalfWidth(), 0.05, "without moistures only the balance's doubt is left")
}

func TestYieldSeparated(t *testing.T) {
	in := YieldInput{
		Paddy: weigh(pm(200, 0.1)), Milled: weigh(pm(136, 0.1)), BrokenMass: ptr(pm(34, 0.1)),
		Mill: "modern", BasisPct: 14,
	}
	y, err := ComputeYield(in)
	require.NoError(t, err)
	assert.Equal(t, BrokensWeighed, y.HeadFrom)
	assert.InDelta(t, 25, ratioOf(t, y, "broken_share").Value.Value, 1e-9)
	assert.InDelta(t, 51, ratioOf(t, y, "head_rice_yield").Value.Value, 1e-9)

	in.HeadMass = ptr(pm(101, 0.1)) // 1 g lost between
	in.BrokenShare = ptr(pm(25.4, 0.8))
	y, err = ComputeYield(in)
	require.NoError(t, err)
	assert.Equal(t, HeadWeighed, y.HeadFrom)
	assert.InDelta(t, 25, ratioOf(t, y, "broken_share").Value.Value, 1e-9)
	assert.InDelta(t, 50.5, ratioOf(t, y, "head_rice_yield").Value.Value, 1e-9)
	require.Len(t, y.Balances, 1)
	assert.Equal(t, Loss, y.Balances[0].Verdict)
	assert.InDelta(t, 1, y.Balances[0].Missing.Value, 1e-9)
	assert.True(t, *y.GradedAgrees)

	in.BrokenShare = ptr(pm(28, 0.8))
	y, err = ComputeYield(in)
	require.NoError(t, err)
	assert.False(t, *y.GradedAgrees)
}

// TestYieldSeparatedDry: parts of the milled rice have its moisture, so their
// shares are the same dry and as weighed.
func TestYieldSeparatedDry(t *testing.T) {
	y, err := ComputeYield(YieldInput{
		Paddy: &Weighing{pm(200, 0.1), ptr(pm(14, 0.5))}, Milled: &Weighing{pm(136, 0.1), ptr(pm(12, 0.5))},
		HeadMass: ptr(pm(102, 0.1)), BrokenMass: ptr(pm(34, 0.1)), Mill: "laboratory", BasisPct: 14,
	})
	require.NoError(t, err)
	assert.InDelta(t, 25, ratioOf(t, y, "broken_share").Value.Value, 1e-9)
	head := ratioOf(t, y, "head_rice_yield")
	assert.InDelta(t, 51, head.AsWeighed.Value, 1e-9)
	assert.InDelta(t, 51*88.0/86, head.Value.Value, 1e-9)
	require.Len(t, y.Balances, 1)
	assert.True(t, y.Balances[0].Dry)
	assert.InDelta(t, 0, y.Balances[0].Missing.Value, 1e-9)

	// A moisture that is missing for the husk leaves its balance as weighed.
	y, err = ComputeYield(YieldInput{
		Paddy: &Weighing{pm(200, 0.1), ptr(pm(14, 0.5))}, Husked: &Weighing{pm(160, 0.1), ptr(pm(14, 0.5))},
		Husk: weigh(pm(40, 0.1)), Mill: "laboratory", BasisPct: 14,
	})
	require.NoError(t, err)
	assert.True(t, y.DryMatter)
	assert.False(t, y.Balances[0].Dry)
	assert.Nil(t, y.Masses[2].OnBasis)
}

func TestYieldBareShare(t *testing.T) {
	y, err := ComputeYield(YieldInput{Paddy: weigh(pm(200, 0.1)), Milled: weigh(pm(136, 0.1)), BrokenShare: ptr(bare(20)), Mill: "laboratory"})
	require.NoError(t, err)
	assert.True(t, ratioOf(t, y, "head_rice_yield").Value.Bare)
	assert.False(t, ratioOf(t, y, "milling_recovery").Value.Bare, "hangs on the weighings only")
}

func TestYieldRefusals(t *testing.T) {
	base := func() YieldInput {
		return YieldInput{Paddy: weigh(pm(150, 0.05)), Husked: weigh(pm(120, 0.05)), Milled: weigh(pm(104, 0.05)), Mill: "laboratory", BasisPct: 14}
	}
	wet := func(mass, moisture float64) *Weighing { return &Weighing{pm(mass, 0.05), ptr(pm(moisture, 0.3))} }
	for _, c := range []struct {
		name    string
		edit    func(in *YieldInput)
		what    string
		balance bool
	}{
		{"more husked than paddy", func(in *YieldInput) { in.Husked = weigh(pm(151, 0.05)) }, "hulling: more out than in: 151 g husked rice out of 150 g paddy, 1.00 g too much", true},
		{"more milled than husked", func(in *YieldInput) { in.Milled = weigh(pm(121, 0.05)) }, "whitening: more out than in", true},
		{"more milled than paddy", func(in *YieldInput) { in.Husked = nil; in.Milled = weigh(pm(0.2, 0.0005).Times(1000)) }, "hulling and whitening: more out than in", true},
		{"husk and husked over paddy", func(in *YieldInput) { in.Husk = weigh(pm(31, 0.05)) }, "120 g husked rice and 31 g husk out of 150 g paddy, 1.00 g too much (95 % interval 0.91 to 1.09 g)", true},
		{"head and brokens over milled", func(in *YieldInput) { in.HeadMass, in.BrokenMass = ptr(pm(90, 0.05)), ptr(pm(20, 0.05)) }, "separation: more out than in", true},
		{"brokens over milled", func(in *YieldInput) { in.BrokenMass = ptr(pm(110, 0.05)) }, "separation: more out than in", true},
		{"dry matter gained", func(in *YieldInput) {
			in.Paddy, in.Husked, in.Milled = wet(150, 25), wet(149, 12), wet(104, 12)
		}, "(152.47 g at 14 % moisture)", true},
		{"one weighing", func(in *YieldInput) { in.Husked, in.Milled = nil, nil }, "compares two of", false},
		{"moisture of one only", func(in *YieldInput) { in.Milled = wet(104, 12) }, "given for milled and not for husked", false},
		{"head without milled", func(in *YieldInput) { in.Milled = nil; in.HeadMass = ptr(pm(80, 1)) }, "without the milled rice", false},
		{"no such mill", func(in *YieldInput) { in.Mill = "roller" }, `no kind of mill "roller"`, false},
		{"basis", func(in *YieldInput) { in.BasisPct = 0.14e3 }, "moisture basis of 140 %", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := base()
			c.edit(&in)
			_, err := ComputeYield(in)
			e := requireFault(t, err)
			assert.Contains(t, e.Error(), c.what)
			assert.NotEmpty(t, e.Hint)
			if c.balance {
				require.ErrorIs(t, err, ErrBalance)
			} else {
				require.NotErrorIs(t, err, ErrBalance)
			}
		})
	}
	// Between the 95 % and the 99.9 % interval it is told, not refused.
	in := base()
	in.Husk = weigh(pm(30.12, 0.05)) // 0.12 over; half width √3·0.05 = 0.087
	y, err := ComputeYield(in)
	require.NoError(t, err)
	assert.Equal(t, Excess, y.Balances[0].Verdict)
}

// TestYieldConserves: whatever the fractions, nothing is made or lost: head
// rice and brokens add up to the recovery, the shares to 100 %, and neither
// the unit of mass nor the moisture basis matters.
func TestYieldConserves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		paddyDry := rapid.Float64Range(50, 500).Draw(t, "dry paddy")
		huskShare := rapid.Float64Range(0.1, 0.3).Draw(t, "husk")
		branShare := rapid.Float64Range(0.02, 0.2).Draw(t, "bran")
		b := rapid.Float64Range(0, 100).Draw(t, "broken")
		moist := func(name string) float64 { return rapid.Float64Range(8, 25).Draw(t, name) }
		wet := func(dry, m float64) *Weighing {
			mass := dry / (1 - m/100)
			return &Weighing{pm(mass, 0.001*mass), ptr(pm(m, 0.3))}
		}
		husk, husked := paddyDry*huskShare, paddyDry*(1-huskShare)
		bran, milled := husked*branShare, husked*(1-branShare)
		in := YieldInput{
			Paddy: wet(paddyDry, moist("paddy")), Husk: wet(husk, moist("husk moisture")), Husked: wet(husked, moist("husked")),
			Bran: wet(bran, moist("bran moisture")), Milled: wet(milled, moist("milled")),
			BrokenShare: ptr(pm(b, 1).within(0, 100)), Mill: "laboratory", BasisPct: rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(1, 20)).Draw(t, "basis"),
		}
		y, err := ComputeYield(in)
		require.NoError(t, err)
		v := func(code string) float64 { return ratioOf(t, y, code).Value.Value }
		assert.InDelta(t, 100*(1-huskShare), v("hulling_yield"), 1e-9)
		assert.InDelta(t, v("milling_recovery"), v("head_rice_yield")+v("brokens_of_paddy"), 1e-9)
		assert.InDelta(t, 100, v("bran_removed")+v("milling_degree"), 1e-9)
		assert.InDelta(t, 100, v("head_rice_content")+v("broken_share"), 1e-9)
		assert.InDelta(t, v("milling_recovery"), v("hulling_yield")*v("milling_degree")/100, 1e-9)
		for _, bal := range y.Balances {
			assert.InDelta(t, 0, bal.Missing.Value, 1e-9)
			assert.Equal(t, Closes, bal.Verdict)
		}
		// Kilograms instead of grams, another basis: the same ratios.
		k := func(w *Weighing) *Weighing { return &Weighing{w.Mass.Times(1000), w.Moisture} }
		in.Paddy, in.Husk, in.Husked, in.Bran, in.Milled = k(in.Paddy), k(in.Husk), k(in.Husked), k(in.Bran), k(in.Milled)
		in.BasisPct = 13
		again, err := ComputeYield(in)
		require.NoError(t, err)
		for i, r := range y.Ratios {
			for _, d := range []float64{
				r.Value.Value - again.Ratios[i].Value.Value, r.Value.Low - again.Ratios[i].Value.Low, r.Value.High - again.Ratios[i].Value.High,
			} {
				assert.Less(t, math.Abs(d), 1e-9, r.Code)
			}
		}
	})
}

// TestYieldInterval: weighings and moistures that scatter as their intervals
// say give a head rice yield within its interval in 95 of 100 cases.
func TestYieldInterval(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 0))
	draw := func(truth, half float64) Figure { return pm(truth+r.NormFloat64()*half/z95, half) }
	const runs = 4000
	truth := 100 * (102 * 0.88) / (150 * 0.87) * 0.82
	hits := 0
	for range runs {
		y, err := ComputeYield(YieldInput{
			Paddy:       &Weighing{draw(150, 0.3), ptr(draw(13, 0.5))},
			Milled:      &Weighing{draw(102, 0.3), ptr(draw(12, 0.5))},
			BrokenShare: ptr(draw(18, 1.5)), Mill: "laboratory", BasisPct: 14,
		})
		require.NoError(t, err)
		if f := ratioOf(t, y, "head_rice_yield").Value; f.Low <= truth && truth <= f.High {
			hits++
		}
	}
	// Three standard deviations of 4000 yes-no trials are 1.0 points.
	assert.InDelta(t, 95, 100*float64(hits)/runs, 1.1)
}

func ExampleComputeYield() {
	paddy, _ := ParseMass("150.0g")
	milled, _ := ParseMass("102.6g")
	broken, _ := ParseShare("24.5±1.8")
	y, err := ComputeYield(YieldInput{
		Paddy: &Weighing{Mass: paddy}, Milled: &Weighing{Mass: milled}, BrokenShare: &broken,
		Mill: "laboratory", BasisPct: DefaultBasisPct,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range y.Ratios {
		if r.Code == "head_rice_yield" {
			fmt.Printf("%s of %s: %.1f %% (%.1f to %.1f)\n", r.Name, r.Of, r.Value.Value, r.Value.Low, r.Value.High)
		}
	}
	// Output: Head rice yield of paddy: 51.6 % (50.4 to 52.9)
}

func TestOutside(t *testing.T) {
	bran := []Usual{{10, 15, ""}, {5, 6, ""}}
	assert.Empty(t, Outside(bran, pm(12, 1)))
	assert.Empty(t, Outside(bran, pm(8, 1)), "between two usages")
	assert.Equal(t, "above", Outside(bran, pm(18, 1)))
	assert.Equal(t, "below", Outside(bran, pm(3, 1)))
	assert.Empty(t, Outside(bran, bare(3)))
	assert.Empty(t, Outside([]Usual{{60, 0, ""}}, pm(80, 1)), "no upper end stated")
	assert.Empty(t, Outside(nil, pm(80, 1)))
}
