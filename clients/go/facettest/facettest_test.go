package facettest_test

import (
	"errors"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// take reads n frame sets of a fresh array and returns their digest and the times at
// which they arrived, in bus time.
func take(t *testing.T, seed uint64, n int) (digest string, arrived []time.Duration) {
	t.Helper()
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo, Seed: seed, Scene: "demo"})
	sum := framedigest.New()
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		if set.Gap.Any() {
			t.Fatalf("set %d: %v", sum.Sets(), set.Gap)
		}
		arrived = append(arrived, a.Now())
		sum.Add(set.Message)
		if sum.Sets() == uint64(n) {
			break
		}
	}
	return sum.Sum(), arrived
}

// Equal seeds give equal frame sets at equal times from the first on, other seeds others.
func TestEqualSeedsEqualTests(t *testing.T) {
	first, at := take(t, 7, 60)
	again, atAgain := take(t, 7, 60)
	other, _ := take(t, 8, 60)
	if first != again || first == other {
		t.Errorf("digests %s, %s with the same seed, %s with another", first, again, other)
	}
	for i := range at {
		if at[i] != atAgain[i] {
			t.Fatalf("set %d arrived at %v, and at %v in the second run", i, at[i], atAgain[i])
		}
	}
}

// A program that works slowly loses nothing: bus time stands still meanwhile, whatever
// else it asks.
func TestTimeStandsStillWhileTheProgramWorks(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	next := map[string]uint64{}
	n := 0
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		if set.Job() != next[set.Task()] {
			t.Errorf("job %d of %s, want %d", set.Job(), set.Task(), next[set.Task()])
		}
		next[set.Task()]++
		before, age := a.Now(), set.Age()
		for range 3 {
			if _, err := a.Client.Status(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if now := a.Now(); now != before || set.Age() != age {
			t.Fatalf("bus time went from %v to %v, the age from %v to %v", before, now, age, set.Age())
		}
		if finish := time.Duration(set.Message.GetFinishBusNs()); before < finish ||
			before > finish+10*time.Millisecond {
			t.Errorf("received at %v what finished at %v", before, finish)
		}
		if n++; n == 40 {
			break
		}
	}
	if len(next) != 4 {
		t.Errorf("sets of %d tasks, the demo has 4", len(next))
	}
}

// A set that was new is stale once bus time has gone on.
func TestSetsGrowStale(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	s, err := a.Client.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"wall"}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	set, err := s.Next()
	if err != nil {
		t.Fatal(err)
	}
	const limit = 200 * time.Millisecond
	if set.IsStale(limit) || set.Age() <= 0 {
		t.Errorf("a set of age %v is stale", set.Age())
	}
	a.Advance(5 * time.Second)
	if !set.IsStale(limit) || set.Age() < 5*time.Second || set.Age() > 6*time.Second {
		t.Errorf("after five seconds its age is %v", set.Age())
	}
	// Some wait in the connection and the newest at the daemon; the others are in a gap.
	var missing uint64
	for last := set.Job(); time.Duration(set.Message.GetFinishBusNs()) < 5*time.Second; last = set.Job() {
		if set, err = s.Next(); err != nil {
			t.Fatal(err)
		}
		if g := set.Gap; g.MissingJobs != g.Dropped || set.Job() != last+1+g.MissingJobs {
			t.Errorf("job %d after job %d: %+v", set.Job(), last, g)
		}
		missing += set.Gap.MissingJobs
	}
	if missing == 0 {
		t.Error("nothing was dropped in five seconds without a reader")
	}
}

// Two streams read by two goroutines both get everything.
func TestTwoReaders(t *testing.T) {
	c := facettest.Start(t, facettest.Demo, facettest.Demo)
	var readers sync.WaitGroup
	open := make(chan *facet.Subscription, 2)
	for _, task := range []string{"wall", "bed"} {
		s, err := c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{task}})
		if err != nil {
			t.Fatal(err)
		}
		open <- s
	}
	for range 2 {
		readers.Go(func() {
			s := <-open
			defer s.Close()
			for want := range uint64(20) {
				set, err := s.Next()
				if err != nil || set.Job() != want || set.Gap.Any() {
					t.Errorf("job %d: %v, %v", want, set, err)
					return
				}
			}
		})
	}
	readers.Wait()
}

