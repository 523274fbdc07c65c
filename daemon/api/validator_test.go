package api

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
)

// validator judges a stream of granted frame sets while a test goes on.
type validator struct {
	mu    sync.Mutex
	judge *followtest.Judge
	moved chan struct{}
}

func newValidator(b *facetdv1.FollowBegun) *validator {
	return &validator{judge: followtest.NewJudge(b), moved: make(chan struct{}, 1)}
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
	return v.judge.Take(m)
}

// until waits until the stream has come to the last job that ended of each task.
func (v *validator) until(t *testing.T, tasks []*facetdv1.RunningTask) {
	t.Helper()
	late := time.After(patience)
	for {
		v.mu.Lock()
		behind := ""
		for _, r := range tasks {
			name := r.GetTask().GetName()
			generation, next := v.judge.Reached(name)
			if generation != r.GetGeneration() || next != r.GetStatus().GetJobsEnded() {
				behind = fmt.Sprintf("%s:%d/%d, ended %d/%d", name, generation, next, r.GetGeneration(),
					r.GetStatus().GetJobsEnded())
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
