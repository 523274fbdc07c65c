package record

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/foxglove/mcap/go/mcap"

	"facetd.example/api/fileio"
)

// Recovered is what Recover found and did.
type Recovered struct {
	// Path is where the file lies now.
	Path string
	// Chunks and Messages that it holds.
	Chunks   int
	Messages uint64
	// FrameSets among the messages, captures included.
	FrameSets uint64
	// First and Last are the log times of the messages.
	First, Last uint64
	// CutBytes is what was cut off at the end.
	CutBytes int64
	// Rest is where the cut bytes went when they were more than a torn record; empty
	// otherwise.
	Rest string
	// Whole says that the file was complete already.
	Whole bool
}

// Recover closes a file that its writer did not close: everything up to the last whole chunk is
// kept, with its summary rewritten, and NAME.mcap.partial becomes NAME.mcap. A file that is damaged
// further ahead keeps what is before the damage; the bytes after it are put beside it, under the
// file's name with .rest. Recovering a complete file only gives it its name. A process that dies
// while it recovers leaves a file that can be recovered again.
//
// Errors: *ForeignError and *LimitError (the file is as it was), *LockedError while
// somebody writes it, the system's. When the system refused to close the file, what was
// found in it is returned beside the error, and can be recovered later.
func Recover(path string) (Recovered, error) { return recoverFile(path, DefaultLimits) }

func recoverFile(path string, limits Limits) (Recovered, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return Recovered{}, err
	}
	defer f.Close()
	if err := lock(f); err != nil {
		return Recovered{}, err
	}
	info, err := f.Stat()
	if err != nil {
		return Recovered{}, err
	}
	if !info.Mode().IsRegular() {
		return Recovered{}, &ForeignError{"it is not a file"}
	}
	s := survey{container: container{r: f, size: info.Size(), limits: limits}, tables: newTables()}
	defer s.container.close()
	if err := s.run(); err != nil {
		return Recovered{}, fmt.Errorf("%s: %w", path, err)
	}
	out := Recovered{
		Path: path, Chunks: len(s.chunks), Whole: s.whole, Messages: s.stats.MessageCount, FrameSets: s.frameSets(),
		First: s.stats.MessageStartTime, Last: s.stats.MessageEndTime,
	}
	if !s.whole {
		out.CutBytes = s.container.size - s.keep
		if s.damage != nil {
			if out.Rest, err = saveRest(f, path, s.keep, s.container.size); err != nil {
				return out, err
			}
		}
		if err := s.closeFile(f); err != nil {
			return out, err
		}
	}
	if name, is := strings.CutSuffix(path, partialSuffix); is {
		out.Path = name + closedSuffix
		if _, err := os.Lstat(out.Path); err == nil {
			return out, fmt.Errorf("%s is there already: %w", out.Path, os.ErrExist)
		}
		if err := os.Rename(path, out.Path); err != nil {
			return out, err
		}
	}
	return out, fileio.SyncDir(filepath.Dir(out.Path))
}

// survey reads a file from the start and notes what is complete.
type survey struct {
	container container
	tables    tables
	stats     mcap.Statistics
	chunks    []*mcap.ChunkIndex
	metadata  []*mcap.MetadataIndex
	keep      int64 // bytes from the start that stay
	bare      bool  // not even the header is complete
	whole     bool
	damage    error // what ended the survey, where it was not the end of the file

	// Of the last chunk: its message indexes as they should be, and those found.
	indexes map[uint16]*mcap.MessageIndex
	lastEnd int64
}

// frameSets is how many there are in the whole chunks.
func (s *survey) frameSets() uint64 {
	var n uint64
	for id, messages := range s.stats.ChannelMessageCounts {
		if ch := s.tables.channels[id]; ch != nil && holdsFrameSets(ch.Topic) {
			n += messages
		}
	}
	return n
}

func (s *survey) run() error {
	s.stats.ChannelMessageCounts = map[uint16]uint64{}
	at, err := s.container.header()
	if errors.Is(err, errTorn) {
		s.bare = true
		return nil
	}
	if err != nil {
		return err
	}
	s.keep = at
	for {
		next, done, err := s.record(at)
		var damaged *DamagedError
		switch {
		case errors.Is(err, errTorn):
			s.finishLast()
			return nil
		case errors.As(err, &damaged):
			s.damage = err
			s.finishLast()
			return nil
		case err != nil:
			return err
		case done:
			s.finishLast()
			s.whole = s.closed()
			return nil
		}
		at, s.keep = next, next
	}
}

// record surveys the record at an offset. done says that the data end there.
func (s *survey) record(at int64) (next int64, done bool, err error) {
	rec, err := s.container.at(at, s.container.size)
	if err != nil {
		if errors.Is(err, errTorn) && !known(rec.op) {
			return 0, false, &DamagedError{at, fmt.Sprintf("there is no record %d", rec.op)}
		}
		return 0, false, err
	}
	switch rec.op {
	case mcap.OpChunk:
		return rec.end(), false, s.chunk(rec)
	case mcap.OpMessageIndex:
		return rec.end(), false, s.messageIndex(rec)
	case mcap.OpMetadata:
		return rec.end(), false, s.metadataRecord(rec)
	case mcap.OpDataEnd:
		return rec.end(), true, nil
	}
	return 0, false, &DamagedError{at, fmt.Sprintf("a record %d has no place here", rec.op)}
}

