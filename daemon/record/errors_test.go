package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

var errDisk = errors.New("the disk fails")

// failingReads fails from one read on, or that once.
type failingReads struct {
	io.ReaderAt
	good int
	once bool
}

func (f *failingReads) ReadAt(p []byte, at int64) (int, error) {
	if f.good--; f.good == -1 || f.good < 0 && !f.once {
		return 0, errDisk
	}
	return f.ReaderAt.ReadAt(p, at)
}

// TestADiskThatCannotBeRead: whichever read of a file fails, opening it or reading its messages says so, and nothing
// else.
func TestADiskThatCannotBeRead(t *testing.T) {
	data := plainFile(t)
	for _, once := range []bool{false, true} {
		for good := 0; ; good++ {
			src := &failingReads{bytes.NewReader(data), good, once}
			r, err := newReader(src, int64(len(data)), DefaultLimits)
			messages := 0
			if err == nil {
				for _, err = range r.All() {
					if err == nil {
						messages++
					}
				}
			}
			if err == nil && src.good >= 0 {
				if messages != 3 || good < 10 {
					t.Errorf("%d messages after %d reads", messages, good)
				}
				break
			}
			if !errors.Is(err, errDisk) || good > 100 {
				t.Fatalf("the read after %d good ones fails: %v", good, err)
			}
		}
	}
}

// TestLimitsOfAReader: what is as large as it may be is read, what is larger is refused by its kind.
func TestLimitsOfAReader(t *testing.T) {
	data := plainFile(t)
	whole, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	start, end, err := whole.footer(int64(len(mcap.Magic)))
	if err != nil {
		t.Fatal(err)
	}
	for summary, want := range map[int64]bool{end - start: true, end - start - 1: false} {
		limits := DefaultLimits
		limits.SummaryBytes = summary
		_, err := newReader(bytes.NewReader(data), int64(len(data)), limits)
		var limit *LimitError
		if want && err != nil || !want && (!errors.As(err, &limit) || limit.What != "a summary" ||
			limit.Bytes != uint64(end-start)) {
			t.Errorf("a summary of %d bytes where %d may be: %v", end-start, summary, err)
		}
	}
	// Three frames, one of them with a window in it: four nested messages.
	message, err := proto.Marshal(&facetdv1.FrameSet{Frames: []*facetdv1.Frame{{}, {Window: &facetdv1.Window{Row: 1}},
		{}}})
	if err != nil {
		t.Fatal(err)
	}
	for budget, want := range map[int]error{4: nil, 3: errTooMany} {
		if err := countMessages((&facetdv1.FrameSet{}).ProtoReflect().Descriptor(), message, &budget); !errors.Is(err,
			want) {
			t.Errorf("%v", err)
		}
	}
}

