package dispatch

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"

	"facetd.example/bus"
)

const (
	// prepareLimit is how long a lost bus may take to be prepared again before jobs are accounted for again.
	prepareLimit = 50 * time.Millisecond
	// lostPause is how long the runner leaves a lost bus alone that cannot be prepared.
	lostPause = 50 * time.Millisecond
	// lostChange is how long a change of the tasks waits for a lost bus.
	lostChange = 10 * time.Second
)

// watchLoss has a loss of the bus put into the mailbox until the function that it returns is called.
func (r *runner) watchLoss(ctx context.Context, cancel context.CancelFunc) (stop func()) {
	lost := r.cfg.Bus.Lost()
	if lost == nil {
		return func() {}
	}
	r.watch = &lossWatch{ask: make(chan chan struct{}), ended: make(chan struct{})}
	go func() {
		defer close(r.watch.ended)
		for {
			select {
			case cause := <-lost:
				r.box.putLoss(cause)
			case answer := <-r.watch.ask:
				select {
				case cause := <-lost:
					r.box.putLoss(cause)
				default:
				}
				close(answer)
			case <-ctx.Done():
				return
			}
		}
	}()
	return func() {
		cancel()
		<-r.watch.ended
	}
}

// lossWatch is the goroutine that hears of losses; nil where the bus cannot be lost.
type lossWatch struct {
	ask   chan chan struct{} // is closed in answer once every loss until then is in the mailbox
	ended chan struct{}
}

// lossUntilNow takes the cause of a loss of which the bus has told until now; nil where there is none. A bus that was
// lost is found again by whatever is prepared, so it is looked for once something has been.
func (r *runner) lossUntilNow() error {
	if r.watch == nil {
		return nil
	}
	answer := make(chan struct{})
	select {
	case r.watch.ask <- answer:
		<-answer
	case <-r.watch.ended:
	}
	return r.box.takeLoss()
}

// lostBy returns the loss of the bus that an error tells of, or nil.
func lostBy(err error) *bus.LostError {
	var lost *bus.LostError
	if errors.As(err, &lost) {
		return lost
	}
	return nil
}

// lose notes that the bus was lost: what was in flight has failed, every register is at an unknown value and every load
// void. Nothing is submitted before the bus is prepared again, and all is restored before anything is read.
func (r *runner) lose(lost *bus.LostError) {
	if r.away == nil {
		r.log.Error("bus lost", zap.Error(lost.Cause))
	}
	r.away = lost
	r.notReady() // whatever it was ready for
	r.drain()
	r.again = nil
	for len(r.jobs) > 0 {
		r.give(r.jobs[0], lost.Error())
	}
	r.regs.lose(r.cfg.Array.All(), r.tab.assumes)
	r.resync = true
}

// stepAway is a step while the bus is lost: it is prepared again where it can be. Until then every job fails when it
// was to begin, with the cause.
func (r *runner) stepAway(ctx, hard context.Context) error {
	lost := r.away
	within, cancel := context.WithTimeout(hard, prepareLimit)
	r.notReady()
	err := r.cfg.Bus.Prepare(within, r.tab.runs.all)
	cancel()
	if err == nil {
		r.away, r.ready = nil, true
		r.failures = 0
		r.log.Info("bus found again", zap.Int64("bus_ns", r.cfg.Bus.Now().NS()))
	}
	now := r.now()
	if err == nil {
		r.passOver(r.soonest(now), lost.Error()) // nothing can begin before that
	} else {
		r.passOver(now+1, lost.Error())
	}
	if err == nil {
		return nil
	}
	for one := r.box.takeFirst(); one != nil; one = r.box.takeFirst() {
		if one.do != nil {
			return r.runOnDemand(hard, one, now, now)
		}
		one.done <- onDemandDone{err: &UnavailableError{lost}} // it has room for the one answer
	}
	if c := r.box.takeChangeBefore(now.Add(-lostChange)); c != nil {
		c.done <- changeDone{err: &UnavailableError{lost}} // it has room for the one answer
	}
	pause, cancel := context.WithTimeout(ctx, lostPause)
	defer cancel()
	if r.box.armWake(cancel) {
		<-pause.Done()
		r.box.disarmWake()
	}
	return nil
}
