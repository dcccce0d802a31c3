package samples

import (
	"context"
	"slices"

	"traytally/grading"
	"traytally/vision/kernel"
)

// Sorted returns the kernels that people looked at in the samples that q picks,
// each in the class that they left it in, as grading.Tune wants them: sound ones,
// and those with one flag. Left out are kernels whose colour was not measured,
// those with several flags or one that no limit sets, and what was parted,
// joined, outlined or taken away.
func (g *Register) Sorted(ctx context.Context, q Query) ([]grading.Sorted, error) {
	rows, err := g.lookedAt(ctx, q)
	if err != nil {
		return nil, err
	}
	var out []grading.Sorted
	for _, row := range rows {
		r, err := g.Get(ctx, row.Code, row.Revision)
		if err != nil {
			return nil, err
		}
		stored, err := r.Kernels()
		if err != nil {
			return nil, err
		}
		trays, err := r.Trays()
		if err != nil {
			return nil, err
		}
		looked := make([]map[int]bool, len(trays))
		for _, c := range r.Corrections {
			n := max(0, c.Picture-1)
			if looked[n] == nil {
				looked[n] = map[int]bool{}
			}
			for _, id := range c.Kernels {
				looked[n][id] = true
			}
		}
		for i := range trays {
			for _, k := range trays[i].Kernels {
				if class, ok := sortedInto(&k); ok && looked[i][k.ID] && k.Surface.Pixels > 0 {
					out = append(out, grading.Sorted{Class: class, Tray: &stored.Trays[i], Kernel: k})
				}
			}
		}
	}
	return out, nil
}

// lookedAt lists the samples that q picks of which people looked at kernels.
func (g *Register) lookedAt(ctx context.Context, q Query) ([]Row, error) {
	rows, err := g.List(ctx, q)
	return slices.DeleteFunc(rows, func(r Row) bool { return r.AsMeasured == nil }), err
}

// sortedInto returns the class of a kernel for grading.Tune, where it has one.
func sortedInto(k *kernel.Kernel) (class kernel.Flag, ok bool) {
	switch {
	case len(k.Flags) == 0:
		return grading.Accept, true
	case len(k.Flags) > 1 || k.Has(kernel.Odd):
		return "", false
	}
	return k.Flags[0], true
}
