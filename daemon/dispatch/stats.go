package dispatch

import (
	facetdv1 "facetd.example/api/facetd/v1"
)

// rateWindow is how many finished jobs the achieved rate is measured over.
const rateWindow = 128

// taskStats counts the jobs of one task. It outlives changes of the timetable.
type taskStats struct {
	task    *facetdv1.Task
	planned float64
	status  facetdv1.TaskStatus
	// releases of the last finished jobs, a ring.
	releases [rateWindow]int64
	finished int
	nextJob  uint64
}

// ended counts one job.
func (t *taskStats) ended(fs *facetdv1.FrameSet) {
	s := &t.status
	switch {
	case fs.GetFailure() != "":
		s.JobsFailed++
		s.LastFailure = fs.GetFailure()
		return
	case fs.GetLate():
		s.JobsLate++
	default:
		s.JobsOnTime++
	}
	s.Frames += uint64(len(fs.GetFrames()))
	s.LastResponseNs = fs.GetFinishBusNs() - fs.GetReleaseBusNs()
	s.WorstResponseNs = max(s.GetWorstResponseNs(), s.GetLastResponseNs())
	s.LastSkewNs = fs.GetSkewNs()
	t.releases[t.finished%rateWindow] = fs.GetReleaseBusNs()
	t.finished++
}

// achieved is the rate of finished jobs: the jobs of the window over the time
// between the first and the last release among them. When nothing has finished
// for more than two periods, the time until now counts too, so that a stalled
// task's rate falls.
func (t *taskStats) achieved(nowNS int64) float64 {
	n := min(t.finished, rateWindow)
	if n < 2 {
		return 0
	}
	last := t.releases[(t.finished-1)%rateWindow]
	first := t.releases[(t.finished-n)%rateWindow]
	period := float64(last-first) / float64(n-1)
	if idle := float64(nowNS - last); idle > 3*period {
		return float64(n) / (float64(nowNS-first) * 1e-9)
	}
	return 1e9 / period
}

func (t *taskStats) running(nowNS int64) *facetdv1.RunningTask {
	s := &t.status
	return &facetdv1.RunningTask{Task: t.task, Status: &facetdv1.TaskStatus{
		RequestedRateHz: t.task.GetRateHz(), PlannedRateHz: t.planned, AchievedRateHz: t.achieved(nowNS),
		JobsOnTime: s.GetJobsOnTime(), JobsLate: s.GetJobsLate(), JobsFailed: s.GetJobsFailed(), Frames: s.GetFrames(),
		LastResponseNs: s.GetLastResponseNs(), WorstResponseNs: s.GetWorstResponseNs(), LastSkewNs: s.GetLastSkewNs(),
		LastFailure: s.GetLastFailure(),
	}}
}
