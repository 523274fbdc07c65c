package record

import (
	"sync"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// queueLimits limit what waits.
type queueLimits struct {
	length int
	bytes  int64
}

// item is a message on its way to the disk.
type item struct {
	frames *facetdv1.FrameSet
	// correct completes the correction of frames, for what they tell of motion; nil where that is not recorded.
	correct func() *facetdv1.FrameSet
	plan    *facetdv1.PlanChange
	event   *facetdv1.Event
	cmap    *facetdv1.CorrectionMap
	atNS    int64 // of cmap, in bus time
	// lost is what was dropped just before it.
	lost  loss
	bytes int64
}

func (it *item) size() int64 {
	switch {
	case it.frames != nil:
		n := 512
		for _, f := range it.frames.GetFrames() {
			n += len(f.GetData()) + 8*len(f.GetRowOffsetNs()) + 256
		}
		return int64(n)
	case it.plan != nil:
		return int64(proto.Size(it.plan))
	case it.cmap != nil:
		return int64(proto.Size(it.cmap))
	}
	return int64(proto.Size(it.event))
}

// loss is a gap in a recording.
type loss struct {
	messages        uint64
	frameSets       uint64
	firstNS, lastNS int64 // bus time of the first and last message of the gap
}

func (l *loss) add(atNS int64, it *item) {
	if l.messages == 0 {
		l.firstNS = atNS
	}
	l.lastNS = atNS
	l.messages++
	if it.frames != nil {
		l.frameSets++
	}
}

// lost counts what no file holds.
type lost struct{ messages, frameSets uint64 }

func (l *lost) add(it *item) {
	l.messages++
	if it.frames != nil {
		l.frameSets++
	}
}

// queue is what waits for the disk. When it is full the newest message is dropped and
// the gap noted: what is already recorded stays without holes up to there. Putting
// never waits.
type queue struct {
	limits queueLimits
	wake   chan struct{} // holds one token when there may be something new

	mu      sync.Mutex
	items   []item
	bytes   int64
	pending loss // dropped after the last item
	lost    lost // since the start
	closed  bool
}

func newQueue(l queueLimits) *queue {
	if l.length == 0 {
		l.length = MaxQueueLength
	}
	if l.bytes == 0 {
		l.bytes = MaxQueueBytes
	}
	return &queue{limits: l, wake: make(chan struct{}, 1)}
}

// put offers a message of a bus time. A closed queue takes nothing and counts nothing.
func (q *queue) put(it item, atNS int64) {
	it.bytes = it.size()
	q.mu.Lock()
	if q.closed {
		q.mu.Unlock()
		return
	}
	if len(q.items) >= q.limits.length || len(q.items) > 0 && q.bytes+it.bytes > q.limits.bytes ||
		it.bytes > MaxMessageBytes {
		q.pending.add(atNS, &it)
		q.lost.add(&it)
	} else {
		it.lost, q.pending = q.pending, loss{}
		q.items = append(q.items, it)
		q.bytes += it.bytes
	}
	q.mu.Unlock()
	q.signal()
}

// take returns the oldest message that waits, or what was dropped after the last one
// of a closed queue.
func (q *queue) take() (it item, ok bool, rest loss, closed bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.items) > 0 {
		it = q.items[0]
		q.items[0] = item{}
		q.items = q.items[1:]
		q.bytes -= it.bytes
		return it, true, loss{}, false
	}
	if q.closed {
		rest, q.pending = q.pending, loss{}
	}
	return item{}, false, rest, q.closed
}

// close makes the queue take nothing more.
func (q *queue) close() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.signal()
}

// lose counts what was taken and is in no file.
func (q *queue) lose(l lost) {
	q.mu.Lock()
	q.lost.messages += l.messages
	q.lost.frameSets += l.frameSets
	q.mu.Unlock()
}

// discard counts everything that still waits as lost: the disk takes no more. Call it
// on a closed queue.
func (q *queue) discard() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for i := range q.items {
		q.lost.add(&q.items[i])
	}
	q.items, q.bytes = nil, 0
}

func (q *queue) lostTotal() lost {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.lost
}

func (q *queue) empty() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.items) == 0
}

func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default: // a token is there already
	}
}
