package phantom

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"testing"
	"traytally/vision/kernel/fault"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// named is what a field is called in a message: its flag.
func named(field string) string {
	for _, t := range []reflect.Type{reflect.TypeFor[Params](), reflect.TypeFor[Photo]()} {
		if f, ok := t.FieldByName(field); ok {
			return "--" + f.Tag.Get("flag")
		}
	}
	return field
}

func TestValidateNamesTheField(t *testing.T) {
	for field, spoil := range map[string]func(p *Params){
		"Kind":                       func(p *Params) { p.Kind = "huge" },
		"Count":                      func(p *Params) { p.Count = -1 },
		"LengthCV":                   func(p *Params) { p.LengthCV = math.NaN() },
		"WidthCV":                    func(p *Params) { p.WidthCV = 1 },
		"Curve":                      func(p *Params) { p.Curve = -0.1 },
		"OnSideShare":                func(p *Params) { p.OnSideShare = 1.1 },
		"BrokenShare":                func(p *Params) { p.BrokenShare = 2 },
		"BrokenMass":                 func(p *Params) { p.BrokenMass = 100 },
		"PieceMin":                   func(p *Params) { p.PieceMin = 0 },
		"PieceMax":                   func(p *Params) { p.PieceMax = 0.1 },
		"Splinters":                  func(p *Params) { p.Splinters = -1 },
		"Chalky":                     func(p *Params) { p.Chalky = -0.1 },
		"sum of defect shares":       func(p *Params) { p.Red, p.Yellow = 0.6, 0.6 },
		"Stones":                     func(p *Params) { p.Stones = 1001 },
		"Dust":                       func(p *Params) { p.Dust = -1 },
		"CutByEdge":                  func(p *Params) { p.CutByEdge = 1e6 },
		"WidthMM":                    func(p *Params) { p.HeightMM = 100 },
		"HeightMM":                   func(p *Params) { p.WidthMM = 100 },
		"Cover":                      func(p *Params) { p.Cover = 0.9 },
		"MarginMM":                   func(p *Params) { p.MarginMM = math.Inf(1) },
		"TouchShare":                 func(p *Params) { p.TouchShare = 2 },
		"GroupMean":                  func(p *Params) { p.GroupMean = 1 },
		"PressMM":                    func(p *Params) { p.PressMM = 0 },
		"GapMM":                      func(p *Params) { p.GapMM = -1 },
		"the weight of each contact": func(p *Params) { p.TouchShare, p.Mix = 0.5, Mix{} },
		"DPI":                        func(p *Params) { p.DPI = 72 },
		"Light":                      func(p *Params) { p.Light = "" },
		"LightDrop":                  func(p *Params) { p.LightDrop = 1 },
		"Shadow":                     func(p *Params) { p.Shadow = 2 },
		"Tray":                       func(p *Params) { p.Tray = "white" },
		"Weave":                      func(p *Params) { p.Weave = 3 },
		"Limb":                       func(p *Params) { p.Limb = 1 },
		"Seam":                       func(p *Params) { p.Seam = -1 },
		"BlurPx":                     func(p *Params) { p.BlurPx = 9 },
		"Noise":                      func(p *Params) { p.Noise = 31 },
		"Natural":                    func(p *Params) { p.Natural = 2 },
		"Pile":                       func(p *Params) { p.Pile = 0.5 },
		"Coins":                      func(p *Params) { p.Coins = 21 },
		"Caps":                       func(p *Params) { p.Caps = -1 },
		"Ground":                     func(p *Params) { p.Ground = "sand" },
		"Stops":                      func(p *Params) { p.Stops = 4 },
		"HandShadow":                 func(p *Params) { p.HandShadow = 1 },
		"Sharpen":                    func(p *Params) { p.Sharpen = -1 },
		"picture":                    func(p *Params) { p.WidthMM, p.HeightMM, p.DPI = 1000, 1000, 1200 },
	} {
		p := DefaultParams()
		spoil(&p)
		err := p.Validate()
		require.NotNil(t, fault.Of(err), field)
		assert.Contains(t, fault.Of(err).What, named(field)+" is ")
		_, _, err = Draw(p)
		assert.Error(t, err)
	}
}

func TestNoRoom(t *testing.T) {
	p := DefaultParams()
	p.WidthMM, p.HeightMM = 30, 30
	_, err := p.scene()
	require.ErrorIs(t, err, ErrNoRoom)
	assert.Contains(t, fault.Of(err).Hint, "larger tray")
}

var (
	lights  = []Light{LightEven, LightFallOff, LightGradient}
	trays   = []Tray{TrayBlack, TrayBlue, TrayBrown, TrayGrey, TraySky, TrayGreen}
	grounds = []Ground{GroundCard, GroundCloth, GroundLeather, GroundWood}
)

