package record

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/bus"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// recording is a recording that runs, or has ended in this process. The goroutine of
// run owns the writer; everything else may be used from any.
type recording struct {
	cfg     *Config
	name    string
	options *facetdv1.RecordingOptions
	queue   *queue
	done    chan struct{} // closed when it has ended and is off the manager's list

	// Of run alone.
	part     *partWriter // nil while no file is open
	number   int
	flushDue bool
	mapBytes uint64               // what the correction maps at its beginning take of the file
	cameras  map[string]cameraKey // calibrations in the file, by topic
	// motion estimates from corrected frame sets; nil where none is recorded.
	motion    func(*facetdv1.FrameSet) *facetdv1.MotionEstimate
	plan      *facetdv1.PlanChange
	covered   span  // bus time that the recording covers
	partSpan  span  // the same of the file
	tried     lost  // all that was to be written, whether it was or not
	past      tally // of the files closed
	told      loss  // losses not yet reported to the daemon
	ended     string
	bytesPast uint64 // of the files closed

	over time.Time // when it ended; of the manager, under its mu

	free atomic.Pointer[int64] // see noteFreeSpace

	mu      sync.Mutex
	info    *facetdv1.Recording
	synced  tally  // what the disk has confirmed
	written uint64 // bytes, those included that a failing disk did not keep
	why     string // a stop that was asked for
}

// span is the bus time from the first to the last frame set, or to now while none comes. Events do not
// count: theirs is the host's time, which in free pace has nothing to do with the bus.
type span struct {
	any         bool
	first, last int64
}

func (s *span) add(atNS int64) {
	if !s.any {
		*s = span{true, atNS, atNS}
	}
	s.first, s.last = min(s.first, atNS), max(s.last, atNS)
}

func (s *span) reached(d *durationpb.Duration) bool {
	return d != nil && s.last-s.first >= int64(d.AsDuration())
}

// begin creates the first file and writes what every file begins with.
func begin(cfg *Config, name string, options *facetdv1.RecordingOptions) (*recording, error) {
	r := &recording{
		cfg: cfg, name: name, options: options, queue: newQueue(queueLimits{length: cfg.QueueLength}),
		done: make(chan struct{}),
		info: &facetdv1.Recording{Name: name, State: facetdv1.RecordingState_RECORDING_STATE_RUNNING, Options: options},
	}
	if options.GetMotion() && cfg.Motion != nil {
		r.motion = cfg.Motion()
	}
	if err := r.openPart(); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *recording) chunkSize() int64 {
	return int64(min(ChunkBytes, r.options.GetPartBytes()/4))
}

func (r *recording) path(closed bool) string {
	return filepath.Join(r.cfg.Dir, part{r.name, r.number, closed}.file())
}

func (r *recording) openPart() error {
	r.number++
	f, err := r.cfg.create(r.path(false))
	if errors.Is(err, os.ErrExist) {
		return &failure.Exists{What: "recording", Name: r.name}
	}
	if err != nil {
		return err
	}
	metadata := map[string]string{
		"recording": r.name, "part": strconv.Itoa(r.number),
		"array": r.cfg.Array.Name, "array_digest": r.cfg.Array.Digest,
		"geometry_digest": r.cfg.geometry.GetDigest(),
	}
	for k, v := range r.cfg.Labels {
		metadata[k] = v
	}
	part, err := newPartWriter(f, r.chunkSize(), metadata)
	if err == nil {
		// The name must be as durable as what is synced under it.
		err = fileio.SyncDir(r.cfg.Dir)
	}
	if err != nil {
		return errors.Join(err, f.Close(), os.Remove(r.path(false)))
	}
	r.part, r.cameras = part, map[string]cameraKey{}
	r.update(func(i *facetdv1.Recording) {
		i.Parts = append(i.Parts, &facetdv1.RecordingPart{File: filepath.Base(r.path(false))})
	})
	return nil
}

// ending is how a recording ended, and the event that reports it.
type ending struct {
	state  facetdv1.RecordingState
	reason string
	event  *facetdv1.Event
}

// run writes until the queue is closed, a limit is reached or the disk fails. The caller reports
// how it ended.
func (r *recording) run(startNS int64) ending {
	tick := time.NewTicker(statusPeriod)
	defer tick.Stop()
	err := r.opening(r.hostNS(startNS))
	lastSync := time.Now()
	for err == nil && r.ended == "" {
		select {
		case <-r.queue.wake:
			err = r.drain()
		case <-tick.C:
			err = r.second()
			if err == nil && time.Since(lastSync) >= syncPeriod {
				err = r.sync()
				lastSync = time.Now()
			}
		}
	}
	r.queue.close()
	if err != nil {
		r.queue.discard()
	}
	return r.end(err)
}

