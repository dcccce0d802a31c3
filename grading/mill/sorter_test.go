package mill

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func sorterFigure(t require.TestingT, s *Sorter, code string) SorterFigure {
	for _, f := range s.Figures {
		if f.Code == code {
			return f
		}
	}
	require.Fail(t, "no figure "+code)
	return SorterFigure{}
}

func judge(t require.TestingT, in SorterInput) *Sorter {
	if in.Draws == 0 {
		in.Draws = 2000
	}
	in.Seed = 1
	s, err := JudgeSorter(in)
	require.NoError(t, err)
	return s
}

// TestSorterByHand: feed 3 %, accept 0.5 %, reject 60.5 % bad rice. Reject
// ratio 2.5/60 = 4.1667 %; removal 4.1667·60.5/3 = 84.028 %; good rice lost
// 4.1667·39.5/97 = 1.6967 %; carry-over 39.5/60.5 = 0.65289 good for each bad;
// enrichment 60.5/3 = 20.1667.
func TestSorterByHand(t *testing.T) {
	s := judge(t, SorterInput{Feed: ptr(pm(3, 0.3)), Accept: ptr(pm(0.5, 0.1)), Reject: ptr(pm(60.5, 3))})
	for code, want := range map[string]float64{
		"removal": 84.0278, "good_loss": 1.6967, "reject_ratio": 4.1667, "reject_bad": 60.5, "reject_good": 39.5,
		"carry_over_good_per_bad": 0.65289, "carry_over_bad_per_good": 1.53165, "accept_purity": 99.5, "enrichment": 20.1667,
	} {
		f := sorterFigure(t, s, code)
		assert.InDelta(t, want, f.Value.Value, 1e-4, code)
		assert.True(t, f.Value.Low < want && want < f.Value.High, code)
		assert.True(t, f.Told, code)
		assert.NotEmpty(t, f.Formula)
	}
	assert.Equal(t, SorterWorks, s.Works)
	assert.Equal(t, BySharesOnly, s.Method)
	assert.Empty(t, s.TooSmall)
	assert.Nil(t, s.TimesMore)

	// Single samples: their intervals come through unchanged.
	f := sorterFigure(t, s, "reject_bad").Value
	assert.InDelta(t, 57.5, f.Low, 0.02)
	assert.InDelta(t, 63.5, f.High, 0.02)
}

// TestSorterMasses: 1000 kg of feed, 950 accepted, 50 rejected; accept 0.5 %,
// reject 40 %. Out of it come 4.75 and 20 kg of bad rice: removal 20/24.75 =
// 80.808 %, good lost 30/975.25 = 3.0761 %.
func TestSorterMasses(t *testing.T) {
	in := SorterInput{
		Accept: ptr(pm(0.5, 0.1)), Reject: ptr(pm(40, 4)), Feed: ptr(pm(2.4, 0.4)),
		FeedMass: ptr(pm(1e6, 3000)), AcceptMass: ptr(pm(9.5e5, 3000)), RejectMass: ptr(pm(5e4, 500)),
	}
	s := judge(t, in)
	assert.Equal(t, ByMasses, s.Method)
	assert.InDelta(t, 80.8081, sorterFigure(t, s, "removal").Value.Value, 1e-4)
	assert.InDelta(t, 3.0761, sorterFigure(t, s, "good_loss").Value.Value, 1e-4)
	assert.InDelta(t, 5, sorterFigure(t, s, "reject_ratio").Value.Value, 1e-9)
	require.Len(t, s.Balances, 3)
	for _, b := range s.Balances {
		assert.Equal(t, Closes, b.Verdict, b.What)
	}
	// F·f - A·a - J·j = 24 - 4.75 - 20 kg.
	assert.InDelta(t, -750, s.Balances[1].Missing.Value, 1e-6)

	// Any two masses and any two shares give the same where they agree.
	whole := in
	whole.Feed = ptr(pm(2.475, 0.1))
	for name, edit := range map[string]func(in *SorterInput){
		"no feed mass":    func(in *SorterInput) { in.FeedMass = nil },
		"no accept mass":  func(in *SorterInput) { in.AcceptMass = nil },
		"no reject mass":  func(in *SorterInput) { in.RejectMass = nil },
		"no feed share":   func(in *SorterInput) { in.Feed = nil },
		"no accept share": func(in *SorterInput) { in.Accept = nil },
		"no reject share": func(in *SorterInput) { in.Reject = nil },
	} {
		in := whole
		edit(&in)
		assert.InDelta(t, 80.8081, sorterFigure(t, judge(t, in), "removal").Value.Value, 1e-3, name)
	}

	// 24 kg of bad rice in, 24.75 out is chance; 35 in is not.
	in.Feed = ptr(pm(3.5, 0.8))
	s = judge(t, in)
	assert.Equal(t, Loss, s.Balances[1].Verdict)
}

