package link

import (
	"math"
	"time"

	"facetd.example/bus/bridge/wire"
)

// Numbered reports whether frames of a type have a number: others may be lost or come twice.
func Numbered(kind uint8) bool { return kind < wire.TypeHello }

const (
	// ackAfter is how many frames are acknowledged together, and ackWithin how long the first of them waits for that.
	ackAfter  = 16
	ackWithin = 2 * time.Millisecond
	// leastResend and mostResend bound the time after which a frame is sent again: what the way takes is learnt.
	leastResend = 10 * time.Millisecond
	mostResend  = 500 * time.Millisecond
	// firstResend is that time before anything was learnt (common practice, no source).
	firstResend = 100 * time.Millisecond
)

// Counters count what a delivery has met.
type Counters struct {
	// Sent and Taken are frames with numbers, each counted once.
	Sent, Taken uint64
	// Resent were sent again; Doubled came again; Ahead came before another that was missing.
	Resent, Doubled, Ahead uint64
}

// Delivery delivers the frames of a session once and in order, over a link that may lose them. It is pure: who has it
// says what time it is. It is for one goroutine at a time. Frames that wait to be sent are limited by who sends them:
// a window of them is on its way, and the others wait.
type Delivery struct {
	session, boot uint32
	window        int  // frames that the peer takes
	lossy         bool // frames are sent again
	counters      Counters

	sent     uint32   // number of the last
	acked    uint32   // of the peer's
	flying   []flying // in order: those that were sent and not acknowledged, then those that wait
	waiting  int      // of flying, from where on they wait
	trip     time.Duration
	spread   time.Duration
	received uint32 // number of the last that was given out
	behind   map[uint32]*wire.Frame
	ready    []*wire.Frame
	owed     int
	since    time.Duration // when the first that is owed came
	at       bool          // an acknowledgement is owed at once
}

// flying is a frame that the peer has not acknowledged.
type flying struct {
	frame wire.Frame
	sent  time.Duration
	tries int
	got   bool // the peer has it, but not one before it
	again bool // it is to be sent again now
}

// NewDelivery begins the delivery of a session, over a link that loses nothing or may.
func NewDelivery(session uint32, lossy bool) *Delivery {
	return &Delivery{session: session, window: 1, lossy: lossy, behind: map[uint32]*wire.Frame{}, trip: firstResend / 2,
		spread: firstResend / 8}
}

// Welcome notes what the peer has told of itself: its boot, and how many frames it takes.
func (d *Delivery) Welcome(boot uint32, window int) { d.boot, d.window = boot, max(window, 1) }

// Counters returns what was counted.
func (d *Delivery) Counters() Counters { return d.counters }

// Waiting is how many frames the peer has not acknowledged.
func (d *Delivery) Waiting() int { return len(d.flying) }

// Send takes a message to be sent by Due, and returns its number.
func (d *Delivery) Send(kind uint8, payload []byte) uint32 {
	d.sent++
	d.counters.Sent++
	d.flying = append(d.flying, flying{frame: wire.Frame{Header: wire.Header{Type: kind, Session: d.session,
		Seq: d.sent},
		Payload: payload}})
	return d.sent
}

// AtOnce is a frame without a number.
func (d *Delivery) AtOnce(kind uint8, payload []byte) wire.Frame {
	return wire.Frame{Header: wire.Header{Type: kind, Session: d.session, Boot: d.boot, Ack: d.received},
		Payload: payload}
}

// Take takes a frame of the session. Those with a number come out of Next.
func (d *Delivery) Take(f *wire.Frame, now time.Duration) {
	got := uint64(0)
	if f.Type == wire.TypeAck {
		var m wire.Ack
		if _, err := wire.Take(f.Payload, &m); err == nil {
			got = m.Got
		}
	}
	d.acknowledged(f.Ack, got, now)
	if !Numbered(f.Type) {
		return
	}
	if d.owed == 0 {
		d.since = now
	}
	d.owed++
	ahead := f.Seq - d.received - 1
	switch {
	case ahead > math.MaxUint32/2 || d.behind[f.Seq] != nil:
		d.counters.Doubled++
		d.at = true // as its acknowledgement was lost
		return
	case ahead >= wire.MaxWindow: // it is none of those that can come
		return
	case ahead > 0:
		d.counters.Ahead++
		d.at = true
	}
	d.behind[f.Seq] = f
	for {
		next := d.behind[d.received+1]
		if next == nil {
			return
		}
		delete(d.behind, next.Seq)
		d.received++
		d.counters.Taken++
		d.ready = append(d.ready, next)
	}
}

