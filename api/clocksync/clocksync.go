// Package clocksync relates clocks to each other with bounds that hold, not only on the average: the clock of somebody
// else to the own one by round trips, and UTC, which may be set at any time, to a clock that never is.
//
// A round trip bounds the other clock without any assumption about how long each way took: what it showed, it showed
// between the sending of the question and the receipt of the answer. Two clocks that run at nearly one rate keep such
// a bound for a while, wider by what their rates may differ. All bounds together leave less than the best of them, for
// the slow ways of one trip are seldom those of another: the intersection of intervals by which K. Marzullo's
// algorithm (thesis, Stanford 1984; from memory) and NTP find the true time among several servers.
package clocksync

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// DefaultDrift is by how much the rates of two clocks may differ where nothing better is known: crystals of 100 ppm
// each, the worst of those that are in use (common practice, no source).
const DefaultDrift = 200e-6

const (
	// kept is how many trips bound the other clock, at most.
	kept = 32
	// believed is how many trips in a row that agree with each other, and not with those before, are believed.
	believed = 3
)

// Trip is one question for what another clock shows, in nanoseconds of the two clocks.
type Trip struct {
	// Sent and Received are when the question was sent and the answer received, by the own clock.
	Sent, Received int64
	// Remote is what the other clock showed in between.
	Remote int64
}

// Outcome is what became of a trip.
type Outcome int

const (
	// Taken: it agrees with those before.
	Taken Outcome = iota
	// Aside: it contradicts them, and waits for others that say the same.
	Aside
	// Restarted: the third in a row that contradicts those before; they are forgotten. The other clock was set, or
	// belongs to somebody else now.
	Restarted
)

// ErrTrip is the error of a trip that ends before it begins.
var ErrTrip = errors.New("the answer was received before the question was sent")

// Remote is what is known of another clock. The zero value knows nothing.
type Remote struct {
	drift float64
	trips []Trip
	aside []Trip
}

// NewRemote begins to follow a clock whose rate differs from the own by at most drift, as a fraction; 0 is
// DefaultDrift. Errors: a drift below 0 or above a hundredth, which no clock has.
func NewRemote(drift float64) (*Remote, error) {
	if !(drift >= 0 && drift <= 0.01) {
		return nil, fmt.Errorf("a drift of %v is not possible; give a fraction from 0 to 0.01", drift)
	}
	return &Remote{drift: cmp.Or(drift, DefaultDrift)}, nil
}

// Add takes a trip into account. Error: ErrTrip, which changes nothing.
func (r *Remote) Add(t Trip) (Outcome, error) {
	if t.Received < t.Sent {
		return Aside, ErrTrip
	}
	if agrees(append(slices.Clone(r.trips), t), r.drift) {
		r.aside = nil
		r.keep(t)
		return Taken, nil
	}
	if !agrees(append(slices.Clone(r.aside), t), r.drift) {
		r.aside = nil
	}
	if r.aside = append(r.aside, t); len(r.aside) < believed {
		return Aside, nil
	}
	r.trips, r.aside = r.aside, nil
	return Restarted, nil
}

// keep adds a trip, and drops that which bounds the least by now where there are too many.
func (r *Remote) keep(t Trip) {
	if r.trips = append(r.trips, t); len(r.trips) <= kept {
		return
	}
	now := t.Remote
	widest := slices.MaxFunc(r.trips, func(a, b Trip) int { return cmp.Compare(r.width(a, now), r.width(b, now)) })
	i := slices.Index(r.trips, widest)
	r.trips = slices.Delete(r.trips, i, i+1)
}

// width is that of the bound which a trip gives at an instant of the other clock.
func (r *Remote) width(t Trip, remote int64) float64 {
	low, high := t.bound(remote, r.drift)
	return high - low
}

// bound is what a trip says of the own clock at an instant of the other one, relative to the instant in both clocks
// at which the question was sent, so that no digits are lost.
func (t Trip) bound(remote int64, drift float64) (low, high float64) {
	apart := float64(remote - t.Remote)
	spread := math.Abs(apart) * drift
	return apart - spread, float64(t.Received-t.Sent) + apart + spread
}

// At is what the own clock shows when the other one shows remote: within uncertainty of local, as surely as the
// rates differ by no more than the drift. ok is false before the first trip.
func (r *Remote) At(remote int64) (local, uncertainty int64, ok bool) {
	if len(r.trips) == 0 {
		return 0, 0, false
	}
	base := r.trips[0].Sent
	low, high := intersection(r.trips, base, remote, r.drift)
	middle := (low + high) / 2
	return base + int64(math.Round(middle)), int64(math.Ceil((high-low)/2)) + 1, true
}

// intersection is what all trips say of the own clock at an instant of the other one, relative to base; low is above
// high where they contradict each other.
func intersection(trips []Trip, base, remote int64, drift float64) (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	for _, t := range trips {
		l, h := t.bound(remote, drift)
		shift := float64(t.Sent - base)
		low, high = max(low, l+shift), min(high, h+shift)
	}
	return low, high
}

// agrees reports whether the last of some trips can be true together with the others, which agree.
func agrees(trips []Trip, drift float64) bool {
	last := trips[len(trips)-1]
	low, high := intersection(trips, last.Sent, last.Remote, drift)
	return low <= high
}
