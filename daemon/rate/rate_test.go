package rate

import (
	"math"
	"testing"

	"facetd.example/chipmodel/bustime"
)

const ms = int64(1e6)

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
		t.Errorf("%s: %v Hz, want %v", what, got, want)
	}
}

// A periodic task has its rate from the second job on.
func TestPeriodic(t *testing.T) {
	var w Window
	near(t, "nothing yet", w.Hertz(bustime.Time(5*ms)), 0)
	for i := range int64(1000) {
		w.Add(bustime.Time(7*ms + i*20*ms))
		want := 50.0
		if i == 0 {
			want = 0
		}
		near(t, "periodic", w.Hertz(bustime.Time(7*ms+i*20*ms+15*ms)), want)
	}
}

// One job in ten missed lowers the rate by a tenth, within one job of the window.
func TestMissedJobs(t *testing.T) {
	var w Window
	last := int64(0)
	for i := range int64(2000) {
		if i%10 != 3 {
			w.Add(bustime.Time(i * 20 * ms))
			last = i * 20 * ms
		}
	}
	if got := w.Hertz(bustime.Time(last + ms)); math.Abs(got-45) > 45.0/Jobs {
		t.Errorf("%v Hz, want 45", got)
	}
}

func TestStall(t *testing.T) {
	var w Window
	for i := range int64(11) {
		w.Add(bustime.Time(i * 20 * ms))
	}
	last := 10 * 20 * ms
	near(t, "three periods later", w.Hertz(bustime.Time(last+60*ms)), 50)
	near(t, "after a second", w.Hertz(bustime.Time(last+1000*ms)), 11/1.2)
	near(t, "after a hundred", w.Hertz(bustime.Time(last+100_000*ms)), 11/100.2)
}

// A new timetable releases at another phase; the rate does not feel it.
func TestRestart(t *testing.T) {
	var w Window
	for i := range int64(50) {
		w.Add(bustime.Time(i * 20 * ms))
	}
	epoch := 49*20*ms + 3*ms
	w.Restart(bustime.Time(epoch))
	near(t, "at once", w.Hertz(bustime.Time(epoch)), 50)
	w.Add(bustime.Time(epoch))
	near(t, "after one job", w.Hertz(bustime.Time(epoch+10*ms)), 50)
	w.Add(bustime.Time(epoch + 10*ms)) // at twice the rate now
	near(t, "after two", w.Hertz(bustime.Time(epoch+11*ms)), 100)
	// Nothing ends under the next timetable.
	w.Restart(bustime.Time(epoch + 20*ms))
	near(t, "nearly three periods", w.Hertz(bustime.Time(epoch+49*ms)), 100)
	near(t, "more", w.Hertz(bustime.Time(epoch+51*ms)), 0)
	w.Restart(bustime.Time(epoch + 60*ms))
	near(t, "nothing to carry over", w.Hertz(bustime.Time(epoch+60*ms)), 0)
}
