package main

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
