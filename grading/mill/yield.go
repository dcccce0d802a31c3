package mill

import (
	"fmt"
	"math"
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

// A massPart is one fraction among the inputs of a balance.
type massPart struct {
	name  string
	w     *Weighing
	index int // of its mass in the inputs; its moisture follows, if it has one of its own
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
	if err := y.prepare(); err != nil {
		return nil, err
	}
	if err := y.balances(); err != nil {
		return nil, err
	}
	y.ratios()
	return &y.out, nil
}

type yielder struct {
	in   YieldInput
	out  Yield
	mill MillType
	paddy, husked, milled,
	husk, bran, head, brokens *massPart
	inputs []Figure // masses and moistures, each once: what they share is correlated
}

func (y *yielder) prepare() error {
	in := &y.in
	var ok bool
	if y.mill, ok = millType(in.Mill); !ok {
		return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("there is no kind of mill %q", in.Mill), Hint: "one of: " + strings.Join(MillTypeCodes(), ", ")}
	}
	if !(in.BasisPct >= 0 && in.BasisPct <= 30) {
		return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("moisture basis of %g %%", in.BasisPct), Hint: "percent from 0 (dry matter) to 30; usual is 14"}
	}
	if in.BasisPct > 0 && in.BasisPct < 1 {
		return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("moisture basis of %g: a fraction of one, not percent", in.BasisPct), Hint: fmt.Sprintf("did you mean %s?", trim(100*in.BasisPct))}
	}
	chain := 0
	for _, w := range []*Weighing{in.Paddy, in.Husked, in.Milled} {
		if w != nil {
			chain++
		}
	}
	if chain < 2 {
		return &fault.Error{
			Kind: fault.Usage, What: "a yield compares two of paddy, husked and milled rice",
			Hint: "give two weighings, for example --paddy 150.0g --milled 102.6g",
		}
	}
	if in.Milled == nil && (in.HeadMass != nil || in.BrokenMass != nil || in.BrokenShare != nil) {
		return &fault.Error{Kind: fault.Usage, What: "head rice or brokens without the milled rice they come from", Hint: "give the mass of all milled rice: --milled 102.6g"}
	}
	y.out.Mill = y.mill.Code
	if err := y.moistures(); err != nil {
		return err
	}
	y.paddy = y.part("paddy", in.Paddy)
	y.husked = y.part("husked rice", in.Husked)
	y.milled = y.part("milled rice", in.Milled)
	y.husk = y.part("husk", in.Husk)
	y.bran = y.part("bran", in.Bran)
	if in.HeadMass != nil {
		y.head = y.separated("head rice", *in.HeadMass)
	}
	if in.BrokenMass != nil {
		y.brokens = y.separated("brokens", *in.BrokenMass)
	}
	return nil
}

// moistures decides whether masses can be compared dry.
func (y *yielder) moistures() error {
	known, unknown := "", ""
	for _, w := range []struct {
		name string
		w    *Weighing
	}{{"paddy", y.in.Paddy}, {"husked", y.in.Husked}, {"milled", y.in.Milled}} {
		switch {
		case w.w == nil:
		case w.w.Moisture != nil:
			known = w.name
		default:
			unknown = w.name
		}
	}
	if known != "" && unknown != "" {
		return &fault.Error{
			Kind: fault.Usage, What: fmt.Sprintf("moisture is given for %s and not for %s: they cannot be compared dry", known, unknown),
			Hint: fmt.Sprintf("add --%s-moisture, or leave all moistures out to compare masses as weighed", unknown),
		}
	}
	if y.out.DryMatter = known != ""; y.out.DryMatter {
		y.out.BasisPct = &y.in.BasisPct
	}
	return nil
}

// part enters a weighing into the inputs.
func (y *yielder) part(name string, w *Weighing) *massPart {
	if w == nil {
		return nil
	}
	p := &massPart{name: name, w: w, index: len(y.inputs)}
	y.inputs = append(y.inputs, w.Mass)
	moisture := Exact(0)
	if w.Moisture != nil {
		moisture = *w.Moisture
	}
	y.inputs = append(y.inputs, moisture)
	y.list(name, "", w.Mass, w.Moisture)
	return p
}

// separated enters a part of the milled rice, which has that one's moisture.
func (y *yielder) separated(name string, mass Figure) *massPart {
	p := &massPart{name: name, w: &Weighing{Mass: mass, Moisture: y.in.Milled.Moisture}, index: len(y.inputs)}
	y.inputs = append(y.inputs, mass)
	y.list(name, "", mass, y.in.Milled.Moisture)
	return p
}

func (y *yielder) list(name, from string, mass Figure, moisture *Figure) {
	m := YieldMass{Fraction: name, Weighed: mass, Moisture: moisture, From: from}
	if y.out.DryMatter && moisture != nil {
		f := propagate([]Figure{mass, *moisture}, func(x []float64) float64 {
			return x[0] * (100 - x[1]) / (100 - y.in.BasisPct)
		})
		m.OnBasis = &f
	}
	y.out.Masses = append(y.out.Masses, m)
}

