package bridge

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

const (
	// DefaultLease is for how long a device goes on without hearing of its host, where nothing else is said.
	DefaultLease = time.Second
	// beats is how often in a lease the device hears of its host, and is asked for its time.
	beats = 10
	// lossyLink is what is allowed for beside that where messages may have to be sent again, twice.
	lossyLink = 60 * time.Millisecond
)

const (
	// emulatedLink is what is allowed for the way to a device whose time does not go as time does. It stands still some
	// milliseconds of its own after it has heard of its host.
	emulatedLink = 20 * time.Millisecond
	// emulatedSilence is how long such a device may be silent.
	emulatedSilence = 30 * time.Second
)

// Device is a device that has answered.
type Device struct {
	address string
	as      host
	session *session
	tick    time.Duration
}

// Dialer connects to devices.
type Dialer struct {
	// TakeOver takes a device from another host that uses it.
	TakeOver bool
	// Link makes a connection to an address, then and whenever the device was lost; nil is link.Dial.
	Link func(ctx context.Context, address string, within time.Duration) (link.Conn, error)
}

// Dial connects to a device at an address of link.Form and shakes hands, as a Dialer does.
func Dial(ctx context.Context, address string, takeOver bool) (*Device, error) {
	return Dialer{TakeOver: takeOver}.Dial(ctx, address)
}

// Dial connects to a device and shakes hands. Errors: the connection's, *VersionError, and *InUseError where another
// host uses the device. Close it, or the bus that it is given to.
func (d Dialer) Dial(ctx context.Context, address string) (*Device, error) {
	as := ownProcess()
	if d.Link != nil {
		as.dial = d.Link
	}
	first := as
	first.takeOver = d.TakeOver
	s, err := greetPatiently(ctx, address, first)
	if err != nil {
		return nil, err
	}
	return &Device{address, as, s, time.Duration(s.welcome.TickNs)}, nil
}

// Grain is the tick of the device's clock: the grain of its bus.
func (d *Device) Grain() time.Duration { return d.tick }

// Close hangs up.
func (d *Device) Close() { d.session.close() }

// Config is what a bus needs.
type Config struct {
	// Device drives the array; the bus closes it.
	Device *Device
	// Array is on the grain of the device.
	Array *chipmodel.Array
	// Lease is for how long the device goes on without hearing of this host; 0 is DefaultLease.
	Lease time.Duration
	// Untested says that an operator has named the array's board as one that may run it without its self-test.
	Untested bool
}

// Bus is the bus of a device. One goroutine owns it; Now, HostTime, Limits and Lost may be called from any.
type Bus struct {
	array     *chipmodel.Array
	address   string
	as        host
	limits    bus.Limits
	inspector *rules.Inspector
	clock     *clock
	news      chan struct{} // holds a token when something came from the device
	lost      chan error
	chips     chipsSeen // of the owner
	first     wire.Welcome
	untested  bool          // an operator has allowed that
	trip      time.Duration // round trip that the limits allow for

	connecting sync.Mutex // is held by who connects again, and taken before mu

	mu       sync.Mutex
	session  *session
	boot     uint32
	counted  LinkCounters // of sessions that are over
	cut      *bus.LostError
	heard    time.Time
	silence  time.Duration // after so long without a word the device is lost
	closed   bool
	testing  bool  // the device tests itself
	refusal  error // why the device is left alone until again
	again    time.Time
	ids      uint32
	taken    uint32 // id of the last result that was taken
	flights  []*flight
	programs map[*bus.Program]*compiled
	held     map[[16]byte]uint16       // programs on the device
	asked    uint32                    // the number of what was asked last
	reply    *wire.Reply               // to that
	released map[uint32]*wire.Released // by those that are waited for; nil where it has not come
	releases uint32                    // id of the last; apart from those of runs, which leave it behind
	record   record
	edges    func(bus.Edge) // is told of them; nil before anybody wants it
	// missed are edges by input that were not told in the sessions before this one, and missing in this one.
	missed, missing [wire.MaxInputs]uint64
}

