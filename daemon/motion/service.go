package motion

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/stream"
)

const (
	// MaxGranted is how many estimates may be granted and not sent.
	MaxGranted = 1024
	// waitingSets is how many frame sets of a task may wait to be compared; the oldest is lost then.
	waitingSets      = 64
	defaultHeartbeat = time.Second
	minHeartbeat     = 50 * time.Millisecond
	maxHeartbeat     = time.Hour
)

// Config holds what the service depends on.
type Config struct {
	Array *chipmodel.Array
	Hub   *stream.Hub
	// Tasks are those that run, BusNs is the bus time, and Identity which daemon this is.
	Tasks    func() []*facetdv1.RunningTask
	BusNs    func() int64
	Identity func() *facetdv1.Identity
}

// Service is the service. Its methods may be called from any goroutine.
type Service struct {
	facetdv1.UnimplementedMotionServiceServer
	cfg    Config
	counts Counts
}

// New makes the service.
func New(cfg Config) *Service { return &Service{cfg: cfg} }

// Register puts the service on a server.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterMotionServiceServer(r, s) }

// Tracker makes one beside those of the streams, whose estimates count among theirs.
func (s *Service) Tracker() *Tracker { return NewTracker(s.cfg.Array, s.viewsOf, &s.counts) }

// Stats returns what there was.
func (s *Service) Stats() Stats { return s.counts.Stats() }

// viewsOf are the views of a generation of a task.
func (s *Service) viewsOf(task string, generation uint64) []*facetdv1.View {
	for _, t := range s.cfg.Tasks() {
		if t.GetTask().GetName() == task && t.GetGeneration() == generation {
			return named(t.GetTask().GetViews())
		}
	}
	return nil
}

// named are the views of a task by the names that its frames have: one without a name is called by its place, and a
// task without views has one.
func named(views []*facetdv1.View) []*facetdv1.View {
	out := slices.Clone(views)
	if len(out) == 0 {
		out = []*facetdv1.View{{}}
	}
	for i, v := range out {
		if v.GetName() == "" {
			out[i] = &facetdv1.View{Name: fmt.Sprintf("view-%d", i+1), Binning: v.GetBinning()}
		}
	}
	return out
}

// motionStream is what a watcher sends to, and hears grants from.
type motionStream interface {
	Context() context.Context
	Send(*facetdv1.StreamMotionResponse) error
	Recv() (*facetdv1.StreamMotionRequest, error)
}

// watcher is one stream. All of it but the receiving of grants is on one goroutine.
type watcher struct {
	s         *Service
	out       motionStream
	sub       *stream.Subscription
	tracker   *Tracker
	waiting   queue
	heartbeat time.Duration
	granted   uint32
	lost      uint64 // frame sets
	counted   uint64 // estimates dropped that the service has counted
	// every is the least bus time between two estimates of a task that are sent; 0 is none. sent is when the last was.
	every time.Duration
	sent  map[string]int64
}

// StreamMotion serves one stream.
func (s *Service) StreamMotion(
	out grpc.BidiStreamingServer[facetdv1.StreamMotionRequest, facetdv1.StreamMotionResponse]) error {
	first, err := out.Recv()
	if err != nil {
		return err
	}
	start := first.GetStart()
	if start == nil {
		return invalid.Errors{{Path: "start", Message: "the first request of a stream must hold it",
			Hint: "send a start, then grants"}}
	}
	w := &watcher{s: s, out: out, granted: start.GetEstimates()}
	options, err := w.check(start)
	if err != nil {
		return err
	}
	return w.serve(options)
}

