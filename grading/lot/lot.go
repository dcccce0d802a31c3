// Package lot plans the sampling of a lot, and tells from several samples of
// it how much the lot itself scatters: Increments says how many bags to draw
// from, ScatterOf what the bags add to the doubt of a mean, and Within how many
// bags that takes for a wanted precision.
package lot

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"traytally/grading"
	"traytally/grading/mill"
	"traytally/vision/kernel/fault"
)

// IncrementsSource says where Increments is from.
const IncrementsSource = "practice of ISO 950 and ISO 13690 (from memory); their successor ISO 24333, and CAC/GL 50, are not in hand"

// Increments is from how many bags of a lot to draw: all of up to 10, 10 of up
// to 100, else the square root of their number, rounded up.
func Increments(bags int) int {
	switch {
	case bags <= 10:
		return max(0, bags)
	case bags <= 100:
		return 10
	}
	return int(math.Ceil(math.Sqrt(float64(bags))))
}

// BulkPoints is at how many points to draw from a bulk load of that many
// tonnes; 0 above 50 t, where the load is to be divided into parts. Same
// source as Increments.
func BulkPoints(tonnes float64) int {
	switch {
	case tonnes <= 15:
		return 5
	case tonnes <= 30:
		return 8
	case tonnes <= 50:
		return 11
	}
	return 0
}

// LaboratoryKg is the mass drawn in all, half of it for the test and half kept
// sealed: TCVN 8371:2018, 7.2 (about 4 kg taken, 2 kg tested, 2 kg kept).
const LaboratoryKg = 4

// A Scatter is what samples of several bags tell of a lot: a model of random
// effects, in which each bag has its own share around the lot's.
type Scatter struct {
	Samples int `json:"samples"`
	// Mean is the lot's share with its 95 % interval, the scatter between bags
	// in it (J. Hartung, G. Knapp, Stat. Med. 20 (2001) 3875-3889, from memory,
	// never narrower than the samples' own doubt makes it).
	Mean mill.Figure `json:"mean"`
	// Between is the standard deviation between bags (R. DerSimonian, N. Laird,
	// Control. Clin. Trials 7 (1986) 177-188) with its 95 % interval by the
	// Q profile (W. Viechtbauer, Stat. Med. 26 (2007) 37-52).
	Between mill.Figure `json:"between_sd"`
	// Q is Cochran's statistic and P the chance of so much scatter where the
	// bags are alike.
	Q float64 `json:"q"`
	P float64 `json:"p"`
}

// Uneven reports whether the bags differ by more than chance explains (5 %).
func (s *Scatter) Uneven() bool { return s.P < 0.05 }

// ScatterOf works it out from samples of one bag, or of one part of the lot,
// each. Three or more, each with an interval; else a *fault.Error.
func ScatterOf(samples []mill.Figure) (*Scatter, error) {
	n := len(samples)
	if n < 3 {
		return nil, fault.Usagef("give three or more, each of a bag of its own", "%d samples do not tell how a lot scatters", n)
	}
	x, v := make([]float64, n), make([]float64, n)
	z := distuv.UnitNormal.Quantile(0.975)
	for i, f := range samples {
		if f.Bare || f.High <= f.Low {
			return nil, fault.Usagef("give graded samples, or shares as 4.6±0.8", "sample %d has no interval", i+1)
		}
		u := f.HalfWidth() / z
		x[i], v[i] = f.Value, u*u
	}
	// weighted returns mean and sum of squares with weights 1/(v+t), and the
	// sums of the weights and of their squares.
	weighted := func(t float64) (mean, q, sum, squares float64) {
		for i := range x {
			w := 1 / (v[i] + t)
			sum, squares, mean = sum+w, squares+w*w, mean+w*x[i]
		}
		mean /= sum
		for i := range x {
			q += (x[i] - mean) * (x[i] - mean) / (v[i] + t)
		}
		return mean, q, sum, squares
	}
	df := float64(n - 1)
	chi := distuv.ChiSquared{K: df}
	_, q, sum, squares := weighted(0)
	s := &Scatter{Samples: n, Q: q, P: chi.Survival(q)}
	t := max(0, (q-df)/(sum-squares/sum))
	root := func(target float64) float64 { // where the sum of squares falls to it
		fallen := func(t float64) bool { _, q, _, _ := weighted(t); return q <= target }
		if fallen(0) {
			return 0
		}
		most := 1.0
		for !fallen(most) {
			most *= 2
		}
		return grading.Bisect(most, 0, 100, fallen)
	}
	low, high := math.Sqrt(root(chi.Quantile(0.975))), math.Sqrt(root(chi.Quantile(0.025)))
	sd := math.Sqrt(t)
	s.Between = mill.Figure{Value: sd, Low: min(low, sd), High: max(high, sd)}
	mean, q, sum, _ := weighted(t)
	half := distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975) * math.Sqrt(max(1, q/df)/sum)
	s.Mean = mill.Figure{Value: mean, Low: max(0, mean-half), High: mean + half}
	return s, nil
}

// Within is from how many of a lot's bags to draw so that the scatter between
// them, a standard deviation in points, leaves no more than the standard
// uncertainty u in the mean: (1 - n/bags)·between²/n <= u².
func Within(bags int, between, u float64) int {
	v := between * between
	return min(bags, max(1, int(math.Ceil(v/(u*u+v/float64(bags))))))
}

// Left is the standard uncertainty, in points, that the scatter between bags
// leaves in the mean of n of them.
func Left(bags, n int, between float64) float64 {
	return between * math.Sqrt(max(0, 1-float64(n)/float64(bags))/float64(n))
}
