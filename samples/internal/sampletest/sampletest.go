// Package sampletest makes invented samples for the tests of package samples:
// kernels that are ellipses, cut where they are broken, with the picture that
// goes with them. Nothing in it is real.
package sampletest

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"traytally/grading"
	"traytally/grading/standards"
	"traytally/samples"
	"traytally/vision/kernel"
)

// PxPerMM is the scale of the trays, 300 dpi.
const PxPerMM = 300 / 25.4

const cell = 7.6 * PxPerMM // a kernel has a square of this size, px

// Tray returns a tray of n kernels of which about the given share is cut. The
// same arguments give the same tray.
func Tray(seed uint64, n int, broken float64) kernel.Tray {
	rng := rand.New(rand.NewPCG(seed, 17))
	columns := int(math.Ceil(math.Sqrt(float64(n) * 1.4)))
	t := kernel.Tray{
		Picture: fmt.Sprintf("tray-%d.png", seed),
		WidthPx: int(float64(columns)*cell) + 40, HeightPx: int(float64((n+columns-1)/columns)*cell) + 40,
		PxPerMM: PxPerMM, ScaleSource: "stored resolution (PNG, 300 dpi)", CutByEdge: 1,
	}
	for i := range n {
		a := (6.9 + 0.3*rng.NormFloat64()) / 2 * PxPerMM // half length
		b := (1.9 + 0.08*rng.NormFloat64()) / 2 * PxPerMM
		from, to := -a, a // what is left of it, along the axis
		ends := [2]kernel.End{kernel.EndIntact, kernel.EndIntact}
		if rng.Float64() < broken {
			to = from + 2*a*(0.15+0.55*rng.Float64())
			ends[1] = kernel.EndBroken
		}
		angle := (rng.Float64() - 0.5) * math.Pi
		cx := 20 + (float64(i%columns)+0.5)*cell
		cy := 20 + (float64(i/columns)+0.5)*cell
		k := ellipsePart(a, b, from, to)
		sin, cos := math.Sincos(angle)
		mid := (from + to) / 2
		for j, p := range k.Outline {
			x, y := p.X-mid, p.Y
			k.Outline[j] = kernel.Point{X: cx + x*cos - y*sin, Y: cy + x*sin + y*cos}
		}
		k.ID, k.X, k.Y, k.AngleRad, k.Ends = i+1, cx, cy, angle, ends
		k.LengthSDPx, k.Solidity = 0.3, 0.99
		k.Lab = [3]float64{72 + 2*rng.NormFloat64(), 0.5 + 0.4*rng.NormFloat64(), 11 + 1.2*rng.NormFloat64()}
		switch u := rng.Float64(); {
		case u < 0.03:
			k.Flags, k.ChalkShare, k.Lab[0] = []kernel.Flag{kernel.Chalky}, 0.8, 83
		case u < 0.05:
			k.Flags, k.Lab[2] = []kernel.Flag{kernel.Yellow}, 27
		case u < 0.06:
			k.Flags, k.Lab = []kernel.Flag{kernel.Red}, [3]float64{48, 19, 20}
		}
		t.KernelAreaPx2 += k.AreaPx2
		t.Kernels = append(t.Kernels, k)
	}
	return t
}

// ellipsePart measures the part of an ellipse between two places on its axis.
func ellipsePart(a, b, from, to float64) kernel.Kernel {
	const n = 60
	var k kernel.Kernel
	half := func(x float64) float64 { return b * math.Sqrt(max(0, 1-x*x/(a*a))) }
	dx := (to - from) / n
	for i := range n {
		w := 2 * half(from+(float64(i)+0.5)*dx)
		k.AreaPx2 += w * dx
		k.VolumePx3 += math.Pi / 4 * 0.75 * w * w * dx
		k.WidthPx = max(k.WidthPx, w)
	}
	for i := range n + 1 {
		x := from + float64(i)*dx
		k.Outline = append(k.Outline, kernel.Point{X: x, Y: -half(x)})
	}
	for i := n; i >= 0; i-- {
		x := from + float64(i)*dx
		k.Outline = append(k.Outline, kernel.Point{X: x, Y: half(x)})
	}
	for i, p := range k.Outline {
		for _, q := range k.Outline[i+1:] {
			k.LengthPx = max(k.LengthPx, p.Dist(q))
		}
	}
	k.AxisLengthPx = to - from
	return k
}

