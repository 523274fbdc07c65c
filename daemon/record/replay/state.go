package replay

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/rate"
)

// keptViolations is how many of the last violations a snapshot shows, as a dispatcher's.
const keptViolations = 16

// state is what a snapshot shows, counted from what was played.
type state struct {
	phase     facetdv1.State
	fault     string
	now       bus.Time
	shift     time.Duration // how much of now is of turns before
	epoch     bus.Time      // when the first cycle of the timetable began, or would have begun
	effective bus.Time      // when it took effect
	announced bool          // whether a plan is active
	plan      *facetdv1.Plan
	tasks     []*taskState
	revision  uint64           // counts the timetables
	status    *facetdv1.Status // the last one recorded before now
	broken    uint64
	lastBad   []rules.Violation
}

type taskState struct {
	task    *facetdv1.Task
	planned float64
	counts  facetdv1.TaskStatus
	rate    rate.Window
	// generation of the task, and the number of its first job, nil before one has ended. What was recorded says
	// nothing of it here: a replay may begin anywhere, and go back.
	generation uint64
	first      *uint64
}

// planChanged makes a timetable active; anew means that what follows does not go on from what was played before.
func (s *state) planChanged(plan *facetdv1.Plan, at, epoch bus.Time, anew bool) {
	s.revision++
	old := s.tasks
	s.plan, s.effective, s.epoch, s.announced, s.tasks = plan, at, epoch, true, nil
	for i, spec := range plan.GetTasks() {
		t := &taskState{}
		if j := slices.IndexFunc(old, func(o *taskState) bool { return o.task.GetName() == spec.GetName() }); j >= 0 {
			t = old[j]
		}
		if anew || !proto.Equal(t.task, spec) {
			t.generation, t.first = s.revision, nil
		}
		t.task = spec
		if p := plan.GetPredictions(); i < len(p) {
			t.planned = p[i].GetPlannedRateHz()
			if t.counts.PromisedResponseNs = 0; spec.GetLeastInterval() != nil {
				t.counts.PromisedResponseNs = p[i].GetWorstResponseNs()
			}
		}
		t.rate.Restart(at)
		s.tasks = append(s.tasks, t)
	}
}

// jobEnded counts a job, and returns its frame set with the generation that the task has here.
func (s *state) jobEnded(fs *facetdv1.FrameSet) *facetdv1.FrameSet {
	i := slices.IndexFunc(s.tasks, func(t *taskState) bool { return t.task.GetName() == fs.GetTask() })
	if i < 0 {
		return fs
	}
	t := s.tasks[i]
	fs = shallow.Without(fs, "task_generation")
	fs.TaskGeneration = t.generation
	if t.first == nil {
		t.first = proto.Uint64(fs.GetJob())
	}
	t.count(fs)
	return fs
}

func (t *taskState) count(fs *facetdv1.FrameSet) {
	c := &t.counts
	if t.task.GetLeastInterval() != nil {
		c.Triggers++ // what was refused is not recorded
	}
	c.JobsEnded, c.LastReleaseBusNs = fs.GetJob()+1, new(fs.GetReleaseBusNs())
	switch {
	case fs.GetFailure() != "":
		c.JobsFailed++
		c.LastFailure = fs.GetFailure()
		return
	case fs.GetLate():
		c.JobsLate++
	default:
		c.JobsOnTime++
	}
	c.Frames += uint64(len(fs.GetFrames()))
	c.LastResponseNs = fs.GetFinishBusNs() - fs.GetReleaseBusNs()
	c.WorstResponseNs = max(c.GetWorstResponseNs(), c.GetLastResponseNs())
	c.LastSkewNs = fs.GetSkewNs()
	t.rate.Add(bus.Time(fs.GetReleaseBusNs()))
}

func (s *state) violated(v rules.Violation) {
	s.broken++
	s.lastBad = append(s.lastBad, v)
	s.lastBad = s.lastBad[max(len(s.lastBad)-keptViolations, 0):]
}

func (s *state) snapshot() dispatch.Snapshot {
	out := dispatch.Snapshot{
		State: s.phase, Fault: s.fault, Now: s.now, Epoch: s.epoch, Plan: s.plan,
		PlannedUtil: s.plan.GetUtilization(), Violations: s.broken, LastBroken: slices.Clone(s.lastBad),
		Uncertainty: time.Duration(s.status.GetTimeUncertaintyNs()),
		Measured:    max(s.now.Sub(s.effective), 0),
		Lag:         dispatch.Lag{LeastSlack: bus.NoSlack},
	}
	for _, used := range s.status.GetPhases() {
		if phase := int(used.GetPhase()); phase > 0 && phase < bus.NumPhases {
			out.Busy[phase] = time.Duration(used.GetFraction() * float64(out.Measured))
		}
	}
	for _, t := range s.tasks {
		status := proto.CloneOf(&t.counts)
		status.RequestedRateHz, status.PlannedRateHz, status.AchievedRateHz = t.task.GetRateHz(), t.planned,
			t.rate.Hertz(s.now)
		out.Tasks = append(out.Tasks, &facetdv1.RunningTask{Task: t.task, Status: status, Generation: t.generation,
			FirstJob: t.first})
	}
	return out
}

