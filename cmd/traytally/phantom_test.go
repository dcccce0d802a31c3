package main

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// TestPhantomFlags: every parameter has its flag, and the flags leave the
// defaults as the package has them.
func TestPhantomFlags(t *testing.T) {
	cmd := newPhantomCommand()
	params := reflect.TypeFor[phantom.Params]()
	named := 0
	for i := range params.NumField() {
		field := params.Field(i).Name
		if field == "Mix" { // set by --contact only
			continue
		}
		named++
		flag := phantomFlag[field]
		require.NotEmpty(t, flag, "%s has no flag", field)
		assert.NotNil(t, cmd.Flags().Lookup(flag), "there is no --%s", flag)
	}
	assert.Len(t, phantomFlag, named)

	o := &phantomOptions{}
	cmd = newPhantomCommand()
	cmd.ResetFlags()
	o.addFlags(cmd.Flags())
	require.NoError(t, cmd.ParseFlags([]string{"--out", "x.png"}))
	require.NoError(t, o.complete(cmd.Flags()))
	assert.Equal(t, phantom.DefaultParams(), o.params)
	assert.Equal(t, "x.truth.json", o.truth)
}

// TestPhantomCrowding: single flags win over what --contact sets.
func TestPhantomCrowding(t *testing.T) {
	o := &phantomOptions{}
	cmd := newPhantomCommand()
	cmd.ResetFlags()
	o.addFlags(cmd.Flags())
	require.NoError(t, cmd.ParseFlags([]string{"--out", "x.png", "--contact", "dense", "--press", "0.05"}))
	require.NoError(t, o.complete(cmd.Flags()))
	want := phantom.DefaultParams()
	want.Crowd(phantom.Dense)
	want.PressMM = 0.05
	assert.Equal(t, want, o.params)
}

// TestPhantomLook: single flags win over what --look sets, even where they give
// what is usual without it.
func TestPhantomLook(t *testing.T) {
	o := &phantomOptions{}
	cmd := newPhantomCommand()
	cmd.ResetFlags()
	o.addFlags(cmd.Flags())
	require.NoError(t, cmd.ParseFlags([]string{"--out", "x.png", "--look", "phone", "--light", "even", "--blur-encoded=true", "--ground", "wood", "--seed", "8"}))
	require.NoError(t, o.complete(cmd.Flags()))
	want := phantom.DefaultParams()
	want.Take(phantom.LookPhone)
	want.Seed, want.Light, want.BlurEncoded, want.Ground = 8, phantom.LightEven, true, phantom.GroundWood
	assert.Equal(t, want, o.params)
}

// TestPhantomPhotoFlags: every parameter of a photo has its flag, and the flags
// leave the defaults as the package has them.
func TestPhantomPhotoFlags(t *testing.T) {
	own := map[string]bool{"Rice": true, "Swatches": true, "Beside": true, "Width": true, "Height": true, "Cast": true, "Covered": true, "TornMM": true, "Torn": true}
	for _, n := range photoFlags(new(phantom.Photo)) {
		assert.False(t, own[n.field], n.field)
		own[n.field] = true
	}
	photo := reflect.TypeFor[phantom.Photo]()
	assert.Len(t, own, photo.NumField())
	for i := range photo.NumField() {
		assert.True(t, own[photo.Field(i).Name], photo.Field(i).Name)
	}
	parse := func(args ...string) (*phantomOptions, error) {
		o := &phantomOptions{}
		cmd := newPhantomCommand()
		cmd.ResetFlags()
		o.addFlags(cmd.Flags())
		require.NoError(t, cmd.ParseFlags(append([]string{"--out", "x.png"}, args...)))
		return o, o.complete(cmd.Flags())
	}
	o, err := parse("--photo", "card")
	require.NoError(t, err)
	assert.Equal(t, phantom.DefaultPhoto(), o.photo)
	o, err = parse("--photo", "beside", "--tilt", "7", "--cast", "1,0.9,0.5", "--covered", "1,2,3,4", "--covered", "5,6,7,8", "--torn", "90,1,2", "--noise", "1.5")
	require.NoError(t, err)
	want := phantom.DefaultPhoto()
	want.Beside, want.TiltDeg, want.Cast, want.Rice.Noise = true, 7, [3]float64{1, 0.9, 0.5}, 1.5
	want.Covered = []phantom.Rect{{X0: 1, Y0: 2, X1: 3, Y1: 4}, {X0: 5, Y0: 6, X1: 7, Y1: 8}}
	want.TornMM, want.Torn = 90, kernel.Point{X: 1, Y: 2}
	assert.Equal(t, want, o.photo)
	for _, args := range [][]string{{"--tilt", "3"}, {"--torn", "1,2,3"}, {"--photo", "scan"}, {"--photo", "card", "--cast", "1"}, {"--photo", "card", "--covered", "1,2"}, {"--photo", "card", "--torn", "1"}} {
		_, err := parse(args...)
		assert.Error(t, err, "%v", args)
	}
}
