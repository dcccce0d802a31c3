package grading

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// confidence is the level of every interval of this package.
const confidence = 0.95

// z95 is the two-sided 95 % point of the standard normal distribution.
const z95 = 1.959963984540054

// ClopperPearson returns the exact two-sided interval for a proportion of
// which x of n were found, 0 <= x <= n, at the given confidence level in
// (0, 1): C.J. Clopper, E.S. Pearson, Biometrika 26 (1934) 404-413, in its
// beta form. x and n may be effective numbers, not whole.
func ClopperPearson(x, n, level float64) (low, high float64) {
	a := (1 - level) / 2
	low, high = 0, 1
	if x > 0 {
		low = betaQuantile(a, x, n-x+1)
	}
	if x < n {
		high = betaQuantile(1-a, x+1, n-x)
	}
	return low, high
}

// Jeffreys returns the equal-tailed interval for a proportion under the prior
// Beta(1/2, 1/2), recommended for small n by L.D. Brown, T.T. Cai,
// A. DasGupta, Statistical Science 16 (2001) 101-133 (from memory). Where
// nothing or everything was found the far limit is the exact one-sided one,
// 1-(1-level)^(1/n), and the near one 0 or 1. x and n may be effective
// numbers.
func Jeffreys(x, n, level float64) (low, high float64) {
	a := (1 - level) / 2
	switch {
	case x <= 0:
		return 0, 1 - math.Pow(1-level, 1/n)
	case x >= n:
		return math.Pow(1-level, 1/n), 1
	}
	return betaQuantile(a, x+0.5, n-x+0.5), betaQuantile(1-a, x+0.5, n-x+0.5)
}

func betaQuantile(p, a, b float64) float64 {
	return distuv.Beta{Alpha: a, Beta: b}.Quantile(p)
}

// Bisect returns the last x, going from yes towards no, for which in holds, to
// their distance halved steps times.
func Bisect(yes, no float64, steps int, in func(float64) bool) float64 {
	for range steps {
		if mid := (yes + no) / 2; in(mid) {
			yes = mid
		} else {
			no = mid
		}
	}
	return yes
}

// tFactor is the ratio of the two-sided 95 % points of Student's t with df
// degrees of freedom and of the normal distribution, >= 1.
func tFactor(df float64) float64 {
	if math.IsInf(df, 1) || df > 1e6 {
		return 1
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1-(1-confidence)/2) / z95
}
