package record

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"strings"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Entry is one message of a recording. One of the pointers is set.
type Entry struct {
	Topic            string
	LogNS, PublishNS uint64 // since 1970 (UTC)
	Frames           *facetdv1.FrameSet
	Plan             *facetdv1.PlanChange
	Event            *facetdv1.Event
	Status           *facetdv1.Status
	Array            *facetdv1.Array
	Geometry         *facetdv1.Geometry
	Motion           *facetdv1.MotionEstimate
	Map              *facetdv1.CorrectionMap
}

// Reader reads one closed file of a recording. It keeps the index in memory, and one
// chunk. One goroutine may use it.
type Reader struct {
	container container
	closer    io.Closer
	tables    tables
	stats     mcap.Statistics
	chunks    []*mcap.ChunkIndex // in file order
	metadata  map[string]string
}

// Open opens a closed file. Close it when done. Errors: *TruncatedError,
// *ForeignError, *DamagedError, *LimitError, the system's.
func Open(path string) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = &ForeignError{"it is not a file"}
	}
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	r, err := newReader(f, info.Size(), DefaultLimits)
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	r.closer = f
	return r, nil
}

const (
	footerContent = 8 + 8 + 4
	magicLen      = 8
)

func newReader(src io.ReaderAt, size int64, limits Limits) (*Reader, error) {
	r := &Reader{container: container{r: src, size: size, limits: limits}, tables: newTables(),
		metadata: map[string]string{}}
	first, err := r.container.header()
	if errors.Is(err, errTorn) {
		return nil, &TruncatedError{"it ends within its header"}
	}
	if err != nil {
		return nil, err
	}
	start, end, err := r.footer(first)
	if err != nil {
		return nil, err
	}
	if err := r.summary(start, end); err != nil {
		return nil, err
	}
	return r, r.readMetadata(first)
}

// footer returns where the summary begins and ends.
func (r *Reader) footer(first int64) (start, end int64, err error) {
	c := &r.container
	end = c.size - magicLen - footerContent - recordHead
	if end < first {
		return 0, 0, &TruncatedError{"it ends after its header"}
	}
	magic := make([]byte, magicLen)
	if _, err := c.r.ReadAt(magic, c.size-magicLen); err != nil && err != io.EOF {
		return 0, 0, err
	}
	rec, err := c.at(end, c.size-magicLen)
	if err != nil && !errors.Is(err, errTorn) {
		return 0, 0, err
	}
	if string(magic) != string(mcap.Magic) || err != nil || rec.op != mcap.OpFooter || rec.length != footerContent {
		return 0, 0, &TruncatedError{"it has no footer"}
	}
	data, err := c.content(rec, "a footer")
	if err != nil {
		return 0, 0, err
	}
	at := binary.LittleEndian.Uint64(data)
	if at == 0 {
		return 0, 0, &TruncatedError{"it has no summary"}
	}
	if at < uint64(first) || at > uint64(end) {
		return 0, 0, &DamagedError{end, "the footer points outside the file"}
	}
	if n := end - int64(at); n > c.limits.SummaryBytes {
		return 0, 0, &LimitError{int64(at), "a summary", uint64(n), uint64(c.limits.SummaryBytes)}
	}
	return int64(at), end, nil
}

func (r *Reader) summary(start, end int64) error {
	c := &r.container
	for at := start; at < end; {
		rec, err := c.at(at, end)
		if errors.Is(err, errTorn) {
			return &DamagedError{at, "a record of the summary is cut off"}
		}
		if err != nil {
			return err
		}
		data, err := c.content(rec, "a record")
		if err != nil {
			return err
		}
		if err := r.summaryRecord(rec, data, start); err != nil {
			return err
		}
		at = rec.end()
	}
	slices.SortStableFunc(r.chunks, func(a, b *mcap.ChunkIndex) int {
		return int(int64(a.ChunkStartOffset) - int64(b.ChunkStartOffset))
	})
	return nil
}

