package grading

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/vision/kernel"
)

// TestOutsideTrays grades the true kernels of trays that were drawn elsewhere
// with known truth, so that neither the lengths nor the cuts come from this
// package's own simulator. Only the judging is under test, no picture is read.
// They lie beside the checkout, where they are at all.
func TestOutsideTrays(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "shared", "trays", "*.json"))
	require.NoError(t, err)
	if len(files) == 0 {
		t.Skip("NOT CHECKED: no trays in ../shared/trays")
	}
	for _, file := range files {
		for _, judged := range []bool{true, false} {
			name := filepath.Base(file)
			if !judged {
				name += ", tips not judged"
			}
			t.Run(name, func(t *testing.T) {
				raw, err := os.ReadFile(file)
				require.NoError(t, err)
				var truth struct {
					PxPerMM    float64 `json:"px_per_mm"`
					MeanWhole  float64 `json:"mean_whole_length_mm"`
					BrokenMass float64 `json:"broken_mass_pct"`
					BrokenN    float64 `json:"broken_count_pct"`
					Kernels    []struct {
						X, Y     float64
						LengthMM float64 `json:"length_mm"`
						WidthMM  float64 `json:"width_mm"`
						Volume   float64 `json:"volume_mm3"`
						Intact   bool
						Defect   string
					}
				}
				require.NoError(t, json.Unmarshal(raw, &truth))
				if truth.BrokenMass == 0 {
					t.Skip("no mass truth: the composites of real kernel pictures have no true scale")
				}
				r := rand.New(rand.NewPCG(1, 2))
				px := truth.PxPerMM
				tray := kernel.Tray{Picture: filepath.Base(file), PxPerMM: px}
				for i, k := range truth.Kernels {
					out := kernel.Kernel{
						ID: i + 1, X: k.X, Y: k.Y,
						LengthPx: k.LengthMM * px, AxisLengthPx: k.LengthMM * px, WidthPx: k.WidthMM * px,
						AreaPx2: k.LengthMM * k.WidthMM * px * px * 0.8, VolumePx3: max(k.Volume, 1e-3) * px * px * px, // foreign bodies have none
						LengthSDPx: 0.02 * px,
					}
					switch k.Defect {
					case "stone", "husk", "seed":
						out.Flags = []kernel.Flag{kernel.Foreign}
					}
					out.Ends = [2]kernel.End{kernel.EndIntact, kernel.EndIntact}
					if !k.Intact {
						out.Ends[0] = kernel.EndBroken
					}
					for j := range out.Ends {
						switch u := r.Float64(); {
						case !judged || u < 0.1:
							out.Ends[j] = kernel.EndUnknown
						case u < 0.15: // judged wrongly
							out.Ends[j] = kernel.EndIntact + kernel.EndBroken - out.Ends[j]
						}
					}
					tray.Kernels = append(tray.Kernels, out)
				}
				res, err := Analyse([]kernel.Tray{tray}, DefaultParams())
				require.NoError(t, err)
				off := res.ReferenceLengthMM/truth.MeanWhole - 1
				t.Logf("reference %+.2f %% (SE %.2f %%), broken by mass %+.2f, by count %+.2f points",
					100*off, 100*res.Reference.SE/truth.MeanWhole,
					res.Broken.MassPct.Value-truth.BrokenMass, res.Broken.CountPct.Value-truth.BrokenN)
				// The promise is 0.5 %. Without tips and with half of the pieces
				// broken, chance alone is 0.6 %, so three times that is allowed.
				limit := 0.005
				if !judged && truth.BrokenN > 30 {
					limit = 0.018
				}
				assert.Less(t, math.Abs(off), limit)
				if judged {
					// The promise is 0.3 points, which single kernels of 3/4 of
					// the length exceed on small trays: one such is allowed.
					var all, one float64
					for i := range res.Sample.Pieces {
						p := &res.Sample.Pieces[i]
						all += p.Mass
						if math.Abs(p.Length/truth.MeanWhole-0.75) < 0.01 {
							one = max(one, p.Mass)
						}
					}
					limit := max(0.3, 100*one/all) + 1e-3 // rounding
					assert.InDelta(t, truth.BrokenMass, res.Broken.MassPct.Value, limit)
				}
			})
		}
	}
}
