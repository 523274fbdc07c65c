package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// Keeping is which recordings are kept: those that ended at most For ago, and of these the newest that take Bytes
// together with those that are being written. 0 is no limit. A recording is deleted whole, and never while it is
// written.
type Keeping struct {
	For   time.Duration
	Bytes uint64
}

const (
	keepPeriod = 10 * time.Second
	// clockUnset is a time at which no recording ended: the clock of its host was not set yet, as on a robot that gets
	// its time after boot. Such a recording has the age that this process has, as has one of the future, after which
	// the clock was set back: what this process recorded is younger than either.
	clockUnset = 2020
)

// Why a recording was deleted.
const (
	byRequest = "request"
	byAge     = "age"
	bySize    = "size"
)

// Delete deletes a recording that is not being written, and returns it as it was. Errors: *failure.NotFound,
// *failure.Precondition, *failure.InProgress, the disk's.
func (m *Manager) Delete(name string) (*facetdv1.Recording, error) {
	m.starting.Lock()
	defer m.starting.Unlock()
	if m.find(name) != nil {
		return nil, &failure.Precondition{Kind: failure.RecordingOpen, Subject: name,
			Message: "recording " + name + " is being written; stop it first"}
	}
	was, err := m.Get(name)
	if err != nil {
		return nil, err
	}
	if err := m.remove(name, byRequest, ""); err != nil {
		return nil, err
	}
	return was, nil
}

// remove deletes all files of a recording that does not run, and tells of it. The caller holds starting.
func (m *Manager) remove(name, why, text string) error {
	files, err := m.filesOf(name)
	if err != nil {
		return err
	}
	for _, f := range files {
		if strings.HasSuffix(f.name, partialSuffix) {
			release, err := hold(filepath.Join(m.cfg.Dir, f.name))
			if err != nil {
				return err
			}
			defer release() // when all have gone: else recovery may give one its name meanwhile
		}
	}
	var bytes int64
	for _, f := range files {
		if err := os.Remove(filepath.Join(m.cfg.Dir, f.name)); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		bytes += f.size
	}
	m.mu.Lock()
	delete(m.ended, name)
	m.order = slices.DeleteFunc(m.order, func(n string) bool { return n == name })
	m.deleted[why]++
	m.mu.Unlock()
	e := events.Info(facetdv1.EventKind_EVENT_KIND_RECORDING_DELETED, "recording "+name+" was deleted"+text)
	e.Fields = events.Fields{"recording": events.Text(name), "reason": events.Text(why),
		"files": events.Integer(len(files)), "bytes": events.Integer(bytes)}
	m.cfg.Events.Send(e)
	return fileio.SyncDir(m.cfg.Dir)
}

// hold keeps a file from being recovered until release is called. The error is *failure.InProgress for one that
// somebody writes or recovers.
func hold(path string) (release func(), err error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return func() {}, nil
	}
	if err != nil {
		return nil, err
	}
	if err := lock(f); err != nil {
		_ = f.Close()
		if errors.As(err, new(*LockedError)) {
			err = &failure.InProgress{Message: err.Error() + ", or recovered; retry when that has ended"}
		}
		return nil, err
	}
	return func() { _ = f.Close() }, nil
}

// stored is a file of a recording, or one that its recovery put aside.
type stored struct {
	name string
	size int64
	made time.Time
	rest bool // what recovery put aside
}

// restName is the name of what recovery put aside. No file of a recording is called so, whatever the recording is.
var restName = regexp.MustCompile(`^(.+)` + regexp.QuoteMeta(restSuffix) + `[0-9]*$`)

// filesOf finds all files of a recording, those included that recovery put aside.
func (m *Manager) filesOf(name string) ([]stored, error) {
	all, err := m.files()
	return all[name], err
}

// files finds the files of all recordings of the folder.
func (m *Manager) files() (map[string][]stored, error) {
	entries, err := os.ReadDir(m.cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("recordings: %w", err)
	}
	out := map[string][]stored{}
	for _, e := range entries {
		p, is := parsePart(e.Name())
		rest := restName.FindStringSubmatch(e.Name())
		if rest != nil {
			p, is = parsePart(rest[1])
		}
		if !is || !e.Type().IsRegular() {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out[p.recording] = append(out[p.recording], stored{e.Name(), info.Size(), info.ModTime(), rest != nil})
	}
	return out, nil
}

// Keep deletes recordings beyond what is kept, now and then, until ctx ends.
func (m *Manager) Keep(ctx context.Context) {
	if m.cfg.Keep == (Keeping{}) {
		return
	}
	tick := time.NewTicker(keepPeriod)
	defer tick.Stop()
	for {
		if err := m.tidy(); err != nil {
			m.cfg.Logger.Error("recordings beyond what is kept cannot be deleted", zap.Error(err))
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// kept is a recording that could be deleted.
type kept struct {
	name  string
	bytes uint64
	age   time.Duration
}

// tidy deletes the recordings that are not to be kept, the oldest first. It returns the errors of all.
func (m *Manager) tidy() error {
	m.starting.Lock()
	defer m.starting.Unlock()
	all, err := m.files()
	if err != nil {
		return err
	}
	var total uint64
	var list []kept
	for name, files := range all {
		k := m.weigh(name, files)
		total += k.bytes
		if m.find(name) == nil {
			list = append(list, k)
		}
	}
	slices.SortFunc(list, func(a, b kept) int {
		if a.age != b.age {
			return int(max(min(b.age-a.age, 1), -1))
		}
		return strings.Compare(a.name, b.name)
	})
	var failed []error
	for _, k := range list {
		why, text := "", ""
		switch keep := m.cfg.Keep; {
		case keep.For > 0 && k.age > keep.For:
			why, text = byAge, fmt.Sprintf(": it ended %v ago, and recordings are kept for %v",
				k.age.Round(time.Second), keep.For)
		case keep.Bytes > 0 && total > keep.Bytes:
			why, text = bySize, fmt.Sprintf(": recordings took %d bytes, of which %d are kept", total, keep.Bytes)
		default:
			continue
		}
		if err := m.remove(k.name, why, text); err != nil {
			failed = append(failed, err)
			continue
		}
		total -= k.bytes
	}
	return errors.Join(failed...)
}

// weigh is how large a recording is, and how long ago it ended.
func (m *Manager) weigh(name string, files []stored) kept {
	now := m.cfg.clock()
	k := kept{name: name}
	var made time.Time
	for _, f := range files {
		k.bytes += uint64(f.size)
		if f.made.After(made) && !f.rest {
			made = f.made
		}
	}
	k.age = now.Sub(made)
	if made.Year() < clockUnset || k.age < 0 {
		k.age = now.Sub(m.began)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.ended[name]; r != nil { // by the monotonic clock, which nobody sets
		k.age = now.Sub(r.over)
	}
	return k
}
