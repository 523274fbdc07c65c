package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/dispatch"
)

// failing is a bus that fails when it is told to, and notes how it ends.
type failing struct {
	bus.BusCloser
	broken, hung     atomic.Bool
	panics           atomic.Bool
	sticks           atomic.Bool // closing it hangs
	hanging          atomic.Bool // a segment hangs now
	releases, closes atomic.Int32
	unhang           chan struct{}
}

func (f *failing) run(ctx context.Context, start bus.Time, s *bus.Segment, run bustest.RunFunc) (bus.Result, error) {
	if f.hung.Load() {
		f.hanging.Store(true)
		<-f.unhang // whatever ctx says
	}
	if f.panics.Load() {
		panic("the driver lost its mind")
	}
	if f.broken.Load() {
		return bus.Result{Start: start, End: start}, errors.New("the cable is out")
	}
	return run(ctx, start, s)
}

func (f *failing) Release(ctx context.Context) (bus.Stop, error) {
	f.releases.Add(1)
	return f.BusCloser.Release(ctx)
}

func (f *failing) Close() error {
	f.closes.Add(1)
	if f.sticks.Load() {
		<-f.unhang
	}
	return f.BusCloser.Close()
}

func withFailing(c *Setup) *failing {
	f := &failing{unhang: make(chan struct{})}
	c.wrapBus = func(b bus.BusCloser) bus.BusCloser {
		f.BusCloser = bustest.Intercept(b, f.run)
		return f
	}
	return f
}

// run starts a server whose end is expected to be an error.
func run(t *testing.T, c Setup) (*process, context.CancelFunc, <-chan error) {
	t.Helper()
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(cancel)
	return &process{Server: s, t: t}, cancel, ended
}

// A bus that fails for good leaves the daemon up, so that an operator can ask why:
// lines released, health off, the cause in the status and at the end.
func TestFault(t *testing.T) {
	c := quick()
	f := withFailing(&c)
	p, cancel, ended := run(t, c)
	conn := p.dial(p.Addresses().GRPC)
	eventually(t, "it runs", func() bool { code, _ := p.get("/healthz"); return code == 200 })
	f.broken.Store(true)
	eventually(t, "a fault", func() bool { return p.Status().GetState() == facetdv1.State_STATE_FAULT })
	if code, body := p.get("/healthz"); code != 503 || !strings.Contains(body, "fault: ") ||
		!strings.Contains(body, "the cable is out") {
		t.Errorf("healthz %d: %s", code, body)
	}
	if v := p.metric(`facetd_state{state="fault"}`); v != 1 {
		t.Errorf("the metric of the fault is %v", v)
	}
	_, err := facetdv1.NewTaskServiceClient(conn).DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "bed"})
	if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "the cable is out") {
		t.Errorf("a change during a fault: %v", err)
	}
	cancel()
	if err := <-ended; err == nil || !strings.Contains(err.Error(), "the cable is out") {
		t.Errorf("run ended with %v", err)
	}
	if f.releases.Load() == 0 || f.closes.Load() != 1 {
		t.Errorf("lines released %d times, driver closed %d times", f.releases.Load(), f.closes.Load())
	}
	if !strings.Contains(p.Status().GetFault(), "the cable is out") {
		t.Errorf("final status %v", p.Status())
	}
}

// A driver that panics ends the daemon with its cause, also when something does not let it go down: the lines are
// released, and the log has the stack.
func TestPanicEndsTheDaemon(t *testing.T) {
	t.Parallel()
	for _, stuck := range []bool{false, true} {
		t.Run(fmt.Sprintf("stuck %v", stuck), func(t *testing.T) {
			t.Parallel()
			panicEnds(t, stuck)
		})
	}
}

