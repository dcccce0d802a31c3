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

// A drawnContract is a contract with one to six limits on what a picture shows,
// a lot for it, and what its sheet says.
type drawnContract struct {
	std    *standards.Standard
	limits map[string]float64 // percent, broken first
	sheet  *Sheet
	byHand string // a factor that was counted by hand, and is on the sheet
}

func drawContract(t testing.TB, rng *rand.Rand) drawnContract {
	flags := []string{"chalky", "yellow", "red", "damaged", "red_streaked"}
	rng.Shuffle(len(flags), func(i, j int) { flags[i], flags[j] = flags[j], flags[i] })
	c := drawnContract{limits: map[string]float64{"broken": math.Round(10*(2+13*rng.Float64())) / 10}}
	lines := []string{fmt.Sprint("broken at_most ", c.limits["broken"])}
	for _, f := range flags[:rng.IntN(6)] {
		c.limits[f] = math.Round(10*(1+7*rng.Float64())) / 10
		lines = append(lines, fmt.Sprint(f, " at_most ", c.limits[f]))
	}
	if rng.IntN(2) == 0 {
		lines = append(lines, "moisture at_most 14")
		c.sheet = &Sheet{MoisturePct: ptr(13.1)}
	}
	c.std = contract(t, lines...)
	if last := c.std.Factors[len(c.limits)-1].Code; last != "broken" && rng.IntN(4) == 0 {
		if c.sheet == nil {
			c.sheet = &Sheet{}
		}
		c.byHand = last
		c.sheet.ByHand = map[string]HandValue{last: {Number: c.limits[last] / 2}}
	}
	return c
}

// plan is the plan for the whole contract, with so much broken expected.
func (c *drawnContract) plan(t testing.TB, expect float64) *Plan {
	o := DefaultPlanOptions()
	for _, l := range c.std.Limits(0) {
		if l.Factor.Code == "broken" {
			o.Limit = &l
		}
	}
	o.ExpectPct = expect
	o.Beside, o.Sharing = GradeLimits(c.std, 0)
	p, err := MakePlan(o)
	require.NoError(t, err)
	return p
}

// drawnSample draws n kernels of a lot with the shares given, percent by mass; a
// defect is as frequent among brokens as among whole kernels.
func drawnSample(rng *rand.Rand, n int, shares map[string]float64) *Sample {
	s := simLot{shares["broken"]}.tray(rng, n, 0)
	for i := range s.Pieces {
		p := &s.Pieces[i]
		for _, f := range []kernel.Flag{kernel.Yellow, kernel.Red, kernel.Damaged, kernel.RedStreaked} {
			if q, ok := shares[string(f)]; ok && rng.Float64() < q/100 {
				p.Flags = append(p.Flags, f)
			}
		}
		if q, ok := shares["chalky"]; ok && rng.Float64() < q/100 {
			p.ChalkShare = 0.9
		}
	}
	return s
}

// What the plan promises, the verdict keeps: of lots that are as expected at
// least 90 in 100 are decided, rightly, and the risks are at most those stated,
// with 0.4 points for chance, by contracts with one to six limits that a picture
// decides, with and without figures on the sheet. The consumer's risk is worst
// in a lot that is on one limit and well within the others, the producer's in one
// that is on all of them. TRAYTALLY_LONG=1 draws 10,000 lots of each kind, to a
// standard error of 0.16 points on 2.5 %; the short form 300, to 0.9.
func TestPlannedSamplesDecide(t *testing.T) {
	contracts, lots, slack := 12, 25, 0.004+2*0.009
	if long() {
		contracts, lots, slack = 100, 100, 0.004
	}
	rng := rand.New(rand.NewPCG(5, 8))
	all := float64(contracts * lots)
	var supported, contradicted, passed, blamed float64
	for range contracts {
		c := drawContract(t, rng)
		limit := c.limits["broken"]
		rule := DefaultDecision()
		count := func(shares map[string]float64, n int, want string) (hits float64) {
			v, err := Verify(drawnSample(rng, n, shares), c.std, "first", c.sheet, rule)
			require.NoError(t, err)
			if v.Outcome == want {
				return 1
			}
			return 0
		}
		good, bad := limit*(0.3+0.4*rng.Float64()), limit*(1.4+0.6*rng.Float64())
		forGood, forBad := c.plan(t, good), c.plan(t, bad)
		half, onAll := map[string]float64{}, map[string]float64{}
		for f, x := range c.limits {
			half[f], onAll[f] = x/2, x
		}
		with := func(shares map[string]float64, f string, x float64) map[string]float64 {
			out := map[string]float64{}
			for k, v := range shares {
				out[k] = v
			}
			out[f] = x
			return out
		}
		var names []string
		for _, l := range c.std.Limits(0) {
			if l.Factor.Code != "moisture" && l.Factor.Code != c.byHand {
				names = append(names, l.Factor.Code)
			}
		}
		for range lots {
			supported += count(with(half, "broken", good), forGood.Kernels, Supports)
			contradicted += count(with(half, "broken", bad), forBad.Kernels, Contradicts)
			on := names[rng.IntN(len(names))]
			passed += count(with(with(half, "broken", good), on, c.limits[on]), forGood.Kernels, Supports)
			blamed += count(onAll, forGood.Kernels, Contradicts)
		}
	}
	t.Logf("of %g lots each: good ones supported %.1f %%, bad ones contradicted %.1f %%; on a limit supported %.2f %%, on all of them contradicted %.2f %%",
		all, 100*supported/all, 100*contradicted/all, 100*passed/all, 100*blamed/all)
	assert.GreaterOrEqual(t, supported/all, 0.9-2*(slack-0.004))
	assert.GreaterOrEqual(t, contradicted/all, 0.9-2*(slack-0.004))
	assert.LessOrEqual(t, passed/all, 0.025+slack, "consumer's risk")
	assert.LessOrEqual(t, blamed/all, 0.025+slack, "producer's risk")
	assert.Positive(t, passed+blamed, "a rule that never decides would pass too")
}
