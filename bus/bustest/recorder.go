package bustest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"facetd.example/bus"
)

// Record is one segment that was run, and what came of it.
type Record struct {
	Start   bus.Time // as asked for
	Segment bus.Segment
	Result  bus.Result
	Err     error
}

// Recorder is a bus that passes everything on to another and notes what is run.
type Recorder struct {
	bus.BusCloser

	mu       sync.Mutex
	records  []Record
	released []bus.Time
}

// NewRecorder returns a recorder of b.
func NewRecorder(b bus.BusCloser) *Recorder { return &Recorder{BusCloser: b} }

// Run runs the segment and notes it. The job is copied, as its owner may go on changing it.
func (r *Recorder) Run(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error) {
	kept := copyOf(s)
	res, err := r.BusCloser.Run(ctx, start, s)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.records = append(r.records, Record{start, kept, res, err})
	return res, err
}

func copyOf(s *bus.Segment) bus.Segment {
	kept := *s
	if s.Job != nil {
		job := *s.Job
		kept.Job = &job
	}
	return kept
}

// Release releases the lines and notes when.
func (r *Recorder) Release() bus.Time {
	at := r.BusCloser.Release()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.released = append(r.released, at)
	return at
}

// Records returns what was run so far, in order. It may be called at any time.
func (r *Recorder) Records() []Record {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.records)
}

// Released returns the bus times of every call of Release.
func (r *Recorder) Released() []bus.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.released)
}

// Fault is what goes wrong with the segments that it matches.
type Fault struct {
	// When selects the segments; nil selects every one.
	When func(start bus.Time, s *bus.Segment) bool
	// Skip is how many matching segments are left alone first.
	Skip int
	// Times is how many are hit; 0 is all.
	Times int
	// Delay moves the start later by this much bus time.
	Delay time.Duration
	// Err is returned instead of running the segment, or, with After, beside the
	// result of having run it.
	Err   error
	After bool
	// HalfWay, with Err, is how many operations of the segment are run before it fails; 0 is none. The captures
	// made until then come beside the error.
	HalfWay int
}

// Faulty is a bus that passes everything on to another and injects faults. The
// first fault that matches a segment counts.
type Faulty struct {
	bus.BusCloser
	faults []Fault

	mu   sync.Mutex
	hits []int
}

// NewFaulty returns b with faults.
func NewFaulty(b bus.BusCloser, faults ...Fault) *Faulty {
	return &Faulty{BusCloser: b, faults: slices.Clone(faults), hits: make([]int, len(faults))}
}

// Run runs the segment, or fails it.
func (f *Faulty) Run(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error) {
	fault := f.match(start, s)
	switch {
	case fault == nil:
		return f.BusCloser.Run(ctx, start, s)
	case fault.Err != nil && fault.HalfWay > 0:
		half := *s
		half.Ops = s.Ops[:min(fault.HalfWay, len(s.Ops))]
		res, err := f.BusCloser.Run(ctx, start.Add(fault.Delay), &half)
		return res, errors.Join(fault.Err, err)
	case fault.Err != nil && !fault.After:
		at := start.Add(fault.Delay)
		if err := f.WaitUntil(ctx, at); err != nil {
			return bus.Result{}, err
		}
		return bus.Result{Start: at, End: at}, fault.Err
	}
	res, err := f.BusCloser.Run(ctx, start.Add(fault.Delay), s)
	if err == nil {
		err = fault.Err
	}
	return res, err
}

// match returns the fault that hits a segment, or nil, and counts it.
func (f *Faulty) match(start bus.Time, s *bus.Segment) *Fault {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.faults {
		fault := &f.faults[i]
		if fault.When != nil && !fault.When(start, s) {
			continue
		}
		f.hits[i]++
		if n := f.hits[i] - fault.Skip; n > 0 && (fault.Times == 0 || n <= fault.Times) {
			return fault
		}
	}
	return nil
}

// Hits returns how many segments each fault has matched, those left alone included.
func (f *Faulty) Hits() []int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.hits)
}
