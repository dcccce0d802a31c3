package mill

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"traytally/vision/kernel/fault"
)

// A Weighing is the mass of a fraction, in grams, with its moisture in percent
// of the mass as weighed; Moisture nil where it was not measured.
type Weighing struct {
	Mass     Figure
	Moisture *Figure
}

// YieldInput is what was weighed on the way from paddy to head rice. What was
// not weighed is nil; of Paddy, Husked and Milled two are needed.
type YieldInput struct {
	Paddy  *Weighing // rough rice, cleaned
	Husked *Weighing // after hulling
	Milled *Weighing // after whitening: head rice and brokens together
	Husk   *Weighing
	Bran   *Weighing
	// HeadMass and BrokenMass, in grams, are what Milled was separated into.
	// They have the moisture of Milled.
	HeadMass, BrokenMass *Figure
	// BrokenShare is the broken share by mass of a graded sample of Milled,
	// percent.
	BrokenShare *Figure
	// BasisPct is the moisture to which masses are converted where all are
	// measured, percent, 0 (dry matter) or 1 to 30.
	BasisPct float64
	// Mill is the code of the MillType whose usual yields stand beside.
	Mill string
}

// DefaultBasisPct is the moisture that results are stated at: 14 %, the ideal
// for milling (IRRI Rice Knowledge Bank, milling).
const DefaultBasisPct = 14

// A YieldMass is one fraction, as weighed and on the basis.
type YieldMass struct {
	Fraction string  `json:"fraction"`
	Weighed  Figure  `json:"weighed_g"`
	Moisture *Figure `json:"moisture_pct"`
	OnBasis  *Figure `json:"on_basis_g"` // null without moistures
	// From says how the mass came about where it was not weighed itself.
	From string `json:"from"`
}

// A YieldRatio is one result, percent.
type YieldRatio struct {
	Code    string `json:"code"`
	Name    string `json:"name"`
	Formula string `json:"formula"`
	Of      string `json:"of"` // what it is a share of
	// Value is on the moisture basis where the moistures are known, else as
	// weighed; AsWeighed always is.
	Value     Figure  `json:"value_pct"`
	AsWeighed Figure  `json:"as_weighed_pct"`
	Usual     []Usual `json:"usual"`
}

// How a balance came out.
const (
	Closes = "closes" // what is missing may be the doubt of the figures
	Loss   = "loss"   // something is missing
	Excess = "excess" // more out than in, beyond the 95 % interval
)

// A YieldBalance compares what went into a step with what came out of it.
type YieldBalance struct {
	Step    string   `json:"step"`
	In      string   `json:"in"`
	Out     []string `json:"out"`
	Dry     bool     `json:"dry_matter"`  // masses on the basis, else as weighed
	Missing Figure   `json:"missing_g"`   // in minus out
	OfIn    Figure   `json:"missing_pct"` // of what went in
	Verdict string   `json:"verdict"`
}

// A Yield is a mass balance from paddy to head rice.
type Yield struct {
	// DryMatter reports that moistures were known and masses are compared at
	// BasisPct; ratios are then those of dry matter, the same at any basis.
	DryMatter bool           `json:"dry_matter"`
	BasisPct  *float64       `json:"basis_pct"` // null without moistures
	Mill      string         `json:"mill"`
	HeadFrom  string         `json:"head_from"` // HeadWeighed, BrokensWeighed, HeadGraded or empty
	Masses    []YieldMass    `json:"masses"`
	Ratios    []YieldRatio   `json:"ratios"`
	Balances  []YieldBalance `json:"balances"`
	// GradedAgrees reports whether the graded broken share and the weighed one
	// agree within their intervals; null unless both were given.
	GradedAgrees *bool `json:"graded_agrees"`
	// Doubts says, in words, what looks like a slip in the figures.
	Doubts []string `json:"doubts"`
	// Missing lists results that could not be worked out, and what they need.
	Missing []NotPlanned `json:"not_assessed"`
}

// Where the head rice's share of the milled rice comes from.
const (
	HeadWeighed    = "head rice weighed"
	BrokensWeighed = "brokens weighed"
	HeadGraded     = "graded sample"
)

// A massPart is one fraction of a balance.
type massPart struct {
	name     string
	mass     Figure
	moisture *Figure
	wet, dry quantity // grams as weighed, and at the basis; dry nil where it is not known
	water    quantity // percent; nil without a moisture
}

// grams is the mass at the basis where dry is set, else as weighed.
func (p *massPart) grams(dry bool) quantity {
	if dry {
		return p.dry
	}
	return p.wet
}

// leastMain is the share, percent, that the main product of a step surely is
// of what went in: less comes of a gram typed for a kilogram. leastPart is that
// for head rice or brokens weighed, where it is only a doubt. Our own choice,
// far below the least usual yields (15 %).
const (
	leastMain = 10
	leastPart = 0.1
)

