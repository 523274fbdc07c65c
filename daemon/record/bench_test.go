package record

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// BenchmarkThroughput compares a recording with writing the same messages, encoded but
// neither framed, checked nor packed, to a plain file, in the same run. Bytes are those
// of the messages.
func BenchmarkThroughput(b *testing.B) {
	src := newSource(1)
	var sets []*facetdv1.FrameSet
	var size int64
	for range 64 {
		fs := src.next("wall", 160)
		sets = append(sets, fs)
		size += int64(proto.Size(fs))
	}
	b.Run("plain file", func(b *testing.B) {
		f, err := os.Create(filepath.Join(b.TempDir(), "plain"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		b.SetBytes(size)
		var buf []byte
		for b.Loop() {
			for _, fs := range sets {
				if buf, err = (proto.MarshalOptions{}).MarshalAppend(buf[:0], fs); err != nil {
					b.Fatal(err)
				}
				if _, err := f.Write(buf); err != nil {
					b.Fatal(err)
				}
			}
		}
	})
	for _, images := range []bool{false, true} {
		name := "recording"
		if images {
			name += " with images"
		}
		b.Run(name, func(b *testing.B) {
			m, _, dir := manager(b, nil)
			start(b, m, "b", &facetdv1.RecordingOptions{Images: images})
			r := m.find("b")
			b.SetBytes(size)
			n := 0
			for b.Loop() {
				for _, fs := range sets {
					for r.queue.full() { // a bus would not wait, and lose it
						runtime.Gosched()
					}
					m.JobEnded(fs)
				}
				n += len(sets)
			}
			rec := stop(b, m, "b")
			if rec.GetLost() > 0 || rec.GetFrameSets() != uint64(n) {
				b.Fatalf("%d of %d recorded", rec.GetFrameSets(), n)
			}
			info, err := os.Stat(filepath.Join(dir, rec.GetParts()[0].GetFile()))
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(info.Size())/(float64(size)*float64(n)/float64(len(sets))), "file/message-bytes")
		})
	}
}

// full reports whether half of the queue is taken.
func (q *queue) full() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.items) >= q.limits.length/2 || q.bytes >= q.limits.bytes/2
}

// BenchmarkObserve is what a recording costs the goroutine that owns the bus.
func BenchmarkObserve(b *testing.B) {
	m, _, _ := manager(b, nil)
	start(b, m, "b", nil)
	fs := newSource(1).next("wall", 160)
	b.ReportAllocs()
	for b.Loop() {
		m.JobEnded(fs)
	}
}
