package store

import (
	"context"
	"io"
	"sync"
	"time"
)

// Pace is a rate that all uploads share.
type Pace struct {
	rate float64 // bytes a second

	mu   sync.Mutex
	next time.Time // when the next bytes may go
}

// NewPace is a rate in bytes a second, above 0.
func NewPace(rate int64) *Pace { return &Pace{rate: float64(rate)} }

// piece is how much goes at once: so little that what else uses the link waits for none of it for long.
const piece = 16 << 10

// wait returns once n bytes may go. Nothing is saved up while nothing is sent.
func (p *Pace) wait(ctx context.Context, n int) error {
	if p == nil {
		return ctx.Err()
	}
	p.mu.Lock()
	now := time.Now()
	if p.next.Before(now) {
		p.next = now
	}
	p.next = p.next.Add(time.Duration(float64(n) / p.rate * float64(time.Second)))
	wait := p.next.Sub(now)
	p.mu.Unlock()
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// paced reads at a rate. It has no other methods of what it reads: a client library that could go back would send
// again by itself, and past the rate.
type paced struct {
	ctx   context.Context
	from  io.Reader
	pace  *Pace
	moved func(n int)
}

func (p *paced) Read(b []byte) (int, error) {
	n, err := p.from.Read(b[:min(len(b), piece)])
	if n > 0 {
		if err := p.pace.wait(p.ctx, n); err != nil {
			return 0, err
		}
		p.moved(n)
	}
	return n, err
}
