package mill

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func stream(name string, broken Figure) Stream {
	return Stream{Name: name, Shares: map[string]Figure{"broken": broken}}
}

func atMost(code string, v float64) Limit {
	return Limit{Code: code, Label: code, Value: v, Unit: "%"}
}

func atLeast(code string, v float64) Limit {
	return Limit{Code: code, Label: code, Value: v, Unit: "%", AtLeast: true}
}

// TestBlendByHand: brokens mixed back into head rice. The mass balance
// x·95 + (1-x)·2 = 10 gives x = (10-2)/(95-2) = 8/93 of the blend, that is
// (10-2)/(95-10) = 8/85 kg of brokens for each kg of head rice.
func TestBlendByHand(t *testing.T) {
	b, err := PlanBlend(BlendOptions{
		Streams: []Stream{stream("head", bare(2)), stream("brokens", bare(95))},
		Limits:  []Limit{atMost("broken", 10)}, Maximise: "broken", BatchKg: 1000,
	})
	require.NoError(t, err)
	require.True(t, b.Feasible)
	head, brokens := b.Streams[0], b.Streams[1]
	assert.InDelta(t, 100*8.0/93, brokens.SharePct, 1e-6)
	assert.InDelta(t, 8.0/85, brokens.SharePct/head.SharePct, 1e-7)
	assert.Equal(t, 86.02, brokens.MassKg, "86.0215 to 10 g, down: the limit is kept")
	assert.Equal(t, 913.98, head.MassKg)
	assert.InDelta(t, 10, b.Lines[0].Blend.Value, 1e-6)
	assert.True(t, b.Lines[0].Binding)
	assert.Equal(t, []string{"head: broken", "brokens: broken"}, b.Bare)
	assert.True(t, b.Lines[0].Blend.Bare)
	assert.InDelta(t, 0, *brokens.MoreKg, 1e-5, "at the limit already")
	assert.InDelta(t, 0, *head.LessKg, 1e-5)
	assert.Nil(t, head.MoreKg)
}

// TestBlendGuardByHand: head 2 ± 0.588 (u = 0.3), brokens 95 ± 3.92 (u = 2),
// 1.645 u to be kept from 10 %. b + 1.645 u = 10 with b = 2 + 93 x and
// u² = 0.09 (1-x)² + 4 x². Squared: (8 - 93 x)² = 2.70554 (0.09 (1-x)² + 4 x²),
// 8637.9344 x² - 1487.5130 x + 63.7565 = 0, the smaller root
// x = (1487.5130 - √(2212694.9 - 2202894.3))/17275.8688 = 0.080374.
func TestBlendGuardByHand(t *testing.T) {
	o := BlendOptions{
		Streams: []Stream{stream("head", pm(2, 0.3*z95)), stream("brokens", pm(95, 2*z95))},
		Limits:  []Limit{atMost("broken", 10)}, Maximise: "broken", BatchKg: 5000, Guard: DefaultGuard,
	}
	b, err := PlanBlend(o)
	require.NoError(t, err)
	require.True(t, b.Feasible)
	x := b.Streams[1].SharePct / 100
	assert.InDelta(t, 0.080374, x, 2e-6)
	u := math.Sqrt(0.09*(1-x)*(1-x) + 4*x*x)
	l := b.Lines[0]
	assert.InDelta(t, 10, l.Guarded, 1e-4)
	assert.InDelta(t, 2+93*x, l.Blend.Value, 1e-6)
	assert.InDelta(t, u*z95, l.Blend.HalfWidth(), 1e-6)
	assert.InDelta(t, 5, *l.BeyondPct, 0.01)

	// Dosing to 2 %: d = 0.0102, the brokens' own part x·(95-10)·d comes on
	// top, and less of them goes in.
	o.DosingPct = 2
	dosed, err := PlanBlend(o)
	require.NoError(t, err)
	y := dosed.Streams[1].SharePct / 100
	assert.Less(t, y, x)
	d := 0.02 / z95
	u = math.Sqrt((1-y)*(1-y)*(0.09+d*d*64) + y*y*(4+d*d*85*85))
	assert.InDelta(t, 10, 2+93*y+DefaultGuard*u, 1e-4)
}