var _ bus.BusCloser = (*Bus)(nil)

// New configures a device for an array. Errors: an array that the device cannot drive, the connection's. The device is
// then closed.
func New(ctx context.Context, cfg Config) (*Bus, error) {
	d := cfg.Device
	w := &d.session.welcome
	b := &Bus{
		array: cfg.Array, address: d.address, as: d.as, inspector: rules.NewInspector(cfg.Array),
		clock: newClock(d.tick),
		news:  make(chan struct{}, 1), lost: make(chan error, 1), boot: d.session.boot,
		programs: map[*bus.Program]*compiled{}, released: map[uint32]*wire.Released{},
		chips: newChipsSeen(cfg.Array), first: *w, untested: cfg.Untested, record: record{least: bus.NoSlack},
	}
	emulated := w.Emulated != 0
	b.clock.follow(emulated)
	err := b.fits(w)
	if err == nil {
		b.limits = bus.Limits{Grain: d.tick, Queue: int(w.Queue), StoreBytes: int(w.Store),
			Release: b.duration(w.Release), Lease: cfg.Lease}
		if b.limits.Lease == 0 {
			b.limits.Lease = DefaultLease
		}
		b.silence = b.limits.Lease
		if emulated {
			b.silence = emulatedSilence
		}
		err = b.attach(ctx, d.session)
		if errors.As(err, new(*UntestedError)) { // it is there, and away until it has passed
			d.Close()
			b.cut, b.record.since, b.record.lastLoss = &bus.LostError{Cause: err}, time.Now(), err
			b.leaveAlone(err)
			b.lost <- err
			err = nil
		}
	}
	if err != nil {
		d.Close()
		return nil, err
	}
	way := max(tripsOfLink*b.trip, leastLink)
	if emulated {
		way = emulatedLink
	}
	if d.session.conn.Lossy() {
		way += lossyLink
	}
	b.limits.LeastLead, b.limits.ResultLatency = b.array.Up(b.duration(w.Ready)+way), way
	b.limits.EdgeLatency = b.limits.LeastLead // of which Ready has the time that the core may be kept from running
	return b, nil
}

// duration is a number of ticks as a time.
func (b *Bus) duration(ticks uint64) time.Duration { return time.Duration(ticks) * b.clock.tick }

// fits reports why a device cannot drive the array.
func (b *Bus) fits(w *wire.Welcome) error {
	a := b.array
	switch {
	case a.Grain() != b.clock.tick:
		return fmt.Errorf("the clock of the device has a tick of %v, and the array is on a grain of %v", b.clock.tick,
			a.Grain())
	case a.Device != nil && w.Minor < wire.MinorPins:
		return &VersionError{b.address, Version{w.Major, w.Minor}, Version{wire.Major, wire.MinorPins}}
	case a.Device.Synchronized() && w.Minor < wire.MinorSync:
		return &VersionError{b.address, Version{w.Major, w.Minor}, Version{wire.Major, wire.MinorSync}}
	case len(a.Lines) > int(w.Lines) || len(a.Lanes) > int(w.Lanes):
		return fmt.Errorf("the device drives %d lines and converts %d lanes, and the array has %d and %d", w.Lines,
			w.Lanes, len(a.Lines), len(a.Lanes))
	case b.duration(w.Release) > a.Timing.ReleaseLimit:
		return fmt.Errorf("the device needs %v to make every line inactive, and the array's release_limit is %v",
			b.duration(w.Release), a.Timing.ReleaseLimit)
	}
	return nil
}

// attach configures a device that has shaken hands, learns its clock and begins to hear it.
func (b *Bus) attach(ctx context.Context, s *session) error {
	deadline := time.Now().Add(handshakeTime)
	if d, set := ctx.Deadline(); set && d.Before(deadline) {
		deadline = d
	}
	if err := during(ctx, s.conn, deadline, func() error { return b.configure(s) }); err != nil {
		return err
	}
	b.mu.Lock()
	b.record.opened(s)
	for i, n := range b.missing { // which a device counts anew in every session
		b.missed[i] += n
	}
	b.missing = [wire.MaxInputs]uint64{}
	b.session, b.cut, b.heard = s, nil, time.Now()
	b.clock.follow(s.welcome.Emulated != 0)
	b.held = map[[16]byte]uint16{}
	for _, r := range s.held {
		b.held[r.Hash] = r.Index
	}
	b.mu.Unlock()
	s.run(func(f *wire.Frame) { b.take(s, f) }, func(err error) { b.lose(s, err) }, b.limits.Lease/beats,
		func() { b.beat(s) })
	return nil
}

