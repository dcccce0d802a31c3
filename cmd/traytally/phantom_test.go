package main

import (
	"reflect"
	"slices"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// phantomParse completes the options that a command line gives.
func phantomParse(t *testing.T, args ...string) (*phantomOptions, error) {
	t.Helper()
	o := &phantomOptions{}
	f := pflag.NewFlagSet("phantom", pflag.ContinueOnError)
	o.addFlags(f)
	require.NoError(t, f.Parse(append([]string{"--out", "x.png"}, args...)))
	return o, o.complete(f)
}

// TestPhantomFlags: every parameter but those of another shape has its flag,
// and the flags leave the defaults as the package has them.
func TestPhantomFlags(t *testing.T) {
	flags := newPhantomCommand().Flags()
	for params, own := range map[reflect.Type][]string{
		reflect.TypeFor[phantom.Params](): {"Mix"},
		reflect.TypeFor[phantom.Photo]():  {"Rice", "Beside", "Covered", "TornMM", "Torn", "Swatches"},
	} {
		for i := range params.NumField() {
			field := params.Field(i)
			if slices.Contains(own, field.Name) {
				continue
			}
			name := field.Tag.Get("flag")
			require.NotEmpty(t, name, "%s has no flag", field.Name)
			flag := flags.Lookup(name)
			require.NotNil(t, flag, "there is no --%s", name)
			assert.NotEmpty(t, flag.Usage, name)
		}
	}
	o, err := phantomParse(t)
	require.NoError(t, err)
	assert.Equal(t, phantom.DefaultParams(), o.params)
	assert.Equal(t, "x.truth.json", o.truth)
}

// TestPhantomSteps: single flags win over what --contact and --look set, even
// where they give what is usual without it.
func TestPhantomSteps(t *testing.T) {
	o, err := phantomParse(t, "--contact", "dense", "--press", "0.05")
	require.NoError(t, err)
	want := phantom.DefaultParams()
	want.Crowd(phantom.Dense)
	want.PressMM = 0.05
	assert.Equal(t, want, o.params)

	o, err = phantomParse(t, "--look", "phone", "--light", "even", "--blur-encoded=true", "--ground", "wood", "--seed", "8")
	require.NoError(t, err)
	want = phantom.DefaultParams()
	want.Take(phantom.LookPhone)
	want.Seed, want.Light, want.BlurEncoded, want.Ground = 8, phantom.LightEven, true, phantom.GroundWood
	assert.Equal(t, want, o.params)
}

func TestPhantomPhotoFlags(t *testing.T) {
	o, err := phantomParse(t, "--photo", "card")
	require.NoError(t, err)
	assert.Equal(t, phantom.DefaultPhoto(), o.photo)
	o, err = phantomParse(t, "--photo", "beside", "--tilt", "7", "--cast", "1,0.9,0.5", "--covered", "1,2,3,4", "--covered", "5,6,7,8", "--torn", "90,1,2", "--noise", "1.5")
	require.NoError(t, err)
	want := phantom.DefaultPhoto()
	want.Beside, want.TiltDeg, want.Cast, want.Rice.Noise = true, 7, [3]float64{1, 0.9, 0.5}, 1.5
	want.Covered = []phantom.Rect{{X0: 1, Y0: 2, X1: 3, Y1: 4}, {X0: 5, Y0: 6, X1: 7, Y1: 8}}
	want.TornMM, want.Torn = 90, kernel.Point{X: 1, Y: 2}
	assert.Equal(t, want, o.photo)
	for _, args := range [][]string{{"--tilt", "3"}, {"--photo-width", "900"}, {"--cast", "1,1,1"}, {"--torn", "1,2,3"}, {"--photo", "scan"}, {"--photo", "card", "--cast", "1"}, {"--photo", "card", "--covered", "1,2"}, {"--photo", "card", "--torn", "1"}} {
		_, err := phantomParse(t, args...)
		assert.Error(t, err, "%v", args)
	}
}