// TestBlendSeveralLimits, by hand: three streams, at most 15 % broken and 2 %
// small broken.
//
//	          broken  small   value
//	head         3     0.1     0.60
//	large       90     1.0     0.42
//	small      100    60.0     0.30
//
// With l of large and s of small the limits are 87 l + 97 s <= 12 and
// 0.9 l + 59.9 s <= 1.9; they meet where s = (1.9 - 0.9 l)/59.9 and
// l·(87 - 97·0.9/59.9) = 12 - 97·1.9/59.9, 85.54257 l = 8.92321: l = 0.104313,
// s = 0.030152. The blend saves 0.18 l + 0.30 s: 0.027822 there, 0.024828 with
// large alone (l = 12/87), 0.009516 with small alone (s = 1.9/59.9). With small
// worth 0.45 it saves 0.023299 where they meet, less than with large alone.
func TestBlendSeveralLimits(t *testing.T) {
	mk := func(name string, broken, small, value float64) Stream {
		return Stream{Name: name, Shares: map[string]Figure{"broken": bare(broken), "small": bare(small)}, ValuePerKg: &value}
	}
	o := BlendOptions{
		Streams: []Stream{mk("head", 3, 0.1, 0.60), mk("large", 90, 1, 0.42), mk("small", 100, 60, 0.30)},
		Limits:  []Limit{atMost("broken", 15), atMost("small", 2)},
		BatchKg: 1000, Maximise: ByGain, PricePerKg: ptr(0.65),
	}
	b, err := PlanBlend(o)
	require.NoError(t, err)
	assert.InDelta(t, 10.4313, b.Streams[1].SharePct, 1e-4)
	assert.InDelta(t, 3.0152, b.Streams[2].SharePct, 1e-4)
	assert.True(t, b.Lines[0].Binding && b.Lines[1].Binding)
	assert.InDelta(t, 0.60-0.027822, *b.WorthPerKg, 1e-6)
	assert.InDelta(t, 0.05+0.027822, *b.GainPerKg, 1e-6)

	o.Streams[2].ValuePerKg = ptr(0.45)
	b, err = PlanBlend(o)
	require.NoError(t, err)
	assert.InDelta(t, 100*12.0/87, b.Streams[1].SharePct, 1e-6)
	assert.InDelta(t, 0, b.Streams[2].SharePct, 1e-6)
	assert.False(t, b.Lines[1].Binding)

	// A stream that the grade makes dearer than all it holds stays out.
	o.Streams[1].ValuePerKg, o.Streams[2].ValuePerKg, o.PricePerKg = ptr(0.70), ptr(0.80), nil
	b, err = PlanBlend(o)
	require.NoError(t, err)
	assert.InDelta(t, 100, b.Streams[0].SharePct, 1e-6)
	assert.Nil(t, b.GainPerKg)
}

func TestBlendStock(t *testing.T) {
	o := BlendOptions{
		Streams: []Stream{stream("head", bare(2)), stream("brokens", bare(95))},
		Limits:  []Limit{atMost("broken", 10)}, Maximise: "broken", BatchKg: 1000,
	}
	o.Streams[1].HaveKg = ptr(50.0)
	b, err := PlanBlend(o)
	require.NoError(t, err)
	assert.InDelta(t, 50, b.Streams[1].MassKg, 1e-6)
	// Room: 1000·(10 - 6.65) = 3350 points·kg; another kg of brokens takes 85.
	assert.InDelta(t, 3350.0/85, *b.Streams[1].MoreKg, 1e-4)
}