// TestARecoveredFileSaysWhatAClosedOneSays: recovered from its data alone, a file has the summary that its writer gave
// it: counts, times, and where everything lies, as the library's reader has them.
func TestARecoveredFileSaysWhatAClosedOneSays(t *testing.T) {
	path, data := recorded(t, 30)
	info := func(path string) *mcap.Info {
		t.Helper()
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		r, err := mcap.NewReader(f)
		if err != nil {
			t.Fatal(err)
		}
		info, err := r.Info()
		if err != nil {
			t.Fatal(err)
		}
		return info
	}
	want := info(path)
	start, _, err := (&Reader{container: container{r: bytes.NewReader(data), size: int64(len(data)),
		limits: DefaultLimits}}).footer(0)
	if err != nil {
		t.Fatal(err)
	}
	last := want.ChunkIndexes[len(want.ChunkIndexes)-1]
	for name, cut := range map[string]int64{
		"the end of the data":           start - 4,
		"the indexes of the last chunk": int64(last.ChunkStartOffset + last.ChunkLength + 5),
	} {
		torn := filepath.Join(t.TempDir(), "x-001.mcap.partial")
		if err := os.WriteFile(torn, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		rec, err := Recover(torn)
		if err != nil || rec.Whole {
			t.Fatal(rec, err)
		}
		got := info(rec.Path)
		if !reflect.DeepEqual(got.Statistics, want.Statistics) {
			t.Errorf("%s: statistics %+v, want %+v", name, got.Statistics, want.Statistics)
		}
		if len(want.MetadataIndexes) != 1 || !reflect.DeepEqual(got.MetadataIndexes, want.MetadataIndexes) {
			t.Errorf("%s: %d metadata records, want %d", name, len(got.MetadataIndexes), len(want.MetadataIndexes))
		}
		if !reflect.DeepEqual(got.ChunkIndexes, want.ChunkIndexes) {
			t.Errorf("%s: %d chunks lie elsewhere than the %d of the writer", name, len(got.ChunkIndexes),
				len(want.ChunkIndexes))
		}
		if !slices.Equal(slices.Sorted(maps.Keys(got.Channels)), slices.Sorted(maps.Keys(want.Channels))) ||
			len(got.Schemas) != len(want.Schemas) {
			t.Errorf("%s: %d channels and %d schemas, want %d and %d", name, len(got.Channels), len(got.Schemas),
				len(want.Channels), len(want.Schemas))
		}
		if got, want := groupsOf(t, rec.Path), groupsOf(t, path); len(want) < 4 || !slices.Equal(got, want) {
			t.Errorf("%s: the summary has groups %v, want %v", name, got, want)
		}
	}
}

// groupsOf are the records of a file's summary that are indexed there by their kind, in order.
func groupsOf(t *testing.T, path string) (ops []mcap.OpCode) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	c := container{r: bytes.NewReader(data), size: int64(len(data)), limits: DefaultLimits}
	for at := int64(magicLen); at < c.size-magicLen; {
		rec, err := c.at(at, c.size)
		if err != nil {
			t.Fatal(err)
		}
		if rec.op == mcap.OpSummaryOffset {
			content, err := c.content(rec, "an offset")
			if err != nil {
				t.Fatal(err)
			}
			offset, err := mcap.ParseSummaryOffset(content)
			if err != nil {
				t.Fatal(err)
			}
			if first, err := c.at(int64(offset.GroupStart), c.size); err != nil || first.op != offset.GroupOpcode {
				t.Errorf("group %v is not where it is said to be: %v, %v", offset.GroupOpcode, first, err)
			}
			ops = append(ops, offset.GroupOpcode)
		}
		at = rec.end()
	}
	slices.Sort(ops)
	return ops
}