func panicEnds(t *testing.T, stuck bool) {
	c := quick()
	f := withFailing(&c)
	logged, logs := observer.New(zap.ErrorLevel)
	c.Logger = zap.New(logged)
	f.sticks.Store(stuck)
	p, _, ended := run(t, c)
	eventually(t, "it runs", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	begin := time.Now()
	f.panics.Store(true)
	err := <-ended
	if !errors.As(err, new(*dispatch.PanicError)) || !strings.Contains(err.Error(), "lost its mind") {
		t.Errorf("run ended with %v", err)
	}
	if took := time.Since(begin); took > time.Minute { // about four seconds, on a machine that is not loaded
		t.Errorf("it took %v", took)
	}
	if f.releases.Load() == 0 {
		t.Error("the lines were not released")
	}
	stacks := logs.FilterMessageSnippet("panic").FilterFieldKey("stack").All()
	if len(stacks) != 1 || !strings.Contains(stacks[0].ContextMap()["stack"].(string), "failure_test.go") {
		t.Errorf("%d stacks in the log: %v", len(stacks), stacks)
	}
	close(f.unhang)
}

// A bus that hangs cannot keep the daemon from going down; its driver is left to the
// goroutine that still owns it.
func TestHungBus(t *testing.T) {
	c := quick()
	f := withFailing(&c)
	p, cancel, ended := run(t, c)
	eventually(t, "it runs", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	f.hung.Store(true)
	eventually(t, "it hangs", f.hanging.Load)
	begin, waits := time.Now(), starved()
	cancel()
	err := <-ended
	if err == nil || !strings.Contains(err.Error(), "did not stop") {
		t.Errorf("run ended with %v", err)
	}
	if took, waited := time.Since(begin), waits(); took-waited > 1500*time.Millisecond {
		t.Errorf("going down took %v, of which the process waited %v", took, waited)
	}
	if n := f.closes.Load(); n != 0 {
		t.Errorf("the driver was closed %d times while it ran", n)
	}
	close(f.unhang)
	eventually(t, "the dispatcher lets go", func() bool { return f.releases.Load() > 0 })
}

func TestLostListener(t *testing.T) {
	p, _, ended := run(t, quick())
	eventually(t, "it runs", func() bool { return p.Status().GetState() == facetdv1.State_STATE_RUNNING })
	p.listeners.http.Close()
	if err := <-ended; err == nil || !strings.Contains(err.Error(), "http on 127.0.0.1:") {
		t.Errorf("run ended with %v", err)
	}
}

// The log says what runs, with its seed, where, and how it went down, in order.
func TestLog(t *testing.T) {
	core, logs := observer.New(zap.DebugLevel)
	c := quick()
	c.Logger, c.Seed, c.StopAt = zap.New(core), 77, 100*time.Millisecond
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(limited(t)); err != nil {
		t.Fatal(err)
	}
	var steps []string
	for _, e := range logs.FilterMessage("down").All() {
		if step, is := e.ContextMap()["step"].(string); is {
			steps = append(steps, step)
		}
	}
	if want := []string{"say so", "finish the segment, release the lines", "end recordings and the journal",
		"end the streams", "gRPC", "HTTP", "bus driver"}; !slices.Equal(steps, want) {
		t.Errorf("steps %q, want %q", steps, want)
	}
	if ready := logs.FilterMessage("ready").All(); len(ready) != 1 || ready[0].ContextMap()["seed"] != uint64(77) {
		t.Errorf("ready: %v", ready)
	}
	if n := logs.FilterMessage("listening").Len(); n != 2 {
		t.Errorf("%d listeners logged", n)
	}
	if down := logs.FilterMessage("going down").All(); len(down) != 1 ||
		down[0].ContextMap()["why"] != "the daemon reached the time to stop at" {
		t.Errorf("going down: %v", down)
	}
	for _, format := range []string{"json", "console"} {
		c := Setup{Config: config.Config{Log: config.Log{Level: "warn", Format: format}}}
		log, _, err := c.logger()
		if err != nil || log.Core().Enabled(zap.InfoLevel) || !log.Core().Enabled(zap.WarnLevel) {
			t.Errorf("%s: %v", format, err)
		}
	}
}

// A server that is not run gives its addresses back.
func TestClose(t *testing.T) {
	c := quick()
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	c.Listen.GRPC, c.Listen.HTTP = s.Addresses().GRPC, s.Addresses().HTTP
	if _, err := New(c); err == nil {
		t.Error("the addresses could be bound twice")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}
