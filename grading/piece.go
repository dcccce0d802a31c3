// Package grading judges measured kernels: mean whole-kernel length, classes
// by length fraction, shares by mass and by count with their uncertainty, and
// the limits of a standard.
//
// The usual call is
//
//	result, err := grading.Analyse(trays, grading.DefaultParams())
//
// which takes the trays that the picture side measured and returns what the
// tool prints and writes as JSON. Result.Sample keeps the pieces behind it, so
// that any other limit (another cut, any class, any flag) gets its share and
// interval in the same way.
//
// Every share is of the rice: foreign bodies are left out of it and reported
// as a share of everything on the tray. A mass share is a share of solid
// volume seen from one side, that is, an estimate of the weighed share.
package grading

import (
	"fmt"
	"math"
	"slices"

	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// A Piece is one rice kernel or part of one, reduced to what the judging
// needs. Lengths of one sample share one unit: millimetres when every picture
// has a scale, else pixels.
type Piece struct {
	Tray     int     // index of the picture it lies on, from 0: the sampling cluster
	Length   float64 // greatest caliper diameter, > 0
	LengthSD float64 // standard uncertainty of Length, >= 0
	Axis     float64 // extent along the piece's own axis, > 0
	Width    float64 // least caliper diameter, > 0
	Area     float64 // projected area, > 0
	Mass     float64 // relative mass (solid volume), > 0; only ratios matter
	Ends     [2]kernel.End
	Odds     [2]float64 // of a fracture at each tip, see kernel.Kernel.Odds; > 0
	Covered  float64    // chance that another kernel lies over its rim, 0..1
	Flags    []kernel.Flag
	Called   kernel.Call // by a person; empty where nobody did
	// ChalkShare is the opaque share of the visible surface, 0..1: standards
	// draw the line of "chalky" at different shares.
	ChalkShare float64
}

// Has reports whether p carries the flag f.
func (p *Piece) Has(f kernel.Flag) bool {
	return slices.Contains(p.Flags, f)
}

// calledOdds are the odds of a fracture that a person's call gives: those of
// the plainest look, see kernel.Kernel.Odds.
const calledOdds = 99

// heed makes the tips say what a person called p: a whole kernel has none
// fractured, a broken one the likelier of the two.
func (p *Piece) heed() {
	switch p.Called {
	case kernel.CalledWhole:
		p.Odds = [2]float64{1.0 / calledOdds, 1.0 / calledOdds}
		p.Ends = [2]kernel.End{kernel.EndIntact, kernel.EndIntact}
	case kernel.CalledBroken:
		i := 0
		if p.Odds[1] > p.Odds[0] {
			i = 1
		}
		p.Odds[i], p.Ends[i] = calledOdds, kernel.EndBroken
	}
}

// coveredFrom is the CoveredShare from which on a part of a piece is taken to
// lie under another. On drawn trays, whose kernels press into each other and
// never overlap, no piece of 4,000 reaches 0.14; on six photographs of real
// crowds 19 of 412 do.
const coveredFrom = 0.15

// covered reports whether another kernel hides a part of p, so that it may be
// longer than it reads: it does not where both tips were seen.
func (p *Piece) covered() bool {
	return p.Covered >= coveredFrom && (p.Ends[0] == kernel.EndUnknown || p.Ends[1] == kernel.EndUnknown)
}

// An Estimate is a share in percent with its 95 % interval,
// 0 <= Low <= Value <= High <= 100.
type Estimate struct {
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// with returns the estimate with another value, the interval stretched to hold
// it.
func (e Estimate) with(value float64) Estimate {
	value = round(value, 4)
	return Estimate{value, min(e.Low, value), max(e.High, value)}
}

// gather reduces the kernels of the trays to pieces, rice apart from foreign
// bodies, in the order of the trays. Millimetres are the unit when every tray has
// a scale, pixels when none has; anything between is an error. Trays without
// kernels do not take part in that decision. Params and Reference are not set.
func gather(trays []kernel.Tray) (*Sample, error) {
	s := &Sample{Trays: len(trays)}
	first := map[bool]int{} // tray with a scale, and without
	for i := range trays {
		t := &trays[i]
		if !finite(t.PxPerMM) || t.PxPerMM < 0 {
			return nil, caused(fault.Sample, ErrMeasure,
				fmt.Sprintf("%s: scale of %g px/mm", name(t, i), t.PxPerMM),
				"give the resolution of the picture, for example --dpi 300")
		}
		if _, seen := first[t.PxPerMM > 0]; !seen && len(t.Kernels)+len(t.Unresolved) > 0 {
			first[t.PxPerMM > 0] = i
		}
	}
	if len(first) == 2 {
		return nil, caused(fault.Sample, ErrMixedScale,
			fmt.Sprintf("%s has a scale and %s has none, so their lengths cannot be compared",
				name(&trays[first[true]], first[true]), name(&trays[first[false]], first[false])),
			"give the resolution of the pictures, for example --dpi 300")
	}
	_, s.MM = first[true]
	area, lost := 0.0, 0.0
	for i := range trays {
		t := &trays[i]
		unit := 1.0
		if s.MM && t.PxPerMM > 0 {
			unit = t.PxPerMM
		}
		for j := range t.Kernels {
			k := &t.Kernels[j]
			if err := check(k); err != nil {
				return nil, caused(fault.Sample, err,
					fmt.Sprintf("%s, kernel %d", name(t, i), k.ID),
					"measure the picture again; the stored measurement is damaged")
			}
			p := Piece{
				Tray:   i,
				Length: k.LengthPx / unit, LengthSD: k.LengthSDPx / unit,
				Axis: k.AxisLengthPx / unit, Width: k.WidthPx / unit,
				Area: k.AreaPx2 / (unit * unit), Mass: k.VolumePx3 / (unit * unit * unit),
				Ends: k.Ends, Odds: [2]float64{k.Odds(0), k.Odds(1)}, Covered: k.CoveredShare,
				Flags: k.Flags, Called: k.Called, ChalkShare: k.ChalkShare,
			}
			p.heed()
			if k.Has(kernel.Foreign) {
				s.Foreign = append(s.Foreign, p)
			} else {
				s.Pieces = append(s.Pieces, p)
				area += p.Area
			}
		}
		for _, c := range t.Unresolved {
			lost += max(0, c.AreaPx2) / (unit * unit)
		}
	}
	if lost > 0 {
		s.Unresolved = lost / (lost + area)
	}
	return s, nil
}

// check refuses a kernel whose measures break the promises of package kernel.
func check(k *kernel.Kernel) error {
	for _, m := range [...]struct {
		what   string
		v      float64
		within bool
		want   string
	}{
		{"length", k.LengthPx, k.LengthPx > 0, ", want > 0"},
		{"width", k.WidthPx, k.WidthPx > 0, ", want > 0"},
		{"axis length", k.AxisLengthPx, k.AxisLengthPx > 0, ", want > 0"},
		{"area", k.AreaPx2, k.AreaPx2 > 0, ", want > 0"},
		{"volume", k.VolumePx3, k.VolumePx3 > 0, ", want > 0"},
		{"uncertainty of the length", k.LengthSDPx, k.LengthSDPx >= 0, ", want >= 0"},
		{"position or colour", k.X + k.Y + k.Lab[0] + k.Lab[1] + k.Lab[2], true, ""}, // not finite where one is not
		{"chalk share", k.ChalkShare, k.ChalkShare >= 0 && k.ChalkShare <= 1, ", want 0..1"},
	} {
		if !m.within || !finite(m.v) {
			return fmt.Errorf("%w: %s is %g%s", ErrMeasure, m.what, m.v, m.want)
		}
	}
	return nil
}

// name is how a message calls a tray: its picture, or its place in the list.
func name(t *kernel.Tray, i int) string {
	if t.Picture != "" {
		return t.Picture
	}
	return fmt.Sprintf("tray %d", i+1)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
