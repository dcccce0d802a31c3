package grading

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

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
		for j, n := range row {
			all += n
			if i == j {
				right += n
			}
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
	for i := range c.Count {
		n += c.Count[i][class]
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
	count := map[kernel.Flag]int{}
	for i := range sorted {
		if !slices.Contains(TuneClasses[:], sorted[i].Class) {
			return nil, caused(fault.Sample, ErrTooFew,
				fmt.Sprintf("class %q", sorted[i].Class),
				"sort into "+classList())
		}
		count[sorted[i].Class]++
	}
	var classes []kernel.Flag
	for _, c := range TuneClasses {
		switch n := count[c]; {
		case n == 0:
			continue
		case n < tuneLeast:
			return nil, caused(fault.Sample, ErrTooFew,
				fmt.Sprintf("%d of class %s", n, c),
				fmt.Sprintf("sort at least %d kernels into each class that you use; 30 and more give limits that hold", tuneLeast))
		}
		classes = append(classes, c)
	}
	if count[Accept] == 0 || len(classes) < 2 {
		return nil, caused(fault.Sample, ErrTooFew,
			"only one class to learn from",
			"sort sound kernels into accept, and faulty ones into one or more of "+classList())
	}
	t := &Tuned{Profile: base, Folds: tuneFolds, Kernels: len(sorted), Changed: []string{}}
	all := make([]*Sorted, len(sorted))
	var sound []kernel.Kernel // all against the same usual kernel
	var look *kernel.Look
	for i := range sorted {
		all[i] = &sorted[i]
		if sorted[i].Class == Accept {
			sound, look = append(sound, sorted[i].Kernel), &sorted[i].Tray.Look
		}
	}
	y := newYardstick(look, sound, base.Odd.Rate)
	t.Base = newConfusion(classes)
	for _, s := range all {
		t.Base.add(y, s, &base)
	}
	fold := deal(sorted)
	t.Validated = newConfusion(classes)
	for f := range tuneFolds {
		var train, test []*Sorted
		for i, s := range all {
			if fold[i] == f {
				test = append(test, s)
			} else {
				train = append(train, s)
			}
		}
		p := learn(y, train, base, classes)
		for _, s := range test {
			t.Validated.add(y, s, &p)
		}
	}
	t.Profile = learn(y, all, base, classes)
	t.Profile.Name = "tuned"
	for i := range ProfileLimits {
		if l := &ProfileLimits[i]; l.Value(&t.Profile) != l.Value(&base) {
			t.Changed = append(t.Changed, l.Key)
		}
	}
	return t, nil
}

func classList() string {
	s := ""
	for i, c := range TuneClasses {
		if i > 0 {
			s += ", "
		}
		s += string(c)
	}
	return s
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

func newConfusion(classes []kernel.Flag) Confusion {
	c := Confusion{Classes: classes, Count: make([][]int, len(classes))}
	for i := range c.Count {
		c.Count[i] = make([]int, len(classes))
	}
	return c
}

// add sorts one kernel by p.
func (c *Confusion) add(y *yardstick, s *Sorted, p *Profile) {
	got := p.sort(y, s, c.Classes)
	c.Count[slices.Index(c.Classes, s.Class)][slices.Index(c.Classes, got)]++
}

// sort returns the class that p gives a kernel: the one it has by hand where
// that is among its flags, else its first flag of those in use, else Accept.
func (p *Profile) sort(y *yardstick, s *Sorted, classes []kernel.Flag) kernel.Flag {
	flags := p.flags(y, s.Tray, &s.Kernel)
	if slices.Contains(flags, s.Class) {
		return s.Class
	}
	for _, f := range flags {
		if slices.Contains(classes, f) {
			return f
		}
	}
	return Accept
}

// learn moves limits one after another, twice round.
func learn(y *yardstick, train []*Sorted, base Profile, classes []kernel.Flag) Profile {
	p := base
	loss := func(p *Profile) float64 {
		var wrong, n [len(TuneClasses)]float64
		for _, s := range train {
			i := slices.Index(classes, s.Class)
			n[i]++
			if p.sort(y, s, classes) != s.Class {
				wrong[i]++
			}
		}
		sum := 0.0
		for i := range n {
			if n[i] > 0 {
				sum += wrong[i] / n[i]
			}
		}
		return sum
	}
	best := loss(&p)
	for range 2 {
		for _, f := range tuneFeatures {
			if best == 0 {
				return p
			}
			if !slices.Contains(classes, f.class) {
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
				losses[k] = loss(&p)
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
					if x := loss(&p); x <= losses[k]+1e-9 {
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
	slices.SortFunc(xs, cmp.Compare)
	xs = slices.Compact(xs)
	var out []float64
	for i := 1; i < len(xs); i += 1 + len(xs)/maxCandidates {
		out = append(out, roundTo3((xs[i-1]+xs[i])/2))
	}
	return slices.Compact(out)
}

// roundTo3 keeps three significant digits: a learned limit is not known better.
func roundTo3(x float64) float64 {
	if x == 0 {
		return 0
	}
	p := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*p) / p
}
