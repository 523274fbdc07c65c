package record

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"

	"github.com/foxglove/mcap/go/mcap"
	"github.com/klauspost/compress/zstd"
)

// Limits limit what a file may make its reader allocate. They are checked before
// anything is allocated.
type Limits struct {
	// RecordBytes limits one record, a compressed chunk included.
	RecordBytes int64
	// ChunkBytes limits one chunk after decompression.
	ChunkBytes int64
	// SummaryBytes limits the summary.
	SummaryBytes int64
	// Messages limits the protobuf messages nested in one message of a file.
	Messages int
}

// DefaultLimits let everything through that a recording may hold.
var DefaultLimits = Limits{
	RecordBytes:  MaxMessageBytes + 16<<20,
	ChunkBytes:   MaxMessageBytes + 16<<20,
	SummaryBytes: 256 << 20,
	Messages:     1 << 20,
}

// ForeignError says that a file is not a recording of facetd. The caller should look
// whether it is the right file.
type ForeignError struct{ What string }

func (e *ForeignError) Error() string { return "not a recording of facetd: " + e.What }

// TruncatedError says that a file ends before its summary: its writer did not close
// it. The caller should Recover it.
type TruncatedError struct{ What string }

func (e *TruncatedError) Error() string {
	return "the recording was not closed (" + e.What + "); recover it first"
}

// DamagedError says that something in a file contradicts itself.
type DamagedError struct {
	Offset int64 // of the record, from the start of the file
	What   string
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("damaged at byte %d: %s", e.Offset, e.What)
}

// LimitError says that a file has something larger than the reader takes.
type LimitError struct {
	Offset       int64
	What         string
	Bytes, Limit uint64
}

func (e *LimitError) Error() string {
	return fmt.Sprintf("at byte %d: %s of %d, and at most %d are read", e.Offset, e.What, e.Bytes, e.Limit)
}

// errTorn says that a record reaches beyond the end of the file.
var errTorn = errors.New("the file ends within a record")

const recordHead = 1 + 8 // opcode and length

// container reads MCAP records of a file.
type container struct {
	r      io.ReaderAt
	size   int64
	limits Limits
	zstd   *zstd.Decoder
}

// rawRecord is where a record lies.
type rawRecord struct {
	op     mcap.OpCode
	offset int64 // of its opcode
	length int64 // of its content
}

func (r rawRecord) end() int64 { return r.offset + recordHead + r.length }

// header reads the file's head and returns where the first record after it lies.
func (c *container) header() (int64, error) {
	magic := make([]byte, len(mcap.Magic))
	if _, err := c.r.ReadAt(magic, 0); err != nil && err != io.EOF {
		return 0, err
	}
	if string(magic) != string(mcap.Magic) {
		if c.size < int64(len(magic)) && string(magic[:c.size]) == string(mcap.Magic[:c.size]) {
			return 0, errTorn
		}
		return 0, &ForeignError{"it does not begin as an MCAP file does"}
	}
	rec, err := c.at(int64(len(magic)), c.size)
	if err != nil {
		return 0, err
	}
	if rec.op != mcap.OpHeader {
		return 0, &ForeignError{"it has no header"}
	}
	data, err := c.content(rec, "a header")
	if err != nil {
		return 0, err
	}
	h, err := mcap.ParseHeader(data)
	if err != nil {
		return 0, &DamagedError{rec.offset, "header: " + err.Error()}
	}
	if h.Profile != Profile {
		return 0, &ForeignError{fmt.Sprintf("its profile is %q", h.Profile)}
	}
	return rec.end(), nil
}

// at reads a record's head; the record must end by limit. errTorn when it does not.
func (c *container) at(offset, limit int64) (rawRecord, error) {
	var head [recordHead]byte
	if limit-offset < recordHead || offset < 0 {
		return rawRecord{}, errTorn
	}
	if _, err := c.r.ReadAt(head[:], offset); err != nil {
		if err == io.EOF {
			return rawRecord{}, errTorn
		}
		return rawRecord{}, err
	}
	length := binary.LittleEndian.Uint64(head[1:])
	if length > uint64(limit-offset-recordHead) {
		return rawRecord{op: mcap.OpCode(head[0]), offset: offset}, errTorn
	}
	return rawRecord{mcap.OpCode(head[0]), offset, int64(length)}, nil
}

// content reads what a record holds.
func (c *container) content(r rawRecord, what string) ([]byte, error) {
	if r.length > c.limits.RecordBytes {
		return nil, &LimitError{r.offset, what, uint64(r.length), uint64(c.limits.RecordBytes)}
	}
	data := make([]byte, r.length)
	if _, err := c.r.ReadAt(data, r.offset+recordHead); err != nil && (err != io.EOF || r.length > 0) {
		return nil, err
	}
	return data, nil
}

// chunk is a chunk's head, and its records decompressed.
type chunk struct {
	start, end     uint64
	compression    mcap.CompressionFormat
	compressedSize uint64
	records        []byte
}