// Next gives out the next frame with a number, or nil where it has not come.
func (d *Delivery) Next() *wire.Frame {
	if len(d.ready) == 0 {
		return nil
	}
	f := d.ready[0]
	d.ready = d.ready[1:]
	return f
}

// acknowledged takes what the peer has.
func (d *Delivery) acknowledged(ack uint32, got uint64, now time.Duration) {
	n := int(ack - d.acked)
	if ack-d.acked > math.MaxUint32/2 || n > d.waiting {
		return
	}
	if n > 0 {
		if last := &d.flying[n-1]; last.tries == 1 { // of one that was sent twice it is unknown which is acknowledged
			d.learn(now - last.sent)
		}
		d.flying = d.flying[n:]
		d.waiting -= n
		d.acked = ack
	}
	if !d.lossy {
		return
	}
	for i := 0; i < d.waiting && got<<1>>i != 0; i++ {
		f := &d.flying[i]
		switch {
		case i > 0 && got>>(i-1)&1 != 0:
			f.got, f.again = true, false
		case now-f.sent > d.timeout()/4:
			f.again = true
		}
	}
}

// learn learns how long the way takes, there and back.
func (d *Delivery) learn(took time.Duration) {
	off := took - d.trip
	d.trip += off / 8
	d.spread += (max(off, -off) - d.spread) / 4
}

// timeout is after how long a frame is sent again for the first time: the mean round trip and four times its spread
// (RFC 6298, from memory).
func (d *Delivery) timeout() time.Duration {
	return min(max(d.trip+4*d.spread+ackWithin, leastResend), mostResend)
}

// due is when a frame that was sent is sent again.
func (d *Delivery) due(f *flying) time.Duration {
	switch {
	case !d.lossy || f.got:
		return math.MaxInt64
	case f.again:
		return 0
	}
	return f.sent + min(d.timeout()<<min(f.tries-1, 4), mostResend)
}

// Due appends the frames that are to be sent now to dst.
func (d *Delivery) Due(dst []wire.Frame, now time.Duration) []wire.Frame {
	for i := range d.waiting {
		if f := &d.flying[i]; d.due(f) <= now {
			d.counters.Resent++
			dst = d.fly(dst, f, now)
		}
	}
	for d.waiting < len(d.flying) && d.waiting < min(d.window, wire.MaxWindow) {
		dst = d.fly(dst, &d.flying[d.waiting], now)
		d.waiting++
	}
	if d.owed > 0 && (d.at || d.owed >= ackAfter || now-d.since >= ackWithin) {
		d.owed, d.at = 0, false
		got := uint64(0)
		for i := range uint32(wire.MaxWindow - 1) {
			if d.behind[d.received+2+i] != nil {
				got |= 1 << i
			}
		}
		dst = append(dst, d.AtOnce(wire.TypeAck, wire.Append(nil, wire.Ack{Got: got})))
	}
	return dst
}

func (d *Delivery) fly(dst []wire.Frame, f *flying, now time.Duration) []wire.Frame {
	f.sent, f.again = now, false
	f.tries++
	f.frame.Boot, f.frame.Ack = d.boot, d.received
	if len(d.behind) == 0 {
		d.owed, d.at = 0, false
	}
	return append(dst, f.frame)
}

// Wait is for how long Due has nothing to send, at most math.MaxInt64: for ever.
func (d *Delivery) Wait(now time.Duration) time.Duration {
	next := time.Duration(math.MaxInt64)
	if d.owed > 0 {
		next = d.since + ackWithin
		if d.at || d.owed >= ackAfter {
			next = now
		}
	}
	for i := range d.waiting {
		next = min(next, d.due(&d.flying[i]))
	}
	if d.waiting < len(d.flying) && d.waiting < min(d.window, wire.MaxWindow) {
		next = now
	}
	if next == math.MaxInt64 {
		return next
	}
	return max(next-now, 0)
}
