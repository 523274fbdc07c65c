package server

import (
	"context"
	"sync"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/stream"
)

// observers notifies several observers, in order.
type observers []dispatch.Observer

func (o observers) SegmentRun(task string, r *bus.Result, words dispatch.WordCount) {
	for _, each := range o {
		each.SegmentRun(task, r, words)
	}
}

func (o observers) JobEnded(fs *facetdv1.FrameSet) {
	for _, each := range o {
		each.JobEnded(fs)
	}
}

// JobEndedLater has the pixels read before those observers are notified who may want them.
func (o observers) JobEndedLater(fs *facetdv1.FrameSet, look func()) {
	for _, each := range o {
		if later, can := each.(dispatch.LaterObserver); can {
			later.JobEndedLater(fs, look)
			continue
		}
		look()
		each.JobEnded(fs)
	}
}

func (o observers) PlanChanged(plan *facetdv1.Plan, at, epoch bus.Time) {
	for _, each := range o {
		each.PlanChanged(plan, at, epoch)
	}
}

func (o observers) Violated(v rules.Violation) {
	for _, each := range o {
		each.Violated(v)
	}
}

// onJobEnded is an observer of ended jobs alone.
type onJobEnded func(*facetdv1.FrameSet)

func (f onJobEnded) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (f onJobEnded) JobEnded(fs *facetdv1.FrameSet)                     { f(fs) }
func (f onJobEnded) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time)     {}
func (f onJobEnded) Violated(rules.Violation)                           {}

// paced holds the bus until Config.Pacer lets it go on.
type paced struct {
	s     *Server
	begun bool

	mu   sync.Mutex
	held chan struct{} // closed while the bus is held
	is   bool
}

func (p *paced) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (p *paced) Violated(rules.Violation)                           {}
func (p *paced) JobEnded(fs *facetdv1.FrameSet)                     { p.hold(bus.Time(fs.GetFinishBusNs())) }
func (p *paced) JobEndedLater(fs *facetdv1.FrameSet, _ func())      { p.JobEnded(fs) }
func (p *paced) PlanChanged(_ *facetdv1.Plan, at, _ bus.Time) {
	if !p.begun { // a later plan takes effect within a request, which waits for it
		p.hold(at)
	}
}

func (p *paced) hold(at bus.Time) {
	p.begun = true
	p.mu.Lock()
	p.is = true
	close(p.held)
	p.mu.Unlock()
	p.s.cfg.Pacer(*p.s.running.Load(), p.s.hub, at.Elapsed())
	p.mu.Lock()
	p.is, p.held = false, make(chan struct{})
	p.mu.Unlock()
}

// act runs f while the bus is held, or on the goroutine that owns it between two segments, whichever comes first.
func (p *paced) act(ctx context.Context, f func(now bus.Time) error) error {
	var once sync.Once
	var wrong error
	run := func() error {
		once.Do(func() { wrong = f(p.s.bus.Now()) })
		return wrong
	}
	for {
		p.mu.Lock()
		if p.is {
			defer p.mu.Unlock()
			return run()
		}
		held := p.held
		p.mu.Unlock()
		until, cancel := context.WithCancel(ctx)
		go func() {
			select {
			case <-held:
				cancel()
			case <-until.Done():
			}
		}()
		err := p.s.owner.Do(until, run)
		overtaken := until.Err() != nil
		cancel()
		if err == nil || !overtaken || ctx.Err() != nil {
			return err
		}
	}
}

// toStreams publishes every frame set, and which tasks there are.
type toStreams struct{ *stream.Hub }

func (s toStreams) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (s toStreams) Violated(rules.Violation)                           {}
func (s toStreams) JobEnded(fs *facetdv1.FrameSet)                     { s.Publish(fs) }
func (s toStreams) JobEndedLater(fs *facetdv1.FrameSet, look func())   { s.PublishLater(fs, look) }
func (s toStreams) PlanChanged(plan *facetdv1.Plan, _, _ bus.Time) {
	names := make([]string, len(plan.GetTasks()))
	for i, t := range plan.GetTasks() {
		names[i] = t.GetName()
	}
	s.SetTasks(names)
}
