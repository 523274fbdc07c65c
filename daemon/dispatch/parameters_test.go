package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/daemon/failure"
)

func bounds(low, high int32) *facetdv1.Bounds { return &facetdv1.Bounds{Low: low, High: high} }

// tracker is a task with a window that moves over the chip with a counter, an amplifier and biases, under an offset and
// an output bias that move as well.
func tracker(rate float64) *facetdv1.Task {
	return &facetdv1.Task{Name: "track", Target: list("t0"), RateHz: rate, Views: []*facetdv1.View{{
		Name: "spot", Window: &facetdv1.Window{Rows: 1, Columns: 2},
		Movable: &facetdv1.Movable{Row: bounds(0, 2), Column: bounds(0, 1), Offset: bounds(-100, 100),
			OutputBias: bounds(60, 200)},
		Trim: &facetdv1.TrimSettings{OutputBias: proto.Uint32(150)},
	}}}
}

// atStarts notes start and end of every segment of one task as it ran, and where each job's windows were read.
type atStarts struct {
	task  string
	spans [][2]bus.Time
	read  map[uint64]chipmodel.Window
}

func (s *atStarts) intercept(b bus.BusCloser) bus.BusCloser {
	return bustest.Intercept(b, func(ctx context.Context, start bus.Time, seg *bus.Segment,
		run bustest.RunFunc) (bus.Result,
		error) {
		res, err := run(ctx, start, seg)
		if seg.Job.Task == s.task {
			s.spans = append(s.spans, [2]bus.Time{res.Start, res.End})
			for i := range res.Captures {
				s.read[seg.Job.Number] = res.Captures[i].Window
			}
		}
		return res, err
	})
}

// TestAWindowFollowsAList: a window, an offset and an output bias are set anew between the jobs of a task, beside
// another task. Every job reads where it was told, the answer names the first job that does, frames say what was
// active, and every job of both tasks runs exactly when the plan says, as if nothing had moved: no rule is broken.
func TestAWindowFollowsAList(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		seen := &atStarts{task: "track", read: map[uint64]chipmodel.Window{}}
		r := newRig(t, realtime, 0, seen.intercept, tracker(50), memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		rng := rand.New(rand.NewPCG(1, 2))
		want := map[uint64]*facetdv1.ViewParameters{} // by first job
		time.Sleep(31 * time.Millisecond)
		for range 40 {
			p := &facetdv1.ViewParameters{Row: proto.Uint32(rng.Uint32N(3)), Column: proto.Uint32(rng.Uint32N(2)),
				Offset: proto.Int32(rng.Int32N(201) - 100), OutputBias: proto.Uint32(60 + rng.Uint32N(141))}
			got, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "track",
				Views: []*facetdv1.ViewParameters{p}})
			if err != nil {
				t.Fatal(err)
			}
			p.View = "spot"
			if len(got.GetViews()) != 1 || !proto.Equal(got.GetViews()[0], p) {
				t.Fatalf("the answer is %v, set was %v", got, p)
			}
			want[got.GetFirstJob()] = p
			time.Sleep(20 * time.Millisecond)
		}
		shown := r.Snapshot().Tasks[0].GetParameters()
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if len(want) < 40 || len(shown) != 1 {
			t.Errorf("%d jobs were the first of something; the task shows %v", len(want), shown)
		}
		follows(t, r.watch.of("track"), want)
		for _, fs := range r.watch.of("track") {
			w, read := seen.read[fs.GetJob()]
			if read && !proto.Equal(w.Message(), fs.GetFrames()[0].GetWindow()) {
				t.Fatalf("job %d: the frame says %v, read was %v", fs.GetJob(), fs.GetFrames()[0].GetWindow(), w)
			}
		}
		plan := r.runner.tab.plan
		for i, e := range plan.Entries {
			if plan.Tasks[e.Task].Task.Name != "track" {
				continue
			}
			for _, span := range seen.spans {
				if at := span[0].Sub(r.runner.tab.epoch) % plan.Hyperperiod; at == e.Start &&
					span[1].Sub(span[0]) != e.End-e.Start {
					t.Errorf("entry %d took %v, planned %v", i, span[1].Sub(span[0]), e.End-e.Start)
				}
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
		for _, fs := range r.watch.of("mem") {
			if fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" || fs.GetLate() {
				t.Errorf("the other task: job %d late %v, %q", fs.GetJob(), fs.GetLate(), fs.GetFailure())
			}
		}
	})
}

