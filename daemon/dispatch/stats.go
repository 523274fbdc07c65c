package dispatch

import (
	"google.golang.org/protobuf/proto"

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
	rate       rate.Window
}

// statsFor keeps the counts of tasks that go on, and says which are paused or resumed with the change.
func statsFor(before []*taskStats, c *change, at bus.Time) (_ []*taskStats, turned []Pausing) {
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
		turned = out[i].describe(spec, at, turned)
		out[i].planned = c.plan.Message.GetPredictions()[i].GetPlannedRateHz()
	}
	return out, turned
}

// describe gives the task its description, and adds whether that pauses or resumes it.
func (t *taskStats) describe(spec *facetdv1.Task, at bus.Time, turned []Pausing) []Pausing {
	if t.task == spec {
		return turned
	}
	if now := spec.GetPaused(); now != t.task.GetPaused() {
		turned = append(turned, Pausing{Task: spec.GetName(), Paused: now, At: at})
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
	s.JobsEnded, s.LastReleaseBusNs = fs.GetJob()+1, new(fs.GetReleaseBusNs())
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

func (t *taskStats) running(now bus.Time) *facetdv1.RunningTask {
	s := &t.status
	return &facetdv1.RunningTask{Task: t.task, Generation: t.generation, FirstJob: proto.Uint64(t.first), Etag: t.etag,
		Status: &facetdv1.TaskStatus{
			RequestedRateHz: t.task.GetRateHz(), PlannedRateHz: t.planned, AchievedRateHz: t.rate.Hertz(now),
			JobsOnTime: s.GetJobsOnTime(), JobsLate: s.GetJobsLate(), JobsFailed: s.GetJobsFailed(),
			Frames:         s.GetFrames(),
			LastResponseNs: s.GetLastResponseNs(), WorstResponseNs: s.GetWorstResponseNs(),
			LastSkewNs:  s.GetLastSkewNs(),
			LastFailure: s.GetLastFailure(), JobsEnded: s.GetJobsEnded(), LastReleaseBusNs: s.LastReleaseBusNs,
			Paused: t.task.GetPaused(),
		}}
}
