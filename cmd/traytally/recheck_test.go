package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"traytally/grading"
)

// Two results agree in their kernels where only rounding differs.
func TestSameKernels(t *testing.T) {
	result := func(change func(*grading.Result)) *grading.Result {
		r := &grading.Result{Kernels: []grading.KernelRow{
			{Class: "head", LengthRatio: 1.02, Flags: []string{}}, {Class: "medium_broken", LengthRatio: 0.4, Flags: []string{"chalky"}}}}
		r.Broken.MassPct.Value = 7.09
		change(r)
		return r
	}
	old := result(func(*grading.Result) {})
	for name, c := range map[string]struct {
		change func(*grading.Result)
		same   bool
	}{
		"rounding":      {func(r *grading.Result) { r.Kernels[0].LengthRatio += 0.0004; r.Broken.MassPct.Value += 0.004 }, true},
		"a length":      {func(r *grading.Result) { r.Kernels[0].LengthRatio += 0.002 }, false},
		"a class":       {func(r *grading.Result) { r.Kernels[0].Class = "large_broken" }, false},
		"a flag":        {func(r *grading.Result) { r.Kernels[1].Flags = nil }, false},
		"a kernel":      {func(r *grading.Result) { r.Kernels = r.Kernels[:1] }, false},
		"broken shares": {func(r *grading.Result) { r.Broken.MassPct.Value += 0.02 }, false},
	} {
		assert.Equal(t, c.same, sameKernels(old, result(c.change)), name)
	}
}
