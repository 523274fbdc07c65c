package bridge

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
)

// stuck is a connection that takes nothing any more from some time on, until it is closed.
type stuck struct {
	link.Conn
	is     atomic.Bool
	tried  chan struct{} // holds a token once something was to be sent that it does not take
	closed chan struct{}
}

func (s *stuck) Send(f *wire.Frame) error {
	if !s.is.Load() {
		return s.Conn.Send(f)
	}
	select {
	case s.tried <- struct{}{}:
	default:
	}
	<-s.closed
	return errors.New("closed")
}

func (s *stuck) Close() error {
	select {
	case <-s.closed:
	default:
		close(s.closed)
	}
	return s.Conn.Close()
}

// TestALinkThatTakesNothing: a link that blocks who writes to it holds up nobody but that one: what is asked of the bus
// meanwhile is answered at once, a release ends with its context, and so does the bus.
func TestALinkThatTakesNothing(t *testing.T) {
	t.Parallel()
	a := bustest.MustLinearArray()
	r := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: light(t)})
	dial(t, r.Address).Close() // it listens
	conn, err := link.Dial(t.Context(), r.Address, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	slow := &stuck{Conn: conn, tried: make(chan struct{}, 1), closed: make(chan struct{})}
	s := newSession(slow, r.Address, ownProcess())
	if err := during(t.Context(), slow, time.Now().Add(time.Minute), s.hello); err != nil {
		t.Fatal(err)
	}
	on, err := a.OnGrain(time.Duration(s.welcome.TickNs))
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(t.Context(), Config{Device: &Device{r.Address, ownProcess(), s, on.Grain()}, Array: on,
		Lease: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	all := programs(on)
	if err := b.Prepare(t.Context(), all); err != nil {
		t.Fatal(err)
	}
	slow.is.Store(true)
	submit := func() error {
		return b.Submit(on.UpTime(b.Now().Add(time.Second)), &bus.Segment{Job: &bus.Job{Segments: 1}, Program: all[0]})
	}
	go func() { _ = submit() }() // who may have to wait, as it was
	<-slow.tried
	answered := make(chan error, 1)
	go func() {
		b.Link()
		b.Status()
		b.HostTime(b.Now())
		err := submit()
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		if _, late := b.Release(ctx); !errors.Is(late, context.DeadlineExceeded) {
			err = errors.Join(err, errors.New("the release has ended"), late)
		}
		answered <- err
	}()
	select {
	case err := <-answered:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(30 * time.Second): // as long as anybody would wait
		t.Error("the bus does not answer while its link takes nothing")
	}
	s.fail(errors.New("given up")) // as the bus does with a device that is silent
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}
