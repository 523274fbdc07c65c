package bustest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// RemoteConfig is what a remote executor needs.
type RemoteConfig struct {
	Array *chipmodel.Array
	// Dies is a bus on which nothing takes time, such as the virtual bus in free pace: what the executor runs is run on
	// it. It is driven on the goroutine that owns the remote executor.
	Dies bus.BusCloser
	// Limits are those of the executor. LeastLead and Lease are above 0.
	Limits bus.Limits
	// Ready is how long before its start a segment must have arrived.
	Ready time.Duration
	// Latency of the link, one way.
	Latency time.Duration
	// Drift is by how much its clock is faster than the host's, as a fraction; Ahead is how far it is ahead at first.
	Drift float64
	Ahead time.Duration
	Seed  uint64
	// Link has what goes wrong on the link; the first that matches a message counts.
	Link []LinkFault
	// Reboots are when the executor begins anew, by the host's clock since it was made.
	Reboots []time.Duration
	// Rebooted, where set, is called on the goroutine of the owner once it hears of a reboot, to do to Dies what that
	// does to them.
	Rebooted func()
}

// ErrCut is the cause of a loss: nothing was heard of the executor for as long as its lease.
var ErrCut = errors.New("nothing was heard of the executor for too long")

// ErrRebooted is the cause of a loss: the executor began anew.
var ErrRebooted = errors.New("the executor began anew")

// Remote is a simulated executor with a clock, a queue and a link of its own. Nothing of it uses another clock than
// package time's, so that it runs in the virtual time of a test.
type Remote struct {
	cfg   RemoteConfig
	epoch time.Time
	lost  chan error
	news  chan struct{} // holds a token when a result or an answer came

	mu       sync.Mutex
	link     link
	device   device
	end      end
	session  uint64
	boot     uint64 // of the device, as the host knows it
	cut      *bus.LostError
	heard    time.Duration
	ids      uint64
	taken    uint64 // id of the last result that was taken
	flights  []*remoteFlight
	prepared bool
	answers  map[uint64]bus.Time // of releases
	programs map[*bus.Program]bool
	executed map[uint64]int // how many operations of a segment were, by its id
	gone     []uint64       // ids of segments that were given up when the device was lost, and may run all the same
	reboots  int            // that Dies have not seen
	releases bool           // that Dies have not seen
	closed   bool
	timers   []*time.Timer
}

// remoteFlight is a segment in flight, as the host knows it.
type remoteFlight struct {
	id      uint64
	start   bus.Time
	segment *bus.Segment
	result  *resultMessage // nil while there is none
	res     bus.Result
}

var _ bus.BusCloser = (*Remote)(nil)

// NewRemote returns an executor, switched on now. Close it when done.
func NewRemote(cfg RemoteConfig) *Remote {
	r := &Remote{cfg: cfg, epoch: time.Now(), lost: make(chan error, 1), news: make(chan struct{}, 1),
		answers: map[uint64]bus.Time{}, programs: map[*bus.Program]bool{}, boot: 1,
		executed: map[uint64]int{}}
	r.link = link{epoch: r.epoch, latency: cfg.Latency, faults: cfg.Link, seed: cfg.Seed,
		taken: map[time.Duration]bool{}}
	r.device = device{r: r, boot: 1}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.connect()
	r.device.session = r.session
	r.device.end = r.device.newEnd()
	r.device.watch()
	r.every(resendAfter, func() { r.end.resend(); r.device.end.resend() })
	r.every(cfg.Limits.Lease/4, r.beat)
	for _, at := range cfg.Reboots {
		r.timers = append(r.timers, time.AfterFunc(at, func() {
			r.mu.Lock()
			defer r.mu.Unlock()
			if !r.closed {
				r.device.reboot()
			}
		}))
	}
	return r
}

// every calls f again and again, with the lock held, until the executor is closed.
func (r *Remote) every(d time.Duration, f func()) {
	i := len(r.timers)
	r.timers = append(r.timers, time.AfterFunc(d, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		if !r.closed {
			f()
			r.timers[i].Reset(d)
		}
	}))
}