// TestSorterModel: feed f, removal s and false reject p give, by D. Ooms et
// al., Pattern Recogn. Lett. 31 (2010) 983-990, an accept share
// f(1-s) + (1-f)(1-p) of the mass with a = f(1-s) over it. The figures find s
// and p again, with and without masses, and make and lose nothing.
func TestSorterModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(0.005, 0.3).Draw(t, "feed")
		sr := rapid.Float64Range(0.5, 0.99).Draw(t, "removal")
		p := rapid.Float64Range(0.001, 0.1).Draw(t, "false reject")
		accept := f*(1-sr) + (1-f)*(1-p)
		a := f * (1 - sr) / accept
		j := f * sr / (1 - accept)
		share := func(v float64) *Figure { return ptr(pm(100*v, 1).within(0, 100)) }
		in := SorterInput{Feed: share(f), Accept: share(a), Reject: share(j), Draws: 1000}
		check := func(s *Sorter) {
			v := func(code string) float64 { return sorterFigure(t, s, code).Value.Value }
			assert.InDelta(t, 100*sr, v("removal"), 1e-6)
			assert.InDelta(t, 100*p, v("good_loss"), 1e-6)
			assert.InDelta(t, 100*(1-accept), v("reject_ratio"), 1e-6)
			assert.InDelta(t, 100, v("reject_bad")+v("reject_good"), 1e-9)
			assert.InDelta(t, 1, v("carry_over_good_per_bad")*v("carry_over_bad_per_good"), 1e-9)
			for _, g := range s.Figures {
				assert.True(t, g.Value.Low <= g.Value.Value && g.Value.Value <= g.Value.High, g.Code)
				if g.Unit == "%" {
					assert.True(t, g.Value.Low >= 0 && g.Value.High <= 100+1e-9, g.Code)
				}
			}
			for _, b := range s.Balances {
				assert.InDelta(t, 0, b.Missing.Value, 1e-6)
				assert.Equal(t, Closes, b.Verdict)
			}
		}
		s, err := JudgeSorter(in)
		require.NoError(t, err)
		check(s)
		mass := func(v float64) *Figure { return ptr(pm(1000*v, v)) }
		in.FeedMass, in.AcceptMass, in.RejectMass = mass(1), mass(accept), mass(1-accept)
		s, err = JudgeSorter(in)
		require.NoError(t, err)
		check(s)
	})
}

// TestSorterTooSmall: samples whose reject may be no worse than the accept
// tell nothing, and say so.
func TestSorterTooSmall(t *testing.T) {
	s := judge(t, SorterInput{Feed: ptr(pm(3, 2)), Accept: ptr(pm(2, 1.8)), Reject: ptr(pm(4, 3.5))})
	assert.Equal(t, SorterNoProof, s.Works)
	assert.Equal(t, []string{"bad rice removed", "good rice lost", "rice rejected, of all"}, s.TooSmall)
	f := sorterFigure(t, s, "removal")
	assert.False(t, f.Told)
	assert.InDelta(t, 0, f.Value.Low, 1e-9)
	assert.InDelta(t, 100, f.Value.High, 1e-9)
	assert.True(t, sorterFigure(t, s, "accept_purity").Told, "hangs on one sample only")
	assert.Nil(t, s.TimesMore, "no number to go by")

	// Wide, but something: ±18 points or so want three times the rice.
	s = judge(t, SorterInput{Feed: ptr(pm(3, 1.2)), Accept: ptr(pm(1.2, 0.4)), Reject: ptr(pm(50, 10))})
	removal := sorterFigure(t, s, "removal")
	assert.True(t, removal.Told)
	require.NotNil(t, s.TimesMore)
	assert.InDelta(t, math.Pow(removal.Value.HalfWidth()/10, 2), *s.TimesMore, 1e-6)
	assert.Equal(t, "feed sample", s.Weakest)

	// The reject cleaner than the accept, within chance: no value at all.
	s = judge(t, SorterInput{Feed: ptr(pm(2, 1)), Accept: ptr(pm(2.2, 1)), Reject: ptr(pm(2, 1.5))})
	assert.True(t, math.IsNaN(sorterFigure(t, s, "removal").Value.Value))
	out, err := json.Marshal(s)
	require.NoError(t, err)
	assert.Contains(t, string(out), `"value":{"value":null,`)
}