// turn is one turn of a loop: how far its times and job numbers are from the recorded.
type turn struct {
	shiftNS int64
	jobs    map[string]uint64 // by task
}

// betweenTurns is the bus time from the last thing of one turn to the first of the next.
const betweenTurns = int64(time.Millisecond)

// nextTurn begins when the whole recording has passed.
func (p *Player) nextTurn(t turn) turn {
	length := p.tape.lastNS - p.tape.firstNS
	next := turn{shiftNS: t.shiftNS + length + betweenTurns, jobs: map[string]uint64{}}
	for name, n := range t.jobs {
		next.jobs[name] = n
	}
	for name, n := range p.tape.jobs {
		next.jobs[name] += n
	}
	return next
}

// shift returns a frame set of this turn. Pixels are shared; in the first turn the set
// itself is returned.
func (t turn) shift(fs *facetdv1.FrameSet) *facetdv1.FrameSet {
	if t.shiftNS == 0 {
		return fs
	}
	out := &facetdv1.FrameSet{
		Task: fs.GetTask(), Job: fs.GetJob() + t.jobs[fs.GetTask()], SkewNs: fs.GetSkewNs(), Late: fs.GetLate(),
		Failure:      fs.GetFailure(),
		ReleaseBusNs: fs.GetReleaseBusNs() + t.shiftNS, DeadlineBusNs: fs.GetDeadlineBusNs() + t.shiftNS,
		StartBusNs: fs.GetStartBusNs() + t.shiftNS, FinishBusNs: fs.GetFinishBusNs() + t.shiftNS,
	}
	if fs.GetTask() == "" {
		out.DeadlineBusNs = fs.GetDeadlineBusNs() // on-demand jobs have none
	}
	for _, f := range fs.GetFrames() {
		data := f.GetData()
		f.Data = nil // not to be copied
		g := proto.CloneOf(f)
		f.Data, g.Data = data, data
		if g.FirstSampleTime != nil { // rows that were never read have no times
			g.FirstSampleBusNs += t.shiftNS
			g.LastConvertedBusNs += t.shiftNS
			g.LightBusNs += t.shiftNS
			if g.FirstSampleMonotonicNs != 0 { // known
				g.FirstSampleMonotonicNs += t.shiftNS
			}
			g.FirstSampleTime = timestamppb.New(g.GetFirstSampleTime().AsTime().Add(time.Duration(t.shiftNS)))
		}
		out.Frames = append(out.Frames, g)
	}
	return out
}

// shiftEvent returns an event of this turn.
func (t turn) shiftEvent(e *facetdv1.Event) *facetdv1.Event {
	if t.shiftNS == 0 {
		return e
	}
	out := proto.CloneOf(e)
	if out.BusNs != nil {
		out.BusNs = new(out.GetBusNs() + t.shiftNS)
	}
	if out.Time != nil {
		out.Time = timestamppb.New(out.GetTime().AsTime().Add(time.Duration(t.shiftNS)))
	}
	return out
}

// maxDelay is the longest that one thing is waited for, in nanoseconds: a century.
const maxDelay = 100 * 365 * 24 * float64(time.Hour)

// pacer paces a replay.
type pacer struct {
	start  time.Time
	fromNS int64
	speed  float64
}

func newPacer(fromNS int64) *pacer { return &pacer{start: time.Now(), fromNS: fromNS, speed: -1} }

// until is how long to wait for a bus time at a speed; 0 at speed 0. A change of the
// speed counts from the bus time reached.
func (c *pacer) until(at int64, speed float64) time.Duration {
	now := time.Now()
	if speed != c.speed {
		if c.speed > 0 {
			c.fromNS += int64(float64(now.Sub(c.start)) * c.speed)
		}
		c.start, c.speed = now, speed
	}
	if speed == 0 {
		c.fromNS = max(c.fromNS, at)
		c.start = now
		return 0
	}
	// A pace next to nothing would make it more than a duration holds.
	return time.Duration(min(float64(at-c.fromNS)/speed, maxDelay)) - now.Sub(c.start)
}

// hold makes the bus time at the present one: time spent waiting for a step does not
// count.
func (c *pacer) hold(at int64) { c.start, c.fromNS = time.Now(), at }
