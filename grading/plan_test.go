package grading

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"traytally/grading/standards"
)

// k = 1 is the binomial: 384.16 for 50 % within 5 points (W.G. Cochran,
// Sampling Techniques, 1977, section 4.4).
func TestPlanOfACountIsTheTextbooks(t *testing.T) {
	o := DefaultPlanOptions()
	o.Model = PieceModel{BrokenMean: 1}
	assert.InDelta(t, 1, o.Model.K(0.5), 1e-12)
	assert.InDelta(t, 1, o.Model.K(0.03), 1e-12)
	o.ExpectPct, o.HalfWidthPct = 50, 5
	p, err := MakePlan(o)
	require.NoError(t, err)
	assert.Equal(t, 385, p.Kernels)
}

// k as worked out for pieces cut evenly over the length of their parent: 0.53,
// 0.62, 0.68 and 0.87 at 2.8, 7.5, 14 and 28 % broken, by a simulation apart
// from this package. The model here is simpler; 5 % is what separates them.
func TestKOfTheModel(t *testing.T) {
	m := DefaultPieceModel()
	for r, want := range map[float64]float64{0.028: 0.53, 0.075: 0.62, 0.14: 0.68, 0.28: 0.87} {
		assert.InEpsilon(t, want, m.K(r), 0.05, "%g", r)
	}
}

// The scatter of simulated trays is what k says. 1500 trays give the standard
// deviation to 1.8 %; 6 % is three of that.
func TestKAgainstSimulatedTrays(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for _, pct := range []float64{4, 20} {
		var shares []float64
		var lot *Sample
		const trays, n = 1500, 400
		for range trays {
			lot = simLot{pct}.tray(rng, n, 0)
			broken, all := 0.0, 0.0
			for i := range lot.Pieces {
				all += lot.Pieces[i].Mass
				if lot.Pieces[i].Length < 0.75*simReference {
					broken += lot.Pieces[i].Mass
				}
			}
			shares = append(shares, broken/all)
		}
		m := PieceModel{WholeCV: 0.084, BrokenMean: simPieceMean, BrokenSD: math.Hypot(0.59/math.Sqrt(12), 0.084*math.Hypot(simPieceMean, 0.59/math.Sqrt(12)))}
		r := pct / 100
		assert.InEpsilon(t, math.Sqrt(m.K(r)*r*(1-r)/n), stat.StdDev(shares, nil), 0.06, "%g %%", pct)
		assert.InDelta(t, r, stat.Mean(shares, nil), 0.002)
		big := simLot{pct}.tray(rng, 20000, 0)
		own, err := big.PieceModel()
		require.NoError(t, err)
		assert.InEpsilon(t, m.K(r), own.K(r), 0.05, "k from a graded sample")
	}
	_, err := heaped(heap{share: 1, length: 0.5, n: 19}).PieceModel()
	assert.ErrorContains(t, err, "19 broken")
}

func decisionPlan(limit, expect float64) PlanOptions {
	o := DefaultPlanOptions()
	o.Limit = &standards.Limit{Bound: standards.AtMost, Value: limit}
	o.ExpectPct = expect
	return o
}

func TestPlanDecides(t *testing.T) {
	p, err := MakePlan(decisionPlan(5, 3))
	require.NoError(t, err)
	require.NotNil(t, p.AcceptUpToPct)
	require.NotNil(t, p.RejectFromPct)
	assert.Less(t, *p.AcceptUpToPct, 5.0)
	assert.Greater(t, *p.RejectFromPct, 5.0)
	assert.InDelta(t, 0.9, p.Power, 0.005)
	for i, o := range p.OC {
		assert.InDelta(t, 1, o.Supports+o.NotProven+o.Contradicts, 2e-4)
		if i > 0 {
			assert.Greater(t, o.TruePct, p.OC[i-1].TruePct)
			assert.LessOrEqual(t, o.Supports, p.OC[i-1].Supports, "a worse lot passes less often")
			assert.GreaterOrEqual(t, o.Contradicts, p.OC[i-1].Contradicts)
		}
		if o.TruePct == 5 {
			assert.InDelta(t, 0.025, o.Supports, 0.01, "on the limit the consumer's risk")
			assert.InDelta(t, 0.025, o.Contradicts, 0.01, "on the limit the producer's risk")
		}
	}
	// The same plan carried out on simulated trays.
	supports, _ := outcomes(t, simLot{3}, 300, p.Kernels, 0, DefaultRisks(), 9)
	assert.InDelta(t, 0.9, supports, 0.06)

	bad, err := MakePlan(decisionPlan(5, 8))
	require.NoError(t, err)
	_, contradicts := outcomes(t, simLot{8}, 300, bad.Kernels, 0, DefaultRisks(), 9)
	assert.InDelta(t, 0.9, contradicts, 0.06)
	nearer, err := MakePlan(decisionPlan(5, 4))
	require.NoError(t, err)
	assert.Greater(t, nearer.Kernels, 3*p.Kernels, "half the distance takes about four times the rice")
}

