package svg

import "math"

// slack is what a sum may be off by and still count as the round number that it is.
const slack = 1e-9

// Above is the least 1, 2 or 5 times a power of ten that is not below v > 0.
func Above(v float64) float64 {
	tens := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*tens >= v*(1-slack) {
			return m * tens
		}
	}
	return 10 * tens
}

// Below is the greatest 1, 2 or 5 times a power of ten that is not above v > 0.
func Below(v float64) float64 {
	tens := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{10, 5, 2} {
		if m*tens <= v*(1+slack) {
			return m * tens
		}
	}
	return tens
}

// Ticks are the multiples of a round number from low to high, n + 1 of them or fewer; none of
// an empty range.
func Ticks(low, high float64, n int) []float64 {
	if !(high > low) || math.IsInf(high-low, 0) {
		return nil
	}
	step := Above((high - low) / float64(n))
	var out []float64
	for k := math.Ceil(low/step - slack); k*step <= high+slack*step; k++ {
		out = append(out, k*step+0) // 0, and not -0
	}
	return out
}

// LogTicks are the 1, 2 and 5 times powers of ten from low > 0 to high, or the powers of ten
// alone where those are more than n.
func LogTicks(low, high float64, n int) []float64 {
	var all, tens []float64
	for v := Above(low); v <= high*(1+slack); v = Above(v * 1.01) {
		all = append(all, v)
		if e := math.Log10(v); math.Abs(e-math.Round(e)) < slack {
			tens = append(tens, v)
		}
	}
	if len(all) <= n {
		return all
	}
	return tens
}
