package server

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/chips"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/daemon/failure"
	"facetd.example/deploy"
	"facetd.example/scheduler/program"
)

// robotArray is the demo connected to the rest of a robot: the light of two of its tasks is marked, one input is told,
// and another one triggers a task beside those of the demo.
func robotArray(t *testing.T) (a *chipmodel.Array, array, tasks string) {
	t.Helper()
	plain, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	msg := proto.CloneOf(plain.Message)
	msg.Device.Mark = &facetdv1.DeviceMark{Pin: "C14", Tasks: []string{"wall", "bow"}}
	msg.Device.Inputs = []*facetdv1.DeviceInput{{Name: "wheel", Pin: "D2"}, {Name: "seen", Pin: "D3", Triggers: "look"}}
	text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(msg)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	array, tasks = filepath.Join(dir, "array.json"), filepath.Join(dir, "tasks.yaml")
	look := "\n  - {name: look, target: {list: {names: [bow-comb]}}, least_interval: 2s, deadline: 2s}\n"
	for path, data := range map[string][]byte{array: text, tasks: append(slices.Clone(deploy.CrawlerTasks), look...)} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if a, wrong = chipmodel.New(msg); len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return a, array, tasks
}

// played is a bus beside which something is played before every segment.
type played struct {
	bus.BusCloser
	play func()
}

func (p *played) Submit(start bus.Time, s *bus.Segment) error {
	p.play()
	return p.BusCloser.Submit(start, s)
}

// robot runs the demo of robotArray until its bus has run for a while, and judges what is told of marks and inputs by
// what ran. play, where it is not nil, is called before every segment.
func robot(t *testing.T, cfg Setup, lasts time.Duration, play func(s *Server)) (s *Server, on *chipmodel.Array,
	marked []bustest.Record) {
	t.Helper()
	var recorder *bustest.Recorder
	cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Log.Level = "error"
	came := map[int64]bool{} // the times of edges that trigger
	note := func() {
		for _, e := range s.fromRobot().GetInputs()[1].GetRecent() {
			came[e.GetAtBusNs()] = true
		}
	}
	cfg.wrapBus = func(b bus.BusCloser) bus.BusCloser {
		if play != nil {
			b = &played{b, func() { play(s); note() }}
		}
		recorder = bustest.NewRecorder(b)
		return recorder
	}
	cfg.StopAt = lasts
	s = bridgedServer(t, cfg)
	done := make(chan error, 1)
	go func() { done <- s.Run(t.Context()) }()
	for running := true; running; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(time.Millisecond):
			if play == nil {
				note()
			}
		}
	}
	note()
	marks, elsewhere := uint64(0), uint64(0) // elsewhere than at an edge: before the timetable began, or told late
	for _, r := range recorder.Records() {
		task := ""
		if r.Segment.Job != nil {
			task = r.Segment.Job.Task
		}
		if wanted := task == "wall" || task == "bow"; r.Segment.Mark != wanted {
			t.Fatalf("a segment of task %q: marked %v", task, r.Segment.Mark)
		}
		if r.Segment.Mark && r.Result.Err == nil {
			marked = append(marked, r)
			marks += uint64(len(bus.Lights(nil, s.array, r.Segment.Ops)))
		}
		if r.Segment.Job != nil && task == "look" && r.Result.Err == nil {
			withinPromise(t, s, &r)
			if !came[r.Segment.Job.Release.NS()] {
				elsewhere++
			}
		}
	}
	if late := s.fromRobot().GetInputs()[1].GetLate(); elsewhere > late {
		t.Errorf("%d jobs were released at other times than that of an edge, and %d are told as late", elsewhere, late)
	}
	told, err := s.deviceService().GetInputs(t.Context(), &facetdv1.GetInputsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	m := told.GetMark()
	if m.GetMarks() != marks || marks < 4 || m.GetPin() != "C14" {
		t.Errorf("%v, and %d marks of runs", m, marks)
	}
	seen := told.GetInputs()[1]
	if told.GetInputs()[0].GetEdges() < 2 || seen.GetTaken() < 1 {
		t.Errorf("%v", told.GetInputs())
	}
	return s, s.array, marked
}

// withinPromise judges a segment of the task that an input triggers: it ended within what was promised.
func withinPromise(t *testing.T, s *Server, r *bustest.Record) {
	t.Helper()
	for _, task := range s.Status().GetTasks() {
		promise := task.GetStatus().GetPromisedResponseNs()
		took := r.Result.End.Sub(r.Segment.Job.Release).Nanoseconds()
		if task.GetTask().GetName() == "look" && (took > promise || promise == 0) {
			t.Errorf("it took %d ns from the edge, and %d ns were promised", took, promise)
		}
	}
}

// TestTheRobotOfAVirtualBus: marks and inputs are those of the array file on the virtual bus, too, where a caller plays
// the robot.
func TestTheRobotOfAVirtualBus(t *testing.T) {
	t.Parallel()
	_, array, tasks := robotArray(t)
	cfg := Setup{Config: config.Default()}
	cfg.Array, cfg.Tasks, cfg.Pace = array, tasks, "free"
	high := false
	s, _, _ := robot(t, cfg, 3*time.Second, func(s *Server) {
		high = !high
		for _, input := range []string{"wheel", "seen"} {
			r, err := s.deviceService().SetInput(t.Context(), &facetdv1.SetInputRequest{Input: input, High: high})
			if err != nil || !r.GetChanged() {
				t.Errorf("%v, %v", r, err)
			}
		}
	})
	if n := s.fromRobot().GetInputs()[1]; n.GetLate() > 0 || n.GetTaken()+n.GetRefused() != n.GetEdges() {
		t.Errorf("%v", n)
	}
	_, err := s.deviceService().SetInput(t.Context(), &facetdv1.SetInputRequest{Input: "nobody", High: true})
	if _, unknown := err.(*failure.NotFound); !unknown {
		t.Errorf("an input that is not there: %v", err)
	}
}

