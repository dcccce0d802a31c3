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
	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading/standards"
	"traytally/vision/kernel/fault"
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
	require.NotNil(t, p.AcceptPct)
	require.NotNil(t, p.RejectPct)
	assert.Less(t, *p.AcceptPct, 5.0)
	assert.Greater(t, *p.RejectPct, 5.0)
	assert.InDelta(t, 0.9, p.Power, 0.005)
	for i, o := range p.OC {
		assert.InDelta(t, 1, o.Supports+o.NotProven+o.Contradicts, 2e-4)
		if i > 0 {
			assert.Greater(t, o.True, p.OC[i-1].True)
			assert.LessOrEqual(t, o.Supports, p.OC[i-1].Supports, "a worse lot passes less often")
			assert.GreaterOrEqual(t, o.Contradicts, p.OC[i-1].Contradicts)
		}
		if o.True == 5 {
			assert.InDelta(t, 0.025, o.Supports, 0.01, "on the limit the consumer's risk")
			assert.InDelta(t, 0.025, o.Contradicts, 0.01, "on the limit the producer's risk")
		}
	}
	// The same plan carried out on simulated trays.
	supports, _ := outcomes(t, simLot{3}, 300, p.Kernels, 0, DefaultDecision(), 9)
	assert.InDelta(t, 0.9, supports, 0.06)

	bad, err := MakePlan(decisionPlan(5, 8))
	require.NoError(t, err)
	_, contradicts := outcomes(t, simLot{8}, 300, bad.Kernels, 0, DefaultDecision(), 9)
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

// A lower limit is the mirror of an upper one: at least 95 % of heads is at
// most 5 % of the rest.
func TestPlanForALowerLimit(t *testing.T) {
	like := PieceModel{WholeCV: 0.1, BrokenMean: 1, BrokenSD: 0.1, From: "model"}
	up := decisionPlan(5, 3)
	down := decisionPlan(95, 97)
	down.Limit.Bound = standards.AtLeast
	up.Model, down.Model = like, like
	a, err := MakePlan(up)
	require.NoError(t, err)
	b, err := MakePlan(down)
	require.NoError(t, err)
	assert.InDelta(t, a.Kernels, b.Kernels, 0.01*float64(a.Kernels))
	assert.InDelta(t, 100-*a.AcceptPct, *b.AcceptPct, 0.02)
	assert.InDelta(t, 100-*a.RejectPct, *b.RejectPct, 0.02)
	assert.Greater(t, b.OC[len(b.OC)-1].Supports, b.OC[0].Supports)
	var svg bytes.Buffer
	require.NoError(t, b.WriteChart(&svg, "heads"))
}

// With a guard band of g points the figure must be g inside the limit, and a
// lot on the limit is called so as often as the normal distribution says.
func TestPlanWithAGuardBand(t *testing.T) {
	o := decisionPlan(5, 4)
	o.GuardBand, o.Kernels = ptr(0.5), 2000
	p, err := MakePlan(o)
	require.NoError(t, err)
	assert.InDelta(t, 4.5, *p.AcceptPct, 1e-3)
	assert.InDelta(t, 5.5, *p.RejectPct, 1e-3)
	u := 100 * math.Sqrt(o.Model.K(0.05)*0.05*0.95/2000)
	assert.InDelta(t, 1-distuv.UnitNormal.CDF(0.5/u), p.Risks.Consumer, 3e-3, "the count is binomial")
	supports, _ := outcomes(t, simLot{5}, 1000, 2000, 0, Decision{DefaultRisks(), o.GuardBand}, 21)
	assert.InDelta(t, p.Risks.Consumer, supports, 0.05)
}

// The models behind plans for other factors than the broken share.
func TestFactorModel(t *testing.T) {
	thai, us, ph := lookup(t, "thai-white"), lookup(t, "us-long"), lookup(t, "ph")
	// Head rice scatters as what it leaves does.
	m, err := FactorModel(ph, ph.Factor("head"), 0)
	require.NoError(t, err)
	assert.InDelta(t, piecesFrom(0.16, 0.8).K(0.05), m.K(0.95), 1e-3)
	m, err = FactorModel(us, us.Broken(), 0)
	require.NoError(t, err)
	assert.Equal(t, DefaultPieceModel(), m)
	m, err = FactorModel(thai, thai.Broken(), 6) // under 5.0 parts in 25 % super
	require.NoError(t, err)
	assert.Equal(t, piecesFrom(0.1, 0.5), m)
	m, err = FactorModel(us, us.Factor("chalky"), 0)
	require.NoError(t, err)
	assert.InDelta(t, 1+wholeCV*wholeCV, m.K(0.02), 1e-9, "kernels that weigh alike: the binomial, and their scatter")
	for _, row := range []struct {
		std    *standards.Standard
		factor string
	}{{us, "seeds_heat_paddy"}, {us, "odour"}} {
		_, err := FactorModel(row.std, row.std.Factor(row.factor), 0)
		assert.ErrorIs(t, err, ErrParams, row.factor)
	}
}