// known reports whether facetd writes such records; 0 stands for a file that ends
// before the opcode.
func known(op mcap.OpCode) bool { return op <= mcap.OpDataEnd }

func (s *survey) chunk(rec rawRecord) error {
	c, err := s.container.chunk(rec)
	if err != nil {
		return err
	}
	indexes := map[uint16]*mcap.MessageIndex{}
	t := tables{maps.Clone(s.tables.schemas), maps.Clone(s.tables.channels)}
	var times []uint64
	err = inner(c.records, rec.offset, func(op mcap.OpCode, at uint64, data []byte) error {
		if op != mcap.OpMessage {
			return t.add(op, data, rec.offset)
		}
		m, err := mcap.ParseMessage(data)
		if err != nil {
			return &DamagedError{rec.offset, err.Error()}
		}
		if t.channels[m.ChannelID] == nil {
			return &DamagedError{rec.offset, fmt.Sprintf("a message has no channel %d", m.ChannelID)}
		}
		if indexes[m.ChannelID] == nil {
			indexes[m.ChannelID] = &mcap.MessageIndex{ChannelID: m.ChannelID}
		}
		indexes[m.ChannelID].Add(m.LogTime, at)
		times = append(times, m.LogTime)
		return nil
	})
	if err != nil {
		return err
	}
	// Only a chunk that is complete in every respect is counted.
	s.finishLast()
	s.tables, s.indexes, s.lastEnd = t, indexes, rec.end()
	for id, idx := range indexes {
		s.stats.ChannelMessageCounts[id] += uint64(len(idx.Entries()))
	}
	for _, at := range times {
		if s.stats.MessageCount == 0 || at < s.stats.MessageStartTime {
			s.stats.MessageStartTime = at
		}
		s.stats.MessageEndTime = max(s.stats.MessageEndTime, at)
		s.stats.MessageCount++
	}
	s.chunks = append(s.chunks, &mcap.ChunkIndex{
		MessageStartTime: c.start, MessageEndTime: c.end,
		ChunkStartOffset: uint64(rec.offset), ChunkLength: uint64(rec.end() - rec.offset),
		MessageIndexOffsets: map[uint16]uint64{}, Compression: c.compression,
		CompressedSize: c.compressedSize, UncompressedSize: uint64(len(c.records)),
	})
	return nil
}

// messageIndex notes an index of the last chunk. One that does not say what the chunk
// says counts as damage: it is rewritten.
func (s *survey) messageIndex(rec rawRecord) error {
	data, err := s.container.content(rec, "an index")
	if err != nil {
		return err
	}
	idx, err := mcap.ParseMessageIndex(data)
	if err != nil {
		return &DamagedError{rec.offset, err.Error()}
	}
	if len(s.chunks) == 0 {
		return &DamagedError{rec.offset, "an index has no chunk"}
	}
	last := s.chunks[len(s.chunks)-1]
	want := s.indexes[idx.ChannelID]
	if want == nil || last.MessageIndexOffsets[idx.ChannelID] != 0 || !slices.Equal(want.Entries(), idx.Records) {
		return &DamagedError{rec.offset, "an index contradicts its chunk"}
	}
	last.MessageIndexOffsets[idx.ChannelID] = uint64(rec.offset)
	last.MessageIndexLength = uint64(rec.end() - s.lastEnd)
	return nil
}

func (s *survey) metadataRecord(rec rawRecord) error {
	data, err := s.container.content(rec, "metadata")
	if err != nil {
		return err
	}
	m, err := mcap.ParseMetadata(data)
	if err != nil {
		return &DamagedError{rec.offset, err.Error()}
	}
	s.finishLast()
	s.stats.MetadataCount++
	s.metadata = append(s.metadata, &mcap.MetadataIndex{Offset: uint64(rec.offset),
		Length: uint64(rec.end() - rec.offset), Name: m.Name})
	return nil
}

// finishLast is called when the indexes of the last chunk are over. When some are
// missing at the end of the file, all are cut off, to be rewritten.
func (s *survey) finishLast() {
	if len(s.chunks) == 0 || s.indexes == nil {
		return
	}
	last := s.chunks[len(s.chunks)-1]
	if len(last.MessageIndexOffsets) == len(s.indexes) {
		s.indexes = nil
		return
	}
	s.keep = s.lastEnd
	clear(last.MessageIndexOffsets)
	last.MessageIndexLength = 0
}