func TestBlendInfeasible(t *testing.T) {
	o := BlendOptions{
		Streams: []Stream{stream("head", pm(6, 0.3*z95)), stream("brokens", pm(95, 2*z95))},
		Limits:  []Limit{atMost("broken", 5)}, Maximise: "broken", BatchKg: 1000, Guard: DefaultGuard,
	}
	b, err := PlanBlend(o)
	require.NoError(t, err)
	assert.False(t, b.Feasible)
	assert.Nil(t, b.WorthPerKg)
	require.Len(t, b.Conflicts, 1)
	assert.True(t, b.Single)
	assert.Equal(t, "broken at most 5 %", b.Conflicts[0].What)
	assert.InDelta(t, 6, *b.Conflicts[0].Best, 1e-4)
	assert.InDelta(t, 6+DefaultGuard*0.3, *b.Conflicts[0].BestGuarded, 1e-4)

	// Each could hold, not both: broken at most 5 wants head, at least 40 % of
	// long pieces wants the other. By hand, with broken at 5: x = 3/93 of the
	// brokens, long = 10 + 70·3/93 = 12.26; with long at 40: x = 3/7, broken =
	// 2 + 93·3/7 = 41.86. The third limit has no part in it.
	mk := func(name string, broken, long float64) Stream {
		return Stream{Name: name, Shares: map[string]Figure{"broken": bare(broken), "long": bare(long), "chalky": bare(1)}}
	}
	o = BlendOptions{
		Streams: []Stream{mk("head", 2, 10), mk("brokens", 95, 80)},
		Limits:  []Limit{atMost("broken", 5), atMost("chalky", 7), atLeast("long", 40)}, Maximise: "broken", BatchKg: 1000,
	}
	b, err = PlanBlend(o)
	require.NoError(t, err)
	assert.False(t, b.Feasible)
	assert.False(t, b.Single)
	require.Len(t, b.Conflicts, 2)
	assert.Equal(t, "broken at most 5 %", b.Conflicts[0].What)
	assert.InDelta(t, 2+93*3.0/7, *b.Conflicts[0].Best, 1e-4)
	assert.Equal(t, "long at least 40 %", b.Conflicts[1].What)
	assert.InDelta(t, 10+70*3.0/93, *b.Conflicts[1].Best, 1e-4)

	// Too little head rice in stock.
	o = BlendOptions{
		Streams: []Stream{stream("head", bare(2)), stream("brokens", bare(95))},
		Limits:  []Limit{atMost("broken", 10)}, Maximise: "broken", BatchKg: 1000,
	}
	o.Streams[0].HaveKg = ptr(500.0)
	b, err = PlanBlend(o)
	require.NoError(t, err)
	assert.False(t, b.Feasible)
	require.Len(t, b.Conflicts, 2)
	assert.Equal(t, "stock of head, 500 kg", b.Conflicts[1].What)
	assert.InDelta(t, 48.5, *b.Conflicts[0].Best, 1e-4)
}

// TestBlendStrict: "under 50 %" is kept even where nothing is in doubt.
func TestBlendStrict(t *testing.T) {
	l := atMost("broken", 50)
	l.Strict = true
	b, err := PlanBlend(BlendOptions{
		Streams: []Stream{stream("head", bare(0)), stream("brokens", bare(100))},
		Limits:  []Limit{l}, Maximise: "broken", BatchKg: 1000,
	})
	require.NoError(t, err)
	assert.Less(t, b.Lines[0].Blend.Value, 50.0)
	assert.Greater(t, b.Lines[0].Blend.Value, 49.99)
}

func TestBlendRefusals(t *testing.T) {
	base := func() BlendOptions {
		return BlendOptions{
			Streams: []Stream{stream("head", bare(2)), stream("brokens", bare(95))},
			Limits:  []Limit{atMost("broken", 10)}, Maximise: "broken", BatchKg: 1000,
		}
	}
	for what, edit := range map[string]func(o *BlendOptions){
		"1 stream":             func(o *BlendOptions) { o.Streams = o.Streams[:1] },
		"nothing to keep to":   func(o *BlendOptions) { o.Limits = nil },
		"batch of 0 kg":        func(o *BlendOptions) { o.BatchKg = 0 },
		"batch of NaN kg":      func(o *BlendOptions) { o.BatchKg = math.NaN() },
		"guard of -1":          func(o *BlendOptions) { o.Guard = -1 },
		"dosing known to 80 %": func(o *BlendOptions) { o.DosingPct = 80 },
		"comes twice":          func(o *BlendOptions) { o.Streams[1].Name = "head" },
		"no figure for chalky": func(o *BlendOptions) { o.Limits = append(o.Limits, atMost("chalky", 5)) },
		"no figure for small":  func(o *BlendOptions) { o.Maximise = "small" },
		"value of stream head": func(o *BlendOptions) { o.Maximise = ByGain },
		"together hold 300 kg": func(o *BlendOptions) { o.Streams[0].HaveKg, o.Streams[1].HaveKg = ptr(200.0), ptr(100.0) },
		"-5 kg in stock":       func(o *BlendOptions) { o.Streams[0].HaveKg = ptr(-5.0) },
		"interval 3 to 1":      func(o *BlendOptions) { o.Streams[0] = stream("head", Figure{2, 3, 1, false}) },
		"interval 0 to +Inf":   func(o *BlendOptions) { o.Streams[0] = stream("head", Figure{2, 0, math.Inf(1), false}) },
	} {
		o := base()
		edit(&o)
		_, err := PlanBlend(o)
		e := requireFault(t, err)
		assert.Contains(t, e.What, what)
		assert.NotEmpty(t, e.Hint)
	}
}

