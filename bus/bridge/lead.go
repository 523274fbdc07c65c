package bridge

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"facetd.example/bus/bridge/wire"
)

const (
	// trips is how often a device is asked for its time before its clock is used.
	trips = 8
	// leastLink is the least that the way to a device is allowed for; beyond, it is so many times the longest round
	// trip of those at first: a link is seldom as slow again (common practice, no source).
	leastLink   = 2 * time.Millisecond
	tripsOfLink = 4
	// roundsOfTrips is how many times that is measured at most, where one trip took more than unsteady times the
	// median: this machine, and not the link, has kept it. settling is for how long (all of it from no source).
	roundsOfTrips, unsteady = 6, 4
	settling                = 2 * time.Second
)

// learnClock asks for the device's time some times. At first it measures how slow the link is, too, for which one trip
// that was kept by a busy machine does not count where others were not.
func (b *Bus) learnClock(s *session) error {
	measures := b.limits.LeastLead == 0 // which stand for as long as the bus
	for round, began := 1, time.Now(); ; round++ {
		took, err := b.roundTrips(s)
		if err != nil || !measures {
			return err
		}
		worst, steady := judgeTrips(took)
		if b.trip == 0 || worst < b.trip {
			b.trip = worst
		}
		if steady || round == roundsOfTrips || time.Since(began) > settling || s.welcome.Emulated != 0 {
			return nil
		}
	}
}

// judgeTrips returns the longest of some round trips, and whether it is of the kind of the others, or so short that it
// does not matter.
func judgeTrips(took []time.Duration) (worst time.Duration, steady bool) {
	took = slices.Sorted(slices.Values(took))
	worst = took[len(took)-1]
	return worst, worst <= max(unsteady*took[len(took)/2], leastLink/tripsOfLink)
}

// roundTrips asks for the device's time some times, and returns how long each took.
func (b *Bus) roundTrips(s *session) ([]time.Duration, error) {
	var took []time.Duration
	for range trips {
		stop := b.asks(s)
		f, err := s.next()
		stop()
		if err != nil {
			return nil, err
		}
		var c wire.Clock
		if _, err := wire.Take(f.Payload, &c); err != nil || f.Type != wire.TypeClock {
			return nil, fmt.Errorf("the device did not tell its time, but sent a message of type %d", f.Type)
		}
		took = append(took, b.clock.answered(c.Token, c.Now))
	}
	return took, nil
}

// asks asks for the device's time, again and again where that may be lost, until it is told to stop.
func (b *Bus) asks(s *session) (stop func()) {
	ask := func() {
		s.atOnce(wire.TypeAlive, wire.Append(nil, wire.Alive{Token: b.clock.ask()}))
	}
	ask()
	if !s.conn.Lossy() {
		return func() {}
	}
	ended := make(chan struct{})
	var asking sync.WaitGroup
	asking.Go(func() {
		t := time.NewTicker(askAgain)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				ask()
			case <-ended:
				return
			}
		}
	})
	return func() { close(ended); asking.Wait() }
}

// Lead says of what the limits' lead and latency are made, for people whose tasks they do not suit.
func (b *Bus) Lead() string {
	text := fmt.Sprintf("of what a segment is ahead, the device needs %v", b.duration(b.first.Ready))
	switch {
	case b.first.Emulated != 0:
		return text + fmt.Sprintf(", and %v is allowed for the way there and back each, as it is emulated",
			b.limits.ResultLatency)
	case b.limits.ResultLatency > leastLink+lossyLink:
		text += fmt.Sprintf(", and %v is allowed for the way there and back each: %d times the %v of a round trip at "+
			"start; where the link is faster than that, this machine was busy: start the daemon again",
			b.limits.ResultLatency.Round(time.Microsecond), tripsOfLink, b.trip.Round(time.Microsecond))
	}
	return text
}