// follows holds frame sets against what was set, by the first job that has it.
func follows(t *testing.T, sets []*facetdv1.FrameSet, want map[uint64]*facetdv1.ViewParameters) {
	t.Helper()
	now := &facetdv1.ViewParameters{Row: proto.Uint32(0), Column: proto.Uint32(0), Offset: proto.Int32(0),
		OutputBias: proto.Uint32(150)}
	if len(sets) < len(want) {
		t.Errorf("%d sets for %d positions", len(sets), len(want))
	}
	for _, fs := range sets {
		if p := want[fs.GetJob()]; p != nil {
			now = p
		}
		if fs.GetFailure() != "" {
			continue
		}
		f := fs.GetFrames()[0]
		if f.GetWindow().GetRow() != now.GetRow() || f.GetWindow().GetColumn() != now.GetColumn() ||
			f.GetTrim().GetOffset() != now.GetOffset() || f.GetTrim().GetOutputBias() != now.GetOutputBias() ||
			fs.GetLate() {
			t.Fatalf("job %d: late %v, window %v, trim %v; set was %v", fs.GetJob(), fs.GetLate(), f.GetWindow(),
				f.GetTrim(),
				now)
		}
	}
}

// TestMovedPixelsAreThoseOfTheWindow: the codes of a moved window are those of the same pixels of the whole lattice.
func TestMovedPixelsAreThoseOfTheWindow(t *testing.T) {
	whole := &facetdv1.Task{Name: "whole", Target: list("h0"), RateHz: 20}
	moving := &facetdv1.Task{Name: "moving", Target: list("h0"), RateHz: 20, Views: []*facetdv1.View{{
		Window:  &facetdv1.Window{Rows: 2, Columns: 2},
		Movable: &facetdv1.Movable{Row: bounds(0, 2), Column: bounds(0, 2)}}}}
	codes := func(task *facetdv1.Task, set *facetdv1.ViewParameters) *facetdv1.Frame {
		r := newRig(t, free, 120*time.Millisecond, nil, task)
		if set != nil {
			if _, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: task.GetName(),
				Views: []*facetdv1.ViewParameters{set}}); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		return r.watch.of(task.GetName())[0].GetFrames()[0]
	}
	all := codes(whole, nil)
	at := func(f *facetdv1.Frame, row, column int) int {
		i := 2 * (row*int(f.GetColumns()) + column)
		return int(f.GetData()[i]) | int(f.GetData()[i+1])<<8
	}
	for _, p := range [][2]int{{0, 0}, {2, 1}, {1, 2}} {
		f := codes(moving, &facetdv1.ViewParameters{Row: proto.Uint32(uint32(p[0])),
			Column: proto.Uint32(uint32(p[1]))})
		for r := range 2 {
			for c := range 2 {
				// Noise differs from one run to another; pixels differ by their fixed pattern far more.
				if got, want := at(f, r, c), at(all, p[0]+r, p[1]+c); got < want-8 || got > want+8 {
					t.Errorf("window at %v: pixel (%d, %d) is %d, in the whole frame %d", p, r, c, got, want)
				}
			}
		}
	}
}

