package health

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Device is what is known of the device that drives an array.
type Device struct {
	Address   string
	Connected bool
	// Since is when it was connected to, or lost, and For how long ago that was.
	Since time.Time
	For   time.Duration
	// Loss is why it was lost the last time, and Losses how often it was.
	Loss   string
	Losses uint64
	// ClockOff is how far its clock may be off; 0 where nothing is known of it. Drift is by how much it runs faster, in
	// parts per million, where it was followed for long enough.
	ClockOff time.Duration
	Drift    float64
	Followed bool
	// Messages of the link, and those that were sent again or spoiled, since the daemon began.
	Messages, LinkFaults uint64
}

// Limits of a device.
const (
	// clockLimit and driftLimit are as the alert has them: crystals of 100 ppm each are the worst in use (from
	// memory).
	clockLimit = 5 * time.Millisecond
	driftLimit = 200.0 // ppm
	// linkLimit is the fraction of messages that may be lost or spoiled, over linkWindow of bus time, and linkLeast how
	// many there must be (common practice, no source). Once told, it holds until half as many are.
	linkLimit  = 0.01
	linkLeast  = 20
	linkWindow = int64(60e9)
	linkEvery  = int64(1e9)
	// comesBack is for how long after a device was found again jobs still fail for its loss: programs are brought to
	// it, and the array is brought up (our choice, no source).
	comesBack = 2 * time.Second
)

// deviceCourse is the course of a device.
type deviceCourse struct {
	losses uint64
	points []linkPoint // of the link, by rising times
	// poor is its link, and off its clock or its drift, each since then.
	poor, off           bool
	poorSince, offSince int64
}

type linkPoint struct {
	at               int64
	messages, faults uint64
}

// see takes what is known of a device at a bus time, and returns what its link met lately. Jobs that failed as it was
// away are no fault of their tasks.
func (d *deviceCourse) see(is *Device, at int64, tasks map[string]*taskState) (lately linkPoint) {
	if is == nil {
		return linkPoint{}
	}
	if !is.Connected || is.Losses > d.losses || is.Losses > 0 && is.For < comesBack {
		for _, t := range tasks {
			t.forget()
		}
	}
	d.losses = is.Losses
	now := linkPoint{at, is.Messages, is.LinkFaults}
	if n := len(d.points); n == 0 || at-d.points[n-1].at >= linkEvery {
		d.points = append(d.points, now)
	}
	for len(d.points) > 1 && at-d.points[1].at >= linkWindow {
		d.points = d.points[1:]
	}
	first := d.points[0]
	lately = linkPoint{first.at, now.messages - first.messages, now.faults - first.faults}
	bad, of := float64(lately.faults), float64(lately.messages)
	if poor := lately.faults >= linkLeast && bad > linkLimit*of || d.poor && bad > linkLimit/2*of; poor != d.poor {
		d.poor, d.poorSince = poor, at
	}
	if off := is.ClockOff > clockLimit || is.drifts(); off != d.off {
		d.off, d.offSince = off, at
	}
	return lately
}

// drifts reports whether its clock is known to drift beyond the limit.
func (d *Device) drifts() bool { return d.Followed && math.Abs(d.Drift) > driftLimit }

// forget lets the outcomes so far count no more.
func (t *taskState) forget() {
	t.outcomes, t.failing, t.lating, t.waits = t.outcomes[:0], false, false, false
}

// explainsJobs reports whether jobs that fail are explained by a finding of the device.
func explainsJobs(f *facetdv1.HealthFinding) bool {
	return f.GetKind() != facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_DEVICE_CLOCK
}

