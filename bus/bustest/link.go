package bustest

import (
	"math/rand/v2"
	"slices"
	"time"
)

// LinkFault is what a link does to the messages that are sent on it during a while of the host's clock, counted from
// when the executor was made. Chances are drawn for each message.
type LinkFault struct {
	From, Until  time.Duration
	Lose, Double float64
	// Delay is the longest delay beyond the latency of the link; messages overtake each other.
	Delay time.Duration
	// Struck, where set, is called for each message that it changes.
	Struck func()
}

// link carries messages both ways.
type link struct {
	epoch   time.Time
	latency time.Duration
	faults  []LinkFault
	seed    uint64
	// taken are the instants at which something arrives: no two messages do at one, so that equal seeds give equal
	// runs.
	taken map[time.Duration]bool
}

// direction is which way a message goes.
type direction uint64

const (
	toDevice direction = iota
	toHost
)

// carry delivers a frame once, twice or never. deliver is told at which instant, and calls arrived. What becomes of it
// depends on the frame and the instant alone, and those that go one way never arrive at an instant of the other way:
// both ends may send something in one instant, where nothing fixes their order.
func (l *link) carry(way direction, f *frame, deliver func(at time.Duration)) {
	now := time.Since(l.epoch)
	delay, copies := l.latency, 1
	if i := slices.IndexFunc(l.faults, func(f LinkFault) bool { return f.From <= now && now < f.Until }); i >= 0 {
		fault := &l.faults[i]
		drawn := rand.New(rand.NewPCG(l.seed^uint64(now), f.session<<40^f.boot<<32^f.number<<1^uint64(way)))
		extra := time.Duration(0)
		switch chance := drawn.Float64(); {
		case chance < fault.Lose:
			copies = 0
		case chance < fault.Lose+fault.Double:
			copies = 2
		}
		if fault.Delay > 0 {
			extra = time.Duration(drawn.Int64N(int64(fault.Delay)))
		}
		if delay += extra; fault.Struck != nil && (copies != 1 || extra > 0) {
			fault.Struck()
		}
	}
	for range copies {
		at := (now+delay)&^1 + time.Duration(way) // each way has every other instant
		for at <= now || l.taken[at] {
			at += 2
		}
		l.taken[at] = true
		time.AfterFunc(at-now, func() { deliver(at) })
		delay += l.latency
	}
}

// arrived notes that a message was delivered.
func (l *link) arrived(at time.Duration) { delete(l.taken, at) }

// frame is one message on the link. Number 0 carries nothing but what was received.
type frame struct {
	session, boot uint64 // of the host, of the device
	number, got   uint64
	payload       any
}

// resendAfter is how long an end waits for an acknowledgement before it sends again.
const resendAfter = 4*time.Millisecond + 7

// end is one end of the link: what it is given arrives at the other end once and in order, or not at all when the link
// is cut for too long. The caller guards it with a lock.
type end struct {
	transmit func(frame)
	take     func(payload any)

	sent, got uint64
	waiting   []frame        // sent and not acknowledged
	early     map[uint64]any // arrived before what was sent before it
}

// send sends a payload.
func (e *end) send(payload any) {
	e.sent++
	f := frame{number: e.sent, payload: payload}
	e.waiting = append(e.waiting, f)
	e.put(f)
}

// put transmits a frame with what was received until now.
func (e *end) put(f frame) {
	f.got = e.got
	e.transmit(f)
}

// resend transmits again what was not acknowledged, and reports whether there was any.
func (e *end) resend() bool {
	for _, f := range e.waiting {
		e.put(f)
	}
	return len(e.waiting) > 0
}

// receive takes a frame from the link.
func (e *end) receive(f frame) {
	e.waiting = slices.DeleteFunc(e.waiting, func(w frame) bool { return w.number <= f.got })
	if f.number == 0 {
		return
	}
	if e.early == nil {
		e.early = map[uint64]any{}
	}
	if f.number > e.got {
		e.early[f.number] = f.payload
	}
	for {
		payload, is := e.early[e.got+1]
		if !is {
			break
		}
		e.got++
		delete(e.early, e.got)
		e.take(payload)
	}
	e.put(frame{})
}