func TestPlanKnowsTheStandardsRounding(t *testing.T) {
	o := decisionPlan(4, 3)
	o.Limit.Round = standards.Rule{Mode: "half_up", Digits: 1}
	p, err := MakePlan(o)
	require.NoError(t, err)
	assert.InDelta(t, 4.05, p.LimitPct, 1e-12)
}

// Ten kernels prove nothing about 5 %: even none broken allows 26 %.
func TestPlanWithTooFewKernels(t *testing.T) {
	o := decisionPlan(5, 1)
	o.Kernels = 10
	p, err := MakePlan(o)
	require.NoError(t, err)
	assert.Nil(t, p.AcceptUpToPct)
	assert.Zero(t, p.Power)
}

func TestPlanRefuses(t *testing.T) {
	for name, row := range map[string]struct {
		change func(*PlanOptions)
		want   string
	}{
		"nothing asked":       {func(o *PlanOptions) {}, "nothing to plan for"},
		"both":                {func(o *PlanOptions) { *o = decisionPlan(5, 3); o.HalfWidthPct = 1 }, "both"},
		"expect 0":            {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, 0 }, "expected broken share of 0"},
		"expect NaN":          {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, math.NaN() }, "expected broken share"},
		"on the limit":        {func(o *PlanOptions) { *o = decisionPlan(5, 5) }, "no number of kernels decides"},
		"method too rough":    {func(o *PlanOptions) { o.HalfWidthPct, o.MethodU = 0.5, 0.3 }, "cannot be reached"},
		"method hides it":     {func(o *PlanOptions) { *o = decisionPlan(5, 4.5); o.MethodU = 1 }, "no number of kernels decides"},
		"lower limit":         {func(o *PlanOptions) { *o = decisionPlan(5, 3); o.Limit.Bound = standards.AtLeast }, "no upper limit"},
		"zero limit":          {func(o *PlanOptions) { *o = decisionPlan(0, 3) }, "no upper limit"},
		"expect a fraction":   {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, 0.04 }, "expected broken share of 0.04 %"},
		"limit a fraction":    {func(o *PlanOptions) { *o = decisionPlan(0.05, 3) }, "a limit of 0.05 %"},
		"risk in percent":     {func(o *PlanOptions) { o.HalfWidthPct = 1; o.Risks.Consumer = 5 }, "consumer's risk of 5"},
		"power":               {func(o *PlanOptions) { o.HalfWidthPct = 1; o.Power = 1 }, "probability of deciding"},
		"kernel in grams":     {func(o *PlanOptions) { o.HalfWidthPct = 1; o.WholeKernelMG = 0.018 }, "a kernel of 0.018 mg"},
		"no tray":             {func(o *PlanOptions) { o.HalfWidthPct = 1; o.KernelsPerTray = 0 }, "0 kernels on a tray"},
		"mountain of kernels": {func(o *PlanOptions) { o.HalfWidthPct = 0.0001 }, "it would take"},
	} {
		t.Run(name, func(t *testing.T) {
			o := DefaultPlanOptions()
			row.change(&o)
			_, err := MakePlan(o)
			var ie *InputError
			require.ErrorAs(t, err, &ie)
			assert.Contains(t, ie.What, row.want)
			assert.NotEmpty(t, ie.Hint)
		})
	}
}

func TestChart(t *testing.T) {
	p, err := MakePlan(decisionPlan(5, 3))
	require.NoError(t, err)
	var a, b bytes.Buffer
	require.NoError(t, p.WriteChart(&a, `limit <5 %> & "more"`))
	require.NoError(t, p.WriteChart(&b, `limit <5 %> & "more"`))
	assert.Equal(t, a.String(), b.String())
	d := xml.NewDecoder(strings.NewReader(a.String()))
	paths := 0
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, "well-formed")
		if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "path" {
			paths++
		}
	}
	assert.Equal(t, 3, paths)
	p.OC = nil
	assert.ErrorIs(t, p.WriteChart(&a, ""), ErrNoLimit)
}