// serve opens the stream and runs it.
func (w *watcher) serve(options stream.Options) (err error) {
	s, out := w.s, w.out
	w.tracker = s.Tracker()
	if p, ok := peer.FromContext(out.Context()); ok {
		options.Name = p.Addr.String()
	}
	if w.sub, err = s.cfg.Hub.Subscribe(options); err != nil {
		return err
	}
	defer w.sub.Close()
	s.counts.open.Add(1)
	defer s.counts.open.Add(-1)
	begun := &facetdv1.MotionBegun{Identity: s.cfg.Identity(), BusNs: s.cfg.BusNs()}
	if err := out.Send(&facetdv1.StreamMotionResponse{
		Event: &facetdv1.StreamMotionResponse_Begun{Begun: begun}}); err != nil {
		return err
	}
	return w.run()
}

// check checks what a stream is to be. Errors: invalid.Errors, *failure.NotFound, *failure.Precondition.
func (w *watcher) check(start *facetdv1.MotionStart) (o stream.Options, err error) {
	var m invalid.Errors
	for i, chip := range start.GetChips() {
		if w.s.cfg.Array.Chip(chip) < 0 {
			m.Add(fmt.Sprintf("start.chips[%d]", i), fmt.Sprintf("no chip is called %q", chip),
				"name chips of the array")
		}
	}
	switch start.GetOverflow() {
	case facetdv1.Overflow_OVERFLOW_UNSPECIFIED, facetdv1.Overflow_OVERFLOW_LATEST:
		w.waiting.length = 1
	case facetdv1.Overflow_OVERFLOW_QUEUE:
		w.waiting.length = stream.DefaultQueue
	default:
		m.Add("start.overflow", fmt.Sprintf("there is no overflow policy %d", start.GetOverflow()),
			"use OVERFLOW_LATEST or OVERFLOW_QUEUE")
	}
	switch n := start.GetQueueLength(); {
	case n > 0 && start.GetOverflow() != facetdv1.Overflow_OVERFLOW_QUEUE:
		m.Add("start.queue_length", "only a queue has a length", "ask for OVERFLOW_QUEUE, or leave it out")
	case n > stream.MaxQueue:
		m.Add("start.queue_length", fmt.Sprintf("%d estimates are too many", n),
			fmt.Sprintf("use 1 to %d", stream.MaxQueue))
	case n > 0:
		w.waiting.length = int(n)
	}
	w.heartbeat = heartbeatOf(&m, start.GetHeartbeatInterval())
	if w.granted > MaxGranted {
		m.Add("start.estimates", fmt.Sprintf("%d are too many", w.granted), fmt.Sprintf("use 0 to %d", MaxGranted))
	}
	if len(m) > 0 {
		return o, m
	}
	running := w.s.cfg.Tasks()
	for _, task := range start.GetTasks() {
		if !runs(running, task) {
			return o, &failure.NotFound{What: "task", Name: task}
		}
	}
	return stream.Options{Tasks: start.GetTasks(), Chips: start.GetChips(), Policy: stream.Queue, Length: waitingSets,
		Corrected: true}, nil
}

func runs(running []*facetdv1.RunningTask, task string) bool {
	for _, t := range running {
		if t.GetTask().GetName() == task {
			return true
		}
	}
	return false
}

func heartbeatOf(m *invalid.Errors, d *durationpb.Duration) time.Duration {
	if d == nil {
		return defaultHeartbeat
	}
	v := d.AsDuration()
	if d.CheckValid() != nil || v < minHeartbeat || v > maxHeartbeat {
		m.Add("start.heartbeat_interval", fmt.Sprintf("%v is not possible", v),
			fmt.Sprintf("use %v to %v", minHeartbeat, maxHeartbeat))
		return defaultHeartbeat
	}
	return v
}

// granting is what the client sent, or the end of it.
type granting struct {
	request *facetdv1.StreamMotionRequest
	err     error
}