// Picture draws the tray: pale kernels on a dark blue ground.
func Picture(t *kernel.Tray) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, t.WidthPx, t.HeightPx))
	for y := range t.HeightPx {
		for x := range t.WidthPx {
			img.SetNRGBA(x, y, color.NRGBA{18, 22, 44, 255})
		}
	}
	for i := range t.Kernels {
		k := &t.Kernels[i]
		c := color.NRGBA{205, 200, 180, 255}
		if k.Has(kernel.Yellow) {
			c = color.NRGBA{205, 175, 110, 255}
		} else if k.Has(kernel.Red) {
			c = color.NRGBA{150, 95, 80, 255}
		} else if k.Has(kernel.Chalky) {
			c = color.NRGBA{236, 236, 232, 255}
		}
		r := int(k.LengthPx/2) + 2
		for y := int(k.Y) - r; y <= int(k.Y)+r; y++ {
			for x := int(k.X) - r; x <= int(k.X)+r; x++ {
				if inside(k.Outline, float64(x), float64(y)) {
					img.SetNRGBA(x, y, c)
				}
			}
		}
	}
	return img
}

func inside(poly []kernel.Point, x, y float64) bool {
	in := false
	for i, p := range poly {
		q := poly[(i+1)%len(poly)]
		if (p.Y > y) != (q.Y > y) && x < (q.X-p.X)*(y-p.Y)/(q.Y-p.Y)+p.X {
			in = !in
		}
	}
	return in
}

// Options changes what Record makes.
type Options struct {
	Kernels  int     // 150 where 0
	Broken   float64 // share, 0.12 where 0
	Standard string  // code, none where empty
	Facts    samples.Facts
	Code     string
	Picture  string // path, after the seed where empty
}

// Record grades an invented tray and makes a record of it.
func Record(t testing.TB, seed uint64, o Options) *samples.Record {
	t.Helper()
	r, err := Make(seed, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Make is Record without a test.
func Make(seed uint64, o Options) (*samples.Record, error) {
	if o.Kernels == 0 {
		o.Kernels = 150
	}
	if o.Broken == 0 {
		o.Broken = 0.12
	}
	tray := Tray(seed, o.Kernels, o.Broken)
	s := samples.Settings{Params: grading.DefaultParams()}
	res, err := grading.Analyse([]kernel.Tray{tray}, s.Params)
	if err != nil {
		return nil, err
	}
	res.Versions["traytally"] = "test"
	if o.Standard != "" {
		std, err := standards.Lookup(o.Standard)
		if err != nil {
			return nil, err
		}
		if err := s.SetStandard(std, nil); err != nil {
			return nil, err
		}
		if res.Grade, err = grading.Evaluate(res.Sample, std, o.Facts.Sheet); err != nil {
			return nil, err
		}
	}
	res.CheckMass(o.Facts.Sheet)
	return samples.NewRecord(samples.Input{
		Code: o.Code, Facts: o.Facts, Settings: s, Result: res, Trays: []kernel.Tray{tray},
		Pictures: []samples.Picture{{
			Path: cmp.Or(o.Picture, "/scans/"+tray.Picture), SHA256: samples.Sum([]byte(fmt.Sprint("tray", seed, o.Kernels, o.Broken))),
			Bytes: 1 << 20, Format: "PNG", WidthPx: tray.WidthPx, HeightPx: tray.HeightPx,
		}},
	})
}

// Clock returns a clock that begins at a fixed time and advances a minute with
// each look.
func Clock() func() time.Time {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	return func() time.Time {
		at = at.Add(time.Minute)
		return at
	}
}