// mass returns the mass of p for the inputs x: dry matter at the basis where
// dry is set, else as weighed.
func (y *yielder) mass(p *massPart, x []float64, dry bool) float64 {
	if !dry {
		return x[p.index]
	}
	moisture := p.index + 1
	if p == y.head || p == y.brokens {
		moisture = y.milled.index + 1
	}
	return x[p.index] * (100 - x[moisture]) / (100 - y.in.BasisPct)
}

// dryKnown reports whether all the parts can be compared dry.
func (y *yielder) dryKnown(parts ...*massPart) bool {
	for _, p := range parts {
		if p.w.Moisture == nil {
			return false
		}
	}
	return y.out.DryMatter
}

// balances compares the steps and refuses what cannot be.
func (y *yielder) balances() error {
	type step struct {
		name  string
		in    *massPart
		out   []*massPart
		whole bool // all that can come out was weighed
	}
	var steps []step
	add := func(name string, in *massPart, main, side *massPart) {
		if in == nil || main == nil {
			return
		}
		s := step{name: name, in: in, out: []*massPart{main}}
		if side != nil {
			s.out, s.whole = append(s.out, side), true
		}
		steps = append(steps, s)
	}
	add("hulling", y.paddy, y.husked, y.husk)
	add("whitening", y.husked, y.milled, y.bran)
	if y.husked == nil {
		s := step{name: "hulling and whitening", in: y.paddy, out: []*massPart{y.milled}}
		for _, p := range []*massPart{y.husk, y.bran} {
			if p != nil {
				s.out = append(s.out, p)
			}
		}
		s.whole = len(s.out) == 3
		steps = append(steps, s)
	}
	switch {
	case y.head != nil:
		add("separation", y.milled, y.head, y.brokens)
	case y.brokens != nil:
		steps = append(steps, step{name: "separation", in: y.milled, out: []*massPart{y.brokens}})
	}
	for _, s := range steps {
		dry := y.dryKnown(append(s.out, s.in)...)
		missing := func(x []float64) float64 {
			m := y.mass(s.in, x, dry)
			for _, p := range s.out {
				m -= y.mass(p, x, dry)
			}
			return m
		}
		f := propagate(y.inputs, missing)
		if f.stretched(beyond).High < 0 {
			return y.impossible(s.name, s.in, s.out, dry, f)
		}
		if err := y.tiny(s.name, s.in, s.out[0]); err != nil {
			return err
		}
		b := YieldBalance{Step: s.name, In: s.in.name, Dry: dry, Missing: f, Verdict: closure(f)}
		b.OfIn = propagate(y.inputs, func(x []float64) float64 { return 100 * missing(x) / y.mass(s.in, x, dry) })
		for _, p := range s.out {
			b.Out = append(b.Out, p.name)
		}
		// A step whose husk, bran or brokens were not weighed has no balance to
		// show: what is missing is just that.
		if s.whole || b.Verdict == Excess {
			y.out.Balances = append(y.out.Balances, b)
		}
	}
	return nil
}

