package bustest

import (
	"context"
	"slices"
	"sync"

	"facetd.example/bus"
)

// Record is one segment that was run, and what came of it.
type Record struct {
	Start   bus.Time // as asked for
	Segment bus.Segment
	Result  bus.Result
}

// Recorder is a bus that passes everything on to another and notes what is run.
type Recorder struct {
	bus.BusCloser

	mu       sync.Mutex
	records  []Record // of what was submitted
	results  int      // of them with results
	released []bus.Time
}

// NewRecorder returns a recorder of b.
func NewRecorder(b bus.BusCloser) *Recorder { return &Recorder{BusCloser: b} }

// Submit submits the segment and notes it. The job is copied, as its owner may go on changing it.
func (r *Recorder) Submit(start bus.Time, s *bus.Segment) error {
	if err := r.BusCloser.Submit(start, s); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.records = append(r.records, Record{Start: start, Segment: copyOf(s)})
	return nil
}

// Next notes the result.
func (r *Recorder) Next(ctx context.Context) (bus.Result, error) {
	res, err := r.BusCloser.Next(ctx)
	if err != nil {
		return res, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.records[r.results].Result = res
	r.results++
	return res, nil
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
func (r *Recorder) Release(ctx context.Context) (bus.Stop, error) {
	stop, err := r.BusCloser.Release(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.released = append(r.released, stop.Inactive)
	return stop, err
}

// Records returns what has a result, in order. It may be called at any time.
func (r *Recorder) Records() []Record {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.records[:r.results])
}

// Released returns the bus times of every call of Release.
func (r *Recorder) Released() []bus.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.released)
}