// configure asks for the time some times, says which pins are wired to what, and then ends the device's safe state.
func (b *Bus) configure(s *session) error {
	if s.boot != b.boot {
		b.boot = s.boot
		// It has been running for a while, which is no part of the bus time.
		b.clock.restart(b.array.UpTime(b.clock.Now()).Add(-b.duration(s.welcome.Now)))
	}
	if err := b.learnClock(s); err != nil {
		return err
	}
	lease := b.clock.ticksOf(b.limits.Lease)
	lease -= min(s.welcome.Ready, lease/2) // it looks at its clock that often
	if err := b.tellPins(s); err != nil {
		return err
	}
	if err := b.tellSync(s); err != nil {
		return err
	}
	what := uint8(wire.TestTell)
	if b.untested {
		what = wire.TestSkip
	}
	test, err := b.askTest(s, what)
	if err != nil {
		return err
	}
	b.mu.Lock()
	if before := b.record.test; before.Outputs > 0 && before.Passed == test.Passed { // what was found stands
		test.Outputs, test.Unwired = before.Outputs, before.Unwired
		test.Worst, test.Failure = before.Worst, before.Failure
	}
	b.record.test = test
	if b.record.welcome = s.welcome; b.record.counters.Sessions == 0 { // which tell of reboots
		b.record.boot = s.boot
	}
	b.mu.Unlock()
	r, err := s.ask(wire.TypeConfig, wire.Append(nil, wire.Config{Lease: lease, Lines: uint8(len(b.array.Lines)),
		Lanes: uint8(len(b.array.Lanes))}))
	if err != nil {
		return err
	}
	outside, err := b.takeAside(s)
	switch {
	case err != nil:
		return err
	case r.Code == wire.ReplyHazard && outside != "":
		return fmt.Errorf("%w (%s)", errHazard, outside)
	case r.Code == wire.ReplyHazard:
		return errHazard
	case r.Code == wire.ReplyPins:
		return &PinsError{Why: uint8(r.Detail)}
	case r.Code == wire.ReplyUntested:
		return &UntestedError{Board: b.board()}
	case r.Code != wire.ReplyOK:
		return fmt.Errorf("the device refuses its configuration (code %d)", r.Code)
	}
	return nil
}

// takeAside takes the readings that a session has put aside, and says which are outside their limits.
func (b *Bus) takeAside(s *session) (outside string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.record.readings = nil // another board may have others
	for _, payload := range s.aside {
		if err := b.record.takeReading(payload); err != nil {
			return "", err
		}
	}
	s.aside = nil
	return b.record.outside(), nil
}

// board is the name of the board in the array file; "" where that has none.
func (b *Bus) board() string {
	if b.array.Device == nil {
		return ""
	}
	return b.array.Device.Board
}

// errHazard is the error of a device that keeps its lines inactive.
var errHazard = errors.New("the device keeps every line inactive: its stop input is active, or a supply, current or " +
	"temperature is outside its limits")