// TestSorterFeedOutside: a feed that reads below the accept is chance. The
// removal then stands at 0 % with an interval that looks narrow; in 800 such
// sets of samples it held the truth in 16 of 100. It is not told.
func TestSorterFeedOutside(t *testing.T) {
	s, err := JudgeSorter(SorterInput{Feed: ptr(pm(0.45, 0.1)), Accept: ptr(pm(0.5, 0.1)), Reject: ptr(pm(40, 4)), Draws: 2000})
	require.NoError(t, err)
	assert.Equal(t, SorterWorks, s.Works)
	assert.Len(t, s.TooSmall, 3)
	for _, f := range s.Figures {
		if f.Code == "enrichment" {
			assert.InDelta(t, 40/0.45, f.Value.Value, 1e-9, "the formula as printed, j / f")
		}
	}
	s, err = JudgeSorter(SorterInput{Feed: ptr(pm(2.4, 0.4)), Accept: ptr(pm(40, 4)), Reject: ptr(pm(0.5, 0.1)), Draws: 2000})
	require.NoError(t, err)
	assert.Equal(t, SorterReversed, s.Works)
}

// TestSorterNothingFound: no bad rice seen in the accept.
func TestSorterNothingFound(t *testing.T) {
	s := judge(t, SorterInput{Feed: ptr(pm(3, 0.3)), Accept: ptr(Figure{0, 0, 0.2, false}), Reject: ptr(pm(60, 3))})
	f := sorterFigure(t, s, "removal").Value
	assert.InDelta(t, 100, f.Value, 1e-9)
	assert.Less(t, f.Low, 97.0)
	// Nothing bad anywhere: nothing to remove.
	s = judge(t, SorterInput{Feed: ptr(Figure{0, 0, 0.2, false}), Accept: ptr(Figure{0, 0, 0.2, false}), Reject: ptr(Figure{0, 0, 0.2, false})})
	assert.False(t, sorterFigure(t, s, "removal").Told)
	assert.Equal(t, SorterNoProof, s.Works)
}

func TestSorterBare(t *testing.T) {
	s := judge(t, SorterInput{Feed: ptr(bare(3)), Accept: ptr(pm(0.5, 0.1)), Reject: ptr(pm(60, 3))})
	assert.Equal(t, SorterUnjudged, s.Works)
	own := map[string]bool{"reject_bad": true, "reject_good": true, "carry_over_good_per_bad": true, "carry_over_bad_per_good": true, "accept_purity": true}
	for _, f := range s.Figures {
		assert.Equal(t, !own[f.Code], f.Value.Bare, f.Code)
	}
	assert.InDelta(t, 84.03, sorterFigure(t, s, "removal").Value.Value, 0.01, "the value stands without its interval") // 2.5·60/(3·59.5)

	// A share that was not given follows from the others, and from their doubt.
	s = judge(t, SorterInput{Feed: ptr(bare(3)), Reject: ptr(pm(60, 3)), AcceptMass: ptr(pm(960, 1)), RejectMass: ptr(pm(40, 1))})
	assert.True(t, sorterFigure(t, s, "accept_purity").Value.Bare)
}

