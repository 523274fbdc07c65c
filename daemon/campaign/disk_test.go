package campaign

import (
	"slices"
	"sync"
	"syscall"
	"time"

	"facetd.example/api/fileio"
	"facetd.example/bus"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
)

// disk has the faults of the disk. Its files may be written from several goroutines.
type disk struct {
	now    func() bus.Time
	faults []fault

	mu    sync.Mutex
	taken map[*fault]int // bytes written since it began
	hit   map[*fault]bool
	count [numKinds]int // how often each kind took effect
}

func newDisk(now func() bus.Time, faults []fault) *disk {
	return &disk{now: now, faults: faults, taken: map[*fault]int{}, hit: map[*fault]bool{}}
}

// due returns the fault of a kind that is there now, or nil.
func (d *disk) due(kind faultKind) *fault {
	at := d.now()
	i := slices.IndexFunc(d.faults, func(f fault) bool { return f.kind == kind && f.at <= at && at < f.until })
	if i < 0 {
		return nil
	}
	return &d.faults[i]
}

// room says how many of n bytes a disk takes that a fault of a kind fills up.
func (d *disk) room(kind faultKind, n int) int {
	f := d.due(kind)
	if f == nil {
		return n
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	n = min(n, max(f.bytes-d.taken[f], 0))
	d.taken[f] += n
	return n
}

func (d *disk) struck(kind faultKind) {
	f := d.due(kind)
	d.mu.Lock()
	defer d.mu.Unlock()
	if f != nil {
		d.hit[f] = true
		d.count[kind]++
	}
}

// strikes is how often faults of some kinds have taken effect.
func (d *disk) strikes(kinds ...faultKind) (n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, k := range kinds {
		n += d.count[k]
	}
	return n
}

// recordingFile is a file of a recording.
type recordingFile struct {
	record.File
	disk  *disk
	begun bool
}

func (f *recordingFile) Write(p []byte) (int, error) {
	// The first write is made under a lock: who waits for that keeps virtual time from passing.
	slow := f.disk.due(diskSlow)
	if slow != nil && f.begun {
		f.disk.struck(diskSlow)
		time.Sleep(slow.delay)
	}
	f.begun = true
	room := f.disk.room(diskFull, len(p))
	n, err := f.File.Write(p[:room])
	if err == nil && room < len(p) {
		f.disk.struck(diskFull)
		err = syscall.ENOSPC
	}
	return n, err
}

func (f *recordingFile) Sync() error {
	if f.disk.due(syncRefused) != nil {
		f.disk.struck(syncRefused)
		return syscall.EIO
	}
	return f.File.Sync()
}

// journalFile is a file of the journal.
type journalFile struct {
	events.File
	disk *disk
}

func (f journalFile) Write(p []byte) (int, error) {
	room := f.disk.room(journalFull, len(p))
	n, err := f.File.Write(p[:room])
	if err == nil && room < len(p) {
		f.disk.struck(journalFull)
		err = syscall.ENOSPC
	}
	return n, err
}

func (f journalFile) Sync() error {
	if f.disk.due(journalSync) != nil {
		f.disk.struck(journalSync)
		return syscall.EIO
	}
	return f.File.Sync()
}

// mapFile is a file of a correction map.
type mapFile struct {
	fileio.File
	disk *disk
}

func (f mapFile) Write(p []byte) (int, error) {
	room := f.disk.room(mapsFull, len(p))
	n, err := f.File.Write(p[:room])
	if err == nil && room < len(p) {
		f.disk.struck(mapsFull)
		err = syscall.ENOSPC
	}
	return n, err
}

func (f mapFile) Sync() error {
	if f.disk.due(mapsSync) != nil {
		f.disk.struck(mapsSync)
		return syscall.EIO
	}
	return f.File.Sync()
}