// Pieces that pass 1.75 mm are no longer than that. By hand: masses evenly
// spread from 0.053 to 0.265 of a kernel have E(m²)/E(m) = 0.183, which is k
// where there are few (k = E(m²)/E(m) for R near 0). It was 0.52, that of all
// brokens.
func TestC1PlansUseThePiecesThatCanBeC1(t *testing.T) {
	thai := lookup(t, "thai-white")
	g, err := thai.Grade("5 %")
	require.NoError(t, err)
	m, err := FactorModel(thai, thai.Factor("c1"), g)
	require.NoError(t, err)
	assert.InDelta(t, 0.18, m.K(0.001), 0.01)
	assert.InDelta(t, 2*0.1/1.75, m.SieveRel, 1e-3)
}

// What no picture decides is not planned for.
func TestPlanRefusesWhatNoPictureDecides(t *testing.T) {
	us := lookup(t, "us-long")
	for factor, want := range map[string]string{"moisture": "no picture shows moisture", "chalky": "suspects only of chalky kernels"} {
		o := DefaultPlanOptions()
		for _, l := range us.Limits(0) {
			if l.Factor.Code == factor {
				o.Limit, o.ExpectPct = &l, l.Value/2
			}
		}
		_, err := MakePlan(o)
		var ie *fault.Error
		require.ErrorAs(t, err, &ie)
		assert.Contains(t, ie.What, want)
	}
}

// Where few are expected the operating characteristic is that of the pieces, not
// a normal one, and it holds the risks that stand beside it. By hand, for pieces
// of equal mass: if up to c of n are accepted, a lot on the limit p is accepted
// with the binomial probability of c or fewer.
func TestFewBrokensAreReckonedExactly(t *testing.T) {
	for _, row := range []struct{ expect, limit float64 }{{0.15, 1}, {0.3, 1}, {0.1, 0.5}, {0.5, 2}, {3, 5}} {
		for _, m := range []PieceModel{{BrokenMean: 1, From: "model"}, DefaultPieceModel(), piecesFrom(0.053, 0.265)} {
			o := decisionPlan(row.limit, row.expect)
			o.Limit.Factor = nil
			o.Model = m
			p, err := MakePlan(o)
			require.NoError(t, err)
			for i := range p.OC {
				x := &p.OC[i]
				slack := 5e-5
				if m.BrokenMean != 1 {
					slack = 0.004 // their scatter at the limit is not that of a sample inside it
				}
				if x.True >= row.limit {
					assert.LessOrEqual(t, x.Supports, 0.025+slack, "%+v, %+v: at %g %%", row, m, x.True)
				}
				if x.True <= row.limit {
					assert.LessOrEqual(t, x.Contradicts, 0.025+slack, "%+v, %+v: at %g %%", row, m, x.True)
				}
				if m.BrokenMean == 1 && p.AcceptPct != nil {
					c := math.Floor(*p.AcceptPct/100*float64(p.Kernels) + 1e-4)
					want := distuv.Binomial{N: float64(p.Kernels), P: x.True / 100}.CDF(c)
					assert.InDelta(t, want, x.Supports, 2e-4, "%+v at %g %%", row, x.True)
				}
			}
		}
	}
}

// countPlan is for at most so many per kg.
func countPlan(perKg, expect float64) CountPlanOptions {
	return CountPlanOptions{
		Limit:  standards.Limit{Factor: &standards.Factor{Code: "paddy"}, Bound: standards.AtMost, Value: perKg, Unit: "per kg", Basis: standards.PerKg},
		Expect: expect, Risks: DefaultRisks(), Power: 0.9, WholeKernelMG: 18,
	}
}

