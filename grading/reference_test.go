package grading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"traytally/vision/kernel"
)

// long reports whether the long simulations were asked for.
func long() bool { return os.Getenv("TRAYTALLY_LONG") != "" }

// usual is a lot of long-grain rice: whole kernels scatter by 4.5 %, pieces
// keep anything from 0.10 to 0.97 of their parent, 5 % of the tips are judged
// wrongly and 10 % not at all.
func usual() lot {
	return lot{mean: 6.9, cv: 0.045, cut: uniform(0.10, 0.97), tipErr: 0.05, hidden: 0.1, lengthSD: 0.02}
}

// tried is what many fits of trays of n kernels came to: the mean error
// against the tray's own unbroken kernels, its standard error, the root mean
// square of the error against the lot in units of the stated standard error,
// the mean share of pieces under 3/4, and the number of refusals.
type tried struct {
	bias, biasSE, z, broken float64
	refused                 int
}

func tryFits(t *testing.T, l lot, n, reps int) tried {
	r := rand.New(rand.NewPCG(uint64(n), 1))
	var e, e2, z2, broken, c float64
	var out tried
	for range reps {
		tray, mean, b := l.tray(r, n)
		gathered, err := gather([]kernel.Tray{tray})
		require.NoError(t, err)
		rice := gathered.Pieces
		ref, err := fitReference(rice, Caliper)
		broken += b
		if err != nil {
			out.refused++
			continue
		}
		d := ref.Length/mean - 1
		e += d
		e2 += d * d
		z := (ref.Length - l.mean) / ref.SE
		z2 += z * z
		c++
	}
	out.bias = e / c
	out.biasSE = math.Sqrt(max(0, e2/c-out.bias*out.bias) / c)
	out.z = math.Sqrt(z2 / c)
	out.broken = broken / float64(reps)
	return out
}

// TestReferenceBias holds the promise of 0.5 % from no broken kernels to 60 %
// by count, from 60 kernels to 3000. Four standard errors of the simulation
// are allowed on top. TRAYTALLY_LONG=1 runs more trays and prints the table.
func TestReferenceBias(t *testing.T) {
	const promise = 0.005
	for _, c := range []struct {
		name string
		edit func(*lot)
		// limit on the bias where it is not the promise, for the shares of
		// pieces 0, 0.4 and 0.8; see the comments.
		limit [3]float64
	}{
		{name: "tips judged", edit: func(*lot) {}},
		{name: "tips not judged", edit: func(l *lot) { l.noTips = true }},
		{name: "one tip in seven judged wrongly", edit: func(l *lot) { l.tipErr = 0.15 }},
		// What short tips and small breaks look like can hardly be told apart here
		// where one tip in twenty is judged wrongly; on drawn trays one in a
		// hundred is (TestEnds of package vision).
		{name: "short rice, 6 % scatter", edit: func(l *lot) { l.mean, l.cv = 5, 0.06 }, limit: [3]float64{0.005, 0.005, 0.008}},
		{name: "short rice, 6 % scatter, tips well judged", edit: func(l *lot) { l.mean, l.cv, l.tipErr = 5, 0.06, 0.01 }},
		{name: "pieces up to 0.90 only", edit: func(l *lot) { l.cut = uniform(0.10, 0.90) }},
		{name: "pieces gather about one half", edit: func(l *lot) {
			l.cut = func(r *rand.Rand) float64 { return min(0.97, max(0.1, 0.5+0.12*r.NormFloat64())) }
		}},
		// A tenth of the whole kernels belongs to a short tail, which looks much
		// like pieces with their tips judged wrongly.
		{name: "short tail of whole kernels", edit: func(l *lot) {
			l.whole = func(r *rand.Rand) float64 {
				if r.Float64() < 0.1 {
					return 0.96 - 0.05*r.ExpFloat64()
				}
				return 1.01 + 0.04*r.NormFloat64()
			}
		}, limit: [3]float64{0.005, 0.005, 0.008}},
		// Half of the breaks that cost 3 to 15 % of the length do not show: the
		// fit allows for that, and still reads low where they are many.
		{name: "small breaks that do not show", edit: func(l *lot) {
			l.chipTip = func(f float64) float64 { return 0.5 * min(1, max(0, (f-0.85)/0.12)) }
		}, limit: [3]float64{0.005, 0.005, 0.010}},
		// Without tips nothing tells a piece of 0.9 from a short kernel but the
		// shape of the distribution: a wrong guess of where pieces end costs
		// about one percent at the worst.
		{name: "pieces up to 0.90 only, tips not judged", edit: func(l *lot) {
			l.cut, l.noTips = uniform(0.10, 0.90), true
		}, limit: [3]float64{0.005, 0.005, 0.013}},
	} {
		for i, pieces := range []float64{0, 0.4, 0.8} {
			for _, n := range []int{60, 300, 3000} {
				reps := max(8, 6000/n)
				if long() {
					reps = max(100, 60000/n)
				} else if testing.Short() {
					reps /= 4
				}
				l := usual()
				c.edit(&l)
				l.pieces = pieces
				if l.noTips && n == 60 && pieces == 0.8 {
					// Twelve whole kernels among 48 pieces with nothing but their
					// lengths to go by: a few trays settle on a chance heap.
					continue
				}
				t.Run(fmt.Sprintf("%s/pieces=%g/n=%d", c.name, pieces, n), func(t *testing.T) {
					got := tryFits(t, l, n, reps)
					if long() {
						t.Logf("broken %.0f %%: bias %+.2f ± %.2f %%, error over SE %.2f, refused %d of %d",
							100*got.broken, 100*got.bias, 100*got.biasSE, got.z, got.refused, reps)
					}
					limit := promise
					if c.limit[i] > 0 {
						limit = c.limit[i]
					}
					assert.Less(t, math.Abs(got.bias), limit+4*got.biasSE)
					assert.LessOrEqual(t, got.refused, reps/10, "trays refused")
				})
			}
		}
	}
}