// take takes what the device says, on the goroutine of its session.
func (b *Bus) take(s *session, f *wire.Frame) {
	var tell func() // of an edge, without the lock
	defer func() {
		if tell != nil {
			tell()
		}
	}()
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.session != s {
		return
	}
	b.heard = time.Now()
	b.record.counters.Received++
	var err error
	switch f.Type {
	case wire.TypeClock:
		var c wire.Clock
		if _, err = wire.Take(f.Payload, &c); err == nil {
			b.clock.answered(c.Token, c.Now)
		}
		if b.clock.isLast(c.Token) { // at once again: its time goes on only while it hears of its host
			s.atOnce(wire.TypeAlive, wire.Append(nil, wire.Alive{Token: b.clock.ask()}))
		}
		return
	case wire.TypeData:
		err = b.takeData(f.Payload)
	case wire.TypeTimes:
		err = b.takeTimes(f.Payload)
	case wire.TypeResult:
		err = b.takeResult(f.Payload)
	case wire.TypeReply:
		err = b.takeReply(f)
	case wire.TypeReleased:
		var r wire.Released
		_, err = wire.Take(f.Payload, &r)
		if _, waited := b.released[r.Id]; waited && err == nil {
			b.released[r.Id] = &r
		}
	case wire.TypeReading:
		err = b.record.takeReading(f.Payload)
	case wire.TypeEdge:
		tell, err = b.takeEdge(f.Payload)
	case wire.TypeMissed:
		tell, err = b.takeMissed(f.Payload)
	case wire.TypeSafe:
		var m wire.Safe
		if _, err = wire.Take(f.Payload, &m); err == nil {
			err = &SafeError{Why: m.Why}
			if m.Why == wire.SafeLimit {
				err = &SafeError{m.Why, b.record.outside()}
			}
		}
	}
	if err != nil {
		go s.fail(err) // which takes the lock
	}
	b.notify()
}

func (b *Bus) notify() {
	select {
	case b.news <- struct{}{}:
	default: // a token is there already
	}
}

// beat lets the device hear of its host, asks for its time, and notices a device that is silent.
func (b *Bus) beat(s *session) {
	b.mu.Lock()
	silent := b.session == s && time.Since(b.heard) > b.silence
	b.record.counters.Sent++
	b.mu.Unlock()
	if silent {
		s.fail(ErrSilent)
		return
	}
	s.atOnce(wire.TypeAlive, wire.Append(nil, wire.Alive{Token: b.clock.ask()}))
}

// lose says that a session has ended by itself: what was in flight has failed.
func (b *Bus) lose(s *session, cause error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.session != s || b.closed {
		return
	}
	b.counted.ended(s)
	b.clock.follow(false) // it does not tell any more
	b.session, b.cut = nil, &bus.LostError{Cause: cause}
	b.record.lost(cause)
	for _, f := range b.flights {
		if f.result == nil && f.err == nil {
			f.err = b.cut
			b.record.counters.Lost++
		}
	}
	b.notify()
	select {
	case b.lost <- cause:
	default: // the loss before it was not heard of yet
	}
}

