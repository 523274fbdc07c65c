// Package events keeps a journal of what an operator should know: tasks that come and go, misses,
// rule violations, faults, recordings that began, ended or lost something.
//
// Appending never waits: it holds a lock while it puts a pointer into memory, so it
// may be done on the goroutine that owns the bus. What waits, and what happens when
// it is full:
//
//   - in memory the last Config.Ring events stay; older ones are read from the disk;
//   - to the disk up to maxUnwritten events wait; more are not written, and counted
//     in an event of their own (JOURNAL_LOST) once the disk follows again, as are those
//     that a full disk refused and those whose file somebody removed;
//   - what was written of what somebody did, and of what ended the array's work (all kinds but misses, failed jobs, a
//     host that is behind, and replays), is synced with its batch, as a rule within milliseconds of its Append, and so
//     outlives a crash of the machine; the rest is synced with the next such event or when its file is full, and
//     outlives that of the process from when it is written on;
//   - on the disk JSON lines lie in files of up to Config.FileBytes, and the oldest
//     file goes when all together pass Config.TotalBytes;
//   - for a subscriber up to SubscriberQueue events wait; then the oldest is dropped,
//     and the subscriber learns how many were.
package events

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/daemon/failure"
)

const (
	// DefaultRing is how many events stay in memory by default.
	DefaultRing = 1024
	// DefaultFileBytes and DefaultTotalBytes limit the journal on the disk.
	DefaultFileBytes  = 8 << 20
	DefaultTotalBytes = 64 << 20
	// SubscriberQueue is how many events wait for one subscriber.
	SubscriberQueue = 256
	// MaxSubscribers limits the work of Append.
	MaxSubscribers = 64
	// MaxList is the most events of one List.
	MaxList = 1000

	maxUnwritten  = 1024
	maxTextBytes  = 2000
	maxFields     = 32
	maxFieldBytes = 500
	maxChips      = 64
)

// Sink takes events. It must not block, and nobody changes an event that it was given. A nil
// one discards them.
type Sink func(*facetdv1.Event)

// Send gives the sink an event.
func (s Sink) Send(e *facetdv1.Event) {
	if s != nil {
		s(e)
	}
}

// Config of a journal.
type Config struct {
	// Dir is the folder of the files; it is made when it does not exist. Empty keeps the journal in
	// memory alone.
	Dir string
	// Modes of the files and their folder.
	Modes fileio.Modes
	// ID is the identity of a journal that begins; empty means one drawn at random.
	ID string
	// Ring is how many events stay in memory; 0 means DefaultRing.
	Ring int
	// FileBytes and TotalBytes limit the files; 0 means the defaults.
	FileBytes, TotalBytes int64
	// Events is called with every event, in order, under the journal's lock: it must not
	// append.
	Events Sink

	// Clock is UTC; nil means the host's.
	Clock func() time.Time

	// Disk, where set, puts something around every file that is begun: for tests of a disk that is full.
	Disk func(File) File

	// For tests within the package.
	create func(path string) (file, error)
}

// Journal is a journal of events. Its methods may be called from any goroutine.
type Journal struct {
	cfg  Config
	disk *disk // nil without Dir
	id   string

	mu        sync.Mutex
	ring      []*facetdv1.Event // oldest first, sequence numbers without a gap
	next      uint64            // sequence number of the next event
	subs      []*Subscription
	unwritten []*facetdv1.Event
	lost      uint64 // not written because too many waited, and not yet told
	refused   uint64 // not written because the disk refused, and not yet told
	removed   uint64 // written, removed by somebody else, and not yet told
	writing   bool   // a batch is on its way
	closed    bool
	stats     Stats // but for the open streams

	unreadable uint64 // lines that were there when it was opened

	wake chan struct{} // holds one token when the writer may have work
	done chan struct{} // closed when the writer has ended
}

// Open returns a journal that goes on where the files of its folder end. Lines that a crash has cut
// short are skipped. Errors say what is wrong with the folder.
func Open(cfg Config) (*Journal, error) {
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.Ring == 0 {
		cfg.Ring = DefaultRing
	}
	if cfg.FileBytes == 0 {
		cfg.FileBytes = DefaultFileBytes
	}
	if cfg.TotalBytes == 0 {
		cfg.TotalBytes = DefaultTotalBytes
	}
	if cfg.Ring < 0 || cfg.FileBytes < 0 || cfg.TotalBytes < cfg.FileBytes {
		return nil,
			fmt.Errorf("a journal of %d events in memory, files of %d bytes and %d bytes in all is not possible",
				cfg.Ring, cfg.FileBytes, cfg.TotalBytes)
	}
	j := &Journal{cfg: cfg, next: 1, wake: make(chan struct{}, 1), done: make(chan struct{})}
	var err error
	if cfg.Dir == "" {
		close(j.done)
		j.id, err = identify("", j.next, cfg.ID)
		return j, err
	}
	d, err := openDisk(&cfg)
	if err != nil {
		return nil, err
	}
	j.disk = d
	if j.ring, j.next, j.unreadable, err = d.tail(cfg.Ring); err != nil {
		return nil, err
	}
	if j.id, err = identify(cfg.Dir, j.next, cfg.ID); err != nil {
		return nil, err
	}
	go j.write()
	return j, nil
}

