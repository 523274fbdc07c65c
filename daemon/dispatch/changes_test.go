package dispatch

import (
	"errors"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"context"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// AddTask is Apply with one task to add.
func (d *Dispatcher) AddTask(ctx context.Context, t *facetdv1.Task) (bus.Time, error) {
	c, err := d.Apply(ctx, &facetdv1.TaskChanges{Add: []*facetdv1.Task{t}})
	return c.Effective, err
}

// UpdateTask is Apply with one task to change as a whole.
func (d *Dispatcher) UpdateTask(ctx context.Context, t *facetdv1.Task) (bus.Time, error) {
	c, err := d.Apply(ctx, &facetdv1.TaskChanges{Update: []*facetdv1.TaskUpdate{{Task: t}}})
	return c.Effective, err
}

// RemoveTask is Apply with one task to remove.
func (d *Dispatcher) RemoveTask(ctx context.Context, name string) (bus.Time, error) {
	c, err := d.Apply(ctx, &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: name}}})
	return c.Effective, err
}

func (b *board) specs() []*facetdv1.Task {
	tasks, _ := b.active()
	return tasks
}

func adding(tasks ...*facetdv1.Task) *facetdv1.TaskChanges { return &facetdv1.TaskChanges{Add: tasks} }

// addingFor adds tasks and removes one.
func addingFor(tasks []*facetdv1.Task, gone string) *facetdv1.TaskChanges {
	return &facetdv1.TaskChanges{Add: tasks, Remove: []*facetdv1.TaskRemoval{{Name: gone}}}
}

// Changes of several tasks are one: all or none, one table, one revision.
func TestChangesAreOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		snap := r.Snapshot()
		etag := snap.Tasks[0].GetEtag()
		time.Sleep(time.Second) // the first timetable is active
		synctest.Wait()
		plans := r.watch.plans
		c, err := r.Apply(ctx, &facetdv1.TaskChanges{Add: []*facetdv1.Task{countTask(20)},
			ExpectedRevision: &snap.Revision,
			Update: []*facetdv1.TaskUpdate{{Task: memTask(50),
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"rate_hz"}},
				Etag:       etag}}})
		if err != nil {
			t.Fatal(err)
		}
		after := r.Snapshot()
		if c.Revision != snap.Revision+1 || after.Revision != c.Revision || len(after.Tasks) != 2 ||
			after.Tasks[0].GetTask().GetRateHz() != 50 || after.Tasks[0].GetEtag() == etag {
			t.Errorf("revision %d after %d, tasks %v", c.Revision, snap.Revision, after.Tasks)
		}
		if got := r.watch.plans - plans; got != 1 {
			t.Errorf("%d timetables for one change", got)
		}
		var stale *failure.Stale
		_, err = r.Apply(ctx, &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: "count"}},
			ExpectedRevision: &snap.Revision})
		if !errors.As(err, &stale) || stale.Current != strconv.FormatUint(after.Revision, 10) {
			t.Errorf("an old revision: %v", err)
		}
		_, err = r.Apply(ctx, &facetdv1.TaskChanges{Remove: []*facetdv1.TaskRemoval{{Name: "count"},
			{Name: "mem", Etag: etag}}})
		if !errors.As(err, &stale) || stale.Current != after.Tasks[0].GetEtag() {
			t.Errorf("an old etag: %v", err)
		}
		if now := r.Snapshot(); now.Revision != after.Revision || len(now.Tasks) != 2 {
			t.Errorf("refused changes left revision %d and %d tasks", now.Revision, len(now.Tasks))
		}
		cancel()
		<-done
	})
}

// starting is the place of a table that begins with its cycle.
func starting(at bus.Time) placement { return placement{epoch: at, from: at, begin: at} }