// await waits until something has come from the device. Errors: ctx's, *bus.LostError.
func (b *Bus) await(ctx context.Context, came func() bool) error {
	for {
		b.mu.Lock()
		done, cut := came(), b.cut
		b.mu.Unlock()
		switch {
		case done:
			return nil
		case cut != nil:
			return cut
		}
		select {
		case <-b.news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// send sends a message in the session that there is. A session that cannot be sent in is lost. The caller holds mu.
func (b *Bus) send(kind uint8, payload []byte) error {
	_, err := b.sendNumbered(kind, payload)
	return err
}

// sendNumbered is send, and returns the message's number.
func (b *Bus) sendNumbered(kind uint8, payload []byte) (uint32, error) {
	s := b.session
	if s == nil {
		return 0, b.cut
	}
	b.record.counters.Sent++
	number, err := s.sendNumbered(kind, payload)
	if err != nil {
		go s.fail(err) // which takes the lock
		return 0, &bus.LostError{Cause: err}
	}
	return number, nil
}

// Now returns the time of the device's clock, as far as it is known.
func (b *Bus) Now() bus.Time { return b.clock.Now() }

// HostTime maps bus time to host time. It is off by half of the least round trips, and the drift since.
func (b *Bus) HostTime(at bus.Time) (time.Time, time.Duration) { return b.clock.host(at) }

// Limits returns what the device can do, the way to it included.
func (b *Bus) Limits() bus.Limits { return b.limits }

// LinkCounters count what the link of a bus has met, over all its sessions.
type LinkCounters struct {
	link.Counters
	// Spoiled packets came with another CRC, or none.
	Spoiled uint64
	// Unacknowledged messages were on their way when a session ended: whether they arrived is not known.
	Unacknowledged uint64
}

// Link returns what the link has met.
func (b *Bus) Link() LinkCounters {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.link()
}

// link is Link; the caller holds mu.
func (b *Bus) link() LinkCounters {
	c := b.counted
	if b.session != nil {
		c.add(b.session)
	}
	return c
}

// ended adds a session that is over.
func (c *LinkCounters) ended(s *session) {
	c.add(s)
	s.sending.Lock()
	defer s.sending.Unlock()
	c.Unacknowledged += uint64(s.delivery.Waiting())
}

func (c *LinkCounters) add(s *session) {
	s.sending.Lock()
	defer s.sending.Unlock()
	n := s.delivery.Counters()
	c.Sent, c.Taken, c.Resent = c.Sent+n.Sent, c.Taken+n.Taken, c.Resent+n.Resent
	c.Doubled, c.Ahead, c.Spoiled = c.Doubled+n.Doubled, c.Ahead+n.Ahead, c.Spoiled+s.conn.Spoiled()
}

// Lost returns the channel on which losses are told.
func (b *Bus) Lost() <-chan error { return b.lost }

// Inspector returns the inspector that judges the bus, by the times that the device measured. It belongs to the
// goroutine that owns the bus.
func (b *Bus) Inspector() *rules.Inspector { return b.inspector }

// WaitUntil waits until the device's clock shows a bus time.
func (b *Bus) WaitUntil(ctx context.Context, at bus.Time) error { return b.clock.wait(ctx, at) }

// Cancel takes back what has not begun: what the device has not begun to make ready.
func (b *Bus) Cancel(after bus.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return bus.ErrClosed
	}
	return b.send(wire.TypeCancel, wire.Append(nil, wire.Cancel{After: b.clock.toDevice(after)}))
}

// Release has the device make every line inactive.
func (b *Bus) Release(ctx context.Context) (bus.Stop, error) {
	asked := b.Now()
	b.mu.Lock()
	if b.closed {
		b.mu.Unlock()
		return bus.Stop{Received: asked, Inactive: asked}, bus.ErrClosed
	}
	b.releases++
	id := b.releases
	b.released[id] = nil
	if s := b.session; s != nil && s.welcome.Minor >= wire.MinorStop { // it overtakes what waits, and may be lost
		s.atOnce(wire.TypeStop, wire.Append(nil, wire.Stop{Id: id}))
	}
	err := b.send(wire.TypeRelease, wire.Append(nil, wire.Release{Id: id}))
	b.mu.Unlock()
	var r *wire.Released
	if err == nil {
		err = b.await(ctx, func() bool { r = b.released[id]; return r != nil })
	}
	b.mu.Lock()
	delete(b.released, id)
	b.mu.Unlock()
	if err != nil {
		l := b.limits
		return bus.Stop{Received: asked, Inactive: asked.Add(l.Lease + l.Release)}, err
	}
	stop := bus.Stop{Received: b.clock.toBus(r.Received), Inactive: b.clock.toBus(r.Inactive), Confirmed: true}
	b.chips.released()
	b.inspector.Released(stop.Received, stop.Inactive)
	return stop, nil
}

// closeTime is how long a device may take to release its lines when the bus is closed; after that its lease does.
const closeTime = time.Second

// Close releases every line and hangs up.
func (b *Bus) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), closeTime)
	defer cancel()
	_, err := b.Release(ctx)
	if errors.Is(err, bus.ErrClosed) {
		return err
	}
	b.mu.Lock()
	s := b.session
	if s != nil {
		b.counted.ended(s)
	}
	b.closed, b.session = true, nil
	b.cut = &bus.LostError{Cause: errEnded}
	b.mu.Unlock()
	if s != nil {
		s.close()
	}
	if lost := (*bus.LostError)(nil); errors.As(err, &lost) {
		return nil // it has released them by itself
	}
	return err
}