// TestBlendWeighedOut: the masses make the batch to the last step, keep within
// a step of the shares (the greatest within three: it takes what is left) and within the stocks, and with one limit keep that.
func TestBlendWeighedOut(t *testing.T) {
	assert.InDelta(t, 0.01, stepOf(1000), 1e-12)
	assert.InDelta(t, 0.1, stepOf(25_000), 1e-12)
	assert.InDelta(t, 0.001, stepOf(999), 1e-12)
	rapid.Check(t, func(t *rapid.T) {
		o := BlendOptions{Limits: []Limit{atMost("broken", 10)}, Maximise: "broken", Guard: 1.645, BatchKg: rapid.Float64Range(0.5, 5e6).Draw(t, "batch")}
		for i := range rapid.IntRange(2, 6).Draw(t, "streams") {
			s := stream(string(rune('a'+i)), pm(rapid.Float64Range(0, 99).Draw(t, "broken"), 1).within(0, 100))
			if i > 0 && rapid.Bool().Draw(t, "bounded") {
				s.HaveKg = ptr(o.BatchKg * rapid.Float64Range(0, 0.3).Draw(t, "stock"))
			}
			o.Streams = append(o.Streams, s)
		}
		o.Streams[0].Shares["broken"] = pm(2, 0.5)
		b, err := PlanBlend(o)
		require.NoError(t, err)
		require.True(t, b.Feasible)
		sum, broken, uu := 0.0, 0.0, 0.0
		for i, s := range b.Streams {
			f := o.Streams[i].Shares["broken"]
			sum += s.MassKg
			broken += s.MassKg * f.Value
			uu += math.Pow(s.MassKg*(f.High-f.Value)/z95, 2)
			assert.InDelta(t, o.BatchKg*s.SharePct/100, s.MassKg, 3*b.StepKg+1e-7*o.BatchKg)
			if s.HaveKg != nil && *s.HaveKg > 2*b.StepKg {
				assert.LessOrEqual(t, s.MassKg, *s.HaveKg+1e-6*o.BatchKg)
			}
		}
		assert.InDelta(t, o.BatchKg, sum, 1e-9*o.BatchKg+1e-9)
		assert.LessOrEqual(t, (broken+1.645*math.Sqrt(uu))/o.BatchKg, 10+1e-3)
	})
}

// TestBlendManyLimitsMeet: where many limits meet in one corner, and stocks are
// empty, a simplex method can run in circles; this problem once did.
func TestBlendManyLimitsMeet(t *testing.T) {
	o := BlendOptions{BatchKg: 1000, Guard: 1.645, Maximise: "c0"}
	for i, shares := range [][]Figure{
		{pm(0, 0), pm(0, 0.5), pm(64, 3), pm(0, 0), pm(0, 0), pm(0, 0), pm(100, 0), pm(0, 1.5)},
		{pm(0, 1.5), pm(14, 1), pm(2, 0), pm(0, 1.5), pm(79, 3), pm(0, 0.5), pm(100, 1.5), pm(17, 3)},
		{pm(0, 0.5), pm(51, 0), pm(0, 1.5), pm(0, 0.5), pm(6, 0), pm(43, 0), pm(0, 1.5), pm(2, 1)},
		{pm(8, 1), pm(100, 0), pm(16, 1), pm(0, 0), pm(0, 1.5), pm(0, 0), pm(0, 0.5), pm(0, 1.5)},
		{pm(54, 0), pm(0, 0.5), pm(4, 1), pm(25, 1), pm(0, 0), pm(0, 0.5), pm(100, 0), pm(12, 1)},
	} {
		s := Stream{Name: string(rune('a' + i)), Shares: map[string]Figure{}}
		for l, f := range shares {
			s.Shares["c"+strconv.Itoa(l)] = f
		}
		if i == 2 || i == 3 {
			s.HaveKg = ptr(0.0)
		}
		o.Streams = append(o.Streams, s)
	}
	for l, v := range []float64{100, 68, 100, 50, 0, 50, 50, 100} {
		limit := atMost("c"+strconv.Itoa(l), v)
		limit.Strict = l == 0 || l == 3 || l == 6
		o.Limits = append(o.Limits, limit)
	}
	b, err := PlanBlend(o)
	require.NoError(t, err)
	// c6 is 100 % in every stream that there is any of.
	require.False(t, b.Feasible)
	assert.Contains(t, b.Conflicts[len(b.Conflicts)-1].What, "c6 under 50 %")

	rapid.Check(t, func(t *rapid.T) {
		few := rapid.SampledFrom([]float64{0, 0, 1, 50, 100})
		o := BlendOptions{BatchKg: 1000, Guard: 1.645, Maximise: "c0"}
		for l := range 6 {
			limit := atMost("c"+strconv.Itoa(l), few.Draw(t, "limit"))
			limit.AtLeast = rapid.Bool().Draw(t, "at least")
			o.Limits = append(o.Limits, limit)
		}
		for i := range 5 {
			s := Stream{Name: string(rune('a' + i)), Shares: map[string]Figure{}, HaveKg: ptr(10 * few.Draw(t, "stock"))}
			for l := range 6 {
				s.Shares["c"+strconv.Itoa(l)] = pm(few.Draw(t, "share"), few.Draw(t, "half")/50).within(0, 100)
			}
			o.Streams = append(o.Streams, s)
		}
		o.Streams[0].HaveKg = nil
		_, err := PlanBlend(o)
		require.NoError(t, err)
	})
}