// closed reports whether a complete summary follows the data, so that the file needs nothing.
func (s *survey) closed() bool {
	r, err := newReader(s.container.r, s.container.size, s.container.limits)
	if err != nil {
		return false
	}
	defer r.container.close()
	return len(r.chunks) == len(s.chunks) && r.stats.MessageCount == s.stats.MessageCount
}

// closeFile cuts off what is incomplete and writes the indexes and the summary.
func (s *survey) closeFile(f *os.File) error {
	var head bytes.Buffer
	if s.bare {
		w, err := mcap.NewWriter(&head, &mcap.WriterOptions{})
		if err != nil {
			return err
		}
		if err := w.WriteHeader(&mcap.Header{Profile: Profile, Library: "facetd"}); err != nil {
			return err
		}
	}
	if err := f.Truncate(s.keep); err != nil {
		return err
	}
	tail, err := s.tail(s.keep + int64(head.Len()))
	if err != nil {
		return err
	}
	if _, err := f.WriteAt(append(head.Bytes(), tail...), s.keep); err != nil {
		return err
	}
	return f.Sync()
}

// tail is everything from the last chunk's indexes on, for an offset in the file.
func (s *survey) tail(offset int64) ([]byte, error) {
	var out bytes.Buffer
	here := func() uint64 { return uint64(offset) + uint64(out.Len()) }
	w, err := mcap.NewWriter(&out, &mcap.WriterOptions{SkipMagic: true})
	if err != nil {
		return nil, err
	}
	if s.indexes != nil {
		last := s.chunks[len(s.chunks)-1]
		begin := here()
		for _, id := range slices.Sorted(maps.Keys(s.indexes)) {
			last.MessageIndexOffsets[id] = here()
			if err := w.WriteMessageIndex(s.indexes[id]); err != nil {
				return nil, err
			}
		}
		last.MessageIndexLength = here() - begin
	}
	if err := w.WriteDataEnd(&mcap.DataEnd{}); err != nil { // 0: no checksum of the data as a whole
		return nil, err
	}
	err = s.summary(&out, here)
	return out.Bytes(), err
}

// summary writes the summary section, the footer and the magic.
func (s *survey) summary(out *bytes.Buffer, here func() uint64) error {
	// A writer of its own, so that the footer's checksum begins here.
	w, err := mcap.NewWriter(out, &mcap.WriterOptions{SkipMagic: true, IncludeCRC: true})
	if err != nil {
		return err
	}
	s.stats.SchemaCount, s.stats.ChannelCount, s.stats.ChunkCount = uint16(len(s.tables.schemas)),
		uint32(len(s.tables.channels)), uint32(len(s.chunks))
	start := here()
	var groups []*mcap.SummaryOffset
	group := func(op mcap.OpCode, write func() error) {
		begin := here()
		if err == nil {
			err = write()
		}
		if length := here() - begin; length > 0 {
			groups = append(groups, &mcap.SummaryOffset{GroupOpcode: op, GroupStart: begin, GroupLength: length})
		}
	}
	group(mcap.OpSchema, func() error {
		return each(slices.Sorted(maps.Keys(s.tables.schemas)),
			func(id uint16) error { return w.WriteSchema(s.tables.schemas[id]) })
	})
	group(mcap.OpChannel, func() error {
		return each(slices.Sorted(maps.Keys(s.tables.channels)),
			func(id uint16) error { return w.WriteChannel(s.tables.channels[id]) })
	})
	group(mcap.OpStatistics, func() error { return w.WriteStatistics(&s.stats) })
	group(mcap.OpChunkIndex, func() error { return each(s.chunks, w.WriteChunkIndex) })
	group(mcap.OpMetadataIndex, func() error { return each(s.metadata, w.WriteMetadataIndex) })
	offsets := here()
	if err == nil {
		err = each(groups, w.WriteSummaryOffset)
	}
	if err == nil {
		err = w.WriteFooter(&mcap.Footer{SummaryStart: start, SummaryOffsetStart: offsets})
	}
	out.Write(mcap.Magic)
	return err
}

func each[T any](list []T, do func(T) error) error {
	for _, v := range list {
		if err := do(v); err != nil {
			return err
		}
	}
	return nil
}

// saveRest copies the bytes from an offset on into a file beside, under a new name: a
// recovery that was itself cut short may have left one.
func saveRest(f *os.File, path string, from, to int64) (string, error) {
	info, err := f.Stat()
	if err != nil {
		return "", err
	}
	modes := fileio.Modes{Files: info.Mode().Perm()} // whoever may read the one may read the other
	name := path + restSuffix
	out, err := modes.Create(name, 0)
	for i := 2; errors.Is(err, os.ErrExist) && i < 100; i++ {
		name = fmt.Sprintf("%s%s%d", path, restSuffix, i)
		out, err = modes.Create(name, 0)
	}
	if err != nil {
		return "", err
	}
	_, err = io.Copy(out, io.NewSectionReader(f, from, to-from))
	if err == nil {
		err = out.Sync()
	}
	if closeErr := out.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		_ = os.Remove(name)
		return "", err
	}
	return name, nil
}
