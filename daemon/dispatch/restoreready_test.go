package dispatch

import (
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
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