func (r *Reader) summaryRecord(rec rawRecord, data []byte, summaryStart int64) error {
	switch rec.op {
	case mcap.OpChunkIndex:
		idx, err := mcap.ParseChunkIndex(data)
		if err != nil {
			return &DamagedError{rec.offset, err.Error()}
		}
		if !fits(idx.ChunkStartOffset, idx.ChunkLength, summaryStart) {
			return &DamagedError{rec.offset, "a chunk's index points outside the file"}
		}
		r.chunks = append(r.chunks, idx)
	case mcap.OpStatistics:
		st, err := mcap.ParseStatistics(data)
		if err != nil {
			return &DamagedError{rec.offset, err.Error()}
		}
		r.stats = *st
	default:
		return r.tables.add(rec.op, data, rec.offset)
	}
	return nil
}

// readMetadata reads the record behind the header that says what the file belongs to.
func (r *Reader) readMetadata(first int64) error {
	rec, err := r.container.at(first, r.container.size)
	if err != nil && !errors.Is(err, errTorn) {
		return err
	}
	if err != nil || rec.op != mcap.OpMetadata {
		return nil // a file that was recovered before anything was in it has none
	}
	data, err := r.container.content(rec, "metadata")
	if err != nil {
		return err
	}
	m, err := mcap.ParseMetadata(data)
	if err != nil {
		return &DamagedError{rec.offset, err.Error()}
	}
	if m.Name == metadataName {
		r.metadata = m.Metadata
	}
	return nil
}

// Close releases the file.
func (r *Reader) Close() error {
	r.container.close()
	if r.closer == nil {
		return nil
	}
	return r.closer.Close()
}

// Metadata says what the file belongs to: recording, part, array, array_digest, and
// the labels of the daemon that wrote it.
func (r *Reader) Metadata() map[string]string { return r.metadata }

// Span is the log times of the first and last message, in nanoseconds since 1970
// (UTC); 0 when there are none.
func (r *Reader) Span() (first, last uint64) {
	return r.stats.MessageStartTime, r.stats.MessageEndTime
}

// Counts are the messages by topic.
func (r *Reader) Counts() map[string]uint64 {
	out := map[string]uint64{}
	for id, n := range r.stats.ChannelMessageCounts {
		if ch := r.tables.channels[id]; ch != nil {
			out[ch.Topic] += n
		}
	}
	return out
}

// Messages is the number of all messages.
func (r *Reader) Messages() uint64 { return r.stats.MessageCount }

// FrameSets is the number of frame sets, captures included.
func (r *Reader) FrameSets() uint64 {
	var sum uint64
	for topic, n := range r.Counts() {
		if holdsFrameSets(topic) {
			sum += n
		}
	}
	return sum
}

// Chunks is the number of chunks.
func (r *Reader) Chunks() int { return len(r.chunks) }

// ChunkAt is the first chunk with a message at or after a log time; Chunks() when
// there is none.
func (r *Reader) ChunkAt(logNS uint64) int {
	i := slices.IndexFunc(r.chunks, func(c *mcap.ChunkIndex) bool { return c.MessageEndTime >= logNS })
	if i < 0 {
		return len(r.chunks)
	}
	return i
}

// ChunkTopics are the topics of a chunk's messages, as far as the index says.
func (r *Reader) ChunkTopics(chunk int) []string {
	var out []string
	for id := range r.chunks[chunk].MessageIndexOffsets {
		if ch := r.tables.channels[id]; ch != nil {
			out = append(out, ch.Topic)
		}
	}
	return out
}

// All returns every message in the order they were recorded; images are left out.
// After an error nothing follows.
func (r *Reader) All() iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		for i := range r.chunks {
			entries, err := r.Chunk(i)
			if err != nil {
				yield(Entry{}, err)
				return
			}
			for _, e := range entries {
				if !yield(e, nil) {
					return
				}
			}
		}
	}
}

