// Package rate measures how often the jobs of a task are completed, by bus time.
package rate

import "facetd.example/chipmodel/bustime"

const (
	// Jobs is how many of the last jobs are measured over.
	Jobs = 128
	// stalledAfter is how many periods may pass after the last job before the time
	// since then counts.
	stalledAfter = 3
)

// Window measures the rate of one task. A job stands for its release, not its end,
// so that the response time does not blur the rate: while no job is missed, the rate
// is the timetable's from the second job on.
//
// A new timetable moves all releases, so the window restarts with it; until two jobs
// of the new one have ended, the rate from before stands, for up to three of its
// periods.
//
// A Window is owned by one goroutine; the zero value is ready.
type Window struct {
	releases [Jobs]bustime.Time // a ring
	ended    int                // jobs since the restart
	begun    bustime.Time
	before   float64 // rate at the restart
}

// Restart starts over at the bus time at which a timetable takes effect.
func (w *Window) Restart(at bustime.Time) {
	w.before = w.Hertz(at)
	w.begun, w.ended = at, 0
}

// Add counts a job that completed. Releases rise.
func (w *Window) Add(release bustime.Time) {
	w.releases[w.ended%Jobs] = release
	w.ended++
}

// Hertz is the rate at a bus time: of the last jobs (at most 128), their number less
// one over the time from the first one's release to the last one's. When more than
// three periods have passed since the last release, it is their number over the time
// from the first release until now, so that it falls when a task stalls. It is 0
// before the second job.
func (w *Window) Hertz(now bustime.Time) float64 {
	n := min(w.ended, Jobs)
	if n < 2 {
		if now.Sub(w.begun).Seconds()*w.before <= stalledAfter {
			return w.before
		}
		return 0
	}
	last := w.releases[(w.ended-1)%Jobs]
	first := w.releases[(w.ended-n)%Jobs]
	period := float64(last.Sub(first)) / float64(n-1)
	if float64(now.Sub(last)) > stalledAfter*period {
		return float64(n) * 1e9 / float64(now.Sub(first))
	}
	return 1e9 / period
}
