package bridge

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"sync"
	"time"

	"facetd.example/bus/bridge/wire"
)

// Causes of a loss.
var (
	// ErrSilent: nothing was heard of the device for as long as its lease.
	ErrSilent = errors.New("nothing was heard of the device for too long")
	// ErrFrames: frames of the device are missing.
	ErrFrames = errors.New("frames of the device were lost on the link")
	errEnded  = errors.New("the session was ended")
)

// RebootedError says that the device began anew.
type RebootedError struct{ Was, Is uint32 }

func (e *RebootedError) Error() string {
	return fmt.Sprintf("the device began anew: its boot was %08x and is %08x", e.Was, e.Is)
}

// SafeError says that the device is in its safe state, with every line inactive, and why.
type SafeError struct{ Why uint8 }

func (e *SafeError) Error() string {
	why := fmt.Sprintf("cause %d", e.Why)
	if int(e.Why) < len(safeCauses) {
		why = safeCauses[e.Why]
	}
	return "the device has made every line inactive: " + why
}

var safeCauses = []string{"it has just begun", "it did not hear its host for the lease", "the link was reset",
	"another host has taken it over", "a fault of the board", "frames of the host were lost on the link"}

// VersionError says that a device speaks another major version of the protocol.
type VersionError struct {
	Address      string
	Device, Host uint16
}

func (e *VersionError) Error() string {
	return fmt.Sprintf("the device at %s speaks version %d of the protocol, and this is version %d: install the "+
		"firmware that belongs to this daemon", e.Address, e.Device, e.Host)
}

// session is one connection to a device, from its handshake to its end.
type session struct {
	conn    net.Conn
	number  uint32
	welcome wire.Welcome
	boot    uint32
	held    []wire.Reply // programs from before
	take    func(f *wire.Frame)
	gone    func(error) // is called once, when the session has ended by itself

	sending  sync.Mutex
	sent     uint32
	received uint32 // by the reader alone

	once  sync.Once
	end   chan struct{}
	after sync.WaitGroup
}

// handshakeTime is how long a device may take to answer a Hello.
const handshakeTime = 5 * time.Second

// most is the longest that a device may need to make a run ready or to release its lines, in nanoseconds: beyond, what
// answers is no device.
const most = uint64(time.Minute)

// sendTime is how long the link may take to take a message. One that does not is broken: the device lets its host wait
// only while the host does not take what the device has.
const sendTime = time.Second

// greet connects to a device and shakes hands. Errors: the connection's, *VersionError.
func greet(ctx context.Context, address string) (*session, error) {
	conn, err := connect(ctx, address)
	if err != nil {
		return nil, err
	}
	s := &session{conn: conn, number: rand.Uint32() | 1, end: make(chan struct{})}
	deadline := time.Now().Add(handshakeTime)
	if d, set := ctx.Deadline(); set && d.Before(deadline) {
		deadline = d
	}
	if err := during(ctx, conn, deadline, func() error { return s.hello(address) }); err != nil {
		_ = conn.Close() // it has failed already
		return nil, err
	}
	return s, nil
}

// during does something with a connection until a deadline, or until ctx ends. Errors: what it returns, ctx's.
func during(ctx context.Context, conn net.Conn, deadline time.Time, do func() error) error {
	if err := conn.SetReadDeadline(deadline); err != nil { // each message that is sent sets the other
		return err
	}
	stop := context.AfterFunc(ctx, func() { _ = conn.SetReadDeadline(time.Unix(1, 0)) }) // do tells
	err := do()
	if !stop() {
		return errors.Join(ctx.Err(), err)
	}
	return errors.Join(err, conn.SetReadDeadline(time.Time{}))
}

// hello shakes hands and hears which programs the device has kept.
func (s *session) hello(address string) error {
	if err := s.send(wire.TypeHello, wire.Append(nil, wire.Hello{Major: wire.Major, Minor: wire.Minor})); err != nil {
		return err
	}
	f, err := s.next()
	if err != nil {
		return err
	}
	if f.Type == wire.TypeReply {
		var r wire.Reply
		if _, err := wire.Take(f.Payload, &r); err == nil && r.Code == wire.ReplyVersion {
			return &VersionError{address, uint16(r.Detail), wire.Major}
		}
	}
	if f.Type != wire.TypeWelcome {
		return fmt.Errorf("what answers at %s is no device: it began with a message of type %d", address, f.Type)
	}
	if _, err := wire.Take(f.Payload, &s.welcome); err != nil {
		return err
	}
	if s.welcome.Major != wire.Major {
		return &VersionError{address, s.welcome.Major, wire.Major}
	}
	if w := &s.welcome; w.TickNs == 0 || w.Queue == 0 || w.Programs == 0 || f.Boot == 0 ||
		max(w.Ready, w.Release) > most/uint64(w.TickNs) || w.Now > math.MaxInt64/2/uint64(w.TickNs) {
		return fmt.Errorf("the device at %s says impossible things of itself: %+v", address, *w)
	}
	s.boot = f.Boot
	for range s.welcome.Held {
		f, err := s.next()
		if err != nil {
			return err
		}
		var r wire.Reply
		if _, err := wire.Take(f.Payload, &r); err != nil {
			return err
		}
		s.held = append(s.held, r)
	}
	return nil
}

// next reads the next frame of the session.
func (s *session) next() (*wire.Frame, error) {
	for {
		f, err := wire.ReadStream(s.conn)
		if err != nil {
			return nil, err
		}
		switch {
		case f.Session != s.number: // of who was there before
			continue
		case f.Version != wire.Major:
			return nil, fmt.Errorf("a frame of version %d of the protocol", f.Version)
		case s.boot != 0 && f.Boot != s.boot:
			return nil, &RebootedError{s.boot, f.Boot}
		case f.Seq-s.received-1 > math.MaxUint32/2: // it came twice; numbers begin again at 0 behind the highest
			continue
		case f.Seq != s.received+1:
			return nil, ErrFrames
		}
		s.received = f.Seq
		return &f, nil
	}
}

// send sends a message.
func (s *session) send(kind uint8, payload []byte) error {
	_, err := s.sendNumbered(kind, payload)
	return err
}

// sendNumbered sends a message and returns its number, by which its answer is known.
func (s *session) sendNumbered(kind uint8, payload []byte) (uint32, error) {
	s.sending.Lock()
	defer s.sending.Unlock()
	s.sent++
	f := wire.Frame{Header: wire.Header{Type: kind, Session: s.number, Boot: s.boot, Seq: s.sent}, Payload: payload}
	if err := s.conn.SetWriteDeadline(time.Now().Add(sendTime)); err != nil {
		return s.sent, err
	}
	return s.sent, wire.WriteStream(s.conn, &f)
}

// run hears the device until the session ends, and calls beat again and again.
func (s *session) run(take func(*wire.Frame), gone func(error), every time.Duration, beat func()) {
	s.take, s.gone = take, gone
	s.after.Go(func() {
		for {
			f, err := s.next()
			if err != nil {
				s.fail(err)
				return
			}
			s.take(f)
		}
	})
	s.after.Go(func() {
		t := time.NewTicker(every)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				beat()
			case <-s.end:
				return
			}
		}
	})
}

// fail ends the session for a cause.
func (s *session) fail(cause error) {
	s.once.Do(func() {
		close(s.end)
		_ = s.conn.Close() // whatever it says, it is over
		s.gone(cause)
	})
}

// close ends the session and waits for its goroutines.
func (s *session) close() {
	s.once.Do(func() {
		close(s.end)
		_ = s.conn.Close() // whatever it says, it is over
	})
	s.after.Wait()
}
