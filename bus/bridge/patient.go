package bridge

import (
	"context"
	"errors"
	"time"
)

const (
	// graceOfADead is for how long a device is waited for whose host seems to be dead: its lease, usually, and half of
	// that.
	graceOfADead = 3 * DefaultLease / 2
	// lookAgain is how often it is asked whether it has heard of that.
	lookAgain = 50 * time.Millisecond
)

// greetPatiently is greet. Where another host uses the device of which that has heard nothing meanwhile, it waits until
// that one's lease has ended: over datagrams and serial lines a device does not hear that its host was killed, and who
// is started in its place should not have to be started twice.
func greetPatiently(ctx context.Context, address string, as host) (*session, error) {
	var first time.Time // the latest time at which the device may have heard of the other one, by what it told
	for began := time.Now(); ; {
		asked := time.Now()
		s, err := greet(ctx, address, as)
		var used *InUseError
		if !errors.As(err, &used) || used.Taken {
			return s, err
		}
		// It tells of a time from when it was asked to its answer: the other one lives where the earliest that this
		// may be is later than the latest of an answer before.
		if latest := time.Now().Add(-used.Heard); first.IsZero() || latest.Before(first) {
			first = latest
		}
		if asked.Add(-used.Heard).Sub(first) > lookAgain/2 || time.Since(began) > graceOfADead {
			return nil, err
		}
		select {
		case <-time.After(lookAgain):
		case <-ctx.Done():
			return nil, errors.Join(ctx.Err(), err)
		}
	}
}