// ComputeYield works the balance out. Errors are *fault.Error; a step with more
// out than in by more than a 99.9 % interval of its figures, or with next to
// nothing out of it, wraps ErrBalance.
//
// Moisture readings are taken as independent. Where one meter made them all,
// what they share cancels in the ratios, and the intervals are too wide rather
// than too narrow.
func ComputeYield(in YieldInput) (*Yield, error) {
	y := &yielder{in: in, out: Yield{
		Masses: []YieldMass{}, Ratios: []YieldRatio{}, Balances: []YieldBalance{}, Doubts: []string{}, Missing: []NotPlanned{},
	}}
	if err := y.check(); err != nil {
		return nil, err
	}
	if err := y.moistures(); err != nil {
		return nil, err
	}
	y.weigh()
	if err := y.balances(); err != nil {
		return nil, err
	}
	y.ratio("hulling_yield", "Hulling yield", y.husked, y.paddy, false, usualHulling)
	y.ratio("milling_recovery", "Milling recovery", y.milled, y.paddy, false, y.mill.Recovery)
	y.ratio("bran_removed", "Bran removed", y.milled, y.husked, true, usualBran, usualIndian)
	y.ratio("milling_degree", "Milling degree", y.milled, y.husked, false)
	if y.milled != nil {
		y.headRatios()
	}
	return &y.out, nil
}

type yielder struct {
	account // masses and moistures
	in      YieldInput
	out     Yield
	mill    MillType
	paddy, husked, milled,
	husk, bran, head, brokens *massPart
}

func (y *yielder) check() error {
	in := &y.in
	i := slices.IndexFunc(MillTypes, func(m MillType) bool { return m.Code == in.Mill })
	chain := 0
	for _, w := range []*Weighing{in.Paddy, in.Husked, in.Milled} {
		if w != nil {
			chain++
		}
	}
	switch {
	case i < 0:
		return fault.Usagef("one of: "+strings.Join(MillTypeCodes(), ", "), "there is no kind of mill %q", in.Mill)
	case !(in.BasisPct >= 0 && in.BasisPct <= 30):
		return fault.Usagef("percent from 0 (dry matter) to 30; usual is 14", "moisture basis of %g %%", in.BasisPct)
	case in.BasisPct > 0 && in.BasisPct < 1:
		return fault.Usagef(fmt.Sprintf("did you mean %s?", trim(100*in.BasisPct)), "moisture basis of %g: a fraction of one, not percent", in.BasisPct)
	case chain < 2:
		return fault.Usagef("give two weighings, for example --paddy 150.0g --milled 102.6g", "a yield compares two of paddy, husked and milled rice")
	case in.Milled == nil && (in.HeadMass != nil || in.BrokenMass != nil || in.BrokenShare != nil):
		return fault.Usagef("give the mass of all milled rice: --milled 102.6g", "head rice or brokens without the milled rice they come from")
	}
	y.mill, y.out.Mill = MillTypes[i], in.Mill
	return nil
}

// moistures decides whether masses can be compared dry.
func (y *yielder) moistures() error {
	known, unknown := "", ""
	for _, x := range []struct {
		name string
		*Weighing
	}{{"paddy", y.in.Paddy}, {"husked", y.in.Husked}, {"milled", y.in.Milled}} {
		switch {
		case x.Weighing == nil:
		case x.Moisture != nil:
			known = x.name
		default:
			unknown = x.name
		}
	}
	if known != "" && unknown != "" {
		return fault.Usagef(fmt.Sprintf("add --%s-moisture, or leave all moistures out to compare masses as weighed", unknown),
			"moisture is given for %s and not for %s: they cannot be compared dry", known, unknown)
	}
	if y.out.DryMatter = known != ""; y.out.DryMatter {
		y.out.BasisPct = &y.in.BasisPct
	}
	return nil
}

// weigh enters all that was weighed.
func (y *yielder) weigh() {
	in := &y.in
	for _, x := range []struct {
		name string
		w    *Weighing
		to   **massPart
	}{{"paddy", in.Paddy, &y.paddy}, {"husked rice", in.Husked, &y.husked}, {"milled rice", in.Milled, &y.milled}, {"husk", in.Husk, &y.husk}, {"bran", in.Bran, &y.bran}} {
		if x.w == nil {
			continue
		}
		p := &massPart{name: x.name, mass: x.w.Mass, moisture: x.w.Moisture, wet: y.enter(x.w.Mass)}
		if p.moisture != nil {
			p.water = y.enter(*p.moisture)
		}
		*x.to = y.listed(p)
	}
	// Head rice and brokens have the moisture of the milled rice.
	if in.HeadMass != nil {
		y.head = y.listed(&massPart{name: "head rice", mass: *in.HeadMass, wet: y.enter(*in.HeadMass), moisture: y.milled.moisture, water: y.milled.water})
	}
	if in.BrokenMass != nil {
		y.brokens = y.listed(&massPart{name: "brokens", mass: *in.BrokenMass, wet: y.enter(*in.BrokenMass), moisture: y.milled.moisture, water: y.milled.water})
	}
}