// receive hands on what the client sends until the stream ends.
func (w *watcher) receive(ctx context.Context, to chan<- granting) {
	for {
		var g granting
		g.request, g.err = w.out.Recv()
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

func (w *watcher) run() error {
	ctx, cancel := context.WithCancel(w.out.Context())
	defer cancel()
	grants := make(chan granting)
	go w.receive(ctx, grants)
	silence := time.NewTimer(w.heartbeat)
	defer silence.Stop()
	for {
		sent, more, err := w.step()
		if err != nil {
			return err
		}
		if sent {
			silence.Reset(w.heartbeat)
		}
		if more { // grants are heard between any two frame sets, however fast those come
			select {
			case g := <-grants:
				if errors.Is(g.err, io.EOF) {
					return nil
				}
				if err := w.grant(g); err != nil {
					return err
				}
			default:
			}
			continue
		}
		w.sub.Rest(true)
		select {
		case <-w.sub.Wake():
		case g := <-grants:
			if errors.Is(g.err, io.EOF) {
				return nil
			}
			if err := w.grant(g); err != nil {
				return err
			}
		case <-silence.C:
			if w.granted > 0 {
				beat := &facetdv1.MotionHeartbeat{BusNs: w.s.cfg.BusNs()}
				if err := w.out.Send(&facetdv1.StreamMotionResponse{
					Event: &facetdv1.StreamMotionResponse_Heartbeat{Heartbeat: beat}}); err != nil {
					return err
				}
			}
			silence.Reset(w.heartbeat)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// grant lets more be sent.
func (w *watcher) grant(g granting) error {
	if g.err != nil {
		return g.err
	}
	n := g.request.GetGrant().GetEstimates()
	switch {
	case g.request.GetGrant() == nil:
		return invalid.Errors{{Path: "grant", Message: "a request after the first must hold it",
			Hint: "open another stream for another selection"}}
	case n == 0:
		return invalid.Errors{{Path: "grant.estimates", Message: "it is 0", Hint: "grant 1 or more"}}
	case n > MaxGranted-w.granted:
		return invalid.Errors{{Path: "grant.estimates",
			Message: fmt.Sprintf("%d more are too many: %d are granted and not sent", n, w.granted),
			Hint:    fmt.Sprintf("grant at most %d in all", MaxGranted)}}
	}
	w.granted += n
	return nil
}

// step sends what was granted, and compares one frame set. It reports whether there was one.
func (w *watcher) step() (sent, more bool, err error) {
	for w.granted > 0 && len(w.waiting.list) > 0 {
		d := &facetdv1.MotionDelivery{Estimate: w.waiting.shift(), DroppedTotal: w.waiting.dropped,
			FrameSetsLostTotal: w.lost}
		if err := w.out.Send(&facetdv1.StreamMotionResponse{
			Event: &facetdv1.StreamMotionResponse_Delivery{Delivery: d}}); err != nil {
			return sent, false, err
		}
		w.granted--
		sent = true
	}
	m, ok, err := w.sub.Take()
	if err != nil || !ok {
		return sent, false, err
	}
	w.s.counts.lost.Add(m.DroppedTotal - w.lost)
	w.lost = m.DroppedTotal
	if e := w.tracker.Take(m.FrameSet); w.due(e) {
		w.waiting.put(e)
	}
	w.s.counts.dropped.Add(w.waiting.dropped - w.counted)
	w.counted = w.waiting.dropped
	return sent, true, nil
}

// queue holds the estimates that wait: of each task up to length, and the oldest of a task is dropped when there is one
// more.
type queue struct {
	length  int
	list    []*facetdv1.MotionEstimate
	dropped uint64
}

func (q *queue) put(e *facetdv1.MotionEstimate) {
	n, oldest := 0, -1
	for i, o := range q.list {
		if o.GetTask() == e.GetTask() {
			if n++; oldest < 0 {
				oldest = i
			}
		}
	}
	if n >= q.length {
		q.list = append(q.list[:oldest], q.list[oldest+1:]...)
		q.dropped++
	}
	q.list = append(q.list, e)
}

func (q *queue) shift() *facetdv1.MotionEstimate {
	e := q.list[0]
	q.list = append(q.list[:0], q.list[1:]...)
	return e
}