// drain writes what waits. It ends when the queue is empty, or the recording.
func (r *recording) drain() error {
	for r.ended == "" {
		it, ok, rest, closed := r.queue.take()
		if !ok {
			if !closed {
				return nil
			}
			r.mu.Lock()
			r.ended = r.why
			r.mu.Unlock()
			if err := r.mark(rest); err != nil {
				return err
			}
			return r.writeStatus()
		}
		if err := r.mark(it.lost); err != nil {
			var l lost
			l.add(&it)
			r.queue.lose(l)
			return err
		}
		if err := r.writeItem(&it); err != nil {
			return err
		}
		if err := r.limits(); err != nil {
			return err
		}
	}
	return nil
}

func (r *recording) writeItem(it *item) error {
	switch {
	case it.frames != nil:
		if err := r.writeFrames(it.frames); err != nil || it.correct == nil {
			return err
		}
		return r.writeMotion(it.correct())
	case it.plan != nil:
		r.plan = it.plan
		at := r.hostNS(it.plan.GetEffectiveBusNs())
		return r.write(TopicPlan, it.plan, stamp{at, at})
	case it.cmap != nil:
		at := r.hostNS(it.atNS)
		return r.write(TopicMaps, it.cmap, stamp{at, at})
	}
	at := unixNS(it.event.GetTime().AsTime())
	return r.write(TopicEvents, it.event, stamp{at, at})
}

func (r *recording) writeFrames(fs *facetdv1.FrameSet) error {
	topic := TopicCaptures
	if fs.GetTask() != "" {
		topic = TopicFrames + fs.GetTask()
	}
	at := stamp{log: r.hostNS(fs.GetFinishBusNs()), publish: r.hostNS(fs.GetFinishBusNs())}
	if err := r.write(topic, fs, at); err != nil {
		return err
	}
	r.covers(fs.GetFinishBusNs())
	if !r.options.GetImages() {
		return nil
	}
	for _, f := range fs.GetFrames() {
		if f.GetPixelFormat() != "Mono16" || len(f.GetData()) == 0 {
			continue
		}
		log := at.log - min(at.log, beforeSecond(fs, f))
		if err := r.writeCamera(fs.GetTask(), f, log); err != nil {
			return err
		}
		if err := r.writeImage(fs.GetTask(), f, log); err != nil {
			return err
		}
	}
	return nil
}

// writeMotion writes what a corrected frame set tells of motion.
func (r *recording) writeMotion(fs *facetdv1.FrameSet) error {
	at := r.hostNS(fs.GetFinishBusNs())
	return r.write(TopicMotion+fs.GetTask(), r.motion(fs), stamp{at, at})
}

// opening writes what every file begins with.
func (r *recording) opening(at uint64) error {
	if err := r.write(TopicArray, r.cfg.Array.Message, stamp{at, at}); err != nil {
		return err
	}
	if err := r.write(TopicGeometry, r.cfg.geometry, stamp{at, at}); err != nil {
		return err
	}
	if err := r.writeTransforms(at); err != nil {
		return err
	}
	if err := r.writeMaps(at); err != nil {
		return err
	}
	if r.plan != nil {
		if err := r.write(TopicPlan, r.plan, stamp{at, r.hostNS(r.plan.GetEffectiveBusNs())}); err != nil {
			return err
		}
	}
	return r.writeStatus()
}

// writeMaps writes the correction maps that are active. A file may be closed early for its size, but not for theirs.
func (r *recording) writeMaps(at uint64) error {
	r.mapBytes = 0
	if r.cfg.Maps == nil {
		return nil
	}
	before, maps := r.part.size(), r.cfg.Maps()
	for i, m := range maps {
		if proto.Size(m) > MaxMessageBytes {
			r.tried.messages++ // it counts as lost
			continue
		}
		r.flushDue = r.flushDue || i == len(maps)-1 // so that their size is known
		if err := r.write(TopicMaps, m, stamp{at, at}); err != nil {
			return err
		}
	}
	r.mapBytes = r.part.size() - before
	return nil
}

// second is what happens every second: a status, which also ends the chunk, news of losses, and a
// check of the disk.
func (r *recording) second() error {
	r.flushDue = true
	r.tellLoss()
	if r.queue.empty() { // otherwise the bus is ahead of what is written
		r.covers(r.cfg.Now().NS())
	}
	if err := r.writeStatus(); err != nil {
		return err
	}
	if _, err := os.Stat(r.path(false)); errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("its file was removed while it was written: %w", err)
	}
	free, err := r.cfg.free(r.cfg.Dir)
	if err != nil {
		return err
	}
	r.noteFreeSpace(free)
	if free < r.cfg.KeepFree {
		return &NoFreeSpaceError{Free: free, KeepFree: r.cfg.KeepFree}
	}
	return r.limits()
}

