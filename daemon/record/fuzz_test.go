package record

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// tight limits make a fuzzer's files able to pass them.
var tight = Limits{RecordBytes: 1 << 20, ChunkBytes: 1 << 20, SummaryBytes: 1 << 20, Messages: 1000}

// typed reports whether an error is one that a caller can act on.
func typed(err error) bool {
	return errors.As(err, new(*ForeignError)) || errors.As(err, new(*TruncatedError)) ||
		errors.As(err, new(*DamagedError)) || errors.As(err, new(*LimitError))
}

// small is a small recording, as a seed.
func small(f testing.TB) []byte {
	m, _, dir := manager(f, func(c *Config) { c.Array = tiny })
	m.PlanChanged(plan("wall"), 5, 5)
	start(f, m, "x", &facetdv1.RecordingOptions{PartBytes: MinPartBytes})
	src := newSource(11)
	for range 3 {
		m.JobEnded(src.next("wall", 2))
	}
	stop(f, m, "x")
	data, err := os.ReadFile(filepath.Join(dir, "x-001.mcap"))
	if err != nil {
		f.Fatal(err)
	}
	return data
}

// plainFile is a recording that is small and not packed, so that a fuzzer can reach
// what is within its chunks.
func plainFile(t testing.TB) []byte { return bareFile(t, mcap.CompressionNone) }

func packedFile(t testing.TB) []byte { return bareFile(t, mcap.CompressionZSTD) }

func bareFile(t testing.TB, packing mcap.CompressionFormat) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := mcap.NewWriter(&out, &mcap.WriterOptions{Chunked: true, ChunkSize: 60, Compression: packing,
		OverrideLibrary: true})
	if err != nil {
		t.Fatal(err)
	}
	errs := []error{
		w.WriteHeader(&mcap.Header{Profile: Profile}),
		w.WriteMetadata(&mcap.Metadata{Name: metadataName, Metadata: map[string]string{"part": "1"}}),
		w.WriteSchema(&mcap.Schema{ID: 1, Name: "facetd.v1.FrameSet", Encoding: encodingProtobuf}),
		w.WriteChannel(&mcap.Channel{ID: 1, SchemaID: 1, Topic: TopicFrames + "a", MessageEncoding: encodingProtobuf}),
	}
	for job := range 3 {
		data, err := proto.Marshal(&facetdv1.FrameSet{Task: "a", Job: uint64(job),
			Frames: []*facetdv1.Frame{{Chip: "c", Data: []byte{1, 2}}}})
		errs = append(errs, err, w.WriteMessage(&mcap.Message{ChannelID: 1, LogTime: uint64(job), Data: data}))
	}
	if err := errors.Join(append(errs, w.Close())...); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Whatever bytes are read, the reader ends with messages or a typed error, without a
// panic and without memory beyond its limits.
func FuzzReader(f *testing.F) {
	data := plainFile(f)
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add(packedFile(f))
	f.Add([]byte("\x89MCAP0\r\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		readAll(t, data)
		runtime.ReadMemStats(&after)
		// Several structures of a record at most, and the decoder's tables.
		if used := after.TotalAlloc - before.TotalAlloc; used > 64<<20+2000*uint64(len(data)) {
			t.Errorf("%d bytes allocated for a file of %d", used, len(data))
		}
	})
}

func readAll(t *testing.T, data []byte) {
	r, err := newReader(bytes.NewReader(data), int64(len(data)), tight)
	if err != nil {
		if !typed(err) {
			t.Errorf("untyped: %v", err)
		}
		return
	}
	defer r.Close()
	r.FrameSets()
	for _, err := range r.All() {
		if err != nil && !typed(err) {
			t.Errorf("untyped: %v", err)
		}
	}
}

// Whatever a torn file holds, Recover makes a file of it that can be opened, or leaves
// it as it was with a typed error.
func FuzzRecover(f *testing.F) {
	data := plainFile(f)
	f.Add(data)
	f.Add(packedFile(f))
	f.Add(data[:len(data)*2/3])
	f.Add(append(bytes.Clone(data[:len(data)*2/3]), make([]byte, 100)...))
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "z-001.mcap.partial")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		rec, err := recoverFile(path, tight)
		if err != nil {
			if now, _ := os.ReadFile(path); !typed(err) || !bytes.Equal(now, data) {
				t.Errorf("%v; %d bytes of %d left", err, len(now), len(data))
			}
			return
		}
		r, err := Open(rec.Path)
		if err != nil {
			t.Fatalf("recovered, but: %v", err)
		}
		defer r.Close()
		if r.Chunks() != rec.Chunks {
			t.Errorf("%d chunks of %d", r.Chunks(), rec.Chunks)
		}
		for i := range r.Chunks() {
			if _, err := r.Chunk(i); err != nil && !typed(err) {
				t.Errorf("chunk %d: %v", i, err)
			}
		}
	})
}

