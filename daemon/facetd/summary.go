package main

import (
	"fmt"
	"io"
	"sync"
	"time"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
)

// recorder sums up the frame sets of a run as they finish. It is safe for
// concurrent use.
type recorder struct {
	mu     sync.Mutex
	digest *framedigest.Digest
	frames uint64
	whole  map[string]*wholeJobs // by task
}

// wholeJobs are the jobs of a task that did not fail: how many, and when the first
// and the last were released in bus time.
type wholeJobs struct {
	n           int
	first, last int64
}

// hertz is their rate: their number less one over the time from the first release to
// the last, as package rate has it. 0 with fewer than two.
func (w *wholeJobs) hertz() float64 {
	if w == nil || w.n < 2 || w.last <= w.first {
		return 0
	}
	return float64(w.n-1) * 1e9 / float64(w.last-w.first)
}

func newRecorder() *recorder {
	return &recorder{digest: framedigest.New(), whole: map[string]*wholeJobs{}}
}

// add takes a frame set whose job ended on time, late or failed.
func (r *recorder) add(fs *facetdv1.FrameSet) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.digest.Add(fs)
	r.frames += uint64(len(fs.GetFrames()))
	if fs.GetFailure() != "" {
		return
	}
	w := r.whole[fs.GetTask()]
	if w == nil {
		w = &wholeJobs{first: fs.GetReleaseBusNs()}
		r.whole[fs.GetTask()] = w
	}
	w.n++
	w.last = fs.GetReleaseBusNs()
}

// runSummary is what a run of limited length ends with.
type runSummary struct {
	Array       string        `json:"array"`
	Seed        uint64        `json:"seed"`
	Pace        string        `json:"pace"`
	BusSeconds  float64       `json:"bus_seconds"`
	WallSeconds float64       `json:"wall_seconds"`
	SpeedFactor float64       `json:"speed_factor"`
	Planned     float64       `json:"planned_utilization"`
	Measured    float64       `json:"measured_utilization"`
	Violations  uint64        `json:"rule_violations"`
	FrameSets   uint64        `json:"frame_sets"`
	Frames      uint64        `json:"frames"`
	SHA256      string        `json:"sha256"`
	Tasks       []taskSummary `json:"tasks"`
	// Fault is why the bus stopped before its time.
	Fault string `json:"fault,omitempty"`
}

type taskSummary struct {
	Name      string  `json:"name"`
	Requested float64 `json:"requested_rate_hz"`
	Planned   float64 `json:"planned_rate_hz"`
	// Achieved is the rate of the jobs that did not fail, over the whole run.
	Achieved        float64 `json:"achieved_rate_hz"`
	OnTime          uint64  `json:"jobs_on_time"`
	Late            uint64  `json:"jobs_late"`
	Failed          uint64  `json:"jobs_failed"`
	Frames          uint64  `json:"frames"`
	WorstResponseNS int64   `json:"worst_response_ns"`
}

// summary sums up a run that ended with a status, ranNS of bus time after it began: the
// bus itself may have been idle for the last of it.
func (r *recorder) summary(s *facetdv1.Status, ranNS int64, wall time.Duration) *runSummary {
	r.mu.Lock()
	defer r.mu.Unlock()
	busSeconds := float64(ranNS) / 1e9
	sum := &runSummary{
		Array: s.GetArray(), Seed: s.GetSeed(), Pace: cli.Label(s.GetPace(), "PACE_"),
		BusSeconds: busSeconds, WallSeconds: wall.Seconds(), SpeedFactor: busSeconds / max(wall.Seconds(), 1e-9),
		Planned: s.GetPlannedUtilization(), Measured: s.GetMeasuredUtilization(), Violations: s.GetRuleViolations(),
		FrameSets: r.digest.Sets(), Frames: r.frames, SHA256: r.digest.Sum(), Fault: s.GetFault(),
		Tasks: []taskSummary{},
	}
	for _, t := range s.GetTasks() {
		q := t.GetStatus()
		one := taskSummary{
			Name: t.GetTask().GetName(), Requested: q.GetRequestedRateHz(), Planned: q.GetPlannedRateHz(),
			Achieved: r.whole[t.GetTask().GetName()].hertz(),
			OnTime:   q.GetJobsOnTime(), Late: q.GetJobsLate(), Failed: q.GetJobsFailed(), Frames: q.GetFrames(),
			WorstResponseNS: q.GetWorstResponseNs(),
		}
		sum.Tasks = append(sum.Tasks, one)
	}
	return sum
}

func (s *runSummary) write(w io.Writer) error {
	fmt.Fprintf(w, "ran %.3f s of bus time in %.3f s: %s times real time, pace %s, seed %d\n", s.BusSeconds,
		s.WallSeconds, cli.Significant(s.SpeedFactor), s.Pace, s.Seed)
	fmt.Fprintf(w, "busy      planned %s, measured %s\n", cli.Percent(s.Planned), cli.Percent(s.Measured))
	fmt.Fprintf(w, "bus rules violated %s\n", cli.Count(int(s.Violations), "time"))
	fmt.Fprintf(w, "frames    %s in %s\n", cli.Count(int(s.Frames), "frame"), cli.Count(int(s.FrameSets), "set"))
	fmt.Fprintf(w, "sha256    %s\n", s.SHA256)
	if s.Fault != "" {
		fmt.Fprintf(w, "fault     %s\n", s.Fault)
	}
	fmt.Fprintln(w)
	t := cli.NewTable("TASK", ">ASKED Hz", ">PLANNED Hz", ">ACHIEVED Hz", ">ON TIME", ">LATE", ">FAILED", ">FRAMES",
		">WORST RESPONSE")
	for _, q := range s.Tasks {
		t.Row(q.Name, cli.Significant(q.Requested), cli.Significant(q.Planned), cli.Significant(q.Achieved),
			fmt.Sprint(q.OnTime), fmt.Sprint(q.Late), fmt.Sprint(q.Failed), fmt.Sprint(q.Frames),
			cli.NS(q.WorstResponseNS))
	}
	return t.Write(w)
}