// listed completes a part and lists it.
func (y *yielder) listed(p *massPart) *massPart {
	if y.out.DryMatter && p.water != nil {
		p.dry = func(x []float64) float64 { return y.onBasis(p.wet(x), p.water(x)) }
	}
	y.list(p.name, "", p.mass, p.moisture)
	return p
}

// onBasis brings a mass with a moisture to the basis.
func (y *yielder) onBasis(mass, moisture float64) float64 {
	return mass * (100 - moisture) / (100 - y.in.BasisPct)
}

func (y *yielder) list(name, from string, mass Figure, moisture *Figure) {
	m := YieldMass{Fraction: name, Weighed: mass, Moisture: moisture, From: from}
	if y.out.DryMatter && moisture != nil {
		f := propagate([]Figure{mass, *moisture}, func(x []float64) float64 { return y.onBasis(x[0], x[1]) })
		m.OnBasis = &f
	}
	y.out.Masses = append(y.out.Masses, m)
}

// dryKnown reports whether all the parts can be compared dry.
func dryKnown(parts ...*massPart) bool {
	return !slices.ContainsFunc(parts, func(p *massPart) bool { return p.dry == nil })
}

// balances compares the steps and refuses what cannot be.
func (y *yielder) balances() error {
	if err := y.step("hulling", y.paddy, y.husked, y.husk); err != nil {
		return err
	}
	if err := y.step("whitening", y.husked, y.milled, y.bran); err != nil {
		return err
	}
	if y.husked == nil {
		if err := y.step("hulling and whitening", y.paddy, y.milled, y.husk, y.bran); err != nil {
			return err
		}
	}
	if y.head == nil {
		return y.step("separation", y.milled, y.brokens)
	}
	return y.step("separation", y.milled, y.head, y.brokens)
}

// step compares what went into a step with the main product and the other parts
// that came out, of which those not weighed are nil.
func (y *yielder) step(name string, in, main *massPart, others ...*massPart) error {
	if in == nil || main == nil {
		return nil
	}
	out := []*massPart{main}
	for _, p := range others {
		if p != nil {
			out = append(out, p)
		}
	}
	dry := dryKnown(append(out, in)...)
	missing := func(x []float64) float64 {
		m := in.grams(dry)(x)
		for _, p := range out {
			m -= p.grams(dry)(x)
		}
		return m
	}
	f := y.figure(missing)
	if f.stretched(beyond).High < 0 {
		return y.impossible(name, in, out, dry, f)
	}
	if err := y.tiny(name, in, main); err != nil {
		return err
	}
	b := YieldBalance{Step: name, In: in.name, Dry: dry, Missing: f, Verdict: closure(f)}
	b.OfIn = y.figure(func(x []float64) float64 { return 100 * missing(x) / in.grams(dry)(x) })
	for _, p := range out {
		b.Out = append(b.Out, p.name)
	}
	// A step whose husk, bran or brokens were not weighed has no balance to
	// show: what is missing is just that.
	if whole := len(others) > 0 && len(out) == 1+len(others); whole || b.Verdict == Excess {
		y.out.Balances = append(y.out.Balances, b)
	}
	return nil
}

// tiny refuses a main product that is next to nothing, and doubts such a part.
func (y *yielder) tiny(step string, in, out *massPart) error {
	m, n := out.mass.Value, in.mass.Value
	unit := UnitFor(max(m, n))
	if main := out == y.husked || out == y.milled; main && 100*m < leastMain*n {
		return &fault.Error{
			Kind: fault.Usage, What: fmt.Sprintf("%s: %s %s out of %s %s is %s %%", step, unit.write(m), out.name, unit.write(n), in.name, strconv.FormatFloat(100*m/n, 'g', 2, 64)),
			Hint: "check the units, g, kg and t, and which fraction is which",
			Err:  ErrBalance,
		}
	}
	if m > 0 && 100*m < leastPart*n {
		y.out.Doubts = append(y.out.Doubts, fmt.Sprintf("%s %s in %s %s: is one of the units wrong?", unit.write(m), out.name, unit.write(n), in.name))
	}
	return nil
}

