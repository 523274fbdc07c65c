package bridge

import (
	"context"
	"errors"
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
)

// SelfTest is what is known of the self-test of a device, for its build and its pins.
type SelfTest struct {
	// Required says that the board runs no array before it has passed; Passed that it has, and Skipped that an operator
	// has said that it runs one without.
	Required, Passed, Skipped bool
	// Why it failed, where it was done and did.
	Failure string
	// Outputs were tested, and Unwired more are wired to no input; 0 where it was not done since the bus was made.
	Outputs, Unwired int
	// Worst is by how much an edge was measured at another time than it was armed for, at most.
	Worst time.Duration
}

// UntestedError says that a board keeps its array's lines inactive until it has passed its self-test.
type UntestedError struct{ Board string }

func (e *UntestedError) Error() string {
	return fmt.Sprintf("board %q has not passed its self-test for this firmware and these pins: take the array off, "+
		"wire outputs to inputs, and run 'facetctl device self-test'; or start the daemon with --untested-device %s",
		e.Board, e.Board)
}

// errTesting is the cause of a loss: the device tests itself.
var errTesting = errors.New("the device is taken for its self-test")

// testTime is how long a self-test may take beside what the device needs to be ready.
const testTime = time.Minute

// SelfTest has the device drive its outputs one after another, and compares what its inputs measure. The array must not
// be connected. What is in flight fails; the device is lost to the bus for as long as that takes. It may be called from
// any goroutine. Errors: bus.ErrClosed, the connection's, *PinsError; what the test finds is no error.
func (b *Bus) SelfTest(ctx context.Context) (SelfTest, error) {
	b.mu.Lock()
	if b.testing || b.closed {
		defer b.mu.Unlock()
		if b.closed {
			return SelfTest{}, bus.ErrClosed
		}
		return SelfTest{}, errTesting
	}
	b.testing = true
	b.mu.Unlock()
	defer func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.testing, b.again = false, time.Time{} // what it was left alone for may be over
	}()
	b.connecting.Lock() // until who connects has ended: one would take the device, or its port, from the other
	b.mu.Lock()
	s := b.session
	b.mu.Unlock()
	b.connecting.Unlock()
	if s != nil {
		s.fail(errTesting)
	}
	ctx, cancel := context.WithTimeout(ctx, testTime)
	defer cancel()
	s, err := greet(ctx, b.address, b.as)
	if err != nil {
		return SelfTest{}, err
	}
	defer s.close()
	if err := errors.Join(b.suits(&s.welcome), b.fits(&s.welcome)); err != nil {
		return SelfTest{}, err
	}
	var out SelfTest
	deadline, _ := ctx.Deadline() // which was set
	err = during(ctx, s.conn, deadline, func() error {
		if err := b.tellPins(s); err != nil {
			return err
		}
		out, err = b.askTest(s, wire.TestRun)
		return err
	})
	if err != nil {
		return SelfTest{}, err
	}
	b.mu.Lock()
	b.record.test = out
	b.mu.Unlock()
	return out, nil
}

// askTest asks something of the self-test. A device that does not know of it requires none.
func (b *Bus) askTest(s *session, what uint8) (SelfTest, error) {
	if s.welcome.Minor < wire.MinorPins {
		return SelfTest{}, nil
	}
	if err := s.send(wire.TypeSelfTest, wire.Append(nil, wire.SelfTest{What: what})); err != nil {
		return SelfTest{}, err
	}
	beat := time.NewTicker(b.limits.Lease / beats) // the device's time may go on only while it hears of its host
	defer beat.Stop()
	ended := make(chan struct{})
	s.after.Go(func() {
		for {
			select {
			case <-beat.C:
				s.atOnce(wire.TypeAlive, wire.Append(nil, wire.Alive{Token: b.clock.ask()}))
			case <-ended:
				return
			}
		}
	})
	defer close(ended)
	for {
		f, err := s.next()
		if err != nil {
			return SelfTest{}, err
		}
		if f.Type == wire.TypeClock {
			if s.welcome.Emulated != 0 {
				s.atOnce(wire.TypeAlive, wire.Append(nil, wire.Alive{Token: b.clock.ask()}))
			}
			continue
		}
		var r wire.Reply
		if _, err := wire.Take(f.Payload, &r); f.Type == wire.TypeReply && err == nil && r.To == wire.TypeSelfTest &&
			r.Code == wire.ReplyOrder { // without pins there is nothing to test
			if what == wire.TestRun {
				return SelfTest{}, &PinsError{Board: b.board(), Why: wire.PinsMissing}
			}
			return SelfTest{}, nil // the answer to its configuration says so
		}
		var m wire.Tested
		if _, err := wire.Take(f.Payload, &m); err != nil || f.Type != wire.TypeTested {
			return SelfTest{}, fmt.Errorf("the device answers its self-test with a message of type %d", f.Type)
		}
		out := SelfTest{Required: m.Required != 0, Passed: m.Code == wire.TestPassed,
			Skipped: what == wire.TestSkip && m.Required != 0, Outputs: int(m.Outputs), Unwired: int(m.Unwired),
			Worst: b.duration(m.Worst)}
		if m.Code != wire.TestPassed && m.Code != wire.TestNever {
			out.Failure = b.testFailure(&m)
		}
		return out, nil
	}
}

// testFailure says what a self-test has found.
func (b *Bus) testFailure(m *wire.Tested) string {
	level := "falling"
	if m.Level != 0 {
		level = "rising"
	}
	edge := fmt.Sprintf("a %s edge at input %v", level, chipmodel.Pin(m.Input))
	served := "after the last output"
	if b.array.Device == nil { // which tests nothing: it is told of another's
		return fmt.Sprintf("cause %d", m.Code)
	}
	if outputs := pinsOf(b.array.Device).Outputs; int(m.Signal) < len(outputs) {
		for _, u := range b.array.Device.Outputs(b.array.Lines) {
			if outputs[m.Signal] == uint8(u.Pin) {
				served = fmt.Sprintf("of output %v (%s)", u.Pin, u.Serves)
			}
		}
	}
	switch m.Code {
	case wire.TestMissing:
		return edge + " was not measured, " + served
	case wire.TestExtra:
		return edge + " was measured that nothing had armed, during that " + served
	case wire.TestTime:
		return fmt.Sprintf("%s was measured %v from its time, %s", edge, b.duration(m.Measured)-b.duration(m.Planned),
			served)
	case wire.TestLate:
		return "the board could not arm an edge in time"
	case wire.TestUnwired:
		return "no input is wired to what is to be tested, " + served + ": every select line and strobe has to be, " +
			"in device.loopback"
	case wire.TestBroken:
		return "broken off, as the stop input is active, or a supply, current or temperature is outside its limits"
	}
	return fmt.Sprintf("cause %d", m.Code)
}
