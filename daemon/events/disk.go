package events

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"google.golang.org/protobuf/encoding/protojson"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// Files are called by the number of their first event, in twenty digits, so that
// their names sort as their numbers do.
const (
	filePrefix = "events-"
	fileSuffix = ".jsonl"
	numberLen  = 20
	// maxSequence is above any number that a journal reaches; what is beyond cannot be true, and
	// the numbers would start over after it.
	maxSequence = 1 << 62
	// maxLineBytes limits one line that is read; bound keeps what is written below.
	maxLineBytes = 128 << 10
)

// disk is the journal's files. write and close belong to one goroutine, the rest may
// be called from any.
type disk struct {
	dir                   string
	modes                 fileio.Modes
	fileBytes, totalBytes int64

	create  func(path string) (file, error)
	file    file  // being written; nil until the next event
	written int64 // bytes of whole lines in it
	lines   int   // in it
	named   bool  // the disk holds its name

	mu  sync.Mutex
	err error // of the last write
}

type file = File

// File is what a file of the journal is written to.
type File interface {
	io.Writer
	Truncate(size int64) error
	Sync() error
	Stat() (os.FileInfo, error)
	Name() string
	Close() error
}

func openDisk(cfg *Config) (*disk, error) {
	if err := cfg.Modes.MkdirAll(cfg.Dir); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	d := &disk{dir: cfg.Dir, modes: cfg.Modes, fileBytes: cfg.FileBytes, totalBytes: cfg.TotalBytes, create: cfg.create}
	if d.create == nil {
		d.create = d.createFile
	}
	if wrap := cfg.Disk; wrap != nil {
		create := d.create
		d.create = func(path string) (file, error) {
			f, err := create(path)
			if err != nil {
				return nil, err
			}
			return wrap(f), nil
		}
	}
	if _, err := d.files(); err != nil {
		return nil, err
	}
	return d, nil
}

// journalFile is one file of the journal.
type journalFile struct {
	name  string
	first uint64 // number of its first event
}

