package facettest

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/stream"
)

// answerWait is how long, in host time, the bus waits after each job for an answer to a
// call that needs bus time, before it goes on to the next job. It only limits how far bus
// time runs on beyond what the call needed.
const answerWait = time.Millisecond

// gate holds the bus until the client waits for it.
type gate struct {
	mu      sync.Mutex
	moved   chan struct{} // one token when anything below changed
	calls   int           // that need bus time and are not answered
	readers map[*reader]bool
	until   time.Duration // bus time up to which it may run anyway
	at      time.Duration // bus time at which it was held last
	reached chan struct{} // closed when until is reached; nil when nobody asks

	unread time.Duration // after which a stream that nobody reads is named
	warn   func(string)

	begun chan struct{} // closed when the first timetable is about to be active
	begin sync.Once
}

// reader is one open stream of frame sets, or of estimates of motion, of which one is made of every frame set.
type reader struct {
	grpc.ClientStream
	gate     *gate
	begun    bool
	waiting  bool
	received uint64   // and, of estimates, dropped
	dropped  uint64   // of them, as was told last
	tasks    []string // that were asked for; none are all
	named    bool     // as one that nobody reads
}

func newGate() *gate {
	return &gate{moved: make(chan struct{}, 1), readers: map[*reader]bool{}, begun: make(chan struct{})}
}

// change changes the gate and has it checked again.
func (g *gate) change(f func()) {
	g.mu.Lock()
	f()
	g.mu.Unlock()
	select {
	case g.moved <- struct{}{}:
	default: // a token is there already
	}
}

// hold is the server's pacer: it returns when bus time may move on.
func (g *gate) hold(ctx context.Context, hub *stream.Hub, at time.Duration) {
	g.begin.Do(func() { close(g.begun) })
	moved := hub.Moved() // before the first look: nothing that moves later is missed
	unread := time.NewTicker(g.unread)
	defer unread.Stop()
	for {
		open, patient := g.look(hub, at)
		if open {
			return
		}
		var late <-chan time.Time
		if patient {
			late = time.After(answerWait)
		}
		select {
		case <-ctx.Done():
			return
		case <-g.moved:
		case <-moved:
		case <-late:
			return
		case <-unread.C:
			g.nameUnread(at)
		}
	}
}

// look reports whether bus time may move on now, or after some waiting.
func (g *gate) look(hub *stream.Hub, at time.Duration) (open, patient bool) {
	subscribed, queued, taken := hub.Flow()
	g.mu.Lock()
	defer g.mu.Unlock()
	g.at = at
	if at < g.until {
		return true, false
	}
	if g.reached != nil {
		close(g.reached)
		g.reached = nil
	}
	var received uint64
	all := len(g.readers) > 0 && len(g.readers) == subscribed && queued == 0
	for r := range g.readers {
		received += r.received
		all = all && r.waiting
	}
	return all && received == taken, g.calls > 0
}

// nameUnread names streams that nobody has read for a while, as another waits.
func (g *gate) nameUnread(at time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	waits := false
	for r := range g.readers {
		waits = waits || r.waiting
	}
	for r := range g.readers {
		if waits && !r.waiting && !r.named {
			r.named = true
			of := "all tasks"
			if len(r.tasks) > 0 {
				of = strings.Join(r.tasks, ", ")
			}
			g.warn(fmt.Sprintf("bus time stands still at %v: nobody reads the stream of %s, and another one waits", at,
				of))
		}
	}
}

// advance lets bus time move to until, however long that takes up to limit of host time.
func (g *gate) advance(until time.Duration, limit time.Duration) error {
	reached := make(chan struct{})
	g.change(func() { g.until, g.reached = until, reached })
	timeout := time.NewTimer(limit)
	defer timeout.Stop()
	select {
	case <-reached:
		return nil
	case <-timeout.C:
		g.mu.Lock()
		defer g.mu.Unlock()
		g.reached = nil
		return errStands(until, g.at)
	}
}

// needsBus reports whether a method waits for bus time. Those that only read do not, nor those that set what is around
// the array.
func needsBus(method string) bool {
	name := method[strings.LastIndexByte(method, '/')+1:]
	for _, looks := range []string{"Get", "List", "Compute", "Preview", "Watch", "Stream", "Follow",
		"Wait", "Check", "SetScene", "SetPose",
		"ServerReflection"} {
		if strings.HasPrefix(name, looks) {
			return false
		}
	}
	return true
}

func (g *gate) unary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker,
	opts ...grpc.CallOption) error {
	if needsBus(method) {
		g.change(func() { g.calls++ })
		defer g.change(func() { g.calls-- })
	}
	return invoke(ctx, method, req, reply, cc, opts...)
}

func (g *gate) stream(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string,
	open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	s, err := open(ctx, desc, cc, method, opts...)
	switch {
	case err != nil:
		return nil, err
	case method == facetdv1.FrameService_FollowFrameSets_FullMethodName,
		method == facetdv1.MotionService_StreamMotion_FullMethodName:
		r := &reader{ClientStream: s, gate: g}
		g.change(func() { g.readers[r] = true })
		context.AfterFunc(s.Context(), r.gone)
		return r, nil
	case needsBus(method):
		g.change(func() { g.calls++ })
		context.AfterFunc(s.Context(), func() { g.change(func() { g.calls-- }) })
	}
	return s, nil
}

// SendMsg notes what is asked for.
func (r *reader) SendMsg(m any) error {
	switch request := m.(type) {
	case *facetdv1.FollowFrameSetsRequest:
		if request.GetStart() != nil {
			r.gate.change(func() { r.tasks = request.GetStart().GetSelection().GetTasks() })
		}
	case *facetdv1.StreamMotionRequest:
		if request.GetStart() != nil {
			r.gate.change(func() { r.tasks = request.GetStart().GetTasks() })
		}
	}
	return r.ClientStream.SendMsg(m)
}

// RecvMsg waits for the next message; bus time may move meanwhile, once the stream has begun: what ends before is
// not sent.
func (r *reader) RecvMsg(m any) error {
	r.gate.change(func() { r.waiting = r.begun })
	err := r.ClientStream.RecvMsg(m)
	r.gate.change(func() {
		r.waiting, r.begun = false, true
		if err == nil {
			r.count(m)
		}
	})
	if err != nil {
		r.gone()
	}
	return err
}

// count notes what came.
func (r *reader) count(m any) {
	switch got := m.(type) {
	case *facetdv1.FollowFrameSetsResponse:
		if got.GetDelivery() != nil {
			r.received++
		}
	case *facetdv1.StreamMotionResponse:
		if d := got.GetDelivery(); d != nil {
			r.received += 1 + d.GetDroppedTotal() - r.dropped
			r.dropped = d.GetDroppedTotal()
		}
	}
}

// gone forgets a stream that ended.
func (r *reader) gone() { r.gate.change(func() { delete(r.gate.readers, r) }) }
