package correction

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"facetd.example/daemon/fit"
)

// madSigma turns the median absolute deviation of normal values into their standard
// deviation: 1/Phi^-1(3/4).
const madSigma = 1.482602218505602

// madFreedom is how many degrees of freedom for each value the median absolute deviation
// is worth: its efficiency for normal values is 37 % (Rousseeuw and Croux, J. Am. Stat.
// Assoc. 88(424), 1993, from memory).
const madFreedom = 0.37

// centre is the median and the spread by the median absolute deviation of values, which
// are left in place. NaN values do not count.
func centre(values []float64) (median, sigma float64, n int) {
	v := make([]float64, 0, len(values))
	for _, x := range values {
		if !math.IsNaN(x) {
			v = append(v, x)
		}
	}
	if len(v) == 0 {
		return math.NaN(), math.NaN(), 0
	}
	median = fit.Median(v)
	for i, x := range v {
		v[i] = math.Abs(x - median)
	}
	return median, madSigma * fit.Median(v), len(v)
}

// outlierAt is how many robust standard deviations of n values a normal value lies away
// with a probability p (both sides together). The spread is itself an estimate, hence
// Student's distribution with the freedom that the estimate has.
func outlierAt(p float64, n int) float64 {
	return studentQuantile(p/2, max(madFreedom*float64(n-1), 1))
}

// studentQuantile is the value that Student's t exceeds with a probability p below 1/2, by
// bisection on its distribution: the inverse that gonum has is wrong for a small p with many
// degrees of freedom (40 instead of 5.05 for a chip of 256 x 256 pixels).
func studentQuantile(p, freedom float64) float64 {
	low, high := 0.0, 2.0
	for studentTail(high, freedom) > p && high < 1e12 {
		high *= 2
	}
	for range 200 {
		middle := (low + high) / 2
		if middle == low || middle == high {
			break
		}
		if studentTail(middle, freedom) > p {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// studentTail is the probability that Student's t exceeds t >= 0: half the incomplete beta
// function at freedom/(freedom + t^2).
func studentTail(t, freedom float64) float64 {
	return mathext.RegIncBeta(freedom/2, 0.5, freedom/(freedom+t*t)) / 2
}