// TestTheRobotBehindTheBridge: on the firmware the mark becomes active at the light time of every frame of the tasks
// that the array file names, to the tick, and nowhere else; edges at an input of the board trigger a task within what
// was promised.
func TestTheRobotBehindTheBridge(t *testing.T) {
	t.Parallel()
	a, array, tasks := robotArray(t)
	light := scene.Uniform(100)
	rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: light, Pulses: []chips.Pulse{
		{Input: a.Device.Inputs[0].Pin, Every: 100_000_000, Width: 1000},
		{Input: a.Device.Inputs[1].Pin, Every: 333_000_000, Width: 1000},
	}})
	cfg := Setup{Config: config.Default()}
	cfg.Array, cfg.Tasks, cfg.Bus = array, tasks, config.BridgeTo+rig.Address
	s, on, marked := robot(t, cfg, 3*time.Second, nil)
	if _, err := s.deviceService().SetInput(t.Context(),
		&facetdv1.SetInputRequest{Input: "wheel"}); !failure.IsPrecondition(err,
		failure.NotVirtual) {
		t.Errorf("an input that is wired: %v", err)
	}
	var planned []bustest.Pin
	var lights []bus.Time
	for i := range marked {
		r := &marked[i]
		planned = append(planned, bustest.PlannedMarks(on, r.Start, r.Segment.Ops, a.Device.Mark.Width)...)
		for _, c := range r.Result.Captures {
			if c.FirstRow == 0 {
				lights = append(lights, c.Light)
			}
		}
	}
	bustest.SortPins(planned)
	last := marked[len(marked)-1].Result.End
	pins := slices.DeleteFunc(rig.Pins(marked[0].Start, last),
		func(p bustest.Pin) bool { return p.Kind != bustest.PinMark })
	if diff := bustest.DiffPins(pins, planned); diff != "" {
		t.Errorf("at the pin of the mark: %s", diff)
	}
	slices.Sort(lights)
	at := slices.CompactFunc(pins, func(x, y bustest.Pin) bool { return x.At == y.At })
	if n := slices.Compact(lights); len(n) != len(at) || slices.CompareFunc(n, at, func(l bus.Time, p bustest.Pin) int {
		return cmp.Compare(l, p.At)
	}) != 0 {
		t.Errorf("%d light times of frames, and %d marks", len(n), len(at))
	}
	for _, in := range s.fromRobot().GetInputs() {
		every := map[string]int64{"wheel": 100_000_000, "seen": 333_000_000}[in.GetName()]
		e := in.GetRecent()
		for k := 1; k < len(e); k++ {
			// A machine that stands still for the lease loses the device for a while.
			if apart := e[k].GetAtBusNs() - e[k-1].GetAtBusNs(); apart%every != 0 || apart == 0 {
				t.Errorf("input %s: edges at %v", in.GetName(), e)
				break
			}
		}
	}
}

// TestNotesOfTheRobot: a check tells of tasks that an array file names for marks and inputs and that cannot be meant,
// and of marks that are not at the light time of frames.
func TestNotesOfTheRobot(t *testing.T) {
	t.Parallel()
	_, array, tasks := robotArray(t)
	text, err := os.ReadFile(array)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from, to string
		want     []string
	}{
		{"", "", nil},
		{`"bow"]`, `"bowl"]`, []string{`device.mark.tasks[1]: there is no task "bowl": nothing of it is marked until ` +
			`one is added`}},
		{`"look"`, `"took"`, []string{`device.inputs[1].triggers: there is no task "took": edges are refused until one ` +
			`is added`}},
		{`"look"`, `"wall"`, []string{`device.inputs[1].triggers: task "wall" has a rate, and is not triggered: edges ` +
			`are refused`}},
	} {
		plain := strings.ReplaceAll(strings.ReplaceAll(string(text), ", ", ","), ": ", ":")
		changed := strings.Replace(plain, c.from, c.to, 1)
		if c.from != "" && changed == plain {
			t.Fatalf("the array file has no %s", c.from)
		}
		if err := os.WriteFile(array, []byte(changed), 0o600); err != nil {
			t.Fatal(err)
		}
		cfg := Setup{Config: config.Default()}
		cfg.Array, cfg.Tasks = array, tasks
		found, err := cfg.Check()
		if err != nil || !slices.Equal(found.Notes, c.want) {
			t.Errorf("%s for %s: %q, %v", c.to, c.from, found.Notes, err)
		}
	}
	linear := bustest.MustLinearArray()
	linear.Device = &chipmodel.Device{Mark: chipmodel.Mark{Tasks: []string{"slow"}}}
	class := linear.Chips[0].Class
	want := []string{"device.mark.tasks[0]: pixels of class " + class.Name + ` integrate: task "slow" is marked at the ` +
		"end of their exposure, and light_bus_ns of its frames is the middle"}
	if notes := notesOf(linear, []*program.Task{{Name: "slow", Class: class}}); !slices.Equal(notes, want) {
		t.Errorf("%q", notes)
	}
}
