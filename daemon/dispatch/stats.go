package dispatch

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/rate"
	"facetd.example/daemon/taskchange"
)

// taskStats counts the jobs of one task. It outlives changes of the timetable.
type taskStats struct {
	task       *facetdv1.Task
	etag       string
	generation uint64
	first      uint64 // job of the generation
	planned    float64
	status     facetdv1.TaskStatus
	last       int64 // release of the last job that has ended, if one has
	rate       rate.Window
	turns      turns
}

// statsFor keeps the counts of tasks that go on, and says which are paused or resumed with the change.
func statsFor(before []*taskStats, c *change, at placement) (_ []*taskStats, turned []Pausing) {
	out := make([]*taskStats, len(c.tasks))
	for i, spec := range c.tasks {
		for _, old := range before {
			if old.task.GetName() == spec.GetName() {
				out[i] = old
			}
		}
		if out[i] == nil {
			out[i] = &taskStats{}
		}
		if out[i].generation != c.generations[i] {
			out[i].generation, out[i].first = c.generations[i], out[i].status.GetJobsEnded()
		}
		turned = out[i].describe(spec, at.from, at.begin, turned)
		out[i].planned = c.plan.Message.GetPredictions()[i].GetPlannedRateHz()
	}
	return out, turned
}

// describe gives the task its description, and adds whether that pauses or resumes it: told as of bus time at, for what
// is released from another on.
func (t *taskStats) describe(spec *facetdv1.Task, from, at bus.Time, turned []Pausing) []Pausing {
	if t.task == spec {
		return turned
	}
	if now := spec.GetPaused(); now != t.task.GetPaused() {
		turned = append(turned, Pausing{Task: spec.GetName(), Paused: now, At: at})
		t.turns.set(from, now)
		t.rate = rate.Window{} // a pause is no part of it
		t.rate.Restart(at)
	}
	t.task, t.etag = spec, taskchange.Etag(spec)
	return turned
}

// is reports whether a task is the one that runs, as it is planned.
func (t *taskStats) is(spec *facetdv1.Task) bool { return sameButPaused(t.task, spec) }

// ended counts one job.
func (t *taskStats) ended(fs *facetdv1.FrameSet) {
	s := &t.status
	s.JobsEnded, t.last = fs.GetJob()+1, fs.GetReleaseBusNs()
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
	t.rate.Add(bus.Time(fs.GetReleaseBusNs()))
}

// runningTask is room for what is told of a task.
type runningTask struct {
	task   facetdv1.RunningTask
	status facetdv1.TaskStatus
	first  uint64
	last   int64
}

// running tells of the task in the room that it is given.
func (t *taskStats) running(now bus.Time, in *runningTask) *facetdv1.RunningTask {
	s := &t.status
	in.first, in.last = t.first, t.last
	r, of := &in.task, &in.status
	r.Task, r.Generation, r.FirstJob, r.Etag, r.Status = t.task, t.generation, &in.first, t.etag, of
	of.RequestedRateHz, of.PlannedRateHz, of.AchievedRateHz = t.task.GetRateHz(), t.planned, t.rate.Hertz(now)
	of.JobsOnTime, of.JobsLate, of.JobsFailed = s.GetJobsOnTime(), s.GetJobsLate(), s.GetJobsFailed()
	of.Frames, of.LastSkewNs, of.LastFailure = s.GetFrames(), s.GetLastSkewNs(), s.GetLastFailure()
	of.LastResponseNs, of.WorstResponseNs = s.GetLastResponseNs(), s.GetWorstResponseNs()
	of.JobsEnded, of.Paused = s.GetJobsEnded(), t.task.GetPaused()
	if of.JobsEnded > 0 {
		of.LastReleaseBusNs = &in.last
	}
	return r
}
