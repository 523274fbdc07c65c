package record

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// What went in comes out: every frame set whole, in order, with its times; the plans
// and events; and the counts in the answers agree.
func TestWhatGoesInComesOut(t *testing.T) {
	m, n, dir := manager(t, func(c *Config) {
		c.Status = func() *facetdv1.Status { return &facetdv1.Status{BusNs: 777, Array: "demo"} }
	})
	m.PlanChanged(plan("wall", "bed"), 500, 500) // before the recording: it still holds it
	start(t, m, "dive", &facetdv1.RecordingOptions{Images: true})
	src := newSource(1)
	var want []*facetdv1.FrameSet
	for i := range 60 {
		task := []string{"wall", "bed", ""}[i%3]
		fs := src.next(task, 8+i%5)
		want = append(want, fs)
		m.JobEnded(fs)
	}
	m.PlanChanged(plan("wall"), bustime.Time(src.at), bustime.Time(src.at))
	m.Event(&facetdv1.Event{Text: "look", BusNs: new(int64(5)), Sequence: 12})
	m.Event(&facetdv1.Event{Text: "about itself", Fields: events.Fields{"recording": events.Text("dive")}})
	rec := stop(t, m, "dive")
	if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED || rec.GetFrameSets() != 60 ||
		rec.GetLost() != 0 || len(rec.GetParts()) != 1 {
		t.Errorf("answer %v", rec)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"dive-001.mcap"}) {
		t.Fatalf("files %v", got)
	}
	path := filepath.Join(dir, "dive-001.mcap")
	entries := read(t, path)
	got := frameSets(entries)
	in, out := framedigest.New(), framedigest.New()
	for i := range want {
		in.Add(want[i])
		out.Add(got[i])
		if !proto.Equal(got[i], want[i]) {
			t.Errorf("frame set %d differs", i)
		}
	}
	if len(got) != len(want) || in.Sum() != out.Sum() {
		t.Errorf("%d frame sets out, %d in; digests %s and %s", len(got), len(want), out.Sum(), in.Sum())
	}
	var plans []*facetdv1.PlanChange
	var events, statuses int
	for _, e := range entries {
		switch {
		case e.Frames != nil:
			if at := uint64(epoch.Add(time.Duration(e.Frames.GetFinishBusNs())).UnixNano()); e.LogNS != at ||
				e.PublishNS != at {
				t.Errorf("frame set of bus time %d has log time %d and publish time %d", e.Frames.GetFinishBusNs(),
					e.LogNS, e.PublishNS)
			}
		case e.Plan != nil:
			plans = append(plans, e.Plan)
		case e.Event != nil:
			events++
			if e.Event.GetText() != "look" {
				t.Errorf("event %v", e.Event)
			}
		case e.Status != nil:
			statuses++
		}
	}
	if entries[0].Array.GetName() != "culvert-crawler" && entries[0].Array == nil {
		t.Errorf("it begins with %v", entries[0])
	}
	if len(plans) != 2 || len(plans[0].GetPlan().GetTasks()) != 2 || plans[1].GetEpochBusNs() != src.at ||
		events != 1 || statuses < 2 {
		t.Errorf("%d plans, %d events, %d statuses", len(plans), events, statuses)
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if md := r.Metadata(); md["recording"] != "dive" || md["part"] != "1" || md["seed"] != "7" ||
		md["array_digest"] == "" {
		t.Errorf("metadata %v", md)
	}
	// 40 jobs of tasks with two frames each, and 20 on-demand jobs with two.
	var images uint64
	for topic, c := range r.Counts() {
		if strings.HasPrefix(topic, TopicImages) || strings.HasPrefix(topic, TopicCaptureImages) {
			images += c
		}
	}
	if images != 120 || r.Messages() != rec.GetMessages() || r.FrameSets() != 60 {
		t.Errorf("%d images, %d messages of %d, %d frame sets", images, r.Messages(), rec.GetMessages(), r.FrameSets())
	}
	if len(n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_STARTED)) != 1 ||
		len(n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED)) != 1 {
		t.Errorf("told %v", n.list)
	}
}