// TestParametersThatCannotBeSet are refused, all at once and with their places, and nothing of the request is set.
func TestParametersThatCannotBeSet(t *testing.T) {
	r := newRig(t, free, 100*time.Millisecond, nil, tracker(50), memTask(100))
	set := func(task string, views ...*facetdv1.ViewParameters) error {
		_, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: task, Views: views})
		return err
	}
	err := set("track", &facetdv1.ViewParameters{Row: proto.Uint32(1), Column: proto.Uint32(9),
		Offset:    proto.Int32(-101),
		GainIndex: proto.Uint32(1)}, &facetdv1.ViewParameters{View: "nope", Row: proto.Uint32(1)},
		&facetdv1.ViewParameters{View: "spot"})
	var m invalid.Errors
	if !errors.As(err, &m) {
		t.Fatal(err)
	}
	var paths []string
	for _, e := range m {
		paths = append(paths, e.Path)
	}
	if want := []string{"views[0].column", "views[0].gain_index", "views[0].offset", "views[1].view",
		"views[2]"}; !slices.Equal(
		paths, want) {
		t.Errorf("errors at %v, want %v", paths, want)
	}
	if !strings.Contains(err.Error(), "use 0 to 1") {
		t.Errorf("%v: says nothing of the bounds", err)
	}
	if err := set("nope", &facetdv1.ViewParameters{Row: proto.Uint32(1)}); !errors.As(err, new(*failure.NotFound)) {
		t.Errorf("a task that there is not: %v", err)
	}
	if err := set("mem", &facetdv1.ViewParameters{Row: proto.Uint32(0)}); !errors.As(err, &m) {
		t.Errorf("a task that does not move: %v", err)
	}
	if err := set("track"); !errors.As(err, &m) {
		t.Errorf("nothing at all: %v", err)
	}
	if got := r.Snapshot().Tasks[0].GetParameters()[0]; got.GetRow() != 0 {
		t.Errorf("of a request that was refused the row was set: %v", got)
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := set("track", &facetdv1.ViewParameters{Row: proto.Uint32(1)}); !errors.As(err, new(*StoppedError)) {
		t.Errorf("after the end: %v", err)
	}
}