// How much rice a number per kg takes, by the exact one-sided 97.5 % limits of
// a Poisson count: none found -> 3.689, 1 -> 5.572, 2 -> 7.225, 12 -> 20.96
// (E.S. Pearson, H.O. Hartley, Biometrika Tables, Table 40; from memory).
func TestCountPlan(t *testing.T) {
	p, err := MakeCountPlan(countPlan(2, 0))
	require.NoError(t, err)
	assert.InDelta(t, 1000*3.689/2, p.Grams, 1, "none found must mean at most 2 per kg")
	assert.Equal(t, 0, *p.AcceptUpTo)
	assert.Equal(t, 1.0, p.Power)
	p, err = MakeCountPlan(countPlan(7, 0))
	require.NoError(t, err)
	assert.Equal(t, 1000.0, p.Grams, "never less than the portion")
	assert.Equal(t, 1, *p.AcceptUpTo, "1 allows 5.6, 2 allow 7.2")
	assert.Equal(t, 14, *p.RejectFrom, "13 may come of 6.9 per kg, 14 of 7.65 at the least")
	assert.Equal(t, 55556, p.Kernels)

	o := countPlan(7, 0)
	o.Grams = 25
	little, err := MakeCountPlan(o)
	require.NoError(t, err)
	assert.Nil(t, little.AcceptUpTo)
	assert.Zero(t, little.Power)
	assert.Equal(t, 2, *little.RejectFrom, "2 in 25 g are 9.7 per kg at the least")

	for _, row := range [][2]float64{{7, 3}, {5, 2}, {20, 12}, {5, 11}, {15, 30}} {
		o := countPlan(row[0], row[1])
		p, err := MakeCountPlan(o)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, p.Power, 0.9, "%v", row)
		for part := 0.99; part > 0.5; part -= 0.01 {
			less := o
			less.Grams = p.Grams * part
			q, err := MakeCountPlan(less)
			require.NoError(t, err)
			assert.Less(t, q.Power, 0.9, "%v: %g g would do", row, less.Grams)
		}
		// The risks, from the counts themselves.
		for _, x := range p.OC {
			assert.InDelta(t, 1, x.Supports+x.NotProven+x.Contradicts, 2e-4)
			if x.True >= row[0] {
				assert.LessOrEqual(t, x.Supports, 0.0251, "%v at %g per kg", row, x.True)
			} else {
				assert.LessOrEqual(t, x.Contradicts, 0.0251, "%v at %g per kg", row, x.True)
			}
		}
		var svg bytes.Buffer
		require.NoError(t, p.WriteChart(&svg, "paddy"))
	}
	for name, o := range map[string]CountPlanOptions{
		"none": countPlan(0, 0), "on the limit": countPlan(5, 5), "negative": countPlan(5, -1), "NaN": countPlan(5, math.NaN()),
	} {
		_, err := MakeCountPlan(o)
		assert.ErrorIs(t, err, ErrParams, name)
	}
}

// Ten kernels prove nothing about 5 %: even none broken allows 26 %.
func TestPlanWithTooFewKernels(t *testing.T) {
	o := decisionPlan(5, 1)
	o.Kernels = 10
	p, err := MakePlan(o)
	require.NoError(t, err)
	assert.Nil(t, p.AcceptPct)
	assert.Zero(t, p.Power)
}

func TestPlanRefuses(t *testing.T) {
	for name, row := range map[string]struct {
		change func(*PlanOptions)
		want   string
	}{
		"nothing asked":       {func(o *PlanOptions) {}, "nothing to plan for"},
		"both":                {func(o *PlanOptions) { *o = decisionPlan(5, 3); o.HalfWidthPct = 1 }, "both"},
		"expect 0":            {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, 0 }, "expected share of 0"},
		"expect NaN":          {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, math.NaN() }, "expected share"},
		"on the limit":        {func(o *PlanOptions) { *o = decisionPlan(5, 5) }, "no number of kernels decides"},
		"method too rough":    {func(o *PlanOptions) { o.HalfWidthPct, o.MethodU = 0.5, 0.3 }, "cannot be reached"},
		"method hides it":     {func(o *PlanOptions) { *o = decisionPlan(5, 4.5); o.MethodU = 1 }, "no number of kernels decides"},
		"guard band":          {func(o *PlanOptions) { *o = decisionPlan(5, 3); o.GuardBand = ptr(30.0) }, "a guard band of 30 points"},
		"in the guard band":   {func(o *PlanOptions) { *o = decisionPlan(5, 4.8); o.GuardBand = ptr(0.3) }, "no number of kernels decides"},
		"zero limit":          {func(o *PlanOptions) { *o = decisionPlan(0, 3) }, "a limit of none at all"},
		"expect a fraction":   {func(o *PlanOptions) { o.HalfWidthPct, o.ExpectPct = 1, 0.04 }, "expected share of 0.04 %"},
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
			var ie *fault.Error
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
