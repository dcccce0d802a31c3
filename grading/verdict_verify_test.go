package grading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
	"traytally/vision/kernel"
)

func verify(t testing.TB, s *Sample, code, declared string, sheet *Sheet, rule Decision) *Verification {
	t.Helper()
	v, err := Verify(s, lookup(t, code), declared, sheet, rule)
	require.NoError(t, err)
	return v
}

func TestVerifyOutcomes(t *testing.T) {
	for _, row := range []struct {
		broken       float64
		declared     string
		want, phrase string
	}{
		{2.0, "No. 1", Supports, "the sample supports U.S. No. 1 in what was assessed; 14 not assessed"},
		{9.3, "No. 2", Contradicts, "the sample contradicts U.S. No. 2: total broken kernels 9.30 % ("},
		{9.3, "No. 3", Supports, "supports U.S. No. 3"},
		{7.1, "No. 2", NotProven, "not proven either way for U.S. No. 2: total broken kernels 7.10 % ("},
		{6.9, "No. 2", NotProven, "at most 7.0 %"},
		{60, "U.S. No. 6", Contradicts, "at most 50.0 %"},
	} {
		v := verify(t, heaped(heap{share: row.broken, length: 0.5}), "us-long", row.declared, nil, DefaultDecision())
		assert.Equal(t, row.want, v.Outcome, "%g %% as %s", row.broken, row.declared)
		assert.Contains(t, v.Statement, row.phrase)
		assert.Equal(t, row.want == NotProven, v.More != nil)
	}
	v := verify(t, heaped(heap{share: 2, length: 0.5}), "us-long", "1", fullUSSheet(), DefaultDecision())
	assert.Equal(t, "the sample supports U.S. No. 1 in every factor", v.Statement)
	assert.True(t, v.Complete)
	v = verify(t, heaped(), "us-long", "1", &Sheet{MoisturePct: ptr(15.6)}, DefaultDecision())
	assert.Equal(t, "the sample contradicts U.S. No. 1: moisture 15.60 %, at most 15.0 %", v.Statement)
}

func TestVerifyRefuses(t *testing.T) {
	std := lookup(t, "us-long")
	var ge *standards.UnknownGradeError
	_, err := Verify(heaped(), std, "U.S. No. 7", nil, DefaultDecision())
	require.ErrorAs(t, err, &ge)
	_, err = Verify(heaped(), std, "1", nil, Decision{Risks: Risks{5, 0.025}})
	var ie *InputError
	require.ErrorAs(t, err, &ie)
	assert.Contains(t, ie.Hint, "did you mean 0.05?")
	_, err = Verify(heaped(), std, "1", nil, Decision{Risks: Risks{math.NaN(), 0.025}})
	require.ErrorIs(t, err, ErrParams)
	var se *SheetError
	_, err = Verify(heaped(), std, "1", &Sheet{MoisturePct: ptr(140.0)}, DefaultDecision())
	require.ErrorAs(t, err, &se)
	_, err = Verify(heaped(), std, "1", &Sheet{ByHand: map[string]HandValue{"chlky": {Number: 1}}}, DefaultDecision())
	require.ErrorAs(t, err, &se)
	assert.Contains(t, se.Hint(), "did you mean chalky")
}

// A limit of zero can be failed and never proven.
func TestZeroLimitIsNeverProven(t *testing.T) {
	v := verify(t, heaped(heap{share: 1, length: 0.6}), "thai-white", "100 % A", nil, DefaultDecision())
	assert.Equal(t, NotProven, v.Outcome)
	require.NotNil(t, v.More)
	assert.False(t, v.More.Possible)
	assert.Contains(t, v.More.Why, "no number of kernels proves that there is none")
}

// Zener diode, JCGM 106:2012, clause 7 (from memory): measured -5.47 V with
// u = 0.05 V against an upper limit of -5.40 V conforms with probability 0.92.
func TestConformanceProbability(t *testing.T) {
	assert.InDelta(t, 0.92, ConformanceProbability(-5.47, 0.05, -5.40, standards.AtMost), 0.005)
	assert.InDelta(t, 0.08, ConformanceProbability(-5.47, 0.05, -5.40, standards.AtLeast), 0.005)
	assert.InDelta(t, 0.5, ConformanceProbability(7, 1, 7, standards.AtMost), 1e-12)
}

// A guard band of 2 u leaves a risk of 2.3 %, one of 1.645 u 5 %, none at all
// half of the lots that lie on the limit (JCGM 106:2012, clause 8; factors of
// the normal distribution).
func TestGuardBandRisk(t *testing.T) {
	l := standards.Limit{Bound: standards.AtMost, Value: 5}
	s := Share{EffectiveN: 0.05 * 0.95 / (0.003 * 0.003)} // u of 0.3 points at 5 %
	for _, row := range [][2]float64{{2, 0.02275}, {1.645, 0.05}, {0, 0.5}} {
		assert.InDelta(t, row[1], s.bandRisk(l, row[0]*0.3), 1e-4, "%g u", row[0])
	}
}

