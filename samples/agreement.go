package samples

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"traytally/grading"
	"traytally/vision/kernel"
)

// A looked is a kernel that a person looked at, as measured and as corrected.
type looked struct {
	measured  *grading.KernelRow // nil: it was missed
	corrected *grading.KernelRow // nil: it is not there, or in other pieces
}

// changed reports whether the person judged otherwise than the program.
func (l *looked) changed() bool {
	return l.measured == nil || l.corrected == nil || l.measured.Class != l.corrected.Class || !slices.Equal(l.measured.Flags, l.corrected.Flags)
}

// looks returns the kernels that the corrections are of, each once, those that
// were missed at the end.
func (r *Record) looks(measured, corrected *grading.Result) (out []looked) {
	type name struct {
		picture string
		id      int
	}
	index := func(res *grading.Result) map[name]*grading.KernelRow {
		m := map[name]*grading.KernelRow{}
		for i := range res.Kernels {
			k := &res.Kernels[i]
			m[name{k.Picture, k.ID}] = k
		}
		return m
	}
	was, is := index(measured), index(corrected)
	seen, missed := map[name]bool{}, []looked{}
	for _, c := range r.Corrections {
		picture := measured.Pictures[max(0, c.Picture-1)].Picture
		for _, id := range c.Kernels {
			if n := (name{picture, id}); !seen[n] && was[n] != nil {
				seen[n] = true
				out = append(out, looked{was[n], is[n]})
			}
		}
		if c.Outline != nil && len(c.Made) == 1 {
			missed = append(missed, looked{nil, is[name{picture, c.Made[0].ID}]})
		}
	}
	return append(out, missed...)
}

// An Agreement is how often people who looked at kernels judged them as the
// program does.
type Agreement struct {
	Samples int `json:"samples"` // with kernels that were looked at
	Looked  int `json:"looked_at"`
	Missed  int `json:"missed"` // kernels that were outlined by hand
	// Calls are, of the kernels that were looked at, all; those of each class as
	// measured; those that carried a flag and those that did not.
	Calls []Call `json:"calls"`
}

// Kinds of a Call.
const (
	CallAll    = "all"
	CallClass  = "class"
	CallFlag   = "flag"    // measured with it; changed: it was taken off
	CallNoFlag = "no_flag" // measured without it; changed: it was set
)

// A Call is one kind of judgement, and how often it was changed.
type Call struct {
	Kind       string           `json:"kind"`
	Name       string           `json:"name,omitempty"`
	Looked     int              `json:"looked_at"`
	Changed    int              `json:"changed"`
	ChangedPct grading.Estimate `json:"changed_pct"` // with its 95 % interval (Jeffreys)
}

// Agreement counts over the samples that q picks. What it tells is of the
// kernels that people looked at, and those are the doubtful ones.
func (g *Register) Agreement(ctx context.Context, q Query) (*Agreement, error) {
	a := &Agreement{Calls: []Call{}}
	type kind struct{ kind, name string }
	counts := map[kind]*Call{}
	count := func(k, name string, changed bool) {
		key := kind{k, name}
		c := cmp.Or(counts[key], &Call{Kind: k, Name: name})
		counts[key] = c
		c.Looked++
		if changed {
			c.Changed++
		}
	}
	flags := []kernel.Flag{kernel.Chalky, kernel.Yellow, kernel.Red, kernel.RedStreaked, kernel.Damaged, kernel.Paddy, kernel.Odd}
	rows, err := g.lookedAt(ctx, q)
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		_, r, err := g.read(ctx, g.db, row.Code, row.Revision)
		if err != nil {
			return nil, g.fault(err)
		}
		res, err := r.Decode()
		if err != nil {
			return nil, err
		}
		measured, err := r.AsMeasured()
		if err != nil {
			return nil, err
		}
		a.Samples++
		for _, l := range r.looks(measured, res) {
			if l.measured == nil {
				a.Missed++
				continue
			}
			a.Looked++
			gone := l.corrected == nil
			count(CallAll, "", l.changed())
			count(CallClass, string(l.measured.Class), gone || l.corrected.Class != l.measured.Class)
			if gone || l.measured.Class == grading.ForeignBody || l.corrected.Class == grading.ForeignBody {
				continue
			}
			for _, f := range flags {
				had, has := slices.Contains(l.measured.Flags, string(f)), slices.Contains(l.corrected.Flags, string(f))
				if had {
					count(CallFlag, string(f), !has)
				} else {
					count(CallNoFlag, string(f), has)
				}
			}
		}
	}
	kinds := []string{CallAll, CallClass, CallFlag, CallNoFlag}
	names := []string{}
	for _, c := range grading.Classes {
		names = append(names, string(c))
	}
	names = append(names, string(grading.AnyBroken), string(grading.Untold), string(grading.ForeignBody))
	for _, f := range flags {
		names = append(names, string(f))
	}
	for _, k := range slices.SortedFunc(maps.Keys(counts), func(x, y kind) int {
		return cmp.Or(slices.Index(kinds, x.kind)-slices.Index(kinds, y.kind), slices.Index(names, x.name)-slices.Index(names, y.name))
	}) {
		c := counts[k]
		low, high := grading.Jeffreys(float64(c.Changed), float64(c.Looked), 0.95)
		c.ChangedPct = grading.Estimate{Value: 100 * float64(c.Changed) / float64(c.Looked), Low: 100 * low, High: 100 * high}
		a.Calls = append(a.Calls, *c)
	}
	return a, nil
}
