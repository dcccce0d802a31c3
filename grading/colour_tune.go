package grading

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// Accept is the class of kernels without a fault in a Sorted set.
const Accept kernel.Flag = "accept"

// TuneClasses are the classes that kernels can be sorted into by hand, sound
// ones first.
var TuneClasses = [...]kernel.Flag{
	Accept, kernel.Chalky, kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Damaged, kernel.Paddy, kernel.Foreign,
}

// A Sorted is a kernel that someone has put into a class.
type Sorted struct {
	Class kernel.Flag
	Tray  *kernel.Tray // on which it was measured; its Kernels are not used
	kernel.Kernel
}

// A Confusion counts kernels by the class they were put into by hand and the
// one that a profile gives.
type Confusion struct {
	Classes []kernel.Flag `json:"classes"` // those that occur, in the order of TuneClasses
	Count   [][]int       `json:"count"`   // [by hand][by profile]
}

// Right returns the number of kernels on which hand and profile agree, and of
// all.
func (c *Confusion) Right() (right, all int) {
	for i, row := range c.Count {
		right += row[i]
		for _, n := range row {
			all += n
		}
	}
	return right, all
}

// Recall returns the share of the kernels put into the class by hand that the
// profile puts there too, in percent with its 95 % interval (Jeffreys).
func (c *Confusion) Recall(class int) Estimate {
	n := 0
	for _, x := range c.Count[class] {
		n += x
	}
	return proportion(c.Count[class][class], n)
}

// Precision returns the share of the kernels that the profile puts into the
// class which were put there by hand.
func (c *Confusion) Precision(class int) Estimate {
	n := 0
	for _, row := range c.Count {
		n += row[class]
	}
	return proportion(c.Count[class][class], n)
}

func proportion(x, n int) Estimate {
	if n == 0 {
		return Estimate{0, 0, 100}
	}
	low, high := Jeffreys(float64(x), float64(n), confidence)
	return Estimate{round(100*float64(x)/float64(n), 2), round(100*low, 2), round(100*high, 2)}
}

// A Tuned is what Tune learned.
type Tuned struct {
	Profile Profile `json:"profile"`
	// Changed lists the keys of the limits that moved.
	Changed []string `json:"changed"`
	// Base is how the profile that Tune started from sorts the kernels, and
	// Validated how profiles learned without a kernel sort that kernel:
	// what to expect of the profile on kernels it has not seen.
	Base      Confusion `json:"base"`
	Validated Confusion `json:"cross_validated"`
	Folds     int       `json:"folds"`
	Kernels   int       `json:"kernels"`
}

// The least that Tune learns from.
const (
	tuneLeast = 8 // kernels of a class
	tuneFolds = 5
)

// ErrTooFew is the cause where there is too little to learn from.
var ErrTooFew = errors.New("too few kernels to learn from")

// tuneFeatures are the limits that Tune may move and the figure of a kernel
// that each is held against. The limits of the surface are not among them:
// they would need the pictures measured again.
var tuneFeatures = []struct {
	key   string
	class kernel.Flag
	of    func(p *Profile, s *Sorted) float64
}{
	{"chalky.share", kernel.Chalky, func(_ *Profile, s *Sorted) float64 { return s.ChalkShare }},
	{"odd.plain", kernel.Yellow, func(_ *Profile, s *Sorted) float64 { return s.Surface.DeltaE00 }},
	{"red.share", kernel.Red, func(_ *Profile, s *Sorted) float64 { return s.Surface.RedShare }},
	{"red.streak", kernel.RedStreaked, func(_ *Profile, s *Sorted) float64 { return s.Surface.RedLength }},
	{"damaged.spot", kernel.Damaged, func(_ *Profile, s *Sorted) float64 { return marksOf(&s.Surface)[markSpot] }},
	{"damaged.stain", kernel.Damaged, func(_ *Profile, s *Sorted) float64 { return s.Surface.StainShare }},
	{"paddy.length", kernel.Paddy, func(_ *Profile, s *Sorted) float64 { return s.LengthPx / s.Tray.Look.LengthPx }},
	{"foreign.chance", kernel.Foreign, func(_ *Profile, s *Sorted) float64 { return s.ForeignChance }},
}

// Tune learns limits from kernels sorted by hand, starting from base. A limit
// moves only where that sorts more kernels right, every class counting alike
// however many kernels it has; it then comes to lie midway between the kernels
// that it parts. Limits of classes that do not occur stay.
//
// The confusion is cross-validated: each class is dealt out in turn into
// parts, by picture where there are enough pictures, and each part is sorted
// by what was learned from the others.
func Tune(sorted []Sorted, base Profile) (*Tuned, error) {
	if err := base.Validate(); err != nil {
		return nil, err
	}
	few := func(what, hint string) (*Tuned, error) { return nil, caused(fault.Sample, ErrTooFew, what, hint) }
	count := map[kernel.Flag]int{}
	all := make([]*Sorted, len(sorted))
	var sound []kernel.Kernel // all against the same usual kernel
	var look *kernel.Look
	for i := range sorted {
		s := &sorted[i]
		all[i] = s
		count[s.Class]++
		if !slices.Contains(TuneClasses[:], s.Class) {
			return few(fmt.Sprintf("class %q", s.Class), "sort into "+fault.List(TuneClasses[:]...))
		}
		if s.Class == Accept {
			sound, look = append(sound, s.Kernel), &s.Tray.Look
		}
	}
	var classes []kernel.Flag
	for _, c := range TuneClasses {
		switch n := count[c]; {
		case n == 0:
			continue
		case n < tuneLeast:
			return few(fmt.Sprintf("%d of class %s", n, c), fmt.Sprintf("sort at least %d kernels into each class that you use; 30 and more give limits that hold", tuneLeast))
		}
		classes = append(classes, c)
	}
	if count[Accept] == 0 || len(classes) < 2 {
		return few("only one class to learn from", "sort sound kernels into accept, and faulty ones into one or more of "+fault.List(TuneClasses[:]...))
	}
	by := tuner{newYardstick(look, sound, base.Odd.Rate), classes}
	t := &Tuned{Base: by.confusion(), Validated: by.confusion(), Folds: tuneFolds, Kernels: len(sorted), Changed: []string{}}
	by.sort(&t.Base, all, &base)
	fold := deal(sorted)
	for f := range tuneFolds {
		var train, test []*Sorted
		for i, s := range all {
			if fold[i] == f {
				test = append(test, s)
			} else {
				train = append(train, s)
			}
		}
		p := by.learn(train, base)
		by.sort(&t.Validated, test, &p)
	}
	t.Profile = by.learn(all, base)
	t.Profile.Name = "tuned"
	for i := range ProfileLimits {
		if l := &ProfileLimits[i]; l.Value(&t.Profile) != l.Value(&base) {
			t.Changed = append(t.Changed, l.Key)
		}
	}
	return t, nil
}

