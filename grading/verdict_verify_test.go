package grading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
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
		{2.0, "No. 1", Supports, "the sample supports U.S. No. 1 in what was assessed; 15 not assessed"},
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
	_, err := Verify(heaped(), std, "U.S. No. 7", nil, DefaultDecision())
	assert.ErrorContains(t, err, `us-long has no grade "U.S. No. 7"`)
	_, err = Verify(heaped(), std, "1", nil, Decision{Risks: Risks{5, 0.025}})
	var ie *fault.Error
	require.ErrorAs(t, err, &ie)
	assert.Contains(t, ie.Hint, "did you mean 0.05?")
	_, err = Verify(heaped(), std, "1", nil, Decision{Risks: Risks{math.NaN(), 0.025}})
	require.ErrorIs(t, err, ErrParams)
	_, err = Verify(heaped(), std, "1", &Sheet{MoisturePct: ptr(140.0)}, DefaultDecision())
	require.ErrorIs(t, err, ErrSheet)
	_, err = Verify(heaped(), std, "1", &Sheet{ByHand: map[string]HandValue{"chlky": {Number: 1}}}, DefaultDecision())
	require.ErrorIs(t, err, ErrSheet)
	assert.Contains(t, fault.Of(err).Hint, "did you mean chalky")
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
	s := Share{Interval: Interval{EffectiveN: 0.05 * 0.95 / (0.003 * 0.003)}} // u of 0.3 points at 5 %
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

// The producer's risk is shared among the limits that an interval could
// contradict: figures on the sheet cannot err and have no part in it, and limits
// that contradict nobody need none. A documented moisture once doubled the
// divisor and turned this sample, 5.9 % against 4.9, into "not proven".
func TestProducersRiskIsSharedByIntervalsOnly(t *testing.T) {
	std := contract(t, "broken at_most 4.9", "moisture at_most 14")
	s := heaped(heap{share: 5.88, length: 0.5, n: 140})
	bare, err := Verify(s, std, "first", nil, DefaultDecision())
	require.NoError(t, err)
	dry, err := Verify(s, std, "first", &Sheet{MoisturePct: ptr(13.2)}, DefaultDecision())
	require.NoError(t, err)
	for _, v := range []*Verification{bare, dry} {
		assert.Equal(t, Contradicts, v.Outcome)
		assert.Equal(t, 1, v.Sharing)
		assert.InDelta(t, 0.025, v.ProducerPerLine, 1e-12)
		assert.Contains(t, v.Statement, fmt.Sprintf("(%.2f to %.2f)", *v.Checks[0].UsedLow, *v.Checks[0].UsedHigh), "the interval that decided is told")
		assert.Greater(t, *v.Checks[0].UsedLow, 4.9)
	}
	assert.Equal(t, bare.Checks[0].UsedLow, dry.Checks[0].UsedLow)
	half := bare.Checks[0].figure.oneSided(0.0125)
	assert.Less(t, half.Low, 4.9, "half of the risk would not have decided")
	v := verify(t, heaped(heap{share: 3, length: 0.6}), "thai-white", "5 %", nil, Decision{Risks: Risks{0.05, 0.05}})
	sharing := 0
	for _, c := range v.Checks {
		assert.Equal(t, c.Verdict != Unassessed, c.Conforms != nil, c.Limit)
		if c.figure.uncertain() && !c.figure.hint && !c.limit.Sieved && c.Mark != standards.FromMemory {
			sharing++
		}
	}
	require.Greater(t, sharing, 3)
	assert.Equal(t, sharing, v.Sharing)
	assert.InDelta(t, 0.05/float64(sharing), v.ProducerPerLine, 1e-12)
}

// The plan shares the producer's risk as the verdict does: over the limits that
// a picture could contradict.
func TestPlanSharesTheRiskAsTheVerdictDoes(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	for _, std := range all {
		for g, grade := range std.Grades {
			_, sharing := GradeLimits(std, g)
			v, err := Verify(heaped(heap{share: 5, length: 0.5}), std, grade, nil, DefaultDecision())
			require.NoError(t, err)
			assert.Equal(t, sharing, max(v.Sharing, 1), "%s, %s", std.Code, grade)
		}
	}
}