// tiny refuses a main product that is next to nothing, and doubts such a part.
func (y *yielder) tiny(step string, in, out *massPart) error {
	m, n := out.w.Mass.Value, in.w.Mass.Value
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
	unit := UnitFor(in.w.Mass.Value)
	describe := func(p *massPart) string {
		s := unit.write(p.w.Mass.Value) + " " + p.name
		if dry {
			x := make([]float64, len(y.inputs))
			for i := range x {
				x[i] = y.inputs[i].Value
			}
			s += fmt.Sprintf(" (%.2f %s at %s %% moisture)", y.mass(p, x, true)/unit.Grams, unit.Name, trim(y.in.BasisPct))
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

// ratios works out the results that the inputs allow.
func (y *yielder) ratios() {
	y.ratio("hulling_yield", "Hulling yield", "husked rice / paddy", y.husked, y.paddy, false, usualHulling)
	y.ratio("milling_recovery", "Milling recovery", "milled rice / paddy", y.milled, y.paddy, false, y.mill.Recovery)
	y.ratio("bran_removed", "Bran removed", "(husked rice - milled rice) / husked rice", y.milled, y.husked, true, usualBran, usualIndian)
	y.ratio("milling_degree", "Milling degree", "milled rice / husked rice", y.milled, y.husked, false)
	if y.milled != nil {
		y.headRatios()
	}
}

func (y *yielder) ratio(code, name, formula string, part, of *massPart, removed bool, usual ...Usual) {
	if part == nil || of == nil {
		return
	}
	y.result(code, name, formula, of, y.dryKnown(part, of), usual, func(dry bool) Figure {
		return aShare(propagate(y.inputs, func(x []float64) float64 {
			r := 100 * y.mass(part, x, dry) / y.mass(of, x, dry)
			if removed {
				return 100 - r
			}
			return r
		}))
	})
}

// result adds a result; calc works it out from dry matter or as weighed.
func (y *yielder) result(code, name, formula string, of *massPart, dry bool, usual []Usual, calc func(dry bool) Figure) {
	y.out.Ratios = append(y.out.Ratios, YieldRatio{
		Code: code, Name: name, Formula: formula, Of: of.name,
		Value: calc(dry), AsWeighed: calc(false), Usual: append([]Usual{}, usual...), // never null
	})
}

// aShare returns f with its interval cut to 0 to 100 %. The value stays what
// the formula gives, even where more came out than went in by chance.
func aShare(f Figure) Figure {
	f.Low, f.High = min(f.Value, max(0, f.Low)), max(f.Value, min(100, f.High))
	return f
}

// headRatios adds what hangs on the share of head rice.
func (y *yielder) headRatios() {
	in := &y.in
	inputs := y.inputs
	// Shares of the milled rice, 0..1, and how formulas call their numerators.
	var head, broken func(x []float64) float64
	var headName, brokenName string
	weighed := func(p *massPart) func(x []float64) float64 {
		return func(x []float64) float64 { return x[p.index] / x[y.milled.index] }
	}
	rest := func(f func(x []float64) float64) func(x []float64) float64 {
		return func(x []float64) float64 { return 1 - f(x) }
	}
	switch {
	case in.HeadMass != nil && in.BrokenMass != nil:
		y.out.HeadFrom, headName, brokenName = HeadWeighed, "head rice", "brokens"
		head, broken = weighed(y.head), weighed(y.brokens)
	case in.HeadMass != nil:
		y.out.HeadFrom, headName, brokenName = HeadWeighed, "head rice", "(milled rice - head rice)"
		head = weighed(y.head)
		broken = rest(head)
	case in.BrokenMass != nil:
		y.out.HeadFrom, headName, brokenName = BrokensWeighed, "(milled rice - brokens)", "brokens"
		broken = weighed(y.brokens)
		head = rest(broken)
	case in.BrokenShare != nil:
		y.out.HeadFrom, headName, brokenName = HeadGraded, "(1 - graded broken share) × milled rice", "graded broken share × milled rice"
		share := len(inputs)
		inputs = append(inputs[:share:share], *in.BrokenShare)
		broken = func(x []float64) float64 { return x[share] / 100 }
		head = rest(broken)
	default:
		y.out.Missing = append(y.out.Missing, NotPlanned{"head rice yield, broken share", "needs a graded sample of the milled rice, or its head rice or brokens weighed"})
		return
	}
	calc := func(part func(x []float64) float64) Figure {
		return aShare(propagate(inputs, func(x []float64) float64 { return 100 * part(x) }))
	}
	ofPaddy := func(code, name, formula string, part func(x []float64) float64, usual ...Usual) {
		y.result(code, name, formula+" / paddy", y.paddy, y.dryKnown(y.paddy, y.milled), usual, func(dry bool) Figure {
			return calc(func(x []float64) float64 { return part(x) * y.mass(y.milled, x, dry) / y.mass(y.paddy, x, dry) })
		})
	}
	ofMilled := func(code, name, formula string, part func(x []float64) float64, usual Usual) {
		y.result(code, name, shareOfMilled(formula), y.milled, false, []Usual{usual}, func(bool) Figure { return calc(part) })
	}
	if y.paddy != nil {
		ofPaddy("head_rice_yield", "Head rice yield", headName, head, y.mill.HeadYield)
		ofPaddy("brokens_of_paddy", "Brokens", brokenName, broken)
	} else {
		y.out.Missing = append(y.out.Missing, NotPlanned{"head rice yield", "needs the paddy weighed"})
	}
	content := y.usualContent()
	ofMilled("head_rice_content", "Head rice content", headName, head, content)
	ofMilled("broken_share", "Broken share", brokenName, broken, content.rest())
	if y.out.HeadFrom == HeadGraded {
		y.list("head rice", HeadGraded, propagate(inputs, func(x []float64) float64 { return head(x) * x[y.milled.index] }), in.Milled.Moisture)
		return
	}
	if in.BrokenShare != nil && !in.BrokenShare.Bare {
		d := Difference(calc(broken), *in.BrokenShare)
		agrees := d.Low <= 0 && d.High >= 0
		y.out.GradedAgrees = &agrees
	}
}

// shareOfMilled is the formula of a part of the milled rice as its share.
func shareOfMilled(part string) string {
	if share, ok := strings.CutSuffix(part, " × milled rice"); ok {
		return strings.Trim(share, "()")
	}
	return part + " / milled rice"
}

// rest is the usual share of what is not u, of 100 %.
func (u Usual) rest() Usual {
	r := Usual{Low: 0, High: math.Round(10*(100-u.Low)) / 10, Source: u.Source}
	if u.High > 0 {
		r.Low = math.Round(10*(100-u.High)) / 10
	}
	return r
}

// usualContent turns the usual yields of paddy into a share of milled rice:
// head yield over recovery, like with like (50 of 68 % is 73.5 %).
func (y *yielder) usualContent() Usual {
	h, r := y.mill.HeadYield, y.mill.Recovery
	u := Usual{Low: math.Round(1000*h.Low/r.Low) / 10, Source: h.Source + "; worked out: head yield / recovery"}
	if r.High > 0 {
		u.High = math.Round(1000*h.High/r.High) / 10
	}
	return u
}