// Captures, commands and changes are answered although nobody reads frames.
func TestCallsLetTimeMove(t *testing.T) {
	a := facettest.New(t, facettest.Config{Tasks: facettest.Demo})
	c := a.Client
	set, err := c.Capture(t.Context(), facet.Chips("bow-comb"), facet.CaptureOptions{})
	if err != nil {
		t.Fatal(err)
	}
	f, ok := set.Frame("bow-comb")
	if !ok || len(f.Codes(nil)) != f.Rows()*f.Columns() || f.Codes(nil)[f.Columns()+1] != f.At(1, 1) || f.Corrected() {
		t.Errorf("captured %v", set.Frames())
	}
	if v := f.Volts(f.At(0, 0)); v <= 0 || v > 5 {
		t.Errorf("%v V", v)
	}
	if note := f.Message.GetCorrectionNote(); note != "" {
		t.Errorf("of a raw frame it is noted that %q", note)
	}
	views := []*facetdv1.View{{Name: "top", Window: &facetdv1.Window{Rows: 12}}}
	for _, o := range []facet.CaptureOptions{{Views: views, Corrected: true}, {Views: views, Square: true}} {
		set, err := c.Capture(t.Context(), facet.Chips("bow-comb"), o)
		if err != nil {
			t.Fatal(err)
		}
		f, ok := set.Frame("bow-comb")
		if !ok || f.Rows() != 12 || f.View() != "top" || f.Message.GetCorrectionNote() == "" {
			t.Errorf("%+v: %d rows of view %s, noted %q", o, f.Rows(), f.View(), f.Message.GetCorrectionNote())
		}
	}
	before := a.Now()
	at, err := c.AddTask(t.Context(), &facetdv1.Task{Name: "look", Target: facet.Chips("bow-comb"), RateHz: 2})
	if err != nil || time.Duration(at) < before {
		t.Fatalf("active at %d, asked at %v: %v", at, before, err)
	}
	tasks, err := c.Tasks(t.Context())
	if err != nil || len(tasks) != 5 || tasks[4].GetTask().GetName() != "look" {
		t.Errorf("tasks %v, %v", tasks, err)
	}
	changed, err := c.ChangeTask(t.Context(), &facetdv1.Task{Name: "look", Target: facet.Chips("bow-comb"), RateHz: 4})
	if err != nil || changed < at {
		t.Errorf("changed at %d, added at %d: %v", changed, at, err)
	}
	one, err := facetdv1.NewTaskServiceClient(c.Conn()).GetTask(t.Context(), &facetdv1.GetTaskRequest{Name: "look"})
	if err != nil || one.GetTask().GetTask().GetRateHz() != 4 {
		t.Errorf("changed to %v, %v", one.GetTask(), err)
	}
	if _, err := c.ChangeTask(t.Context(), &facetdv1.Task{Name: "nobody", Target: facet.AllChips(),
		RateHz: 1}); err == nil {
		t.Error("a task that does not run was changed")
	}
	if err := c.RemoveTask(t.Context(), "look"); err != nil {
		t.Error(err)
	}
	_, err = c.Send(t.Context(), &facetdv1.Command{Target: facet.Group("bed"),
		Action: &facetdv1.Command_Strobe{Strobe: facetdv1.Strobe_STROBE_LOAD}})
	var wrong *facet.Error
	if !errors.As(err, &wrong) {
		t.Errorf("a load of counter chips: %v", err)
	}
}

// What does not fit, and what is invalid, comes back with everything there is to
// know about it.
func TestRefusals(t *testing.T) {
	c := facettest.Start(t, facettest.Demo, facettest.Demo)
	fast := &facetdv1.Task{Name: "fast", Target: facet.Group("wall"), RateHz: 500}
	_, err := c.AddTask(t.Context(), fast)
	var refused *facet.Error
	if !errors.As(err, &refused) || refused.Code != codes.FailedPrecondition || refused.Refusal.GetTask() == "" ||
		len(refused.Conditions) == 0 {
		t.Fatalf("%#v", err)
	}
	plan, err := c.Preview(t.Context(), &facetdv1.TaskChanges{Add: []*facetdv1.Task{fast}})
	if err != nil || plan.GetRefusal().GetReason() != refused.Refusal.GetReason() {
		t.Errorf("preview %v, %v", plan.GetRefusal(), err)
	}
	_, err = c.AddTask(t.Context(), &facetdv1.Task{Name: "odd", Target: facet.Group("nobody"), RateHz: -1})
	if !errors.As(err, &refused) || refused.Code != codes.InvalidArgument || len(refused.Fields) != 2 ||
		!strings.Contains(err.Error(), "nobody") {
		t.Errorf("%v: %+v", err, refused.Fields)
	}
	_, err = c.Subscribe(t.Context(), facet.StreamOptions{Tasks: []string{"nothing"}})
	if !errors.As(err, &refused) || refused.Code != codes.NotFound {
		t.Errorf("a stream of no task: %v", err)
	}
}

// Arrays and tasks come from files, texts and messages alike.
func TestSources(t *testing.T) {
	demo := facettest.Start(t, facettest.Demo, facettest.None)
	array, digest, err := demo.Array(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	c := facettest.Start(t, facettest.Message(array),
		facettest.YAML("tasks:\n- {name: floor, target: {group: bed}, rate_hz: 10}\n"))
	if _, again, err := c.Array(t.Context()); err != nil || again != digest {
		t.Errorf("digest %s, want %s: %v", again, digest, err)
	}
	plan, err := c.Plan(t.Context())
	if err != nil || len(plan.GetTasks()) != 1 || plan.GetTasks()[0].GetName() != "floor" {
		t.Errorf("plan of %v, %v", plan.GetTasks(), err)
	}
	filed := facettest.Start(t, facettest.File("../../../deploy/examples/crawler/array.yaml"), facettest.None)
	if _, again, err := filed.Array(t.Context()); err != nil || again != digest {
		t.Errorf("digest of the file %s, want %s: %v", again, digest, err)
	}
	set := &facet.FrameSet{Message: &facetdv1.FrameSet{}}
	if set.Age() != math.MaxInt64 || !set.IsStale(time.Hour) {
		t.Error("a set without frames is not stale")
	}
}
