package api

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// validator judges a stream of granted frame sets: those of a task come in the order of their jobs, none twice; a
// generation is told before its first and after the last of the one before; what is left out is counted exactly; and
// the totals never fall.
type validator struct {
	mu         sync.Mutex
	generation map[string]uint64
	next       map[string]uint64 // job that would follow on the last
	known      map[string]bool   // next is of the generation
	dropped    uint64
	moved      chan struct{}
}

func newValidator(b *facetdv1.FollowBegun) *validator {
	v := &validator{generation: map[string]uint64{}, next: map[string]uint64{}, known: map[string]bool{},
		moved: make(chan struct{}, 1)}
	for _, t := range b.GetTasks() {
		v.generation[t.GetTask()], v.next[t.GetTask()], v.known[t.GetTask()] = t.GetGeneration(), t.GetJobsEnded(), true
	}
	return v
}

// all judges a stream up to its end.
func (v *validator) all(s facetdv1.FrameService_FollowFrameSetsClient) error {
	for {
		m, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := v.take(m); err != nil {
			return fmt.Errorf("%s: %w", said(m), err)
		}
		select {
		case v.moved <- struct{}{}:
		default:
		}
	}
}

func (v *validator) take(m *facetdv1.FollowFrameSetsResponse) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if n := m.GetTaskNotice(); n != nil {
		return v.notice(n)
	}
	d := m.GetDelivery()
	if d == nil {
		return nil
	}
	fs := d.GetFrameSet()
	task := fs.GetTask()
	switch {
	case fs.GetTaskGeneration() != v.generation[task]:
		return fmt.Errorf("generation %d was told", v.generation[task])
	case v.known[task] && fs.GetJob() != v.next[task]+d.GetLeftOut():
		return fmt.Errorf("job %d would follow", v.next[task])
	case d.GetDropped() > d.GetLeftOut():
		return fmt.Errorf("%d dropped of %d left out", d.GetDropped(), d.GetLeftOut())
	case d.GetDroppedTotal() < v.dropped:
		return fmt.Errorf("%d had been dropped before", v.dropped)
	}
	v.next[task], v.known[task], v.dropped = fs.GetJob()+1, true, d.GetDroppedTotal()
	return nil
}

func (v *validator) notice(n *facetdv1.TaskNotice) error {
	before, known := v.generation[n.GetTask()]
	switch n.GetChange() {
	case facetdv1.TaskChange_TASK_CHANGE_ADDED:
		if known {
			return errors.New("it was there")
		}
	case facetdv1.TaskChange_TASK_CHANGE_REPLACED:
		if !known || n.GetGeneration() <= before {
			return fmt.Errorf("it had generation %d", before)
		}
	case facetdv1.TaskChange_TASK_CHANGE_REMOVED:
		if !known || n.GetGeneration() != before {
			return fmt.Errorf("it had generation %d", before)
		}
		delete(v.generation, n.GetTask())
		delete(v.known, n.GetTask())
		return nil
	default:
		return errors.New("nothing became of it")
	}
	v.generation[n.GetTask()], v.known[n.GetTask()] = n.GetGeneration(), false
	return nil
}

// until waits until the stream has come to the last job that ended of each task.
func (v *validator) until(t *testing.T, tasks []*facetdv1.RunningTask) {
	t.Helper()
	late := time.After(10 * time.Second)
	for {
		v.mu.Lock()
		behind := ""
		for _, r := range tasks {
			name := r.GetTask().GetName()
			if v.generation[name] != r.GetGeneration() || v.next[name] != r.GetStatus().GetJobsEnded() {
				behind = fmt.Sprintf("%s:%d/%d, ended %d/%d", name, v.generation[name], v.next[name],
					r.GetGeneration(), r.GetStatus().GetJobsEnded())
			}
		}
		v.mu.Unlock()
		if behind == "" {
			return
		}
		select {
		case <-v.moved:
		case <-late:
			t.Fatalf("the stream does not come to the end: %s", behind)
		}
	}
}