// Chunk returns the messages of one chunk in the order they were recorded; images are
// left out. Errors: *DamagedError, *LimitError, the disk's.
func (r *Reader) Chunk(i int) ([]Entry, error) {
	idx := r.chunks[i]
	rec, err := r.container.at(int64(idx.ChunkStartOffset), r.container.size)
	if errors.Is(err, errTorn) || err == nil &&
		(rec.op != mcap.OpChunk || uint64(rec.length) != idx.ChunkLength-recordHead) {
		return nil, &DamagedError{int64(idx.ChunkStartOffset), "there is no chunk where the index says"}
	}
	if err != nil {
		return nil, err
	}
	c, err := r.container.chunk(rec)
	if err != nil {
		return nil, err
	}
	var out []Entry
	err = inner(c.records, rec.offset, func(op mcap.OpCode, _ uint64, data []byte) error {
		if op != mcap.OpMessage {
			return nil // schemas and channels stand in the summary as well
		}
		m, err := mcap.ParseMessage(data)
		if err != nil {
			return &DamagedError{rec.offset, err.Error()}
		}
		e, wanted, err := r.decode(m, rec.offset)
		if wanted && err == nil {
			out = append(out, e)
		}
		return err
	})
	return out, err
}

// decode makes an entry of a message. Topics that facetd does not know are not wanted.
func (r *Reader) decode(m *mcap.Message, offset int64) (Entry, bool, error) {
	ch := r.tables.channels[m.ChannelID]
	if ch == nil {
		return Entry{}, false, &DamagedError{offset, fmt.Sprintf("a message has no channel %d", m.ChannelID)}
	}
	e := Entry{Topic: ch.Topic, LogNS: m.LogTime, PublishNS: m.PublishTime}
	var into proto.Message
	switch topic := ch.Topic; {
	case topic == TopicCaptures, strings.HasPrefix(topic, TopicFrames):
		e.Frames = &facetdv1.FrameSet{}
		into = e.Frames
	case topic == TopicPlan:
		e.Plan = &facetdv1.PlanChange{}
		into = e.Plan
	case topic == TopicEvents:
		e.Event = &facetdv1.Event{}
		into = e.Event
	case topic == TopicStatus:
		e.Status = &facetdv1.Status{}
		into = e.Status
	case topic == TopicArray:
		e.Array = &facetdv1.Array{}
		into = e.Array
	case topic == TopicGeometry:
		e.Geometry = &facetdv1.Geometry{}
		into = e.Geometry
	case strings.HasPrefix(topic, TopicMotion):
		e.Motion = &facetdv1.MotionEstimate{}
		into = e.Motion
	case topic == TopicMaps:
		e.Map = &facetdv1.CorrectionMap{}
		into = e.Map
	default:
		return Entry{}, false, nil
	}
	want := string(into.ProtoReflect().Descriptor().FullName())
	if got := r.tables.schemas[ch.SchemaID].Name; got != want || ch.MessageEncoding != encodingProtobuf {
		return Entry{}, false, &DamagedError{offset,
			fmt.Sprintf("topic %s holds %q instead of %s", ch.Topic, got, want)}
	}
	budget := r.container.limits.Messages
	md := into.ProtoReflect().Descriptor()
	err := countMessages(md, m.Data, &budget)
	if err == nil {
		err = proto.Unmarshal(m.Data, into)
	}
	if err != nil {
		what := ch.Topic + ": " + err.Error()
		if ours, schemaErr := schemaData(md); schemaErr == nil &&
			!bytes.Equal(ours, r.tables.schemas[ch.SchemaID].Data) {
			what += "; another version of facetd has recorded it, with other messages: use that one to read it"
		}
		return Entry{}, false, &DamagedError{offset, what}
	}
	return e, true, nil
}

// errTooMany is why a message is not decoded: an empty message takes two bytes in a
// file and a hundred times as many in memory.
var errTooMany = errors.New("it has too many parts")

// countMessages takes the messages nested in an encoded one off a budget.
func countMessages(md protoreflect.MessageDescriptor, b []byte, budget *int) error {
	for len(b) > 0 {
		num, kind, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		if n = protowire.ConsumeFieldValue(num, kind, b); n < 0 {
			return protowire.ParseError(n)
		}
		value := b[:n]
		b = b[n:]
		fd := md.Fields().ByNumber(num)
		if fd == nil || fd.Message() == nil || kind != protowire.BytesType {
			continue
		}
		if *budget--; *budget < 0 {
			return errTooMany
		}
		content, _ := protowire.ConsumeBytes(value)
		if err := countMessages(fd.Message(), content, budget); err != nil {
			return err
		}
	}
	return nil
}
