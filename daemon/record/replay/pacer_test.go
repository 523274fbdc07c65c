package replay

import (
	"math"
	"testing"
	"time"
)

// The slowest pace that a float64 can hold waits, and does not play at once.
func TestHardlyAnyPace(t *testing.T) {
	for _, speed := range []float64{math.SmallestNonzeroFloat64, 1e-300, 1e-12} {
		if !possible(speed) {
			t.Fatalf("a speed of %g is not possible", speed)
		}
		c := newPacer(0)
		for range 3 {
			if delay := c.until(int64(time.Second), speed); delay < time.Hour {
				t.Errorf("at a speed of %g a second is waited for %v", speed, delay)
			}
		}
	}
}
