package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/vision"
	"traytally/vision/kernel"
	"traytally/vision/phantom"
)

// wanted is the flag that a perfect look would set for a defect of a truth.
var wanted = map[string]kernel.Flag{
	"chalky": kernel.Chalky, "yellow": kernel.Yellow, "red": kernel.Red, "streaked": kernel.RedStreaked,
	"black": kernel.Damaged, "spot": kernel.Damaged, "paddy": kernel.Paddy,
	"stone": kernel.Foreign, "husk": kernel.Foreign, "seed": kernel.Foreign,
}

// A tally counts what became of the kernels of one flag.
type flagTally struct{ right, wrong, missed int }

func (f flagTally) recall() float64    { return float64(f.right) / float64(max(1, f.right+f.missed)) }
func (f flagTally) precision() float64 { return float64(f.right) / float64(max(1, f.right+f.wrong)) }

// tallies adds up, by flag, how a measured tray agrees with its truth. The
// nearest kernel within 1 mm stands for a piece of the truth; pieces under
// least mm are left out. A share of chalk between half and three quarters is
// the flag's too, since its default is a half.
func tallies(into map[kernel.Flag]*flagTally, t *kernel.Tray, truth *phantom.Truth, least float64) (alarms, sound int) {
	for _, q := range truth.Kernels {
		if q.Length < least {
			continue
		}
		want := wanted[q.Defect]
		if q.Defect == "none" && q.Chalk >= 0.5 {
			want = kernel.Chalky
		}
		var k *kernel.Kernel
		best := truth.PxPerMM
		for i := range t.Kernels {
			if d := math.Hypot(t.Kernels[i].X-q.X, t.Kernels[i].Y-q.Y); d < best {
				best, k = d, &t.Kernels[i]
			}
		}
		if k == nil {
			continue
		}
		of := func(f kernel.Flag) *flagTally {
			if into[f] == nil {
				into[f] = &flagTally{}
			}
			return into[f]
		}
		if want == "" {
			sound++
			if len(k.Flags) > 0 {
				alarms++
			}
		} else if k.Has(want) {
			of(want).right++
		} else {
			of(want).missed++
		}
		for _, f := range k.Flags {
			if f != want {
				of(f).wrong++
			}
		}
	}
	return alarms, sound
}

// flagged draws a tray, measures it and sets the flags by the default profile.
func flagged(t *testing.T, p phantom.Params) (*kernel.Tray, *phantom.Truth) {
	t.Helper()
	img, truth, err := phantom.Draw(p)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, phantom.Encode(&b, "tray.jpg", img, p.DPI, 92))
	pic, err := vision.Decode("tray.jpg", b.Bytes(), vision.OpenOptions{})
	require.NoError(t, err)
	defer pic.Close()
	tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{})
	require.NoError(t, err)
	trays, not := grading.Flag([]kernel.Tray{*tray}, grading.DefaultProfile())
	require.Empty(t, not)
	return &trays[0], truth
}

func defective(seed uint64) phantom.Params {
	p := phantom.DefaultParams()
	p.Seed, p.Count = seed, 300
	p.Chalky, p.PartChalky, p.WhiteBelly, p.Yellow, p.Red, p.Streaked, p.Black, p.Spotted, p.Paddy = .06, .03, .1, .05, .05, .05, .04, .04, .03
	return p
}

// Every class of off-colour kernel, on trays of three shapes and two lights
// drawn for this test. The promise is 0.95; where a tray holds what the method
// is known to miss the limit is lower and the reason stands beside it.
func TestFlagsOfTruth(t *testing.T) {
	all := map[kernel.Flag]*flagTally{}
	alarms, sound := 0, 0
	for i, kind := range []phantom.Kind{phantom.Long, phantom.Medium, phantom.Short} {
		p := defective(uint64(300 + i))
		p.Kind = kind
		p.Crowd(phantom.Touching)
		if i == 1 {
			p.Light, p.LightDrop = phantom.LightFallOff, 0.5
		}
		tray, truth := flagged(t, p)
		a, s := tallies(all, tray, truth, 2)
		alarms, sound = alarms+a, sound+s
	}
	for f, limit := range map[kernel.Flag]struct{ recall, precision float64 }{
		kernel.Chalky:      {0.97, 0.95},
		kernel.Yellow:      {0.95, 0.95},
		kernel.Red:         {0.95, 0.95},
		kernel.RedStreaked: {0.90, 0.95}, // some streaks are a pixel wide and just half as long as the kernel
		kernel.Damaged:     {0.80, 0.95}, // a spot over the outline of a touching kernel is not seen
		kernel.Paddy:       {0.95, 0.90}, // the drawn paddy and yellow kernels share a part of their colours
	} {
		got := all[f]
		require.NotNil(t, got, string(f))
		assert.GreaterOrEqual(t, got.recall(), limit.recall, "%s: %+v", f, *got)
		assert.GreaterOrEqual(t, got.precision(), limit.precision, "%s: %+v", f, *got)
	}
	assert.LessOrEqual(t, float64(alarms), 0.01*float64(sound)+1, "%d false alarms on %d sound kernels", alarms, sound)
}