// A stated guard band decides by the figure alone: inside the limit by the band
// or more, beyond it by more, or not at all. A band of 0 is simple acceptance.
func TestStatedGuardBand(t *testing.T) {
	for _, row := range []struct {
		pct, band float64
		want      string
	}{
		{4.7, 0.3, Supports}, {4.71, 0.3, NotProven}, {5.3, 0.3, NotProven}, {5.31, 0.3, Contradicts},
		{5, 0, Supports}, {5.001, 0, Contradicts}, {3.9, 1, Supports}, {4.1, 1, NotProven},
	} {
		v := verify(t, heaped(heap{share: row.pct, length: 0.5}), "trade", "5", nil, Decision{DefaultRisks(), &row.band})
		assert.Equal(t, row.want, v.Outcome, "%g %% with a band of %g", row.pct, row.band)
		assert.Equal(t, row.band, *v.GuardBand)
		assert.Equal(t, v.Risks.Consumer, v.Risks.Producer, "one limit, and a band as wide on either side")
	}
	std := lookup(t, "trade")
	for _, band := range []float64{-0.1, 21, math.NaN()} {
		_, err := Verify(heaped(), std, "5", nil, Decision{DefaultRisks(), &band})
		assert.ErrorIs(t, err, ErrParams, "%g", band)
	}
}

// The risks that a stated guard band is said to leave are those it has: in a lot
// that lies on the limit. 1000 trays, three standard errors.
func TestStatedGuardBandHoldsItsRisks(t *testing.T) {
	const trays, n = 1000, 500
	for _, band := range []float64{0, 0.4, 1} {
		rule := Decision{DefaultRisks(), &band}
		v := verify(t, simLot{5}.tray(rand.New(rand.NewPCG(3, 3)), n, 0), "trade", "5", nil, rule)
		supports, contradicts := outcomes(t, simLot{5}, trays, n, 0, rule, 12)
		slack := 3*math.Sqrt(v.Risks.Consumer*(1-v.Risks.Consumer)/trays) + 0.02 // the sample's own u is off by a tenth
		assert.InDelta(t, v.Risks.Consumer, supports, slack, "band of %g", band)
		assert.InDelta(t, v.Risks.Producer, contradicts, slack, "band of %g", band)
	}
}

// From memory: JCGM 106 and the interval rule agree where the figure lies on
// the edge of acceptance: there the probability of conformity is 1 - risk.
func TestVerdictAgreesWithProbability(t *testing.T) {
	for pct := 3.0; pct < 7; pct += 0.05 {
		v := verify(t, heaped(heap{share: pct, length: 0.5}), "trade", "5", nil, Decision{Risks: Risks{0.05, 0.05}})
		c := v.Checks[0]
		switch c.Verdict {
		case Meets:
			assert.GreaterOrEqual(t, *c.Conforms, 0.95-1e-3, "%g %%", pct)
		case Fails:
			assert.LessOrEqual(t, *c.Conforms, 0.05+1e-3, "%g %%", pct)
		default:
			assert.InDelta(t, 0.5, *c.Conforms, 0.45+1e-3, "%g %%", pct)
		}
	}
}

// A simLot is a heap of rice that trays are drawn from: whole kernels of
// scattering mass and pieces between 0.15 and 0.74 of a kernel.
type simLot struct{ brokenPct float64 }

const (
	simPieceMean = (0.15 + 0.74) / 2
	simReference = 7.2
)

func (l simLot) tray(rng *rand.Rand, n int, referenceSE float64) *Sample {
	r := l.brokenPct / 100
	p := r / (r + simPieceMean*(1-r)) // share by count
	s := &Sample{Params: DefaultParams(), MM: true, Trays: 1, Reference: Reference{
		Length: simReference * (1 + referenceSE*rng.NormFloat64()), SE: simReference * referenceSE, N: float64(n), Method: FromSample,
	}}
	s.Pieces = make([]Piece, n)
	for i := range s.Pieces {
		scatter := 1 + 0.084*rng.NormFloat64()
		ratio := 1 + 0.045*rng.NormFloat64()
		mass := 1.0
		if rng.Float64() < p {
			ratio = 0.15 + 0.59*rng.Float64()
			mass = ratio
		}
		s.Pieces[i] = Piece{
			Length: ratio * simReference, Axis: ratio * simReference, Width: 2.1, Area: ratio, Mass: mass * scatter,
			Ends: [2]kernel.End{kernel.EndIntact, kernel.EndIntact},
		}
	}
	return s
}

func outcomes(t testing.TB, lot simLot, trays, n int, referenceSE float64, rule Decision, seed uint64) (supports, contradicts float64) {
	t.Helper()
	return outcomesAgainst(t, "5", lot, trays, n, referenceSE, rule, seed)
}