func TestSorterRefusals(t *testing.T) {
	shares := func(f, a, j Figure) SorterInput { return SorterInput{Feed: &f, Accept: &a, Reject: &j} }
	masses := func(in SorterInput, f, a, j float64) SorterInput {
		in.FeedMass, in.AcceptMass, in.RejectMass = ptr(pm(f, 1)), ptr(pm(a, 1)), ptr(pm(j, 1))
		return in
	}
	good := shares(pm(3, 0.3), pm(0.5, 0.1), pm(60.5, 3))
	for _, c := range []struct {
		name, what string
		in         SorterInput
		balance    bool
	}{
		{"both outlets worse than the feed", "more bad rice out than in: feed 1 % bad; accept 3 % bad; reject 60 % bad: 2.00 points too much", shares(pm(1, 0.3), pm(3, 0.3), pm(60, 3)), true},
		{"both outlets better than the feed", "more good rice out than in", shares(pm(20, 1), pm(3, 0.3), pm(10, 1)), true},
		{"more out than in", "more rice out than in: feed 1000 g, 3 % bad; accept 980 g, 0.5 % bad; reject 50 g, 60.5 % bad: 30.00 g too much", masses(good, 1000, 980, 50), true},
		{"more bad out than in", "more bad rice out than in", masses(good, 1000, 800, 200), true},
		{"reject heavier than the feed", "more rice out than in", SorterInput{Feed: good.Feed, Reject: good.Reject, FeedMass: ptr(pm(100, 1)), RejectMass: ptr(pm(120, 1))}, true},
		{"one mass", "one mass says nothing", SorterInput{Feed: good.Feed, Accept: good.Accept, Reject: good.Reject, FeedMass: ptr(pm(100, 1))}, false},
		{"two shares only", "all three shares are needed", SorterInput{Feed: good.Feed, Accept: good.Accept}, false},
		{"one share", "two shares are needed", SorterInput{Feed: good.Feed, FeedMass: ptr(pm(100, 1)), AcceptMass: ptr(pm(90, 1))}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.in.Draws = 1000
			_, err := JudgeSorter(c.in)
			e := requireFault(t, err)
			assert.Contains(t, e.Error(), c.what)
			assert.NotEmpty(t, e.Hint)
			if c.balance {
				require.ErrorIs(t, err, ErrBalance)
			}
		})
	}
	good.Draws = 10
	_, err := JudgeSorter(good)
	requireFault(t, err)
}

// TestSorterSeed: the same seed gives the same bytes, another seed nearly the
// same interval.
func TestSorterSeed(t *testing.T) {
	in := SorterInput{Feed: ptr(pm(3, 0.8)), Accept: ptr(pm(0.8, 0.3)), Reject: ptr(pm(50, 6)), Draws: DefaultDraws, Seed: 7}
	one, err := JudgeSorter(in)
	require.NoError(t, err)
	same, err := JudgeSorter(in)
	require.NoError(t, err)
	assert.Equal(t, one, same)
	in.Seed = 8
	other, err := JudgeSorter(in)
	require.NoError(t, err)
	a, b := one.Figures[0].Value, other.Figures[0].Value
	width := a.High - a.Low
	assert.InDelta(t, a.Low, b.Low, 0.02*width)
	assert.InDelta(t, a.High, b.High, 0.02*width)
}

// TestSorterInterval: samples drawn from streams of known make give an
// interval with the true removal in it in 95 of 100 cases, or somewhat more:
// the balance cuts what cannot be.
func TestSorterInterval(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 0))
	const runs = 400
	f, s, p := 0.04, 0.85, 0.02
	accept := f*(1-s) + (1-f)*(1-p)
	a, j := f*(1-s)/accept, f*s/(1-accept)
	for _, n := range []int{400, 2000} {
		hits := 0
		for range runs {
			in := SorterInput{Feed: ptr(kernelsOf(r, f, n)), Accept: ptr(kernelsOf(r, a, n)), Reject: ptr(kernelsOf(r, j, n)), Draws: 1000, Seed: 1}
			out, err := JudgeSorter(in)
			require.NoError(t, err)
			if v := out.Figures[0].Value; v.Low <= 100*s && 100*s <= v.High {
				hits++
			}
		}
		// Three standard deviations of 400 trials at 95 % are 3.3 points.
		assert.GreaterOrEqual(t, 100*float64(hits)/runs, 91.7, "%d kernels", n)
	}
}