// chunk reads and checks a chunk. Errors: *DamagedError, *LimitError, the disk's.
func (c *container) chunk(r rawRecord) (*chunk, error) {
	data, err := c.content(r, "a chunk")
	if err != nil {
		return nil, err
	}
	const fixed = 8 + 8 + 8 + 4 + 4
	damaged := func(what string) error { return &DamagedError{r.offset, "chunk: " + what} }
	if len(data) < fixed {
		return nil, damaged("it is too short")
	}
	out := &chunk{start: binary.LittleEndian.Uint64(data), end: binary.LittleEndian.Uint64(data[8:])}
	size, crc := binary.LittleEndian.Uint64(data[16:]), binary.LittleEndian.Uint32(data[24:])
	name := uint64(binary.LittleEndian.Uint32(data[28:]))
	rest := data[fixed:]
	if name > uint64(len(rest)) || uint64(len(rest))-name < 8 {
		return nil, damaged("it is too short")
	}
	out.compression = mcap.CompressionFormat(rest[:name])
	out.compressedSize = binary.LittleEndian.Uint64(rest[name:])
	packed := rest[name+8:]
	if out.compressedSize != uint64(len(packed)) {
		return nil, damaged("its lengths contradict each other")
	}
	if size > uint64(c.limits.ChunkBytes) {
		return nil, &LimitError{r.offset, "a chunk", size, uint64(c.limits.ChunkBytes)}
	}
	switch out.compression {
	case mcap.CompressionNone:
		out.records = packed
	case mcap.CompressionZSTD:
		// The smallest block has 4 bytes and makes at most 128 KiB (RFC 8878, section
		// 3.1.1.2): a size beyond that is a lie, and nothing is allocated for it.
		if size > (uint64(len(packed))/4+1)*(128<<10) {
			return nil, damaged(fmt.Sprintf("%d bytes cannot hold %d", len(packed), size))
		}
		if out.records, err = c.unpack(packed, int64(size)); err != nil {
			return nil, damaged(err.Error())
		}
	default:
		return nil, &ForeignError{fmt.Sprintf("a chunk is packed by %q", out.compression)}
	}
	if uint64(len(out.records)) != size {
		return nil, damaged(fmt.Sprintf("it has %d bytes instead of %d", len(out.records), size))
	}
	if crc != 0 && crc32.ChecksumIEEE(out.records) != crc {
		return nil, damaged("its checksum is wrong")
	}
	return out, nil
}

// maxWindow is the largest window of a packed chunk; the writer's is 4 MiB.
const maxWindow = 8 << 20

// unpack decompresses up to size bytes and never more, whatever the frame claims. Memory
// grows with what really comes out.
func (c *container) unpack(packed []byte, size int64) ([]byte, error) {
	if c.zstd == nil {
		d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
			zstd.WithDecoderMaxWindow(maxWindow))
		if err != nil {
			return nil, err
		}
		c.zstd = d
	}
	if err := c.zstd.Reset(bytes.NewReader(packed)); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.Grow(int(min(size, 2*int64(len(packed))+bytes.MinRead)))
	_, err := out.ReadFrom(io.LimitReader(c.zstd, size+1))
	return out.Bytes(), err
}

func (c *container) close() {
	if c.zstd != nil {
		c.zstd.Close()
		c.zstd = nil
	}
}

// inner walks the records of a decompressed chunk. offset is of the chunk, for errors.
func inner(records []byte, offset int64, visit func(op mcap.OpCode, at uint64, data []byte) error) error {
	for at := uint64(0); at < uint64(len(records)); {
		rest := records[at:]
		if len(rest) < recordHead {
			return &DamagedError{offset, "a record of the chunk is cut off"}
		}
		length := binary.LittleEndian.Uint64(rest[1:])
		if length > uint64(len(rest)-recordHead) {
			return &DamagedError{offset, "a record of the chunk is cut off"}
		}
		if err := visit(mcap.OpCode(rest[0]), at, rest[recordHead:recordHead+length]); err != nil {
			return err
		}
		at += recordHead + length
	}
	return nil
}

// tables are the schemas and channels of a file.
type tables struct {
	schemas  map[uint16]*mcap.Schema
	channels map[uint16]*mcap.Channel
}

func newTables() tables {
	return tables{map[uint16]*mcap.Schema{}, map[uint16]*mcap.Channel{}}
}

// add takes a schema or channel record; others it leaves alone.
func (t *tables) add(op mcap.OpCode, data []byte, offset int64) error {
	switch op {
	case mcap.OpSchema:
		s, err := mcap.ParseSchema(data)
		if err != nil {
			return &DamagedError{offset, err.Error()}
		}
		if s.ID == 0 {
			return &DamagedError{offset, "a schema has number 0"}
		}
		t.schemas[s.ID] = s
	case mcap.OpChannel:
		ch, err := mcap.ParseChannel(data)
		if err != nil {
			return &DamagedError{offset, err.Error()}
		}
		if t.schemas[ch.SchemaID] == nil {
			return &DamagedError{offset, fmt.Sprintf("channel %q has no schema", ch.Topic)}
		}
		t.channels[ch.ID] = ch
	}
	return nil
}

// fits reports whether a span lies within the first size bytes.
func fits(offset, length uint64, size int64) bool {
	return offset <= math.MaxInt64 && length <= math.MaxInt64 && offset <= uint64(size) && length <= uint64(size)-offset
}