// A limit from memory contradicts nobody, nor does one for which outlines stood
// in for a sieve: it says by hand, and how.
func TestByHand(t *testing.T) {
	v := verify(t, heaped(heap{share: 9.3, length: 0.5}), "vn-white", "5 %", nil, DefaultDecision())
	assert.Equal(t, NotProven, v.Outcome)
	assert.Equal(t, ByHand, v.Checks[0].Verdict)
	assert.Contains(t, v.Statement, "at most 7 % (from memory), by hand: look the limit up in the printed standard")
	assert.Contains(t, v.Next[0], "By hand: brokens with small ones")
	assert.False(t, v.More.Possible)

	s := heaped(heap{share: 3, length: 0.2}) // 1.44 mm long: all of it passes 1.75 mm
	for i := range s.Pieces {
		if p := &s.Pieces[i]; p.Length < 2 {
			p.Width = p.Length
		}
	}
	v = verify(t, s, "thai-white", "10 %", nil, DefaultDecision())
	assert.Equal(t, NotProven, v.Outcome)
	assert.Contains(t, v.Statement, "small brokens C1 3.00 %")
	assert.Contains(t, v.Statement, "outlines stood in for a sieve; sieve it by hand")
	v = verify(t, s, "thai-white", "10 %", &Sheet{ByHand: map[string]HandValue{"c1": {Number: 3}}}, DefaultDecision())
	assert.Equal(t, Contradicts, v.Outcome, "sieved by hand it can")
	g := evaluate(t, s, "thai-white", nil)
	assert.NotEqual(t, "25 %", g.NotExcluded, "an outline excludes no grade")
}

// A share that was sorted and weighed: 4.1 g of 98.7 g are 4.154 %. The balance
// adds u = 0.1/98.7·sqrt(1+r²) = 0.1014 points (law of propagation of
// uncertainty, JCGM 100:2008, 5.1.2) to what the kernels drawn leave.
func TestWeighedByHand(t *testing.T) {
	std := lookup(t, "us-long")
	sheet := &Sheet{Weighed: map[string]Weighing{"broken": {4.1, 98.7}}, BalanceG: ptr(0.001)}
	v, err := Verify(NoSample(), std, "No. 2", sheet, DefaultDecision())
	require.NoError(t, err)
	c := v.Checks[0]
	assert.InDelta(t, 4.154, *c.Value, 1e-3)
	assert.Equal(t, FromWeighing, c.From)
	assert.Equal(t, Supports, v.Outcome)
	assert.Equal(t, 1, v.Sharing)
	fine := c.figure.share.EffectiveN
	sheet.BalanceG = ptr(0.1)
	v, err = Verify(NoSample(), std, "No. 2", sheet, DefaultDecision())
	require.NoError(t, err)
	r := 4.1 / 98.7
	u := 0.1 / 98.7 * math.Hypot(1, r)
	assert.InEpsilon(t, 1/(1/fine+u*u/(r*(1-r))), v.Checks[0].figure.share.EffectiveN, 1e-3)
	model := DefaultPieceModel()
	n := 98.7e3 / 18 / model.meanMass(r)
	assert.InEpsilon(t, n/model.K(r), fine, 0.02)
	for _, bad := range []*Sheet{
		{Weighed: map[string]Weighing{"broken": {4.1, 98.7}}},
		{Weighed: map[string]Weighing{"broken": {98.7, 4.1}}, BalanceG: ptr(0.01)},
		{Weighed: map[string]Weighing{"colour": {1, 4.1}}, BalanceG: ptr(0.01)},
		{Weighed: map[string]Weighing{"brokn": {1, 4.1}}, BalanceG: ptr(0.01)},
	} {
		_, err := Verify(NoSample(), std, "No. 2", bad, DefaultDecision())
		assert.ErrorIs(t, err, ErrSheet)
	}
}

// contract is a standard with these limits, "FACTOR BOUND VALUE"; the factor is
// broken, moisture or a flag of kernels.
func contract(t testing.TB, limits ...string) *standards.Standard {
	t.Helper()
	head, _, _ := strings.Cut(standards.Template, "factors:\n")
	head = strings.Replace(head, "grades: [first, second]", "grades: [first]", 1)
	var text strings.Builder
	text.WriteString(head + "factors:\n")
	for _, l := range limits {
		f := strings.Fields(l)
		shown := map[string]string{
			"broken": "picture: decides, pieces: {sizes: [broken]}", "moisture": "sheet: moisture_pct",
			"chalky": "picture: decides, pieces: {chalk_from: 0.5}",
		}[f[0]]
		if shown == "" {
			shown = "picture: decides, pieces: {flags: [" + f[0] + "]}"
		}
		fmt.Fprintf(&text, "  - {code: %s, name: %s, basis: mass, clause: a, source: contract, %s, %s: %s}\n", f[0], f[0], shown, f[1], f[2])
	}
	ed, problems := standards.Parse("contract.yaml", []byte(text.String()))
	require.Empty(t, problems)
	return ed.Variants[0]
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
