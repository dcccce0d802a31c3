package grading

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// handSorted is a set in which the hand calls a kernel chalky from a share of
// 0.7 on, and red from 0.4 on, both other limits than the default.
func handSorted(n int, pictures int) []Sorted {
	r := rand.New(rand.NewPCG(1, 2))
	trays := make([]*kernel.Tray, pictures)
	for i := range trays {
		trays[i] = &kernel.Tray{Picture: fmt.Sprintf("p%d", i), Look: soundLook}
	}
	var out []Sorted
	add := func(class kernel.Flag, k kernel.Kernel) {
		out = append(out, Sorted{Class: class, Tray: trays[len(out)%pictures], Kernel: k})
	}
	for range n {
		k := soundKernel()
		k.ChalkShare = 0.68 * r.Float64()
		add(Accept, k)
		k = soundKernel()
		k.ChalkShare = 0.72 + 0.28*r.Float64()
		add(kernel.Chalky, k)
		k = soundKernel()
		k.Surface.RedShare = 0.38 * r.Float64()
		add(Accept, k)
		k.Surface.RedShare = 0.42 + 0.5*r.Float64()
		add(kernel.Red, k)
	}
	return out
}

func TestTune(t *testing.T) {
	set := handSorted(60, 7)
	got, err := Tune(set, DefaultProfile())
	require.NoError(t, err)
	assert.InDelta(t, 0.7, got.Profile.Chalky.Share, 0.021)
	assert.InDelta(t, 0.4, got.Profile.Red.Share, 0.021)
	assert.ElementsMatch(t, []string{"chalky.share", "red.share"}, got.Changed)
	right, all := got.Base.Right()
	assert.Equal(t, len(set), all)
	assert.Less(t, right, all, "the default sorts some of them wrong")
	right, _ = got.Validated.Right()
	assert.GreaterOrEqual(t, float64(right), 0.97*float64(all))
	for i, c := range got.Validated.Classes {
		r := got.Validated.Recall(i)
		assert.GreaterOrEqual(t, r.Value, 95.0, string(c))
		assert.True(t, r.Low <= r.Value && r.Value <= r.High)
		assert.GreaterOrEqual(t, got.Validated.Precision(i).Value, 94.0, string(c))
	}
	again, err := Tune(set, DefaultProfile())
	require.NoError(t, err)
	assert.Equal(t, got, again, "the same kernels give the same profile")
	require.NoError(t, got.Profile.Validate())
}

// Where the default sorts everything right nothing moves.
func TestTuneLeavesGoodLimits(t *testing.T) {
	var set []Sorted
	tray := &kernel.Tray{Picture: "p", Look: soundLook}
	for i := range 20 {
		k := soundKernel()
		k.ChalkShare = 0.02 * float64(i)
		set = append(set, Sorted{Class: Accept, Tray: tray, Kernel: k})
		k.ChalkShare = 0.6 + 0.02*float64(i)
		set = append(set, Sorted{Class: kernel.Chalky, Tray: tray, Kernel: k})
	}
	got, err := Tune(set, DefaultProfile())
	require.NoError(t, err)
	assert.Empty(t, got.Changed)
	right, all := got.Validated.Right()
	assert.Equal(t, all, right)
}

// A hand that sorts by chance is told so: validation does not flatter.
func TestTuneOnNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	tray := &kernel.Tray{Picture: "p", Look: soundLook}
	var set []Sorted
	for i := range 200 {
		k := soundKernel()
		k.ChalkShare = r.Float64()
		set = append(set, Sorted{Class: []kernel.Flag{Accept, kernel.Chalky}[i%2], Tray: tray, Kernel: k})
	}
	got, err := Tune(set, DefaultProfile())
	require.NoError(t, err)
	right, all := got.Validated.Right()
	// half of them, give or take three standard deviations of 200 tosses
	assert.InDelta(t, 0.5, float64(right)/float64(all), 3*0.5/14.1)
}

func TestTuneRefuses(t *testing.T) {
	set := handSorted(10, 1)
	for name, c := range map[string][]Sorted{
		"nothing":   nil,
		"one class": {set[0], set[0], set[0], set[0], set[0], set[0], set[0], set[0]},
		"few":       append(append([]Sorted{}, set...), Sorted{Class: kernel.Paddy, Tray: set[0].Tray, Kernel: soundKernel()}),
		"unknown":   append(append([]Sorted{}, set...), Sorted{Class: "green", Tray: set[0].Tray, Kernel: soundKernel()}),
	} {
		_, err := Tune(c, DefaultProfile())
		require.ErrorIs(t, err, ErrTooFew, name)
		var e *fault.Error
		require.ErrorAs(t, err, &e)
		assert.NotEmpty(t, e.Hint)
	}
	bad := DefaultProfile()
	bad.Chalky.Share = 7
	_, err := Tune(set, bad)
	assert.ErrorIs(t, err, ErrProfile)
}

// By hand: 8 of 10 chalky found, 1 of 10 accepted called chalky.
func TestConfusion(t *testing.T) {
	c := Confusion{Classes: []kernel.Flag{Accept, kernel.Chalky}, Count: [][]int{{9, 1}, {2, 8}}}
	right, all := c.Right()
	assert.Equal(t, 17, right)
	assert.Equal(t, 20, all)
	assert.InDelta(t, 80, c.Recall(1).Value, 1e-9)
	assert.InDelta(t, 88.89, c.Precision(1).Value, 0.005)
	assert.InDelta(t, 81.82, c.Precision(0).Value, 0.005)
}
