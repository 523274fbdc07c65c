package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/resample"
	"facetd.example/daemon/stream"
)

const (
	// MaxGranted is how many frame sets may be granted and not sent.
	MaxGranted       = 1024
	defaultHeartbeat = time.Second
	minHeartbeat     = 50 * time.Millisecond
	maxHeartbeat     = time.Hour
)

type followStream = grpc.BidiStreamingServer[facetdv1.FollowFrameSetsRequest, facetdv1.FollowFrameSetsResponse]

// follower is one stream of granted frame sets. All of it but the receiving of grants is on one goroutine.
type follower struct {
	v         *frameService
	out       followStream
	choose    chooser
	square    bool
	heartbeat time.Duration
	sub       *stream.Subscription
	granted   uint32
	// told is the generation of each task that the client knows of; next the job of it that would follow on what it
	// has, where that is known.
	told, next map[string]uint64
	// paused are those of told of which the client knows that they are paused.
	paused map[string]bool
	// tasks are those chosen that the daemon had at the version-th change of the tasks, and untold tells whether the
	// client knows of all of that.
	tasks   []*facetdv1.RunningTask
	version uint64
	untold  bool
}

// FollowFrameSets sends no more than was granted, so that nothing waits in the transport that the client has not asked
// for. What waits here does so in package stream, by the policy that the client chose.
func (v *frameService) FollowFrameSets(out followStream) error {
	first, err := out.Recv()
	if err != nil {
		return err
	}
	start := first.GetStart()
	if start == nil {
		return invalid.Errors{{Path: "start", Message: "the first request of a stream must hold it",
			Hint: "send a start, then grants"}}
	}
	f := &follower{v: v, out: out, choose: chooser{v.s, start.GetSelection()}, granted: start.GetFrameSets(),
		square: start.GetSelection().GetCodes() == facetdv1.Codes_CODES_CORRECTED_SQUARE,
		told:   map[string]uint64{}, next: map[string]uint64{}, paused: map[string]bool{}}
	options, err := f.check(start)
	if err != nil {
		return err
	}
	options.Name = caller(out.Context())
	if f.sub, err = v.s.cfg.Hub.Subscribe(options); err != nil {
		return err
	}
	defer f.sub.Close()
	if err := f.begin(start); err != nil {
		return err
	}
	return f.run()
}

// check checks what a stream is to be. Errors: invalid.Errors, *failure.NotFound.
func (f *follower) check(start *facetdv1.FollowStart) (o stream.Options, err error) {
	var m invalid.Errors
	f.v.selection(&m, "start.selection.", start.GetSelection(), &o)
	queueOf(&m, start, &o)
	f.heartbeat = within(&m, "start.heartbeat_interval", start.GetHeartbeatInterval(), minHeartbeat, maxHeartbeat,
		defaultHeartbeat)
	if f.granted > MaxGranted {
		m.Add("start.frame_sets", fmt.Sprintf("%d are too many", f.granted), fmt.Sprintf("use 0 to %d", MaxGranted))
	}
	if len(m) > 0 {
		return o, m
	}
	if err := f.v.runs(o.Tasks); err != nil {
		return o, err
	}
	if snap := f.v.s.cfg.Dispatch.Snapshot(); snap.State == facetdv1.State_STATE_RUNNING {
		return o, f.choose.barren("start.selection.", snap.Tasks)
	}
	return o, nil
}

