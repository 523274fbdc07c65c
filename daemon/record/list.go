package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/events"
)

// listDir groups the files of a folder by recording, in order. Other files are left
// alone.
func listDir(dir string) (map[string][]part, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("recordings: %w", err)
	}
	groups := map[string][]part{}
	for _, e := range entries {
		if p, is := parsePart(e.Name()); is && e.Type().IsRegular() {
			groups[p.recording] = append(groups[p.recording], p)
		}
	}
	for _, parts := range groups {
		slices.SortFunc(parts, func(a, b part) int { return a.number - b.number })
	}
	return groups, nil
}

// describe reads the summaries of a recording's files. What cannot be read is named as
// the reason.
func describe(dir, name string, parts []part) *facetdv1.Recording {
	rec := &facetdv1.Recording{Name: name, State: facetdv1.RecordingState_RECORDING_STATE_CLOSED}
	var wrong []string
	for _, p := range parts {
		out := &facetdv1.RecordingPart{File: p.file(), Closed: p.closed}
		rec.Parts = append(rec.Parts, out)
		if info, err := os.Stat(filepath.Join(dir, p.file())); err == nil {
			out.Bytes = uint64(info.Size())
			rec.Bytes += out.GetBytes()
		}
		if !p.closed {
			rec.State = facetdv1.RecordingState_RECORDING_STATE_TORN
			wrong = append(wrong, p.file()+" was not closed")
			continue
		}
		if err := addSummary(rec, filepath.Join(dir, p.file())); err != nil {
			if rec.GetState() == facetdv1.RecordingState_RECORDING_STATE_CLOSED {
				rec.State = facetdv1.RecordingState_RECORDING_STATE_FAILED
			}
			wrong = append(wrong, err.Error())
		}
	}
	rec.Reason = strings.Join(wrong, "; ")
	return rec
}

func addSummary(rec *facetdv1.Recording, path string) error {
	r, err := Open(path)
	if err != nil {
		return err
	}
	defer r.Close()
	rec.Messages += r.Messages()
	rec.FrameSets += r.FrameSets()
	first, last := r.Span()
	if r.Messages() == 0 {
		return nil
	}
	if begin := time.Unix(0, int64(first)); rec.GetStartTime() == nil || begin.Before(rec.GetStartTime().AsTime()) {
		rec.StartTime = timestamppb.New(begin)
	}
	if end := time.Unix(0, int64(last)); rec.GetEndTime() == nil || end.After(rec.GetEndTime().AsTime()) {
		rec.EndTime = timestamppb.New(end)
	}
	return nil
}

// Recover closes every file of the folder that a crash left open, and reports each. It returns the
// first error, after trying all.
func (m *Manager) Recover(ctx context.Context) error {
	groups, err := listDir(m.cfg.Dir)
	if err != nil {
		return err
	}
	var failed []error
	for name, parts := range groups {
		for _, p := range parts {
			if p.closed || m.find(name) != nil {
				continue
			}
			if ctx.Err() != nil {
				return errors.Join(append(failed, ctx.Err())...)
			}
			if err := m.recoverPart(name, p); err != nil {
				failed = append(failed, err)
			}
		}
	}
	return errors.Join(failed...)
}

func (m *Manager) recoverPart(name string, p part) error {
	event := func(severity facetdv1.Severity, text string) *facetdv1.Event {
		return &facetdv1.Event{
			Kind: facetdv1.EventKind_EVENT_KIND_RECORDING_RECOVERED, Severity: severity,
			Text: text, Count: 1,
			Fields: events.Fields{"recording": events.Text(name), "file": events.Text(p.file())},
		}
	}
	done, err := Recover(filepath.Join(m.cfg.Dir, p.file()))
	var locked *LockedError
	if errors.As(err, &locked) {
		return nil // it is being written after all
	}
	if err != nil {
		m.cfg.Logger.Error("a torn recording cannot be closed", zap.String("file", p.file()), zap.Error(err))
		m.cfg.Events.Send(event(facetdv1.Severity_SEVERITY_ERROR,
			fmt.Sprintf("%s cannot be closed: %v", p.file(), err)))
		return err
	}
	text := fmt.Sprintf("%s was left open by a crash and was closed: %d messages in %d chunks are kept, %d bytes of "+
		"a torn end were cut off", p.file(), done.Messages, done.Chunks, done.CutBytes)
	if done.Rest != "" {
		text += "; they lie in " + filepath.Base(done.Rest)
	}
	m.cfg.Events.Send(event(facetdv1.Severity_SEVERITY_WARNING, text))
	return nil
}
