package bridge

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"facetd.example/bus/bridge/link"
	"facetd.example/bus/bridge/wire"
)

// Causes of a loss.
var (
	// ErrSilent: nothing was heard of the device for as long as its lease.
	ErrSilent = errors.New("nothing was heard of the device for too long")
	errEnded  = errors.New("the session was ended")
)

// RebootedError says that the device began anew.
type RebootedError struct{ Was, Is uint32 }

func (e *RebootedError) Error() string {
	return fmt.Sprintf("the device began anew: its boot was %08x and is %08x", e.Was, e.Is)
}

// SafeError says that the device is in its safe state, with every line inactive, and why.
type SafeError struct {
	Why uint8
	// Outside are the readings that are outside their limits, for people; "" where none is known.
	Outside string
}

func (e *SafeError) Error() string {
	why := fmt.Sprintf("cause %d", e.Why)
	if int(e.Why) < len(safeCauses) {
		why = safeCauses[e.Why]
	}
	if e.Outside != "" {
		why += " (" + e.Outside + ")"
	}
	return "the device has made every line inactive: " + why
}

var safeCauses = []string{"it has just begun", "it did not hear its host for the lease", "the link was reset",
	"another host has taken it over", "a fault of the board", "its stop input is active",
	"a supply, current or temperature is outside its limits"}

// VersionError says that a device speaks another version of the protocol than this host needs.
type VersionError struct {
	Address      string
	Device, Host Version
}

// Version is a version of the protocol. Another major version is not understood; a minor one only adds.
type Version struct{ Major, Minor uint16 }

func (v Version) String() string { return fmt.Sprintf("%d.%d", v.Major, v.Minor) }

func (e *VersionError) Error() string {
	missing := "nothing of it is understood"
	if e.Device.Major == e.Host.Major {
		missing = fmt.Sprintf("it lacks what version %v has added", e.Host)
		switch e.Host.Minor {
		case wire.MinorPins:
			missing = "it cannot be told which pins are wired to what, as the array file's device section says"
		case wire.MinorSync:
			missing = "it knows nothing of device.mark and device.inputs of the array file"
		}
	}
	return fmt.Sprintf("the device at %s speaks version %v of the protocol, and this daemon needs %v: %s; install the "+
		"firmware that belongs to this daemon", e.Address, e.Device, e.Host, missing)
}

// InUseError says that another host uses a device, or has taken it over.
type InUseError struct {
	Address string
	Holder  string
	// Heard is how long ago the device heard of it.
	Heard time.Duration
	Taken bool
}

func (e *InUseError) Error() string {
	if e.Taken {
		return fmt.Sprintf("%s has taken the device at %s over", e.Holder, e.Address)
	}
	return fmt.Sprintf("the device at %s is in use by %s, which it heard %v ago: end that one, or take the device "+
		"over with --take-over", e.Address, e.Holder, e.Heard.Round(time.Millisecond))
}

// host is who this process is to devices: others are refused while it uses one, and told its name.
type host struct {
	owner    uint64
	name     [32]uint8
	version  Version
	needs    uint16 // the least minor version of a device
	takeOver bool
	dial     func(ctx context.Context, address string, within time.Duration) (link.Conn, error)
}

// ownProcess is this process.
var ownProcess = sync.OnceValue(func() host {
	h := host{owner: rand.Uint64(), version: Version{wire.Major, wire.Minor}, dial: link.Dial}
	name, err := os.Hostname()
	if err != nil {
		name = "a host without a name"
	}
	copy(h.name[:], fmt.Sprintf("%.20s, pid %d", name, os.Getpid()))
	return h
})

// session is one connection to a device, from its handshake to its end.
type session struct {
	conn    link.Conn
	address string
	host    host
	number  uint32
	began   time.Time
	welcome wire.Welcome
	boot    uint32
	held    []wire.Reply // programs from before
	aside   [][]byte     // readings that have come before the device was configured
	take    func(f *wire.Frame)
	gone    func(error) // is called once, when the session has ended by itself

	sending  sync.Mutex
	delivery *link.Delivery
	urgent   []wire.Frame // without a number, which the pump sends next; at most one of a kind
	greeted  bool
	broken   error // why nothing could be sent
	wake     chan struct{}

	once  sync.Once
	end   chan struct{}
	after sync.WaitGroup
}