func (r *recording) writeStatus() error {
	if r.cfg.Status == nil {
		return nil
	}
	s := r.cfg.Status()
	at := r.hostNS(s.GetBusNs())
	return r.write(TopicStatus, s, stamp{at, at})
}

// mark writes an event into the file that says what is missing here.
func (r *recording) mark(l loss) error {
	if l.messages == 0 {
		return nil
	}
	if r.told.messages == 0 {
		r.told.firstNS = l.firstNS
	}
	r.told.messages += l.messages
	r.told.frameSets += l.frameSets
	r.told.lastNS = l.lastNS
	e := r.lossEvent(l)
	e.Time, e.BusNs = timestamppb.New(time.Unix(0, int64(r.hostNS(l.firstNS))).UTC()), &l.firstNS
	at := r.hostNS(l.firstNS)
	return r.write(TopicEvents, e, stamp{at, at})
}

func (r *recording) lossEvent(l loss) *facetdv1.Event {
	e := r.event(facetdv1.EventKind_EVENT_KIND_RECORDING_LOST, facetdv1.Severity_SEVERITY_WARNING,
		fmt.Sprintf("recording %s lost %d messages, %d of them frame sets: the disk was slower than the bus", r.name,
			l.messages, l.frameSets))
	e.Count, e.BusNs = l.messages, &l.lastNS
	e.Fields["frame_sets"] = events.Integer(l.frameSets)
	e.Fields["first_bus_ns"] = events.Integer(l.firstNS)
	e.Fields["last_bus_ns"] = events.Integer(l.lastNS)
	return e
}

// tellLoss reports losses to the daemon, at most once a second.
func (r *recording) tellLoss() {
	if r.told.messages == 0 {
		return
	}
	l := r.told
	r.told = loss{}
	r.cfg.Events.Send(r.lossEvent(l))
}

func (r *recording) write(topic string, msg proto.Message, at stamp) error {
	r.tried.messages++
	if holdsFrameSets(topic) {
		r.tried.frameSets++
	}
	return r.noted(r.part.write(topic, msg, at, r.takeFlush()))
}

func (r *recording) takeFlush() bool {
	due := r.flushDue
	r.flushDue = false
	return due
}

// noted keeps the counts after a message was written.
func (r *recording) noted(err error) error {
	if err != nil {
		return err
	}
	size := r.part.size()
	r.count(r.part.handed, size)
	r.update(func(*facetdv1.Recording) { r.written = r.bytesPast + size })
	return nil
}

// count says what the files hold, of the last one this much.
func (r *recording) count(last tally, size uint64) {
	all := r.past
	all.add(last)
	r.update(func(i *facetdv1.Recording) {
		i.Messages, i.FrameSets, i.Bytes = all.messages, all.frameSets, r.bytesPast+size
		i.Parts[len(i.GetParts())-1].Bytes = size
		i.StartTime, i.EndTime = nil, nil
		if all.messages > 0 {
			i.StartTime = timestamppb.New(time.Unix(0, int64(all.first)))
			i.EndTime = timestamppb.New(time.Unix(0, int64(all.last)))
		}
	})
}

// sync makes durable what was handed to the system.
func (r *recording) sync() error {
	if err := r.part.f.Sync(); err != nil {
		return err
	}
	r.confirmed(r.part.handed)
	return nil
}

// confirmed says that the disk holds the files closed, and this much of the last one.
func (r *recording) confirmed(last tally) {
	all := r.past
	all.add(last)
	r.update(func(*facetdv1.Recording) { r.synced = all })
}

// limits begins the next file, or ends the recording, when the options say so.
func (r *recording) limits() error {
	o, size := r.options, r.part.size()
	switch {
	case o.GetMaxBytes() > 0 && r.bytesPast+size >= o.GetMaxBytes():
		r.ended = fmt.Sprintf("it reached its %d bytes", o.GetMaxBytes())
	case r.covered.reached(o.GetMaxDuration()):
		r.ended = fmt.Sprintf("it reached its %v", o.GetMaxDuration().AsDuration())
	case size-r.mapBytes >= o.GetPartBytes(), r.partSpan.reached(o.GetPartDuration()):
		return r.rotate()
	}
	return nil
}

func (r *recording) covers(atNS int64) {
	r.covered.add(atNS)
	r.partSpan.add(atNS)
}

func (r *recording) rotate() error {
	if err := r.closePart(); err != nil {
		return err
	}
	if err := r.openPart(); err != nil {
		return err
	}
	r.partSpan = span{}
	return r.opening(r.hostNS(r.covered.last))
}

