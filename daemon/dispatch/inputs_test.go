package dispatch

import (
	"math/rand/v2"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// telling is a bus that tells of edges some time after they came, as a device over its link does.
type telling struct {
	*firing
	latency time.Duration
}

func (b *telling) Limits() bus.Limits {
	l := b.firing.Limits()
	l.EdgeLatency = b.latency
	return l
}

// withInputs is the array of bustest with an input for each of these tasks, and one that triggers nothing.
func withInputs(t *testing.T, tasks ...string) *chipmodel.Array {
	t.Helper()
	msg := bustest.Message()
	msg.Device = bustest.Wired(msg)
	msg.Device.Mark = &facetdv1.DeviceMark{Pin: "D20", Tasks: []string{"t0", "s0"}}
	msg.Device.Inputs = []*facetdv1.DeviceInput{{Name: "told", Pin: "D0", Edge: facetdv1.Edge_EDGE_BOTH}}
	for i, name := range tasks {
		pin := chipmodel.Pin(3*32 + 1 + i)
		msg.Device.Inputs = append(msg.Device.Inputs, &facetdv1.DeviceInput{Name: name, Pin: pin.String(),
			Triggers: name})
	}
	a, wrong := chipmodel.New(msg)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return a
}

// TestEdgesTrigger: of random sets whose sporadic tasks are triggered by edges that are told up to some time later,
// every edge is a job that is released at the time of the edge, and answered within what was promised from then on.
func TestEdgesTrigger(t *testing.T) {
	t.Parallel()
	sets, seed := peertest.Cases(15, 300), uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	edges := 0
	for n := 0; n < sets; {
		latency := time.Duration(rng.IntN(3)) * time.Duration(rng.IntN(4_000_000))
		tasks := sporadicSet(rng)
		var names []string
		for _, task := range tasks {
			if task.GetLeastInterval() != nil {
				names = append(names, task.GetName())
			}
		}
		a := withInputs(t, names...)
		limits := bus.Limits{EdgeLatency: latency}
		if Fits(a, limits, tasks) != nil {
			continue
		}
		n++
		f := &telling{firing: &firing{}, latency: latency}
		r := newRigOf(t, a, free, time.Second, func(b bus.BusCloser) bus.BusCloser { f.BusCloser = b; return f },
			tasks...)
		came := map[string][]int64{}
		for i, name := range names {
			var least time.Duration
			for _, task := range tasks {
				if task.GetName() == name {
					least = task.GetLeastInterval().AsDuration()
				}
			}
			last := bus.Time(0).Add(-least)
			// behind the start of the table
			f.fires = append(f.fires, &fires{task: name, next: bus.Time(35e6 + rng.Int64N(3e7)),
				after: func(told bus.Time) (bus.Time, bool) {
					return told.Add(least + latency + time.Duration(rng.Int64N(int64(2*least)))), rng.IntN(2) == 0
				},
				fire: func(string) error {
					e := bus.Edge{Input: i + 1, High: true,
						At: f.at.Add(-time.Duration(rng.Int64N(int64(latency) + 1)))}
					e.At = max(e.At, last.Add(least)) // as the least interval has it
					last = e.At
					came[name] = append(came[name], e.At.NS())
					r.Edge(e)
					return nil
				}})
		}
		promised := promises(r)
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		checkSporadic(t, r, promised)
		for i, in := range r.Inputs().GetInputs()[1:] {
			edges += int(in.GetEdges())
			if in.GetTaken() != in.GetEdges() || in.GetLate() > 0 || in.GetRefused() > 0 {
				t.Errorf("input %d: %v", i, in)
			}
			for k, fs := range r.watch.of(in.GetTriggers()) {
				if fs.GetReleaseBusNs() != came[in.GetTriggers()][k] {
					t.Errorf("job %d of %s was released at %d ns, and the edge came at %d ns", k, in.GetTriggers(),
						fs.GetReleaseBusNs(), came[in.GetTriggers()][k])
				}
			}
		}
		if t.Failed() {
			t.Fatalf("set %d, edges told %v later: %v", n, latency, tasks)
		}
	}
	t.Logf("%d sets, %d edges", sets, edges)
	if edges < 5*sets {
		t.Error("too few edges")
	}
}

// TestEdgesThatCannotTrigger: an edge that comes too late for what was decided is released now, and counted as late;
// one within the least interval is refused, and one of a task that is not there, with the reason; edges are kept, the
// last ones, with their numbers, and how many were missed.
func TestEdgesThatCannotTrigger(t *testing.T) {
	t.Parallel()
	a := withInputs(t, "s0", "nobody")
	task := sporadicTask("s0", list("s0"), 60*time.Millisecond, 57*time.Millisecond)
	f := &telling{firing: &firing{}, latency: time.Millisecond}
	r := newRigOf(t, a, free, time.Second, func(b bus.BusCloser) bus.BusCloser { f.BusCloser = b; return f }, task)
	step := 0
	f.fires = []*fires{{task: "s0", next: 200_000_000, before: true,
		after: func(last bus.Time) (bus.Time, bool) { return last.Add(70 * time.Millisecond), true },
		fire: func(string) error {
			step++
			switch step {
			case 1: // 150 ms late
				r.Edge(bus.Edge{Input: 1, High: true, At: f.at.Add(-150 * time.Millisecond)})
				r.Edge(bus.Edge{Input: 1, High: true, At: f.at.Add(time.Microsecond)})
				r.Edge(bus.Edge{Input: 2, High: true, At: f.at, Missed: 5})
				r.Edge(bus.Edge{Input: 2, High: true, At: f.at, Missed: 7})
				r.Edge(bus.Edge{Input: 2, Missed: 8, Count: true}) // which is no edge
			case 2:
				for k := range 100 {
					r.Edge(bus.Edge{Input: 0, High: k%2 == 0, At: f.at.Add(time.Duration(k))})
				}
			}
			return nil
		}}}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	in := r.Inputs().GetInputs()
	if s := in[1]; s.GetTaken() != 1 || s.GetLate() != 1 || s.GetRefused() != 1 || s.GetEdges() != 2 {
		t.Errorf("%v", s)
	}
	sets := r.watch.of("s0")
	if len(sets) != 1 || sets[0].GetReleaseBusNs() < 200_000_000 || sets[0].GetFailure() != "" || sets[0].GetLate() {
		t.Errorf("%d jobs: %v", len(sets), sets)
	}
	if s := in[2]; s.GetRefused() != 2 || s.GetLastRefusal() != `there is no task called "nobody"` ||
		s.GetMissed() != 8 {
		t.Errorf("%v", s)
	}
	s := in[0]
	if s.GetEdges() != 100 || len(s.GetRecent()) != keptEdges || s.GetRecent()[0].GetNumber() != 37 ||
		s.GetRecent()[63].GetNumber() != 100 || s.GetRecent()[63].GetHigh() || s.GetEdge() != facetdv1.Edge_EDGE_BOTH {
		t.Errorf("%v", s)
	}
}

// TestMarksOfTasks: light is marked of those tasks that the array file names, whatever else runs, and what is told of
// the last mark is the light time of the last frame of theirs.
func TestMarksOfTasks(t *testing.T) {
	t.Parallel()
	a := withInputs(t)
	var recorder *bustest.Recorder
	t0 := &facetdv1.Task{Name: "t0", Target: list("m0", "m1", "m2"), RateHz: 50}
	other := &facetdv1.Task{Name: "other", Target: list("c0"), RateHz: 30}
	r := newRigOf(t, a, free, time.Second, func(b bus.BusCloser) bus.BusCloser {
		recorder = bustest.NewRecorder(b)
		return recorder
	}, t0, other)
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	last, lights := int64(0), map[int64]bool{}
	for _, fs := range r.watch.of("t0") {
		for _, frame := range fs.GetFrames() {
			last = max(last, frame.GetLightBusNs())
			lights[frame.GetLightBusNs()] = true
		}
	}
	m := r.Inputs().GetMark()
	if m.GetMarks() != uint64(len(lights)) || m.GetLastBusNs() != last || last == 0 || m.GetPin() != "D20" {
		t.Errorf("%v, and %d light times, the last at %d ns", m, len(lights), last)
	}
	for _, rec := range recorder.Records() {
		if rec.Segment.Mark != (rec.Segment.Job != nil && rec.Segment.Job.Task == "t0") {
			t.Errorf("a segment of %v: marked %v", rec.Segment.Job, rec.Segment.Mark)
		}
	}
}
