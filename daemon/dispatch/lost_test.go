package dispatch

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// lossy is a bus that is lost now and then: what is in flight fails, and so does everything until it has been prepared
// again. Meanwhile somebody writes into registers.
type lossy struct {
	bus.BusCloser
	lost      chan error
	garbage   []*bus.Segment // run while it is lost
	inspector *rules.Inspector

	mu   sync.Mutex
	away bool // until it is prepared again
	gone bool // it cannot be prepared yet
}

func newLossy(b bus.BusCloser) *lossy {
	return &lossy{BusCloser: b, lost: make(chan error, 10)}
}

var errUnplugged = errors.New("the cable is out")

func (l *lossy) isAway() (away, gone bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.away, l.gone
}

// set makes the bus lost, or such that it can be prepared again.
func (l *lossy) set(gone bool) {
	l.mu.Lock()
	l.gone = gone
	if gone {
		l.away = true
	}
	l.mu.Unlock()
	if gone {
		l.lost <- errUnplugged
	}
}

func (l *lossy) Lost() <-chan error { return l.lost }

func (l *lossy) Prepare(ctx context.Context, programs []*bus.Program) error {
	away, gone := l.isAway()
	if gone {
		return &bus.LostError{Cause: errUnplugged}
	}
	if away {
		for _, s := range l.garbage {
			at := l.Now().Add(2 * l.Limits().LeastLead)
			if _, err := bustest.Run(ctx, l.BusCloser, at, s); err != nil {
				return err
			}
			l.inspector.JobEnded(s.Job, bus.Outcome{Kind: bus.OnTime})
			s.Job.Number++
		}
	}
	l.mu.Lock()
	l.away = false
	l.mu.Unlock()
	return l.BusCloser.Prepare(ctx, programs)
}

func (l *lossy) Submit(start bus.Time, s *bus.Segment) error {
	if away, _ := l.isAway(); away {
		return &bus.LostError{Cause: errUnplugged}
	}
	return l.BusCloser.Submit(start, s)
}

func (l *lossy) Next(ctx context.Context) (bus.Result, error) {
	if away, _ := l.isAway(); away { // its lease has ended
		if _, err := l.BusCloser.Release(ctx); err != nil {
			return bus.Result{}, err
		}
	}
	res, err := l.BusCloser.Next(ctx)
	if away, _ := l.isAway(); away && err == nil {
		res.Captures, res.Err = nil, &bus.LostError{Cause: errUnplugged}
	}
	return res, err
}

// TestALostBus: while the bus is lost every job fails when it is due, with the cause, and is counted; captures are
// refused; once it is found again all is restored before anything is read, and every task goes on.
func TestALostBus(t *testing.T) {
	for name, limits := range map[string]bus.Limits{"near": {}, "far": {LeastLead: 2 * time.Millisecond, Queue: 4}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { loses(t, limits) })
		})
	}
}

