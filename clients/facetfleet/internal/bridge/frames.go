package bridge

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

const (
	// LongestLease is how long a lease lasts at most; who wants more renews it.
	LongestLease = time.Minute
	// mostLeases is how many leases a robot gives at a time.
	mostLeases = 64
)

// frames sends frame sets to the hub while somebody has a lease. Of each task the newest set waits; one that is
// replaced while it waits is counted.
type frames struct {
	bridge *Bridge

	sets, bytes, skipped atomic.Uint64

	mu      sync.Mutex
	leases  map[string]*lease
	changed chan struct{}        // holds a token when leases changed
	waiting map[item]*waitingSet // sets that wait to be sent
	filled  chan struct{}        // holds a token when there may be one
	counts  map[item]struct{ sent, skipped uint64 }
}

type lease struct {
	until      time.Time
	tasks      []string
	bytes      uint64
	thumbnails bool
}

// item is a task in one of the forms in which it is sent.
type item struct {
	task       string
	thumbnails bool
}

func (i item) String() string {
	if i.thumbnails {
		return i.task + " thumbnails"
	}
	return i.task + " frames"
}

type waitingSet struct {
	set      *facet.FrameSet
	received time.Time
}

func newFrames(b *Bridge) *frames {
	return &frames{bridge: b, leases: map[string]*lease{}, changed: make(chan struct{}, 1),
		waiting: map[item]*waitingSet{}, filled: make(chan struct{}, 1),
		counts: map[item]struct{ sent, skipped uint64 }{}}
}