// beat tells the device that the host is there, and notices when the device was not heard for too long.
func (r *Remote) beat() {
	if r.cut != nil {
		return
	}
	r.end.put(frame{})
	if r.elapsed()-r.heard > r.cfg.Limits.Lease {
		r.lose(ErrCut)
	}
}

// connect begins a session.
func (r *Remote) connect() {
	r.session++
	session := r.session
	r.end = end{take: r.take, transmit: func(f frame) {
		f.session, f.boot = session, r.boot
		r.link.carry(toDevice, &f, func(at time.Duration) {
			r.mu.Lock()
			defer r.mu.Unlock()
			if r.link.arrived(at); !r.closed {
				r.device.receive(f)
			}
		})
	}}
	r.cut, r.heard, r.prepared = nil, r.elapsed(), false
}

// toHost carries a frame of the device.
func (r *Remote) toHost(f frame) {
	r.link.carry(toHost, &f, func(at time.Duration) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.link.arrived(at)
		switch {
		case r.closed || r.cut != nil && f.session != r.session:
		case f.boot > r.boot:
			r.boot = f.boot
			r.lose(ErrRebooted)
		case f.session == r.session && f.boot == r.boot:
			r.heard = r.elapsed()
			r.end.receive(f)
		}
	})
}

// send sends a payload from one end.
func (r *Remote) send(e *end, payload any) {
	if e.transmit != nil { // a device that has just begun has nobody to send to
		e.send(payload)
	}
}

// take takes what the device says.
func (r *Remote) take(payload any) {
	switch m := payload.(type) {
	case preparedMessage:
		r.prepared = true
	case releasedMessage:
		r.answers[m.id] = m.at
	case resultMessage:
		for _, f := range r.flights {
			if f.id == m.id && f.result == nil {
				f.result = &m
			}
		}
	}
	r.notify()
}

func (r *Remote) notify() {
	select {
	case r.news <- struct{}{}:
	default: // a token is there already
	}
}

// lose says that the device is lost: what was in flight has failed.
func (r *Remote) lose(cause error) {
	if r.cut != nil {
		return
	}
	r.cut = &bus.LostError{Cause: cause}
	for _, f := range r.flights {
		if f.result == nil {
			f.result = &resultMessage{id: f.id, start: f.start, finished: max(f.start, r.now()), err: r.cut,
				slack: bus.NoSlack}
		}
	}
	r.notify()
	select {
	case r.lost <- cause:
	default: // the loss before it was not heard of yet
	}
}

func (r *Remote) rebooted() { r.reboots++ }

func (r *Remote) elapsed() time.Duration { return time.Since(r.epoch) }

// now is the device's clock.
func (r *Remote) now() bus.Time { return r.deviceTime(r.elapsed()) }

func (r *Remote) deviceTime(host time.Duration) bus.Time {
	return bus.Time(r.cfg.Ahead + host + time.Duration(r.cfg.Drift*float64(host)))
}

// hostElapsed is when the device's clock shows a bus time, rounded up.
func (r *Remote) hostElapsed(at bus.Time) time.Duration {
	host := time.Duration(float64(at.Elapsed()-r.cfg.Ahead) / (1 + r.cfg.Drift))
	for r.deviceTime(host) < at {
		host++
	}
	return host
}

// until is how long it is until the device's clock shows a bus time.
func (r *Remote) until(at bus.Time) time.Duration { return max(r.hostElapsed(at)-r.elapsed(), 0) }

func (r *Remote) upTime(at bus.Time) bus.Time {
	grain := bus.Time(max(r.cfg.Limits.Grain, 1))
	return (at + grain - 1) / grain * grain
}

// Now returns the time of the device's clock.
func (r *Remote) Now() bus.Time { return r.now() }

// HostTime maps bus time to host time. It is off by the latency of the link at most.
func (r *Remote) HostTime(at bus.Time) (time.Time, time.Duration) {
	return r.epoch.Add(r.hostElapsed(at)).UTC(), r.cfg.Latency
}

// Limits returns what the executor can do.
func (r *Remote) Limits() bus.Limits { return r.cfg.Limits }

// Lost returns the channel on which losses are told.
func (r *Remote) Lost() <-chan error { return r.lost }

