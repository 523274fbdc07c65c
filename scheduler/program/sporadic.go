package program

import (
	"math/big"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Sporadic is what a task has in place of a rate: its jobs are released by triggers.
type Sporadic struct {
	// LeastInterval is the least time between two triggers.
	LeastInterval time.Duration
	// Deadline is how long after its trigger a job must be finished, at most LeastInterval.
	Deadline time.Duration
}

// Reserving returns a sporadic task with other reservations in the timetable: one every so often, in nanoseconds, each
// to be finished within a window after that.
func (t *Task) Reserving(every *big.Rat, window time.Duration) *Task {
	out := *t
	rate := new(big.Rat).Quo(new(big.Rat).SetInt64(int64(time.Second)), every)
	out.RateHz, _ = rate.Float64()
	out.Period, out.Deadline, out.OwnDeadline = every, window, true
	out.Kept = nil // it has no grid
	return &out
}

// sporadic sets when a sporadic task may be triggered, and its jobs are to be finished. Its reservations are
// half a deadline apart, and as long, until the planner has chosen them.
func (c *checker) sporadic(path string, spec *facetdv1.Task, t *Task) {
	if spec.GetRateHz() != 0 {
		c.add(path+".rate_hz", "a task with a least interval has no rate",
			"leave out rate_hz for a sporadic task, or least_interval for one with a rate")
	}
	d := spec.GetLeastInterval()
	s := &Sporadic{LeastInterval: d.AsDuration()}
	switch {
	case d.CheckValid() != nil || s.LeastInterval > maxLimit:
		c.add(path+".least_interval", "is longer than an hour", "capture frames when they are wanted")
		return
	case s.LeastInterval < 2*time.Microsecond: // reservations half as far apart must be at least a grain apart
		c.addf(path+".least_interval", "give at least 2us", "%v is no time between two triggers", s.LeastInterval)
		return
	}
	s.Deadline = s.LeastInterval
	if given := spec.GetDeadline(); given != nil {
		switch v := given.AsDuration(); {
		case given.CheckValid() != nil || v > s.LeastInterval:
			c.addf(path+".deadline", "use at most the least interval, or leave it out for that",
				"%v is above the least interval of %v: a trigger would come before the job of the last has ended", v,
				s.LeastInterval)
			return
		case v < 2*time.Microsecond:
			c.addf(path+".deadline", "give at least 2us, or leave it out for the least interval",
				"%v is not a time to finish in", v)
			return
		default:
			s.Deadline = v
		}
	}
	t.Sporadic = s
	half := s.Deadline / 2
	*t = *t.Reserving(new(big.Rat).SetInt64(int64(half)), half)
}
