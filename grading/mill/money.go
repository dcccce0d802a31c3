package mill

import (
	"slices"
	"strings"

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
	var a account
	grams := map[string]quantity{} // of the fractions that the balance has
	weighed := func(name string) quantity {
		if i := slices.IndexFunc(y.Masses, func(m YieldMass) bool { return m.Fraction == name }); i >= 0 {
			return a.enter(y.Masses[i].Weighed)
		}
		return nil
	}
	w := &Worth{Lines: []WorthLine{}, NotPriced: []string{}}
	milled := weighed("milled rice")
	if i := slices.IndexFunc(y.Ratios, func(r YieldRatio) bool { return r.Code == "head_rice_content" }); i >= 0 {
		head := a.enter(y.Ratios[i].Value) // of the milled rice, percent
		grams["head"] = func(x []float64) float64 { return milled(x) * head(x) / 100 }
		grams["brokens"] = func(x []float64) float64 { return milled(x) * (100 - head(x)) / 100 }
		w.BrokenPoint = a[0].Value / 1000 / 100 * (prices["head"] - prices["brokens"])
	}
	for _, name := range []string{"bran", "husk", "paddy"} {
		if q := weighed(name); q != nil {
			grams[name] = q
		}
	}
	worth := func(name string) quantity {
		return func(x []float64) float64 { return grams[name](x) / 1000 * prices[name] }
	}
	sold := func([]float64) float64 { return 0 }
	for _, name := range PricedFractions {
		price, priced := prices[name]
		switch {
		case priced && grams[name] == nil:
			return nil, fault.Usagef("weigh it, or for head rice and brokens give the graded sample: --sample FILE", "a price for %s, and no mass of it", name)
		case priced && !(price >= 0 && price <= 1e9):
			return nil, fault.Usagef("money per kg: head=0.55", "a price of %g for %s", price, name)
		case !priced && grams[name] != nil:
			w.NotPriced = append(w.NotPriced, name)
		case priced:
			w.Lines = append(w.Lines, WorthLine{name, a.figure(grams[name]), price, a.figure(worth(name))})
			if before := sold; name != "paddy" {
				sold = func(x []float64) float64 { return before(x) + worth(name)(x) }
			}
		}
	}
	for name := range prices {
		if !slices.Contains(PricedFractions, name) {
			return nil, fault.Usagef("one of: "+strings.Join(PricedFractions, ", "), "no price is asked for %q", name)
		}
	}
	w.Sold = a.figure(sold)
	if _, ok := prices["paddy"]; ok {
		m := a.figure(func(x []float64) float64 { return sold(x) - worth("paddy")(x) })
		w.Margin = &m
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
