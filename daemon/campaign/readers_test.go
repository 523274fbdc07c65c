package campaign

import (
	"context"
	"fmt"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/rules"
	"facetd.example/daemon/stream"
)

// Violated is of dispatch.Observer: streams do not carry violations.
func (streams) Violated(rules.Violation) {}

// reader is what a subscriber was given.
type reader struct {
	sub *subscriber
	// from and until are how many frame sets had ended when it came and when it left.
	from, until int
	got         []stream.Message
}

// read subscribes, and reads until the subscriber vanishes or the streams end.
func (l *life) read(sub *subscriber) {
	s, err := l.hub.Subscribe(sub.options)
	if err != nil {
		return // the streams have ended
	}
	r := &reader{sub: sub, from: l.ledger.ended()}
	ctx, cancel := context.WithDeadline(context.Background(), l.born.Add(sub.until))
	defer cancel()
	for ctx.Err() == nil {
		m, err := s.Next(ctx)
		if err != nil {
			break
		}
		r.got = append(r.got, m)
		if len(r.got) == sub.stallAt {
			sleep(ctx, sub.stall)
		}
		sleep(ctx, sub.pause)
	}
	r.until = l.ledger.ended()
	s.Close()
	l.mu.Lock()
	l.readers = append(l.readers, r)
	l.mu.Unlock()
}

func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

// recorded is what became of a recording.
type recorded struct {
	name string
	// from and until are how many frame sets had ended when it was started and when it was to stop.
	from, until int
	stopped     bool // by the caller, not by the end of the daemon
	err         error
	info        *facetdv1.Recording
}

// record starts a recording and stops it.
func (l *life) record(rec *recording, i int) {
	out := &recorded{name: fmt.Sprint("r", i)}
	defer func() {
		l.mu.Lock()
		l.recorded = append(l.recorded, out)
		l.mu.Unlock()
	}()
	if _, out.err = l.manager.Start(out.name, rec.options); out.err != nil {
		return
	}
	out.from = l.ledger.ended()
	if rec.until > 0 && l.wait(rec.until-time.Since(l.born)) {
		out.until, out.stopped = l.ledger.ended(), true
		if _, err := l.manager.Stop(context.Background(), out.name); err != nil {
			out.stopped = false // it had ended before, by itself
		}
	} else {
		<-l.ctx.Done()
		out.until = l.ledger.ended()
	}
	out.info, out.err = l.manager.Get(out.name)
}