// The schemas that are embedded suffice to read the messages without facetd: a reader
// that knows only what the file says finds every field.
func TestEmbeddedSchemasSuffice(t *testing.T) {
	m, _, dir := manager(t, nil)
	m.PlanChanged(plan("wall"), 5, 5)
	start(t, m, "s", &facetdv1.RecordingOptions{Images: true})
	fs := newSource(2).next("wall", 6)
	m.JobEnded(fs)
	m.Event(&facetdv1.Event{Text: "e"})
	stop(t, m, "s")
	f, err := os.Open(filepath.Join(dir, "s-001.mcap"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := mcap.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	it, err := r.Messages(mcap.InOrder(mcap.LogTimeOrder))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for {
		schema, ch, msg, err := it.NextInto(nil)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		decoded := decodeByFile(t, schema, msg.Data)
		seen[schema.Name]++
		if len(decoded.GetUnknown()) > 0 {
			t.Errorf("%s has unknown fields", ch.Topic)
		}
		if schema.Name == rawImageName {
			data := decoded.Get(decoded.Descriptor().Fields().ByName("data")).Bytes()
			if string(data) != string(fs.GetFrames()[seen[schema.Name]-1].GetData()) {
				t.Error("the image holds other pixels")
			}
			if w := decoded.Get(decoded.Descriptor().Fields().ByName("width")).Uint(); w != 6 {
				t.Errorf("the image is %d wide", w)
			}
		}
	}
	want := map[string]int{"facetd.v1.Array": 1, "facetd.v1.PlanChange": 1, "facetd.v1.FrameSet": 1,
		"facetd.v1.Event": 1, rawImageName: 2}
	for name, n := range want {
		if seen[name] != n {
			t.Errorf("%d of %s, want %d", seen[name], name, n)
		}
	}
}

func decodeByFile(t *testing.T, schema *mcap.Schema, data []byte) protoreflect.Message {
	t.Helper()
	var set descriptorpb.FileDescriptorSet
	if err := proto.Unmarshal(schema.Data, &set); err != nil || schema.Encoding != "protobuf" {
		t.Fatal(schema.Encoding, err)
	}
	files, err := protodesc.NewFiles(&set)
	if err != nil {
		t.Fatal(err)
	}
	d, err := files.FindDescriptorByName(protoreflect.FullName(schema.Name))
	if err != nil {
		t.Fatal(err)
	}
	msg := dynamicpb.NewMessage(d.(protoreflect.MessageDescriptor))
	if err := proto.Unmarshal(data, msg); err != nil {
		t.Fatal(err)
	}
	return msg.ProtoReflect()
}

// Files are closed by size and by bus time; each stands alone; nothing is lost between
// them.
func TestRotation(t *testing.T) {
	for name, o := range map[string]*facetdv1.RecordingOptions{
		"size": {PartBytes: MinPartBytes},
		"time": {PartDuration: durationpb.New(time.Second)},
	} {
		t.Run(name, func(t *testing.T) {
			m, _, dir := manager(t, nil)
			m.PlanChanged(plan("wall"), 5, 5)
			start(t, m, "r", o)
			src := newSource(3)
			want := framedigest.New()
			for range 250 {
				fs := src.next("wall", 16)
				src.at += 10_000_000 // a hundred or so a second
				want.Add(fs)
				m.JobEnded(fs)
			}
			rec := stop(t, m, "r")
			if len(rec.GetParts()) < 3 {
				t.Fatalf("%d files", len(rec.GetParts()))
			}
			got := framedigest.New()
			var bytes uint64
			for i, p := range rec.GetParts() {
				path := filepath.Join(dir, p.GetFile())
				info, err := os.Stat(path)
				if err != nil || uint64(info.Size()) != p.GetBytes() || !p.GetClosed() {
					t.Errorf("part %v: %v %v", p, info, err)
				}
				bytes += p.GetBytes()
				entries := read(t, path)
				if entries[0].Array == nil || entries[1].Geometry == nil || entries[2].Plan == nil {
					t.Errorf("part %d does not begin with the array, its geometry and the plan", i)
				}
				if g := entries[1].Geometry; !proto.Equal(g, m.cfg.Array.Geometry()) || g.GetDigest() == "" {
					t.Errorf("part %d has the geometry %v", i, g)
				}
				for _, fs := range frameSets(entries) {
					got.Add(fs)
				}
			}
			if got.Sum() != want.Sum() || bytes != rec.GetBytes() {
				t.Errorf("%d sets of %d over %d files, %d bytes of %d", got.Sets(), want.Sets(), len(rec.GetParts()),
					bytes, rec.GetBytes())
			}
		})
	}
}

// Only bus time ends files and recordings: an event of the host's clock, which in free
// pace is far from the bus, does not.
func TestEventsDoNotCoverTime(t *testing.T) {
	m, _, _ := manager(t, nil)
	start(t, m, "e", &facetdv1.RecordingOptions{PartDuration: durationpb.New(time.Second),
		MaxDuration: durationpb.New(time.Minute)})
	src := newSource(3)
	for i := range 20 {
		m.JobEnded(src.next("wall", 4))
		m.Event(&facetdv1.Event{Text: "far", Time: timestamppb.New(epoch.Add(time.Duration(i-10) * time.Hour))})
	}
	if rec := stop(t, m, "e"); len(rec.GetParts()) != 1 || rec.GetReason() != "it was asked to" ||
		rec.GetFrameSets() != 20 {
		t.Errorf("%v", rec)
	}
}

func TestLimitsEndARecording(t *testing.T) {
	for name, o := range map[string]*facetdv1.RecordingOptions{
		"bytes": {MaxBytes: 200 << 10, PartBytes: MinPartBytes},
		"time":  {MaxDuration: durationpb.New(time.Second)},
	} {
		t.Run(name, func(t *testing.T) {
			m, n, _ := manager(t, nil)
			start(t, m, "r", o)
			src := newSource(3)
			for range 400 {
				src.at += 10_000_000
				m.JobEnded(src.next("wall", 16))
			}
			r := m.known("r")
			<-r.done
			rec, err := m.Get("r")
			if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED ||
				!strings.Contains(rec.GetReason(), "reached") {
				t.Errorf("%v %v", rec, err)
			}
			if rec.GetFrameSets() == 0 || rec.GetFrameSets() >= 400 ||
				len(n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED)) != 1 {
				t.Errorf("%d frame sets", rec.GetFrameSets())
			}
		})
	}
}

func TestStartRefuses(t *testing.T) {
	m, _, dir := manager(t, nil)
	for name, want := range map[string]string{"": "", "a/b": "name", "../x": "name", ".x": "name",
		strings.Repeat("x", 65): "name", "ä": "name", "ok-1.b_c": ""} {
		_, err := m.Start(name, nil)
		var wrong invalid.Errors
		if want == "" && err != nil || want != "" && (!errors.As(err, &wrong) || wrong[0].Path != want) {
			t.Errorf("%q: %v", name, err)
		}
	}
	_, err := m.Start("x!", &facetdv1.RecordingOptions{Tasks: []string{"a", ""}, PartBytes: 5,
		MaxDuration: durationpb.New(-1), PartDuration: &durationpb.Duration{Seconds: 1, Nanos: -1}})
	var wrong invalid.Errors
	if !errors.As(err, &wrong) || len(wrong) != 5 {
		t.Errorf("errors %v", err)
	}
	if _, err := m.Start("ok-1.b_c", nil); !errors.As(err, new(*failure.Exists)) {
		t.Errorf("the same name: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "old-001.mcap"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Start("old", nil); !errors.As(err, new(*failure.Exists)) {
		t.Errorf("the name of an old one: %v", err)
	}
	start(t, m, "three", nil)
	start(t, m, "four", nil)
	var many *failure.Exhausted
	if _, err := m.Start("five", nil); !errors.As(err, &many) || !strings.Contains(many.Message, ", three, four)") {
		t.Errorf("the fifth: %v", err)
	}
	if err := m.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Start("late", nil); !errors.As(err, new(*failure.Unavailable)) {
		t.Errorf("after the end: %v", err)
	}
}

// Several recordings run beside each other, each with what it asked for.
func TestTasksAreChosen(t *testing.T) {
	m, _, dir := manager(t, nil)
	start(t, m, "all", nil)
	start(t, m, "bed", &facetdv1.RecordingOptions{Tasks: []string{"bed"}})
	src := newSource(8)
	if got := m.Running(); len(got) != 2 || got[0].GetName() != "all" || got[1].GetName() != "bed" {
		t.Errorf("running: %v", got)
	}
	for _, task := range []string{"wall", "bed", "", "bed"} {
		m.JobEnded(src.next(task, 4))
	}
	stop(t, m, "all")
	stop(t, m, "bed")
	for name, want := range map[string]int{"all": 4, "bed": 2} {
		if got := frameSets(read(t, filepath.Join(dir, name+"-001.mcap"))); len(got) != want {
			t.Errorf("%s: %d frame sets, want %d", name, len(got), want)
		}
	}
	// What another process finds says the same as the one that wrote it.
	fresh, _, _ := manager(t, func(c *Config) { c.Dir = dir })
	for _, name := range []string{"all", "bed"} {
		was, _ := m.Get(name)
		is, err := fresh.Get(name)
		if err != nil || is.GetMessages() != was.GetMessages() || is.GetFrameSets() != was.GetFrameSets() ||
			is.GetBytes() != was.GetBytes() ||
			!proto.Equal(is.GetStartTime(), was.GetStartTime()) || !proto.Equal(is.GetEndTime(), was.GetEndTime()) ||
			is.GetState() != was.GetState() {
			t.Errorf("%s: found %v, was %v (%v)", name, is, was, err)
		}
	}
	list, more, err := fresh.List("", 1)
	if err != nil || !more || len(list) != 1 || list[0].GetName() != "all" {
		t.Errorf("first page %v %v %v", list, more, err)
	}
	list, more, err = fresh.List("all", 1)
	if err != nil || more || len(list) != 1 || list[0].GetName() != "bed" {
		t.Errorf("second page %v %v %v", list, more, err)
	}
}

func TestPartNames(t *testing.T) {
	for _, p := range []part{{"a", 1, true}, {"a-001", 2, false}, {"x.y-9", 1234, true}} {
		if got, is := parsePart(p.file()); !is || got != p {
			t.Errorf("%v is %q, which is %v %v", p, p.file(), got, is)
		}
	}
	for _, bad := range []string{"", "a.mcap", "a-1.mcap", "a-000.mcap", "-001.mcap", "a-001.mcap.rest",
		"a-001.mcap.partial.rest", "a-0000000001.mcap", "a/b-001.mcap"} {
		if p, is := parsePart(bad); is {
			t.Errorf("%q is %v", bad, p)
		}
	}
}

// TestARecordingThatHasEndedHoldsNothing: whoever is told that a recording has ended may
// start another in the same instant.
func TestARecordingThatHasEndedHoldsNothing(t *testing.T) {
	var m *Manager
	told := make(chan error, 1)
	m, _, _ = manager(t, func(c *Config) {
		c.Events = func(e *facetdv1.Event) {
			if e.GetKind() != facetdv1.EventKind_EVENT_KIND_RECORDING_STOPPED ||
				e.GetFields()["recording"].GetText() != "r0" {
				return
			}
			if got, err := m.Get("r0"); err != nil || got.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED {
				t.Errorf("what has ended is %v, %v", got, err)
			}
			if s := m.Stats(); s.Running != MaxRunning-1 || s.Closed != 1 {
				t.Errorf("counted: %+v", s)
			}
			_, err := m.Start("next", nil)
			told <- err
		}
	})
	for i := range MaxRunning {
		start(t, m, fmt.Sprintf("r%d", i), nil)
	}
	stop(t, m, "r0")
	if err := <-told; err != nil {
		t.Error(err)
	}
}