// Append adds an event and returns its number. It fills in the number, the time
// where there is none, and a count of at least 1; texts and fields that are far too
// long are cut. The caller must not change the event afterwards. On a closed journal
// it does nothing and returns 0.
func (j *Journal) Append(e *facetdv1.Event) uint64 {
	bound(e)
	if e.GetTime() == nil {
		e.Time = timestamppb.New(j.cfg.Clock())
	}
	e.Count = max(e.GetCount(), 1)
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.append(e)
}

// append is Append under the lock.
func (j *Journal) append(e *facetdv1.Event) uint64 {
	if j.closed {
		return 0
	}
	e.Sequence = j.next
	j.next++
	j.stats.count(e)
	j.ring = append(j.ring, e)
	if extra := len(j.ring) - j.cfg.Ring; extra > 0 {
		j.ring = slices.Delete(j.ring, 0, extra)
	}
	if j.disk != nil {
		if len(j.unwritten) < maxUnwritten {
			j.unwritten = append(j.unwritten, e)
		} else {
			j.lost++
			j.stats.QueueFull++
		}
		signal(j.wake)
	}
	for _, s := range j.subs {
		s.put(e)
	}
	j.cfg.Events.Send(e)
	return e.GetSequence()
}

// TellUnreadable appends an event about lines of the folder that were whole when the journal was opened but are no
// events, where there are any: an earlier version may have written them, or a disk spoilt them.
func (j *Journal) TellUnreadable() {
	if j.unreadable == 0 {
		return
	}
	e := &facetdv1.Event{Severity: facetdv1.Severity_SEVERITY_WARNING, Kind: facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST,
		Text: fmt.Sprintf("%d lines of the journal's files are no events that this version can read, and are left "+
			"out; an earlier version wrote them, or they are damaged", j.unreadable),
		Count: j.unreadable, Fields: Fields{"unreadable": Integer(j.unreadable)}}
	j.Append(e)
}

// Sink is the journal as a place to send events to.
func (j *Journal) Sink() Sink { return func(e *facetdv1.Event) { j.Append(e) } }

// Query chooses events.
type Query struct {
	// After: only events with a higher number; nil takes the newest Limit.
	After *uint64
	// Limit is the most events, up to MaxList; 0 means 100.
	Limit  int
	Filter Filter
}

// Listed is what a query found.
type Listed struct {
	Events []*facetdv1.Event // oldest first
	// Last is the newest number in the journal, First the oldest that it holds; 0
	// when it is empty.
	First, Last uint64
}

// List returns events, oldest first. Nobody may change them. An error is the disk's, where
// events were asked for that memory no longer holds.
func (j *Journal) List(q Query) (Listed, error) {
	if q.Limit == 0 {
		q.Limit = 100
	}
	q.Limit = min(q.Limit, MaxList)
	j.mu.Lock()
	ring := slices.Clone(j.ring)
	out := Listed{Last: j.next - 1}
	j.mu.Unlock()
	inMemory := out.Last + 1 // number of the first event in memory
	if len(ring) > 0 {
		inMemory = ring[0].GetSequence()
		out.First = inMemory
	}
	if j.disk != nil {
		// A disk that cannot be read is an error only for what memory does not hold.
		if first, err := j.disk.first(); err == nil && first > 0 && (first < out.First || out.First == 0) {
			out.First = first
		}
	}
	var after uint64
	if q.After != nil {
		after = *q.After
	}
	found := collector{q: q, after: after}
	matching := 0
	for _, e := range ring {
		if e.GetSequence() > after && q.Filter.Passes(e) {
			matching++
		}
	}
	if j.disk != nil && after+1 < inMemory && (q.After != nil || matching < q.Limit) {
		if err := j.disk.scan(after+1, inMemory-1, found.take, func() {}); err != nil {
			return out, err
		}
	}
	for _, e := range ring {
		if !found.take(e) {
			break
		}
	}
	out.Events = found.events
	return out, nil
}

// collector keeps the first events of a query, or the last where it has no After.
type collector struct {
	q      Query
	after  uint64
	events []*facetdv1.Event
}

// take returns false once nothing more is wanted.
func (c *collector) take(e *facetdv1.Event) bool {
	full := len(c.events) == c.q.Limit
	if full && c.q.After != nil {
		return false
	}
	if e.GetSequence() <= c.after || !c.q.Filter.Passes(e) {
		return true
	}
	if full {
		c.events = slices.Delete(c.events, 0, 1)
	}
	c.events = append(c.events, e)
	return true
}

