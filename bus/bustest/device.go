package bustest

import (
	"slices"
	"time"

	"facetd.example/bus"
)

// device is the executor at the far end of the link. It decides what runs and when, by its own clock; what that does to
// the dies is simulated by the host's end, in the same order, once it hears of it. Its methods are called with the lock
// of Remote held.
type device struct {
	r       *Remote
	end     end
	session uint64 // of the host that it listens to; 0 after a reboot
	boot    uint64
	queue   []*deviceFlight
	begun   bool          // the first of queue runs
	timer   *time.Timer   // of the next thing that the queue has to do
	barrier uint64        // what was submitted by a host who had not taken this result is recalled
	heard   time.Duration // host's clock, when something came from the host
	dead    *time.Timer   // of the lease
}

type deviceFlight struct {
	id         uint64
	start, end bus.Time
	ends       []bus.Time // of the operations
	slack      time.Duration
}

// What the host sends.
type (
	prepareMessage struct{}
	submitMessage  struct {
		flight deviceFlight
		late   bool   // when it was handed over
		taken  uint64 // results that the host had taken
	}
	cancelMessage  struct{ after bus.Time }
	releaseMessage struct{ id uint64 }
)

// What the device sends.
type (
	preparedMessage struct{}
	resultMessage   struct {
		id       uint64
		start    bus.Time
		finished bus.Time
		err      error
		slack    time.Duration
	}
	releasedMessage struct {
		id uint64
		at bus.Time
	}
)

// receive takes a frame of the host from the link.
func (d *device) receive(f frame) {
	if f.session > d.session && (f.number == 1 || f.boot == d.boot) {
		if d.session != 0 || len(d.queue) > 0 {
			d.stop(bus.ErrReleased, false)
		}
		d.session, d.barrier = f.session, 0
		d.end = d.newEnd()
	}
	if f.session != d.session {
		d.r.toHost(frame{boot: d.boot}) // a host that has not heard of the reboot, or frames of an old session
		return
	}
	d.heard = d.r.elapsed()
	d.end.receive(f)
	if f.number == 0 && len(d.end.waiting) == 0 { // so that an idle host hears of it, too
		d.end.put(frame{})
	}
}

func (d *device) newEnd() end {
	e := end{take: d.take}
	session := d.session
	e.transmit = func(f frame) {
		f.session, f.boot = session, d.boot
		d.r.toHost(f)
	}
	return e
}

func (d *device) take(payload any) {
	switch m := payload.(type) {
	case prepareMessage:
		d.reply(preparedMessage{})
	case submitMessage:
		d.submit(&m)
	case cancelMessage:
		d.recall(m.after)
	case releaseMessage:
		d.stop(bus.ErrReleased, true)
		d.reply(releasedMessage{m.id, d.r.upTime(d.r.now())})
	}
}

func (d *device) reply(payload any) { d.r.send(&d.end, payload) }

func (d *device) submit(m *submitMessage) {
	f := m.flight
	now := d.r.now()
	f.slack = f.start.Sub(now) - d.r.cfg.Ready
	switch {
	case m.taken < d.barrier:
		d.refuse(&f, bus.Recalled)
	case f.slack < 0 && m.late:
		d.refuse(&f, bus.HostStall)
	case f.slack < 0:
		d.refuse(&f, bus.LinkDelay)
	default:
		d.queue = append(d.queue, &f)
		d.arm()
	}
}

// refuse says that nothing of a segment was executed; what is behind it is recalled.
func (d *device) refuse(f *deviceFlight, cause bus.Cause) {
	e := &bus.RefusedError{Cause: cause, Planned: f.start, Device: d.r.now()}
	if cause != bus.Recalled {
		e.Late = -f.slack
		d.barrier = max(d.barrier, f.id)
	}
	d.reply(resultMessage{id: f.id, start: f.start, finished: f.start, err: e, slack: f.slack})
}

// arm waits for what the queue does next: its first segment begins, or ends.
func (d *device) arm() {
	if d.timer != nil {
		d.timer.Stop()
	}
	if len(d.queue) == 0 {
		return
	}
	at := d.queue[0].start
	if d.begun {
		at = d.queue[0].end
	}
	boot := d.boot
	d.timer = time.AfterFunc(d.r.until(at), func() {
		d.r.mu.Lock()
		defer d.r.mu.Unlock()
		if d.boot == boot {
			d.step()
		}
	})
}

// step does what the queue has to do now.
func (d *device) step() {
	for len(d.queue) > 0 {
		f, now := d.queue[0], d.r.now()
		switch {
		case d.begun && f.end <= now:
			d.begun = false
			d.queue = d.queue[1:]
			d.r.executed[f.id] = len(f.ends)
			d.reply(resultMessage{id: f.id, start: f.start, finished: f.end, slack: f.slack})
			continue
		case !d.begun && f.start <= now:
			d.begun = true
			continue
		}
		break
	}
	d.arm()
}

// recall takes back what starts after a bus time and has not begun.
func (d *device) recall(after bus.Time) {
	d.step()
	var kept []*deviceFlight
	for i, f := range d.queue {
		if f.start > after && !(i == 0 && d.begun) {
			d.refuse(f, bus.Recalled)
		} else {
			kept = append(kept, f)
		}
	}
	d.queue = kept
	d.arm()
}

// stop breaks off what runs and recalls what waits; the host is told where it can still hear.
func (d *device) stop(cause error, tell bool) {
	d.step()
	if d.begun {
		f := d.queue[0]
		now := d.r.now()
		ran := 0
		for ran < len(f.ends) && f.ends[ran] <= now {
			ran++
		}
		d.barrier = max(d.barrier, f.id)
		d.begun, d.queue = false, d.queue[1:]
		d.r.executed[f.id] = ran
		if tell {
			d.reply(resultMessage{id: f.id, start: f.start, finished: now, err: cause, slack: f.slack})
		}
	}
	for _, f := range slices.Clone(d.queue) {
		if tell {
			d.refuse(f, bus.Recalled)
		}
	}
	d.queue = nil
	d.arm()
}

// drop gives up what waits and what runs, of which the host knows already.
func (d *device) drop() {
	d.queue, d.begun = nil, false
	d.arm()
}

// reboot begins anew: the registers of every chip are at any value.
func (d *device) reboot() {
	d.stop(nil, false)
	d.boot++
	d.session, d.barrier, d.end = 0, 0, end{}
	d.r.rebooted()
	d.r.toHost(frame{boot: d.boot})
}

// watch makes every line inactive when the host was not heard for the lease.
func (d *device) watch() {
	left := d.heard + d.r.cfg.Limits.Lease - d.r.elapsed()
	if left <= 0 {
		d.stop(bus.ErrReleased, true)
		left = d.r.cfg.Limits.Lease
	}
	d.dead = time.AfterFunc(left, func() {
		d.r.mu.Lock()
		defer d.r.mu.Unlock()
		if !d.r.closed {
			d.watch()
		}
	})
}