// drawParams draws legal parameters of small trays.
func drawParams(t *rapid.T) Params {
	share := func(name string) float64 { return rapid.Float64Range(0, 0.1).Draw(t, name) }
	num := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	p := DefaultParams()
	p.Seed = rapid.Uint64().Draw(t, "seed")
	p.Kind = rapid.SampledFrom(kinds).Draw(t, "kind")
	p.Count = rapid.IntRange(0, 12).Draw(t, "count")
	p.Crowd(rapid.SampledFrom(Contacts()).Draw(t, "contact"))
	p.Cover = 0.15
	p.LengthCV, p.WidthCV, p.Curve = num("length_cv", 0, 0.15), num("width_cv", 0, 0.15), num("curve", 0, 0.12)
	p.OnSideShare, p.BrokenShare = num("on_side", 0, 1), num("broken", 0, 1)
	if rapid.Bool().Draw(t, "to mass") {
		p.BrokenMass = num("mass", 1, 95)
	}
	p.PieceMin = num("piece_min", 0.05, 1)
	p.PieceMax = num("piece_max", p.PieceMin, 1)
	p.Splinters = num("splinters", 0, 1)
	p.Chalky, p.PartChalky, p.WhiteBelly, p.Yellow = share("chalky"), share("part"), share("belly"), share("yellow")
	p.Red, p.Streaked, p.Black, p.Spotted, p.Paddy = share("red"), share("streaked"), share("black"), share("spotted"), share("paddy")
	p.Parboiled = rapid.Bool().Draw(t, "parboiled")
	p.Stones, p.Husks, p.Seeds = rapid.IntRange(0, 2).Draw(t, "stones"), rapid.IntRange(0, 2).Draw(t, "husks"), rapid.IntRange(0, 2).Draw(t, "seeds")
	p.Dust, p.CutByEdge = rapid.IntRange(0, 9).Draw(t, "dust"), rapid.IntRange(0, 3).Draw(t, "cut")
	p.DPI = num("dpi", 100, 200)
	p.Light = rapid.SampledFrom(lights).Draw(t, "light")
	p.Tray = rapid.SampledFrom(trays).Draw(t, "tray")
	p.LightDrop, p.Shadow, p.Weave = num("drop", 0, 0.9), num("shadow", 0, 1), num("weave", 0, 1)
	p.Limb, p.Seam, p.BlurPx, p.Noise = num("limb", 0, 0.8), num("seam", 0, 1), num("blur", 0, 8), num("noise", 0, 30)
	if rapid.Bool().Draw(t, "phone") {
		p.Natural, p.Pile, p.Stops = num("natural", 0, 1), num("pile", 0, 0.4), num("stops", -4, 3)
		p.HandShadow, p.Sharpen = num("hand", 0, 0.9), num("sharpen", 0, 3)
		p.Coins, p.Caps = rapid.IntRange(0, 1).Draw(t, "coins"), rapid.IntRange(0, 1).Draw(t, "caps")
		p.Ground = rapid.SampledFrom(append(grounds, GroundSheet)).Draw(t, "ground")
	}
	return p
}

// TestLegalParamsDraw: whatever Validate lets through is drawn, and its truth
// is sane.
func TestLegalParamsDraw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawParams(t)
		require.NoError(t, p.Validate())
		img, truth, err := Draw(p)
		if errors.Is(err, ErrNoRoom) {
			t.Skip("full")
		}
		require.NoError(t, err)
		require.Equal(t, truth.Width, img.Rect.Dx())
		sane(t, p, truth)
	})
}

func sane(t require.TestingT, p Params, truth *Truth) {
	require.Equal(t, p.Count+p.Stones+p.Husks+p.Seeds, truth.N)
	require.True(t, truth.BrokenMass >= 0 && truth.BrokenMass <= 100)
	require.True(t, truth.BrokenCount >= 0 && truth.BrokenCount <= 100)
	for _, k := range truth.Kernels {
		for _, v := range []float64{k.X, k.Y, k.Length, k.Width, k.Axis, k.Area, k.Volume, k.Fraction, k.Angle, k.Lab[0], k.Lab[1], k.Lab[2]} {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		}
		require.True(t, k.Width > 0 && k.Width <= k.Length)
		require.Greater(t, k.Volume, 0.0)
		require.True(t, k.Chalk >= 0 && k.Chalk <= 1)
		require.True(t, k.Solidity > 0 && k.Solidity <= 1)
		require.True(t, k.Covered >= 0 && k.Covered < 1)
		require.True(t, k.Notch[1] >= 0 && k.Notch[1] < 1.5*milled[p.Kind].width) // a cut is within the kernel, which is up to 1.45 of its kind's width
	}
}

// FuzzParams feeds stored parameters, legal or not: either they are refused or
// they make a sane truth.
func FuzzParams(f *testing.F) {
	legal, err := json.Marshal(DefaultParams())
	require.NoError(f, err)
	f.Add(legal)
	f.Add([]byte(`{"kind":"bold","count":3,"piece_min":1e-300,"dpi":1e308}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		p := DefaultParams()
		if json.Unmarshal(data, &p) != nil || p.Count > 50 || p.Stones+p.Husks+p.Seeds > 50 {
			t.Skip()
		}
		s, err := p.scene()
		if err != nil {
			require.True(t, errors.Is(err, ErrNoRoom) || p.Validate() != nil)
			return
		}
		sane(t, p, s.truth)
	})
}
