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

// statsFor keeps the counts of tasks that go on.
func statsFor(before []*taskStats, c *change) []*taskStats {
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
		if out[i].task != spec {
			out[i].task, out[i].etag = spec, taskchange.Etag(spec)
		}
		out[i].planned = c.plan.Message.GetPredictions()[i].GetPlannedRateHz()
	}
	return out
}

// is reports whether a task is the one that runs, as it is.
func (t *taskStats) is(spec *facetdv1.Task) bool {
	return t.task == spec || t.task.GetName() == spec.GetName() && proto.Equal(t.task, spec)
}

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
		}}
}
