package dispatch

import (
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// leaving is a bus that is lost when something is submitted, once it is armed, and can be prepared again at once.
type leaving struct {
	*lossy
	armed bool // of the goroutine that owns the bus, which stands still while a test sets it
}

func (l *leaving) Submit(start bus.Time, s *bus.Segment) error {
	if l.armed {
		l.armed = false
		l.set(true)
		l.set(false)
	}
	return l.lossy.Submit(start, s)
}

// TestLostAsItIsResumed: an array whose bus is lost while it is being resumed stays stopped, and can be resumed once
// the bus is there again.
func TestLostAsItIsResumed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l *leaving
		r, _ := farRig(t, realtime, 0, bus.Limits{LeastLead: 2 * time.Millisecond, Queue: 4},
			func(b bus.BusCloser) bus.BusCloser {
				l = &leaving{lossy: newLossy(b)}
				return l
			}, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		stop := r.SafeStop(t.Context(), ask("ada", "a cable is loose"))
		synctest.Wait()
		l.armed = true
		if _, _, err := r.Resume(t.Context(), stop.Revision); err == nil {
			t.Error("it is resumed on a bus that was lost")
		}
		time.Sleep(10 * time.Millisecond)
		if _, _, err := r.Resume(t.Context(), 0); err != nil {
			t.Errorf("the bus is there again: %v", err)
		}
		time.Sleep(50 * time.Millisecond)
		if err := end(); err != nil {
			t.Fatal(err)
		}
	})
}