// deal gives each kernel a part 0 … tuneFolds-1: class by class in turn, whole
// pictures where a class has at least as many of them as there are parts.
func deal(sorted []Sorted) []int {
	pictures := map[kernel.Flag][]string{}
	for i := range sorted {
		s := &sorted[i]
		if !slices.Contains(pictures[s.Class], s.Tray.Picture) {
			pictures[s.Class] = append(pictures[s.Class], s.Tray.Picture)
		}
	}
	next := map[kernel.Flag]int{}
	fold := make([]int, len(sorted))
	for i := range sorted {
		s := &sorted[i]
		if ps := pictures[s.Class]; len(ps) >= tuneFolds {
			fold[i] = slices.Index(ps, s.Tray.Picture) % tuneFolds
		} else {
			fold[i] = next[s.Class] % tuneFolds
			next[s.Class]++
		}
	}
	return fold
}

// A tuner sorts kernels into the classes in use, against one yardstick.
type tuner struct {
	y       *yardstick
	classes []kernel.Flag
}

func (t *tuner) confusion() Confusion {
	c := Confusion{Classes: t.classes, Count: make([][]int, len(t.classes))}
	for i := range c.Count {
		c.Count[i] = make([]int, len(t.classes))
	}
	return c
}

// sort adds to c what p makes of kernels: the class that one has by hand where
// that is among its flags, else its first flag of those in use, else Accept.
func (t *tuner) sort(c *Confusion, set []*Sorted, p *Profile) {
	for _, s := range set {
		got := Accept
		flags := p.flags(t.y, s.Tray, &s.Kernel)
		if slices.Contains(flags, s.Class) {
			got = s.Class
		} else if i := slices.IndexFunc(flags, func(f kernel.Flag) bool { return slices.Contains(t.classes, f) }); i >= 0 {
			got = flags[i]
		}
		c.Count[slices.Index(t.classes, s.Class)][slices.Index(t.classes, got)]++
	}
}

// learn moves limits one after another, twice round.
func (t *tuner) learn(train []*Sorted, base Profile) Profile {
	p := base
	loss := func() float64 { // the share sorted wrong, summed over the classes
		c := t.confusion()
		t.sort(&c, train, &p)
		sum := 0.0
		for i, row := range c.Count {
			n := 0
			for _, x := range row {
				n += x
			}
			sum += float64(n-row[i]) / math.Max(1, float64(n))
		}
		return sum
	}
	best := loss()
	for range 2 {
		for _, f := range tuneFeatures {
			if best == 0 {
				return p
			}
			if !slices.Contains(t.classes, f.class) {
				continue
			}
			i := slices.IndexFunc(ProfileLimits, func(l ProfileLimit) bool { return l.Key == f.key })
			l := &ProfileLimits[i]
			was := l.Value(&p)
			// Runs of neighbouring candidates with one loss: the middle of the
			// best run, the nearest one to the present limit among equals.
			cs := candidates(train, &p, f.of, l)
			losses := make([]float64, len(cs))
			for k, c := range cs {
				l.Set(&p, c)
				losses[k] = loss()
			}
			to := was
			for k := 0; k < len(cs); {
				m := k
				for m+1 < len(cs) && losses[m+1] == losses[k] {
					m++
				}
				mid := roundTo3(cs[k] + (cs[m]-cs[k])/2)
				if losses[k] < best-1e-9 || losses[k] < best+1e-9 && to != was && math.Abs(mid-was) < math.Abs(to-was) {
					l.Set(&p, mid)
					if x := loss(); x <= losses[k]+1e-9 {
						best, to = x, mid
					}
				}
				k = m + 1
			}
			l.Set(&p, to)
		}
	}
	return p
}

// candidates are values midway between neighbouring figures of the kernels, at
// most maxCandidates of them, within the range of the limit.
func candidates(train []*Sorted, p *Profile, of func(*Profile, *Sorted) float64, l *ProfileLimit) []float64 {
	const maxCandidates = 60
	var xs []float64
	for _, s := range train {
		if x := of(p, s); finite(x) && x >= l.Low && x <= l.High {
			xs = append(xs, x)
		}
	}
	slices.Sort(xs)
	xs = slices.Compact(xs)
	var out []float64
	for i := 1; i < len(xs); i += 1 + len(xs)/maxCandidates {
		out = append(out, roundTo3((xs[i-1]+xs[i])/2))
	}
	return slices.Compact(out)
}

// roundTo3 keeps three significant digits: a learned limit is not known better.
func roundTo3(x float64) float64 {
	x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64)
	return x
}