// handshakeTime is how long a device may take to answer a Hello.
const handshakeTime = 5 * time.Second

// most is the longest that a device may need to make a run ready or to release its lines, in nanoseconds: beyond, what
// answers is no device.
const most = uint64(time.Minute)

// askAgain is how long a Hello waits for its answer before it is sent again, on a link that may lose it.
const askAgain = 100 * time.Millisecond

// greet connects to a device and shakes hands. Errors: the connection's, *VersionError, *InUseError.
func greet(ctx context.Context, address string, as host) (*session, error) {
	conn, err := as.dial(ctx, address, handshakeTime)
	if err != nil {
		return nil, err
	}
	s := newSession(conn, address, as)
	deadline := time.Now().Add(handshakeTime)
	if d, set := ctx.Deadline(); set && d.Before(deadline) {
		deadline = d
	}
	if err := during(ctx, conn, deadline, s.hello); err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

func newSession(conn link.Conn, address string, as host) *session {
	number := rand.Uint32() | 1
	s := &session{conn: conn, address: address, host: as, number: number, began: time.Now(),
		delivery: link.NewDelivery(number, conn.Lossy()), wake: make(chan struct{}, 1), end: make(chan struct{})}
	s.after.Go(s.pump)
	return s
}

// during does something with a connection until a deadline, or until ctx ends. Errors: what it returns, ctx's.
func during(ctx context.Context, conn link.Conn, deadline time.Time, do func() error) error {
	if err := conn.SetReadDeadline(deadline); err != nil {
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
func (s *session) hello() error {
	s.sayHello()
	f, err := s.next()
	if err != nil {
		return err
	}
	if f.Type != wire.TypeWelcome {
		return fmt.Errorf("what answers at %s is no device: it began with a message of type %d", s.address, f.Type)
	}
	w := &s.welcome
	if _, err := wire.Take(f.Payload, w); err != nil {
		return err
	}
	if w.Major != s.host.version.Major || w.Minor < s.host.needs {
		return s.versionError(w.Major, w.Minor)
	}
	if w.TickNs == 0 || w.Queue == 0 || w.Programs == 0 || f.Boot == 0 ||
		max(w.Ready, w.Release) > most/uint64(w.TickNs) || w.Now > math.MaxInt64/2/uint64(w.TickNs) {
		return fmt.Errorf("the device at %s says impossible things of itself: %+v", s.address, *w)
	}
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

func (s *session) versionError(major, minor uint16) error {
	need := Version{s.host.version.Major, s.host.needs}
	return &VersionError{s.address, Version{major, minor}, need}
}

func (s *session) sayHello() {
	m := wire.Hello{Major: s.host.version.Major, Minor: s.host.version.Minor, Window: wire.MaxWindow,
		Owner: s.host.owner,
		Name:  s.host.name}
	if s.host.takeOver {
		m.TakeOver = 1
	}
	s.atOnce(wire.TypeHello, wire.Append(nil, m))
}

// refused is the error of a device that cannot be had.
func (s *session) refused(payload []byte) error {
	var m wire.Refused
	if _, err := wire.Take(payload, &m); err != nil {
		return err
	}
	if m.Code == wire.RefusedVersion {
		return s.versionError(m.Major, m.Minor)
	}
	return &InUseError{Address: s.address, Holder: printable(m.Holder[:]),
		Heard: time.Duration(min(m.HeardUs, math.MaxInt64/1000)) * time.Microsecond, Taken: m.Code == wire.RefusedTaken}
}

// next reads the next message of the session.
func (s *session) next() (*wire.Frame, error) {
	for {
		s.sending.Lock()
		f := s.delivery.Next()
		s.sending.Unlock()
		if f != nil {
			return f, nil
		}
		g, err := s.conn.Receive()
		if err != nil {
			s.sending.Lock()
			defer s.sending.Unlock()
			return nil, errors.Join(s.broken, err)
		}
		f = &g
		switch {
		case f.Session != s.number: // of who was there before
			continue
		case f.Version != wire.Major && f.Type != wire.TypeRefused:
			return nil, fmt.Errorf("a frame of version %d of the protocol", f.Version)
		case f.Type == wire.TypeRefused:
			return nil, s.refused(f.Payload)
		case s.boot != 0 && f.Boot != s.boot:
			return nil, &RebootedError{s.boot, f.Boot}
		}
		s.sending.Lock()
		if s.boot == 0 && f.Type == wire.TypeWelcome {
			var w wire.Welcome
			if _, err := wire.Take(f.Payload, &w); err == nil {
				s.boot, s.greeted = f.Boot, true
				s.delivery.Welcome(f.Boot, int(w.Window))
			}
		}
		s.delivery.Take(f, time.Since(s.began))
		s.sending.Unlock()
		s.nudge()
		if !link.Numbered(f.Type) && f.Type != wire.TypeAck {
			return f, nil
		}
	}
}

// send sends a message.
func (s *session) send(kind uint8, payload []byte) error {
	_, err := s.sendNumbered(kind, payload)
	return err
}

// mostWaiting is how many messages may wait for the link, and for the device to take those before them. A device on
// which more wait does not work: its session ends, and is counted as a loss, with those messages.
const mostWaiting = 4096

// errFull is the error of a device that takes no messages.
var errFull = errors.New("the device does not take what it is sent")

// sendNumbered has a message sent and returns its number, by which its answer is known. It does not wait for the link.
// Errors: errFull, and why nothing could be sent before.
func (s *session) sendNumbered(kind uint8, payload []byte) (uint32, error) {
	s.sending.Lock()
	defer s.sending.Unlock()
	if s.broken != nil {
		return 0, s.broken
	}
	if s.delivery.Waiting() >= mostWaiting {
		return 0, errFull
	}
	defer s.nudge()
	return s.delivery.Send(kind, payload), nil
}

// atOnce has a message sent that has no number, and may be lost, before those that wait with one. Where one of its kind
// waits still, it takes the place of that: what such a message says is true of now alone.
func (s *session) atOnce(kind uint8, payload []byte) {
	s.sending.Lock()
	defer s.sending.Unlock()
	defer s.nudge()
	f := s.delivery.AtOnce(kind, payload)
	for i := range s.urgent {
		if s.urgent[i].Type == kind {
			s.urgent[i] = f
			return
		}
	}
	s.urgent = append(s.urgent, f)
}

// nudge has the pump look at what is due.
func (s *session) nudge() {
	select {
	case s.wake <- struct{}{}:
	default: // it will look anyhow
	}
}

// due takes out the next frame that is to be sent; batch are those that are, behind what is urgent.
func (s *session) due(batch []wire.Frame) (next *wire.Frame, rest []wire.Frame) {
	s.sending.Lock()
	defer s.sending.Unlock()
	if len(s.urgent) > 0 {
		f := s.urgent[0]
		s.urgent = s.urgent[1:]
		return &f, batch
	}
	if len(batch) == 0 {
		batch = s.delivery.Due(batch, time.Since(s.began))
	}
	if len(batch) == 0 {
		return nil, nil
	}
	return &batch[0], batch[1:]
}

// flush sends what is due. It is the pump's alone: a link that takes its time holds up nobody else.
func (s *session) flush() error {
	var batch []wire.Frame
	drainer, drains := s.conn.(link.Drainer)
	for {
		if drains { // what is urgent overtakes what is not on its way
			drainer.Drain()
		}
		var next *wire.Frame
		if next, batch = s.due(batch); next == nil {
			return nil
		}
		if err := s.conn.Send(next); err != nil {
			return err
		}
	}
}

// pump sends what is to be sent: messages, acknowledgements, what the device did not get, and Hello until it is
// answered. A link that cannot be sent over any more is closed, and whoever reads from it tells.
func (s *session) pump() {
	t := time.NewTimer(0)
	defer t.Stop()
	asked := time.Now() // with Hello, for the last time
	for {
		if err := s.flush(); err != nil {
			s.sending.Lock()
			s.broken = err
			s.sending.Unlock()
			_ = s.conn.Close() // who reads tells
			return
		}
		s.sending.Lock()
		wait, greeted := s.delivery.Wait(time.Since(s.began)), s.greeted
		s.sending.Unlock()
		if !greeted && s.conn.Lossy() {
			wait = min(wait, askAgain-time.Since(asked))
		}
		t.Reset(min(max(wait, 0), time.Hour))
		select {
		case <-s.end:
			return
		case <-s.wake:
		case <-t.C:
		}
		if !greeted && s.conn.Lossy() && time.Since(asked) >= askAgain {
			asked = time.Now()
			s.sayHello()
		}
	}
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
