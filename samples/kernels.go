package samples

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"

	"traytally/vision/kernel"
)

// Kernels holds the measured trays of a sample.
//
// Stored kernels have every measure to the last bit, so that a sample can be
// graded again without its pictures. Only their outlines are thinned: to
// corners that keep the line within outlineTolerance, on a grid of
// 1/outlineGrid pixel. Outlines serve to be shown; no figure rests on them.
type Kernels struct {
	Trays     []kernel.Tray `json:"trays"`
	Reference []kernel.Tray `json:"reference,omitempty"` // picked whole kernels
}

const (
	outlineTolerance = 0.15 // px
	outlineGrid      = 16   // steps in a pixel
	maxKernelsBytes  = 1 << 30
)

// MeasuredSHA256 returns the check sum of the trays as they are: every measure
// and every corner of the outlines, to the last bit (in JSON, whose shortest
// decimals stand for one float64 each). Names, warnings and what the picture
// itself tells of its pixels take no part.
func (k *Kernels) MeasuredSHA256() (string, error) {
	h := sha256.New()
	e := json.NewEncoder(h)
	for _, trays := range [][]kernel.Tray{k.Trays, k.Reference} {
		bare := make([]kernel.Tray, len(trays))
		for i, t := range trays {
			t.Picture, t.ScaleSource, t.Warnings, t.PixelAspect = "", "", nil, 0
			bare[i] = t
		}
		if err := e.Encode(bare); err != nil {
			return "", fmt.Errorf("measured kernels: %w", err)
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// storedTray is a tray whose outlines are lists of grid steps: the first
// corner, then the way from each corner to the next.
type storedTray struct {
	kernel.Tray
	Outlines [][]int32
}

type storedKernels struct {
	Trays, Reference []storedTray
}

// encode returns the stored form: compressed JSON.
func (k *Kernels) encode() ([]byte, error) {
	plain, err := json.Marshal(storedKernels{pack(k.Trays), pack(k.Reference)})
	if err != nil {
		return nil, err
	}
	return compress(append(plain, '\n')), nil // with the end of line that it always had
}

func decodeKernels(data []byte) (*Kernels, error) {
	var s storedKernels
	var k Kernels
	plain, err := decompress(data)
	if err == nil {
		err = json.Unmarshal(plain, &s)
	}
	if err == nil {
		k.Trays, err = unpack(s.Trays)
	}
	if err == nil {
		k.Reference, err = unpack(s.Reference)
	}
	if err != nil {
		return nil, fmt.Errorf("stored kernels: %w", err)
	}
	return &k, nil
}

func pack(trays []kernel.Tray) []storedTray {
	out := make([]storedTray, len(trays))
	for i := range trays {
		t := trays[i]
		ks := make([]kernel.Kernel, len(t.Kernels))
		lines := make([][]int32, len(t.Kernels))
		for j, k := range t.Kernels {
			lines[j] = steps(thin(k.Outline, outlineTolerance))
			k.Outline = nil
			ks[j] = k
		}
		t.Kernels = ks
		out[i] = storedTray{t, lines}
	}
	return out
}

func unpack(stored []storedTray) (out []kernel.Tray, err error) {
	for _, s := range stored {
		t := s.Tray
		if len(s.Outlines) != len(t.Kernels) {
			return nil, fmt.Errorf("%d outlines for %d kernels", len(s.Outlines), len(t.Kernels))
		}
		for j, line := range s.Outlines {
			if len(line)%2 != 0 {
				return nil, fmt.Errorf("outline of kernel %d is cut short", t.Kernels[j].ID)
			}
			var x, y int32
			pts := make([]kernel.Point, 0, len(line)/2)
			for i := 0; i < len(line); i += 2 {
				x, y = x+line[i], y+line[i+1]
				pts = append(pts, kernel.Point{X: float64(x) / outlineGrid, Y: float64(y) / outlineGrid})
			}
			t.Kernels[j].Outline = pts
		}
		out = append(out, t)
	}
	return out, nil
}

func steps(pts []kernel.Point) []int32 {
	out := make([]int32, 0, 2*len(pts))
	var x, y int32
	for _, p := range pts {
		u, v := int32(math.Round(p.X*outlineGrid)), int32(math.Round(p.Y*outlineGrid))
		out = append(out, u-x, v-y)
		x, y = u, v
	}
	return out
}

// thin leaves out corners of a closed polygon that lie within tolerance of the
// line without them: D.H. Douglas, T.K. Peucker, The Canadian Cartographer 10
// (1973) 112-122.
func thin(pts []kernel.Point, tolerance float64) []kernel.Point {
	if len(pts) < 4 {
		return pts
	}
	far := 0
	for i, p := range pts {
		if p.Dist(pts[0]) > pts[far].Dist(pts[0]) {
			far = i
		}
	}
	keep := make([]bool, len(pts))
	keep[0], keep[far] = true, true
	at := func(i int) kernel.Point { return pts[i%len(pts)] }
	var between func(from, to int)
	between = func(from, to int) {
		worst, d := -1, tolerance
		a, b := at(from), at(to)
		for i := from + 1; i < to; i++ {
			if e := at(i).DistToLine(a, b); e > d {
				worst, d = i, e
			}
		}
		if worst >= 0 {
			keep[worst%len(pts)] = true
			between(from, worst)
			between(worst, to)
		}
	}
	between(0, far)
	between(far, len(pts))
	var out []kernel.Point
	for i, p := range pts {
		if keep[i] {
			out = append(out, p)
		}
	}
	return out
}