// Files made to hurt: each must be refused by a typed error, with little memory.
func TestHostileFiles(t *testing.T) {
	data := small(t)
	le := func(n uint64) []byte {
		return []byte{byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24), byte(n >> 32), byte(n >> 40), byte(n >> 48),
			byte(n >> 56)}
	}
	r, err := newReader(bytes.NewReader(data), int64(len(data)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	chunk := int(r.chunks[0].ChunkStartOffset)
	footer := len(data) - magicLen - footerContent - recordHead
	put := func(at int, with []byte) []byte {
		out := bytes.Clone(data)
		copy(out[at:], with)
		return out
	}
	empty := make([]byte, 0, 1<<20)
	for len(empty) < 1<<19 {
		empty = append(empty, 9<<3|2, 0) // a frame of nothing
	}
	for name, file := range map[string][]byte{
		"header of 2^63 bytes":                   put(magicLen+1, le(1<<63)),
		"header of 2^62 bytes":                   put(magicLen+1, le(1<<62)),
		"chunk of 2^40 bytes":                    put(chunk+1, le(1<<40)),
		"chunk that says it unpacks to 2^40":     put(chunk+recordHead+16, le(1<<40)),
		"chunk that says it unpacks to 200 MiB":  put(chunk+recordHead+16, le(200<<20)),
		"compression name of 4 GiB":              put(chunk+recordHead+28, []byte{255, 255, 255, 255}),
		"chunk's data of 2^60 bytes":             put(chunk+recordHead+36, le(1<<60)),
		"footer that points beyond the end":      put(footer+recordHead, le(1<<50)),
		"footer that points at the start":        put(footer+recordHead, le(1)),
		"footer that points into the footer":     put(footer+recordHead, le(uint64(footer+3))),
		"chunk index that points beyond the end": reindexed(t, data, 1<<45),
		"chunk index that points at the header":  reindexed(t, data, magicLen),
		"a frame set of 260,000 empty frames":    oneMessage(t, empty),
		"a message that is not protobuf":         oneMessage(t, []byte{0xff, 0xff, 0xff}),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := newReader(bytes.NewReader(file), int64(len(file)),
			Limits{RecordBytes: DefaultLimits.RecordBytes, ChunkBytes: DefaultLimits.ChunkBytes,
				SummaryBytes: DefaultLimits.SummaryBytes, Messages: 10000})
		if err == nil {
			for _, e := range r.All() {
				err = e
			}
			_ = r.Close()
		}
		runtime.ReadMemStats(&after)
		if err == nil || !typed(err) {
			t.Errorf("%s: %v", name, err)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 32<<20 {
			t.Errorf("%s: %d bytes allocated", name, used)
		}
		t.Logf("%s: %v", name, err)
	}
}

// reindexed moves where the first chunk index points.
func reindexed(t *testing.T, data []byte, to uint64) []byte {
	t.Helper()
	out := bytes.Clone(data)
	c := container{r: bytes.NewReader(out), size: int64(len(out)), limits: DefaultLimits}
	for at := int64(magicLen); ; {
		rec, err := c.at(at, c.size)
		if err != nil {
			t.Fatal(err)
		}
		if rec.op == mcap.OpChunkIndex {
			for i := range 8 {
				out[rec.offset+recordHead+16+int64(i)] = byte(to >> (8 * i))
			}
			return out
		}
		at = rec.end()
	}
}

// oneMessage is a file with one frame set of given bytes.
func oneMessage(t *testing.T, message []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	p, err := newPartWriter(memory{&out}, ChunkBytes, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.writeData(TopicFrames+"x", (&facetdv1.FrameSet{}).ProtoReflect().Descriptor(), message, stamp{1, 1},
		false); err != nil {
		t.Fatal(err)
	}
	if err := p.finish(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// memory is a file in memory.
type memory struct{ *bytes.Buffer }

func (memory) Sync() error  { return nil }
func (memory) Close() error { return nil }