// Close writes what waits and ends every subscription with a reason. Closing again
// changes nothing. The error is the disk's.
func (j *Journal) Close(reason string) error {
	j.mu.Lock()
	first := !j.closed
	if first {
		j.closed = true
		for _, s := range j.subs {
			s.end(&failure.Unavailable{Reason: reason})
			j.stats.Dropped += s.droppedTotal()
		}
		j.subs = nil
	}
	j.mu.Unlock()
	signal(j.wake)
	<-j.done
	if j.disk == nil {
		return nil
	}
	err := j.disk.close()
	if first && err == nil {
		_ = j.leave() // without it the next to open the journal takes it for another one, which is safe
	}
	return err
}

// write is the goroutine that brings events to the disk.
func (j *Journal) write() {
	defer close(j.done)
	for range j.wake {
		j.mu.Lock()
		batch, closed := j.unwritten, j.closed
		j.unwritten, j.writing = nil, true
		j.mu.Unlock()
		n, removed, err := j.disk.write(batch)
		j.mu.Lock()
		j.writing = false
		j.removed += uint64(removed)
		j.stats.Removed += uint64(removed)
		j.stats.DiskRefused += uint64(len(batch) - n)
		for _, e := range batch[n:] {
			if e.GetKind() == facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST {
				j.refused += e.GetCount() // to be told again, those that it told of
			} else {
				j.refused++
			}
		}
		if err == nil && n > 0 && j.untold() > 0 && len(j.unwritten) < maxUnwritten {
			j.tellLost()
		}
		j.mu.Unlock()
		if closed {
			return
		}
	}
}

// untold counts events that are not on the disk and not yet reported. The caller holds mu.
func (j *Journal) untold() uint64 { return j.lost + j.refused + j.removed }

// tellLost appends an event about those that are not on the disk. The caller holds mu.
func (j *Journal) tellLost() {
	e := &facetdv1.Event{
		Time: timestamppb.New(j.cfg.Clock()), Severity: facetdv1.Severity_SEVERITY_WARNING,
		Kind:  facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST,
		Text:  fmt.Sprintf("%d events before this one are not on the disk", j.untold()),
		Count: j.untold(),
		Fields: Fields{"queue_full": Integer(j.lost), "disk_refused": Integer(j.refused),
			"removed": Integer(j.removed)},
	}
	if j.append(e) > 0 {
		j.lost, j.refused, j.removed = 0, 0, 0
	}
}

// Unwritten is how many events are not on the disk, because it refused them, was too slow, or
// somebody removed them, and are not yet reported in an event.
func (j *Journal) Unwritten() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.untold()
}

// DiskError is the last error of the journal's disk, or nil when the last write went
// well.
func (j *Journal) DiskError() error {
	if j.disk == nil {
		return nil
	}
	return j.disk.lastError()
}

// bound cuts what would make one event large.
func bound(e *facetdv1.Event) {
	e.Text = cut(e.GetText(), maxTextBytes)
	e.Task = cut(e.GetTask(), maxFieldBytes)
	if len(e.GetChips()) > maxChips {
		e.Chips = append(slices.Clone(e.GetChips()[:maxChips-1]),
			fmt.Sprintf("and %d more", len(e.GetChips())-maxChips+1))
	}
	for i, c := range e.GetChips() {
		e.Chips[i] = cut(c, maxFieldBytes)
	}
	n := 0
	for k, v := range e.GetFields() {
		if n++; n > maxFields || len(k) > maxFieldBytes {
			delete(e.Fields, k)
			continue
		}
		if text, is := v.GetValue().(*facetdv1.EventValue_Text); is {
			e.Fields[k] = Text(cut(text.Text, maxFieldBytes))
		}
	}
}

func signal(wake chan struct{}) {
	select {
	case wake <- struct{}{}:
	default: // a token is there already
	}
}

// Info makes an event of a kind with a text; the caller may fill in more.
func Info(kind facetdv1.EventKind, text string) *facetdv1.Event {
	return &facetdv1.Event{Kind: kind, Severity: facetdv1.Severity_SEVERITY_INFO, Text: text}
}

// Filter chooses events; the zero value passes all.
type Filter struct {
	MinSeverity facetdv1.Severity
	Kinds       []facetdv1.EventKind
	Task        string
}

// Passes reports whether an event is wanted.
func (f *Filter) Passes(e *facetdv1.Event) bool {
	return e.GetSeverity() >= f.MinSeverity &&
		(len(f.Kinds) == 0 || slices.Contains(f.Kinds, e.GetKind())) &&
		(f.Task == "" || f.Task == e.GetTask())
}
