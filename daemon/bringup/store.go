package bringup

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// maxRunBytes limits the file of a run.
const maxRunBytes = 64 << 20

func (s *Service) folder() string { return filepath.Join(s.cfg.Data, "bringup") }

// load reads earlier runs.
func (s *Service) load() error {
	if s.cfg.Data == "" {
		return nil
	}
	entries, err := os.ReadDir(s.folder())
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	var errs []error
	errs = append(errs, err)
	// The newest first, and no more than are kept.
	for _, entry := range slices.Backward(entries) {
		if strings.HasPrefix(entry.Name(), fileio.TempPrefix) && entry.Type().IsRegular() {
			_ = os.Remove(filepath.Join(s.folder(), entry.Name())) // nobody misses it; it is retried next time
			continue
		}
		id, is := strings.CutSuffix(entry.Name(), ".json")
		if !is || !entry.Type().IsRegular() || len(s.runs) == keptRuns {
			continue
		}
		run, err := readRun(filepath.Join(s.folder(), entry.Name()))
		if err == nil && run.GetId() != id {
			err = fmt.Errorf("%s is of run %q", entry.Name(), run.GetId())
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		s.runs[id] = run
	}
	return errors.Join(errs...)
}

func readRun(path string) (*facetdv1.BringupRun, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > maxRunBytes {
		return nil, fmt.Errorf("%s is larger than %d MiB", path, maxRunBytes>>20)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var run facetdv1.BringupRun
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(data, &run); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &run, nil
}

// keep stores a run as it is now: in memory, and in a file that is either the old or
// the new one whenever the daemon dies.
func (s *Service) keep(run *facetdv1.BringupRun) error {
	run = proto.CloneOf(run)
	s.mu.Lock()
	s.runs[run.GetId()] = run
	s.forget()
	s.mu.Unlock()
	if s.cfg.Data == "" {
		return nil
	}
	data, err := protojson.Marshal(run)
	if err != nil {
		return err
	}
	if err := s.cfg.Modes.MkdirAll(s.folder()); err != nil {
		return err
	}
	return fileio.WriteDurably(filepath.Join(s.folder(), run.GetId()+".json"), data, s.cfg.Modes.File())
}

// forget drops the oldest runs from memory.
func (s *Service) forget() {
	ids := s.ids()
	for _, id := range ids[min(len(ids), keptRuns):] {
		delete(s.runs, id)
	}
}
