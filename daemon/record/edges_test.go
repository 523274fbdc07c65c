package record

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// TestBytesOfAllFilesCount: a recording ends at its limit over all its files, neither before it nor more than a message
// and the ends of its files behind it.
func TestBytesOfAllFilesCount(t *testing.T) {
	const limit = 4 * MinPartBytes
	m, _, _ := manager(t, nil)
	start(t, m, "r", &facetdv1.RecordingOptions{MaxBytes: limit, PartBytes: MinPartBytes})
	src := newSource(3)
	for range 2000 {
		src.at += 10_000_000
		m.JobEnded(src.next("wall", 16))
	}
	<-m.known("r").done
	rec, err := m.Get("r")
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.GetParts()) < 3 || rec.GetBytes() < limit || rec.GetBytes() > limit+MinPartBytes {
		t.Errorf("%d files and %d bytes, limit %d: %q", len(rec.GetParts()), rec.GetBytes(), limit, rec.GetReason())
	}
	var sum uint64
	for _, p := range rec.GetParts() {
		sum += p.GetBytes()
	}
	if sum != rec.GetBytes() {
		t.Errorf("the files have %d bytes, the recording %d", sum, rec.GetBytes())
	}
}

// sized is a message of so many bytes of pixels.
func sized(n int) item {
	return item{frames: &facetdv1.FrameSet{Frames: []*facetdv1.Frame{{Data: make([]byte, n),
		RowOffsetNs: make([]int64, 2)}}}}
}

// TestQueueIsBounded: in messages and in bytes, the newest is dropped, and the gap is told with the message behind it;
// one message is taken however large it is, up to what a message may have.
func TestQueueIsBounded(t *testing.T) {
	one := sized(1000)
	if got := one.size(); got != 512+1000+16+256 {
		t.Errorf("a message counts for %d bytes", got)
	}
	for name, l := range map[string]queueLimits{
		"messages": {length: 3, bytes: 1 << 30}, "bytes": {length: 100, bytes: 3 * one.size()},
	} {
		q := newQueue(l)
		for at := range int64(5) {
			q.put(sized(1000), 10+at)
		}
		if len(q.items) != 3 || q.bytes != 3*one.size() || q.lostTotal() != (lost{2, 2}) {
			t.Errorf("%s: %d wait with %d bytes, lost %+v", name, len(q.items), q.bytes, q.lostTotal())
		}
		if it, ok, _, _ := q.take(); !ok || it.lost != (loss{}) || q.bytes != 2*one.size() {
			t.Errorf("%s: the first is %v with the gap %+v, then %d bytes wait", name, ok, it.lost, q.bytes)
		}
		q.put(item{event: &facetdv1.Event{Text: "x"}}, 20)
		q.put(sized(1000), 21)
		for range 2 {
			q.take()
		}
		if it, ok, _, _ := q.take(); !ok || it.event == nil || it.lost != (loss{2, 2, 13, 14}) {
			t.Errorf("%s: behind the gap is %v, told as %+v", name, ok, it.lost)
		}
		q.discard()
		if !q.empty() || q.bytes != 0 {
			t.Errorf("%s: after all was taken %d bytes wait", name, q.bytes)
		}
	}
	q := newQueue(queueLimits{length: 2, bytes: 10})
	q.put(sized(1000), 1)
	q.put(item{event: &facetdv1.Event{}}, 2)
	q.put(sized(1), 3)
	if len(q.items) != 1 || q.lostTotal() != (lost{2, 1}) {
		t.Errorf("%d wait, lost %+v", len(q.items), q.lostTotal())
	}
	q.close()
	q.put(sized(1), 4)
	q.discard()
	if q.lostTotal() != (lost{3, 2}) || !q.empty() {
		t.Errorf("discarded: lost %+v", q.lostTotal())
	}
	if _, ok, rest, closed := q.take(); ok || !closed || rest != (loss{2, 1, 2, 3}) {
		t.Errorf("the end: %v, closed %v, the last gap %+v", ok, closed, rest)
	}
	big := newQueue(queueLimits{})
	big.put(sized(MaxMessageBytes), 1)
	if !big.empty() || big.lostTotal() != (lost{1, 1}) {
		t.Error("a message larger than any may be is taken")
	}
	if big.limits != (queueLimits{MaxQueueLength, MaxQueueBytes}) {
		t.Errorf("limits %+v", big.limits)
	}
}

// TestBinningOfAView: that of the task's view, which has a number where it has no name; that of others is not known.
func TestBinningOfAView(t *testing.T) {
	two, four := &facetdv1.Binning{Rows: 2, Columns: 1}, &facetdv1.Binning{Rows: 4, Columns: 4}
	r := &recording{plan: &facetdv1.PlanChange{Plan: &facetdv1.Plan{Tasks: []*facetdv1.Task{{Name: "bed"},
		{Name: "wall", Views: []*facetdv1.View{{Name: "top", Binning: two}, {Binning: four}, {}}}}}}}
	for view, want := range map[[2]string]*facetdv1.Binning{{"wall", "top"}: two, {"wall", "view-2"}: four,
		{"wall", "view-3"}: nil, {"wall", "view-1"}: nil, {"bed", "top"}: nil, {"bow", "top"}: nil} {
		if got := r.binningOf(view[0], view[1]); !proto.Equal(got, want) {
			t.Errorf("view %s of %s: %v, want %v", view[1], view[0], got, want)
		}
	}
	if got := (&recording{}).binningOf("wall", "top"); got != nil {
		t.Errorf("without a timetable: %v", got)
	}
}

// TestOnlyFilesAreHandedOut: a folder that is called like a file of a recording is none.
func TestOnlyFilesAreHandedOut(t *testing.T) {
	m, _, dir := manager(t, nil)
	if err := os.Mkdir(filepath.Join(dir, "d-001.mcap"), 0o700); err != nil {
		t.Fatal(err)
	}
	var none *failure.NotFound
	if d, err := m.open("d-001.mcap"); !errors.As(err, &none) {
		t.Errorf("%v, %v", d, err)
	}
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := m.remove("d", byRequest, ""); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("deleting from a folder that is gone: %v", err)
	}
}
