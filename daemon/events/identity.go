package events

import (
	"cmp"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

// closedFile is in the folder while nobody has the journal open: its identity, and the number of its last event. After
// a crash it is not there, and events may be gone that somebody has seen: the journal is then another one, though its
// numbers go on.
const closedFile = "closed.txt"

// identify returns the identity of the journal in a folder whose next event has a number, or a fresh one.
func identify(dir string, next uint64, fresh string) (string, error) {
	fresh = cmp.Or(fresh, rand.Text())
	if dir == "" {
		return fresh, nil
	}
	path := filepath.Join(dir, closedFile)
	text, err := fileio.Read(path, 1<<10)
	if errors.Is(err, fs.ErrNotExist) {
		return fresh, nil
	}
	// It must be gone before the first event: else a crash would not be noticed.
	if gone := os.Remove(path); gone != nil {
		return "", fmt.Errorf("journal: %w", gone)
	}
	if gone := fileio.SyncDir(dir); gone != nil {
		return "", fmt.Errorf("journal: %w", gone)
	}
	var id string
	var last uint64
	if _, wrong := fmt.Sscanf(string(text), "%s %d\n", &id, &last); err != nil || wrong != nil || last != next-1 {
		return fresh, nil
	}
	return id, nil
}

// leave writes down that the journal is closed, where all of it is on the disk.
func (j *Journal) leave() error {
	j.mu.Lock()
	text := fmt.Sprintf("%s %d\n", j.id, j.next-1)
	whole := j.untold() == 0 && len(j.unwritten) == 0
	j.mu.Unlock()
	if !whole {
		return nil
	}
	return fileio.WriteDurably(filepath.Join(j.cfg.Dir, closedFile), []byte(text), j.cfg.Modes.File())
}

// ID is the journal's identity: numbers of another one mean nothing here.
func (j *Journal) ID() string { return j.id }

// checkPosition checks where a client says that it has come to. Errors: invalid.Errors for a position of no journal,
// *failure.OutOfRange for one of another journal, or that is still to come.
func (j *Journal) checkPosition(id string, after *uint64) error {
	if after == nil || *after == 0 && id == "" {
		return nil
	}
	j.mu.Lock()
	last := j.next - 1
	j.mu.Unlock()
	switch {
	case id == "":
		return invalid.Errors{{Path: "journal_id", Message: "a number means nothing without the journal that it is of",
			Hint: "give the journal_id that came with it, or begin after 0"}}
	case id != j.id:
		return &failure.OutOfRange{Message: fmt.Sprintf("event %d is of another journal, %s: this one is %s", *after,
			id,
			j.id)}
	case *after > last:
		return &failure.OutOfRange{Message: fmt.Sprintf("event %d is still to come: the last is %d", *after, last)}
	}
	return nil
}