// grant gives, renews or ends a lease.
func (f *frames) grant(r *fleetv1.LeaseFrames, tasks []string) (*fleetv1.Lease, error) {
	d := r.GetDuration().AsDuration()
	for _, name := range r.GetTasks() {
		if d != 0 && !slices.Contains(tasks, name) { // a lease also ends when its task is gone
			return nil, invalidf("there is no task %q; the robot runs %q", name, tasks)
		}
	}
	switch {
	case r.GetLeaseId() == "" || len(r.GetLeaseId()) > 128:
		return nil, invalidf("a lease needs an id of 1 to 128 bytes")
	case d < 0:
		return nil, invalidf("a lease for %v is not possible: give up to %v, or 0 to end it", d, LongestLease)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	now := time.Now()
	f.expire(now)
	if d = min(d, LongestLease); d == 0 {
		delete(f.leases, r.GetLeaseId())
	} else {
		if _, renewed := f.leases[r.GetLeaseId()]; !renewed && len(f.leases) >= mostLeases {
			return nil, exhaustedf("%d leases run already", mostLeases)
		}
		f.leases[r.GetLeaseId()] = &lease{until: now.Add(d), tasks: r.GetTasks(), bytes: r.GetBytesPerSecond(),
			thumbnails: r.GetThumbnails()}
	}
	signal(f.changed)
	return &fleetv1.Lease{LeaseId: r.GetLeaseId(), Duration: durationpb.New(d), BytesPerSecond: uint64(f.rate()),
		Tasks: tasks}, nil
}

// expire removes what has ended. f.mu is held.
func (f *frames) expire(now time.Time) {
	for id, l := range f.leases {
		if !now.Before(l.until) {
			delete(f.leases, id)
		}
	}
}

// rate is what all leases have together: the most that one of them asks for, within what the bridge allows. f.mu is
// held.
func (f *frames) rate() int64 {
	most := int64(0)
	for _, l := range f.leases {
		if l.bytes == 0 {
			return f.bridge.cfg.FrameBytes
		}
		most = max(most, int64(min(l.bytes, uint64(f.bridge.cfg.FrameBytes))))
	}
	return most
}

// wants says in which forms a task is sent now. f.mu is held.
func (f *frames) wants(task string) (items []item) {
	for _, l := range f.leases {
		i := item{task, l.thumbnails}
		if (len(l.tasks) == 0 || slices.Contains(l.tasks, task)) && !slices.Contains(items, i) {
			items = append(items, i)
		}
	}
	return items
}

// run reads from the daemon and sends to the hub while there are leases.
func (f *frames) run(ctx context.Context) error {
	for {
		tasks, any := f.demand()
		if !any {
			select {
			case <-ctx.Done():
				return nil
			case <-f.changed:
				continue
			}
		}
		if err := f.serve(ctx, tasks); err != nil && ctx.Err() == nil {
			f.bridge.cfg.Log("frames: " + err.Error())
			sleep(ctx, 500*time.Millisecond)
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}

// demand is which tasks are wanted: none means all.
func (f *frames) demand() (tasks []string, any bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.expire(time.Now())
	for _, l := range f.leases {
		if len(l.tasks) == 0 {
			return nil, true
		}
		tasks = append(tasks, l.tasks...)
	}
	slices.Sort(tasks)
	return slices.Compact(tasks), len(tasks) > 0
}

// serve sends frame sets of these tasks until others are wanted.
func (f *frames) serve(ctx context.Context, tasks []string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, err := f.bridge.cfg.Daemon.Subscribe(ctx, facet.StreamOptions{Tasks: tasks})
	if err != nil {
		return err
	}
	var reading sync.WaitGroup
	defer reading.Wait()
	defer s.Close()
	broken := make(chan error, 1)
	reading.Go(func() {
		for {
			set, err := s.Next()
			if err != nil {
				broken <- err
				return
			}
			f.take(set)
		}
	})
	b := newBudget()
	for {
		if now, any := f.demand(); !any || !slices.Equal(now, tasks) {
			return nil
		}
		if err := f.step(ctx, b, broken); err != nil {
			return err
		}
	}
}

// take puts a frame set where it waits, in place of an older one.
func (f *frames) take(set *facet.FrameSet) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, i := range f.wants(set.Task()) {
		if f.waiting[i] != nil {
			c := f.counts[i]
			c.skipped++
			f.counts[i] = c
			f.skipped.Add(1)
		}
		f.waiting[i] = &waitingSet{set, time.Now()}
	}
	signal(f.filled)
}

// step sends one set, or waits until one may go, the leases change or half a second has passed.
func (f *frames) step(ctx context.Context, b *budget, broken chan error) error {
	now := time.Now()
	i, w, wait := f.choose(b, now)
	if w != nil {
		return f.send(b, i, w)
	}
	timer := time.NewTimer(min(wait, 500*time.Millisecond))
	defer timer.Stop()
	filled := f.filled
	if wait < time.Hour { // one waits for the budget: another makes no difference
		filled = nil
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case err := <-broken:
		return err
	case <-f.changed:
	case <-filled:
	case <-timer.C:
	}
	return nil
}

// choose takes the set that goes now, or says for how long none does.
func (f *frames) choose(b *budget, now time.Time) (item, *waitingSet, time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.expire(now)
	b.set(float64(f.rate()), now)
	byName := map[string]item{}
	var names []string
	for i := range f.waiting {
		if !slices.Contains(f.wants(i.task), i) { // its lease has ended
			delete(f.waiting, i)
			continue
		}
		byName[i.String()] = i
		names = append(names, i.String())
	}
	if len(names) == 0 {
		return item{}, nil, time.Hour
	}
	if wait := b.wait(now); wait > 0 {
		return item{}, nil, min(wait, time.Hour-1)
	}
	i := byName[b.next(names)]
	w := f.waiting[i]
	delete(f.waiting, i)
	return i, w, 0
}

func (f *frames) send(b *budget, i item, w *waitingSet) error {
	f.mu.Lock()
	c := f.counts[i]
	m := &fleetv1.RobotFrames{Robot: f.bridge.cfg.Robot, BridgeInstanceId: f.bridge.instance, Count: c.sent + 1,
		Skipped: c.skipped, ReceivedTime: timestamppb.New(w.received), Set: w.set.Message}
	f.mu.Unlock()
	to := subject.Frame(m.GetRobot(), i.task)
	if i.thumbnails {
		to = subject.Thumbnail(m.GetRobot(), i.task)
		m.Set, m.Thumbnails = thumbnails(w.set)
	}
	data, err := proto.Marshal(m)
	if err != nil {
		return err
	}
	failed := f.bridge.cfg.Hub.NC.Publish(to, data)
	b.spend(i.String(), len(data))
	f.mu.Lock()
	defer f.mu.Unlock()
	now := f.counts[i] // more may have been skipped meanwhile
	if failed != nil {
		// It is not kept: by the time the hub is there again it is no longer live.
		f.skipped.Add(1)
		now.skipped++
	} else {
		now.sent, now.skipped = now.sent+1, now.skipped-c.skipped
		f.sets.Add(1)
		f.bytes.Add(uint64(len(data)))
	}
	f.counts[i] = now
	return nil
}

// signal puts a token into a channel that holds one.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