// TestBlendIsBest: against a fine grid of all blends of three streams under
// two guarded limits, no blend on the grid that keeps the limits is better
// than the plan; the plan keeps them, and makes and loses nothing.
func TestBlendIsBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		figure := rapid.Custom(func(t *rapid.T) Figure {
			v := float64(rapid.IntRange(0, 1000).Draw(t, "tenths")) / 10
			return pm(v, float64(rapid.IntRange(0, 30).Draw(t, "half"))/10).within(0, 100)
		})
		var streams []Stream
		for i := range 3 {
			value := float64(rapid.IntRange(20, 80).Draw(t, "value")) / 100
			streams = append(streams, Stream{
				Name: string(rune('a' + i)), ValuePerKg: &value,
				Shares: map[string]Figure{"broken": figure.Draw(t, "broken"), "small": figure.Draw(t, "small")},
			})
		}
		second := atMost("small", float64(rapid.IntRange(1, 99).Draw(t, "small limit")))
		second.AtLeast = rapid.Bool().Draw(t, "at least")
		o := BlendOptions{
			Streams: streams, Limits: []Limit{atMost("broken", float64(rapid.IntRange(1, 99).Draw(t, "broken limit"))), second},
			BatchKg: 1000, Guard: 1.645, DosingPct: float64(rapid.IntRange(0, 5).Draw(t, "dosing")),
			Maximise: rapid.SampledFrom([]string{ByGain, "broken"}).Draw(t, "maximise"),
		}
		b, err := PlanBlend(o)
		require.NoError(t, err)

		// Written out again, apart from the code under test.
		guarded := func(l Limit, x [3]float64) (g float64) {
			var v, uu float64
			for i, s := range streams {
				f := s.Shares[l.Code]
				side := f.High - f.Value
				if l.AtLeast {
					side = f.Value - f.Low
				}
				d := o.DosingPct / 100 * (f.Value - l.Value)
				v += x[i] * f.Value
				uu += x[i] * x[i] * (side*side + d*d) / (z95 * z95)
			}
			if l.AtLeast {
				return l.Value - (v - 1.645*math.Sqrt(uu))
			}
			return v + 1.645*math.Sqrt(uu) - l.Value
		}
		gain := func(x [3]float64) (g float64) {
			for i, s := range streams {
				if o.Maximise == ByGain {
					g -= x[i] * *s.ValuePerKg
				} else {
					g += x[i] * s.Shares["broken"].Value
				}
			}
			return g
		}
		best := math.Inf(-1)
		const n = 60
		for i := 0; i <= n; i++ {
			for j := 0; i+j <= n; j++ {
				x := [3]float64{float64(i) / n, float64(j) / n, float64(n-i-j) / n}
				if guarded(o.Limits[0], x) <= 0 && guarded(o.Limits[1], x) <= 0 {
					best = max(best, gain(x))
				}
			}
		}
		if !b.Feasible {
			require.True(t, math.IsInf(best, -1), "a blend keeps the limits after all")
			require.NotEmpty(t, b.Conflicts)
			return
		}
		var x [3]float64
		mass := 0.0
		for i, s := range b.Streams {
			x[i] = s.SharePct / 100
			mass += s.MassKg
			assert.GreaterOrEqual(t, x[i], 0.0)
		}
		assert.InDelta(t, 1000, mass, 1e-9)
		for i, l := range o.Limits {
			assert.LessOrEqual(t, guarded(l, x), 2e-4, "limit %d", i)
			in := 0.0
			for j, s := range b.Streams {
				in += s.MassKg * streams[j].Shares[l.Code].Value
			}
			assert.InDelta(t, b.Lines[i].Blend.Value*1000, in, 3, "what goes in comes out, to a step of each stream")
		}
		assert.GreaterOrEqual(t, gain(x), best-1e-3)
	})
}