// TestReferenceSE: the stated standard error is that of the lot's mean. With
// 200 trays the root mean square of z has a standard error of 5 %.
func TestReferenceSE(t *testing.T) {
	for _, pieces := range []float64{0, 0.2, 0.6} {
		for _, noTips := range []bool{false, true} {
			t.Run(fmt.Sprintf("pieces=%g/noTips=%v", pieces, noTips), func(t *testing.T) {
				l := usual()
				l.pieces, l.noTips = pieces, noTips
				got := tryFits(t, l, 300, 200)
				assert.InDelta(t, 1, got.z, 0.25)
			})
		}
	}
}

// TestPlainMethodsReadLow repeats the comparison the method was chosen by: a
// thousand particles, whole N(6.60, 0.30) mm, pieces uniform from 0.15 to 0.95
// of the parent. Taking the mean of what exceeds 3/4 of the mean, over and over,
// reads about 0.23 mm low with half of them pieces; the fit does not.
func TestPlainMethodsReadLow(t *testing.T) {
	l := lot{mean: 6.6, cv: 0.30 / 6.6, pieces: 0.5, cut: uniform(0.15, 0.95), noTips: true}
	r := rand.New(rand.NewPCG(4, 1))
	const reps = 20
	var plain, fit float64
	for range reps {
		tray, mean, _ := l.tray(r, 1000)
		gathered, err := gather([]kernel.Tray{tray})
		require.NoError(t, err)
		rice := gathered.Pieces
		m := 0.0
		for range 50 {
			var sum, n float64
			for i := range rice {
				if rice[i].Length >= 0.75*m {
					sum += rice[i].Length
					n++
				}
			}
			m = sum / n
		}
		ref, err := fitReference(rice, Caliper)
		require.NoError(t, err)
		plain += (m - mean) / reps
		fit += (ref.Length - mean) / reps
	}
	assert.InDelta(t, -0.233, plain, 0.03, "mean of those over 3/4 of the mean")
	assert.InDelta(t, 0, fit, 0.02, "fit")
}