// files lists the files in order; others in the folder are left alone. A folder that is gone
// holds none.
func (d *disk) files() ([]journalFile, error) {
	entries, err := os.ReadDir(d.dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	var out []journalFile
	for _, e := range entries {
		digits, is := strings.CutPrefix(strings.TrimSuffix(e.Name(), fileSuffix), filePrefix)
		if !is || len(digits) != numberLen || !strings.HasSuffix(e.Name(), fileSuffix) || !e.Type().IsRegular() {
			continue
		}
		if n, err := strconv.ParseUint(digits, 10, 64); err == nil && n <= maxSequence {
			out = append(out, journalFile{e.Name(), n})
		}
	}
	return out, nil // ReadDir sorts by name
}

// first is the number of the oldest event, or 0.
func (d *disk) first() (uint64, error) {
	files, err := d.files()
	if err != nil || len(files) == 0 {
		return 0, err
	}
	return files[0].first, nil
}

// tail returns the last n events, without a gap, the number of the next one, and how many lines are whole but are no
// events.
func (d *disk) tail(n int) (ring []*facetdv1.Event, next, unreadable uint64, err error) {
	next = 1
	files, err := d.files()
	if err != nil {
		return nil, 0, 0, err
	}
	for _, f := range files {
		next = max(next, f.first+1) // its first line may be torn
	}
	err = d.scan(0, ^uint64(0), func(e *facetdv1.Event) bool {
		if len(ring) > 0 && ring[len(ring)-1].GetSequence()+1 != e.GetSequence() {
			ring = ring[:0] // the ring holds no gap
		}
		ring = append(ring, e)
		if len(ring) > 2*n {
			ring = slices.Delete(ring, 0, len(ring)-n)
		}
		next = max(next, e.GetSequence()+1)
		return true
	}, func() { unreadable++ })
	if len(ring) > 0 && ring[len(ring)-1].GetSequence()+1 != next {
		ring = nil
	}
	return ring[max(len(ring)-n, 0):], next, unreadable, err
}

// scan gives take the events with numbers from first to last, in order, until it returns false.
// Lines that are incomplete are skipped; skipped is told of those that are no events.
func (d *disk) scan(first, last uint64, take func(*facetdv1.Event) bool, skipped func()) error {
	files, err := d.files()
	if err != nil {
		return err
	}
	before := first
	for i, f := range files {
		if f.first > last {
			break
		}
		if i+1 < len(files) && files[i+1].first <= first {
			continue
		}
		more, err := scanFile(filepath.Join(d.dir, f.name), func(e *facetdv1.Event) bool {
			n := e.GetSequence()
			if n < before || n > last {
				return n <= last
			}
			before = n + 1
			return take(e)
		}, skipped)
		if errors.Is(err, os.ErrNotExist) {
			continue // the oldest file went meanwhile
		}
		if err != nil || !more {
			return err
		}
	}
	return nil
}

// scanFile reports whether take wanted more.
func scanFile(path string, take func(*facetdv1.Event) bool, skipped func()) (bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	return scanLines(f, take, skipped)
}

func scanLines(r io.Reader, take func(*facetdv1.Event) bool, skipped func()) (bool, error) {
	in := bufio.NewReaderSize(r, 64<<10)
	for {
		line, whole, err := readLine(in)
		if whole {
			var e facetdv1.Event
			if protojson.Unmarshal(line, &e) != nil || e.GetSequence() < 1 || e.GetSequence() > maxSequence {
				skipped()
			} else if !take(&e) {
				return false, nil
			}
		}
		if err == io.EOF {
			return true, nil
		}
		if err != nil {
			return false, fmt.Errorf("journal: %w", err)
		}
	}
}

// readLine returns one line and whether it is complete: ended, and not too long.
func readLine(in *bufio.Reader) (line []byte, whole bool, err error) {
	whole = true
	for {
		part, err := in.ReadSlice('\n')
		if len(line)+len(part) > maxLineBytes {
			whole = false
		} else {
			line = append(line, part...)
		}
		switch err {
		case nil:
			return line, whole, nil
		case bufio.ErrBufferFull:
		default:
			return line, false, err
		}
	}
}

// write appends events and returns how many were written, and how many that were written
// before were removed by somebody else.
func (d *disk) write(batch []*facetdv1.Event) (n, removed int, err error) {
	defer func() {
		if len(batch) > 0 {
			d.mu.Lock()
			d.err = err
			d.mu.Unlock()
		}
	}()
	if len(batch) > 0 {
		removed = d.leaveRemoved()
	}
	for _, e := range batch {
		line, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(e)
		if err != nil {
			return n, removed, err
		}
		if err := d.writeLine(append(line, '\n'), e.GetSequence()); err != nil {
			return n, removed, fmt.Errorf("journal: %w", err)
		}
		n++
	}
	if slices.ContainsFunc(batch, durable) {
		if err := d.sync(); err != nil {
			// Nobody knows what the disk has of what was written: all of it counts as refused, and the next event
			// begins another file.
			return 0, removed, fmt.Errorf("journal: %w", errors.Join(err, d.close()))
		}
	}
	return n, removed, nil
}

// durable reports whether an event must outlive a crash of the machine from when it is written on: what somebody did,
// and what ended the array's work. Misses and failed jobs come too often for that, and each is followed by others.
func durable(e *facetdv1.Event) bool {
	switch e.GetKind() {
	case facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED, facetdv1.EventKind_EVENT_KIND_JOB_FAILED,
		facetdv1.EventKind_EVENT_KIND_HOST_BEHIND, facetdv1.EventKind_EVENT_KIND_REPLAY:
		return false
	}
	return true
}

// sync returns once the disk holds the file, and that it is there.
func (d *disk) sync() error {
	if err := d.file.Sync(); err != nil {
		return err
	}
	if d.named {
		return nil
	}
	if err := fileio.SyncDir(d.dir); err != nil {
		return err
	}
	d.named = true
	return nil
}

// leaveRemoved leaves a file that is no longer in the folder, and returns how many lines went with
// it: what is written to it would be lost when the process ends.
func (d *disk) leaveRemoved() int {
	if d.file == nil {
		return 0
	}
	mine, err := d.file.Stat()
	if err != nil {
		return 0
	}
	there, err := os.Stat(d.file.Name())
	if err == nil && os.SameFile(mine, there) || err != nil && !errors.Is(err, os.ErrNotExist) {
		return 0
	}
	lines := d.lines
	_ = d.close() // nobody can read it any more
	return lines
}

func (d *disk) writeLine(line []byte, sequence uint64) error {
	if d.file != nil && d.written > 0 && d.written+int64(len(line)) > d.fileBytes {
		if err := d.close(); err != nil {
			return err
		}
	}
	if d.file == nil {
		if err := d.begin(sequence); err != nil {
			return err
		}
	}
	if _, err := d.file.Write(line); err != nil {
		return errors.Join(err, d.undo())
	}
	d.written += int64(len(line))
	d.lines++
	return nil
}

// undo takes back what was written of a line that the disk refused. A file without a line
// goes; one that cannot be cut is left, so that the next event begins another.
func (d *disk) undo() error {
	if d.lines == 0 {
		name := d.file.Name()
		return errors.Join(d.close(), os.Remove(name))
	}
	if err := d.file.Truncate(d.written); err != nil {
		return errors.Join(err, d.close())
	}
	return nil
}

// createFile opens a new file.
func (d *disk) createFile(path string) (file, error) { return d.modes.Create(path, os.O_APPEND) }

// begin opens the next file, after making space for it.
func (d *disk) begin(sequence uint64) error {
	// The folder may have been removed; the one above it belongs to others.
	if err := d.modes.Mkdir(d.dir); err != nil {
		return err
	}
	if err := d.makeSpace(); err != nil {
		return err
	}
	f, err := d.create(filepath.Join(d.dir, fmt.Sprintf("%s%0*d%s", filePrefix, numberLen, sequence, fileSuffix)))
	if err != nil {
		return err
	}
	d.file, d.written, d.lines, d.named = f, 0, 0, false
	return nil
}

// makeSpace removes the oldest files until one more full file stays within the limit.
func (d *disk) makeSpace() error {
	files, err := d.files()
	if err != nil {
		return err
	}
	sizes := make([]int64, len(files))
	total := d.fileBytes
	for i, f := range files {
		info, err := os.Stat(filepath.Join(d.dir, f.name))
		if err != nil {
			continue
		}
		sizes[i] = info.Size()
		total += sizes[i]
	}
	for i := 0; i < len(files) && total > d.totalBytes; i++ {
		if err := os.Remove(filepath.Join(d.dir, files[i].name)); err != nil {
			return err
		}
		total -= sizes[i]
	}
	return nil
}

func (d *disk) close() error {
	if d.file == nil {
		return nil
	}
	var err error
	if d.lines > 0 {
		err = d.sync()
	}
	err = errors.Join(err, d.file.Close())
	d.file = nil
	return err
}

func (d *disk) lastError() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.err
}