func loses(t *testing.T, limits bus.Limits) {
	var l *lossy
	joined := &facetdv1.Task{Name: "joined", Target: list("s0"), RateHz: 50,
		Views: []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}}}
	r, _ := farRig(t, realtime, 0, limits, func(b bus.BusCloser) bus.BusCloser {
		l = newLossy(b)
		return l
	}, memTask(100), joined)
	l.inspector = r.bus.Inspector()
	l.garbage = []*bus.Segment{{Job: &bus.Job{Task: "nobody's", Deadline: 1 << 62, Segments: 1},
		Program: &bus.Program{Ops: []bus.Op{bustest.Select(bustest.H | bustest.X0),
			bustest.Write(1, chipmodel.ColumnPattern, 0, bustest.S0), bustest.Select(0)}}}}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	time.Sleep(500 * time.Millisecond)
	for range 5 {
		l.set(true)
		time.Sleep(300 * time.Millisecond)
		var lost *bus.LostError
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("h0")}); !errors.As(err, &lost) {
			t.Errorf("a capture of a lost bus: %v", err)
		}
		if s := r.Snapshot(); s.State != facetdv1.State_STATE_RUNNING {
			t.Errorf("state %v %q", s.State, s.Fault)
		}
		l.set(false)
		time.Sleep(700 * time.Millisecond)
		if _, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("s0")}); err != nil {
			t.Errorf("a capture of a bus that was found again: %v", err)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	for task, rate := range map[string]int{"mem": 100, "joined": 50} {
		sets := r.watch.of(task)
		failed := 0
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetLate() {
				t.Fatalf("job %d of %s: number %d, late %v", i, task, fs.GetJob(), fs.GetLate())
			}
			if fs.GetFailure() == "" {
				continue
			}
			if failed++; !strings.Contains(fs.GetFailure(), errUnplugged.Error()) &&
				fs.GetFailure() != "the daemon stopped" {
				t.Errorf("job %d of %s: %q", i, task, fs.GetFailure())
			}
		}
		// It was lost for five times 0.3 s, and noticed within 0.1 s to be there again.
		if least, most := rate*14/10, rate*22/10; failed < least || failed > most {
			t.Errorf("%d jobs of %s failed, want %d to %d", failed, task, least, most)
		}
		if least := rate * 52 / 10; len(sets) < least {
			t.Errorf("%d jobs of %s, want %d at least", len(sets), task, least)
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// unnoticed is a bus that is lost just before it is prepared for something, and found again by that: the runner has not
// heard of it yet.
type unnoticed struct {
	*lossy
	mu    sync.Mutex
	armed bool
	next  []int // chips of what was submitted first since
	since bool
}

func (u *unnoticed) arm() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.armed = true
}

func (u *unnoticed) Prepare(ctx context.Context, programs []*bus.Program) error {
	u.mu.Lock()
	armed := u.armed
	if armed {
		u.armed, u.since = false, true
	}
	u.mu.Unlock()
	if armed {
		u.set(true)
		u.set(false)
	}
	return u.lossy.Prepare(ctx, programs)
}

func (u *unnoticed) Submit(start bus.Time, s *bus.Segment) error {
	u.mu.Lock()
	if u.since {
		u.next, u.since = s.Job.Chips, false
	}
	u.mu.Unlock()
	return u.lossy.Submit(start, s)
}

// TestLostAsItIsPrepared: a capture for which a bus is prepared that was lost a moment before, without anybody knowing,
// does not run on registers that the chips may not hold any more: all are restored first.
func TestLostAsItIsPrepared(t *testing.T) {
	for name, limits := range map[string]bus.Limits{"near": {}, "far": {LeastLead: 2 * time.Millisecond, Queue: 4}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { lostUnnoticed(t, limits) })
		})
	}
}

func lostUnnoticed(t *testing.T, limits bus.Limits) {
	var u *unnoticed
	r, _ := farRig(t, realtime, 0, limits, func(b bus.BusCloser) bus.BusCloser {
		u = &unnoticed{lossy: newLossy(b)}
		return u
	}, memTask(20))
	end := r.begin(t)
	time.Sleep(101 * time.Millisecond)
	for range 3 {
		u.arm()
		if _, err := r.Capture(t.Context(), &facetdv1.CaptureFramesRequest{Target: list("s0")}); err != nil {
			t.Errorf("a capture: %v", err)
		}
		if len(u.next) != len(r.array.Chips) {
			t.Errorf("the first that ran after the loss touches chips %v", u.next)
		}
		time.Sleep(200 * time.Millisecond)
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestAnOldLoss: a loss that is known, and of which the bus has been found again, is not taken for another one.
func TestAnOldLoss(t *testing.T) {
	for range 100 {
		l := newLossy(nil)
		r := &runner{cfg: Config{Bus: l}, box: &mailbox{}}
		ctx, cancel := context.WithCancel(t.Context())
		stop := r.watchLoss(ctx, cancel)
		l.set(true)
		if cause := r.lossUntilNow(); cause != errUnplugged {
			t.Fatalf("lost for %v", cause)
		}
		if _, again := r.box.stepBegins(); again != nil {
			t.Fatalf("lost once more for %v", again)
		}
		stop()
		if cause := r.lossUntilNow(); cause != nil {
			t.Fatalf("at the end, lost for %v", cause)
		}
	}
}