// outcomesAgainst is how often trays of the lot support and contradict the trade
// class declared.
func outcomesAgainst(t testing.TB, declared string, lot simLot, trays, n int, referenceSE float64, rule Decision, seed uint64) (supports, contradicts float64) {
	t.Helper()
	std := lookup(t, "trade")
	rng := rand.New(rand.NewPCG(seed, 7))
	for range trays {
		v, err := Verify(lot.tray(rng, n, referenceSE), std, declared, nil, rule)
		require.NoError(t, err)
		switch v.Outcome {
		case Supports:
			supports++
		case Contradicts:
			contradicts++
		}
	}
	return supports / float64(trays), contradicts / float64(trays)
}

// The stated risks hold where they are worst: in a lot that lies exactly on the
// limit. 1000 trays leave a standard error of 0.5 points on 2.5 % and of 0.7 on
// 5 %; three of them are allowed.
func TestRisksHoldOnALotAtTheLimit(t *testing.T) {
	const trays = 1000
	type setting struct {
		limit       float64 // a trade class
		n           int
		risks       Risks
		referenceSE float64
	}
	settings := map[string]setting{
		"default":            {5, 500, DefaultRisks(), 0},
		"uneven":             {5, 500, Risks{0.05, 0.01}, 0},
		"reference in doubt": {5, 500, DefaultRisks(), 0.004},
	}
	if long() {
		for _, limit := range []float64{5, 10, 15, 25} {
			for _, n := range []int{200, 800, 3000} {
				settings[fmt.Sprintf("%g %%, %d kernels", limit, n)] = setting{limit, n, DefaultRisks(), 0.002}
			}
		}
	}
	for name, row := range settings {
		t.Run(name, func(t *testing.T) {
			falseAccept, falseReject := outcomesAgainst(t, fmt.Sprint(row.limit), simLot{row.limit}, trays, row.n, row.referenceSE, Decision{Risks: row.risks}, 11)
			margin := func(risk float64) float64 { return risk + 3*math.Sqrt(risk*(1-risk)/trays) }
			if long() {
				t.Logf("supported %.1f %%, contradicted %.1f %%", 100*falseAccept, 100*falseReject)
			}
			assert.LessOrEqual(t, falseAccept, margin(row.risks.Consumer), "consumer's risk")
			assert.LessOrEqual(t, falseReject, margin(row.risks.Producer), "producer's risk")
			assert.Positive(t, falseAccept+falseReject, "a rule that never decides would pass too")
		})
	}
}

// More kernels decide as often as promised, nine times in ten, in a lot that is
// as the sample was measured.
func TestMoreKernelsDecide(t *testing.T) {
	s := heaped(heap{share: 4, length: 0.5, n: 40})
	for i := 40; i < 440; i++ { // 400 whole kernels
		s.Pieces[i].Mass *= 5
	}
	s.Pieces = s.Pieces[:440]
	v := verify(t, s, "trade", "5", nil, DefaultDecision())
	require.InDelta(t, 4, *v.Checks[0].Value, 1e-3)
	require.Equal(t, NotProven, v.Outcome)
	require.NotNil(t, v.More)
	require.True(t, v.More.Possible)
	assert.Equal(t, int(math.Ceil(float64(v.More.Kernels)/440)), v.More.Trays)
	rng := rand.New(rand.NewPCG(4, 4))
	std := lookup(t, "trade")
	const trays = 300 // two standard errors of 0.9 are 0.035
	supports := 0
	for range trays {
		more := *s
		more.Pieces = make([]Piece, 440+v.More.Kernels)
		for i := range more.Pieces {
			more.Pieces[i] = s.Pieces[rng.IntN(len(s.Pieces))]
		}
		w, err := Verify(&more, std, "5", nil, DefaultDecision())
		require.NoError(t, err)
		if w.Outcome == Supports {
			supports++
		}
	}
	assert.InDelta(t, 0.9, float64(supports)/trays, 0.05, "%d more kernels", v.More.Kernels)
}

// With several limits the producer's risk is shared among them.
func TestProducersRiskIsShared(t *testing.T) {
	v := verify(t, heaped(heap{share: 3, length: 0.6}), "thai-white", "5 %", nil, Decision{Risks: Risks{0.05, 0.05}})
	assessed := 0
	for _, c := range v.Checks {
		if c.Verdict != Unassessed {
			assessed++
			assert.NotNil(t, c.Conforms, c.Limit)
		} else {
			assert.Nil(t, c.Conforms, c.Limit)
		}
	}
	require.Greater(t, assessed, 5)
	assert.InDelta(t, 0.05/float64(assessed), v.ProducerPerLine, 1e-12)
}

func BenchmarkEvaluate(b *testing.B) {
	lot := simLot{8}.tray(rand.New(rand.NewPCG(1, 1)), 5000, 0.002)
	for _, code := range []string{"us-long", "thai-white"} {
		std := lookup(b, code)
		b.Run(code, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Evaluate(lot, std, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