// ofDevice are the findings of the device: one alone while it is away.
func (m *Monitor) ofDevice(c *Conditions, lately linkPoint) []*facetdv1.HealthFinding {
	d := c.Device
	if d == nil {
		return nil
	}
	f := &facetdv1.HealthFinding{Subject: ofThing, Name: d.Address, State: degraded,
		Basis: facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, SinceBusNs: c.Now}
	if !d.Connected {
		f.Id, f.Kind = "device/lost", facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_DEVICE_LOST
		f.State, f.Chips = bad, m.array.ChipNames(m.array.All())
		f.Measured, f.Unit, f.SinceBusNs = d.For.Seconds(), "seconds", c.Now-int64(d.For)
		f.Fault = "lost"
		f.Text = fmt.Sprintf("device %s: lost; away for %.3g s: %s", d.Address, d.For.Seconds(),
			cmp.Or(d.Loss, "no cause is known"))
		f.Cause = "its supply, its firmware, or the link to it: the text says what was noticed first"
		f.Consequence = "every job fails until it is found again; it makes every select line inactive by itself"
		f.Action = "check its supply and the cable; the daemon connects again by itself, and 'facetctl device' says " +
			"more"
		return []*facetdv1.HealthFinding{f}
	}
	var out []*facetdv1.HealthFinding
	if m.device.poor {
		out = append(out, m.ofLink(c, f, lately))
	}
	if !m.device.off {
		return out
	}
	f = &facetdv1.HealthFinding{Id: "device/clock", Subject: ofThing, Name: d.Address, State: degraded,
		Kind:  facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_DEVICE_CLOCK,
		Basis: facetdv1.HealthBasis_HEALTH_BASIS_MEASURED, SinceBusNs: m.device.offSince,
		Measured: d.ClockOff.Seconds(), Limit: clockLimit.Seconds(), Unit: "seconds",
		Fault:       "its clock may be off",
		Text:        fmt.Sprintf("device %s: its clock may be off; by up to %v", d.Address, d.ClockOff),
		Cause:       "round trips to it are long: its link is slow or shared, or the host is busy",
		Consequence: "times of frames against the host's clock, and so against other sensors, are off by as much",
		Action:      "give the link a way of its own; 'facetctl device' shows the round trips"}
	if d.drifts() {
		f.Measured, f.Limit, f.Unit = math.Abs(d.Drift)*1e-6, driftLimit*1e-6, "fraction"
		f.Fault = "its clock drifts"
		f.Text = fmt.Sprintf("device %s: its clock drifts; by %.0f ppm against the host's", d.Address, d.Drift)
		f.Cause = "a broken oscillator, or a wrong tick in its firmware; or the host's clock is not disciplined"
		f.Action = "compare both with a third clock; correct the tick in the firmware's board layer"
	}
	return append(out, f)
}

// ofLink tells of a link that loses or spoils messages.
func (m *Monitor) ofLink(c *Conditions, f *facetdv1.HealthFinding, lately linkPoint) *facetdv1.HealthFinding {
	f.Id, f.Kind = "device/link", facetdv1.HealthFindingKind_HEALTH_FINDING_KIND_DEVICE_LINK
	f.Measured = float64(lately.faults) / float64(max(lately.messages, 1))
	f.Limit, f.Unit, f.SinceBusNs = linkLimit, "fraction", m.device.poorSince
	f.Fault = "its link loses messages"
	f.Text = fmt.Sprintf("device %s: its link loses messages; %d of the last %d were sent again or spoiled", f.Name,
		lately.faults, lately.messages)
	f.Cause = "a bad plug, no screen, motors near the cable, a wrong rate of a serial line, or a network that is full"
	for _, r := range c.Tasks { // in the order of the tasks, so that equal reports are equal
		if t := m.tasks[r.GetTask().GetName()]; t != nil && (t.failing || t.lating) {
			f.State = bad
			f.Basis = facetdv1.HealthBasis_HEALTH_BASIS_INFERRED // that the one comes of the other
			f.Text += "; jobs of task " + r.GetTask().GetName() + " fail or are late"
			break
		}
	}
	f.Consequence = "nothing is lost, but what comes late is refused and its job fails"
	f.Action = "check the cable, its plugs, screen and ground; 'facetctl device' counts what is lost and what is " +
		"spoiled"
	return f
}

// message is what a report says of a device; nil where there is none.
func (d *Device) message(lately linkPoint) *facetdv1.DeviceHealth {
	if d == nil {
		return nil
	}
	h := &facetdv1.DeviceHealth{Address: d.Address, Connected: d.Connected, LastLoss: d.Loss, Losses: d.Losses,
		SinceTime: timestamppb.New(d.Since), RecentMessages: lately.messages, RecentLinkFaults: lately.faults}
	if d.ClockOff > 0 {
		h.ClockUncertaintyNs = new(d.ClockOff.Nanoseconds())
	}
	if d.Followed {
		h.ClockDriftPpm = &d.Drift
	}
	return h
}
