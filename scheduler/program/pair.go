package program

import (
	"fmt"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// PairError says that the second load of a pair would come before what the first shows is read.
type PairError struct {
	// Needed is the least time between the two that does, Asked what was asked for.
	Needed, Asked time.Duration
}

func (e *PairError) Error() string {
	return fmt.Sprintf("the second load of a pair can come %v after the first, not %v", e.Needed, e.Asked)
}

// pair sets the time between the two loads of a job.
func (c *checker) pair(path string, spec *facetdv1.Task, t *Task) {
	d := c.limit(path+".pair_interval", spec.GetPairInterval(), "one load")
	if d <= 0 || d > maxLimit {
		return
	}
	t.Pair = c.a.Up(d)
	if t.Period != nil && t.Deadline > 0 && t.Pair >= t.Deadline {
		c.addf(path+".pair_interval", "give a time well within the deadline, which is a period where none is given",
			"both frames of a pair are to be there %v after the release, and %v lie between them", t.Deadline, t.Pair)
	}
	if t.MaxSkew > 0 && t.Pair > t.MaxSkew {
		c.addf(path+".max_skew", "give a longer one, or leave it out",
			"the frames of a set with pairs are at least %v apart, which is more than %v", t.Pair, t.MaxSkew)
	}
}

// light puts a unit with which the light of frames begins: a load, or the first readout of chips without memory. That
// of the second frames of a pair comes exactly as long after that of the first as was asked for. Between the two the
// bus waits: what is put before the wait and after it is the same, so that how long it is to be is known from a try.
func (e *emitter) light(u *unit, pair time.Duration) error {
	e.lit = false
	if u.light == firstLight {
		if err := e.unit(u); err != nil {
			return err
		}
		e.first = e.litAt
		return nil
	}
	before := e.mark()
	if err := e.unit(u); err != nil {
		return err
	}
	gap := e.first + pair - e.litAt
	if gap < 0 { // there may be another pair further on that needs more
		e.needed = max(e.needed, e.litAt-e.first)
		return nil
	}
	e.back(before)
	e.Wait(gap)
	return e.unit(u)
}

// begins notes where the light of frames begins.
func (e *emitter) begins() {
	if !e.lit {
		e.lit, e.litAt = true, e.Spent()
	}
}