// An amber sample and white bellies are no alarm.
func TestNoFalseAlarms(t *testing.T) {
	for name, change := range map[string]func(*phantom.Params){
		"parboiled":   func(p *phantom.Params) { p.Parboiled = true },
		"white belly": func(p *phantom.Params) { p.WhiteBelly = 0.3 },
		"uneven":      func(p *phantom.Params) { p.Light, p.LightDrop = phantom.LightGradient, 0.5 },
	} {
		p := phantom.DefaultParams()
		p.Seed, p.Count = 400, 400
		change(&p)
		tray, truth := flagged(t, p)
		alarms, sound := tallies(map[kernel.Flag]*flagTally{}, tray, truth, 0)
		assert.LessOrEqual(t, float64(alarms), 0.005*float64(sound), "%s: %d of %d", name, alarms, sound)
	}
}

// Foreign bodies of 0.7 mm and more stay out of the rice, dust is neither.
// Stones near the colour of rice cannot be told: a quarter of the drawn ones.
func TestForeignBodies(t *testing.T) {
	p := phantom.DefaultParams()
	p.Seed, p.Count, p.Stones, p.Husks, p.Seeds, p.Dust = 500, 200, 30, 30, 30, 200
	tray, truth := flagged(t, p)
	all := map[kernel.Flag]*flagTally{}
	missed := map[string]int{}
	for _, q := range truth.Kernels {
		if !q.Foreign() || q.Length < 0.7 || q.Lab[0] > 62 && q.Defect == "stone" {
			continue
		}
		if !slices.ContainsFunc(tray.Kernels, func(k kernel.Kernel) bool {
			return math.Hypot(k.X-q.X, k.Y-q.Y) < truth.PxPerMM && k.Has(kernel.Foreign)
		}) {
			missed[q.Defect]++
		}
	}
	// Missed are brown stones that pass for red pieces, and black ones shaped
	// like a piece of a black kernel.
	assert.LessOrEqual(t, missed["husk"]+missed["seed"]+missed["stone"], 5, "of about 80: %v", missed)
	_, sound := tallies(all, tray, truth, 0)
	assert.Greater(t, sound, 150)
	if f := all[kernel.Foreign]; assert.NotNil(t, f) {
		assert.Zero(t, f.wrong, "rice taken for foreign bodies")
	}
	assert.LessOrEqual(t, len(tray.Kernels), len(truth.Kernels)+2, "dust among the pieces")
}

// TestOutsideTrays measures trays drawn by another program, with their truth
// beside them, from ../shared/trays beside the checkout.
func TestOutsideTrays(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(besideCheckout, "trays", "*.json"))
	require.NoError(t, err)
	if testing.Short() || len(names) == 0 {
		t.Skip("NOT CHECKED: short, or no trays in ../shared/trays")
	}
	all := map[kernel.Flag]*flagTally{}
	alarms, sound := 0, 0
	for _, name := range names {
		data, err := os.ReadFile(name)
		require.NoError(t, err)
		var truth phantom.Truth
		require.NoError(t, json.Unmarshal(data, &truth))
		stem := strings.TrimSuffix(name, ".json")
		if strings.HasPrefix(filepath.Base(stem), "real-") {
			continue // their kernels' colours have no truth
		}
		var pic *vision.Picture
		for _, ext := range []string{".jpg", ".png"} {
			if pic, err = vision.Open(stem+ext, vision.OpenOptions{}); err == nil {
				break
			}
		}
		require.NoError(t, err)
		tray, err := vision.Measure(context.Background(), pic, vision.MeasureOptions{PxPerMM: truth.PxPerMM, ScaleSource: "truth"})
		pic.Close()
		require.NoError(t, err)
		trays, _ := grading.Flag([]kernel.Tray{*tray}, grading.DefaultProfile())
		a, s := tallies(all, &trays[0], &truth, 0)
		alarms, sound = alarms+a, sound+s
	}
	for f, got := range all {
		t.Logf("%-12s %+v recall %.3f precision %.3f", f, *got, got.recall(), got.precision())
		assert.GreaterOrEqual(t, got.recall(), 0.95, string(f))
		assert.GreaterOrEqual(t, got.precision(), 0.95, string(f))
	}
	t.Logf("%d false alarms on %d sound kernels", alarms, sound)
	assert.LessOrEqual(t, float64(alarms), 0.005*float64(sound))
}
