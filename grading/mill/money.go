package mill

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"

	"traytally/vision/kernel/fault"
)

// PricedFractions are what a mill buys and sells: paddy is bought, the others
// are sold.
var PricedFractions = []string{"paddy", "head", "brokens", "bran", "husk"}

// A Worth is what the fractions of a balance are worth, as weighed, in the
// money of the prices. Intervals are those of the masses; prices are exact.
type Worth struct {
	Lines []WorthLine `json:"lines"`
	// Sold is the worth of all priced products, Margin what is left of it after
	// the paddy; null without its price.
	Sold   Figure  `json:"sold"`
	Margin *Figure `json:"margin"`
	// BrokenPoint is what one point less broken in the milled rice would add.
	BrokenPoint float64  `json:"worth_of_one_point_less_broken"`
	NotPriced   []string `json:"not_priced"` // fractions without a price
}

// A WorthLine is one fraction.
type WorthLine struct {
	Fraction string  `json:"fraction"`
	Mass     Figure  `json:"mass_g"`
	PerKg    float64 `json:"price_per_kg"`
	Worth    Figure  `json:"worth"`
}

// WorthOf values a balance by prices per kg, by the names of PricedFractions.
// A price of a fraction that the balance does not have is a *fault.Error.
func (y *Yield) WorthOf(prices map[string]float64) (*Worth, error) {
	mass := func(name string) *Figure {
		if i := slices.IndexFunc(y.Masses, func(m YieldMass) bool { return m.Fraction == name }); i >= 0 {
			return &y.Masses[i].Weighed
		}
		return nil
	}
	var content *Figure // head rice in the milled rice, percent
	if i := slices.IndexFunc(y.Ratios, func(r YieldRatio) bool { return r.Code == "head_rice_content" }); i >= 0 {
		content = &y.Ratios[i].Value
	}
	// in holds what the worth hangs on, each once: milled rice and its head
	// share, bran, husk, paddy.
	in := make([]Figure, 5)
	for i, f := range []*Figure{mass("milled rice"), content, mass("bran"), mass("husk"), mass("paddy")} {
		if in[i] = Exact(0); f != nil {
			in[i] = *f
		}
	}
	grams := map[string]func(x []float64) float64{
		"head":    func(x []float64) float64 { return x[0] * x[1] / 100 },
		"brokens": func(x []float64) float64 { return x[0] * (100 - x[1]) / 100 },
		"bran":    func(x []float64) float64 { return x[2] },
		"husk":    func(x []float64) float64 { return x[3] },
		"paddy":   func(x []float64) float64 { return x[4] },
	}
	has := map[string]bool{
		"head": mass("milled rice") != nil && content != nil, "bran": mass("bran") != nil, "husk": mass("husk") != nil, "paddy": mass("paddy") != nil,
	}
	has["brokens"] = has["head"]
	w := &Worth{Lines: []WorthLine{}, NotPriced: []string{}}
	of := func(name string) func(x []float64) float64 {
		return func(x []float64) float64 { return grams[name](x) / 1000 * prices[name] }
	}
	var sold []func(x []float64) float64
	for _, name := range PricedFractions {
		price, priced := prices[name]
		switch {
		case priced && !has[name]:
			return nil, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("a price for %s, and no mass of it", name), Hint: "weigh it, or for head rice and brokens give the graded sample: --sample FILE"}
		case priced && !(price >= 0 && price <= 1e9):
			return nil, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("a price of %g for %s", price, name), Hint: "money per kg: head=0.55"}
		case !priced && has[name]:
			w.NotPriced = append(w.NotPriced, name)
		case priced:
			w.Lines = append(w.Lines, WorthLine{name, propagate(in, grams[name]), price, propagate(in, of(name))})
			if name != "paddy" {
				sold = append(sold, of(name))
			}
		}
	}
	for name := range prices {
		if !slices.Contains(PricedFractions, name) {
			return nil, &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("no price is asked for %q", name), Hint: "one of: " + strings.Join(PricedFractions, ", ")}
		}
	}
	total := func(x []float64) float64 {
		var parts []float64
		for _, f := range sold {
			parts = append(parts, f(x))
		}
		return floats.Sum(parts)
	}
	w.Sold = propagate(in, total)
	if _, ok := prices["paddy"]; ok {
		m := propagate(in, func(x []float64) float64 { return total(x) - of("paddy")(x) })
		w.Margin = &m
	}
	if has["head"] {
		w.BrokenPoint = in[0].Value / 1000 / 100 * (prices["head"] - prices["brokens"])
	}
	return w, nil
}

// SorterPrices are what the outlets of a sorter sell for, money per kg.
type SorterPrices struct{ Accept, Reject float64 }

// moneyLost is what the good rice in the reject would bring more, for each
// tonne fed.
func (p *SorterPrices) moneyLost() sorterResult {
	gap := p.Accept - p.Reject
	return sorterResult{"good_rice_money", "Good rice lost, money", "1 t · r · (1-j) · gap", "a t", 1000 * gap, allInputs, func(s *sorting) float64 {
		return 1000 * gap * s[rejectMass] / (s[acceptMass] + s[rejectMass]) * (1 - s[rejectShare])
	}}
}