// TestParametersOutliveChanges: what was set of a task stays when others come and go, and when it is updated without a
// change of what moves; other bounds begin anew.
func TestParametersOutliveChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, tracker(50))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(50 * time.Millisecond)
		if _, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "track",
			Views: []*facetdv1.ViewParameters{{Row: proto.Uint32(2)}}}); err != nil {
			t.Fatal(err)
		}
		row := func() uint32 { return r.Snapshot().Tasks[0].GetParameters()[0].GetRow() }
		check := func(what string, err error, want uint32) {
			t.Helper()
			if err != nil || row() != want {
				t.Fatalf("%s: %v, row %d, want %d", what, err, row(), want)
			}
		}
		_, err := r.AddTask(ctx, memTask(100))
		check("another task is added", err, 2)
		faster := tracker(100)
		_, err = r.UpdateTask(ctx, faster)
		check("its rate changes", err, 2)
		other := tracker(100)
		other.Views[0].Movable.Row = bounds(0, 1)
		_, err = r.UpdateTask(ctx, other)
		check("its bounds change", err, 0)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		for _, fs := range r.watch.sets {
			if fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" {
				t.Errorf("%s job %d: %s", fs.GetTask(), fs.GetJob(), fs.GetFailure())
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestParametersOfOneLoad: two tasks whose views are read from one load move each by itself.
func TestParametersOfOneLoad(t *testing.T) {
	view := func() []*facetdv1.View {
		return []*facetdv1.View{{Window: &facetdv1.Window{Rows: 1, Columns: 2},
			Movable: &facetdv1.Movable{Row: bounds(0, 2)}}}
	}
	one := &facetdv1.Task{Name: "one", Target: list("m0", "m1"), RateHz: 50, Views: view()}
	two := &facetdv1.Task{Name: "two", Target: list("m0", "m1"), RateHz: 50, Views: view()}
	r := newRig(t, free, 120*time.Millisecond, nil, one, two)
	if n := len(r.runner.tab.tasks); n != 2 || len(r.runner.standing.plan.Tasks) != 1 {
		t.Fatalf("%d tasks in %d bus jobs", n, len(r.runner.standing.plan.Tasks))
	}
	for i, name := range []string{"one", "two"} {
		if _, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: name,
			Views: []*facetdv1.ViewParameters{{Row: proto.Uint32(uint32(i + 1))}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"one", "two"} {
		sets := r.watch.of(name)
		if len(sets) == 0 {
			t.Fatal(fmt.Sprint("no sets of ", name))
		}
		for _, fs := range sets {
			for _, f := range fs.GetFrames() {
				if f.GetWindow().GetRow() != uint32(i+1) || f.GetTrim() != nil {
					t.Fatalf("%s: window %v, trim %v", name, f.GetWindow(), f.GetTrim())
				}
			}
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestParametersAheadOfTime: on a bus that is given work ahead of time, jobs that were handed over keep the values that
// they were handed over with, the answer names the first job after them, and everything else is as on a bus near by.
func TestParametersAheadOfTime(t *testing.T) {
	for name, limits := range far {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, noted := farRig(t, realtime, 0, limits, nil, tracker(100), memTask(100))
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				time.Sleep(200 * time.Millisecond)
				want := map[uint64]*facetdv1.ViewParameters{}
				ahead := uint64(0)
				for i := range uint32(30) {
					p := &facetdv1.ViewParameters{Row: proto.Uint32(i % 3), Column: proto.Uint32(i % 2),
						Offset: proto.Int32(int32(i)), OutputBias: proto.Uint32(100 + i)}
					ended := uint64(len(r.watch.of("track")))
					got, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "track",
						Views: []*facetdv1.ViewParameters{p}})
					if err != nil {
						t.Fatal(err)
					}
					want[got.GetFirstJob()] = p
					ahead = max(ahead, got.GetFirstJob()-ended)
					time.Sleep(10*time.Millisecond + 17*time.Microsecond)
				}
				time.Sleep(200 * time.Millisecond)
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				if limits.Queue > 2 && ahead < 2 {
					t.Errorf("no job was handed over ahead of time when something was set")
				}
				follows(t, r.watch.of("track"), want)
				read := map[uint64]chipmodel.Window{}
				for _, rec := range noted.Records() {
					for i := range rec.Result.Captures {
						if rec.Segment.Job.Task == "track" {
							read[rec.Segment.Job.Number] = rec.Result.Captures[i].Window
						}
					}
				}
				for _, fs := range r.watch.of("track") {
					if w, ok := read[fs.GetJob()]; ok && !proto.Equal(w.Message(), fs.GetFrames()[0].GetWindow()) {
						t.Fatalf("job %d: the frame says %v, read was %v", fs.GetJob(), fs.GetFrames()[0].GetWindow(),
							w)
					}
				}
				if len(read) < 30 || len(r.watch.violations) > 0 {
					t.Errorf("%d jobs were read; rules violated: %v", len(read), r.watch.violations)
				}
			})
		})
	}
}

// TestParametersOfAStoppedArray: what may be set of a task that was made or changed while the array is stopped is set
// at once, and its first job has it.
func TestParametersOfAStoppedArray(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		end := r.begin(t)
		time.Sleep(100 * time.Millisecond)
		stop := r.SafeStop(t.Context(), ask("ada", ""))
		if _, err := r.AddTask(t.Context(), tracker(50)); err != nil {
			t.Fatal(err)
		}
		want := &facetdv1.ViewParameters{View: "spot", Row: proto.Uint32(2), Column: proto.Uint32(1),
			Offset: proto.Int32(7), OutputBias: proto.Uint32(90)}
		got, err := r.SetParameters(t.Context(), &facetdv1.SetTaskParametersRequest{Task: "track",
			Views: []*facetdv1.ViewParameters{want}})
		if err != nil || got.GetFirstJob() != 0 {
			t.Fatalf("%v, %v", got, err)
		}
		if _, _, err := r.Resume(t.Context(), stop.Revision); err != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
		if err := end(); err != nil {
			t.Fatal(err)
		}
		follows(t, r.watch.of("track"), map[uint64]*facetdv1.ViewParameters{0: want})
		if sets := r.watch.of("mem"); len(sets) < 15 || sets[len(sets)-1].GetJob() != uint64(len(sets)-1) {
			t.Errorf("%d jobs of the other task", len(sets))
		}
	})
}