func (y *yielder) impossible(step string, in *massPart, out []*massPart, dry bool, missing Figure) error {
	unit := UnitFor(in.mass.Value)
	describe := func(p *massPart) string {
		s := unit.write(p.mass.Value) + " " + p.name
		if dry {
			s += fmt.Sprintf(" (%.2f %s at %s %% moisture)", y.onBasis(p.mass.Value, p.moisture.Value)/unit.Grams, unit.Name, trim(y.in.BasisPct))
		}
		return s
	}
	var parts []string
	for _, p := range out {
		parts = append(parts, describe(p))
	}
	return &fault.Error{
		Kind: fault.Usage, What: fmt.Sprintf("%s: more out than in: %s out of %s, %.2f %s too much (95 %% interval %.2f to %.2f %s)",
			step, strings.Join(parts, " and "), describe(in), -missing.Value/unit.Grams, unit.Name, -missing.High/unit.Grams, -missing.Low/unit.Grams, unit.Name),
		Hint: "check the weighings, their units and which fraction is which",
		Err:  ErrBalance,
	}
}

// ratio adds the share that a part is of another, or that was removed to get it.
func (y *yielder) ratio(code, name string, part, of *massPart, removed bool, usual ...Usual) {
	if part == nil || of == nil {
		return
	}
	r := YieldRatio{Code: code, Name: name, Formula: part.name + " / " + of.name, Of: of.name, Usual: append([]Usual{}, usual...)} // never null
	if removed {
		r.Formula = fmt.Sprintf("(%s - %s) / %[1]s", of.name, part.name)
	} else if share, ok := strings.CutSuffix(part.name, " × "+of.name); ok {
		r.Formula = strings.Trim(share, "()")
	}
	percent := func(dry bool) Figure {
		f := y.figure(func(x []float64) float64 {
			p := 100 * part.grams(dry)(x) / of.grams(dry)(x)
			if removed {
				return 100 - p
			}
			return p
		})
		// The interval ends at 0 and 100 %. The value stays what the formula
		// gives, even where more came out than went in by chance.
		f.Low, f.High = min(f.Value, max(0, f.Low)), max(f.Value, min(100, f.High))
		return f
	}
	r.Value, r.AsWeighed = percent(dryKnown(part, of)), percent(false)
	y.out.Ratios = append(y.out.Ratios, r)
}

// portion is a part of the milled rice by its share, 0..1.
func (y *yielder) portion(name string, share quantity) *massPart {
	of := func(whole quantity) quantity {
		if whole == nil {
			return nil
		}
		return func(x []float64) float64 { return share(x) * whole(x) }
	}
	return &massPart{name: name, wet: of(y.milled.wet), dry: of(y.milled.dry)}
}

// rest is what a part that was weighed leaves of the milled rice.
func (y *yielder) rest(p *massPart) *massPart {
	return y.portion("(milled rice - "+p.name+")", func(x []float64) float64 { return 1 - p.wet(x)/y.milled.wet(x) })
}

// headRatios adds what hangs on the share of head rice.
func (y *yielder) headRatios() {
	graded := y.in.BrokenShare
	head, brokens := y.head, y.brokens
	y.out.HeadFrom = HeadWeighed
	switch {
	case head != nil && brokens != nil:
	case head != nil:
		brokens = y.rest(head)
	case brokens != nil:
		y.out.HeadFrom, head = BrokensWeighed, y.rest(brokens)
	case graded != nil:
		y.out.HeadFrom = HeadGraded
		share := y.enter(*graded)
		head = y.portion("(1 - graded broken share) × milled rice", func(x []float64) float64 { return 1 - share(x)/100 })
		brokens = y.portion("graded broken share × milled rice", func(x []float64) float64 { return share(x) / 100 })
	default:
		y.out.HeadFrom = ""
		y.out.Missing = append(y.out.Missing, NotPlanned{"head rice yield, broken share", "needs a graded sample of the milled rice, or its head rice or brokens weighed"})
		return
	}
	y.ratio("head_rice_yield", "Head rice yield", head, y.paddy, false, y.mill.HeadYield)
	y.ratio("brokens_of_paddy", "Brokens", brokens, y.paddy, false)
	if y.paddy == nil {
		y.out.Missing = append(y.out.Missing, NotPlanned{"head rice yield", "needs the paddy weighed"})
	}
	content := y.mill.content()
	y.ratio("head_rice_content", "Head rice content", head, y.milled, false, content)
	y.ratio("broken_share", "Broken share", brokens, y.milled, false, content.rest())
	if y.out.HeadFrom == HeadGraded {
		y.list("head rice", HeadGraded, y.figure(head.wet), y.milled.moisture)
		return
	}
	if graded != nil && !graded.Bare {
		d := Difference(y.out.Ratios[len(y.out.Ratios)-1].Value, *graded)
		agrees := d.Low <= 0 && d.High >= 0
		y.out.GradedAgrees = &agrees
	}
}