// Prepare checks the programs and hands them over. After a loss it begins a new session.
func (r *Remote) Prepare(ctx context.Context, programs []*bus.Program) error {
	var errs []error
	for i, p := range programs {
		if err := bus.CheckProgram(r.cfg.Array, p); err != nil {
			errs = append(errs, fmt.Errorf("program %d cannot run: %w", i, err))
		}
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	r.mu.Lock()
	if r.closed {
		r.mu.Unlock()
		return bus.ErrClosed
	}
	if r.cut != nil {
		r.connect()
	}
	r.prepared = false
	r.end.send(prepareMessage{})
	r.mu.Unlock()
	err := r.await(ctx, func() bool { return r.prepared })
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil {
		return err
	}
	r.forget()
	clear(r.programs)
	for _, p := range programs {
		r.programs[p] = true
	}
	for _, f := range r.flights {
		r.programs[f.segment.Program] = true
	}
	return nil
}

// forget deals with segments that the device ran when nobody waited for them any more: they have left anything in the
// registers. The caller holds mu.
func (r *Remote) forget() {
	for _, id := range r.gone {
		if r.executed[id] > 0 {
			r.reboots++
		}
		delete(r.executed, id)
	}
	r.gone = nil
	r.settle()
	r.beginAnew()
}

// await waits until something has come from the device. Errors: ctx's, *bus.LostError.
func (r *Remote) await(ctx context.Context, came func() bool) error {
	for {
		r.mu.Lock()
		done, cut := came(), r.cut
		r.mu.Unlock()
		switch {
		case done:
			return nil
		case cut != nil:
			return cut
		}
		select {
		case <-r.news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Submit hands a segment over.
func (r *Remote) Submit(start bus.Time, s *bus.Segment) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.closed:
		return bus.ErrClosed
	case r.cut != nil:
		return r.cut
	case len(r.flights) >= r.cfg.Limits.Queue:
		return bus.ErrQueueFull
	case !r.programs[s.Program]:
		return bus.ErrNotPrepared
	}
	if err := bus.CheckValues(s.Slots, s.Values); err != nil {
		return err
	}
	r.beginAnew()
	r.ids++
	f := deviceFlight{id: r.ids, start: start, end: start}
	for i := range s.Ops {
		f.end = f.end.Add(bus.Cost(r.cfg.Array, &s.Ops[i]).Total())
		f.ends = append(f.ends, f.end)
	}
	r.flights = append(r.flights, &remoteFlight{id: r.ids, start: start, segment: s})
	r.end.send(submitMessage{flight: f, late: start.Sub(r.now()) < r.cfg.Limits.LeastLead, taken: r.taken})
	return nil
}

// Next waits for the next result.
func (r *Remote) Next(ctx context.Context) (bus.Result, error) {
	r.mu.Lock()
	if len(r.flights) == 0 || r.closed {
		defer r.mu.Unlock()
		if r.closed {
			return bus.Result{}, bus.ErrClosed
		}
		return bus.Result{}, bus.ErrIdle
	}
	f := r.flights[0]
	r.mu.Unlock()
	err := r.await(ctx, func() bool { return f.result != nil })
	if err != nil && f.result == nil {
		return bus.Result{}, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.run(f) // in the order in which it was run, but only now: the dies belong to the goroutine of the owner
	r.flights = r.flights[1:]
	r.taken = f.id
	if errors.As(f.res.Err, new(*bus.LostError)) {
		r.gone = append(r.gone, f.id)
	}
	r.settle()
	return f.res, nil
}

// settle releases the lines of the dies once nothing is in flight, where that is left to do. The caller holds mu.
func (r *Remote) settle() {
	if len(r.flights) > 0 {
		return
	}
	if r.releases {
		r.releases = false
		_, _ = r.cfg.Dies.Release(context.Background()) // they are in this process
	}
}

// beginAnew does to the dies what reboots have done, once the host knows of them, nothing is in flight, and before
// anything else is run. Until then the host still accounts for the jobs whose loads that voids: on the dies a job that
// is open has a claim to its chips. The caller holds mu.
func (r *Remote) beginAnew() {
	if len(r.flights) > 0 || r.boot != r.device.boot {
		return
	}
	for ; r.reboots > 0; r.reboots-- {
		if r.cfg.Rebooted != nil {
			r.cfg.Rebooted()
		}
	}
}

// run runs as much of a segment on the dies as the device ran.
func (r *Remote) run(f *remoteFlight) {
	m := f.result
	ran := wholeCommands(f.segment.Ops, r.executed[f.id])
	if errors.As(m.err, new(*bus.LostError)) { // what ran all the same is not told; see forget
		ran = 0
	} else {
		delete(r.executed, f.id)
	}
	f.res = bus.Result{Start: m.start, End: m.start, Err: m.err, Slack: m.slack}
	if ran == 0 {
		f.res.End = max(f.res.End, m.finished)
		if f.res.Refused() {
			f.res.End = f.res.Start
		}
		return
	}
	s := *f.segment
	s.Into, s.Later = nil, false // the codes come over the link, or are lost
	if ran < len(s.Ops) {
		s.Program = &bus.Program{Ops: s.Ops[:ran], Slots: s.Slots}
	}
	res, err := Run(context.Background(), r.cfg.Dies, f.start, &s)
	res.Slack = m.slack
	if res.Err = errors.Join(m.err, err); m.err != nil {
		_, _ = r.cfg.Dies.Release(context.Background()) // they are in this process
		res.End = max(res.End, m.finished)
	}
	f.res = res
	if err != nil && m.err == nil {
		r.recall(f)
	}
}

// recall takes back what was submitted behind a segment that broke off on the dies, as the device would have done.
func (r *Remote) recall(failed *remoteFlight) {
	for _, f := range r.flights {
		if f.id > failed.id {
			delete(r.executed, f.id)
			f.result = &resultMessage{id: f.id, start: f.start, finished: f.start, slack: bus.NoSlack,
				err: &bus.RefusedError{Cause: bus.Recalled, Planned: f.start, Device: r.now()}}
		}
	}
	r.device.barrier = max(r.device.barrier, failed.id)
	r.device.drop()
}

// wholeCommands is how many of the first n operations there are up to the last at which no command is under way: of
// what breaks off nobody knows what the last command has done.
func wholeCommands(ops []bus.Op, n int) int {
	if n == len(ops) {
		return n
	}
	for ; n > 0; n-- {
		within := false
		for i := range ops[:n] {
			for k := n; k < len(ops) && ops[i].Command > 0; k++ {
				within = within || ops[k].Command == ops[i].Command
			}
		}
		if !within {
			break
		}
	}
	return n
}

// Cancel takes back what has not begun.
func (r *Remote) Cancel(after bus.Time) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.closed:
		return bus.ErrClosed
	case r.cut != nil:
		return r.cut
	}
	r.end.send(cancelMessage{after})
	return nil
}

// WaitUntil waits until the device's clock shows a bus time.
func (r *Remote) WaitUntil(ctx context.Context, at bus.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	t := time.NewTimer(r.until(at))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Release has the device make every line inactive.
func (r *Remote) Release(ctx context.Context) (bus.Stop, error) {
	r.mu.Lock()
	if r.closed {
		r.mu.Unlock()
		return bus.Stop{Received: r.now(), Inactive: r.now()}, bus.ErrClosed
	}
	r.ids++
	id := r.ids
	if r.cut == nil {
		r.end.send(releaseMessage{id})
	}
	r.mu.Unlock()
	asked := r.now()
	var at bus.Time
	err := r.await(ctx, func() (is bool) { at, is = r.answers[id]; return is })
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil {
		l := r.cfg.Limits
		return bus.Stop{Received: asked, Inactive: asked.Add(l.Lease + l.Release)}, err
	}
	delete(r.answers, id)
	r.releases = true
	r.settle()
	return bus.Stop{Received: at, Inactive: at, Confirmed: true}, nil // the lines follow at once
}

// Close releases the lines and ends the link.
func (r *Remote) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return bus.ErrClosed
	}
	r.closed = true
	for _, t := range append(r.timers, r.device.timer, r.device.dead) {
		if t != nil {
			t.Stop()
		}
	}
	return r.cfg.Dies.Close()
}
