package bridge

import (
	"bytes"
	"strconv"
	"strings"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
)

// Status is what is known of a device now. While it is away, what it last said stands.
type Status struct {
	Address   string
	Connected bool
	// Since is when it was connected to, or lost.
	Since time.Time
	Build string
	Boot  uint32
	// Major and Minor are the version of the protocol that it speaks.
	Major, Minor uint16
	// LastLoss is why it was lost the last time; nil where it never was.
	LastLoss error
	Limits   bus.Limits
	// Ready and Arm are parts of the limits: how long before its start a run must have arrived, and what arming one
	// pin event takes.
	Ready, Arm   time.Duration
	Programs     int // that it can hold
	Lines, Lanes int
	Clock        Clock
	Counters     Counters
	// LeastSlack is by how much a run that was executed could have arrived later, at least; bus.NoSlack before the
	// first.
	LeastSlack time.Duration
	SelfTest   SelfTest
	// Readings are what the board measures, as it was told last.
	Readings []Reading
}

// Clock is how the clock of a device stands to this host's.
type Clock struct {
	// Offset is how far it is ahead of this host's time since the bus was made; it may be off by Uncertainty, which is
	// 0 where nothing is known of it: before the first answer, and of an emulated board, whose time this host follows.
	Offset, Uncertainty time.Duration
	// DriftPPM is by how much it runs faster, give or take DriftUncertaintyPPM; Followed says that it was followed
	// for long enough to tell.
	DriftPPM, DriftUncertaintyPPM float64
	Followed                      bool
	// LeastTrip and WorstTrip are the shortest and the longest round trip since the device began.
	LeastTrip, WorstTrip time.Duration
}

// Counters count what there was since the bus was made.
type Counters struct {
	Sessions, Losses, Reboots            uint64
	Uploads, Kept                        uint64
	Programs                             uint64 // that the device has
	Runs, LateHost, LateLink, LateDevice uint64
	Recalled, Underruns, BrokenOff       uint64
	Sent, Received                       uint64
	// Submitted runs become one of Runs, late, Recalled, Underruns, BrokenOff, Rejected or Lost, once their results are
	// there. Lost ones were under way when the device was; Rejected ones it could not read.
	Submitted, Lost, Rejected uint64
	// Contradicted runs are those of Runs of which codes or times were missing, out of order or impossible.
	Contradicted uint64
	Link         LinkCounters
}

// record is what is noted of a device as it goes along. It belongs to the bus's mutex.
type record struct {
	counters Counters
	since    time.Time
	lastLoss error
	least    time.Duration
	welcome  wire.Welcome // of the last session
	boot     uint32       // that of its device
	test     SelfTest
	readings []Reading // are replaced, and never changed
}

// Status returns what is known of the device.
func (b *Bus) Status() Status {
	b.mu.Lock()
	r, there, held, link := b.record, b.session != nil, len(b.held), b.link()
	b.mu.Unlock()
	r.counters.Programs, r.counters.Link = uint64(held), link
	w := &r.welcome
	return Status{
		Address: b.address, Connected: there, Since: r.since, Build: printable(w.Build[:]), Boot: r.boot,
		Major: w.Major, Minor: w.Minor,
		LastLoss: r.lastLoss, Limits: b.limits, Ready: b.duration(w.Ready), Arm: b.duration(w.ArmCost),
		Programs: int(w.Programs), Lines: int(w.Lines), Lanes: int(w.Lanes), Clock: b.clock.status(),
		Counters: r.counters, LeastSlack: r.least, SelfTest: r.test, Readings: r.readings,
	}
}

// printable is a text that came over the link, where a device, or another host, may say anything.
func printable(text []byte) string {
	text, _, _ = bytes.Cut(text, []byte{0})
	return strings.Trim(strconv.Quote(string(text)), `"`)
}

// opened notes a session. The caller holds mu.
func (r *record) opened(s *session) {
	// Between two sessions there may be others that broke off before the device was configured.
	if r.counters.Sessions > 0 && s.boot != r.boot {
		r.counters.Reboots++
	}
	r.counters.Sessions++
	r.since, r.welcome, r.boot = time.Now(), s.welcome, s.boot
}

// lost notes the loss of a session. The caller holds mu.
func (r *record) lost(cause error) {
	r.counters.Losses++
	r.since, r.lastLoss = time.Now(), cause
}

// ended notes what became of a run. The caller holds mu.
func (r *record) ended(m *wire.Result, tick time.Duration) {
	c := &r.counters
	switch m.Code {
	case wire.ResultWhole:
		c.Runs++
		r.least = min(r.least, time.Duration(m.Slack)*tick)
	case wire.ResultLate:
		switch m.Cause {
		case wire.CauseHost:
			c.LateHost++
		case wire.CauseLink:
			c.LateLink++
		default:
			c.LateDevice++
		}
	case wire.ResultRecalled:
		c.Recalled++
	case wire.ResultUnderrun:
		c.Underruns++
	default:
		c.BrokenOff++
	}
}

// How the drift of a device's clock is found: by how far it is ahead now and was some minutes ago.
const (
	// driftEvery is how far the points are apart that are kept, and the least that a drift is told from.
	driftEvery = 30 * time.Second
	// driftPoints is how many are kept.
	driftPoints = 10
)

// driftPoint is how far the device's clock was ahead at a time of the own one.
type driftPoint struct{ own, ahead, off int64 }

// note keeps how far the clock is ahead, now and then. The caller holds mu.
func (c *clock) note(ahead, off int64) {
	p := driftPoint{c.own(), ahead, off}
	if n := len(c.points); n > 0 && p.own-c.points[n-1].own < int64(driftEvery) {
		return
	}
	if c.points = append(c.points, p); len(c.points) > driftPoints {
		c.points = c.points[1:]
	}
}

// status is what is known of the clock now.
func (c *clock) status() Clock {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.own() + c.ahead
	local, off, ok := c.remote.At(now)
	if !ok {
		return Clock{}
	}
	p := driftPoint{local, now - local, off}
	out := Clock{Offset: time.Duration(p.ahead), Uncertainty: time.Duration(off) + c.tick, LeastTrip: c.least,
		WorstTrip: c.worst}
	if len(c.points) == 0 || p.own-c.points[0].own < int64(driftEvery) {
		return out
	}
	first := c.points[0]
	apart := float64(p.own - first.own)
	out.DriftPPM, out.Followed = float64(p.ahead-first.ahead)/apart*1e6, true
	out.DriftUncertaintyPPM = float64(p.off+first.off) / apart * 1e6
	return out
}
