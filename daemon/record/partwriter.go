package record

import (
	"bufio"
	"fmt"
	"strings"

	"github.com/foxglove/mcap/go/mcap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

const (
	// metadataName is the record with what a file belongs to.
	metadataName = "facetd.recording"
	// maxChannels is how many channels a file may have; MCAP numbers them in 16 bits.
	maxChannels = 60000
	// flushNow as the chunk size makes the writer end the chunk with the next message.
	flushNow = -1

	encodingProtobuf = "protobuf"
)

// partWriter writes one file. One goroutine owns it.
type partWriter struct {
	f         file
	out       *bufio.Writer
	opts      *mcap.WriterOptions // the writer reads ChunkSize from here at every message
	chunkSize int64
	w         *mcap.Writer

	channels  map[string]*mcap.Channel
	sequences map[uint16]uint32
	schemas   map[protoreflect.FullName]uint16
	data      []byte // scratch

	chunks int
	// appended was given to the writer; handed is what of it lies in chunks that the system has taken.
	appended, handed tally
}

// tally counts messages of files.
type tally struct {
	messages, frameSets uint64
	first, last         uint64 // log times; 0 without messages
}

func (t *tally) add(o tally) {
	if o.messages == 0 {
		return
	}
	if t.messages == 0 {
		t.first = o.first
	}
	t.first, t.last = min(t.first, o.first), max(t.last, o.last)
	t.messages += o.messages
	t.frameSets += o.frameSets
}

// one is the tally of one message.
func one(topic string, log uint64) tally {
	t := tally{messages: 1, first: log, last: log}
	if holdsFrameSets(topic) {
		t.frameSets = 1
	}
	return t
}

func holdsFrameSets(topic string) bool {
	return topic == TopicCaptures || strings.HasPrefix(topic, TopicFrames)
}

func newPartWriter(f file, chunkSize int64, metadata map[string]string) (*partWriter, error) {
	p := &partWriter{
		f: f, out: bufio.NewWriterSize(f, 256<<10), chunkSize: chunkSize,
		opts: &mcap.WriterOptions{
			IncludeCRC: true, Chunked: true, ChunkSize: chunkSize,
			// The codes' low bits are noise: higher levels gain next to nothing.
			Compression: mcap.CompressionZSTD, CompressionLevel: mcap.CompressionLevelFastest,
		},
		channels: map[string]*mcap.Channel{}, sequences: map[uint16]uint32{},
		schemas: map[protoreflect.FullName]uint16{},
	}
	var err error
	if p.w, err = mcap.NewWriter(p.out, p.opts); err != nil {
		return nil, err
	}
	if err := p.w.WriteHeader(&mcap.Header{Profile: Profile, Library: "facetd"}); err != nil {
		return nil, err
	}
	if err := p.w.WriteMetadata(&mcap.Metadata{Name: metadataName, Metadata: metadata}); err != nil {
		return nil, err
	}
	return p, p.out.Flush()
}

// stamp is the two times of a message, in nanoseconds since 1970 (UTC).
type stamp struct{ log, publish uint64 }

// write appends a message to a topic, which always has the same type.
func (p *partWriter) write(topic string, msg proto.Message, at stamp, flush bool) error {
	var err error
	if p.data, err = (proto.MarshalOptions{}).MarshalAppend(p.data[:0], msg); err != nil {
		return err
	}
	return p.writeData(topic, msg.ProtoReflect().Descriptor(), p.data, at, flush)
}

// writeData appends a message that is encoded already. With flush the chunk ends with
// it.
func (p *partWriter) writeData(topic string, md protoreflect.MessageDescriptor, data []byte, at stamp,
	flush bool) error {
	ch, err := p.channel(topic, md)
	if err != nil {
		return err
	}
	p.sequences[ch.ID]++
	p.opts.ChunkSize = p.chunkSize
	if flush {
		p.opts.ChunkSize = flushNow
	}
	err = p.w.WriteMessage(&mcap.Message{ChannelID: ch.ID, Sequence: p.sequences[ch.ID], LogTime: at.log,
		PublishTime: at.publish, Data: data})
	if err != nil {
		return err
	}
	p.appended.add(one(topic, at.log))
	if n := len(p.w.ChunkIndexes); n != p.chunks {
		p.chunks = n
		return p.flush() // a chunk in the system's hands survives the process
	}
	return nil
}

// flush hands everything that was appended to the system; no chunk may be open.
func (p *partWriter) flush() error {
	if err := p.out.Flush(); err != nil {
		return err
	}
	p.handed = p.appended
	return nil
}

// channel returns the channel of a topic; the first message of a topic makes it.
func (p *partWriter) channel(topic string, md protoreflect.MessageDescriptor) (*mcap.Channel, error) {
	if ch := p.channels[topic]; ch != nil {
		return ch, nil
	}
	if len(p.channels) >= maxChannels {
		return nil, fmt.Errorf("a file has %d channels, which is the most", maxChannels)
	}
	schema, known := p.schemas[md.FullName()]
	if !known {
		data, err := schemaData(md)
		if err != nil {
			return nil, err
		}
		schema = uint16(len(p.schemas) + 1)
		if err := p.w.WriteSchema(&mcap.Schema{ID: schema, Name: string(md.FullName()), Encoding: encodingProtobuf,
			Data: data}); err != nil {
			return nil, err
		}
		p.schemas[md.FullName()] = schema
	}
	ch := &mcap.Channel{ID: uint16(len(p.channels) + 1), SchemaID: schema, Topic: topic,
		MessageEncoding: encodingProtobuf}
	if err := p.w.WriteChannel(ch); err != nil {
		return nil, err
	}
	p.channels[topic] = ch
	return ch, nil
}

// size is the bytes of the file so far, without the chunk that is being filled.
func (p *partWriter) size() uint64 { return p.w.Offset() }

// finish writes the last chunk and the summary, and syncs. The file still has to be
// closed.
func (p *partWriter) finish() error {
	if err := p.w.Close(); err != nil {
		return err
	}
	if err := p.flush(); err != nil {
		return err
	}
	return p.f.Sync()
}
