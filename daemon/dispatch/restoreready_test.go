package dispatch

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// TestRestorationsOfABusThatIsReady: the registers of all chips are brought back again and again on a bus far away that
// takes longer to be made ready than it is given work ahead. It is ready for that since the timetable is: it is not
// made ready anew each time, in which the instant would pass, and every restoration runs at the first that is found.
func TestRestorationsOfABusThatIsReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const times = 10
		slow := &slowToPrepare{takes: 60 * time.Millisecond, stood: true}
		r, noted := farRig(t, realtime, 0, bus.Limits{LeastLead: 1500 * time.Microsecond, Queue: 1000},
			func(b bus.BusCloser) bus.BusCloser {
				slow.BusCloser = b
				return slow
			}, memTask(100), countTask(25))
		end := r.begin(t)
		time.Sleep(200 * time.Millisecond)
		synctest.Wait() // what the runner has written can be read
		before := slow.prepared
		for range times {
			r.Resync()
			time.Sleep(60*time.Millisecond + 12345*time.Nanosecond)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
		restored, refused := -1, 0 // the first was for the timetable
		for _, rec := range noted.Records() {
			switch {
			case rec.Segment.Job.Task == "" && rec.Result.Err == nil:
				restored++
			case stalled(rec.Result.Err):
				refused++
			}
		}
		if restored != times || refused > 0 || slow.prepared != before {
			t.Errorf("of %d restorations %d were run, %d segments refused, and the bus was made ready %d times",
				times, restored, refused, slow.prepared-before)
		}
		for _, task := range []string{"mem", "count"} {
			for _, fs := range r.watch.of(task) {
				if fs.GetLate() || fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" {
					t.Errorf("job %d of %s: late %v, %q", fs.GetJob(), task, fs.GetLate(), fs.GetFailure())
				}
			}
		}
	})
}

// forgetful is a bus that refuses to be made ready for one program more, and cannot have back what made room for it.
type forgetful struct {
	bus.BusCloser
	refuses atomic.Bool
}

func (b *forgetful) Prepare(ctx context.Context, programs []*bus.Program) error {
	if b.refuses.CompareAndSwap(true, false) {
		return errors.Join(errors.New("the store is too small"), b.BusCloser.Prepare(ctx, nil))
	}
	return b.BusCloser.Prepare(ctx, programs)
}

// TestRestorationAfterTheBusForgot: a bus far away that could not be made ready for a command besides may have lost
// what it was ready for. It is made ready anew before the registers of all chips are brought back, and not given up.
func TestRestorationAfterTheBusForgot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &forgetful{}
		r, noted := farRig(t, realtime, 0, bus.Limits{LeastLead: 1500 * time.Microsecond, Queue: 1000},
			func(inner bus.BusCloser) bus.BusCloser {
				b.BusCloser = inner
				return b
			}, countTask(2))
		end := r.begin(t)
		time.Sleep(200 * time.Millisecond)
		b.refuses.Store(true)
		if _, err := r.Send(t.Context(), &facetdv1.Command{Target: list("m0"), Action: &facetdv1.Command_Write{
			Write: &facetdv1.RegisterWrite{Register: chipmodel.OutputEnable}}}); err == nil || b.refuses.Load() {
			t.Fatalf("the command was not refused: %v", err)
		}
		r.Resync()
		time.Sleep(2 * time.Second)
		if err := end(); err != nil {
			t.Fatal(err)
		}
		if s := r.Snapshot(); s.Fault != "" {
			t.Errorf("the bus was given up: %s", s.Fault)
		}
		restored := -1 // the first was for the timetable
		for _, rec := range noted.Records() {
			if rec.Segment.Job.Task == "" && rec.Result.Err == nil {
				restored++
			}
		}
		if restored < 1 || len(r.watch.of("count")) < 4 {
			t.Errorf("%d restorations were run, and %d jobs", restored, len(r.watch.of("count")))
		}
	})
}