// begin tells whose frame sets follow. What ended before is missed, what ends later is sent or counted: the
// subscription is older than the look at the tasks, so that some of what it holds may count as ended before.
func (f *follower) begin(start *facetdv1.FollowStart) error {
	f.version = f.sub.Tasks()
	snap := f.v.s.cfg.Dispatch.Snapshot()
	at, err := f.v.s.placesOf("start.after", start.GetInstanceId(), start.GetAfter(), snap.Tasks)
	if err != nil {
		return err
	}
	identity := f.v.s.Identity()
	begun := &facetdv1.FollowBegun{Identity: identity, BusNs: snap.Now.NS(),
		SameInstance: start.GetInstanceId() == identity.GetInstanceId() && start.GetInstanceId() != ""}
	f.tasks = f.choose.chosen(snap.Tasks)
	for _, t := range f.tasks {
		one := &facetdv1.FollowedTask{Task: t.GetTask().GetName(), Generation: t.GetGeneration(),
			JobsEnded: t.GetStatus().GetJobsEnded(), Paused: t.GetStatus().GetPaused()}
		f.paused[one.GetTask()] = one.GetPaused()
		if had := at.of(one.GetTask(), one.GetGeneration()); had != nil {
			one.Resumed, one.Missed = true, one.GetJobsEnded()-had.GetJob()-1
		}
		f.told[one.GetTask()] = one.GetGeneration()
		if t.FirstJob != nil {
			f.next[one.GetTask()], one.NextJob = one.GetJobsEnded(), proto.Uint64(one.GetJobsEnded())
		}
		begun.Tasks = append(begun.Tasks, one)
	}
	return f.out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Begun{Begun: begun}})
}

// granting is what the client sent, or the end of it.
type granting struct {
	request *facetdv1.FollowFrameSetsRequest
	err     error
}

// receive hands on what the client sends until the stream ends.
func (f *follower) receive(ctx context.Context, to chan<- granting) {
	for {
		var g granting
		g.request, g.err = f.out.Recv()
		select {
		case to <- g:
		case <-ctx.Done():
			return
		}
		if g.err != nil {
			return
		}
	}
}

