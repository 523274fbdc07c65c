package correction

import (
	"math"
	"slices"
)

// madSigma turns the median absolute deviation of normal values into their standard
// deviation: 1/Phi^-1(3/4).
const madSigma = 1.482602218505602

// madFreedom is how many degrees of freedom for each value the median absolute deviation
// is worth: its efficiency for normal values is 37 % (Rousseeuw and Croux, J. Am. Stat.
// Assoc. 88(424), 1993).
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
	median = medianOf(v)
	for i, x := range v {
		v[i] = math.Abs(x - median)
	}
	return median, madSigma * medianOf(v), len(v)
}

// medianOf sorts its argument.
func medianOf(v []float64) float64 {
	slices.Sort(v)
	h := len(v) / 2
	if len(v)%2 == 1 {
		return v[h]
	}
	return (v[h-1] + v[h]) / 2
}

// outlierAt is how many robust standard deviations of n values a normal value lies away
// with a probability p (both sides together). The spread is itself an estimate, hence
// Student's distribution with the freedom that the estimate has.
func outlierAt(p float64, n int) float64 {
	return studentQuantile(p/2, max(madFreedom*float64(n-1), 1))
}

// studentQuantile is the value that Student's t exceeds with a probability p below 1/2, by
// bisection on its distribution.
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
// function at freedom/(freedom + t^2). Above a million degrees it is the normal one.
func studentTail(t, freedom float64) float64 {
	if freedom > 1e6 {
		return math.Erfc(t/math.Sqrt2) / 2
	}
	return betaIncomplete(freedom/2, 0.5, freedom/(freedom+t*t)) / 2
}

// betaIncomplete is the regularised incomplete beta function I_x(a, b) by its continued
// fraction (Abramowitz and Stegun 26.5.8), evaluated after Lentz.
func betaIncomplete(a, b, x float64) float64 {
	if x <= 0 || x >= 1 {
		return min(max(x, 0), 1)
	}
	if x > (a+1)/(a+b+2) {
		return 1 - betaIncomplete(b, a, 1-x)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	front := math.Exp(lab-la-lb+a*math.Log(x)+b*math.Log1p(-x)) / a
	const tiny = 1e-300
	c, d := 1.0, 1/nonzero(1-(a+b)*x/(a+1), tiny)
	f := d
	for m := 1.0; m < 500; m++ {
		up := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d = 1 / nonzero(1+up*d, tiny)
		c = nonzero(1+up/c, tiny)
		f *= d * c
		up = -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d = 1 / nonzero(1+up*d, tiny)
		c = nonzero(1+up/c, tiny)
		f *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return front * f
}

func nonzero(v, tiny float64) float64 {
	if math.Abs(v) < tiny {
		return tiny
	}
	return v
}