// TestBlendConflictIsSmallest: every limit named is needed for the
// contradiction.
func TestBlendConflictIsSmallest(t *testing.T) {
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 4).Draw(t, "streams")
		codes := []string{"p", "q", "r", "s"}
		o := BlendOptions{BatchKg: 100, Maximise: "p", Guard: 1}
		for i := range n {
			s := Stream{Name: string(rune('a' + i)), Shares: map[string]Figure{}}
			for _, c := range codes {
				s.Shares[c] = pm(float64(rapid.IntRange(0, 100).Draw(t, c)), 1).within(0, 100)
			}
			o.Streams = append(o.Streams, s)
		}
		for _, c := range codes {
			l := atMost(c, float64(rapid.IntRange(10, 90).Draw(t, "limit")))
			l.AtLeast = rapid.Bool().Draw(t, "at least")
			o.Limits = append(o.Limits, l)
		}
		b, err := PlanBlend(o)
		require.NoError(t, err)
		if b.Feasible || b.Single {
			return
		}
		found++
		for drop := range b.Conflicts {
			again := o
			again.Limits = nil
			for i, c := range b.Conflicts {
				for _, l := range o.Limits {
					if l.String() == c.What && i != drop {
						again.Limits = append(again.Limits, l)
					}
				}
			}
			require.Len(t, again.Limits, len(b.Conflicts)-1)
			rest, err := PlanBlend(again)
			require.NoError(t, err)
			assert.True(t, rest.Feasible, "without %s", b.Conflicts[drop].What)
		}
	})
	assert.Positive(t, found, "no conflict of several limits was drawn")
}

// TestBlendKeepsItsPromise: streams whose true shares scatter about the graded
// ones as their intervals say, dosed as well as stated, give a blend beyond
// the limit in 5 of 100 batches.
func TestBlendKeepsItsPromise(t *testing.T) {
	o := BlendOptions{
		Streams: []Stream{stream("head", pm(2, 0.6)), stream("large", pm(88, 3)), stream("small", pm(97, 2))},
		Limits:  []Limit{atMost("broken", 15)}, Maximise: "broken", BatchKg: 1000, Guard: DefaultGuard, DosingPct: 3,
	}
	b, err := PlanBlend(o)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(21, 0))
	const runs = 20_000
	over := 0
	for range runs {
		var mass, broken float64
		for i, s := range b.Streams {
			m := s.MassKg * (1 + r.NormFloat64()*0.03/z95)
			mass += m
			broken += m * o.Streams[i].Shares["broken"].At(r.NormFloat64())
		}
		if broken/mass > 15 {
			over++
		}
	}
	// Three standard deviations are 0.5 points.
	assert.InDelta(t, 5, 100*float64(over)/runs, 0.6)
	assert.InDelta(t, 5, *b.Lines[0].BeyondPct, 0.05)
}

func ExamplePlanBlend() {
	// Invented figures: head rice with 1.5 ± 0.4 % broken and brokens of 96 ± 1 %.
	head, _ := ParseShare("1.5±0.4")
	brokens, _ := ParseShare("96±1")
	b, err := PlanBlend(BlendOptions{
		Streams: []Stream{
			{Name: "head", Shares: map[string]Figure{"broken": head}},
			{Name: "brokens", Shares: map[string]Figure{"broken": brokens}},
		},
		Limits:   []Limit{{Code: "broken", Label: "broken", Value: 5, Unit: "%"}},
		Maximise: "broken", BatchKg: 1000, Guard: DefaultGuard, DosingPct: DefaultDosingPct,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range b.Streams {
		fmt.Printf("%s %.1f kg\n", s.Name, s.MassKg)
	}
	fmt.Printf("broken %.2f %%\n", b.Lines[0].Blend.Value)
	// Output:
	// head 966.4 kg
	// brokens 33.6 kg
	// broken 4.67 %
}