// TestAnIndexThatLies: an index that does not say what its chunk says is written anew.
func TestAnIndexThatLies(t *testing.T) {
	_, data := recorded(t, 30)
	r, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	last := r.chunks[len(r.chunks)-1]
	end := int64(last.ChunkStartOffset + last.ChunkLength)
	bad := bytes.Clone(data[:end+int64(last.MessageIndexLength)])
	bad[end+recordHead+2+4] ^= 1 // of the first index: its channel, the length of its list, and a log time
	path := filepath.Join(t.TempDir(), "x-001.mcap.partial")
	if err := os.WriteFile(path, bad, 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := Recover(path)
	if err != nil || rec.Whole || rec.Chunks != len(r.chunks) || rec.Messages != r.Messages() {
		t.Fatalf("%+v, %v", rec, err)
	}
	now, err := os.ReadFile(rec.Path)
	if err != nil || !bytes.Equal(now[:end+int64(last.MessageIndexLength)], data[:end+int64(last.MessageIndexLength)]) {
		t.Errorf("the index is not what it was, %v", err)
	}
	checkIndex(t, rec.Path)
}

// TestNoNameForTheRest: where what is cut off cannot be put aside, nothing is cut off.
func TestNoNameForTheRest(t *testing.T) {
	_, data := recorded(t, 10)
	r, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	bad := bytes.Clone(data)
	bad[r.chunks[1].ChunkStartOffset+r.chunks[1].ChunkLength-1] ^= 0x40
	path := filepath.Join(t.TempDir(), "x-001.mcap.partial")
	if err := os.WriteFile(path, bad, 0o600); err != nil {
		t.Fatal(err)
	}
	for i := 1; i < 100; i++ {
		name := fmt.Sprintf("%s.rest%d", path, i)
		if i == 1 {
			name = path + ".rest"
		}
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if rec, err := Recover(path); !errors.Is(err, os.ErrExist) {
		t.Errorf("%+v, %v", rec, err)
	}
	if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, bad) {
		t.Errorf("the file was changed, %v", err)
	}
}

// write makes a file with messages of these log times.
func write(t *testing.T, path string, times ...uint64) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	p, err := newPartWriter(f, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range times {
		if err := p.write(TopicEvents, &facetdv1.Event{}, stamp{at, at}, false); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(p.finish(), f.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestWhatFilesSayOfTheirRecording: from the first of all messages to the last, also where the host's clock was set
// back in between; a file that cannot be read makes it a failed one, with the reason.
func TestWhatFilesSayOfTheirRecording(t *testing.T) {
	dir := t.TempDir()
	parts := []part{{"x", 1, true}, {"x", 2, true}, {"x", 3, true}}
	write(t, filepath.Join(dir, parts[0].file()), 300, 500)
	write(t, filepath.Join(dir, parts[1].file()))
	write(t, filepath.Join(dir, parts[2].file()), 200, 400)
	rec := describe(dir, "x", parts)
	if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED || rec.GetReason() != "" ||
		rec.GetStartTime().AsTime().UnixNano() != 200 || rec.GetEndTime().AsTime().UnixNano() != 500 ||
		rec.GetMessages() != 4 {
		t.Errorf("%v", rec)
	}
	if err := os.WriteFile(filepath.Join(dir, parts[1].file()), []byte("dear diary"), 0o600); err != nil {
		t.Fatal(err)
	}
	rec = describe(dir, "x", parts)
	if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED ||
		!strings.Contains(rec.GetReason(), "x-002.mcap: not a recording") || rec.GetMessages() != 4 {
		t.Errorf("%v", rec)
	}
	torn := append(parts, part{"x", 4, false})
	write(t, filepath.Join(dir, torn[3].file()), 600)
	rec = describe(dir, "x", torn)
	if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_TORN ||
		!strings.Contains(rec.GetReason(), "x-004.mcap.partial was not closed") || rec.GetMessages() != 4 {
		t.Errorf("%v", rec)
	}
}

// TestAFolderThatIsGone is told by whoever asks for what is in it.
func TestAFolderThatIsGone(t *testing.T) {
	m, _, dir := manager(t, nil)
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if rec, err := m.Get("x"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v, %v", rec, err)
	}
	if list, _, err := m.List("", 9); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v, %v", list, err)
	}
	if err := m.Recover(t.Context()); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	if _, err := m.Start("x", nil); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}

// TestRecoveryIsBrokenOff: nothing is recovered for a caller who has gone.
func TestRecoveryIsBrokenOff(t *testing.T) {
	m, n, dir := manager(t, nil)
	path := filepath.Join(dir, "torn-001.mcap.partial")
	if err := os.WriteFile(path, plainFile(t)[:100], 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := m.Recover(ctx); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, err := os.Stat(path); err != nil || len(n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_RECOVERED)) != 0 {
		t.Errorf("it was recovered: %v", err)
	}
}

// TestChunksInTheOrderOfTheFile: also where the summary lists them in another, and the topics of each are those of its
// messages.
func TestChunksInTheOrderOfTheFile(t *testing.T) {
	_, data := recorded(t, 30)
	s := survey{container: container{r: bytes.NewReader(data), size: int64(len(data)), limits: DefaultLimits},
		tables: newTables()}
	if err := s.run(); err != nil || !s.whole {
		t.Fatal(err)
	}
	s.indexes = nil
	slices.Reverse(s.chunks)
	tail, err := s.tail(s.keep)
	if err != nil {
		t.Fatal(err)
	}
	turned := append(bytes.Clone(data[:s.keep]), tail...)
	got, err := newReader(bytes.NewReader(turned), int64(len(turned)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	want, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	if want.Chunks() < 4 || got.Chunks() != want.Chunks() {
		t.Fatalf("%d chunks of %d", got.Chunks(), want.Chunks())
	}
	for i := range want.Chunks() {
		a, errA := got.Chunk(i)
		b, errB := want.Chunk(i)
		if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
			t.Errorf("chunk %d is another: %v, %v", i, errA, errB)
		}
		topics := map[string]bool{}
		for _, e := range b {
			topics[e.Topic] = true
		}
		if told := slices.Sorted(slices.Values(want.ChunkTopics(i))); !slices.Equal(told,
			slices.Sorted(maps.Keys(topics))) {
			t.Errorf("chunk %d is said to have %v, and has %v", i, told, topics)
		}
	}
}

// TestImagesAreNoEntries: a reader gives what a recording is made of, and leaves out the copies for viewers.
func TestImagesAreNoEntries(t *testing.T) {
	m, _, dir := manager(t, func(c *Config) { c.Array = tiny })
	start(t, m, "x", &facetdv1.RecordingOptions{Images: true})
	src := newSource(2)
	for range 4 {
		m.JobEnded(src.next("wall", 4))
	}
	stop(t, m, "x")
	entries := read(t, filepath.Join(dir, "x-001.mcap"))
	for _, e := range entries {
		if e.Frames == nil && e.Plan == nil && e.Event == nil && e.Status == nil && e.Array == nil &&
			e.Geometry == nil {
			t.Errorf("an entry of %s holds nothing", e.Topic)
		}
	}
	if len(frameSets(entries)) != 4 {
		t.Errorf("%d entries", len(entries))
	}
}

// TestOnlyWholeChunksAreHanded: what waits in a chunk that is open is not in the system's hands.
func TestOnlyWholeChunksAreHanded(t *testing.T) {
	p, err := newPartWriter(memory{&bytes.Buffer{}}, ChunkBytes, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, flush := range []bool{false, true, false, false, true, false} {
		at := uint64(i + 1)
		if err := p.write(TopicEvents, &facetdv1.Event{}, stamp{at, at}, flush); err != nil {
			t.Fatal(err)
		}
		if want := []uint64{0, 2, 2, 2, 5, 5}[i]; p.handed.messages != want || p.appended.messages != at {
			t.Errorf("message %d: %d are handed over of %d, want %d", i+1, p.handed.messages, p.appended.messages, want)
		}
	}
	// No more channels than MCAP can number, and those that there are go on.
	for i := len(p.channels); i < maxChannels; i++ {
		p.channels[fmt.Sprint(i)] = nil
	}
	if err := p.write("another", &facetdv1.Event{}, stamp{9, 9}, false); err == nil {
		t.Error("a channel too many")
	}
	if err := p.write(TopicEvents, &facetdv1.Event{}, stamp{9, 9}, false); err != nil || p.appended.messages != 7 {
		t.Errorf("%v, %d messages", err, p.appended.messages)
	}
}

// TestWhatWaitsIsSized: messages of every kind count with what they take at least.
func TestWhatWaitsIsSized(t *testing.T) {
	p := &facetdv1.PlanChange{Plan: plan(strings.Repeat("x", 3000))}
	e := &facetdv1.Event{Text: strings.Repeat("x", 2000)}
	f := newSource(1).next("a", 30)
	for name, c := range map[string]struct {
		it    item
		least int
	}{"a plan": {item{plan: p}, 3000}, "an event": {item{event: e}, 2000}, "frames": {item{frames: f}, 2 * 2 * 900}} {
		if got := c.it.size(); got < int64(c.least) || got > 4*int64(c.least) {
			t.Errorf("%s counts as %d bytes", name, got)
		}
	}
}

// TestWhatALossSays: numbers in decimals, as all of the journal.
func TestWhatALossSays(t *testing.T) {
	r := &recording{name: "x"}
	e := r.lossEvent(loss{messages: 21, frameSets: 12, firstNS: 123456, lastNS: 987654})
	if f := e.GetFields(); e.GetCount() != 21 || f["frame_sets"].GetInteger() != 12 ||
		f["first_bus_ns"].GetInteger() != 123456 ||
		f["last_bus_ns"].GetInteger() != 987654 || e.GetBusNs() != 987654 {
		t.Errorf("%v", e)
	}
}

// TestATaskThatThereIsNot: a recording of one that does not run is refused, whether it is the only one or not; before
// it is known which run none is.
func TestATaskThatThereIsNot(t *testing.T) {
	var state atomic.Int32
	state.Store(int32(facetdv1.State_STATE_RUNNING))
	m, _, _ := manager(t, func(c *Config) {
		c.Status = func() *facetdv1.Status {
			return &facetdv1.Status{State: facetdv1.State(state.Load()),
				Tasks: []*facetdv1.RunningTask{{Task: &facetdv1.Task{Name: "wall"}}}}
		}
	})
	for _, tasks := range [][]string{{"gaze"}, {"wall", "gaze"}} {
		var none *failure.NotFound
		if _, err := m.Start("x", &facetdv1.RecordingOptions{Tasks: tasks}); !errors.As(err, &none) ||
			none.Name != "gaze" {
			t.Errorf("%v: %v", tasks, err)
		}
	}
	start(t, m, "x", &facetdv1.RecordingOptions{Tasks: []string{"wall"}})
	state.Store(int32(facetdv1.State_STATE_UNSPECIFIED))
	start(t, m, "y", &facetdv1.RecordingOptions{Tasks: []string{"gaze"}})
}

// TestADiskThatFailsWhileLittleHappens: a recording into which little comes ends with the error all the same when a
// sync, the look at the free space or the second's status fails.
func TestADiskThatFailsWhileLittleHappens(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"sync": func(c *Config) {
			c.create = (&disk{free: 1 << 30, goodSyncs: 1, refuses: syscall.EIO}).create
		},
		"first sync": func(c *Config) { c.create = (&disk{free: 1 << 30, refuses: syscall.EIO}).create },
		"space": func(c *Config) {
			begin := time.Now()
			c.free = func(string) (uint64, error) {
				if time.Since(begin) > 3*time.Second {
					return 0, syscall.EIO
				}
				return 1 << 50, nil
			}
		},
	} {
		synctest.Test(t, func(t *testing.T) {
			m, n, _ := manager(t, func(c *Config) { c.Array = tiny; change(c) })
			start(t, m, "x", nil)
			time.Sleep(3 * syncPeriod)
			synctest.Wait()
			rec, err := m.Get("x")
			if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED ||
				!strings.Contains(rec.GetReason(), syscall.EIO.Error()) {
				t.Errorf("%s: %v, %v", name, rec, err)
			}
			if told := n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED); len(told) != 1 {
				t.Errorf("%s: told %v", name, told)
			}
		})
	}
}

// TestASummaryThatLies: a file whose summary says less than its data hold is not whole: it is written anew, with all.
func TestASummaryThatLies(t *testing.T) {
	_, data := recorded(t, 30)
	for name, lie := range map[string]func(s *survey){
		"a chunk less":   func(s *survey) { s.chunks = s.chunks[:len(s.chunks)-1] },
		"messages less":  func(s *survey) { s.stats.MessageCount -= 2 },
		"nothing":        func(*survey) {},
		"no chunk":       func(s *survey) { s.chunks, s.stats.MessageCount = nil, 0 },
		"a chunk twice":  func(s *survey) { s.chunks = append(s.chunks, s.chunks[0]) },
		"messages twice": func(s *survey) { s.stats.MessageCount *= 2 },
	} {
		s := survey{container: container{r: bytes.NewReader(data), size: int64(len(data)), limits: DefaultLimits},
			tables: newTables()}
		if err := s.run(); err != nil || !s.whole {
			t.Fatal(err)
		}
		s.indexes = nil
		chunks, messages := len(s.chunks), s.stats.MessageCount
		lie(&s)
		tail, err := s.tail(s.keep)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "x-001.mcap.partial")
		if err := os.WriteFile(path, append(bytes.Clone(data[:s.keep]), tail...), 0o600); err != nil {
			t.Fatal(err)
		}
		rec, err := Recover(path)
		if err != nil || rec.Whole != (name == "nothing") || rec.Chunks != chunks || rec.Messages != messages {
			t.Errorf("%s: %+v, %v", name, rec, err)
		}
		r, err := Open(rec.Path)
		if err != nil || r.Chunks() != chunks || r.Messages() != messages {
			t.Errorf("%s: then %v", name, err)
		}
		_ = r.Close()
	}
}