// TestReferenceRefuses: a sample of pieces only has no whole-kernel length.
// What the tips say is told all the same: nearly all are broken, which the
// interval holds, and no size class has a share. One tip in twenty is judged
// wrongly in this lot, and one in ten not at all.
func TestReferenceRefuses(t *testing.T) {
	for _, cut := range [][2]float64{{0.1, 0.5}, {0.1, 0.7}, {0.2, 0.95}} {
		l := usual()
		l.pieces, l.cut = 1, uniform(cut[0], cut[1])
		r := rand.New(rand.NewPCG(9, 9))
		refused := 0
		for range 20 {
			tray, _, _ := l.tray(r, 300)
			r, err := Analyse([]kernel.Tray{tray}, DefaultParams())
			require.NoError(t, err)
			if r.Reference.Method != NotTold {
				continue
			}
			refused++
			assert.Zero(t, r.ReferenceLengthMM)
			assert.Zero(t, r.Reference.Length)
			assert.Nil(t, r.TradeClass)
			assert.Nil(t, r.Broken.Other)
			require.NotEmpty(t, r.Warnings)
			assert.Equal(t, "whole_length_not_told", r.Warnings[len(r.Warnings)-1].Code)
			assert.Contains(t, r.Warnings[len(r.Warnings)-1].Hint, "--whole-length")
			assert.InDelta(t, 94, r.Broken.CountPct.Value, 6)
			assert.Less(t, r.Broken.CountPct.Low, r.Broken.CountPct.Value)
			assert.Greater(t, r.Broken.CountPct.High, 95.0)
			for _, s := range r.Shares {
				assert.NotEqual(t, KindClass, s.Kind)
			}
			for _, k := range r.Kernels {
				assert.Contains(t, []Class{Head, AnyBroken, Untold}, k.Class)
				assert.Zero(t, k.LengthRatio)
			}
		}
		assert.GreaterOrEqual(t, refused, 19, "pieces from %g to %g", cut[0], cut[1])
	}
}

// TestMixedKinds: two kinds of rice are told, one kind with many brokens is not
// taken for two.
func TestMixedKinds(t *testing.T) {
	has := func(res *Result, code string) bool {
		for _, w := range res.Warnings {
			if w.Code == code {
				return true
			}
		}
		return false
	}
	r := rand.New(rand.NewPCG(3, 3))
	mixed, single := 0, 0
	for range 20 {
		l := usual()
		l.pieces, l.cv = 0.1, 0.042
		tray, _, _ := l.tray(r, 300)
		l.whole = func(r *rand.Rand) float64 {
			m := 1.0
			if r.Float64() < 0.3 {
				m = 0.8
			}
			return m * (1 + 0.042*r.NormFloat64())
		}
		two, _, _ := l.tray(r, 300)
		if res, err := Analyse([]kernel.Tray{two}, DefaultParams()); err != nil || has(res, "two_lengths") || has(res, "wide_lengths") {
			mixed++
		}
		l = usual()
		l.pieces = 0.7
		many, _, _ := l.tray(r, 300)
		for _, one := range []kernel.Tray{tray, many} {
			res, err := Analyse([]kernel.Tray{one}, DefaultParams())
			require.NoError(t, err)
			if has(res, "two_lengths") {
				single++
			}
		}
	}
	assert.GreaterOrEqual(t, mixed, 18, "of 20 mixtures told")
	assert.LessOrEqual(t, single, 1, "of 40 single kinds taken for two")
}

// TestReferenceOfAnything: whatever the pieces, the length found lies among
// theirs and is a number, or there is an error.
func TestReferenceOfAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		end := rapid.SampledFrom([]kernel.End{kernel.EndUnknown, kernel.EndIntact, kernel.EndBroken})
		pieces := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Piece {
			l := math.Exp(rapid.Float64Range(-8, 8).Draw(t, "log length"))
			k := kernel.Kernel{Ends: [2]kernel.End{end.Draw(t, "end"), end.Draw(t, "end")}}
			return Piece{Length: l, Axis: l, Odds: [2]float64{k.Odds(0), k.Odds(1)}}
		}), 1, 40).Draw(t, "pieces")
		lo, hi := math.Inf(1), 0.0
		for _, p := range pieces {
			lo, hi = min(lo, p.Length), max(hi, p.Length)
		}
		ref, err := fitReference(pieces, Caliper)
		if err != nil {
			require.ErrorIs(t, err, ErrNoReference)
			return
		}
		require.True(t, lo*(1-1e-9) <= ref.Length && ref.Length <= hi*(1+1e-9), "%g not in %g..%g", ref.Length, lo, hi)
		require.True(t, finite(ref.SE) && ref.SE > 0 && finite(ref.SD) && finite(ref.second), "%+v", ref)
	})
}

// TestPickedIsPlainMean: hand-computed, 6, 7 and 8 mm have mean 7, standard
// deviation 1 and standard error 1/√3.
func TestPickedIsPlainMean(t *testing.T) {
	ref := picked([]Piece{{Length: 6}, {Length: 7}, {Length: 8}}, Caliper)
	assert.InDelta(t, 7, ref.Length, 1e-12)
	assert.InDelta(t, 1, ref.SD, 1e-12)
	assert.InDelta(t, 1/math.Sqrt(3), ref.SE, 1e-12)
	assert.Equal(t, FromPicked, ref.Method)
}
