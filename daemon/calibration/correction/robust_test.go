package correction

import (
	"math"
	"testing"
)

// TestStudent holds the tail of Student's distribution and its quantile against values of
// SciPy 1.10.1 (scipy.stats.t.sf and isf); the tails agree with a numerical integral of the
// density to 50 digits (mpmath 1.2.1). The many degrees of freedom are those of large chips.
func TestStudent(t *testing.T) {
	for _, c := range []struct{ at, freedom, p float64 }{
		{1, 1, 0.25}, {3, 5, 0.0150496239487313}, {10, 3, 0.00106419952920708},
		{5, 24247.95, 2.88649839044168e-7}, {6, 24247.95, 1.00057915651344e-9},
		{5.05, 65536, 2.21496077168379e-7}, {5, 900000, 2.86705263023555e-7}, {6.21911691191648, 5e6, 2.5e-10},
		{math.Inf(1), 65536, 0},
	} {
		if got := studentTail(c.at, c.freedom); math.Abs(got-c.p) > 1e-8*c.p {
			t.Errorf("t exceeds %g at %g degrees of freedom with a probability of %.15g, want %.15g", c.at, c.freedom,
				got, c.p)
		}
	}
	for _, c := range []struct{ p, freedom, at float64 }{
		{7.62939453125e-09, 3.33, 309.71185787365323}, {1e-6, 3.33, 71.60783856543871},
		{7.62939453125e-09, 369.63, 5.787472156135555}, {1e-9, 6061.71, 6.00696498974897},
		{7.62939453125e-09, 24247.95, 5.66055500056603}, {1e-9, 24247.95, 6.000094153915648},
		{5e-7, 65535, 4.892103683179768}, {2.5e-10, 65536, 6.220045999657239},
		{2.5e-10, 999999, 6.219166263889963}, {2.5e-10, 5e6, 6.21911691191648},
	} {
		if got := studentQuantile(c.p, c.freedom); math.Abs(got-c.at) > 1e-8*c.at {
			t.Errorf("quantile of %g at %g degrees of freedom: %.10g, want %.10g", c.p, c.freedom, got, c.at)
		}
	}
}