func (f *follower) run() error {
	ctx, cancel := context.WithCancel(f.out.Context())
	defer cancel()
	grants := make(chan granting)
	go f.receive(ctx, grants)
	silence := time.NewTimer(f.heartbeat)
	defer silence.Stop()
	for {
		sent, err := f.sendWhatMay()
		if err != nil {
			return err
		}
		if sent {
			silence.Reset(f.heartbeat)
		}
		f.sub.Rest(f.granted > 0)
		select {
		case <-f.sub.Wake():
		case g := <-grants:
			if errors.Is(g.err, io.EOF) {
				return nil
			}
			if err := f.grant(g); err != nil {
				return err
			}
		case <-silence.C:
			if err := f.beat(); err != nil {
				return err
			}
			silence.Reset(f.heartbeat)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// grant lets more be sent.
func (f *follower) grant(g granting) error {
	if g.err != nil {
		return g.err
	}
	n := g.request.GetGrant().GetFrameSets()
	switch {
	case g.request.GetGrant() == nil:
		return invalid.Errors{{Path: "grant", Message: "a request after the first must hold it",
			Hint: "open another stream for another selection"}}
	case n == 0:
		return invalid.Errors{{Path: "grant.frame_sets", Message: "it is 0", Hint: "grant 1 or more"}}
	case n > MaxGranted-f.granted:
		return invalid.Errors{{Path: "grant.frame_sets",
			Message: fmt.Sprintf("%d more are too many: %d are granted and not sent", n, f.granted),
			Hint:    fmt.Sprintf("grant at most %d in all", MaxGranted)}}
	}
	f.granted += n
	return nil
}

// sendWhatMay sends what has been granted and is there, and what became of tasks.
func (f *follower) sendWhatMay() (sent bool, err error) {
	for {
		told, err := f.tellTasks()
		if err != nil {
			return sent, err
		}
		sent = sent || told
		if f.granted == 0 {
			return sent, f.sub.Ended()
		}
		m, ok, err := f.sub.Take()
		if err != nil || !ok {
			return sent, err
		}
		delivered, err := f.deliver(&m)
		if err != nil {
			return sent, err
		}
		sent = sent || delivered
	}
}

// deliver sends a frame set, unless it was counted as ended before the stream began.
func (f *follower) deliver(m *stream.Message) (bool, error) {
	fs := m.FrameSet
	task, generation := fs.GetTask(), fs.GetTaskGeneration()
	if f.told[task] != generation {
		f.look()
		if err := f.tell(task, generation); err != nil {
			return false, err
		}
	}
	next, known := f.next[task]
	switch {
	case !known:
		next = fs.GetJob() - m.OfTask
	case fs.GetJob() < next:
		return false, nil
	}
	var sent struct { // one allocation for the three
		m     facetdv1.FollowFrameSetsResponse
		event facetdv1.FollowFrameSetsResponse_Delivery
		d     facetdv1.FrameSetDelivery
	}
	d := &sent.d
	d.FrameSet, d.LeftOut, d.DroppedTotal = fs, fs.GetJob()-next, m.DroppedTotal
	d.DecimatedTotal = m.DecimatedTotal
	d.Dropped = min(m.OfTask, d.LeftOut) // it may also count those of the generation before
	if f.square {
		d.FrameSet = resample.Square(fs)
	}
	f.next[task] = fs.GetJob() + 1
	f.granted--
	sent.event.Delivery, sent.m.Event = d, &sent.event
	return true, f.out.Send(&sent.m)
}

// look finds out which tasks there are, where that has changed.
func (f *follower) look() {
	version := f.sub.Tasks()
	if version == f.version {
		return
	}
	snap := f.v.s.cfg.Dispatch.Snapshot()
	f.tasks, f.version, f.untold = f.choose.chosen(snap.Tasks), version, true
}

// tellTasks tells what became of tasks of which no frame set waits any more.
func (f *follower) tellTasks() (told bool, err error) {
	if f.look(); !f.untold {
		return false, nil
	}
	f.untold = false
	now := map[string]bool{}
	for _, t := range f.tasks {
		name, generation := t.GetTask().GetName(), t.GetGeneration()
		now[name] = true
		switch known, paused := f.told[name] == generation, t.GetStatus().GetPaused(); {
		case known && f.paused[name] == paused:
		case f.sub.Waits(name):
			f.untold = true
		default:
			told = true
			if !known {
				if err := f.tell(name, generation); err != nil {
					return told, err
				}
			}
			if err := f.tellPause(name, generation, paused); err != nil {
				return told, err
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f.told)) {
		switch generation := f.told[name]; {
		case now[name]:
		case f.sub.Waits(name):
			f.untold = true
		default:
			told = true
			delete(f.told, name)
			delete(f.next, name)
			delete(f.paused, name)
			if err := f.notice(name, generation, facetdv1.TaskChange_TASK_CHANGE_REMOVED); err != nil {
				return told, err
			}
		}
	}
	return told, nil
}

// tell tells that a task has a generation, of which nothing was sent yet: its first job is known unless it has become
// another one again.
func (f *follower) tell(task string, generation uint64) error {
	change := facetdv1.TaskChange_TASK_CHANGE_ADDED
	if f.told[task] != 0 {
		change = facetdv1.TaskChange_TASK_CHANGE_REPLACED
	}
	delete(f.next, task)
	if t := findTask(f.tasks, task); t != nil && t.GetGeneration() == generation && t.FirstJob != nil {
		f.next[task] = t.GetFirstJob()
	}
	f.told[task] = generation
	return f.notice(task, generation, change)
}

// tellPause tells that a task is paused, or is not any more, where the client does not know it.
func (f *follower) tellPause(task string, generation uint64, paused bool) error {
	if f.paused[task] == paused {
		return nil
	}
	f.paused[task] = paused
	if paused {
		return f.notice(task, generation, facetdv1.TaskChange_TASK_CHANGE_PAUSED)
	}
	return f.notice(task, generation, facetdv1.TaskChange_TASK_CHANGE_RESUMED)
}

func (f *follower) notice(task string, generation uint64, change facetdv1.TaskChange) error {
	return f.out.Send(&facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_TaskNotice{
		TaskNotice: &facetdv1.TaskNotice{Task: task, Generation: generation, Change: change}}})
}

// beat says that the stream is alive, to a client that waits for a frame set: another one would find heartbeats first
// when it comes back.
func (f *follower) beat() error {
	if f.granted == 0 {
		return nil
	}
	snap := f.v.s.cfg.Dispatch.Snapshot()
	return f.out.Send(&facetdv1.FollowFrameSetsResponse{
		Event: &facetdv1.FollowFrameSetsResponse_Heartbeat{Heartbeat: f.choose.heartbeat(&snap)}})
}