// closePart finishes a file and gives it its name.
func (r *recording) closePart() error {
	if err := r.part.finish(); err != nil {
		return err
	}
	if err := r.part.f.Close(); err != nil {
		return err
	}
	if err := os.Rename(r.path(false), r.path(true)); err != nil {
		return err
	}
	r.closed(r.part.handed, r.part.size())
	r.part = nil
	return fileio.SyncDir(r.cfg.Dir)
}

// closed says that the last file has its name, and what it holds.
func (r *recording) closed(holds tally, size uint64) {
	r.count(holds, size)
	r.confirmed(holds)
	r.past.add(holds)
	r.bytesPast += size
	r.update(func(i *facetdv1.Recording) {
		r.written = max(r.written, r.bytesPast)
		p := i.GetParts()[len(i.GetParts())-1]
		p.File, p.Closed = filepath.Base(r.path(true)), true
	})
}

// salvage closes the last file after its disk failed, where that is possible, and counts what
// it holds: what was written is not all there.
func (r *recording) salvage() {
	_ = r.part.f.Close()
	r.part = nil
	forget(r.path(false))
	found, err := Recover(r.path(false))
	holds := tally{messages: found.Messages, frameSets: found.FrameSets, first: found.First, last: found.Last}
	if err == nil {
		r.closed(holds, sizeOf(found.Path))
		return
	}
	r.cfg.Logger.Warn("the last file of a failed recording cannot be closed yet", zap.String("recording", r.name),
		zap.Error(err))
	r.count(holds, sizeOf(r.path(false)))
	r.confirmed(holds)
}

// sizeOf is the size of a file, 0 where there is none.
func sizeOf(path string) uint64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return uint64(info.Size())
}

// end closes the last file, or after an error what can be read of it.
func (r *recording) end(err error) ending {
	var low *NoFreeSpaceError
	if err == nil || errors.As(err, &low) { // the disk still works
		if closeErr := r.closePart(); err == nil {
			err = closeErr
		}
	}
	if r.part != nil {
		r.salvage()
	}
	r.queue.lose(lost{r.tried.messages - r.info.GetMessages(), r.tried.frameSets - r.info.GetFrameSets()})
	r.tellLoss()
	l := r.queue.lostTotal()
	e := r.event(facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED, facetdv1.Severity_SEVERITY_INFO,
		"recording "+r.name+" ended: "+r.ended)
	state, reason := facetdv1.RecordingState_RECORDING_STATE_CLOSED, r.ended
	if err != nil {
		state, reason = facetdv1.RecordingState_RECORDING_STATE_FAILED, err.Error()
		e = r.event(facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED, facetdv1.Severity_SEVERITY_ERROR,
			fmt.Sprintf("recording %s failed: %s; its files hold %d frame sets, %d are lost", r.name, reason,
				r.info.GetFrameSets(), l.frameSets))
		r.cfg.Logger.Error("recording failed", zap.String("recording", r.name),
			zap.Uint64("lost_frame_sets", l.frameSets), zap.Error(err))
	}
	for name, n := range map[string]uint64{
		"messages": r.info.GetMessages(), "frame_sets": r.info.GetFrameSets(), "lost": l.messages,
		"lost_frame_sets": l.frameSets,
	} {
		e.Fields[name] = events.Integer(n)
	}
	return ending{state, reason, e}
}

// stop asks for the end; what waits is written first.
func (r *recording) stop(why string) {
	r.mu.Lock()
	if r.why == "" {
		r.why = why
	}
	r.mu.Unlock()
	r.queue.close()
}

// event is one of the recording; the journal gives it its time.
func (r *recording) event(kind facetdv1.EventKind, severity facetdv1.Severity, text string) *facetdv1.Event {
	return &facetdv1.Event{
		Kind: kind, Severity: severity, Text: text, Count: 1,
		Fields: events.Fields{"recording": events.Text(r.name)},
	}
}

func (r *recording) update(change func(*facetdv1.Recording)) {
	r.mu.Lock()
	change(r.info)
	r.mu.Unlock()
}

// message is the recording at this instant.
func (r *recording) message() *facetdv1.Recording {
	r.mu.Lock()
	m := proto.CloneOf(r.info)
	r.mu.Unlock()
	l := r.queue.lostTotal()
	m.Lost, m.LostFrameSets = l.messages, l.frameSets
	return m
}

func (r *recording) wants(fs *facetdv1.FrameSet) bool { return r.wantsTask(fs.GetTask()) }

func (r *recording) wantsTask(task string) bool {
	return len(r.options.GetTasks()) == 0 || slices.Contains(r.options.GetTasks(), task)
}

func (r *recording) hostNS(busNS int64) uint64 {
	host, _ := r.cfg.HostTime(bus.Time(busNS))
	return unixNS(host)
}

// unixNS is a time in nanoseconds since 1970 (UTC), 0 for any before.
func unixNS(t time.Time) uint64 { return uint64(max(t.UnixNano(), 0)) }
